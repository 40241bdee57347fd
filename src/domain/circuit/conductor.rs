//! Copper conductors: ohms by gauge, length, temperature and stranding, and run lengths.
//!
//! Place in the data's path: `build` turns a cable's values into resistances with these, the
//! supply budget its run lengths. Pure arithmetic; nothing here knows a terminal.

use crate::units::{Amps, Ohms, VoltAmperes, Volts};
use serde::{Deserialize, Serialize};

/// Resistivity of annealed copper at 20 degC in ohm metres (from memory).
const COPPER_OHM_METRES: f64 = 1.7241e-8;

/// Temperature coefficient of copper's resistance at 20 degC, per kelvin (from memory).
const COPPER_PER_KELVIN: f64 = 0.003_93;

/// What stranding adds by the strands' longer path: NEC chapter 9 Table 8 prints 7.95 against
/// 7.77 (18 AWG) and 4.99 against 4.89 ohm per 1000 ft (16 AWG).
const STRANDING_FACTOR: f64 = 1.0225;

/// Metres in a foot.
pub const METRES_PER_FOOT: f64 = 0.3048;

/// How a conductor is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stranding {
    /// One wire.
    Solid,
    /// Seven wires.
    Stranded,
}

/// Diameter in millimetres of a solid conductor of an American wire gauge (ASTM B258).
#[must_use]
pub fn diameter_millimetres(gauge_awg: f64) -> f64 {
    0.127 * 92_f64.powf((36.0 - gauge_awg) / 39.0)
}

/// Resistance of one metre of solid uncoated copper at 20 degC.
#[must_use]
pub fn ohms_per_metre(gauge_awg: f64) -> f64 {
    let millimetres = diameter_millimetres(gauge_awg);
    let square_metres = std::f64::consts::FRAC_PI_4 * millimetres * millimetres * 1e-6;
    COPPER_OHM_METRES / square_metres
}

/// Resistance of 1000 ft at a temperature in degrees Celsius.
#[must_use]
pub fn ohms_per_thousand_feet(gauge_awg: f64, celsius: f64, stranding: Stranding) -> Ohms {
    let cold = ohms_per_metre(gauge_awg) * METRES_PER_FOOT * 1000.0;
    let warm = cold * (1.0 + COPPER_PER_KELVIN * (celsius - 20.0));
    Ohms(match stranding {
        Stranding::Solid => warm,
        Stranding::Stranded => warm * STRANDING_FACTOR,
    })
}

/// Drop along both conductors of a run.
#[must_use]
pub fn two_wire_drop(per_thousand_feet: Ohms, feet: f64, current: Amps) -> Volts {
    Volts(2.0 * per_thousand_feet.0 * feet / 1000.0 * current.0)
}

/// Longest run in feet, both conductors counted, that drops no more than the given volts.
#[must_use]
pub fn longest_run_feet(per_thousand_feet: Ohms, drop: Volts, current: Amps) -> f64 {
    drop.0 * 1000.0 / (2.0 * per_thousand_feet.0 * current.0)
}

/// A contactor that its own cable's capacitance may hold in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CapacitiveHoldIn {
    /// Drop-out tension as a part of rated.
    pub drop_out_ratio: f64,
    /// Sealed volt-amperes of the coil.
    pub sealed: VoltAmperes,
    /// Rated control tension.
    pub rated: Volts,
    /// Mains frequency in hertz.
    pub hertz: f64,
    /// Capacitance of the cable in microfarads per kilometre.
    pub microfarads_per_kilometre: f64,
}

impl CapacitiveHoldIn {
    /// Longest cable in metres that still lets the coil drop out ("Estimation of Cable Length for
    /// Control Circuits"): `m / (1 + m) * P * 1e9 / (2 pi f c U^2)`.
    #[must_use]
    pub fn longest_metres(&self) -> f64 {
        let ratio = self.drop_out_ratio / (1.0 + self.drop_out_ratio);
        let angular = std::f64::consts::TAU * self.hertz;
        let tension_squared = self.rated.0 * self.rated.0;
        ratio * self.sealed.0 * 1e9 / (angular * self.microfarads_per_kilometre * tension_squared)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(got: f64, expected: f64, relative: f64) {
        let error = (got - expected).abs() / expected;
        assert!(error <= relative, "{got} against {expected}: {error}");
    }

    #[test]
    fn ohms_agree_with_nec_chapter_9_table_8() {
        // Printed at 75 degC: solid uncoated, then 7 strands; ohm per kft and per km.
        let check = |gauge, stranding, per_kft, per_km| {
            let ours = ohms_per_thousand_feet(gauge, 75.0, stranding).0;
            close(ours, per_kft, 0.002);
            close(ours / METRES_PER_FOOT, per_km, 0.002);
        };
        check(18.0, Stranding::Solid, 7.77, 25.5);
        check(16.0, Stranding::Solid, 4.89, 16.0);
        check(18.0, Stranding::Stranded, 7.95, 26.1);
        check(16.0, Stranding::Stranded, 4.99, 16.4);
    }

    #[test]
    fn diameters_agree_with_astm_b258() {
        // Printed values of ASTM B258: 36 AWG is 0.127 mm, 18 AWG 1.024 mm, 24 AWG 0.511 mm.
        close(diameter_millimetres(36.0), 0.127, 1e-12);
        close(diameter_millimetres(18.0), 1.024, 0.001);
        close(diameter_millimetres(24.0), 0.511, 0.001);
    }

    #[test]
    fn the_printed_drop_of_a_two_wire_run() {
        // Electrician's lesson, worked example: 100 ft of 16 AWG stranded (4.99 ohm per kft) at
        // 4 A drop 4.0 V, 16.7 % of 24 V.
        let drop = two_wire_drop(Ohms(4.99), 100.0, Amps(4.0)).0;
        close(drop, 4.0, 0.0025);
        close(100.0 * drop / 24.0, 16.7, 0.005);
        let ours = ohms_per_thousand_feet(16.0, 75.0, Stranding::Stranded);
        close(two_wire_drop(ours, 100.0, Amps(4.0)).0, 4.0, 0.004);
    }

    #[test]
    fn run_lengths_for_a_drop_of_a_tenth() {
        // Hand-worked: 2.4 V at 0.5 A, 20 degC, solid; feet.
        for (gauge, feet) in [
            (16.0, 598.0),
            (18.0, 376.0),
            (20.0, 236.0),
            (22.0, 149.0),
            (24.0, 94.0),
        ] {
            let per_kft = ohms_per_thousand_feet(gauge, 20.0, Stranding::Solid);
            let ours = longest_run_feet(per_kft, Volts(2.4), Amps(0.5));
            assert!(
                (ours - feet).abs() < 0.6,
                "{gauge} AWG: {ours} against {feet}"
            );
        }
    }

    #[test]
    fn capacitive_hold_in_lengths_as_printed() {
        // "Estimation of Cable Length for Control Circuits": m 0.25, 4.5 VA, 50 Hz, 0.26 uF/km.
        let coil = |volts| CapacitiveHoldIn {
            drop_out_ratio: 0.25,
            sealed: VoltAmperes(4.5),
            rated: Volts(volts),
            hertz: 50.0,
            microfarads_per_kilometre: 0.26,
        };
        assert!((coil(110.0).longest_metres() - 910.0).abs() < 1.0);
        assert!((coil(240.0).longest_metres() - 191.0).abs() < 1.0);
    }

    #[test]
    fn at_24_volts_the_cable_cannot_hold_a_coil_in() {
        // Hand-worked: 24 V, 60 Hz, 5 VA: 17.7 km, so this is no realistic 24 V fault.
        let coil = CapacitiveHoldIn {
            drop_out_ratio: 0.25,
            sealed: VoltAmperes(5.0),
            rated: Volts(24.0),
            hertz: 60.0,
            microfarads_per_kilometre: 0.26,
        };
        assert!((coil.longest_metres() - 17_700.0).abs() < 50.0);
    }
}

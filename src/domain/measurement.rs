//! What a measured voltage says, with its uncertainty.
//!
//! Place in the data's path: between a meter's value and the verdict. A value decides only where it
//! is outside a band's limit by more than its expanded uncertainty (guard band; ILAC-G8:09/2019,
//! clause 4.2.2, read as `w = U`). The accuracy of a meter is taken as the half width of a
//! rectangular distribution (JCGM 100:2008, 4.3.7). Nothing here reads a meter.

use super::output::{Expected, Observed};
use super::verdict::Verdict;
use crate::units::{MeterAccuracy, Ohms, Volts};
use serde::{Deserialize, Serialize};

/// Coverage factor of an expanded uncertainty of about 95 % (JCGM 100:2008, 6.3.3).
pub(super) const COVERAGE: f64 = 2.0;

/// Tolerance of a resistor in series with a meter, as a share of its value (assumed).
const SERIES_TOLERANCE: f64 = 0.01;

/// The largest load, in ohms, under which a live reading is credited: an unloaded conductor picks
/// up its neighbours' voltage (common practice, no source).
pub const CREDITED_LOAD: Ohms = Ohms(5_000.0);

/// Where a line counts as on, and where as off.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Bands {
    /// On at this voltage or more. Default 18 V: 24 V coils are commonly said to pull in by then
    /// (from memory).
    pub on_at_least: Volts,
    /// Off at this voltage or less. Default 5 V: where a 24 V input must read off (from memory).
    pub off_at_most: Volts,
}

impl Default for Bands {
    fn default() -> Self {
        Self {
            on_at_least: Volts(18.0),
            off_at_most: Volts(5.0),
        }
    }
}

/// The tension for which bands are stated.
const NOMINAL: Volts = Volts(24.0);

impl Bands {
    /// The same at another supply: a live line carries the same share of it. What counts as off is
    /// off at any supply.
    #[must_use]
    pub fn at_supply(&self, volts: Volts) -> Self {
        Self {
            on_at_least: Volts(self.on_at_least.0 * volts.0 / NOMINAL.0),
            off_at_most: self.off_at_most,
        }
    }
}

/// One measured voltage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeasuredVolts {
    /// The value, corrected for what stands in series.
    pub volts: Volts,
    /// Its standard uncertainty.
    pub u: Volts,
    /// Whether a load of at most [`CREDITED_LOAD`] was across it.
    pub loaded: bool,
    /// Whether repeated readings agreed within their uncertainty.
    pub stable: bool,
}

impl MeasuredVolts {
    /// Its expanded uncertainty.
    #[must_use]
    pub fn expanded(&self) -> Volts {
        Volts(COVERAGE * self.u.0)
    }
}

/// A meter's reading corrected for the resistance in series with it.
///
/// The meter with its load divides the voltage: `V = V_read * (R_in + R_series) / R_in`.
#[must_use]
pub fn corrected(
    reading: Volts,
    accuracy: &MeterAccuracy,
    input: Ohms,
    series: Ohms,
    load: Option<Ohms>,
) -> (Volts, Volts) {
    let across = load.map_or(input.0, |load| input.0 * load.0 / (input.0 + load.0));
    let factor = (across + series.0) / across;
    let volts = reading.0 * factor;
    let of_meter = standard_uncertainty(reading.0, accuracy) * factor;
    let of_series =
        reading.0.abs() * series.0 / across * SERIES_TOLERANCE * 2_f64.sqrt() / 3_f64.sqrt();
    (Volts(volts), Volts(of_meter.hypot(of_series)))
}

/// The standard uncertainty of a reading, in its own unit, from the stated accuracy alone.
#[must_use]
pub fn standard_uncertainty(reading: f64, accuracy: &MeterAccuracy) -> f64 {
    let limit = accuracy.percent / 100.0 * reading.abs() + accuracy.counts * accuracy.resolution;
    limit / 3_f64.sqrt()
}

/// What lies beside a known resistance where the two together were read; `None` where the known
/// one alone explains the reading. `1/path = 1/read - 1/known`.
#[must_use]
pub fn path_beyond(read: Ohms, known: Option<Ohms>) -> Option<Ohms> {
    // A lead that is nulled too far reads below nothing: that is a short.
    let read = read.0.max(0.0);
    match known {
        None => Some(Ohms(read)),
        Some(known) if read >= known.0 => None,
        Some(known) => Some(Ohms(read * known.0 / (known.0 - read))),
    }
}

/// The state that a voltage shows; indeterminate between the bands and within its uncertainty of
/// either limit.
#[must_use]
pub fn state_of(measured: &MeasuredVolts, bands: &Bands) -> Observed {
    let reach = COVERAGE * measured.u.0;
    if measured.volts.0 - reach >= bands.on_at_least.0 {
        Observed::On
    } else if measured.volts.0 + reach <= bands.off_at_most.0 {
        Observed::Off
    } else {
        Observed::Indeterminate
    }
}

/// The verdict on one measured cell, with the reason where it is not plain.
///
/// Stable, loaded and outside both bands is a fail. A live reading that no load was across is
/// inconclusive: it may be a ghost. Within its uncertainty of a limit it is inconclusive.
#[must_use]
pub fn judge_volts(
    expected: Expected,
    measured: &MeasuredVolts,
    bands: &Bands,
) -> (Verdict, &'static str) {
    let state = state_of(measured, bands);
    match (expected, state) {
        (Expected::Either, _) => (Verdict::Pass, ""),
        (_, Observed::Indeterminate) => judge_between(measured, bands),
        (_, Observed::On) if !measured.loaded => (
            Verdict::Inconc,
            "read without a load: it may be a ghost voltage",
        ),
        (Expected::On, Observed::On) | (Expected::Off, Observed::Off) => (Verdict::Pass, ""),
        (Expected::On | Expected::Off, _) => (Verdict::Fail, ""),
    }
}

fn judge_between(measured: &MeasuredVolts, bands: &Bands) -> (Verdict, &'static str) {
    let reach = COVERAGE * measured.u.0;
    let clear = measured.volts.0 + reach < bands.on_at_least.0
        && measured.volts.0 - reach > bands.off_at_most.0;
    if !clear {
        (Verdict::Inconc, "within the uncertainty of a limit")
    } else if !measured.stable {
        (Verdict::Inconc, "between on and off, and not steady")
    } else if !measured.loaded {
        (
            Verdict::Inconc,
            "between on and off, read without a load: it may be a ghost voltage",
        )
    } else {
        (
            Verdict::Fail,
            "between on and off under load: too little for a load, too much for none",
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn measured(volts: f64, u: f64) -> MeasuredVolts {
        MeasuredVolts {
            volts: Volts(volts),
            u: Volts(u),
            loaded: true,
            stable: true,
        }
    }

    #[test]
    fn a_value_decides_only_beyond_its_uncertainty() {
        let bands = Bands::default();
        let check = |volts: f64, u: f64, state: Observed| {
            assert_eq!(
                state_of(&measured(volts, u), &bands),
                state,
                "{volts} V, u {u} V"
            );
        };
        check(24.0, 0.1, Observed::On);
        check(18.2, 0.1, Observed::On);
        check(18.1, 0.1, Observed::Indeterminate);
        check(0.1, 0.1, Observed::Off);
        check(4.9, 0.1, Observed::Indeterminate);
        check(12.0, 0.1, Observed::Indeterminate);
    }

    #[test]
    fn at_another_supply_on_is_the_same_share_of_it() {
        // Hand-worked: 18 of 24 V are three quarters, so 15 of 20 V and 22.5 of 30 V.
        let low = Bands::default().at_supply(Volts(20.0));
        let high = Bands::default().at_supply(Volts(30.0));
        assert_eq!(
            (low.on_at_least, low.off_at_most),
            (Volts(15.0), Volts(5.0))
        );
        assert_eq!(
            (high.on_at_least, high.off_at_most),
            (Volts(22.5), Volts(5.0))
        );
    }

    #[test]
    fn between_the_bands_fails_only_stable_and_loaded() {
        let bands = Bands::default();
        let between = measured(12.0, 0.1);
        assert_eq!(judge_volts(Expected::On, &between, &bands).0, Verdict::Fail);
        let unloaded = MeasuredVolts {
            loaded: false,
            ..between
        };
        assert_eq!(
            judge_volts(Expected::Off, &unloaded, &bands).0,
            Verdict::Inconc
        );
        let unsteady = MeasuredVolts {
            stable: false,
            ..between
        };
        assert_eq!(
            judge_volts(Expected::On, &unsteady, &bands).0,
            Verdict::Inconc
        );
        let ghost = MeasuredVolts {
            loaded: false,
            ..measured(20.0, 0.1)
        };
        assert_eq!(judge_volts(Expected::On, &ghost, &bands).0, Verdict::Inconc);
        assert_eq!(
            judge_volts(Expected::Off, &ghost, &bands).0,
            Verdict::Inconc
        );
    }

    #[test]
    fn what_lies_beside_a_known_load_is_worked_out() {
        // Hand-worked: 3000 ohm beside 1500 ohm reads 1000 ohm.
        let path = path_beyond(Ohms(1000.0), Some(Ohms(3000.0)));
        assert!((path.expect("a path").0 - 1500.0).abs() < 1e-9);
        assert_eq!(path_beyond(Ohms(3000.0), Some(Ohms(3000.0))), None);
        assert_eq!(path_beyond(Ohms(29.0), None), Some(Ohms(29.0)));
        assert_eq!(path_beyond(Ohms(-0.2), None), Some(Ohms(0.0)));
    }

    #[test]
    fn a_series_resistor_is_corrected_for() {
        // Hand-worked: 10 kohm in series with 3 kohm across a 10 Mohm meter divides by 4.3343;
        // 24 V at the line reads 24 / (1 + 10000 / 2999.1) = 5.5372 V.
        let accuracy = MeterAccuracy {
            percent: 0.7,
            counts: 2.0,
            resolution: 0.01,
        };
        let (volts, u) = corrected(
            Volts(5.5372),
            &accuracy,
            Ohms(10e6),
            Ohms(10e3),
            Some(Ohms(3e3)),
        );
        assert!((volts.0 - 24.0).abs() < 0.001, "{volts}");
        // Meter: (0.0388 + 0.02) / 1.7321 * 4.3343 = 0.147 V; resistors 0.151 V.
        assert!((u.0 - 0.211).abs() < 0.005, "{u}");
    }
}

//! Coils: sealed, unsealed and as an ohmmeter sees them, and the tensions at which they move.
//!
//! Place in the data's path: `build` puts one on each line from these values, and the solution's
//! fixed point moves it between its two states. A coil whose armature is open is another
//! impedance than a sealed one, and neither is what an ohmmeter reads.

use super::element::{above_zero, within};
use super::{CircuitError, ElementKind};
use crate::domain::bench_map::Load;
use crate::units::{Terminal, Volts};
use serde::{Deserialize, Serialize};

/// One coil or heater.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CoilValues {
    /// Magnitude of the sealed impedance in ohms, at mains frequency.
    pub sealed_ohms: f64,
    /// Magnitude of the impedance with the armature open, in ohms.
    pub unsealed_ohms: f64,
    /// Power factor, above 0 and up to 1; the same in both states (assumed).
    pub power_factor: f64,
    /// What an ohmmeter reads.
    pub dc_ohms: f64,
    /// It pulls in at this tension or above.
    pub pick_up: Volts,
    /// It drops out below this tension.
    pub drop_out: Volts,
}

/// 24 V coils are commonly said to pull in by 18 V (from memory).
pub const PICK_UP: Volts = Volts(18.0);

/// Half of rated, inside the 20 to 75 % of IEC 60947-4-1 (from memory).
const DROP_OUT: Volts = Volts(12.0);

/// Rated tension of the coils.
pub const RATED: Volts = Volts(24.0);

impl CoilValues {
    /// A coil by its sealed volt-amperes at 24 V, power factor, and inrush against sealed current.
    /// An ohmmeter reads 0.45 of the resistive part (assumed), all of it on a heater.
    #[must_use]
    pub fn from_rating(sealed_volt_amperes: f64, power_factor: f64, inrush_ratio: f64) -> Self {
        let sealed_ohms = RATED.0 * RATED.0 / sealed_volt_amperes;
        let copper = if power_factor < 1.0 { 0.45 } else { 1.0 };
        Self {
            sealed_ohms,
            unsealed_ohms: sealed_ohms / inrush_ratio,
            power_factor,
            dc_ohms: copper * power_factor * sealed_ohms,
            pick_up: PICK_UP,
            drop_out: DROP_OUT,
        }
    }

    /// What hangs on a line where no file says otherwise: sealed VA and power factor of a
    /// prototype (assumed). Inrush: contactors 3.2 times, a bench file's 64 against 20 ohm;
    /// relays and valves 1.6 times, 48 against 30 ohm of a worked example; heaters none.
    #[must_use]
    pub fn default_for(terminal: &Terminal) -> Self {
        match terminal.as_str() {
            "Y1" => Self::from_rating(9.0, 0.5, 3.2),
            "Y2" => Self::from_rating(6.0, 0.6, 3.2),
            "O" | "B" => Self::from_rating(7.0, 0.55, 1.6),
            "W1" | "W2" | "W3" => Self::from_rating(5.0, 1.0, 1.0),
            _ => Self::from_rating(4.0, 0.6, 1.6),
        }
    }

    /// The same with what a bench file says in place of the defaults.
    ///
    /// Where only the sealed impedance is given, the others keep their ratio to it.
    #[must_use]
    pub fn with_bench_load(mut self, load: &Load) -> Self {
        let power_factor = load.power_factor.unwrap_or(self.power_factor);
        let scale = load
            .sealed_ohms
            .map_or(1.0, |sealed| sealed.0 / self.sealed_ohms);
        let resistive = scale * power_factor / self.power_factor;
        self.sealed_ohms *= scale;
        self.unsealed_ohms = load
            .unsealed_ohms
            .map_or(self.unsealed_ohms * scale, |ohms| ohms.0);
        self.dc_ohms = load.dc_ohms.map_or(self.dc_ohms * resistive, |ohms| ohms.0);
        self.power_factor = power_factor;
        self
    }

    /// Sealed volt-amperes at 24 V.
    #[must_use]
    pub fn sealed_volt_amperes(&self) -> f64 {
        RATED.0 * RATED.0 / self.sealed_ohms
    }

    /// Volt-amperes at 24 V while the armature is open.
    #[must_use]
    pub fn inrush_volt_amperes(&self) -> f64 {
        RATED.0 * RATED.0 / self.unsealed_ohms
    }

    /// As a part of the circuit, in one of its two states.
    pub(super) fn element(&self, sealed: bool, angular: f64) -> ElementKind {
        let magnitude = if sealed {
            self.sealed_ohms
        } else {
            self.unsealed_ohms
        };
        let sine = (1.0 - self.power_factor * self.power_factor)
            .max(0.0)
            .sqrt();
        ElementKind::Winding {
            ohms: magnitude * self.power_factor,
            henries: magnitude * sine / angular,
        }
    }

    /// Whether the armature is in after this tension, having been in or out before.
    #[must_use]
    pub fn pulled_in(&self, tension: Volts, before: bool) -> bool {
        tension.0
            >= if before {
                self.drop_out.0
            } else {
                self.pick_up.0
            }
    }

    pub(super) fn check(&self, terminal: &Terminal) -> Result<(), CircuitError> {
        let name = format!("coil {terminal}");
        for (quantity, ohms) in [
            ("sealed ohms", self.sealed_ohms),
            ("unsealed ohms", self.unsealed_ohms),
            ("DC ohms", self.dc_ohms),
        ] {
            within((&name, quantity), ohms, 0.01..=1e9, "0.01 to 1e9 ohm")?;
        }
        above_zero(&name, "pick-up", self.pick_up.0)?;
        above_zero(&name, "drop-out", self.drop_out.0)?;
        let power_factor = (name.as_str(), "power factor");
        within(power_factor, self.power_factor, 0.01..=1.0, "0.01 to 1")?;
        if self.drop_out.0 > self.pick_up.0 {
            let what = format!("drop-out of {name}");
            let expected = "no more than the pick-up";
            return Err(CircuitError::outside(what, self.drop_out.0, expected));
        }
        Ok(())
    }
}

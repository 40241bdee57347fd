//! The limits of a Class 2 supply, as far as this program knows them.
//!
//! Place in the data's path: the supply budget compares a supply with these and prints what it
//! found. The figures are the body of NEC chapter 9 Table 11(A), alternating current, from memory;
//! the numbering moved in the 2023 cycle. They are no ruling: the local code holds.

use super::{Protection, SupplyValues};
use crate::units::{Amps, VoltAmperes, Volts};

/// Where the limits come from, to be printed beside each of them.
pub const CODE_EDITION: &str = "NEC chapter 9 Table 11(A), from memory; numbering moved in the \
                                2023 cycle; the local code holds";

/// A fuse opens within the hour at this part above its rating (UL 248-14, from memory).
const FUSE_OPENS_AT: f64 = 1.35;

/// Highest open-circuit tension of a Class 2 supply that may be touched dry.
pub const HIGHEST_VOLTS: Volts = Volts(30.0);

/// Highest nameplate rating above 20 V.
pub const HIGHEST_RATING: VoltAmperes = VoltAmperes(100.0);

/// The largest overcurrent device of a supply that is not inherently limited; `None` above 30 V.
#[must_use]
pub fn largest_overcurrent_device(highest: Volts) -> Option<Amps> {
    match highest.0 {
        volts if volts <= 0.0 || volts > HIGHEST_VOLTS.0 => None,
        volts if volts <= 20.0 => Some(Amps(5.0)),
        volts => Some(Amps(100.0 / volts)),
    }
}

/// One limit that a supply passes by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Class2Finding {
    /// Too high an open-circuit tension.
    Volts {
        /// What it has.
        has: Volts,
    },
    /// Too high a nameplate rating.
    Rating {
        /// What it has.
        has: VoltAmperes,
    },
    /// Too large an overcurrent device.
    OvercurrentDevice {
        /// What it has.
        has: Amps,
        /// What is allowed.
        allowed: Amps,
    },
}

impl std::fmt::Display for Class2Finding {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Volts { has } => {
                write!(f, "{has:.1} open-circuit is above {HIGHEST_VOLTS:.0}")?;
            }
            Self::Rating { has } => write!(f, "{has:.0} rated is above {HIGHEST_RATING:.0}")?,
            Self::OvercurrentDevice { has, allowed } => {
                write!(f, "a {has:.2} overcurrent device is above {allowed:.2}")?;
            }
        }
        write!(f, " ({CODE_EDITION})")
    }
}

/// Everything in which a supply is outside Class 2.
#[must_use]
pub fn findings(supply: &SupplyValues) -> Vec<Class2Finding> {
    let mut found = Vec::new();
    let volts = Volts(supply.secondary_volts());
    if volts > HIGHEST_VOLTS {
        found.push(Class2Finding::Volts { has: volts });
    }
    if supply.rated_volt_amperes > HIGHEST_RATING.0 {
        let has = VoltAmperes(supply.rated_volt_amperes);
        found.push(Class2Finding::Rating { has });
    }
    let has = Amps(match supply.protection {
        Protection::Fuse {
            opens_above_amps, ..
        } => opens_above_amps / FUSE_OPENS_AT,
        Protection::Limiter {
            opens_above_amps, ..
        } => opens_above_amps,
    });
    match largest_overcurrent_device(volts) {
        Some(allowed) if has > allowed => {
            found.push(Class2Finding::OvercurrentDevice { has, allowed });
        }
        _ => {}
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hundred_over_the_highest_volts() {
        // Hand-worked from the rule "divide 100 by Vmax" (EC&M, Chapter 9 part 7).
        for (volts, amps) in [(24.0, 4.17), (27.0, 3.70), (28.0, 3.57), (30.0, 3.33)] {
            let allowed = largest_overcurrent_device(Volts(volts)).expect("Class 2").0;
            assert!((allowed - amps).abs() < 0.005, "{volts} V: {allowed} A");
        }
        assert_eq!(largest_overcurrent_device(Volts(15.0)), Some(Amps(5.0)));
        assert_eq!(largest_overcurrent_device(Volts(31.0)), None);
    }

    #[test]
    fn a_supply_outside_the_limits_says_each_with_the_edition() {
        assert_eq!(findings(&SupplyValues::default()), []);
        let large = SupplyValues {
            rated_volt_amperes: 150.0,
            protection: Protection::Limiter {
                ohms: 0.05,
                opens_above_amps: 6.0,
            },
            ..SupplyValues::default()
        };
        let said: Vec<String> = findings(&large).iter().map(ToString::to_string).collect();
        assert_eq!(said.len(), 2, "{said:?}");
        assert!(said[0].starts_with("150 VA rated is above 100 VA (NEC chapter 9"));
        assert!(said[1].starts_with("a 6.00 A overcurrent device is above 3.72 A ("));
        assert!(said[1].contains("from memory") && said[1].contains("local code holds"));
    }
}

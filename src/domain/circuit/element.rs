//! The parts of which a netlist is made, each with its complex admittance.
//!
//! Place in the data's path: [`super::Netlist`] holds them, the solver asks each for its
//! admittance at the mains frequency. A part knows no terminal and no trade word: what a coil or
//! a landing joint is made of is said in `build`.

use super::CircuitError;
use num_complex::Complex64;

/// A pure inductance at zero frequency is taken as this much resistance, so that an ohmmeter's
/// current (zero frequency) has a finite path.
const INDUCTOR_OHMS_AT_ZERO_HERTZ: f64 = 1e-6;

/// What a two-ended part is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ElementKind {
    /// A resistance.
    Resistor {
        /// Its resistance, above 0.
        ohms: f64,
    },
    /// A pure inductance.
    Inductor {
        /// Its inductance, above 0.
        henries: f64,
    },
    /// A capacitance.
    Capacitor {
        /// Its capacitance, 0 or more.
        farads: f64,
    },
    /// A resistance with an inductance in series: a coil, or a length of conductor.
    Winding {
        /// Its resistance, above 0.
        ohms: f64,
        /// Its inductance, 0 or more.
        henries: f64,
    },
    /// A resistance with a capacitance in series: the snubber across a solid-state output.
    Snubber {
        /// Its resistance, above 0.
        ohms: f64,
        /// Its capacitance, above 0.
        farads: f64,
    },
    /// A contact, a fuse or a joint: a small resistance when closed, and when open a large
    /// resistance with a small capacitance across it.
    Switch {
        /// Whether it is closed.
        closed: bool,
        /// Resistance when closed, above 0.
        closed_ohms: f64,
        /// Resistance of the open gap, above 0.
        open_ohms: f64,
        /// Capacitance of the open gap, 0 or more.
        open_farads: f64,
    },
    /// A transformer's secondary: an alternating tension behind its source impedance. The first
    /// node is its hot end.
    Source {
        /// Open-circuit tension, rms, with its phase.
        volts: Complex64,
        /// Source resistance, above 0.
        ohms: f64,
        /// Source inductance, 0 or more.
        henries: f64,
    },
}

impl ElementKind {
    /// Its admittance in reciprocal ohms at an angular frequency in radians per second.
    #[must_use]
    pub fn admittance(&self, angular: f64) -> Complex64 {
        match *self {
            Self::Resistor { ohms } => Complex64::new(1.0 / ohms, 0.0),
            Self::Inductor { henries } if angular == 0.0 => {
                debug_assert!(henries > 0.0);
                Complex64::new(1.0 / INDUCTOR_OHMS_AT_ZERO_HERTZ, 0.0)
            }
            Self::Inductor { henries } => Complex64::new(0.0, -1.0 / (angular * henries)),
            Self::Capacitor { farads } => Complex64::new(0.0, angular * farads),
            Self::Winding { ohms, henries } | Self::Source { ohms, henries, .. } => {
                Complex64::new(ohms, angular * henries).inv()
            }
            Self::Snubber { ohms, farads } => {
                let susceptance = Complex64::new(0.0, angular * farads);
                susceptance / (1.0 + ohms * susceptance)
            }
            Self::Switch {
                closed: true,
                closed_ohms,
                ..
            } => Complex64::new(1.0 / closed_ohms, 0.0),
            Self::Switch {
                open_ohms,
                open_farads,
                ..
            } => Complex64::new(1.0 / open_ohms, angular * open_farads),
        }
    }

    /// Open-circuit tension of a source, 0 for every other part.
    #[must_use]
    pub fn source_volts(&self) -> Complex64 {
        match *self {
            Self::Source { volts, .. } => volts,
            _ => Complex64::new(0.0, 0.0),
        }
    }

    /// Whether it is a supply.
    #[must_use]
    pub fn is_source(&self) -> bool {
        matches!(self, Self::Source { .. })
    }

    /// Checks every value against physics.
    pub(super) fn check(&self, name: &str) -> Result<(), CircuitError> {
        match *self {
            Self::Resistor { ohms } => resistance(name, "ohms", ohms),
            Self::Inductor { henries } => {
                above_zero(name, "henries", henries)?;
                reactive(name, "henries", henries)
            }
            Self::Capacitor { farads } => reactive(name, "farads", farads),
            Self::Winding { ohms, henries } => {
                resistance(name, "ohms", ohms)?;
                reactive(name, "henries", henries)
            }
            Self::Snubber { ohms, farads } => {
                resistance(name, "ohms", ohms)?;
                above_zero(name, "farads", farads)?;
                reactive(name, "farads", farads)
            }
            Self::Switch {
                closed_ohms,
                open_ohms,
                open_farads,
                ..
            } => {
                resistance(name, "closed ohms", closed_ohms)?;
                resistance(name, "open ohms", open_ohms)?;
                reactive(name, "open farads", open_farads)
            }
            Self::Source {
                volts,
                ohms,
                henries,
            } => {
                resistance(name, "source ohms", ohms)?;
                reactive(name, "source henries", henries)?;
                let expected = "0 to 1e6 V";
                within((name, "volts"), volts.norm(), 0.0..=1e6, expected)
            }
        }
    }
}

/// Refuses what no part of copper, iron and air has, and what double precision cannot tell apart
/// beside the others.
fn resistance(name: &str, quantity: &str, value: f64) -> Result<(), CircuitError> {
    within((name, quantity), value, 1e-6..=1e12, "1e-6 to 1e12 ohm")
}

/// Inductances and capacitances, in henries and farads.
fn reactive(name: &str, quantity: &str, value: f64) -> Result<(), CircuitError> {
    within((name, quantity), value, 0.0..=1e4, "0 to 1e4")
}

/// Refuses a value outside a range, or one that is no number.
pub(super) fn within(
    (name, quantity): (&str, &str),
    value: f64,
    range: std::ops::RangeInclusive<f64>,
    expected: &'static str,
) -> Result<(), CircuitError> {
    if range.contains(&value) {
        Ok(())
    } else {
        let what = format!("{quantity} of {name}");
        Err(CircuitError::outside(what, value, expected))
    }
}

/// A contact, a joint or a jumper: metal on metal, 0.1 mohm and more. Beside the least that an open
/// gap conducts that still keeps its digits.
pub(super) fn contact_resistance(name: &str, value: f64) -> Result<(), CircuitError> {
    within((name, "ohms"), value, 1e-4..=1e9, "0.0001 to 1e9 ohm")
}

/// Refuses what is not finite and above zero.
pub(super) fn above_zero(name: &str, quantity: &str, value: f64) -> Result<(), CircuitError> {
    if value.is_finite() && value > 0.0 {
        Ok(())
    } else {
        let what = format!("{quantity} of {name}");
        Err(CircuitError::outside(what, value, "a number above 0"))
    }
}

/// Refuses what is not finite or is below zero.
pub(super) fn zero_or_more(name: &str, quantity: &str, value: f64) -> Result<(), CircuitError> {
    if value.is_finite() && value >= 0.0 {
        Ok(())
    } else {
        let what = format!("{quantity} of {name}");
        Err(CircuitError::outside(what, value, "a number of 0 or more"))
    }
}

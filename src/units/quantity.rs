//! Physical quantities as one-field types, so that ohms are never added to volts.
//!
//! Place in the data's path: configuration makes them, everything above carries them. They hold
//! finite or infinite numbers as given; range checks belong to whoever reads a file or a port.

use serde::{Deserialize, Serialize};
use std::fmt;

macro_rules! real_quantity {
    ($(#[$doc:meta])* $name:ident, $unit:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub f64);

        impl $name {
            /// The unit's symbol as printed.
            pub const UNIT: &'static str = $unit;
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                match f.precision() {
                    Some(digits) => write!(f, "{:.*} {}", digits, self.0, $unit),
                    None => write!(f, "{} {}", self.0, $unit),
                }
            }
        }
    };
}

real_quantity!(
    /// Electric tension, rms where it alternates.
    Volts,
    "V"
);
real_quantity!(
    /// Resistance or the magnitude of an impedance.
    Ohms,
    "ohm"
);
real_quantity!(
    /// Current, rms where it alternates.
    Amps,
    "A"
);
real_quantity!(
    /// Apparent power.
    VoltAmperes,
    "VA"
);

macro_rules! whole_quantity {
    ($(#[$doc:meta])* $name:ident, $unit:literal) => {
        $(#[$doc])*
        #[derive(
            Debug,
            Clone,
            Copy,
            PartialEq,
            Eq,
            PartialOrd,
            Ord,
            Hash,
            Default,
            Serialize,
            Deserialize,
        )]
        #[serde(transparent)]
        pub struct $name(pub u64);

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, "{} {}", self.0, $unit)
            }
        }
    };
}

whole_quantity!(
    /// A span of time in whole seconds.
    Seconds,
    "s"
);
whole_quantity!(
    /// A span of time in whole milliseconds.
    Milliseconds,
    "ms"
);
whole_quantity!(
    /// A span of time, or a moment since the run began, in whole microseconds.
    Microseconds,
    "us"
);

impl Milliseconds {
    /// The same span for timers.
    #[must_use]
    pub fn duration(self) -> std::time::Duration {
        std::time::Duration::from_millis(self.0)
    }
}

impl Seconds {
    /// The same span in milliseconds; saturates far outside any run's length.
    #[must_use]
    pub fn milliseconds(self) -> Milliseconds {
        Milliseconds(self.0.saturating_mul(1000))
    }
}

impl Microseconds {
    /// The same span for timers.
    #[must_use]
    pub fn duration(self) -> std::time::Duration {
        std::time::Duration::from_micros(self.0)
    }
}

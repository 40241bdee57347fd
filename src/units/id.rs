//! Identities: terminals, devices, links and addresses on the wire.
//!
//! Place in the data's path: configuration makes them once, and everything above uses them as
//! keys. A wire address counts from 0; the label printed for a person counts from 1
//! ([`CoilAddress::label`]): the two are converted here and nowhere else. A terminal's name says
//! nothing of its function: that comes from the profile.

use serde::{Deserialize, Serialize};
use std::fmt;

/// A name that is not allowed, with what is.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{given}' is not {expected}")]
pub struct NameError {
    /// What was given.
    pub given: String,
    /// What would have been accepted.
    pub expected: &'static str,
}

/// One named conductor position, such as `Y1`, `G` or `HUM`.
///
/// Sorted in the order that people read a terminal strip: the supply, then Y1 Y2 G O B W1 W2 W3 E,
/// then accessories by name. Case-sensitive: `y1` is not `Y1`.
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Terminal(String);

/// Names with a place of their own in the printed order.
const STRIP_ORDER: [&str; 13] = [
    "R", "Rc", "Rh", "C", "Y1", "Y2", "G", "O", "B", "W1", "W2", "W3", "E",
];

impl Terminal {
    /// Takes a terminal's exact name: a letter, then up to 11 letters, digits, `-`, `_` or `/`.
    ///
    /// # Errors
    /// [`NameError`] where the name is of another form.
    pub fn new(name: &str) -> Result<Self, NameError> {
        let mut characters = name.chars();
        let starts_well = characters.next().is_some_and(|c| c.is_ascii_alphabetic());
        let goes_on_well = characters.all(|c| c.is_ascii_alphanumeric() || "-_/".contains(c));
        if starts_well && goes_on_well && name.len() <= 12 {
            Ok(Self(name.to_owned()))
        } else {
            Err(NameError {
                given: name.to_owned(),
                expected: "a terminal name (a letter, then up to 11 letters, digits, - _ or /)",
            })
        }
    }

    /// A terminal whose name is known to be good, such as one written in this program.
    ///
    /// # Panics
    /// Where the name is not of a terminal's form.
    #[must_use]
    pub fn known(name: &'static str) -> Self {
        Self::new(name).expect("a name written in this program has a terminal's form")
    }

    /// The name as printed on the strip.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// R, Rc, Rh and C: they carry the supply and are never driven.
    #[must_use]
    pub fn is_supply(&self) -> bool {
        matches!(self.0.as_str(), "R" | "Rc" | "Rh" | "C")
    }

    fn rank(&self) -> usize {
        STRIP_ORDER
            .iter()
            .position(|known| *known == self.0)
            .unwrap_or(STRIP_ORDER.len())
    }
}

impl Ord for Terminal {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.rank()
            .cmp(&other.rank())
            .then_with(|| self.0.cmp(&other.0))
    }
}

impl PartialOrd for Terminal {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl fmt::Display for Terminal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl TryFrom<String> for Terminal {
    type Error = NameError;
    fn try_from(name: String) -> Result<Self, NameError> {
        Self::new(&name)
    }
}

impl From<Terminal> for String {
    fn from(terminal: Terminal) -> Self {
        terminal.0
    }
}

macro_rules! file_name {
    ($(#[$doc:meta])* $name:ident, $expected:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(String);

        impl $name {
            /// Takes a name of 1 to 32 letters, digits, `-` or `_`.
            ///
            /// # Errors
            /// [`NameError`] where the name is of another form.
            pub fn new(name: &str) -> Result<Self, NameError> {
                let good = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
                if !name.is_empty() && name.len() <= 32 && name.chars().all(good) {
                    Ok(Self(name.to_owned()))
                } else {
                    Err(NameError { given: name.to_owned(), expected: $expected })
                }
            }

            /// The name as the bench file has it.
            #[must_use]
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(&self.0)
            }
        }
    };
}

file_name!(
    /// A link's name in the bench file.
    LinkName,
    "a link name (1 to 32 letters, digits, - or _)"
);
file_name!(
    /// A device's name in the bench file.
    DeviceName,
    "a device name (1 to 32 letters, digits, - or _)"
);

macro_rules! wire_address {
    ($(#[$doc:meta])* $name:ident, $label:literal) => {
        $(#[$doc])*
        #[derive(
            Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize,
        )]
        #[serde(transparent)]
        pub struct $name(pub u16);

        impl $name {
            /// The number printed for a person: one more than the address on the wire.
            #[must_use]
            pub fn label(self) -> String {
                format!("{} {}", $label, u32::from(self.0) + 1)
            }
        }
    };
}

wire_address!(
    /// A relay's address on the wire, from 0 (Modbus V1.1b3, 4.4: PDU addresses count from 0).
    CoilAddress,
    "relay"
);
wire_address!(
    /// A digital input's address on the wire, from 0.
    InputAddress,
    "input"
);
wire_address!(
    /// A holding register's address on the wire, from 0.
    RegisterAddress,
    "register"
);

/// A Modbus unit address, 1 to 247 (Modbus over serial line V1.02, 2.2).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct UnitAddress(pub u8);

/// The end of the cable at which something is sensed or driven.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum End {
    /// Where the room controller sits.
    Controller,
    /// Where the loads sit.
    Equipment,
}

impl fmt::Display for End {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Controller => "controller",
            Self::Equipment => "equipment",
        })
    }
}

/// A place along a conductor, where a fault may sit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Place {
    /// At the room controller's terminals.
    Controller,
    /// Somewhere along the cable.
    Middle,
    /// At the equipment's terminals.
    Equipment,
    /// At the outdoor unit, behind its own cable.
    Outdoor,
}

impl Place {
    /// Every place, in the order of the conductor.
    pub const ALL: [Self; 4] = [
        Self::Controller,
        Self::Middle,
        Self::Equipment,
        Self::Outdoor,
    ];

    /// The word used in files and reports.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Controller => "controller",
            Self::Middle => "middle",
            Self::Equipment => "equipment",
            Self::Outdoor => "outdoor",
        }
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn terminals_sort_as_a_strip_is_read() {
        let mut names: Vec<Terminal> = ["HUM", "E", "W1", "G", "Y2", "C", "R", "AUX1", "O", "Y1"]
            .map(Terminal::known)
            .into();
        names.sort();
        let sorted: Vec<&str> = names.iter().map(Terminal::as_str).collect();
        assert_eq!(
            sorted,
            ["R", "C", "Y1", "Y2", "G", "O", "W1", "E", "AUX1", "HUM"]
        );
    }

    #[test]
    fn names_of_another_form_are_refused() {
        for bad in ["", "1Y", "Y 1", "TOO-LONG-A-NAME"] {
            assert!(Terminal::new(bad).is_err(), "{bad:?}");
        }
        assert!(DeviceName::new("board.1").is_err());
    }

    #[test]
    fn labels_count_from_one() {
        assert_eq!(CoilAddress(0).label(), "relay 1");
        assert_eq!(InputAddress(65535).label(), "input 65536");
    }
}

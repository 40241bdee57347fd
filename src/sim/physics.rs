//! The seam between relay contacts and what is live: contacts in, observations out.
//!
//! Place in the data's path: the world asks a [`Physics`] what each sense point sees while given
//! contacts are closed. What is behind it knows no bytes, no devices and no time; a faulty relay
//! has already been turned into the contacts that are really closed.

use crate::units::{End, Ohms, Terminal, Volts};
use std::collections::{BTreeMap, BTreeSet};

/// Which relay contacts are really closed at one moment.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Contacts {
    /// Lines whose relay joins them to the supply on its common.
    pub lines: BTreeSet<Terminal>,
    /// Whether the relays' commons are fed: false while a master relay is open.
    pub fed: bool,
}

/// A terminal at an end of the cable, sensed against the common of the same end.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Point {
    /// The terminal.
    pub terminal: Terminal,
    /// The end.
    pub end: End,
}

/// What a live point carries while volts are not computed: the nominal supply.
const NOMINAL: Volts = Volts(24.0);

/// What is live, for every point that can be sensed.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Observations {
    /// True where the point is live against the common of its end.
    pub live: BTreeMap<Point, bool>,
}

impl Observations {
    /// Whether a point is live; a point that does not exist is not.
    #[must_use]
    pub fn is_live(&self, point: &Point) -> bool {
        self.live.get(point).copied().unwrap_or(false)
    }

    /// The tension at a point against the common of its end, before a meter loads it.
    #[must_use]
    pub fn volts(&self, point: &Point) -> Volts {
        if self.is_live(point) {
            NOMINAL
        } else {
            Volts(0.0)
        }
    }

    /// The resistance from a point to the common of its end; `None` where it is not known, which a
    /// meter shows as beyond its range.
    #[must_use]
    pub fn ohms(&self, _point: &Point) -> Option<Ohms> {
        None
    }
}

/// What closed contacts do.
pub trait Physics {
    /// The steady state while these contacts are closed.
    fn observe(&self, contacts: &Contacts) -> Observations;
}

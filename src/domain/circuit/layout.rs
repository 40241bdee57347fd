//! Which node and which element stands for what: the map from the trade's words to the netlist.
//!
//! Place in the data's path: `build` fills it beside the netlist, `fault_edit` changes both
//! together, the model and the solution look things up in it. It holds no tension.

use super::{CableValues, CircuitError, CoilValues, ElementId, ElementKind, NodeId, Protection};
use crate::units::{Place, Terminal};
use std::collections::{BTreeMap, BTreeSet};

/// The common of a second supply; it has no letter of its own in the trade.
pub(super) const HEATING_COMMON: &str = "Rh-common";

/// Which cable a conductor lies in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum CableSite {
    /// Controller to equipment.
    Main,
    /// Equipment to outdoor unit.
    Outdoor,
}

impl CableSite {
    /// The places of its two ends.
    pub(super) fn ends(self) -> [Place; 2] {
        match self {
            Self::Main => [Place::Controller, Place::Equipment],
            Self::Outdoor => [Place::Equipment, Place::Outdoor],
        }
    }
}

/// One conductor of one cable, with its landing joint at each end. A joint's first node is the
/// terminal on which the conductor is landed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Conductor {
    pub(super) joints: [ElementId; 2],
    pub(super) halves: [ElementId; 2],
    pub(super) middle: NodeId,
}

/// A cable: its values and the coupling of its pairs.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Cable {
    pub(super) values: CableValues,
    pub(super) couplings: Vec<ElementId>,
}

/// When a contact is closed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum ContactRule {
    /// With the call of its line.
    Follows(Terminal),
    /// Never.
    Never,
    /// Always.
    Always,
    /// Exchanged with the other convention wherever a compressor runs.
    Inverted(Terminal),
    /// Where the compressor runs and the named line is not called: the other convention's output.
    CompressorWithout(Terminal),
    /// Where the compressor runs with the named line called.
    CompressorWith(Terminal),
}

impl ContactRule {
    /// Whether the contact is closed while these lines are called.
    pub(super) fn closed(&self, called: &BTreeSet<Terminal>) -> bool {
        let compressor = || called.iter().any(|l| matches!(l.as_str(), "Y1" | "Y2"));
        match self {
            Self::Follows(line) => called.contains(line),
            Self::Never => false,
            Self::Always => true,
            Self::Inverted(line) => called.contains(line) != compressor(),
            Self::CompressorWithout(line) => compressor() && !called.contains(line),
            Self::CompressorWith(line) => compressor() && called.contains(line),
        }
    }
}

/// A contact with its rule, and what it is when closed and when open.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Contact {
    pub(super) element: ElementId,
    pub(super) rule: ContactRule,
    pub(super) closed: ElementKind,
    pub(super) open: ElementKind,
    /// Below this current a solid-state output does not stay on; 0 for a relay.
    pub(super) least_amps: f64,
}

impl Contact {
    /// Whether too small a current lets it go; one that is stuck closed is beyond that.
    pub(super) fn lets_go_at(&self, amps: f64) -> bool {
        self.rule != ContactRule::Always && amps < self.least_amps
    }
}

/// What became of a load.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum LoadHealth {
    /// It works.
    Sound,
    /// Its element is no coil any more: open, shorted or lifted.
    Dead,
    /// It pulls in and drops out without end.
    Chatters,
}

/// A load on a line.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct LoadSite {
    pub(super) terminal: Terminal,
    pub(super) place: Place,
    pub(super) element: ElementId,
    pub(super) coil: CoilValues,
    pub(super) health: LoadHealth,
}

/// A supply: its transformer and what opens.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct SupplySite {
    pub(super) rail: Terminal,
    pub(super) source: ElementId,
    pub(super) fuse: ElementId,
    pub(super) protection: Protection,
    pub(super) hot: NodeId,
    pub(super) common: NodeId,
}

/// The whole map.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Layout {
    pub(super) strips: BTreeMap<(Terminal, Place), NodeId>,
    pub(super) aliases: BTreeMap<Terminal, Terminal>,
    pub(super) lines: Vec<Terminal>,
    pub(super) heating_side: BTreeSet<Terminal>,
    pub(super) conductors: BTreeMap<(CableSite, Terminal), Conductor>,
    pub(super) cables: BTreeMap<CableSite, Cable>,
    pub(super) contacts: BTreeMap<Terminal, Contact>,
    pub(super) extra_contacts: Vec<Contact>,
    pub(super) defrost: Option<Contact>,
    pub(super) loads: Vec<LoadSite>,
    pub(super) supplies: Vec<SupplySite>,
    pub(super) rail_jumper: Option<ElementId>,
    pub(super) earth: Option<NodeId>,
    pub(super) lets_go_under_load: Vec<ElementId>,
    pub(super) come_and_go: Vec<ElementId>,
    pub(super) dead_inputs: BTreeSet<Terminal>,
}

impl Layout {
    /// The terminal by which a rail or common goes here: Rc is R where there is one supply, and
    /// older equipment has its common on B or X.
    pub(super) fn resolve(&self, terminal: &Terminal) -> Terminal {
        self.aliases.get(terminal).unwrap_or(terminal).clone()
    }

    /// The terminal's node at a place.
    pub(super) fn strip(&self, terminal: &Terminal, place: Place) -> Result<NodeId, CircuitError> {
        let resolved = self.resolve(terminal);
        let strip = self.strips.get(&(resolved, place));
        strip
            .or_else(|| self.strips.get(&(self.only_rail(terminal)?, place)))
            .copied()
            .ok_or_else(|| self.not_there(terminal, place))
    }

    /// Equipment with one supply has one terminal for both rails; a controller has two.
    fn only_rail(&self, terminal: &Terminal) -> Option<Terminal> {
        let is_heating_rail = terminal.as_str() == "Rh";
        let only = self.aliases.get(&Terminal::known("Rc"));
        only.filter(|_| is_heating_rail).cloned()
    }

    /// The common against which a terminal is read at a place.
    pub(super) fn common(&self, terminal: &Terminal, place: Place) -> Result<NodeId, CircuitError> {
        let resolved = self.resolve(terminal);
        if self.heating_side.contains(&resolved) {
            return self.strip(&Terminal::known(HEATING_COMMON), Place::Equipment);
        }
        let place = if place == Place::Middle {
            Place::Equipment
        } else {
            place
        };
        self.strip(&Terminal::known("C"), place)
    }

    pub(super) fn not_there(&self, terminal: &Terminal, place: Place) -> CircuitError {
        let known: Vec<&str> = self
            .strips
            .keys()
            .filter(|(_, at)| *at == place)
            .map(|(known, _)| known.as_str())
            .collect();
        CircuitError::NotThere {
            terminal: terminal.clone(),
            place,
            known: known.join(" "),
        }
    }
}

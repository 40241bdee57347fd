//! Faults of the relays and of what commands them: commanded contacts in, closed contacts out.
//!
//! Place in the data's path: between the boards' relays and the physics. Whatever the physics is,
//! these stay as they are. They know no conductor.
//!
//! - `stuck-open`, `stuck-closed`: the relay that makes the call.
//! - `inverted-changeover` (at the controller): while a compressor line is called, the reversing
//!   valve's contact is the opposite of its command; otherwise it follows it. At the equipment it
//!   changes nothing electrically.
//! - `tied:O,B`: the valve's line is fed by the other convention's output too, which is on while
//!   the compressor is called and the valve's own output is not. Where the equipment has its common
//!   on that letter, the output is landed on the common: then it is a fault of the circuit.

use super::wiring::{Wiring, refuse};
use crate::domain::circuit::{Fault, FaultError, FaultKind};
use crate::units::{Place, Terminal};
use std::collections::BTreeSet;

/// What is wrong with relays and commands.
#[derive(Debug, Clone, Default)]
pub(super) struct ContactFaults {
    stuck_open: BTreeSet<Terminal>,
    stuck_closed: BTreeSet<Terminal>,
    inverted: bool,
    tied: bool,
    compressor: BTreeSet<Terminal>,
    changeover: Option<Terminal>,
}

impl ContactFaults {
    /// Whether a fault is one of the contacts, which nothing else is to put in.
    pub(super) fn take(wiring: &Wiring, fault: &Fault) -> bool {
        match fault.kind() {
            FaultKind::StuckOpen | FaultKind::StuckClosed | FaultKind::InvertedChangeover => true,
            FaultKind::Tied => !fault.terminals().contains(&wiring.common),
            _ => false,
        }
    }

    /// The contact faults among all faults given.
    ///
    /// # Errors
    /// [`FaultError`] where a stuck relay is named that the bench does not have.
    pub(super) fn of(wiring: &Wiring, faults: &[Fault]) -> Result<Self, FaultError> {
        let mut set = Self {
            compressor: wiring.compressor.clone(),
            changeover: wiring.changeover.clone(),
            ..Self::default()
        };
        for fault in faults.iter().filter(|fault| Self::take(wiring, fault)) {
            match fault.kind() {
                FaultKind::StuckOpen => {
                    set.stuck_open.insert(driven(wiring, fault)?);
                }
                FaultKind::StuckClosed => {
                    set.stuck_closed.insert(driven(wiring, fault)?);
                }
                FaultKind::InvertedChangeover => {
                    set.inverted |= fault.place() != Some(Place::Equipment);
                }
                FaultKind::Tied => set.tied = true,
                _ => {}
            }
        }
        Ok(set)
    }

    /// The lines whose contacts are really closed while these are commanded.
    pub(super) fn closed(&self, commanded: &BTreeSet<Terminal>) -> BTreeSet<Terminal> {
        let mut closed = commanded.clone();
        let compressor_called = !self.compressor.is_disjoint(commanded);
        if let Some(valve) = self.changeover.as_ref().filter(|_| compressor_called) {
            let own = commanded.contains(valve);
            let on = (own ^ self.inverted) || self.tied;
            if on {
                closed.insert(valve.clone());
            } else {
                closed.remove(valve);
            }
        }
        closed.retain(|line| !self.stuck_open.contains(line));
        closed.extend(self.stuck_closed.iter().cloned());
        closed
    }
}

fn driven(wiring: &Wiring, fault: &Fault) -> Result<Terminal, FaultError> {
    let terminal = &fault.terminals()[0];
    if wiring.commons.contains_key(terminal) {
        return Ok(terminal.clone());
    }
    let names: Vec<&str> = wiring.commons.keys().map(Terminal::as_str).collect();
    let reason = format!(
        "no relay of this bench drives {terminal}; driven lines: {}",
        names.join(" ")
    );
    Err(refuse(fault, reason))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sim::wiring::tests::heat_pump;

    /// The changeover faults with B, which is on in heating (common practice, no source).
    #[test]
    fn the_other_convention_is_the_mirror_image() {
        let mut wiring = heat_pump();
        let b = Terminal::known("B");
        wiring.changeover = Some(b.clone());
        let valve = |fault: &str, commanded: &[&'static str]| {
            let faults = [fault.parse().expect("a fault")];
            let faults = ContactFaults::of(&wiring, &faults).expect("it fits");
            let commanded = commanded.iter().copied().map(Terminal::known).collect();
            faults.closed(&commanded).contains(&b)
        };
        let cooling = ["Y1", "G"];
        let heating = ["Y1", "G", "B"];
        assert!(valve("inverted-changeover", &cooling));
        assert!(!valve("inverted-changeover", &heating));
        assert!(valve("tied:O,B", &cooling));
        assert!(valve("tied:O,B", &heating));
        for fault in ["inverted-changeover", "tied:O,B"] {
            assert!(!valve(fault, &["G"]), "{fault} in fan-only");
            assert!(!valve(fault, &["G", "W2"]), "{fault} in emergency heat");
        }
    }
}

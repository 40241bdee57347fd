//! What every line reads in every call: a circuit's signature.
//!
//! Place in the data's path: a fault's signature is what documentation shows, what `expected
//! --volts` prints for the healthy circuit, and what a hypothesis is compared by. Each call is
//! solved from rest; an open fuse does not carry over.

use super::{Circuit, CircuitError, ClosedContacts, LoadState};
use crate::domain::{Call, TruthTable};
use crate::units::{Place, Terminal, Volts};
use std::collections::BTreeMap;

/// One call as a circuit answers it.
#[derive(Debug, Clone, PartialEq)]
pub struct CallVolts {
    /// The call.
    pub call: Call,
    /// Every line against the common of the same place.
    pub volts: BTreeMap<Terminal, Volts>,
    /// What each load does.
    pub loads: BTreeMap<Terminal, LoadState>,
    /// Whether a fuse or limiter opens.
    pub fuse_open: bool,
}

impl Circuit {
    /// Every line at a place, in every call of the table that applies, then in each line's call
    /// alone where something drives it.
    ///
    /// # Errors
    /// [`CircuitError`] where the circuit cannot be solved.
    pub fn signature(
        &self,
        table: &TruthTable,
        place: Place,
    ) -> Result<Vec<CallVolts>, CircuitError> {
        let rows = table.rows().iter().filter(|row| row.applicable);
        let called = rows.map(|row| (row.call.clone(), ClosedContacts::of(&row.demanded)));
        let driven = self.layout.contacts.keys();
        let alone = driven.map(|line| (Call::Alone(line.clone()), [line].into_iter().collect()));
        called
            .chain(alone)
            .map(|(call, closed)| self.call_volts(call, &closed, place))
            .collect()
    }

    fn call_volts(
        &self,
        call: Call,
        closed: &ClosedContacts,
        place: Place,
    ) -> Result<CallVolts, CircuitError> {
        let solution = self.solve(closed)?;
        let lines = self.lines().iter();
        let volts = lines
            .map(|line| Ok((line.clone(), solution.volts(line, place)?)))
            .collect::<Result<_, CircuitError>>()?;
        let loads = solution.loads().into_iter();
        Ok(CallVolts {
            call,
            volts,
            loads: loads.map(|load| (load.terminal, load.state)).collect(),
            fuse_open: solution.fuse_open(),
        })
    }
}

//! The contact by which a heat pump's outdoor unit feeds the auxiliary line while it defrosts.
//!
//! Place in the data's path: the simulated house puts it into its circuit and closes it by
//! [`CircuitState::defrosts`](super::CircuitState::defrosts). A back-feed that is a fault is not
//! this: it follows the calls, and is an edit as every other fault is.

use super::layout::{Contact, ContactRule};
use super::{Circuit, CircuitError};
use crate::domain::profile::Kind;
use crate::units::Place;
use std::sync::Arc;

impl Circuit {
    /// Puts the contact in; nothing where the profile is no heat pump with an auxiliary line. It
    /// sits at the outdoor unit where R and the line go there, else at the equipment.
    ///
    /// # Errors
    /// [`CircuitError`] where the circuit cannot be made ready for solving with it.
    pub fn put_defrost_contact(&mut self) -> Result<(), CircuitError> {
        let lines = self.profile.auxiliary_lines();
        let heats_by_compressor = self.profile.kind() != Kind::FurnaceAndCooling;
        let Some(line) = lines.first().filter(|_| heats_by_compressor) else {
            return Ok(());
        };
        let rail = self.rail();
        let place = [Place::Outdoor, Place::Equipment]
            .into_iter()
            .find(|place| {
                [line, &rail].into_iter().all(|terminal| {
                    let strip = self.layout.strip(terminal, *place);
                    strip.is_ok()
                })
            })
            .unwrap_or(Place::Equipment);
        let hot = self.layout.strip(&rail, place)?;
        let strip = self.layout.strip(line, place)?;
        let contacts = &self.values.contacts;
        let closed = contacts.switch(true, contacts.closed_ohms);
        let open = contacts.switch(false, contacts.closed_ohms);
        let element = Arc::make_mut(&mut self.netlist).add("defrost", hot, strip, open)?;
        Arc::make_mut(&mut self.layout).defrost = Some(Contact {
            element,
            rule: ContactRule::Never,
            closed,
            open,
            least_amps: 0.0,
        });
        self.prepare()
    }
}

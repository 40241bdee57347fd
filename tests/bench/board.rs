//! A relay board without faults: 16 coils, each wired to the input of the same number.
//!
//! It answers with the codec's frames and keeps no time of its own. One input can sense a supply
//! that is always there; inputs can follow the half cycles of the mains, as an optocoupler without
//! a filter does.

use coilcall::units::{DeviceName, LinkName, ModbusSpec, UnitAddress};
use coilcall::wire::{
    Exception, ExceptionCode, ReceivedRequest, Request, Response, exception_frame, response_frame,
};
use std::time::Duration;

pub(crate) const POINTS: u16 = 16;
/// The input that senses R to C in benches-config/benches/panel-16.toml.
const SUPPLY_INPUT: usize = 13;
/// At 60 hertz.
const HALF_CYCLE: Duration = Duration::from_nanos(8_333_333);
/// A live input reads 1 for so long in each half cycle (65 %; the simulator draws 60 to 70 %).
const SHOWING: Duration = Duration::from_nanos(5_416_667);

/// The description that a client gets of it.
pub(crate) fn spec() -> ModbusSpec {
    ModbusSpec {
        unit: UnitAddress(1),
        coils: POINTS,
        discrete_inputs: POINTS,
        watchdog: None,
    }
}

pub(crate) fn device_name() -> DeviceName {
    DeviceName::new("board").expect("a plain name")
}

pub(crate) fn link_name() -> LinkName {
    LinkName::new("board").expect("a plain name")
}

/// The board.
#[derive(Default)]
pub(crate) struct Board {
    coils: [bool; POINTS as usize],
    /// Whether inputs follow the half cycles, and the supply is sensed.
    follows_mains: bool,
}

impl Board {
    /// A board whose inputs follow the half cycles, on a bench with a live supply.
    pub(crate) fn on_the_mains() -> Self {
        Self {
            follows_mains: true,
            ..Self::default()
        }
    }

    /// Carries the request out at this moment of the mains, and answers.
    pub(crate) fn answer(&mut self, received: &ReceivedRequest, at: Duration) -> Vec<u8> {
        let unit = received.unit;
        match received
            .request
            .clone()
            .and_then(|r| self.carry_out(&r, at))
        {
            Ok(response) => response_frame(unit, &response),
            Err(exception) => exception_frame(unit, exception),
        }
    }

    fn carry_out(&mut self, request: &Request, at: Duration) -> Result<Response, Exception> {
        let refused = |code| Exception {
            function: request.function(),
            code,
        };
        let range = |start: u16, count: usize| {
            let range = usize::from(start)..usize::from(start) + count;
            if range.end > self.coils.len() {
                return Err(refused(ExceptionCode::IllegalDataAddress));
            }
            Ok(range)
        };
        match request {
            Request::ReadCoils { start, count } => {
                let range = range(*start, usize::from(*count))?;
                Ok(Response::Coils(self.coils[range].to_vec()))
            }
            Request::ReadDiscreteInputs { start, count } => {
                let range = range(*start, usize::from(*count))?;
                Ok(Response::DiscreteInputs(self.inputs(at)[range].to_vec()))
            }
            Request::WriteCoil { address, on } => {
                let range = range(*address, 1)?;
                self.coils[range.start] = *on;
                Ok(Response::WroteCoil {
                    address: *address,
                    on: *on,
                })
            }
            Request::WriteCoils { start, states } => {
                let range = range(*start, states.len())?;
                let count = u16::try_from(range.len()).expect("16 coils at most");
                self.coils[range].copy_from_slice(states);
                Ok(Response::WroteCoils {
                    start: *start,
                    count,
                })
            }
            _ => Err(refused(ExceptionCode::IllegalFunction)),
        }
    }

    fn inputs(&self, at: Duration) -> [bool; POINTS as usize] {
        let mut live = self.coils;
        if self.follows_mains {
            live[SUPPLY_INPUT] = true;
            let showing = at.as_nanos() % HALF_CYCLE.as_nanos() < SHOWING.as_nanos();
            live = live.map(|live| live && showing);
        }
        live
    }
}

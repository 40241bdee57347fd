//! A Modbus relay board's answers: coils, discrete inputs and the watchdog's holding register.
//!
//! Place in the data's path: between a link's frames and the world. It carries requests out at the
//! instant at which they arrive; when the reply leaves, and in what state, is the link's matter.
//!
//! Functions 01 05 0F where the board has relays, 02 where it has inputs, 03 06 10 where it has a
//! watchdog. Everything else is refused as an illegal function, and every address outside as an
//! illegal data address (V1.1b3, section 7).

use super::world::World;
use crate::units::{DeviceName, Microseconds, ModbusSpec};
use crate::wire::{Exception, ExceptionCode, Request, Response};
use std::ops::Range;

/// Carries out one request addressed to this device.
///
/// # Errors
/// The exception that the device answers with.
pub(super) fn answer(
    world: &mut World,
    device: &DeviceName,
    spec: &ModbusSpec,
    request: &Request,
    now: Microseconds,
) -> Result<Response, Exception> {
    let refuse = |code| Exception {
        function: request.function(),
        code,
    };
    carry_out(world, device, spec, request, now).map_err(refuse)
}

fn carry_out(
    world: &mut World,
    device: &DeviceName,
    spec: &ModbusSpec,
    request: &Request,
    now: Microseconds,
) -> Result<Response, ExceptionCode> {
    match request {
        Request::ReadCoils { start, count } => {
            let range = addresses(*start, usize::from(*count), spec.coils)?;
            let states = world.board(device, now).commanded();
            Ok(Response::Coils(states[range].to_vec()))
        }
        Request::ReadDiscreteInputs { start, count } => {
            let range = addresses(*start, usize::from(*count), spec.discrete_inputs)?;
            let states = world.inputs(device, now);
            Ok(Response::DiscreteInputs(states[range].to_vec()))
        }
        Request::WriteCoil { address, on } => {
            let range = addresses(*address, 1, spec.coils)?;
            world.board(device, now).set(range.start, *on, now);
            Ok(Response::WroteCoil {
                address: *address,
                on: *on,
            })
        }
        Request::WriteCoils { start, states } => {
            let range = addresses(*start, states.len(), spec.coils)?;
            let count = range.len();
            let board = world.board(device, now);
            for (coil, closed) in range.zip(states) {
                board.set(coil, *closed, now);
            }
            Ok(Response::WroteCoils {
                start: *start,
                count: u16::try_from(count).expect("the range lies inside 16-bit addresses"),
            })
        }
        Request::ReadHoldingRegisters { start, count } => {
            watchdog_alone(spec, *start, usize::from(*count))?;
            let counts = world.board(device, now).watchdog_counts();
            Ok(Response::HoldingRegisters(vec![counts]))
        }
        Request::WriteRegister { address, value } => {
            watchdog_alone(spec, *address, 1)?;
            world.board(device, now).set_watchdog_counts(*value);
            Ok(Response::WroteRegister {
                address: *address,
                value: *value,
            })
        }
        Request::WriteRegisters { start, values } => {
            watchdog_alone(spec, *start, values.len())?;
            world.board(device, now).set_watchdog_counts(values[0]);
            Ok(Response::WroteRegisters {
                start: *start,
                count: 1,
            })
        }
        Request::ReadInputRegisters { .. } => Err(ExceptionCode::IllegalFunction),
    }
}

/// The addresses of a request as indices, where the board has them all.
fn addresses(start: u16, count: usize, has: u16) -> Result<Range<usize>, ExceptionCode> {
    if has == 0 {
        return Err(ExceptionCode::IllegalFunction);
    }
    let start = usize::from(start);
    let range = start..start + count;
    if range.end > usize::from(has) {
        return Err(ExceptionCode::IllegalDataAddress);
    }
    Ok(range)
}

/// Passes where exactly the watchdog's register is asked for: the board has no other.
fn watchdog_alone(spec: &ModbusSpec, start: u16, count: usize) -> Result<(), ExceptionCode> {
    match &spec.watchdog {
        None => Err(ExceptionCode::IllegalFunction),
        Some(watchdog) if watchdog.register.0 == start && count == 1 => Ok(()),
        Some(_) => Err(ExceptionCode::IllegalDataAddress),
    }
}

//! Modbus requests, responses and exceptions, without framing.
//!
//! Functions 01 02 03 04 05 06 0F 10 of the Modbus application protocol V1.1b3, section 6.
//! Addresses count from 0 as on the wire. A parsed request or response is inside the limits of the
//! specification; what a coil or register means is unknown here.

use std::fmt;

/// Most coils or discrete inputs in one read (V1.1b3, 6.1 and 6.2).
pub const MAX_READ_BITS: u16 = 2000;
/// Most registers in one read (V1.1b3, 6.3 and 6.4).
pub const MAX_READ_REGISTERS: u16 = 125;
/// Most coils in one write (V1.1b3, 6.11).
pub const MAX_WRITE_COILS: u16 = 1968;
/// Most registers in one write (V1.1b3, 6.12).
pub const MAX_WRITE_REGISTERS: u16 = 123;

const COIL_ON: u16 = 0xFF00;
const COIL_OFF: u16 = 0x0000;

/// One request. Counts run from 1 to the limit of the function.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Request {
    /// 01: read coils.
    ReadCoils {
        /// First address.
        start: u16,
        /// How many, 1 to [`MAX_READ_BITS`].
        count: u16,
    },
    /// 02: read discrete inputs.
    ReadDiscreteInputs {
        /// First address.
        start: u16,
        /// How many, 1 to [`MAX_READ_BITS`].
        count: u16,
    },
    /// 03: read holding registers.
    ReadHoldingRegisters {
        /// First address.
        start: u16,
        /// How many, 1 to [`MAX_READ_REGISTERS`].
        count: u16,
    },
    /// 04: read input registers.
    ReadInputRegisters {
        /// First address.
        start: u16,
        /// How many, 1 to [`MAX_READ_REGISTERS`].
        count: u16,
    },
    /// 05: write one coil.
    WriteCoil {
        /// Address.
        address: u16,
        /// On (FF00) or off (0000).
        on: bool,
    },
    /// 06: write one register.
    WriteRegister {
        /// Address.
        address: u16,
        /// Value.
        value: u16,
    },
    /// 0F: write coils that follow one another.
    WriteCoils {
        /// First address.
        start: u16,
        /// States in the order of their addresses, 1 to [`MAX_WRITE_COILS`].
        states: Vec<bool>,
    },
    /// 10: write registers that follow one another.
    WriteRegisters {
        /// First address.
        start: u16,
        /// Values in the order of their addresses, 1 to [`MAX_WRITE_REGISTERS`].
        values: Vec<u16>,
    },
}

/// One response, complete and inside the limits.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Response {
    /// 01: states in the order of the addresses.
    Coils(Vec<bool>),
    /// 02: states in the order of the addresses.
    DiscreteInputs(Vec<bool>),
    /// 03: values in the order of the addresses.
    HoldingRegisters(Vec<u16>),
    /// 04: values in the order of the addresses.
    InputRegisters(Vec<u16>),
    /// 05: repeats the request.
    WroteCoil {
        /// Address.
        address: u16,
        /// On or off.
        on: bool,
    },
    /// 06: repeats the request.
    WroteRegister {
        /// Address.
        address: u16,
        /// Value.
        value: u16,
    },
    /// 0F: repeats the request's first address and count.
    WroteCoils {
        /// First address.
        start: u16,
        /// How many.
        count: u16,
    },
    /// 10: repeats the request's first address and count.
    WroteRegisters {
        /// First address.
        start: u16,
        /// How many.
        count: u16,
    },
}

/// Why a device does not do what it was asked (V1.1b3, section 7).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ExceptionCode {
    /// 01.
    IllegalFunction,
    /// 02.
    IllegalDataAddress,
    /// 03.
    IllegalDataValue,
    /// 04.
    DeviceFailure,
    /// 05: accepted, takes a while.
    Acknowledge,
    /// 06: ask again later.
    Busy,
    /// 08.
    MemoryParity,
    /// 0A.
    GatewayPathUnavailable,
    /// 0B.
    GatewayTargetSilent,
    /// A code that the specification does not name.
    Unnamed(u8),
}

impl ExceptionCode {
    /// The code on the wire.
    #[must_use]
    pub fn number(self) -> u8 {
        match self {
            Self::IllegalFunction => 0x01,
            Self::IllegalDataAddress => 0x02,
            Self::IllegalDataValue => 0x03,
            Self::DeviceFailure => 0x04,
            Self::Acknowledge => 0x05,
            Self::Busy => 0x06,
            Self::MemoryParity => 0x08,
            Self::GatewayPathUnavailable => 0x0A,
            Self::GatewayTargetSilent => 0x0B,
            Self::Unnamed(number) => number,
        }
    }

    /// The code with this number.
    #[must_use]
    pub fn from_number(number: u8) -> Self {
        match number {
            0x01 => Self::IllegalFunction,
            0x02 => Self::IllegalDataAddress,
            0x03 => Self::IllegalDataValue,
            0x04 => Self::DeviceFailure,
            0x05 => Self::Acknowledge,
            0x06 => Self::Busy,
            0x08 => Self::MemoryParity,
            0x0A => Self::GatewayPathUnavailable,
            0x0B => Self::GatewayTargetSilent,
            other => Self::Unnamed(other),
        }
    }
}

impl fmt::Display for ExceptionCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let words = match self {
            Self::IllegalFunction => "illegal function",
            Self::IllegalDataAddress => "illegal data address",
            Self::IllegalDataValue => "illegal data value",
            Self::DeviceFailure => "device failure",
            Self::Acknowledge => "acknowledged, still at work",
            Self::Busy => "device busy",
            Self::MemoryParity => "memory parity error",
            Self::GatewayPathUnavailable => "gateway path unavailable",
            Self::GatewayTargetSilent => "gateway target does not answer",
            Self::Unnamed(_) => "a code without a name",
        };
        write!(f, "exception {:02X}, {words}", self.number())
    }
}

/// A refused request: the function asked for (without the 80 bit) and why.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Exception {
    /// The function of the request.
    pub function: u8,
    /// Why it was refused.
    pub code: ExceptionCode,
}

impl Exception {
    /// The exception's bytes.
    #[must_use]
    pub fn encode(self) -> Vec<u8> {
        vec![self.function | 0x80, self.code.number()]
    }
}

/// A response that does not answer the request: expected against got.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct BadPdu(pub String);

impl Request {
    /// The function code.
    #[must_use]
    pub fn function(&self) -> u8 {
        match self {
            Self::ReadCoils { .. } => 0x01,
            Self::ReadDiscreteInputs { .. } => 0x02,
            Self::ReadHoldingRegisters { .. } => 0x03,
            Self::ReadInputRegisters { .. } => 0x04,
            Self::WriteCoil { .. } => 0x05,
            Self::WriteRegister { .. } => 0x06,
            Self::WriteCoils { .. } => 0x0F,
            Self::WriteRegisters { .. } => 0x10,
        }
    }

    /// The request's bytes.
    ///
    /// # Panics
    /// Where a count is 0 or above the function's limit.
    #[must_use]
    pub fn encode(&self) -> Vec<u8> {
        assert!(
            self.count_is_legal(),
            "a request stays inside the limits of V1.1b3: {self:?}"
        );
        let mut bytes = vec![self.function()];
        match self {
            Self::ReadCoils { start, count }
            | Self::ReadDiscreteInputs { start, count }
            | Self::ReadHoldingRegisters { start, count }
            | Self::ReadInputRegisters { start, count } => push_pair(&mut bytes, *start, *count),
            Self::WriteCoil { address, on } => push_pair(&mut bytes, *address, coil_value(*on)),
            Self::WriteRegister { address, value } => push_pair(&mut bytes, *address, *value),
            Self::WriteCoils { start, states } => {
                push_pair(&mut bytes, *start, states.len() as u16);
                push_counted(&mut bytes, &pack_bits(states));
            }
            Self::WriteRegisters { start, values } => {
                push_pair(&mut bytes, *start, values.len() as u16);
                push_counted(&mut bytes, &pack_registers(values));
            }
        }
        bytes
    }

    fn count_is_legal(&self) -> bool {
        let (count, limit) = match self {
            Self::ReadCoils { count, .. } | Self::ReadDiscreteInputs { count, .. } => {
                (usize::from(*count), MAX_READ_BITS)
            }
            Self::ReadHoldingRegisters { count, .. } | Self::ReadInputRegisters { count, .. } => {
                (usize::from(*count), MAX_READ_REGISTERS)
            }
            Self::WriteCoil { .. } | Self::WriteRegister { .. } => (1, 1),
            Self::WriteCoils { states, .. } => (states.len(), MAX_WRITE_COILS),
            Self::WriteRegisters { values, .. } => (values.len(), MAX_WRITE_REGISTERS),
        };
        (1..=usize::from(limit)).contains(&count)
    }

    /// Takes a request from its bytes as a device does: the function is checked first, then
    /// counts and values (V1.1b3, the state diagrams of section 6). Addresses are the device's to
    /// check.
    ///
    /// # Errors
    /// The exception that a device answers with.
    pub fn parse(bytes: &[u8]) -> Result<Self, Exception> {
        let function = bytes.first().copied().unwrap_or(0);
        let refuse = |code| Exception { function, code };
        if !matches!(function, 0x01..=0x06 | 0x0F | 0x10) {
            return Err(refuse(ExceptionCode::IllegalFunction));
        }
        let request = Self::parse_known(function, &bytes[1..]);
        request
            .filter(Self::count_is_legal)
            .ok_or(refuse(ExceptionCode::IllegalDataValue))
    }

    fn parse_known(function: u8, rest: &[u8]) -> Option<Self> {
        let (pair, data) = rest.split_at_checked(4)?;
        let (start, second) = read_pair(pair);
        let plain = data.is_empty();
        let request = match function {
            0x01 if plain => Self::ReadCoils {
                start,
                count: second,
            },
            0x02 if plain => Self::ReadDiscreteInputs {
                start,
                count: second,
            },
            0x03 if plain => Self::ReadHoldingRegisters {
                start,
                count: second,
            },
            0x04 if plain => Self::ReadInputRegisters {
                start,
                count: second,
            },
            0x05 if plain => Self::WriteCoil {
                address: start,
                on: coil_state(second)?,
            },
            0x06 if plain => Self::WriteRegister {
                address: start,
                value: second,
            },
            0x0F => Self::WriteCoils {
                start,
                states: unpack_bits(counted(data)?, second)?,
            },
            0x10 => Self::WriteRegisters {
                start,
                values: unpack_registers(counted(data)?, second)?,
            },
            _ => return None,
        };
        Some(request)
    }

    /// Length of the response's bytes, function code included.
    #[must_use]
    pub fn response_length(&self) -> usize {
        match self {
            Self::ReadCoils { count, .. } | Self::ReadDiscreteInputs { count, .. } => {
                2 + usize::from(count.div_ceil(8))
            }
            Self::ReadHoldingRegisters { count, .. } | Self::ReadInputRegisters { count, .. } => {
                2 + 2 * usize::from(*count)
            }
            Self::WriteCoil { .. }
            | Self::WriteRegister { .. }
            | Self::WriteCoils { .. }
            | Self::WriteRegisters { .. } => 5,
        }
    }

    /// A read: repeating it changes nothing at the device.
    #[must_use]
    pub fn is_read(&self) -> bool {
        matches!(self.function(), 0x01..=0x04)
    }
}

impl Response {
    /// The function code.
    #[must_use]
    pub fn function(&self) -> u8 {
        match self {
            Self::Coils(_) => 0x01,
            Self::DiscreteInputs(_) => 0x02,
            Self::HoldingRegisters(_) => 0x03,
            Self::InputRegisters(_) => 0x04,
            Self::WroteCoil { .. } => 0x05,
            Self::WroteRegister { .. } => 0x06,
            Self::WroteCoils { .. } => 0x0F,
            Self::WroteRegisters { .. } => 0x10,
        }
    }

    /// The response's bytes.
    #[must_use]
    pub fn encode(&self) -> Vec<u8> {
        let mut bytes = vec![self.function()];
        match self {
            Self::Coils(states) | Self::DiscreteInputs(states) => {
                push_counted(&mut bytes, &pack_bits(states));
            }
            Self::HoldingRegisters(values) | Self::InputRegisters(values) => {
                push_counted(&mut bytes, &pack_registers(values));
            }
            Self::WroteCoil { address, on } => push_pair(&mut bytes, *address, coil_value(*on)),
            Self::WroteRegister { address, value } => push_pair(&mut bytes, *address, *value),
            Self::WroteCoils { start, count } | Self::WroteRegisters { start, count } => {
                push_pair(&mut bytes, *start, *count);
            }
        }
        bytes
    }

    /// Takes the response to a known request from its bytes. Function, exact length and, for a
    /// write, everything that the device repeats must be as the request has it. Filling bits
    /// behind the last state are not looked at.
    ///
    /// # Errors
    /// [`BadPdu`] with what was expected and what came.
    pub fn parse(bytes: &[u8], request: &Request) -> Result<Self, BadPdu> {
        let function = bytes.first().copied().unwrap_or(0);
        if function != request.function() {
            return Err(BadPdu(format!(
                "function {:02X} expected, got {function:02X}",
                request.function()
            )));
        }
        let expected = request.response_length();
        if bytes.len() != expected || (request.is_read() && usize::from(bytes[1]) + 2 != expected) {
            return Err(BadPdu(format!(
                "{} data bytes expected, got {} with a byte count of {}",
                expected - 2,
                bytes.len().saturating_sub(2),
                bytes.get(1).copied().unwrap_or(0)
            )));
        }
        match request {
            Request::ReadCoils { count, .. } => {
                unpack_bits(&bytes[2..], *count).map(Response::Coils)
            }
            Request::ReadDiscreteInputs { count, .. } => {
                unpack_bits(&bytes[2..], *count).map(Response::DiscreteInputs)
            }
            Request::ReadHoldingRegisters { count, .. } => {
                unpack_registers(&bytes[2..], *count).map(Response::HoldingRegisters)
            }
            Request::ReadInputRegisters { count, .. } => {
                unpack_registers(&bytes[2..], *count).map(Response::InputRegisters)
            }
            write => return Self::parse_written(&bytes[1..], write),
        }
        .ok_or_else(|| BadPdu("data of another length than its byte count".into()))
    }

    fn parse_written(repeated: &[u8], request: &Request) -> Result<Self, BadPdu> {
        let got = read_pair(repeated);
        let (expected, response) = match request {
            Request::WriteRegister { address, value } => (
                (*address, *value),
                Self::WroteRegister {
                    address: *address,
                    value: *value,
                },
            ),
            Request::WriteCoil { address, on } => (
                (*address, coil_value(*on)),
                Self::WroteCoil {
                    address: *address,
                    on: *on,
                },
            ),
            Request::WriteCoils { start, states } => {
                let (start, count) = (*start, states.len() as u16);
                ((start, count), Self::WroteCoils { start, count })
            }
            Request::WriteRegisters { start, values } => {
                let (start, count) = (*start, values.len() as u16);
                ((start, count), Self::WroteRegisters { start, count })
            }
            _ => return Err(BadPdu("a read repeats nothing".into())),
        };
        if got == expected {
            Ok(response)
        } else {
            Err(BadPdu(format!(
                "address {} with {:04X} expected back, got address {} with {:04X}",
                expected.0, expected.1, got.0, got.1
            )))
        }
    }
}

fn coil_value(on: bool) -> u16 {
    if on { COIL_ON } else { COIL_OFF }
}

fn coil_state(value: u16) -> Option<bool> {
    match value {
        COIL_ON => Some(true),
        COIL_OFF => Some(false),
        _ => None,
    }
}

fn push_pair(bytes: &mut Vec<u8>, first: u16, second: u16) {
    bytes.extend(first.to_be_bytes());
    bytes.extend(second.to_be_bytes());
}

fn read_pair(bytes: &[u8]) -> (u16, u16) {
    (
        u16::from_be_bytes([bytes[0], bytes[1]]),
        u16::from_be_bytes([bytes[2], bytes[3]]),
    )
}

fn push_counted(bytes: &mut Vec<u8>, data: &[u8]) {
    bytes.push(u8::try_from(data.len()).expect("250 data bytes at most inside the limits"));
    bytes.extend(data);
}

/// The bytes behind a byte count that tells their number exactly.
fn counted(data: &[u8]) -> Option<&[u8]> {
    let (count, data) = data.split_first()?;
    (usize::from(*count) == data.len()).then_some(data)
}

/// First state in the lowest bit of the first byte, the last byte filled with zeros.
fn pack_bits(states: &[bool]) -> Vec<u8> {
    let byte = |eight: &[bool]| {
        let bits = eight.iter().enumerate();
        bits.fold(0, |byte, (bit, on)| byte | (u8::from(*on) << bit))
    };
    states.chunks(8).map(byte).collect()
}

fn unpack_bits(bytes: &[u8], count: u16) -> Option<Vec<bool>> {
    let state = |index: usize| bytes[index / 8] >> (index % 8) & 1 == 1;
    let fits = bytes.len() == usize::from(count.div_ceil(8));
    fits.then(|| (0..usize::from(count)).map(state).collect())
}

fn pack_registers(values: &[u16]) -> Vec<u8> {
    values
        .iter()
        .flat_map(|value| value.to_be_bytes())
        .collect()
}

fn unpack_registers(bytes: &[u8], count: u16) -> Option<Vec<u16>> {
    let value = |pair: &[u8]| u16::from_be_bytes([pair[0], pair[1]]);
    let fits = bytes.len() == 2 * usize::from(count);
    fits.then(|| bytes.chunks(2).map(value).collect())
}

//! What a link's devices hear: bytes in, requests out, by the protocol that the link carries.
//!
//! Place in the data's path: the first thing behind the byte stream of one connection. The codecs
//! are the program's own; nothing here knows what a request does.

use crate::units::{DeviceProtocol, DeviceSpec};
use crate::wire::{
    LineEnds, LineRequestDecoder, ReceivedRequest, ReceivedTcpRequest, RtuRequestDecoder,
    TcpRequestDecoder,
};

/// One request.
#[derive(Debug, Clone)]
pub(super) enum Heard {
    Rtu(ReceivedRequest),
    Tcp(ReceivedTcpRequest),
    Line(String),
}

/// Which protocol a link carries; its devices all speak the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Tongue {
    Rtu,
    Tcp,
    Lines(LineEnds),
}

impl Tongue {
    pub(super) fn of(device: &DeviceSpec) -> Self {
        match &device.protocol {
            DeviceProtocol::ModbusRtu(_) => Self::Rtu,
            DeviceProtocol::ModbusTcp(_) => Self::Tcp,
            DeviceProtocol::Scpi(_) => Self::Lines(LineEnds::LineFeed),
            DeviceProtocol::Ascii(_) => Self::Lines(LineEnds::Either),
        }
    }
}

/// The decoder of one connection.
#[derive(Debug)]
pub(super) enum Ear {
    Rtu(RtuRequestDecoder),
    Tcp(TcpRequestDecoder),
    Lines(LineRequestDecoder),
}

/// The stream is out of step: a device closes the connection.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct OutOfStep;

impl Ear {
    pub(super) fn for_tongue(tongue: Tongue) -> Self {
        match tongue {
            Tongue::Rtu => Self::Rtu(RtuRequestDecoder::new()),
            Tongue::Tcp => Self::Tcp(TcpRequestDecoder::new()),
            Tongue::Lines(ends) => Self::Lines(LineRequestDecoder::new(ends)),
        }
    }

    pub(super) fn push(&mut self, bytes: &[u8]) {
        match self {
            Self::Rtu(decoder) => decoder.push(bytes),
            Self::Tcp(decoder) => decoder.push(bytes),
            Self::Lines(decoder) => decoder.push(bytes),
        }
    }

    /// The next whole request, if there is one.
    pub(super) fn take(&mut self) -> Result<Option<Heard>, OutOfStep> {
        match self {
            Self::Rtu(decoder) => Ok(decoder.take().map(Heard::Rtu)),
            Self::Tcp(decoder) => match decoder.take() {
                Ok(received) => Ok(received.map(Heard::Tcp)),
                Err(_) => Err(OutOfStep),
            },
            Self::Lines(decoder) => Ok(decoder.take().map(Heard::Line)),
        }
    }

    /// True where only silence tells what the bytes that wait are.
    pub(super) fn waits_for_silence(&self) -> bool {
        match self {
            Self::Rtu(decoder) => decoder.has_unfinished(),
            Self::Tcp(_) | Self::Lines(_) => false,
        }
    }

    /// The line is quiet; call again until there is none.
    pub(super) fn silence(&mut self) -> Option<Heard> {
        match self {
            Self::Rtu(decoder) => decoder.silence().map(Heard::Rtu),
            Self::Tcp(_) | Self::Lines(_) => None,
        }
    }
}

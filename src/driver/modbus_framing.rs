//! Which frames a Modbus device's requests travel in.
//!
//! Place in the data's path: the one difference between a board on a serial line, a board behind
//! a gateway that passes serial frames on, and one that speaks Modbus TCP. The board's driver and
//! everything above it are the same.

use super::bus::BusHandle;
use crate::units::UnitAddress;
use crate::wire::{ModbusReply, ReplyDecoder, Request, RtuReplyDecoder, Step, TcpReplyDecoder};

/// The frames of a link.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ModbusFraming {
    /// Unit, data, check sum: on a serial line, or over TCP as it stands.
    Rtu,
    /// A header with a transaction number, over TCP.
    Tcp,
}

/// Finds the reply in either framing.
pub(super) enum FramedReply {
    Rtu(RtuReplyDecoder),
    Tcp(TcpReplyDecoder),
}

impl FramedReply {
    /// The decoder for one request that is about to be sent over this bus.
    pub(super) fn to(
        framing: ModbusFraming,
        bus: &BusHandle,
        unit: UnitAddress,
        request: Request,
    ) -> Self {
        match framing {
            ModbusFraming::Rtu => {
                let decoder = RtuReplyDecoder::new(unit, request);
                Self::Rtu(if bus.echoes() {
                    decoder.on_echoing_link()
                } else {
                    decoder
                })
            }
            ModbusFraming::Tcp => {
                Self::Tcp(TcpReplyDecoder::new(bus.next_transaction(), unit, request))
            }
        }
    }

    pub(super) fn request_bytes(&self) -> &[u8] {
        match self {
            Self::Rtu(decoder) => decoder.request_bytes(),
            Self::Tcp(decoder) => decoder.request_bytes(),
        }
    }

    pub(super) fn reply_length(&self) -> usize {
        match self {
            Self::Rtu(decoder) => decoder.reply_length(),
            Self::Tcp(decoder) => decoder.reply_length(),
        }
    }
}

impl ReplyDecoder for FramedReply {
    type Reply = ModbusReply;

    fn decode(&mut self, received: &[u8]) -> Step<ModbusReply> {
        match self {
            Self::Rtu(decoder) => decoder.decode(received),
            Self::Tcp(decoder) => decoder.decode(received),
        }
    }

    fn conclude(&mut self, received: &[u8]) -> Step<ModbusReply> {
        match self {
            Self::Rtu(decoder) => decoder.conclude(received),
            Self::Tcp(decoder) => decoder.conclude(received),
        }
    }

    fn shortest_reply(&self) -> usize {
        match self {
            Self::Rtu(decoder) => decoder.shortest_reply(),
            Self::Tcp(decoder) => decoder.shortest_reply(),
        }
    }
}

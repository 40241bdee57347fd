//! How long things take on one link.
//!
//! Place in the data's path: made once from the link's description; the bus takes every deadline
//! and every rest from it.

use crate::units::{LinkSpec, LinkTransport, Milliseconds, SerialSettings};
use std::time::Duration;

/// The times of one link.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LinkTiming {
    /// How long a complete reply may take beyond its time on the wire.
    pub reply_timeout: Duration,
    /// How long after a trouble a late reply may still come: the length of a quarantine.
    pub late_reply: Duration,
    /// Quiet that is kept after the last byte before anything is sent.
    pub silence: Duration,
    /// What one byte takes on the wire; zero where the wire is not ours (TCP, memory).
    pub byte: Duration,
    /// As many bytes as a reply has, that nobody asked for, quarantine the bus. False for a device
    /// that streams, and for a protocol whose replies carry the number of their request.
    pub unasked_is_suspect: bool,
}

impl LinkTiming {
    /// The times of this link.
    #[must_use]
    pub fn of(link: &LinkSpec) -> Self {
        let (silence, byte) = match &link.transport {
            LinkTransport::SerialPath { settings, .. }
            | LinkTransport::SerialUsb { settings, .. } => (silence(settings), byte(settings)),
            LinkTransport::Tcp { .. } => (Duration::ZERO, Duration::ZERO),
        };
        Self {
            reply_timeout: link.reply_timeout_ms.duration(),
            late_reply: link.late_reply_ms.duration(),
            silence,
            byte,
            unasked_is_suspect: true,
        }
    }

    /// The times of a link through memory, where nothing takes any.
    #[must_use]
    pub fn in_memory(reply_timeout: Milliseconds, late_reply: Milliseconds) -> Self {
        Self {
            reply_timeout: reply_timeout.duration(),
            late_reply: late_reply.duration(),
            silence: Duration::ZERO,
            byte: Duration::ZERO,
            unasked_is_suspect: true,
        }
    }

    /// The time of this many bytes on the wire.
    #[must_use]
    pub fn wire(&self, bytes: usize) -> Duration {
        let bytes = u32::try_from(bytes).expect("a frame is shorter than 4 GiB");
        self.byte.saturating_mul(bytes)
    }
}

/// 3.5 characters of 11 bits, or 1.750 ms above 19200 baud (Modbus over serial line V1.02,
/// 2.5.1.1).
fn silence(settings: &SerialSettings) -> Duration {
    if settings.baud > 19_200 {
        Duration::from_micros(1750)
    } else {
        Duration::from_nanos(bits_in_nanoseconds(77, settings.baud) / 2)
    }
}

fn byte(settings: &SerialSettings) -> Duration {
    Duration::from_nanos(bits_in_nanoseconds(settings.bits_per_byte(), settings.baud))
}

fn bits_in_nanoseconds(bits: u32, baud: u32) -> u64 {
    (u64::from(bits) * 1_000_000_000).div_ceil(u64::from(baud.max(1)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Parity;

    #[test]
    fn times_of_the_serial_line_guide() {
        // V1.02: t3.5 is 4.010 ms at 9600, 2.005 ms at 19200, 1.750 ms above.
        for (baud, microseconds) in [
            (9600, 4010),
            (19_200, 2005),
            (38_400, 1750),
            (115_200, 1750),
        ] {
            let settings = SerialSettings {
                baud,
                parity: Parity::Even,
                stop_bits: 1,
            };
            let got = silence(&settings).as_micros();
            assert!(got.abs_diff(microseconds) <= 1, "{baud}: {got} us");
        }
    }

    #[test]
    fn a_coil_write_and_its_reply_at_9600_take_the_wire_its_published_time() {
        // 8 bytes, 3.5 characters, and the same back, 11 bits each: 23 * 11 / 9600 = 26.35 ms.
        let settings = SerialSettings {
            baud: 9600,
            parity: Parity::Even,
            stop_bits: 1,
        };
        let whole = byte(&settings) * 16 + silence(&settings) * 2;
        assert!(whole.as_micros().abs_diff(26_354) <= 2, "{whole:?}");
    }
}

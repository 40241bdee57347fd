//! The ranges of the files' numbers, each written once.
//!
//! Place in the data's path: the readers refuse what lies outside of them, and the schemas state
//! them to editors.

use std::ops::RangeInclusive;

type Whole = RangeInclusive<u64>;

/// Waits of the bench and of a link's reply: up to a minute.
pub(super) const WAIT_MS: Whole = 1..=60_000;
/// How long a late reply may still come.
pub(super) const LATE_REPLY_MS: Whole = 1..=2 * *WAIT_MS.end();
/// A room controller's own timers: up to two hours.
pub(super) const CONTROLLER_WAIT_MS: Whole = 1..=7_200_000;
/// Bits per second.
pub(super) const BAUD: Whole = 50..=4_000_000;
/// Stop bits.
pub(super) const STOP_BITS: Whole = 1..=2;
/// A USB vendor or product number.
pub(super) const USB_NUMBER: Whole = 0..=0xffff;
/// Single units of Modbus over serial line (V1.02, 2.2); 0 is broadcast.
pub(super) const SERIAL_UNIT: Whole = 1..=247;
/// Units over TCP: 255 stands for the device itself (messaging guide V1.0b, 4.4.1.1; from memory).
pub(super) const TCP_UNIT: Whole = 0..=255;
/// The most coils that one request may write: 0x7B0 (Modbus V1.1b3, 6.11).
pub(super) const COILS: Whole = 0..=0x7b0;
/// The most inputs that one request may read: 0x7D0 (Modbus V1.1b3, 6.2).
pub(super) const DISCRETE_INPUTS: Whole = 0..=0x7d0;
/// A coil's, an input's or a register's address on the wire.
pub(super) const ADDRESS: Whole = 0..=0xffff;
/// A relay board's own watchdog: up to an hour.
pub(super) const WATCHDOG_MS: Whole = 1..=3_600_000;
/// What one count of a watchdog's register may be worth.
pub(super) const COUNT_MS: Whole = 1..=0xffff;
/// Relays of a device of plain lines.
pub(super) const PLAIN_RELAYS: Whole = 0..=256;
/// Readings of an input within three mains cycles.
pub(super) const SAMPLES: Whole = 1..=32;
/// Mains frequencies.
pub(super) const MAINS_HERTZ: [u8; 2] = [50, 60];
/// Compressor stages and heat stages.
pub(super) const STAGES: Whole = 0..=2;
/// The compressor's minimum-off time: up to a day.
pub(super) const MINIMUM_OFF_S: Whole = 0..=86_400;
/// Delays of a blower, and the cool-down between heat and compressor: up to an hour.
pub(super) const DELAY_S: Whole = 0..=3_600;
/// Waits on a room controller that may be none: up to two hours.
pub(super) const CONTROLLER_OFF_MS: Whole = 0..=*CONTROLLER_WAIT_MS.end();
/// Volts at which a room controller for 24 V may be supplied: its operating band is given as 18 to
/// 30 V, or 20 to 30 V (from memory).
pub(super) const LEVEL_VOLTS: RangeInclusive<f64> = 18.0..=30.0;
/// Characters of a supply level's name: it stands beside the call's in tables.
pub(super) const LEVEL_NAME: Whole = 1..=12;

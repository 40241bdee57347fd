//! What a link and a device are, as the bench file describes them.
//!
//! Place in the data's path: `config` makes these from a file, `driver` opens real ports from
//! them and `sim` stands in for them. They say how to talk, never which line a relay serves: that
//! is the bench map's.

use super::{DeviceName, LinkName, Milliseconds, Quantity, RegisterAddress, UnitAddress};
use serde::{Deserialize, Serialize};

/// Parity of a serial line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Parity {
    /// No parity bit.
    None,
    /// Even; the default of Modbus over serial line (V1.02, 2.5.1).
    Even,
    /// Odd.
    Odd,
}

/// Speed and character form of a serial line; 8 data bits throughout.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SerialSettings {
    /// Bits per second.
    pub baud: u32,
    /// Parity bit.
    pub parity: Parity,
    /// Stop bits, 1 or 2.
    pub stop_bits: u8,
}

impl SerialSettings {
    /// Bits on the wire for one byte: start, 8 data, parity where there is one, stop.
    #[must_use]
    pub fn bits_per_byte(&self) -> u32 {
        let parity = u32::from(self.parity != Parity::None);
        1 + 8 + parity + u32::from(self.stop_bits)
    }
}

/// Which USB serial adapter is meant; every field that is given must match.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct UsbIdentity {
    /// USB vendor number.
    pub vendor: Option<u16>,
    /// USB product number.
    pub product: Option<u16>,
    /// The adapter's serial number, where it has one.
    pub serial_number: Option<String>,
    /// Where it is plugged in: bus and port chain, such as `1-2.3`.
    pub location: Option<String>,
}

/// How the bytes travel.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LinkTransport {
    /// A serial port by its path.
    SerialPath {
        /// The device file.
        path: String,
        /// Line settings.
        settings: SerialSettings,
    },
    /// A serial port found again by its USB identity.
    SerialUsb {
        /// Which adapter.
        usb: UsbIdentity,
        /// Line settings.
        settings: SerialSettings,
    },
    /// A TCP endpoint, `host:port`.
    Tcp {
        /// Host and port.
        address: String,
    },
}

/// One link of the bench: a byte stream that one task owns.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LinkSpec {
    /// Its name in the bench file.
    pub name: LinkName,
    /// How the bytes travel.
    pub transport: LinkTransport,
    /// How long a complete reply may take beyond its time on the wire; default 800 ms.
    pub reply_timeout_ms: Milliseconds,
    /// How long after a trouble a late reply may still come; default twice the reply timeout.
    pub late_reply_ms: Milliseconds,
}

/// A relay board's own guard: it opens its relays where no request comes for a while.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct WatchdogSpec {
    /// The holding register that takes the time.
    pub register: RegisterAddress,
    /// After this long without a request the board opens every relay.
    pub timeout_ms: Milliseconds,
    /// One count of the register, in milliseconds (default 1).
    pub milliseconds_per_count: u16,
}

/// A Modbus relay board with digital inputs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ModbusSpec {
    /// Unit address on the link.
    pub unit: UnitAddress,
    /// Number of coils (relays), from address 0; 0 where it has none.
    pub coils: u16,
    /// Number of discrete inputs, from address 0; 0 where it has none.
    pub discrete_inputs: u16,
    /// The board's own watchdog, where it has one that is to be used.
    pub watchdog: Option<WatchdogSpec>,
}

/// A meter's stated accuracy: percent of reading, plus counts of the resolution.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MeterAccuracy {
    /// Percent of the reading.
    pub percent: f64,
    /// Counts of the last digit.
    pub counts: f64,
    /// What one count is worth, in the unit read.
    pub resolution: f64,
}

/// A meter that speaks SCPI.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ScpiSpec {
    /// The question that answers with AC volts.
    pub ac_volts: Option<String>,
    /// The question that answers with ohms.
    pub resistance: Option<String>,
    /// The greatest value that the AC volts range shows, where it is stated.
    pub ac_volts_range: Option<f64>,
    /// The greatest value that the resistance range shows, where it is stated.
    pub resistance_range: Option<f64>,
    /// The stated accuracy on AC volts.
    pub accuracy: MeterAccuracy,
    /// Input resistance in ohms.
    pub input_ohms: f64,
}

impl ScpiSpec {
    /// The question for a quantity with the range that it is asked in, where the meter reads it.
    #[must_use]
    pub fn question(&self, quantity: Quantity) -> Option<(&str, Option<f64>)> {
        let (question, range) = match quantity {
            Quantity::AcVolts => (self.ac_volts.as_deref(), self.ac_volts_range),
            Quantity::Resistance => (self.resistance.as_deref(), self.resistance_range),
            Quantity::AcAmps | Quantity::Presence | Quantity::Observation => (None, None),
        };
        question.map(|question| (question, range))
    }
}

/// What ends a line that is sent to a device of plain lines.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LineEnd {
    /// A line feed.
    #[default]
    Lf,
    /// A carriage return.
    Cr,
    /// Both.
    Crlf,
}

impl LineEnd {
    /// Its bytes.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Lf => "\n",
            Self::Cr => "\r",
            Self::Crlf => "\r\n",
        }
    }
}

/// A device that speaks plain lines of text.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AsciiSpec {
    /// The question sent; `None` where the device streams unasked.
    pub ask: Option<String>,
    /// The pattern of a line that holds a reading, `{value}` in the place of the number.
    pub reading: Option<String>,
    /// What stands in the number's place where the reading is beyond the range.
    pub overload: Option<String>,
    /// What ends a line that is sent; a received one may end either way.
    pub line_end: LineEnd,
    /// The line that closes a relay, `{relay}` in the place of its label.
    pub close: Option<String>,
    /// The line that opens a relay.
    pub open: Option<String>,
    /// The answer to a line that closes or opens; `None` where the device says nothing.
    pub done: Option<String>,
    /// The question that answers with one relay's state.
    pub state: Option<String>,
    /// The answer that says a relay is closed.
    pub state_closed: Option<String>,
    /// The answer that says a relay is open.
    pub state_open: Option<String>,
    /// Number of relays, 0 for a meter.
    pub relays: u16,
    /// The stated accuracy on AC volts, for a meter.
    pub accuracy: Option<MeterAccuracy>,
    /// Input resistance in ohms, for a meter.
    pub input_ohms: Option<f64>,
}

/// What a device speaks.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DeviceProtocol {
    /// Modbus RTU (over a serial port, or over TCP as it stands).
    ModbusRtu(ModbusSpec),
    /// Modbus TCP.
    ModbusTcp(ModbusSpec),
    /// SCPI.
    Scpi(ScpiSpec),
    /// Plain lines of text.
    Ascii(AsciiSpec),
}

/// One device of the bench.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DeviceSpec {
    /// Its name in the bench file.
    pub name: DeviceName,
    /// The link that it hangs on.
    pub link: LinkName,
    /// What it speaks.
    pub protocol: DeviceProtocol,
}

impl DeviceSpec {
    /// The Modbus description, for a device that speaks either form of it.
    #[must_use]
    pub fn modbus(&self) -> Option<&ModbusSpec> {
        match &self.protocol {
            DeviceProtocol::ModbusRtu(spec) | DeviceProtocol::ModbusTcp(spec) => Some(spec),
            DeviceProtocol::Scpi(_) | DeviceProtocol::Ascii(_) => None,
        }
    }

    /// Number of relays that it has.
    #[must_use]
    pub fn relays(&self) -> u16 {
        match &self.protocol {
            DeviceProtocol::ModbusRtu(spec) | DeviceProtocol::ModbusTcp(spec) => spec.coils,
            DeviceProtocol::Ascii(spec) => spec.relays,
            DeviceProtocol::Scpi(_) => 0,
        }
    }
}

//! F0: the words that every other floor shares, as types.
//!
//! Quantities with their units, identities that must not be mixed up (an index, a count and an
//! address are three things), what a device said of one value, what can go wrong on a link, what a
//! link or a device is, and the forms in which a file's shape is stated to editors. Nothing here
//! reads a file, a port or a clock, and nothing judges.

mod device_spec;
mod id;
pub mod json_schema;
mod quantity;
mod reading;
mod trouble;

pub use device_spec::{
    AsciiSpec, DeviceProtocol, DeviceSpec, LineEnd, LinkSpec, LinkTransport, MeterAccuracy,
    ModbusSpec, Parity, ScpiSpec, SerialSettings, UsbIdentity, WatchdogSpec,
};
pub use id::{
    CoilAddress, DeviceName, End, InputAddress, LinkName, NameError, Place, RegisterAddress,
    Terminal, UnitAddress,
};
pub use quantity::{Amps, Microseconds, Milliseconds, Ohms, Seconds, VoltAmperes, Volts};
pub use reading::{InputSample, MeterValue, Quantity};
pub use trouble::{Trouble, TroubleKind};

//! F3: ports opened, bytes moved, device traits implemented.
//!
//! Place in the data's path: below the runner, which sees only the traits of [`crate::port`], and
//! above the codecs of [`crate::wire`]. One task owns each port; several devices share it through
//! a [`BusHandle`]. Nothing here judges what a relay or an input means.

mod ascii_device;
mod bus;
mod bus_task;
mod link_timing;
mod meter_scpi;
mod modbus_framing;
mod relay_modbus;
mod serial;
mod serial_list;
mod stream;
mod tcp;

pub use ascii_device::AsciiDevice;
pub use bus::{BusHandle, Exchange, SetAside};
pub use link_timing::LinkTiming;
pub use meter_scpi::ScpiMeter;
pub use modbus_framing::ModbusFraming;
pub use relay_modbus::ModbusBoard;
#[cfg(unix)]
pub use serial::{PtyMaster, pty_pair};
pub use serial::{SerialConnector, effective_settings};
pub use serial_list::{PortAccess, PortDescription, list_ports};
pub use stream::{ByteStream, Connector};
pub use tcp::TcpConnector;

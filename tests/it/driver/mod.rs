//! The bus, the relay board over it and real ports, against peers that misbehave.

mod line_peer;
mod meter;
mod misbehaving_peer;
mod modbus_tcp;
mod opening;
mod oracle;
mod peer;
mod plain_device;
mod ports;
mod queue;

//! The bus, the relay board over it and real ports, against peers that misbehave.

mod misbehaving_peer;
mod modbus_tcp;
mod opening;
mod oracle;
mod peer;
mod ports;
mod queue;

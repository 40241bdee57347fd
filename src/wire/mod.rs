//! F2: sans-I/O codecs, both directions.
//!
//! Place in the data's path: bytes in, frames and values out, and back. The drivers feed a
//! [`ReplyDecoder`] with what a port received; the simulator feeds a [`RtuRequestDecoder`]. Nothing
//! here opens a port, waits, knows what a coil switches, or judges.
//!
//! | file | holds |
//! |---|---|
//! | `reply` | the trait between a codec and the bus that runs it |
//! | `crc` | CRC-16/MODBUS |
//! | `modbus_pdu` | Modbus requests, responses and exceptions, without framing |
//! | `modbus_rtu` | frames on a serial line: encode, and decode as a server |
//! | `modbus_rtu_reply` | decode as a client: the reply to one known request |
//! | `modbus_tcp` | frames over TCP: encode, decode as a server and as a client |
//! | `text_line` | lines of text: where one ends, the reply to one question |
//! | `scpi` | what a line of an instrument says |
//! | `ascii_line` | what a line of a plain device says, by patterns |

mod ascii_line;
mod crc;
mod modbus_pdu;
mod modbus_rtu;
mod modbus_rtu_reply;
mod modbus_tcp;
mod reply;
mod scpi;
mod text_line;

pub use ascii_line::{labelled, plain_answer, plain_value, written_value};
pub use crc::crc16_modbus;
pub use modbus_pdu::{
    BadPdu, Exception, ExceptionCode, MAX_READ_BITS, MAX_READ_REGISTERS, MAX_WRITE_COILS,
    MAX_WRITE_REGISTERS, Request, Response,
};
pub use modbus_rtu::{
    ReceivedRequest, RtuRequestDecoder, exception_frame, request_frame, response_frame,
};
pub use modbus_rtu_reply::{ModbusReply, RtuReplyDecoder};
pub use modbus_tcp::{
    BadHeader, ReceivedTcpRequest, TcpReplyDecoder, TcpRequestDecoder, TransactionId,
    tcp_exception_frame, tcp_request_frame, tcp_response_frame,
};
pub use reply::{ReplyDecoder, Step, hexadecimal};
pub use scpi::{
    CLEAR_STATUS, ERROR_QUESTION, EVENT_MASK, EVENT_MASK_QUESTION, IDENTITY_QUESTION, ScpiError,
    scpi_answer, scpi_error, scpi_identity, scpi_value,
};
pub use text_line::{
    LineEnds, LineReplyDecoder, LineRequestDecoder, Meaning, NoReply, StreamedLineDecoder, quoted,
};

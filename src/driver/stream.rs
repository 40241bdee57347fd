//! What the bus needs of a port: bytes in, bytes out, and a way to open it again.
//!
//! Place in the data's path: a serial port, a TCP connection and an in-memory pipe all become a
//! [`ByteStream`]; a [`Connector`] makes one, and makes it anew after the port was lost.

use crate::port::LocalFuture;
use crate::units::{Trouble, TroubleKind};
use std::io;
use tokio::io::{AsyncRead, AsyncWrite};

/// A port, open.
///
/// Nobody calls `flush` on one: on a serial port that is `tcdrain`, which blocks the thread until
/// the last bit has left.
pub trait ByteStream: AsyncRead + AsyncWrite + Unpin {
    /// Throws away what the system holds received and not yet read.
    ///
    /// # Errors
    /// The system's, which says that the port is gone.
    fn discard_input(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl ByteStream for tokio::io::DuplexStream {}
impl ByteStream for tokio::net::TcpStream {}

/// Opens one port, as often as it is asked.
pub trait Connector {
    /// Opens the port. Takes a bounded time.
    ///
    /// # Errors
    /// [`Missing`](TroubleKind::Missing), [`NotPermitted`](TroubleKind::NotPermitted),
    /// [`InUse`](TroubleKind::InUse) or [`Disconnected`](TroubleKind::Disconnected).
    fn connect(&self) -> LocalFuture<'_, Result<Box<dyn ByteStream>, Trouble>>;
}

/// Stands behind a stream that was handed over open: it cannot be opened again.
pub(super) struct OpenedOnce;

impl Connector for OpenedOnce {
    fn connect(&self) -> LocalFuture<'_, Result<Box<dyn ByteStream>, Trouble>> {
        Box::pin(async {
            Err(Trouble {
                kind: TroubleKind::Disconnected,
                tried: "open a stream again".into(),
                detail: "it can be opened only once".into(),
                request: String::new(),
                reply: String::new(),
            })
        })
    }
}

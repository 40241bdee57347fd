//! A serial port: open by path or by what is plugged in, and a pseudo-terminal pair.
//!
//! Place in the data's path: a [`Connector`] whose stream is a serial port, exclusively ours. A
//! port that was named by its USB identity is looked up anew at each opening, so a replugged
//! adapter is found under whatever path it has now.

use super::serial_list::{
    list_ports, matches_identity, nearest_paths, not_permitted_detail, plain_identity,
};
use super::stream::{ByteStream, Connector};
use crate::port::LocalFuture;
use crate::units::{
    LinkName, LinkSpec, LinkTransport, Parity, SerialSettings, Trouble, TroubleKind, UsbIdentity,
};
use std::io;
use std::path::Path;
use tokio_serial::{
    ClearBuffer, DataBits, ErrorKind, FlowControl, SerialPort, SerialStream, StopBits,
};

impl ByteStream for SerialStream {
    fn discard_input(&mut self) -> io::Result<()> {
        self.clear(ClearBuffer::Input).map_err(io::Error::from)
    }
}

#[derive(Debug, Clone)]
enum Which {
    Path(String),
    Usb(UsbIdentity),
}

/// Opens one serial port.
#[derive(Debug, Clone)]
pub struct SerialConnector {
    link: LinkName,
    which: Which,
    settings: SerialSettings,
}

impl SerialConnector {
    /// A connector for this link; `None` where the link is no serial port.
    #[must_use]
    pub fn of(link: &LinkSpec) -> Option<Self> {
        let (which, settings) = match &link.transport {
            LinkTransport::SerialPath { path, settings } => (Which::Path(path.clone()), settings),
            LinkTransport::SerialUsb { usb, settings } => (Which::Usb(usb.clone()), settings),
            LinkTransport::Tcp { .. } => return None,
        };
        Some(Self {
            link: link.name.clone(),
            which,
            settings: settings.clone(),
        })
    }

    fn trouble(&self, kind: TroubleKind, place: &str, detail: String) -> Trouble {
        Trouble {
            kind,
            tried: format!("open link {} on {place}", self.link),
            detail,
            request: String::new(),
            reply: String::new(),
        }
    }

    fn path(&self) -> Result<String, Trouble> {
        match &self.which {
            Which::Path(path) => Ok(path.clone()),
            Which::Usb(wanted) => self.path_of(wanted),
        }
    }

    fn path_of(&self, wanted: &UsbIdentity) -> Result<String, Trouble> {
        let place = plain_identity(wanted);
        let mut found: Vec<String> = list_ports()
            .into_iter()
            .filter(|port| {
                port.usb
                    .as_ref()
                    .is_some_and(|usb| matches_identity(wanted, usb))
            })
            .map(|port| port.path)
            .collect();
        match found.len() {
            0 => {
                let detail = "no adapter with this identity is plugged in".to_owned();
                Err(self.trouble(TroubleKind::Missing, &place, detail))
            }
            1 => Ok(found.remove(0)),
            // Driving the wrong board is worse than driving none.
            _ => {
                let detail = format!("more than one fits: {}", found.join(", "));
                Err(self.trouble(TroubleKind::Missing, &place, detail))
            }
        }
    }

    fn open(&self) -> Result<SerialStream, Trouble> {
        let path = self.path()?;
        let (settings, _) = effective_settings(&path, &self.settings);
        let builder = tokio_serial::new(&path, settings.baud)
            .data_bits(DataBits::Eight)
            .flow_control(FlowControl::None)
            .parity(match settings.parity {
                Parity::None => tokio_serial::Parity::None,
                Parity::Even => tokio_serial::Parity::Even,
                Parity::Odd => tokio_serial::Parity::Odd,
            })
            .stop_bits(match settings.stop_bits {
                2 => StopBits::Two,
                _ => StopBits::One,
            });
        SerialStream::open(&builder).map_err(|error| self.opening_failed(&path, &error))
    }

    fn opening_failed(&self, path: &str, error: &tokio_serial::Error) -> Trouble {
        let said = error.to_string();
        let (kind, detail) = match error.kind() {
            // The library's word for a port that somebody else has locked.
            ErrorKind::NoDevice => (TroubleKind::InUse, said),
            ErrorKind::Io(io::ErrorKind::NotFound) => {
                (TroubleKind::Missing, nearest_paths(path, &list_ports()))
            }
            ErrorKind::Io(io::ErrorKind::PermissionDenied) => (
                TroubleKind::NotPermitted,
                not_permitted_detail(Path::new(path)),
            ),
            // ENOTTY (25 on Linux), in the library's words: the file exists and is something else.
            _ if said.contains("typewriter") || said.contains("ioctl") => (
                TroubleKind::Missing,
                format!("{path} exists but is not a serial port"),
            ),
            // It refuses the settings, or something that the system says best itself.
            _ => (TroubleKind::Missing, said),
        };
        self.trouble(kind, path, detail)
    }
}

impl Connector for SerialConnector {
    fn connect(&self) -> LocalFuture<'_, Result<Box<dyn ByteStream>, Trouble>> {
        Box::pin(async {
            let stream: Box<dyn ByteStream> = Box::new(self.open()?);
            Ok(stream)
        })
    }
}

/// The settings that this port is really opened with, and why they are not the ones asked for.
///
/// A pseudo-terminal has no parity: some kernels drop the request without a word, others refuse it.
/// It is asked for none, and that is said.
#[must_use]
pub fn effective_settings(path: &str, asked: &SerialSettings) -> (SerialSettings, Option<String>) {
    if asked.parity == Parity::None || !is_pseudo_terminal(Path::new(path)) {
        return (asked.clone(), None);
    }
    let without = SerialSettings {
        parity: Parity::None,
        ..asked.clone()
    };
    let note = format!("{path} is a pseudo-terminal, which has no parity: opened without");
    (without, Some(note))
}

fn is_pseudo_terminal(path: &Path) -> bool {
    // A link to one counts as well.
    path.canonicalize()
        .is_ok_and(|real| real.starts_with("/dev/pts"))
}

#[cfg(unix)]
pub use pseudo_terminal::{PtyMaster, pty_pair};

#[cfg(unix)]
mod pseudo_terminal {
    use super::ByteStream;
    use std::io;
    use std::pin::Pin;
    use std::task::{Context, Poll};
    use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
    use tokio_serial::{SerialPort, SerialStream};

    /// The near end of a pseudo-terminal. It holds the far end open too, so that a client may
    /// come, go and come again.
    #[derive(Debug)]
    pub struct PtyMaster {
        near: SerialStream,
        _far: SerialStream,
    }

    /// Makes a pseudo-terminal: our end, and the path that a client opens.
    ///
    /// # Errors
    /// The system's, where it has none left.
    pub fn pty_pair() -> io::Result<(PtyMaster, String)> {
        let (near, far) = SerialStream::pair()?;
        let path = far
            .name()
            .ok_or_else(|| io::Error::other("the pseudo-terminal has no path"))?;
        Ok((PtyMaster { near, _far: far }, path))
    }

    impl ByteStream for PtyMaster {}

    impl AsyncRead for PtyMaster {
        fn poll_read(
            mut self: Pin<&mut Self>,
            context: &mut Context<'_>,
            buffer: &mut ReadBuf<'_>,
        ) -> Poll<io::Result<()>> {
            Pin::new(&mut self.near).poll_read(context, buffer)
        }
    }

    impl AsyncWrite for PtyMaster {
        fn poll_write(
            mut self: Pin<&mut Self>,
            context: &mut Context<'_>,
            bytes: &[u8],
        ) -> Poll<io::Result<usize>> {
            Pin::new(&mut self.near).poll_write(context, bytes)
        }

        /// Does nothing: draining a terminal would block the thread.
        fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
            Poll::Ready(Ok(()))
        }

        fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
            Poll::Ready(Ok(()))
        }
    }
}

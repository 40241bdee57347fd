//! A link over TCP.
//!
//! Place in the data's path: a [`Connector`] whose stream is a TCP connection. What runs over it
//! (Modbus RTU as it stands, lines of text) is the decoder's.

use super::stream::{ByteStream, Connector};
use crate::port::LocalFuture;
use crate::units::{LinkName, Trouble, TroubleKind};
use std::io;
use std::time::Duration;
use tokio::net::TcpStream;
use tokio::time::timeout;

/// A peer that has not taken the call by then is not there.
const CONNECT_TIMEOUT: Duration = Duration::from_secs(5);

/// Connects to `host:port`.
#[derive(Debug, Clone)]
pub struct TcpConnector {
    link: LinkName,
    address: String,
}

impl TcpConnector {
    /// A connector for this link to `host:port`.
    #[must_use]
    pub fn new(link: LinkName, address: String) -> Self {
        Self { link, address }
    }

    fn trouble(&self, kind: TroubleKind, detail: String) -> Trouble {
        Trouble {
            kind,
            tried: format!("connect link {} to {}", self.link, self.address),
            detail,
            request: String::new(),
            reply: String::new(),
        }
    }
}

impl Connector for TcpConnector {
    fn connect(&self) -> LocalFuture<'_, Result<Box<dyn ByteStream>, Trouble>> {
        Box::pin(async {
            let connected = timeout(CONNECT_TIMEOUT, TcpStream::connect(&self.address)).await;
            let stream = match connected {
                Ok(Ok(stream)) => stream,
                Ok(Err(error)) => {
                    let kind = match error.kind() {
                        io::ErrorKind::PermissionDenied => TroubleKind::NotPermitted,
                        _ => TroubleKind::Missing,
                    };
                    return Err(self.trouble(kind, error.to_string()));
                }
                Err(_) => {
                    let detail = format!("no answer within {} s", CONNECT_TIMEOUT.as_secs());
                    return Err(self.trouble(TroubleKind::Missing, detail));
                }
            };
            // A request is one small packet; held back for more it would come late.
            stream
                .set_nodelay(true)
                .map_err(|error| self.trouble(TroubleKind::Disconnected, error.to_string()))?;
            let stream: Box<dyn ByteStream> = Box::new(stream);
            Ok(stream)
        })
    }
}

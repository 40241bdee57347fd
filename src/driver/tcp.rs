//! A link over TCP.
//!
//! Place in the data's path: a [`Connector`] whose stream is a TCP connection. What runs over it
//! (Modbus TCP, Modbus RTU as it stands, lines of text) is the decoder's.

use super::stream::{ByteStream, Connector};
use crate::port::LocalFuture;
use crate::units::{LinkName, Trouble, TroubleKind};
use std::io;
use std::net::SocketAddr;
use std::time::Duration;
use tokio::net::{TcpStream, lookup_host};
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

    async fn dial(&self) -> Result<TcpStream, Trouble> {
        let found = lookup_host(&self.address).await;
        let addresses: Vec<SocketAddr> = found
            .map_err(|error| {
                let detail = format!("no such host: {error}");
                self.trouble(TroubleKind::Missing, detail)
            })?
            .collect();
        TcpStream::connect(&addresses[..]).await.map_err(|error| {
            let (kind, words) = match error.kind() {
                io::ErrorKind::PermissionDenied => (TroubleKind::NotPermitted, "not permitted"),
                io::ErrorKind::ConnectionRefused => (
                    TroubleKind::Missing,
                    "refused: nothing listens on this port",
                ),
                io::ErrorKind::HostUnreachable | io::ErrorKind::NetworkUnreachable => {
                    (TroubleKind::Missing, "there is no way to this address")
                }
                _ => (TroubleKind::Missing, "not connected"),
            };
            self.trouble(kind, format!("{words}: {error}"))
        })
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
            let connected = timeout(CONNECT_TIMEOUT, self.dial()).await;
            let stream = connected.unwrap_or_else(|_| {
                let detail = format!("no answer within {} s", CONNECT_TIMEOUT.as_secs());
                Err(self.trouble(TroubleKind::Missing, detail))
            })?;
            // A request is one small packet; held back for more it would come late.
            stream
                .set_nodelay(true)
                .map_err(|error| self.trouble(TroubleKind::Disconnected, error.to_string()))?;
            let stream: Box<dyn ByteStream> = Box::new(stream);
            Ok(stream)
        })
    }
}

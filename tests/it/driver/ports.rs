//! Real ports, on the real clock: a pseudo-terminal stands in for a serial adapter.

use super::peer::{board, count_as_inputs, spec, start_peer};
use coilcall::driver::{
    BusHandle, Connector, LinkTiming, SerialConnector, TcpConnector, effective_settings,
    list_ports, pty_pair,
};
use coilcall::port::{Inputs, RelayBoard};
use coilcall::units::{
    CoilAddress, LinkName, LinkSpec, LinkTransport, Milliseconds, Parity, SerialSettings,
    TroubleKind, UsbIdentity,
};
use std::path::Path;
use tokio::io::{AsyncRead, AsyncWrite, copy_bidirectional, duplex};
use tokio::net::TcpListener;
use tokio::task::LocalSet;

fn settings() -> SerialSettings {
    SerialSettings {
        baud: 115_200,
        parity: Parity::Even,
        stop_bits: 1,
    }
}

fn link(transport: LinkTransport) -> LinkSpec {
    LinkSpec {
        name: LinkName::new("bench").unwrap(),
        transport,
        reply_timeout_ms: Milliseconds(800),
        late_reply_ms: Milliseconds(1600),
    }
}

fn serial_link(path: &str) -> LinkSpec {
    link(LinkTransport::SerialPath {
        path: path.into(),
        settings: settings(),
    })
}

async fn open(link: &LinkSpec) -> Result<BusHandle, coilcall::units::Trouble> {
    let connector = SerialConnector::of(link).unwrap();
    BusHandle::open(link.name.clone(), LinkTiming::of(link), Box::new(connector)).await
}

/// Puts the peer of the other tests behind a real port.
fn serve(mut port: impl AsyncRead + AsyncWrite + Unpin + 'static) -> super::peer::Shared {
    let (mut near, far) = duplex(4096);
    tokio::task::spawn_local(async move { copy_bidirectional(&mut port, &mut near).await });
    start_peer(far, &[])
}

#[tokio::test]
async fn a_board_behind_a_pseudo_terminal_is_driven_and_read() {
    LocalSet::new()
        .run_until(async {
            let (master, path) = pty_pair().unwrap();
            let peer = serve(master);
            let link = serial_link(&path);
            let bus = open(&link).await.unwrap();
            let board = board(spec(1), &bus);
            assert_eq!(board.read_inputs().await.unwrap(), count_as_inputs(1));
            board.set(CoilAddress(2), true).await.unwrap();
            assert!(board.read_back().await.unwrap()[2]);
            assert_eq!(board.open_all().await.unwrap(), [false; 16]);
            assert_eq!(peer.borrow().coils[..16], [false; 16]);

            // Opened again by the same connector, while the far end stays.
            bus.reopen().await.unwrap();
            assert!(board.read_inputs().await.is_ok());
        })
        .await;
}

#[tokio::test]
async fn a_port_whose_far_end_goes_away_is_gone() {
    LocalSet::new()
        .run_until(async {
            let (master, path) = pty_pair().unwrap();
            // By a name of its own: the number may be another pseudo-terminal's at once.
            let directory = tempfile::tempdir().unwrap();
            let name = directory.path().join("board");
            std::os::unix::fs::symlink(&path, &name).unwrap();
            let bus = open(&serial_link(name.to_str().unwrap())).await.unwrap();
            std::fs::remove_file(&name).unwrap();
            drop(master);
            let board = board(spec(1), &bus);
            let gone = board.read_inputs().await.unwrap_err();
            assert_eq!(gone.kind, TroubleKind::Disconnected, "{gone:?}");
            let still_gone = bus.reopen().await.unwrap_err();
            assert_eq!(still_gone.kind, TroubleKind::Missing, "{still_gone:?}");
        })
        .await;
}

#[tokio::test]
async fn a_pseudo_terminal_is_asked_for_no_parity_and_that_is_said() {
    let (_master, path) = pty_pair().unwrap();
    let (got, note) = effective_settings(&path, &settings());
    assert_eq!(got.parity, Parity::None);
    assert!(note.unwrap().contains("has no parity"));

    let directory = tempfile::tempdir().unwrap();
    let alias = directory.path().join("board");
    std::os::unix::fs::symlink(&path, &alias).unwrap();
    let (got, _) = effective_settings(alias.to_str().unwrap(), &settings());
    assert_eq!(got.parity, Parity::None);

    let (got, note) = effective_settings("/dev/ttyUSB0", &settings());
    assert_eq!((got, note), (settings(), None));
}

#[tokio::test]
async fn a_port_that_somebody_has_open_is_in_use() {
    LocalSet::new()
        .run_until(async {
            let (_master, path) = pty_pair().unwrap();
            let link = serial_link(&path);
            let first = open(&link).await.unwrap();
            let second = open(&link).await.err().unwrap();
            assert_eq!(second.kind, TroubleKind::InUse, "{second:?}");
            assert_eq!(second.tried, format!("open link bench on {path}"));
            drop(first);
        })
        .await;
}

#[tokio::test]
async fn a_port_that_is_not_there_is_missing() {
    let missing = serial_link("/dev/ttyNoSuchPort7");
    let trouble = open(&missing).await.err().unwrap();
    assert_eq!(trouble.kind, TroubleKind::Missing);
    assert!(!trouble.detail.is_empty());

    let usb = UsbIdentity {
        vendor: Some(0xFFFF),
        product: Some(0xFFFF),
        serial_number: None,
        location: Some("99-9".into()),
    };
    let unplugged = link(LinkTransport::SerialUsb {
        usb,
        settings: settings(),
    });
    let trouble = open(&unplugged).await.err().unwrap();
    assert_eq!(trouble.kind, TroubleKind::Missing);
    assert_eq!(
        trouble.tried,
        "open link bench on USB adapter ffff:ffff at 99-9"
    );
}

#[tokio::test]
async fn a_file_that_is_no_serial_port_is_refused_with_a_reason() {
    let file = tempfile::NamedTempFile::new().unwrap();
    let link = serial_link(file.path().to_str().unwrap());
    let trouble = open(&link).await.err().unwrap();
    assert_eq!(trouble.kind, TroubleKind::Missing);
    assert!(!trouble.detail.is_empty());
}

#[test]
fn the_list_names_only_ports_that_exist() {
    let ports = list_ports();
    assert!(ports.is_sorted_by(|a, b| a.path < b.path));
    for port in ports {
        assert!(Path::new(&port.path).exists(), "{}", port.path);
    }
}

#[tokio::test]
async fn a_board_behind_tcp_is_read_and_a_closed_door_is_missing() {
    LocalSet::new()
        .run_until(async {
            let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
            let address = listener.local_addr().unwrap().to_string();
            let link = link(LinkTransport::Tcp {
                address: address.clone(),
            });
            let connector = TcpConnector::new(link.name.clone(), address);
            let timing = LinkTiming::of(&link);
            let bus = BusHandle::open(link.name.clone(), timing, Box::new(connector.clone()));
            let bus = bus.await.unwrap();
            let (accepted, _) = listener.accept().await.unwrap();
            drop(listener);
            serve(accepted);
            let board = board(spec(1), &bus);
            assert_eq!(board.read_inputs().await.unwrap(), count_as_inputs(1));

            let refused = connector.connect().await.err().unwrap();
            assert_eq!(refused.kind, TroubleKind::Missing);
        })
        .await;
}

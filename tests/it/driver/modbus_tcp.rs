//! The same relay board in frames over TCP: a peer that misbehaves, and an independent
//! implementation (tokio-modbus) in both roles over loopback.

use super::oracle::TheirBoard;
use super::peer::{LATE_REPLY_MS, board, count_as_inputs, link_name, pass, spec};
use coilcall::driver::{
    BusHandle, Connector, LinkTiming, ModbusBoard, ModbusFraming, TcpConnector,
};
use coilcall::port::{Inputs, RelayBoard};
use coilcall::units::{CoilAddress, Milliseconds, TroubleKind, UnitAddress};
use coilcall::wire::{
    Request, Response, TcpRequestDecoder, TransactionId, tcp_request_frame, tcp_response_frame,
};
use std::cell::RefCell;
use std::collections::VecDeque;
use std::rc::Rc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream, duplex};
use tokio::net::TcpListener;
use tokio::task::LocalSet;
use tokio::time::Instant;
use tokio_modbus::Slave;
use tokio_modbus::client::tcp;
use tokio_modbus::prelude::{Reader, Writer};
use tokio_modbus::server::tcp::Server;

/// What the peer does with one request.
#[derive(Debug, Clone, PartialEq)]
enum Behaviour {
    Good,
    Silent,
    Late(u64),
    /// An answer under the number before, then the right one.
    StaleFirst,
    StaleAlone,
    OtherUnit,
    /// One input byte too few.
    FewInputs,
    HalfFrame,
    /// The first half at once, the other after so many milliseconds.
    InHalves(u64),
    Echo,
    BadHeader,
    /// So many stale frames.
    Flood(usize),
    Unplugged,
}

/// Answers with inputs that show how many requests it has received; keeps their times.
async fn misbehave(
    mut stream: DuplexStream,
    script: Vec<Behaviour>,
    log: Rc<RefCell<Vec<Duration>>>,
) {
    let made = Instant::now();
    let mut script = VecDeque::from(script);
    let mut decoder = TcpRequestDecoder::new();
    let mut chunk = [0; 512];
    while let Ok(count) = stream.read(&mut chunk).await {
        if count == 0 {
            return;
        }
        decoder.push(&chunk[..count]);
        while let Some(received) = decoder.take().expect("our headers are good") {
            log.borrow_mut().push(made.elapsed());
            let request = received.request.expect("our requests are legal");
            let asked = log.borrow().len();
            let frame = |id, unit, asked| {
                let response = Response::DiscreteInputs(count_as_inputs(asked));
                tcp_response_frame(id, unit, &response)
            };
            let (id, unit) = (received.id, received.unit);
            let stale = frame(TransactionId(id.0.wrapping_sub(1)), unit, 0xFFFF);
            let own = frame(id, unit, asked);
            let behaviour = script.pop_front().unwrap_or(Behaviour::Good);
            let answer = match behaviour {
                Behaviour::Good => own,
                Behaviour::Silent => continue,
                Behaviour::Late(after) => {
                    pass(after).await;
                    own
                }
                Behaviour::StaleFirst => [stale, own].concat(),
                Behaviour::StaleAlone => stale,
                Behaviour::OtherUnit => frame(id, UnitAddress(9), asked),
                Behaviour::FewInputs => {
                    let response = Response::DiscreteInputs(vec![true; 8]);
                    tcp_response_frame(id, unit, &response)
                }
                Behaviour::HalfFrame => own[..6].to_vec(),
                Behaviour::InHalves(after) => {
                    drop(stream.write_all(&own[..8]).await);
                    pass(after).await;
                    own[8..].to_vec()
                }
                Behaviour::Echo => tcp_request_frame(id, unit, &request),
                Behaviour::BadHeader => vec![0xFF; 12],
                Behaviour::Flood(frames) => stale.repeat(frames),
                Behaviour::Unplugged => return,
            };
            if stream.write_all(&answer).await.is_err() {
                return;
            }
        }
    }
}

fn in_memory() -> LinkTiming {
    LinkTiming {
        unasked_is_suspect: false,
        ..LinkTiming::in_memory(Milliseconds(800), Milliseconds(LATE_REPLY_MS))
    }
}

fn over(bus: &BusHandle) -> ModbusBoard {
    board(spec(1), bus).framed(ModbusFraming::Tcp)
}

#[tokio::test(start_paused = true)]
async fn whatever_the_peer_does_no_answer_is_another_ones() {
    for (behaviour, expected) in [
        (Behaviour::Good, Ok(())),
        (Behaviour::Late(700), Ok(())),
        (Behaviour::Late(1000), Err(TroubleKind::Timeout)),
        // Later than any quarantine: the number alone tells it.
        (Behaviour::Late(9000), Err(TroubleKind::Timeout)),
        (Behaviour::Silent, Err(TroubleKind::Timeout)),
        (Behaviour::StaleFirst, Ok(())),
        (Behaviour::StaleAlone, Err(TroubleKind::Timeout)),
        (Behaviour::OtherUnit, Err(TroubleKind::Mismatched)),
        (Behaviour::FewInputs, Err(TroubleKind::Mismatched)),
        (Behaviour::HalfFrame, Err(TroubleKind::Timeout)),
        (Behaviour::InHalves(500), Ok(())),
        (Behaviour::InHalves(1000), Err(TroubleKind::Timeout)),
        (Behaviour::Echo, Err(TroubleKind::Echoed)),
        (Behaviour::BadHeader, Err(TroubleKind::Corrupt)),
        (Behaviour::Flood(100), Err(TroubleKind::Timeout)),
        (Behaviour::Flood(10_000), Err(TroubleKind::Timeout)),
        (Behaviour::Unplugged, Err(TroubleKind::Disconnected)),
    ] {
        LocalSet::new()
            .run_until(async {
                let (near, far) = duplex(4096);
                let log = Rc::new(RefCell::new(Vec::new()));
                let script = vec![behaviour.clone()];
                tokio::task::spawn_local(misbehave(far, script, Rc::clone(&log)));
                let bus = BusHandle::over(link_name(), in_memory(), near);
                let board = over(&bus);
                let got = board.read_inputs().await;
                match (&got, expected) {
                    (Ok(inputs), Ok(())) => assert_eq!(inputs, &count_as_inputs(1)),
                    (Err(trouble), Err(kind)) => {
                        assert_eq!(trouble.kind, kind, "{behaviour:?}: {trouble}");
                        assert_eq!(trouble.request, "00 01 00 00 00 06 01 02 00 00 00 10");
                    }
                    _ => panic!("{behaviour:?} gave {got:?}, expected {expected:?}"),
                }
                if expected == Err(TroubleKind::Disconnected) {
                    return;
                }
                let mut good = 0;
                for _ in 0..6 {
                    if let Ok(inputs) = board.read_inputs().await {
                        assert_eq!(inputs, count_as_inputs(log.borrow().len()), "{behaviour:?}");
                        good += 1;
                    }
                }
                assert!(good >= 2, "{behaviour:?} is got over");
            })
            .await;
    }
}

#[tokio::test]
async fn our_driver_against_their_server() {
    LocalSet::new()
        .run_until(async {
            let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
            let address = listener.local_addr().unwrap().to_string();
            let served = tokio::task::spawn_local(async move {
                let server = Server::new(listener);
                let board = std::sync::Arc::new(TheirBoard::default());
                let connected = |stream, peer| {
                    let board = std::sync::Arc::clone(&board);
                    let service = move |_| Ok(Some(std::sync::Arc::clone(&board)));
                    async move {
                        tokio_modbus::server::tcp::accept_tcp_connection(stream, peer, service)
                    }
                };
                server.serve(&connected, |error| panic!("{error}")).await
            });
            let connector = Box::new(TcpConnector::new(link_name(), address));
            let timing = LinkTiming {
                unasked_is_suspect: false,
                ..LinkTiming::in_memory(Milliseconds(5000), Milliseconds(100))
            };
            let bus = BusHandle::open(link_name(), timing, connector).await;
            let board = over(&bus.unwrap());
            board.identify().await.unwrap();
            let inputs: Vec<bool> = (0..16).map(|input| input % 3 == 0).collect();
            assert_eq!(board.read_inputs().await.unwrap(), inputs);
            for relay in 0..16 {
                board.set(CoilAddress(relay), true).await.unwrap();
                let expected: Vec<bool> = (0..16).map(|other| other <= relay).collect();
                assert_eq!(board.read_back().await.unwrap(), expected);
            }
            let refused = board.set(CoilAddress(16), true).await.unwrap_err();
            assert_eq!(refused.kind, TroubleKind::Refused);
            assert_eq!(board.open_all().await.unwrap(), [false; 16]);
            served.abort();
        })
        .await;
}

/// A server made of our codec that holds coils.
async fn hold_coils(mut stream: DuplexStream) {
    let mut coils = vec![false; 2000];
    let mut decoder = TcpRequestDecoder::new();
    let mut chunk = [0; 512];
    while let Ok(count) = stream.read(&mut chunk).await {
        if count == 0 {
            return;
        }
        decoder.push(&chunk[..count]);
        while let Some(received) = decoder.take().expect("their headers are good") {
            let response = match received.request.expect("their requests are legal") {
                Request::ReadCoils { start, count } => {
                    let start = usize::from(start);
                    Response::Coils(coils[start..start + usize::from(count)].to_vec())
                }
                Request::WriteCoil { address, on } => {
                    coils[usize::from(address)] = on;
                    Response::WroteCoil { address, on }
                }
                Request::WriteCoils { start, states } => {
                    let from = usize::from(start);
                    coils[from..from + states.len()].copy_from_slice(&states);
                    let count = u16::try_from(states.len()).unwrap();
                    Response::WroteCoils { start, count }
                }
                other => panic!("{other:?} was not asked"),
            };
            let frame = tcp_response_frame(received.id, received.unit, &response);
            stream.write_all(&frame).await.unwrap();
        }
    }
}

#[tokio::test(start_paused = true)]
async fn their_client_against_our_server() {
    LocalSet::new()
        .run_until(async {
            let (near, far) = duplex(4096);
            tokio::task::spawn_local(hold_coils(far));
            let mut client = tcp::attach_slave(near, Slave(1));
            client.write_single_coil(2, true).await.unwrap().unwrap();
            client
                .write_multiple_coils(8, &[true, false, true])
                .await
                .unwrap()
                .unwrap();
            let mut expected = [false; 16];
            for closed in [2, 8, 10] {
                expected[closed] = true;
            }
            assert_eq!(client.read_coils(0, 16).await.unwrap().unwrap(), expected);
            let all = client.read_coils(0, 2000).await.unwrap().unwrap();
            assert_eq!(all.len(), 2000);
        })
        .await;
}

#[tokio::test]
async fn a_closed_door_and_an_unknown_host_are_told_plainly() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap().to_string();
    drop(listener);
    let trouble = |address: String| async move {
        let connector = TcpConnector::new(link_name(), address);
        connector.connect().await.err().expect("nobody is there")
    };
    let refused = trouble(address.clone()).await;
    assert_eq!(refused.kind, TroubleKind::Missing);
    let told = refused.to_string();
    assert!(
        told.contains(&format!("connect link bench to {address}")),
        "{told}"
    );
    assert!(
        told.contains("refused: nothing listens on this port"),
        "{told}"
    );
    // A name that can never exist (RFC 6761, 6.4).
    let unknown = trouble("meter.invalid:502".to_owned()).await;
    assert_eq!(unknown.kind, TroubleKind::Missing);
    assert!(unknown.to_string().contains("no such host"), "{unknown}");
}

//! A relay board at the far end of an in-memory link that misbehaves on demand, and keeps a log.
//!
//! Its inputs show how many requests it has received so far, so no two answers are alike and an
//! answer to an earlier question is told by its value.

use coilcall::driver::{BusHandle, LinkTiming, ModbusBoard};
use coilcall::units::{DeviceName, LinkName, Milliseconds, ModbusSpec, UnitAddress};
use coilcall::wire::{
    Exception, ExceptionCode, ReceivedRequest, Request, Response, RtuRequestDecoder,
    exception_frame, request_frame, response_frame,
};
use std::cell::RefCell;
use std::collections::VecDeque;
use std::future::pending;
use std::rc::Rc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream, ReadHalf, WriteHalf, duplex, split};
use tokio::sync::mpsc;
use tokio::time::{Instant, timeout};

pub(super) const REPLY_TIMEOUT_MS: u64 = 800;
pub(super) const LATE_REPLY_MS: u64 = 1600;

/// What the peer does with one request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Behaviour {
    Good,
    Silent,
    /// The right reply, after so many milliseconds.
    Late(u64),
    /// The right reply twice in a row.
    Doubled,
    /// The right reply, and again after so many milliseconds.
    DoubledAfter(u64),
    /// The line repeats the request; the device is dead.
    EchoAlone,
    /// The line repeats the request, and the device answers.
    EchoThenReply,
    OtherCoil,
    OtherUnit,
    /// A good frame with one input byte too few.
    FewInputs,
    GarbageBefore(Vec<u8>),
    /// The right reply, and behind it what a line may pick up when it changes direction.
    NoiseBehind(Vec<u8>),
    Refuse(ExceptionCode),
    HalfFrame,
    /// One byte each so many milliseconds.
    ByteByByte(u64),
    DamagedByte(usize),
    Unplugged,
}

/// What the peer holds and has seen.
pub(super) struct PeerState {
    pub(super) coils: Vec<bool>,
    pub(super) registers: Vec<u16>,
    /// Each request with the time since the peer was made.
    pub(super) log: Vec<(Duration, ReceivedRequest)>,
    pub(super) script: VecDeque<Behaviour>,
}

impl PeerState {
    pub(super) fn requests(&self) -> Vec<Request> {
        let request = |(_, received): &(_, ReceivedRequest)| received.request.clone();
        self.log.iter().filter_map(|l| request(l).ok()).collect()
    }
}

pub(super) type Shared = Rc<RefCell<PeerState>>;

/// Lets virtual time pass.
pub(super) async fn pass(milliseconds: u64) {
    let never = pending::<()>();
    let passed = timeout(Duration::from_millis(milliseconds), never).await;
    assert!(passed.is_err(), "pending never ends");
}

/// 9600 baud, 8E1: 11 bits a byte, and 3.5 characters of quiet.
pub(super) fn slow_line() -> LinkTiming {
    LinkTiming {
        byte: Duration::from_micros(1146),
        silence: Duration::from_micros(4010),
        ..LinkTiming::in_memory(Milliseconds(REPLY_TIMEOUT_MS), Milliseconds(LATE_REPLY_MS))
    }
}

pub(super) fn spec(unit: u8) -> ModbusSpec {
    ModbusSpec {
        unit: UnitAddress(unit),
        coils: 16,
        discrete_inputs: 16,
        watchdog: None,
    }
}

pub(super) fn board(spec: ModbusSpec, bus: &BusHandle) -> ModbusBoard {
    let device = DeviceName::new("board").unwrap();
    ModbusBoard::new(device, spec, bus.clone())
}

pub(super) fn link_name() -> LinkName {
    LinkName::new("bench").unwrap()
}

/// A peer with this script (good behaviour after its end) and the bus that leads to it.
pub(super) fn peer_and_bus(script: &[Behaviour]) -> (Shared, BusHandle) {
    let (near, far) = duplex(4096);
    let state = start_peer(far, script);
    (state, BusHandle::over(link_name(), slow_line(), near))
}

pub(super) fn start_peer(far: DuplexStream, script: &[Behaviour]) -> Shared {
    let state = Rc::new(RefCell::new(PeerState {
        coils: vec![false; 4096],
        registers: vec![0; 16],
        log: Vec::new(),
        script: script.iter().cloned().collect(),
    }));
    let (read, write) = split(far);
    let (sender, outgoing) = mpsc::unbounded_channel();
    let peer = Peer {
        state: state.clone(),
        outgoing: sender,
        made: Instant::now(),
    };
    let unplug = tokio::task::spawn_local(send(write, outgoing));
    tokio::task::spawn_local(async move {
        peer.receive(read).await;
        // Both halves are gone now or soon: the near end sees the end of the stream.
        unplug.abort();
    });
    state
}

/// Pieces go out in the order in which they were queued, each after its own delay.
async fn send(
    mut write: WriteHalf<DuplexStream>,
    mut outgoing: mpsc::UnboundedReceiver<(u64, Vec<u8>)>,
) {
    while let Some((delay, bytes)) = outgoing.recv().await {
        if delay > 0 {
            pass(delay).await;
        }
        if write.write_all(&bytes).await.is_err() {
            return;
        }
    }
}

struct Peer {
    state: Shared,
    outgoing: mpsc::UnboundedSender<(u64, Vec<u8>)>,
    made: Instant,
}

impl Peer {
    async fn receive(self, mut read: ReadHalf<DuplexStream>) {
        let mut decoder = RtuRequestDecoder::new();
        let mut chunk = [0; 512];
        loop {
            match read.read(&mut chunk).await {
                Ok(count) if count > 0 => decoder.push(&chunk[..count]),
                _ => return,
            }
            while let Some(received) = decoder.take() {
                let entry = (self.made.elapsed(), received.clone());
                self.state.borrow_mut().log.push(entry);
                let next = self.state.borrow_mut().script.pop_front();
                let behaviour = next.unwrap_or(Behaviour::Good);
                if behaviour == Behaviour::Unplugged {
                    return;
                }
                self.answer(&received, &behaviour);
            }
        }
    }

    fn answer(&self, received: &ReceivedRequest, behaviour: &Behaviour) {
        let unit = received.unit;
        let request = received.request.as_ref().expect("our requests are legal");
        let say = |delay, bytes: Vec<u8>| drop(self.outgoing.send((delay, bytes)));
        let refuse = |code| {
            let function = request.function();
            exception_frame(unit, Exception { function, code })
        };
        // A dead or refusing device does not do what it was asked.
        match behaviour {
            Behaviour::Silent => return,
            Behaviour::EchoAlone => return say(0, request_frame(unit, request)),
            Behaviour::Refuse(code) => return say(0, refuse(*code)),
            _ => {}
        }
        let response = self.act(request);
        let mut frame = response_frame(unit, &response);
        match behaviour {
            Behaviour::Late(delay) => say(*delay, frame),
            Behaviour::Doubled => say(0, [frame.clone(), frame].concat()),
            Behaviour::DoubledAfter(delay) => {
                say(0, frame.clone());
                say(*delay, frame);
            }
            Behaviour::EchoThenReply => {
                say(0, request_frame(unit, request));
                say(10, frame);
            }
            Behaviour::OtherCoil => say(0, response_frame(unit, &beside(response))),
            Behaviour::OtherUnit => say(0, response_frame(UnitAddress(unit.0 + 1), &response)),
            Behaviour::FewInputs => say(0, response_frame(unit, &shortened(response))),
            Behaviour::GarbageBefore(garbage) => say(0, [garbage.clone(), frame].concat()),
            Behaviour::NoiseBehind(noise) => say(0, [frame, noise.clone()].concat()),
            Behaviour::HalfFrame => {
                frame.truncate(frame.len() / 2);
                say(0, frame);
            }
            Behaviour::ByteByByte(delay) => frame.iter().for_each(|byte| say(*delay, vec![*byte])),
            Behaviour::DamagedByte(at) => {
                frame[*at] ^= 0x10;
                say(0, frame);
            }
            _ => say(0, frame),
        }
    }

    fn act(&self, request: &Request) -> Response {
        let mut state = self.state.borrow_mut();
        let range = |start: &u16, count: &u16| {
            usize::from(*start)..usize::from(*start) + usize::from(*count)
        };
        match request {
            Request::ReadCoils { start, count } => {
                Response::Coils(state.coils[range(start, count)].to_vec())
            }
            Request::ReadDiscreteInputs { start, count } => {
                let shown = count_as_inputs(state.log.len());
                let input = |index| shown.get(index).copied().unwrap_or(index % 3 == 0);
                Response::DiscreteInputs(range(start, count).map(input).collect())
            }
            Request::ReadHoldingRegisters { start, count }
            | Request::ReadInputRegisters { start, count } => {
                Response::HoldingRegisters(state.registers[range(start, count)].to_vec())
            }
            Request::WriteCoil { address, on } => {
                state.coils[usize::from(*address)] = *on;
                Response::WroteCoil {
                    address: *address,
                    on: *on,
                }
            }
            Request::WriteRegister { address, value } => {
                state.registers[usize::from(*address)] = *value;
                Response::WroteRegister {
                    address: *address,
                    value: *value,
                }
            }
            Request::WriteCoils { start, states } => {
                let count = states.len() as u16;
                state.coils[range(start, &count)].copy_from_slice(states);
                Response::WroteCoils {
                    start: *start,
                    count,
                }
            }
            Request::WriteRegisters { start, values } => {
                let count = values.len() as u16;
                state.registers[range(start, &count)].copy_from_slice(values);
                Response::WroteRegisters {
                    start: *start,
                    count,
                }
            }
        }
    }
}

/// 16 inputs that show a number.
pub(super) fn count_as_inputs(count: usize) -> Vec<bool> {
    (0..16).map(|bit| count >> bit & 1 == 1).collect()
}

fn beside(response: Response) -> Response {
    match response {
        Response::WroteCoil { address, on } => Response::WroteCoil {
            address: address + 1,
            on,
        },
        other => panic!("no coil is written by {other:?}"),
    }
}

fn shortened(response: Response) -> Response {
    match response {
        Response::DiscreteInputs(states) => Response::DiscreteInputs(states[..8].to_vec()),
        Response::Coils(states) => Response::Coils(states[..8].to_vec()),
        other => panic!("no states are read by {other:?}"),
    }
}

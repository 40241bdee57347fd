//! An independent implementation of Modbus RTU (tokio-modbus) in both roles: our driver against
//! its server, and its client against a server made of our codec.

use super::peer::{Behaviour, board, count_as_inputs, link_name, spec, start_peer};
use coilcall::driver::{BusHandle, LinkTiming, SerialConnector};
use coilcall::port::{Inputs, RelayBoard};
use coilcall::units::{
    CoilAddress, LinkSpec, LinkTransport, Milliseconds, ModbusSpec, Parity, RegisterAddress,
    SerialSettings, TroubleKind, WatchdogSpec,
};
use coilcall::wire::ExceptionCode;
use std::future::{Ready, ready};
use std::sync::Mutex;
use tokio::io::duplex;
use tokio::task::LocalSet;
use tokio_modbus::client::rtu;
use tokio_modbus::prelude::{Reader, Writer};
use tokio_modbus::server::Service;
use tokio_modbus::server::rtu::Server;
use tokio_modbus::{Request, Response, Slave, SlaveRequest};
use tokio_serial::{SerialPort, SerialStream};

/// A relay board as the other implementation serves it: input n is on where n is divisible by 3.
#[derive(Default)]
pub(super) struct TheirBoard {
    coils: Mutex<[bool; 16]>,
    registers: Mutex<[u16; 8]>,
}

impl Service for TheirBoard {
    type Request = SlaveRequest<'static>;
    type Response = Response;
    type Exception = tokio_modbus::ExceptionCode;
    type Future = Ready<Result<Response, tokio_modbus::ExceptionCode>>;

    fn call(&self, request: Self::Request) -> Self::Future {
        let mut coils = self.coils.lock().unwrap();
        let mut registers = self.registers.lock().unwrap();
        let range = |start: u16, count: u16| usize::from(start)..usize::from(start + count);
        ready(match request.request {
            Request::ReadCoils(start, count) if start + count <= 16 => {
                Ok(Response::ReadCoils(coils[range(start, count)].to_vec()))
            }
            Request::ReadDiscreteInputs(start, count) if start + count <= 16 => Ok(
                Response::ReadDiscreteInputs(range(start, count).map(|n| n % 3 == 0).collect()),
            ),
            Request::WriteSingleCoil(address, on) if address < 16 => {
                coils[usize::from(address)] = on;
                Ok(Response::WriteSingleCoil(address, on))
            }
            Request::WriteMultipleCoils(start, states) => {
                let count = states.len() as u16;
                coils[range(start, count)].copy_from_slice(&states);
                Ok(Response::WriteMultipleCoils(start, count))
            }
            Request::WriteSingleRegister(address, value) => {
                registers[usize::from(address)] = value;
                Ok(Response::WriteSingleRegister(address, value))
            }
            Request::ReadHoldingRegisters(start, count) => Ok(Response::ReadHoldingRegisters(
                registers[range(start, count)].to_vec(),
            )),
            _ => Err(tokio_modbus::ExceptionCode::IllegalDataAddress),
        })
    }
}

#[tokio::test]
async fn our_driver_against_their_server() {
    LocalSet::new()
        .run_until(async {
            let (near, far) = SerialStream::pair().unwrap();
            let server = Server::new(near).serve_forever(TheirBoard::default());
            let served = tokio::task::spawn_local(server);
            let link = LinkSpec {
                name: link_name(),
                transport: LinkTransport::SerialPath {
                    path: far.name().unwrap(),
                    settings: SerialSettings {
                        baud: 115_200,
                        parity: Parity::Even,
                        stop_bits: 1,
                    },
                },
                reply_timeout_ms: Milliseconds(2000),
                late_reply_ms: Milliseconds(100),
            };
            let connector = Box::new(SerialConnector::of(&link).unwrap());
            let bus = BusHandle::open(link_name(), LinkTiming::of(&link), connector);
            let bus = bus.await.unwrap();
            let watched = ModbusSpec {
                watchdog: Some(WatchdogSpec {
                    register: RegisterAddress(7),
                    timeout_ms: Milliseconds(5000),
                    milliseconds_per_count: 1,
                }),
                ..spec(1)
            };
            let board = board(watched, &bus);

            board.identify().await.unwrap();
            board.arm_watchdog().await.unwrap();
            let inputs: Vec<bool> = (0..16).map(|input| input % 3 == 0).collect();
            assert_eq!(board.read_inputs().await.unwrap(), inputs);
            for relay in 0..16 {
                board.set(CoilAddress(relay), true).await.unwrap();
                let expected: Vec<bool> = (0..16).map(|other| other <= relay).collect();
                assert_eq!(board.read_back().await.unwrap(), expected);
            }
            let refused = board.set(CoilAddress(16), true).await.unwrap_err();
            assert_eq!(refused.kind, TroubleKind::Refused);
            assert_eq!(refused.detail, "exception 02, illegal data address");
            assert_eq!(board.open_all().await.unwrap(), [false; 16]);
            served.abort();
        })
        .await;
}

#[tokio::test(start_paused = true)]
async fn their_client_against_our_server() {
    LocalSet::new()
        .run_until(async {
            let (near, far) = duplex(4096);
            let peer = start_peer(far, &[]);
            let mut client = rtu::attach_slave(near, Slave(1));

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
            assert_eq!(peer.borrow().coils[..16], expected);

            client
                .write_single_register(3, 1234)
                .await
                .unwrap()
                .unwrap();
            client
                .write_multiple_registers(4, &[5, 6])
                .await
                .unwrap()
                .unwrap();
            let registers = client.read_holding_registers(3, 3).await;
            assert_eq!(registers.unwrap().unwrap(), [1234, 5, 6]);

            let inputs = client.read_discrete_inputs(0, 16).await;
            assert_eq!(inputs.unwrap().unwrap(), count_as_inputs(7));
            assert_eq!(
                client.read_coils(0, 2000).await.unwrap().unwrap().len(),
                2000
            );

            let refusal = Behaviour::Refuse(ExceptionCode::IllegalDataAddress);
            peer.borrow_mut().script.push_back(refusal);
            let refused = client.read_coils(0, 1).await.unwrap();
            assert_eq!(
                refused,
                Err(tokio_modbus::ExceptionCode::IllegalDataAddress)
            );
        })
        .await;
}

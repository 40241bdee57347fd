//! Our driver against the TCP server of pymodbus.

use super::{Serving, in_real_time, script};
use coilcall::driver::{BusHandle, LinkTiming, ModbusBoard, ModbusFraming, TcpConnector};
use coilcall::port::{Inputs, RelayBoard};
use coilcall::units::{
    CoilAddress, DeviceName, LinkName, Milliseconds, ModbusSpec, TroubleKind, UnitAddress,
};

#[test]
fn every_relay_closes_is_read_back_and_opens() {
    in_real_time(async {
        let server = Serving::start(script("tcp_board_server.py").arg("3"));
        let link = LinkName::new("gateway").unwrap();
        let address = format!("127.0.0.1:{}", server.place);
        let connector = Box::new(TcpConnector::new(link.clone(), address));
        let timing = LinkTiming {
            unasked_is_suspect: false,
            ..LinkTiming::in_memory(Milliseconds(10_000), Milliseconds(100))
        };
        let bus = BusHandle::open(link, timing, connector).await.unwrap();
        let spec = ModbusSpec {
            unit: UnitAddress(3),
            coils: 16,
            discrete_inputs: 16,
            watchdog: None,
        };
        let device = DeviceName::new("board").unwrap();
        let board = ModbusBoard::new(device, spec, bus).framed(ModbusFraming::Tcp);
        board.identify().await.unwrap();
        for relay in [0, 7, 15] {
            board.set(CoilAddress(relay), true).await.unwrap();
        }
        let closed: Vec<bool> = (0..16).map(|at| matches!(at, 0 | 7 | 15)).collect();
        assert_eq!(board.read_back().await.unwrap(), closed);
        assert_eq!(board.read_inputs().await.unwrap(), closed);
        let refused = board.set(CoilAddress(16), true).await.unwrap_err();
        assert_eq!(refused.kind, TroubleKind::Refused);
        assert_eq!(board.open_all().await.unwrap(), [false; 16]);
        assert_eq!(board.read_inputs().await.unwrap(), [false; 16]);
    });
}

//! A client written by others reads and drives the simulated bench.
//!
//! Outside source: the tokio-modbus crate's own RTU client, which shares no code with ours.

use super::bench::{
    Client, R_AT_CONTROLLER, R_AT_EQUIPMENT, WATCHDOG, in_virtual_time, link, simulator,
};
use tokio_modbus::client::{Context, Reader, Writer, rtu};
use tokio_modbus::prelude::SlaveContext;
use tokio_modbus::{ExceptionCode, Slave};

fn attach(simulator: &coilcall::sim::Simulator) -> Context {
    let stream = simulator.connect(&link("field")).expect("the link opens");
    rtu::attach_slave(stream, Slave(1))
}

#[test]
fn another_client_drives_a_line_and_reads_it() {
    in_virtual_time(async {
        let simulator = simulator(&["swap:Y1,G"], &[], 1);
        let mut context = attach(&simulator);
        let written = context.write_single_coil(0, true).await;
        assert_eq!(written.expect("a reply"), Ok(()));
        let coils = context.read_coils(0, 4).await.expect("a reply");
        assert_eq!(coils, Ok(vec![true, false, false, false]));
        let written = context.write_multiple_coils(2, &[true, true]).await;
        assert_eq!(written.expect("a reply"), Ok(()));
        let coils = context.read_coils(0, 4).await.expect("a reply");
        assert_eq!(coils, Ok(vec![true, false, true, true]));
        context.set_slave(Slave(2));
        let read = context.read_discrete_inputs(0, 16).await;
        assert_eq!(read.expect("a reply").expect("no exception").len(), 16);
        drop(context);
        // Coil 0 is Y1's; the conductors of Y1 and G are exchanged.
        let inputs = Client::on(&simulator, "field").settled_inputs().await;
        let live: Vec<usize> = (0..16).filter(|index| inputs[*index]).collect();
        assert_eq!(live, [1, 2, 3, R_AT_EQUIPMENT, R_AT_CONTROLLER]);
    });
}

#[test]
fn another_client_sees_registers_and_refusals() {
    in_virtual_time(async {
        let simulator = simulator(&[], &[], 1);
        let mut context = attach(&simulator);
        let written = context.write_multiple_registers(WATCHDOG, &[300]).await;
        assert_eq!(written.expect("a reply"), Ok(()));
        let read = context.read_holding_registers(WATCHDOG, 1).await;
        assert_eq!(read.expect("a reply"), Ok(vec![300]));
        let refused = context.read_coils(7, 2).await.expect("a reply");
        assert_eq!(refused, Err(ExceptionCode::IllegalDataAddress));
        let refused = context.read_input_registers(0, 1).await.expect("a reply");
        assert_eq!(refused, Err(ExceptionCode::IllegalFunction));
    });
}

//! What the relay board and the input module answer, to the byte.
//!
//! Frames of write coil 0 of unit 1 are the common worked example (CRC by CRC-16/MODBUS, check
//! value 0x4B37); exception codes: Modbus V1.1b3, section 7.

use super::bench::{
    BOARD, Client, INPUTS, R_AT_CONTROLLER, R_AT_EQUIPMENT, SILENCE, WATCHDOG, device,
    in_virtual_time, milliseconds, simulator,
};
use coilcall::units::{CoilAddress, UnitAddress};
use coilcall::wire::{Request, crc16_modbus, request_frame};
use std::collections::BTreeSet;

const CLOSE_COIL_0: [u8; 8] = [0x01, 0x05, 0x00, 0x00, 0xFF, 0x00, 0x8C, 0x3A];
const OPEN_COIL_0: [u8; 8] = [0x01, 0x05, 0x00, 0x00, 0x00, 0x00, 0xCD, 0xCA];

fn with_crc(body: &[u8]) -> Vec<u8> {
    let mut frame = body.to_vec();
    frame.extend(crc16_modbus(body).to_le_bytes());
    frame
}

#[test]
fn a_coil_write_is_echoed_and_shows_on_the_line_once_the_contact_has_moved() {
    in_virtual_time(async {
        let simulator = simulator(&[], &[], 1);
        let mut client = Client::on(&simulator, "field");
        client.send(&CLOSE_COIL_0).await;
        assert_eq!(client.listen(milliseconds(21)).await, CLOSE_COIL_0);
        let closed = simulator.closed_relays();
        assert_eq!(closed[&device("board")], BTreeSet::from([CoilAddress(0)]));
        let inputs = client.settled_inputs().await;
        let live = [R_AT_EQUIPMENT, R_AT_CONTROLLER, 0];
        for (index, read) in inputs.iter().enumerate() {
            assert_eq!(*read, live.contains(&index), "input {index}");
        }
        client.send(&OPEN_COIL_0).await;
        assert_eq!(client.listen(milliseconds(21)).await, OPEN_COIL_0);
        assert!(!client.settled_inputs().await[0]);
        assert!(simulator.closed_relays().values().all(BTreeSet::is_empty));
    });
}

#[test]
fn coils_are_written_together_and_read_back_packed() {
    in_virtual_time(async {
        let simulator = simulator(&[], &[], 1);
        let mut client = Client::on(&simulator, "field");
        let states = vec![true, false, true, true];
        let write = Request::WriteCoils { start: 2, states };
        let reply = client.ask(BOARD, &write).await;
        assert_eq!(reply, with_crc(&[0x01, 0x0F, 0x00, 0x02, 0x00, 0x04]));
        let read = Request::ReadCoils { start: 0, count: 8 };
        let reply = client.ask(BOARD, &read).await;
        assert_eq!(reply, with_crc(&[0x01, 0x01, 0x01, 0b0011_0100]));
    });
}

#[test]
fn what_a_device_lacks_is_refused_by_the_right_exception() {
    in_virtual_time(async {
        let simulator = simulator(&[], &[], 1);
        let mut client = Client::on(&simulator, "field");
        let cases: [(&[u8], [u8; 3]); 9] = [
            // Coil 8 of 8; coils 7 and 8.
            (&[1, 0x05, 0, 8, 0xFF, 0], [1, 0x85, 2]),
            (&[1, 0x01, 0, 7, 0, 2], [1, 0x81, 2]),
            // A coil's value that is neither on nor off; no coils at all.
            (&[1, 0x05, 0, 0, 0x12, 0x34], [1, 0x85, 3]),
            (&[1, 0x01, 0, 0, 0, 0], [1, 0x81, 3]),
            // A function that this board lacks, and two that nobody has.
            (&[1, 0x02, 0, 0, 0, 1], [1, 0x82, 1]),
            (&[2, 0x05, 0, 0, 0xFF, 0], [2, 0x85, 1]),
            (&[1, 0x2B, 0x0E, 1, 0], [1, 0xAB, 1]),
            // A register beside the watchdog's; input registers.
            (&[1, 0x03, 0, 0, 0, 1], [1, 0x83, 2]),
            (&[1, 0x04, 0, 0, 0, 1], [1, 0x84, 1]),
        ];
        for (request, expected) in cases {
            client.send(&with_crc(request)).await;
            let reply = client.listen(milliseconds(60)).await;
            assert_eq!(reply, with_crc(&expected), "{request:02X?}");
        }
        assert!(simulator.closed_relays().values().all(BTreeSet::is_empty));
    });
}

#[test]
fn a_broadcast_is_obeyed_by_all_and_answered_by_none() {
    in_virtual_time(async {
        let simulator = simulator(&[], &[], 1);
        let mut client = Client::on(&simulator, "field");
        client.set(0, true).await;
        client.set(3, true).await;
        let states = vec![false; 8];
        let open_all = Request::WriteCoils { start: 0, states };
        client.send(&request_frame(UnitAddress(0), &open_all)).await;
        assert_eq!(client.listen(milliseconds(1000)).await, SILENCE);
        assert!(simulator.closed_relays().values().all(BTreeSet::is_empty));
    });
}

#[test]
fn other_units_and_damaged_frames_are_ignored() {
    in_virtual_time(async {
        let simulator = simulator(&[], &[], 1);
        let mut client = Client::on(&simulator, "field");
        let mut damaged = CLOSE_COIL_0;
        damaged[3] = 1;
        client.send(&damaged).await;
        assert_eq!(client.listen(milliseconds(1000)).await, SILENCE);
        client.send(&with_crc(&[7, 0x05, 0, 0, 0xFF, 0])).await;
        assert_eq!(client.listen(milliseconds(1000)).await, SILENCE);
        client.send(&CLOSE_COIL_0[..5]).await;
        assert_eq!(client.listen(milliseconds(1000)).await, SILENCE);
        assert!(simulator.closed_relays().values().all(BTreeSet::is_empty));
        // After the silence the next frame stands on its own.
        client.send(&CLOSE_COIL_0).await;
        assert_eq!(client.listen(milliseconds(21)).await, CLOSE_COIL_0);
    });
}

#[test]
fn a_request_may_come_one_byte_at_a_time() {
    in_virtual_time(async {
        let simulator = simulator(&[], &[], 1);
        let mut client = Client::on(&simulator, "field");
        for byte in CLOSE_COIL_0 {
            client.send(&[byte]).await;
            tokio::time::advance(milliseconds(1)).await;
        }
        assert_eq!(client.listen(milliseconds(21)).await, CLOSE_COIL_0);
    });
}

#[test]
fn the_watchdog_opens_the_relays_when_requests_stop() {
    in_virtual_time(async {
        let simulator = simulator(&[], &[], 1);
        let mut client = Client::on(&simulator, "field");
        // 20 counts of 100 ms.
        let arm = Request::WriteRegister {
            address: WATCHDOG,
            value: 20,
        };
        let echo = client.ask(BOARD, &arm).await;
        assert_eq!(echo, request_frame(BOARD, &arm));
        let read = Request::ReadHoldingRegisters {
            start: WATCHDOG,
            count: 1,
        };
        let reply = client.ask(BOARD, &read).await;
        assert_eq!(reply, with_crc(&[1, 3, 2, 0, 20]));
        client.set(0, true).await;
        for _ in 0..5 {
            tokio::time::advance(milliseconds(1500)).await;
            let coils = Request::ReadCoils { start: 0, count: 8 };
            assert_eq!(client.ask(BOARD, &coils).await[3], 1, "fed in time");
        }
        // Requests to a neighbour do not feed it; two seconds without one of its own do it.
        tokio::time::advance(milliseconds(1900)).await;
        client.inputs().await;
        assert!(!simulator.closed_relays()[&device("board")].is_empty());
        tokio::time::advance(milliseconds(150)).await;
        assert!(simulator.closed_relays()[&device("board")].is_empty());
        assert!(!client.settled_inputs().await[0]);
    });
}

#[test]
fn links_answer_apart_and_may_be_opened_again() {
    in_virtual_time(async {
        let simulator = simulator(&[], &[], 1);
        let mut spare = Client::on(&simulator, "spare");
        spare.set(0, true).await;
        let closed = simulator.closed_relays();
        assert_eq!(closed[&device("spare")], BTreeSet::from([CoilAddress(0)]));
        assert!(closed[&device("board")].is_empty());
        drop(spare);
        let mut again = Client::on(&simulator, "spare");
        let coils = Request::ReadCoils { start: 0, count: 2 };
        assert_eq!(again.ask(UnitAddress(1), &coils).await[3], 1);
    });
}

/// One session's bytes with the moments at which they came.
fn session(seed: u64) -> Vec<(u128, Vec<u8>)> {
    in_virtual_time(async {
        let faults = ["garbage:board%0.3", "late:inputs=90%0.3"];
        let simulator = simulator(&["swap:Y1,G"], &faults, seed);
        let mut client = Client::on(&simulator, "field");
        let started = coilcall::port::monotonic_now();
        let mut heard = Vec::new();
        for round in 0..20_u16 {
            let close = Request::WriteCoil {
                address: round % 5,
                on: round % 2 == 0,
            };
            let read = Request::ReadDiscreteInputs {
                start: 0,
                count: 16,
            };
            for frame in [request_frame(BOARD, &close), request_frame(INPUTS, &read)] {
                client.send(&frame).await;
                let bytes = client.listen(milliseconds(23)).await;
                heard.push((started.elapsed().as_millis(), bytes));
            }
        }
        heard
    })
}

#[test]
fn the_same_seed_gives_the_same_bytes_at_the_same_moments() {
    assert_eq!(session(11), session(11));
    assert_ne!(session(11), session(12));
}

//! Each link fault as it looks to a client.

use super::bench::{
    BOARD, Client, INPUTS, SILENCE, bench, device, in_virtual_time, link, milliseconds, simulator,
    try_simulator,
};
use coilcall::sim::ConnectError;
use coilcall::units::CoilAddress;
use coilcall::wire::{Request, crc16_modbus, request_frame};
use std::collections::BTreeSet;
use tokio::io::AsyncReadExt;

const CLOSE: Request = Request::WriteCoil {
    address: 2,
    on: true,
};
const READ: Request = Request::ReadCoils { start: 0, count: 8 };

fn has_good_crc(frame: &[u8]) -> bool {
    let (body, crc) = frame.split_at(frame.len() - 2);
    crc16_modbus(body).to_le_bytes() == crc
}

/// What comes back within a second of a request.
fn heard(fault: &str, seed: u64, request: &Request) -> Vec<u8> {
    in_virtual_time(async {
        let simulator = simulator(&[], &[fault], seed);
        let mut client = Client::on(&simulator, "field");
        client.send(&request_frame(BOARD, request)).await;
        let heard = client.listen(milliseconds(1000)).await;
        if *request == CLOSE {
            // Every fault strikes the reply alone: the request was carried out.
            let closed = simulator.closed_relays();
            assert_eq!(closed[&device("board")], BTreeSet::from([CoilAddress(2)]));
        }
        heard
    })
}

#[test]
fn a_late_reply_comes_at_its_time_and_does_not_hold_up_the_next() {
    in_virtual_time(async {
        let simulator = simulator(&[], &["late:board=900"], 1);
        let mut client = Client::on(&simulator, "field");
        client.send(&request_frame(BOARD, &CLOSE)).await;
        assert_eq!(client.listen(milliseconds(800)).await, SILENCE);
        // Another device on the same link still answers in between.
        client.inputs().await;
        assert_eq!(client.listen(milliseconds(79)).await, SILENCE);
        let late = client.listen(milliseconds(100)).await;
        assert_eq!(late, request_frame(BOARD, &CLOSE));
    });
}

#[test]
fn a_silent_device_carries_out_and_says_nothing() {
    assert_eq!(heard("silent:board", 1, &CLOSE), SILENCE);
}

#[test]
fn garbage_precedes_the_frame_or_damages_it() {
    let sound = request_frame(BOARD, &CLOSE);
    let mut preceded = 0;
    let mut damaged = 0;
    for seed in 0..40 {
        let heard = heard("garbage:board", seed, &CLOSE);
        assert_ne!(heard, sound, "seed {seed}");
        if heard.len() > sound.len() {
            assert!(heard.ends_with(&sound), "seed {seed}");
            preceded += 1;
        } else {
            let differing = heard.iter().zip(&sound).filter(|(a, b)| a != b).count();
            assert_eq!((heard.len(), differing), (sound.len(), 1), "seed {seed}");
            damaged += 1;
        }
    }
    assert!(preceded > 5 && damaged > 5, "{preceded} and {damaged}");
}

#[test]
fn an_echo_is_the_request_itself() {
    assert_eq!(heard("echo:board", 1, &READ), request_frame(BOARD, &READ));
}

#[test]
fn a_wrong_address_is_another_coil_or_another_unit() {
    let other_coil = Request::WriteCoil {
        address: 3,
        on: true,
    };
    let heard_write = heard("wrong-address:board", 1, &CLOSE);
    assert_eq!(heard_write, request_frame(BOARD, &other_coil));
    let heard_read = heard("wrong-address:board", 1, &READ);
    assert_ne!(heard_read[0], BOARD.0);
    assert_eq!(heard_read[1..4], [0x01, 0x01, 0x00]);
    assert!(has_good_crc(&heard_read));
}

#[test]
fn a_truncated_reply_is_half_of_it() {
    let sound = request_frame(BOARD, &CLOSE);
    assert_eq!(heard("truncated:board", 1, &CLOSE), sound[..4]);
}

#[test]
fn a_fault_strikes_its_own_device_alone() {
    in_virtual_time(async {
        let simulator = simulator(&[], &["silent:inputs"], 1);
        let mut client = Client::on(&simulator, "field");
        client.set(0, true).await;
        client.send(&request_frame(INPUTS, &READ)).await;
        assert_eq!(client.listen(milliseconds(1000)).await, SILENCE);
    });
}

#[test]
fn a_probability_strikes_that_share_of_replies() {
    in_virtual_time(async {
        let simulator = simulator(&[], &["silent:board%0.25"], 5);
        let mut client = Client::on(&simulator, "field");
        let mut lost = 0;
        for _ in 0..1000 {
            client.send(&request_frame(BOARD, &READ)).await;
            lost += u32::from(client.listen(milliseconds(21)).await.is_empty());
        }
        // 250 expected, standard deviation 14.
        assert!((190..310).contains(&lost), "{lost} of 1000 at 0.25");
    });
}

#[test]
fn an_unplugged_link_closes_at_its_moment_and_does_not_open_again() {
    in_virtual_time(async {
        let simulator = simulator(&[], &["unplug:board@3.2"], 1);
        let mut client = Client::on(&simulator, "field");
        client.set(2, true).await;
        let started = coilcall::port::monotonic_now();
        let mut buffer = [0; 8];
        let ended = client.stream.read(&mut buffer).await;
        assert_eq!(ended.expect("an orderly end"), 0);
        let after = started.elapsed().as_millis();
        assert!((3179..=3201).contains(&after), "closed after {after} ms");
        let refused = simulator.connect(&link("field")).expect_err("unplugged");
        assert_eq!(refused, ConnectError::Unplugged(link("field")));
        // Its relays stay as they were: nobody told them otherwise.
        assert!(!simulator.closed_relays()[&device("board")].is_empty());
        Client::on(&simulator, "spare").set(0, true).await;
    });
}

#[test]
fn a_device_that_is_not_there_is_refused_with_the_nearest() {
    in_virtual_time(async {
        let error = try_simulator(&bench(), &[], &["silent:bord"], 1).err();
        let message = error.expect("no such device").to_string();
        assert!(message.contains("did you mean board?"), "{message}");
        assert!(message.contains("board, inputs, spare"), "{message}");
    });
}

//! Wiring faults as they show on the inputs, and what an input on alternating current does.
//!
//! Expected patterns are written by hand (common practice, no source).

use super::bench::{
    Client, LINES, R_AT_CONTROLLER, R_AT_EQUIPMENT, bench, device, in_virtual_time, link,
    simulator, try_simulator,
};
use coilcall::domain::bench_map::RelayAt;
use coilcall::sim::ConnectError;
use coilcall::units::{CoilAddress, Terminal};

/// Lines that read live while these relays are closed, as the strip is read, with R where it is
/// live at the controller.
fn seen(faults: &[&str], driven: &[&str], seed: u64) -> String {
    in_virtual_time(async {
        let simulator = simulator(faults, &[], seed);
        let mut client = Client::on(&simulator, "field");
        for (coil, line) in (0..).zip(LINES) {
            if driven.contains(&line) {
                client.set(coil, true).await;
            }
        }
        let inputs = client.settled_inputs().await;
        let mut names: Vec<&str> = Vec::new();
        for (name, read) in LINES.iter().zip(&inputs) {
            names.extend(read.then_some(*name));
        }
        names.extend(inputs[R_AT_CONTROLLER].then_some("R"));
        names.join(" ")
    })
}

#[test]
fn each_wiring_fault_shows_through_the_wire() {
    let cooling = ["Y1", "G", "O"];
    let emergency = ["G", "W2"];
    let cases: [(&str, &[&str], &str); 17] = [
        ("open:Y1", &cooling, "G O R"),
        ("short:Y1,W2", &cooling, "Y1 G O W2 R"),
        ("short:Y1,C", &cooling, ""),
        ("short:R,C", &[], ""),
        ("swap:Y1,G", &["G"], "Y1 R"),
        ("shift:Y1,G,O", &["G"], "O R"),
        ("mislanded:W2,E", &emergency, "G E R"),
        ("stuck-open:G", &cooling, "Y1 O R"),
        ("stuck-closed:W2", &[], "W2 R"),
        ("dead-input:Y1", &cooling, "G O R"),
        ("jumper:W2,E", &emergency, "G W2 E R"),
        ("tied:O,B", &["Y1", "G"], "Y1 G O R"),
        ("fan-tied", &["G"], "R"),
        ("inverted-changeover", &cooling, "Y1 G R"),
        ("jumper-missing", &emergency, "G R"),
        ("fuse-open", &cooling, ""),
        ("open:C", &cooling, "Y1 G O"),
    ];
    assert_eq!(seen(&[], &cooling, 1), "Y1 G O R");
    for (fault, driven, expected) in cases {
        for seed in 1..4 {
            let found = seen(&[fault], driven, seed);
            assert_eq!(found, expected, "{fault} while {driven:?}, seed {seed}");
        }
    }
}

#[test]
fn a_master_relay_feeds_all_others() {
    in_virtual_time(async {
        let mut bench = bench();
        bench.master = Some(RelayAt {
            device: device("board"),
            coil: CoilAddress(7),
        });
        let simulator = try_simulator(&bench, &["stuck-closed:G"], &[], 1).expect("a sound bench");
        let mut client = Client::on(&simulator, "field");
        client.set(0, true).await;
        let inputs = client.settled_inputs().await;
        assert_eq!(inputs[..2], [false, false]);
        assert!(inputs[R_AT_CONTROLLER]);
        client.set(7, true).await;
        assert_eq!(client.settled_inputs().await[..2], [true, true]);
    });
}

#[test]
fn two_faults_act_together() {
    let both = ["swap:Y1,G", "dead-input:G"];
    assert_eq!(seen(&both, &["Y1"], 1), "R");
    assert_eq!(seen(&both, &["G"], 1), "Y1 R");
}

#[test]
fn the_ground_truth_is_the_line_and_not_the_input() {
    in_virtual_time(async {
        let simulator = simulator(&["dead-input:Y1", "swap:G,O"], &[], 1);
        let truth = simulator.ground_truth(&["Y1", "G"].map(Terminal::known));
        let live: Vec<&str> = truth
            .iter()
            .filter(|(_, live)| **live)
            .map(|(line, _)| line.as_str())
            .collect();
        assert_eq!(live, ["Y1", "O"]);
        assert_eq!(truth.len(), LINES.len());
    });
}

#[test]
fn an_unfiltered_live_input_misses_some_instants_and_a_dead_one_reads_none() {
    let shares: Vec<Vec<u32>> = (0..6)
        .map(|seed| {
            in_virtual_time(async {
                let simulator = simulator(&[], &[], seed);
                let mut client = Client::on(&simulator, "field");
                for coil in 0..4 {
                    client.set(coil, true).await;
                }
                client.settled_inputs().await;
                let mut ones = vec![0; 16];
                for _ in 0..1000 {
                    for (ones, read) in ones.iter_mut().zip(client.inputs().await) {
                        *ones += u32::from(read);
                    }
                }
                ones
            })
        })
        .collect();
    let live = [0, 1, 2, 3, R_AT_EQUIPMENT, R_AT_CONTROLLER];
    let (mut steady, mut following) = (0, 0);
    for ones in &shares {
        for (index, ones) in ones.iter().enumerate() {
            match ones {
                0 => assert!(!live.contains(&index), "input {index} never read 1"),
                1000 => steady += 1,
                // 60 to 70 % of the half cycle, at instants that replies of 2 to 20 ms spread.
                share => {
                    assert!((560..740).contains(share), "input {index}: {share} of 1000");
                    assert!(live.contains(&index), "input {index} is dead");
                    following += 1;
                }
            }
        }
    }
    assert_eq!(steady + following, live.len() * shares.len());
    assert!(steady > 5 && following > 5, "{steady} and {following}");
}

#[test]
fn what_cannot_be_simulated_is_refused_in_plain_words() {
    in_virtual_time(async {
        let refused = |faults: &[&str], part: &str| {
            let error = try_simulator(&bench(), faults, &[], 1).err();
            let message = error.expect("a refusal").to_string();
            assert!(message.contains(part), "{message}");
        };
        refused(&["open:Y2"], "there is no line Y2 here; lines: Y1 G O W2 E");
        refused(
            &["dead-input:C"],
            "no input of this bench senses C; sensed: R Y1 G O W2 E",
        );
        let unknown = simulator(&[], &[], 1).connect(&link("fiel")).err();
        assert_eq!(unknown, Some(ConnectError::UnknownLink(link("fiel"))));
    });
}

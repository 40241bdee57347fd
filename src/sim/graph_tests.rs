//! The signatures that wiring faults leave on a one-stage heat pump with O, call by call.
//!
//! Expected patterns are written by hand from trade practice (common practice, no source), never
//! taken from the graph.

use super::*;
use crate::sim::contact_fault::ContactFaults;
use crate::sim::wiring::tests::heat_pump;
use std::collections::BTreeSet;

/// What the bench drives in each call: fan, cooling, heating, auxiliary, emergency.
const CALLS: [&[&str]; 5] = [
    &["G"],
    &["Y1", "G", "O"],
    &["Y1", "G"],
    &["Y1", "G", "W2"],
    &["G", "W2"],
];

fn terminals(names: &[&str]) -> BTreeSet<Terminal> {
    names
        .iter()
        .map(|name| Terminal::new(name).expect("a terminal"))
        .collect()
}

fn parsed(faults: &[&str]) -> Vec<Fault> {
    let parse = |fault: &&str| fault.parse().expect("a fault");
    faults.iter().map(parse).collect()
}

fn observe(wiring: &Wiring, faults: &[&str], driven: &[&str]) -> Observations {
    let faults = parsed(faults);
    let graph = Graph::new(wiring, &faults).expect("faults that the graph knows");
    let contacts = ContactFaults::of(wiring, &faults).expect("relays that exist");
    graph.observe(&Contacts {
        lines: contacts.closed(&terminals(driven)),
        fed: true,
    })
}

/// The lines live at the equipment, as a strip is read.
fn live_lines(wiring: &Wiring, faults: &[&str], driven: &[&str]) -> String {
    let seen = observe(wiring, faults, driven);
    let live = |line: &&Terminal| {
        seen.is_live(&Point {
            terminal: (*line).clone(),
            end: End::Equipment,
        })
    };
    let names: Vec<&str> = wiring
        .lines
        .iter()
        .filter(live)
        .map(Terminal::as_str)
        .collect();
    names.join(" ")
}

fn is_live(wiring: &Wiring, faults: &[&str], driven: &[&str], terminal: &str, end: End) -> bool {
    let terminal = Terminal::new(terminal).expect("a terminal");
    observe(wiring, faults, driven).is_live(&Point { terminal, end })
}

/// Compares the five calls' patterns: fan, cooling, heating, auxiliary, emergency.
fn check(faults: &[&str], expected: [&str; 5]) {
    let wiring = heat_pump();
    let seen = CALLS.map(|driven| live_lines(&wiring, faults, driven));
    assert_eq!(seen, expected, "{faults:?}");
}

const SOUND: [&str; 5] = ["G", "Y1 G O", "Y1 G", "Y1 G W2", "G W2"];
const DEAD: [&str; 5] = [""; 5];

#[test]
fn sound_wiring_answers_each_call_with_what_is_driven() {
    check(&[], SOUND);
    let wiring = heat_pump();
    assert_eq!(live_lines(&wiring, &[], &[]), "");
    for line in ["Y1", "G", "O", "W2", "E"] {
        assert_eq!(live_lines(&wiring, &[], &[line]), line);
    }
    for end in [End::Controller, End::Equipment] {
        assert!(is_live(&wiring, &[], &[], "R", end));
    }
}

#[test]
fn y_and_g_swapped_show_in_fan_and_emergency_only() {
    let pattern = ["Y1", "Y1 G O", "Y1 G", "Y1 G W2", "Y1 W2"];
    check(&["swap:Y1,G"], pattern);
    check(&["swap:Y1,G@controller"], pattern);
    check(&["shift:Y1,G"], pattern);
}

#[test]
fn o_and_b_on_one_valve_line_leave_heating_cooling() {
    check(
        &["tied:O,B"],
        ["G", "Y1 G O", "Y1 G O", "Y1 G O W2", "G W2"],
    );
}

#[test]
fn an_inverted_changeover_mirrors_both_halves_and_nothing_else() {
    check(
        &["inverted-changeover"],
        ["G", "Y1 G", "Y1 G O", "Y1 G O W2", "G W2"],
    );
    check(&["inverted-changeover@equipment"], SOUND);
}

#[test]
fn c_open_at_the_controller_shows_only_there() {
    check(&["open:C"], SOUND);
    let wiring = heat_pump();
    assert!(!is_live(&wiring, &["open:C"], &[], "R", End::Controller));
    assert!(is_live(&wiring, &["open:C"], &[], "R", End::Equipment));
}

#[test]
fn r_shorted_to_c_and_a_blown_fuse_kill_everything() {
    for fault in ["short:R,C", "jumper:R,C", "fuse-open"] {
        check(&[fault], DEAD);
        for end in [End::Controller, End::Equipment] {
            assert!(!is_live(&heat_pump(), &[fault], &[], "R", end), "{fault}");
        }
    }
}

#[test]
fn a_call_wire_shorted_to_c_kills_everything_from_that_call_on() {
    // Supply fine until that call; it recovers once the line is released.
    let wiring = heat_pump();
    check(&["short:Y1,C"], ["G", "", "", "", "G W2"]);
    let supply = |driven| is_live(&wiring, &["short:Y1,C"], driven, "R", End::Controller);
    assert!(supply(&[]));
    assert!(!supply(&["Y1"]));
    assert_eq!(live_lines(&wiring, &["short:Y1,C@equipment"], &["Y1"]), "");
}

#[test]
fn two_conductors_touching_rise_together() {
    check(
        &["short:Y1,W2"],
        ["G", "Y1 G O W2", "Y1 G W2", "Y1 G W2", "Y1 G W2"],
    );
    check(
        &["jumper:Y1,W2"],
        ["G", "Y1 G O W2", "Y1 G W2", "Y1 G W2", "Y1 G W2"],
    );
    check(&["short:Y1,W2=200"], SOUND);
}

#[test]
fn a_missing_jumper_leaves_one_side_dead() {
    // R feeds Rc; Rh feeds W2 and E.
    check(&["jumper-missing"], ["G", "Y1 G O", "Y1 G", "Y1 G", "G"]);
    let wiring = heat_pump();
    assert_eq!(live_lines(&wiring, &["jumper-missing"], &["E"]), "");
}

#[test]
fn w_landed_on_o_makes_heat_calls_show_o() {
    // Auxiliary and emergency: O present, W2 absent.
    check(
        &["mislanded:W2,O"],
        ["G", "Y1 G O", "Y1 G", "Y1 G O", "G O"],
    );
    // With O's own conductor away, cooling lacks it too.
    check(
        &["mislanded:W2,O", "open:O"],
        ["G", "Y1 G", "Y1 G", "Y1 G O", "G O"],
    );
}

#[test]
fn auxiliary_landed_on_e_moves_the_answer() {
    check(
        &["mislanded:W2,E"],
        ["G", "Y1 G O", "Y1 G", "Y1 G E", "G E"],
    );
}

#[test]
fn an_open_conductor_is_absent_from_every_call() {
    check(&["open:G"], ["", "Y1 O", "Y1", "Y1 W2", "W2"]);
    check(&["open:Y1"], ["G", "G O", "G", "G W2", "G W2"]);
    check(&["open:Y1@controller"], ["G", "G O", "G", "G W2", "G W2"]);
    // Present at the controller, absent at the coil.
    let wiring = heat_pump();
    assert!(is_live(
        &wiring,
        &["open:Y1"],
        &["Y1"],
        "Y1",
        End::Controller
    ));
}

#[test]
fn an_open_r_kills_all_calls_while_the_transformer_lives() {
    check(&["open:R"], DEAD);
    let wiring = heat_pump();
    assert!(is_live(&wiring, &["open:R"], &[], "R", End::Equipment));
    assert!(!is_live(&wiring, &["open:R"], &[], "R", End::Controller));
}

#[test]
fn r_and_c_exchanged_at_the_equipment_leave_lines_dead_but_the_controller_fed() {
    check(&["swap:R,C"], DEAD);
    assert!(is_live(
        &heat_pump(),
        &["swap:R,C"],
        &[],
        "R",
        End::Controller
    ));
}

#[test]
fn r_and_y_exchanged_work_only_while_y_is_called() {
    check(&["swap:R,Y1"], ["", "Y1 G O", "Y1 G", "Y1 G W2", ""]);
}

#[test]
fn a_fan_tied_to_y_is_dead_in_fan_and_alive_in_cooling() {
    check(&["fan-tied"], ["", "Y1 G O", "Y1 G", "Y1 G W2", "W2"]);
}

#[test]
fn a_relay_stuck_open_or_closed_shows_in_every_call() {
    check(&["stuck-open:Y1"], ["G", "G O", "G", "G W2", "G W2"]);
    check(
        &["stuck-closed:Y1"],
        ["Y1 G", "Y1 G O", "Y1 G", "Y1 G W2", "Y1 G W2"],
    );
    assert_eq!(live_lines(&heat_pump(), &["stuck-closed:Y1"], &[]), "Y1");
}

#[test]
fn a_shift_lands_each_conductor_one_along() {
    // Y1 on G, G on O, O on Y1.
    check(&["shift:Y1,G,O"], ["O", "Y1 G O", "G O", "G O W2", "O W2"]);
}

#[test]
fn faults_combine_whatever_their_order() {
    let pattern = ["", "Y1 O", "Y1", "Y1 W2", "W2"];
    check(&["open:G", "short:R,C=200"], pattern);
    // Conductor G, landed on Y1, is broken there.
    let pattern = ["", "G O", "G", "G W2", "W2"];
    check(&["swap:Y1,G", "open:G"], pattern);
    check(&["open:G", "swap:Y1,G"], pattern);
}

#[test]
fn lines_tied_at_the_equipment_follow_each_other() {
    let mut wiring = heat_pump();
    wiring.tied = vec![terminals(&["W2", "E"])];
    assert_eq!(live_lines(&wiring, &[], &["W2"]), "W2 E");
    assert_eq!(live_lines(&wiring, &["mislanded:W2,E"], &["W2"]), "W2 E");
}

#[test]
fn fed_from_the_bench_r_and_c_of_the_cable_prove_nothing() {
    let mut wiring = heat_pump();
    wiring.source = SupplySource::Bench;
    for fault in ["open:R", "open:C"] {
        assert_eq!(
            live_lines(&wiring, &[fault], &["Y1", "G"]),
            "Y1 G",
            "{fault}"
        );
        assert!(is_live(&wiring, &[fault], &[], "R", End::Controller));
    }
    assert_eq!(live_lines(&wiring, &["short:R,C"], &["Y1", "G"]), "");
}

#[test]
fn two_supplies_die_each_on_its_own() {
    let mut wiring = heat_pump();
    wiring.arrangement = Arrangement::Dual;
    let lines = |faults, driven| live_lines(&wiring, faults, driven);
    assert_eq!(lines(&[], &["Y1", "G", "W2"]), "Y1 G W2");
    assert_eq!(lines(&["open:Rh"], &["Y1", "G", "W2"]), "Y1 G");
    assert_eq!(lines(&["short:W2,C"], &["Y1", "G", "W2"]), "Y1 G");
    assert_eq!(lines(&["short:Rc,C"], &["Y1", "G", "W2"]), "W2");
}

#[test]
fn an_open_master_relay_leaves_every_line_dead() {
    let wiring = heat_pump();
    let graph = Graph::new(&wiring, &[]).expect("no fault");
    let seen = graph.observe(&Contacts {
        lines: terminals(&["Y1"]),
        fed: false,
    });
    let y1 = Point {
        terminal: Terminal::known("Y1"),
        end: End::Equipment,
    };
    assert!(!seen.is_live(&y1));
}

#[test]
fn what_the_graph_cannot_set_is_refused_with_what_it_can() {
    let refused = |fault: &str, part: &str| {
        let wiring = heat_pump();
        let error = Graph::new(&wiring, &parsed(&[fault])).expect_err(fault);
        assert!(error.to_string().contains(part), "{error}");
    };
    refused("resistance:Y1=100", "it knows: open, short, swap");
    refused("open:Rc", "conductors: R C Y1 G O W2 E");
    refused("short:Y1,Rh", "write @controller");
    refused("mislanded:W2,Y2", "no terminal Y2");
    let wiring = heat_pump();
    let error = ContactFaults::of(&wiring, &parsed(&["stuck-open:B"])).expect_err("no relay");
    assert!(
        error.to_string().contains("driven lines: Y1 G O W2 E"),
        "{error}"
    );
}

//! What holds in every table, over random profiles.
//!
//! Each property is written from the rules (general trade practice; common practice, no source) and
//! asks the profile nothing that the table's own code answers.

use super::{Row, TruthTable};
use crate::domain::profile::{
    Accessory, Active, Arrangement, Auxiliary, Changeover, ChangeoverAtRest, Direction, FanInHeat,
    Heat, Interface, Kind,
};
use crate::domain::{Call, Expected, Profile, ProfileDraft};
use crate::units::Terminal;
use proptest::option;
use proptest::prelude::*;
use proptest::sample::{select, subsequence};
use std::collections::BTreeSet;

const HEAT_CALLS: [Call; 5] = [
    Call::Heating(1),
    Call::Heating(2),
    Call::AuxiliaryHeat(1),
    Call::AuxiliaryHeat(2),
    Call::EmergencyHeat,
];

const TIED: &[&str] = &["Y1", "Y2", "G", "O", "W1", "W2", "W3", "E", "HUM", "L"];

fn terminals(names: &'static [&'static str]) -> impl Strategy<Value = Vec<Terminal>> {
    subsequence(names, 0..=names.len())
        .prop_map(|names| names.into_iter().map(Terminal::known).collect())
}

fn accessory(terminal: &'static str) -> impl Strategy<Value = Accessory> {
    (
        select(Direction::ALL),
        select(Active::ALL),
        prop::collection::vec(0..3_u8, Call::TABLE.len()),
    )
        .prop_map(move |(direction, active, acts)| {
            let calls_with = |wanted: u8| {
                let calls = Call::TABLE.into_iter().zip(&acts);
                calls
                    .filter(|(_, act)| **act == wanted)
                    .map(|(call, _)| call)
                    .collect()
            };
            Accessory {
                terminal: Terminal::known(terminal),
                direction,
                active,
                on_in: calls_with(1),
                either_in: calls_with(2),
            }
        })
}

/// Any draft whose values are of the right type: most break a rule.
fn any_draft() -> impl Strategy<Value = ProfileDraft> {
    let machine = (
        select(Kind::ALL),
        option::weighted(0.4, select(Interface::ALL)),
        0..=2_u8,
        0..=2_u8,
        option::weighted(0.8, select(Changeover::ALL)),
        option::weighted(0.3, select(ChangeoverAtRest::ALL)),
    );
    let heat = (
        option::weighted(0.3, select(Heat::ALL)),
        option::weighted(0.9, select(FanInHeat::ALL)),
        option::weighted(0.3, any::<bool>()),
        option::weighted(0.5, select(Auxiliary::ALL)),
    );
    let lists = (
        option::weighted(0.2, terminals(&["W1", "W2", "E"])),
        option::weighted(0.3, terminals(&["W1", "W2", "E"])),
        option::weighted(0.3, terminals(&["Y2", "O", "B", "W2", "W3", "E"])),
        option::weighted(
            0.5,
            prop::collection::vec(
                subsequence(TIED, 2..=3)
                    .prop_map(|names| names.into_iter().map(Terminal::known).collect()),
                0..4,
            ),
        ),
        option::weighted(0.2, select(&["B", "C", "X"][..])),
        option::weighted(0.2, select(Arrangement::ALL)),
    );
    let accessories = (
        option::weighted(0.4, accessory("HUM")),
        option::weighted(0.3, accessory("L")),
    );
    (machine, heat, lists, accessories).prop_map(|(machine, heat, lists, accessories)| {
        ProfileDraft {
            name: Some("Random".to_owned()),
            kind: Some(machine.0),
            interface: machine.1,
            compressor_stages: Some(machine.2),
            heat_stages: Some(machine.3),
            changeover: machine.4,
            changeover_at_rest: machine.5,
            heat: heat.0,
            fan_in_heat: heat.1,
            fan_line: heat.2,
            auxiliary: heat.3,
            auxiliary_lines: lists.0,
            emergency: lists.1,
            present: lists.2,
            tied: lists.3,
            common_on: lists.4.map(Terminal::known),
            arrangement: lists.5,
            minimum_off_s: None,
            heat_fan_delay_s: None,
            fan_off_delay_s: None,
            cool_down_s: None,
            accessories: [accessories.0, accessories.1]
                .into_iter()
                .flatten()
                .collect(),
        }
    })
}

/// Drops the keys that a draft was refused for, one round after another: what is left is a profile
/// with every rule still in play.
fn repaired(mut draft: ProfileDraft) -> Option<Profile> {
    for _ in 0..8 {
        let problems = match Profile::new(draft.clone()) {
            Ok(profile) => return Some(profile),
            Err(problems) => problems,
        };
        let mut good_ties = draft.tied.clone().unwrap_or_default();
        for (place, group) in good_ties.iter_mut().enumerate() {
            let key = format!("equipment.tied[{place}]");
            if problems.iter().any(|problem| problem.key.starts_with(&key)) {
                group.clear();
            }
        }
        good_ties.retain(|group| !group.is_empty());
        draft.tied = Some(good_ties);
        for problem in problems {
            let key = problem.key.split('[').next().unwrap_or_default();
            match key {
                "equipment.interface" => draft.interface = None,
                "equipment.changeover" => {
                    draft.changeover = match draft.changeover {
                        Some(_) => None,
                        None => Some(Changeover::B),
                    };
                }
                "equipment.changeover_at_rest" => draft.changeover_at_rest = None,
                "equipment.compressor_stages" => draft.compressor_stages = Some(1),
                "equipment.heat_stages" => draft.heat_stages = Some(1),
                "equipment.fan_in_heat" => draft.fan_in_heat = Some(FanInHeat::Either),
                "equipment.auxiliary" => {
                    draft.auxiliary = draft.auxiliary.is_none().then_some(Auxiliary::Replaces);
                }
                "equipment.auxiliary_lines" => draft.auxiliary_lines = None,
                "equipment.emergency" => draft.emergency = None,
                "equipment.present" => draft.present = None,
                "equipment.tied" => {}
                "equipment.common_on" => draft.common_on = None,
                _ => return None,
            }
        }
    }
    None
}

fn any_profile() -> impl Strategy<Value = Profile> {
    any_draft().prop_filter_map("beyond repair", repaired)
}

fn state(row: &Row, name: &'static str) -> Option<Expected> {
    row.cells
        .get(&Terminal::known(name))
        .map(|cell| cell.expected)
}

fn is_on(row: &Row, name: &'static str) -> bool {
    state(row, name) == Some(Expected::On)
}

fn is_dead_or_absent(row: &Row, name: &'static str) -> bool {
    state(row, name).is_none_or(|state| state == Expected::Off)
}

fn applicable(table: &TruthTable) -> impl Iterator<Item = &Row> {
    table.rows().iter().filter(|row| row.applicable)
}

/// Whether another line's demand may raise this one.
fn is_tied(profile: &Profile, name: &'static str) -> bool {
    let line = Terminal::known(name);
    profile.tied().iter().any(|group| group.contains(&line))
}

proptest! {
    #[test]
    fn a_row_is_whole_or_empty_with_its_reason(profile in any_profile()) {
        let table = TruthTable::of(&profile);
        let calls: Vec<&Call> = table.rows().iter().map(|row| &row.call).collect();
        prop_assert_eq!(calls, Call::TABLE.iter().collect::<Vec<_>>());
        for row in table.rows() {
            let lines: Vec<&Terminal> = row.cells.keys().collect();
            if row.applicable {
                prop_assert_eq!(lines, table.lines().iter().collect::<Vec<_>>());
                prop_assert!(row.why_not.is_empty());
                prop_assert!(row.cells.values().all(|cell| !cell.reason.is_empty()));
            } else {
                prop_assert!(lines.is_empty() && row.demanded.is_empty());
                prop_assert!(!row.why_not.is_empty());
            }
        }
        prop_assert!(table.lines().iter().all(|line| !line.is_supply()));
        prop_assert!(!table.lines().contains(profile.common_on()));
    }

    #[test]
    fn the_valve_follows_its_convention(profile in any_profile()) {
        let table = TruthTable::of(&profile);
        for row in applicable(&table) {
            prop_assert!(!(is_on(row, "O") && is_on(row, "B")), "{}", row.call);
            let Some(convention) = profile.changeover() else { continue };
            let valve = row.cells[&convention.terminal()].expected;
            let compressor_heats = row.call.is_heat() && is_on(row, "Y1");
            let energised_in_heat = convention == Changeover::B;
            if row.call.is_cooling() || compressor_heats {
                let on = compressor_heats == energised_in_heat;
                let expected = if on { Expected::On } else { Expected::Off };
                prop_assert_eq!(valve, expected, "{}", row.call);
            } else if row.call != Call::Idle {
                prop_assert!(valve >= Expected::Either, "{}", row.call);
            }
        }
    }

    #[test]
    fn the_compressor_runs_only_where_it_is_called(profile in any_profile()) {
        let table = TruthTable::of(&profile);
        for row in applicable(&table) {
            prop_assert!(!is_on(row, "Y2") || is_on(row, "Y1"), "{}", row.call);
            let never = match row.call {
                Call::Idle | Call::FanOnly | Call::EmergencyHeat => true,
                Call::AuxiliaryHeat(_) if profile.auxiliary() == Auxiliary::Replaces => true,
                Call::Cooling(_) => false,
                _ => profile.interface() != Some(Interface::Changeover),
            };
            if never {
                prop_assert!(is_dead_or_absent(row, "Y1"), "{}", row.call);
                prop_assert!(is_dead_or_absent(row, "Y2"), "{}", row.call);
            }
        }
    }

    #[test]
    fn heat_that_replaces_never_runs_with_the_compressor(profile in any_profile()) {
        let replaces = profile.kind() == Kind::FurnaceAndCooling
            || profile.auxiliary() == Auxiliary::Replaces;
        let table = TruthTable::of(&profile);
        for row in applicable(&table) {
            let heat_is_on = profile
                .auxiliary_lines()
                .iter()
                .any(|line| row.cells[line].expected != Expected::Off);
            let y_is_on = is_on(row, "Y1");
            prop_assert!(!(row.call.is_cooling() && heat_is_on), "{}", row.call);
            prop_assert!(!(replaces && y_is_on && heat_is_on), "{}", row.call);
        }
    }

    #[test]
    fn the_fan_runs_with_y_and_by_the_profiles_word_with_other_heat(profile in any_profile()) {
        let table = TruthTable::of(&profile);
        if !profile.fan_line() {
            prop_assert!(!table.row(&Call::FanOnly).is_some_and(|row| row.applicable));
            return Ok(());
        }
        for row in applicable(&table) {
            let y = profile.compressor_stages() > 0 && is_on(row, "Y1");
            let expected = match row.call {
                Call::Idle => Expected::Off,
                _ if y || row.call == Call::FanOnly => Expected::On,
                _ => match profile.fan_in_heat() {
                    Some(FanInHeat::Controller) => Expected::On,
                    Some(FanInHeat::Equipment | FanInHeat::None) => Expected::Off,
                    Some(FanInHeat::Either) | None => Expected::Either,
                },
            };
            let fan = state(row, "G").expect("the profile has a fan line");
            let right = fan == expected || (is_tied(&profile, "G") && fan > expected);
            prop_assert!(right, "{}: {fan}", row.call);
        }
    }

    #[test]
    fn tied_lines_share_the_strongest_demand(profile in any_profile()) {
        let table = TruthTable::of(&profile);
        for row in applicable(&table) {
            for group in profile.tied() {
                let states: BTreeSet<Expected> =
                    group.iter().map(|line| row.cells[line].expected).collect();
                prop_assert_eq!(states.len(), 1, "{}", row.call);
                let demanded = group.iter().any(|line| row.demanded.contains(line));
                prop_assert!(!demanded || states.contains(&Expected::On), "{}", row.call);
            }
        }
    }

    #[test]
    fn accessories_act_in_their_calls_and_rest_elsewhere(profile in any_profile()) {
        let table = TruthTable::of(&profile);
        for row in applicable(&table) {
            for accessory in profile.accessories() {
                if profile.tied().iter().any(|group| group.contains(&accessory.terminal)) {
                    continue;
                }
                let acts = accessory.on_in.contains(&row.call);
                let expected = if accessory.either_in.contains(&row.call) {
                    Expected::Either
                } else if acts == (accessory.active == Active::On) {
                    Expected::On
                } else {
                    Expected::Off
                };
                prop_assert_eq!(row.cells[&accessory.terminal].expected, expected);
            }
        }
    }

    #[test]
    fn a_bench_drives_lines_that_are_on_and_never_inputs(profile in any_profile()) {
        let table = TruthTable::of(&profile);
        for row in applicable(&table) {
            for line in &row.demanded {
                prop_assert_eq!(row.cells[line].expected, Expected::On);
                prop_assert!(!profile.is_input(line) && !profile.present().contains(line));
            }
            for (line, cell) in &row.cells {
                let followed = profile.tied().iter().any(|group| group.contains(line));
                let driven = row.demanded.contains(line) || profile.is_input(line) || followed;
                prop_assert!(cell.expected != Expected::On || driven, "{} {line}", row.call);
            }
        }
    }

    #[test]
    fn nothing_but_the_valve_and_reversed_accessories_is_live_at_rest(profile in any_profile()) {
        let table = TruthTable::of(&profile);
        let row = table.row(&Call::Idle).expect("idle is a call of the table");
        for (line, cell) in &row.cells {
            let accessory = profile.accessories().iter().any(|a| a.terminal == *line);
            let valve = profile.changeover().is_some_and(|c| c.terminal() == *line);
            let tied = profile.tied().iter().any(|group| group.contains(line));
            prop_assert!(cell.expected == Expected::Off || accessory || valve || tied, "{line}");
        }
    }

    #[test]
    fn a_line_alone_brings_only_what_is_joined_to_it(profile in any_profile()) {
        let table = TruthTable::of(&profile);
        for line in table.lines() {
            let row = table.alone_row(line);
            prop_assert_eq!(&row.call, &Call::Alone(line.clone()));
            prop_assert_eq!(row.applicable, !profile.is_input(line));
            for (other, cell) in &row.cells {
                let joined = profile
                    .tied()
                    .iter()
                    .any(|group| group.contains(line) && group.contains(other));
                let on = other == line || joined;
                prop_assert_eq!(cell.expected == Expected::On, on, "{} with {}", other, line);
                prop_assert!(cell.expected != Expected::Either);
            }
        }
        prop_assert!(!table.alone_row(&Terminal::known("R")).applicable);
    }

    #[test]
    fn stages_and_heat_decide_which_calls_apply(profile in any_profile()) {
        let table = TruthTable::of(&profile);
        let applies = |call: &Call| table.row(call).is_some_and(|row| row.applicable);
        for stage in [1, 2] {
            let cooling = stage <= profile.compressor_stages();
            prop_assert_eq!(applies(&Call::Cooling(stage)), cooling);
            let heating = match profile.interface() {
                Some(Interface::Changeover) => cooling,
                Some(Interface::Conventional) => stage == 1,
                None => stage <= profile.heat_stages(),
            };
            prop_assert_eq!(applies(&Call::Heating(stage)), heating);
            let auxiliary = profile.interface().is_some() && stage <= profile.heat_stages();
            prop_assert_eq!(applies(&Call::AuxiliaryHeat(stage)), auxiliary);
        }
        for call in HEAT_CALLS {
            let row = table.row(&call).expect("a call of the table");
            let heats = row.cells.iter().any(|(line, cell)| {
                cell.expected == Expected::On && line.as_str() != "G" && line.as_str() != "HUM"
            });
            prop_assert!(heats || !row.applicable, "{call} applies and nothing heats");
        }
    }

    #[test]
    fn no_draft_upsets_the_rules(draft in any_draft()) {
        if let Err(problems) = Profile::new(draft) {
            prop_assert!(!problems.is_empty());
            for problem in problems {
                prop_assert!(!problem.key.is_empty() && !problem.message.is_empty());
            }
        }
    }
}

#[test]
fn the_strategy_reaches_every_kind_and_feature() {
    use proptest::strategy::ValueTree;
    use proptest::test_runner::TestRunner;
    let mut runner = TestRunner::deterministic();
    let mut seen: BTreeSet<String> = BTreeSet::new();
    for _ in 0..2000 {
        let tree = any_profile()
            .new_tree(&mut runner)
            .expect("profiles enough");
        let profile = tree.current();
        let interface = profile.interface().map_or("none", Interface::word);
        let (kind, stages) = (profile.kind(), profile.heat_stages());
        seen.insert(format!("{kind} {interface} {stages}"));
        if !profile.tied().is_empty() {
            seen.insert(format!("{kind} tied"));
        }
    }
    let kinds = Kind::ALL.len();
    // Three stage counts of each kind, two of the conventional interface, ties of each kind.
    assert_eq!(seen.len(), 3 * kinds + 2 + kinds, "{seen:?}");
}

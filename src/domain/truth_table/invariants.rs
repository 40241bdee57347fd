//! What holds across all calls, in words.
//!
//! Place in the data's path: shown beside the table. The table obeys each of them by its making;
//! the tests check that it does.

use crate::domain::Profile;
use crate::domain::profile::{
    Active, Arrangement, Auxiliary, Direction, Interface, Kind, LineRole,
};
use crate::units::Terminal;

/// The rules that this profile's table obeys.
pub(super) fn of(profile: &Profile) -> Vec<String> {
    let mut rules = Vec::new();
    valve_and_compressor(profile, &mut rules);
    heat(profile, &mut rules);
    wiring(profile, &mut rules);
    accessories(profile, &mut rules);
    rules.push("every line is compared in every call, the dead ones included".to_owned());
    rules
}

fn valve_and_compressor(profile: &Profile, rules: &mut Vec<String>) {
    rules.push("O and B are never energised together".to_owned());
    if let Some(changeover) = profile.changeover() {
        let (on, off) = (changeover.terminal(), changeover.other().terminal());
        rules.push(format!(
            "the reversing valve's line is {on}; {off} is no line of this equipment"
        ));
    }
    if profile.compressor_stages() == 2 {
        rules.push("Y2 never without Y1".to_owned());
    }
    if profile.fan_line() && profile.compressor_stages() > 0 {
        rules.push("Y never without G: the indoor coil needs air".to_owned());
    }
}

fn heat(profile: &Profile, rules: &mut Vec<String>) {
    if profile.heat_stages() > 0 {
        let lines = list(profile.auxiliary_lines());
        match (profile.kind(), profile.auxiliary()) {
            (Kind::FurnaceAndCooling, _) if profile.compressor_stages() > 0 => {
                rules.push(format!("Y and the furnace ({lines}) never together"));
            }
            (Kind::DualFuel, _) => rules.push(format!(
                "the compressor (Y) and the furnace ({lines}) never together, a defrost excepted"
            )),
            (Kind::HeatPump | Kind::HeatPumpAndBoiler, Auxiliary::Replaces) => rules.push(format!(
                "the compressor (Y) and auxiliary heat ({lines}) never together, a defrost excepted"
            )),
            _ => {}
        }
        if profile.kind() != Kind::FurnaceAndCooling && !profile.emergency().is_empty() {
            rules.push("emergency heat never with Y: the compressor is locked out".to_owned());
        }
    }
    if profile.interface() == Some(Interface::Conventional) {
        rules.push("Y only in cooling: W1 calls the heat pump in heating".to_owned());
    }
}

fn wiring(profile: &Profile, rules: &mut Vec<String>) {
    for group in profile.tied() {
        rules.push(format!(
            "{} are joined at the equipment and move together",
            list(group)
        ));
    }
    let unused: Vec<Terminal> = profile
        .lines()
        .into_iter()
        .filter(|(line, role)| {
            *role == LineRole::Unused && !profile.tied().iter().any(|group| group.contains(line))
        })
        .map(|(line, _)| line)
        .collect();
    if !unused.is_empty() {
        rules.push(format!("no call energises {}", list(&unused)));
    }
    if profile.common_on().as_str() != "C" {
        rules.push(format!(
            "{} carries the common on this equipment and is never driven",
            profile.common_on()
        ));
    }
    if profile.arrangement() == Arrangement::Dual {
        rules.push(
            "two supplies: Rc and Rh are never joined, and each line is measured against its own \
             supply's common"
                .to_owned(),
        );
    }
}

fn accessories(profile: &Profile, rules: &mut Vec<String>) {
    for accessory in profile.accessories() {
        let line = &accessory.terminal;
        if accessory.direction == Direction::Input {
            rules.push(format!(
                "{line} comes from the equipment and is never driven"
            ));
        } else if accessory.active == Active::Off {
            rules.push(format!("{line} is energised at rest and dropped to act"));
        }
    }
}

fn list<'a>(lines: impl IntoIterator<Item = &'a Terminal>) -> String {
    let names: Vec<&str> = lines.into_iter().map(Terminal::as_str).collect();
    names.join(" ")
}

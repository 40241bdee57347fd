//! One cell for each line of a call: what the line must be, and why.
//!
//! Place in the data's path: the second half of a row, from the call's demand; ties come after.
//! Reasons are for a person who learns the trade, so they name the machine and not the rule's
//! number.

use super::demand::{Demand, Mode};
use super::table::Cell;
use crate::domain::profile::{
    Accessory, Active, Auxiliary, Changeover, ChangeoverAtRest, Direction, FanInHeat, Interface,
    Kind, LineRole,
};
use crate::domain::{Call, Expected, Profile};
use crate::units::Terminal;

fn cell(expected: Expected, reason: impl Into<String>) -> Cell {
    Cell {
        expected,
        reason: reason.into(),
    }
}

fn on(reason: impl Into<String>) -> Cell {
    cell(Expected::On, reason)
}

fn off(reason: impl Into<String>) -> Cell {
    cell(Expected::Off, reason)
}

fn either(reason: impl Into<String>) -> Cell {
    cell(Expected::Either, reason)
}

/// The line's cell before lines that are joined to it have their say.
pub(super) fn line_cell(
    profile: &Profile,
    call: &Call,
    demand: &Demand,
    (line, role): (&Terminal, LineRole),
) -> Cell {
    match role {
        LineRole::Compressor(stage) => compressor(profile, call, demand, stage),
        LineRole::Fan => fan(profile, demand),
        LineRole::ReversingValve => reversing_valve(profile, demand),
        LineRole::HeatPumpHeat => heat_pump_heat(call, demand),
        LineRole::Heat(stage) => heat(profile, call, demand, (line, stage)),
        LineRole::EmergencyOnly => emergency_only(demand, line),
        LineRole::Accessory(place) => accessory(&profile.accessories()[place], call),
        LineRole::Unused => unused(profile, line),
    }
}

fn unused(profile: &Profile, line: &Terminal) -> Cell {
    let group = profile.tied().iter().find(|group| group.contains(line));
    match group.and_then(|group| group.iter().find(|other| *other != line)) {
        Some(other) => off(format!("joined to {other} at the equipment: dead with it")),
        None => off("wired, but no call uses it: it must stay dead"),
    }
}

fn compressor(profile: &Profile, call: &Call, demand: &Demand, stage: u8) -> Cell {
    let runs = stage <= demand.compressor_stages;
    match demand.mode {
        Mode::Cooling if runs => on(format!("compressor stage {stage} cools")),
        Mode::CompressorHeat if runs && !demand.heat.is_empty() => on(format!(
            "compressor stage {stage} goes on beside auxiliary heat"
        )),
        Mode::CompressorHeat if runs => on(format!("compressor stage {stage} heats")),
        Mode::Defrost if stage == 1 => on("the compressor runs on through a defrost"),
        Mode::Defrost => either("a defrost may run one compressor stage or both"),
        Mode::Cooling | Mode::CompressorHeat => {
            off(format!("compressor stage {stage} is not called"))
        }
        Mode::Rest => off("nothing is called"),
        Mode::Fan => off("the fan runs alone: the compressor must not start"),
        Mode::DefrostWithoutY => off("W1 calls the heat pump: Y is for cooling only"),
        Mode::HeatWithoutY => off(no_compressor_reason(profile, call)),
    }
}

fn no_compressor_reason(profile: &Profile, call: &Call) -> &'static str {
    if *call == Call::EmergencyHeat {
        return "emergency heat locks the compressor out";
    }
    match (profile.kind(), profile.interface()) {
        (Kind::FurnaceAndCooling, _) => "the furnace heats: the compressor only cools",
        (Kind::DualFuel, _) => {
            "the furnace replaces the compressor: the two must never run together"
        }
        (_, Some(Interface::Conventional)) => {
            "W1 calls the heat pump, which starts its compressor itself: Y is for cooling only"
        }
        _ => "auxiliary heat replaces the compressor here (auxiliary = replaces)",
    }
}

fn fan(profile: &Profile, demand: &Demand) -> Cell {
    match demand.mode {
        Mode::Rest => off("nothing is called"),
        Mode::Fan => on("the fan is called"),
        Mode::Defrost => on("the compressor runs: the indoor coil needs air"),
        mode if mode.has_y() => on("the compressor runs: the indoor coil needs air"),
        _ => match profile.fan_in_heat() {
            Some(FanInHeat::Controller) => {
                on("heat runs without a Y line: the controller runs the fan")
            }
            Some(FanInHeat::Equipment) => {
                off("heat runs without a Y line: the equipment runs its own fan")
            }
            Some(FanInHeat::None) => off("radiators need no fan"),
            Some(FanInHeat::Either) | None => {
                either("heat runs without a Y line: the controller may run the fan or leave it")
            }
        },
    }
}

fn reversing_valve(profile: &Profile, demand: &Demand) -> Cell {
    let convention = profile
        .changeover()
        .expect("a reversing valve's line comes from a convention");
    let letter = convention.terminal();
    match (demand.mode, convention) {
        (Mode::Cooling, Changeover::O) => on("O is energised in cooling (convention O)"),
        (Mode::Cooling, Changeover::B) => {
            off("B is energised in heating, so it is dead in cooling (convention B)")
        }
        (Mode::CompressorHeat, Changeover::O) => {
            off("O is energised in cooling, so it is dead in heating (convention O)")
        }
        (Mode::CompressorHeat, Changeover::B) => on("B is energised in heating (convention B)"),
        (Mode::Rest, _) => match profile.changeover_at_rest() {
            ChangeoverAtRest::Off => off(format!(
                "{letter} is dead at rest (changeover_at_rest = off)"
            )),
            ChangeoverAtRest::FollowsMode => either(format!(
                "{letter} holds the last mode's state at rest (changeover_at_rest = follows-mode)"
            )),
            ChangeoverAtRest::Either => either(format!(
                "nothing runs: the reversing valve ({letter}) may be in either position"
            )),
        },
        (Mode::Defrost | Mode::DefrostWithoutY, _) => either(format!(
            "the equipment places its valve for defrost; the wire ({letter}) may read either"
        )),
        (Mode::Fan | Mode::HeatWithoutY, _) => either(format!(
            "the compressor is off: the reversing valve ({letter}) may be in either position"
        )),
    }
}

fn heat_pump_heat(call: &Call, demand: &Demand) -> Cell {
    match demand.mode {
        Mode::HeatWithoutY if *call == Call::EmergencyHeat => {
            off("emergency heat locks the compressor out, and W1 would start it")
        }
        Mode::HeatWithoutY => on("W1 calls the heat pump, which places its valve itself"),
        Mode::DefrostWithoutY => on("the heat call goes on through a defrost"),
        mode => off(no_heat_reason(mode)),
    }
}

fn no_heat_reason(mode: Mode) -> &'static str {
    match mode {
        Mode::Rest => "nothing is called",
        Mode::Fan => "the fan runs alone: no heat",
        Mode::Cooling => "heat must stay off in cooling",
        Mode::CompressorHeat => "the compressor heats alone in this call",
        Mode::HeatWithoutY | Mode::Defrost | Mode::DefrostWithoutY => "not part of this call",
    }
}

fn heat(profile: &Profile, call: &Call, demand: &Demand, (line, stage): (&Terminal, u8)) -> Cell {
    let called = demand.heat.contains(line);
    let source = heat_source(profile);
    match demand.mode {
        Mode::Defrost | Mode::DefrostWithoutY if called => {
            on("the equipment feeds auxiliary heat to warm the air while it defrosts")
        }
        Mode::Defrost | Mode::DefrostWithoutY => {
            either("the equipment may feed further auxiliary heat while it defrosts")
        }
        _ if called && *call == Call::EmergencyHeat => on(format!(
            "emergency heat: {source} stage {stage} without the compressor"
        )),
        _ if called && profile.kind() == Kind::FurnaceAndCooling => {
            on(format!("furnace stage {stage} heats"))
        }
        Mode::HeatWithoutY if called && profile.auxiliary() == Auxiliary::Replaces => on(format!(
            "{source} stage {stage} heats in the compressor's place"
        )),
        _ if called => on(format!("{source} stage {stage} helps the heat pump")),
        Mode::HeatWithoutY if *call == Call::EmergencyHeat => {
            off(format!("emergency heat does not use {line}"))
        }
        Mode::HeatWithoutY if profile.interface() == Some(Interface::Conventional) => {
            off("the heat pump heats alone in this call")
        }
        Mode::HeatWithoutY => off(format!("heat stage {stage} is not called")),
        Mode::CompressorHeat if !demand.heat.is_empty() => {
            off(format!("auxiliary heat stage {stage} is not called"))
        }
        mode => off(no_heat_reason(mode)),
    }
}

fn heat_source(profile: &Profile) -> &'static str {
    match profile.kind() {
        Kind::HeatPump => "auxiliary heat",
        Kind::FurnaceAndCooling | Kind::DualFuel => "furnace",
        Kind::HeatPumpAndBoiler => "boiler",
    }
}

fn emergency_only(demand: &Demand, line: &Terminal) -> Cell {
    match demand.mode {
        Mode::Defrost | Mode::DefrostWithoutY => {
            either(format!("{line} may follow auxiliary heat in a defrost"))
        }
        _ if demand.heat.contains(line) => on("emergency heat: backup heat without the compressor"),
        Mode::Rest => off("nothing is called"),
        _ => off(format!("{line} is for emergency heat alone")),
    }
}

fn accessory(accessory: &Accessory, call: &Call) -> Cell {
    let line = &accessory.terminal;
    if accessory.either_in.contains(call) {
        return either(format!("the profile lets {line} act or rest in {call}"));
    }
    let acts = accessory.on_in.contains(call);
    let what = match (acts, accessory.direction) {
        (true, Direction::Output) => format!("{line} acts in {call}"),
        (false, Direction::Output) => format!("{line} rests in {call}"),
        (true, Direction::Input) => format!("the equipment reports on {line} in {call}"),
        (false, Direction::Input) => format!("the equipment reports nothing on {line} in {call}"),
    };
    match (acts, accessory.active) {
        (true, Active::On) => on(what),
        (false, Active::On) => off(what),
        (true, Active::Off) => off(format!("{what}, and dead is how it acts (active = off)")),
        (false, Active::Off) => on(format!(
            "{what}, and energised is how it rests (active = off)"
        )),
    }
}

//! What a call asks of the machines: which compressor stages, which heat, whose fan.
//!
//! Place in the data's path: the first half of a row. It knows the profile and the call, and no
//! line's cell.

use crate::domain::profile::{Auxiliary, Interface, Kind};
use crate::domain::{Call, Profile};
use crate::units::Terminal;

/// What runs in a call.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Mode {
    /// Nothing.
    Rest,
    /// The fan alone.
    Fan,
    /// The compressor cools.
    Cooling,
    /// Y lines call the compressor, and it heats.
    CompressorHeat,
    /// Heat without a Y line.
    HeatWithoutY,
    /// The equipment's own defrost, while Y lines call heat.
    Defrost,
    /// The equipment's own defrost, while W1 of the conventional interface calls heat.
    DefrostWithoutY,
}

impl Mode {
    /// Whether Y lines call the compressor.
    pub(super) fn has_y(self) -> bool {
        matches!(self, Self::Cooling | Self::CompressorHeat | Self::Defrost)
    }
}

/// A call's demand.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Demand {
    pub(super) mode: Mode,
    /// How many compressor stages Y lines call.
    pub(super) compressor_stages: u8,
    /// The heat lines that are on.
    pub(super) heat: Vec<Terminal>,
}

impl Demand {
    fn new(mode: Mode) -> Self {
        Self {
            mode,
            compressor_stages: 0,
            heat: Vec::new(),
        }
    }

    fn compressor(mode: Mode, stages: u8) -> Self {
        Self {
            compressor_stages: stages,
            ..Self::new(mode)
        }
    }

    fn heat_without_y(lines: &[Terminal]) -> Self {
        Self {
            heat: lines.to_vec(),
            ..Self::new(Mode::HeatWithoutY)
        }
    }
}

/// What the call asks, or why it does not apply.
pub(super) fn demand(profile: &Profile, call: &Call) -> Result<Demand, String> {
    match call {
        Call::Idle => Ok(Demand::new(Mode::Rest)),
        Call::FanOnly if profile.fan_line() => Ok(Demand::new(Mode::Fan)),
        Call::FanOnly => Err(
            "there is no fan line: the equipment runs its fan with Y (fan_line = false)".to_owned(),
        ),
        Call::Cooling(stage) => cooling(profile, *stage),
        Call::Heating(stage) => heating(profile, *stage),
        Call::AuxiliaryHeat(stage) => auxiliary_heat(profile, *stage),
        Call::EmergencyHeat => emergency_heat(profile),
        Call::Defrost => defrost(profile),
        Call::Alone(line) => Err(format!("{line} alone is no call of the equipment")),
    }
}

fn cooling(profile: &Profile, stage: u8) -> Result<Demand, String> {
    match profile.compressor_stages() {
        0 => Err("there is no compressor stage (compressor_stages = 0)".to_owned()),
        stages if stage > stages => Err(format!("there is no cooling stage {stage}")),
        _ => Ok(Demand::compressor(Mode::Cooling, stage)),
    }
}

fn heating(profile: &Profile, stage: u8) -> Result<Demand, String> {
    match profile.interface() {
        None => {
            let lines = profile.auxiliary_lines();
            match profile.heat_stages() {
                0 => Err("there is no heat stage (heat_stages = 0)".to_owned()),
                stages if stage > stages => Err(format!("there is no furnace stage {stage}")),
                _ => Ok(Demand::heat_without_y(&lines[..usize::from(stage)])),
            }
        }
        Some(Interface::Conventional) if stage > 1 => Err(
            "on the conventional interface W1 calls every compressor stage at once: there is no \
             second heating call"
                .to_owned(),
        ),
        Some(Interface::Conventional) => Ok(Demand::heat_without_y(&[Terminal::known("W1")])),
        Some(Interface::Changeover) if stage > profile.compressor_stages() => Err(format!(
            "there is no compressor stage {stage} (compressor_stages = {})",
            profile.compressor_stages()
        )),
        Some(Interface::Changeover) => Ok(Demand::compressor(Mode::CompressorHeat, stage)),
    }
}

fn auxiliary_heat(profile: &Profile, stage: u8) -> Result<Demand, String> {
    if profile.kind() == Kind::FurnaceAndCooling {
        return Err("a furnace is the main heat: there is nothing auxiliary".to_owned());
    }
    match profile.heat_stages() {
        0 => return Err("there is no auxiliary heat (heat_stages = 0)".to_owned()),
        stages if stage > stages => {
            return Err(format!("there is no auxiliary heat stage {stage}"));
        }
        _ => {}
    }
    let lines = &profile.auxiliary_lines()[..usize::from(stage)];
    if profile.interface() == Some(Interface::Conventional) {
        let mut both = vec![Terminal::known("W1")];
        both.extend_from_slice(lines);
        return Ok(Demand::heat_without_y(&both));
    }
    Ok(match profile.auxiliary() {
        Auxiliary::Replaces => Demand::heat_without_y(lines),
        Auxiliary::Adds => Demand {
            heat: lines.to_vec(),
            ..Demand::compressor(Mode::CompressorHeat, profile.compressor_stages())
        },
    })
}

fn emergency_heat(profile: &Profile) -> Result<Demand, String> {
    if profile.kind() == Kind::FurnaceAndCooling {
        return Err("a furnace heats without a compressor: there is none to lock out".to_owned());
    }
    if profile.heat_stages() == 0 {
        return Err("no heat is left without the compressor (heat_stages = 0)".to_owned());
    }
    if profile.emergency().is_empty() {
        return Err("the profile names no emergency heat line (emergency = [])".to_owned());
    }
    Ok(Demand::heat_without_y(profile.emergency()))
}

/// The first auxiliary line is fed by the equipment, to warm the air that defrost cools.
fn defrost(profile: &Profile) -> Result<Demand, String> {
    let fed = profile.auxiliary_lines().iter().take(1).cloned();
    match profile.interface() {
        None => Err("there is no heat pump, so nothing defrosts".to_owned()),
        Some(Interface::Changeover) => Ok(Demand {
            heat: fed.collect(),
            ..Demand::compressor(Mode::Defrost, 1)
        }),
        Some(Interface::Conventional) => Ok(Demand {
            heat: std::iter::once(Terminal::known("W1")).chain(fed).collect(),
            ..Demand::new(Mode::DefrostWithoutY)
        }),
    }
}

//! From a draft to a profile: required keys, defaults, and every refusal that one key or two bring
//! about. The rules on lines are in `line_rules`.
//!
//! Place in the data's path: the only way from a file's words to a [`Profile`]. All problems are
//! reported at once; the reader of the file puts line and column to their keys.

use super::definition::{Profile, terminal_named};
use super::draft::{ProfileDraft, ProfileProblem};
use super::effective::keys_given;
use super::line_rules::{self, Lines};
use super::words::{
    Arrangement, Auxiliary, Changeover, ChangeoverAtRest, FanInHeat, Heat, Interface, Kind,
};
use crate::domain::truth_table;
use crate::units::{Seconds, Terminal};
use std::fmt::Display;

/// Five minutes: the compressor's usual minimum-off time (from memory).
const MINIMUM_OFF: Seconds = Seconds(300);

/// Three minutes for a furnace's plenum to cool before the compressor heats through it (assumed;
/// a trade page gives a plenum of 90 to 100 degrees Fahrenheit and no time).
const COOL_DOWN: Seconds = Seconds(180);

/// A fuel furnace starts its blower 15 to 60 s after the call (from memory): the longer is
/// allowed. A hot-water coil is given the same (assumed); electric heat needs its air at once.
fn usual_heat_fan_delay(heat: Heat) -> Seconds {
    match heat {
        Heat::Electric => Seconds(0),
        Heat::Fuel | Heat::Hydronic => Seconds(60),
    }
}

/// Blowers run on for 30 to 90 s, for 60 to 180 s after fuel heat (from memory): the longer.
fn usual_fan_off_delay(heat: Heat) -> Seconds {
    match heat {
        Heat::Electric | Heat::Hydronic => Seconds(90),
        Heat::Fuel => Seconds(180),
    }
}

/// The problems found so far.
#[derive(Debug, Default)]
pub(super) struct Problems(Vec<ProfileProblem>);

impl Problems {
    /// Adds a problem whose message says what to do.
    pub(super) fn add(&mut self, key: impl Display, message: impl Into<String>) {
        self.0.push(ProfileProblem {
            key: key.to_string(),
            message: message.into(),
            help: None,
        });
    }

    /// Adds a problem with a line of help.
    pub(super) fn add_with_help(
        &mut self,
        key: impl Display,
        message: impl Into<String>,
        help: impl Into<String>,
    ) {
        self.0.push(ProfileProblem {
            key: key.to_string(),
            message: message.into(),
            help: Some(help.into()),
        });
    }
}

/// What the equipment is, as far as the draft says it rightly: `None` stands for what is missing
/// or refused.
#[derive(Debug, Clone, Copy)]
pub(super) struct Facts {
    pub(super) kind: Kind,
    pub(super) interface: Option<Interface>,
    pub(super) compressor_stages: Option<u8>,
    pub(super) heat_stages: Option<u8>,
    pub(super) changeover: Option<Changeover>,
    pub(super) heat: Heat,
    pub(super) fan_line: bool,
    pub(super) auxiliary: Auxiliary,
    pub(super) arrangement: Arrangement,
}

impl Facts {
    pub(super) fn is_furnace(&self) -> bool {
        self.kind == Kind::FurnaceAndCooling
    }

    pub(super) fn is_conventional(&self) -> bool {
        self.interface == Some(Interface::Conventional)
    }
}

impl Profile {
    /// The profile that a draft describes.
    ///
    /// # Errors
    /// Every rule that the draft breaks, each with its key.
    pub fn new(mut draft: ProfileDraft) -> Result<Self, Vec<ProfileProblem>> {
        let mut problems = Problems::default();
        check_name(&draft, &mut problems);
        let compressor_stages = stage_count(
            "equipment.compressor_stages",
            draft.compressor_stages,
            &mut problems,
        );
        let heat_stages = stage_count("equipment.heat_stages", draft.heat_stages, &mut problems);
        let Some(kind) = draft.kind else {
            let kinds: Vec<&str> = Kind::ALL.iter().map(|kind| kind.word()).collect();
            problems.add(
                "equipment.kind",
                format!("kind is required: one of {}", kinds.join(", ")),
            );
            return Err(problems.0);
        };
        resolve_aliases(&mut draft, kind, &mut problems);
        let facts = Facts {
            kind,
            interface: interface(&draft, kind, &mut problems),
            compressor_stages,
            heat_stages,
            changeover: None,
            heat: draft.heat.unwrap_or(default_heat(kind)),
            fan_line: draft.fan_line.unwrap_or(true),
            auxiliary: auxiliary(&draft, kind, &mut problems),
            arrangement: draft.arrangement.unwrap_or(Arrangement::Single),
        };
        let facts = Facts {
            changeover: changeover(&draft, &facts, &mut problems),
            ..facts
        };
        check_compressor(&facts, &mut problems);
        check_conventional(&draft, &facts, &mut problems);
        check_fan(&draft, &facts, &mut problems);
        let lines = line_rules::check(&draft, &facts, &mut problems);
        let Some(profile) = build(&draft, &facts, lines) else {
            assert!(!problems.0.is_empty(), "a missing key was reported");
            return Err(problems.0);
        };
        if problems.0.is_empty() {
            check_ties(&draft, &profile, &mut problems);
        }
        if problems.0.is_empty() {
            Ok(profile)
        } else {
            Err(problems.0)
        }
    }
}

fn build(draft: &ProfileDraft, facts: &Facts, lines: Lines) -> Option<Profile> {
    Some(Profile {
        name: draft.name.clone()?,
        kind: facts.kind,
        interface: facts.interface,
        compressor_stages: facts.compressor_stages?,
        heat_stages: facts.heat_stages?,
        changeover: facts.changeover,
        changeover_at_rest: draft.changeover_at_rest.unwrap_or(ChangeoverAtRest::Either),
        heat: facts.heat,
        fan_in_heat: draft.fan_in_heat,
        fan_line: facts.fan_line,
        auxiliary: facts.auxiliary,
        auxiliary_lines: lines.auxiliary,
        emergency: lines.emergency,
        present: lines.present,
        tied: lines.tied,
        common_on: lines.common_on,
        arrangement: facts.arrangement,
        minimum_off: draft.minimum_off_s.unwrap_or(MINIMUM_OFF),
        heat_fan_delay: draft
            .heat_fan_delay_s
            .unwrap_or(usual_heat_fan_delay(facts.heat)),
        fan_off_delay: draft
            .fan_off_delay_s
            .unwrap_or(usual_fan_off_delay(facts.heat)),
        cool_down: draft.cool_down_s.unwrap_or(COOL_DOWN),
        accessories: draft.accessories.clone(),
        given: keys_given(draft),
    })
}

fn default_heat(kind: Kind) -> Heat {
    match kind {
        Kind::HeatPump | Kind::FurnaceAndCooling => Heat::Electric,
        Kind::DualFuel => Heat::Fuel,
        Kind::HeatPumpAndBoiler => Heat::Hydronic,
    }
}

fn check_name(draft: &ProfileDraft, problems: &mut Problems) {
    match draft.name.as_deref() {
        None => problems.add("name", "name is required: a few words for the equipment"),
        Some(name) if name.trim().is_empty() => {
            problems.add("name", "name is blank: write a few words for the equipment");
        }
        Some(name) if name.chars().any(char::is_control) => problems.add(
            "name",
            "name holds a control character (a line break or the like): it is printed as it is",
        ),
        Some(_) => {}
    }
}

fn stage_count(key: &str, given: Option<u8>, problems: &mut Problems) -> Option<u8> {
    let word = key.trim_start_matches("equipment.");
    match given {
        None => problems.add(key, format!("{word} is required: 0, 1 or 2")),
        Some(count) if count > 2 => {
            problems.add(key, format!("{word} is {count}; it may be 0, 1 or 2"));
        }
        Some(_) => return given,
    }
    None
}

/// Y and W are resolved once, so that every later rule sees one name for one line.
fn resolve_aliases(draft: &mut ProfileDraft, kind: Kind, problems: &mut Problems) {
    let mut resolve =
        |key: String, terminal: &mut Terminal| match terminal_named(kind, terminal.as_str()) {
            Ok(resolved) => *terminal = resolved,
            Err(message) => problems.add(key, message),
        };
    let lists = [
        ("auxiliary_lines", &mut draft.auxiliary_lines),
        ("emergency", &mut draft.emergency),
        ("present", &mut draft.present),
    ];
    for (word, list) in lists {
        for (place, terminal) in list.iter_mut().flatten().enumerate() {
            resolve(format!("equipment.{word}[{place}]"), terminal);
        }
    }
    for (group, members) in draft.tied.iter_mut().flatten().enumerate() {
        for (place, terminal) in members.iter_mut().enumerate() {
            resolve(format!("equipment.tied[{group}][{place}]"), terminal);
        }
    }
    for (place, accessory) in draft.accessories.iter_mut().enumerate() {
        let key = format!("accessory[{place}].terminal");
        resolve(key, &mut accessory.terminal);
    }
    if let Some(common) = &mut draft.common_on {
        resolve("equipment.common_on".to_owned(), common);
    }
}

fn interface(draft: &ProfileDraft, kind: Kind, problems: &mut Problems) -> Option<Interface> {
    let key = "equipment.interface";
    match (kind, draft.interface) {
        (Kind::FurnaceAndCooling, Some(_)) => {
            problems.add(
                key,
                "interface is for heat pumps: a furnace with cooling is called by W and Y alone",
            );
            None
        }
        (Kind::FurnaceAndCooling, None) => None,
        (Kind::HeatPump, given) => Some(given.unwrap_or(Interface::Changeover)),
        (Kind::DualFuel | Kind::HeatPumpAndBoiler, Some(Interface::Conventional)) => {
            problems.add(
                key,
                format!(
                    "the conventional interface (W1 calls the heat pump) is for kind = \
                     \"heat-pump\" alone: with kind = \"{kind}\" the W lines call the other heat"
                ),
            );
            Some(Interface::Changeover)
        }
        (Kind::DualFuel | Kind::HeatPumpAndBoiler, _) => Some(Interface::Changeover),
    }
}

fn auxiliary(draft: &ProfileDraft, kind: Kind, problems: &mut Problems) -> Auxiliary {
    let key = "equipment.auxiliary";
    let conventional = draft.interface == Some(Interface::Conventional);
    match (kind, draft.auxiliary) {
        (Kind::FurnaceAndCooling, Some(_)) => problems.add(
            key,
            "auxiliary says what auxiliary heat does to a heat pump's compressor: a furnace with \
             cooling has neither",
        ),
        (Kind::HeatPump, Some(_)) if conventional => problems.add(
            key,
            "auxiliary means nothing on the conventional interface: the equipment decides whether \
             its compressor goes on beside W2",
        ),
        (Kind::DualFuel, Some(Auxiliary::Adds)) => problems.add_with_help(
            key,
            "in dual fuel the furnace always replaces the compressor: furnace air on the indoor \
             coil drives the refrigerant's pressure up",
            "leave auxiliary out, or write \"replaces\"",
        ),
        (Kind::HeatPumpAndBoiler, None) => problems.add_with_help(
            key,
            "auxiliary is required with a boiler: \"adds\" or \"replaces\"",
            "radiators usually add; a hot-water coil in the air handler usually replaces",
        ),
        _ => {}
    }
    match kind {
        Kind::DualFuel => Auxiliary::Replaces,
        _ => draft.auxiliary.unwrap_or(Auxiliary::Adds),
    }
}

fn changeover(draft: &ProfileDraft, facts: &Facts, problems: &mut Problems) -> Option<Changeover> {
    let no_valve_line = if facts.is_furnace() {
        "a furnace with cooling has no reversing valve (O/B)"
    } else if facts.is_conventional() {
        "on the conventional interface the equipment places its reversing valve (O/B) itself"
    } else {
        if draft.changeover.is_none() {
            problems.add_with_help(
                "equipment.changeover",
                "changeover is required: \"o\" (the reversing valve is energised in cooling) or \
                 \"b\" (energised in heating)",
                "the equipment's own wiring diagram says which; a wire's colour does not",
            );
        }
        return draft.changeover;
    };
    if draft.changeover.is_some() {
        problems.add(
            "equipment.changeover",
            format!("{no_valve_line}: leave changeover out"),
        );
    }
    if draft.changeover_at_rest.is_some() {
        problems.add(
            "equipment.changeover_at_rest",
            format!("{no_valve_line}: leave changeover_at_rest out"),
        );
    }
    None
}

fn check_compressor(facts: &Facts, problems: &mut Problems) {
    if facts.compressor_stages == Some(0) && !facts.is_furnace() {
        problems.add_with_help(
            "equipment.compressor_stages",
            format!(
                "kind = \"{}\" has a compressor: compressor_stages is 1 or 2",
                facts.kind
            ),
            "for heat without any compressor write kind = \"furnace-and-cooling\"",
        );
    }
    let no_line = facts.is_furnace()
        && facts.compressor_stages == Some(0)
        && facts.heat_stages == Some(0)
        && !facts.fan_line;
    if no_line {
        problems.add(
            "equipment.heat_stages",
            "with no compressor stage, no heat stage and no fan line there is no call to prove",
        );
    }
}

fn check_conventional(draft: &ProfileDraft, facts: &Facts, problems: &mut Problems) {
    if facts.is_conventional() && draft.heat_stages == Some(2) {
        problems.add(
            "equipment.heat_stages",
            "on the conventional interface W1 calls the compressor and W2 the one auxiliary \
             stage: heat_stages is 0 or 1",
        );
    }
}

fn check_fan(draft: &ProfileDraft, facts: &Facts, problems: &mut Problems) {
    let key = "equipment.fan_in_heat";
    match draft.fan_in_heat {
        None => {
            if let Some(when) = heat_without_y(draft, facts) {
                problems.add_with_help(
                    key,
                    format!(
                        "fan_in_heat is required: {when}, and somebody has to run the fan then"
                    ),
                    "\"controller\" (by G), \"equipment\" (by itself), \"none\" (radiators) or \
                     \"either\"",
                );
            }
        }
        Some(FanInHeat::None) if facts.heat != Heat::Hydronic => problems.add(
            key,
            format!(
                "fan_in_heat = \"none\" is for radiators: {} heat needs air over it (heat = \
                 \"hydronic\" if it is hot water)",
                facts.heat
            ),
        ),
        Some(FanInHeat::Controller) if !facts.fan_line => problems.add(
            key,
            "fan_in_heat = \"controller\" needs a G line, and fan_line = false says that there \
             is none",
        ),
        Some(_) => {}
    }
}

/// When heat runs without a Y line, in words; `None` where it never does.
fn heat_without_y(draft: &ProfileDraft, facts: &Facts) -> Option<&'static str> {
    if facts.is_conventional() {
        return Some("on the conventional interface W1 calls heat without a Y line");
    }
    if facts.heat_stages.is_none_or(|stages| stages == 0) {
        return None;
    }
    let emergency = draft.emergency.as_ref().is_none_or(|list| !list.is_empty());
    match facts.kind {
        Kind::FurnaceAndCooling => Some("the furnace heats without a Y line"),
        _ if facts.auxiliary == Auxiliary::Replaces => {
            Some("auxiliary heat replaces the compressor, so it runs without a Y line")
        }
        _ if emergency => Some("emergency heat runs without a Y line"),
        _ => None,
    }
}

/// A tie must not start a machine in a call that keeps it off, nor turn the valve over.
fn check_ties(draft: &ProfileDraft, profile: &Profile, problems: &mut Problems) {
    for misled in truth_table::lines_misled_by_ties(profile) {
        let group = draft
            .tied
            .iter()
            .flatten()
            .position(|members| members.contains(&misled.line))
            .expect("only a tied line follows another");
        let help = (misled.line == Terminal::known("Y1") && misled.leader == Terminal::known("G"))
            .then(|| {
                "where the equipment runs its fan from Y and has no G line, write fan_line = false"
                    .to_owned()
            });
        problems.0.push(ProfileProblem {
            key: format!("equipment.tied[{group}]"),
            message: misled.message(),
            help,
        });
    }
}

//! The rules on lines: which terminals a draft may name, where, and together with which others.
//!
//! Place in the data's path: called by [`Profile::new`](super::Profile::new) once the equipment's
//! facts are known. Every line is claimed once, by the key that brings it; whatever claims it again
//! is refused.

use super::draft::{Accessory, ProfileDraft};
use super::roles::{LineRole, fixed_lines};
use super::rules::{Facts, Problems};
use super::words::{Arrangement, Heat};
use crate::domain::Call;
use crate::units::Terminal;
use std::collections::{BTreeMap, BTreeSet};

/// The lists of a profile, checked and with their defaults.
#[derive(Debug)]
pub(super) struct Lines {
    pub(super) auxiliary: Vec<Terminal>,
    pub(super) emergency: Vec<Terminal>,
    pub(super) present: Vec<Terminal>,
    pub(super) tied: Vec<BTreeSet<Terminal>>,
    pub(super) common_on: Terminal,
}

/// Checks every list of lines.
pub(super) fn check(draft: &ProfileDraft, facts: &Facts, problems: &mut Problems) -> Lines {
    let mut claims = Claims::new(facts, problems);
    let auxiliary = claims.auxiliary(draft);
    let emergency = claims.emergency(draft, &auxiliary);
    for (place, accessory) in draft.accessories.iter().enumerate() {
        claims.accessory(place, accessory);
    }
    let present = draft.present.clone().unwrap_or_default();
    claims.present(&present);
    let common_on = claims.common(draft);
    let tied = draft.tied.clone().unwrap_or_default();
    claims.tied(&tied);
    claims.both_valve_letters(&present, &tied);
    Lines {
        auxiliary,
        emergency,
        present,
        tied: merged(&tied),
        common_on,
    }
}

/// The lines of heat stages where the draft does not name them.
fn default_heat_lines(facts: &Facts) -> Vec<Terminal> {
    let names: &[&'static str] = match facts.heat_stages {
        None | Some(0) => &[],
        Some(2) => &["W1", "W2"],
        Some(_) if facts.is_conventional() => &["W2"],
        Some(_) if facts.is_furnace() || facts.heat != Heat::Electric => &["W1"],
        Some(_) => &["W2"],
    };
    names.iter().map(|name| Terminal::known(name)).collect()
}

/// Groups with a common member become one.
fn merged(groups: &[Vec<Terminal>]) -> Vec<BTreeSet<Terminal>> {
    let mut merged: Vec<BTreeSet<Terminal>> = Vec::new();
    for group in groups {
        let mut joined: BTreeSet<Terminal> = group.iter().cloned().collect();
        merged.retain(|other| {
            let apart = other.is_disjoint(&joined);
            if !apart {
                joined.extend(other.iter().cloned());
            }
            apart
        });
        merged.push(joined);
    }
    merged.sort();
    merged
}

struct Claims<'a> {
    facts: &'a Facts,
    problems: &'a mut Problems,
    taken: BTreeMap<Terminal, LineRole>,
}

impl<'a> Claims<'a> {
    fn new(facts: &'a Facts, problems: &'a mut Problems) -> Self {
        let stages = facts.compressor_stages.unwrap_or(1);
        let mut taken = fixed_lines(facts.kind, facts.interface, stages, facts.fan_line);
        if let Some(changeover) = facts.changeover {
            taken.insert(changeover.terminal(), LineRole::ReversingValve);
        }
        Self {
            facts,
            problems,
            taken,
        }
    }

    fn auxiliary(&mut self, draft: &ProfileDraft) -> Vec<Terminal> {
        let key = "equipment.auxiliary_lines";
        let Some(given) = &draft.auxiliary_lines else {
            let lines = default_heat_lines(self.facts);
            for (stage, line) in (1..).zip(&lines) {
                self.taken.insert(line.clone(), LineRole::Heat(stage));
            }
            return lines;
        };
        if self.facts.is_furnace() {
            self.problems.add(
                key,
                "auxiliary_lines is for heat pumps: a furnace's stages are W1 and W2",
            );
            return default_heat_lines(self.facts);
        }
        match self.facts.heat_stages {
            Some(0) => self.problems.add(
                key,
                "auxiliary_lines without heat stages: heat_stages is 0, so there is no auxiliary \
                 heat",
            ),
            Some(stages) if given.len() != usize::from(stages) => self.problems.add(
                key,
                format!(
                    "auxiliary_lines names {} line(s) and heat_stages is {stages}: one line for \
                     each stage, the first stage first",
                    given.len()
                ),
            ),
            _ => {}
        }
        for (place, line) in given.iter().enumerate() {
            let key = format!("{key}[{place}]");
            let stage = u8::try_from(place + 1).unwrap_or(u8::MAX);
            if !self.calls_compressor(&key, line, "auxiliary heat") {
                self.claim(&key, line, LineRole::Heat(stage));
            }
        }
        given.clone()
    }

    fn emergency(&mut self, draft: &ProfileDraft, auxiliary: &[Terminal]) -> Vec<Terminal> {
        let key = "equipment.emergency";
        let Some(given) = &draft.emergency else {
            return if self.facts.is_furnace() {
                Vec::new()
            } else {
                auxiliary.to_vec()
            };
        };
        if self.facts.is_furnace() {
            self.problems.add(
                key,
                "emergency is for heat pumps: a furnace has no compressor to lock out of heat",
            );
            return Vec::new();
        }
        if self.facts.heat_stages == Some(0) {
            self.problems.add(
                key,
                "emergency without heat stages: heat_stages is 0, so no heat is left once the \
                 compressor is locked out",
            );
        }
        let mut seen = BTreeSet::new();
        for (place, line) in given.iter().enumerate() {
            let key = format!("{key}[{place}]");
            if !seen.insert(line) {
                self.problems.add(key, format!("{line} is named twice"));
            } else if !auxiliary.contains(line)
                && !self.calls_compressor(&key, line, "emergency heat")
            {
                self.claim(&key, line, LineRole::EmergencyOnly);
            }
        }
        given.clone()
    }

    /// Whether the line is the compressor's, which backup heat must never call; says so.
    fn calls_compressor(&mut self, key: &str, line: &Terminal, what: &str) -> bool {
        let is_y = matches!(line.as_str(), "Y1" | "Y2");
        if is_y {
            self.problems.add(
                key,
                format!("{line} calls the compressor: it cannot be a line of {what}"),
            );
        } else if self.taken.get(line) == Some(&LineRole::HeatPumpHeat) {
            self.problems.add(
                key,
                format!(
                    "on the conventional interface {line} calls the heat pump itself: it cannot \
                     be a line of {what}"
                ),
            );
        } else {
            return false;
        }
        true
    }

    fn accessory(&mut self, place: usize, accessory: &Accessory) {
        let key = format!("accessory[{place}]");
        let line = &accessory.terminal;
        if matches!(line.as_str(), "Y1" | "Y2") && !self.taken.contains_key(line) {
            self.problems.add(
                format!("{key}.terminal"),
                format!("{line} is a compressor stage's line and cannot be an accessory's"),
            );
        } else {
            self.claim(&format!("{key}.terminal"), line, LineRole::Accessory(place));
        }
        for (list, calls) in [
            ("on_in", &accessory.on_in),
            ("either_in", &accessory.either_in),
        ] {
            for (index, call) in calls.iter().enumerate() {
                self.accessory_call(format!("{key}.{list}[{index}]"), calls, index, call);
            }
        }
        for (index, call) in accessory.either_in.iter().enumerate() {
            if accessory.on_in.contains(call) {
                self.problems.add(
                    format!("{key}.either_in[{index}]"),
                    format!("{call} is in on_in too: {line} either acts there or may act there"),
                );
            }
        }
    }

    fn accessory_call(&mut self, key: String, calls: &[Call], index: usize, call: &Call) {
        if matches!(call, Call::Alone(_)) {
            self.problems.add(
                key,
                format!("{call} energises that one line alone: no accessory can act in it"),
            );
        } else if calls[..index].contains(call) {
            self.problems.add(key, format!("{call} is named twice"));
        }
    }

    fn present(&mut self, present: &[Terminal]) {
        let y1 = Terminal::known("Y1");
        let y2 = Terminal::known("Y2");
        for (place, line) in present.iter().enumerate() {
            let key = format!("equipment.present[{place}]");
            if *line == y2 && !self.taken.contains_key(&y1) && !present.contains(&y1) {
                self.problems.add(
                    key,
                    "Y2 without Y1: a second compressor stage is wired beside a first",
                );
            } else {
                self.claim(&key, line, LineRole::Unused);
            }
        }
    }

    fn common(&mut self, draft: &ProfileDraft) -> Terminal {
        let key = "equipment.common_on";
        let common = draft.common_on.clone().unwrap_or(Terminal::known("C"));
        if matches!(common.as_str(), "R" | "Rc" | "Rh") {
            self.problems.add(
                key,
                format!("{common} is the supply's hot side and cannot be its common"),
            );
        } else if let Some(role) = self.taken.get(&common) {
            let role = describe(*role);
            self.problems.add(
                key,
                format!("{common} cannot be the common: it is {role} in this profile"),
            );
        }
        common
    }

    fn tied(&mut self, groups: &[Vec<Terminal>]) {
        for (group, members) in groups.iter().enumerate() {
            let key = format!("equipment.tied[{group}]");
            if members.len() < 2 {
                self.problems
                    .add(&key, "a tied group joins two lines or more");
            }
            let mut seen = BTreeSet::new();
            for (place, line) in members.iter().enumerate() {
                let key = format!("{key}[{place}]");
                if !self.taken.contains_key(line) {
                    let lines: Vec<&str> = self.taken.keys().map(Terminal::as_str).collect();
                    let message = format!(
                        "{line} is not a line of this profile; its lines are {}",
                        lines.join(" ")
                    );
                    self.problems.add_with_help(
                        key,
                        message,
                        format!(
                            "a wired line that no call uses is named in present = [\"{line}\"]"
                        ),
                    );
                } else if !seen.insert(line) {
                    self.problems.add(key, format!("{line} is named twice"));
                }
            }
            self.tied_across_supplies(&key, members);
        }
    }

    fn tied_across_supplies(&mut self, key: &str, members: &[Terminal]) {
        if self.facts.arrangement == Arrangement::Single {
            return;
        }
        let on_heating_side = |line: &&Terminal| is_heating_side(line);
        let hot = members.iter().find(on_heating_side);
        let cold = members.iter().find(|line| !is_heating_side(line));
        if let (Some(hot), Some(cold)) = (hot, cold) {
            self.problems.add(
                key,
                format!(
                    "{hot} is fed from Rh and {cold} from Rc: joining them joins the two supplies"
                ),
            );
        }
    }

    /// Without a convention, O and B may both be wired, but nothing may energise both.
    fn both_valve_letters(&mut self, present: &[Terminal], tied: &[Vec<Terminal>]) {
        let letters = [Terminal::known("O"), Terminal::known("B")];
        if !letters.iter().all(|letter| self.taken.contains_key(letter)) {
            return;
        }
        let used = |letter: &Terminal| {
            !present.contains(letter) || tied.iter().any(|group| group.contains(letter))
        };
        if letters.iter().any(used) {
            self.problems.add(
                "equipment.present",
                "O and B are both lines, and one of them is in use: nothing may ever energise \
                 both",
            );
        }
    }

    fn claim(&mut self, key: &str, line: &Terminal, role: LineRole) {
        let other = self.facts.changeover.map(|convention| {
            let letter = convention.other().terminal();
            (convention, letter)
        });
        if line.is_supply() {
            self.problems.add(
                key,
                format!("{line} carries the supply: it is never a call's line"),
            );
        } else if let Some((convention, letter)) = other
            && letter == *line
        {
            self.problems.add_with_help(
                key,
                format!(
                    "{line} is the other convention's letter: with changeover = \
                     \"{convention}\" the reversing valve (O/B) is on {}, and O and B are never \
                     both lines",
                    convention.terminal()
                ),
                format!(
                    "where {line} carries the common on this equipment, write common_on = \
                     \"{line}\""
                ),
            );
        } else if let Some(taken) = self.taken.get(line) {
            let taken = describe(*taken);
            self.problems.add(
                key,
                format!("{line} is {taken} already: a line has one function"),
            );
        } else {
            self.taken.insert(line.clone(), role);
        }
    }
}

/// W and E lines hang on Rh, all others on Rc.
fn is_heating_side(line: &Terminal) -> bool {
    matches!(line.as_str(), "W1" | "W2" | "W3" | "E")
}

fn describe(role: LineRole) -> String {
    match role {
        LineRole::Compressor(stage) => format!("compressor stage {stage}"),
        LineRole::Fan => "the fan's line".to_owned(),
        LineRole::ReversingValve => "the reversing valve's line (O/B)".to_owned(),
        LineRole::HeatPumpHeat => "the heat pump's heat call".to_owned(),
        LineRole::Heat(stage) => format!("heat stage {stage}"),
        LineRole::EmergencyOnly => "an emergency heat line".to_owned(),
        LineRole::Accessory(place) => format!("the line of accessory {}", place + 1),
        LineRole::Unused => "named in present".to_owned(),
    }
}

//! The page of all faults: what each is and what it does, call by call.
//!
//! Place in the data's path: documentation. Words come from [`FaultMeaning`], volts from the
//! circuit of one installation with default values; `docs/faults.md` is this text, and a test
//! holds it there.
//!
//! [`FaultMeaning`]: crate::domain::circuit::FaultMeaning

use crate::domain::circuit::LoadState;
use crate::domain::circuit::{CallVolts, Circuit, CircuitError, CircuitValues, Fault, FaultKind};
use crate::domain::profile::{Arrangement, Changeover, FanInHeat, Kind};
use crate::domain::{Call, Profile, ProfileDraft, TruthTable};
use crate::units::{Place, Terminal};
use std::fmt::Write as _;

/// Volts that differ by more than this from the healthy ones are set bold.
const WORTH_MARKING: f64 = 1.0;

const HEAD: &str = "\
# Faults

Simulator, practice and diagnosis share one grammar. `@controller`, `@middle`, `@equipment` and \
`@outdoor` place a fault; where it names no place, it sits where it usually does. A fault that \
makes no sense for the profile is refused, and the message says what would.

This page is generated from the program. The tables show volts against C at the equipment, \
loads in place, each call made from rest with all its relays closing at once: a one-stage heat \
pump with electric auxiliary heat and the reversing valve (O/B) on O, a fused 40 VA transformer, \
100 ft of 18 AWG, no instrument but a 10 Mohm meter. **Bold** differs by more than 1 V from the \
healthy circuit; `out` means that the load of a called line is not in, `in` that the load of one \
not called is. How a fault looks is common practice, no source, unless said; the volts are the \
circuit's own.
";

/// The example of a kind, on the heat pump, or on two supplies where it needs them.
fn example(kind: FaultKind) -> &'static str {
    match kind {
        FaultKind::Open => "open:Y1",
        FaultKind::Short => "short:Y1,C",
        FaultKind::Swap => "swap:Y1,G",
        FaultKind::Shift => "shift:Y1,G,O",
        FaultKind::Mislanded => "mislanded:W2,O",
        FaultKind::Resistance => "resistance:Y1=60",
        FaultKind::OpensUnderLoad => "opens-under-load:Y1",
        FaultKind::Intermittent => "intermittent:Y1",
        FaultKind::StuckOpen => "stuck-open:Y1",
        FaultKind::StuckClosed => "stuck-closed:W2",
        FaultKind::DeadInput => "dead-input:Y1",
        FaultKind::Leakage => "leakage:W2",
        FaultKind::CoilOpen => "coil-open:Y1",
        FaultKind::CoilShort => "coil-short:Y1",
        FaultKind::Chatter => "chatter:Y1",
        FaultKind::Jumper => "jumper:Y1,G",
        FaultKind::FanTied => "fan-tied",
        FaultKind::Tied => "tied:O,B",
        FaultKind::InvertedChangeover => "inverted-changeover",
        FaultKind::JumperMissing => "jumper-missing",
        FaultKind::JumperLeftIn => "jumper-left-in",
        FaultKind::Backfeed => "backfeed:W2",
        FaultKind::Earthed => "earthed:G",
        FaultKind::Floating => "floating:W2",
        FaultKind::FuseOpen => "fuse-open",
        FaultKind::Supply => "supply:19",
        FaultKind::WrongTap => "wrong-tap",
        FaultKind::UndersizedTransformer => "undersized-transformer:10",
        FaultKind::ThinWire => "thin-wire:24,600",
    }
}

fn installation(arrangement: Arrangement) -> Profile {
    Profile::new(ProfileDraft {
        name: Some("One-stage heat pump".to_owned()),
        kind: Some(Kind::HeatPump),
        compressor_stages: Some(1),
        heat_stages: Some(1),
        changeover: Some(Changeover::O),
        fan_in_heat: Some(FanInHeat::Controller),
        arrangement: Some(arrangement),
        ..ProfileDraft::default()
    })
    .expect("the draft obeys every rule")
}

/// The whole page, in Markdown.
///
/// # Errors
/// [`CircuitError`] where an example cannot be solved.
pub fn faults_page() -> Result<String, CircuitError> {
    let mut page = HEAD.to_owned();
    let single = Plant::new(Arrangement::Single)?;
    let dual = Plant::new(Arrangement::Dual)?;
    page.push_str("\n## Healthy\n\n");
    page.push_str(&single.table(&single.healthy));
    for kind in FaultKind::ALL {
        let plant = match kind {
            FaultKind::JumperLeftIn => &dual,
            _ => &single,
        };
        page.push_str(&plant.section(*kind)?);
    }
    Ok(page)
}

struct Plant {
    circuit: Circuit,
    table: TruthTable,
    healthy: Vec<CallVolts>,
}

impl Plant {
    fn new(arrangement: Arrangement) -> Result<Self, CircuitError> {
        let profile = installation(arrangement);
        let circuit = Circuit::new(&profile, None, CircuitValues::default())?;
        let table = TruthTable::of(&profile);
        let healthy = circuit.signature(&table, Place::Equipment)?;
        Ok(Self {
            circuit,
            table,
            healthy,
        })
    }

    fn section(&self, kind: FaultKind) -> Result<String, CircuitError> {
        let meaning = kind.meaning();
        let written = example(kind);
        let fault: Fault = written.parse()?;
        let faulty = self.circuit.with_faults(&[fault])?;
        let signature = faulty.signature(&self.table, Place::Equipment)?;
        let mut text = format!("\n## `{}`\n\n", kind.form());
        let mut row = |what: &str, words: &str| {
            writeln!(text, "- {what}: {words}.").expect("a string takes every write");
        };
        row("On the bench", meaning.on_the_bench);
        row("In the field", meaning.in_the_field);
        row("Shows as", meaning.shows_as);
        row("Place", &place_words(kind));
        writeln!(text, "\n`{written}`{}:\n", remark(kind)).expect("a string takes every write");
        text.push_str(&self.table(&signature));
        Ok(text)
    }

    fn table(&self, signature: &[CallVolts]) -> String {
        let lines = self.circuit.lines();
        let heads: Vec<&str> = lines.iter().map(Terminal::as_str).collect();
        let mut text = format!(
            "| call | {} |\n|---|{}\n",
            heads.join(" | "),
            "---|".repeat(lines.len())
        );
        for (call, healthy) in signature.iter().zip(&self.healthy) {
            let cells: Vec<String> = lines
                .iter()
                .map(|line| self.cell(line, call, healthy))
                .collect();
            let fuse = if call.fuse_open { " (fuse opens)" } else { "" };
            writeln!(text, "| {}{fuse} | {} |", call.call, cells.join(" | "))
                .expect("a string takes every write");
        }
        text
    }

    fn cell(&self, line: &Terminal, call: &CallVolts, healthy: &CallVolts) -> String {
        let volts = call.volts[line].0;
        let shown = format!("{volts:.1}");
        let shown = if (volts - healthy.volts[line].0).abs() > WORTH_MARKING {
            format!("**{shown}**")
        } else {
            shown
        };
        let mark = match (call.loads.get(line), self.is_called(line, &call.call)) {
            (Some(LoadState::DroppedOut), true) => " out",
            (Some(LoadState::PulledIn), false) => " in",
            (Some(LoadState::Chatters), _) => " chatters",
            _ => "",
        };
        format!("{shown}{mark}")
    }

    fn is_called(&self, line: &Terminal, call: &Call) -> bool {
        match call {
            Call::Alone(alone) => alone == line,
            call => self
                .table
                .row(call)
                .is_some_and(|row| row.demanded.contains(line)),
        }
    }
}

/// Where a kind can sit.
fn places(kind: FaultKind) -> &'static [Place] {
    match kind {
        FaultKind::Open
        | FaultKind::Short
        | FaultKind::Resistance
        | FaultKind::Jumper
        | FaultKind::Earthed
        | FaultKind::Backfeed => &Place::ALL,
        FaultKind::Swap
        | FaultKind::Shift
        | FaultKind::Mislanded
        | FaultKind::OpensUnderLoad
        | FaultKind::Intermittent => &[Place::Controller, Place::Equipment, Place::Outdoor],
        FaultKind::StuckOpen
        | FaultKind::StuckClosed
        | FaultKind::Leakage
        | FaultKind::Tied
        | FaultKind::JumperMissing
        | FaultKind::JumperLeftIn => &[Place::Controller],
        FaultKind::CoilOpen | FaultKind::CoilShort | FaultKind::Chatter => {
            &[Place::Equipment, Place::Outdoor]
        }
        FaultKind::FanTied => &[Place::Equipment],
        FaultKind::InvertedChangeover | FaultKind::DeadInput => {
            &[Place::Controller, Place::Equipment]
        }
        FaultKind::Floating
        | FaultKind::FuseOpen
        | FaultKind::Supply
        | FaultKind::WrongTap
        | FaultKind::UndersizedTransformer
        | FaultKind::ThinWire => &[],
    }
}

/// Where a kind sits when it is written without a place.
fn usual_place(kind: FaultKind) -> &'static str {
    match kind {
        FaultKind::Short | FaultKind::Earthed => "in the middle of the cable",
        FaultKind::InvertedChangeover => "at the controller",
        FaultKind::DeadInput => "every input of the line",
        FaultKind::CoilOpen | FaultKind::CoilShort | FaultKind::Chatter => "where the load stands",
        FaultKind::Backfeed => "outdoors where R and the line go there, else at the equipment",
        FaultKind::Jumper => "at the equipment, or where both terminals are",
        _ => "at the equipment",
    }
}

fn place_words(kind: FaultKind) -> String {
    let words: Vec<String> = places(kind).iter().map(|p| format!("`@{p}`")).collect();
    match words.len() {
        0 => "none to be written".to_owned(),
        1 => format!("{} alone", words[0]),
        _ => format!("{}; without one, {}", words.join(" "), usual_place(kind)),
    }
}

/// What the example needs to be read rightly.
fn remark(kind: FaultKind) -> &'static str {
    match kind {
        FaultKind::JumperLeftIn => " with two supplies in phase, their commons apart",
        FaultKind::Intermittent => " while the joint is open; while it is made, as healthy",
        FaultKind::DeadInput => "; the circuit is healthy, and the input reads dead",
        FaultKind::OpensUnderLoad => "; with the load lifted, as healthy",
        FaultKind::Earthed => " with the common earthed at the equipment",
        _ => "",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An example whose terminals are all at every place.
    fn example_anywhere(kind: FaultKind) -> &'static str {
        match kind {
            FaultKind::Swap => "swap:Y1,O",
            FaultKind::Shift => "shift:Y1,O,W2",
            FaultKind::Jumper => "jumper:Y1,O",
            FaultKind::Earthed => "earthed:Y1",
            _ => example(kind),
        }
    }

    #[test]
    fn the_places_of_the_page_are_those_that_the_circuit_takes() {
        let single = Plant::new(Arrangement::Single).expect("sound");
        let dual = Plant::new(Arrangement::Dual).expect("sound");
        for kind in FaultKind::ALL {
            let plant = match kind {
                FaultKind::JumperLeftIn => &dual,
                _ => &single,
            };
            for place in Place::ALL {
                let written = format!("{}@{place}", example_anywhere(*kind));
                let fault: Fault = written.parse().expect("written as the grammar has it");
                let taken = plant.circuit.with_faults(&[fault]);
                assert_eq!(taken.is_ok(), places(*kind).contains(&place), "{written}");
            }
        }
    }
}

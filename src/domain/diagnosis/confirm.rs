//! What a person does at the bench to confirm a group of suspects.
//!
//! Common practice, no source. Every sentence begins with the isolation that it needs.

use super::evidence::Evidence;
use crate::domain::circuit::{Fault, FaultKind};
use crate::units::{Place, Terminal};

/// What confirms the first suspect and tells it from the others.
pub(super) fn confirm(evidence: &Evidence, suspects: &[Fault]) -> String {
    let Some(first) = suspects.first() else {
        return String::new();
    };
    let names = first
        .terminals()
        .iter()
        .map(Terminal::as_str)
        .collect::<Vec<_>>()
        .join(" and ");
    let has = |kind: FaultKind| suspects.iter().any(|suspect| suspect.kind() == kind);
    if has(FaultKind::CoilOpen) {
        return valve_at_rest(&names);
    }
    let of_controller = evidence.by_controller.then(|| at_controller(first, &names));
    let mut text = of_controller
        .flatten()
        .unwrap_or_else(|| action(first, &names));
    if has(FaultKind::StuckClosed) && first.kind() != FaultKind::StuckClosed
        || has(FaultKind::StuckOpen) && first.kind() != FaultKind::Open
    {
        text.push_str(if evidence.by_controller {
            "; the room controller's own output is a suspect too"
        } else {
            "; the bench's own relay is a suspect too"
        });
    }
    if evidence.supply_dead {
        text.push_str("; check the supply's fuse first");
    }
    text
}

/// Where a room controller drives: its output stands in the relay's place, and no line can be
/// called alone.
fn at_controller(first: &Fault, names: &str) -> Option<String> {
    let text = match first.kind() {
        FaultKind::Open if matches!(names, "R" | "C") => {
            "with the supply on, read R to C at the room controller's own terminals: dead there \
             and live at the bench means that R or C is open between the two; live at both means \
             the controller itself"
                .to_owned()
        }
        FaultKind::Open | FaultKind::StuckOpen => format!(
            "make a call that needs {names} and read {names} to C at the room controller's own \
             terminals: live there means that the conductor is open or not landed; dead there \
             means the controller's output; live at both ends means the bench's input"
        ),
        FaultKind::StuckClosed => format!(
            "isolate, lift {names} at the room controller: where its own terminal stays live with \
             nothing called, its output does not open; else look for another source on the \
             conductor"
        ),
        FaultKind::InvertedChangeover => "read the changeover line in cooling-1 and in heating-1: \
             the controller follows the other convention; look at its setting for O or B first"
            .to_owned(),
        _ => return None,
    };
    Some(text)
}

fn action(first: &Fault, names: &str) -> String {
    let named = first.terminals();
    match first.kind() {
        FaultKind::Open if names == "R" => OPEN_SUPPLY.to_owned(),
        FaultKind::Open if names == "C" => OPEN_COMMON.to_owned(),
        FaultKind::Open | FaultKind::StuckOpen => format!(
            "make the call alone:{names} and read {names} to C at the controller end: live there \
             means that the conductor is open or not landed; dead there means the bench's relay; \
             live at both ends means the bench's input"
        ),
        FaultKind::StuckClosed => format!(
            "isolate, lift {names} at the bench: where the bench's own terminal stays live with \
             its relay open, the relay is welded; else look for another source on the conductor"
        ),
        FaultKind::DeadInput => {
            format!("put the input of {names} on a known live point: it should read on")
        }
        FaultKind::Swap => format!(
            "isolate, then ring out {names} one at a time from the controller's terminal to the \
             equipment's, by terminal and never by colour"
        ),
        FaultKind::Shift => format!(
            "isolate, then ring out {names} one at a time: each sits one terminal along at one end"
        ),
        FaultKind::Mislanded => format!(
            "isolate and look at the equipment's terminals: the conductor of {} sits on {}",
            named[0], named[1]
        ),
        FaultKind::Short | FaultKind::Jumper => short_words(first, names),
        FaultKind::FanTied => FAN_TIED.to_owned(),
        FaultKind::Tied => TIED.to_owned(),
        FaultKind::InvertedChangeover if first.place() == Some(Place::Equipment) => {
            INVERTED_AT_EQUIPMENT.to_owned()
        }
        FaultKind::InvertedChangeover => INVERTED.to_owned(),
        FaultKind::JumperMissing => JUMPER_MISSING.to_owned(),
        FaultKind::Backfeed => format!(
            "isolate, lift {names} at the outdoor unit and repeat heating-1: dead then means that \
             the outdoor unit feeds it, in a defrost or for good"
        ),
        _ => format!("look at {names}"),
    }
}

const OPEN_SUPPLY: &str = "with the supply on and every relay open, read R to C at the controller \
    end: dead there and live at the equipment means that R is open between the ends; live at both \
    means that the relays' common is not fed";
const OPEN_COMMON: &str = "read R to C at both ends, then isolate and bridge C along the cable: \
    the lines answer without it, a powered controller would not";
const FAN_TIED: &str =
    "isolate and look for G joined to Y1 at the equipment, with the G conductor not landed";
const TIED: &str = "isolate and lift the second conductor from the valve line, then repeat \
    cooling-1 and heating-1";
const INVERTED: &str = "read the changeover line in cooling-1 and in heating-1 against the \
    equipment's own diagram: the other convention is set";
const INVERTED_AT_EQUIPMENT: &str = "the signal is right and the air is wrong in both modes: read \
    the equipment's own diagram for O or B, and the setting of its outdoor board; where both agree \
    with the profile, the valve itself is set or piped the other way";
const JUMPER_MISSING: &str =
    "isolate and look for the jumper between Rc and Rh: every line of one side is dead";

fn valve_at_rest(line: &str) -> String {
    format!(
        "with the call held, read {line} to C at the outdoor unit: dead there means that the \
         conductor is open or not landed; live, isolate and read the coil's ohms: open means the \
         coil, closed means that the valve itself does not shift"
    )
}

fn short_words(first: &Fault, names: &str) -> String {
    let to_common = first
        .terminals()
        .iter()
        .any(|terminal| terminal.as_str() == "C");
    let to_supply = first.terminals().iter().any(Terminal::is_supply) && !to_common;
    if to_common {
        format!(
            "isolate, lift both ends and read ohms between {names}: a healthy conductor is open"
        )
    } else if to_supply {
        format!(
            "isolate, lift both ends and read ohms between {names}; where they are apart, the \
             bench's relay does not open"
        )
    } else {
        format!(
            "isolate, lift both ends of {names} and read ohms between them: a nick, a staple or a \
             jumper joins them"
        )
    }
}

//! A suspect in words that a learner understands.
//!
//! Place in the data's path: the diagnosis names suspects in the fault grammar; reports print them
//! beside these words. Nothing is ranked here.

use crate::domain::circuit::{Fault, FaultKind};
use crate::units::{Place, Terminal};

/// The suspect in words; a suspect that is not of the fault grammar is given back as it is.
#[must_use]
pub fn suspect_in_words(suspect: &str) -> String {
    let Ok(fault) = suspect.parse::<Fault>() else {
        return suspect.to_owned();
    };
    let words = in_words(&fault);
    match fault.place() {
        Some(Place::Controller) => format!("{words}, at the controller end"),
        Some(Place::Middle) => format!("{words}, along the cable"),
        Some(Place::Equipment) => format!("{words}, at the equipment end"),
        Some(Place::Outdoor) => format!("{words}, at the outdoor unit"),
        None => words,
    }
}

fn in_words(fault: &Fault) -> String {
    let all: Vec<&str> = fault.terminals().iter().map(Terminal::as_str).collect();
    let a = all.first().copied().unwrap_or("?");
    let b = all.get(1).copied().unwrap_or("?");
    let number = fault.numbers().first().copied().unwrap_or(0.0);
    match fault.kind() {
        FaultKind::Open => format!("{a} is broken or not landed"),
        FaultKind::Short if number > 0.0 => format!("{a} and {b} touch through {number} ohm"),
        FaultKind::Short => format!("{a} and {b} touch"),
        FaultKind::Swap => format!("{a} and {b} are exchanged"),
        FaultKind::Shift => format!("{} are each landed one along", all.join(", ")),
        FaultKind::Mislanded => format!("the {a} conductor is landed on {b}"),
        FaultKind::Resistance => format!("a joint of {number} ohm in {a}"),
        FaultKind::OpensUnderLoad => format!("a joint in {a} opens under load"),
        FaultKind::Intermittent => format!("a joint in {a} comes and goes"),
        FaultKind::StuckOpen => format!("the relay that calls {a} never closes"),
        FaultKind::StuckClosed => format!("the relay that calls {a} never opens"),
        FaultKind::DeadInput => format!("what senses {a} on the bench is dead"),
        FaultKind::Leakage => format!("the output on {a} leaks while off"),
        FaultKind::CoilOpen => format!("the load on {a} has an open winding"),
        FaultKind::CoilShort => format!("the load on {a} has a shorted winding"),
        FaultKind::Chatter => format!("the load on {a} chatters"),
        FaultKind::Jumper => format!("{a} and {b} are jumpered"),
        FaultKind::FanTied => "G is not landed and the fan is tied to Y1".to_owned(),
        FaultKind::Tied => format!("{a} and {b} both feed the one reversing valve line"),
        FaultKind::InvertedChangeover => {
            "the reversing valve (O/B) follows the other convention".to_owned()
        }
        FaultKind::JumperMissing => "the jumper from Rc to Rh is missing".to_owned(),
        FaultKind::JumperLeftIn => "the jumper from Rc to Rh was left in".to_owned(),
        FaultKind::Backfeed => format!("another source feeds {a}"),
        FaultKind::Earthed => format!("{a} touches earth"),
        FaultKind::Floating => format!("{a} is lifted at both ends"),
        FaultKind::FuseOpen => "the supply's fuse is open".to_owned(),
        FaultKind::Supply => format!("the supply gives {number} V unloaded"),
        FaultKind::WrongTap => "the transformer's primary is on the wrong tap".to_owned(),
        FaultKind::UndersizedTransformer => format!("the transformer is too small ({number} VA)"),
        FaultKind::ThinWire => format!("the cable is too thin or too long (AWG {number})"),
    }
}

#[cfg(test)]
mod tests {
    use super::suspect_in_words;

    #[test]
    fn suspects_read_as_sentences() {
        let check = |suspect: &str, words: &str| assert_eq!(suspect_in_words(suspect), words);
        check("swap:Y1,G", "Y1 and G are exchanged");
        check(
            "open:R@controller",
            "R is broken or not landed, at the controller end",
        );
        check("short:Y1,W2=200", "Y1 and W2 touch through 200 ohm");
        check("relay-common", "relay-common");
    }
}

//! The fault grammar: one way to write what is wrong, for simulator, practice and diagnosis.
//!
//! A fault is a kind, the terminals it touches, its numbers and, where it has one, its place:
//! `open:Y1`, `short:Y1,W2=200`, `thin-wire:24,300`, `resistance:Y1=100@outdoor`. Place in the
//! data's path: the command line reads it, the simulator turns it into a change of the circuit,
//! diagnosis writes it as a suspect. Whether it makes sense for a profile is [`Fault::resolve`]'s
//! to say; what it does to the circuit is not said here.

use crate::domain::Profile;
use crate::units::{Place, Terminal};
use std::fmt;
use std::str::FromStr;

/// What terminals a kind of fault takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Terminals {
    None,
    One,
    Two,
    AtLeastTwo,
}

/// What numbers a kind of fault takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Numbers {
    None,
    /// After `=`; may be left out.
    OhmsIfAny,
    /// After `=`; required.
    Ohms,
    /// In the place of terminals.
    Bare(usize),
}

macro_rules! fault_kinds {
    ($($(#[$doc:meta])* $variant:ident = $word:literal, $terminals:ident, $numbers:expr;)+) => {
        /// The kind of a fault.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum FaultKind { $($(#[$doc])* $variant),+ }

        impl FaultKind {
            /// Every kind, in the order in which messages list them.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// The word of the grammar.
            #[must_use]
            pub fn word(self) -> &'static str {
                match self { $(Self::$variant => $word),+ }
            }

            fn terminals(self) -> Terminals {
                match self { $(Self::$variant => Terminals::$terminals),+ }
            }

            fn numbers(self) -> Numbers {
                match self { $(Self::$variant => $numbers),+ }
            }
        }
    };
}

fault_kinds! {
    /// A conductor is broken or not landed.
    Open = "open", One, Numbers::None;
    /// Two conductors touch; ohms where the contact is not a good one.
    Short = "short", Two, Numbers::OhmsIfAny;
    /// Two conductors are exchanged.
    Swap = "swap", Two, Numbers::None;
    /// Conductors are each landed one along, the last on the first's terminal.
    Shift = "shift", AtLeastTwo, Numbers::None;
    /// The first's conductor is landed on the second's terminal.
    Mislanded = "mislanded", Two, Numbers::None;
    /// A joint of so many ohms.
    Resistance = "resistance", One, Numbers::Ohms;
    /// A joint that holds unloaded and opens under load.
    OpensUnderLoad = "opens-under-load", One, Numbers::None;
    /// A joint that comes and goes.
    Intermittent = "intermittent", One, Numbers::None;
    /// The relay that makes the call never closes.
    StuckOpen = "stuck-open", One, Numbers::None;
    /// The relay that makes the call never opens.
    StuckClosed = "stuck-closed", One, Numbers::None;
    /// The bench's sensing of the line is dead.
    DeadInput = "dead-input", One, Numbers::None;
    /// A solid-state output leaks while off.
    Leakage = "leakage", One, Numbers::None;
    /// The load's winding is open.
    CoilOpen = "coil-open", One, Numbers::None;
    /// The load's winding is shorted.
    CoilShort = "coil-short", One, Numbers::None;
    /// The load pulls in and drops out again and again.
    Chatter = "chatter", One, Numbers::None;
    /// Two terminals are joined by a jumper.
    Jumper = "jumper", Two, Numbers::None;
    /// The fan is tied to Y1 at the equipment, and G is not landed.
    FanTied = "fan-tied", None, Numbers::None;
    /// Both changeover outputs are landed on the one valve line.
    Tied = "tied", Two, Numbers::None;
    /// The changeover follows the other convention.
    InvertedChangeover = "inverted-changeover", None, Numbers::None;
    /// The jumper between the supply terminals is missing.
    JumperMissing = "jumper-missing", None, Numbers::None;
    /// The jumper between the supply terminals is left in where there are two supplies.
    JumperLeftIn = "jumper-left-in", None, Numbers::None;
    /// Another source feeds the line.
    Backfeed = "backfeed", One, Numbers::None;
    /// A conductor touches earth.
    Earthed = "earthed", One, Numbers::None;
    /// A conductor is lifted at both ends and picks up its neighbours.
    Floating = "floating", One, Numbers::None;
    /// The supply's fuse is open.
    FuseOpen = "fuse-open", None, Numbers::None;
    /// The supply's open-circuit volts.
    Supply = "supply", None, Numbers::Bare(1);
    /// The primary sits on the tap for a higher mains voltage.
    WrongTap = "wrong-tap", None, Numbers::None;
    /// The transformer's rating in volt-amperes.
    UndersizedTransformer = "undersized-transformer", None, Numbers::Bare(1);
    /// The cable's gauge (AWG) and length in feet.
    ThinWire = "thin-wire", None, Numbers::Bare(2);
}

impl fmt::Display for FaultKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

/// One fault. Made by parsing, or by [`Fault::new`].
#[derive(Debug, Clone, PartialEq)]
pub struct Fault {
    kind: FaultKind,
    terminals: Vec<Terminal>,
    numbers: Vec<f64>,
    place: Option<Place>,
}

/// A fault that cannot be read, or that makes no sense for the profile.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("fault '{given}': {reason}")]
pub struct FaultError {
    /// The fault as given.
    pub given: String,
    /// What is wrong and what would be right.
    pub reason: String,
}

impl Fault {
    /// A fault without numbers or place.
    ///
    /// # Errors
    /// [`FaultError`] where the kind takes other terminals.
    pub fn new(kind: FaultKind, terminals: &[Terminal]) -> Result<Self, FaultError> {
        let fault = Self {
            kind,
            terminals: terminals.to_vec(),
            numbers: Vec::new(),
            place: None,
        };
        match fault.shape_problem() {
            Some(reason) => Err(FaultError {
                given: fault.to_string(),
                reason,
            }),
            None => Ok(fault),
        }
    }

    /// The same fault at a place.
    #[must_use]
    pub fn at(self, place: Place) -> Self {
        let place = Some(place);
        Self { place, ..self }
    }

    /// Its kind.
    #[must_use]
    pub fn kind(&self) -> FaultKind {
        self.kind
    }

    /// The terminals that it touches, in the order written.
    #[must_use]
    pub fn terminals(&self) -> &[Terminal] {
        &self.terminals
    }

    /// Its numbers: ohms, volts, volt-amperes, or gauge and feet.
    #[must_use]
    pub fn numbers(&self) -> &[f64] {
        &self.numbers
    }

    /// Where it sits, where that was said.
    #[must_use]
    pub fn place(&self) -> Option<Place> {
        self.place
    }

    fn shape_problem(&self) -> Option<String> {
        let count = self.terminals.len();
        let right_count = match self.kind.terminals() {
            Terminals::None => count == 0,
            Terminals::One => count == 1,
            Terminals::Two => count == 2,
            Terminals::AtLeastTwo => count >= 2,
        };
        if !right_count {
            return Some(format!("it is written {}", self.kind.form()));
        }
        for (index, terminal) in self.terminals.iter().enumerate() {
            if self.terminals[..index].contains(terminal) {
                return Some(format!("{terminal} is named twice"));
            }
        }
        let right_numbers = match self.kind.numbers() {
            Numbers::None => self.numbers.is_empty(),
            Numbers::OhmsIfAny => self.numbers.len() <= 1,
            Numbers::Ohms => self.numbers.len() == 1,
            Numbers::Bare(wanted) => self.numbers.len() == wanted,
        };
        if !right_numbers {
            return Some(format!("it is written {}", self.kind.form()));
        }
        let bad = self
            .numbers
            .iter()
            .find(|number| !number.is_finite() || **number < 0.0);
        bad.map(|number| format!("{number} is not a number of 0 or more"))
    }

    /// The same fault for a profile: aliases become terminals, and what makes no sense is refused.
    ///
    /// # Errors
    /// [`FaultError`] that names what would make sense.
    pub fn resolve(&self, profile: &Profile, lines: &[Terminal]) -> Result<Self, FaultError> {
        let mut resolved = self.clone();
        let refuse = |reason: String| FaultError {
            given: self.to_string(),
            reason,
        };
        for terminal in &mut resolved.terminals {
            *terminal = profile
                .resolve_terminal(terminal.as_str())
                .map_err(&refuse)?;
            let tied_partner = self.kind == FaultKind::Tied
                && profile
                    .changeover()
                    .is_some_and(|c| c.other().terminal() == *terminal);
            if !terminal.is_supply() && !lines.contains(terminal) && !tied_partner {
                let known: Vec<&str> = lines.iter().map(Terminal::as_str).collect();
                return Err(refuse(format!(
                    "there is no line {terminal} here; lines: {}",
                    known.join(" ")
                )));
            }
        }
        if let Some(problem) = resolved.shape_problem() {
            return Err(refuse(problem));
        }
        resolved
            .sense_problem(profile)
            .map_or(Ok(resolved), |reason| Err(refuse(reason)))
    }

    fn sense_problem(&self, profile: &Profile) -> Option<String> {
        use crate::domain::profile::Arrangement;
        let single = profile.arrangement() == Arrangement::Single;
        match self.kind {
            FaultKind::InvertedChangeover if profile.changeover().is_none() => {
                Some("this profile has no changeover line to invert".to_owned())
            }
            FaultKind::Tied => {
                let mut letters: Vec<&str> = self.terminals.iter().map(Terminal::as_str).collect();
                letters.sort_unstable();
                if profile.changeover().is_none() {
                    Some("this profile has no changeover line".to_owned())
                } else if letters != ["B", "O"] {
                    Some("it is written tied:O,B; for other lines use jumper".to_owned())
                } else {
                    None
                }
            }
            FaultKind::FanTied if !profile.fan_line() => {
                Some("this profile has no fan line".to_owned())
            }
            FaultKind::JumperMissing if !single => {
                Some("two supplies have no jumper to miss; jumper-left-in fits".to_owned())
            }
            FaultKind::JumperLeftIn if single => {
                Some("one supply keeps its jumper in; jumper-missing fits".to_owned())
            }
            FaultKind::StuckOpen
            | FaultKind::StuckClosed
            | FaultKind::CoilOpen
            | FaultKind::CoilShort
            | FaultKind::Chatter
            | FaultKind::Leakage
            | FaultKind::Backfeed
                if self.terminals[0].is_supply() =>
            {
                Some(format!(
                    "{} is not a call line; name one",
                    self.terminals[0]
                ))
            }
            _ => None,
        }
    }
}

impl FaultKind {
    /// How the kind is written, for messages.
    #[must_use]
    pub fn form(self) -> String {
        let word = self.word();
        match (self.terminals(), self.numbers()) {
            (Terminals::None, Numbers::Bare(2)) => format!("{word}:24,300 (AWG, feet)"),
            (Terminals::None, Numbers::Bare(_)) => format!("{word}:NUMBER"),
            (Terminals::None, _) => word.to_owned(),
            (Terminals::One, Numbers::Ohms) => format!("{word}:LINE=OHMS"),
            (Terminals::One, _) => format!("{word}:LINE"),
            (Terminals::Two, Numbers::OhmsIfAny) => {
                format!("{word}:LINE,LINE or {word}:LINE,LINE=OHMS")
            }
            (Terminals::Two, _) => format!("{word}:LINE,LINE"),
            (Terminals::AtLeastTwo, _) => format!("{word}:LINE,LINE,…"),
        }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.kind)?;
        let names: Vec<&str> = self.terminals.iter().map(Terminal::as_str).collect();
        let numbers: Vec<String> = self.numbers.iter().map(f64::to_string).collect();
        if !names.is_empty() {
            write!(f, ":{}", names.join(","))?;
            if !numbers.is_empty() {
                write!(f, "={}", numbers.join(","))?;
            }
        } else if !numbers.is_empty() {
            write!(f, ":{}", numbers.join(","))?;
        }
        if let Some(place) = self.place {
            write!(f, "@{place}")?;
        }
        Ok(())
    }
}

impl FromStr for Fault {
    type Err = FaultError;

    fn from_str(given: &str) -> Result<Self, FaultError> {
        let fail = |reason: String| FaultError {
            given: given.to_owned(),
            reason,
        };
        let (body, place) = match given.split_once('@') {
            None => (given, None),
            Some((body, word)) => (body, Some(place_named(word).map_err(&fail)?)),
        };
        let (word, arguments) = body.split_once(':').map_or((body, ""), |(w, a)| (w, a));
        let kind = kind_named(word).map_err(&fail)?;
        let mut fault = Self {
            kind,
            terminals: Vec::new(),
            numbers: Vec::new(),
            place,
        };
        if let Numbers::Bare(_) = kind.numbers() {
            fault.numbers = parse_numbers(arguments).map_err(&fail)?;
        } else if !arguments.is_empty() {
            let (names, ohms) = arguments
                .split_once('=')
                .map_or((arguments, None), |(n, o)| (n, Some(o)));
            for name in names.split(',') {
                let terminal = Terminal::new(name).map_err(|error| fail(error.to_string()))?;
                fault.terminals.push(terminal);
            }
            if let Some(ohms) = ohms {
                fault.numbers = parse_numbers(ohms).map_err(&fail)?;
            }
        }
        match fault.shape_problem() {
            Some(reason) => Err(fail(reason)),
            None => Ok(fault),
        }
    }
}

fn kind_named(word: &str) -> Result<FaultKind, String> {
    if let Some(kind) = FaultKind::ALL.iter().find(|kind| kind.word() == word) {
        return Ok(*kind);
    }
    let hint = did_you_mean(word, FaultKind::ALL.iter().map(|kind| kind.word()));
    let all: Vec<&str> = FaultKind::ALL.iter().map(|kind| kind.word()).collect();
    Err(format!(
        "'{word}' is not a kind of fault{hint} (kinds: {})",
        all.join(", ")
    ))
}

/// The nearest of the words as a question, where one is near.
fn did_you_mean(given: &str, words: impl Iterator<Item = &'static str>) -> String {
    let distances = words.map(|word| (strsim::damerau_levenshtein(word, given), word));
    match distances.min() {
        Some((distance, name)) if distance <= 3 => format!("; did you mean {name}?"),
        _ => String::new(),
    }
}

fn place_named(word: &str) -> Result<Place, String> {
    let mut places = Place::ALL.into_iter();
    places.find(|place| place.word() == word).ok_or_else(|| {
        let hint = did_you_mean(word, Place::ALL.into_iter().map(Place::word));
        format!("'{word}' is not a place{hint} (places: controller, middle, equipment or outdoor)")
    })
}

fn parse_numbers(text: &str) -> Result<Vec<f64>, String> {
    text.split(',')
        .map(|part| {
            part.trim()
                .parse::<f64>()
                .map_err(|_| format!("'{part}' is not a number"))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_documented_form_reads_and_writes_back() {
        for written in [
            "open:Y1",
            "short:R,C",
            "short:Y1,W2=200",
            "swap:Y1,G",
            "shift:Y1,G,O",
            "mislanded:W2,E",
            "resistance:Y1=100",
            "resistance:Y1=100@outdoor",
            "opens-under-load:Y1",
            "intermittent:Y1",
            "stuck-open:Y1",
            "stuck-closed:Y1",
            "dead-input:Y1",
            "leakage:Y1",
            "coil-open:Y1",
            "coil-short:Y1",
            "chatter:Y1",
            "jumper:Y1,Y2",
            "fan-tied",
            "tied:O,B",
            "inverted-changeover",
            "inverted-changeover@equipment",
            "jumper-missing",
            "jumper-left-in",
            "backfeed:W2",
            "earthed:R",
            "floating:W2",
            "fuse-open",
            "supply:21",
            "wrong-tap",
            "undersized-transformer:20",
            "thin-wire:24,300",
        ] {
            let fault: Fault = written
                .parse()
                .unwrap_or_else(|error| panic!("{written}: {error}"));
            assert_eq!(fault.to_string(), written);
        }
    }

    #[test]
    fn what_cannot_be_read_says_how_it_is_written() {
        let check = |written: &str, part: &str| {
            let error = written.parse::<Fault>().expect_err(written);
            assert!(error.to_string().contains(part), "{error}");
        };
        check("opne:Y1", "did you mean open?");
        check("open", "open:LINE");
        check("open:Y1,G", "open:LINE");
        check("short:Y1", "short:LINE,LINE");
        check("swap:Y1,Y1", "Y1 is named twice");
        check("resistance:Y1", "resistance:LINE=OHMS");
        check("resistance:Y1=-3", "-3");
        check("supply:x", "'x' is not a number");
        check("open:Y1@equipmnt", "did you mean equipment?");
        check("open:Y1@roof", "controller, middle, equipment or outdoor");
    }
}

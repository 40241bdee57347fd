//! Faults of a link, as a person writes them: `late:board=900`, `silent:board%0.03`.
//!
//! Place in the data's path: the command line reads them, the link server applies them to replies.
//! A fault strikes replies only: the device has received and carried out the request. What is said
//! here is how faults are written, and whether their device exists.

use crate::domain::BenchMap;
use crate::units::{DeviceName, Microseconds, Milliseconds};
use std::fmt;
use std::str::FromStr;

/// What a link fault does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LinkFaultKind {
    /// The reply comes after this long.
    Late(Milliseconds),
    /// No reply comes.
    Silent,
    /// Random bytes before the reply, or a byte of it damaged, in a way that the protocol can show.
    Garbage,
    /// The request comes back in place of the reply.
    Echo,
    /// Another unit answers, the answer names another coil, or it answers another question.
    WrongAddress,
    /// Half of the reply comes.
    Truncated,
    /// The link is gone from this moment on.
    Unplug(Microseconds),
}

/// The words, each with the way it is written.
const FORMS: [(&str, &str); 7] = [
    ("late", "late:DEVICE=900"),
    ("silent", "silent:DEVICE"),
    ("garbage", "garbage:DEVICE"),
    ("echo", "echo:DEVICE"),
    ("wrong-address", "wrong-address:DEVICE"),
    ("truncated", "truncated:DEVICE"),
    ("unplug", "unplug:DEVICE@3.2"),
];

/// Far beyond any run, and well inside what a timer takes.
const LONGEST_SECONDS: f64 = 1e9;

impl LinkFaultKind {
    /// The word of the grammar.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Late(_) => "late",
            Self::Silent => "silent",
            Self::Garbage => "garbage",
            Self::Echo => "echo",
            Self::WrongAddress => "wrong-address",
            Self::Truncated => "truncated",
            Self::Unplug(_) => "unplug",
        }
    }
}

/// One link fault.
#[derive(Debug, Clone, PartialEq)]
pub struct LinkFault {
    kind: LinkFaultKind,
    device: DeviceName,
    probability: Option<f64>,
}

/// A link fault that cannot be read, or that names no device of the bench.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("link fault '{given}': {reason}")]
pub struct LinkFaultError {
    /// The fault as given.
    pub given: String,
    /// What is wrong and what would be right.
    pub reason: String,
}

impl LinkFault {
    /// A fault of every reply.
    #[must_use]
    pub fn always(kind: LinkFaultKind, device: DeviceName) -> Self {
        Self {
            kind,
            device,
            probability: None,
        }
    }

    /// What it does.
    #[must_use]
    pub fn kind(&self) -> LinkFaultKind {
        self.kind
    }

    /// The device whose replies it strikes.
    #[must_use]
    pub fn device(&self) -> &DeviceName {
        &self.device
    }

    /// The probability with which it strikes a reply; for `unplug`, with which it comes at all.
    #[must_use]
    pub fn probability(&self) -> f64 {
        self.probability.unwrap_or(1.0)
    }

    /// Whether the bench has the device.
    ///
    /// # Errors
    /// [`LinkFaultError`] with the nearest name and the names there are.
    pub fn check(&self, bench: &BenchMap) -> Result<(), LinkFaultError> {
        if bench.devices.contains_key(&self.device) {
            return Ok(());
        }
        let names = || bench.devices.keys().map(DeviceName::as_str);
        let hint = nearest(self.device.as_str(), names());
        let names: Vec<&str> = names().collect();
        Err(LinkFaultError {
            given: self.to_string(),
            reason: format!(
                "the bench has no device {}{hint} (devices: {})",
                self.device,
                names.join(", ")
            ),
        })
    }
}

/// "; did you mean X?" where a name is near enough, else nothing.
fn nearest<'a>(given: &str, names: impl Iterator<Item = &'a str>) -> String {
    let nearest = names
        .map(|name| (strsim::damerau_levenshtein(name, given), name))
        .min();
    match nearest {
        Some((distance, name)) if distance <= 3 => format!("; did you mean {name}?"),
        _ => String::new(),
    }
}

impl fmt::Display for LinkFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}", self.kind.word(), self.device)?;
        match self.kind {
            LinkFaultKind::Late(after) => write!(f, "={}", after.0)?,
            LinkFaultKind::Unplug(at) => write!(f, "@{}", at.0 as f64 / 1e6)?,
            _ => {}
        }
        match self.probability {
            Some(probability) => write!(f, "%{probability}"),
            None => Ok(()),
        }
    }
}

impl FromStr for LinkFault {
    type Err = LinkFaultError;

    fn from_str(given: &str) -> Result<Self, LinkFaultError> {
        parse(given).map_err(|reason| LinkFaultError {
            given: given.to_owned(),
            reason,
        })
    }
}

fn parse(given: &str) -> Result<LinkFault, String> {
    let (body, probability) = match given.split_once('%') {
        None => (given, None),
        Some((body, text)) => (body, Some(parse_probability(text)?)),
    };
    let (word, rest) = body.split_once(':').unwrap_or((body, ""));
    let Some((_, form)) = FORMS.iter().find(|(known, _)| *known == word) else {
        let words = FORMS.map(|(known, _)| known);
        let hint = nearest(word, words.into_iter());
        let words = words.join(", ");
        return Err(format!(
            "'{word}' is not a link fault{hint} (kinds: {words})"
        ));
    };
    let written = || format!("it is written {form}");
    let (name, number) = match word {
        "late" => split_number(rest, '=').ok_or_else(written)?,
        "unplug" => split_number(rest, '@').ok_or_else(written)?,
        _ => (rest, ""),
    };
    let kind = match word {
        "late" => LinkFaultKind::Late(parse_milliseconds(number)?),
        "unplug" => LinkFaultKind::Unplug(parse_seconds(number)?),
        "silent" => LinkFaultKind::Silent,
        "garbage" => LinkFaultKind::Garbage,
        "echo" => LinkFaultKind::Echo,
        "wrong-address" => LinkFaultKind::WrongAddress,
        _ => LinkFaultKind::Truncated,
    };
    if name.is_empty() || name.contains(['=', '@']) {
        return Err(written());
    }
    let device = DeviceName::new(name).map_err(|error| error.to_string())?;
    Ok(LinkFault {
        kind,
        device,
        probability,
    })
}

fn split_number(rest: &str, mark: char) -> Option<(&str, &str)> {
    rest.split_once(mark)
}

fn parse_probability(text: &str) -> Result<f64, String> {
    let given = text.parse::<f64>().ok();
    given
        .filter(|p| (0.0..=1.0).contains(p))
        .ok_or_else(|| format!("'{text}' after % is not a probability from 0 to 1"))
}

fn parse_milliseconds(text: &str) -> Result<Milliseconds, String> {
    let given = text.parse::<u64>().ok();
    given
        .filter(|ms| *ms as f64 <= LONGEST_SECONDS * 1e3)
        .map(Milliseconds)
        .ok_or_else(|| format!("'{text}' is not a whole number of milliseconds"))
}

fn parse_seconds(text: &str) -> Result<Microseconds, String> {
    let given = text.parse::<f64>().ok();
    given
        .filter(|seconds| (0.0..=LONGEST_SECONDS).contains(seconds))
        // In range and not negative: the cast loses the part below a microsecond only.
        .map(|seconds| Microseconds((seconds * 1e6).round() as u64))
        .ok_or_else(|| format!("'{text}' is not a number of seconds, 0 or more"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_documented_form_reads_and_writes_back() {
        for written in [
            "late:board=900",
            "silent:board",
            "garbage:board",
            "echo:board",
            "wrong-address:board",
            "truncated:board",
            "unplug:board@3.2",
            "late:board-2=900%0.03",
            "unplug:board@3.2%0.5",
            "silent:board%1",
        ] {
            let fault: LinkFault = written
                .parse()
                .unwrap_or_else(|error| panic!("{written}: {error}"));
            assert_eq!(fault.to_string(), written);
        }
    }

    #[test]
    fn numbers_keep_their_units() {
        let kind = |written: &str| written.parse::<LinkFault>().expect(written).kind();
        assert_eq!(
            kind("late:board=900"),
            LinkFaultKind::Late(Milliseconds(900))
        );
        assert_eq!(
            kind("unplug:board@3.2"),
            LinkFaultKind::Unplug(Microseconds(3_200_000))
        );
    }

    #[test]
    fn what_cannot_be_read_says_how_it_is_written() {
        let check = |written: &str, part: &str| {
            let error = written.parse::<LinkFault>().expect_err(written);
            assert!(error.to_string().contains(part), "{error}");
        };
        check("lat:board=900", "did you mean late?");
        check("fire:board", "kinds: late, silent");
        check("late:board", "late:DEVICE=900");
        check("late:board=x", "'x' is not a whole number of milliseconds");
        check("late:=900", "late:DEVICE=900");
        check("silent", "silent:DEVICE");
        check("silent:board=9", "silent:DEVICE");
        check("unplug:board=3", "unplug:DEVICE@3.2");
        check("unplug:board@-1", "'-1' is not a number of seconds");
        check("silent:board%3", "'3' after % is not a probability");
        check("silent:board%nan", "not a probability");
        check("silent:bo.ard", "not a device name");
    }
}

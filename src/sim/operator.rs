//! The person at the simulated bench: does what is asked, and tells what is truly there.
//!
//! Place in the data's path: a question in, the answer's words out; jumpers, the call set at the
//! room controller and the meter's leads change in the world. How long the person takes to think is
//! the caller's. What an observer sees is the wiring's state at that end, whatever any input says.

use super::physics::Point;
use super::world::World;
use crate::domain::plan::Target;
use crate::domain::{Call, Question};
use crate::units::{End, MeterValue, Microseconds, Terminal};
use std::collections::BTreeSet;

/// What the person has done so far.
#[derive(Debug, Default)]
pub(super) struct Hands {
    /// Lines that lie on R by jumper.
    pub(super) jumpers: BTreeSet<Terminal>,
    /// The call set at the room controller.
    pub(super) call: Option<Call>,
    /// Where the meter's leads lie; `None` before they were ever put anywhere.
    pub(super) leads: Option<Point>,
}

/// Carries a question out and answers it.
pub(super) fn answer(world: &mut World, question: &Question, now: Microseconds) -> String {
    match question {
        Question::MakeCall { call, lines, .. } => {
            let hands = world.hands(now);
            hands.jumpers = lines.iter().cloned().collect();
            hands.call = lines.is_empty().then(|| call.clone());
            done()
        }
        Question::EndCall { .. } => {
            let hands = world.hands(now);
            hands.jumpers.clear();
            hands.call = None;
            done()
        }
        Question::Observe { lines, end, .. } => {
            let live = lines.iter().filter(|line| {
                let terminal = Terminal::clone(line);
                let end = *end;
                world.is_live(&Point { terminal, end }, now)
            });
            let names: Vec<&str> = live.map(Terminal::as_str).collect();
            if names.is_empty() {
                "none".to_owned()
            } else {
                names.join(" ")
            }
        }
        Question::Confirm { .. } => "yes".to_owned(),
        Question::Air { .. } | Question::Machines { .. } | Question::Warmth { .. } => {
            match world.house(now) {
                Some(house) => house.answer(question),
                None => "cannot".to_owned(),
            }
        }
        Question::Value {
            target,
            end,
            quantity,
            ..
        } => match point_of(target, *end) {
            Some(point) => words_of(world.in_hand(&point, *quantity, now)),
            None => "none".to_owned(),
        },
        Question::Probe { target, end } => match point_of(target, *end) {
            Some(point) => {
                world.hands(now).leads = Some(point);
                done()
            }
            None => "cannot".to_owned(),
        },
    }
}

/// Read off to a thousandth.
fn words_of(shown: MeterValue) -> String {
    match shown {
        MeterValue::Value(value) => format!("{value:.3}"),
        MeterValue::Overload => "overload".to_owned(),
        MeterValue::NotANumber => "none".to_owned(),
    }
}

fn done() -> String {
    "done".to_owned()
}

/// The leads of this bench lie on one terminal and its common.
fn point_of(target: &Target, end: End) -> Option<Point> {
    let terminal = match target {
        Target::Line(line) => line.clone(),
        Target::Supply(rail) => rail.terminal(),
        Target::Pair(..) => return None,
    };
    Some(Point { terminal, end })
}

//! When a joint that comes and goes is made.
//!
//! Place in the data's path: the world asks it at each moment; the physics puts the joint in or
//! leaves it out. It opens and closes in a rhythm of its own, drawn from the seed (assumed: a joint
//! under heat or vibration has no clock, but this run must be the same again).

use super::random::{Draws, Purpose};
use crate::units::Microseconds;

/// One rhythm for every such joint of the bench.
#[derive(Debug, Clone, Copy)]
pub(super) struct LooseJoint {
    period: u64,
    /// The first part of each period, in which it is made.
    made: u64,
    phase: u64,
}

impl LooseJoint {
    pub(super) fn draw(seed: u64) -> Self {
        let mut draws = Draws::new(seed, Purpose::Installation, 1);
        let period = draws.within(800_000..=6_000_000);
        Self {
            period,
            made: draws.within(period / 4..=period * 3 / 4),
            phase: draws.within(0..=period),
        }
    }

    pub(super) fn is_made(&self, at: Microseconds) -> bool {
        self.within_period(at) < self.made
    }

    /// The last two changes up to a moment, the earlier first: those before them leave no trace.
    pub(super) fn last_changes(&self, now: Microseconds) -> impl Iterator<Item = Microseconds> {
        let into = self.within_period(now);
        let ago = if into < self.made {
            [into + self.period - self.made, into]
        } else {
            [into, into - self.made]
        };
        ago.into_iter()
            .filter_map(move |ago| Some(Microseconds(now.0.checked_sub(ago)?)))
    }

    fn within_period(&self, at: Microseconds) -> u64 {
        (at.0 + self.phase) % self.period
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_changes_where_it_says_and_nowhere_else() {
        let joint = LooseJoint {
            period: 10,
            made: 4,
            phase: 3,
        };
        let made: Vec<bool> = (0..20).map(|at| joint.is_made(Microseconds(at))).collect();
        // By hand: into the period 3 4 5 6 7 8 9 0 1 2 3 4 …, made below 4.
        let expected = "1000000111100000011110";
        let written: String = made.iter().map(|m| if *m { '1' } else { '0' }).collect();
        assert_eq!(written, expected[..20]);
        let last = |now| {
            let moments = joint.last_changes(Microseconds(now));
            moments.map(|at| at.0).collect::<Vec<_>>()
        };
        assert_eq!(last(12), [7, 11]);
        assert_eq!(last(18), [11, 17]);
        assert_eq!(last(0), Vec::<u64>::new());
    }
}

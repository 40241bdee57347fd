//! How long a device takes to answer, and the timeouts that follow from it.
//!
//! Place in the data's path: the self-test measures, this sums up and proposes, a person writes the
//! proposal into the bench file. Nothing here changes a link.

use crate::units::{Microseconds, Milliseconds};

/// A distribution of reply times, from the request's first byte to the reply's last.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ReplyTimes {
    /// Number of replies.
    pub reads: usize,
    /// The shortest.
    pub min: Microseconds,
    /// Half of them were no longer.
    pub median: Microseconds,
    /// Nineteen of twenty were no longer.
    pub p95: Microseconds,
    /// The longest.
    pub max: Microseconds,
}

impl ReplyTimes {
    /// The distribution of these times, by nearest rank; `None` of none.
    #[must_use]
    pub fn of(times: &[Microseconds]) -> Option<Self> {
        let mut sorted = times.to_vec();
        sorted.sort();
        let at_percent = |percent: usize| {
            let rank = (sorted.len() * percent).div_ceil(100).max(1);
            sorted[rank - 1]
        };
        (!sorted.is_empty()).then(|| Self {
            reads: sorted.len(),
            min: at_percent(0),
            median: at_percent(50),
            p95: at_percent(95),
            max: at_percent(100),
        })
    }
}

/// The shortest reply timeout that is proposed: an adapter may hold bytes back for some 16 ms, and
/// a busy computer for several times as long (from memory).
const SHORTEST: Milliseconds = Milliseconds(100);
/// The longest that a bench file takes.
const LONGEST: Milliseconds = Milliseconds(60_000);

/// The rule, in a person's words.
pub const TIMEOUT_RULE: &str = "reply_timeout_ms is the greatest of 4 times the 95 % reply time, \
                                2 times the longest and 100 ms, rounded up to 10 ms; where a read \
                                went unanswered, no less than now. late_reply_ms is twice that.";

/// Timeouts of a link.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LinkTimeouts {
    /// `reply_timeout_ms`.
    pub reply_timeout: Milliseconds,
    /// `late_reply_ms`.
    pub late_reply: Milliseconds,
}

/// What [`TIMEOUT_RULE`] gives for a link whose devices answered like this. `unanswered_at` is the
/// timeout now in force where a read of the link had no good answer. `None` where nothing was
/// measured.
#[must_use]
pub fn proposed_timeouts(
    devices: &[ReplyTimes],
    unanswered_at: Option<Milliseconds>,
) -> Option<LinkTimeouts> {
    let wanted_us = devices
        .iter()
        .map(|times| (4 * times.p95.0).max(2 * times.max.0))
        .max()?;
    let rounded = Milliseconds(wanted_us.div_ceil(10_000) * 10);
    let reply_timeout = rounded
        .max(SHORTEST)
        .max(unanswered_at.unwrap_or_default())
        .min(LONGEST);
    Some(LinkTimeouts {
        reply_timeout,
        late_reply: Milliseconds(2 * reply_timeout.0),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn times(all: impl IntoIterator<Item = u64>) -> ReplyTimes {
        let all: Vec<Microseconds> = all.into_iter().map(Microseconds).collect();
        ReplyTimes::of(&all).expect("some")
    }

    #[test]
    fn a_distribution_is_read_off_by_nearest_rank() {
        // 1 to 40, shuffled: half of 40 is the 20th, 95 % the 38th.
        let shuffled = (1..=40).map(|at| (at * 7) % 41);
        let found = times(shuffled);
        let expected = [40, 1, 20, 38, 40];
        assert_eq!(
            [
                found.reads as u64,
                found.min.0,
                found.median.0,
                found.p95.0,
                found.max.0
            ],
            expected
        );
        assert_eq!(times([9]).p95, Microseconds(9));
        assert_eq!(ReplyTimes::of(&[]), None);
    }

    #[test]
    fn the_rule_by_hand() {
        let propose = |p95_ms: u64, max_ms: u64, unanswered: Option<u64>| {
            let device = ReplyTimes {
                p95: Microseconds(p95_ms * 1000),
                max: Microseconds(max_ms * 1000),
                ..times([1])
            };
            let found = proposed_timeouts(&[times([1]), device], unanswered.map(Milliseconds));
            let found = found.expect("measured");
            (found.reply_timeout.0, found.late_reply.0)
        };
        assert_eq!(propose(12, 20, None), (100, 200), "the floor");
        assert_eq!(
            propose(33, 40, None),
            (140, 280),
            "4 x 33 = 132, rounded up"
        );
        assert_eq!(propose(33, 90, None), (180, 360), "2 x 90");
        assert_eq!(
            propose(33, 40, Some(800)),
            (800, 1600),
            "reads went unanswered at 800"
        );
        assert_eq!(
            propose(20_000, 20_000, None),
            (60_000, 120_000),
            "the longest"
        );
        assert_eq!(proposed_timeouts(&[], Some(Milliseconds(800))), None);
    }
}

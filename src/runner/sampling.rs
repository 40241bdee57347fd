//! At which moments a digital input is sampled.
//!
//! Place in the data's path: measurement asks before each sample. Pure arithmetic: the waiting is
//! measurement's.

use crate::domain::bench_map::BenchTiming;
use crate::units::Microseconds;

/// When this sample of a window is taken: whole half cycles after the one before, plus a share of
/// one, so that the samples of one window are spread evenly over the half cycle. Where the link is
/// slower than that, it is the next moment with the same place in the half cycle: readings that
/// follow each other as the wire allows may hit the same place each time (at 9600 baud one takes
/// 25.2 ms, and three half cycles of 60 hertz 25.0), and a live input would look dead.
pub(super) fn sample_moment(
    timing: &BenchTiming,
    from: Microseconds,
    sample: u8,
    now: Microseconds,
) -> Microseconds {
    if sample == 0 {
        return from;
    }
    let half_cycle_us = 500_000 / u64::from(timing.mains_hertz.max(1));
    let samples = u64::from(timing.samples.max(1));
    // Three cycles are six half cycles; a window of n samples has n - 1 gaps.
    let whole = 6_u64.div_ceil(samples.saturating_sub(1).max(1)).max(1);
    let gap_us = whole * half_cycle_us + half_cycle_us / samples;
    let due = from.0 + u64::from(sample) * gap_us;
    let late_half_cycles = now.0.saturating_sub(due).div_ceil(half_cycle_us);
    Microseconds(due + late_half_cycles * half_cycle_us)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The moments of a window of four at 60 hertz, where each reading takes so long.
    fn moments(reading_us: u64) -> Vec<u64> {
        let timing = BenchTiming {
            samples: 4,
            mains_hertz: 60,
            ..BenchTiming::default()
        };
        let from = Microseconds(1_000_000);
        let mut now = from;
        let mut moments = Vec::new();
        for sample in 0..4 {
            let at = sample_moment(&timing, from, sample, now);
            assert!(at >= now, "a sample is not taken in the past");
            moments.push(at.0 - from.0);
            now = Microseconds(at.0 + reading_us);
        }
        moments
    }

    #[test]
    fn the_first_sample_waits_for_nothing() {
        // The clock has gone on by a microsecond since the window began.
        let (from, now) = (Microseconds(1_000_000), Microseconds(1_000_001));
        let at = sample_moment(&BenchTiming::default(), from, 0, now);
        assert_eq!(at, from);
    }

    #[test]
    fn samples_are_two_and_a_quarter_half_cycles_apart() {
        // A half cycle of 60 hertz is 8333 us; 2.25 of them are 18,749.
        assert_eq!(moments(5_000), [0, 18_749, 37_498, 56_247]);
    }

    #[test]
    fn readings_as_long_as_three_half_cycles_do_not_meet_the_same_place_each_time() {
        // 3.25 half cycles are the first that hold 24,999 us and end a quarter further on.
        assert_eq!(moments(24_999), [0, 27_082, 54_164, 81_246]);
        let places: Vec<u64> = moments(24_999).iter().map(|at| at % 8_333).collect();
        assert_eq!(places, [0, 2_083, 4_166, 6_249]);
    }
}

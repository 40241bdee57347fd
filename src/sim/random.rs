//! Draws from the seed.
//!
//! Place in the data's path: every draw of the simulator comes from here. Each purpose and each
//! device has a stream of its own, so that one device's traffic never shifts another's draws.

use rand_chacha::ChaCha8Rng;
use rand_core::{RngCore, SeedableRng};
use std::ops::RangeInclusive;

/// What a stream of draws is for.
#[derive(Debug, Clone, Copy)]
pub(super) enum Purpose {
    /// Operate and release times of a device's relays.
    RelayTimes = 0,
    /// How a device's inputs follow the mains.
    Inputs = 1,
    /// When a device replies.
    ReplyTimes = 2,
    /// Which of a device's replies a link fault strikes, and how.
    LinkFaults = 3,
    /// What belongs to the whole bench.
    Bench = 4,
    /// How far the installation's values lie from the stated ones.
    Installation = 5,
    /// At which tensions a device's inputs switch.
    Thresholds = 6,
    /// A meter's gain error and noise.
    Meter = 7,
}

const PURPOSES: u64 = 8;

/// One purpose's stream of draws.
#[derive(Debug)]
pub(super) struct Draws(ChaCha8Rng);

impl Draws {
    /// The stream of one purpose for one device; `index` is the device's place in the bench.
    pub(super) fn new(seed: u64, purpose: Purpose, index: usize) -> Self {
        let mut generator = ChaCha8Rng::seed_from_u64(seed);
        let index = u64::try_from(index).expect("a bench has few devices");
        generator.set_stream(index * PURPOSES + purpose as u64);
        Self(generator)
    }

    /// A whole number of the range, each as likely as the next (to 1 in 2^64).
    pub(super) fn within(&mut self, range: RangeInclusive<u64>) -> u64 {
        let span = u128::from(range.end() - range.start()) + 1;
        let scaled = (u128::from(self.0.next_u64()) * span) >> 64;
        range.start() + u64::try_from(scaled).expect("scaled below the span, which fits")
    }

    /// True with the given probability; always and never at 1 and 0.
    pub(super) fn chance(&mut self, probability: f64) -> bool {
        // 53 bits: the whole numbers that a double holds exactly.
        let drawn = (self.0.next_u64() >> 11) as f64 / (1_u64 << 53) as f64;
        drawn < probability
    }

    /// A number between -1 and 1.
    pub(super) fn deviation(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
    }

    /// One byte.
    pub(super) fn byte(&mut self) -> u8 {
        self.0.next_u32().to_le_bytes()[0]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_draw_stays_in_its_range_and_reaches_both_ends() {
        let mut draws = Draws::new(1, Purpose::Bench, 0);
        let drawn: Vec<u64> = (0..200).map(|_| draws.within(5..=8)).collect();
        assert_eq!(drawn.iter().min(), Some(&5));
        assert_eq!(drawn.iter().max(), Some(&8));
    }

    #[test]
    fn devices_and_purposes_draw_apart() {
        let first = |purpose, index| Draws::new(7, purpose, index).within(0..=u64::MAX);
        assert_eq!(first(Purpose::Inputs, 0), first(Purpose::Inputs, 0));
        assert_ne!(first(Purpose::Inputs, 0), first(Purpose::Inputs, 1));
        assert_ne!(first(Purpose::Inputs, 0), first(Purpose::RelayTimes, 0));
    }

    #[test]
    fn chance_keeps_its_word_at_both_ends() {
        let mut draws = Draws::new(3, Purpose::LinkFaults, 0);
        assert!((0..100).all(|_| draws.chance(1.0)));
        assert!(!(0..100).any(|_| draws.chance(0.0)));
        let struck = (0..10_000).filter(|_| draws.chance(0.3)).count();
        assert!((2_800..3_200).contains(&struck), "{struck} of 10000 at 0.3");
    }
}

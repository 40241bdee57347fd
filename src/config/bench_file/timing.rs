//! `[timing]`: how long the bench waits, and how it reads an input that follows the mains.
//!
//! Place in the data's path: makes [`BenchTiming`]; what a profile's own timers ask for is the
//! profile's.

use crate::config::table::TableReader;
use crate::domain::bench_map::BenchTiming;
use crate::units::Milliseconds;

/// The longest wait that a file may ask for: a minute.
const LONGEST_WAIT_MS: u64 = 60_000;

pub(super) fn read_timing(root: &TableReader<'_>) -> BenchTiming {
    let usual = BenchTiming::default();
    let Some(table) = root.table("timing") else {
        return usual;
    };
    let wait = |key, otherwise| {
        let found = table.integer(key, 1..=LONGEST_WAIT_MS);
        found.map_or(otherwise, |located| Milliseconds(located.value))
    };
    let mut timing = BenchTiming {
        settle: wait("settle_ms", usual.settle),
        supply_settle: wait("supply_settle_ms", usual.supply_settle),
        release: wait("release_ms", usual.release),
        ..usual
    };
    if let Some(samples) = table.small("samples", 1..=32) {
        timing.samples = samples.value;
    }
    if let Some(hertz) = table.small("mains_hertz", 1..=255) {
        if !matches!(hertz.value, 50 | 60) {
            let message = format!("the mains have 50 or 60 hertz, not {}", hertz.value);
            table.findings().add(hertz.finding(message));
        }
        timing.mains_hertz = hertz.value;
    }
    table.finish();
    timing
}

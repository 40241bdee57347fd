//! `[timing]` and `[bands]`: how long the bench waits, how it reads an input that follows the
//! mains, and where a voltage counts as on and as off.
//!
//! Place in the data's path: makes [`BenchTiming`]; what a profile's own timers ask for is the
//! profile's.

use crate::config::limits;
use crate::config::table::{Reals, TableReader};
use crate::domain::bench_map::BenchTiming;
use crate::domain::measurement::Bands;
use crate::units::{Milliseconds, Volts};

pub(super) fn read_timing(root: &TableReader<'_>) -> BenchTiming {
    let usual = BenchTiming::default();
    let Some(table) = root.table("timing") else {
        return usual;
    };
    let wait = |key, otherwise| {
        let found = table.integer(key, limits::WAIT_MS);
        found.map_or(otherwise, |located| Milliseconds(located.value))
    };
    let long_wait = |key| {
        let found = table.integer(key, limits::CONTROLLER_WAIT_MS);
        found.map(|located| Milliseconds(located.value))
    };
    let mut timing = BenchTiming {
        settle: wait("settle_ms", usual.settle),
        supply_settle: wait("supply_settle_ms", usual.supply_settle),
        release: wait("release_ms", usual.release),
        controller_wait: long_wait("controller_wait_ms"),
        controller_look: wait("controller_look_ms", usual.controller_look),
        power_loss: long_wait("power_loss_ms").unwrap_or(usual.power_loss),
        controller_minimum_off: {
            let found = table.integer("controller_minimum_off_ms", limits::CONTROLLER_OFF_MS);
            found.map_or(usual.controller_minimum_off, |off| Milliseconds(off.value))
        },
        ..usual
    };
    if let Some(samples) = table.small("samples", limits::SAMPLES) {
        timing.samples = samples.value;
    }
    if let Some(hertz) = table.small("mains_hertz", 1..=255) {
        if !limits::MAINS_HERTZ.contains(&hertz.value) {
            let message = format!("the mains have 50 or 60 hertz, not {}", hertz.value);
            table.findings().add(hertz.finding(message));
        }
        timing.mains_hertz = hertz.value;
    }
    table.finish();
    timing
}

/// `[bands]`: where a measured voltage counts as on and as off.
pub(super) fn read_bands(root: &TableReader<'_>) -> Bands {
    let usual = Bands::default();
    let Some(table) = root.table("bands") else {
        return usual;
    };
    let volts = |key, otherwise| {
        let found = table.number(key, Reals::Positive);
        found.map_or(otherwise, |located| Volts(located.value))
    };
    let bands = Bands {
        on_at_least: volts("on_at_least_v", usual.on_at_least),
        off_at_most: volts("off_at_most_v", usual.off_at_most),
    };
    if bands.off_at_most.0 >= bands.on_at_least.0 {
        let message = "off_at_most_v must lie below on_at_least_v";
        table.findings().add(table.place().finding(message));
    }
    table.finish();
    bands
}

//! The supply while calls are made: read at rest, after each relay that closes, after each step.
//!
//! Place in the data's path: between measurement and the step. Only a point at the transformer's
//! own end says whether the supply is alive; a point at the other end proves the conductors between
//! the two. What a dead supply means for a line is `judge`'s to say.

use super::judge::SupplyKnown;
use super::measure::{Measure, PointReading, ReadOrder};
use super::requests::Halt;
use crate::domain::Observed;
use crate::domain::bench_map::Rail;
use crate::domain::plan::{Plan, SensePoint, Target};
use std::collections::BTreeSet;

/// What one reading of the supply came to.
#[derive(Debug, Clone, Default)]
pub(super) struct SupplyReading {
    /// Rails that were read live at the transformer's end.
    pub(super) live: BTreeSet<Rail>,
    /// Rails that were read dead there.
    pub(super) dead: BTreeSet<Rail>,
    /// Readings at the transformer's end.
    pub(super) source: Vec<PointReading>,
    /// Readings at the other end.
    pub(super) far: Vec<PointReading>,
}

impl SupplyReading {
    /// Whether a relay with this rail on its common is known to have no supply. R stands for the
    /// whole supply where there is one.
    pub(super) fn is_dead_for(&self, rail: Rail) -> bool {
        self.dead.contains(&rail) || self.dead.contains(&Rail::R)
    }

    /// What is known for judging lines.
    pub(super) fn known(&self, anything_was_live: bool) -> SupplyKnown {
        if !self.dead.is_empty() && self.live.is_empty() {
            SupplyKnown::Dead
        } else if !self.live.is_empty() {
            SupplyKnown::Live
        } else if anything_was_live {
            SupplyKnown::ShownByLines
        } else {
            SupplyKnown::Unknown
        }
    }
}

/// Which supply points to read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum SupplyPoints {
    /// Only those at the transformer's own end.
    Source,
    /// All.
    All,
}

/// Reads the supply. Points at the transformer's end should be live; at the far end nothing is
/// presumed, so a dead far end does not prolong every reading.
pub(super) async fn read_supply(
    measure: &Measure<'_>,
    plan: &Plan,
    which: SupplyPoints,
) -> Result<SupplyReading, Halt> {
    let wanted = |point: &&SensePoint| which == SupplyPoints::All || point.end == plan.source_end;
    let points: Vec<&SensePoint> = plan.supply_points().filter(wanted).collect();
    if points.is_empty() {
        return Ok(SupplyReading::default());
    }
    let should_be_live = vec![true; points.len()];
    let order = ReadOrder {
        points,
        should_be_live,
        stop_when_live: true,
        call: None,
    };
    let mut reading = SupplyReading::default();
    for point in measure.read(&order).await? {
        let Target::Supply(rail) = point.point.target else {
            continue;
        };
        if point.point.end != plan.source_end {
            reading.far.push(point);
            continue;
        }
        match point.state {
            Observed::On => _ = reading.live.insert(rail),
            _ => _ = reading.dead.insert(rail),
        }
        reading.source.push(point);
    }
    Ok(reading)
}

//! What calls cost and which must come first: the rules behind `--order fastest`.
//!
//! Place in the data's path: the planner asks here before it numbers its steps. On dummy and
//! disconnected loads every wait belongs to one call, wherever it stands: settling, the supply's
//! after each relay, release. A room controller's own timers are its own, and not mandated. On
//! real loads the machines' timers stand between calls.

use super::order::OrderModel;
use crate::domain::bench_map::{BenchTiming, Loads};
use crate::domain::profile::{Auxiliary, LineRole};
use crate::domain::{Call, Profile, Row};
use crate::units::{Milliseconds, Seconds, Terminal};
use std::collections::BTreeMap;

/// Three minutes: how long a compressor runs once it has started (from memory).
const MINIMUM_ON: Seconds = Seconds(180);

/// What machines ask for between calls.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct MachineWaits {
    /// From a compressor's end to the next call.
    minimum_off: Seconds,
    /// Between heat and compressor where one replaces the other, else 0.
    cool_down: Seconds,
}

/// What a call starts.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
struct Starts {
    compressor: bool,
    heat: bool,
}

/// The rules of one profile on one bench.
pub(super) struct OrderRules<'a> {
    timing: &'a BenchTiming,
    roles: BTreeMap<Terminal, LineRole>,
    fan_line: bool,
    /// `None` where no machine starts.
    waits: Option<MachineWaits>,
}

impl<'a> OrderRules<'a> {
    pub(super) fn new(profile: &Profile, loads: Loads, timing: &'a BenchTiming) -> Self {
        let minimum_off = profile.minimum_off();
        let replaces = profile.auxiliary() == Auxiliary::Replaces;
        Self {
            timing,
            roles: profile.lines(),
            fan_line: profile.fan_line(),
            waits: (loads == Loads::Real).then_some(MachineWaits {
                minimum_off,
                cool_down: if replaces {
                    profile.cool_down()
                } else {
                    Seconds(0)
                },
            }),
        }
    }

    /// The rows' places in the order with the least dwell.
    pub(super) fn fastest(&self, rows: &[&Row]) -> Vec<usize> {
        let own: Vec<Milliseconds> = rows.iter().map(|row| self.own(row)).collect();
        let model = OrderModel {
            own: &own,
            between: &|from, to| self.between(rows[from], rows[to]),
            at_end: &|last| self.running_on(rows[last]),
            before: &|first, later| self.before(rows[first], rows[later]),
        };
        model.fastest()
    }

    fn own(&self, row: &Row) -> Milliseconds {
        let relays = row.demanded.len() as u64;
        let timing = self.timing;
        Milliseconds(timing.settle.0 + relays * timing.supply_settle.0 + timing.release.0)
    }

    fn starts(&self, row: &Row) -> Starts {
        let mut starts = Starts::default();
        for role in row.demanded.iter().filter_map(|line| self.roles.get(line)) {
            match role {
                LineRole::Compressor(_) | LineRole::HeatPumpHeat => starts.compressor = true,
                LineRole::Heat(_) | LineRole::EmergencyOnly => starts.heat = true,
                LineRole::Fan
                | LineRole::ReversingValve
                | LineRole::Accessory(_)
                | LineRole::Unused => {}
            }
        }
        starts
    }

    /// How long a compressor is held on before it may be released.
    fn running_on(&self, row: &Row) -> Milliseconds {
        let held = self.waits.is_some() && self.starts(row).compressor;
        Milliseconds(if held { MINIMUM_ON.milliseconds().0 } else { 0 })
    }

    fn between(&self, from: &Row, to: &Row) -> Milliseconds {
        let Some(waits) = self.waits else {
            return Milliseconds(0);
        };
        let (was, next) = (self.starts(from), self.starts(to));
        if goes_on(from, to) && was != Starts::default() {
            return Milliseconds(0);
        }
        let off = if was.compressor {
            waits.minimum_off
        } else {
            Seconds(0)
        };
        let replaced = (was.compressor && next.heat) || (was.heat && next.compressor);
        let cool = if replaced {
            waits.cool_down
        } else {
            Seconds(0)
        };
        Milliseconds(off.max(cool).milliseconds().0 + self.running_on(from).0)
    }

    fn before(&self, first: &Row, later: &Row) -> bool {
        let (first_rank, later_rank) = (self.rank(first), self.rank(later));
        first_rank < later_rank || (first_rank == later_rank && is_smaller_stage(first, later))
    }

    /// Idle first, then single lines. On real loads: idle, the fan, the changeover line with the
    /// fan on, heat without the compressor, compressor calls; without a fan line the compressor's
    /// call is the first that is known to bring air.
    fn rank(&self, row: &Row) -> u8 {
        let machines = self.waits.is_some();
        match &row.call {
            Call::Idle => 0,
            Call::FanOnly if machines => 1,
            Call::Alone(_) => 2,
            _ if machines && self.starts(row).compressor == self.fan_line => 4,
            _ => 3,
        }
    }
}

/// Whether the second call is the first with more stages: it then keeps what runs.
fn goes_on(from: &Row, to: &Row) -> bool {
    let emergency = |row: &Row| row.call == Call::EmergencyHeat;
    from.call.is_cooling() == to.call.is_cooling()
        && from.call.is_heat() == to.call.is_heat()
        && emergency(from) == emergency(to)
        && from.demanded.is_subset(&to.demanded)
}

/// A stage is proven before the next one is added to it.
fn is_smaller_stage(first: &Row, later: &Row) -> bool {
    match (&first.call, &later.call) {
        (Call::Cooling(less), Call::Cooling(more))
        | (Call::Heating(less), Call::Heating(more))
        | (Call::AuxiliaryHeat(less), Call::AuxiliaryHeat(more)) => less < more,
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::TruthTable;
    use crate::domain::profile::{Changeover, FanInHeat, Kind, ProfileDraft};

    /// A two-stage heat pump with O and electric auxiliary heat.
    fn profile() -> Profile {
        Profile::new(ProfileDraft {
            name: Some("Two stages".to_owned()),
            kind: Some(Kind::HeatPump),
            compressor_stages: Some(2),
            heat_stages: Some(1),
            changeover: Some(Changeover::O),
            fan_in_heat: Some(FanInHeat::Controller),
            ..ProfileDraft::default()
        })
        .expect("a good profile")
    }

    fn ordered(loads: Loads, calls: &str) -> (String, u64) {
        let table = TruthTable::of(&profile());
        let timing = BenchTiming::default();
        let rules = OrderRules::new(&profile(), loads, &timing);
        let calls: Vec<Call> = calls
            .split(' ')
            .map(|call| call.parse().expect("a call"))
            .collect();
        let rows: Vec<&Row> = calls.iter().filter_map(|call| table.row(call)).collect();
        let order = rules.fastest(&rows);
        let names: Vec<String> = order.iter().map(|at| rows[*at].call.to_string()).collect();
        let pairs = order.windows(2);
        let waits = pairs.map(|pair| rules.between(rows[pair[0]], rows[pair[1]]).0);
        let end = order
            .last()
            .map_or(0, |last| rules.running_on(rows[*last]).0);
        (names.join(" "), (waits.sum::<u64>() + end) / 1000)
    }

    #[test]
    fn on_dummy_loads_the_given_order_stays() {
        let given = "idle fan-only heating-1 cooling-1 cooling-2 heating-2 emergency-heat";
        assert_eq!(ordered(Loads::Dummy, given), (given.to_owned(), 0));
    }

    #[test]
    fn on_real_loads_stages_of_one_mode_follow_each_other() {
        // Two compressor runs are left of four: 180 s on, 300 s off, 180 s on.
        let given = "idle fan-only emergency-heat heating-1 cooling-1 heating-2 cooling-2";
        let (names, seconds) = ordered(Loads::Real, given);
        assert_eq!(
            names,
            "idle fan-only emergency-heat heating-1 heating-2 cooling-1 cooling-2"
        );
        assert_eq!(seconds, 180 + 300 + 180);
    }

    #[test]
    fn on_real_loads_heat_without_the_compressor_comes_first() {
        let rules_hold = "idle fan-only emergency-heat cooling-1 cooling-2 heating-1 heating-2 \
                          auxiliary-heat";
        let (names, seconds) = ordered(Loads::Real, rules_hold);
        assert!(
            names.starts_with("idle fan-only emergency-heat "),
            "{names}"
        );
        // Auxiliary heat adds to heating-2, so heating goes on into it.
        assert_eq!(seconds, 180 + 300 + 180);
    }
}

//! The supply budget for people: what `check` prints of profile and bench together.
//!
//! Place in the data's path: after the budget, before the terminal. Warnings come from the budget
//! itself.

use crate::domain::circuit::{Budget, LoadState, LongestRun, SupplyBudget, class2};

/// The budget, one line each.
#[must_use]
pub fn budget_lines(budget: &Budget) -> Vec<String> {
    let mut lines = vec![
        "each call, all its loads closing at once; of each load its volts, the drop on the way"
            .to_owned(),
        "there and back, and its VA at 24 V, sealed and unsealed:".to_owned(),
    ];
    for call in budget.calls.iter().filter(|call| !call.loads.is_empty()) {
        let run = match call.longest_run {
            LongestRun::Feet(feet) => format!("pulls in with a run of up to {feet:.0} ft"),
            LongestRun::Any => "the run may be 5000 ft".to_owned(),
            LongestRun::None => "pulls in with no run at all".to_owned(),
        };
        lines.push(format!("  {}: {run}", call.call));
        lines.extend(call.supplies.iter().flat_map(supply_lines));
        let drops = call.loads.iter().map(|load| {
            let state = match load.state {
                LoadState::PulledIn => "",
                LoadState::DroppedOut => ", does not pull in",
                LoadState::Chatters => ", chatters",
            };
            format!(
                "{:<4} {:4.1} V, drop {:.2} V, {:.0} and {:.0} VA{state}",
                load.terminal.as_str(),
                load.volts.0,
                load.drop.0,
                load.sealed.0,
                load.inrush.0
            )
        });
        lines.extend(drops.map(|drop| format!("    {drop}")));
    }
    if budget.calls.iter().all(|call| call.loads.is_empty()) {
        lines = vec!["no load hangs on any line: nothing has to pull in".to_owned()];
    }
    lines.push(format!(
        "Class 2 is taken as at most {:.0} open-circuit, {:.0} rated and an overcurrent device of",
        class2::HIGHEST_VOLTS,
        class2::HIGHEST_RATING
    ));
    lines.push("100 A divided by the open-circuit volts".to_owned());
    lines.push(format!("({})", class2::CODE_EDITION));
    lines
}

fn supply_lines(supply: &SupplyBudget) -> [String; 2] {
    let word = supply.protection_word();
    let opens = if supply.fuse_open { "OPENS" } else { "opens" };
    [
        format!(
            "    {:<4} {:4.1} V, {:.0} of {:.0} VA drawn, \
             {:.0} VA with the largest load pulling in",
            supply.rail.as_str(),
            supply.volts.0,
            supply.drawn.0,
            supply.rated.0,
            supply.wanted.0,
        ),
        format!(
            "         {:.2} A while all pull in; its {word} {opens} above {:.2} A",
            supply.inrush.0,
            supply.protection.opens_above_amps()
        ),
    ]
}

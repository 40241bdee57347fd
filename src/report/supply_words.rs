//! What was done to a room controller's supply, and what came of it, in words.
//!
//! Place in the data's path: a [`RunView`] in, names and sentences out; text and HTML lay them out
//! as one section. A run on a bench that can do nothing to the supply has none.

use super::run_view::RunView;
use super::step_view::{ConditionView, ReadingValue, StepView, SupplyView};
use crate::domain::Verdict;
use crate::domain::plan::{Plan, SupplyCondition};
use crate::units::{Quantity, Volts};

/// The section's heading in every format.
pub(super) const HEADING: &str = "The room controller's supply";

/// What a plan does to a room controller's supply, one line each; none where it does nothing.
#[must_use]
pub fn planned_supply(plan: &Plan) -> Vec<String> {
    let Some(power) = &plan.power else {
        return Vec::new();
    };
    let calls = |wanted: &SupplyCondition| -> String {
        let steps = plan.steps.iter();
        let made = steps.filter(|step| plan.condition(step.number) == Some(wanted));
        let calls: Vec<String> = made.map(|step| step.call.to_string()).collect();
        calls.join(", ")
    };
    let mut lines =
        vec!["the calls made again with the room controller's supply changed:".to_owned()];
    for level in &power.levels {
        let calls = calls(&SupplyCondition::Level(level.name.clone()));
        lines.push(format!("  - at {}, {}: {calls}", level.name, level.volts));
    }
    if let Some(cut) = &power.interruption {
        let calls = calls(&SupplyCondition::PowerLoss);
        let [lasts, off] = [cut.lasts, cut.minimum_off].map(|span| span.0 as f64 / 1000.0);
        lines.push(format!(
            "  - cut for {lasts} s while the call stands, a compressor to stay off for {off} s \
             from the cut: {calls}"
        ));
    }
    lines
}

/// One entry for each level, then one for each call that stood while the power was lost; empty
/// where the run did nothing to the supply.
pub(super) fn controller_supply(view: &RunView) -> Vec<(String, String)> {
    let mut entries = Vec::new();
    let mut levels: Vec<(&str, Volts)> = Vec::new();
    for step in &view.steps {
        if let Some(ConditionView::Level { name, volts }) = &step.condition
            && !levels.contains(&(name, *volts))
        {
            levels.push((name, *volts));
        }
    }
    for (name, volts) in levels {
        let is_at = |step: &&StepView| match &step.condition {
            Some(ConditionView::Level { name: at, .. }) => at == name,
            Some(ConditionView::PowerLoss { .. }) | None => false,
        };
        let steps: Vec<&StepView> = view.steps.iter().filter(is_at).collect();
        entries.push((format!("At {name}"), at_level(&steps, volts)));
    }
    for step in &view.steps {
        if let Some(ConditionView::PowerLoss { lasts_ms, .. }) = &step.condition {
            let result = step.result_word();
            let words = if step.note.is_empty() {
                let seconds = lasts_ms.0 as f64 / 1000.0;
                format!("{result}: to be cut for {seconds} s")
            } else {
                format!("{result}: {}", step.note)
            };
            entries.push((step.name.clone(), words));
        }
    }
    entries
}

fn at_level(steps: &[&StepView], volts: Volts) -> String {
    let names = |wanted: &dyn Fn(Verdict) -> bool| -> Vec<String> {
        let steps = steps.iter().filter(|step| wanted(step.worst()));
        steps.map(|step| step.call.to_string()).collect()
    };
    let right = names(&|verdict| verdict == Verdict::Pass);
    let not = names(&|verdict| verdict != Verdict::Pass);
    let mut words = format!("{volts} with no output on; {}", read_words(steps));
    if !right.is_empty() {
        words.push_str(&format!("; right in {}", right.join(", ")));
    }
    if !not.is_empty() {
        words.push_str(&format!("; not shown right in {}", not.join(", ")));
    }
    words
}

/// What a meter read of the supply over these steps.
fn read_words(steps: &[&StepView]) -> String {
    let is_volts = |supply: &&SupplyView| supply.reading.quantity == Quantity::AcVolts;
    let readings = steps.iter().flat_map(|step| &step.supply).filter(is_volts);
    let values: Vec<f64> = readings
        .filter_map(|supply| match supply.reading.value {
            Some(ReadingValue::Number(volts)) => Some(volts),
            Some(ReadingValue::Present(_)) | None => None,
        })
        .collect();
    let least = values.iter().copied().reduce(f64::min);
    let most = values.iter().copied().reduce(f64::max);
    match least.zip(most) {
        Some((least, most)) => format!("R to C read {least:.2} to {most:.2} V"),
        None => "R to C not measured".to_owned(),
    }
}

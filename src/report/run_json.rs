//! The run as JSON, `coilcall.run` version 1.
//!
//! Place in the data's path: the last step from a [`RunView`] to a file that other programs read.
//! Keys come in the order of the structs below, which is the published order. Values that differ
//! from one run to the next with the same seed stand only under `run_id`, `started`, `finished`,
//! `path` and `head_hash`.

use super::arming_view::ArmingView;
use super::run_view::{DiagnosisView, RunView};
use super::step_view::{ConditionView, LineView, ReadingValue, ReadingView, StepView, SupplyView};
use crate::domain::bench_map::{Loads, Rail, UnderTest};
use crate::domain::{Call, Check, Expected, Observed, Verdict};
use crate::event::{BenchSummary, ChangeoverOutcome, ProfileSummary, ShownBy};
use crate::units::{DeviceName, End, Quantity, Terminal};
use jiff::Timestamp;
use serde::Serialize;
use std::io::{self, Write};

#[derive(Serialize)]
struct RunJson<'v> {
    format: &'static str,
    version: u32,
    run_id: &'v str,
    subject: Option<&'v str>,
    simulated: bool,
    under_test: UnderTest,
    loads: Loads,
    profile: &'v ProfileSummary,
    bench: &'v BenchSummary,
    /// Only where a named person has to arm the run.
    #[serde(skip_serializing_if = "Option::is_none")]
    arming: Option<ArmingJson<'v>>,
    started: Timestamp,
    finished: Option<Timestamp>,
    verdict: Verdict,
    made_safe: bool,
    still_live: &'v [Terminal],
    steps: Vec<StepJson<'v>>,
    changeover: Option<ChangeoverJson<'v>>,
    not_proven: &'v [String],
    diagnosis: DiagnosisJson<'v>,
    journal: JournalJson<'v>,
}

#[derive(Serialize)]
struct ArmingJson<'v> {
    by: Option<&'v str>,
    at: Option<Timestamp>,
    checklist: Vec<CheckJson>,
}

#[derive(Serialize)]
struct CheckJson {
    point: Check,
    confirmed: Option<bool>,
}

#[derive(Serialize)]
struct StepJson<'v> {
    call: &'v Call,
    /// Only where the step was made at another supply than the usual one.
    #[serde(skip_serializing_if = "Option::is_none")]
    condition: Option<&'v ConditionView>,
    verdict: Verdict,
    lines: Vec<LineJson<'v>>,
    supply: SupplyJson<'v>,
    note: &'v str,
}

#[derive(Serialize)]
struct LineJson<'v> {
    terminal: &'v Terminal,
    expected: Expected,
    observed: Observed,
    verdict: Verdict,
    reason: &'v str,
    readings: Vec<ReadingJson<'v>>,
}

#[derive(Serialize)]
struct ReadingJson<'v> {
    quantity: Quantity,
    value: Option<ReadingValue>,
    unit: &'static str,
    u: Option<f64>,
    device: &'v DeviceName,
    end: End,
}

#[derive(Serialize)]
struct SupplyJson<'v> {
    state: Observed,
    readings: Vec<SupplyReadingJson<'v>>,
}

#[derive(Serialize)]
struct SupplyReadingJson<'v> {
    rail: Rail,
    end: End,
    state: Observed,
    quantity: Quantity,
    value: Option<ReadingValue>,
    unit: &'static str,
    u: Option<f64>,
    device: &'v DeviceName,
}

#[derive(Serialize)]
struct ChangeoverJson<'v> {
    convention: &'v str,
    outcome: ChangeoverOutcome,
    shown: Option<ShownBy>,
    evidence: &'v str,
}

#[derive(Serialize)]
struct DiagnosisJson<'v> {
    conclusion: &'static str,
    groups: Vec<GroupJson<'v>>,
    next: Option<NextJson<'v>>,
}

#[derive(Serialize)]
struct GroupJson<'v> {
    probability: Option<f64>,
    suspects: &'v [String],
    confirm: &'v str,
}

#[derive(Serialize)]
struct NextJson<'v> {
    measure: &'v str,
}

#[derive(Serialize)]
struct JournalJson<'v> {
    path: &'v str,
    head_hash: &'v str,
}

/// Writes the run, indented, with a newline at the end.
pub(super) fn write(view: &RunView, out: &mut dyn Write) -> io::Result<()> {
    serde_json::to_writer_pretty(&mut *out, &run(view))?;
    out.write_all(b"\n")
}

fn run(view: &RunView) -> RunJson<'_> {
    RunJson {
        format: "coilcall.run",
        version: 1,
        run_id: &view.run_id,
        subject: view.subject.as_deref(),
        simulated: view.simulated.is_some(),
        under_test: view.under_test,
        loads: view.loads,
        profile: &view.profile,
        bench: &view.bench,
        arming: view.arming.as_ref().map(arming),
        started: view.started,
        finished: view.finished,
        verdict: view.verdict,
        made_safe: view.made_safe,
        still_live: &view.still_live,
        steps: view.steps.iter().map(step).collect(),
        changeover: view.changeover.as_ref().map(|changeover| ChangeoverJson {
            convention: &changeover.convention,
            outcome: changeover.outcome,
            shown: changeover.shown,
            evidence: &changeover.evidence,
        }),
        not_proven: &view.not_proven,
        diagnosis: diagnosis(&view.diagnosis),
        journal: JournalJson {
            path: &view.journal_file,
            head_hash: &view.head_hash,
        },
    }
}

fn arming(arming: &ArmingView) -> ArmingJson<'_> {
    let check = |(point, confirmed): &(Check, Option<bool>)| CheckJson {
        point: *point,
        confirmed: *confirmed,
    };
    ArmingJson {
        by: arming.by.as_deref(),
        at: arming.at,
        checklist: arming.checklist.iter().map(check).collect(),
    }
}

fn step(step: &StepView) -> StepJson<'_> {
    StepJson {
        call: &step.call,
        condition: step.condition.as_ref(),
        verdict: step.verdict,
        lines: step.lines.iter().map(line).collect(),
        supply: SupplyJson {
            state: step.supply_state(),
            readings: step.supply.iter().map(supply).collect(),
        },
        note: &step.note,
    }
}

fn line(line: &LineView) -> LineJson<'_> {
    LineJson {
        terminal: &line.terminal,
        expected: line.expected,
        observed: line.observed,
        verdict: line.verdict,
        reason: &line.reason,
        readings: line.readings.iter().map(reading).collect(),
    }
}

fn reading(reading: &ReadingView) -> ReadingJson<'_> {
    ReadingJson {
        quantity: reading.quantity,
        value: reading.value,
        unit: reading.quantity.unit(),
        u: reading.u,
        device: &reading.device,
        end: reading.end,
    }
}

fn supply(supply: &SupplyView) -> SupplyReadingJson<'_> {
    SupplyReadingJson {
        rail: supply.rail,
        end: supply.reading.end,
        state: supply.reading.state,
        quantity: supply.reading.quantity,
        value: supply.reading.value,
        unit: supply.reading.quantity.unit(),
        u: supply.reading.u,
        device: &supply.reading.device,
    }
}

fn diagnosis(diagnosis: &DiagnosisView) -> DiagnosisJson<'_> {
    DiagnosisJson {
        conclusion: diagnosis.conclusion.word(),
        groups: diagnosis
            .groups
            .iter()
            .map(|group| GroupJson {
                probability: group.probability,
                suspects: &group.suspects,
                confirm: &group.confirm,
            })
            .collect(),
        next: diagnosis
            .next
            .as_deref()
            .map(|measure| NextJson { measure }),
    }
}

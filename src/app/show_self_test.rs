//! A self-test as text and as JSON.
//!
//! Place in the data's path: after the test, before the writer. It adds no finding.

use super::self_test::{InputTested, LinkTested, SelfTested};
use crate::domain::bench_map::Loads;
use crate::domain::reply_times::{ReplyTimes, TIMEOUT_RULE};
use crate::runner::{DeviceTested, RelayOutcome, RelayTested, SupplySeen};
use crate::units::{DeviceName, Microseconds};
use serde_json::{Value, json};
use std::io::{self, Write};

/// What to look at where an input stayed dead: the bench's own channel is among it.
const STAYED_DEAD: &str = "never answered its own relay: the input or the relay's contact on the \
                           bench may be at fault, or the conductor between them is open";
const LIVE_AT_REST: &str = "live with every relay open: a welded relay or a stuck input on the \
                            bench, or something else feeds the line";

/// Writes what a self-test found.
///
/// # Errors
/// The writer's.
pub fn write_self_test(tested: &SelfTested, json: bool, out: &mut dyn Write) -> io::Result<()> {
    if json {
        serde_json::to_writer_pretty(&mut *out, &as_json(tested))?;
        return writeln!(out);
    }
    let stamp = if tested.simulated { " (SIMULATED)" } else { "" };
    writeln!(out, "Self-test of {}{stamp}", tested.bench.name)?;
    writeln!(out, "\nDevices")?;
    for (name, device) in &tested.found.devices {
        write_device(name, device, out)?;
    }
    writeln!(out, "\nTimeouts")?;
    for link in tested.links() {
        write_link(&link, out)?;
    }
    writeln!(out, "  {TIMEOUT_RULE}")?;
    writeln!(out, "\nRelays")?;
    if tested.bench.loads == Loads::Real {
        writeln!(out, "  loads = \"real\": no relay was closed")?;
    }
    for relay in &tested.found.relays {
        writeln!(out, "  {}", relay_words(relay))?;
    }
    writeln!(
        out,
        "\nInputs of lines (supply {})",
        supply_word(tested.found.supply)
    )?;
    for input in tested.inputs() {
        writeln!(out, "  {}", input_words(&input))?;
    }
    writeln!(out)?;
    if !tested.outcome.note.is_empty() {
        writeln!(out, "{}", tested.outcome.note)?;
    }
    if tested.outcome.made_safe {
        writeln!(out, "Every relay read back open at the end.")
    } else {
        writeln!(
            out,
            "NOT CONFIRMED: not every relay read back open at the end."
        )
    }
}

fn write_device(name: &DeviceName, device: &DeviceTested, out: &mut dyn Write) -> io::Result<()> {
    match &device.identity {
        Some(identity) => writeln!(out, "  {name}: {}", identity.text)?,
        None => writeln!(out, "  {name}: no answer: {}", device.trouble)?,
    }
    if let Some(due) = device
        .identity
        .as_ref()
        .and_then(|i| i.calibration_due.as_ref())
    {
        writeln!(out, "    calibration due {due}")?;
    }
    if let Some(times) = ReplyTimes::of(&device.replies.times) {
        writeln!(
            out,
            "    {} replies: shortest {}, median {}, 95 % within {}, longest {}",
            times.reads,
            milliseconds(times.min),
            milliseconds(times.median),
            milliseconds(times.p95),
            milliseconds(times.max)
        )?;
    }
    if device.replies.troubles > 0 {
        writeln!(out, "    {} without a good reply", device.replies.troubles)?;
    }
    Ok(())
}

fn milliseconds(time: Microseconds) -> String {
    format!("{}.{} ms", time.0 / 1000, time.0 % 1000 / 100)
}

fn write_link(link: &LinkTested, out: &mut dyn Write) -> io::Result<()> {
    let now = link.in_force;
    write!(
        out,
        "  link {}: reply_timeout_ms = {}, late_reply_ms = {}; ",
        link.link, now.reply_timeout.0, now.late_reply.0
    )?;
    match link.proposed {
        Some(new) => writeln!(
            out,
            "proposed {} and {}",
            new.reply_timeout.0, new.late_reply.0
        )?,
        None => writeln!(out, "nothing was timed, so nothing is proposed")?,
    }
    if let Some(watchdog) = link.outlasts_watchdog {
        writeln!(
            out,
            "    the watchdog's {watchdog} must be longer than the reply timeout: lengthen it too"
        )?;
    }
    Ok(())
}

fn relay_words(relay: &RelayTested) -> String {
    let at = &relay.exercise.relay;
    let who = format!(
        "{} {} ({})",
        at.device,
        at.coil.label(),
        relay.exercise.serves
    );
    match &relay.outcome {
        RelayOutcome::Good => format!("{who}: read back closed, then open"),
        RelayOutcome::Failed(why) => format!("{who}: FAILED: {why}"),
        RelayOutcome::Collapsed { recovered } => {
            let after = if *recovered {
                "came back"
            } else {
                "did not come back"
            };
            format!(
                "{who}: THE SUPPLY WENT DEAD as it closed; every relay was opened, and the supply \
                 {after}"
            )
        }
        RelayOutcome::NotExercised(why) => format!("{who}: not closed: {why}"),
    }
}

fn supply_word(supply: SupplySeen) -> &'static str {
    match supply {
        SupplySeen::NotSensed => "not-sensed",
        SupplySeen::Live => "live",
        SupplySeen::Dead => "dead",
    }
}

fn input_words(input: &InputTested) -> String {
    let (device, at) = &input.input;
    let mut text = format!(
        "{} at the {} end, {device} {}: ",
        input.line,
        input.end,
        at.label()
    );
    text.push_str(match (input.live_at_rest, input.answered) {
        (true, _) => LIVE_AT_REST,
        (false, Some(true)) => "answers its own relay",
        (false, Some(false)) => STAYED_DEAD,
        (false, None) => "not shown",
    });
    if !input.also_answered.is_empty() {
        let others: Vec<&str> = input
            .also_answered
            .iter()
            .map(|line| line.as_str())
            .collect();
        text.push_str(&format!("; also answers the relay of {}", others.join(" ")));
    }
    text
}

fn as_json(tested: &SelfTested) -> Value {
    let exit = tested.exit();
    let relays: Vec<Value> = tested.found.relays.iter().map(relay_json).collect();
    let inputs: Vec<Value> = tested.inputs().iter().map(input_json).collect();
    let links: Vec<Value> = tested.links().iter().map(link_json).collect();
    let devices: Vec<Value> = tested
        .found
        .devices
        .iter()
        .map(|(name, device)| device_json(name, device))
        .collect();
    json!({
        "format": "coilcall.self-test",
        "version": 1,
        "simulated": tested.simulated,
        "bench": { "name": tested.bench.name },
        "loads": tested.bench.loads,
        "exit": exit.code(),
        "devices": devices,
        "links": links,
        "rule": TIMEOUT_RULE,
        "supply": supply_word(tested.found.supply),
        "relays": relays,
        "inputs": inputs,
        "note": tested.outcome.note,
        "made_safe": tested.outcome.made_safe,
        "still_live": tested.outcome.still_live,
    })
}

fn device_json(name: &DeviceName, device: &DeviceTested) -> Value {
    let replies = ReplyTimes::of(&device.replies.times).map(|times| {
        json!({
            "reads": times.reads,
            "min_us": times.min,
            "median_us": times.median,
            "p95_us": times.p95,
            "max_us": times.max,
        })
    });
    json!({
        "device": name,
        "identity": device.identity.as_ref().map(|identity| &identity.text),
        "calibration_due": device.identity.as_ref().and_then(|i| i.calibration_due.as_ref()),
        "trouble": device.trouble,
        "replies": replies,
        "troubles": device.replies.troubles,
    })
}

fn link_json(link: &LinkTested) -> Value {
    let proposed = link.proposed.map(
        |new| json!({ "reply_timeout_ms": new.reply_timeout, "late_reply_ms": new.late_reply }),
    );
    json!({
        "link": link.link,
        "reply_timeout_ms": link.in_force.reply_timeout,
        "late_reply_ms": link.in_force.late_reply,
        "proposed": proposed,
        "outlasts_watchdog_ms": link.outlasts_watchdog,
    })
}

fn relay_json(relay: &RelayTested) -> Value {
    let (outcome, detail) = match &relay.outcome {
        RelayOutcome::Good => ("good", ""),
        RelayOutcome::Failed(why) => ("failed", why.as_str()),
        RelayOutcome::Collapsed { recovered: true } => ("collapsed", "the supply came back"),
        RelayOutcome::Collapsed { recovered: false } => {
            ("collapsed", "the supply did not come back")
        }
        RelayOutcome::NotExercised(why) => ("not-exercised", why.as_str()),
    };
    json!({
        "device": relay.exercise.relay.device,
        "coil": relay.exercise.relay.coil,
        "serves": relay.exercise.serves.to_string(),
        "outcome": outcome,
        "detail": detail,
    })
}

fn input_json(input: &InputTested) -> Value {
    json!({
        "line": input.line,
        "device": input.input.0,
        "input": input.input.1,
        "end": input.end,
        "answered": input.answered,
        "live_at_rest": input.live_at_rest,
        "also_answered": input.also_answered,
    })
}

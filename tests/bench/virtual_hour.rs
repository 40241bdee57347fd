//! A simulated run of more than an hour, as the program makes it.

use crate::Outcome;
use crate::row::{Row, median, milliseconds, spread};
use crate::whole_run::{PROFILE, Program, stock_bench};
use std::time::Duration;

const ROUNDS: usize = 5;
const HOUR: Duration = Duration::from_secs(3600);
const GOAL_MS: f64 = 100.0;
/// Every wait is the longest that a bench file may ask for.
const LONGEST_WAITS: &str = "\n[timing]\nsettle_ms = 60_000\nrelease_ms = 60_000\n\
                             supply_settle_ms = 60_000\n";

pub(crate) fn measure() -> Outcome<Vec<Row>> {
    let program = Program::new()?;
    let bench = program.write_bench(&(stock_bench()? + LONGEST_WAITS))?;
    let mut times = Vec::new();
    let mut dwelt = Duration::ZERO;
    for _ in 0..ROUNDS {
        let ran = program.run(&bench, PROFILE, &["--simulate"])?;
        times.push(milliseconds(ran.took));
        dwelt = ran.elapsed();
        if dwelt < HOUR {
            return Err(format!("the run lasted only {} s", dwelt.as_secs()).into());
        }
    }
    let minutes = dwelt.as_secs() / 60;
    Ok(vec![Row {
        what: format!("simulated run of {minutes} minutes, program start to report, ms"),
        result: spread(&times, 1),
        goal: Some((format!("≤ {GOAL_MS:.0}"), median(&times) <= GOAL_MS)),
    }])
}

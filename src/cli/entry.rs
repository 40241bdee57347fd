//! From arguments to an exit code: one runtime, one command.

use super::arguments::{Arguments, Command, Faults};
use super::generated::{write_completions, write_page, write_pages, write_schema};
use super::output::{to_stderr, to_stdout};
use super::self_test::self_test;
use crate::app::{
    AppError, CheckRequest, CircuitRequest, CircuitShape, Exit, ExpectedRequest, Keyboard,
    RunFound, RunRequest, SimulateRequest, Simulation, check, circuit, expected, list_ports,
    needs_arming, read_run, run_bench, simulate, write_run,
};
use crate::event;
use crate::report::Format;
use crate::store::LocateError;
use crate::terminal::{LiveTable, Progress, read_lines};
use std::error::Error as _;
use std::io::IsTerminal as _;
#[cfg(unix)]
use std::task::Poll;
use tokio::sync::mpsc;

/// Does what the arguments ask, and returns the exit code.
#[must_use]
pub fn main_with(arguments: Arguments) -> u8 {
    let result = match arguments.command {
        Command::Expected(asked) => {
            let request = ExpectedRequest {
                profile: asked.profile,
                bench: asked.bench,
                volts: asked.volts,
                json: asked.json,
            };
            printed(|out| expected(&request, out))
        }
        Command::Circuit(asked) => solve_circuit(asked),
        Command::Check(asked) => {
            let request = CheckRequest {
                files: asked.files,
                profile: asked.profile,
                bench: asked.bench,
                json: asked.json,
            };
            printed_with_exit(|out| check(&request, out))
        }
        Command::Ports(asked) => printed(|out| list_ports(asked.json, out)),
        Command::Run(asked) => run(asked),
        Command::Simulate(asked) => simulate_until_interrupted(asked),
        Command::Report(asked) => report(&asked),
        Command::SelfTest(asked) => self_test(asked),
        Command::Schema(asked) => printed(|out| Ok(write_schema(asked.of, out)?)),
        Command::Completions(asked) => printed(|out| {
            write_completions(asked.shell, out);
            Ok(())
        }),
        Command::Man(asked) => match &asked.dir {
            Some(folder) => write_pages(folder).map(|()| Exit::Pass),
            None => printed(|out| Ok(write_page(out)?)),
        },
    };
    match result {
        Ok(exit) => exit.code(),
        Err(error) => {
            let code = error.exit().code();
            match to_stderr(&message_of(&error)) {
                Ok(()) => code,
                Err(_nowhere_to_say_it) => Exit::BenchError.code(),
            }
        }
    }
}

fn solve_circuit(asked: super::arguments::Circuit) -> Result<Exit, AppError> {
    let shape = match (asked.json, asked.spice) {
        (true, _) => CircuitShape::Json,
        (false, true) => CircuitShape::Spice,
        (false, false) => CircuitShape::Text,
    };
    let request = CircuitRequest {
        profile: asked.profile,
        bench: asked.bench,
        call: asked.call,
        faults: asked.faults,
        shape,
    };
    printed(|out| circuit(&request, out))
}

/// An error with its causes, each on its own line.
fn message_of(error: &AppError) -> String {
    if let AppError::Config(problems) = error {
        let count = problems.problems().len();
        let word = if count == 1 { "problem" } else { "problems" };
        return format!(
            "{}\n\n{count} {word}; nothing was opened.\n",
            problems.render(false)
        );
    }
    let mut text = format!("error: {error}\n");
    let mut cause = error.source();
    while let Some(inner) = cause {
        text.push_str(&format!("  because: {inner}\n"));
        cause = inner.source();
    }
    if let AppError::Locate(LocateError::NoRuns { .. } | LocateError::Directory { .. }) = error {
        text.push_str("  help: --out names the folder of the runs; without it, runs\n");
    }
    text
}

type Buffer = Vec<u8>;

pub(super) fn printed(
    write: impl FnOnce(&mut Buffer) -> Result<(), AppError>,
) -> Result<Exit, AppError> {
    printed_with_exit(|out| write(out).map(|()| Exit::Pass))
}

fn printed_with_exit(
    write: impl FnOnce(&mut Buffer) -> Result<Exit, AppError>,
) -> Result<Exit, AppError> {
    let mut buffer = Buffer::new();
    let result = write(&mut buffer);
    to_stdout(&buffer)?;
    result
}

/// A current-thread runtime with its local set; the clock is paused for simulated runs, whose time
/// is virtual.
pub(super) fn on_runtime<T>(
    paused: bool,
    work: impl Future<Output = Result<T, AppError>>,
) -> Result<T, AppError> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .start_paused(paused)
        .build()?;
    tokio::task::LocalSet::new().block_on(&runtime, work)
}

pub(super) fn simulation_of(faults: Faults) -> Simulation {
    Simulation {
        faults: faults.faults,
        link_faults: faults.link_faults,
        seed: faults.seed,
    }
}

fn run(asked: super::arguments::Run) -> Result<Exit, AppError> {
    let faulty = !asked.faults.faults.is_empty() || !asked.faults.link_faults.is_empty();
    if faulty && !asked.simulate {
        return Err(AppError::Usage(
            "--fault and --link-fault are for --simulate: a real bench brings its own".to_owned(),
        ));
    }
    let mut request = RunRequest {
        bench: asked.bench,
        profile: asked.profile,
        simulation: asked.simulate.then(|| simulation_of(asked.faults)),
        calls: asked.calls,
        order: asked.order.into(),
        answers: asked.answers,
        out: asked.out,
        subject: asked.subject,
        armed_by: asked.armed_by,
    };
    if request.armed_by.is_none() && request.simulation.is_none() {
        request.armed_by = asked_for_a_name(&request)?;
    }
    let (exit, outcome, found) = on_runtime(asked.simulate, async {
        let (sender, commands) = mpsc::channel(8);
        let listener = tokio::task::spawn_local(send_cancels(Interrupts::new()?, sender.clone()));
        let observer = observer();
        let result = run_bench(&request, observer, (sender, commands), keyboard()).await;
        listener.abort();
        result
    })?;
    if let Some(lost) = &outcome.journal_lost {
        to_stderr(&format!("error: {lost}\n  because: {}\n", lost.source))?;
    }
    let format = if asked.json {
        Format::Json
    } else {
        Format::Text
    };
    let shown = found.map_or(Ok(()), |found| show(found, format));
    if exit != Exit::NotConfirmedSafe {
        return shown.map(|()| exit);
    }
    // Nothing that fails on the way out may hide this one.
    if let Err(error) = shown {
        to_stderr(&message_of(&error))?;
    }
    to_stderr(
        "\nNOT CONFIRMED SAFE: a relay may still be closed. Isolate the supply and prove it \
         dead before you touch a conductor.\n",
    )?;
    Ok(exit)
}

/// Who arms a run on real or lifted loads, typed at the keyboard; `None` where nobody has to, or
/// where there is no keyboard.
fn asked_for_a_name(request: &RunRequest) -> Result<Option<String>, AppError> {
    let keyboard = std::io::stdin();
    if !keyboard.is_terminal() || !needs_arming(request)? {
        return Ok(None);
    }
    forget_what_was_typed();
    to_stderr("This run can start machines. Name of the person at the bench who arms it: ")?;
    let mut name = String::new();
    keyboard.read_line(&mut name)?;
    let name = name.trim();
    Ok((!name.is_empty()).then(|| name.to_owned()))
}

/// Prints the report of a run just made. A failure here is one of the bench: the run was made.
fn show(found: Result<RunFound, AppError>, format: Format) -> Result<(), AppError> {
    let found =
        found.map_err(|error| AppError::Output(std::io::Error::other(message_of(&error))))?;
    let mut buffer = Buffer::new();
    write_run(&found, &[format], &mut buffer)?;
    Ok(to_stdout(&buffer)?)
}

/// Answers typed at the keyboard, or piped in.
fn keyboard() -> Keyboard {
    Keyboard {
        begin: Box::new(|| {
            forget_what_was_typed();
            read_lines(std::io::BufReader::new(std::io::stdin()))
        }),
        is_terminal: std::io::stdin().is_terminal(),
    }
}

/// What was typed at a terminal before anything was asked answers nothing. A pipe is no terminal,
/// and stays as it is.
fn forget_what_was_typed() {
    #[cfg(unix)]
    {
        use rustix::termios::{QueueSelector, tcflush};
        let _no_terminal = tcflush(std::io::stdin(), QueueSelector::IFlush).is_err();
    }
}

/// What shows the run as it goes: a table on a terminal that is wide enough, else plain lines.
fn observer() -> Box<dyn FnMut(&event::RunEvent)> {
    let terminal = console::Term::stderr();
    if terminal.is_term()
        && let Some(mut table) = LiveTable::new(terminal, LiveTable::wants_colour())
    {
        return Box::new(move |event| table.observe(event));
    }
    let mut progress = Progress::new(std::io::stderr());
    Box::new(move |event| progress.observe(event))
}

/// The first interrupt asks for a stop with read-back, the second for one at once.
pub(super) async fn send_cancels(mut interrupts: Interrupts, sender: mpsc::Sender<event::Command>) {
    for command in [event::Command::Cancel, event::Command::CancelAtOnce] {
        if !interrupts.next().await || sender.send(command).await.is_err() {
            return;
        }
    }
}

/// Interrupts from the keyboard, requests to terminate and a terminal that was closed, alike: each
/// would otherwise end the program with relays closed.
pub(super) struct Interrupts {
    #[cfg(unix)]
    signals: Vec<tokio::signal::unix::Signal>,
}

impl Interrupts {
    /// Listens from now on, so that one that comes between two waits is not lost.
    #[cfg(unix)]
    pub(super) fn new() -> std::io::Result<Self> {
        use tokio::signal::unix::{SignalKind, signal};
        let kinds = [
            SignalKind::interrupt(),
            SignalKind::terminate(),
            SignalKind::hangup(),
            SignalKind::quit(),
        ];
        let signals = kinds.into_iter().map(signal).collect::<Result<_, _>>()?;
        Ok(Self { signals })
    }

    #[cfg(not(unix))]
    pub(super) fn new() -> std::io::Result<Self> {
        Ok(Self {})
    }

    /// Waits for the next one; false where none can ever come.
    #[cfg(unix)]
    async fn next(&mut self) -> bool {
        std::future::poll_fn(|context| {
            let mut all_over = true;
            for signal in &mut self.signals {
                match signal.poll_recv(context) {
                    Poll::Ready(Some(())) => return Poll::Ready(true),
                    Poll::Ready(None) => {}
                    Poll::Pending => all_over = false,
                }
            }
            if all_over {
                Poll::Ready(false)
            } else {
                Poll::Pending
            }
        })
        .await
    }

    #[cfg(not(unix))]
    async fn next(&mut self) -> bool {
        tokio::signal::ctrl_c().await.is_ok()
    }
}

fn simulate_until_interrupted(asked: super::arguments::Simulate) -> Result<Exit, AppError> {
    let request = SimulateRequest {
        bench: asked.bench,
        profile: asked.profile,
        simulation: simulation_of(asked.faults),
        write_bench: asked.write_bench,
    };
    on_runtime(false, async {
        let mut interrupts = Interrupts::new()?;
        let simulated = simulate(&request)?;
        let mut text = String::new();
        if asked.json {
            let links: Vec<serde_json::Value> = simulated
                .paths
                .iter()
                .map(|(link, path)| serde_json::json!({ "link": link, "path": path }))
                .collect();
            let document = serde_json::json!({
                "format": "coilcall.simulate",
                "version": 1,
                "links": links,
                "bench": simulated.bench_file.display().to_string(),
            });
            text = format!("{document}\n");
        } else {
            for (link, path) in &simulated.paths {
                text.push_str(&format!("link {link}: {path}\n"));
            }
            text.push_str(&format!("bench file: {}\n", simulated.bench_file.display()));
        }
        to_stdout(text.as_bytes())?;
        to_stderr("answering until interrupted\n")?;
        interrupts.next().await;
        Ok(Exit::Pass)
    })
}

fn report(asked: &super::arguments::Report) -> Result<Exit, AppError> {
    let formats = if asked.json {
        vec![Format::Json]
    } else {
        asked
            .format
            .iter()
            .map(|name| name.parse())
            .collect::<Result<Vec<Format>, _>>()?
    };
    let found = read_run(&asked.out, &asked.run)?;
    printed(|out| write_run(&found, &formats, out))
}

//! `self-test`: from arguments to an exit code.

use super::arguments::SelfTest;
use super::entry::{Interrupts, on_runtime, printed, send_cancels, simulation_of};
use super::output::to_stderr;
use crate::app::{self, AppError, Exit, SelfTestRequest, write_self_test};
use crate::event::{EventKind, RunEvent};
use tokio::sync::mpsc;

/// Makes a self-test and prints what it found.
///
/// # Errors
/// Everything that is wrong before anything is opened; output that cannot be written.
pub(super) fn self_test(asked: SelfTest) -> Result<Exit, AppError> {
    let faulty = !asked.faults.faults.is_empty() || !asked.faults.link_faults.is_empty();
    if faulty && !asked.simulate {
        return Err(AppError::Usage(
            "--fault and --link-fault are for --simulate: a real bench brings its own".to_owned(),
        ));
    }
    let simulated = asked.profile.is_some();
    let simulation = asked
        .profile
        .map(|profile| (profile, simulation_of(asked.faults)));
    let request = SelfTestRequest {
        bench: asked.bench,
        simulation,
    };
    let tested = on_runtime(simulated, async {
        let (sender, commands) = mpsc::channel(8);
        let listener = tokio::task::spawn_local(send_cancels(Interrupts::new()?, sender));
        let result = app::self_test(&request, Box::new(say_what_happens), commands).await;
        listener.abort();
        result
    })?;
    printed(|out| Ok(write_self_test(&tested, asked.json, out)?))?;
    let exit = tested.exit();
    if exit == Exit::NotConfirmedSafe {
        to_stderr(
            "\nNOT CONFIRMED SAFE: a relay may still be closed. Isolate the supply and prove it \
             dead before you touch a conductor.\n",
        )?;
    }
    Ok(exit)
}

/// Troubles as they come; the rest is told at the end.
fn say_what_happens(event: &RunEvent) {
    let EventKind::Trouble(seen) = &event.kind else {
        return;
    };
    let said = to_stderr(&format!("{}: {}\n", seen.device, seen.trouble));
    // Where standard error is gone, the report still holds the trouble.
    drop(said);
}

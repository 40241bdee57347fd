//! The task that owns one port: one transaction in flight, every wait bounded.
//!
//! Place in the data's path: between [`BusHandle`](super::BusHandle)'s queue and a byte stream. It
//! knows no protocol: a job's decoder says when a reply is complete.
//!
//! The rules, and why:
//! - Before a request: the rest of a quarantine, then quiet since the last byte, then the input
//!   emptied. What lies there belongs to no question of ours.
//! - A reply ends where its decoder says; silence ends nothing. The deadline is the reply time-out
//!   on top of what request and reply take on the wire.
//! - After a time-out or a bad reply the true reply may still come, and would look like the answer
//!   to the next equal question. So the bus is quarantined: for `late_reply` it only listens and
//!   throws away. Bytes that come unasked have the same effect, where they are as many as the
//!   shortest reply that was ever waited for here (a reply that came twice); fewer are the noise of
//!   a line that changes direction. The caller has its trouble at once; the next one pays.
//! - An urgent job waits for none of that. It waits for our own bytes to leave the wire.
//! - A read of zero bytes, or any error of the port, means that it is gone: it is dropped at once,
//!   so that a replugged adapter can get its old name back.
//!
//! Timers of the runtime tick in milliseconds and round up; the last part of a rest is passed by
//! yielding. A clock that stands still (paused, simulated) cannot be waited out so: there the timer
//! is used to the end.

use super::bus::{Job, SetAside, Turn, Verdict};
use super::link_timing::LinkTiming;
use super::stream::{ByteStream, Connector};
use crate::port::monotonic_now;
use crate::units::{Trouble, TroubleKind};
use std::cell::Cell;
use std::collections::VecDeque;
use std::future::poll_fn;
use std::io;
use std::pin::Pin;
use std::rc::Rc;
use std::task::Poll;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWriteExt, ReadBuf};
use tokio::select;
use tokio::sync::mpsc;
use tokio::time::{Instant, sleep_until};

/// Timers may fire this much late: the part of a rest that is passed by yielding.
const TIMER_SLACK: Duration = Duration::from_millis(2);
/// So many yields without a tick: the clock is a simulated one.
const YIELDS_OF_A_STANDING_CLOCK: u32 = 16;
/// What an urgent exchange is given for its reply while another urgent one waits.
const URGENT_HOLD: Duration = Duration::from_millis(100);
/// No reply is longer.
const LONGEST_REPLY: usize = 64 * 1024;
const CHUNK: usize = 512;

type Port = Option<Box<dyn ByteStream>>;

pub(super) struct BusTask {
    timing: LinkTiming,
    connector: Box<dyn Connector>,
    /// None once the port is gone.
    port: Port,
    urgent_jobs: mpsc::UnboundedReceiver<Box<dyn Job>>,
    turns: mpsc::UnboundedReceiver<Turn>,
    /// Taken out of `turns`, in order.
    queue: VecDeque<Turn>,
    /// An urgent job that has come while something else was under way.
    urgent_waiting: Option<Box<dyn Job>>,
    received: Vec<u8>,
    chunk: Box<[u8; CHUNK]>,
    /// When the last byte was heard, or when our last one has left the wire.
    quiet_since: Instant,
    quarantined_until: Option<Instant>,
    /// Bytes since the last exchange that belong to none.
    unasked: usize,
    /// The same since the port was opened first, for the drivers.
    unasked_ever: Rc<Cell<u64>>,
    /// Of all replies that were ever waited for on this bus.
    shortest_reply: Option<usize>,
    clock_stands: bool,
    why_gone: String,
    all_handles_dropped: bool,
}

enum Rest {
    Over,
    Urgent,
    PortGone,
}

enum End {
    Sound,
    Unsound,
    SetAside,
    PortGone,
}

impl BusTask {
    pub(super) fn new(
        timing: LinkTiming,
        (connector, port): (Box<dyn Connector>, Box<dyn ByteStream>),
        (urgent_jobs, turns): (
            mpsc::UnboundedReceiver<Box<dyn Job>>,
            mpsc::UnboundedReceiver<Turn>,
        ),
        unasked_ever: Rc<Cell<u64>>,
    ) -> Self {
        Self {
            timing,
            connector,
            port: Some(port),
            urgent_jobs,
            turns,
            queue: VecDeque::new(),
            urgent_waiting: None,
            received: Vec::with_capacity(CHUNK),
            chunk: Box::new([0; CHUNK]),
            quiet_since: monotonic_now(),
            quarantined_until: None,
            unasked: 0,
            unasked_ever,
            shortest_reply: None,
            clock_stands: false,
            why_gone: String::new(),
            all_handles_dropped: false,
        }
    }

    pub(super) async fn run(mut self) {
        loop {
            if let Some(urgent) = self.urgent_waiting.take() {
                self.serve_urgent(urgent).await;
            } else if let Ok(urgent) = self.urgent_jobs.try_recv() {
                self.serve_urgent(urgent).await;
            } else if let Some(turn) = self.queue.pop_front() {
                match turn {
                    Turn::Job(job) => self.serve(job).await,
                    Turn::Reopen(done) => drop(done.send(self.reopen().await)),
                }
            } else if self.all_handles_dropped {
                return;
            } else {
                self.idle().await;
            }
        }
    }

    /// Waits for work, hearing meanwhile what comes unasked and when the port goes.
    async fn idle(&mut self) {
        select! {
            biased;
            urgent = self.urgent_jobs.recv() => match urgent {
                Some(urgent) => self.urgent_waiting = Some(urgent),
                None => self.all_handles_dropped = true,
            },
            turn = self.turns.recv() => match turn {
                Some(turn) => self.queue.push_back(turn),
                None => self.all_handles_dropped = true,
            },
            read = read_some(&mut self.port, &mut self.chunk[..]) => {
                self.heard_unasked(read);
            }
        }
    }

    async fn serve(&mut self, mut job: Box<dyn Job>) {
        if job.is_abandoned() {
            return;
        }
        let end = match self.make_ready().await {
            Rest::Over => self.exchange(&mut job, false).await,
            Rest::Urgent if job.exchange().set_aside == SetAside::Repeat => {
                self.queue.push_front(Turn::Job(job));
                return;
            }
            Rest::Urgent => {
                job.fail(TroubleKind::Superseded, "before it was sent", None);
                return;
            }
            Rest::PortGone => {
                job.fail(TroubleKind::Disconnected, &self.why_gone, None);
                return;
            }
        };
        match end {
            End::Sound => {}
            End::Unsound => self.quarantine(),
            End::SetAside => {
                self.quarantine();
                if job.exchange().set_aside == SetAside::Repeat {
                    self.queue.push_front(Turn::Job(job));
                } else {
                    job.fail(TroubleKind::Superseded, "", Some(&self.received));
                }
            }
            End::PortGone => job.fail(
                TroubleKind::Disconnected,
                &self.why_gone,
                Some(&self.received),
            ),
        }
    }

    async fn serve_urgent(&mut self, mut job: Box<dyn Job>) {
        self.set_queue_aside();
        // Two frames without a gap between them are one bad frame to every device on the line.
        let gap = self.quiet_since + self.timing.silence;
        let was_unsure = self.is_quarantined();
        if let Rest::PortGone = self.rest(gap, false).await {
            job.fail(TroubleKind::Disconnected, &self.why_gone, None);
            return;
        }
        self.empty_input().await;
        if self.port.is_none() {
            job.fail(TroubleKind::Disconnected, &self.why_gone, None);
            return;
        }
        match self.exchange(&mut job, true).await {
            // On a bus that owes us nothing the exact reply is as good as any other.
            End::Sound if !was_unsure => {}
            End::Sound | End::Unsound | End::SetAside => self.quarantine(),
            End::PortGone => job.fail(
                TroubleKind::Disconnected,
                &self.why_gone,
                Some(&self.received),
            ),
        }
    }

    /// What was asked for before a stop is not done after it.
    fn set_queue_aside(&mut self) {
        while let Ok(turn) = self.turns.try_recv() {
            self.queue.push_back(turn);
        }
        let queued = std::mem::take(&mut self.queue);
        for turn in queued {
            match turn {
                Turn::Job(mut job) if job.exchange().set_aside == SetAside::Resolve => {
                    job.fail(TroubleKind::Superseded, "before it was sent", None);
                }
                kept => self.queue.push_back(kept),
            }
        }
    }

    async fn reopen(&mut self) -> Result<(), Trouble> {
        // Dropped first: two handles on one port would lock each other out.
        self.port = None;
        self.port = Some(self.connector.connect().await?);
        self.quiet_since = monotonic_now();
        // A reply to a question from before may still be on its way.
        self.quarantine();
        Ok(())
    }

    /// Pays the quarantine, keeps the silence and empties the input.
    async fn make_ready(&mut self) -> Rest {
        let mut paid = false;
        loop {
            if let Some(until) = self.quarantined_until {
                match self.rest(until, true).await {
                    Rest::Over => {}
                    other => return other,
                }
                self.quarantined_until = None;
                paid = true;
            }
            // A line that is never quiet is not waited for without end.
            let bound = monotonic_now() + self.timing.late_reply;
            loop {
                let quiet = (self.quiet_since + self.timing.silence).min(bound);
                match self.rest(quiet, true).await {
                    Rest::Over if self.quiet_since + self.timing.silence <= quiet => break,
                    Rest::Over if quiet == bound => break,
                    Rest::Over => {}
                    other => return other,
                }
            }
            self.empty_input().await;
            if self.port.is_none() {
                return Rest::PortGone;
            }
            if paid || !self.is_quarantined() {
                self.quarantined_until = None;
                return Rest::Over;
            }
        }
    }

    /// Sends the request and listens until there is a verdict.
    async fn exchange(&mut self, job: &mut Box<dyn Job>, is_urgent: bool) -> End {
        self.received.clear();
        self.unasked = 0;
        let shortest = job.shortest_reply();
        self.shortest_reply = Some(self.shortest_reply.map_or(shortest, |s| s.min(shortest)));
        let sent = monotonic_now();
        let request_time = self.timing.wire(job.exchange().request.len());
        let reply_time = self.timing.wire(job.exchange().reply_bytes);
        let mut deadline = sent + self.timing.reply_timeout + request_time + reply_time;
        // From here on some of it may be on the wire.
        self.quiet_since = sent + request_time;
        if let Some(end) = self.send(job, deadline, is_urgent).await {
            return end;
        }
        // A command that is answered by nothing is done as soon as it is sent.
        let verdict = job.judge(&self.received, false);
        if let Some(end) = self.end_of(verdict) {
            return end;
        }
        loop {
            let watching = !self.all_handles_dropped && self.urgent_waiting.is_none();
            select! {
                biased;
                urgent = self.urgent_jobs.recv(), if watching => {
                    match urgent {
                        None => self.all_handles_dropped = true,
                        Some(urgent) => {
                            self.urgent_waiting = Some(urgent);
                            if !is_urgent {
                                return End::SetAside;
                            }
                            deadline = deadline.min(monotonic_now() + URGENT_HOLD + reply_time);
                        }
                    }
                }
                read = read_some(&mut self.port, &mut self.chunk[..]) => {
                    if let Some(end) = self.heard_in_exchange(job, read) {
                        return end;
                    }
                }
                () = sleep_until(deadline) => {
                    let verdict = job.judge(&self.received, true);
                    return self.end_of(verdict).unwrap_or(End::Unsound);
                }
            }
        }
    }

    /// Writes the request; what it returns ended the exchange.
    async fn send(
        &mut self,
        job: &mut Box<dyn Job>,
        deadline: Instant,
        is_urgent: bool,
    ) -> Option<End> {
        let port = self.port.as_mut().expect("an exchange needs an open port");
        let watching = !is_urgent && !self.all_handles_dropped;
        let written = select! {
            biased;
            // First, so that a request which fits into the port's buffer is never cut in two.
            written = port.write_all(&job.exchange().request) => written,
            Some(urgent) = self.urgent_jobs.recv(), if watching => {
                self.urgent_waiting = Some(urgent);
                return Some(End::SetAside);
            }
            () = sleep_until(deadline) => {
                let detail = "the request could not be written in time";
                job.fail(TroubleKind::Timeout, detail, Some(&[]));
                return Some(End::Unsound);
            }
        };
        written.err().map(|error| {
            self.lose_port(&error);
            End::PortGone
        })
    }

    fn heard_in_exchange(
        &mut self,
        job: &mut Box<dyn Job>,
        read: io::Result<usize>,
    ) -> Option<End> {
        match received_count(read) {
            Ok(count) => {
                self.quiet_since = self.quiet_since.max(monotonic_now());
                self.received.extend(&self.chunk[..count]);
                let too_much = self.received.len() > LONGEST_REPLY;
                let verdict = job.judge(&self.received, too_much);
                self.end_of(verdict)
            }
            Err(error) => {
                self.lose_port(&error);
                Some(End::PortGone)
            }
        }
    }

    fn end_of(&mut self, verdict: Verdict) -> Option<End> {
        match verdict {
            Verdict::NeedMore => None,
            Verdict::Sound { used } => {
                self.unasked = self.received.len() - used;
                Some(if self.unasked_is_a_reply() {
                    End::Unsound
                } else {
                    End::Sound
                })
            }
            Verdict::Unsound => Some(End::Unsound),
        }
    }

    /// Lets time pass until then, throwing away what comes.
    async fn rest(&mut self, until: Instant, may_be_cut: bool) -> Rest {
        let mut yields = 0;
        loop {
            if may_be_cut && let Ok(urgent) = self.urgent_jobs.try_recv() {
                self.urgent_waiting = Some(urgent);
                return Rest::Urgent;
            }
            if self.port.is_none() {
                return Rest::PortGone;
            }
            let now = monotonic_now();
            if now >= until {
                return Rest::Over;
            }
            let by_timer = if self.clock_stands {
                Some(until)
            } else {
                until.checked_sub(TIMER_SLACK).filter(|wake| *wake > now)
            };
            let Some(wake) = by_timer else {
                self.empty_input().await;
                tokio::task::yield_now().await;
                yields = if monotonic_now() > now { 0 } else { yields + 1 };
                self.clock_stands = yields >= YIELDS_OF_A_STANDING_CLOCK;
                continue;
            };
            let watching = may_be_cut && !self.all_handles_dropped;
            select! {
                biased;
                urgent = self.urgent_jobs.recv(), if watching => match urgent {
                    Some(urgent) => {
                        self.urgent_waiting = Some(urgent);
                        return Rest::Urgent;
                    }
                    None => self.all_handles_dropped = true,
                },
                read = read_some(&mut self.port, &mut self.chunk[..]) => {
                    self.heard_unasked(read);
                }
                () = sleep_until(wake) => {}
            }
        }
    }

    /// Throws away what has been received by now, here and in the system's buffer.
    async fn empty_input(&mut self) {
        // A peer that sends without pause must not keep us here.
        for _ in 0..LONGEST_REPLY / CHUNK {
            match read_now(&mut self.port, &mut self.chunk[..]).await {
                None => break,
                Some(read) => self.heard_unasked(read),
            }
        }
        if let Some(Err(error)) = self.port.as_mut().map(|port| port.discard_input()) {
            self.lose_port(&error);
        }
    }

    fn heard_unasked(&mut self, read: io::Result<usize>) {
        match received_count(read) {
            Ok(count) => {
                self.quiet_since = self.quiet_since.max(monotonic_now());
                self.unasked = self.unasked.saturating_add(count);
                let ever = self.unasked_ever.get().saturating_add(count as u64);
                self.unasked_ever.set(ever);
                if self.unasked_is_a_reply() && !self.is_quarantined() {
                    self.quarantine();
                }
            }
            Err(error) => self.lose_port(&error),
        }
    }

    fn unasked_is_a_reply(&self) -> bool {
        // Before the first exchange a reply to somebody before us may still come.
        let shortest = self.shortest_reply.unwrap_or(1);
        self.timing.unasked_is_suspect && self.unasked > 0 && self.unasked >= shortest
    }

    fn quarantine(&mut self) {
        self.quarantined_until = Some(monotonic_now() + self.timing.late_reply);
    }

    fn is_quarantined(&self) -> bool {
        let now = monotonic_now();
        self.quarantined_until.is_some_and(|until| now < until)
    }

    fn lose_port(&mut self, error: &io::Error) {
        self.port = None;
        self.why_gone = error.to_string();
    }
}

/// Zero bytes are the end of the stream, never a reason to read again.
fn received_count(read: io::Result<usize>) -> io::Result<usize> {
    match read {
        Ok(0) => Err(io::Error::new(
            io::ErrorKind::UnexpectedEof,
            "the port has closed",
        )),
        other => other,
    }
}

/// Waits for bytes; for ever where there is no port.
async fn read_some(port: &mut Port, chunk: &mut [u8]) -> io::Result<usize> {
    match port {
        Some(port) => port.read(chunk).await,
        None => std::future::pending().await,
    }
}

/// Takes what is there without waiting.
async fn read_now(port: &mut Port, chunk: &mut [u8]) -> Option<io::Result<usize>> {
    let port = port.as_mut()?;
    let mut buffer = ReadBuf::new(chunk);
    poll_fn(|context| {
        Poll::Ready(match Pin::new(&mut *port).poll_read(context, &mut buffer) {
            Poll::Pending => None,
            Poll::Ready(Ok(())) => Some(Ok(buffer.filled().len())),
            Poll::Ready(Err(error)) => Some(Err(error)),
        })
    })
    .await
}

//! The way to one link: hand in a request with its decoder, get the reply or the trouble.
//!
//! Place in the data's path: drivers of devices share a [`BusHandle`]; one task behind it
//! (`bus_task`) owns the port and has one transaction in flight. A caller that goes away leaves no
//! transaction half done: what is not sent yet is dropped, what is on the wire is finished.
//!
//! **Opening relays cannot wait.** [`BusHandle::urgent`] sends ahead of every queue and inside a
//! quarantine. The transaction in flight and everything queued is set aside
//! ([`Superseded`](TroubleKind::Superseded)), so that a relay which somebody wanted closed before
//! the stop is not closed after it. Only an [`Exchange`] marked [`SetAside::Repeat`] is kept.

use super::bus_task::BusTask;
use super::link_timing::LinkTiming;
use super::stream::{ByteStream, Connector, OpenedOnce};
use crate::units::{LinkName, Trouble, TroubleKind};
use crate::wire::{ReplyDecoder, Step, TransactionId, hexadecimal};
use std::cell::Cell;
use std::rc::Rc;
use tokio::sync::{mpsc, oneshot};

/// Longest reply that is kept as evidence in full.
const EVIDENCE_BYTES: usize = 512;

/// What becomes of an exchange that an urgent one overtakes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SetAside {
    /// It ends as [`Superseded`](TroubleKind::Superseded).
    Resolve,
    /// It is sent (again) afterwards: a read-back, harmless to repeat.
    Repeat,
}

/// One request with what the bus must know of it.
#[derive(Debug, Clone)]
pub struct Exchange {
    /// What is tried, as a fragment: "read inputs 1-16 of unit 1 on link board".
    pub tried: String,
    /// The request's bytes; empty to listen only.
    pub request: Vec<u8>,
    /// Length of the reply that is expected, for its time on the wire.
    pub reply_bytes: usize,
    /// What becomes of it when an urgent exchange overtakes it.
    pub set_aside: SetAside,
}

/// What the bus task makes of the bytes so far.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Verdict {
    NeedMore,
    /// A reply or a refusal, complete; bytes behind `used` came unasked.
    Sound {
        used: usize,
    },
    /// The bus cannot be trusted until it has been quiet.
    Unsound,
}

/// A transaction as the bus task sees it, whatever its reply's type. Once it has given a verdict
/// other than [`Verdict::NeedMore`], or was failed, the caller has its answer.
pub(super) trait Job {
    fn exchange(&self) -> &Exchange;
    fn is_abandoned(&self) -> bool;
    fn shortest_reply(&self) -> usize;
    fn judge(&mut self, received: &[u8], at_end: bool) -> Verdict;
    fn fail(&mut self, kind: TroubleKind, detail: &str, received: Option<&[u8]>);
}

/// What waits for its turn.
pub(super) enum Turn {
    Job(Box<dyn Job>),
    Reopen(oneshot::Sender<Result<(), Trouble>>),
}

struct TypedJob<D: ReplyDecoder> {
    exchange: Exchange,
    decoder: D,
    answer: Option<oneshot::Sender<Result<D::Reply, Trouble>>>,
}

impl<D: ReplyDecoder> TypedJob<D> {
    fn resolve(&mut self, result: Result<D::Reply, Trouble>) {
        if let Some(answer) = self.answer.take() {
            // A caller that has gone away does not want the answer.
            drop(answer.send(result));
        }
    }

    fn trouble(&self, kind: TroubleKind, detail: String, received: &[u8]) -> Trouble {
        let kept = &received[..received.len().min(EVIDENCE_BYTES)];
        Trouble {
            kind,
            tried: self.exchange.tried.clone(),
            detail,
            request: hexadecimal(&self.exchange.request),
            reply: hexadecimal(kept),
        }
    }
}

impl<D: ReplyDecoder> Job for TypedJob<D> {
    fn exchange(&self) -> &Exchange {
        &self.exchange
    }

    fn is_abandoned(&self) -> bool {
        self.answer.as_ref().is_none_or(oneshot::Sender::is_closed)
    }

    fn shortest_reply(&self) -> usize {
        self.decoder.shortest_reply()
    }

    fn judge(&mut self, received: &[u8], at_end: bool) -> Verdict {
        let step = if at_end {
            self.decoder.conclude(received)
        } else {
            self.decoder.decode(received)
        };
        match step {
            Step::NeedMore if at_end => {
                let trouble = self.trouble(TroubleKind::Timeout, String::new(), received);
                self.resolve(Err(trouble));
                Verdict::Unsound
            }
            Step::NeedMore => Verdict::NeedMore,
            Step::Reply { reply, used } => {
                self.resolve(Ok(reply));
                Verdict::Sound { used }
            }
            Step::Refused { kind, detail, used } => {
                let trouble = self.trouble(kind, detail, received);
                self.resolve(Err(trouble));
                Verdict::Sound { used }
            }
            Step::Trouble { kind, detail } => {
                let trouble = self.trouble(kind, detail, received);
                self.resolve(Err(trouble));
                Verdict::Unsound
            }
        }
    }

    fn fail(&mut self, kind: TroubleKind, detail: &str, received: Option<&[u8]>) {
        let mut trouble = self.trouble(kind, detail.to_owned(), received.unwrap_or_default());
        if received.is_none() {
            trouble.request.clear();
        }
        self.resolve(Err(trouble));
    }
}

struct Shared {
    link: LinkName,
    echoes: Cell<bool>,
    last_transaction: Cell<u16>,
    unasked_bytes: Rc<Cell<u64>>,
    urgent: mpsc::UnboundedSender<Box<dyn Job>>,
    turns: mpsc::UnboundedSender<Turn>,
}

/// The way to one link; cheap to clone. The port closes when the last handle is dropped.
#[derive(Clone)]
pub struct BusHandle {
    shared: Rc<Shared>,
}

impl BusHandle {
    /// Opens the port and starts the task that owns it. Call inside a `LocalSet`.
    ///
    /// # Errors
    /// The connector's trouble.
    pub async fn open(
        link: LinkName,
        timing: LinkTiming,
        connector: Box<dyn Connector>,
    ) -> Result<Self, Trouble> {
        let stream = connector.connect().await?;
        Ok(Self::start(link, timing, connector, stream))
    }

    /// A bus over a stream that is open already and cannot be opened again. Call inside a
    /// `LocalSet`.
    #[must_use]
    pub fn over(link: LinkName, timing: LinkTiming, stream: impl ByteStream + 'static) -> Self {
        Self::start(link, timing, Box::new(OpenedOnce), Box::new(stream))
    }

    fn start(
        link: LinkName,
        timing: LinkTiming,
        connector: Box<dyn Connector>,
        stream: Box<dyn ByteStream>,
    ) -> Self {
        let (urgent, urgent_jobs) = mpsc::unbounded_channel();
        let (turns, waiting_turns) = mpsc::unbounded_channel();
        let unasked_bytes = Rc::new(Cell::new(0));
        let task = BusTask::new(
            timing,
            (connector, stream),
            (urgent_jobs, waiting_turns),
            Rc::clone(&unasked_bytes),
        );
        tokio::task::spawn_local(task.run());
        Self {
            shared: Rc::new(Shared {
                link,
                echoes: Cell::new(false),
                last_transaction: Cell::new(0),
                unasked_bytes,
                urgent,
                turns,
            }),
        }
    }

    /// The link's name in the bench file.
    #[must_use]
    pub fn link(&self) -> &LinkName {
        &self.shared.link
    }

    /// True where the last read has shown that the port hears what it sends (a two-wire line).
    #[must_use]
    pub fn echoes(&self) -> bool {
        self.shared.echoes.get()
    }

    /// Remembers for every device on the link whether the port hears what it sends.
    pub fn note_echo(&self, heard: bool) {
        self.shared.echoes.set(heard);
    }

    /// Bytes that have come so far outside every exchange, and were thrown away. A driver that
    /// finds more of them behind an answer than before it knows that the answer may be an older
    /// one.
    #[must_use]
    pub fn unasked_bytes(&self) -> u64 {
        self.shared.unasked_bytes.get()
    }

    /// A number for one request on this link; it comes again only after 65,535 others.
    #[must_use]
    pub fn next_transaction(&self) -> TransactionId {
        let next = self.shared.last_transaction.get().wrapping_add(1);
        self.shared.last_transaction.set(next);
        TransactionId(next)
    }

    /// Makes one exchange in its turn.
    ///
    /// # Errors
    /// The link's trouble, with the bytes of both sides.
    pub async fn transact<D>(&self, exchange: Exchange, decoder: D) -> Result<D::Reply, Trouble>
    where
        D: ReplyDecoder + 'static,
        D::Reply: 'static,
    {
        let tried = exchange.tried.clone();
        let (job, answer) = job(exchange, decoder);
        // A task that has ended drops the job, and so the answer's sender.
        drop(self.shared.turns.send(Turn::Job(job)));
        answer.await.unwrap_or_else(|_| Err(task_ended(tried)))
    }

    /// Makes one exchange at once, ahead of every queue, inside a quarantine, setting aside what is
    /// in flight. It waits only until our own last bytes have left the wire: sent sooner they would
    /// run into one frame. Another urgent exchange before it is given a short while for its reply.
    ///
    /// # Errors
    /// The link's trouble; the bytes have been sent unless it is
    /// [`Disconnected`](TroubleKind::Disconnected).
    pub async fn urgent<D>(&self, exchange: Exchange, decoder: D) -> Result<D::Reply, Trouble>
    where
        D: ReplyDecoder + 'static,
        D::Reply: 'static,
    {
        let tried = exchange.tried.clone();
        let (job, answer) = job(exchange, decoder);
        drop(self.shared.urgent.send(job));
        answer.await.unwrap_or_else(|_| Err(task_ended(tried)))
    }

    /// Makes several urgent exchanges, handed over together so that none waits for another's
    /// answer longer than that short while.
    pub async fn urgent_each<D>(
        &self,
        exchanges: Vec<(Exchange, D)>,
    ) -> Vec<Result<D::Reply, Trouble>>
    where
        D: ReplyDecoder + 'static,
        D::Reply: 'static,
    {
        let mut answers = Vec::with_capacity(exchanges.len());
        for (exchange, decoder) in exchanges {
            let tried = exchange.tried.clone();
            let (job, answer) = job(exchange, decoder);
            drop(self.shared.urgent.send(job));
            answers.push((tried, answer));
        }
        let mut results = Vec::with_capacity(answers.len());
        for (tried, answer) in answers {
            results.push(answer.await.unwrap_or_else(|_| Err(task_ended(tried))));
        }
        results
    }

    /// Closes the port and opens it again, after what is in flight. Needed once a transaction has
    /// ended as [`Disconnected`](TroubleKind::Disconnected).
    ///
    /// # Errors
    /// The connector's trouble.
    pub async fn reopen(&self) -> Result<(), Trouble> {
        let (done, answer) = oneshot::channel();
        drop(self.shared.turns.send(Turn::Reopen(done)));
        let tried = || format!("open link {} again", self.shared.link);
        answer.await.unwrap_or_else(|_| Err(task_ended(tried())))
    }
}

type Answer<R> = oneshot::Receiver<Result<R, Trouble>>;

fn job<D>(exchange: Exchange, decoder: D) -> (Box<dyn Job>, Answer<D::Reply>)
where
    D: ReplyDecoder + 'static,
    D::Reply: 'static,
{
    let (sender, answer) = oneshot::channel();
    let job = TypedJob {
        exchange,
        decoder,
        answer: Some(sender),
    };
    (Box::new(job), answer)
}

fn task_ended(tried: String) -> Trouble {
    Trouble {
        kind: TroubleKind::Disconnected,
        tried,
        detail: "the task that owned the port has ended".into(),
        request: String::new(),
        reply: String::new(),
    }
}

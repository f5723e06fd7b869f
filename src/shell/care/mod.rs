//! The care thread: the keeper's log between requests and the disk, and what is told once a day.
//!
//! Duty: an answer says `noted` only when the entries are on the disk; the same request twice is one. Control is asked
//! for its counts and never waits. What the disk does not answer is neither true nor false: until it answers, nothing
//! else is noted. Limits: one request at a time; a day's round looks at each tank once a minute.

mod beside;
mod facts;
mod round;
mod views;

use std::collections::BTreeMap;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::time::Duration;

use tokio::sync::{mpsc, oneshot};

use crate::care::{Asked, Care, Entry, EntryId, Facts, Plans, Refusal, Request, What};
use crate::config::Setup;
use crate::control;
use crate::control::dosing::DoseAsk;
use crate::control::effect::{Answer, Outcome};
use crate::time::{Span, Wall};

use super::clock::Clock;
use super::job::{Job, Keeping, NotFound};
use super::store::{CareWriter, Noted};
pub use views::{Part, Range, View};

/// Requests that may wait.
const QUEUE: usize = 256;
/// A disk that takes longer than this leaves the answer open.
const DISK: Duration = Duration::from_secs(10);
/// How often each tank is looked at.
const ROUND: Span = Span::from_minutes(1);
/// How far from a moment a stored reading may lie to be compared with.
const NEAR: i64 = 5 * 60 * 1000;

/// An answer, and the entries that it made.
#[derive(Clone, Debug, serde::Serialize, schemars::JsonSchema)]
pub struct CareAnswer {
    /// How it went.
    #[serde(flatten)]
    pub answer: Answer,
    /// The numbers of its entries.
    pub ids: Vec<EntryId>,
}

/// What the care thread is asked.
#[derive(Debug)]
pub enum CareJob {
    /// A request of the keeper.
    Ask(Box<Asked>, oneshot::Sender<Result<CareAnswer, NotFound>>),
    /// Facts.
    View(Box<View>, oneshot::Sender<Result<serde_json::Value, NotFound>>),
    /// The text of the metrics.
    Metrics(oneshot::Sender<String>),
    /// Water was changed in a hold.
    WaterChanged(String, f64, Wall),
    /// Another config.
    Replan(Box<Plans>, Vec<String>),
    /// The end.
    Stop,
}

/// The way to the care thread.
#[derive(Clone, Debug)]
pub struct CareHandle(SyncSender<CareJob>);

impl CareHandle {
    /// Hands a job over without waiting; `false`: there is no room for it.
    pub fn send(&self, job: CareJob) -> bool {
        match self.0.try_send(job) {
            Ok(()) => true,
            Err(TrySendError::Full(_) | TrySendError::Disconnected(_)) => {
                tracing::error!("the keeper's log does not keep up: a request was not heard");
                false
            }
        }
    }

    /// Water was changed in a hold.
    pub fn water_changed(&self, tank: String, litres: f64, since: Wall) {
        self.send(CareJob::WaterChanged(tank, litres, since));
    }

    /// Another config is at work.
    pub fn replan(&self, setup: &Setup) {
        self.send(CareJob::Replan(Box::new(setup.care()), channels(setup)));
    }

    /// Ends the thread; a full queue is worked off first.
    pub fn stop(&self) {
        let _ = self.0.send(CareJob::Stop);
    }
}

fn channels(setup: &Setup) -> Vec<String> {
    setup.daemon.notify.channels.iter().map(|channel| channel.name.to_string()).collect()
}

/// What the thread is made of.
pub struct Parts {
    plans: Plans,
    channels: Vec<String>,
    noted: Noted,
    writer: CareWriter,
    clock: Clock,
    jobs: (SyncSender<CareJob>, Receiver<CareJob>),
}

impl Parts {
    /// Before the thread runs.
    pub fn new(setup: &Setup, noted: Noted, writer: CareWriter, clock: Clock) -> Self {
        Self { plans: setup.care(), channels: channels(setup), noted, writer, clock, jobs: sync_channel(QUEUE) }
    }

    /// The way to it.
    pub fn handle(&self) -> CareHandle {
        CareHandle(self.jobs.0.clone())
    }

    /// Runs until it is told to stop, or nobody is left to ask.
    pub fn run(self, control: mpsc::Sender<Job>) {
        let Self { plans, channels, noted, writer, clock, jobs: (own, inbox) } = self;
        drop(own);
        for why in &noted.unreadable {
            tracing::error!("{why}; it is left where it is, and counts for nothing");
        }
        let mut care = Care::replay(noted.entries);
        care.take_numbers_up_to(noted.taken);
        let facts = Facts { channels, ..Facts::default() };
        let told_control = BTreeMap::new();
        let mut keeper = Keeper { care, plans, facts, writer, clock, control, told_control, pending: None };
        let every = clock.real(ROUND).max(Duration::from_millis(50));
        let mut next = std::time::Instant::now() + Duration::from_secs(2).min(every);
        loop {
            let wait = next.saturating_duration_since(std::time::Instant::now());
            match inbox.recv_timeout(wait) {
                Ok(CareJob::Stop) | Err(RecvTimeoutError::Disconnected) => return,
                Ok(job) => keeper.serve(job),
                Err(RecvTimeoutError::Timeout) => {
                    keeper.round();
                    next = std::time::Instant::now() + every;
                }
            }
        }
    }
}

/// Everything that the thread owns.
struct Keeper {
    care: Care,
    plans: Plans,
    facts: Facts,
    writer: CareWriter,
    clock: Clock,
    control: mpsc::Sender<Job>,
    /// What control knows of each tank's supplies and chores.
    told_control: BTreeMap<String, Keeping>,
    /// Entries of which the disk has not said yet whether it has them.
    pending: Option<Pending>,
}

/// Entries on their way to the disk, and its answer.
type Pending = (Vec<Entry>, Receiver<Result<(), String>>);

/// What became of entries.
enum Written {
    /// They are on the disk, and folded.
    Yes,
    /// They are not.
    No(String),
    /// The disk does not answer.
    Open,
}

impl Keeper {
    fn now(&self) -> Wall {
        self.clock.now().wall
    }

    fn serve(&mut self, job: CareJob) {
        match job {
            CareJob::Ask(asked, reply) => drop(reply.send(self.ask(&asked))),
            CareJob::View(view, reply) => {
                let found = self.view(&view);
                drop(reply.send(found));
            }
            CareJob::Metrics(reply) => drop(reply.send(self.metrics())),
            CareJob::WaterChanged(tank, litres, since) => self.water_changed(&tank, litres, since),
            CareJob::Replan(plans, channels) => {
                self.plans = *plans;
                self.facts = Facts { channels, ..Facts::default() };
                self.told_control.clear();
            }
            CareJob::Stop => {}
        }
    }

    fn no_tank(&self, tank: &str) -> Result<(), NotFound> {
        if self.plans.tanks.contains_key(tank) {
            return Ok(());
        }
        let known = self.plans.tanks.keys().cloned().collect();
        Err(NotFound { what: "tank", name: tank.to_owned(), known })
    }

    fn ask(&mut self, asked: &Asked) -> Result<CareAnswer, NotFound> {
        self.no_tank(&asked.tank)?;
        if let Written::Open = self.settle_pending(DISK) {
            return Ok(open());
        }
        self.look_at(&asked.tank);
        let (now, writer) = (self.now(), self.writer.clone());
        let then = |signal: &str, at: Wall| writer.value_near(&asked.tank, signal, at.unix_millis(), NEAR);
        let decided = match self.care.ask(asked, &self.plans, &self.facts, now, &then) {
            Ok(decided) => decided,
            Err(Refusal { summary, details }) => return Ok(answer(Outcome::Refused, summary, details)),
        };
        let ids = decided.entries.iter().map(|entry| entry.id).collect();
        let whats: Vec<What> = decided.entries.iter().map(|entry| entry.what.clone()).collect();
        match self.write(decided.entries) {
            Written::Yes => {
                self.tell_control(&self.with_its_neighbours(&asked.tank));
                let mut details = decided.details;
                details.extend(whats.iter().filter_map(|what| self.tell_the_pump(asked, what)));
                let answer =
                    Answer { outcome: Outcome::Done, summary: decided.summary, details, caution: decided.caution };
                Ok(CareAnswer { answer, ids })
            }
            Written::No(why) => {
                Ok(answer(Outcome::Refused, "nothing was noted: it is not on the disk".to_owned(), vec![why]))
            }
            Written::Open => Ok(open()),
        }
    }

    /// A container that control doses from was filled or looked at: control is told, and its word is handed on.
    fn tell_the_pump(&self, asked: &Asked, what: &What) -> Option<String> {
        let (What::Refilled { supply, .. } | What::Left { supply, .. }) = what else { return None };
        let plan = self.plans.tanks.get(&asked.tank)?.supplies.iter().find(|plan| plan.name == *supply)?;
        let mut outputs = plan.outputs_of(&asked.tank);
        let (pump, None) = (outputs.next()?, outputs.next()) else { return None };
        let container = self.facts.tanks.get(&asked.tank)?.outputs.get(pump)?.container?;
        let views = self.care.supplies(&asked.tank, &self.plans, &self.facts, self.now());
        let left = views.iter().find(|view| view.supply == *supply)?.left_litres?;
        let ml = left.min(container) * 1000.0;
        let what = if matches!(what, What::Left { .. }) { DoseAsk::Left(ml) } else { DoseAsk::Refill(Some(ml)) };
        let request = control::Request::Dose { pump: pump.to_owned(), what };
        let (tank, by) = (asked.tank.clone(), asked.by.clone());
        let answer = self.control(|reply| Job::Ask { tank, by, request, reply })?.ok()?;
        Some(format!("{pump}: {}", answer.summary))
    }

    /// Writes entries, waits for the disk, and folds them when they are there.
    fn write(&mut self, entries: Vec<Entry>) -> Written {
        if entries.is_empty() {
            return Written::Yes;
        }
        let answer = self.writer.write(entries.clone());
        self.pending = Some((entries, answer));
        self.settle_pending(DISK)
    }

    /// What became of the entries of which it was not known.
    fn settle_pending(&mut self, within: Duration) -> Written {
        let Some((entries, answer)) = self.pending.take() else { return Written::Yes };
        match answer.recv_timeout(within) {
            Ok(Ok(())) => {
                for entry in entries {
                    self.care.fold(entry);
                }
                Written::Yes
            }
            Ok(Err(why)) => Written::No(why),
            Err(RecvTimeoutError::Disconnected) => Written::No("the store has ended".to_owned()),
            Err(RecvTimeoutError::Timeout) => {
                self.pending = Some((entries, answer));
                Written::Open
            }
        }
    }

    /// Entries of the daemon itself.
    fn note(&mut self, tank: &str, key: Option<String>, what: What) -> bool {
        if matches!(self.settle_pending(DISK), Written::Open) {
            return false;
        }
        if key.as_deref().is_some_and(|key| self.care.of_key(key).is_some()) {
            return true;
        }
        let (id, now) = (self.care.next_id(), self.now());
        let entry = Entry { id, tank: tank.to_owned(), at: now, noted: now, by: "daemon".to_owned(), key, what };
        matches!(self.write(vec![entry]), Written::Yes)
    }

    fn water_changed(&mut self, tank: &str, litres: f64, since: Wall) {
        // A kill may bring the hold back, and its end is then heard of twice.
        let key = format!("hold {tank} {}", since.unix_millis());
        if self.note(tank, Some(key), What::WaterChange { litres }) {
            self.tell_control(&[tank.to_owned()]);
        } else {
            tracing::error!(
                "{tank}: a water change of {litres:.1} L could not be noted; say `slackwater log water-change`"
            );
        }
    }

    /// Control's answer to one question; it never waits for us, and we not for ever.
    fn control<T>(&self, job: impl FnOnce(oneshot::Sender<T>) -> Job) -> Option<T> {
        let (reply, mut answer) = oneshot::channel();
        self.control.try_send(job(reply)).ok()?;
        for _ in 0..600 {
            match answer.try_recv() {
                Ok(answer) => return Some(answer),
                Err(oneshot::error::TryRecvError::Closed) => return None,
                Err(oneshot::error::TryRecvError::Empty) => std::thread::sleep(Duration::from_millis(5)),
            }
        }
        None
    }
}

fn answer(outcome: Outcome, summary: String, details: Vec<String>) -> CareAnswer {
    CareAnswer { answer: Answer { outcome, summary, details, caution: None }, ids: Vec::new() }
}

fn open() -> CareAnswer {
    let details = vec!["send it again with the same key: it is noted once, whatever the disk has by then".to_owned()];
    answer(Outcome::NotProven, "the disk does not answer, so nobody can say whether it is noted".to_owned(), details)
}

/// Reads a request: JSON with `do`, and beside it `key` and `when`.
pub fn read_request(tank: String, by: String, body: &[u8]) -> Result<Asked, CareAnswer> {
    let bad = |why: String| {
        let fix =
            "send JSON such as {\"do\":\"measure\",\"quantity\":\"nitrate\",\"value\":\"5 mg/L\",\"key\":\"...\"}";
        answer(Outcome::Unknown, why, vec![fix.to_owned()])
    };
    let mut value: serde_json::Value =
        serde_json::from_slice(body).map_err(|error| bad(format!("not JSON: {error}")))?;
    let Some(object) = value.as_object_mut() else { return Err(bad("not a JSON object".to_owned())) };
    // Nothing is switched by it: from wherever it is asked.
    object.remove("on_site");
    let mut text = |key: &str| match object.remove(key) {
        Some(serde_json::Value::String(text)) => Ok(Some(text)),
        None | Some(serde_json::Value::Null) => Ok(None),
        Some(_) => Err(bad(format!("`{key}` is not a text"))),
    };
    let (key, when) = (text("key")?, text("when")?);
    if key.as_ref().is_some_and(|key| key.is_empty() || key.len() > 200) {
        return Err(bad("`key` is empty or longer than 200 bytes".to_owned()));
    }
    let request: Request = serde_json::from_value(value).map_err(|error| bad(error.to_string()))?;
    Ok(Asked { tank, by, key, when, request })
}

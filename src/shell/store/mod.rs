//! The store's thread: what must survive, the journal and the thinned readings, off the control path.
//!
//! Duty: to write in the order of asking, to answer at once when something is on the disk, and to
//! keep trying what failed. It never delays control by more than 300 ms: a disk that hangs is
//! waited for once, and then no longer until it answers. Journal lines and samples that find the
//! queue full are dropped and counted; states are kept until they are written.

mod care;
mod checksum;
mod database;
pub mod doubts;
pub mod history;
mod notices;
mod room;
mod scribe;
mod upkeep;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::Duration;

use crate::care::Entry;
use crate::control::effect::{Durability, JournalEntry};
use crate::wire::metrics::Meters;

use super::background;
pub use care::Noted;
use database::{Batch, Database};
pub use database::{Found, OpenError, fresh_instance};
pub(in crate::shell) use database::{SCHEMA, beside, is_there, read_states as states_of};
pub use history::{DayOf, Sample};
pub use notices::Notices;
use scribe::Scribe;
use upkeep::Upkeep;

/// Control waits this long for a record to be on the disk, and then goes on.
const PATIENCE: Duration = Duration::from_millis(300);

/// Jobs that may wait.
const QUEUE: usize = 4096;

/// What failed is tried again after this.
const RETRY: Duration = Duration::from_secs(5);

const JOURNAL_LOST: &str = "the store does not keep up: journal lines are lost";

const NO_ROOM: &str =
    "the disk is full: holds, latches and budgets are still written, the journal, the log and readings are not";

enum Job {
    Save { tank: String, json: String, done: Option<SyncSender<bool>> },
    Journal(Vec<(String, JournalEntry)>),
    Samples(Vec<Sample>),
    Care(Vec<Entry>, SyncSender<Result<(), String>>),
    Days(Vec<DayOf>),
    Steadiness { tank: String, json: String },
    Expect(Vec<String>),
    Stop,
}

/// What is wrong with the store, for alarms; shared with its thread.
#[derive(Debug, Default)]
pub struct Health {
    failing: AtomicBool,
    why: Mutex<String>,
}

impl Health {
    /// Why writes fail; `None`: they do not.
    pub fn trouble(&self) -> Option<String> {
        let why = || self.why.lock().map_or_else(|_| String::new(), |why| why.clone());
        self.failing.load(Ordering::Relaxed).then(why)
    }

    fn set(&self, trouble: Option<String>) {
        self.failing.store(trouble.is_some(), Ordering::Relaxed);
        if let (Some(trouble), Ok(mut why)) = (trouble, self.why.lock()) {
            *why = trouble;
        }
    }
}

/// The way of the keeper's log to the disk.
#[derive(Clone, Debug)]
pub struct CareWriter {
    jobs: SyncSender<Job>,
    path: PathBuf,
}

impl CareWriter {
    /// Hands entries over; the answer comes when they are on the disk, or why they are not.
    pub fn write(&self, entries: Vec<Entry>) -> Receiver<Result<(), String>> {
        let (done, answer) = sync_channel(1);
        if let Err(error) = self.jobs.try_send(Job::Care(entries, done.clone())) {
            let _ = done.try_send(Err(format!("the store does not keep up: {error}")));
        }
        answer
    }

    /// What a signal said at a moment that is over, both in Unix milliseconds, as far as the thinned readings know.
    pub fn value_near(&self, tank: &str, signal: &str, at: i64, within: i64) -> Option<f64> {
        let history = history::read::History::open_file(&self.path).ok()?;
        history.value_near(tank, signal, at / 1000, within / 1000).ok()?
    }
}

/// The way to the store's thread.
#[derive(Debug)]
pub struct Store {
    jobs: SyncSender<Job>,
    scribe: Scribe,
    thread: JoinHandle<()>,
    health: Arc<Health>,
    meters: Meters,
    /// The last record was waited for in vain.
    hangs: bool,
    path: PathBuf,
}

impl Store {
    /// Opens the store of a data directory and starts its thread. A store that cannot be opened for
    /// another reason than its version does not stop the daemon: it is tried again and again.
    pub fn open(data_dir: &Path, meters: Meters) -> Result<(Self, Found), OpenError> {
        let path = data_dir.join("slackwater.db");
        let health = Arc::new(Health::default());
        let (database, found) = match Database::open(&path) {
            Ok((database, found)) => (Some(database), found),
            Err(newer @ OpenError::Newer { .. }) => return Err(newer),
            Err(OpenError::Unusable(why)) => {
                let said = format!("the store `{}` cannot be used: {why}", path.display());
                health.set(Some(said.clone()));
                meters.store_writes.inc();
                meters.store_failures.inc();
                // There may be a state in it that nobody can read now.
                let damaged = path.exists().then_some(said);
                (None, Found { damaged, instance: fresh_instance(), ..Found::default() })
            }
        };
        let (jobs, inbox) = sync_channel(QUEUE);
        let own_path = path.clone();
        let writer = Writer {
            path,
            database,
            health: Arc::clone(&health),
            meters: meters.clone(),
            unsaved: BTreeMap::new(),
            expected: None,
            upkeep: Upkeep::default(),
        };
        let thread = background::spawn("store", move || writer.run(&inbox))
            .map_err(|error| OpenError::Unusable(error.to_string()))?;
        let (told, counted) = (Arc::clone(&health), meters.clone());
        let scribe = Scribe::start(jobs.clone(), move || lost(&told, &counted, JOURNAL_LOST))
            .map_err(|error| OpenError::Unusable(error.to_string()))?;
        Ok((Self { jobs, scribe, thread, health, meters, hangs: false, path: own_path }, found))
    }

    /// The way of the keeper's log to the disk.
    pub fn care_writer(&self) -> CareWriter {
        CareWriter { jobs: self.jobs.clone(), path: self.path.clone() }
    }

    /// These tanks are kept from now on: of those that the file does not know, it remembers that it should.
    pub fn expect(&self, tanks: Vec<String>) {
        if self.jobs.try_send(Job::Expect(tanks)).is_err() {
            self.lost("the store does not keep up: its queue is full");
        }
    }

    /// What is wrong with the store.
    pub fn health(&self) -> &Arc<Health> {
        &self.health
    }

    /// Saves a tank's state. With [`Durability::BeforeWhatFollows`] it is on the disk when this
    /// returns, or the failure is counted. Returns whether it is on the disk or need not be yet.
    pub fn save(&mut self, tank: &str, json: String, durability: Durability) -> bool {
        let wait = durability == Durability::BeforeWhatFollows;
        let (done, answer) = sync_channel(1);
        let job = Job::Save { tank: tank.to_owned(), json, done: wait.then_some(done) };
        if self.jobs.try_send(job).is_err() {
            self.lost("the store does not keep up: its queue is full");
            return false;
        }
        if wait {
            let patience = if self.hangs { Duration::from_millis(5) } else { PATIENCE };
            // A failed write was counted by the thread; what was spent stays spent in the core's memory.
            let written = answer.recv_timeout(patience);
            self.hangs = written.is_err();
            if self.hangs {
                self.lost("a record that safety rests on was not on the disk in time");
            }
            return written.unwrap_or(false);
        }
        true
    }

    /// Writes lines of the journal to the log and to the disk, soon.
    pub fn journal(&self, lines: Vec<(String, JournalEntry)>) {
        if !lines.is_empty() && !self.scribe.take(lines) {
            self.lost(JOURNAL_LOST);
        }
    }

    /// Writes samples, soon.
    pub fn samples(&self, samples: Vec<Sample>) {
        if !samples.is_empty() && self.jobs.try_send(Job::Samples(samples)).is_err() {
            self.lost("the store does not keep up: samples are lost");
        }
    }

    /// Writes days that are over, soon.
    pub fn days(&self, days: Vec<DayOf>) {
        if !days.is_empty() && self.jobs.try_send(Job::Days(days)).is_err() {
            self.lost("the store does not keep up: a day's steadiness is lost");
        }
    }

    /// Writes a tank's running day, soon; the next one replaces it.
    pub fn steadiness(&self, tank: &str, json: String) {
        if self.jobs.try_send(Job::Steadiness { tank: tank.to_owned(), json }).is_err() {
            self.lost("the store does not keep up: a running day is not kept");
        }
    }

    fn lost(&self, why: &str) {
        lost(&self.health, &self.meters, why);
    }

    /// Writes what waits and ends the threads. A disk that hangs is not waited for longer than a few seconds.
    pub fn close(self) {
        self.scribe.close(Duration::from_secs(2));
        let mut left = 100;
        while self.jobs.try_send(Job::Stop).is_err() && left > 0 {
            left -= 1;
            std::thread::sleep(Duration::from_millis(20));
        }
        background::join_within(self.thread, Duration::from_secs(3));
    }
}

fn lost(health: &Health, meters: &Meters, why: &str) {
    meters.store_failures.inc();
    health.set(Some(why.to_owned()));
}

struct Writer {
    path: PathBuf,
    database: Option<Database>,
    health: Arc<Health>,
    meters: Meters,
    /// States whose write failed, the newest of each tank.
    unsaved: BTreeMap<String, String>,
    /// Tanks that the file was not told of yet.
    expected: Option<Vec<String>>,
    upkeep: Upkeep,
}

impl Writer {
    fn run(mut self, inbox: &Receiver<Job>) {
        loop {
            // A file that is not there has no upkeep: without this the thread would never rest.
            let open = self.database.as_ref().is_some_and(|database| !database.is_short());
            let idle = if open { self.upkeep.wait().min(RETRY) } else { RETRY };
            let first = match inbox.recv_timeout(idle) {
                Ok(job) => Some(job),
                Err(RecvTimeoutError::Timeout) => None,
                Err(RecvTimeoutError::Disconnected) => return,
            };
            let mut waiting = Vec::new();
            let mut stop = false;
            let mut care = Vec::new();
            let mut batch = Batch { states: std::mem::take(&mut self.unsaved), ..Batch::default() };
            for job in first.into_iter().chain(std::iter::from_fn(|| inbox.try_recv().ok())).take(256) {
                match job {
                    Job::Save { tank, json, done } => {
                        batch.states.insert(tank, json);
                        waiting.extend(done);
                    }
                    Job::Journal(lines) => batch.journal.extend(lines),
                    Job::Samples(samples) => batch.samples.extend(samples),
                    Job::Care(entries, done) => care.push((entries, done)),
                    Job::Days(days) => batch.days.extend(days),
                    Job::Steadiness { tank, json } => drop(batch.steadiness.insert(tank, json)),
                    Job::Expect(tanks) => self.expected = Some(tanks),
                    Job::Stop => stop = true,
                }
            }
            let durability = if waiting.is_empty() && !stop { Durability::Soon } else { Durability::BeforeWhatFollows };
            self.expect();
            let written = self.write(batch, durability);
            for done in waiting {
                let _ = done.try_send(written);
            }
            // After the states, and apart from them: a log that cannot be written must not keep a hold from the disk.
            for (entries, done) in care {
                let _ = done.try_send(self.write_care(&entries));
            }
            if stop {
                return;
            }
            if let Some(database) = self.database.as_mut().filter(|database| !database.is_short()) {
                self.upkeep.some(database, &self.meters);
            }
        }
    }

    fn expect(&mut self) {
        let Some(database) = &mut self.database else { return };
        if let Some(Err(error)) = self.expected.take().map(|tanks| database.expect(&tanks)) {
            // The mark of any tank stays: the safe side.
            tracing::error!("the store cannot note which tanks there are: {error}");
        }
    }

    fn write_care(&mut self, entries: &[Entry]) -> Result<(), String> {
        self.meters.store_writes.inc();
        let written = self.opened().and_then(|database| {
            database
                .write_care(entries)
                .map_err(|error| (format!("the keeper's log cannot be written: {error}"), Database::is_broken(&error)))
        });
        written.map_err(|(why, broken)| {
            tracing::error!("{why}");
            self.meters.store_failures.inc();
            self.health.set(Some(why.clone()));
            if broken {
                self.database = None;
            }
            why
        })
    }

    fn write(&mut self, batch: Batch, durability: Durability) -> bool {
        if batch.is_empty() && self.database.as_ref().is_some_and(|database| !database.is_short()) {
            return true;
        }
        self.meters.store_writes.inc();
        let timer = self.meters.store_duration.start_timer();
        let written = self.opened().and_then(|database| {
            database
                .write(&batch, durability)
                .map_err(|error| (format!("the store cannot be written: {error}"), Database::is_broken(&error)))
        });
        timer.observe_duration();
        match written {
            Ok(()) => {
                let short = self.database.as_ref().is_some_and(Database::is_short);
                self.health.set(short.then(|| NO_ROOM.to_owned()));
                true
            }
            Err((why, broken)) => {
                // Once a reason: a disk that is gone must not fill the log, too.
                if self.health.trouble().as_ref() != Some(&why) {
                    tracing::error!("{why}");
                }
                self.meters.store_failures.inc();
                self.health.set(Some(why));
                self.unsaved = batch.states;
                if broken {
                    // The next write opens it anew, which moves a damaged file aside.
                    self.database = None;
                }
                false
            }
        }
    }

    fn opened(&mut self) -> Result<&mut Database, (String, bool)> {
        if self.database.is_none() {
            let (database, _) = Database::open(&self.path)
                .map_err(|error| (format!("the store `{}` cannot be used: {error}", self.path.display()), false))?;
            self.database = Some(database);
        }
        self.database.as_mut().ok_or_else(|| ("the store is not open".to_owned(), false))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn meters() -> Meters {
        Meters::new(&[], &[])
    }

    #[test]
    fn what_safety_rests_on_is_on_the_disk_when_the_call_returns() {
        let dir = tempfile::tempdir().unwrap();
        let (mut store, _) = Store::open(dir.path(), meters()).unwrap();
        store.save("lagoon", "{\"hold\":1}".to_owned(), Durability::BeforeWhatFollows);
        // A second reader sees it although the first one is still open.
        let (_, found) = Database::open(&dir.path().join("slackwater.db")).unwrap();
        assert_eq!(found.states["lagoon"], Ok("{\"hold\":1}".to_owned()));
        store.close();
    }

    #[test]
    fn a_directory_that_cannot_be_written_is_counted_and_does_not_stop_anything() {
        let dir = tempfile::tempdir().unwrap();
        let nowhere = dir.path().join("is-a-file");
        std::fs::write(&nowhere, "x").unwrap();
        let meters = meters();
        let (mut store, found) = Store::open(&nowhere, meters.clone()).unwrap();
        assert_eq!(found.states.len(), 0);
        store.save("lagoon", "{}".to_owned(), Durability::BeforeWhatFollows);
        assert!(meters.store_failures.get() >= 2);
        assert!(store.health().trouble().is_some());
        store.close();
    }

    #[test]
    fn a_state_that_could_not_be_written_is_written_when_the_disk_is_back() {
        let dir = tempfile::tempdir().unwrap();
        let place = dir.path().join("data");
        let (mut store, _) = Store::open(&place, meters()).unwrap();
        store.save("lagoon", "{\"n\":1}".to_owned(), Durability::BeforeWhatFollows);
        assert!(store.health().trouble().is_some());
        std::fs::create_dir(&place).unwrap();
        store.save("quarantine", "{\"n\":2}".to_owned(), Durability::BeforeWhatFollows);
        assert_eq!(store.health().trouble(), None);
        store.close();
        let (_, found) = Database::open(&place.join("slackwater.db")).unwrap();
        assert_eq!(found.states.len(), 2, "{found:?}");
    }
}

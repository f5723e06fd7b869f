//! The way of alarms out of the house: queues on the disk, a thread a channel, and proofs that they work.
//!
//! ```text
//!   control ─tell─► office ─► queue of each channel ─► way (its own thread) ─► receiver
//!      ▲  looks once a second   │  (memory)  └─► store::notices (its own thread, its own file)
//!      └──── wanted ◄───────────┘            heartbeat (its own thread) ─► watcher, while control turns
//! ```
//! Duty: at least once, urgent first, and never a delay for control: handing over takes a short lock and no
//! I/O. A second delivery of the same thing has the same id.

pub mod daily;
mod heartbeat;
pub mod letter;
pub mod message;
mod mqtt;
mod office;
mod queue;
mod quiet;
mod smtp;
pub mod standing;
mod template;
mod way;
mod webhook;

use std::path::PathBuf;
use std::sync::mpsc::{SyncSender, sync_channel};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use tokio::sync::oneshot;

use crate::config::channel::NotifySettings;
use crate::config::setup::{BrokerSettings, DaemonSettings};
use crate::control::TankPlan;
use crate::time::Zone;
use crate::wire::metrics::Meters;

use super::background;
use super::clock::Clock;
use super::job::NotFound;
use super::pulse::Pulse;
use super::store::Notices;
use heartbeat::Heartbeat;
use letter::{ChannelState, Letter, TestResult, Wanted};
use message::Notification;
use office::Office;

/// Letters that the office may not have read yet.
const LETTERS: usize = 1024;

/// What it is made of.
pub struct Parts {
    /// The clock.
    pub clock: Clock,
    /// The channels.
    pub settings: NotifySettings,
    /// The daemon's broker, for channels that use it.
    pub broker: BrokerSettings,
    /// Whose local time counts.
    pub zone: Zone,
    /// Where what waits is kept.
    pub data_dir: PathBuf,
    /// Whether control turns.
    pub pulse: Arc<Pulse>,
    /// The meters.
    pub meters: Meters,
}

/// Whose local time counts for notifications: what daemon.yaml says, else the usual tank's, else the first one's.
pub fn zone<'a>(settings: &DaemonSettings, mut tanks: impl Iterator<Item = &'a TankPlan> + Clone) -> Zone {
    let first = tanks.clone().next();
    let usual = tanks.find(|tank| settings.usual_tank.as_ref() == Some(&tank.name));
    settings.notify.zone.or(usual.or(first).map(|tank| tank.zone)).unwrap_or(Zone::UTC)
}

/// The way out, as control sees it.
#[derive(Debug)]
pub struct Notifier {
    office: SyncSender<Letter>,
    wanted: Arc<Mutex<Wanted>>,
    heartbeat: Option<Heartbeat>,
    clock: Clock,
    pulse: Arc<Pulse>,
    meters: Meters,
    thread: Option<JoinHandle<()>>,
}

impl Notifier {
    /// Starts the threads, with what the last daemon left.
    pub fn start(parts: Parts) -> Self {
        let Parts { clock, settings, broker, zone, data_dir, pulse, meters } = parts;
        let (office, inbox) = sync_channel(LETTERS);
        let wanted: Arc<Mutex<Wanted>> = Arc::default();
        let heartbeat = settings.heartbeat.as_ref();
        let heartbeat = heartbeat.map(|beat| Heartbeat::start(beat, clock, Arc::clone(&pulse), meters.clone()));
        let found = Notices::open(&data_dir);
        let (shared, itself, counts) = (Arc::clone(&wanted), office.clone(), meters.clone());
        let begun = Office::new(clock, settings, broker, zone, found, counts, shared, itself);
        let thread = background::spawn("notify", move || begun.run(&inbox));
        let thread = thread.map_err(|error| tracing::error!("no thread for notifications: {error}")).ok();
        Self { office, wanted, heartbeat, clock, pulse, meters, thread }
    }

    /// Hands something to every channel that wants it.
    pub fn tell(&self, notification: Notification) {
        self.send(Letter::Tell(notification));
    }

    /// Hands the office a letter.
    pub fn send(&self, letter: Letter) {
        if self.office.try_send(letter).is_err() {
            self.meters.notification("office", "dropped");
            tracing::error!("the notifications do not keep up: one is lost");
        }
    }

    /// Tries one channel, or all; what came back is told by `reply`.
    pub fn test(&self, channel: Option<String>, reply: oneshot::Sender<Result<Vec<TestResult>, NotFound>>) {
        self.send(Letter::Test(channel, reply));
    }

    /// Other channels from now on; what waits in a channel that stays is kept.
    pub fn replace(&mut self, settings: &NotifySettings, broker: &BrokerSettings, zone: Zone) {
        if self.heartbeat.as_ref().map(Heartbeat::settings) != settings.heartbeat.as_ref() {
            let start = |beat| Heartbeat::start(beat, self.clock, Arc::clone(&self.pulse), self.meters.clone());
            self.heartbeat = settings.heartbeat.as_ref().map(start);
        }
        self.send(Letter::Replace(Box::new((settings.clone(), broker.clone(), zone))));
    }

    /// What the office wants of control, taken.
    pub fn wanted(&self) -> (Vec<standing::Key>, bool, Vec<String>) {
        let Ok(mut wanted) = self.wanted.lock() else { return Default::default() };
        (std::mem::take(&mut wanted.checks), std::mem::take(&mut wanted.daily), std::mem::take(&mut wanted.lines))
    }

    /// Why some channel does not deliver; `None`: all do.
    pub fn trouble(&self) -> Option<String> {
        self.wanted.lock().ok().and_then(|wanted| wanted.trouble.clone())
    }

    /// Why what waits cannot be written.
    pub fn disk_trouble(&self) -> Option<String> {
        self.wanted.lock().ok().and_then(|wanted| wanted.disk.clone())
    }

    /// Why the watcher of the heartbeat is not reached.
    pub fn heartbeat_trouble(&self) -> Option<String> {
        self.heartbeat.as_ref().and_then(Heartbeat::trouble)
    }

    /// How the channels are.
    pub fn channels(&self) -> Vec<ChannelState> {
        self.wanted.lock().map(|wanted| wanted.channels.clone()).unwrap_or_default()
    }

    /// Waits a short while for what is on its way, and ends. What is left waits on the disk.
    pub fn close(mut self) {
        let until = Instant::now() + Duration::from_secs(2);
        // What was told a moment ago is looked at first.
        std::thread::sleep(Duration::from_millis(30));
        while Instant::now() < until && self.wanted.lock().is_ok_and(|wanted| !wanted.idle) {
            std::thread::sleep(Duration::from_millis(20));
        }
        self.send(Letter::Stop);
        if let Some(thread) = self.thread.take() {
            background::join_within(thread, Duration::from_secs(3));
        }
    }
}

#[cfg(test)]
mod tests;

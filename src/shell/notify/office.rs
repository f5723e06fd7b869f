//! The office: the thread that owns every channel's queue, and hands out what is to be delivered.
//!
//! Duty: it does no I/O that blocks. Delivering is the ways' (`way`), writing the store's (`store::notices`); so
//! neither a receiver nor a disk that hangs delays the other channels. What a way does not deliver in time is told
//! by the next channel, and is an alarm of the daemon.
//! Words: a **letter** is what the office is told; **wanted** is what it wants of control, which looks once a second.

mod trial;

use std::collections::BTreeMap;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use crate::config::channel::{ChannelSettings, NotifySettings};
use crate::config::setup::BrokerSettings;
use crate::shell::clock::Clock;
use crate::shell::daemon_alarms::CHANNEL_FAILING;
use crate::shell::store::Notices;
use crate::time::{Span, Zone};
use crate::wire::metrics::Meters;

use super::daily::{Daily, DailyTank};
use super::letter::{ChannelState, Letter, Wanted};
use super::message::{Around, Notification, What};
use super::queue::{After, Queue, Saved, Taken};
use super::standing::{Key, Standing, Still};
use super::way::{Report, Way};
use trial::Trial;

/// The longest time between two looks at everything, by our clock.
const LOOK: Span = Span::from_seconds(5);

struct Channel {
    settings: ChannelSettings,
    queue: Queue,
    way: Option<Way>,
    trouble: Option<String>,
    changed: bool,
}

/// The office.
pub struct Office {
    clock: Clock,
    settings: NotifySettings,
    broker: BrokerSettings,
    zone: Zone,
    channels: Vec<Channel>,
    standing: Standing,
    daily: Daily,
    daily_changed: bool,
    notices: Notices,
    meters: Meters,
    wanted: Arc<Mutex<Wanted>>,
    itself: SyncSender<Letter>,
    generation: u64,
    trials: Vec<Trial>,
}

impl Office {
    /// An office with what the last one left.
    #[expect(clippy::too_many_arguments, reason = "made in one place; each is one thing")]
    pub fn new(
        clock: Clock,
        settings: NotifySettings,
        broker: BrokerSettings,
        zone: Zone,
        (notices, mut found): (Notices, BTreeMap<String, String>),
        meters: Meters,
        wanted: Arc<Mutex<Wanted>>,
        itself: SyncSender<Letter>,
    ) -> Self {
        let read = |json: String| serde_json::from_str::<Daily>(&json).unwrap_or_default();
        let mut office = Self {
            clock,
            settings: NotifySettings::default(),
            broker: broker.clone(),
            zone,
            channels: Vec::new(),
            standing: found.remove("standing").map_or_else(Standing::default, |json| Standing::read(&json)),
            daily: found.remove("daily").map_or_else(Daily::default, read),
            daily_changed: false,
            notices,
            meters,
            wanted,
            itself,
            generation: 0,
            trials: Vec::new(),
        };
        office.replace(settings, broker, zone, &mut found);
        for gone in found.keys() {
            office
                .line(format!("what waited for {} is given up: there is no such channel now", gone.replace('/', " ")));
            office.notices.put(gone, None);
        }
        office
    }

    /// Works until it is told to stop.
    pub fn run(mut self, inbox: &Receiver<Letter>) {
        loop {
            let mut stop = false;
            match inbox.recv_timeout(self.pause()) {
                Ok(letter) => stop |= self.open(letter),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => stop = true,
            }
            while let Ok(letter) = inbox.try_recv() {
                stop |= self.open(letter);
            }
            if stop {
                self.save();
                self.notices.close(Duration::from_secs(2));
                return;
            }
            self.turn();
        }
    }

    fn pause(&self) -> Duration {
        let now = self.clock.now().steady;
        let due = self.channels.iter().filter(|channel| channel.way.as_ref().is_some_and(|way| !way.busy));
        let due = due.filter_map(|channel| channel.queue.next_due()).min();
        let span = due.map_or(LOOK, |due| due.since(now).min(LOOK)).max(Span::from_millis(10));
        self.clock.real(span).max(Duration::from_millis(1))
    }

    /// `true`: the daemon ends.
    fn open(&mut self, letter: Letter) -> bool {
        match letter {
            Letter::Tell(notification) => self.tell(notification),
            Letter::Stands(active) => {
                for untold in self.standing.reconcile(active) {
                    self.tell(untold);
                }
                self.keep_standing();
            }
            Letter::Checked(key, still) => self.checked(&key, still),
            Letter::Daily(tanks, daemon) => self.daily_word(&tanks, daemon),
            Letter::Replace(parts) => {
                let (settings, broker, zone) = *parts;
                self.replace(settings, broker, zone, &mut BTreeMap::new());
            }
            Letter::Test(channel, reply) => self.test(channel.as_deref(), reply),
            Letter::Carried(report) => self.carried(report),
            Letter::Stop => return true,
        }
        false
    }

    fn list(&self) -> &[ChannelSettings] {
        &self.settings.channels
    }

    fn tell(&mut self, notification: Notification) {
        let now = self.clock.now();
        let channels = std::mem::take(&mut self.settings.channels);
        self.standing.follow(&notification, now.wall, &channels);
        self.settings.channels = channels;
        self.daily.count(&notification, now.wall);
        self.daily_changed = true;
        self.keep_standing();
        // That a channel fails is not told by that one, and by another one whatever its least priority.
        let of_a_channel = notification.tank == "daemon" && notification.alarm == CHANNEL_FAILING;
        let mut told = false;
        for place in 0..self.channels.len() {
            let channel = &self.channels[place];
            let meant = notification.only.as_ref().is_none_or(|only| **only == *channel.settings.name);
            if meant && channel.queue.wants(&notification) && !(of_a_channel && channel.queue.is_late()) {
                told = true;
                self.put(place, notification.clone());
            }
        }
        if of_a_channel && !told && notification.what == What::Raised {
            let late = self.channels.iter().position(|channel| channel.queue.is_late()).unwrap_or_default();
            if let Some(next) = self.next_that_works(late) {
                self.put(next, notification);
            }
        }
    }

    fn put(&mut self, place: usize, notification: Notification) {
        let now = self.clock.now().steady;
        let channel = &mut self.channels[place];
        let name = channel.settings.name.to_string();
        if channel.queue.take(notification, now) == Taken::Dropped {
            self.meters.notification(&name, "dropped");
            tracing::error!("notifications of `{name}`: no room for all; the least urgent one is given up");
        }
        self.channels[place].changed = true;
    }

    /// The channel after this one that is not late itself.
    fn next_that_works(&self, after: usize) -> Option<usize> {
        let count = self.channels.len();
        (1..count).map(|step| (after + step) % count).find(|place| !self.channels[*place].queue.is_late())
    }

    fn turn(&mut self) {
        let now = self.clock.now();
        self.open_ways();
        self.escalate();
        let checks = {
            let channels = std::mem::take(&mut self.settings.channels);
            let due = self.standing.due(now.wall, &channels);
            self.settings.channels = channels;
            due
        };
        let zone = self.zone;
        let daily = self.settings.daily.as_ref().is_some_and(|daily| self.daily.is_due(daily, now, zone));
        self.daily_changed |= daily;
        for channel in &mut self.channels {
            let Some(way) = channel.way.as_mut().filter(|way| !way.busy) else { continue };
            let before = channel.queue.len();
            if let Some(next) = channel.queue.next(now, self.zone) {
                let around = Around { zone: self.zone, public_url: self.settings.public_url.clone() };
                if !way.send(next.clone(), around) {
                    channel.queue.settle(&next.id(), false, false, now.steady);
                }
            }
            channel.changed |= channel.queue.len() != before;
        }
        self.end_late_trials();
        self.save();
        self.show(checks, daily);
    }

    /// What a channel does not deliver in time is told by the next one.
    fn escalate(&mut self) {
        let now = self.clock.now().steady;
        for place in 0..self.channels.len() {
            for late in self.channels[place].queue.overdue(now) {
                let channel = &self.channels[place];
                let name = channel.settings.name.to_string();
                let why = channel.trouble.clone().unwrap_or_else(|| "no answer yet".to_owned());
                let other = self.next_that_works(place);
                // An alarm that the other channel wants by itself is known there already.
                let new_there = |other: &usize| {
                    // A test of one channel proves nothing by another one.
                    late.only.is_none()
                        && (matches!(late.what, What::Digest | What::Daily)
                            || !self.channels[*other].queue.wants(&late))
                };
                let instead = other.filter(new_there);
                let then = match (instead, other) {
                    (Some(other), _) => format!("told by {} instead", self.channels[other].settings.name),
                    (None, Some(other)) => format!("{} was told anyway", self.channels[other].settings.name),
                    (None, None) => "and no other channel works".to_owned(),
                };
                self.line(format!(
                    "channel {name} did not deliver `{}` within {}: {why}; {then}",
                    late.title(),
                    self.channels[place].settings.escalate_after
                ));
                if let Some(other) = instead {
                    self.put(other, Notification { instead_of: Some(name), ..late });
                }
            }
        }
    }

    fn checked(&mut self, key: &Key, still: Still) {
        let now = self.clock.now().wall;
        let channels = std::mem::take(&mut self.settings.channels);
        let told = self.standing.checked(key, still, now, &channels);
        self.settings.channels = channels;
        if let Some((reminder, names)) = told {
            for place in 0..self.channels.len() {
                let channel = &self.channels[place];
                let named = names.iter().any(|name| **name == *channel.settings.name);
                // One that still waits there says it when it gets through.
                if named && !channel.queue.calls_for(key) {
                    self.put(place, reminder.clone());
                }
            }
        }
        self.keep_standing();
    }

    fn daily_word(&mut self, tanks: &[DailyTank], daemon: usize) {
        let Some(settings) = self.settings.daily.clone() else { return };
        let word = self.daily.word(tanks, daemon, &settings, self.clock.now(), self.zone);
        self.daily_changed = true;
        for place in 0..self.channels.len() {
            if settings.by.contains(&self.channels[place].settings.name) {
                self.put(place, word.clone());
            }
        }
    }

    fn replace(
        &mut self,
        settings: NotifySettings,
        broker: BrokerSettings,
        zone: Zone,
        found: &mut BTreeMap<String, String>,
    ) {
        let now = self.clock.now().steady;
        let other_broker = broker != self.broker;
        let mut old = std::mem::take(&mut self.channels);
        for wanted in &settings.channels {
            let known = old.iter().position(|channel| channel.settings.name == wanted.name).map(|at| old.remove(at));
            let mut channel = known.unwrap_or_else(|| {
                self.meters.know_channel(&wanted.name);
                let saved = found.remove(&row(&wanted.name));
                let saved: Saved = saved.and_then(|json| serde_json::from_str(&json).ok()).unwrap_or_default();
                let queue = Queue::new(wanted.clone(), saved, now);
                Channel { settings: wanted.clone(), queue, way: None, trouble: None, changed: false }
            });
            if channel.settings.by != wanted.by || other_broker {
                channel.way = None;
            }
            channel.queue.resettle(wanted.clone());
            channel.settings = wanted.clone();
            self.channels.push(channel);
        }
        for gone in old {
            let name = gone.settings.name.to_string();
            if gone.queue.len() > 0 {
                self.line(format!("channel {name} is gone, and {} notifications that waited for it", gone.queue.len()));
            }
            self.meters.forget_channel(&name);
            self.notices.put(&row(&name), None);
        }
        (self.settings, self.broker, self.zone) = (settings, broker, zone);
        self.open_ways();
    }

    /// Each channel has a thread: a new one where there is none, or where it ended.
    fn open_ways(&mut self) {
        for channel in &mut self.channels {
            if channel.way.as_ref().is_some_and(|way| !way.is_dead()) {
                continue;
            }
            self.generation += 1;
            channel.queue.release();
            channel.way = match Way::start(&channel.settings, &self.broker, self.generation, self.itself.clone()) {
                Ok(way) => Some(way),
                Err(error) => {
                    let why = format!("no thread for it: {error}");
                    tracing::error!("notifications of `{}`: {why}", channel.settings.name);
                    channel.trouble = Some(why);
                    None
                }
            };
        }
    }

    fn carried(&mut self, report: Report) {
        let now = self.clock.now();
        let Some(place) = self.channels.iter().position(|channel| *channel.settings.name == *report.channel) else {
            return;
        };
        let channel = &mut self.channels[place];
        let current = channel.way.as_mut().filter(|way| way.generation == report.generation);
        let delivered = report.outcome.is_ok();
        match current {
            Some(way) => way.busy = false,
            // An older thread's failure: the new one tries anyway.
            None if !delivered => return,
            None => {}
        }
        self.meters.notices.attempt(&report.channel, delivered);
        let refused = report.outcome.as_ref().is_err_and(|failure| failure.refused);
        let after = channel.queue.settle(&report.id, delivered, refused, now.steady);
        channel.changed = true;
        channel.trouble = report.outcome.as_ref().err().map(|failure| format!("{}; {}", failure.why, failure.fix));
        let (name, seconds) = (report.channel.clone(), report.took.as_secs_f64());
        match after {
            Some(After::Delivered) => {
                self.meters.notification(&name, "sent");
                self.meters.notification_delivered(&name, seconds, now.wall);
            }
            Some(After::Waits) => self.meters.notification(&name, "retried"),
            Some(After::GivenUp) => self.meters.notification(&name, "failed"),
            None => {}
        }
        if let Err(failure) = &report.outcome {
            tracing::warn!("notification `{}` by `{name}` failed: {}", report.id, failure.why);
            let is_test = self.trials.iter().any(|trial| trial.id == report.id);
            if after == Some(After::GivenUp) && !is_test {
                self.line(format!("`{}` is given up by channel {name}: {}", report.id, failure.why));
            }
        }
        self.answer_trial(place, report);
    }

    fn keep_standing(&mut self) {
        self.notices.put("standing", self.standing.json());
    }

    fn save(&mut self) {
        for channel in &mut self.channels {
            if std::mem::take(&mut channel.changed) {
                self.notices.put(&row(&channel.settings.name), serde_json::to_string(channel.queue.saved()).ok());
                self.meters.notifications_waiting(&channel.settings.name, channel.queue.len());
            }
        }
        if std::mem::take(&mut self.daily_changed) {
            self.notices.put("daily", serde_json::to_string(&self.daily).ok());
        }
    }

    fn line(&self, text: String) {
        if let Ok(mut wanted) = self.wanted.lock() {
            wanted.lines.push(text);
        }
    }

    fn show(&mut self, checks: Vec<Key>, daily: bool) {
        let late: Vec<String> = self
            .channels
            .iter()
            .filter(|channel| channel.queue.is_late())
            .map(|channel| {
                let why = channel.trouble.as_deref().unwrap_or("no answer yet");
                format!("channel {} does not deliver, {} wait: {why}", channel.settings.name, channel.queue.len())
            })
            .collect();
        let disk = self.notices.trouble();
        let Ok(mut wanted) = self.wanted.lock() else { return };
        wanted.checks.extend(checks);
        wanted.daily |= daily;
        wanted.trouble = (!late.is_empty()).then(|| late.join("; "));
        wanted.disk = disk;
        wanted.idle = self.channels.iter().all(|channel| channel.queue.is_idle());
        wanted.channels = self
            .channels
            .iter()
            .map(|channel| ChannelState {
                channel: channel.settings.name.to_string(),
                by: channel.settings.by.word(),
                to: channel.settings.by.place(),
                waiting: channel.queue.len(),
                late: channel.queue.is_late(),
                trouble: channel.trouble.clone(),
            })
            .collect();
    }
}

/// Under which name a channel's queue is kept.
fn row(channel: &str) -> String {
    format!("channel/{channel}")
}

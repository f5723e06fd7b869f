//! What is looked at once a second: the broker's silence, the store, the heartbeat, the watchdog.

use tokio::time::{Duration, Instant};

use crate::control::effect::Durability;
use crate::wire::{BROKER_LOST_AFTER, Publish};

use super::super::daemon_alarms::DaemonAlarm;
use super::super::mqtt::Tag;
use super::super::service_manager;
use super::Desk;

/// How often.
const EVERY: Duration = Duration::from_secs(1);
/// How often the daemon says that it is at work.
pub const BEAT: Duration = Duration::from_secs(3);
/// Another daemon that was not heard for this long is gone.
const OTHER_GONE_AFTER: Duration = Duration::from_secs(30);
/// A retained request is an alarm for this long.
const KEPT_REQUEST_FOR: Duration = Duration::from_hours(1);

#[derive(Debug)]
pub(super) struct State {
    next: Instant,
    /// Whether the first turn was told to the service manager.
    has_turned: bool,
    beaten: Option<Instant>,
    lost_since: Option<Instant>,
    other_heard: Option<Instant>,
    kept_since: Option<Instant>,
    sampled: Option<Instant>,
    pub(super) refused_subscriptions: bool,
}

impl Default for State {
    fn default() -> Self {
        Self {
            next: Instant::now(),
            has_turned: false,
            beaten: None,
            lost_since: None,
            other_heard: None,
            kept_since: None,
            sampled: None,
            refused_subscriptions: false,
        }
    }
}

impl Desk {
    /// When it is due.
    pub fn next_housekeeping(&self) -> Instant {
        self.housekeeping.next
    }

    /// Does it, if it is due.
    pub fn keep_house(&mut self) {
        let now = Instant::now();
        if now < self.housekeeping.next {
            return;
        }
        self.housekeeping.next = now + EVERY;
        self.pulse.turned(self.established);
        self.meters.last_turn.set(self.clock.now().wall.unix_seconds());
        // Only a loop that turns feeds it; a hanging one is ended by the service manager.
        if std::mem::replace(&mut self.housekeeping.has_turned, true) {
            service_manager::turned();
        } else {
            service_manager::ready();
        }
        self.asks.forget_old();
        self.watch_broker(now);
        self.serve_the_office();
        match self.store.health().trouble().or_else(|| self.notifier.disk_trouble()) {
            Some(trouble) => self.raise(DaemonAlarm::StoreFailing, trouble),
            None => self.clear(DaemonAlarm::StoreFailing),
        }
        if self.housekeeping.other_heard.is_some_and(|at| now.duration_since(at) > OTHER_GONE_AFTER) {
            self.housekeeping.other_heard = None;
            self.clear(DaemonAlarm::SecondDaemon);
        }
        if self.housekeeping.kept_since.is_some_and(|at| now.duration_since(at) > KEPT_REQUEST_FOR) {
            self.housekeeping.kept_since = None;
            self.clear(DaemonAlarm::KeptRequest);
        }
        if self.established && self.housekeeping.beaten.is_none_or(|at| now.duration_since(at) >= BEAT) {
            self.beat();
        }
        if let Some(every) = self.settings.sample_every {
            let every = self.clock.real(every);
            if self.housekeeping.sampled.is_none_or(|at| now.duration_since(at) >= every) {
                self.housekeeping.sampled = Some(now);
                self.outbox.sample_all();
            }
        }
    }

    pub(super) fn saw_kept_request(&mut self) {
        self.housekeeping.kept_since = Some(Instant::now());
    }

    fn watch_broker(&mut self, now: Instant) {
        if self.established {
            self.housekeeping.lost_since = None;
            return;
        }
        let since = *self.housekeeping.lost_since.get_or_insert(now);
        let span = now.duration_since(since);
        if span.as_millis() >= u128::from(BROKER_LOST_AFTER.millis()) {
            let broker = &self.settings.broker;
            let text = format!("no broker at {}:{} for {} s", broker.host, broker.port, span.as_secs());
            self.raise(DaemonAlarm::BrokerLost, text);
        }
    }

    /// Whether the kept heartbeat was ours once.
    pub(super) fn has_beaten(&self) -> bool {
        self.housekeeping.beaten.is_some()
    }

    /// Says that this daemon is at work, so that a second one refuses to start.
    pub(super) fn beat(&mut self) {
        self.housekeeping.beaten = Some(Instant::now());
        let alarms: Vec<_> = self.alarms.standing().iter().map(|standing| standing.alarm).collect();
        let text = serde_json::json!({
            "instance": self.instance, "version": env!("CARGO_PKG_VERSION"), "alarms": alarms,
        });
        let mut publish = Publish::state(self.own.daemon(), text.to_string().into_bytes());
        publish.qos = 0;
        self.publish(publish, Tag::State);
    }

    /// A daemon said just now that it is at work; if it is not this one, two command the same plugs.
    pub(super) fn heard_a_daemon(&mut self, payload: &[u8]) {
        if instance_in(payload).is_some_and(|instance| instance != self.instance) {
            self.housekeeping.other_heard = Some(Instant::now());
            let text = format!("another daemon works at this broker under `{}`", self.settings.root);
            self.raise(DaemonAlarm::SecondDaemon, text);
        }
    }

    /// A clean end: what must survive is saved, the broker is told.
    pub fn say_good_bye(&mut self) {
        self.write_journal();
        for index in 0..self.seats.len() {
            self.save(index, Durability::Soon);
            self.keep_running_days(index);
        }
        self.publish(Publish::state(self.own.online(), b"false".to_vec()), Tag::State);
        self.publish(Publish::state(self.own.daemon(), Vec::new()), Tag::State);
        self.end_link();
    }

    /// The connection is ended on purpose: the will is not sent.
    pub fn end_link(&self) {
        if let Some(link) = &self.link {
            link.disconnect();
        }
    }

    /// Ends the store and the channels; what waits is written.
    pub fn close(self) {
        self.store.close();
        self.notifier.close();
    }
}

/// Which daemon a heartbeat is from.
pub fn instance_in(payload: &[u8]) -> Option<String> {
    let value: serde_json::Value = serde_json::from_slice(payload).ok()?;
    value.get("instance")?.as_str().map(str::to_owned)
}

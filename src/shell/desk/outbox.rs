//! Our own state on the broker: each tank at most once a second, only what changed, never before a command.
//!
//! One message is one piece of idle work, so that a reading waits for one message and not for all of a tank.

use std::collections::{BTreeSet, HashMap, VecDeque};
use std::hash::{DefaultHasher, Hash, Hasher};

use tokio::time::{Duration, Instant};

use crate::control::effect::Durability;
use crate::wire::shown::{self, Shown};
use crate::wire::{Publish, TankIndex};

use super::super::mqtt::{Sender, Tag};
use super::Desk;

/// The shortest time between two looks at one tank.
const AT_MOST_EVERY: Duration = Duration::from_secs(1);
/// What did not change is repeated so often, so that its age is known.
const REPEAT: Duration = Duration::from_mins(1);

/// What was published, and what is to be looked at.
#[derive(Debug, Default)]
pub(super) struct Outbox {
    tanks: Vec<Looked>,
    due: BTreeSet<(Instant, usize)>,
    /// What is to be published, and of which tank it is.
    to_show: VecDeque<(usize, Shown)>,
    /// Tanks whose samples are to be stored, from the last to the first.
    to_sample: Vec<usize>,
}

#[derive(Debug, Default)]
struct Looked {
    last: Option<Instant>,
    due: Option<Instant>,
    /// Topic, what matters of its last payload, and when it was published.
    published: HashMap<String, (u64, Instant)>,
}

impl Outbox {
    pub(super) fn new(tanks: usize) -> Self {
        Self { tanks: (0..tanks).map(|_| Looked::default()).collect(), ..Self::default() }
    }

    /// Something happened to a tank: look at it, a second after the last look.
    pub(super) fn changed(&mut self, index: usize) {
        let tank = &mut self.tanks[index];
        if tank.due.is_none() {
            let now = Instant::now();
            let at = tank.last.map_or(now, |last| (last + AT_MOST_EVERY).max(now));
            tank.due = Some(at);
            self.due.insert((at, index));
        }
    }

    /// An alarm does not wait for the second to be over.
    pub(super) fn show_now(&mut self, index: usize) {
        let now = Instant::now();
        if let Some(old) = self.tanks[index].due.replace(now) {
            self.due.remove(&(old, index));
        }
        self.due.insert((now, index));
    }

    /// A new connection: the broker may have forgotten everything.
    pub(super) fn forget_published(&mut self) {
        self.to_show.clear();
        for index in 0..self.tanks.len() {
            self.tanks[index].published.clear();
            self.changed(index);
        }
    }

    fn next(&self) -> Option<Instant> {
        self.due.first().map(|(at, _)| *at)
    }

    fn take_due(&mut self) -> Option<usize> {
        let (at, index) = *self.due.first()?;
        let now = Instant::now();
        if at > now {
            return None;
        }
        self.due.remove(&(at, index));
        self.tanks[index].due = None;
        self.tanks[index].last = Some(now);
        Some(index)
    }

    /// Whether it is news; if so it counts as published.
    fn is_news(&mut self, index: usize, shown: &Shown) -> bool {
        let mut hasher = DefaultHasher::new();
        shown.payload[..shown.matters].hash(&mut hasher);
        let hash = hasher.finish();
        let now = Instant::now();
        let published = &mut self.tanks[index].published;
        if let Some((known, at)) = published.get_mut(&shown.topic) {
            if *known == hash && now.duration_since(*at) < REPEAT {
                return false;
            }
            (*known, *at) = (hash, now);
            return true;
        }
        published.insert(shown.topic.clone(), (hash, now));
        true
    }

    fn was_not_sent(&mut self, index: usize, topic: &str) {
        self.tanks[index].published.remove(topic);
        self.changed(index);
    }

    pub(super) fn sample_all(&mut self) {
        if self.to_sample.is_empty() {
            self.to_sample = (0..self.tanks.len()).rev().collect();
        }
    }
}

impl Desk {
    /// Where the connection has its hands full, our own state waits for it.
    fn may_show(&self) -> bool {
        !self.established || self.link.as_ref().is_some_and(Sender::has_room)
    }

    /// When there will be something to do that can wait.
    pub fn next_idle_work(&self) -> Option<Instant> {
        let other = match () {
            () if !self.outbox.to_sample.is_empty() => Some(Instant::now()),
            () if !self.may_show() => None,
            () if !self.outbox.to_show.is_empty() => Some(Instant::now()),
            () => self.outbox.next(),
        };
        [other, self.journal.due()].into_iter().flatten().min()
    }

    /// Does one piece of it; `false`: there was none.
    pub fn idle_work(&mut self) -> bool {
        if self.journal.due().is_some_and(|at| at <= Instant::now()) {
            self.write_journal();
            return true;
        }
        if let Some(index) = self.outbox.to_sample.pop() {
            self.sample(index);
            return true;
        }
        if !self.may_show() {
            return false;
        }
        if let Some((index, shown)) = self.outbox.to_show.pop_front() {
            self.show(index, shown);
            return true;
        }
        let due = self.outbox.take_due();
        if let Some(index) = due {
            self.look_at(index);
        }
        due.is_some()
    }

    /// Saves a tank, or gathers what is news of it: each is one piece.
    fn look_at(&mut self, index: usize) {
        if self.seats[index].unsaved {
            self.save(index, Durability::Soon);
            self.outbox.show_now(index);
            return;
        }
        if !self.established {
            return;
        }
        let status = self.seats[index].status(self.clock.now());
        let outbox = &mut self.outbox;
        for shown in shown::of_tank(&self.own, &status) {
            if outbox.is_news(index, &shown) {
                outbox.to_show.push_back((index, shown));
            }
        }
    }

    fn show(&mut self, index: usize, shown: Shown) {
        let topic = shown.topic.clone();
        let mut publish = Publish::state(shown.topic, shown.payload);
        // What is repeated anyway need not be acknowledged, and leaves the window to commands.
        publish.qos = u8::from(shown.important);
        if !self.publish(publish, Tag::State) {
            self.outbox.was_not_sent(index, &topic);
        }
    }

    /// Every retained topic of a tank that is gone is cleared.
    pub(super) fn clear_topics(&mut self, index: TankIndex) {
        let status = self.seats[index.0].tank.status(self.clock.now());
        for topic in shown::topics(&self.own, &status) {
            self.publish(Publish::state(topic, Vec::new()), Tag::State);
        }
    }
}

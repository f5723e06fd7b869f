//! The queue of one channel: what waits, what goes next, when it is tried again. Pure: time is an argument.
//!
//! ```text
//!   taken ─► waits ─► on its way ─► delivered
//!              ▲ held (quiet hours, limit) ─► digest      └─ failed ─► waits, pause doubled ─► given up
//! ```
//! Duty: urgent first; none that waits keeps another one from being tried; bounded. A failed one has a pause
//! of its own ([`FIRST_PAUSE`], doubled to [`LONGEST_PAUSE`], for urgent ones to [`LONGEST_URGENT`]), without
//! chance, so the same failures give the same attempts.

use serde::{Deserialize, Serialize};

use crate::config::channel::ChannelSettings;
use crate::control::plan::Priority;
use crate::time::{Now, Span, Steady, Zone};

use super::message::{Notification, What};
use super::quiet::{Calm, digest};

/// Notifications that may wait in one channel.
pub const QUEUE: usize = 64;
/// One that may not go now is looked at again after this.
const LOOK_AGAIN: Span = Span::from_seconds(5);
const FIRST_PAUSE: Span = Span::from_seconds(1);
const LONGEST_URGENT: Span = Span::from_minutes(1);
const LONGEST_PAUSE: Span = Span::from_minutes(10);
/// After this it is given up: it is no news any more. [choice]
const GIVE_UP: Span = Span::from_hours(24);

/// One that waits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// What.
    pub notification: Notification,
    /// It waits for the end of the quiet hours, or of the limit.
    #[serde(default)]
    held: bool,
    #[serde(skip)]
    attempts: u32,
    #[serde(skip)]
    due: Steady,
    /// Since when it could have been delivered.
    #[serde(skip)]
    ready: Option<Steady>,
    #[serde(skip)]
    on_its_way: bool,
    #[serde(skip)]
    escalated: bool,
}

/// What of it must survive a kill.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Saved {
    /// What waits, in the order of coming.
    #[serde(default)]
    pub entries: Vec<Entry>,
    /// What found no room since the last digest.
    #[serde(default)]
    pub lost: u32,
}

/// What became of one that was handed over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Taken {
    /// It waits.
    Waits,
    /// The channel does not want it, or has it already.
    NotWanted,
    /// It waits, and one of less priority had to go; or it had to go itself.
    Dropped,
}

/// What became of one after an attempt.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum After {
    /// It is delivered.
    Delivered,
    /// It waits for another attempt.
    Waits,
    /// It is given up.
    GivenUp,
}

/// The queue.
#[derive(Clone, Debug)]
pub struct Queue {
    settings: ChannelSettings,
    calm: Calm,
    saved: Saved,
}

impl Queue {
    /// A queue with what waited when the daemon ended.
    pub fn new(settings: ChannelSettings, mut saved: Saved, now: Steady) -> Self {
        for entry in &mut saved.entries {
            entry.due = now;
        }
        Self { calm: Calm::new(settings.quiet, settings.at_most), settings, saved }
    }

    /// Other settings from now on; what waits goes on waiting.
    pub fn resettle(&mut self, settings: ChannelSettings) {
        (self.calm.quiet, self.calm.at_most) = (settings.quiet, settings.at_most);
        self.settings = settings;
    }

    /// What must survive a kill. One on its way is among it: it is told again, with the same id.
    pub fn saved(&self) -> &Saved {
        &self.saved
    }

    /// How many wait.
    pub fn len(&self) -> usize {
        self.saved.entries.len()
    }

    /// Whether the channel wants it by its own settings.
    pub fn wants(&self, notification: &Notification) -> bool {
        match notification.what {
            What::Test | What::Daily | What::Digest => true,
            What::Cleared | What::Silenced => {
                self.settings.send_cleared && notification.priority >= self.settings.least_priority
            }
            What::Raised | What::Reminder | What::Due => notification.priority >= self.settings.least_priority,
        }
    }

    /// Whether it waits already.
    pub fn has(&self, notification: &Notification) -> bool {
        let id = notification.id();
        self.saved.entries.iter().any(|entry| entry.notification.id() == id)
    }

    /// Takes one, wanted or not. A full queue gives up the one of the least priority, the oldest of them.
    pub fn take(&mut self, notification: Notification, now: Steady) -> Taken {
        if self.has(&notification) {
            return Taken::NotWanted;
        }
        let mut taken = Taken::Waits;
        if self.saved.entries.len() >= QUEUE {
            let waiting = self.saved.entries.iter().enumerate().filter(|(_, entry)| !entry.on_its_way);
            let least = waiting.min_by_key(|(place, entry)| (entry.notification.priority, *place));
            self.saved.lost = self.saved.lost.saturating_add(1);
            match least.map(|(place, entry)| (place, entry.notification.priority)) {
                Some((place, priority)) if priority <= notification.priority => {
                    self.saved.entries.remove(place);
                    taken = Taken::Dropped;
                }
                _ => return Taken::Dropped,
            }
        }
        let entry = Entry {
            notification,
            held: false,
            attempts: 0,
            due: now,
            ready: None,
            on_its_way: false,
            escalated: false,
        };
        self.saved.entries.push(entry);
        taken
    }

    /// The next one to try, which is on its way from now on; `None`: nothing may go now.
    pub fn next(&mut self, now: Now, zone: Zone) -> Option<Notification> {
        let mut free = Vec::new();
        for (place, entry) in self.saved.entries.iter_mut().enumerate() {
            if entry.on_its_way {
                continue;
            }
            if self.calm.lets_through(&entry.notification, now, zone) {
                entry.ready.get_or_insert(now.steady);
                free.push(place);
            } else if entry.attempts == 0 {
                entry.held = true;
                entry.ready = None;
            } else {
                // It was tried before the quiet hours began, and goes on by itself after them.
                entry.due = entry.due.max(now.steady.after(LOOK_AGAIN));
            }
        }
        if self.merge_held(&free, now, zone) {
            return self.next(now, zone);
        }
        let due = free.into_iter().filter(|place| self.saved.entries[*place].due <= now.steady);
        // The most urgent, of these the one that was tried least, of these the oldest.
        let place = due.min_by_key(|place| {
            let entry = &self.saved.entries[*place];
            (std::cmp::Reverse(entry.notification.priority), entry.attempts, *place)
        })?;
        let entry = &mut self.saved.entries[place];
        entry.on_its_way = true;
        if entry.attempts == 0 {
            self.calm.goes(&entry.notification, now.steady);
        }
        Some(entry.notification.clone())
    }

    /// Several that were held back and may go now become one.
    fn merge_held(&mut self, free: &[usize], now: Now, zone: Zone) -> bool {
        let held: Vec<usize> = free.iter().copied().filter(|place| self.saved.entries[*place].held).collect();
        if held.len() < 2 {
            return false;
        }
        let told: Vec<Notification> =
            held.iter().map(|place| self.saved.entries[*place].notification.clone()).collect();
        let digest = digest(&told, std::mem::take(&mut self.saved.lost), now, zone);
        for place in held.iter().rev() {
            self.saved.entries.remove(*place);
        }
        self.take(digest, now.steady);
        true
    }

    /// How an attempt went. A test is tried once.
    pub fn settle(&mut self, id: &str, delivered: bool, refused: bool, now: Steady) -> Option<After> {
        let place = self.saved.entries.iter().position(|entry| entry.notification.id() == id)?;
        let entry = &mut self.saved.entries[place];
        entry.on_its_way = false;
        if delivered {
            self.saved.entries.remove(place);
            return Some(After::Delivered);
        }
        let over = entry.ready.is_some_and(|ready| now.since(ready) >= GIVE_UP);
        if over || entry.notification.what == What::Test {
            self.saved.entries.remove(place);
            return Some(After::GivenUp);
        }
        let longest = if entry.notification.priority == Priority::Urgent { LONGEST_URGENT } else { LONGEST_PAUSE };
        // What was refused will not be taken a second later: somebody must mend something first.
        let pause = if refused { longest } else { pause(entry.attempts).min(longest) };
        entry.attempts = entry.attempts.saturating_add(1);
        entry.due = now.after(pause);
        Some(After::Waits)
    }

    /// Those that should have been delivered by now, each once. What is of little priority waits silently.
    pub fn overdue(&mut self, now: Steady) -> Vec<Notification> {
        let after = self.settings.escalate_after;
        let late = self.saved.entries.iter_mut().filter(|entry| {
            let matters = entry.notification.priority >= Priority::High || entry.notification.what == What::Daily;
            matters && !entry.escalated && entry.ready.is_some_and(|ready| now.since(ready) >= after)
        });
        late.map(|entry| {
            entry.escalated = true;
            entry.notification.clone()
        })
        .collect()
    }

    /// Whether one that another channel was told of instead still waits.
    pub fn is_late(&self) -> bool {
        self.saved.entries.iter().any(|entry| entry.escalated)
    }

    /// Whether something waits that says that this alarm of a tank stands.
    pub fn calls_for(&self, (tank, alarm): &(String, String)) -> bool {
        let calls = |one: &Notification| one.what.calls() && one.tank == *tank && one.alarm == *alarm;
        self.saved.entries.iter().any(|entry| calls(&entry.notification))
    }

    /// Nobody carries anything any more: what was on its way is tried again.
    pub fn release(&mut self) {
        self.saved.entries.iter_mut().for_each(|entry| entry.on_its_way = false);
    }

    /// This one is not wanted any more.
    pub fn forget(&mut self, id: &str) {
        self.saved.entries.retain(|entry| entry.notification.id() != id);
    }

    /// When something may be tried by itself, as far as pauses go.
    pub fn next_due(&self) -> Option<Steady> {
        self.saved.entries.iter().filter(|entry| !entry.on_its_way && !entry.held).map(|entry| entry.due).min()
    }

    /// Whether nothing waits that was not tried yet and may go.
    pub fn is_idle(&self) -> bool {
        self.saved.entries.iter().all(|entry| entry.held || (entry.attempts > 0 && !entry.on_its_way))
    }
}

/// The pause after so many failures before.
fn pause(failures: u32) -> Span {
    Span::from_millis(FIRST_PAUSE.millis() << failures.min(20))
}

#[cfg(test)]
mod tests;

//! The alarms that stand and were told: what is told again until somebody acknowledges it.
//!
//! Duty: to know over a kill which alarms were told, so that one whose telling the kill swallowed is told by the
//! next daemon, and one that was told is not told anew. Whether an alarm still stands is control's to say: it is
//! asked before each repeat.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::config::channel::ChannelSettings;
use crate::time::Wall;

use super::message::{Notification, What};

/// Tank and alarm.
pub type Key = (String, String);

/// One that stands.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Told {
    notification: Notification,
    acknowledged: bool,
    /// How often it was told again.
    again: u32,
    /// When each channel was told last.
    last: BTreeMap<String, Wall>,
    /// Control is asked whether it still stands.
    #[serde(skip)]
    asked: bool,
}

/// What control says of an alarm that is to be told again.
#[derive(Clone, Debug, PartialEq)]
pub enum Still {
    /// It stands; this is what it says now.
    Stands(String),
    /// Somebody has seen it.
    Acknowledged,
    /// It is over.
    Gone,
}

/// All that stand.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Standing {
    told: BTreeMap<Key, Told>,
}

fn key(notification: &Notification) -> Key {
    (notification.tank.clone(), notification.alarm.clone())
}

impl Standing {
    /// What the last daemon knew.
    pub fn read(json: &str) -> Self {
        let list: Vec<Told> = serde_json::from_str(json).unwrap_or_default();
        // What stands in the daemon itself begins anew with it.
        let told = list.into_iter().filter(|told| told.notification.tank != "daemon");
        Self { told: told.map(|told| (key(&told.notification), told)).collect() }
    }

    /// What the next daemon is to know.
    pub fn json(&self) -> Option<String> {
        serde_json::to_string(&self.told.values().collect::<Vec<_>>()).ok()
    }

    /// An alarm came or went.
    pub fn follow(&mut self, notification: &Notification, now: Wall, channels: &[ChannelSettings]) {
        match notification.what {
            What::Raised => {
                let last = channels.iter().map(|channel| (channel.name.to_string(), now)).collect();
                let told =
                    Told { notification: notification.clone(), acknowledged: false, again: 0, last, asked: false };
                self.told.insert(key(notification), told);
            }
            What::Cleared | What::Silenced => drop(self.told.remove(&key(notification))),
            What::Reminder | What::Due | What::Digest | What::Daily | What::Test => {}
        }
    }

    /// Control says what stands in tanks, at a start or a reload: those of which nobody was told.
    pub fn reconcile(&mut self, active: Vec<(Notification, bool)>) -> Vec<Notification> {
        let keys: Vec<Key> = active.iter().map(|(notification, _)| key(notification)).collect();
        self.told.retain(|known, _| known.0 == "daemon" || keys.contains(known));
        let mut untold = Vec::new();
        for (notification, acknowledged) in active {
            match self.told.get_mut(&key(&notification)) {
                Some(told) if told.notification.since == notification.since => told.acknowledged |= acknowledged,
                _ if !acknowledged => untold.push(notification),
                _ => {}
            }
        }
        untold
    }

    /// Those of which control is to be asked, for some channel's repeat is due.
    pub fn due(&mut self, now: Wall, channels: &[ChannelSettings]) -> Vec<Key> {
        let mut due = Vec::new();
        for (key, told) in &mut self.told {
            if !told.acknowledged && !told.asked && !told.channels_due(now, channels).is_empty() {
                told.asked = true;
                due.push(key.clone());
            }
        }
        due
    }

    /// Control answered: what is to be told again, and the channels that tell it.
    pub fn checked(
        &mut self,
        key: &Key,
        still: Still,
        now: Wall,
        channels: &[ChannelSettings],
    ) -> Option<(Notification, Vec<String>)> {
        let told = self.told.get_mut(key)?;
        told.asked = false;
        let text = match still {
            Still::Stands(text) => text,
            Still::Acknowledged => {
                told.acknowledged = true;
                return None;
            }
            Still::Gone => {
                self.told.remove(key);
                return None;
            }
        };
        let names = told.channels_due(now, channels);
        told.again = told.again.saturating_add(1);
        for name in &names {
            told.last.insert(name.clone(), now);
        }
        let reminder = Notification { what: What::Reminder, again: told.again, text, ..told.notification.clone() };
        (!names.is_empty()).then_some((reminder, names))
    }
}

impl Told {
    fn channels_due(&mut self, now: Wall, channels: &[ChannelSettings]) -> Vec<String> {
        let mut due = Vec::new();
        for channel in channels {
            let Some(repeat) = channel.repeat else { continue };
            let last = self.last.entry(channel.name.to_string()).or_insert(now);
            // A clock that went back does not stretch the pause.
            *last = (*last).min(now);
            if self.notification.priority >= channel.least_priority && now.since(*last) >= repeat {
                due.push(channel.name.to_string());
            }
        }
        due
    }
}

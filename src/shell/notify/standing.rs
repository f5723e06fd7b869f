//! The alarms that stand and were told: what is told again until somebody acknowledges it.
//!
//! Duty: to know over a kill which alarms were told, so that one whose telling or clearing the kill swallowed is told
//! by the next daemon, and one that was told is not told anew. Whether an alarm still stands is control's to say: it is
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

    /// Control says what stands in tanks, at a start or a reload: those of which nobody was told, and those that were
    /// told and stand no more.
    pub fn reconcile(&mut self, active: Vec<(Notification, bool)>) -> Vec<Notification> {
        let keys: Vec<Key> = active.iter().map(|(notification, _)| key(notification)).collect();
        let over = |known: &Key| known.0 != "daemon" && !keys.contains(known);
        let mut untold: Vec<Notification> =
            self.told.extract_if(.., |known, _| over(known)).map(|(_, told)| told.over()).collect();
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
    /// That it went, while nobody said so.
    fn over(self) -> Notification {
        let text = format!(
            "it is over: it stood no more when the daemon looked anew; it was told as: {}",
            self.notification.text
        );
        Notification { what: What::Cleared, text, did: Vec::new(), group: Vec::new(), ..self.notification }
    }

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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::plan::Priority;

    fn raised(tank: &str, alarm: &str) -> Notification {
        Notification::plain(
            tank,
            alarm,
            What::Raised,
            Priority::High,
            Wall::from_unix_millis(1000),
            "it is warm".to_owned(),
        )
    }

    /// A kill between the clearing in control and its telling: the keeper would go on believing in the alarm.
    #[test]
    fn what_went_while_nobody_could_say_so_is_told_as_cleared_once_by_the_next_daemon() {
        let now = Wall::from_unix_millis(2000);
        let mut before = Standing::default();
        for one in [raised("lagoon", "warm"), raised("lagoon", "low"), raised("daemon", "store-failing")] {
            before.follow(&one, now, &[]);
        }
        let mut after = Standing::read(&before.json().unwrap());
        let stands = || vec![(raised("lagoon", "low"), false)];
        let told = after.reconcile(stands());
        let [cleared] = told.as_slice() else { panic!("{told:?}") };
        assert_eq!((cleared.what, &*cleared.alarm), (What::Cleared, "warm"));
        assert!(cleared.text.contains("it is warm"), "{}", cleared.text);
        assert_eq!(after.reconcile(stands()), [], "once");
        let told = Standing::default().reconcile(stands());
        assert_eq!(told, [raised("lagoon", "low")], "and what nobody told is told");
    }
}

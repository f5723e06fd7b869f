//! The state: the whole log, and what of it is in force. Folded from entries, never saved by itself.

use std::collections::BTreeMap;

use crate::time::{Date, Wall, Zone};

use super::entry::{Entry, EntryId, What};

/// An entry as it is in force: with its corrections, and with its history.
#[derive(Clone, Debug, PartialEq)]
pub struct Standing {
    /// Its number.
    pub id: EntryId,
    /// Whose.
    pub tank: String,
    /// When it happened, as corrected.
    pub at: Wall,
    /// Who noted it first.
    pub by: String,
    /// What it says, as corrected; `None`: it was deleted.
    pub what: Option<What>,
    /// The corrections and the deletion, oldest first.
    pub history: Vec<EntryId>,
}

/// The log of all tanks.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Care {
    entries: BTreeMap<EntryId, Entry>,
    standing: BTreeMap<EntryId, Standing>,
    keys: BTreeMap<String, EntryId>,
    /// Numbers up to here are taken, by entries that nobody can read any more.
    taken: u64,
}

impl Care {
    /// The state that these entries, in any order, come to.
    pub fn replay(entries: impl IntoIterator<Item = Entry>) -> Self {
        let mut sorted: Vec<Entry> = entries.into_iter().collect();
        sorted.sort_by_key(|entry| entry.id);
        let mut care = Self::default();
        for entry in sorted {
            care.fold(entry);
        }
        care
    }

    /// Takes an entry that is on the disk. One whose number is there already changes nothing.
    pub fn fold(&mut self, entry: Entry) {
        if self.entries.contains_key(&entry.id) {
            return;
        }
        if let Some(key) = &entry.key {
            self.keys.entry(key.clone()).or_insert(entry.id);
        }
        match &entry.what {
            What::Corrected { of, to, at, .. } => {
                if let Some(standing) = self.standing.get_mut(of) {
                    standing.history.push(entry.id);
                    if let Some(to) = to {
                        standing.what = Some((**to).clone());
                    }
                    standing.at = at.unwrap_or(standing.at);
                }
            }
            What::Deleted { of, .. } => {
                if let Some(standing) = self.standing.get_mut(of) {
                    standing.history.push(entry.id);
                    standing.what = None;
                }
            }
            what => {
                let standing = Standing {
                    id: entry.id,
                    tank: entry.tank.clone(),
                    at: entry.at,
                    by: entry.by.clone(),
                    what: Some(what.clone()),
                    history: Vec::new(),
                };
                self.standing.insert(entry.id, standing);
            }
        }
        self.entries.insert(entry.id, entry);
    }

    /// Numbers up to here are never given again.
    pub fn take_numbers_up_to(&mut self, taken: u64) {
        self.taken = self.taken.max(taken);
    }

    /// The number of the next entry.
    pub fn next_id(&self) -> EntryId {
        EntryId(self.entries.last_key_value().map_or(0, |(id, _)| id.0).max(self.taken) + 1)
    }

    /// Every entry as it was noted, in the order of noting.
    pub fn entries(&self) -> impl Iterator<Item = &Entry> {
        self.entries.values()
    }

    /// An entry as it was noted.
    pub fn entry(&self, id: EntryId) -> Option<&Entry> {
        self.entries.get(&id)
    }

    /// An entry as it is in force.
    pub fn standing(&self, id: EntryId) -> Option<&Standing> {
        self.standing.get(&id)
    }

    /// Entries as they are in force, deleted ones too, in the order of noting.
    pub fn all_standing(&self) -> impl Iterator<Item = &Standing> {
        self.standing.values()
    }

    /// The first entry of a request that was heard already.
    pub fn of_key(&self, key: &str) -> Option<&Entry> {
        self.entries.get(self.keys.get(key)?)
    }

    /// What is in force, by the time when it happened. `tank` `None`: of all tanks.
    pub fn in_force(&self, tank: Option<&str>) -> Vec<(&Standing, &What)> {
        let mut found: Vec<_> = self
            .standing
            .values()
            .filter(|standing| tank.is_none_or(|tank| standing.tank == tank))
            .filter_map(|standing| Some((standing, standing.what.as_ref()?)))
            .collect();
        found.sort_by_key(|(standing, _)| (standing.at, standing.id));
        found
    }

    /// When the keeper is away: the trip that goes on or comes next.
    pub fn away(&self, tank: &str, zone: Zone, now: Wall) -> Option<(Date, Date)> {
        let today = zone.calendar_day(now);
        let trips = self.in_force(Some(tank)).into_iter().filter_map(|(_, what)| match what {
            What::Away { from, until } if *until >= today => Some((*from, *until)),
            _ => None,
        });
        trips.min()
    }
}

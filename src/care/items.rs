//! Everything with a place, dates and notes: where it is, since when, what it needs, what is due for it.
//!
//! Duty: one plain concept; what a thing is stands in the keeper's own word. Limits: no species, no rules of who bears
//! whom; light is compared with the range that the keeper noted.

use crate::time::{Date, Wall};

use super::entry::{EntryId, ItemChange, What};
use super::plan::Plans;
use super::state::Care;

/// An item, as it stands.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct ItemView {
    /// Its name.
    pub item: String,
    /// What it is, in the keeper's word.
    pub sort: String,
    /// In which tank.
    pub tank: String,
    /// Where in it.
    pub place: Option<String>,
    /// What stands beside it.
    pub beside: Option<String>,
    /// Since when it is known.
    pub since: Wall,
    /// Since when it stands there.
    pub there_since: Wall,
    /// Days since it came.
    pub age_days: i64,
    /// The light noted for it, µmol/m²/s.
    pub light: Option<(f64, f64)>,
    /// When it is no longer good.
    pub expires: Option<Date>,
    /// What is to do for it, by day.
    pub reminders: Vec<(String, Date)>,
    /// Until when it is observed before it may go elsewhere.
    pub observed_until: Option<Date>,
    /// Why it is gone; `None`: it is there.
    pub retired: Option<String>,
    /// Moves, oldest first, in words.
    pub moves: Vec<String>,
    /// Notes, oldest first.
    pub notes: Vec<String>,
    /// What is due now, in words.
    pub due: Vec<String>,
    /// Its entries.
    pub entries: Vec<EntryId>,
}

impl Care {
    /// Every item of all tanks, by name; those that are gone too.
    pub fn items(&self, plans: &Plans, now: Wall) -> Vec<ItemView> {
        let mut items: Vec<ItemView> = Vec::new();
        for (standing, what) in self.in_force(None) {
            let What::Item { item, change } = what else { continue };
            let zone = plans.tanks.get(&standing.tank).map_or(crate::time::Zone::UTC, |tank| tank.zone);
            let day = zone.calendar_day(standing.at);
            let observed = || {
                let days = plans.tanks.get(&standing.tank)?.observation_days?;
                Some(day.plus_days(days))
            };
            if let ItemChange::Added { sort, place, beside, light, expires, reminders } = change {
                items.retain(|known| known.item != *item);
                items.push(ItemView {
                    item: item.clone(),
                    sort: sort.clone(),
                    tank: standing.tank.clone(),
                    place: place.clone(),
                    beside: beside.clone(),
                    since: standing.at,
                    there_since: standing.at,
                    age_days: 0,
                    light: *light,
                    expires: *expires,
                    reminders: reminders.clone(),
                    observed_until: observed(),
                    retired: None,
                    moves: Vec::new(),
                    notes: Vec::new(),
                    due: Vec::new(),
                    entries: vec![standing.id],
                });
                continue;
            }
            let Some(known) = items.iter_mut().find(|known| known.item == *item) else { continue };
            known.entries.push(standing.id);
            match change {
                ItemChange::Added { .. } => {}
                ItemChange::Moved { place, reason, beside } => {
                    let from = known.whereabouts();
                    if known.tank != standing.tank {
                        (known.tank, known.observed_until) = (standing.tank.clone(), observed());
                    }
                    (known.place, known.beside, known.there_since) = (place.clone(), beside.clone(), standing.at);
                    let reason = reason.as_ref().map_or_else(String::new, |reason| format!(": {reason}"));
                    known.moves.push(format!("{day}  {from} to {}{reason}", known.whereabouts()));
                }
                ItemChange::Noted { text, done } => {
                    if let Some(done) = done {
                        known.reminders.retain(|(what, _)| what != done);
                    }
                    let done = done.as_ref().map_or_else(String::new, |done| format!("{done} done "));
                    known.notes.push(format!("{day}  {done}{text}").trim_end().to_owned());
                }
                ItemChange::Set { light, expires, reminders } => {
                    known.light = light.or(known.light);
                    known.expires = expires.or(known.expires);
                    known.reminders.extend(reminders.iter().cloned());
                }
                ItemChange::Retired { reason } => known.retired = Some(reason.clone().unwrap_or_default()),
            }
        }
        for item in &mut items {
            let zone = plans.tanks.get(&item.tank).map_or(crate::time::Zone::UTC, |tank| tank.zone);
            let today = zone.calendar_day(now);
            item.age_days = today.days_since(zone.calendar_day(item.since));
            if item.retired.is_some() {
                continue;
            }
            if let Some(day) = item.expires.filter(|day| *day <= today) {
                item.due.push(format!("no longer good since {day}"));
            }
            let due = item.reminders.iter().filter(|(_, day)| *day <= today);
            item.due.extend(due.map(|(what, day)| format!("{what}, due since {day}")));
        }
        items.sort_by(|a, b| a.item.cmp(&b.item));
        items
    }
}

impl ItemView {
    /// Tank and place.
    pub fn whereabouts(&self) -> String {
        self.place.as_ref().map_or_else(|| self.tank.clone(), |place| format!("{} {place}", self.tank))
    }
}

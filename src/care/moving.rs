//! Items: moves with their warnings, notes, reminders.

use crate::time::{Date, later};

use super::ask::{At, Draft, Refusal, light_range, no_such};
use super::entry::{ItemChange, What};
use super::measure;

impl At<'_> {
    /// A day as written, or after so long.
    pub(super) fn day(&self, text: &str) -> Result<Date, Refusal> {
        if let Ok(day) = text.parse() {
            return Ok(day);
        }
        later(self.plan.zone.calendar_day(self.moment), text).map_err(|_| {
            Refusal::new(format!(
                "`{text}` is no day\n  write a day such as `2027-03-01`, or a time such as `10 days` or `2 years`"
            ))
        })
    }

    /// `soak 24 h`, `replace after 2 years`: what to do, and when.
    pub(super) fn reminders(&self, texts: &[String]) -> Result<Vec<(String, Date)>, Refusal> {
        let read = |text: &String| {
            let bad = || {
                Refusal::new(format!(
                    "`{text}` is no reminder\n  write what and when: `soak 24 h`, `replace after 2 years` or `test on 2027-03-01`"
                ))
            };
            let at = text.find(|c: char| c.is_ascii_digit()).ok_or_else(bad)?;
            let what =
                text[..at].trim().trim_end_matches(" after").trim_end_matches(" in").trim_end_matches(" on").trim();
            if what.is_empty() {
                return Err(bad());
            }
            Ok((what.to_owned(), self.day(&text[at..]).map_err(|_| bad())?))
        };
        texts.iter().map(read).collect()
    }

    /// An item that is there.
    pub(super) fn item(&self, name: &str) -> Result<super::items::ItemView, Refusal> {
        let items = self.care.items(self.plans, self.now);
        let there: Vec<_> = items.into_iter().filter(|item| item.retired.is_none()).collect();
        let known: Vec<&str> = there.iter().map(|item| item.item.as_str()).collect();
        let text = no_such("item", name, &known, "add it first: `slackwater items add`");
        there.iter().find(|item| item.item == name.trim()).cloned().ok_or_else(|| Refusal::new(text))
    }

    pub(super) fn move_item(
        &self,
        name: &str,
        to_tank: Option<&str>,
        place: Option<&str>,
        reason: Option<&String>,
        beside: Option<&String>,
    ) -> Result<Draft, Refusal> {
        let known = self.item(name)?;
        let tank = to_tank.unwrap_or(&known.tank);
        let Some(plan) = self.plans.tanks.get(tank) else {
            let tanks: Vec<&str> = self.plans.tanks.keys().map(String::as_str).collect();
            return Err(Refusal::new(no_such("tank", tank, &tanks, "")));
        };
        if to_tank.is_none() && place.is_none() {
            return Err(Refusal::new("nobody said where to\n  say `--to SPOT`, or `--to-tank TANK`"));
        }
        let change = ItemChange::Moved {
            place: place.map(measure::name).transpose()?,
            reason: reason.cloned(),
            beside: beside.cloned(),
        };
        let what = What::Item { item: known.item.clone(), change };
        let mut draft = Draft { whats: vec![(tank.to_owned(), self.moment, what)], ..Draft::default() };
        let today = plan.zone.calendar_day(self.moment);
        let to = place.map_or_else(|| tank.to_owned(), |place| format!("{tank} {}", place.trim()));
        draft.details.push(format!("from {} to {to}", known.whereabouts()));
        if let Some(until) = known.observed_until.filter(|until| tank != known.tank && today < *until) {
            draft.caution = Some(format!(
                "{} is to be observed in {} until {until}, {} days from now: what it carries may come with it. Move it back unless you are sure.",
                known.item,
                known.tank,
                until.days_since(today)
            ));
        }
        if let (Some((low, high)), Some(spot)) = (known.light, place) {
            let map = self.care.spots(tank, self.plans, self.now);
            let is = map.spots.iter().find(|view| view.spot == spot.trim()).and_then(|view| view.ppfd);
            draft.details.push(match is {
                Some(is) if is < low => format!("{is:.0} µmol/m²/s there, less than its {low:.0} to {high:.0}"),
                Some(is) if is > high => format!("{is:.0} µmol/m²/s there, more than its {low:.0} to {high:.0}: dim or shade it for two to four weeks"),
                Some(is) => format!("{is:.0} µmol/m²/s there, inside its {low:.0} to {high:.0}"),
                None => format!("the light there was not measured; {low:.0} to {high:.0} µmol/m²/s is noted for it"),
            });
        }
        Ok(draft)
    }

    pub(super) fn note_item(
        &self,
        name: &str,
        text: Option<&str>,
        done: Option<&String>,
        light: Option<&str>,
        expires: Option<&str>,
        remind: &[String],
    ) -> Result<Draft, Refusal> {
        let known = self.item(name)?;
        let mut whats = Vec::new();
        let change = |change| What::Item { item: known.item.clone(), change };
        if let Some(reminder) = done
            && !known.reminders.iter().any(|(what, _)| what == reminder)
        {
            let all: Vec<&str> = known.reminders.iter().map(|(what, _)| what.as_str()).collect();
            return Err(Refusal::new(no_such("reminder", reminder, &all, "")));
        }
        if text.is_some() || done.is_some() {
            whats.push(change(ItemChange::Noted { text: text.unwrap_or_default().to_owned(), done: done.cloned() }));
        }
        if light.is_some() || expires.is_some() || !remind.is_empty() {
            whats.push(change(ItemChange::Set {
                light: light.map(light_range).transpose()?,
                expires: expires.map(|text| self.day(text)).transpose()?,
                reminders: self.reminders(remind)?,
            }));
        }
        if whats.is_empty() {
            return Err(Refusal::new(
                "there is nothing to note\n  write a text, `--done`, `--light`, `--expires` or `--remind`",
            ));
        }
        let whats = whats.into_iter().map(|what| (known.tank.clone(), self.moment, what)).collect();
        Ok(Draft { whats, ..Draft::default() })
    }
}

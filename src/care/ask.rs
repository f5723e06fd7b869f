//! Requests of the keeper, and which entries they make. Pure: nothing is true before the entries are on the disk.
//!
//! Every request may carry a key of its own; one whose key was heard already is answered and makes no entry, so that a
//! request that is sent again after a lost answer does nothing twice. A refusal changes nothing and says what to write.

use crate::time::{Date, Wall};
use crate::units::Ppfd;

use super::entry::{Entry, EntryId, ItemChange, What};
use super::facts::Facts;
use super::measure;
use super::plan::{Plans, TankCare};
use super::request::{Asked, Request};
use super::state::Care;
/// What a request comes to.
#[derive(Clone, Debug, PartialEq)]
pub struct Decided {
    /// What is to be on the disk before it is true; nothing if it was heard before.
    pub entries: Vec<Entry>,
    /// One sentence.
    pub summary: String,
    /// What there is to know besides.
    pub details: Vec<String>,
    /// What a person must mind.
    pub caution: Option<String>,
}

/// Why nothing was noted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refusal {
    /// One sentence.
    pub summary: String,
    /// What to write instead.
    pub details: Vec<String>,
}

impl Refusal {
    pub(super) fn new(text: impl AsRef<str>) -> Self {
        let mut lines = text.as_ref().lines().map(|line| line.trim().to_owned());
        Self { summary: lines.next().unwrap_or_default(), details: lines.collect() }
    }
}

impl From<String> for Refusal {
    fn from(text: String) -> Self {
        Self::new(text)
    }
}

/// What a request is decided on.
pub(super) struct At<'a> {
    pub(super) care: &'a Care,
    pub(super) tank: &'a str,
    pub(super) plan: &'a TankCare,
    pub(super) plans: &'a Plans,
    pub(super) facts: &'a Facts,
    pub(super) moment: Wall,
    pub(super) now: Wall,
}

/// The entries before they have numbers, and what is said with them.
#[derive(Default)]
pub(super) struct Draft {
    pub(super) whats: Vec<(String, Wall, What)>,
    pub(super) details: Vec<String>,
    pub(super) caution: Option<String>,
    pub(super) summary: Option<String>,
}

/// A moment further ahead than this has not been yet; a phone's clock may be a little fast.
const AHEAD: crate::time::Span = crate::time::Span::from_minutes(5);
/// A measurement this old is no longer compared with what a probe says now.
pub const PROBE_NOW: crate::time::Span = crate::time::Span::from_minutes(10);

impl Care {
    /// Decides a request. `probe_then` tells what a signal said at a moment that is over, if anybody knows.
    pub fn ask(
        &self,
        asked: &Asked,
        plans: &Plans,
        facts: &Facts,
        now: Wall,
        probe_then: &dyn Fn(&str, Wall) -> Option<f64>,
    ) -> Result<Decided, Refusal> {
        if let Some(first) = asked.key.as_deref().and_then(|key| self.of_key(key)) {
            if first.tank != asked.tank && !matches!(asked.request, Request::MoveItem { .. }) {
                return Err(Refusal::new("this key was another request's\n  give each request a key of its own"));
            }
            let words =
                self.standing(first.id).and_then(|standing| standing.what.as_ref()).unwrap_or(&first.what).words();
            let summary = format!("noted already as {}: {words}", first.id);
            return Ok(Decided { entries: Vec::new(), summary, details: Vec::new(), caution: None });
        }
        let plan =
            plans.tanks.get(&asked.tank).ok_or_else(|| Refusal::new(format!("there is no tank `{}`", asked.tank)))?;
        let at = match &asked.when {
            Some(when) => plan.zone.read(when, now)?,
            None => now,
        };
        if at > now.after(AHEAD) {
            let shown = plan.zone.show(at);
            return Err(Refusal::new(format!(
                "{shown} is still to come\n  note what has been; what is planned is a chore"
            )));
        }
        let place = At { care: self, tank: &asked.tank, plan, plans, facts, moment: at, now };
        let draft = place.decide(&asked.request, asked.when.is_some(), probe_then)?;
        let mut entries = Vec::new();
        for (tank, at, what) in draft.whats {
            let id = EntryId(self.next_id().0 + entries.len() as u64);
            entries.push(Entry { id, tank, at, noted: now, by: asked.by.clone(), key: asked.key.clone(), what });
        }
        let told = entries.iter().find(|entry| !matches!(entry.what, What::Counted { .. })).or(entries.first());
        let summary = draft.summary.unwrap_or_else(|| {
            told.map_or_else(String::new, |entry| {
                let when = if asked.when.is_some() {
                    format!(" ({})", &plan.zone.show(entry.at)[..16])
                } else {
                    String::new()
                };
                format!("noted as {}: {}{when}", entry.id, entry.what.words())
            })
        });
        Ok(Decided { entries, summary, details: draft.details, caution: draft.caution })
    }
}

impl At<'_> {
    pub(super) fn note(&self, what: What) -> Draft {
        Draft { whats: vec![(self.tank.to_owned(), self.moment, what)], ..Draft::default() }
    }

    fn decide(
        &self,
        request: &Request,
        at_given: bool,
        probe_then: &dyn Fn(&str, Wall) -> Option<f64>,
    ) -> Result<Draft, Refusal> {
        match request {
            Request::Measure { quantity, value, with, spot, temperature, note } => self.measure(
                quantity,
                value,
                with.as_ref(),
                spot.as_ref(),
                temperature.as_deref(),
                note.as_ref(),
                probe_then,
            ),
            Request::Event { text } => Ok(self.note(What::Event { text: words(text, "cleaned the skimmer")? })),
            Request::LightChanged { text } => Ok(self.note(What::LightChanged { text: words(text, "blue to 60 %")? })),
            Request::WaterChange { amount } => self.water_change(amount),
            Request::Dose { supply, amount } => {
                let supply = measure::name(supply)?;
                let amount = self.amount(&supply, amount)?;
                let mut draft = self.note(What::Dosed { supply: supply.clone(), amount });
                draft.details.extend(self.left_after(&supply, amount.value()));
                Ok(draft)
            }
            Request::Use { supply, amount } => {
                let plan = self.supply(supply)?;
                let amount = self.amount(&plan.name, amount)?;
                let mut draft = self.note(What::Used { supply: plan.name.clone(), amount });
                draft.details.extend(self.left_after(&plan.name, amount.value()));
                Ok(draft)
            }
            Request::Left { supply, amount } => {
                let plan = self.supply(supply)?;
                let amount = super::stocking::amount_up_to_full(plan, amount)?;
                let mut draft = self.counted(plan);
                draft.whats.push((self.tank.to_owned(), self.moment, What::Left { supply: plan.name.clone(), amount }));
                Ok(draft)
            }
            Request::Refill { supply, amount } => self.refill(supply, amount.as_deref()),
            Request::Done { chore, note } => self.done(chore, note.clone()),
            Request::Postpone { chore, until, reason } => self.postpone(chore, until, reason),
            Request::Away { days } => self.away(days),
            Request::AddItem { item, sort, place, beside, light, expires, remind } => {
                let item = measure::name(item)?;
                let known = self.care.items(self.plans, self.now);
                if let Some(known) = known.iter().find(|known| known.item == item && known.retired.is_none()) {
                    let text = format!(
                        "`{item}` is there already: {}, in {}\n  give the new one another name, such as `{item}-2`",
                        known.sort,
                        known.whereabouts()
                    );
                    return Err(Refusal::new(text));
                }
                let change = ItemChange::Added {
                    sort: words(sort, "coral")?,
                    place: place.as_deref().map(measure::name).transpose()?,
                    beside: beside.clone(),
                    light: light.as_deref().map(light_range).transpose()?,
                    expires: expires.as_deref().map(|text| self.day(text)).transpose()?,
                    reminders: self.reminders(remind)?,
                };
                let mut draft = self.note(What::Item { item, change });
                if let Some(days) = self.plan.observation_days {
                    let until = self.plan.zone.calendar_day(self.moment).plus_days(days);
                    draft.details.push(format!("it is observed until {until} before it moves to another tank"));
                }
                Ok(draft)
            }
            Request::MoveItem { item, to_tank, place, reason, beside } => {
                self.move_item(item, to_tank.as_deref(), place.as_deref(), reason.as_ref(), beside.as_ref())
            }
            Request::NoteItem { item, text, done, light, expires, remind } => {
                self.note_item(item, text.as_deref(), done.as_ref(), light.as_deref(), expires.as_deref(), remind)
            }
            Request::RetireItem { item, reason } => {
                let known = self.item(item)?;
                let what =
                    What::Item { item: known.item.clone(), change: ItemChange::Retired { reason: reason.clone() } };
                Ok(Draft { whats: vec![(known.tank, self.moment, what)], ..Draft::default() })
            }
            Request::Correct { id, value, why } => self.correct(*id, value.as_deref(), at_given, why.as_ref()),
            Request::Delete { id, why } => self.delete(*id, why.as_ref()),
            Request::Import { csv } => super::csv::import(self, csv),
        }
    }
}

/// A text that says something.
pub(super) fn words(text: &str, such_as: &str) -> Result<String, Refusal> {
    let text = text.trim();
    if text.is_empty() || text.len() > 2000 || text.chars().any(|c| c.is_control() && c != '\n') {
        return Err(Refusal::new(format!("nothing was said, or too much\n  write a text such as `{such_as}`")));
    }
    Ok(text.to_owned())
}

/// `80..150 µmol/m²/s`.
pub fn light_range(text: &str) -> Result<(f64, f64), String> {
    let bad = || format!("`{}` is no light range\n  write lowest and highest such as `80..150 µmol/m²/s`", text.trim());
    let (low, high) = text.split_once("..").ok_or_else(bad)?;
    let high: Ppfd = high.parse().map_err(|_| bad())?;
    let low: f64 = match low.trim().parse::<f64>() {
        Ok(low) => low,
        Err(_) => low.parse::<Ppfd>().map_err(|_| bad())?.micromoles_per_square_metre_second(),
    };
    let high = high.micromoles_per_square_metre_second();
    if (0.0..high).contains(&low) { Ok((low, high)) } else { Err(bad()) }
}

/// `2026-12-20..2027-01-03`: the first day, and the day of coming back.
pub fn trip(text: &str) -> Result<(Date, Date), String> {
    let bad = || {
        format!(
            "`{}` are not the days of a trip\n  write the first day and the day of coming back: `2026-12-20..2027-01-03`",
            text.trim()
        )
    };
    let (from, until) = text.split_once("..").ok_or_else(bad)?;
    let (from, until): (Date, Date) = (from.parse().map_err(|_| bad())?, until.parse().map_err(|_| bad())?);
    if from <= until && until.days_since(from) <= 366 { Ok((from, until)) } else { Err(bad()) }
}

/// What is not there, what may have been meant, what is known.
pub(super) fn no_such(noun: &str, name: &str, known: &[&str], fix: &str) -> String {
    let name = name.trim();
    let near = known.iter().find(|known| {
        let (a, b) = (known.to_lowercase(), name.to_lowercase());
        a.contains(&b) || b.contains(&a) || a.replace('-', "") == b.replace(['-', '_', ' '], "")
    });
    let hint = match near {
        Some(near) => format!("did you mean `{near}`?"),
        None if known.is_empty() => fix.to_owned(),
        None => format!("known: {}", known.join(", ")),
    };
    format!("there is no {noun} `{name}`\n  {hint}")
}

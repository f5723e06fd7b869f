//! Is everything all right? One sentence, out of what is known; and how old that is.
//!
//! Pure: a status and what stands beside the tank go in, words come out, and everybody says these: status, page, topics,
//! daily word. The worst comes first and decides the mood; what is well is said short. It never says "steady" of what
//! nobody sees: without the broker, or with a watched reading gone, the sentence begins with that.

use crate::time::{Date, Span, Wall, Zone};

use super::plan::Priority;
use super::status::{AlarmStatus, HoldStatus, ProofStatus, SignalStatus, TankStatus};

/// A supply that lasts for less than this is told. [reckoned at 20 % more use than the mean]
const LASTS_TOLD_DAYS: f64 = 14.0;
/// So many things are named; the others are counted.
const NAMED: usize = 2;

/// What the sentence comes to, from good to bad.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Mood {
    /// Nothing is to be done.
    #[default]
    Steady,
    /// A hold or a bypass stands.
    Held,
    /// Something can wait until today.
    Today,
    /// Somebody must act within the hour.
    Now,
    /// What is cannot be seen.
    Blind,
}

impl Mood {
    /// Its word, for styles and programs.
    pub fn word(self) -> &'static str {
        match self {
            Self::Steady => "steady",
            Self::Held => "held",
            Self::Today => "today",
            Self::Now => "now",
            Self::Blind => "blind",
        }
    }
}

/// The sentence.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sentence {
    /// What it comes to.
    pub mood: Mood,
    /// In words.
    pub text: String,
}

/// A supply and the days that it lasts.
#[derive(Clone, Debug, PartialEq)]
pub struct Lasts {
    /// Its name.
    pub supply: String,
    /// Days at 20 % more use than the mean.
    pub days: f64,
}

/// A chore and when it is due.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Due {
    /// Its name.
    pub chore: String,
    /// Whether it is due now. A day that is past does not say so: the chore may wait.
    pub now: bool,
    /// The local day, where it is known.
    pub on: Option<Date>,
}

impl Due {
    /// Days until it is due; 0: now.
    fn days(&self, today: Date) -> Option<i64> {
        if self.now { Some(0) } else { self.on.map(|day| day.days_since(today).max(1)) }
    }
}

/// What stands beside a tank and is not control's own: who has less of it says less.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Beside {
    /// The signals that have a band to be steady in.
    pub watched: Vec<String>,
    /// Completed days, the last ones in a row, on which all of those were in their bands; `None`: not known.
    pub steady_days: Option<u32>,
    /// What is used up.
    pub supplies: Vec<Lasts>,
    /// What falls due.
    pub chores: Vec<Due>,
}

/// What the sentence is made of.
#[derive(Clone, Copy, Debug)]
pub(super) struct Seen<'a> {
    /// The tank.
    pub status: &'a TankStatus,
    /// Its zone.
    pub zone: Zone,
    /// When it is looked at.
    pub now: Wall,
    /// The signal that the temperature is held by: always watched.
    pub held_by: Option<&'a str>,
    /// What stands beside it.
    pub beside: &'a Beside,
}

/// The sentence of a tank.
pub(super) fn sentence(seen: &Seen) -> Sentence {
    let status = seen.status;
    let watches = |signal: &&SignalStatus| {
        let name = &*signal.signal;
        seen.held_by == Some(name) || seen.beside.watched.iter().any(|watched| watched == name)
    };
    let watched: Vec<&SignalStatus> = status.signals.iter().filter(watches).collect();
    let lost: Vec<String> =
        watched.iter().filter(|signal| !signal.quality.is_usable()).map(|signal| plain(&signal.signal)).collect();
    let mut standing: Vec<&AlarmStatus> =
        status.alarms.iter().filter(|alarm| alarm.active && alarm.part_of.is_none()).collect();
    standing.sort_by_key(|alarm| (std::cmp::Reverse(alarm.priority), alarm.since));
    let urgent: Vec<String> =
        standing.iter().filter(|alarm| alarm.priority >= Priority::High).map(|alarm| plain(&alarm.alarm)).collect();
    let later: Vec<String> =
        standing.iter().filter(|alarm| alarm.priority < Priority::High).map(|alarm| plain(&alarm.alarm)).collect();
    let trips: Vec<String> = status
        .interlocks
        .iter()
        .filter(|interlock| matches!(interlock.state, "tripped" | "latched"))
        .filter(|interlock| !standing.iter().any(|alarm| alarm.trip_of.as_ref() == Some(&interlock.interlock)))
        .map(|interlock| format!("{} {}", plain(&interlock.interlock), interlock.state))
        .collect();
    let unproven: Vec<String> = status
        .outputs
        .iter()
        .filter(|output| output.proof == ProofStatus::NotProven)
        .map(|output| plain(&output.output))
        .collect();
    let bypassed: Vec<String> = status
        .interlocks
        .iter()
        .filter(|interlock| interlock.bypass.is_some())
        .map(|interlock| plain(&interlock.interlock))
        .collect();
    let holds: Vec<&HoldStatus> = status.holds.iter().filter(|hold| hold.active).collect();

    let mut parts = Vec::new();
    let mut mood = Mood::Steady;
    let mut say = |worst: Mood, part: String| {
        mood = mood.max(worst);
        parts.push(part);
    };
    if !status.broker {
        say(Mood::Blind, "Not seen: the broker is not connected, and this is what was last known".to_owned());
    }
    if !lost.is_empty() {
        say(Mood::Blind, format!("Not seen: {}", some(&lost)));
    }
    if !urgent.is_empty() || !trips.is_empty() {
        say(Mood::Now, format!("Needs you now: {}", some(&[urgent, trips].concat())));
    }
    for hold in &holds {
        say(Mood::Held, held(seen, hold));
    }
    if !bypassed.is_empty() {
        say(Mood::Held, format!("Bypassed: {}", some(&bypassed)));
    }
    if !later.is_empty() {
        say(Mood::Today, format!("Needs you today: {}", some(&later)));
    }
    if !unproven.is_empty() {
        say(Mood::Today, format!("Not proven: {}", some(&unproven)));
    }
    if parts.is_empty() {
        parts.push("Steady".to_owned());
    }
    let first = parts.join(". ");
    let (values, next) = (values(&watched, seen.beside.steady_days.filter(|_| mood == Mood::Steady)), next(seen));
    let text = match (values, next.is_empty()) {
        (Some(values), true) => format!("{first}. {values}."),
        (Some(values), false) => format!("{first}. {values}; {next}."),
        (None, true) => format!("{first}."),
        (None, false) => format!("{first}. {}.", capital(&next)),
    };
    Sentence { mood, text }
}

/// `Held for water change, 42 min left`.
fn held(seen: &Seen, hold: &HoldStatus) -> String {
    let name = plain(&hold.hold);
    match hold.until {
        Some(until) if hold.overdue || until <= seen.now => {
            let over = seen.now.since(until);
            format!("Held for {name}, {} longer than it may be", minutes(over))
        }
        Some(until) => {
            let at = seen.zone.time_of_day(until);
            format!("Held for {name}, {} left, until {at}", minutes(until.since(seen.now)))
        }
        None => format!("Held for {name}"),
    }
}

/// `25.1 °C and 35.0 psu for 9 days`.
fn values(watched: &[&SignalStatus], steady_days: Option<u32>) -> Option<String> {
    let values: Vec<String> =
        watched.iter().filter(|signal| signal.quality.is_usable()).map(|signal| reads(signal)).collect();
    let values = match &values[..] {
        [] => return None,
        [all @ .., last] if !all.is_empty() => format!("{} and {last}", all.join(", ")),
        [one, ..] => one.clone(),
    };
    Some(match steady_days {
        None | Some(0) => values,
        Some(1) => format!("{values}, in band for 1 day"),
        Some(days) => format!("{values}, in band for {days} days"),
    })
}

fn reads(signal: &SignalStatus) -> String {
    signal.value.map_or_else(|| signal.text.clone(), |value| format!("{value:.1} {}", signal.unit))
}

/// What is next: the supply that ends first, and the chores of today and tomorrow.
fn next(seen: &Seen) -> String {
    let mut parts = Vec::new();
    let first = seen.beside.supplies.iter().filter(|one| one.days.is_finite() && one.days < LASTS_TOLD_DAYS);
    if let Some(Lasts { supply, days }) = first.min_by(|a, b| a.days.total_cmp(&b.days)) {
        let supply = plain(supply);
        parts.push(match days.floor() {
            whole if whole < 1.0 => format!("{supply} is empty within a day"),
            whole if whole < 2.0 => format!("{supply} lasts 1 day"),
            whole => format!("{supply} lasts {whole:.0} days"),
        });
    }
    let today = seen.zone.calendar_day(seen.now);
    for (word, days) in [("due", 0), ("due tomorrow", 1)] {
        let due = seen.beside.chores.iter().filter(|due| due.days(today) == Some(days));
        let due: Vec<String> = due.map(|due| plain(&due.chore)).collect();
        if !due.is_empty() {
            parts.push(format!("{} {word}", some(&due)));
        }
    }
    parts.join("; ")
}

/// The first ones by name, the others by number.
fn some(names: &[String]) -> String {
    match names.len() {
        count if count > NAMED => format!("{} and {} more", names[..NAMED].join(", "), count - NAMED),
        _ => names.join(" and "),
    }
}

fn minutes(span: Span) -> String {
    let minutes = span.millis() / 60_000;
    if minutes == 0 { "less than a minute".to_owned() } else { Span::from_minutes(minutes).to_string() }
}

/// A name inside a sentence: `water-change` is `water change`.
pub fn plain(name: &str) -> String {
    name.replace('-', " ")
}

/// A text as the beginning of a sentence.
pub fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

#[cfg(test)]
pub(crate) mod tests;

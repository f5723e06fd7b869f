//! Is everything all right? One sentence, out of what is known; and how old that is.
//!
//! Pure: a status, what lasts and what is due go in, words come out. The worst comes first and decides the mood; what is
//! well is said short. It never says "steady" of what nobody sees: without the broker, or with a watched reading gone,
//! the sentence begins with that.

use crate::control::plan::Priority;
use crate::control::status::{AlarmStatus, HoldStatus, ProofStatus, SignalStatus, TankStatus};
use crate::time::{Span, Wall, Zone};

/// A supply that lasts for less than this is told. [reckoned at 20 % more use than the mean]
const LASTS_TOLD_DAYS: f64 = 14.0;
/// So many things are named; the others are counted.
const NAMED: usize = 2;

/// What the sentence comes to, from good to bad.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Mood {
    /// Nothing is to be done.
    Steady,
    /// A hold stands.
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

/// A chore and the days until it is due; 0 and less: now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Due {
    /// Its name.
    pub chore: String,
    /// Days.
    pub days: i64,
}

/// What the sentence is made of.
#[derive(Clone, Copy, Debug)]
pub struct Seen<'a> {
    /// The tank.
    pub status: &'a TankStatus,
    /// Its zone.
    pub zone: Zone,
    /// When it is looked at.
    pub now: Wall,
    /// The signals that have a band to be steady in.
    pub watched: &'a [String],
    /// Completed days, the last ones in a row, on which all of those were in their bands; `None`: not known.
    pub steady_days: Option<u32>,
    /// What is used up.
    pub supplies: &'a [Lasts],
    /// What falls due.
    pub chores: &'a [Due],
}

/// The sentence of a tank.
pub fn sentence(seen: &Seen) -> Sentence {
    let status = seen.status;
    let watched: Vec<&SignalStatus> =
        status.signals.iter().filter(|signal| seen.watched.iter().any(|name| **name == *signal.signal)).collect();
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
        .filter(|interlock| !standing.iter().any(|alarm| alarm.alarm.contains(&*interlock.interlock)))
        .map(|interlock| format!("{} {}", plain(&interlock.interlock), interlock.state))
        .collect();
    let unproven: Vec<String> = status
        .outputs
        .iter()
        .filter(|output| output.proof == ProofStatus::NotProven)
        .map(|output| plain(&output.output))
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
    let (values, next) = (values(&watched, seen.steady_days.filter(|_| mood == Mood::Steady)), next(seen));
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
    let first = seen.supplies.iter().filter(|one| one.days.is_finite() && one.days < LASTS_TOLD_DAYS);
    if let Some(Lasts { supply, days }) = first.min_by(|a, b| a.days.total_cmp(&b.days)) {
        let supply = plain(supply);
        parts.push(match days.floor() {
            whole if whole < 1.0 => format!("{supply} is empty within a day"),
            whole if whole < 2.0 => format!("{supply} lasts 1 day"),
            whole => format!("{supply} lasts {whole:.0} days"),
        });
    }
    for (word, from, to) in [("due", i64::MIN, 0), ("due tomorrow", 1, 1)] {
        let due: Vec<String> =
            seen.chores.iter().filter(|due| (from..=to).contains(&due.days)).map(|due| plain(&due.chore)).collect();
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

fn plain(name: &str) -> String {
    name.replace('-', " ")
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::ids::Name;
    use crate::control::plan::AtLimit;
    use crate::control::quality::{Fault, Quality};
    use crate::control::status::{AlarmLoad, InterlockStatus};
    use crate::units::Quantity;

    fn signal(name: &str, value: f64, unit: &'static str, quality: Quality) -> SignalStatus {
        SignalStatus {
            signal: Name::new(name),
            measures: Quantity::Temperature,
            unit,
            value: quality.is_usable().then_some(value),
            highest: None,
            lowest: None,
            quality,
            age: None,
            sampled_at: None,
            text: String::new(),
        }
    }

    fn alarm(name: &str, priority: Priority) -> AlarmStatus {
        AlarmStatus {
            alarm: Name::new(name),
            priority,
            state: "UNACK",
            active: true,
            on: true,
            since: Some(Wall::from_unix_millis(0)),
            text: String::new(),
            consequence: String::new(),
            action: String::new(),
            raised: 1,
            latches: false,
            aside: None,
            part_of: None,
            group: Vec::new(),
            nuisance: Vec::new(),
        }
    }

    fn hold(until: i64, overdue: bool) -> HoldStatus {
        HoldStatus {
            hold: Name::new("water-change"),
            stops: Vec::new(),
            limit: Span::from_minutes(60),
            at_limit: AtLimit::Alarm,
            cares_for_probes: false,
            active: true,
            by: None,
            since: None,
            until: Some(Wall::from_unix_millis(until)),
            overdue,
            pauses: Vec::new(),
            probes: Vec::new(),
            new_water: None,
            hot_until: None,
            starting: Vec::new(),
            started: 1,
        }
    }

    fn lagoon() -> TankStatus {
        TankStatus {
            signals: vec![
                signal("water-temp", 25.14, "°C", Quality::Good),
                signal("salinity", 35.02, "psu", Quality::Good),
                signal("room-temp", 21.0, "°C", Quality::Bad(Fault::Stale)),
            ],
            alarm_load: AlarmLoad::default(),
            ..crate::wire::shown::tests::quiet_tank()
        }
    }

    fn said(status: &TankStatus, steady_days: Option<u32>, supplies: &[Lasts], chores: &[Due]) -> (Mood, String) {
        let watched = ["water-temp".to_owned(), "salinity".to_owned()];
        let now = Wall::from_unix_millis(0);
        let seen = Seen { status, zone: Zone::UTC, now, watched: &watched, steady_days, supplies, chores };
        let Sentence { mood, text } = sentence(&seen);
        (mood, text)
    }

    fn lasts(supply: &str, days: f64) -> Lasts {
        Lasts { supply: supply.to_owned(), days }
    }

    fn due(chore: &str, days: i64) -> Due {
        Due { chore: chore.to_owned(), days }
    }

    #[test]
    fn a_good_day_is_one_calm_sentence_with_what_comes_next() {
        let steady = |text: &str| (Mood::Steady, text.to_owned());
        assert_eq!(
            said(&lagoon(), Some(9), &[lasts("salt", 60.0), lasts("reservoir", 11.4)], &[due("filter-sock", 1)]),
            steady(
                "Steady. 25.1 °C and 35.0 psu, in band for 9 days; reservoir lasts 11 days; filter sock due tomorrow."
            )
        );
        assert_eq!(said(&lagoon(), None, &[], &[]), steady("Steady. 25.1 °C and 35.0 psu."));
        assert_eq!(said(&lagoon(), Some(0), &[], &[due("sock", 2)]), steady("Steady. 25.1 °C and 35.0 psu."));
        assert_eq!(said(&lagoon(), Some(1), &[], &[]), steady("Steady. 25.1 °C and 35.0 psu, in band for 1 day."));
        for (days, word) in [(0.4, "is empty within a day"), (1.9, "lasts 1 day"), (13.9, "lasts 13 days")] {
            let text = said(&lagoon(), None, &[lasts("reservoir", days)], &[]).1;
            assert_eq!(text, format!("Steady. 25.1 °C and 35.0 psu; reservoir {word}."));
        }
        assert_eq!(
            said(&lagoon(), None, &[lasts("salt", 14.0), lasts("odd", f64::NAN)], &[]).1,
            "Steady. 25.1 °C and 35.0 psu."
        );
        let all = [due("a", -3), due("b", 0), due("c-d", 0), due("e", 1)];
        let text = said(&lagoon(), None, &[], &all).1;
        assert_eq!(text, "Steady. 25.1 °C and 35.0 psu; a, b and 1 more due; e due tomorrow.");
        let bare = TankStatus { signals: Vec::new(), ..lagoon() };
        assert_eq!(said(&bare, None, &[lasts("salt", 3.0)], &[]), steady("Steady. Salt lasts 3 days."));
        assert_eq!(said(&bare, Some(9), &[], &[]), steady("Steady."));
    }

    #[test]
    fn the_worst_comes_first_and_nothing_is_steady_that_nobody_sees() {
        let mut tank = lagoon();
        tank.alarms = vec![alarm("salinity-high", Priority::Medium)];
        let text = "Needs you today: salinity high. 25.1 °C and 35.0 psu.".to_owned();
        assert_eq!(said(&tank, Some(9), &[], &[]), (Mood::Today, text));
        tank.alarms.extend([
            alarm("leak", Priority::Urgent),
            alarm("no-flow", Priority::High),
            alarm("x", Priority::High),
        ]);
        let (mood, text) = said(&tank, Some(9), &[], &[]);
        assert_eq!(mood, Mood::Now);
        assert_eq!(
            text,
            "Needs you now: leak, no flow and 1 more. Needs you today: salinity high. 25.1 °C and 35.0 psu."
        );
        tank.signals[0].quality = Quality::Bad(Fault::Stale);
        let (mood, text) = said(&tank, Some(9), &[], &[]);
        assert!(mood == Mood::Blind && text.starts_with("Not seen: water temp. Needs you now: leak"), "{text}");
        assert!(text.ends_with(" 35.0 psu."), "{text}");
        let gone = TankStatus { broker: false, ..lagoon() };
        let (mood, text) = said(&gone, Some(9), &[], &[]);
        assert!(mood == Mood::Blind && text.starts_with("Not seen: the broker is not connected"), "{text}");
        assert!(!text.contains("Steady") && !text.contains("in band"), "{text}");
        // What another alarm explains is not counted again, and what is silenced not at all.
        let mut quiet = lagoon();
        quiet.alarms = vec![
            AlarmStatus { part_of: Some(Name::new("leak")), ..alarm("no-flow", Priority::High) },
            AlarmStatus { active: false, ..alarm("room-lost", Priority::High) },
        ];
        assert_eq!(said(&quiet, None, &[], &[]).0, Mood::Steady);
    }

    #[test]
    fn a_trip_is_told_once_and_a_command_without_proof_too() {
        let mut tank = lagoon();
        let trip = |name: &str, state| InterlockStatus {
            interlock: Name::new(name),
            state,
            cause: None,
            since: None,
            effects: Vec::new(),
            trips: 1,
            last_trip: None,
            bypass: None,
        };
        tank.interlocks =
            vec![trip("heater-cutoff", "latched"), trip("low-water", "armed"), trip("floor-wet", "unknown")];
        assert_eq!(
            said(&tank, None, &[], &[]),
            (Mood::Now, "Needs you now: heater cutoff latched. 25.1 °C and 35.0 psu.".to_owned())
        );
        tank.alarms = vec![alarm("heater-cutoff-tripped", Priority::Urgent)];
        assert!(said(&tank, None, &[], &[]).1.starts_with("Needs you now: heater cutoff tripped. "));
    }

    #[test]
    fn a_hold_says_how_long_and_an_overdue_one_how_much_too_long() {
        let mut tank = lagoon();
        tank.holds = vec![hold(42 * 60_000 + 10, false)];
        let text = "Held for water change, 42 min left, until 00:42. 25.1 °C and 35.0 psu.".to_owned();
        assert_eq!(said(&tank, Some(9), &[], &[]), (Mood::Held, text));
        tank.holds = vec![hold(30_000, false)];
        assert!(said(&tank, None, &[], &[]).1.starts_with("Held for water change, less than a minute left"));
        tank.holds = vec![hold(-3_600_000, true)];
        assert!(said(&tank, None, &[], &[]).1.starts_with("Held for water change, 1 h longer than it may be."));
        tank.alarms = vec![alarm("hold-overdue", Priority::High)];
        let (mood, text) = said(&tank, None, &[], &[]);
        assert!(mood == Mood::Now && text.starts_with("Needs you now: hold overdue. Held for water change"), "{text}");
    }
}

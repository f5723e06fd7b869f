//! The thin home, its seasons and its faults. The small test `tests/drift.rs` plays the same.

use std::path::Path;

use slackwater::config::{Setup, load};
use slackwater::control::plan::{AlarmSource, Priority, Switch};
use slackwater::sim::physics::{Room, Season};
use slackwater::sim::rehearsal::{Detail, Rehearsal, Routine, Staging};
use slackwater::sim::{Daemon, Facts, Model, Surroundings};
use slackwater::time::{Now, Span, Steady, Wall};

/// From this priority on it is high.
pub const HIGH: Priority = Priority::High;
/// Days that a daemon has learned before a fault.
const LEARNED: u64 = 8;
/// A fault that is not seen within this is missed.
const MISSED: Span = Span::from_hours(24);

/// A year of one season.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Year {
    /// As the room makes it; in summer the fan works.
    Room(Season),
    /// 21 °C, and the light is on 2 h longer on Saturdays and Sundays.
    Weekend,
}

impl Year {
    pub const ALL: [Self; 4] =
        [Self::Room(Season::Winter), Self::Room(Season::Mild), Self::Room(Season::Summer), Self::Weekend];

    pub fn word(self) -> &'static str {
        match self {
            Self::Room(Season::Winter) => "winter",
            Self::Room(Season::Mild) => "mild",
            Self::Room(Season::Summer) => "summer",
            Self::Weekend => "weekend",
        }
    }

    fn room(self) -> Room {
        match self {
            Self::Room(season) => Room::in_season(season),
            Self::Weekend => Room::new(21.0),
        }
    }
}

/// A drift notification.
pub struct Told {
    pub name: String,
    pub priority: Priority,
    pub hours: f64,
}

/// A fault to play.
pub struct Story<'a> {
    pub home: &'a str,
    pub room: f64,
    pub fault: &'a str,
    pub hour: u64,
    pub seed: u64,
}

/// Hours from a fault to the first alarm that was not there before.
pub struct Found {
    pub unexplained: Option<f64>,
    pub drift: Option<f64>,
    pub any: Option<f64>,
    /// From the moment at which it shows (a welded relay when it should open, a dead element when it should heat) to
    /// the first alarm.
    pub after_showing: Option<f64>,
}

/// Monday, 5 January 2026, 00:00 UTC.
const START: Now = Now { steady: Steady::from_millis(0), wall: Wall::from_unix_millis(1_767_571_200_000) };

pub fn setup(home: &str) -> Setup {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/drift").join(home);
    load(&path).unwrap_or_else(|problems| panic!("{problems}"))
}

pub fn stage(setup: &Setup, room: Room, seed: u64) -> Rehearsal {
    let tank = &setup.tanks[0];
    let model = Model {
        plan: &tank.plan,
        bindings: &tank.bindings,
        facts: Facts { sump: tank.facts.sump, ..Facts::default() },
    };
    let surroundings =
        Surroundings { room, speaks: Span::from_minutes(1), daemon: Daemon::Played, ..Surroundings::default() };
    let staging = Staging {
        seed,
        start: START,
        lasts: Span::from_hours(366 * 24),
        surroundings,
        root: "slackwater".to_owned(),
        routine: Routine::AtHome,
        detail: Detail::Story,
    };
    Rehearsal::new(&[model], staging)
}

/// Each alarm that was raised, with its hour; drift's own are marked.
pub fn raised(setup: &Setup, rehearsal: &Rehearsal) -> Vec<(Told, bool)> {
    let plan = &setup.tanks[0].plan;
    let of = |name: &str| plan.alarm(name).map(|id| &plan.alarms[id.index()]);
    let spells = rehearsal.record().alarms(0).iter().filter_map(|spell| {
        let alarm = of(&spell.alarm)?;
        let told = Told { name: spell.alarm.clone(), priority: alarm.priority, hours: spell.from.hours() };
        Some((told, matches!(alarm.source, AlarmSource::Drift(_))))
    });
    spells.collect()
}

/// Time passes, hour by hour, and what evaporated is replaced: this home has no top-off of its own.
pub fn pass(rehearsal: &mut Rehearsal, span: Span) {
    let mut left = span;
    while left > Span::ZERO {
        let part = left.min(Span::from_hours(1));
        rehearsal.pass(part);
        left = left.minus(part);
        let missing = rehearsal.world().physics("lagoon").map_or(0.0, |water| water.usual_litres() - water.litres());
        // In a water change it is not evaporation that is missing.
        if (0.0..1.0).contains(&missing) {
            rehearsal.give_water(0, missing, 0.0);
        }
    }
}

/// An ordinary tank-year: what drift told.
pub fn year(season: Year, seed: u64) -> Vec<Told> {
    days(season, seed, 365)
}

/// So many ordinary days.
pub fn days(season: Year, seed: u64, days: u64) -> Vec<Told> {
    let setup = setup("plain");
    let mut rehearsal = stage(&setup, season.room(), seed);
    for day in 0..days {
        let weekend = season == Year::Weekend && day % 7 >= 5;
        for hour in 0..24 {
            if weekend && hour == 20 {
                pass(&mut rehearsal, Span::from_minutes(29));
                rehearsal.ask(0, "force light on for 2 h");
                pass(&mut rehearsal, Span::from_minutes(31));
            } else {
                pass(&mut rehearsal, Span::from_hours(1));
            }
        }
    }
    raised(&setup, &rehearsal).into_iter().filter(|(_, drift)| *drift).map(|(told, _)| told).collect()
}

/// When relay or heat and the command first differ for a minute, to the second; the end of a day where they never do.
fn shows(setup: &Setup, rehearsal: &mut Rehearsal, welded: bool) -> Span {
    let (tank, end) = (&setup.tanks[0].plan, rehearsal.passed().plus(MISSED));
    let heater = tank.output("heater").expect("a heater");
    while rehearsal.passed() < end {
        let status = rehearsal.status(&tank.name).expect("the daemon lives");
        let on = status.outputs[heater.index()].decided == Switch::On;
        if on != welded {
            break;
        }
        pass(rehearsal, Span::from_seconds(1));
    }
    rehearsal.passed()
}

/// A fault after some days of learning.
pub fn fault(story: &Story<'_>) -> Found {
    let setup = setup(story.home);
    let mut rehearsal = stage(&setup, Room::new(story.room), story.seed);
    let learned = Span::from_hours(24 * LEARNED + story.hour);
    pass(&mut rehearsal, learned);
    let sentence = match story.fault {
        "welded" => "heater welds",
        "dead" => "heater stops",
        other => other,
    };
    let fault = rehearsal.catalogue().read(sentence).expect("a sentence of the catalogue");
    rehearsal.inject(fault);
    let shows = shows(&setup, &mut rehearsal, story.fault == "welded");
    let left = learned.plus(MISSED).minus(rehearsal.passed());
    pass(&mut rehearsal, left);
    let found = raised(&setup, &rehearsal);
    let first = |counts: &dyn Fn(&Told, bool) -> bool| {
        let hours = found.iter().filter(|(told, drift)| counts(told, *drift)).map(|(told, _)| told.hours);
        hours.map(|hours| hours - learned.hours()).filter(|delay| *delay > 0.0).min_by(f64::total_cmp)
    };
    Found {
        unexplained: first(&|told, _| told.name.ends_with("-unexplained")),
        drift: first(&|_, drift| drift),
        any: first(&|_, _| true),
        after_showing: first(&|_, _| true).map(|delay| delay + learned.hours() - shows.hours()),
    }
}

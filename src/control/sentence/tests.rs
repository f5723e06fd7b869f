use super::*;
use crate::control::ids::Name;
use crate::control::plan::AtLimit;
use crate::control::prove::ProofsStatus;
use crate::control::quality::{Fault, Quality};
use crate::control::status::{AlarmLoad, BypassStatus, InterlockStatus};
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
        trip_of: None,
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
        changes_water: true,
        told_water: None,
        hot_until: None,
        starting: Vec::new(),
        started: 1,
    }
}

/// A tank of which nothing is to be said.
pub(crate) fn quiet_tank() -> TankStatus {
    TankStatus {
        tank: Name::new("lagoon"),
        title: "Seagrass lagoon".to_owned(),
        timezone: "UTC".to_owned(),
        broker: true,
        mood: Mood::Steady,
        sentence: "all is well".to_owned(),
        signals: vec![],
        probes: vec![],
        outputs: vec![],
        interlocks: vec![],
        rules: vec![],
        top_offs: Vec::new(),
        dosing: Vec::new(),
        lights: Vec::new(),
        drain_back: None,
        long_term: None,
        holds: vec![],
        proofs: ProofsStatus::default(),
        alarms: vec![],
        alarm_load: AlarmLoad::default(),
        caution: None,
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
        ..quiet_tank()
    }
}

fn beside(steady_days: Option<u32>, supplies: &[Lasts], chores: &[Due]) -> Beside {
    let watched = vec!["water-temp".to_owned(), "salinity".to_owned()];
    Beside { watched, steady_days, supplies: supplies.to_vec(), chores: chores.to_vec() }
}

fn said(status: &TankStatus, steady_days: Option<u32>, supplies: &[Lasts], chores: &[Due]) -> (Mood, String) {
    let (now, beside) = (Wall::from_unix_millis(0), beside(steady_days, supplies, chores));
    let Sentence { mood, text } = sentence(&Seen { status, zone: Zone::UTC, now, held_by: None, beside: &beside });
    (mood, text)
}

fn lasts(supply: &str, days: f64) -> Lasts {
    Lasts { supply: supply.to_owned(), days }
}

/// Due in so many days; 0 and less: now.
fn due(chore: &str, days: i64) -> Due {
    let on = Zone::UTC.calendar_day(Wall::from_unix_millis(days * 86_400_000));
    Due { chore: chore.to_owned(), now: days <= 0, on: Some(on) }
}

#[test]
fn a_good_day_is_one_calm_sentence_with_what_comes_next() {
    let steady = |text: &str| (Mood::Steady, text.to_owned());
    assert_eq!(
        said(&lagoon(), Some(9), &[lasts("salt", 60.0), lasts("reservoir", 11.4)], &[due("filter-sock", 1)]),
        steady("Steady. 25.1 °C and 35.0 psu, in band for 9 days; reservoir lasts 11 days; filter sock due tomorrow.")
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
    tank.alarms.extend([alarm("leak", Priority::Urgent), alarm("no-flow", Priority::High), alarm("x", Priority::High)]);
    let (mood, text) = said(&tank, Some(9), &[], &[]);
    assert_eq!(mood, Mood::Now);
    assert_eq!(text, "Needs you now: leak, no flow and 1 more. Needs you today: salinity high. 25.1 °C and 35.0 psu.");
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
        never_bypassed: None,
    };
    tank.interlocks = vec![trip("heater-cutoff", "latched"), trip("low-water", "armed"), trip("floor-wet", "unknown")];
    assert_eq!(
        said(&tank, None, &[], &[]),
        (Mood::Now, "Needs you now: heater cutoff latched. 25.1 °C and 35.0 psu.".to_owned())
    );
    // The alarm of the trip says it, whatever its name; one that only begins like the interlock does not.
    let too_hot = AlarmStatus { trip_of: Some(Name::new("heater-cutoff")), ..alarm("too-hot", Priority::Urgent) };
    tank.alarms = vec![too_hot];
    assert!(said(&tank, None, &[], &[]).1.starts_with("Needs you now: too hot. "));
    tank.alarms = vec![alarm("heater-cutoff-often", Priority::Urgent)];
    let text = said(&tank, None, &[], &[]).1;
    assert!(text.starts_with("Needs you now: heater cutoff often and heater cutoff latched. "), "{text}");
}

#[test]
fn a_bypass_is_said_and_is_not_steady() {
    let mut tank = lagoon();
    let at = Wall::from_unix_millis(0);
    let bypass = BypassStatus { by: String::new(), reason: String::new(), since: at, until: at, cause_stands: false };
    tank.interlocks = vec![InterlockStatus {
        interlock: Name::new("floor-wet"),
        state: "bypassed",
        cause: None,
        since: None,
        effects: Vec::new(),
        bypass: Some(bypass),
        never_bypassed: None,
        trips: 0,
        last_trip: None,
    }];
    let text = "Bypassed: floor wet. 25.1 °C and 35.0 psu.".to_owned();
    assert_eq!(said(&tank, Some(9), &[], &[]), (Mood::Held, text));
}

#[test]
fn the_signal_that_the_temperature_is_held_by_is_watched_without_a_band_too() {
    let (status, beside, now) = (lagoon(), Beside::default(), Wall::from_unix_millis(0));
    let seen = Seen { status: &status, zone: Zone::UTC, now, held_by: Some("water-temp"), beside: &beside };
    assert_eq!(sentence(&seen).text, "Steady. 25.1 °C.");
    assert_eq!(sentence(&Seen { held_by: Some("room-temp"), ..seen }).text, "Not seen: room temp.");
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

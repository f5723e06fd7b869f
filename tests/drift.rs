//! Drift in rehearsals: ordinary days are quiet, and what goes wrong slowly is told before a limit.
//!
//! The thin home and the faults are those of `cargo bench --bench drift`, which plays tank-years; here are days. That
//! the quiet can be broken is shown with a detector that is set too fine.

#[path = "../benches/drift/home.rs"]
#[expect(dead_code, reason = "the benchmark uses more of it")]
mod home;

use home::{HIGH, Story, Told, Year, fault, pass, raised, setup, stage};
use slackwater::config::load;
use slackwater::control::plan::{AlarmSource, Condition, Side};
use slackwater::sim::physics::{Room, Season};
use slackwater::time::Span;
use slackwater::units::Quantity;
use slackwater::water::stats::stress::{Level, level};

/// What was told after a fault that came after so many days: (alarm, whether drift's, hours after the fault).
fn story(room: Room, days: u64, faults: &[&str], hours: u64) -> Vec<(String, bool, f64, String)> {
    let setup = setup("plain");
    let mut rehearsal = stage(&setup, room, 300);
    pass(&mut rehearsal, Span::from_hours(24 * days));
    for sentence in faults {
        let fault = rehearsal.catalogue().read(sentence).unwrap_or_else(|error| panic!("{sentence}: {error}"));
        rehearsal.inject(fault);
    }
    pass(&mut rehearsal, Span::from_hours(hours));
    let texts = rehearsal.record().entries();
    let text = |name: &str| {
        let mut lines = texts.iter().filter(|line| line.kind == "alarm" && line.subject == name);
        lines.find(|line| line.text.starts_with("raised")).map_or_else(String::new, |line| line.text.clone())
    };
    raised(&setup, &rehearsal)
        .into_iter()
        .map(|(told, drift)| (told.name.clone(), drift, told.hours - 24.0 * days as f64, text(&told.name)))
        .collect()
}

/// The first drift alarm after the fault, which must come before the alarm of a limit.
fn told_before(found: &[(String, bool, f64, String)], limit: &str) -> (f64, String) {
    let after = |drift: bool, name: Option<&str>| {
        let mut of = found
            .iter()
            .filter(|(alarm, is, hours, _)| *hours > 0.0 && *is == drift && name.is_none_or(|name| alarm == name));
        of.next().cloned()
    };
    let (name, _, hours, text) = after(true, None).unwrap_or_else(|| panic!("no drift was told: {found:?}"));
    if let Some((_, _, late, _)) = after(false, Some(limit)) {
        assert!(hours < late, "{name} after {hours} h, {limit} after {late} h");
    }
    (hours, text)
}

#[test]
fn ordinary_days_of_every_season_are_quiet() {
    let (mut high, mut lower, days) = (0, 0, 30);
    for year in Year::ALL {
        let told: Vec<Told> = home::days(year, 501, days);
        let loud = told.iter().filter(|one| one.priority >= HIGH).count();
        high += loud;
        lower += told.len() - loud;
    }
    // 120 days are a third of a tank-year, of which the limits are 1 and 12.
    assert!(high == 0 && lower <= 4, "{high} high, {lower} lower in {} days", 4 * days);
}

#[test]
fn a_detector_that_is_set_too_fine_is_not_quiet() {
    let mut setup = setup("plain");
    let unexplained = setup.tanks[0].plan.drift.unexplained.as_mut().expect("it is watched");
    (unexplained.forgives, unexplained.over) = (0.02, 0.05);
    let mut rehearsal = stage(&setup, Room::in_season(Season::Winter), 501);
    pass(&mut rehearsal, Span::from_hours(24 * 6));
    let told = raised(&setup, &rehearsal).into_iter().filter(|(told, drift)| *drift && told.priority >= HIGH).count();
    assert!(told > 2, "{told}");
}

#[test]
fn a_heater_that_does_not_stop_or_does_not_heat_is_seen_in_the_water_alone() {
    for (kind, most) in [("welded", 2.5), ("dead", 2.0)] {
        for seed in [310, 311] {
            let found = fault(&Story { home: "plain", room: 20.0, fault: kind, hour: 13, seed });
            let delay = found.drift.unwrap_or(f64::INFINITY);
            assert!(delay <= most, "{kind}, seed {seed}: {delay} h");
        }
    }
}

#[test]
fn with_a_power_meter_it_is_seen_within_a_minute_of_showing() {
    for kind in ["welded", "dead"] {
        let found = fault(&Story { home: "metered", room: 20.0, fault: kind, hour: 13, seed: 312 });
        // Counted from the moment at which relay and command differ: a welded relay shows when it should open, a dead
        // element when it should heat.
        let shows = found.after_showing.unwrap_or(f64::INFINITY) * 3600.0;
        assert!(shows <= 60.0, "{kind}: {shows} s");
    }
}

#[test]
fn a_window_that_was_left_open_in_winter_is_told_before_the_water_is_cold() {
    let found = story(Room::in_season(Season::Winter), 6, &["room cools to 8 °C"], 12);
    let (hours, text) = told_before(&found, "water-temp-low");
    assert!(hours < 4.0, "{hours}: {found:?}");
    assert!(text.contains("heater has been on for") && text.contains("look at windows"), "{text}");
}

#[test]
fn a_dead_fan_in_summer_is_told() {
    // What a fan takes is little more than what is forgiven, so it is the course to the limit or the warm spell that tells.
    let found = story(Room::new(27.0), 8, &["fan stops at 199 h"], 40);
    told_before(&found, "water-temp-very-high");
}

#[test]
fn a_heat_wave_is_told_before_the_water_is_hot() {
    let found = story(Room::in_season(Season::Mild), 6, &["room warms to 33 °C"], 24);
    let (_, text) = told_before(&found, "water-temp-high");
    assert!(text.contains("at this rate") && text.contains("heater has been off for"), "{text}");
}

#[test]
fn a_probe_that_leaves_the_other_is_told_before_they_disagree() {
    let found = story(Room::in_season(Season::Winter), 3, &["sump-temp reads 0.4 °C high"], 40);
    let (name, _, hours, text) =
        found.iter().find(|(_, drift, hours, _)| *drift && *hours > 0.0).expect("told").clone();
    assert_eq!(name, "water-temp-probes-drift");
    assert!((5.0..30.0).contains(&hours), "{hours}");
    assert!(text.contains("of two nobody can say which one moved"), "{text}");
    assert!(found.iter().all(|(alarm, ..)| alarm != "water-temp-disagree"));
}

#[test]
fn a_water_change_with_cold_water_is_no_drift() {
    // The keeper changes a tenth of the water on the seventh day at 10:00, and the new water has the room's 18 °C.
    let found = story(Room::new(18.0), 6, &[], 30);
    let told: Vec<_> = found.iter().filter(|(_, drift, ..)| *drift).collect();
    assert!(told.is_empty(), "{told:?}");
}

#[test]
fn a_restart_in_the_middle_forgets_nothing_that_was_learned() {
    let faults = ["heater stops", "daemon is killed at 144 h 20 min for 2 min"];
    let (hours, _) = told_before(&story(Room::in_season(Season::Winter), 6, &faults, 12), "water-temp-low");
    assert!(hours < 3.0, "{hours}");
}

#[test]
fn the_levels_of_heat_stress_are_those_of_the_published_table() {
    // tests/data/crw.json: the thresholds of coral reef watchers (Skirving et al. 2020, Remote Sensing 12:3856).
    let text = include_str!("data/crw.json");
    let table: serde_json::Value = serde_json::from_str(text).expect("JSON");
    let names: Vec<&str> = table["levels"].as_array().unwrap().iter().map(|row| row[0].as_str().unwrap()).collect();
    let ours = |hot: f64, weeks: f64| match level(hot, weeks) {
        Level::NoStress => "No Stress".to_owned(),
        Level::Watch => "Watch".to_owned(),
        Level::Warning => "Warning".to_owned(),
        Level::Alert(n) => format!("Alert {n}"),
    };
    // A point just inside the lower edge of each row.
    let inside = [(0.0, 9.0), (0.5, 9.0), (1.0, 0.1), (1.0, 4.0), (1.0, 8.0), (1.0, 12.0), (1.0, 16.0), (1.0, 20.0)];
    assert_eq!(inside.map(|(hot, weeks)| ours(hot, weeks)).to_vec(), names);
}

#[test]
fn the_example_calls_before_the_water_leaves_what_reefs_live_in() {
    // tests/data/reef_limits.json: temperature and salinity of reefs (Guan, Hohn and Merico 2015, PLoS ONE 10:e0128831).
    let text = include_str!("data/reef_limits.json");
    let table: serde_json::Value = serde_json::from_str(text).expect("JSON");
    let row = &table["read"]["Guan_Hohn_Merico_2015_PLoSONE_10_e0128831"];
    let range = |key: &str| (row[key][0].as_f64().unwrap(), row[key][1].as_f64().unwrap());
    let setup = load(std::path::Path::new("config")).unwrap_or_else(|problems| panic!("{problems}"));
    let plan = &setup.tanks[0].plan;
    let mut seen = 0;
    for alarm in &plan.alarms {
        let AlarmSource::Condition(cause) = alarm.source else { continue };
        plan.leaves(cause, &mut |leaf| {
            let Condition::Compare { signal, side, limit, .. } = leaf else { return };
            let signal = &plan.signals[signal.index()];
            let (least, most) = match signal.quantity {
                Quantity::Temperature => range("T_C"),
                Quantity::Salinity => range("S"),
                _ => return,
            };
            seen += 1;
            assert!(if *side == Side::Above { *limit < most } else { *limit > least }, "{}", alarm.name);
        });
    }
    assert!(seen >= 4, "{seen}");
}

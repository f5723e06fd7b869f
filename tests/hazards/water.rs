//! Rehearsals in which the water answers: welds, leaks, siphons, drain-back, cuts of power, broker and daemon.

use super::stage::{Story, span};

/// F23. The cut-off cannot open a welded relay: it calls, cools, and does not pretend.
#[test]
fn f23_a_welded_heater_is_called_out_before_it_does_harm() {
    let mut story = Story::new(24.0, &["heater welds at 1 h"]);
    story.until("16 h");
    story.sound();
    let told = story.alarm("heater-cutoff-trip", "1 h").expect("the cut-off trips");
    let water = &story.run.report().faults[0].water[0];
    assert!(told < span("6 h") && water.celsius.1 > 26.0, "{told}, {water:?}");
    assert_eq!(story.interlock("heater-cutoff"), "latched");
    assert!(!story.told_on("heater", told, "16 h"), "{}", story.all());
    assert!(story.works("fan"), "the fan cools");
    // From 26 °C, 100 W need two hours to 28 °C with nothing lost: that is the time to pull the plug.
    let points = story.run.record().points(0).iter();
    let hot =
        points.filter(|point| point.celsius.1 >= 28.0).map(|point| point.at).next().expect("nobody pulls it here");
    assert!(hot.minus(told) >= span("2 h"), "{hot} and {told}");
}

/// F19, F39. The hose lies beside the sump: water on the floor, none in the sump.
#[test]
fn f39_a_hose_on_the_floor_is_stopped_by_the_leak_probe_before_a_cup_has_run_out() {
    let mut story = Story::new(21.0, &["top-off hose comes off at 10 min"]);
    story.until("12 h");
    story.sound();
    let told = story.alarm("floor-wet-trip", "10 min").expect("the floor is wet");
    assert!(!story.told_on("top-off", told, "12 h"), "{}", story.all());
    assert_eq!(story.interlock("floor-wet"), "latched");
    assert!(story.truth().floor_litres < 0.25, "{} L on the floor", story.truth().floor_litres);
    assert!(story.works("return-pump"), "stopping it drains more down");
}

/// F35. A stopped return pump gives 5 L back to the sump, and takes them up again.
#[test]
fn f35_drain_back_and_restart_move_the_level_and_start_no_top_off() {
    let mut story = Story::new(21.0, &["keeper feeds at 30 min"]);
    story.until("40 min");
    assert!(story.truth().level > 50.0, "the display drains back: {} mm", story.truth().level);
    story.until("2 h");
    assert!(story.works("return-pump") && story.truth().level < 10.0);
    assert!(!story.told_on("top-off", "30 min", "55 min"), "ten minutes of flow come first\n{}", story.all());
    for alarm in ["top-off-high-trip", "low-water-trip", "return-pump-dry-trip"] {
        assert_eq!(story.alarms(alarm), 0, "{alarm}\n{}", story.all());
    }
    story.sound();
}

/// F13. The level reads low for ever: two runs without an answer are enough.
#[test]
fn f13_a_level_that_does_not_answer_gets_two_runs_and_a_latch() {
    let mut story = Story::new(21.0, &["sump-level reads -8 mm at 30 min"]);
    story.until("6 h");
    assert_eq!(story.interlock("top-off-no-response"), "latched", "{}", story.all());
    let runs = story.told("top-off", "30 min", "6 h").into_iter().filter(|(_, on)| *on).count();
    assert_eq!(runs, 2, "{}", story.all());
    // Two runs of at most 36 s at 0.5 L/min, less what evaporated.
    assert!(story.truth().level < 20.0, "{} mm", story.truth().level);
    story.sound();
}

/// F37. Nothing comes out of the hose.
#[test]
fn f37_an_empty_reservoir_is_told_after_two_runs_and_none_follows() {
    let mut story = Story::new(21.0, &["reservoir runs empty at 30 min"]);
    story.until("12 h");
    let told = story.alarm("top-off-no-response-trip", "30 min").expect("somebody is told");
    assert!(!story.told_on("top-off", told, "12 h"), "{}", story.all());
    assert!(story.truth().floor_litres < 1e-9);
    story.sound();
}

/// F36. Nothing electrical stops a siphon: what is left is to tell early, and that the reservoir is small.
#[test]
fn f36_a_siphon_is_told_and_the_reservoir_bounds_what_it_does() {
    let mut story = Story::new(21.0, &["top-off siphons at 1 h"]);
    story.until("3 h");
    story.sound();
    let fresh = story.alarm("too-fresh-trip", "1 h").expect("the salinity tells first");
    let high = story.alarm("top-off-high-trip", "1 h").expect("the float tells");
    let rises = story.alarm("top-off-siphon-trip", "1 h").expect("the level rises by itself, long after any run");
    assert!(rises < span("1 h 6 min"), "{rises}");
    assert_eq!(story.interlock("top-off-siphon"), "latched");
    assert!(fresh < span("1 h 15 min") && high < span("1 h 30 min"), "{fresh} and {high}");
    assert!(!story.told_on("top-off", "1 h", "3 h"));
    let truth = story.truth();
    assert!(truth.floor_litres < 0.01, "{} L on the floor", truth.floor_litres);
    // 9 L of fresh water into 87 L net: 35.0 to 31.7.
    assert!(truth.salinity > 31.5, "{}", truth.salinity);
}

/// F46. The weir is blocked: the pump lifts the sump into the display.
#[test]
fn f46_a_clogged_weir_stops_the_return_pump_before_the_display_runs_over() {
    let mut story = Story::new(21.0, &["drain clogs at 1 h"]);
    let off = story.first("1 h 5 min", |story| story.run.passed() > span("1 h") && !story.works("return-pump"));
    assert!(off.is_some_and(|off| off < span("1 h 2 min")), "{off:?}");
    story.until("2 h");
    assert!(story.alarm("sump-falls-trip", "1 h").is_some());
    assert!(!story.told_on("return-pump", "1 h 2 min", "2 h"), "it is latched\n{}", story.all());
    assert!(story.truth().floor_litres < 0.01, "{} L on the floor", story.truth().floor_litres);
    assert!(story.works("powerhead"), "the animals breathe");
    assert!(!story.told_on("heater", "1 h 1 min", "2 h"), "{}", story.all());
    story.sound();
}

/// F34, F46. The display drains back and the pump starts again, but not for ever.
#[test]
fn f34_a_tank_that_leaks_dry_latches_the_return_pump_off() {
    let mut story = Story::new(21.0, &["reservoir runs empty at 1 min", "lagoon leaks 4 L/h at 1 h"]);
    story.until("4 h");
    let starts = story.told("return-pump", "1 h", "4 h").into_iter().filter(|(_, on)| *on).count();
    assert!(starts <= 3, "{starts} starts\n{}", story.all());
    assert_eq!(story.interlock("return-pump-dry"), "latched", "{}", story.all());
    assert!(!story.works("return-pump") && story.works("powerhead"));
    story.sound();
}

/// F45. More goes than evaporates: the level tells within minutes, before the refills and long before low water.
#[test]
fn f45_a_leak_is_told_by_the_level_within_minutes_and_a_sound_day_by_nothing() {
    let mut story = Story::new(21.0, &["lagoon leaks 2 L/h at 30 h"]);
    story.until("30 h");
    for alarm in ["leak", "burst", "too-often", "overdue", "restless"] {
        assert_eq!(story.alarms(&format!("top-off-{alarm}")), 0, "{alarm}\n{}", story.all());
    }
    let status = story.run.status("lagoon").expect("the daemon lives");
    let litres = status.top_offs[0].evaporation_ml_per_day.expect("it has refilled") / 1000.0;
    assert!((1.2..2.2).contains(&litres), "{litres} L a day");
    story.until("31 h");
    let told = story.alarm("top-off-leak", "30 h").expect("somebody is told");
    assert!(told < span("30 h 15 min"), "{told}");
    story.sound();
}

/// F73. Each stop is measured; nothing grew here, and nothing is told.
#[test]
fn f73_what_runs_back_is_learned_at_each_stop() {
    let mut story = Story::new(21.0, &["keeper feeds at 30 min", "keeper feeds at 80 min"]);
    story.until("2 h");
    let status = story.run.status("lagoon").expect("the daemon lives");
    let back = status.drain_back.expect("it was measured");
    assert_eq!(back.stops, 2, "{back:?}");
    assert!((60.0..99.0).contains(&back.newest_mm) && (back.newest_mm - back.usual_mm).abs() < 3.0, "{back:?}");
    assert_eq!(story.alarms("return-pump-drain-back"), 0, "{}", story.all());
    assert!(story.lines("hold").any(|line| line.text.contains("drain-back")), "{}", story.all());
    story.sound();
}

#[test]
fn f51_after_a_power_cut_the_pumps_come_first_heat_after_flow_and_the_top_off_last() {
    let faults = ["power cut at 1 h for 20 min", "display-temp reads 24.6 °C", "sump-temp reads 24.6 °C"];
    let mut story = Story::new(20.0, &faults);
    story.until("1 h 10 min");
    assert!(!story.works("return-pump") && !story.works("heater"));
    let after = |story: &mut Story, output: &str| {
        story.first("2 h", |story| story.run.passed() > span("1 h 20 min") && story.works(output))
    };
    let pump = after(&mut story, "return-pump").expect("it runs");
    let heater = after(&mut story, "heater").expect("it heats");
    let skimmer = after(&mut story, "skimmer").expect("it skims");
    assert!(pump <= span("1 h 20 min 30 s"), "{pump}");
    assert!(heater.minus(pump) >= span("2 min"), "flow is proven first: {heater} after {pump}");
    assert!(skimmer.minus(pump) >= span("10 min"), "{skimmer} after {pump}");
    assert!(!story.told_on("top-off", "1 h", "1 h 30 min"), "{}", story.all());
    assert!(story.works("powerhead"));
    story.sound();
}

#[test]
fn f52_without_a_broker_the_heater_ends_by_its_lease_and_afterwards_only_the_newest_is_told() {
    let faults = [
        "display-temp reads 24.6 °C for 20 min",
        "sump-temp reads 24.6 °C for 20 min",
        "display-temp reads 25.4 °C at 20 min",
        "sump-temp reads 25.4 °C at 20 min",
        "broker vanishes at 10 min for 20 min",
    ];
    let mut story = Story::new(17.0, &faults);
    story.until("10 min");
    assert!(story.works("heater"));
    let off = story.first("20 min", |story| !story.works("heater")).expect("the lease runs out");
    assert!(off <= span("13 min 1 s"), "{off}");
    story.until("30 min");
    assert!(story.works("return-pump") && story.works("powerhead"), "no timer stops a pump");
    assert!(story.told("heater", "10 min 1 s", "29 min 59 s").is_empty(), "nothing is told into the void");
    story.until("40 min");
    let after = story.told("heater", "30 min", "40 min");
    assert!(!after.is_empty() && after.iter().all(|(_, on)| !on), "only the newest decision: {after:?}");
    assert!(story.works("return-pump") && story.works("powerhead"));
    story.sound();
}

#[test]
fn f54_a_dead_daemon_leaves_no_heat_no_top_off_and_running_pumps() {
    let faults = [
        "display-temp reads 24.6 °C",
        "sump-temp reads 24.6 °C",
        "sump-level reads -3.8 mm at 8 min",
        "sump-level reads -6 mm at 14 min",
        "daemon is killed at 15 min 20 s for 30 min",
    ];
    let mut story = Story::new(17.0, &faults);
    let runs = story.first("16 min", |story| story.works("top-off"));
    assert!(runs.is_some_and(|at| at < span("15 min 20 s")), "the top-off runs: {runs:?}\n{}", story.all());
    assert!(story.works("heater"));
    story.until("15 min 20 s");
    assert!(story.works("top-off") && story.works("heater"), "the kill comes in the middle of both");
    let dry = story.first("30 min", |story| !story.works("top-off")).expect("its lease runs out");
    assert!(dry <= span("15 min 51 s"), "a lease of 30 s: {dry}");
    let cold = story.first("30 min", |story| !story.works("heater")).expect("its lease runs out");
    assert!(cold <= span("18 min 21 s"), "a lease of 180 s: {cold}");
    story.until("45 min");
    assert!(story.works("return-pump") && story.works("powerhead") && !story.works("heater"));
    story.until("50 min");
    assert!(story.works("heater"), "and a daemon that lives again heats");
    story.sound();
}

//! Rehearsals of the example config: the daemon's core and codecs against the simulated lagoon, in virtual time.
//!
//! Each story asks three things: what the daemon did, what the water saw, and that the monitor found nothing. That
//! the monitor can find something is shown in `sim::rehearsal::tests`.

#[path = "common/staged.rs"]
mod staged;

use slackwater::config::Setup;
use slackwater::sim::rehearsal::{Detail, Entry, Rehearsal, Report, Rule, Source};
use slackwater::time::Span;

use staged::{example, staged};

fn stage(setup: &Setup, seed: u64, room: f64, faults: &[&str]) -> Rehearsal {
    staged(setup, seed, room, faults, Detail::Story)
}

fn rehearse(hours: u64, room: f64, faults: &[&str]) -> Rehearsal {
    let mut run = stage(&example(), 1, room, faults);
    run.pass(Span::from_hours(hours));
    run
}

fn lines(run: &Rehearsal) -> String {
    let shown = |entry: &Entry| format!("{} {} {} {}\n", entry.at, entry.kind, entry.subject, entry.text);
    run.record().entries().iter().map(shown).collect()
}

fn said<'a>(run: &'a Rehearsal, kind: &str, words: &[&str]) -> Option<&'a Entry> {
    run.record().entries().iter().filter(|entry| entry.source == Source::Daemon && !entry.starting).find(|entry| {
        entry.kind == kind && words.iter().all(|word| entry.text.contains(word) || entry.subject.contains(word))
    })
}

fn no_violation(run: &Rehearsal) -> Report {
    assert!(run.violations().is_empty(), "{:#?}\n{}", run.violations(), lines(run));
    run.report()
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_seed_other_ones() {
    let setup = example();
    let bytes = |seed| {
        let mut run = stage(&setup, seed, 20.0, &["daemon is killed at 40 min for 10 s", "power cut at 1 h for 1 min"]);
        run.pass(Span::from_hours(2));
        serde_json::to_string(&(run.report(), run.record().entries())).unwrap()
    };
    let first = bytes(7);
    assert_eq!(first, bytes(7));
    assert_ne!(first, bytes(8));
}

#[test]
fn how_a_span_is_cut_into_passes_changes_nothing() {
    let setup = example();
    let mut whole = stage(&setup, 1, 20.0, &[]);
    whole.pass(Span::from_minutes(90));
    let mut cut = stage(&setup, 1, 20.0, &[]);
    (0..90).for_each(|_| cut.pass(Span::from_minutes(1)));
    assert_eq!(whole.report(), cut.report());
}

/// F23 of the project's failure modes: the relay conducts whatever it is told.
#[test]
fn a_welded_heater_is_stopped_from_cooking_as_far_as_a_daemon_can() {
    let run = rehearse(10, 20.0, &["heater welds at 1 h"]);
    let report = no_violation(&run);
    let story = &report.faults[0];
    let noticed = story.noticed.as_ref().expect("a weld is noticed");
    assert!(noticed.text.contains("heater-cutoff") || noticed.subject.contains("heater"), "{noticed:?}");
    assert!(story.alarm.is_some(), "{}", lines(&run));
    let water = &story.water[0];
    assert_eq!(water.tank, "lagoon");
    // 100 W into 87 L net is 0.96 °C/h without losses; by hand, so nothing can be much warmer than that.
    assert!(water.celsius.1 > 26.0 && water.celsius.1 < 25.2 + 0.96 * 9.0, "{water:?}");
    assert!(run.world().truth("lagoon").unwrap().works[0], "it still heats: a daemon cannot open a welded relay");
    let fan = report.tanks[0].works.iter().find(|(name, _)| name == "fan").unwrap();
    assert!(fan.1 > 0.1, "the fan cools: {fan:?}");
}

/// F10, and a hold: hands in the water, a probe in the air, no heat.
#[test]
fn a_lifted_probe_turns_the_heater_off_and_not_on() {
    let run = rehearse(3, 18.0, &["display-temp is lifted out at 1 h for 30 min"]);
    let report = no_violation(&run);
    assert!(report.tanks[0].water.celsius.1 < 25.6, "{:?}", report.tanks[0].water);
    assert!(report.faults[0].noticed.is_some(), "{}", lines(&run));
}

#[test]
fn a_water_change_survives_a_kill_with_its_hold() {
    let run = rehearse(3, 21.0, &["keeper changes 9 L at 1 h", "daemon is killed at 1 h 7 min for 30 s"]);
    no_violation(&run);
    assert!(said(&run, "hold", &["water-change", "released by the keeper"]).is_some(), "{}", lines(&run));
    let hold = run.status("lagoon").unwrap().holds.into_iter().find(|hold| &*hold.hold == "water-change").unwrap();
    assert!(!hold.active && hold.started == 1, "{hold:?}");
    let truth = run.world().truth("lagoon").unwrap();
    assert!(truth.works[2] && (truth.level + 1.0).abs() < 8.0, "the return pump runs and the level is back: {truth:?}");
}

/// All water and all salt is somewhere, the keeper's bucket included.
#[test]
fn water_and_salt_balance_through_a_water_change() {
    let mut run = stage(&example(), 3, 21.0, &["keeper changes 9 L at 1 h", "keeper changes 5 L at 6 h"]);
    let (litres, salt) = {
        let water = run.world().physics("lagoon").unwrap();
        (water.litres(), water.salt())
    };
    run.pass(Span::from_hours(12));
    let water = run.world().physics("lagoon").unwrap();
    let book = water.ledger();
    let expected = litres + book.topped_off + book.dosed + book.given
        - book.evaporated
        - book.skimmed
        - book.spilled
        - book.removed;
    assert!((book.given - 14.0).abs() < 1e-9 && (book.removed - 14.0).abs() < 1e-9, "{book:?}");
    assert!((water.litres() - expected).abs() < 1e-3, "{} against {expected} L", water.litres());
    let salt_expected = salt - book.salt_lost - book.salt_removed + book.salt_given;
    assert!((water.salt() / salt_expected - 1.0).abs() < 1e-4, "{} against {salt_expected} g", water.salt());
}

#[test]
fn feeding_ends_by_itself_and_everything_runs_again() {
    let run = rehearse(2, 21.0, &["keeper feeds at 30 min"]);
    no_violation(&run);
    assert!(said(&run, "hold", &["feeding", "ended by itself after 15 min"]).is_some(), "{}", lines(&run));
    let truth = run.world().truth("lagoon").unwrap();
    assert!(truth.works[2] && truth.works[3], "{truth:?}");
}

#[test]
fn a_latched_trip_survives_a_kill_and_goes_by_a_reset() {
    let faults =
        ["high-float sticks wet at 30 min for 10 min", "daemon is killed at 1 h for 20 s", "keeper resets at 2 h"];
    let mut run = stage(&example(), 1, 21.0, &faults);
    let state = |run: &Rehearsal| {
        let status = run.status("lagoon").unwrap();
        status.interlocks.iter().find(|one| &*one.interlock == "top-off-high").unwrap().state
    };
    run.pass(Span::from_minutes(90));
    assert_eq!(state(&run), "latched", "{}", lines(&run));
    run.pass(Span::from_minutes(60));
    assert_eq!(state(&run), "armed", "{}", lines(&run));
    no_violation(&run);
}

#[test]
fn a_clock_that_jumps_is_told_and_changes_no_duration() {
    let run = rehearse(
        3,
        21.0,
        &["clock jumps ahead 3 h at 1 h", "keeper feeds at 1 h 5 min", "clock jumps back 5 h at 2 h"],
    );
    no_violation(&run);
    assert!(said(&run, "system", &["clock", "jumped by 10800 s"]).is_some(), "{}", lines(&run));
    assert!(said(&run, "system", &["clock", "jumped by -18000 s"]).is_some());
    assert!(said(&run, "hold", &["feeding", "ended by itself after 15 min"]).is_some(), "{}", lines(&run));
}

#[test]
fn a_power_cut_and_a_lost_broker_leave_the_pumps_running_afterwards() {
    let run = rehearse(4, 20.0, &["power cut at 1 h for 20 min", "broker vanishes at 2 h for 30 min"]);
    let report = no_violation(&run);
    let truth = run.world().truth("lagoon").unwrap();
    assert!(truth.works[2] && truth.works[3], "{truth:?}\n{}", lines(&run));
    assert!(report.tanks[0].longest_still >= Span::from_minutes(19), "{:?}", report.tanks[0]);
    assert!((truth.display_celsius - 25.0).abs() < 0.6, "{truth:?}");
    assert!(report.tanks[0].water.floor_litres < 1e-9);
}

#[test]
fn what_the_water_should_not_see_is_a_violation_with_its_time() {
    let run = rehearse(2, 21.0, &["lagoon leaks 2 L/h at 30 min"]);
    let floor = run.violations().iter().find(|one| one.subject == "floor").expect("water on the floor");
    assert_eq!((floor.rule, &*floor.tank, floor.at), (Rule::Water, "lagoon", Span::from_minutes(31)));
    assert!(run.violations().iter().all(|one| one.rule == Rule::Water), "{:?}", run.violations());
}

#[test]
fn a_broker_that_says_everything_twice_changes_nothing_and_a_slow_one_harms_nothing() {
    let run = rehearse(12, 21.0, &["broker doubles messages at 30 min", "keeper feeds at 2 h"]);
    let report = no_violation(&run);
    assert!(report.tanks.iter().all(|tank| tank.alarms.is_empty()), "{:?}", report.tanks);
    let run = rehearse(12, 21.0, &["broker delays messages by 8 s at 30 min for 10 h"]);
    let report = no_violation(&run);
    assert!(report.tanks[0].water.celsius.0 > 24.3, "{:?}", report.tanks[0].water);
}

/// A pump's plug that restarts stands for five seconds, and the display drains into the sump meanwhile.
#[test]
fn a_return_pump_that_restarts_after_a_top_off_is_no_siphon() {
    let mut calm = stage(&example(), 4, 21.0, &[]);
    calm.pass(Span::from_hours(4));
    let ended = said(&calm, "top-off", &["a run of", "raised the level"]).expect("it was topped off").at;
    // The verdict comes a minute after the run.
    for offset in [-50_i64, -30, -10, 5, 40, 90, 160, 220] {
        let at = ended.millis().saturating_add_signed(offset * 1000);
        let mut run = stage(&example(), 4, 21.0, &[&format!("return-pump plug reboots at {at} ms")]);
        run.pass(Span::from_millis(at).plus(Span::from_minutes(10)));
        let siphon = run.status("lagoon").unwrap().interlocks.into_iter().find(|one| one.interlock.contains("siphon"));
        assert_eq!(siphon.unwrap().state, "armed", "{offset} s after the verdict\n{}", lines(&run));
    }
}

//! One interlock set aside for a time: what it forces waits, its cause is looked at, and it acts again by itself. [F74]

use super::lagoon::*;
use crate::control::effect::{NoticeKind, Outcome};
use crate::control::plan::Switch;
use crate::control::{Effect, Remembered, Request};

fn bypass(world: &mut World, interlock: &str, reason: &str, lasting: u64) -> Outcome {
    let lasting = Some(minutes(lasting));
    let id = world.ask(Request::Bypass { interlock: interlock.to_owned(), reason: reason.to_owned(), lasting });
    world.answers[&id].outcome
}

fn state(world: &World, name: &str) -> &'static str {
    let status = world.tank.status(world.now);
    status.interlocks.iter().find(|one| *one.interlock == *name).unwrap().state
}

const WHY: &str = "the leak probe is broken";

#[test]
fn a_float_and_a_cut_off_are_never_bypassed_and_nothing_without_a_reason_or_without_end() {
    let mut world = World::settled();
    for (name, reason, lasting, expected) in [
        ("top-off-high", WHY, 60, Outcome::Refused),
        ("heater-cutoff", WHY, 60, Outcome::Refused),
        ("floor-wet", "", 60, Outcome::Refused),
        ("floor-wet", " .. ", 60, Outcome::Refused),
        ("floor-wet", WHY, 24 * 60 + 1, Outcome::Refused),
        ("floor-wet", WHY, 0, Outcome::Refused),
        ("floor-dry", WHY, 60, Outcome::Unknown),
        ("floor-wet", WHY, 24 * 60, Outcome::Done),
    ] {
        assert_eq!(bypass(&mut world, name, reason, lasting), expected, "{name} {reason} {lasting}");
    }
    let float = world.ask(Request::Bypass { interlock: "top-off-high".into(), reason: WHY.into(), lasting: None });
    assert!(world.answers[&float].details[0].contains("float"), "{:?}", world.answers[&float]);
}

#[test]
fn a_bypassed_leak_probe_stops_nothing_until_the_time_is_over_and_then_trips_at_once_f74() {
    let mut world = World::settled();
    // The top-off waits for ten minutes of flow.
    world.advance(minutes(10));
    let begun_at = world.now.steady;
    assert_eq!(bypass(&mut world, "floor-wet", WHY, 60), Outcome::Done);
    world.reads[LEAK] = Some(1.0);
    world.advance(minutes(20));
    assert_eq!(state(&world, "floor-wet"), "bypassed");
    assert!(world.raised("bypassed"));
    let status = world.tank.status(world.now);
    let shown = status.interlocks[3].bypass.clone().unwrap();
    assert!(shown.cause_stands && shown.reason == WHY && shown.by == "the keeper", "{shown:?}");
    assert!(status.sentence.contains("Bypassed: floor wet"), "{}", status.sentence);
    // It evaporates: the top-off may run all the while, and does.
    world.reads[LEVEL] = Some(-5.0);
    world.advance_until_on(TOP_OFF);
    world.reads[LEVEL] = Some(0.0);
    let left = minutes(60).minus(world.now.steady.since(begun_at));
    world.advance(left.minus(seconds(1)));
    assert_eq!(state(&world, "floor-wet"), "bypassed");
    world.advance(seconds(2));
    assert_eq!(state(&world, "floor-wet"), "latched");
    // Nothing starts any more.
    world.reads[LEVEL] = Some(-5.0);
    let from = world.now.steady;
    world.advance(minutes(30));
    assert!(!world.commands_since(from, TOP_OFF).contains(&Switch::On));
    let begun = world.journal.iter().find(|line| line.subject == "floor-wet" && line.text.contains(WHY));
    assert!(begun.is_some_and(|line| line.kind.word() == "bypass"));
}

#[test]
fn the_expiry_trips_in_its_very_step_though_the_cause_asks_for_ten_seconds() {
    let mut world = World::settled();
    assert_eq!(bypass(&mut world, "return-pump-dry", "the level probe hangs loose", 30), Outcome::Done);
    let ends = world.now.steady.after(minutes(30));
    world.reads[LEVEL] = Some(-120.0);
    world.advance(minutes(30).minus(seconds(1)));
    assert_eq!(world.plugs[RETURN], Switch::On);
    world.advance(seconds(2));
    let off = world.commands.iter().rev().find(|(_, output, _)| *output == RETURN).copied();
    assert_eq!(off, Some((ends, RETURN, Switch::Off)));
    assert_eq!(state(&world, "return-pump-dry"), "tripped");
}

#[test]
fn a_latch_stays_below_its_bypass_and_acts_again_after_it() {
    let mut world = World::settled();
    world.read(LEAK, 1.0);
    world.advance(seconds(12));
    assert_eq!(state(&world, "floor-wet"), "latched");
    assert_eq!(bypass(&mut world, "floor-wet", WHY, 20), Outcome::Done);
    assert_eq!(state(&world, "floor-wet"), "bypassed");
    world.reads[LEAK] = Some(0.0);
    world.advance(minutes(5));
    let end = world.ask(Request::EndBypass { interlock: "floor-wet".into() });
    assert_eq!(world.answers[&end].outcome, Outcome::Done);
    assert_eq!(state(&world, "floor-wet"), "latched", "only a reset clears it");
    let reset = world.ask(Request::Reset { interlock: Some("floor-wet".into()) });
    assert_eq!(world.answers[&reset].outcome, Outcome::Done);
}

#[test]
fn a_bypass_survives_a_kill_with_its_expiry_and_a_clock_that_went_back_does_not_lengthen_it() {
    let mut world = World::settled();
    bypass(&mut world, "floor-wet", WHY, 60);
    world.advance(minutes(10));
    world.kill_and_restart();
    assert_eq!(state(&world, "floor-wet"), "bypassed");
    world.advance(minutes(49));
    assert_eq!(state(&world, "floor-wet"), "bypassed");
    world.advance(minutes(2));
    assert_eq!(state(&world, "floor-wet"), "armed");
    // Anew, and the machine comes up two days earlier.
    bypass(&mut world, "floor-wet", WHY, 60);
    world.now.wall = crate::time::Wall::from_unix_millis(world.now.wall.unix_millis() - 2 * 86_400_000);
    world.restart_with(|state| Remembered::State(Box::new(state)));
    world.advance(minutes(61));
    assert_ne!(state(&world, "floor-wet"), "bypassed");
}

#[test]
fn a_bypass_that_stands_for_long_is_told_again_each_four_hours() {
    let mut world = World::settled();
    bypass(&mut world, "floor-wet", WHY, 10 * 60);
    world.advance(minutes(11 * 60));
    let reminders = world.notices.iter().filter(|one| one.name == "bypassed" && one.what == NoticeKind::Reminder);
    assert_eq!(reminders.count(), 2);
    let cleared = world.notices.iter().any(|one| one.name == "bypassed" && one.what == NoticeKind::Cleared);
    assert!(cleared, "{:?}", world.notices);
}

#[test]
fn the_end_of_a_bypass_goes_to_disk() {
    let mut world = World::settled();
    bypass(&mut world, "floor-wet", WHY, 60);
    let before = world.effects.len();
    world.ask(Request::EndBypass { interlock: "floor-wet".into() });
    assert!(world.effects[before..].iter().any(|effect| matches!(effect, Effect::SaveState(_))));
    assert!(
        world.journal.last().is_some_and(|entry| entry.text.contains("it acts again")),
        "{:?}",
        world.journal.last()
    );
}

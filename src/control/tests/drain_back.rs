//! Stories of what runs back into the sump when the return pump stops.

use super::lagoon::*;
use crate::control::plan::{Advice, AlarmPlan, AlarmSource, DrainBackPlan, Priority};
use crate::control::status::DrainBackStatus;
use crate::control::{Remembered, Request};
use crate::time::Span;

fn world() -> World {
    let mut plan = plan();
    let pump = crate::control::ids::OutputId::new(RETURN);
    plan.drain_back = Some(DrainBackPlan { pump, level: crate::control::ids::SignalId::new(1), most: Some(104.0) });
    plan.alarms.push(AlarmPlan {
        name: crate::control::ids::Name::new("return-pump-drain-back"),
        priority: Priority::Medium,
        source: AlarmSource::DrainBack,
        on_delay: Span::ZERO,
        off_delay: Span::ZERO,
        latches: false,
        advice: Advice::default(),
    });
    running(plan)
}

/// What the level is while the pump runs, mm.
const RUNNING: f64 = 5.0;

fn running(plan: crate::control::TankPlan) -> World {
    let mut world = World::with(plan, Remembered::Nothing);
    world.reads[LEVEL] = Some(RUNNING);
    world.advance(minutes(15));
    world
}

/// A feeding in which so much runs back; what the status says then.
fn feed(world: &mut World, rise: f64) -> Option<DrainBackStatus> {
    world.hold("feeding");
    world.advance(seconds(4));
    world.reads[LEVEL] = Some(RUNNING + rise);
    world.advance(minutes(5));
    let status = world.tank.status(world.now);
    let said = status.holds.iter().find(|hold| &*hold.hold == "feeding").unwrap().pauses.join("\n");
    assert!(said.contains(&format!("drain-back {rise:.0} mm")), "{said}");
    world.ask(Request::Release { procedure: None });
    world.advance(seconds(20));
    world.reads[LEVEL] = Some(RUNNING);
    world.advance(minutes(12));
    status.drain_back
}

#[test]
fn each_stop_is_learned_and_one_that_grew_by_a_fifth_is_told_f73() {
    let mut world = world();
    for (rise, stops) in [(85.0, 1), (83.0, 2), (88.0, 3)] {
        let status = feed(&mut world, rise).unwrap();
        assert_eq!((status.newest_mm.round(), status.stops, &status.grown), (rise, stops, &None));
    }
    assert!(!world.raised("return-pump-drain-back"));
    assert!(world.journal.iter().any(|entry| entry.subject == "feeding" && entry.text.contains("the first one")));
    world.kill_and_restart();
    world.advance(minutes(15));
    // 85 mm are usual: a fifth more is 102.
    feed(&mut world, 98.0);
    assert!(!world.raised("return-pump-drain-back"));
    let status = feed(&mut world, 110.0).unwrap();
    assert!(status.grown.is_some_and(|why| why.contains("110 mm ran back, and 86 mm are usual")));
    assert!(world.raised("return-pump-drain-back"));
}

#[test]
fn a_first_stop_that_comes_too_close_to_the_trip_is_told_at_once() {
    let mut world = world();
    feed(&mut world, 101.0);
    assert!(world.raised("return-pump-drain-back"));
}

#[test]
fn a_pump_that_had_not_run_for_ten_minutes_teaches_nothing() {
    let mut world = world();
    feed(&mut world, 85.0);
    world.hold("feeding");
    world.advance(minutes(1));
    world.ask(Request::Release { procedure: None });
    world.advance(minutes(5));
    world.hold("feeding");
    world.reads[LEVEL] = Some(40.0);
    world.advance(minutes(5));
    let stops = world.tank.status(world.now).drain_back.unwrap().stops;
    assert_eq!(stops, 1, "one stop was over before its two minutes, and one came after five minutes of running");
}

#[test]
fn a_rise_within_a_probe_s_noise_has_not_grown() {
    let mut world = world();
    feed(&mut world, 10.0);
    // A quarter more, and less than 3 mm.
    assert_eq!(feed(&mut world, 12.5).unwrap().grown, None);
    let grown = feed(&mut world, 15.0).unwrap().grown;
    assert!(grown.is_some_and(|why| why.contains("15 mm ran back, and 11 mm are usual")));
}

#[test]
fn a_pump_whose_plug_reports_nothing_is_off_when_it_is_told_so() {
    let mut plan = world().tank.plan().clone();
    plan.outputs[RETURN].plug.report = crate::control::plan::Fitted::NotFitted;
    let mut world = World::with(plan, Remembered::Nothing);
    world.faults[RETURN] = PlugFault::Mute;
    world.reads[LEVEL] = Some(RUNNING);
    world.advance(minutes(15));
    world.hold("feeding");
    world.advance(seconds(4));
    world.reads[LEVEL] = Some(RUNNING + 85.0);
    world.advance(minutes(5));
    let newest = world.tank.status(world.now).drain_back.unwrap().newest_mm;
    assert!((newest - 85.0).abs() < 0.5, "{newest}");
}

#[test]
fn a_stop_is_measured_though_a_reload_comes_in_between_and_another_pump_begins_anew() {
    let settling = || {
        let mut world = world();
        world.hold("feeding");
        world.advance(seconds(4));
        world.reads[LEVEL] = Some(RUNNING + 85.0);
        world.advance(minutes(1));
        world
    };
    let stops = |mut world: World, plan: crate::control::TankPlan| {
        world.reload(plan);
        world.advance(minutes(4));
        world.tank.status(world.now).drain_back.map_or(0, |status| status.stops)
    };
    let (same, other) = (settling(), settling());
    let plan = same.tank.plan().clone();
    let mut changed = plan.clone();
    changed.drain_back.as_mut().unwrap().pump = crate::control::ids::OutputId::new(POWERHEAD);
    assert_eq!(stops(same, plan), 1);
    assert_eq!(stops(other, changed), 0);
}

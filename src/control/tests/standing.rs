//! What stands ends by its own end: a trip with its cause, which neither a silence nor a kill clears, a hold by the steady
//! clock.

use super::lagoon::*;
use crate::control::ids::{Name, OutputId};
use crate::control::plan::{Latch, Switch};
use crate::control::{Request, TankPlan};

/// The lagoon, whose low level stops the heater as well.
fn with_low_water() -> TankPlan {
    let mut plan = plan();
    let mut low_water = plan.interlocks[2].clone();
    low_water.name = Name::new("low-water");
    low_water.effects = vec![(OutputId::new(HEATER), Switch::Off)];
    low_water.latch = Latch::Never;
    low_water.restarts = None;
    plan.interlocks.push(low_water);
    plan
}

fn low() -> World {
    let mut world = World::with(with_low_water(), crate::control::Remembered::Nothing);
    world.advance(minutes(20));
    world.reads[LEVEL] = Some(-120.0);
    world.advance(minutes(5));
    assert_eq!(world.interlock("low-water"), "tripped");
    world
}

fn cleared(world: &World, interlock: &str) -> usize {
    world.journal.iter().filter(|line| line.subject == interlock && line.text.starts_with("cleared")).count()
}

#[test]
fn a_silence_of_minutes_clears_no_trip_whose_cause_is_still_there_afterwards() {
    let mut world = low();
    world.reads[LEVEL] = None;
    world.advance(minutes(6));
    world.reads[LEVEL] = Some(-120.0);
    world.advance(minutes(5));
    for trip in ["low-water", "return-pump-dry"] {
        assert_eq!((world.interlock(trip), cleared(&world, trip)), ("tripped", 0), "{trip}");
    }
    world.reads[LEVEL] = Some(0.0);
    world.advance(minutes(2));
    for trip in ["low-water", "return-pump-dry"] {
        assert_eq!((world.interlock(trip), cleared(&world, trip)), ("armed", 1), "{trip}");
    }
}

#[test]
fn a_kill_clears_no_trip_but_that_of_a_pump_whose_cause_must_be_seen_anew() {
    let mut world = low();
    world.kill_and_restart();
    assert_eq!(world.interlock("return-pump-dry"), "unknown", "a pump is found as it is");
    world.advance(minutes(5));
    assert_eq!((world.interlock("low-water"), cleared(&world, "low-water")), ("tripped", 0));
    assert_eq!(world.interlock("return-pump-dry"), "tripped");
    world.reads[LEVEL] = Some(0.0);
    world.advance(minutes(2));
    assert_eq!((world.interlock("low-water"), cleared(&world, "low-water")), ("armed", 1));
}

#[test]
fn a_hold_is_told_by_the_time_that_it_stood_whatever_the_wall_clock_did() {
    let mut world = World::settled();
    world.hold("water-change");
    world.advance(minutes(20));
    world.now.wall = crate::time::Wall::from_unix_millis(world.now.wall.unix_millis() - 3_600_000);
    world.advance(minutes(5));
    world.ask(Request::Release { procedure: None });
    world.advance(minutes(1));
    let told = world.journal.iter().find(|line| line.subject == "water-change" && line.text.contains(" after "));
    let text = &told.unwrap().text;
    assert!(text.contains("after 25 min"), "{text}");
}

#[test]
fn a_cause_that_went_while_nobody_looked_is_gone() {
    let mut world = low();
    world.reads[LEVEL] = Some(0.0);
    world.kill_and_restart();
    world.advance(minutes(2));
    assert_eq!(world.interlock("low-water"), "armed");
}

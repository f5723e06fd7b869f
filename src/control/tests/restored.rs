//! A state out of a backup: what it knows stands, what may have happened since is taken as happened, and nothing that
//! could be spent twice comes back.

use super::lagoon::*;
use super::top_off::{of, ready, runs};
use crate::control::plan::Switch::{Off, On};
use crate::control::state::TankState;
use crate::control::{Outcome, Remembered, Request};
use crate::time::{Span, Wall};

fn backup(world: &World) -> (TankState, Wall) {
    (world.tank.state(), world.now.wall)
}

fn restore(world: &mut World, (state, taken): (TankState, Wall)) {
    world.commands.clear();
    world.notices.clear();
    world.restart_with(|_| Remembered::Restored(Box::new(state), taken));
}

#[test]
fn a_hold_of_the_backup_goes_on_with_its_original_deadline() {
    let mut world = World::settled();
    world.hold("water-change");
    let before = world.tank.status(world.now).holds[0].clone();
    let kept = backup(&world);
    world.advance(minutes(10));
    restore(&mut world, kept);
    let after = world.tank.status(world.now).holds[0].clone();
    assert!(after.active && after.until == before.until && after.since == before.since, "{before:?} became {after:?}");
    world.advance(minutes(49));
    assert!(!world.raised("water-change-overdue"));
    world.advance(minutes(2));
    assert!(world.raised("water-change-overdue"));
}

#[test]
fn a_backup_from_before_the_runs_gives_no_water_back_until_a_person_has_looked() {
    let mut world = ready(plan());
    let kept = backup(&world);
    world.reads[LEVEL] = Some(-4.5);
    world.top_off_for(minutes(20), 1.0);
    assert!(of(&world).litres_in_24_hours > 0.0);
    restore(&mut world, kept);
    world.reads[LEVEL] = Some(-6.0);
    world.advance(Span::from_hours(3));
    assert!(runs(&world).is_empty());
    // A kill meanwhile changes nothing of it.
    world.kill_and_restart();
    world.advance(Span::from_hours(3));
    assert!(runs(&world).is_empty());
    let alarm = world.tank.status(world.now).alarms.into_iter().find(|alarm| &*alarm.alarm == "state-damaged").unwrap();
    assert!(alarm.text.contains("backup of 2026-06-01 11:15"), "{}", alarm.text);
    world.ask(Request::Acknowledge { alarm: Some("state-damaged".to_owned()) });
    world.advance_until_on(TOP_OFF);
}

#[test]
fn what_the_backup_knows_as_spent_stays_spent_when_a_person_has_looked() {
    let mut world = ready(plan());
    world.reads[LEVEL] = Some(-4.5);
    world.top_off_for(minutes(20), 1.0);
    let spent = of(&world).litres_in_24_hours;
    let kept = backup(&world);
    restore(&mut world, kept);
    world.ask(Request::Acknowledge { alarm: None });
    assert!((of(&world).litres_in_24_hours - spent).abs() < 1e-9 && spent > 0.0, "{spent}");
}

#[test]
fn a_latch_keeps_its_cause_and_the_heater_waits_for_a_reset() {
    let mut world = World::settled();
    world.read(FLOAT, 1.0);
    world.reads[FLOAT] = Some(0.0);
    world.advance(minutes(1));
    let latched = |world: &World| {
        let all = world.tank.status(world.now).interlocks;
        all.into_iter()
            .filter(|one| one.state == "latched")
            .map(|one| (one.interlock.to_string(), one.cause.unwrap_or_default()))
            .collect()
    };
    let before: Vec<(String, String)> = latched(&world);
    assert!(!before.is_empty());
    let kept = backup(&world);
    world.ask(Request::Reset { interlock: None });
    restore(&mut world, kept);
    let after: Vec<(String, String)> = latched(&world);
    assert!(before.iter().all(|one| after.contains(one)), "{before:?} became {after:?}");
    assert!(after.iter().any(|(name, cause)| name.contains("heater") && cause.contains("backup of")), "{after:?}");
    world.reads[DISPLAY] = Some(24.4);
    world.reads[SUMP] = Some(24.4);
    world.advance(minutes(5));
    assert_ne!(world.last_command(HEATER), Some(On));
    let pumps = [RETURN, POWERHEAD];
    assert!(!world.commands.iter().any(|(_, output, to)| pumps.contains(output) && *to == Off), "pumps run on");
    let reset = world.ask(Request::Reset { interlock: None });
    assert_eq!(world.answers[&reset].outcome, Outcome::Done);
    world.advance(minutes(3));
    assert_eq!(world.last_command(HEATER), Some(On));
}

#[test]
fn a_force_of_the_backup_may_be_over_and_does_not_come_back() {
    let mut world = World::settled();
    world.force("heater", Off, 60);
    world.advance(seconds(5));
    let kept = backup(&world);
    assert!(kept.0.outputs.values().any(|output| output.force.is_some()));
    restore(&mut world, kept);
    assert!(world.tank.state().outputs.values().all(|output| output.force.is_none()));
}

#[test]
fn a_clock_from_before_the_backup_lengthens_no_hold() {
    let mut world = World::settled();
    world.hold("water-change");
    let kept = backup(&world);
    // A machine without a battery begins in 1970.
    world.now.wall = Wall::from_unix_millis(1000);
    restore(&mut world, kept);
    world.advance(minutes(59));
    assert!(!world.raised("water-change-overdue"));
    world.advance(minutes(2));
    assert!(world.raised("water-change-overdue"), "its whole limit from the start, and no more");
}

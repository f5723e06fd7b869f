//! Stories of a pump that a trip stops and that starts again: how often an hour may see that.

use super::lagoon::*;
use crate::control::plan::Switch::{Off, On};
use crate::control::{Outcome, Request};
use crate::time::Span;

fn state(world: &World) -> &'static str {
    let status = world.tank.status(world.now);
    status.interlocks.iter().find(|one| &*one.interlock == "return-pump-dry").unwrap().state
}

/// The sump runs dry, and its display drains back into it.
fn falls_dry_and_fills(world: &mut World) {
    world.reads[LEVEL] = Some(-100.0);
    world.advance(seconds(60));
    assert_eq!(world.last_command(RETURN), Some(Off));
    world.reads[LEVEL] = Some(0.0);
    world.advance(seconds(60));
}

#[test]
fn a_return_pump_that_runs_dry_a_fourth_time_within_an_hour_stays_off_until_reset_f34_f46() {
    let mut world = World::settled();
    for _ in 0..3 {
        falls_dry_and_fills(&mut world);
        assert_eq!((world.last_command(RETURN), state(&world)), (Some(On), "armed"));
    }
    falls_dry_and_fills(&mut world);
    assert_eq!((world.last_command(RETURN), state(&world)), (Some(Off), "latched"));
    let why = world.tank.status(world.now).interlocks[2].cause.clone().unwrap();
    assert!(why.contains("more than 3 trips within an hour"), "{why}");
    world.advance(Span::from_hours(3));
    assert_eq!(world.last_command(RETURN), Some(Off), "and no hour starts it again");
    assert_ne!(world.last_command(POWERHEAD), Some(Off));
    let reset = world.ask(Request::Reset { interlock: Some("return-pump-dry".to_owned()) });
    assert_eq!(world.answers[&reset].outcome, Outcome::Done, "{:?}", world.answers[&reset]);
    world.advance(seconds(60));
    assert_eq!(world.last_command(RETURN), Some(On));
    falls_dry_and_fills(&mut world);
    assert_eq!(world.last_command(RETURN), Some(On), "a reset gives three starts more");
}

#[test]
fn a_trip_of_a_pump_that_stands_already_takes_no_start() {
    let mut world = World::settled();
    world.hold("water-change");
    world.advance(minutes(1));
    world.reads[LEVEL] = Some(-100.0);
    for _ in 0..6 {
        // Each start of the daemon sees the low level anew.
        world.kill_and_restart();
        world.advance(minutes(3));
        assert_eq!(state(&world), "tripped");
    }
    world.reads[LEVEL] = Some(0.0);
    world.advance(minutes(3));
    assert_eq!(state(&world), "armed");
}

#[test]
fn neither_a_kill_nor_a_wall_clock_gives_a_start_back() {
    let mut world = World::settled();
    for _ in 0..3 {
        falls_dry_and_fills(&mut world);
    }
    world.kill_and_restart();
    world.now.wall = world.now.wall.after(Span::from_hours(48));
    world.advance(minutes(2));
    assert_eq!(state(&world), "armed");
    falls_dry_and_fills(&mut world);
    assert_eq!((world.last_command(RETURN), state(&world)), (Some(Off), "latched"));
    world.kill_and_restart();
    world.advance(minutes(5));
    assert_eq!(state(&world), "latched");
}

#[test]
fn three_starts_an_hour_go_on_for_ever() {
    let mut world = World::settled();
    for _ in 0..8 {
        falls_dry_and_fills(&mut world);
        world.advance(minutes(19));
    }
    assert_eq!((world.last_command(RETURN), state(&world)), (Some(On), "armed"));
}

#[test]
fn a_forced_output_s_end_is_kept_over_a_kill_and_no_wall_clock_lengthens_it() {
    let forced = |shift: i64| {
        let mut world = World::settled();
        world.force("fan", On, 10);
        world.advance(minutes(4));
        world.now.wall = crate::time::Wall::from_unix_millis(world.now.wall.unix_millis() + shift * 60_000);
        world.kill_and_restart();
        let minute = |world: &mut World| {
            world.advance(minutes(1));
            world.plugs[FAN] == On
        };
        (0..180).take_while(|_| minute(&mut world)).count()
    };
    assert!((5..=6).contains(&forced(0)), "{}", forced(0));
    assert_eq!(forced(30), 0, "its time was over while nobody was there");
    // A clock that was set back by ten hours: the longest that anybody may ask for, and no more.
    let most = usize::try_from(crate::control::requests::LONGEST_FORCE.millis() / 60_000).unwrap();
    assert!(forced(-600) <= most + 1, "{} of {most}", forced(-600));
}

#[test]
fn what_was_tripped_by_what_is_not_known_is_no_trip_after_a_kill() {
    // Nothing is heard of the float: the top-off is off for that, and it is no cause that anybody saw.
    let mut world = World::settled();
    world.reads[FLOAT] = None;
    world.advance(minutes(3));
    let record = world.tank.state().interlocks["top-off-high"].clone();
    assert!(record.tripped.is_none(), "{record:?}");
    world.reads[LEVEL] = Some(-100.0);
    world.advance(minutes(2));
    assert!(world.tank.state().interlocks["return-pump-dry"].tripped.is_some());
}

#[test]
fn a_trip_of_a_heater_and_a_pump_is_found_anew_after_a_kill_and_latched_where_memory_is_lost() {
    let mut plan = plan();
    plan.interlocks[2].effects =
        vec![(crate::control::ids::OutputId::new(HEATER), Off), (crate::control::ids::OutputId::new(RETURN), Off)];
    let both = |plan: &crate::control::TankPlan| {
        let mut world = World::with(plan.clone(), crate::control::Remembered::Nothing);
        world.advance(minutes(5));
        world.reads[LEVEL] = Some(-100.0);
        world.advance(minutes(1));
        assert_eq!(state(&world), "tripped");
        world
    };
    let mut world = both(&plan);
    world.kill_and_restart();
    assert_eq!(state(&world), "unknown", "the pump is found as it is, until its cause is seen");
    plan.interlocks[0].effects.push((crate::control::ids::OutputId::new(FAN), On));
    let mut world = both(&plan);
    world.restart_with(|_| crate::control::Remembered::Damaged("a broken file".to_owned()));
    let cutoff = world.tank.status(world.now).interlocks[0].state;
    assert_eq!(cutoff, "latched", "a cut-off of the heater and of something else besides");
}

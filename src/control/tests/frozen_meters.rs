//! A meter that repeats its last number for ever is no evidence, and a relay that is stuck is found all the same.

use super::lagoon::*;
use super::power::{metered, state, warm};
use crate::control::Remembered;
use crate::control::plan::Switch;

/// A cold lagoon whose heater heats, and whose meters are known to vary.
fn heating() -> World {
    let mut world = World::with(metered(), Remembered::Nothing);
    world.meters = vec![Meter::Lively(100.0); 7];
    world.reads[DISPLAY] = Some(24.5);
    world.reads[SUMP] = Some(24.6);
    world.advance_until_on(HEATER);
    world.advance(minutes(8));
    assert_eq!(world.plugs[HEATER], Switch::On);
    let usual = world.tank.status(world.now).outputs[HEATER].usual_power.expect("learned");
    assert!(usual.lively, "{usual:?}");
    world
}

fn power_lost(world: &World) -> String {
    world.tank.status(world.now).alarms.iter().find(|one| &*one.alarm == "power-lost").unwrap().text.clone()
}

#[test]
fn a_meter_that_froze_while_the_heater_ran_latches_no_sound_heater_and_is_told_f22() {
    let mut world = heating();
    let last = world.tank.status(world.now).outputs[HEATER].watts.unwrap();
    world.meters[HEATER] = Meter::Says(last);
    world.advance(seconds(30));
    warm(&mut world);
    world.advance(minutes(8));
    assert_eq!(world.plugs[HEATER], Switch::Off);
    assert_eq!(state(&world, "heater-stuck-on"), "unknown", "what it draws is not known");
    assert!(!world.raised("heater-stuck-on-trip"), "{:?}", world.journal);
    assert!(world.raised("power-lost"));
    assert!(power_lost(&world).contains("the meter of heater repeats one number"), "{}", power_lost(&world));
    assert_eq!(world.tank.status(world.now).outputs[HEATER].watts, None, "it is no reading");
    // Nor over a kill, after which nothing is known of what it said before the off.
    world.kill_and_restart();
    world.advance(minutes(8));
    assert_eq!(state(&world, "heater-stuck-on"), "unknown", "{:?}", world.journal);
    // Mended, it counts again, and is not told any more.
    world.meters[HEATER] = Meter::Lively(100.0);
    world.advance(minutes(8));
    let status = world.tank.status(world.now);
    assert!(!status.alarms.iter().any(|one| &*one.alarm == "power-lost" && one.active), "{}", power_lost(&world));
    assert_eq!(state(&world, "heater-stuck-on"), "armed");
}

#[test]
fn a_meter_that_froze_long_before_is_told_without_any_switch_f22() {
    let mut world = heating();
    world.meters[HEATER] = Meter::Says(100.2);
    world.advance(minutes(12));
    assert!(world.raised("power-lost"), "{}", power_lost(&world));
}

#[test]
fn a_welded_relay_with_a_meter_that_varies_is_found_within_a_minute_of_the_off_f23() {
    let mut world = heating();
    world.meters[HEATER] = Meter::Welded(100.0);
    let from = world.now.steady;
    warm(&mut world);
    world.advance(seconds(60));
    assert_eq!(world.commands_since(from, HEATER).first(), Some(&Switch::Off));
    assert_eq!(state(&world, "heater-stuck-on"), "latched");
}

#[test]
fn a_welded_relay_with_a_coarse_meter_is_found_too_f23() {
    let mut world = heating();
    world.meters[HEATER] = Meter::Follows(100.0);
    // So coarse that it says whole watts: its habit is learned anew when a person has confirmed it.
    let confirm =
        crate::control::Request::Confirm { output: "heater".to_owned(), what: crate::control::event::Learned::Watts };
    world.ask(confirm);
    world.advance(minutes(8));
    world.meters[HEATER] = Meter::Says(100.0);
    warm(&mut world);
    world.advance(seconds(60));
    assert_eq!(state(&world, "heater-stuck-on"), "latched");
}

//! A return pump that stands for seconds after a top-off: the display drains back and is lifted again. No siphon.

use super::lagoon::*;
use super::top_off::{interlock, of, ready, runs};
use crate::time::Span;

/// A lagoon that was topped off `after` ago.
fn topped_off(after: Span) -> World {
    let mut world = ready(plan());
    world.reads[LEVEL] = Some(-4.5);
    while runs(&world).is_empty() {
        world.top_off_for(seconds(1), 1.0);
    }
    world.top_off_for(after, 1.0);
    world
}

/// The level rises by so many mm at once, stays so, and sinks back as a sump does.
fn blip(world: &mut World, mm: f64, stays: Span) {
    *world.reads[LEVEL].as_mut().unwrap() += mm;
    world.advance(stays);
    for _ in 0..50 {
        *world.reads[LEVEL].as_mut().unwrap() -= mm / 50.0;
        world.advance(seconds(1));
    }
}

#[test]
fn a_pump_that_stood_for_seconds_after_a_run_is_no_siphon() {
    // Settling until 60 s after the run, watched until 300 s.
    for after in [20, 40, 55, 65, 90, 150, 240, 280] {
        for (mm, stays) in [(22.0, 5), (45.0, 10), (80.0, 20)] {
            let mut world = topped_off(seconds(after));
            blip(&mut world, mm, seconds(stays));
            world.advance(minutes(6));
            assert_eq!(interlock(&world, "top-off-siphon"), "armed", "{after} s, {mm} mm: {:?}", of(&world));
            assert_eq!(runs(&world).len(), 1, "{after} s, {mm} mm");
        }
    }
}

#[test]
fn a_rise_that_stays_after_a_run_is_a_siphon_within_two_minutes_f36() {
    for after in [65, 150, 200, 280] {
        let mut world = topped_off(seconds(after));
        *world.reads[LEVEL].as_mut().unwrap() += 4.0;
        world.advance(seconds(110));
        assert_eq!(interlock(&world, "top-off-siphon"), "latched", "{after} s: {:?}", of(&world));
    }
}

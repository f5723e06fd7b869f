//! How often a command is told again, and what its delivery proves: limits that small changes of the core once got past.

use super::lagoon::*;
use crate::control::event::BrokerSaid;
use crate::control::ids::OutputId;
use crate::control::plan::Fitted;
use crate::control::plan::Switch::{Off, On};
use crate::control::{Event, Remembered};

/// Seconds between one telling of an output and the next, since then.
fn gaps(world: &World, from: crate::time::Steady, output: usize) -> Vec<u64> {
    let told: Vec<_> = world.commands.iter().filter(|(at, of, _)| *at >= from && *of == output).collect();
    told.windows(2).map(|pair| pair[1].0.since(pair[0].0).millis() / 1000).collect()
}

/// An output on a plug that never reports, and has no lease that is refreshed meanwhile.
fn plain(output: usize) -> World {
    let mut plan = plan();
    (plan.outputs[output].plug.report, plan.outputs[output].plug.lease) = (Fitted::NotFitted, None);
    let mut world = World::with(plan, Remembered::Nothing);
    world.faults[output] = PlugFault::Mute;
    // What it was told before it was mute is told again.
    world.step(Event::BrokerLost);
    world.advance(seconds(1));
    world.step(Event::BrokerConnected);
    world
}

#[test]
fn a_plain_plug_is_told_off_again_each_five_minutes() {
    for output in [HEATER, TOP_OFF] {
        let mut world = plain(output);
        let from = world.now.steady;
        world.advance(minutes(21));
        assert_eq!(gaps(&world, from, output), [300; 4], "{output}");
    }
}

#[test]
fn a_plain_plug_is_told_on_again_each_half_hour_where_cold_or_still_water_harms_and_nowhere_else() {
    for (output, again) in [(HEATER, true), (RETURN, true), (POWERHEAD, true), (FAN, false)] {
        let mut world = plain(output);
        let celsius = if output == HEATER { 24.0 } else { 25.9 };
        (world.reads[DISPLAY], world.reads[SUMP]) = (Some(celsius), Some(celsius));
        world.advance_until_on(output);
        let from = world.commands.iter().find(|(_, of, to)| *of == output && *to == On).expect("it was told on").0;
        world.advance(minutes(61));
        let expected: &[u64] = if again { &[1800, 1800] } else { &[] };
        assert_eq!(gaps(&world, from, output), expected, "{output}");
    }
}

#[test]
fn an_on_that_nobody_proves_is_told_four_times_and_then_each_ten_minutes() {
    let mut world = World::settled();
    world.faults[RETURN] = PlugFault::Ignores;
    world.plugs[RETURN] = Off;
    world.step(Event::BrokerLost);
    world.step(Event::BrokerConnected);
    let from = world.now.steady;
    world.advance(minutes(35));
    let gaps = gaps(&world, from, RETURN);
    assert_eq!(gaps, [5, 10, 20, 600, 600, 600], "[C3: choice, F31]");
}

#[test]
fn what_the_broker_took_is_no_proof_where_a_plug_reports() {
    let mut world = World::settled();
    world.faults[HEATER] = PlugFault::Mute;
    (world.reads[DISPLAY], world.reads[SUMP]) = (Some(24.0), Some(24.0));
    let mut acknowledged = world.commands.len();
    for _ in 0..180 {
        world.advance(seconds(1));
        for _ in acknowledged..world.commands.len() {
            let output = OutputId::new(HEATER);
            world.step(Event::CommandAcknowledged { output, outcome: BrokerSaid::Accepted });
        }
        acknowledged = world.commands.len();
    }
    assert_eq!(world.last_command(HEATER), Some(On));
    assert!(world.raised("heater-not-proven"));
}

#[test]
fn an_off_at_the_plug_that_nobody_ordered_is_a_person_and_begins_a_hold() {
    let mut world = World::settled();
    (world.reads[DISPLAY], world.reads[SUMP]) = (Some(24.0), Some(24.0));
    world.advance(minutes(3));
    assert_eq!(world.last_command(HEATER), Some(On));
    world.report(HEATER, Off);
    world.advance(seconds(60));
    let holds = world.tank.status(world.now).holds;
    let hands_in = holds.iter().find(|hold| &*hold.hold == "hands-in").unwrap();
    assert!(hands_in.active && hands_in.by.as_deref().is_some_and(|by| by.contains("heater")), "{hands_in:?}");
}

#[test]
fn the_first_wet_of_a_leak_probe_that_was_silent_trips_at_once() {
    let mut world = World::settled();
    world.reads[LEAK] = None;
    world.advance(minutes(3));
    let state = |world: &World| world.tank.status(world.now).interlocks[3].state;
    assert_eq!(state(&world), "unknown");
    world.read(LEAK, 1.0);
    world.reads[LEAK] = None;
    world.advance(seconds(2));
    assert_eq!(state(&world), "latched", "one sample is enough, and no vote is waited for");
}

#[test]
fn a_trip_that_cannot_be_seen_is_confirmed_when_it_can() {
    let mut plan = plan();
    plan.interlocks[1].latch = crate::control::plan::Latch::Never;
    let mut world = World::with(plan, Remembered::Nothing);
    world.advance(minutes(5));
    world.reads[FLOAT] = None;
    world.advance(minutes(3));
    let said = |world: &World, what: &str| {
        let of_float = |entry: &&crate::control::effect::JournalEntry| entry.subject == *"top-off-high";
        world.journal.iter().rfind(of_float).is_some_and(|entry| entry.text.starts_with(what))
    };
    assert!(said(&world, "tripped, for its cause cannot be seen"));
    world.read(FLOAT, 1.0);
    world.advance(seconds(1));
    assert!(said(&world, "confirmed: "), "{:?}", world.journal.last());
}

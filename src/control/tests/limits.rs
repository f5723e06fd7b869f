//! What a limit means: its deadband, the probe that is left alone, and what is not known.

use super::lagoon::*;
use crate::control::Remembered;
use crate::control::ids::{OutputId, ProbeId, SignalId};
use crate::control::plan::Switch::{self, Off, On};
use crate::control::plan::{AlarmSource, Condition, Doubtful, Estimate, OnUnknown, Side, TankPlan};
use crate::units::Quantity;

fn told(mut plan: TankPlan, condition: Condition) -> World {
    let condition = plan.add(condition);
    plan.alarms.push(at_once("told", AlarmSource::Condition(condition)));
    World::with(plan, Remembered::Nothing)
}

fn compare(signal: usize, estimate: Estimate, side: Side, limit: f64, deadband: f64, alone_margin: f64) -> Condition {
    let signal = SignalId::new(signal);
    Condition::Compare { signal, estimate, side, limit, deadband, alone_margin, doubtful: Doubtful::Counts }
}

fn stands(world: &World) -> bool {
    let alarms = world.tank.status(world.now).alarms;
    alarms.iter().any(|alarm| &*alarm.alarm == "told" && alarm.active)
}

/// Whether the alarm stands after half a minute and more of this reading.
fn at(world: &mut World, probe: usize, value: f64) -> bool {
    world.reads[probe] = Some(value);
    world.advance(seconds(90));
    stands(world)
}

#[test]
fn a_limit_holds_until_the_value_is_back_by_its_deadband() {
    let mut low = told(plan(), compare(1, Estimate::Voted, Side::Below, -50.0, 10.0, 0.0));
    let seen = [-49.0, -51.0, -45.0, -41.0, -39.0, -45.0].map(|level| at(&mut low, LEVEL, level));
    assert_eq!(seen, [false, true, true, true, false, false]);
    let mut high = told(plan(), compare(1, Estimate::Voted, Side::Above, 50.0, 10.0, 0.0));
    let seen = [49.0, 51.0, 45.0, 41.0, 39.0, 45.0].map(|level| at(&mut high, LEVEL, level));
    assert_eq!(seen, [false, true, true, true, false, false]);
}

fn cut_off_by(world: &mut World, celsius: f64) -> Switch {
    (world.reads[DISPLAY], world.reads[SUMP]) = (Some(celsius), world.reads[SUMP].map(|_| celsius));
    world.advance(seconds(180));
    let cutoff = world.tank.status(world.now).interlocks.into_iter().find(|one| &*one.interlock == "heater-cutoff");
    if cutoff.is_some_and(|cutoff| cutoff.state == "armed") { On } else { Off }
}

#[test]
fn the_cutoff_is_lower_while_one_probe_of_two_is_left_and_only_then() {
    let mut world = World::settled();
    assert_eq!(cut_off_by(&mut world, 25.7), On, "both are good");
    world.reads[SUMP] = None;
    assert_eq!(cut_off_by(&mut world, 25.3), On, "one is left, under 25.5 °C");
    assert_eq!(cut_off_by(&mut world, 25.7), Off, "one is left, over 25.5 °C");
    let mut single = plan();
    single.signals[0] = signal("water-temp", Quantity::Temperature, &[DISPLAY]);
    let mut world = World::with(single, Remembered::Nothing);
    world.advance(seconds(120));
    assert_eq!(cut_off_by(&mut world, 25.7), On, "a tank that always had one is no worse off than it was");
    assert_eq!(cut_off_by(&mut world, 26.2), Off);
}

#[test]
fn a_low_limit_is_higher_while_one_probe_of_two_is_left() {
    let mut world = told(plan(), compare(0, Estimate::Lowest, Side::Below, 24.0, 0.0, 0.4));
    (world.reads[DISPLAY], world.reads[SUMP]) = (Some(24.2), Some(24.2));
    world.advance(seconds(180));
    assert!(!stands(&world), "both are good");
    world.reads[SUMP] = None;
    assert!(at(&mut world, DISPLAY, 24.2), "one is left, under 24.4 °C");
    assert!(!at(&mut world, DISPLAY, 24.5));
}

#[test]
fn one_wet_leak_probe_of_two_is_enough() {
    for wet in [LEAK, 5] {
        let mut plan = plan();
        plan.probes.push(probe("shelf-leak", Quantity::Contact, 0.0, 1.0));
        let of_leak =
            plan.signals.iter_mut().find(|signal| signal.probes == [ProbeId::new(LEAK)]).expect("it is there");
        of_leak.probes.push(ProbeId::new(5));
        let mut world = World::with(plan, Remembered::Nothing);
        world.reads.push(Some(0.0));
        world.advance(minutes(5));
        let state = |world: &World| world.tank.status(world.now).interlocks[3].state;
        assert_eq!(state(&world), "armed");
        world.reads[wet] = Some(1.0);
        world.advance(seconds(12));
        assert_eq!(state(&world), "latched", "{wet}");
    }
}

#[test]
fn each_probe_is_seen_over_a_limit_by_itself() {
    let mut world = told(plan(), compare(0, Estimate::EachProbe, Side::Above, 25.6, 0.0, 0.0));
    assert!(!at(&mut world, DISPLAY, 25.1));
    assert!(at(&mut world, DISPLAY, 25.9), "one of two is enough");
}

#[test]
fn of_three_good_probes_two_must_agree_and_of_two_one_is_enough() {
    let mut plan = plan();
    plan.probes.push(probe("rock-temp", Quantity::Temperature, 10.0, 40.0));
    plan.signals[0] = signal("water-temp", Quantity::Temperature, &[DISPLAY, SUMP, 5]);
    let stands_at = |reads: [Option<f64>; 3]| {
        let mut world = told(plan.clone(), compare(0, Estimate::EachProbe, Side::Above, 25.6, 0.0, 0.0));
        world.reads.push(Some(25.0));
        world.advance(minutes(2));
        for (probe, read) in [DISPLAY, SUMP, 5].into_iter().zip(reads) {
            world.reads[probe] = read;
        }
        world.advance(minutes(4));
        stands(&world)
    };
    assert!(!stands_at([Some(25.9), Some(25.1), Some(25.0)]), "one of three");
    assert!(stands_at([Some(25.9), Some(25.8), Some(25.0)]), "two of three");
    assert!(stands_at([Some(25.9), Some(25.1), None]), "one of the two that are left");
}

#[test]
fn the_running_level_is_a_band_and_what_is_lower_says_nothing() {
    let condition = Condition::AtRunningLevel { signal: SignalId::new(1), within: 20.0 };
    let mut world = told(plan(), condition);
    // Neither a level that is too low nor one that is not known clears what stands.
    let seen = [80.0, 0.0, -40.0, 10.0, 30.0, -40.0].map(|level| at(&mut world, LEVEL, level));
    assert_eq!(seen, [false, true, true, true, false, false]);
    assert!(at(&mut world, LEVEL, 0.0));
    world.reads[LEVEL] = None;
    world.advance(seconds(180));
    assert!(stands(&world));
}

#[test]
fn a_fall_and_a_rise_are_told_by_how_far_and_which_way() {
    let moved = |side| Condition::Moved {
        signal: SignalId::new(1),
        side,
        by: 30.0,
        within: minutes(2),
        doubtful: Doubtful::Counts,
    };
    for (side, sign) in [(Side::Below, -1.0), (Side::Above, 1.0)] {
        let mut world = told(plan(), moved(side));
        // From -10: 25 mm this way is too little, back again is the other way, 35 mm this way is enough.
        let seen = [0.0, 25.0, 0.0, 35.0].map(|by| {
            world.reads[LEVEL] = Some(-10.0 + sign * by);
            world.advance(minutes(1));
            stands(&world)
        });
        assert_eq!(seen, [false, false, false, true], "{side:?}");
        world.advance(minutes(3));
        assert!(!stands(&world), "it moves no more");
    }
}

#[test]
fn what_is_not_known_turns_a_fan_off_and_no_pump() {
    let mut plan = plan();
    let dry = &mut plan.interlocks[2];
    dry.unknown = OnUnknown::Trips;
    dry.effects = [RETURN, POWERHEAD, FAN].map(|output| (OutputId::new(output), Off)).to_vec();
    let mut world = World::with(plan, Remembered::Nothing);
    (world.reads[DISPLAY], world.reads[SUMP]) = (Some(25.9), Some(25.9));
    world.advance_until_on(FAN);
    world.reads[LEVEL] = None;
    world.advance(minutes(4));
    let last = [RETURN, POWERHEAD, FAN].map(|output| world.last_command(output));
    assert_eq!(last, [Some(On), Some(On), Some(Off)]);
    world.reads[LEVEL] = Some(-120.0);
    world.advance(minutes(2));
    assert_eq!(world.last_command(RETURN), Some(Off), "what is seen does");
}

#[test]
fn of_two_opposing_trips_the_safe_state_wins_in_either_order() {
    for (output, safe) in [(POWERHEAD, On), (FAN, Off)] {
        for first in [On, Off] {
            let mut plan = plan();
            let other = if first == On { Off } else { On };
            plan.interlocks[1].effects = vec![(OutputId::new(output), first)];
            plan.interlocks[3].effects = vec![(OutputId::new(output), other)];
            let mut world = World::with(plan, Remembered::Nothing);
            world.advance(minutes(5));
            world.read(FLOAT, 1.0);
            world.read(LEAK, 1.0);
            world.advance(minutes(1));
            let states = [1, 3].map(|at| world.tank.status(world.now).interlocks[at].state);
            assert_eq!(states, ["latched"; 2]);
            assert_eq!(world.plugs[output], safe, "{first:?} comes first");
        }
    }
}

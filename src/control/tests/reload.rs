//! A reload forgets nothing that keeps the tank safe: delays go on where they ask the same of the same things, trips and
//! holds stand, a probe that is understood differently proves itself anew.

use super::lagoon::*;
use super::top_off;
use crate::control::ids::{ConditionId, Name, OutputId};
use crate::control::plan::Switch::{Off, On};
use crate::control::plan::*;
use crate::control::{Remembered, Request};
use crate::time::Span;

const DRY: usize = 2;

/// A plan whose return pump is stopped by this cause.
fn stopped_by(cause: impl FnOnce(&mut TankPlan) -> ConditionId) -> TankPlan {
    let mut plan = plan();
    let cause = cause(&mut plan);
    plan.interlocks[DRY].cause = cause;
    plan
}

fn low(limit: f64) -> Condition {
    compare(1, Estimate::Voted, Side::Below, limit, Doubtful::Counts)
}

fn lasting(plan: &mut TankPlan, inner: Condition, seconds: u64) -> ConditionId {
    let inner = plan.add(inner);
    plan.add(Condition::Lasting { inner, span: Span::from_seconds(seconds), unknown: TimerUnknown::Freezes })
}

/// Low for so long, and not high: two parts, and one below a `not`.
fn two_parts(plan: &mut TankPlan, of: fn(Vec<ConditionId>) -> Condition, other: f64, seconds: u64) -> ConditionId {
    let first = lasting(plan, low(-95.0), seconds);
    let high = plan.add(compare(1, Estimate::Voted, Side::Above, other, Doubtful::Counts));
    let not_high = plan.add(Condition::Not(high));
    plan.add(of(vec![first, not_high]))
}

/// Seconds from a low level to the trip, with a reload half a minute after the level fell.
fn trips_after(before: TankPlan, reloaded: Option<TankPlan>) -> u64 {
    let mut world = World::with(before, Remembered::Nothing);
    world.advance(minutes(2));
    world.reads[LEVEL] = Some(-100.0);
    world.advance(seconds(30));
    if let Some(plan) = reloaded {
        world.reload(plan);
    }
    (31..300)
        .find(|_| {
            world.advance(seconds(1));
            world.interlock("return-pump-dry") == "tripped"
        })
        .expect("it trips")
}

#[test]
fn a_delay_goes_on_over_a_reload_that_asks_the_same() {
    let minute = || stopped_by(|plan| lasting(plan, low(-95.0), 60));
    let alone = trips_after(minute(), None);
    assert!((60..90).contains(&alone), "{alone}");
    let moved = stopped_by(|plan| {
        plan.add(low(-1.0));
        lasting(plan, low(-95.0), 60)
    });
    assert_eq!(trips_after(minute(), Some(minute())), alone);
    assert_eq!(trips_after(minute(), Some(moved)), alone, "whatever its place");
}

#[test]
fn a_delay_begins_anew_where_a_reload_asks_something_else() {
    let minute = || stopped_by(|plan| lasting(plan, low(-95.0), 60));
    let alone = trips_after(minute(), None);
    let mut renamed = minute();
    renamed.signals[1].name = Name::new("sump-height");
    for (what, plan) in [
        ("another limit", stopped_by(|plan| lasting(plan, low(-94.0), 60))),
        ("another signal of the same probe", renamed),
        (
            "another kind",
            stopped_by(|plan| {
                let inner = lasting(plan, low(-95.0), 60);
                plan.add(Condition::All(vec![inner]))
            }),
        ),
    ] {
        let anew = trips_after(minute(), Some(plan));
        // The delay of a minute began some seconds before the reload.
        assert!((alone + 5..alone + 40).contains(&anew), "{what}: {anew} after {alone}");
    }
}

#[test]
fn all_parts_of_a_cause_are_the_same_or_it_begins_anew() {
    let all = |other| stopped_by(move |plan| two_parts(plan, Condition::All, other, 60));
    let any = || {
        stopped_by(|plan| {
            let both = two_parts(plan, Condition::All, 50.0, 60);
            let none = two_parts(plan, Condition::All, -240.0, 600);
            plan.add(Condition::Any(vec![both, none]))
        })
    };
    let alone = trips_after(all(50.0), None);
    assert_eq!(trips_after(all(50.0), Some(all(50.0))), alone);
    for (what, plan) in [("the second part", all(60.0)), ("one part more", any())] {
        let anew = trips_after(all(50.0), Some(plan));
        assert!((alone + 5..alone + 40).contains(&anew), "{what}: {anew} after {alone}");
    }
    assert_eq!(trips_after(any(), Some(any())), trips_after(any(), None), "nested parts go over too");
}

#[test]
fn a_trip_stands_over_a_reload_that_changes_its_cause_while_that_is_true() {
    for plan in [
        stopped_by(|plan| lasting(plan, low(-95.0), 10)),
        stopped_by(|plan| lasting(plan, low(-90.0), 120)),
        stopped_by(|plan| two_parts(plan, Condition::All, 50.0, 120)),
        stopped_by(|plan| two_parts(plan, Condition::Agree, 50.0, 120)),
        stopped_by(|plan| {
            let wanted = plan.add(low(-90.0));
            let once = plan.add(Condition::Lasting { inner: wanted, span: minutes(2), unknown: TimerUnknown::Resets });
            plan.add(Condition::Lasting { inner: once, span: minutes(3), unknown: TimerUnknown::Freezes })
        }),
    ] {
        let mut world = World::settled();
        world.reads[LEVEL] = Some(-100.0);
        world.advance(minutes(2));
        assert_eq!((world.interlock("return-pump-dry"), world.last_command(RETURN)), ("tripped", Some(Off)));
        let reloaded = world.now.steady;
        world.reload(plan);
        for _ in 0..60 {
            world.advance(seconds(1));
            assert_eq!(world.interlock("return-pump-dry"), "tripped");
        }
        assert!(!world.commands_since(reloaded, RETURN).contains(&On));
    }
}

#[test]
fn a_trip_ends_where_the_new_cause_is_not_true() {
    let mut world = World::settled();
    world.reads[LEVEL] = Some(-100.0);
    world.advance(minutes(2));
    world.reload(stopped_by(|plan| lasting(plan, low(-150.0), 10)));
    world.advance(seconds(20));
    assert_eq!(world.interlock("return-pump-dry"), "armed");
    // Below a `not` a delay is no part of the cause: it is not taken as over.
    let mut world = World::settled();
    world.reads[LEVEL] = Some(-100.0);
    world.advance(minutes(2));
    let not = stopped_by(|plan| {
        let low = lasting(plan, low(-95.0), 60);
        plan.add(Condition::Not(low))
    });
    world.reload(not);
    world.advance(seconds(20));
    assert_eq!(world.interlock("return-pump-dry"), "tripped", "it has not been low for a minute by the new cause");
}

#[test]
fn a_latch_and_a_trip_s_history_stand_over_a_reload() {
    let mut world = World::settled();
    world.reads[FLOAT] = Some(1.0);
    world.advance(seconds(30));
    world.reads[FLOAT] = Some(0.0);
    world.advance(seconds(30));
    assert_eq!(world.interlock("top-off-high"), "latched");
    let before =
        world.tank.status(world.now).interlocks.iter().map(|one| (one.state, one.cause.clone())).collect::<Vec<_>>();
    let mut other = plan();
    let wet = other.add(Condition::Contact {
        signal: crate::control::ids::SignalId::new(3),
        wet: true,
        doubtful: Doubtful::Counts,
    });
    other.interlocks[1].cause = wet;
    world.reload(other);
    let after =
        world.tank.status(world.now).interlocks.iter().map(|one| (one.state, one.cause.clone())).collect::<Vec<_>>();
    assert_eq!(before, after, "in the very moment of the reload");
    world.advance(minutes(5));
    assert_eq!(world.interlock("top-off-high"), "latched");
}

#[test]
fn a_reload_that_forbids_a_bypass_ends_it_and_another_one_leaves_it() {
    let bypassed = || {
        let mut world = World::settled();
        let reason = "the float valve is being mended".to_owned();
        let bypass = Request::Bypass { interlock: "return-pump-dry".to_owned(), reason, lasting: Some(minutes(20)) };
        let id = world.ask(bypass);
        assert_eq!(world.answers[&id].outcome, crate::control::Outcome::Done, "{:?}", world.answers[&id]);
        world
    };
    let dry = |world: &mut World| {
        world.reads[LEVEL] = Some(-100.0);
        world.advance(minutes(2));
        world.last_command(RETURN)
    };
    let mut world = bypassed();
    world.reload(plan());
    assert_ne!(dry(&mut world), Some(Off), "it is set aside, with a reason and an end");
    let mut world = bypassed();
    let mut strict = plan();
    strict.interlocks[DRY].bypassable = false;
    world.reload(strict);
    assert_eq!(dry(&mut world), Some(Off));
}

#[test]
fn a_probe_that_is_understood_differently_proves_itself_anew_and_the_others_go_on() {
    let mut world = World::settled();
    let mut calibrated = plan();
    calibrated.probes[LEVEL].calibration = Calibration { slope: 1.0, offset: 2.0 };
    world.reload(calibrated);
    let good = |world: &World, probe: usize| world.tank.status(world.now).probes[probe].quality.is_good();
    assert_eq!([DISPLAY, SUMP, LEVEL, FLOAT].map(|probe| good(&world, probe)), [true, true, false, true]);
    world.advance(minutes(1));
    assert!(good(&world, LEVEL));
    assert_eq!(world.tank.status(world.now).probes[LEVEL].value, Some(2.0));
}

#[test]
fn what_a_start_waits_for_is_waited_for_once() {
    // Ten minutes of proven flow are behind it, so that a low level is answered within minutes of a reload.
    let mut world = top_off::ready(plan());
    world.reload(plan());
    world.reads[LEVEL] = Some(-6.0);
    world.advance(minutes(3));
    assert_eq!(top_off::runs(&world).len() + usize::from(world.plugs[TOP_OFF] == On), 1);
    // Where the flow is seen by something else it has yet to be proven.
    let mut world = top_off::ready(plan());
    let mut other = plan();
    let seen = other.add(Condition::Output { output: OutputId::new(POWERHEAD), fact: OutputFact::ProvenOn });
    let flow = other.add(Condition::Lasting { inner: seen, span: minutes(10), unknown: TimerUnknown::Resets });
    other.outputs[TOP_OFF].permissives[2].condition = flow;
    other.top_offs[0].steady = Some(flow);
    world.reload(other);
    world.reads[LEVEL] = Some(-6.0);
    world.advance(minutes(9));
    assert_ne!(world.last_command(TOP_OFF), Some(On));
    world.advance(minutes(3));
    assert_eq!(world.commands_since(world.now.steady.before(minutes(3)), TOP_OFF).first(), Some(&On));
}

#[test]
fn the_delay_of_an_alarm_s_own_cause_and_of_a_rule_goes_on_over_a_reload() {
    let with = |limit: f64| {
        let mut plan = plan();
        let low = lasting(&mut plan, low(limit), 120);
        plan.alarms.push(at_once("low-for-long", AlarmSource::Condition(low)));
        let fan = lasting(&mut plan, compare(1, Estimate::Voted, Side::Below, limit, Doubtful::Counts), 120);
        let wishes = vec![(OutputId::new(FAN), On)];
        plan.rules.push(RulePlan { name: Name::new("low-fan"), cause: fan, wishes });
        plan
    };
    let after = |new: Option<TankPlan>| {
        let mut world = World::with(with(-20.0), Remembered::Nothing);
        world.advance(minutes(2));
        world.reads[LEVEL] = Some(-30.0);
        world.advance(seconds(100));
        if let Some(plan) = new {
            world.reload(plan);
        }
        world.advance(seconds(50));
        (world.raised("low-for-long"), world.last_command(FAN) == Some(On))
    };
    assert_eq!(after(None), (true, true));
    assert_eq!(after(Some(with(-20.0))), (true, true));
    assert_eq!(after(Some(with(-21.0))), (false, false), "another limit waits for its own two minutes");
}

#[test]
fn a_run_that_goes_on_is_judged_over_a_reload_and_its_pump_is_not_told_twice() {
    let mut world = top_off::ready(plan());
    world.reads[LEVEL] = Some(-6.0);
    world.advance_until_on(TOP_OFF);
    world.advance(seconds(10));
    world.reload(plan());
    world.advance(minutes(4));
    let runs = top_off::runs(&world);
    assert_eq!(runs.len(), 1, "{runs:?}");
    assert_eq!(runs[0].1, seconds(36), "its length is that of a run, reload or not");
    assert!(top_off::of(&world).last_run.contains("raised the level by"), "{:?}", top_off::of(&world));
    assert_eq!(top_off::of(&world).misses, 1);
}

//! Stories of the top-off: runs and their answers, budgets and restarts. Row numbers are those of the
//! project's hazard list.

use super::lagoon::*;
use crate::control::effect::Durability;
use crate::control::ids::{OutputId, SignalId, TopOffId};
use crate::control::plan::Switch::{Off, On};
use crate::control::plan::{
    Advice, AlarmPlan, AlarmSource, Condition, Doubtful, Estimate, Gauge, Permissive, Priority, Side, TankPlan,
    TimerUnknown, TopOffFact,
};
use crate::control::status::TopOffStatus;
use crate::control::{Effect, Outcome, Remembered, Request};
use crate::time::{Span, Steady};
use crate::units::{Quantity, Volume};

/// A lagoon that has run soundly for long enough that nothing but its level decides.
pub(super) fn ready(plan: TankPlan) -> World {
    let mut world = World::with(plan, Remembered::Nothing);
    world.advance(minutes(15));
    world.commands.clear();
    world
}

pub(super) fn of(world: &World) -> TopOffStatus {
    world.tank.status(world.now).top_offs[0].clone()
}

pub(super) fn interlock(world: &World, name: &str) -> &'static str {
    world.tank.status(world.now).interlocks.iter().find(|interlock| &*interlock.interlock == name).unwrap().state
}

/// Each time that it was told on, and for how long.
pub(super) fn runs(world: &World) -> Vec<(Steady, Span)> {
    let mut runs = Vec::new();
    let mut on: Option<Steady> = None;
    for (at, _, to) in world.commands.iter().filter(|(_, output, _)| *output == TOP_OFF) {
        match (to, on) {
            (On, None) => on = Some(*at),
            (Off, Some(since)) => {
                runs.push((since, at.since(since)));
                on = None;
            }
            _ => {}
        }
    }
    runs
}

fn why(world: &World) -> String {
    let explained = world.tank.explain(OutputId::new(TOP_OFF), world.now);
    explained.layers.iter().find(|layer| layer.decides).map(|layer| layer.why.clone()).unwrap_or_default()
}

#[test]
fn a_low_level_gets_one_run_that_ends_at_the_running_level_and_is_judged() {
    let mut world = ready(plan());
    world.reads[LEVEL] = Some(-4.5);
    world.top_off_for(minutes(20), 1.0);
    let runs = runs(&world);
    assert_eq!(runs.len(), 1, "{runs:?}");
    assert!((seconds(18)..=seconds(36)).contains(&runs[0].1), "{runs:?}");
    let status = of(&world);
    assert!((status.litres_in_24_hours - runs[0].1.seconds() * LITRES_PER_SECOND).abs() < 0.01, "{status:?}");
    assert!(status.last_run.contains("raised the level by"), "{status:?}");
    assert_eq!((status.misses, status.state), (0, "waiting"));
}

#[test]
fn the_water_of_a_run_is_reserved_on_disk_before_its_pump_is_told_on() {
    let mut world = ready(plan());
    world.reads[LEVEL] = Some(-4.5);
    world.effects.clear();
    world.advance_until_on(TOP_OFF);
    let at = |wanted: &dyn Fn(&Effect) -> bool| world.effects.iter().position(wanted).unwrap();
    let save = at(&|effect| *effect == Effect::SaveState(Durability::BeforeWhatFollows));
    let told = at(&|effect| matches!(effect, Effect::SwitchPlug { output, to: On, .. } if output.index() == TOP_OFF));
    assert!(save < told);
    // 36 s of a run and 30 s of a plug that nobody reaches any more.
    let reserved = world.tank.state().top_offs["top-off"].reserved.unwrap();
    assert!((reserved - 66.0 * LITRES_PER_SECOND).abs() < 1e-9, "{reserved}");
    assert!((of(&world).litres_in_24_hours - reserved).abs() < 1e-9, "what goes on counts as given");
}

#[test]
fn a_reload_gives_no_budget_back_and_forgets_no_miss() {
    let mut world = ready(plan());
    world.reads[LEVEL] = Some(-6.0);
    world.advance_until_on(TOP_OFF);
    world.advance(minutes(3));
    let before = of(&world);
    assert!(before.litres_in_24_hours > 0.29 && before.misses == 1, "{before:?}");
    world.reload(plan());
    let after = of(&world);
    assert_eq!(
        (after.litres_in_24_hours, after.misses, after.last_run),
        (before.litres_in_24_hours, 1, before.last_run)
    );
    world.advance(minutes(12));
    assert_eq!(interlock(&world, "top-off-no-response"), "latched", "the second miss, though a reload lies between");
}

#[test]
fn what_somebody_else_lets_the_pump_give_is_spent_too() {
    let mut world = ready(plan());
    world.somebody_lets_run(TOP_OFF, seconds(24));
    world.report(TOP_OFF, Off);
    world.advance(minutes(3));
    let given = of(&world).litres_in_24_hours;
    assert!((0.19..0.5).contains(&given), "{given} L: 24 s and more of 0.5 L a minute");
}

#[test]
fn a_kill_between_the_second_miss_and_its_latch_forgets_neither() {
    let mut world = ready(plan());
    world.restart_with(|mut state| {
        state.top_offs.get_mut("top-off").unwrap().misses = 2;
        Remembered::State(Box::new(state))
    });
    world.advance(seconds(1));
    assert_eq!(interlock(&world, "top-off-no-response"), "latched");
}

#[test]
fn a_level_that_does_not_answer_gets_one_retry_and_then_a_latch_f13_f39() {
    let mut world = ready(plan());
    world.reads[LEVEL] = Some(-6.0);
    world.advance(minutes(30));
    let made = runs(&world);
    assert_eq!(made.len(), 2, "{made:?}");
    assert!(made.iter().all(|(_, ran)| *ran == seconds(36)), "{made:?}");
    assert!(made[1].0.since(made[0].0) >= minutes(10));
    assert_eq!(interlock(&world, "top-off-no-response"), "latched");
    world.advance(minutes(60));
    assert_eq!(runs(&world).len(), 2, "latched until reset");
    assert!(
        why(&world).contains("raised the level by 0.0 mm, and should by 8.0 mm: no answer twice"),
        "{}",
        why(&world)
    );
    world.kill_and_restart();
    world.advance(minutes(30));
    assert_eq!(interlock(&world, "top-off-no-response"), "latched", "a latch survives a kill");
    world.commands.clear();
    let reset = world.ask(Request::Reset { interlock: Some("top-off-no-response".to_owned()) });
    assert_eq!(world.answers[&reset].outcome, Outcome::Done, "{:?}", world.answers[&reset]);
    world.top_off_for(minutes(30), 1.0);
    assert_eq!(runs(&world).len(), 1);
    assert_eq!(of(&world).misses, 0);
}

#[test]
fn an_answer_between_two_misses_forgives_the_first() {
    let mut world = ready(plan());
    world.reads[LEVEL] = Some(-6.0);
    world.advance_until_on(TOP_OFF);
    world.advance(minutes(5));
    assert_eq!(of(&world).misses, 1);
    world.top_off_for(minutes(15), 1.0);
    assert_eq!(of(&world).misses, 0);
    assert_eq!(interlock(&world, "top-off-no-response"), "armed");
}

#[test]
fn a_kill_in_the_middle_of_a_run_leaves_its_whole_reservation_spent() {
    let mut world = ready(plan());
    world.reads[LEVEL] = Some(-6.0);
    world.advance_until_on(TOP_OFF);
    world.advance(seconds(5));
    world.kill_and_restart();
    world.advance(minutes(1));
    let reserved = 66.0 * LITRES_PER_SECOND;
    assert!((of(&world).litres_in_24_hours - reserved).abs() < 1e-6, "{:?}", of(&world));
    assert!(runs(&world).len() <= 1, "nothing is topped off after a start");
}

/// Runs that answer, with evaporation that never ends, until the day is spent.
fn until_spent(world: &mut World) {
    for _ in 0..30 {
        world.reads[LEVEL] = Some(-6.0);
        world.top_off_for(minutes(15), 1.0);
    }
}

#[test]
fn no_hour_and_no_day_gets_more_than_its_budget_and_a_restart_gives_nothing_back() {
    let mut world = ready(plan());
    until_spent(&mut world);
    let given = runs(&world).iter().map(|(_, ran)| ran.seconds() * LITRES_PER_SECOND).sum::<f64>();
    assert!(given <= PER_DAY && given > 0.6 * PER_DAY, "{given}");
    let status = of(&world);
    assert!(status.day_left_litres < 0.55, "{status:?}");
    world.reads[LEVEL] = Some(-6.0);
    world.advance(minutes(15));
    assert!(why(&world).contains("L of 1.50 L are spent in the last 24 h"), "{}", why(&world));
    let before = runs(&world).len();
    world.kill_and_restart();
    // The wall clock jumps by two days while the daemon is down: no water comes of that.
    world.now.wall = world.now.wall.after(Span::from_hours(48));
    world.advance(Span::from_hours(10));
    assert_eq!(runs(&world).len(), before, "{:?}", of(&world));
    world.advance(Span::from_hours(14));
    assert!(runs(&world).len() > before, "a day later it tops off again: {}", why(&world));
}

#[test]
fn a_force_is_one_run_and_is_paid_from_the_budget() {
    let mut world = ready(plan());
    world.force("top-off", On, 10);
    world.advance(minutes(12));
    let made = runs(&world);
    assert_eq!(made.len(), 1);
    assert_eq!(made[0].1, seconds(36));
    assert!((of(&world).litres_in_24_hours - 0.3).abs() < 0.01, "{:?}", of(&world));
    until_spent(&mut world);
    let before = runs(&world).len();
    let force = world.force("top-off", On, 1);
    world.advance(minutes(2));
    assert_eq!(world.answers[&force].outcome, Outcome::Refused, "{:?}", world.answers[&force]);
    assert!(world.answers[&force].details[0].contains("its budget"), "{:?}", world.answers[&force]);
    assert_eq!(runs(&world).len(), before);
}

#[test]
fn a_lost_record_counts_as_a_day_that_is_spent_until_somebody_acknowledges_it() {
    let mut world = ready(plan());
    world.restart_with(|_| Remembered::Damaged("its checksum is wrong".to_owned()));
    world.commands.clear();
    world.reads[LEVEL] = Some(-6.0);
    world.advance(Span::from_hours(3));
    assert!(runs(&world).is_empty());
    assert!(why(&world).contains("1.50 L of 1.50 L are spent"), "{}", why(&world));
    world.ask(Request::Acknowledge { alarm: Some("state-damaged".to_owned()) });
    world.advance_until_on(TOP_OFF);
}

#[test]
fn a_hold_inhibits_until_the_flow_is_proven_for_ten_minutes_f35() {
    let mut world = ready(plan());
    world.hold("water-change");
    world.reads[LEVEL] = Some(-6.0);
    world.advance(minutes(5));
    world.ask(Request::Release { procedure: None });
    let released = world.now.steady;
    world.advance_until_on(TOP_OFF);
    assert!(world.now.steady.since(released) >= minutes(10));
}

#[test]
fn a_hold_in_the_middle_of_a_run_ends_it_without_a_verdict() {
    let mut world = ready(plan());
    world.reads[LEVEL] = Some(-6.0);
    world.advance_until_on(TOP_OFF);
    world.advance(seconds(15));
    world.hold("water-change");
    world.advance(minutes(3));
    let made = runs(&world);
    assert!(made.len() == 1 && made[0].1 <= seconds(16), "{made:?}");
    assert_eq!(of(&world).misses, 0);
    assert!(of(&world).last_run.contains("is not judged"), "{:?}", of(&world));
}

#[test]
fn a_level_that_goes_on_rising_without_the_pump_is_a_siphon_f36() {
    let mut world = ready(plan());
    world.reads[LEVEL] = Some(-4.5);
    world.top_off_for(minutes(3), 1.0);
    assert_eq!(runs(&world).len(), 1);
    for _ in 0..16 {
        *world.reads[LEVEL].as_mut().unwrap() += 0.5;
        world.advance(seconds(15));
    }
    assert_eq!(interlock(&world, "top-off-siphon"), "latched", "{:?}", of(&world));
    assert!(of(&world).last_run.contains("with the pump off"), "{:?}", of(&world));
}

#[test]
fn two_readings_that_leap_after_a_run_are_the_probes_noise_and_no_siphon() {
    let mut world = ready(plan());
    world.reads[LEVEL] = Some(-4.5);
    world.top_off_for(minutes(3), 1.0);
    assert_eq!(runs(&world).len(), 1);
    let settled = world.reads[LEVEL].unwrap();
    for _ in 0..3 {
        world.reads[LEVEL] = Some(settled + 4.0);
        world.advance(seconds(20));
        world.reads[LEVEL] = Some(settled);
        world.advance(seconds(30));
    }
    assert_ne!(interlock(&world, "top-off-siphon"), "latched", "{:?}", of(&world));
    // What stays up is none.
    world.reads[LEVEL] = Some(settled + 4.0);
    world.advance(seconds(120));
    assert_eq!(interlock(&world, "top-off-siphon"), "latched", "{:?}", of(&world));
}

#[test]
fn a_rise_of_more_than_was_pumped_is_a_siphon_too() {
    let mut world = ready(plan());
    world.reads[LEVEL] = Some(-4.5);
    world.top_off_for(minutes(5), 4.0);
    assert_eq!(interlock(&world, "top-off-siphon"), "latched", "{:?}", of(&world));
}

#[test]
fn a_level_that_is_lost_ends_the_run_at_once() {
    let mut world = ready(plan());
    world.reads[LEVEL] = Some(-6.0);
    world.advance_until_on(TOP_OFF);
    let from = world.now.steady;
    for _ in 0..3 {
        world.advance(seconds(1));
        world.read(LEVEL, f64::NAN);
    }
    assert_eq!(world.commands_since(from, TOP_OFF), [Off]);
    world.advance(minutes(30));
    assert_eq!(runs(&world).len(), 1, "and no other begins without a level");
}

#[test]
fn a_broker_that_goes_ends_the_run_and_the_plugs_lease_is_paid() {
    let mut world = ready(plan());
    world.reads[LEVEL] = Some(-6.0);
    world.advance_until_on(TOP_OFF);
    world.advance(seconds(10));
    world.broker = false;
    world.step(crate::control::Event::BrokerLost);
    world.advance(minutes(2));
    let spent = of(&world).litres_in_24_hours;
    assert!((spent - 40.0 * LITRES_PER_SECOND).abs() < 2.0 * LITRES_PER_SECOND, "{spent}");
}

/// The lagoon with a salinity and a reservoir in place of its second thermometer and its leak probe.
fn with_salinity_and_reservoir() -> TankPlan {
    let mut plan = plan();
    plan.probes[SUMP].quantity = Quantity::Salinity;
    (plan.probes[SUMP].least, plan.probes[SUMP].greatest, plan.probes[SUMP].fastest) = (20.0, 45.0, None);
    plan.signals[0].probes.truncate(1);
    plan.signals[3].probes = vec![crate::control::ids::ProbeId::new(SUMP)];
    plan.signals[3].quantity = Quantity::Salinity;
    plan.top_offs[0].salinity = Some(SignalId::new(3));
    plan.interlocks.remove(3);
    plan.alarms.retain(|alarm| !matches!(alarm.source, AlarmSource::Trip(_)));
    plan
}

#[test]
fn a_salinity_that_is_lost_leaves_half_of_the_days_budget() {
    let mut world = ready(with_salinity_and_reservoir());
    world.reads[SUMP] = Some(35.0);
    world.advance(minutes(2));
    assert!((of(&world).day_left_litres - PER_DAY).abs() < 1e-9, "{:?}", of(&world));
    world.reads[SUMP] = None;
    world.advance(minutes(2));
    assert!((of(&world).day_left_litres - PER_DAY / 2.0).abs() < 1e-9, "{:?}", of(&world));
    until_spent(&mut world);
    let given = runs(&world).iter().map(|(_, ran)| ran.seconds() * LITRES_PER_SECOND).sum::<f64>();
    assert!(given > 0.0 && given <= PER_DAY / 2.0, "{given}");
    world.reads[LEVEL] = Some(-6.0);
    world.advance(minutes(15));
    assert!(why(&world).contains("(half, for floor-leak is not known)"), "{}", why(&world));
}

#[test]
fn an_empty_reservoir_withholds_the_start_f37() {
    let mut plan = with_salinity_and_reservoir();
    plan.top_offs[0].salinity = None;
    let full = plan.add(Condition::Compare {
        signal: SignalId::new(3),
        estimate: Estimate::Voted,
        side: Side::Above,
        limit: 30.0,
        deadband: 0.0,
        alone_margin: 0.0,
        doubtful: Doubtful::IsUnknown,
    });
    let need = Permissive { name: crate::control::ids::Name::new("reservoir"), condition: full };
    plan.outputs[TOP_OFF].permissives.push(need);
    let mut world = ready(plan);
    world.reads[SUMP] = Some(21.0);
    world.advance(minutes(2));
    world.reads[LEVEL] = Some(-6.0);
    world.advance(minutes(30));
    assert!(runs(&world).is_empty());
    assert!(why(&world).contains("its start needs reservoir"), "{}", why(&world));
    world.reads[SUMP] = Some(40.0);
    world.advance_until_on(TOP_OFF);
}

/// The lagoon with nothing but a low float (in the place of the leak probe) and a timed run.
fn simplest() -> TankPlan {
    let mut plan = plan();
    let low = SignalId::new(3);
    let dry = plan.add(Condition::Contact { signal: low, wet: false, doubtful: Doubtful::IsUnknown });
    let wanted = plan.add(Condition::Lasting { inner: dry, span: seconds(60), unknown: TimerUnknown::Resets });
    plan.interlocks.remove(3);
    plan.alarms.retain(|alarm| !matches!(alarm.source, AlarmSource::Trip(_)));
    let top_off = &mut plan.top_offs[0];
    top_off.wanted = wanted;
    top_off.gauge = Gauge::LowFloat(low);
    top_off.longest = seconds(18);
    top_off.salinity = None;
    plan
}

/// Its low float gets dry after a sound quarter of an hour, and the run has just begun.
fn running_for_its_float(plan: TankPlan) -> World {
    let mut world = World::with(plan, Remembered::Nothing);
    world.reads[LEAK] = Some(1.0);
    world.advance(minutes(15));
    world.commands.clear();
    world.reads[LEAK] = Some(0.0);
    world.advance_until_on(TOP_OFF);
    world
}

#[test]
fn the_simplest_fit_makes_a_timed_run_that_the_low_float_must_answer() {
    let mut world = running_for_its_float(simplest());
    world.advance(seconds(30));
    assert_eq!(runs(&world).iter().map(|(_, ran)| *ran).collect::<Vec<_>>(), [seconds(18)]);
    world.reads[LEAK] = Some(1.0);
    world.advance(minutes(15));
    assert_eq!(of(&world).last_run, "after a run of 18 s the low float is wet");
    // The hose is off: dry again, and dry it stays.
    world.reads[LEAK] = Some(0.0);
    world.advance(Span::from_hours(1));
    assert_eq!(runs(&world).len(), 3);
    assert_eq!(interlock(&world, "top-off-no-response"), "latched");
}

#[test]
fn a_timed_run_ends_at_its_low_float_or_at_its_time_whichever_comes_first() {
    let ran = |wet_after: Option<u64>| {
        let mut plan = simplest();
        // The longest that any run may last is not what ends this one.
        plan.top_offs[0].longest = seconds(60);
        let mut world = running_for_its_float(plan);
        if let Some(after) = wet_after {
            world.advance(seconds(after));
            world.read(LEAK, 1.0);
        }
        world.advance(minutes(2));
        runs(&world)[0].1
    };
    assert_eq!(ran(None), seconds(18));
    assert!(ran(Some(6)) <= seconds(8), "{}", ran(Some(6)));
}

/// A feeding in the middle of a run, and a day's budget that has no room for another whole one: the low float would
/// stay dry, and what needs water stay off, until a run of yesterday is a day old.
#[test]
fn a_run_that_a_hold_cuts_short_leaves_only_its_rest_to_the_next_one() {
    let mut plan = simplest();
    let (run, lease) = (18.0, 30.0);
    plan.top_offs[0].per_day = Volume::from_litres((run + lease + 1.0) * LITRES_PER_SECOND).unwrap();
    let mut world = running_for_its_float(plan);
    world.advance(seconds(9));
    world.hold("water-change");
    world.advance(minutes(5));
    world.ask(Request::Release { procedure: None });
    world.advance(Span::from_hours(2));
    let lasted: Vec<f64> = runs(&world).iter().map(|(_, ran)| ran.seconds()).collect();
    assert_eq!(lasted.len(), 2, "{lasted:?}: {}", why(&world));
    assert!((lasted[0] + lasted[1] - run).abs() < 0.01, "two parts of one run: {lasted:?}");
    assert_eq!(of(&world).refills, 0, "half a run tells nothing of evaporation");
    // It is still dry after a whole run: the next one is a whole one again, and must wait for the budget.
    assert!(why(&world).contains("budget"), "{}", why(&world));
}

#[test]
fn the_simplest_fit_waits_while_the_high_float_is_not_known_to_be_dry() {
    let mut world = World::with(simplest(), Remembered::Nothing);
    world.reads[FLOAT] = None;
    world.advance(minutes(30));
    assert!(runs(&world).is_empty());
}

#[test]
fn a_budget_that_is_reached_twice_in_a_week_is_told_and_never_raised() {
    let mut plan = plan();
    let cause = plan.add(Condition::TopOff { top_off: TopOffId::new(0), fact: TopOffFact::OverBudget });
    plan.top_offs[0].per_day = Volume::from_litres(0.7).unwrap();
    plan.alarms.push(AlarmPlan {
        name: crate::control::ids::Name::new("top-off-budget"),
        priority: Priority::Medium,
        source: AlarmSource::Condition(cause),
        on_delay: Span::ZERO,
        off_delay: seconds(60),
        latches: false,
        advice: Advice::default(),
    });
    let mut world = ready(plan);
    until_spent(&mut world);
    assert!(!world.raised("top-off-budget"), "once is no pattern");
    for _ in 0..4 {
        until_spent(&mut world);
    }
    assert!(world.raised("top-off-budget"));
    assert!(runs(&world).iter().filter(|(at, _)| world.now.steady.since(*at) < Span::from_hours(24)).count() <= 3);
}

/// The interlock of the high floats is one path, and the run itself is another.
#[test]
fn a_run_goes_on_only_while_every_high_float_is_seen_to_be_dry_whatever_the_interlocks_do() {
    let running = || {
        let mut plan = plan();
        plan.interlocks[1].effects.clear();
        let (float, second) = (plan.probes.len(), plan.signals.len());
        plan.probes.push(probe("float-top", Quantity::Contact, 0.0, 1.0));
        plan.probes[float].stale_after = seconds(12);
        plan.signals.push(signal("float-top", Quantity::Contact, &[float]));
        plan.top_offs[0].high.push(SignalId::new(second));
        let mut world = World::with(plan, Remembered::Nothing);
        world.reads.push(Some(0.0));
        world.advance(minutes(15));
        world.reads[LEVEL] = Some(-4.5);
        world.advance_until_on(TOP_OFF);
        (world, float)
    };
    let (mut world, second) = running();
    world.advance(seconds(3));
    for float in [FLOAT, second] {
        world.read(float, 0.0);
        assert_eq!(world.last_command(TOP_OFF), Some(On));
    }
    world.read(FLOAT, 1.0);
    assert_eq!(world.last_command(TOP_OFF), Some(Off));
    let (mut world, second) = running();
    world.read(second, 1.0);
    assert_eq!(world.last_command(TOP_OFF), Some(Off));
    let (mut world, second) = running();
    world.reads[second] = None;
    world.advance(seconds(13));
    assert_eq!(world.last_command(TOP_OFF), Some(Off), "not heard for 12 s");
}

#[test]
fn a_quarter_of_what_a_run_should_give_is_an_answer_and_less_is_none() {
    for (gain, answered) in [(0.2, false), (0.3, true), (1.0, true)] {
        let mut world = ready(plan());
        world.reads[LEVEL] = Some(-6.0);
        world.top_off_for(minutes(6), gain);
        assert_eq!(runs(&world).len(), 1, "{gain}");
        assert_eq!(of(&world).misses == 0, answered, "{gain}: {}", of(&world).last_run);
    }
}

#[test]
fn water_that_drains_back_while_a_run_is_watched_is_no_siphon() {
    let mut world = ready(plan());
    world.reads[LEVEL] = Some(-4.5);
    world.top_off_for(minutes(3), 1.0);
    assert_eq!(of(&world).state, "watching", "{:?}", of(&world));
    world.hold("feeding");
    world.advance(seconds(10));
    world.reads[LEVEL] = Some(80.0);
    world.advance(minutes(4));
    world.reads[LEVEL] = Some(0.0);
    world.ask(Request::Release { procedure: None });
    world.advance(minutes(4));
    assert_eq!(interlock(&world, "top-off-siphon"), "armed", "{}", of(&world).last_run);
}

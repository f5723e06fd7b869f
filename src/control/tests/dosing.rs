//! Dosing: stories of missed slots, clocks and kills, and invariant 3 under random events, against a dose book that
//! is made of the raw commands alone.

use proptest::prelude::*;
use proptest::test_runner::{Config, RngSeed};

use super::lagoon::*;
use crate::control::dosing::{Adds, DoseAsk, DosingFact, DosingPlan, even_slots};
use crate::control::event::{Event, Request, Retained};
use crate::control::ids::{DoserId, OutputId};
use crate::control::plan::*;
use crate::control::{Effect, Outcome, Remembered};
use crate::time::{Span, Steady, Wall};
use crate::units::Power;

pub(super) const ALKALINITY: usize = 6;
pub(super) const CALCIUM: usize = 7;
pub(super) const PUMPS: [usize; 2] = [ALKALINITY, CALCIUM];
/// mL a minute: 20 mL a day in 24 slots are ten seconds each.
pub(super) const RATE: f64 = 5.0;
const PLAN: f64 = 20.0;
const K: f64 = 2.803_85 / 87.0;

pub(super) fn lagoon() -> TankPlan {
    let mut plan = plan();
    for (index, name) in [(ALKALINITY, "alkalinity"), (CALCIUM, "calcium")] {
        let mut pump = plan.outputs[TOP_OFF].clone();
        pump.name = crate::control::ids::Name::new(name);
        pump.kind = OutputKind::Doser;
        pump.rating = Power::from_watts(4.0).ok();
        pump.least_off = Span::ZERO;
        pump.permissives.clear();
        plan.outputs.push(pump);
        assert_eq!(plan.outputs.len(), index + 1);
    }
    let proven = |output: usize| Condition::Output { output: OutputId::new(output), fact: OutputFact::ProvenOn };
    let mut needs = Vec::new();
    for (name, output) in [("flow-proven", RETURN), ("powerhead-proven", POWERHEAD)] {
        let inner = plan.add(proven(output));
        let condition = plan.add(Condition::Lasting { inner, span: minutes(15), unknown: TimerUnknown::Resets });
        needs.push(Permissive { name: crate::control::ids::Name::new(name), condition });
    }
    let held = plan.add(Condition::Held(None));
    let condition = plan.add(Condition::Not(held));
    needs.push(Permissive { name: crate::control::ids::Name::new("no-hold"), condition });
    for pump in PUMPS {
        plan.outputs[pump].permissives.clone_from(&needs);
    }
    let pump = |output: usize, adds, offset, partner| DosingPlan {
        output: OutputId::new(output),
        adds,
        per_day: PLAN,
        slots: even_slots(24, offset, 0.5),
        delivers: RATE,
        most_per_day: 1.0 / K,
        most_per_hour: 0.15 / K,
        dkh_per_ml: Some(K),
        container: 500.0,
        partner: Some(DoserId::new(partner)),
        apart: minutes(15),
    };
    for hold in [0, 2] {
        plan.holds[hold].pauses.extend(PUMPS.map(OutputId::new));
    }
    plan.dosing = vec![pump(ALKALINITY, Adds::Carbonate, 0, 1), pump(CALCIUM, Adds::Calcium, 1800, 0)];
    let cause = |plan: &mut TankPlan, doser, fact| plan.add(Condition::Dosing { doser: DoserId::new(doser), fact });
    let behind = cause(&mut plan, 0, DosingFact::Behind);
    let unproven = cause(&mut plan, 0, DosingFact::Unproven);
    let container = cause(&mut plan, 0, DosingFact::LowContainer);
    plan.alarms.push(at_once("alkalinity-behind", AlarmSource::Condition(behind)));
    plan.alarms.push(at_once("alkalinity-unproven", AlarmSource::Condition(unproven)));
    plan.alarms.push(at_once("alkalinity-container", AlarmSource::Condition(container)));
    plan
}

/// A lagoon that has doses behind it: 10:00 UTC and a quarter of an hour, 11:15 in Lisbon.
pub(super) fn world() -> World {
    let mut world = World::with(lagoon(), Remembered::Nothing);
    world.advance(minutes(16));
    world
}

/// When a pump was told on.
pub(super) fn doses(world: &World, pump: usize) -> usize {
    world.commands.iter().filter(|(_, index, to)| *index == pump && *to == Switch::On).count()
}

fn given(world: &World, pump: usize) -> f64 {
    let mut on: Option<Steady> = None;
    let mut seconds = 0.0;
    for (at, index, to) in &world.commands {
        match (*index == pump, *to, on) {
            (true, Switch::On, _) => on = Some(*at),
            (true, Switch::Off, Some(since)) => {
                seconds += at.since(since).seconds();
                on = None;
            }
            _ => {}
        }
    }
    seconds / 60.0 * RATE
}

pub(super) fn ask(world: &mut World, pump: &str, what: DoseAsk) -> crate::control::Answer {
    let id = world.ask(Request::Dose { pump: pump.to_owned(), what });
    world.answers[&id].clone()
}

#[test]
fn a_day_gives_the_plan_in_its_slots_and_the_parts_keep_apart() {
    let mut world = world();
    world.advance(Span::from_hours(24));
    for pump in PUMPS {
        assert_eq!(doses(&world, pump), 24);
        assert!((given(&world, pump) - PLAN).abs() < 0.05, "{}", given(&world, pump));
    }
    let starts: Vec<(Steady, usize)> = world
        .commands
        .iter()
        .filter(|(_, index, to)| PUMPS.contains(index) && *to == Switch::On)
        .map(|(at, index, _)| (*at, *index))
        .collect();
    assert!(starts.windows(2).all(|pair| pair[1].0.since(pair[0].0) >= minutes(29)), "{starts:?}");
    assert!(world.refreshes.iter().all(|(_, output)| !PUMPS.contains(output)), "a dose is never refreshed");
}

#[test]
fn parts_whose_slots_fall_together_keep_apart_all_the_same() {
    let mut plan = lagoon();
    plan.dosing[1].slots = plan.dosing[0].slots.clone();
    let mut world = World::with(plan, Remembered::Nothing);
    world.advance(Span::from_hours(6));
    assert!(PUMPS.iter().all(|pump| doses(&world, *pump) >= 5));
    let told = world.commands.iter().filter(|(_, index, _)| PUMPS.contains(index));
    let told: Vec<_> = told.map(|(at, index, to)| (*at, *index, *to)).collect();
    let (mut on, mut ended): (Option<usize>, Option<Steady>) = (None, None);
    for (at, index, to) in told {
        if to == Switch::On {
            assert_eq!(on.replace(index), None, "both run");
            assert!(ended.is_none_or(|ended| at.since(ended) >= minutes(15)), "{index} at {at:?}");
        } else if on == Some(index) {
            (on, ended) = (None, Some(at));
        }
    }
}

#[test]
fn a_dose_is_told_once_with_its_own_countdown_and_its_record_stands_before_it() {
    let mut world = world();
    world.effects.clear();
    world.advance(Span::from_hours(1));
    let at = world
        .effects
        .iter()
        .position(|effect| {
            matches!(effect, Effect::SwitchPlug { output, to: Switch::On, .. } if output.index() == ALKALINITY)
        })
        .unwrap();
    let Effect::SwitchPlug { once, .. } = &world.effects[at] else { unreachable!() };
    assert_eq!(*once, Some(seconds(12)), "ten seconds and two");
    let before = crate::control::effect::Durability::BeforeWhatFollows;
    assert_eq!(world.effects[at - 1], Effect::SaveState(before));
}

#[test]
fn a_plug_that_says_nothing_or_ignores_the_command_is_never_told_on_twice() {
    for fault in [PlugFault::Mute, PlugFault::Ignores] {
        let mut world = world();
        world.faults[ALKALINITY] = fault;
        world.advance(Span::from_hours(4));
        assert_eq!(doses(&world, ALKALINITY), 4, "{fault:?}");
        assert!(world.raised("alkalinity-unproven"), "{fault:?}");
    }
}

#[test]
fn a_plug_that_restarts_in_a_dose_is_not_told_on_again() {
    let mut world = world();
    world.advance_until_on(ALKALINITY);
    let told = doses(&world, ALKALINITY);
    world.advance(seconds(3));
    let output = OutputId::new(ALKALINITY);
    for alive in [crate::control::event::Alive::No, crate::control::event::Alive::Yes] {
        world.step(Event::AliveArrived { output, alive: Ok(alive) });
    }
    world.report(ALKALINITY, Switch::Off);
    world.advance(minutes(20));
    assert_eq!(doses(&world, ALKALINITY), told);
}

#[test]
fn a_broker_that_comes_back_in_a_dose_does_not_repeat_it() {
    let mut world = world();
    world.advance_until_on(ALKALINITY);
    let told = doses(&world, ALKALINITY);
    world.advance(seconds(2));
    world.broker = false;
    world.step(Event::BrokerLost);
    world.advance(seconds(2));
    world.broker = true;
    world.step(Event::BrokerConnected);
    world.advance(minutes(20));
    assert_eq!(doses(&world, ALKALINITY), told);
    assert_eq!(world.last_command(ALKALINITY), Some(Switch::Off));
}

#[test]
fn a_kill_in_a_dose_leaves_its_slot_done() {
    let mut world = world();
    world.advance_until_on(ALKALINITY);
    let told = doses(&world, ALKALINITY);
    world.advance(seconds(3));
    world.kill_and_restart();
    world.advance(minutes(45));
    assert_eq!(doses(&world, ALKALINITY), told, "the slot's own hour");
    world.advance(minutes(30));
    assert_eq!(doses(&world, ALKALINITY), told + 1);
}

#[test]
fn a_short_hold_is_made_up_for_by_a_quarter_more_a_slot() {
    let mut world = world();
    world.advance(Span::from_hours(2));
    let before = (doses(&world, ALKALINITY), given(&world, ALKALINITY));
    world.hold("water-change");
    world.advance(minutes(100));
    assert_eq!(doses(&world, ALKALINITY), before.0, "no dose in a hold");
    world.ask(Request::Release { procedure: None });
    world.advance(Span::from_hours(24).minus(minutes(100)));
    let more = given(&world, ALKALINITY) - before.1;
    assert!((more - PLAN).abs() < 0.1, "all of it came in the end: {more}");
}

#[test]
fn after_hours_without_a_daemon_one_slot_is_given_now_and_a_quarter_of_a_day_is_made_up_for() {
    let mut world = world();
    world.advance(Span::from_hours(3));
    world.now.wall = world.now.wall.after(Span::from_hours(12));
    world.commands.clear();
    world.kill_and_restart();
    world.advance(minutes(40));
    assert_eq!(doses(&world, ALKALINITY), 1, "one slot, though twelve are missing");
    world.advance(Span::from_hours(30));
    let owed = given(&world, ALKALINITY) - PLAN * 31.0 / 24.0;
    assert!(owed < 0.25 * PLAN + 0.2 && owed > 0.15 * PLAN, "{owed}");
}

#[test]
fn after_more_than_a_day_nothing_is_made_up_for_and_the_keeper_is_told() {
    let mut world = world();
    world.advance(Span::from_hours(3));
    world.now.wall = world.now.wall.after(Span::from_hours(60));
    world.kill_and_restart();
    world.commands.clear();
    world.advance(Span::from_hours(26));
    assert!(given(&world, ALKALINITY) < PLAN * 27.0 / 24.0 + 0.1, "{}", given(&world, ALKALINITY));
    assert!(world.raised("alkalinity-behind"));
    assert_eq!(ask(&mut world, "alkalinity", DoseAsk::Resume).outcome, Outcome::Done);
    world.advance(minutes(2));
    let told = world.notices.iter().rev().find(|notice| notice.name == "alkalinity-behind").unwrap();
    assert_eq!(told.what, crate::control::effect::NoticeKind::Cleared);
}

/// A year's rehearsal raised this alarm once a day anew, after each feeding.
#[test]
fn no_hold_explains_that_a_day_of_doses_is_missing() {
    let mut plan = lagoon();
    plan.holds[0].pauses.push(OutputId::new(ALKALINITY));
    let mut world = World::with(plan, Remembered::Nothing);
    world.advance(Span::from_hours(3));
    world.now.wall = world.now.wall.after(Span::from_hours(60));
    world.kill_and_restart();
    world.advance(Span::from_hours(26));
    let state = |world: &World| {
        let alarms = world.tank.status(world.now).alarms;
        alarms.iter().find(|alarm| &*alarm.alarm == "alkalinity-behind").unwrap().state
    };
    assert_eq!(state(&world), "UNACK");
    world.hold("water-change");
    world.advance(minutes(10));
    assert_eq!(state(&world), "UNACK");
}

/// 2026-10-24 20:00 and 2026-03-28 20:00 UTC, with so many hours until both clock changes are over.
fn starts_at(wall: i64) -> World {
    let mut world = World::with(lagoon(), Remembered::Nothing);
    world.now.wall = Wall::from_unix_millis(wall);
    world.take(crate::control::Tank::new(lagoon(), Remembered::Nothing, world.now));
    world.step(Event::BrokerConnected);
    world.advance(minutes(16));
    world.commands.clear();
    world
}

#[test]
fn the_hour_that_comes_twice_is_dosed_once() {
    // 02:00 goes back to 01:00 in Lisbon: local 24 h from noon to noon are 25 steady hours.
    let mut world = starts_at(1_792_839_600_000);
    world.advance(Span::from_hours(25));
    assert_eq!(doses(&world, ALKALINITY), 24);
    assert!((given(&world, ALKALINITY) - PLAN).abs() < 0.1);
}

#[test]
fn the_hour_that_is_missing_loses_no_dose() {
    // 01:00 goes to 02:00 in Lisbon: local 24 h from noon to noon are 23 steady hours.
    let mut world = starts_at(1_774_695_600_000);
    world.advance(Span::from_hours(23));
    assert_eq!(doses(&world, ALKALINITY), 23, "two slots become one");
    world.advance(Span::from_hours(2));
    let owed = given(&world, ALKALINITY) - PLAN * 26.0 / 24.0;
    assert!(owed.abs() < 0.1, "{owed}");
}

#[test]
fn a_clock_that_jumps_back_waits_and_one_that_jumps_forth_gives_one_slot() {
    let mut world = world();
    world.advance(Span::from_hours(5));
    let told = doses(&world, ALKALINITY);
    world.now.wall = world.now.wall.before(Span::from_hours(3));
    world.step(Event::Woken);
    world.advance(Span::from_hours(3).minus(minutes(30)));
    assert_eq!(doses(&world, ALKALINITY), told, "those slots are done");
    world.advance(minutes(90));
    assert_eq!(doses(&world, ALKALINITY), told + 1);
    world.now.wall = world.now.wall.after(Span::from_hours(5));
    world.step(Event::Woken);
    world.advance(minutes(40));
    assert!(doses(&world, ALKALINITY) <= told + 2, "at most one slot now");
}

#[test]
fn a_clock_from_before_this_program_doses_nothing() {
    let mut world = starts_at(1_000_000_000_000);
    world.advance(Span::from_hours(3));
    assert_eq!(doses(&world, ALKALINITY), 0);
    let said = world.tank.explain(OutputId::new(ALKALINITY), world.now).summary;
    assert!(said.contains("calls nothing") || doses(&world, ALKALINITY) == 0, "{said}");
}

#[test]
fn a_lost_record_gives_nothing_for_a_day_or_until_a_person_looked() {
    let mut world = world();
    world.advance(Span::from_hours(3));
    world.commands.clear();
    world.restart_with(|_| Remembered::Damaged("a test says so".to_owned()));
    world.advance(Span::from_hours(20));
    assert_eq!(doses(&world, ALKALINITY), 0);
    world.ask(Request::Acknowledge { alarm: None });
    world.advance(Span::from_hours(2));
    assert!(doses(&world, ALKALINITY) > 0);
}

#[test]
fn the_slot_in_which_a_backup_comes_back_is_given_no_second_time() {
    let mut world = world();
    let (state, taken) = (Box::new(world.tank.state()), world.now.wall);
    world.advance(Span::from_hours(3));
    world.advance_until_on(ALKALINITY);
    world.advance(minutes(2));
    world.restart_with(|_| Remembered::Restored(state, taken));
    world.ask(Request::Acknowledge { alarm: None });
    world.commands.clear();
    world.advance(minutes(40));
    assert_eq!(doses(&world, ALKALINITY), 0, "the backup knows nothing of it");
    world.advance(Span::from_hours(2));
    assert!(doses(&world, ALKALINITY) > 0);
}

#[test]
fn a_backup_makes_up_for_no_dose_gives_no_slot_again_and_drops_a_correction_that_adds() {
    let mut world = world();
    world.advance(Span::from_hours(3));
    let mut state = world.tank.state();
    let name = state.dosing.keys().next().unwrap().clone();
    let book = &mut state.dosing.get_mut(&name).unwrap().book;
    (book.owed, book.correction, book.correction_left) = (2.0, 10.0, 40.0);
    let (state, taken) = (Box::new(state), world.now.wall);
    world.advance(Span::from_hours(5));
    world.commands.clear();
    world.restart_with(|_| Remembered::Restored(state, taken));
    world.advance(Span::from_hours(4));
    assert_eq!(doses(&world, ALKALINITY), 0, "a day's limit counts as spent");
    world.ask(Request::Acknowledge { alarm: None });
    world.commands.clear();
    world.advance(Span::from_hours(4));
    let plan = world.tank.plan().dosing[0].per_day;
    assert_eq!(doses(&world, ALKALINITY), 4, "a slot an hour");
    assert!(given(&world, ALKALINITY) <= 4.0 * plan / 24.0 + 0.05, "{} mL", given(&world, ALKALINITY));
}

#[test]
fn still_water_is_not_dosed_and_a_dose_is_cut_short_by_a_hold() {
    let mut world = world();
    world.reads[LEVEL] = Some(0.0);
    world.faults[RETURN] = PlugFault::Ignores;
    world.report(RETURN, Switch::Off);
    world.advance(Span::from_hours(2));
    let told = doses(&world, ALKALINITY);
    world.advance(Span::from_hours(2));
    assert_eq!(doses(&world, ALKALINITY), told, "no flow, no dose");
    let mut world = self::world();
    world.advance_until_on(ALKALINITY);
    world.advance(seconds(4));
    world.hold("water-change");
    let (at, _, to) = *world.commands.iter().rev().find(|(_, index, _)| *index == ALKALINITY).unwrap();
    assert_eq!((to, at), (Switch::Off, world.now.steady));
    let status = world.tank.status(world.now);
    assert!(status.dosing[0].owed_ml > 0.3, "{:?}", status.dosing[0]);
}

#[test]
fn nobody_else_turns_a_dosing_pump_on() {
    let mut world = world();
    let id = world.force("alkalinity", Switch::On, 1);
    assert_eq!(world.answers[&id].outcome, Outcome::Refused, "{:?}", world.answers[&id]);
    assert_eq!(doses(&world, ALKALINITY), 0);
    // Somebody at the plug: it is told off, what ran counts, and the next dose keeps its distance.
    world.report(ALKALINITY, Switch::On);
    world.advance(seconds(30));
    assert_eq!(world.last_command(ALKALINITY), Some(Switch::Off));
    let before = world.tank.status(world.now).dosing[0].ml_in_24_hours;
    assert!(before > 0.0, "{before}");
}

#[test]
fn the_container_is_counted_compared_and_stops_at_its_end() {
    let mut world = world();
    let low = ask(&mut world, "alkalinity", DoseAsk::Refill(Some(33.0)));
    assert_eq!(low.outcome, Outcome::Done);
    world.advance(Span::from_hours(12));
    assert!(world.raised("alkalinity-container"));
    world.commands.clear();
    world.advance(Span::from_hours(12));
    assert_eq!(doses(&world, ALKALINITY), 0, "5 % are left");
    let said = world.tank.explain(OutputId::new(ALKALINITY), world.now).summary;
    assert!(said.contains("its container is nearly empty"), "{said}");
    ask(&mut world, "alkalinity", DoseAsk::Refill(None));
    world.advance(Span::from_hours(48));
    // 40 mL and more were commanded; the container says 60 % more.
    let left = world.tank.status(world.now).dosing[0].container_ml;
    let used = 500.0 - left;
    let answer = ask(&mut world, "alkalinity", DoseAsk::Left(500.0 - 1.6 * used));
    assert!(answer.summary.contains("+60 %"), "{answer:?}");
    assert!(world.tank.status(world.now).dosing[0].unbalanced.is_some());
}

#[test]
fn three_cylinders_make_a_calibration_and_a_worn_tube_is_told() {
    let mut world = world();
    for ml in [4.0, 4.05, 3.95] {
        let answer = ask(&mut world, "calcium", DoseAsk::Calibrate);
        assert_eq!(answer.outcome, Outcome::Done, "{answer:?}");
        assert_eq!(ask(&mut world, "calcium", DoseAsk::Calibrate).outcome, Outcome::Refused);
        world.advance(minutes(2));
        let spent = world.tank.status(world.now).dosing[1].ml_in_24_hours;
        assert!(spent > 5.0, "until it is measured it may have gone into the tank: {spent}");
        ask(&mut world, "calcium", DoseAsk::Measured(ml));
        assert!(world.tank.status(world.now).dosing[1].ml_in_24_hours < spent - 4.9);
        world.advance(minutes(16));
    }
    let status = world.tank.status(world.now).dosing[1].clone();
    assert!((status.rate_ml_per_minute - 4.0).abs() < 1e-9, "{status:?}");
    assert!(status.worn.unwrap().contains("-20 %"));
    assert_eq!(ask(&mut world, "calcium", DoseAsk::Measured(4.0)).outcome, Outcome::Refused);
}

#[test]
fn cylinders_that_scatter_change_nothing() {
    let mut world = world();
    for ml in [4.0, 5.0, 6.0] {
        ask(&mut world, "calcium", DoseAsk::Calibrate);
        world.advance(minutes(18));
        let answer = ask(&mut world, "calcium", DoseAsk::Measured(ml));
        assert_eq!(answer.outcome == Outcome::Refused, ml > 5.5, "{answer:?}");
        // A dose that waited for the measure, and its distance.
        world.advance(minutes(2));
    }
    assert!((world.tank.status(world.now).dosing[1].rate_ml_per_minute - RATE).abs() < 1e-12);
}

#[test]
fn a_change_of_the_plan_needs_a_keeper_s_word_and_comes_in_steps() {
    use crate::control::dosing::GivenTest;
    let mut world = world();
    let tests = vec![GivenTest { day: 0.0, dkh: 8.2 }, GivenTest { day: 3.0, dkh: 7.6 }];
    let propose = DoseAsk::Propose {
        tests,
        test_sd: 0.2,
        target: Some(8.2),
        since: None,
        changes: Vec::new(),
        by_hand: Vec::new(),
    };
    let answer = ask(&mut world, "alkalinity", propose.clone());
    assert_eq!(answer.outcome, Outcome::Done, "{answer:?}");
    let now = |world: &World| world.tank.status(world.now).dosing[0].clone();
    assert!((now(&world).maintenance_ml_per_day - 20.0).abs() < 1e-9, "nothing changed yet");
    let answer = ask(&mut world, "alkalinity", DoseAsk::Approve);
    assert_eq!(answer.outcome, Outcome::Done, "{answer:?}");
    assert!((now(&world).maintenance_ml_per_day - 25.0).abs() < 1e-9);
    // The other part gets the same, by a word of its own.
    let calcium = world.tank.status(world.now).dosing[1].clone();
    assert!((calcium.maintenance_ml_per_day - 20.0).abs() < 1e-9 && calcium.proposal.is_some(), "{calcium:?}");
    assert!(answer.summary.contains("slackwater dose approve calcium"), "{answer:?}");
    world.kill_and_restart();
    let correction = now(&world).correction_ml_per_day;
    assert!(correction > 5.0, "{:?}", now(&world));
    ask(&mut world, "alkalinity", propose);
    let again = ask(&mut world, "alkalinity", DoseAsk::Approve);
    assert_eq!(again.outcome, Outcome::Refused, "{again:?}");
    ask(&mut world, "alkalinity", DoseAsk::Decline);
    world.commands.clear();
    world.advance(Span::from_hours(72));
    let due = 3.0 * 25.0 + 2.0 * correction;
    assert!((given(&world, ALKALINITY) - due).abs() < 2.0, "{} of {due}", given(&world, ALKALINITY));
    assert!(now(&world).correction_ml_per_day.abs() < 1e-9, "it ends by itself");
}

#[test]
fn tests_with_their_moments_rest_on_what_was_really_given() {
    use crate::control::dosing::{GivenDose, GivenTest};
    let mut world = world();
    world.advance(Span::from_hours(24));
    let since = world.now.wall;
    world.advance(Span::from_hours(24));
    // Two days without a daemon: 20 mL of 60 were given in three days, and a restart's one slot.
    world.now.wall = world.now.wall.after(Span::from_hours(48));
    world.kill_and_restart();
    world.advance(minutes(40));
    let tests = vec![GivenTest { day: 0.0, dkh: 8.2 }, GivenTest { day: 3.0, dkh: 7.6 }];
    let ask_with = |world: &mut World, since, by_hand| {
        let (tests, changes) = (tests.clone(), Vec::new());
        ask(world, "alkalinity", DoseAsk::Propose { tests, test_sd: 0.1, target: None, since, changes, by_hand })
    };
    let ask_it = |world: &mut World, since| ask_with(world, since, Vec::new());
    let counted = ask_it(&mut world, Some(since));
    assert!(
        counted.details[0].contains("6.9 mL/d as counted")
            || counted.details[0].contains("6.8 mL/d as counted")
            || counted.details[0].contains("7.0 mL/d as counted"),
        "{counted:?}"
    );
    let planned = ask_it(&mut world, None);
    assert!(planned.details[0].contains("20.0 mL/d"), "by the plan, if nobody says when");
    // What was given by hand was used up too: 6 mL in three days are 2 mL/d more.
    let by_hand = vec![GivenDose { day: 1.0, ml: 6.0 }];
    let more = ask_with(&mut world, None, by_hand);
    assert!(more.details[0].contains("20.0 mL/d and 6.0 mL by hand"), "{more:?}");
    let wanted = |answer: &crate::control::effect::Answer| -> f64 {
        let words = answer.details[1].strip_prefix("maintenance wanted ").unwrap().split(' ').next().unwrap();
        words.parse().unwrap()
    };
    assert!((wanted(&more) - wanted(&planned) - 2.0).abs() < 0.11, "{more:?} {planned:?}");
    let wrong = ask_with(&mut world, None, vec![GivenDose { day: 1.0, ml: f64::NAN }]);
    assert_eq!(wrong.outcome, Outcome::Refused);
}

#[test]
fn a_changed_line_of_the_file_is_a_proposal() {
    let mut world = world();
    let mut changed = lagoon();
    changed.dosing[0].per_day = 40.0;
    world.reload(changed);
    world.step(Event::Woken);
    let status = world.tank.status(world.now).dosing[0].clone();
    assert!((status.maintenance_ml_per_day - 20.0).abs() < 1e-9 && status.proposal.is_some(), "{status:?}");
    let answer = ask(&mut world, "alkalinity", DoseAsk::Approve);
    assert!(answer.summary.contains("25.0 mL/d") && answer.summary.contains("one step"), "{answer:?}");
}

#[test]
fn a_reload_forgets_no_dose_no_container_and_no_slot() {
    for later in [seconds(3), minutes(5)] {
        let mut world = world();
        world.advance(Span::from_hours(2));
        world.advance_until_on(ALKALINITY);
        world.advance(later);
        let told = doses(&world, ALKALINITY);
        let before = world.tank.status(world.now).dosing.clone();
        assert!(before[0].total_ml > 0.0 && before[0].container_ml < 500.0, "{:?}", before[0]);
        world.reload(lagoon());
        assert_eq!(world.tank.status(world.now).dosing, before);
        world.step(Event::Woken);
        world.advance(minutes(45));
        assert_eq!(doses(&world, ALKALINITY), told, "the slot's own hour");
        world.advance(minutes(30));
        assert_eq!(doses(&world, ALKALINITY), told + 1);
    }
}

/// The longest that a dose may last counts before it, though it gives less.
#[test]
fn a_dose_that_could_pass_the_hours_limit_is_not_begun() {
    // A slot of 10 s, and the plug's own countdown of 12 s: 0.83 mL, and 1.00 mL at most.
    let given_with = |most_per_hour: f64| {
        let mut plan = lagoon();
        plan.dosing[0].most_per_hour = most_per_hour;
        let mut world = World::with(plan, Remembered::Nothing);
        world.advance(Span::from_hours(4));
        (doses(&world, ALKALINITY), world.tank.explain(OutputId::new(ALKALINITY), world.now).summary)
    };
    let (given, why) = given_with(0.95);
    assert!(given == 0 && why.contains("its limit: 0.00 mL of 0.95 mL"), "{given}: {why}");
    assert!(given_with(1.05).0 >= 3);
}

#[test]
fn a_day_has_a_fifth_more_than_the_plan_and_never_more_than_the_water_bears() {
    let most = |most_per_day: f64| {
        let mut plan = lagoon();
        plan.dosing[0].most_per_day = most_per_day;
        let mut world = World::with(plan, Remembered::Nothing);
        world.advance(Span::from_hours(3));
        let status = world.tank.status(world.now).dosing[0].clone();
        assert!(status.ml_in_24_hours > 1.0, "{status:?}");
        status.day_left_ml + status.ml_in_24_hours
    };
    assert!((most(31.0) - 1.2 * PLAN).abs() < 1e-6 && (most(21.0) - 21.0).abs() < 1e-6);
}

#[test]
fn an_off_that_is_not_proven_costs_the_whole_countdown() {
    let litres = |fault| {
        let mut world = world();
        world.faults[ALKALINITY] = fault;
        world.advance_until_on(ALKALINITY);
        world.advance(minutes(1));
        let before = world.tank.status(world.now).dosing[0].clone();
        before.ml_in_24_hours
    };
    let (proven, doubtful) = (litres(PlugFault::None), litres(PlugFault::Mute));
    assert!((proven - 10.2 / 60.0 * RATE).abs() < 0.02, "{proven} mL");
    assert!((doubtful - 12.0 / 60.0 * RATE).abs() < 0.02, "{doubtful} mL");
}

#[test]
fn an_old_calibration_is_told_after_ninety_days_and_ends_the_doses_after_a_hundred_and_twenty() {
    let mut plan = lagoon();
    let old = plan.add(Condition::Dosing { doser: DoserId::new(0), fact: DosingFact::OldCalibration });
    plan.alarms.push(at_once("alkalinity-calibration", AlarmSource::Condition(old)));
    let aged = |days: u64, minus: Span| {
        let mut world = World::with(plan.clone(), Remembered::Nothing);
        world.advance(minutes(16));
        let rated_at = Some(Wall::from_unix_millis(
            world.now.wall.unix_millis() - i64::try_from(Span::from_hours(24 * days).minus(minus).millis()).unwrap(),
        ));
        let mut state = world.tank.state();
        for record in state.dosing.values_mut() {
            record.book.rated_at = rated_at;
        }
        let tank = crate::control::Tank::new(plan.clone(), Remembered::State(Box::new(state)), world.now);
        world.take(tank);
        world.step(Event::BrokerConnected);
        world.commands.clear();
        world
    };
    let mut young = aged(90, minutes(30));
    young.advance(minutes(29));
    assert!(!young.raised("alkalinity-calibration"));
    young.advance(minutes(2));
    assert!(young.raised("alkalinity-calibration"), "told in its very moment");
    young.advance(Span::from_hours(3));
    assert!(doses(&young, ALKALINITY) >= 2);
    let mut old = aged(120, minutes(1));
    old.advance(Span::from_hours(4));
    assert_eq!(doses(&old, ALKALINITY), 0);
    let why = old.tank.explain(OutputId::new(ALKALINITY), old.now).summary;
    assert!(why.contains("last measured more than 120 days ago"), "{why}");
}

#[test]
fn a_partner_that_falls_behind_stops_the_other() {
    let mut world = world();
    ask(&mut world, "calcium", DoseAsk::Refill(Some(25.0)));
    world.advance(Span::from_hours(30));
    world.commands.clear();
    world.advance(Span::from_hours(24));
    assert!(doses(&world, ALKALINITY) <= 2, "{}", doses(&world, ALKALINITY));
    let said = world.tank.explain(OutputId::new(ALKALINITY), world.now).summary;
    assert!(said.contains("calcium is more than a day's dose behind") || said.contains("no dose is due"), "{said}");
}

/// One thing that happens.
#[derive(Clone, Debug)]
enum Act {
    Advance(u64),
    Report(usize, Switch),
    Alive(usize, bool),
    Foreign(usize, Option<Switch>),
    Fault(usize, PlugFault),
    Broker(bool),
    Hold(&'static str),
    Release,
    Force(usize, Switch),
    Reset,
    Kill,
    /// The daemon is killed and starts so many seconds later by the wall.
    Outage(u64),
    Reload(u32),
    ClockJump(i64),
    Damage,
    Backup,
    Restore,
    Acknowledge,
    Dose(usize, DoseAsk),
    Sump(f64),
}

fn dose_asks() -> impl Strategy<Value = DoseAsk> {
    use crate::control::dosing::GivenTest;
    prop_oneof![
        Just(DoseAsk::Calibrate),
        (4.0..6.0f64).prop_map(DoseAsk::Measured),
        Just(DoseAsk::Discard),
        (0.0..500.0f64).prop_map(|ml| DoseAsk::Refill(Some(ml))),
        Just(DoseAsk::Refill(None)),
        (6.0..9.0f64, 6.0..9.0f64).prop_map(|(first, last)| DoseAsk::Propose {
            tests: vec![GivenTest { day: 0.0, dkh: first }, GivenTest { day: 6.0, dkh: last }],
            test_sd: 0.05,
            target: Some(8.2),
            since: None,
            changes: Vec::new(),
            by_hand: Vec::new(),
        }),
        Just(DoseAsk::Approve),
    ]
}

fn acts() -> impl Strategy<Value = Act> {
    let pump = prop_oneof![Just(ALKALINITY), Just(CALCIUM)];
    let output = prop_oneof![3 => pump.clone(), 1 => Just(RETURN), 1 => Just(POWERHEAD)];
    let switches = || prop_oneof![Just(Switch::On), Just(Switch::Off)];
    let faults = prop_oneof![Just(PlugFault::None), Just(PlugFault::Ignores), Just(PlugFault::Mute)];
    prop_oneof![
        10 => prop_oneof![3 => 1..120u64, 4 => 600..4000u64, 1 => 10_000..30_000u64].prop_map(Act::Advance),
        2 => (output.clone(), switches()).prop_map(|(o, s)| Act::Report(o, s)),
        2 => (output, any::<bool>()).prop_map(|(o, a)| Act::Alive(o, a)),
        1 => (pump.clone(), proptest::option::of(switches())).prop_map(|(o, s)| Act::Foreign(o, s)),
        2 => (pump.clone(), faults).prop_map(|(o, f)| Act::Fault(o, f)),
        2 => any::<bool>().prop_map(Act::Broker),
        1 => prop_oneof![Just("water-change"), Just("feeding"), Just("hands-in")].prop_map(Act::Hold),
        2 => Just(Act::Release),
        1 => (pump.clone(), switches()).prop_map(|(o, s)| Act::Force(o, s)),
        1 => Just(Act::Reset),
        4 => Just(Act::Kill),
        2 => (1..200_000u64).prop_map(Act::Outage),
        1 => prop_oneof![Just(24u32), Just(12), Just(48)].prop_map(Act::Reload),
        2 => prop_oneof![
            4 => -8_000_000..8_000_000i64,
            4 => -400_000_000..400_000_000i64,
            // To 1970, and by years either way.
            1 => Just(-1_780_308_000_000i64),
            1 => Just(630_720_000_000i64),
            1 => Just(-94_608_000_000i64),
        ].prop_map(Act::ClockJump),
        1 => Just(Act::Damage),
        1 => Just(Act::Backup),
        2 => Just(Act::Restore),
        1 => Just(Act::Acknowledge),
        3 => (pump, dose_asks()).prop_map(|(o, d)| Act::Dose(o, d)),
        1 => (-120.0..10.0f64).prop_map(Act::Sump),
    ]
}

/// The dose book: made of raw commands, by a clock of its own that no kill sets back.
#[derive(Default)]
struct DoseBook {
    earlier: Span,
    /// By pump: the local date and slot's time of each dose.
    slots: [Vec<(i32, u32)>; 2],
    /// From when, for how long at most, mL a minute; what went into a cylinder aside.
    runs: [Vec<(Steady, Span, f64)>; 2],
    reported: [Option<Switch>; 8],
    on: [bool; 2],
}

struct Checked {
    world: World,
    book: DoseBook,
    /// The plan in force at most so far, mL a day.
    calibrating: [bool; 2],
    slots: u32,
    backup: Option<(crate::control::state::TankState, crate::time::Wall)>,
}

impl Checked {
    fn new() -> Self {
        let mut this = Self {
            world: World::with(lagoon(), Remembered::Nothing),
            book: DoseBook::default(),
            calibrating: [false; 2],
            slots: 24,
            backup: None,
        };
        this.world.effects.clear();
        this
    }

    fn clock(&self) -> Steady {
        self.world.now.steady.after(self.book.earlier)
    }

    fn step(&mut self, event: Event) {
        if let Event::ReportArrived { output, report: Ok(state), retained: Retained::No } = &event {
            self.book.reported[output.index()] = Some(*state);
        }
        if matches!(event, Event::BrokerLost) {
            self.book.reported = [None; 8];
        }
        self.world.step(event);
        self.check();
    }

    fn ask(&mut self, request: Request) {
        self.world.ask(request);
        self.check();
    }

    fn check(&mut self) {
        let effects = std::mem::take(&mut self.world.effects);
        let mut saved = false;
        for effect in &effects {
            match effect {
                Effect::SaveState(crate::control::effect::Durability::BeforeWhatFollows) => saved = true,
                Effect::RefreshLease { output } => {
                    assert!(output.index() < ALKALINITY, "invariant 3: a dose is refreshed");
                }
                Effect::SwitchPlug { output, to, once, .. } if output.index() >= ALKALINITY => {
                    let pump = output.index() - ALKALINITY;
                    let now = self.clock();
                    if *to == Switch::Off {
                        if let Some((since, span, _)) = self.book.runs[pump].last_mut().filter(|_| self.book.on[pump]) {
                            *span = (*span).min(now.since(*since));
                        }
                        self.book.on[pump] = false;
                        continue;
                    }
                    assert!(saved, "invariant 3: a dose without its record");
                    self.told_on(pump, once.expect("invariant 3: a dose without a countdown"));
                }
                _ => {}
            }
        }
    }

    fn told_on(&mut self, pump: usize, once: Span) {
        let now = self.clock();
        let status = self.world.tank.status(self.world.now);
        assert!(status.holds.iter().all(|hold| !hold.active), "invariant 3: dosed in a hold");
        for mover in [RETURN, POWERHEAD] {
            assert_eq!(self.book.reported[mover], Some(Switch::On), "invariant 3: dosed into still water");
        }
        // Parts are apart, and so are the doses of one pump.
        let cylinder = status.dosing[pump].state == "calibrating";
        for other in 0..2 {
            if let Some((since, _, _)) = self.book.runs[other].last() {
                let apart = now.since(*since);
                assert!(cylinder || apart >= minutes(15), "invariant 3: {apart} apart");
            }
        }
        self.book.on[pump] = true;
        if cylinder {
            return;
        }
        self.book.runs[pump].push((now, once, status.dosing[pump].rate_ml_per_minute));
        // The slot: the newest that has come by the wall.
        let (day, seconds) = (
            self.world.tank.plan().zone.day_number(self.world.now.wall),
            self.world.tank.plan().zone.time_of_day(self.world.now.wall).seconds(),
        );
        let spacing = 86_400 / self.slots;
        let offset = if pump == 0 { 0 } else { 1800 % spacing };
        let slot = if seconds < offset { (day - 1, self.slots) } else { (day, (seconds - offset) / spacing) };
        let key = (slot.0, slot.1 * spacing + self.slots);
        assert!(!self.book.slots[pump].contains(&key), "invariant 3: slot {key:?} twice");
        self.book.slots[pump].push(key);
        // No slot gives more than 125 % of what the plan says, and the plug's two seconds.
        let plan = status.dosing[pump].maintenance_ml_per_day + status.dosing[pump].correction_ml_per_day.max(0.0);
        // The last dose of a correction was decided with it.
        let most_plan = plan.max(1.0 / K);
        let own = 1.25 * most_plan / f64::from(self.slots) / status.dosing[pump].rate_ml_per_minute * 60.0;
        assert!(once.seconds() <= own + 3.0, "invariant 3: {once} in a slot of {own} s");
        for (span, most) in [(Span::from_hours(24), 1.0 / K), (Span::from_hours(1), 0.15 / K)] {
            let from = now.before(span);
            let runs = self.book.runs[pump].iter().filter(|(since, _, _)| *since > from);
            let ml: f64 = runs.map(|(_, span, rate)| span.seconds() / 60.0 * rate).sum();
            assert!(ml <= most + 1e-6, "invariant 3: {ml} mL within {span}");
        }
    }

    fn act(&mut self, act: &Act) {
        let output = |index: &usize| OutputId::new(*index);
        match act {
            Act::Advance(seconds) => {
                let end = self.world.now.steady.after(Span::from_seconds(*seconds));
                while self.world.now.steady < end {
                    for event in self.world.next_events(end) {
                        self.step(event);
                    }
                }
            }
            Act::Report(index, state) => {
                if self.world.broker {
                    self.step(Event::ReportArrived {
                        output: output(index),
                        report: Ok(*state),
                        retained: Retained::No,
                    });
                }
            }
            Act::Alive(index, alive) => {
                let alive = if *alive { crate::control::event::Alive::Yes } else { crate::control::event::Alive::No };
                self.step(Event::AliveArrived { output: output(index), alive: Ok(alive) });
            }
            Act::Foreign(index, command) => {
                self.step(Event::ForeignCommandSeen {
                    output: output(index),
                    command: *command,
                    retained: Retained::No,
                });
            }
            Act::Fault(index, fault) => self.world.faults[*index] = *fault,
            Act::Broker(there) => {
                if *there != self.world.broker {
                    self.world.broker = *there;
                    self.step(if *there { Event::BrokerConnected } else { Event::BrokerLost });
                }
            }
            Act::Hold(name) => self.ask(Request::hold(name)),
            Act::Release => self.ask(Request::Release { procedure: None }),
            Act::Force(index, to) => {
                let name = self.world.tank.plan().outputs[*index].name.to_string();
                self.ask(Request::Force { output: name, to: *to, lasting: Some(minutes(5)) });
            }
            Act::Reset => self.ask(Request::Reset { interlock: None }),
            Act::Acknowledge => self.ask(Request::Acknowledge { alarm: None }),
            Act::Kill => self.restart(0, None),
            Act::Outage(seconds) => self.restart(*seconds, None),
            Act::Damage => self.restart(0, Some(Remembered::Damaged("a test says so".to_owned()))),
            Act::Backup => self.backup = Some((self.world.tank.state(), self.world.now.wall)),
            Act::Restore => {
                if let Some((state, taken)) = self.backup.clone() {
                    self.restart(0, Some(Remembered::Restored(Box::new(state), taken)));
                }
            }
            Act::Reload(slots) => {
                let mut changed = lagoon();
                for (pump, offset) in [(0, 0), (1, 1800)] {
                    changed.dosing[pump].slots = even_slots(*slots, offset, 0.5);
                }
                // Slots of another spacing are other slots.
                self.slots = *slots;
                self.world.reload(changed);
                self.step(Event::Woken);
            }
            Act::ClockJump(millis) => {
                let wall = self.world.now.wall.unix_millis() + millis;
                self.world.now.wall = Wall::from_unix_millis(wall);
                self.step(Event::Woken);
            }
            Act::Dose(index, what) => {
                let pump = self.world.tank.plan().outputs[*index].name.to_string();
                self.calibrating[index - ALKALINITY] |= *what == DoseAsk::Calibrate;
                self.ask(Request::Dose { pump, what: what.clone() });
            }
            Act::Sump(level) => self.world.reads[LEVEL] = Some(*level),
        }
    }

    fn restart(&mut self, outage: u64, instead: Option<Remembered>) {
        let before = self.world.now.steady;
        let span = Span::from_seconds(outage);
        self.book.earlier = self.book.earlier.plus(before.since(Steady::from_millis(77)));
        // What the book counts is the time of living daemons, as the limits do.
        self.world.now.wall = self.world.now.wall.after(span);
        self.world.broker = true;
        self.book.reported = [None; 8];
        self.book.on = [false; 2];
        match instead {
            Some(Remembered::Restored(state, taken)) => {
                // What is given by the time of the restore is known as given; what a clock ahead gave, nobody knows.
                let day = self.world.tank.plan().zone.day_number(self.world.now.wall.max(taken));
                self.book.slots.iter_mut().for_each(|slots| slots.retain(|slot| slot.0 <= day));
                if self.world.now.wall < taken {
                    self.book.slots = Default::default();
                }
                self.world.restart_with(|_| Remembered::Restored(state, taken));
            }
            Some(lost) => {
                // What is lost nobody knows; the limits and the day without a dose stand for it.
                self.book.slots = Default::default();
                self.world.restart_with(|_| lost);
            }
            None => self.world.kill_and_restart(),
        }
        self.check();
    }
}

proptest! {
    #![proptest_config(Config {
        cases: 200, rng_seed: RngSeed::Fixed(20_260_602), failure_persistence: None, ..Config::default()
    })]

    #[test]
    fn invariant_3_no_dose_twice_for_a_slot_none_into_still_water_none_past_the_limits(
        acts in proptest::collection::vec(acts(), 1..60)
    ) {
        let mut checked = Checked::new();
        for act in &acts {
            checked.act(act);
        }
    }
}

//! Dosing pumps that run into a cylinder, and changes of a plan: what is refused, why, and until when.

use super::dosing::*;
use super::lagoon::*;
use super::prove::{proof, say};
use crate::control::dosing::{DoseAsk, GivenTest};
use crate::control::event::ProveAct;
use crate::control::ids::OutputId;
use crate::control::plan::Switch::{Off, On};
use crate::control::plan::*;
use crate::control::prove::{Check, ProofState};
use crate::control::{Outcome, Remembered, Request};
use crate::time::Span;

fn refusal(world: &mut World, pump: &str) -> Option<String> {
    let answer = ask(world, pump, DoseAsk::Calibrate);
    (answer.outcome == Outcome::Refused).then(|| answer.details.join("; "))
}

fn after(hours: u64, change: impl FnOnce(&mut TankPlan)) -> World {
    let mut plan = lagoon();
    change(&mut plan);
    let mut world = World::with(plan, Remembered::Nothing);
    world.advance(minutes(16));
    // Between the slots of the one at the full hour and of the other at the half one.
    world.advance(Span::from_hours(hours));
    world
}

#[test]
fn a_minute_into_a_cylinder_must_fit_in_what_the_water_bears_in_a_day() {
    // 20 mL a day in 24 slots, and 5.5 mL for the minute.
    let mut world = after(2, |plan| plan.dosing[0].most_per_day = 10.0);
    assert_eq!(refusal(&mut world, "alkalinity"), None, "2 mL and 5.5 mL of 10 mL");
    let mut world = after(6, |plan| plan.dosing[0].most_per_day = 10.0);
    let why = refusal(&mut world, "alkalinity").expect("5 mL and more are given");
    assert!(why.contains("a minute more would be past the day's limit"), "{why}");
    assert_eq!(doses(&world, ALKALINITY), 6, "those of the plan: it does not run");
}

#[test]
fn a_cylinder_waits_for_another_pump_its_own_measure_and_a_container_that_is_full_enough() {
    let mut world = after(0, |_| {});
    assert_eq!(ask(&mut world, "calcium", DoseAsk::Calibrate).outcome, Outcome::Done);
    let why = refusal(&mut world, "alkalinity").expect("the other one runs");
    assert!(why.contains("a dosing pump runs now"), "{why}");
    world.advance(minutes(2));
    let why = refusal(&mut world, "alkalinity").expect("it ran just now");
    assert!(why.contains("doses keep 15 min from each other: ask again in 1"), "{why}");
    let why = refusal(&mut world, "calcium").expect("it waits for its measure");
    assert!(why.contains("a cylinder waits for its measure"), "{why}");
    world.advance(minutes(15));
    assert_eq!(refusal(&mut world, "alkalinity"), None);
    // 5 % of a container are its end.
    let mut world = after(0, |_| {});
    ask(&mut world, "alkalinity", DoseAsk::Refill(Some(29.0)));
    let why = refusal(&mut world, "alkalinity").expect("29 - 5 mL are less than 25");
    assert!(why.contains("its container is nearly empty"), "{why}");
    ask(&mut world, "alkalinity", DoseAsk::Refill(Some(31.0)));
    assert_eq!(refusal(&mut world, "alkalinity"), None);
}

#[test]
fn pumps_of_another_distance_keep_that_one() {
    let mut world = after(0, |plan| plan.dosing.iter_mut().for_each(|pump| pump.apart = minutes(5)));
    assert_eq!(ask(&mut world, "calcium", DoseAsk::Calibrate).outcome, Outcome::Done);
    world.advance(minutes(2));
    let why = refusal(&mut world, "alkalinity").expect("it ran just now");
    assert!(why.contains("doses keep 5 min from each other"), "{why}");
    world.advance(seconds(245));
    assert_eq!(refusal(&mut world, "alkalinity"), None);
}

#[test]
fn a_hold_a_trip_a_lost_broker_and_still_water_refuse_a_cylinder() {
    let mut world = after(0, |_| {});
    world.hold("feeding");
    let why = refusal(&mut world, "alkalinity").expect("a hold pauses it");
    assert!(why.contains("hold feeding pauses it") && why.contains("its start needs no-hold"), "{why}");
    let mut world = after(0, |plan| plan.interlocks[3].effects.push((OutputId::new(ALKALINITY), Off)));
    world.reads[LEAK] = Some(1.0);
    world.advance(minutes(1));
    let why = refusal(&mut world, "alkalinity").expect("a leak keeps it off");
    assert!(why.contains("interlock floor-wet keeps it off"), "{why}");
    let mut world = after(0, |_| {});
    world.broker = false;
    world.step(crate::control::Event::BrokerLost);
    assert!(refusal(&mut world, "alkalinity").expect("nothing is heard").contains("the broker is not connected"));
}

#[test]
fn a_trip_that_turns_outputs_on_turns_no_dosing_pump_on() {
    let mut world =
        after(0, |plan| plan.interlocks[3].effects = vec![(OutputId::new(ALKALINITY), On), (OutputId::new(FAN), On)]);
    world.commands.clear();
    world.reads[LEAK] = Some(1.0);
    world.advance(minutes(5));
    assert_eq!(world.last_command(FAN), Some(On), "it acts");
    assert_eq!(doses(&world, ALKALINITY), 0);
}

#[test]
fn a_rule_and_a_schedule_turn_no_dosing_pump_on() {
    let mut world = after(0, |plan| {
        let always = plan.add(Condition::Output { output: OutputId::new(RETURN), fact: OutputFact::ProvenOn });
        let wishes = vec![(OutputId::new(ALKALINITY), On), (OutputId::new(FAN), On)];
        plan.rules.push(RulePlan { name: crate::control::ids::Name::new("always"), cause: always, wishes });
    });
    assert_eq!(world.last_command(FAN), Some(On), "it wishes");
    world.commands.clear();
    world.advance(minutes(25));
    assert_eq!(doses(&world, ALKALINITY), 0, "the next slot is at twelve");
}

#[test]
fn a_proof_of_a_dosing_pump_runs_once_into_a_cylinder_and_counts_until_it_is_measured() {
    let mut world = after(0, |_| {});
    world.meters = vec![Meter::Follows(100.0); world.plugs.len()];
    (world.meters[ALKALINITY], world.meters[CALCIUM]) = (Meter::Follows(4.0), Meter::Follows(4.0));
    world.advance(minutes(2));
    world.commands.clear();
    assert_eq!(say(&mut world, ProveAct::Begin, Some("alkalinity switches"), None), Outcome::Done);
    assert_eq!(say(&mut world, ProveAct::Ready, None, None), Outcome::Done);
    world.advance(minutes(3));
    assert_eq!(doses(&world, ALKALINITY), 1);
    let spent = world.tank.status(world.now).dosing[0].ml_in_24_hours;
    assert!(spent >= RATE, "until it is measured it may have gone into the tank: {spent}");
    say(&mut world, ProveAct::Yes, None, None);
    assert_eq!(proof(&world, "alkalinity", Check::Switches).state, ProofState::Proven);
    ask(&mut world, "alkalinity", DoseAsk::Measured(5.1));
    assert!(world.tank.status(world.now).dosing[0].ml_in_24_hours < spent - RATE + 0.2);
    // While a cylinder may not run the step is refused, and says why.
    world.hold("feeding");
    say(&mut world, ProveAct::Begin, Some("alkalinity switches"), None);
    let id = world.ask(Request::Prove { act: ProveAct::Ready, what: None, code: None, signed: None });
    assert!(world.answers[&id].details[0].contains("hold feeding pauses it"), "{:?}", world.answers[&id]);
}

#[test]
fn a_proof_that_is_broken_off_before_its_cylinder_runs_lets_none_run_later() {
    let mut world = after(0, |_| {});
    assert_eq!(say(&mut world, ProveAct::Begin, Some("calcium switches"), None), Outcome::Done);
    assert_eq!(say(&mut world, ProveAct::Ready, None, None), Outcome::Done);
    // The broker goes away before it can be told.
    world.broker = false;
    world.step(crate::control::Event::BrokerLost);
    world.advance(minutes(1));
    let before = doses(&world, CALCIUM);
    world.broker = true;
    world.step(crate::control::Event::BrokerConnected);
    world.advance(minutes(5));
    assert_eq!(doses(&world, CALCIUM), before, "nobody holds the hose any more");
}

fn propose(world: &mut World, falls: f64) -> crate::control::Answer {
    let tests = vec![GivenTest { day: 0.0, dkh: 8.2 }, GivenTest { day: 3.0, dkh: 8.2 - falls }];
    let propose =
        DoseAsk::Propose { tests, test_sd: 0.05, target: None, since: None, changes: Vec::new(), by_hand: Vec::new() };
    ask(world, "alkalinity", propose)
}

#[test]
fn a_plan_changes_once_in_two_days_and_a_correction_may_not_pass_what_a_day_may_have() {
    let mut world = after(0, |_| {});
    assert_eq!(propose(&mut world, 0.3).outcome, Outcome::Done);
    assert_eq!(ask(&mut world, "alkalinity", DoseAsk::Approve).outcome, Outcome::Done);
    let plan = |world: &World| world.tank.status(world.now).dosing[0].maintenance_ml_per_day;
    let first = plan(&world);
    world.advance(Span::from_hours(47));
    let proposed = propose(&mut world, 0.3);
    assert_eq!(proposed.outcome, Outcome::Done, "{proposed:?}");
    let early = ask(&mut world, "alkalinity", DoseAsk::Approve);
    assert_eq!(early.outcome, Outcome::Refused, "{early:?}");
    assert!(early.details[0].contains("less than 48 h ago; the next step is free in "), "{early:?}");
    assert!((plan(&world) - first).abs() < 1e-9);
    world.advance(minutes(70));
    let proposed = propose(&mut world, 0.3);
    assert_eq!(proposed.outcome, Outcome::Done, "{proposed:?}");
    assert_eq!(ask(&mut world, "alkalinity", DoseAsk::Approve).outcome, Outcome::Done);
    assert!(plan(&world) > first);
    // A line of the file that is more than the water bears: what `check` says too, and nothing is put in force.
    let mut world = after(0, |_| {});
    let mut file = lagoon();
    (file.dosing[0].per_day, file.dosing[0].most_per_day) = (24.0, 23.0);
    world.reload(file);
    let most = ask(&mut world, "alkalinity", DoseAsk::Approve);
    assert_eq!(most.outcome, Outcome::Refused, "{most:?}");
    assert!(most.details[0].contains("24.0 mL/d are past what a day may have, 23.0 mL"), "{most:?}");
    assert!((plan(&world) - 20.0).abs() < 1e-9);
}

#[test]
fn the_partner_is_proposed_the_same_only_where_both_gave_the_same() {
    let partner = |calcium: f64| {
        let mut world = after(0, |plan| plan.dosing[1].per_day = calcium);
        let proposed = propose(&mut world, 0.3);
        assert_eq!(proposed.outcome, Outcome::Done, "{proposed:?}");
        let answer = ask(&mut world, "alkalinity", DoseAsk::Approve);
        let proposed = world.tank.status(world.now).dosing[1].proposal.is_some();
        assert_eq!(proposed, answer.summary.contains("slackwater dose approve calcium"), "{answer:?}");
        proposed
    };
    assert!(partner(20.0) && partner(20.3), "within 2 %");
    assert!(!partner(20.5) && !partner(12.0), "a keeper gave another amount on purpose");
}

#[test]
fn a_measure_that_cannot_be_is_refused_and_nothing_is_lost() {
    let mut world = after(0, |_| {});
    ask(&mut world, "alkalinity", DoseAsk::Calibrate);
    world.advance(minutes(2));
    // The pump is known to give 5 mL in a minute: a tenth and ten times that are somebody's slip.
    for ml in [f64::NAN, -5.0, 0.0, 0.5, 50.0] {
        let answer = ask(&mut world, "alkalinity", DoseAsk::Measured(ml));
        assert_eq!(answer.outcome, Outcome::Refused, "{ml}: {answer:?}");
        assert!(answer.details[0].contains("read the cylinder again"), "{answer:?}");
    }
    for ml in [0.51, 49.9] {
        let mut other = after(0, |_| {});
        ask(&mut other, "alkalinity", DoseAsk::Calibrate);
        other.advance(minutes(2));
        assert_eq!(ask(&mut other, "alkalinity", DoseAsk::Measured(ml)).outcome, Outcome::Done, "{ml}");
    }
    assert_eq!(ask(&mut world, "alkalinity", DoseAsk::Measured(5.0)).outcome, Outcome::Done);
}

#[test]
fn a_dose_in_hand_is_shown_by_its_state_and_the_next_slot_by_its_time() {
    let mut world = after(0, |_| {});
    let of = |world: &World| world.tank.status(world.now).dosing[0].clone();
    // 11:16 in Lisbon, and slots at each full hour.
    assert_eq!((of(&world).state, of(&world).next_slot.as_str()), ("waiting", "12:00"));
    world.advance_until_on(ALKALINITY);
    assert_eq!((of(&world).state, of(&world).next_slot.as_str()), ("dosing", "13:00"));
    // Ten seconds, and at most the plug's own countdown of twelve.
    assert!((of(&world).ml_in_24_hours - 12.0 / 60.0 * RATE).abs() < 1e-9, "what goes on counts as given");
    world.advance(minutes(5));
    assert_eq!(of(&world).state, "waiting");
    world.advance(minutes(11));
    ask(&mut world, "alkalinity", DoseAsk::Calibrate);
    world.advance(seconds(5));
    assert_eq!(of(&world).state, "calibrating");
}

#[test]
fn a_dose_that_is_cut_short_says_by_how_much_and_a_step_late_is_no_cut() {
    // Ten seconds and 0.83 mL; a fiftieth of it is 0.2 s.
    let stopped_after = |millis: u64| {
        let mut world = after(0, |_| {});
        world.advance_until_on(ALKALINITY);
        let began = world.commands.iter().rev().find(|(_, index, _)| *index == ALKALINITY).unwrap().0;
        world.advance(Span::from_millis(millis - world.now.steady.since(began).millis()));
        world.hold("water-change");
        world.advance(seconds(30));
        let dosing = world.tank.status(world.now).dosing[0].clone();
        (dosing.last_dose, dosing.owed_ml, 500.0 - dosing.container_ml)
    };
    let (said, owed, pumped) = stopped_after(5000);
    assert!(said.contains("was stopped after 0.42 mL of 0.83 mL"), "{said}");
    assert!((owed - 0.417).abs() < 0.01 && (pumped - 0.417).abs() < 0.01, "{owed} {pumped}");
    let (said, owed, _) = stopped_after(9750);
    assert!(said.contains("was stopped after 0.81 mL") && (owed - 0.021).abs() < 0.01, "{said} {owed}");
    let (said, owed, pumped) = stopped_after(9850);
    assert!(said.contains("gave 0.82 mL") && owed == 0.0, "{said} {owed}");
    assert!((pumped - 0.82).abs() < 0.01, "{pumped}");
}

#[test]
fn doses_that_no_report_proves_are_told_where_there_should_be_one() {
    let told = |report: Fitted, fault: PlugFault| {
        let mut world = after(0, |plan| plan.outputs[ALKALINITY].plug.report = report);
        world.faults[ALKALINITY] = fault;
        world.advance(Span::from_hours(6));
        (world.raised("alkalinity-unproven"), world.tank.status(world.now).dosing[0].last_dose.clone())
    };
    let (raised, said) = told(Fitted::Fitted, PlugFault::None);
    assert!(!raised && !said.contains("did not prove"), "{said}");
    let (raised, said) = told(Fitted::Fitted, PlugFault::Mute);
    assert!(raised && said.contains(", and its plug did not prove that it ran"), "{said}");
    let (raised, said) = told(Fitted::NotFitted, PlugFault::Mute);
    assert!(!raised && !said.contains("did not prove"), "it cannot: {said}");
}

#[test]
fn what_somebody_lets_a_pump_give_is_counted_out_of_its_container_and_over_a_kill() {
    let mut world = after(0, |_| {});
    world.somebody_lets_run(ALKALINITY, seconds(60));
    world.kill_and_restart();
    let spent = world.tank.status(world.now).dosing[0].ml_in_24_hours;
    assert!((4.9..7.0).contains(&spent), "a minute of 5 mL: {spent}");
    let mut world = after(0, |_| {});
    world.somebody_lets_run(ALKALINITY, seconds(60));
    world.report(ALKALINITY, Off);
    world.advance(minutes(2));
    let dosing = world.tank.status(world.now).dosing[0].clone();
    assert!((4.9..7.0).contains(&(500.0 - dosing.container_ml)), "{dosing:?}");
    assert!((4.9..7.0).contains(&dosing.ml_in_24_hours), "{dosing:?}");
}

//! What a proof test finds wrong: swapped wires, a meter of something else, a relay that conducts, two probes on one topic;
//! and what it keeps its hands off meanwhile.

use super::lagoon::*;
use super::prove::*;
use crate::control::Remembered;
use crate::control::effect::Outcome;
use crate::control::event::{Alive, ProveAct};
use crate::control::ids::{OutputId, SignalId};
use crate::control::plan::Switch::{Off, On};
use crate::control::plan::*;
use crate::control::prove::{Check, OneProof, ProofState};
use crate::control::{Event, Request};
use crate::time::Span;

fn failed(world: &World, of: &str, check: Check) -> String {
    let one = proof(world, of, check);
    assert_eq!(one.state, ProofState::Failed, "{one:?}");
    one.text.expect("a failed proof says why")
}

fn passed(world: &World, of: &str, check: Check) -> String {
    let one = proof(world, of, check);
    assert_eq!(one.state, ProofState::Proven, "{one:?}");
    one.text.expect("a proof says what was seen")
}

fn begin(world: &mut World, what: &str) {
    assert_eq!(say(world, ProveAct::Begin, Some(what), None), Outcome::Done, "{what}");
    assert_eq!(say(world, ProveAct::Ready, None, None), Outcome::Done, "{what}");
}

fn ready_with(plan: TankPlan) -> World {
    let mut world = World::with(plan, Remembered::Nothing);
    world.meters = vec![Meter::Follows(100.0); world.plugs.len()];
    world.advance(minutes(25));
    world
}

#[test]
fn a_meter_that_shows_something_else_than_the_rating_is_another_thing_s() {
    // A fan that is written with 100 W; three tenths beside it are no fault.
    for (watts, sound) in [(69.0, false), (71.0, true), (129.0, true), (131.0, false)] {
        let mut world = ready_lagoon();
        world.meters[FAN] = Meter::Follows(watts);
        prove(&mut world, "fan switches", Wrong::Nothing);
        if sound {
            assert!(passed(&world, "fan", Check::Switches).contains(&format!("draws {watts:.0}")), "{watts}");
        } else {
            let text = failed(&world, "fan", Check::Switches);
            assert!(text.contains("its rating says 100"), "{watts}: {text}");
        }
    }
    // A small one is not judged finer than a watt and a half.
    for (watts, sound) in [(3.4, true), (3.6, false)] {
        let mut small = plan();
        small.outputs[FAN].rating = crate::units::Power::from_watts(2.0).ok();
        let mut world = ready_with(small);
        world.meters[FAN] = Meter::Follows(watts);
        prove(&mut world, "fan switches", Wrong::Nothing);
        let state = proof(&world, "fan", Check::Switches).state;
        assert_eq!(state == ProofState::Proven, sound, "{watts} W of 2");
    }
}

#[test]
fn a_relay_that_conducts_and_a_meter_that_says_nothing_fail_the_proof() {
    let mut world = ready_lagoon();
    world.meters[FAN] = Meter::Says(100.0);
    prove(&mut world, "fan switches", Wrong::Nothing);
    let text = failed(&world, "fan", Check::Switches);
    assert!(text.contains("it reports off") && text.contains("its relay is stuck"), "{text}");
    let mut world = ready_lagoon();
    world.meters[FAN] = Meter::Silent;
    prove(&mut world, "fan switches", Wrong::Nothing);
    assert!(failed(&world, "fan", Check::Switches).starts_with("it reports on, and"));
    // Where there is no meter the report is what there is.
    let mut unmetered = plan();
    unmetered.outputs[FAN].plug.meter = None;
    let mut world = ready_with(unmetered);
    world.meters[FAN] = Meter::Silent;
    prove(&mut world, "fan switches", Wrong::Nothing);
    let text = passed(&world, "fan", Check::Switches);
    assert!(text.starts_with("on, proven by its report; off, proven by its report; a person saw it"), "{text}");
}

#[test]
fn a_plug_that_answers_in_place_of_another_one_is_named() {
    let mut world = ready_lagoon();
    // What the fan is told the chiller's plug does. The powerhead is on, as it is told to be.
    (world.faults[FAN], world.faults[CHILLER]) = (PlugFault::Ignores, PlugFault::Ignores);
    begin(&mut world, "fan switches");
    for _ in 0..30 {
        world.report(CHILLER, On);
        world.advance(seconds(1));
    }
    let text = failed(&world, "fan", Check::Switches);
    assert!(text.contains("chiller answered instead: their topics are swapped"), "{text}");
    assert!(!text.contains("powerhead"), "{text}");
}

#[test]
fn a_start_that_is_withheld_is_no_fault_of_the_plug() {
    let mut world = ready_lagoon();
    begin(&mut world, "heater switches");
    world.advance(seconds(4));
    assert_eq!(world.plugs[HEATER], On);
    // A person takes over in the middle of it.
    world.hold("hands-in");
    world.advance(minutes(4));
    let now = session(&world).expect("it goes on");
    assert_eq!((now.stage, proof(&world, "heater", Check::Switches).state), ("ready", ProofState::Never), "{now:?}");
    assert!(
        now.said.is_some_and(|said| said.contains("it was not told") || said.contains("its order came to its end"))
    );
}

#[test]
fn a_plug_is_proven_to_come_back_as_it_is_written() {
    let written = |output: usize, boots: Option<Switch>| {
        let mut plan = plan();
        plan.outputs[output].plug.boots = boots;
        ready_with(plan)
    };
    let mut world = written(FAN, Some(Off));
    prove(&mut world, "fan boots", Wrong::Nothing);
    let text = passed(&world, "fan", Check::Boots);
    assert!(text.contains("it was on, and came back off from a power cut, as written"), "{text}");
    let mut world = written(FAN, Some(Off));
    prove(&mut world, "fan boots", Wrong::BootsOn(FAN));
    assert!(failed(&world, "fan", Check::Boots).contains("`boots: off` is written: set it in the plug"));
    // Nobody wrote it, and a fan does no harm either way.
    let mut world = written(FAN, None);
    prove(&mut world, "fan boots", Wrong::BootsOn(FAN));
    assert!(passed(&world, "fan", Check::Boots).contains("write `boots: on`"));
    // A heater or a pump of fresh water that comes on by itself does.
    for (output, name) in [(HEATER, "heater"), (TOP_OFF, "top-off")] {
        let mut world = written(output, None);
        prove(&mut world, &format!("{name} boots"), Wrong::BootsOn(output));
        assert!(failed(&world, name, Check::Boots).contains("set in the plug that it comes back off"));
    }
    let mut world = written(TOP_OFF, Some(Off));
    let from = world.now.steady;
    prove(&mut world, "top-off boots", Wrong::Nothing);
    assert!(passed(&world, "top-off", Check::Boots).contains("it was off, and came back off"));
    assert!(!world.commands_since(from, TOP_OFF).contains(&On), "water is not pumped for a proof of a plug");
}

#[test]
fn a_plug_that_tells_nothing_of_its_restarts_is_seen_by_a_person() {
    for silent in [
        |plug: &mut PlugPlan| plug.report = Fitted::NotFitted,
        |plug: &mut PlugPlan| (plug.alive, plug.uptime) = (Fitted::NotFitted, Fitted::NotFitted),
    ] {
        let mut plan = plan();
        silent(&mut plan.outputs[FAN].plug);
        let mut world = ready_with(plan);
        begin(&mut world, "fan boots");
        world.advance(seconds(2));
        let now = session(&world).expect("it asks");
        assert_eq!(now.stage, "asking");
        assert!(now.instruction.contains("cut the power of the plug of fan by hand"), "{}", now.instruction);
        say(&mut world, ProveAct::Yes, None, None);
        assert!(passed(&world, "fan", Check::Boots).contains("a person saw it"));
    }
    // One sign of life is enough to see it.
    let mut plan = plan();
    plan.outputs[FAN].plug.uptime = Fitted::NotFitted;
    let mut world = ready_with(plan);
    begin(&mut world, "fan boots");
    world.advance(seconds(2));
    assert_eq!(session(&world).unwrap().stage, "watching");
}

#[test]
fn a_restart_that_was_not_seen_is_waited_for() {
    let mut world = ready_lagoon();
    begin(&mut world, "fan boots");
    world.advance(seconds(10));
    let fan = OutputId::new(FAN);
    world.step(Event::AliveArrived { output: fan, alive: Ok(Alive::No) });
    world.advance(minutes(1));
    assert_eq!(proof(&world, "fan", Check::Boots).state, ProofState::Never, "it is dark, and has not come back");
    world.plugs[FAN] = Off;
    world.step(Event::AliveArrived { output: fan, alive: Ok(Alive::Yes) });
    world.advance(seconds(1));
    assert_eq!(proof(&world, "fan", Check::Boots).state, ProofState::Never, "its report may still come");
    world.report(FAN, Off);
    world.advance(seconds(7));
    passed(&world, "fan", Check::Boots);
}

#[test]
fn two_probes_that_go_together_are_one_topic_for_two() {
    let mut world = ready_lagoon();
    begin(&mut world, "display-temp moves");
    for (celsius, wait) in [(27.5, 20), (25.0, 60)] {
        (world.reads[DISPLAY], world.reads[SUMP]) = (Some(celsius), Some(celsius));
        world.advance(seconds(wait));
    }
    assert!(failed(&world, "display-temp", Check::Moves).contains("sump-temp moved with it"));
    let mut world = ready_lagoon();
    begin(&mut world, "float-high wet-and-dry");
    for (wet, wait) in [(1.0, 30), (0.0, 60)] {
        (world.reads[FLOAT], world.reads[LEAK]) = (Some(wet), Some(wet));
        world.advance(seconds(wait));
    }
    assert!(failed(&world, "float-high", Check::WetAndDry).contains("floor-leak changed with it"));
}

#[test]
fn a_probe_that_answers_for_seconds_beside_the_touched_one_is_a_hand_s_touch() {
    let mut world = ready_lagoon();
    begin(&mut world, "display-temp moves");
    // A value is the median of three samples of ten seconds.
    world.reads[SUMP] = Some(27.5);
    world.advance(seconds(10));
    world.reads[DISPLAY] = Some(27.5);
    world.advance(seconds(10));
    world.reads[SUMP] = Some(25.1);
    world.advance(seconds(20));
    assert_eq!(proof(&world, "display-temp", Check::Moves).state, ProofState::Never, "the right one went as well");
    assert_eq!(session(&world).unwrap().phase, 1, "{:?}", session(&world));
}

#[test]
fn a_probe_has_to_come_back_to_where_it_was() {
    let mut world = ready_lagoon();
    begin(&mut world, "display-temp moves");
    world.reads[DISPLAY] = Some(26.4);
    world.advance(minutes(1));
    assert_eq!(session(&world).unwrap().phase, 0, "1.4 K are no 1.5");
    world.reads[DISPLAY] = Some(26.6);
    world.advance(minutes(1));
    assert_eq!(session(&world).unwrap().phase, 1);
    world.reads[DISPLAY] = Some(25.8);
    world.advance(minutes(1));
    assert_eq!(proof(&world, "display-temp", Check::Moves).state, ProofState::Never, "not half of the way");
    world.reads[DISPLAY] = Some(25.1);
    world.advance(minutes(1));
    let text = passed(&world, "display-temp", Check::Moves);
    assert!(text.contains("it went from 25.00 °C to 26.60 °C and back, and no other one did"), "{text}");
}

#[test]
fn a_level_that_is_touched_pumps_no_water() {
    let mut world = ready_lagoon();
    let from = world.now.steady;
    begin(&mut world, "sump-level moves");
    // For four minutes it says that 40 mm are missing: without a test a run begins after one.
    world.reads[LEVEL] = Some(-40.0);
    world.advance(minutes(4));
    assert_eq!(world.commands_since(from, TOP_OFF), [], "{:?}", session(&world));
    world.reads[LEVEL] = Some(0.0);
    world.advance(minutes(4));
    passed(&world, "sump-level", Check::Moves);
    assert!(world.tank.status(world.now).outputs[TOP_OFF].force.is_none());
    // Another probe's test leaves it to its work.
    begin(&mut world, "display-temp moves");
    world.advance(seconds(5));
    assert!(world.tank.status(world.now).outputs[TOP_OFF].force.is_none());
}

#[test]
fn a_level_whose_pump_runs_and_a_pump_whose_answer_is_looked_at_wait() {
    let refusal = |world: &mut World, what: &str| {
        assert_eq!(say(world, ProveAct::Begin, Some(what), None), Outcome::Done);
        let id = world.ask(Request::Prove { act: ProveAct::Ready, what: None, code: None, signed: None });
        let answer = world.answers[&id].clone();
        say(world, ProveAct::Stop, None, None);
        (answer.outcome, answer.details.first().cloned().unwrap_or_default())
    };
    let mut world = ready_lagoon();
    world.reads[LEVEL] = Some(-6.0);
    world.advance_until_on(TOP_OFF);
    let (outcome, why) = refusal(&mut world, "sump-level moves");
    assert!(outcome == Outcome::Refused && why.contains("top-off runs just now"), "{why}");
    let (outcome, why) = refusal(&mut world, "return-pump switches");
    assert!(outcome == Outcome::Refused && why.contains("the last run of the top-off is still looked at"), "{why}");
    let (outcome, why) = refusal(&mut world, "fan switches");
    assert_eq!(outcome, Outcome::Done, "{why}");
    let mut world = ready_lagoon();
    world.force("fan", On, 5);
    let (outcome, why) = refusal(&mut world, "fan switches");
    assert!(outcome == Outcome::Refused && why.contains("fan is forced"), "{why}");
    world.broker = false;
    world.step(Event::BrokerLost);
    let (outcome, why) = refusal(&mut world, "powerhead switches");
    assert!(outcome == Outcome::Refused && why.contains("the broker is not connected"), "{why}");
}

#[test]
fn a_float_whose_pump_goes_on_fails_though_its_interlock_trips() {
    let mut world = ready_lagoon();
    begin(&mut world, "float-high wet-and-dry");
    world.reads[FLOAT] = Some(1.0);
    // The pump's plug takes no command, and says that it is on.
    world.faults[TOP_OFF] = PlugFault::Ignores;
    world.report(TOP_OFF, On);
    world.advance(minutes(1));
    assert_eq!(proof(&world, "float-high", Check::WetAndDry).state, ProofState::Never, "it may take a while");
    world.advance(minutes(2));
    let text = failed(&world, "float-high", Check::WetAndDry);
    assert!(text.contains("top-off") && text.contains("NOT proven"), "{text}");
}

#[test]
fn a_contact_that_is_wet_for_a_moment_begins_anew() {
    let mut world = ready_lagoon();
    begin(&mut world, "floor-leak wet-and-dry");
    // As long as one reading: the leak's trip wants a second of it.
    world.step(Event::ReadingArrived {
        probe: crate::control::ids::ProbeId::new(LEAK),
        reading: Ok(1.0),
        retained: crate::control::event::Retained::No,
    });
    world.read(LEAK, 0.0);
    world.advance(seconds(30));
    assert_eq!(proof(&world, "floor-leak", Check::WetAndDry).state, ProofState::Never);
    assert_eq!(session(&world).unwrap().phase, 0);
}

/// A lagoon in which the silence of each of three signals is told.
fn told_of_silence() -> TankPlan {
    let mut plan = plan();
    for (at, name) in [(1, "sump-level-lost"), (2, "float-high-lost"), (3, "floor-leak-lost")] {
        plan.alarms.push(alarm(name, Priority::Medium, AlarmSource::SignalLost(SignalId::new(at)), 60));
    }
    plan
}

#[test]
fn the_silence_of_a_float_is_told_and_trips_what_rests_on_it() {
    let mut world = ready_with(told_of_silence());
    prove(&mut world, "float-high falls-silent", Wrong::Nothing);
    let text = passed(&world, "float-high", Check::FallsSilent);
    for part in ["its reading was lost (stale)", "alarm float-high-lost came", "top-off-high acted", "and it is back"] {
        assert!(text.contains(part), "`{part}` is not in: {text}");
    }
    assert!(!text.contains("sump-level"), "{text}");
}

#[test]
fn the_silence_of_another_float_is_a_swap_and_no_alarm_at_all_is_a_fault() {
    let mut world = ready_with(told_of_silence());
    prove(&mut world, "float-high falls-silent", Wrong::Swapped(FLOAT, LEAK));
    let text = failed(&world, "float-high", Check::FallsSilent);
    assert!(text.contains("floor-leak fell silent and float-high speaks on"), "{text}");
    // One that was silent for long before is none that was unplugged now.
    let mut world = ready_with(told_of_silence());
    world.reads[LEAK] = None;
    world.advance(minutes(10));
    begin(&mut world, "float-high falls-silent");
    world.advance(minutes(4));
    assert_eq!(proof(&world, "float-high", Check::FallsSilent).state, ProofState::Never);
    // An alarm that never comes: its delay is longer than its keeper thinks.
    let mut slow = told_of_silence();
    slow.interlocks[1].unknown = OnUnknown::Ignored;
    slow.interlocks[0].unknown = OnUnknown::Trips;
    slow.alarms.retain(|alarm| &*alarm.name != "display-temp-lost");
    let mut world = ready_with(slow);
    prove(&mut world, "display-temp falls-silent", Wrong::Nothing);
    assert!(failed(&world, "display-temp", Check::FallsSilent).contains("no alarm tells of it"));
}

#[test]
fn a_heater_that_does_not_go_off_at_its_cut_off_fails_it() {
    let mut world = ready_lagoon();
    assert_eq!(say(&mut world, ProveAct::Begin, Some("heater-cutoff cuts-off"), None), Outcome::Done);
    while session(&world).is_some_and(|now| now.phase < 1) {
        act(&mut world, Wrong::Nothing);
    }
    world.faults[HEATER] = PlugFault::Ignores;
    go_through(&mut world, Wrong::Nothing);
    assert!(failed(&world, "heater-cutoff", Check::CutsOff).starts_with("it tripped, and"));
    // It reports off, and draws power all the same.
    let mut world = ready_lagoon();
    say(&mut world, ProveAct::Begin, Some("heater-cutoff cuts-off"), None);
    while session(&world).is_some_and(|now| now.phase < 1) {
        act(&mut world, Wrong::Nothing);
    }
    world.meters[HEATER] = Meter::Says(100.0);
    go_through(&mut world, Wrong::Nothing);
    assert!(failed(&world, "heater-cutoff", Check::CutsOff).starts_with("it tripped, and"));
}

#[test]
fn a_cut_off_whose_plug_proves_nothing_is_seen_by_a_person() {
    let mut plan = plan();
    (plan.outputs[HEATER].plug.report, plan.outputs[HEATER].plug.meter) = (Fitted::NotFitted, None);
    let mut world = ready_with(plan);
    world.faults[HEATER] = PlugFault::Mute;
    world.meters[HEATER] = Meter::Silent;
    say(&mut world, ProveAct::Begin, Some("heater-cutoff cuts-off"), None);
    for _ in 0..600 {
        if session(&world).is_none_or(|now| now.stage == "asking") {
            break;
        }
        act(&mut world, Wrong::Nothing);
    }
    let asks = session(&world).expect("it asks").instruction;
    assert!(asks.contains("did the heater itself go off when the probe was warm"), "{asks}");
    say(&mut world, ProveAct::No, None, None);
    assert!(failed(&world, "heater-cutoff", Check::CutsOff).contains("a person said no"));
}

#[test]
fn who_signed_is_who_signs_until_somebody_else_does() {
    let mut world = ready_lagoon();
    let say_as = |world: &mut World, act: ProveAct, signed: Option<&str>, what: Option<&str>| {
        let (what, signed) = (what.map(str::to_owned), signed.map(str::to_owned));
        world.ask(Request::Prove { act, what, code: None, signed });
    };
    say_as(&mut world, ProveAct::Begin, Some("Ana"), Some("fan switches"));
    say_as(&mut world, ProveAct::Ready, None, None);
    world.advance(minutes(2));
    say_as(&mut world, ProveAct::Yes, Some("  "), None);
    assert_eq!(proof(&world, "fan", Check::Switches).by.as_deref(), Some("Ana (the keeper)"));
    say_as(&mut world, ProveAct::Begin, Some("Ana"), Some("fan switches"));
    say_as(&mut world, ProveAct::Ready, Some("Rui"), None);
    world.advance(minutes(2));
    say_as(&mut world, ProveAct::Yes, None, None);
    assert_eq!(proof(&world, "fan", Check::Switches).by.as_deref(), Some("Rui (the keeper)"));
}

#[test]
fn a_proof_is_wanted_again_in_the_last_quarter_of_its_time() {
    let mut plan = plan();
    plan.proofs.safeguards = Span::from_hours(4);
    let mut world = ready_with(plan);
    prove(&mut world, "float-high wet-and-dry", Wrong::Nothing);
    let wanted = |world: &mut World| {
        say(world, ProveAct::Begin, None, None);
        let queue = world.tank.state().proofs.session.expect("a session").queue;
        say(world, ProveAct::Stop, None, None);
        queue.contains(&"float-high wet-and-dry".to_owned())
    };
    world.advance(minutes(170));
    assert!(!wanted(&mut world), "proven less than three of four hours ago");
    world.advance(minutes(15));
    assert!(wanted(&mut world));
    // What failed is wanted at once.
    prove(&mut world, "float-high wet-and-dry", Wrong::Nothing);
    assert!(!wanted(&mut world));
    prove(&mut world, "float-high wet-and-dry", Wrong::Swapped(FLOAT, LEAK));
    assert!(wanted(&mut world));
}

#[test]
fn a_kill_keeps_what_was_proven_and_takes_a_step_s_order_back() {
    let mut world = ready_lagoon();
    prove(&mut world, "fan switches", Wrong::Nothing);
    let before: OneProof = proof(&world, "fan", Check::Switches);
    begin(&mut world, "display-temp moves");
    world.kill_and_restart();
    assert_eq!(proof(&world, "fan", Check::Switches).text, before.text);
    let now = session(&world).expect("it is gone on with");
    assert_eq!((now.stage, now.of.as_str()), ("ready", "display-temp"));
    assert!(now.said.is_some_and(|said| said.contains("broken off by a restart")));
    say(&mut world, ProveAct::Stop, None, None);
    world.advance(minutes(5));
    begin(&mut world, "chiller switches");
    world.advance(seconds(5));
    assert_eq!(world.plugs[CHILLER], On);
    world.kill_and_restart();
    assert!(world.tank.status(world.now).outputs[CHILLER].force.is_none());
    world.advance(minutes(4));
    assert_eq!(world.plugs[CHILLER], Off, "its least time is over, and nothing wants it");
}

#[test]
fn a_latch_of_a_lifted_float_is_reset_after_a_kill_unless_water_lifted_another() {
    let mut world = ready_lagoon();
    begin(&mut world, "float-high wet-and-dry");
    world.reads[FLOAT] = Some(1.0);
    world.advance(seconds(20));
    let state = |world: &World| {
        let all = world.tank.status(world.now).interlocks;
        all.iter().find(|one| &*one.interlock == "top-off-high").unwrap().state
    };
    assert_eq!(state(&world), "latched");
    world.kill_and_restart();
    world.advance(seconds(30));
    assert_eq!(state(&world), "latched", "it is wet");
    world.reads[FLOAT] = Some(0.0);
    world.advance(minutes(2));
    assert_eq!(state(&world), "armed", "the test's own latch");
    // After the step's own time nothing is the test's doing any more.
    let mut world = ready_lagoon();
    begin(&mut world, "float-high wet-and-dry");
    say(&mut world, ProveAct::Stop, None, None);
    world.advance(minutes(21));
    world.reads[FLOAT] = Some(1.0);
    world.advance(seconds(30));
    world.reads[FLOAT] = Some(0.0);
    world.advance(minutes(2));
    assert_eq!(state(&world), "latched");
}

/// A float is lifted and let go in its proof test, while something else goes on; what is left of its latch.
fn latch_after(plan: TankPlan, real: impl Fn(&mut World)) -> &'static str {
    let mut world = ready_with(plan);
    begin(&mut world, "float-high wet-and-dry");
    world.reads[FLOAT] = Some(1.0);
    world.advance(seconds(20));
    real(&mut world);
    world.advance(minutes(2));
    let state = |world: &World| world.tank.status(world.now).interlocks[1].state;
    assert_eq!(state(&world), "latched");
    world.reads = [25.0, 25.1, 0.0, 0.0, 0.0].map(Some).to_vec();
    world.advance(minutes(3));
    state(&world)
}

#[test]
fn a_latch_that_water_would_have_made_too_is_not_reset_by_the_test() {
    let dry = |_: &mut World| {};
    let leak = |world: &mut World| world.reads[LEAK] = Some(1.0);
    let low = |world: &mut World| world.reads[LEVEL] = Some(-60.0);
    let contact = |plan: &mut TankPlan, signal: usize| {
        plan.add(Condition::Contact { signal: SignalId::new(signal), wet: true, doubtful: Doubtful::Counts })
    };
    // Two floats of one signal.
    let mut two = plan();
    two.signals[2].probes.push(crate::control::ids::ProbeId::new(LEAK));
    assert_eq!(latch_after(two.clone(), dry), "armed");
    assert_eq!(latch_after(two, leak), "latched");
    // Either of two signals, or a level.
    let mut either = plan();
    let parts = vec![contact(&mut either, 2), contact(&mut either, 3)];
    either.interlocks[1].cause = either.add(Condition::Any(parts));
    assert_eq!(latch_after(either.clone(), dry), "armed");
    assert_eq!(latch_after(either, leak), "latched");
    let mut with_level = plan();
    let below = compare(1, Estimate::Voted, Side::Below, -50.0, Doubtful::Counts);
    let parts = vec![contact(&mut with_level, 2), with_level.add(below)];
    with_level.interlocks[1].cause = with_level.add(Condition::Any(parts));
    assert_eq!(latch_after(with_level.clone(), dry), "armed");
    assert_eq!(latch_after(with_level, low), "latched");
    // Both of two: without the float there is no cause, whatever the other one says.
    let mut both = plan();
    let above = compare(1, Estimate::Voted, Side::Above, -30.0, Doubtful::Counts);
    let parts = vec![contact(&mut both, 2), both.add(above)];
    both.interlocks[1].cause = both.add(Condition::All(parts));
    assert_eq!(latch_after(both, dry), "armed");
}

#[test]
fn a_cut_off_that_another_thermometer_trips_too_is_not_reset_by_the_test() {
    let latch = |hot: f64| {
        let mut plan = plan();
        plan.interlocks[0].latch = Latch::Always;
        let mut world = ready_with(plan);
        begin(&mut world, "heater-cutoff cuts-off");
        world.advance(seconds(30));
        world.reads[SUMP] = Some(27.0);
        world.advance(minutes(1));
        world.reads[DISPLAY] = Some(hot);
        world.advance(minutes(2));
        (world.reads[SUMP], world.reads[DISPLAY]) = (Some(25.1), Some(25.0));
        world.advance(minutes(5));
        world.tank.status(world.now).interlocks[0].state
    };
    assert_eq!(latch(25.0), "armed", "the test's own");
    assert_eq!(latch(26.4), "latched", "the water was hot");
}

#[test]
fn a_level_probe_stays_in_hand_until_it_is_back_or_the_step_s_time_is_over() {
    let quality = |world: &World| world.tank.status(world.now).probes[LEVEL].quality;
    for (back, minutes_until_good) in [(true, 4), (false, 14)] {
        let mut world = ready_lagoon();
        begin(&mut world, "sump-level moves");
        world.reads[LEVEL] = Some(-40.0);
        world.advance(minutes(1));
        say(&mut world, ProveAct::Stop, None, None);
        world.advance(minutes(1));
        assert!(!quality(&world).is_good(), "it is still in a hand");
        // Nearly back is back: half of the way that it has to go.
        world.reads[LEVEL] = Some(if back { -7.0 } else { -9.0 });
        world.advance(minutes(4));
        assert_eq!(quality(&world).is_good(), back, "{:?}", quality(&world));
        world.advance(minutes(minutes_until_good - 4));
        assert!(quality(&world).is_good(), "{:?}", quality(&world));
    }
}

//! A tank, a fault, time, and what must follow. Row numbers are those of the project's hazard list.

use super::lagoon::*;
use crate::control::event::{Alive, BrokerSaid, Retained};
use crate::control::ids::OutputId;
use crate::control::plan::Switch::{Off, On};
use crate::control::status::ProofStatus;
use crate::control::{Effect, Event, Outcome, Remembered, Request};
use crate::time::Span;

#[test]
fn a_start_commands_no_heat_before_three_fresh_samples_and_leaves_the_pumps_running() {
    let mut world = World::new();
    world.reads[DISPLAY] = Some(24.0);
    world.reads[SUMP] = Some(24.0);
    world.advance(seconds(15));
    assert_eq!(world.last_command(HEATER), Some(Off));
    assert!(!world.commands.iter().any(|(_, output, to)| [RETURN, POWERHEAD].contains(output) && *to == Off));
    world.advance(seconds(20));
    assert_eq!(world.last_command(HEATER), Some(On));
    assert_eq!(world.last_command(RETURN), Some(On));
}

#[test]
fn the_thermostat_heats_below_its_band_and_stops_above_it() {
    let mut world = World::settled();
    assert_eq!(world.last_command(HEATER), Some(Off));
    for (at, expected) in [(24.9, Off), (24.8, On), (25.0, On), (25.1, On), (25.2, Off), (25.0, Off)] {
        world.reads[DISPLAY] = Some(at);
        world.reads[SUMP] = Some(at);
        world.advance(minutes(3));
        assert_eq!(world.last_command(HEATER), Some(expected), "at {at}");
    }
}

#[test]
fn heating_follows_the_higher_probe_so_that_one_that_reads_low_cannot_cook_f01_f02() {
    let mut world = World::settled();
    world.reads[DISPLAY] = Some(24.7);
    world.reads[SUMP] = Some(25.3);
    world.advance(minutes(11));
    assert_eq!(world.last_command(HEATER), Some(Off));
    world.reads[DISPLAY] = Some(24.6);
    world.advance(minutes(11));
    assert!(world.raised("water-temp-disagree"));
    assert_eq!(world.last_command(HEATER), Some(Off));
}

#[test]
fn both_probes_silent_turn_the_heater_off_and_leave_the_pumps_alone_f04() {
    let mut world = World::settled();
    world.reads[DISPLAY] = Some(24.7);
    world.reads[SUMP] = Some(24.7);
    world.advance(minutes(2));
    assert_eq!(world.last_command(HEATER), Some(On));
    let from = world.now.steady;
    world.reads[DISPLAY] = None;
    world.reads[SUMP] = None;
    world.advance(seconds(70));
    assert_eq!(world.commands_since(from, HEATER), [Off]);
    world.advance(minutes(2));
    assert!(world.raised("water-temp-lost"));
    assert!(world.commands_since(from, RETURN).is_empty() && world.commands_since(from, POWERHEAD).is_empty());
    world.reads[SUMP] = Some(24.7);
    world.advance(seconds(15));
    assert_eq!(world.last_command(HEATER), Some(Off), "two samples are not three");
    world.advance(seconds(60));
    assert_eq!(world.last_command(HEATER), Some(On));
}

#[test]
fn an_overheated_tank_trips_the_cutoff_and_latches_it_and_only_a_reset_clears_it() {
    let mut world = World::settled();
    world.reads[DISPLAY] = Some(24.7);
    world.reads[SUMP] = Some(24.7);
    world.advance(minutes(2));
    assert_eq!(world.last_command(HEATER), Some(On));
    // A force that a person forgot is no help against the cut-off.
    let force = world.force("heater", On, 10);
    world.advance(seconds(1));
    assert_eq!(world.answers[&force].outcome, Outcome::Done);
    for step in 0..60 {
        let value = 24.7 + 0.025 * f64::from(step);
        world.reads[DISPLAY] = Some(value);
        world.reads[SUMP] = Some(value);
        world.advance(seconds(10));
    }
    assert_eq!(world.last_command(HEATER), Some(Off));
    assert!(world.raised("heater-cutoff-trip"));
    let status = world.tank.status(world.now);
    assert_eq!(status.interlocks[0].state, "latched");
    let refused = world.ask(Request::Reset { interlock: None });
    assert_eq!(world.answers[&refused].outcome, Outcome::Refused, "its cause is still there");
    world.kill_and_restart();
    world.reads[DISPLAY] = Some(24.5);
    world.reads[SUMP] = Some(24.5);
    world.advance(minutes(2));
    assert_eq!(world.last_command(HEATER), Some(Off), "a latch survives a kill");
    let reset = world.ask(Request::Reset { interlock: Some("heater-cutoff".to_owned()) });
    assert_eq!(world.answers[&reset].outcome, Outcome::Done);
    world.advance(minutes(2));
    assert_eq!(world.last_command(HEATER), Some(On));
}

#[test]
fn one_lying_probe_trips_and_does_not_latch() {
    let mut world = World::settled();
    world.reads[SUMP] = Some(26.4);
    world.advance(minutes(5));
    let status = world.tank.status(world.now);
    assert_eq!(status.interlocks[0].state, "tripped");
    world.reads[SUMP] = Some(25.0);
    world.advance(minutes(5));
    assert_eq!(world.tank.status(world.now).interlocks[0].state, "armed");
}

#[test]
fn a_wet_float_stops_the_top_off_in_the_same_step_f17() {
    let mut world = World::settled();
    world.reads[LEVEL] = Some(-6.0);
    world.advance_until_on(TOP_OFF);
    let from = world.now.steady;
    world.read(FLOAT, 1.0);
    assert_eq!(world.commands_since(from, TOP_OFF), [Off]);
    assert!(world.commands_since(from, RETURN).is_empty());
    world.reads[FLOAT] = Some(0.0);
    world.advance(minutes(15));
    assert_eq!(world.last_command(TOP_OFF), Some(Off), "latched until reset");
}

#[test]
fn a_latch_is_saved_in_its_own_step_right_after_the_commands() {
    use crate::control::Effect;
    use crate::control::effect::Durability;

    let mut world = World::settled();
    world.reads[LEVEL] = Some(-6.0);
    world.advance_until_on(TOP_OFF);
    world.effects.clear();
    world.read(FLOAT, 1.0);
    let off = world.effects.iter().position(|effect| matches!(effect, Effect::SwitchPlug { to: Off, .. }));
    let saved = world.effects.iter().position(|effect| *effect == Effect::SaveState(Durability::AfterTheCommands));
    assert!(off.is_some() && off < saved, "{:?}", world.effects);
}

#[test]
fn a_plug_that_ignores_off_is_told_again_and_said_to_be_unproven_f30() {
    let mut world = World::settled();
    world.reads[DISPLAY] = Some(24.7);
    world.reads[SUMP] = Some(24.7);
    world.advance(minutes(2));
    world.faults[HEATER] = PlugFault::Ignores;
    let from = world.now.steady;
    world.reads[DISPLAY] = Some(25.3);
    world.reads[SUMP] = Some(25.3);
    world.advance(seconds(60));
    assert!(world.commands_since(from, HEATER).len() >= 3);
    let heater = &world.tank.status(world.now).outputs[HEATER];
    assert_eq!((heater.decided, heater.reported, heater.proof), (Off, Some(On), ProofStatus::NotProven));
    assert!(world.raised("heater-not-proven"));
    world.faults[HEATER] = PlugFault::None;
    world.advance(minutes(3));
    assert_eq!(world.tank.status(world.now).outputs[HEATER].proof, ProofStatus::Proven);
}

#[test]
fn a_mute_plug_is_never_reported_as_done() {
    let mut world = World::settled();
    world.faults[RETURN] = PlugFault::Mute;
    let hold = world.hold("water-change");
    world.advance(seconds(30));
    let answer = &world.answers[&hold];
    assert_eq!(answer.outcome, Outcome::NotProven);
    assert!(answer.details.iter().any(|line| line.starts_with("return-pump: told off and NOT proven")), "{answer:?}");
    assert!(answer.caution.as_ref().unwrap().contains("not isolation"));
}

#[test]
fn a_water_change_pauses_flow_heat_and_top_off_and_a_low_level_refuses_its_release() {
    let mut world = World::settled();
    let from = world.now.steady;
    let hold = world.hold("water-change");
    assert_eq!(world.last_command(TOP_OFF), Some(Off));
    assert_eq!(world.commands_since(from, RETURN), [], "what its flow feeds goes off first");
    world.advance(seconds(3));
    assert_eq!(world.answers[&hold].outcome, Outcome::Done);
    assert_eq!(world.commands_since(from, RETURN), [Off]);
    let forced = world.force("return-pump", On, 5);
    assert_eq!(world.answers[&forced].outcome, Outcome::Refused);
    world.reads[LEVEL] = Some(-120.0);
    world.advance(minutes(20));
    let release = world.ask(Request::Release { procedure: None });
    assert_eq!(world.answers[&release].outcome, Outcome::Refused);
    assert!(world.answers[&release].details[0].contains("sump-level"), "{:?}", world.answers[&release]);
    world.reads[LEVEL] = Some(0.0);
    world.advance(minutes(5));
    let release = world.ask(Request::Release { procedure: None });
    assert_eq!(world.answers[&release].outcome, Outcome::Done);
    world.advance(seconds(5));
    assert_eq!(world.last_command(RETURN), Some(On));
}

#[test]
fn a_hold_survives_a_kill_with_its_original_deadline_and_restarts_nothing_at_its_end_f55_f58() {
    let mut world = World::settled();
    world.hold("water-change");
    world.advance(minutes(25));
    world.kill_and_restart();
    world.advance(minutes(30));
    assert!(!world.raised("water-change-overdue"));
    let from = world.now.steady;
    world.advance(minutes(6));
    assert!(world.raised("water-change-overdue"));
    world.advance(minutes(60));
    assert!(!world.commands_since(from, RETURN).contains(&On));
}

#[test]
fn feeding_ends_by_itself_if_the_level_allows() {
    let mut world = World::settled();
    world.hold("feeding");
    world.advance(minutes(16));
    assert_eq!(world.last_command(RETURN), Some(On));
    world.hold("feeding");
    world.reads[LEVEL] = Some(-80.0);
    let from = world.now.steady;
    world.advance(minutes(30));
    assert_eq!(world.commands_since(from, RETURN), [Off]);
}

#[test]
fn a_pump_switched_off_at_its_plug_is_a_person_and_begins_a_hands_in_hold_f32() {
    let mut world = World::settled();
    let from = world.now.steady;
    world.report(RETURN, Off);
    world.advance(minutes(20));
    assert!(!world.commands_since(from, RETURN).contains(&On));
    let hold = world.tank.status(world.now).holds.iter().find(|hold| &*hold.hold == "hands-in").cloned().unwrap();
    assert!(hold.active && hold.by.unwrap().contains("return-pump"));
}

#[test]
fn a_pump_that_rebooted_into_off_is_started_again_f29() {
    let mut world = World::settled();
    let from = world.now.steady;
    let output = OutputId::new(RETURN);
    world.step(Event::AliveArrived { output, alive: Ok(Alive::No) });
    world.advance(seconds(5));
    world.step(Event::AliveArrived { output, alive: Ok(Alive::Yes) });
    world.report(RETURN, Off);
    world.advance(seconds(5));
    assert_eq!(world.commands_since(from, RETURN), [On]);
}

#[test]
fn plugs_that_go_off_together_lost_their_power_and_are_started_again_f51() {
    let mut world = World::settled();
    let from = world.now.steady;
    world.report(RETURN, Off);
    world.report(POWERHEAD, Off);
    world.advance(seconds(8));
    assert_eq!(world.commands_since(from, RETURN), [On]);
    assert_eq!(world.commands_since(from, POWERHEAD), [On]);
}

#[test]
fn a_top_off_switched_on_by_somebody_else_is_undone_at_once_f28_f33() {
    let mut world = World::settled();
    let from = world.now.steady;
    world.report(TOP_OFF, On);
    assert_eq!(world.commands_since(from, TOP_OFF), [Off]);
    assert!(world.raised("top-off-foreign"));
    let output = OutputId::new(TOP_OFF);
    world.advance(seconds(1));
    world.step(Event::ForeignCommandSeen { output, command: Some(On), retained: Retained::Yes });
    assert!(world.commands_since(from, TOP_OFF).len() >= 2);
    assert!(world.journal.iter().any(|entry| entry.text.contains("retained")));
}

#[test]
fn after_an_outage_only_the_newest_wish_is_told_f52() {
    let mut world = World::settled();
    world.broker = false;
    world.step(Event::BrokerLost);
    let from = world.now.steady;
    world.advance(minutes(10));
    world.force("fan", On, 5);
    world.force("fan", Off, 5);
    world.advance(minutes(1));
    assert!(world.commands.iter().all(|(at, ..)| *at < from), "nothing is told without a broker");
    world.broker = true;
    world.step(Event::BrokerConnected);
    world.advance(minutes(1));
    assert_eq!(world.commands_since(from, FAN), [Off]);
    assert!(!world.commands_since(from, RETURN).contains(&Off));
}

#[test]
fn the_chiller_rests_after_a_start_of_the_daemon_and_never_runs_beside_the_heater_f48_f49() {
    let mut world = World::new();
    world.reads[DISPLAY] = Some(26.2);
    world.reads[SUMP] = Some(26.2);
    let from = world.now.steady;
    world.advance(seconds(290));
    assert!(!world.commands_since(from, CHILLER).contains(&On));
    world.advance(seconds(20));
    assert_eq!(world.last_command(CHILLER), Some(On));
    let heat = world.force("heater", On, 5);
    assert_eq!(world.answers[&heat].outcome, Outcome::Refused);
    world.reads[DISPLAY] = Some(25.5);
    world.reads[SUMP] = Some(25.5);
    world.advance(minutes(3));
    assert_eq!(world.last_command(CHILLER), Some(Off));
}

#[test]
fn a_command_that_no_plug_hears_is_known_at_once() {
    let mut world = World::settled();
    world.faults[FAN] = PlugFault::Mute;
    world.force("fan", On, 5);
    world.step(Event::CommandAcknowledged { output: OutputId::new(FAN), outcome: BrokerSaid::NobodyListens });
    let explained = world.tank.explain(OutputId::new(FAN), world.now);
    assert!(explained.proof.contains("no plug listens"), "{}", explained.proof);
}

#[test]
fn a_plain_plug_that_was_not_there_is_told_again_until_the_broker_takes_it() {
    let mut plan = plan();
    plan.outputs[FAN].plug.report = crate::control::plan::Fitted::NotFitted;
    let mut world = World::with(plan, Remembered::Nothing);
    world.faults[FAN] = PlugFault::Mute;
    world.advance(minutes(1));
    world.force("fan", On, 5);
    let output = OutputId::new(FAN);
    let proof = |world: &World| world.tank.status(world.now).outputs[FAN].proof;
    assert_eq!(proof(&world), ProofStatus::CannotBeProven);
    world.step(Event::CommandAcknowledged { output, outcome: BrokerSaid::NobodyListens });
    assert_eq!(proof(&world), ProofStatus::NotProven);
    world.advance(seconds(1));
    let from = world.now.steady;
    world.advance(seconds(10));
    assert_eq!(world.commands_since(from, FAN), [On], "told again");
    world.step(Event::CommandAcknowledged { output, outcome: BrokerSaid::Accepted });
    assert_eq!(proof(&world), ProofStatus::CannotBeProven);
}

#[test]
fn a_force_is_bounded_in_time_and_ends_by_itself_f59() {
    let mut world = World::settled();
    let long = world.ask(Request::Force { output: "heater".to_owned(), to: On, lasting: Some(Span::from_hours(24)) });
    assert_eq!(world.answers[&long].outcome, Outcome::Refused);
    world.force("heater", On, 10);
    world.advance(seconds(2));
    assert_eq!(world.last_command(HEATER), Some(On));
    world.advance(minutes(10));
    assert_eq!(world.last_command(HEATER), Some(Off));
    let unknown = world.force("haeter", On, 10);
    assert!(world.answers[&unknown].details[0].contains("heater"));
}

#[test]
fn a_damaged_state_latches_the_heater_and_leaves_the_pumps_f64() {
    let mut world = World::with(plan(), Remembered::Damaged("checksum".to_owned()));
    world.reads[DISPLAY] = Some(24.5);
    world.reads[SUMP] = Some(24.5);
    world.advance(minutes(5));
    assert_eq!(world.last_command(HEATER), Some(Off));
    assert!(world.raised("state-damaged"));
    assert!(!world.commands.iter().any(|(_, output, to)| [RETURN, POWERHEAD].contains(output) && *to == Off));
    let reset = world.ask(Request::Reset { interlock: None });
    assert_eq!(world.answers[&reset].outcome, Outcome::Done);
    world.advance(minutes(2));
    assert_eq!(world.last_command(HEATER), Some(On));
}

#[test]
fn a_clock_jump_moves_no_deadline_and_is_told_f57() {
    let mut world = World::settled();
    world.hold("water-change");
    world.now.wall = world.now.wall.after(Span::from_hours(5));
    world.advance(minutes(59));
    assert!(world.raised("clock-jumped"));
    assert!(!world.raised("water-change-overdue"));
    world.advance(minutes(2));
    assert!(world.raised("water-change-overdue"));
}

#[test]
fn a_new_plan_keeps_latches_holds_and_proofs_f66() {
    let mut world = World::settled();
    world.hold("water-change");
    world.read(FLOAT, 1.0);
    world.reads[FLOAT] = Some(0.0);
    world.advance(minutes(1));
    let from = world.now.steady;
    let mut changed = plan();
    changed.thermostat.as_mut().unwrap().target = 25.2;
    // A new output in front moves every index.
    changed.outputs.push(changed.outputs[FAN].clone());
    changed.outputs[FAN + 1].name = "light".into();
    let tank = world.tank.clone();
    world.take(tank.replan(changed, world.now));
    world.faults.push(PlugFault::None);
    world.plugs.push(Off);
    world.advance(minutes(1));
    let status = world.tank.status(world.now);
    assert_eq!(status.interlocks[1].state, "latched");
    assert!(status.holds[0].active);
    assert!(world.commands_since(from, RETURN).is_empty() && world.commands_since(from, HEATER).is_empty());
    assert_eq!(world.commands_since(from, FAN + 1), [Off]);
}

#[test]
fn a_lease_is_refreshed_only_while_its_output_is_on() {
    let mut world = World::settled();
    let from = world.now.steady;
    world.advance(minutes(5));
    assert!(world.refreshes.iter().all(|(at, output)| *at < from || *output != HEATER));
    world.reads[DISPLAY] = Some(24.7);
    world.reads[SUMP] = Some(24.7);
    world.advance(minutes(5));
    let refreshed = world.refreshes.iter().filter(|(at, output)| *at >= from && *output == HEATER).count();
    assert!((5..=7).contains(&refreshed), "every 45 s, and {refreshed} came");
}

#[test]
fn the_explanation_names_the_layer_the_reading_and_its_age() {
    let mut world = World::settled();
    world.reads[DISPLAY] = Some(24.7);
    world.reads[SUMP] = Some(24.7);
    world.advance(minutes(2));
    let explained = world.tank.explain(OutputId::new(HEATER), world.now);
    assert!(explained.layers.iter().any(|layer| layer.layer == "loop" && layer.decides), "{explained:#?}");
    assert!(explained.summary.contains("on at 24.85 °C"), "{}", explained.summary);
    assert!(explained.rests_on[0].contains("display-temp 24.70 °C"), "{:?}", explained.rests_on);
    assert_eq!(explained.proof, "heater: on, proven by its report");
}

#[test]
fn a_conductivity_becomes_a_salinity_by_the_temperature_of_its_water_and_none_without_one() {
    use crate::control::ids::{ProbeId, SignalId};
    use crate::control::plan::{Calibration, ConductivityPlan, ProbePlan, SignalPlan};
    use crate::control::quality::{Fault, Quality};
    use crate::units::Quantity;
    use crate::water::salinity_probe;

    let mut plan = plan();
    let conductivity = ConductivityPlan {
        temperature: SignalId::new(0),
        compensation: salinity_probe::Compensation::Uncompensated,
        calibration: salinity_probe::Calibration::NONE,
    };
    plan.probes.push(ProbePlan {
        name: "salinity".into(),
        quantity: Quantity::Salinity,
        conductivity: Some(conductivity),
        calibration: Calibration::NONE,
        least: 20.0,
        greatest: 45.0,
        stale_after: minutes(5),
        fastest: None,
        stuck_after: None,
    });
    let signal = SignalPlan {
        name: "salinity".into(),
        quantity: Quantity::Salinity,
        probes: vec![ProbeId::new(5)],
        disagree: None,
    };
    plan.signals.push(signal);
    let mut world = World::with(plan, Remembered::Nothing);
    world.reads = vec![Some(25.0), Some(25.0), Some(0.0), Some(0.0), Some(0.0), Some(53.0)];
    world.advance(minutes(3));
    let salinity = |world: &World| world.tank.status(world.now).signals[4].clone();
    // C = 53 mS/cm at 25 °C (ITS-90) is a practical salinity of 34.9473: PSS-78, computed with the TEOS-10 toolbox.
    assert!((salinity(&world).value.unwrap() - 34.9473).abs() < 1e-4, "{:?}", salinity(&world));
    world.reads[5] = Some(0.3);
    world.advance(minutes(1));
    assert_eq!(salinity(&world).quality, Quality::Bad(Fault::OutOfRange), "a probe in air");
    world.reads[5] = Some(53.0);
    world.reads[DISPLAY] = None;
    world.reads[SUMP] = None;
    world.advance(minutes(6));
    assert_eq!(salinity(&world).quality, Quality::Bad(Fault::NoTemperature));
}

#[test]
fn totals_are_saved_once_a_minute_while_anything_runs() {
    let mut world = World::settled();
    let saves = |world: &World| world.effects.iter().filter(|effect| matches!(effect, Effect::SaveState(_))).count();
    let before = saves(&world);
    world.advance(minutes(10));
    assert_eq!(saves(&world) - before, 10);
}

//! Plugs that lie, restart, or have a second master. Row numbers are those of the project's hazard list.

use super::lagoon::*;
use crate::control::effect::NoticeKind;
use crate::control::event::{Alive, Retained};
use crate::control::ids::OutputId;
use crate::control::plan::Switch::{Off, On};
use crate::control::plan::{AlarmSource, Switch, TankPlan};
use crate::control::{Event, Remembered, Request};
use crate::time::Span;

fn watched() -> TankPlan {
    let mut plan = plan();
    let output = OutputId::new;
    plan.outputs[HEATER].plug.boots = Some(Off);
    plan.alarms.extend([
        at_once("return-pump-restarts", AlarmSource::Restarts(output(RETURN))),
        at_once("top-off-conflict", AlarmSource::Conflict(output(TOP_OFF))),
        at_once("fan-foreign", AlarmSource::ForeignSwitch(output(FAN))),
        at_once("heater-boots-wrong", AlarmSource::WrongBoot(output(HEATER))),
        at_once("heater-lease-outlived", AlarmSource::LeaseOutlived(output(HEATER))),
    ]);
    plan
}

fn settled() -> World {
    let mut world = World::with(watched(), Remembered::Nothing);
    for output in [RETURN, HEATER] {
        alive(&mut world, output);
    }
    world.advance(minutes(5));
    world
}

fn alive(world: &mut World, output: usize) {
    world.step(Event::AliveArrived { output: OutputId::new(output), alive: Ok(Alive::Yes) });
}

fn uptime(world: &mut World, output: usize, uptime: f64) {
    let (output, retained) = (OutputId::new(output), Retained::No);
    world.step(Event::UptimeArrived { output, uptime: Ok(uptime), retained });
}

fn foreign(world: &mut World, output: usize, to: Switch) {
    let (output, retained) = (OutputId::new(output), Retained::No);
    world.step(Event::ForeignCommandSeen { output, command: Some(to), retained });
}

/// Whether an alarm is raised and not cleared.
fn stands(world: &World, name: &str) -> bool {
    let last = world.notices.iter().rev().find(|notice| notice.name == name);
    last.is_some_and(|notice| notice.what == NoticeKind::Raised)
}

fn held(world: &World) -> bool {
    world.tank.status(world.now).holds.iter().any(|hold| hold.active)
}

/// A quick restart: the broker never called it gone, so there was no will.
#[test]
fn a_pump_that_says_anew_that_it_is_alive_before_or_after_its_off_restarted_f29() {
    for announces_first in [true, false] {
        let mut world = settled();
        let from = world.now.steady;
        if announces_first {
            alive(&mut world, RETURN);
            world.advance(seconds(4));
            world.report(RETURN, Off);
        } else {
            world.report(RETURN, Off);
            world.advance(seconds(4));
            alive(&mut world, RETURN);
        }
        world.advance(seconds(2));
        assert_eq!(world.commands_since(from, RETURN), [On], "announces first: {announces_first}");
        assert!(!held(&world));
        assert!(world.journal.iter().any(|entry| entry.text.contains("its plug restarted into off")));
    }
}

#[test]
fn a_sign_of_life_that_was_due_or_long_ago_makes_no_restart_of_a_person_f32() {
    let mut world = settled();
    for _ in 0..5 {
        alive(&mut world, RETURN);
        world.advance(minutes(1));
    }
    alive(&mut world, RETURN);
    world.advance(seconds(2));
    let from = world.now.steady;
    world.report(RETURN, Off);
    world.advance(minutes(3));
    assert!(held(&world) && !world.commands_since(from, RETURN).contains(&On));

    let mut world = settled();
    alive(&mut world, RETURN);
    world.advance(seconds(7));
    world.report(RETURN, Off);
    world.advance(minutes(1));
    assert!(held(&world), "seven seconds are too long");
}

#[test]
fn a_pump_whose_uptime_fell_restarted_before_or_after_its_off_f29() {
    for falls_first in [true, false] {
        let mut world = settled();
        uptime(&mut world, RETURN, 86_400.0);
        world.advance(seconds(10));
        let from = world.now.steady;
        if falls_first {
            uptime(&mut world, RETURN, 5.0);
            world.advance(seconds(20));
            world.report(RETURN, Off);
        } else {
            world.report(RETURN, Off);
            world.advance(seconds(3));
            uptime(&mut world, RETURN, 5.0);
        }
        world.advance(seconds(2));
        assert_eq!(world.commands_since(from, RETURN), [On], "falls first: {falls_first}");
        assert!(!held(&world));
    }
}

#[test]
fn an_uptime_that_goes_on_is_no_restart_f32() {
    let mut world = settled();
    uptime(&mut world, RETURN, 86_400.0);
    world.report(RETURN, Off);
    world.advance(seconds(2));
    uptime(&mut world, RETURN, 86_402.0);
    world.advance(minutes(1));
    assert!(held(&world));
}

#[test]
fn a_pump_s_plug_that_restarts_a_fourth_time_in_a_day_is_told_across_a_kill_f29() {
    let mut world = settled();
    for restart in 0..4 {
        uptime(&mut world, RETURN, 86_400.0);
        world.advance(seconds(1));
        assert!(!world.raised("return-pump-restarts"), "after {restart}");
        uptime(&mut world, RETURN, 3.0);
        world.report(RETURN, Off);
        world.advance(minutes(30));
        if restart == 1 {
            // The steady clock of the next daemon has begun long before, as a machine's does.
            world.kill_and_restart();
            world.advance(minutes(200));
        }
    }
    assert!(world.raised("return-pump-restarts"), "{:#?}", world.journal);
    assert_eq!(world.last_command(RETURN), Some(On));
}

#[test]
fn a_chiller_whose_plug_restarted_rests_before_it_runs_again_f48() {
    let mut world = World::with(watched(), Remembered::Nothing);
    alive(&mut world, CHILLER);
    world.reads[DISPLAY] = Some(26.2);
    world.reads[SUMP] = Some(26.2);
    world.advance_until_on(CHILLER);
    world.advance(minutes(10));
    let from = world.now.steady;
    alive(&mut world, CHILLER);
    world.report(CHILLER, Off);
    world.advance(minutes(4));
    assert!(!world.commands_since(from, CHILLER).contains(&On), "its compressor rests for five minutes");
    world.advance(minutes(2));
    assert!(world.commands_since(from, CHILLER).contains(&On));
    assert!(!held(&world));
}

#[test]
fn after_a_power_cut_the_chiller_rests_and_the_pump_does_not_f48() {
    let mut world = World::with(watched(), Remembered::Nothing);
    (world.reads[DISPLAY], world.reads[SUMP]) = (Some(26.2), Some(26.2));
    world.advance_until_on(CHILLER);
    world.advance(minutes(10));
    let from = world.now.steady;
    world.report(CHILLER, Off);
    world.report(RETURN, Off);
    world.advance(minutes(4));
    assert!(!world.commands_since(from, CHILLER).contains(&On), "its compressor rests for five minutes");
    assert!(world.commands_since(from, RETURN).contains(&On));
    world.advance(minutes(2));
    assert!(world.commands_since(from, CHILLER).contains(&On));
}

#[test]
fn a_heater_that_comes_back_on_against_what_is_written_is_told_until_it_comes_back_right_f28() {
    let mut world = settled();
    for (state, wrong) in [(On, true), (Off, false)] {
        if state == Off {
            world.reads[DISPLAY] = Some(24.7);
            world.reads[SUMP] = Some(24.7);
            world.advance(minutes(2));
        }
        uptime(&mut world, HEATER, 86_400.0);
        uptime(&mut world, HEATER, 4.0);
        let from = world.now.steady;
        world.report(HEATER, state);
        world.advance(seconds(10));
        assert_eq!(world.commands_since(from, HEATER).len(), 1, "told again at once");
        assert_eq!(stands(&world, "heater-boots-wrong"), wrong, "after it came back {}", state.word());
    }
}

/// The plug obeys both: every on of the other controller is seen and undone, at a bounded pace.
#[test]
fn two_controllers_are_a_conflict_after_three_corrections_and_never_a_storm_f33() {
    let mut world = settled();
    let from = world.now.steady;
    for round in 0..600 {
        foreign(&mut world, TOP_OFF, On);
        world.report(TOP_OFF, On);
        world.advance(seconds(1));
        match round {
            2 => assert_eq!(world.commands_since(from, TOP_OFF).len(), 3, "the first ones are undone at once"),
            10 => assert!(world.raised("top-off-conflict")),
            _ => {}
        }
    }
    let told: Vec<_> = world.commands.iter().filter(|(at, output, _)| *at >= from && *output == TOP_OFF).collect();
    assert!(told.iter().all(|(.., to)| *to == Off) && told.len() > 100, "{}", told.len());
    for (at, ..) in &told {
        let minute = told.iter().filter(|(other, ..)| *other >= *at && other.since(*at) < minutes(1)).count();
        assert!(minute <= 20, "{minute} commands in a minute");
    }
    world.advance(minutes(9));
    assert!(stands(&world, "top-off-conflict"), "quiet for nine minutes");
    world.advance(minutes(2));
    assert!(!stands(&world, "top-off-conflict"));
}

#[test]
fn a_plug_that_answers_a_flood_of_reports_is_not_flooded_back_f33() {
    let mut world = settled();
    let from = world.now.steady;
    for _ in 0..3000 {
        world.report(TOP_OFF, On);
        world.report(TOP_OFF, Off);
        world.advance(Span::from_millis(100));
    }
    let told = world.commands_since(from, TOP_OFF).len();
    assert!(told <= 100, "{told} in five minutes");
}

#[test]
fn a_decision_of_our_own_leaves_at_once_in_the_middle_of_a_conflict_f33() {
    let mut world = settled();
    world.reads[LEVEL] = Some(-6.0);
    world.advance_until_on(TOP_OFF);
    for _ in 0..30 {
        foreign(&mut world, TOP_OFF, Off);
        foreign(&mut world, TOP_OFF, On);
    }
    let from = world.now.steady;
    world.read(FLOAT, 1.0);
    assert_eq!(world.commands_since(from, TOP_OFF), [Off], "in the step that trips it");
}

#[test]
fn a_heater_that_another_controller_turns_off_is_left_off_for_a_while_and_no_hold_begins_f33() {
    let mut world = settled();
    world.reads[DISPLAY] = Some(24.7);
    world.reads[SUMP] = Some(24.7);
    world.advance(minutes(2));
    assert_eq!(world.last_command(HEATER), Some(On));
    let from = world.now.steady;
    foreign(&mut world, HEATER, Off);
    world.report(HEATER, Off);
    world.advance(minutes(20));
    assert!(!world.commands_since(from, HEATER).contains(&On), "towards the safe side it is not fought");
    assert!(!held(&world), "a command is no hand in the water");
    assert!(world.journal.iter().any(|entry| entry.text.contains("somebody else's command")));
    world.advance(minutes(12));
    assert!(world.commands_since(from, HEATER).contains(&On), "and not for ever: the tank would get cold");
}

#[test]
fn a_pump_that_another_controller_turns_off_may_be_a_button_on_the_wall_and_begins_a_hold_f32() {
    let mut world = settled();
    let from = world.now.steady;
    foreign(&mut world, RETURN, Off);
    world.report(RETURN, Off);
    world.advance(minutes(1));
    assert!(held(&world) && !world.commands_since(from, RETURN).contains(&On));
}

#[test]
fn a_heater_that_is_on_after_its_lease_must_have_run_out_is_told_f30() {
    let mut world = settled();
    world.reads[DISPLAY] = Some(24.7);
    world.reads[SUMP] = Some(24.7);
    world.advance(minutes(2));
    world.faults[HEATER] = PlugFault::Ignores;
    world.reads[DISPLAY] = Some(25.3);
    world.reads[SUMP] = Some(25.3);
    for _ in 0..17 {
        world.advance(seconds(10));
        world.report(HEATER, On);
        assert!(!world.raised("heater-lease-outlived"), "its lease of 180 s may still run");
    }
    world.advance(seconds(40));
    world.report(HEATER, On);
    world.advance(seconds(1));
    assert!(world.raised("heater-lease-outlived"));
}

#[test]
fn a_heater_that_is_refreshed_or_off_in_time_has_a_sound_lease() {
    let mut world = settled();
    world.reads[DISPLAY] = Some(24.7);
    world.reads[SUMP] = Some(24.7);
    world.advance(minutes(10));
    world.report(HEATER, On);
    world.ask(Request::EndForce { output: "heater".to_owned() });
    world.reads[DISPLAY] = Some(25.3);
    world.reads[SUMP] = Some(25.3);
    world.advance(minutes(10));
    // Somebody switches it on much later: not its lease's fault.
    world.report(HEATER, On);
    world.advance(minutes(1));
    assert!(!world.raised("heater-lease-outlived"));
}

/// On and at once off again, as when a hold begins in the moment of a dose: the report of the on is our own, whatever
/// was said in between.
#[test]
fn the_late_report_of_our_own_on_is_nobody_elses_and_the_off_is_proven_anew() {
    let mut world = settled();
    world.force("fan", On, 10);
    world.force("fan", Off, 10);
    let from = world.now.steady;
    world.report(FAN, Off);
    world.report(FAN, On);
    assert!(!stands(&world, "fan-foreign"));
    assert_eq!(world.tank.status(world.now).outputs[FAN].proof, crate::control::status::ProofStatus::Waiting);
    world.advance(seconds(60));
    assert!(!stands(&world, "fan-foreign"));
    assert_eq!(world.commands_since(from, FAN), [On, Off], "its own off came, so nothing is told again");

    world.report(FAN, On);
    assert!(stands(&world, "fan-foreign"), "a minute later it is somebody else");
    world.advance(seconds(5));
    assert_eq!(world.commands_since(from, FAN), [On, Off, Off]);
}

#[test]
fn an_on_that_stays_after_our_own_is_told_off_again() {
    let mut world = settled();
    world.force("fan", On, 10);
    world.faults[FAN] = PlugFault::Ignores;
    world.plugs[FAN] = On;
    let from = world.now.steady;
    world.force("fan", Off, 10);
    world.report(FAN, Off);
    world.report(FAN, On);
    world.advance(minutes(2));
    assert!(world.commands_since(from, FAN).len() >= 4, "{:?}", world.commands_since(from, FAN));
    assert_ne!(world.tank.status(world.now).outputs[FAN].proof, crate::control::status::ProofStatus::Proven);
}

#[test]
fn another_controller_s_on_is_answered_by_an_off_before_any_report_and_its_off_is_not_by_an_on_f33() {
    let mut world = settled();
    for output in [TOP_OFF, RETURN] {
        world.faults[output] = PlugFault::Mute;
    }
    let from = world.now.steady;
    foreign(&mut world, TOP_OFF, On);
    assert_eq!(world.commands_since(from, TOP_OFF), [Off]);
    foreign(&mut world, RETURN, On);
    foreign(&mut world, RETURN, Off);
    assert_eq!(world.commands_since(from, RETURN), []);
}

//! Heat that cannot cook or chill, and thermometers that lie. Row numbers are those of the project's hazard list.

use super::lagoon::*;
use crate::control::effect::NoticeKind;
use crate::control::ids::{InterlockId, OutputId, ProbeId};
use crate::control::plan::Switch::{Off, On};
use crate::control::plan::*;
use crate::control::{Event, Outcome, Remembered, Request};
use crate::time::Span;
use crate::units::Quantity;

fn watched() -> TankPlan {
    let mut plan = plan();
    let output = OutputId::new;
    let lowest = plan.add(compare(0, Estimate::Lowest, Side::Below, 24.0, Doubtful::Counts));
    plan.alarms.extend([
        at_once("water-temp-low", AlarmSource::Condition(lowest)),
        at_once("heater-starts-often", AlarmSource::StartsOften(output(HEATER))),
        at_once("chiller-starts-often", AlarmSource::StartsOften(output(CHILLER))),
        at_once("changeovers", AlarmSource::Changeovers),
        at_once("heater-no-rise", AlarmSource::FutileHeat),
        at_once("heater-cutoff-often", AlarmSource::TripsOften(InterlockId::new(0))),
    ]);
    plan
}

fn world() -> World {
    World::with(watched(), Remembered::Nothing)
}

fn at(world: &mut World, celsius: f64) {
    world.reads[DISPLAY] = Some(celsius);
    world.reads[SUMP] = Some(celsius);
}

/// Both thermometers at once, in this very moment: for changes that would be too fast by samples.
fn drift(world: &mut World, from: f64, to: f64, span: Span) {
    let steps = (span.millis() / 10_000).max(1);
    for step in 1..=steps {
        at(world, from + (to - from) * step as f64 / steps as f64);
        world.advance(seconds(10));
    }
}

fn raised(world: &World, name: &str) -> Option<String> {
    let found = world.notices.iter().rev().find(|notice| notice.name == name)?;
    (found.what == NoticeKind::Raised).then(|| found.text.clone())
}

fn quality(world: &World, probe: usize) -> &'static str {
    world.tank.status(world.now).probes[probe].quality.reason().unwrap_or("good")
}

fn stage(world: &World) -> &'static str {
    world.tank.status(world.now).interlocks[0].state
}

/// The heater works, the sump answers, the display says the same for an hour.
#[test]
fn a_thermometer_that_stands_still_while_the_other_one_moves_is_doubted_after_an_hour_f01() {
    let mut world = world();
    at(&mut world, 24.9);
    world.advance(minutes(1));
    for step in 0..8 {
        world.reads[SUMP] = Some(24.9 + 0.03 * f64::from(step));
        world.advance(minutes(7));
    }
    assert_eq!(quality(&world, DISPLAY), "good", "for 57 minutes");
    world.advance(minutes(5));
    assert_eq!(quality(&world, DISPLAY), "stuck");
    assert_eq!(quality(&world, SUMP), "good");
    // It moves, and must agree for half an hour before it is believed.
    world.reads[DISPLAY] = Some(25.0);
    world.advance(minutes(29));
    assert_eq!(quality(&world, DISPLAY), "stuck");
    world.advance(minutes(2));
    assert_eq!(quality(&world, DISPLAY), "good");
}

#[test]
fn a_doubted_thermometer_that_moves_far_from_the_other_one_stays_doubted_f01() {
    let mut world = world();
    at(&mut world, 24.9);
    world.advance(minutes(1));
    drift(&mut world, 24.9, 25.0, minutes(1));
    for step in 0..8 {
        world.reads[SUMP] = Some(25.0 + 0.04 * f64::from(step));
        world.advance(minutes(9));
    }
    assert_eq!(quality(&world, DISPLAY), "stuck");
    world.reads[DISPLAY] = Some(24.9);
    world.advance(minutes(55));
    assert_eq!(quality(&world, DISPLAY), "stuck", "0.38 K apart");
}

#[test]
fn water_that_rests_and_two_that_stand_still_together_are_not_doubted_f01() {
    let mut world = world();
    world.advance(minutes(600));
    assert_eq!((quality(&world, DISPLAY), quality(&world, SUMP)), ("good", "good"));
}

/// In three places of a tank the water is not the same; none of them moves.
#[test]
fn two_others_that_differ_and_rest_accuse_no_third_one_f01() {
    let mut plan = watched();
    let third = plan.probes.len();
    plan.probes.push(probe("nook-temp", Quantity::Temperature, 10.0, 40.0));
    plan.signals[0].probes.push(ProbeId::new(third));
    let mut world = World::with(plan, Remembered::Nothing);
    world.reads.resize(third + 1, None);
    (world.reads[SUMP], world.reads[third]) = (Some(24.88), Some(25.12));
    world.advance(minutes(180));
    let qualities = |world: &World| [DISPLAY, SUMP, third].map(|probe| quality(world, probe));
    assert_eq!(qualities(&world), ["good"; 3]);
    world.reads[third] = Some(25.42);
    world.advance(minutes(62));
    assert_eq!(qualities(&world)[..2], ["stuck"; 2], "one of the others moved");
}

/// A coarse one shows half a kelvin at a time, and cannot show what the other one does.
#[test]
fn a_coarse_thermometer_is_asked_for_twice_its_step_f01() {
    let mut plan = watched();
    plan.probes[DISPLAY].fastest = None;
    let mut world = World::with(plan, Remembered::Nothing);
    world.reads[SUMP] = Some(25.0);
    for value in [25.0, 25.5, 25.0] {
        world.reads[DISPLAY] = Some(value);
        world.advance(minutes(3));
    }
    for step in 0..60 {
        world.reads[SUMP] = Some(25.0 + 0.01 * f64::from(step % 30));
        world.advance(minutes(2));
    }
    assert_eq!(quality(&world, DISPLAY), "good");
}

/// The only one of a tank: nothing to compare with but the heater.
#[test]
fn a_single_thermometer_that_does_not_see_the_heater_for_an_hour_is_doubted_f01() {
    let mut plan = watched();
    plan.signals[0].probes.truncate(1);
    let mut world = World::with(plan, Remembered::Nothing);
    for value in [24.95, 24.9, 24.86, 24.8] {
        world.reads[DISPLAY] = Some(value);
        world.advance(minutes(2));
    }
    assert_eq!(world.last_command(HEATER), Some(On));
    world.advance(minutes(57));
    assert_eq!(quality(&world, DISPLAY), "good");
    world.advance(minutes(5));
    assert_eq!(quality(&world, DISPLAY), "stuck");
    assert_eq!(world.last_command(HEATER), Some(Off), "and heats nothing that nobody measures");
    world.reads[DISPLAY] = Some(24.7);
    world.advance(minutes(3));
    assert_eq!(world.last_command(HEATER), Some(On));
}

#[test]
fn with_one_probe_lost_the_words_name_the_limit_that_counts_f04() {
    let mut world = world();
    world.reads[SUMP] = None;
    world.advance(minutes(3));
    drift(&mut world, 25.0, 25.6, minutes(4));
    world.reads[SUMP] = None;
    world.advance(seconds(90));
    let text = raised(&world, "heater-cutoff-trip").expect("25.6 °C is over 25.5 °C");
    assert!(text.contains("over 25.50 °C, lowered while only one probe is good"), "{text}");
}

#[test]
fn a_cold_alarm_by_one_of_two_says_that_they_disagree_f02() {
    let mut world = world();
    world.advance(minutes(2));
    for step in 1..=11 {
        world.reads[DISPLAY] = Some(25.0 - 0.1 * f64::from(step));
        world.advance(minutes(1));
    }
    let text = raised(&world, "water-temp-low").expect("23.9 °C");
    assert!(text.contains("its probes are 1.20 K apart, so one of them is wrong"), "{text}");
    let mut world = self::world();
    drift(&mut world, 25.0, 23.9, minutes(11));
    world.advance(minutes(1));
    let text = raised(&world, "water-temp-low").expect("23.9 °C");
    assert!(!text.contains("apart"), "{text}");
}

#[test]
fn one_lying_probe_never_latches_before_ten_minutes_nor_where_the_heater_did_not_run_f03() {
    // The heater ran just now.
    let mut world = world();
    at(&mut world, 24.7);
    world.advance(minutes(3));
    drift(&mut world, 24.7, 25.2, minutes(2));
    for step in 1..=10 {
        world.reads[SUMP] = Some(25.2 + 0.09 * f64::from(step));
        world.advance(seconds(30));
    }
    world.advance(minutes(9));
    assert_eq!(stage(&world), "tripped");
    world.advance(minutes(2));
    assert_eq!(stage(&world), "latched");
    // The same where it did not.
    let mut world = self::world();
    world.advance(minutes(3));
    drift(&mut world, 25.0, 26.1, minutes(5));
    world.advance(minutes(30));
    assert_eq!(stage(&world), "tripped", "a hot room is not the heater's doing");
}

#[test]
fn so_hot_that_it_harms_it_latches_whatever_the_cause() {
    let mut world = world();
    world.advance(minutes(3));
    drift(&mut world, 25.0, 28.4, minutes(20));
    world.advance(minutes(30));
    assert_eq!(stage(&world), "tripped");
    drift(&mut world, 28.4, 28.6, minutes(2));
    world.advance(minutes(1));
    assert_eq!(stage(&world), "latched");
    drift(&mut world, 28.6, 25.0, minutes(20));
    assert_eq!(stage(&world), "latched");
    let reset = world.ask(Request::Reset { interlock: None });
    assert_eq!(world.answers[&reset].outcome, Outcome::Done);
}

#[test]
fn a_cutoff_that_trips_a_fourth_time_in_a_day_is_told_across_a_kill() {
    let mut world = world();
    world.advance(minutes(3));
    for trip in 1..=4 {
        assert_eq!(raised(&world, "heater-cutoff-often"), None, "before trip {trip}");
        drift(&mut world, 25.3, 26.1, minutes(4));
        world.advance(minutes(1));
        drift(&mut world, 26.1, 25.3, minutes(4));
        assert_eq!(stage(&world), "armed");
        if trip == 2 {
            world.kill_and_restart();
            world.advance(minutes(3));
        }
    }
    let text = raised(&world, "heater-cutoff-often").expect("four trips");
    assert!(text.contains("tripped 4 times in 24 h"), "{text}");
}

/// Noise about the on point, faster than any tank.
#[test]
fn a_heater_is_started_twelve_times_an_hour_at_most_and_that_is_told() {
    let mut world = world();
    let from = world.now.steady;
    for round in 0..45 {
        drift(&mut world, if round == 0 { 25.0 } else { 25.2 }, 24.8, minutes(2));
        drift(&mut world, 24.8, 25.2, minutes(2));
    }
    let starts: Vec<_> =
        world.commands.iter().filter(|(at, output, to)| *at >= from && *output == HEATER && *to == On).collect();
    assert!(starts.len() >= 20, "{}", starts.len());
    for (at, ..) in &starts {
        let hour = starts.iter().filter(|(other, ..)| *other >= *at && other.since(*at) < minutes(60)).count();
        assert!(hour <= 12, "{hour} starts in an hour");
    }
    assert!(world.raised("heater-starts-often"));
    let why = world.tank.explain(OutputId::new(HEATER), world.now);
    assert!(format!("{why:?}").contains("12 times within an hour"), "{why:?}");
}

/// A daemon that dies each half hour must not give a worn relay its starts back.
#[test]
fn the_starts_of_an_hour_survive_a_kill() {
    let mut world = world();
    for _ in 0..6 {
        drift(&mut world, 25.2, 24.8, minutes(2));
        drift(&mut world, 24.8, 25.2, minutes(2));
    }
    let starts = |world: &World| {
        let state = world.tank.state();
        state.outputs.iter().find(|(name, _)| &***name == "heater").map(|(_, record)| record.starts.len())
    };
    let before = starts(&world).unwrap();
    assert!(before >= 5, "{before}");
    world.kill_and_restart();
    assert_eq!(starts(&world), Some(before));
    world.advance(minutes(61));
    assert!(starts(&world).unwrap() <= 2, "an hour later they are over");
}

#[test]
fn a_compressor_starts_six_times_an_hour_at_most_and_that_is_told_f48() {
    let mut world = world();
    let from = world.now.steady;
    drift(&mut world, 25.0, 26.1, minutes(6));
    for _ in 0..60 {
        at(&mut world, 26.1);
        world.advance(seconds(90));
        drift(&mut world, 26.1, 25.55, minutes(2));
        world.advance(minutes(3));
        drift(&mut world, 25.55, 26.1, minutes(2));
    }
    let starts: Vec<_> =
        world.commands.iter().filter(|(at, output, to)| *at >= from && *output == CHILLER && *to == On).collect();
    for (at, ..) in &starts {
        let hour = starts.iter().filter(|(other, ..)| *other >= *at && other.since(*at) < minutes(60)).count();
        assert!(hour <= 6, "{hour} starts in an hour");
    }
    assert!(starts.len() >= 30 && world.raised("chiller-starts-often"), "{}", starts.len());
}

#[test]
fn ten_minutes_lie_between_heating_by_force_and_cooling_and_many_changes_are_told_f49() {
    let mut plan = watched();
    plan.thermostat.as_mut().unwrap().cool =
        Some(LoopSide { output: OutputId::new(CHILLER), on_at: 25.7, off_at: 25.4 });
    let mut world = World::with(plan, Remembered::Nothing);
    at(&mut world, 24.7);
    world.advance(minutes(8));
    assert_eq!(world.last_command(HEATER), Some(On));
    drift(&mut world, 24.7, 25.3, minutes(3));
    // The loop heats no more; a person does.
    world.force("heater", On, 5);
    world.advance(minutes(6));
    let forced_until = world.now.steady;
    drift(&mut world, 25.3, 25.75, minutes(3));
    world.advance_until_on(CHILLER);
    assert!(world.now.steady.since(forced_until) >= minutes(8), "{}", world.now.steady.since(forced_until));
    assert_eq!(raised(&world, "changeovers"), None);
    for _ in 0..2 {
        drift(&mut world, 25.75, 24.8, minutes(5));
        world.advance_until_on(HEATER);
        drift(&mut world, 24.8, 25.75, minutes(5));
        world.advance_until_on(CHILLER);
    }
    assert!(raised(&world, "changeovers").is_some());
}

#[test]
fn a_heater_that_runs_for_hours_and_warms_nothing_is_told_f24() {
    let mut world = world();
    drift(&mut world, 25.0, 24.6, minutes(4));
    for step in 0..24 {
        assert_eq!(raised(&world, "heater-no-rise"), None, "after {step} times ten minutes");
        // Noise, so that nobody takes the probes for frozen.
        at(&mut world, 24.6 + 0.02 * f64::from(step % 2));
        world.advance(minutes(10));
    }
    world.advance(minutes(2));
    assert!(raised(&world, "heater-no-rise").is_some());
    drift(&mut world, 24.6, 25.2, minutes(6));
    world.advance(minutes(1));
    assert_eq!(raised(&world, "heater-no-rise"), None);
}

#[test]
fn after_hours_without_heat_the_water_warms_by_a_kelvin_an_hour() {
    let mut world = world();
    at(&mut world, 23.0);
    world.advance(minutes(2));
    assert_eq!(world.last_command(HEATER), Some(On), "at once");
    // A heater much too large: 0.3 K in six minutes.
    drift(&mut world, 23.0, 23.3, minutes(6));
    world.advance(minutes(1));
    assert_eq!(world.last_command(HEATER), Some(Off), "too fast");
    let why = world.tank.explain(OutputId::new(HEATER), world.now);
    assert!(format!("{why:?}").contains("1 K an hour"), "{why:?}");
    let from = world.now.steady;
    world.advance_until_on(HEATER);
    let waited = world.now.steady.since(from);
    assert!(waited > minutes(8) && waited < minutes(13), "the line comes up to 23.3 °C: {waited}");
    // Colder in spite of it: all the heat there is.
    drift(&mut world, 23.3, 22.5, minutes(20));
    world.advance(minutes(60));
    assert_eq!(world.last_command(HEATER), Some(On));
}

#[test]
fn the_daemon_s_own_restart_in_warm_water_makes_no_ramp() {
    let mut world = world();
    at(&mut world, 24.2);
    world.advance(minutes(2));
    drift(&mut world, 24.2, 24.7, minutes(5));
    world.kill_and_restart();
    world.advance(minutes(3));
    drift(&mut world, 24.7, 25.1, minutes(4));
    assert_eq!(world.last_command(HEATER), Some(On));
    world.step(Event::Woken);
}

#[test]
fn a_heater_that_a_rule_wishes_on_yields_to_a_chiller_that_is_too() {
    let mut plan = plan();
    let always = plan.add(compare(0, Estimate::Voted, Side::Above, 20.0, Doubtful::IsUnknown));
    let both = [HEATER, CHILLER].map(|output| (OutputId::new(output), On)).to_vec();
    plan.rules.push(RulePlan { name: crate::control::ids::Name::new("both"), cause: always, wishes: both });
    let mut world = World::with(plan, Remembered::Nothing);
    for _ in 0..900 {
        world.advance(seconds(1));
        assert!(world.plugs[HEATER] == Off || world.plugs[CHILLER] == Off);
    }
    assert_eq!(world.last_command(CHILLER), Some(On));
}

//! Stories of probes in a person's hand, and of new water that is measured in its bin.

use super::lagoon::*;
use crate::control::ids::{Name, SignalId};
use crate::control::plan::Switch::{Off, On};
use crate::control::plan::{AlarmSource, AtLimit, HoldPlan, MixingBin, Priority};
use crate::control::{Outcome, Remembered, Request};
use crate::units::Quantity;

const BIN_TEMP: usize = 5;
const BIN_SALINITY: usize = 6;
const SALINITY: usize = 7;

fn with_care() -> World {
    let mut plan = plan();
    plan.holds.push(HoldPlan {
        name: Name::new("probe-care"),
        pauses: Vec::new(),
        limit: minutes(45),
        at_limit: AtLimit::Alarm,
        release_needs: Vec::new(),
        cares_for_probes: true,
    });
    let lost = AlarmSource::ProbeLost(crate::control::ids::ProbeId::new(DISPLAY));
    plan.alarms.push(alarm("display-temp-lost", Priority::Medium, lost, 60));
    let mut world = World::with(plan, Remembered::Nothing);
    world.advance(minutes(5));
    world
}

fn care(world: &mut World, probe: &str) -> u64 {
    world.ask(Request::Hold { procedure: "probe-care".to_owned(), probe: Some(probe.to_owned()) })
}

fn voted(world: &World) -> Option<f64> {
    world.tank.status(world.now).signals[0].value
}

#[test]
fn a_probe_in_hand_counts_for_nothing_and_nobody_is_called_for_it() {
    let mut world = with_care();
    let asked = care(&mut world, "display-temp");
    let answer = &world.answers[&asked];
    assert_eq!(answer.outcome, Outcome::Done);
    assert!(answer.summary.starts_with("hold probe-care has begun"), "{answer:?}");
    assert!(answer.details[0].starts_with("display-temp: in hand"), "{answer:?}");
    assert!(answer.caution.is_some(), "every hold says that it is no isolation");
    // In the air it is 20 °C: neither cold water nor a probe that disagrees.
    world.reads[DISPLAY] = Some(20.0);
    world.advance(minutes(10));
    assert!((voted(&world).unwrap() - 25.1).abs() < 1e-9, "{:?}", voted(&world));
    assert!(world.notices.is_empty(), "{:?}", world.notices);
}

#[test]
fn after_its_care_a_probe_counts_when_it_has_been_back_for_two_minutes() {
    let mut world = with_care();
    care(&mut world, "display-temp");
    world.reads[DISPLAY] = Some(20.0);
    world.advance(minutes(10));
    world.ask(Request::Release { procedure: None });
    // Still in the air: out of the vote for as long as it takes, and then somebody is told.
    world.advance(minutes(5));
    let probe = world.tank.status(world.now).probes[DISPLAY].clone();
    assert_eq!(probe.quality.reason(), Some("back-from-care"));
    assert!((voted(&world).unwrap() - 25.1).abs() < 1e-9);
    assert!(world.raised("display-temp-lost"), "a probe that is not put back is told");
    world.reads[DISPLAY] = Some(24.9);
    world.advance(minutes(1));
    assert_eq!(world.tank.status(world.now).probes[DISPLAY].quality.reason(), Some("back-from-care"));
    world.advance(minutes(2));
    assert!(world.tank.status(world.now).probes[DISPLAY].quality.is_good());
}

#[test]
fn the_last_thermometer_in_hand_turns_the_heater_off_and_no_pump() {
    let mut world = with_care();
    world.reads[DISPLAY] = Some(24.5);
    world.reads[SUMP] = Some(24.5);
    world.advance(minutes(5));
    assert_eq!(world.last_command(HEATER), Some(On));
    let from = world.now.steady;
    care(&mut world, "water-temp");
    world.advance(minutes(2));
    assert_eq!(world.last_command(HEATER), Some(Off), "the signal's name means all its probes");
    for pump in [RETURN, POWERHEAD] {
        assert!(world.commands_since(from, pump).is_empty());
    }
}

#[test]
fn a_care_survives_a_kill_and_a_second_probe_joins_it() {
    let mut world = with_care();
    care(&mut world, "display-temp");
    world.kill_and_restart();
    world.reads[DISPLAY] = Some(20.0);
    world.advance(minutes(5));
    let status = world.tank.status(world.now);
    assert_eq!(status.probes[DISPLAY].quality.reason(), Some("in-care"));
    let joined = care(&mut world, "sump-level");
    assert!(world.answers[&joined].summary.contains("stands already"));
    assert_eq!(world.answers[&joined].details.len(), 2);
}

#[test]
fn a_care_needs_a_probe_and_other_holds_take_none() {
    let mut world = with_care();
    let none = world.hold("probe-care");
    assert_eq!(world.answers[&none].outcome, Outcome::Unknown);
    assert!(world.answers[&none].details[0].contains("display-temp"), "{:?}", world.answers[&none]);
    let wrong = care(&mut world, "displaytemp");
    assert_eq!(world.answers[&wrong].outcome, Outcome::Unknown);
    let other = world.ask(Request::Hold { procedure: "feeding".to_owned(), probe: Some("sump-temp".to_owned()) });
    assert_eq!(world.answers[&other].outcome, Outcome::Refused);
    assert!(world.tank.status(world.now).holds.iter().all(|hold| !hold.active), "nothing was begun");
}

fn with_bin(usual: Option<f64>) -> World {
    let mut plan = plan();
    plan.probes.extend([
        probe("bin-temp", Quantity::Temperature, 10.0, 40.0),
        probe("bin-salinity", Quantity::Salinity, 20.0, 45.0),
        probe("salinity", Quantity::Salinity, 20.0, 45.0),
    ]);
    let first = plan.signals.len();
    plan.signals.extend([
        signal("bin-temp", Quantity::Temperature, &[BIN_TEMP]),
        signal("bin-salinity", Quantity::Salinity, &[BIN_SALINITY]),
        signal("salinity", Quantity::Salinity, &[SALINITY]),
    ]);
    plan.mixing_bin =
        MixingBin { temperature: Some(SignalId::new(first)), salinity: Some(SignalId::new(first + 1)), usual };
    let mut world = World::with(plan, Remembered::Nothing);
    world.reads.extend([Some(21.0), Some(33.0), Some(35.0)]);
    world.advance(minutes(5));
    world
}

#[test]
fn new_water_is_measured_in_its_bin_before_it_is_poured() {
    let mut world = with_bin(None);
    let hold = world.hold("water-change");
    world.advance(minutes(1));
    let told = world.answers[&hold].details.last().unwrap().clone();
    assert!(told.starts_with("the new water in its bin: 33.0 psu, 21.0 °C; 8.7 L of it: salinity -0.2"), "{told}");
    // The bin is empty: its probes hang in the air, and what they said counts.
    (world.reads[BIN_TEMP], world.reads[BIN_SALINITY]) = (Some(18.0), None);
    world.advance(minutes(20));
    let litres = |litres| Request::NewWater { litres, salinity: None, temperature: None, confirm: false };
    let unsaid = world.ask(litres(None));
    assert_eq!(world.answers[&unsaid].outcome, Outcome::Refused, "nobody said how much");
    // By hand: 9 of 87 L, 2 psu less and about 4.05 K less: -0.21 psu and -0.42 K.
    let told = world.ask(litres(Some(9.0)));
    let summary = &world.answers[&told].summary;
    assert!(summary.starts_with("9.0 L of new water: salinity -0.21 psu, temperature -0.4 K"), "{summary}");
    // What is typed counts more than what was measured. 45 L of 33 psu would be too much.
    let many = world.ask(litres(Some(45.0)));
    assert_eq!(world.answers[&many].outcome, Outcome::Refused);
    let typed = Request::NewWater { litres: Some(45.0), salinity: Some(35.0), temperature: Some(25.0), confirm: false };
    let typed = world.ask(typed);
    assert_eq!(world.answers[&typed].outcome, Outcome::Done, "{:?}", world.answers[&typed]);
}

#[test]
fn a_release_without_a_word_is_judged_by_what_is_usual() {
    let mut world = with_bin(Some(45.0));
    world.hold("water-change");
    world.advance(minutes(5));
    let release = world.ask(Request::Release { procedure: None });
    assert_eq!(world.answers[&release].outcome, Outcome::Refused, "{:?}", world.answers[&release]);
    assert!(world.answers[&release].summary.starts_with("45.0 L of new water"));
    // What was told stands, whatever is usual.
    let mut world = with_bin(Some(45.0));
    world.hold("water-change");
    world.advance(minutes(5));
    world.ask(Request::NewWater { litres: Some(2.0), salinity: None, temperature: None, confirm: false });
    let release = world.ask(Request::Release { procedure: None });
    assert_eq!(world.answers[&release].outcome, Outcome::Done, "{:?}", world.answers[&release]);
    // A bin that nothing measures is nobody's guess; one of two probes is enough to judge by.
    for (salinity, temperature, expected) in
        [(None, None, Outcome::Done), (Some(33.0), None, Outcome::Refused), (None, Some(15.0), Outcome::Refused)]
    {
        let mut world = with_bin(Some(45.0));
        (world.reads[BIN_SALINITY], world.reads[BIN_TEMP]) = (None, None);
        world.advance(minutes(5));
        (world.reads[BIN_SALINITY], world.reads[BIN_TEMP]) = (salinity, temperature);
        world.advance(minutes(2));
        world.hold("water-change");
        world.advance(minutes(5));
        let release = world.ask(Request::Release { procedure: None });
        let answer = &world.answers[&release];
        assert_eq!(answer.outcome, expected, "{salinity:?} {temperature:?}: {answer:?}");
    }
    // A feeding changes no water, whatever stands in the bin.
    let mut world = with_bin(Some(45.0));
    world.hold("feeding");
    world.advance(minutes(5));
    let release = world.ask(Request::Release { procedure: None });
    assert_eq!(world.answers[&release].outcome, Outcome::Done);
}

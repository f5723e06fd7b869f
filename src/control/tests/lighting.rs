//! Lights in virtual time: dimmers that are told in small steps, restarts, what dims, and what a dimmer says of itself.

use super::lagoon::*;
use crate::control::Remembered;
use crate::control::event::{Event, Retained};
use crate::control::ids::{Name, OutputId};
use crate::control::lighting::{DimPlan, LightPlan};
use crate::control::plan::*;
use crate::time::{Span, Wall};

const LIGHT: usize = 6;

/// A light from 12:00 to 20:00 by the wall of Lisbon with ramps of an hour; the world begins at 11:00 there.
fn lagoon(dimmer: Option<Fitted>) -> TankPlan {
    let mut plan = plan();
    let mut light = plan.outputs[FAN].clone();
    light.name = Name::new("light");
    light.kind = OutputKind::Light;
    light.rest = Switch::Off;
    light.plug.dimmer = dimmer.map(|reports| DimmerPlan { reports });
    plan.outputs.push(light);
    let condition = plan.add(Condition::Compare {
        signal: crate::control::ids::SignalId::new(0),
        estimate: Estimate::Voted,
        side: Side::Above,
        limit: 25.6,
        deadband: 0.2,
        alone_margin: 0.0,
        doubtful: Doubtful::IsUnknown,
    });
    plan.lights = vec![LightPlan {
        output: OutputId::new(LIGHT),
        from: "12:00".parse().unwrap(),
        until: "20:00".parse().unwrap(),
        ramp: if dimmer.is_some() { Span::from_hours(1) } else { Span::ZERO },
        level: 0.8,
        latitude: None,
        acclimation: None,
        dims: vec![DimPlan { name: Name::new("warm-water"), condition, to: 0.5 }],
        spots: vec![("meadow-left".to_owned(), 150.0)],
    }];
    let cause = plan.add(Condition::Output { output: OutputId::new(LIGHT), fact: OutputFact::LevelUnproven });
    plan.alarms.push(at_once("light-level", AlarmSource::Condition(cause)));
    plan
}

/// A world at a moment of its first day.
fn world(dimmer: Option<Fitted>, time: &str) -> World {
    let mut world = World::with(lagoon(dimmer), Remembered::Nothing);
    let day = world.tank.plan().zone.show(world.now.wall)[..10].to_owned();
    let wanted = world.tank.plan().zone.moment(day.parse().unwrap(), time.parse().unwrap());
    world.now.wall = wanted;
    world.take(crate::control::Tank::new(lagoon(dimmer), Remembered::Nothing, world.now));
    world.levels.clear();
    world.commands.clear();
    world.step(Event::BrokerConnected);
    world
}

fn says(world: &mut World, percent: f64) {
    world.step(Event::LevelArrived { output: OutputId::new(LIGHT), percent: Ok(percent), retained: Retained::No });
}

fn last(world: &World) -> u8 {
    world.levels.last().unwrap().2
}

#[test]
fn a_dimmer_is_told_before_its_plug_and_rises_in_steps_of_one_percent() {
    let mut world = world(Some(Fitted::NotFitted), "11:30");
    world.effects.clear();
    world.advance(Span::from_minutes(95));
    let first_level = world.effects.iter().position(|e| matches!(e, crate::control::Effect::SetLevel { .. })).unwrap();
    let first_on = world
        .effects
        .iter()
        .position(|e| matches!(e, crate::control::Effect::SwitchPlug { output, to: Switch::On, .. } if output.index() == LIGHT))
        .unwrap();
    assert!(first_level < first_on, "its level first, or it flashes");
    let told: Vec<u8> = world.levels.iter().map(|(.., percent)| *percent).collect();
    assert_eq!((told.first(), told.last(), told.len()), (Some(&1), Some(&80), 80), "{told:?}");
    assert!(told.windows(2).all(|pair| pair[1] == pair[0] + 1));
    assert!(world.levels.windows(2).all(|pair| pair[1].0.since(pair[0].0) >= seconds(10)));
    let light = &world.tank.status(world.now).lights[0];
    // 6 h at 80 % and two ramps of 1 h: 0.8 × 7 h × 150 µmol/m²/s = 3.02 mol/m².
    assert!((light.spots[0].mol_per_m2_today - 3.024).abs() < 1e-9, "{light:?}");
    assert!(light.says.starts_with("80 % until 19:00"), "{light:?}");
    world.advance(Span::from_hours(8));
    assert_eq!(world.last_command(LIGHT), Some(Switch::Off));
    assert_eq!(last(&world), 1, "down again");
}

#[test]
fn after_a_kill_the_light_is_where_the_clock_says() {
    let mut world = world(Some(Fitted::NotFitted), "12:20");
    assert!((26..=27).contains(&last_after(&mut world)), "{:?}", world.levels);
    world.levels.clear();
    world.now.wall = world.now.wall.after(Span::from_hours(2));
    world.kill_and_restart();
    world.advance(minutes(1));
    assert_eq!(last(&world), 80);
    // A clock that jumps is followed at once.
    world.now.wall = world.now.wall.after(Span::from_hours(5));
    world.step(Event::Woken);
    world.advance(minutes(1));
    assert!(last(&world) < 60, "{:?}", world.levels.last());
}

fn last_after(world: &mut World) -> u8 {
    world.advance(seconds(20));
    last(world)
}

#[test]
fn warm_water_dims_and_a_probe_that_is_lost_does_not() {
    let mut world = world(Some(Fitted::NotFitted), "14:00");
    world.advance(minutes(1));
    assert_eq!(last(&world), 80);
    for probe in [DISPLAY, SUMP] {
        world.reads[probe] = Some(25.7);
    }
    world.advance(minutes(2));
    assert_eq!(last(&world), 40);
    let said = world.tank.explain(OutputId::new(LIGHT), world.now).summary;
    assert!(said.contains("50 % of it while warm-water"), "{said}");
    assert_eq!(world.tank.status(world.now).lights[0].dimmed_by.as_deref(), Some("warm-water"));
    for probe in [DISPLAY, SUMP] {
        world.reads[probe] = None;
    }
    world.advance(minutes(10));
    assert_eq!(last(&world), 80, "unknown is not too warm");
}

#[test]
fn a_dimmer_that_contradicts_is_told_again_and_then_somebody_is() {
    let mut world = world(Some(Fitted::Fitted), "14:00");
    world.advance(seconds(5));
    says(&mut world, 79.0);
    world.advance(minutes(10));
    assert_eq!(world.levels.len(), 1, "a dimmer rounds: {:?}", world.levels);
    assert!(!world.raised("light-level"));
    says(&mut world, 10.0);
    world.advance(minutes(5));
    assert!(world.levels.len() >= 4, "{:?}", world.levels);
    assert!(world.raised("light-level"));
    says(&mut world, 80.0);
    world.advance(minutes(3));
    let told = world.notices.iter().rev().find(|notice| notice.name == "light-level").unwrap();
    assert_eq!(told.what, crate::control::effect::NoticeKind::Cleared);
}

#[test]
fn a_dimmer_that_says_a_level_only_when_it_changes_is_believed_after_a_lost_broker() {
    let mut world = world(Some(Fitted::Fitted), "14:00");
    world.advance(seconds(5));
    says(&mut world, 80.0);
    world.broker = false;
    world.step(Event::BrokerLost);
    world.advance(minutes(1));
    world.broker = true;
    world.step(Event::BrokerConnected);
    world.advance(minutes(20));
    assert!(!world.raised("light-level"));
    assert_eq!(world.levels.len(), 2, "told again once: {:?}", world.levels);
}

#[test]
fn a_plug_that_only_switches_is_on_between_its_times_and_never_told_a_level() {
    let mut world = world(None, "11:50");
    world.advance(minutes(9));
    assert_ne!(world.last_command(LIGHT), Some(Switch::On));
    world.advance(minutes(2));
    assert_eq!(world.last_command(LIGHT), Some(Switch::On));
    world.advance(Span::from_hours(8));
    assert_eq!(world.last_command(LIGHT), Some(Switch::Off));
    assert!(world.levels.is_empty());
}

#[test]
fn a_clock_from_before_this_program_lets_the_light_rest() {
    let mut world = world(None, "14:00");
    world.now.wall = Wall::from_unix_millis(3_600_000 * 14);
    world.step(Event::Woken);
    world.advance(minutes(2));
    assert_eq!(world.last_command(LIGHT), Some(Switch::Off));
    let said = world.tank.status(world.now).lights[0].says.clone();
    assert!(said.contains("not to be believed"), "{said}");
}

#[test]
fn a_hold_or_a_force_stands_above_the_light() {
    let mut world = world(Some(Fitted::NotFitted), "21:00");
    world.advance(minutes(1));
    world.force("light", Switch::On, 5);
    world.advance(seconds(20));
    assert_eq!((world.last_command(LIGHT), last(&world)), (Some(Switch::On), 100), "somebody wants to see");
    world.advance(minutes(6));
    assert_eq!(world.last_command(LIGHT), Some(Switch::Off));
}

//! What is shown of a tank: each thing that a keeper reads, while it is so and while it is not.

use super::lagoon::*;
use crate::control::ids::OutputId;
use crate::control::plan::Switch::On;
use crate::control::plan::*;
use crate::control::status::{Nuisance, TankStatus};
use crate::control::{Remembered, Request};
use crate::time::Span;

fn status(world: &World) -> TankStatus {
    world.tank.status(world.now)
}

#[test]
fn an_explanation_rests_on_each_signal_that_something_about_the_output_looks_at() {
    let world = World::settled();
    for (output, signals) in [
        (HEATER, vec!["water-temp"]),
        (CHILLER, vec!["water-temp"]),
        (RETURN, vec!["sump-level"]),
        (POWERHEAD, vec!["sump-level"]),
        (TOP_OFF, vec!["sump-level", "float-high", "floor-leak"]),
        (FAN, vec!["water-temp"]),
    ] {
        let explained = world.tank.explain(OutputId::new(output), world.now);
        let found: Vec<_> = explained.rests_on.iter().map(|text| text.split(':').next().unwrap()).collect();
        assert_eq!(found, signals, "{}", explained.output);
    }
}

#[test]
fn one_layer_decides_and_says_so() {
    let mut world = World::settled();
    let decides = |world: &World, output: usize| {
        let explained = world.tank.explain(OutputId::new(output), world.now);
        let by: Vec<_> = explained.layers.iter().filter(|layer| layer.decides).map(|layer| layer.layer).collect();
        (by.join(" "), explained.summary)
    };
    assert_eq!(decides(&world, RETURN).0, "rest");
    assert_eq!(decides(&world, HEATER).0, "loop");
    world.force("fan", On, 5);
    assert_eq!(decides(&world, FAN).0, "force");
    world.hold("feeding");
    world.advance(seconds(5));
    assert_eq!(decides(&world, RETURN).0, "hold");
    world.reads[FLOAT] = Some(1.0);
    world.advance(seconds(30));
    let (by, summary) = decides(&world, TOP_OFF);
    assert!(by == "trip" && summary.contains("interlock top-off-high is latched"), "{by}: {summary}");
    world.reads[LEVEL] = Some(-100.0);
    world.advance(minutes(1));
    let (by, summary) = decides(&world, RETURN);
    assert!(by == "trip" && summary.contains("interlock return-pump-dry tripped"), "{by}: {summary}");
    // The heater's loop words say the limits of the loop, and of the ramp only where one is on.
    let (_, summary) = decides(&world, HEATER);
    assert!(summary.contains("on at 24.85 °C, off at 25.15 °C; "), "{summary}");
}

#[test]
fn a_caution_and_a_hold_are_shown_while_one_stands() {
    let mut world = World::settled();
    assert!(status(&world).caution.is_none() && status(&world).drain_back.is_none());
    world.hold("feeding");
    world.advance(seconds(10));
    assert!(status(&world).caution.is_some());
    let of = |world: &World, name: &str| status(world).holds.into_iter().find(|hold| &*hold.hold == name).unwrap();
    let (feeding, change) = (of(&world, "feeding"), of(&world, "water-change"));
    assert!(feeding.active && !feeding.overdue && feeding.by.as_deref() == Some("the keeper"));
    assert!(!change.active && !change.overdue && change.pauses.is_empty() && change.until.is_none());
    assert!(change.changes_water && !feeding.changes_water);
    world.hold("water-change");
    world.advance(minutes(61));
    assert!(of(&world, "water-change").overdue);
}

#[test]
fn an_alarm_is_shown_with_its_trip_its_words_and_how_long_it_stands() {
    let mut plan = plan();
    let low = plan.interlocks[2].cause;
    plan.alarms.push(alarm("sump-low", Priority::High, AlarmSource::Condition(low), 0));
    plan.alarms.push(alarm(
        "dry-trip",
        Priority::Medium,
        AlarmSource::Trip(crate::control::ids::InterlockId::new(2)),
        0,
    ));
    let mut world = World::with(plan, Remembered::Nothing);
    world.advance(minutes(5));
    let of = |world: &World, name: &str| status(world).alarms.into_iter().find(|alarm| &*alarm.alarm == name).unwrap();
    let quiet = of(&world, "sump-low");
    assert!(quiet.since.is_none() && quiet.text.is_empty() && quiet.group.is_empty() && quiet.trip_of.is_none());
    world.reads[LEVEL] = Some(-100.0);
    world.advance(minutes(1));
    let loud = of(&world, "sump-low");
    assert!(loud.since.is_some() && loud.text.contains("-100"), "{loud:?}");
    assert_eq!(loud.group.iter().map(|name| &**name).collect::<Vec<_>>(), ["dry-trip"]);
    let trip = of(&world, "dry-trip");
    assert_eq!(trip.trip_of.as_deref(), Some("return-pump-dry"));
    assert_eq!((trip.part_of.as_deref(), trip.group.len()), (Some("sump-low"), 0));
    assert!(!loud.nuisance.contains(&Nuisance::Stale));
    world.advance(Span::from_hours(25));
    assert!(of(&world, "sump-low").nuisance.contains(&Nuisance::Stale), "for more than a day");
    // Shelved and over, it has nothing to say.
    world.ask(Request::Shelve { alarm: "sump-low".to_owned(), lasting: Some(Span::from_hours(1)) });
    assert!(!of(&world, "sump-low").text.is_empty());
    world.reads[LEVEL] = Some(0.0);
    world.advance(minutes(2));
    let aside = of(&world, "sump-low");
    assert!(aside.text.is_empty() && aside.since.is_none() && aside.aside.is_some(), "{aside:?}");
    world.ask(Request::Unshelve { alarm: "sump-low".to_owned() });
    assert_eq!(of(&world, "sump-low").part_of, None);
}

#[test]
fn an_output_is_shown_with_the_time_that_it_ran() {
    let mut world = World::settled();
    let before = status(&world).outputs[FAN].on_seconds;
    world.force("fan", On, 5);
    world.advance(minutes(6));
    let after = status(&world).outputs[FAN].on_seconds;
    assert!((after - before - 300.0).abs() < 2.0, "{before} {after}");
    assert!(status(&world).outputs[FAN].force.is_none());
}

#[test]
fn the_trip_of_a_heater_that_lost_its_water_says_until_when_it_is_hot() {
    let says = |heated: bool, off: usize, cause: fn(&mut TankPlan) -> crate::control::ids::ConditionId| {
        let mut plan = plan();
        let cause = cause(&mut plan);
        let like = plan.interlocks[2].clone();
        plan.interlocks.push(InterlockPlan { cause, effects: vec![(OutputId::new(off), Switch::Off)], ..like });
        let trip = crate::control::ids::InterlockId::new(plan.interlocks.len() - 1);
        plan.alarms.push(alarm("low-water-trip", Priority::Urgent, AlarmSource::Trip(trip), 0));
        let mut world = World::with(plan, Remembered::Nothing);
        if heated {
            (world.reads[DISPLAY], world.reads[SUMP]) = (Some(24.6), Some(24.6));
        }
        world.advance(minutes(5));
        assert_eq!(world.plugs[HEATER] == On, heated);
        world.reads[LEVEL] = Some(-100.0);
        world.advance(minutes(1));
        let at = |status: TankStatus| status.alarms.into_iter().find(|one| &*one.alarm == "low-water-trip").unwrap();
        let alarm = at(status(&world));
        assert!(alarm.active, "{alarm:?}");
        alarm.text
    };
    let low = |plan: &mut TankPlan| plan.add(compare(1, Estimate::Voted, Side::Below, -95.0, Doubtful::Counts));
    // Eleven o'clock and five minutes in Lisbon, and a sheath that cools for ten minutes.
    let hot = says(true, HEATER, low);
    assert!(hot.contains("; heater is hot until 11:1") && hot.contains("let no cold water touch it before"), "{hot}");
    assert!(!says(false, HEATER, low).contains("is hot until"), "it was cold");
    assert!(!says(true, RETURN, low).contains("is hot until"), "it stays under water");
    // A pump that stands is no water that is missing.
    let still = says(true, HEATER, |plan| {
        plan.add(Condition::Output { output: OutputId::new(RETURN), fact: OutputFact::ProvenOff })
    });
    assert!(!still.contains("is hot until"), "{still}");
}

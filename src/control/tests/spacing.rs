//! Starts one after the other: who waits for whom, and how long.

use super::lagoon::*;
use crate::control::Remembered;
use crate::control::ids::Name;
use crate::control::plan::OutputKind::{self, Light, Other, Skimmer};
use crate::control::plan::Switch::On;
use crate::units::Power;

/// No power is made of it.
const UNRATED: f64 = f64::NAN;

/// Two outputs that are told on by a person in one moment: how long the second one waits, ms.
fn waits(first: (OutputKind, f64), second: (OutputKind, f64)) -> u64 {
    let mut plan = plan();
    let names = ["one", "two"];
    let begin = plan.outputs.len();
    for (name, (kind, watts)) in names.into_iter().zip([first, second]) {
        let mut output = plan.outputs[FAN].clone();
        (output.name, output.kind, output.rest) = (Name::new(name), kind, crate::control::plan::Switch::Off);
        output.rating = Power::from_watts(watts).ok();
        plan.outputs.push(output);
    }
    let mut world = World::with(plan, Remembered::Nothing);
    world.advance(minutes(5));
    let from = world.now.steady;
    for name in names {
        world.force(name, On, 5);
    }
    world.advance(minutes(1));
    let told = [begin, begin + 1].map(|output| {
        let told = world.commands.iter().find(|(at, of, to)| *at >= from && *of == output && *to == On);
        told.map(|(at, ..)| at.since(from).millis()).expect("told on")
    });
    assert_eq!(told[0], 0, "nobody is before the first");
    told[1]
}

#[test]
fn what_draws_an_inrush_waits_and_small_things_start_as_they_are_decided_c4() {
    assert_eq!(waits((Other, 4.0), (Other, 4.0)), 0);
    assert_eq!(waits((Other, 50.0), (Light, 50.0)), 0, "not above 50 W");
    assert_eq!(waits((Other, 51.0), (Light, 51.0)), 10_000);
    assert_eq!(waits((Other, 51.0), (Light, 4.0)), 0, "it draws no inrush");
    assert_eq!(waits((Skimmer, 40.0), (Skimmer, 40.0)), 5_000, "a motor takes its turn whatever it draws");
    assert_eq!(waits((Skimmer, 40.0), (Other, 60.0)), 10_000);
    assert_eq!(waits((Other, 60.0), (Skimmer, 40.0)), 10_000);
    assert_eq!(waits((Other, UNRATED), (Light, UNRATED)), 0);
    assert_eq!(waits((Light, 4.0), (Skimmer, 40.0)), 0, "what is small makes nobody wait");
}

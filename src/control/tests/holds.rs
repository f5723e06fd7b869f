//! Stories of holds and of what comes after them: in what order things stop and start, who is told, what is written.

use super::lagoon::*;
use crate::control::effect::NoticeKind;
use crate::control::plan::Priority;
use crate::control::plan::Switch::{Off, On};
use crate::control::{Outcome, Request};
use crate::time::Span;

/// When each output was told so since then, in ms.
fn told(world: &World, from: crate::time::Steady, output: usize, to: crate::control::plan::Switch) -> Option<u64> {
    let told = world.commands.iter().find(|(at, of, what)| *at >= from && *of == output && *what == to);
    told.map(|(at, ..)| at.since(from).millis())
}

#[test]
fn what_the_flow_feeds_stops_two_seconds_before_the_pumps() {
    let mut world = World::settled();
    world.reads[DISPLAY] = Some(24.0);
    world.reads[SUMP] = Some(24.0);
    world.advance(minutes(2));
    let from = world.now.steady;
    let hold = world.hold("water-change");
    world.advance(seconds(5));
    assert_eq!(told(&world, from, HEATER, Off), Some(0));
    assert_eq!(told(&world, from, RETURN, Off), Some(2000));
    assert_eq!(world.answers[&hold].outcome, Outcome::Done, "{:?}", world.answers[&hold]);
}

#[test]
fn a_pump_that_is_off_is_not_started_in_the_first_seconds_of_a_hold() {
    let mut world = World::settled();
    world.force("return-pump", Off, 5);
    world.advance(minutes(3));
    let from = world.now.steady;
    world.hold("water-change");
    world.ask(Request::EndForce { output: "return-pump".to_owned() });
    world.advance(minutes(10));
    assert!(!world.commands_since(from, RETURN).contains(&On), "{:?}", world.commands_since(from, RETURN));
}

#[test]
fn a_pump_that_a_hold_is_about_to_stop_is_not_told_on_again_before() {
    let mut plan = plan();
    plan.outputs[RETURN].plug.report = crate::control::plan::Fitted::NotFitted;
    let mut world = World::with(plan, crate::control::Remembered::Nothing);
    world.faults[RETURN] = PlugFault::Mute;
    world.advance(minutes(30));
    let told_on = |world: &World| world.commands.iter().rev().find(|(_, of, _)| *of == RETURN).map(|(at, ..)| *at);
    let last = told_on(&world).expect("a start tells the pump on");
    // A second before the half hour after which it is told on again.
    let due = last.after(minutes(30));
    world.advance(Span::from_millis(due.since(world.now.steady).millis() - 1000));
    assert_eq!(told_on(&world), Some(last));
    world.hold("water-change");
    world.advance(seconds(5));
    assert_eq!(world.commands_since(due.before(seconds(1)), RETURN), [Off]);
}

#[test]
fn a_hot_heater_is_named_until_it_has_cooled() {
    let mut world = World::settled();
    world.reads[DISPLAY] = Some(24.0);
    world.reads[SUMP] = Some(24.0);
    world.advance(minutes(2));
    assert_eq!(world.last_command(HEATER), Some(On));
    let hold = world.hold("water-change");
    world.advance(seconds(5));
    let details = world.answers[&hold].details.join("\n");
    assert!(details.contains("before the water falls below the heater"), "{details}");
    let hot_until = |world: &World| world.tank.status(world.now).holds[0].hot_until;
    let until = hot_until(&world).expect("it was on just now");
    let left = until.since(world.now.wall);
    assert!(left > minutes(9) && left <= minutes(10), "{left}");
    world.advance(minutes(10));
    assert_eq!(hot_until(&world), None);
}

#[test]
fn a_forgotten_hold_is_told_of_before_and_after_its_deadline() {
    let mut world = World::settled();
    world.hold("water-change");
    world.advance(minutes(92));
    let reminders: Vec<_> = world.notices.iter().filter(|notice| notice.what == NoticeKind::Reminder).collect();
    let priorities: Vec<Priority> = reminders.iter().map(|notice| notice.priority).collect();
    // At 30 and 45 of 60 min, and at 75 and 90.
    assert_eq!(priorities, [Priority::Medium, Priority::Medium, Priority::Urgent, Priority::Urgent]);
    assert!(reminders[3].text.contains("still stands"), "{}", reminders[3].text);
    // A kill repeats none of them.
    world.kill_and_restart();
    world.advance(minutes(5));
    assert_eq!(world.notices.iter().filter(|notice| notice.what == NoticeKind::Reminder).count(), 4);
}

#[test]
fn after_a_release_the_answer_and_the_status_say_what_waits_for_what() {
    let mut world = World::settled();
    world.hold("hands-in");
    world.hold("water-change");
    world.advance(minutes(5));
    let from = world.now.steady;
    world.ask(Request::Release { procedure: Some("hands-in".to_owned()) });
    let release = world.ask(Request::Release { procedure: None });
    let details = world.answers[&release].details.join("\n");
    assert!(details.contains("waits: starts come one after the other"), "{details}");
    assert!(!world.tank.status(world.now).holds.iter().all(|hold| hold.starting.is_empty()));
    world.advance(seconds(12));
    let (powerhead, pump) = (told(&world, from, POWERHEAD, On).unwrap(), told(&world, from, RETURN, On).unwrap());
    assert!(powerhead < pump && pump - powerhead >= 5000, "{powerhead} and {pump} ms");
    assert!(world.tank.status(world.now).holds.iter().all(|hold| hold.starting.is_empty()));
}

#[test]
fn a_level_that_falls_after_the_release_takes_everything_back_into_the_hold() {
    let mut world = World::settled();
    world.hold("water-change");
    world.advance(minutes(10));
    world.ask(Request::Release { procedure: None });
    world.advance(minutes(1));
    assert_eq!(world.last_command(RETURN), Some(On));
    world.reads[LEVEL] = Some(-120.0);
    world.advance(minutes(2));
    let hold = world.tank.status(world.now).holds[0].clone();
    assert!(hold.active && hold.by.as_deref().unwrap().contains("return-pump-dry"), "{hold:?}");
    let from = world.now.steady;
    world.reads[LEVEL] = Some(0.0);
    world.advance(minutes(30));
    assert!(!world.commands_since(from, RETURN).contains(&On), "nothing restarts by itself");
    // Long after a release a dry pump is a trip, and no hold.
    world.ask(Request::Release { procedure: None });
    world.advance(minutes(11));
    world.reads[LEVEL] = Some(-120.0);
    world.advance(minutes(2));
    assert!(!world.tank.status(world.now).holds[0].active);
}

#[test]
fn only_a_pump_that_stops_again_takes_a_release_back_into_its_hold() {
    let mut world = World::settled();
    world.hold("water-change");
    world.advance(minutes(2));
    world.ask(Request::Release { procedure: None });
    world.advance(minutes(1));
    let active = |world: &World| world.tank.status(world.now).holds[0].active;
    assert!(!active(&world));
    // The heater's trip is no pump's.
    (world.reads[DISPLAY], world.reads[SUMP]) = (Some(26.6), Some(26.6));
    world.advance(minutes(3));
    let tripped = |world: &World, at: usize| world.tank.status(world.now).interlocks[at].state != "armed";
    assert!(tripped(&world, 0) && !active(&world));
    world.reads[LEVEL] = Some(-120.0);
    world.advance(minutes(2));
    assert!(tripped(&world, 2) && active(&world));
}

#[test]
fn the_record_says_what_the_water_was_before_and_after() {
    let mut world = World::settled();
    world.hold("water-change");
    world.advance(minutes(23));
    world.reads[DISPLAY] = Some(24.9);
    world.reads[SUMP] = Some(24.9);
    world.advance(minutes(1));
    world.ask(Request::Release { procedure: None });
    let line = |world: &World, words: &str| world.journal.iter().find(|line| line.text.contains(words)).cloned();
    let end = line(&world, "released by").expect("a line of its end").text;
    assert!(end.contains("after 24 min") && end.contains("temperature 25.05 °C to 24.90 °C"), "{end}");
    world.advance(minutes(16));
    let record = line(&world, "after the hold that began at").expect("its record is closed").text;
    assert!(record.starts_with("15 min"), "{record}");
}

#[test]
fn starts_after_a_power_cut_come_one_after_the_other() {
    let mut world = World::settled();
    let from = world.now.steady;
    // All plugs lose their power together, and boot into off.
    for output in [RETURN, POWERHEAD] {
        world.report(output, Off);
    }
    world.advance(seconds(30));
    let mut starts: Vec<u64> = [RETURN, POWERHEAD].map(|output| told(&world, from, output, On).unwrap()).into();
    starts.sort_unstable();
    assert!(starts[1] - starts[0] >= 5000, "{starts:?}");
}

#[test]
fn new_water_that_changes_too_much_waits_for_a_word() {
    let mut world = World::settled();
    let told = |litres, temperature, confirm| Request::NewWater {
        litres: Some(litres),
        salinity: Some(35.0),
        temperature: Some(temperature),
        confirm,
    };
    let early = world.ask(told(20.0, 25.0, false));
    assert_eq!(world.answers[&early].outcome, Outcome::Refused, "no hold stands");
    world.hold("water-change");
    world.advance(minutes(20));
    // By hand: 30 L of 92 at 15 °C into water of 25.05 °C: about -3.3 K.
    let cold = world.ask(told(30.0, 15.0, false));
    assert_eq!(world.answers[&cold].outcome, Outcome::Refused, "{:?}", world.answers[&cold]);
    let refused = world.ask(Request::Release { procedure: None });
    assert_eq!(world.answers[&refused].outcome, Outcome::Refused);
    assert!(
        world.answers[&refused].details[0].starts_with("new-water: temperature -3."),
        "{:?}",
        world.answers[&refused]
    );
    world.kill_and_restart();
    world.advance(minutes(2));
    let refused = world.ask(Request::Release { procedure: None });
    assert_eq!(world.answers[&refused].outcome, Outcome::Refused, "a kill forgets no warning");
    let warm = world.ask(told(30.0, 24.5, false));
    assert_eq!(world.answers[&warm].outcome, Outcome::Done, "{:?}", world.answers[&warm]);
    world.ask(told(30.0, 15.0, true));
    let released = world.ask(Request::Release { procedure: None });
    assert_eq!(world.answers[&released].outcome, Outcome::Done);
    assert!(world.journal.iter().any(|line| line.text.contains("30.0 L changed")));
}

#[test]
fn new_water_is_judged_by_what_is_known_of_it() {
    let mut world = World::settled();
    world.hold("water-change");
    let mut told = |litres: f64, salinity: Option<f64>, temperature: Option<f64>| {
        let id = world.ask(Request::NewWater { litres: Some(litres), salinity, temperature, confirm: false });
        let answer = &world.answers[&id];
        (answer.outcome, answer.summary.clone())
    };
    // More than the tank holds, or none.
    for litres in [0.0, -3.0, 87.1] {
        let (outcome, summary) = told(litres, None, Some(25.0));
        assert_eq!(outcome, Outcome::Refused, "{summary}");
        assert!(summary.contains("cannot be changed in a tank of 87.0 L"), "{summary}");
    }
    // This tank has no salinity probe, so that nothing is known of its change.
    let (outcome, summary) = told(87.0, None, Some(25.05));
    assert_eq!(outcome, Outcome::Done, "{summary}");
    assert!(summary.contains("what is known of it is fine; measure the rest"), "{summary}");
    let (_, summary) = told(9.0, None, None);
    assert!(summary.contains("what it changes cannot be told"), "{summary}");
    // 30 of 87 L that are 2 K colder change it by 0.7 K, 5 K by 1.7 K and 9 K by 3.1 K.
    let (_, summary) = told(30.0, None, Some(23.05));
    assert!(summary.contains("bearable") || summary.contains("fine"), "{summary}");
    let (outcome, summary) = told(30.0, None, Some(16.05));
    assert_eq!(outcome, Outcome::Refused);
    assert!(summary.contains("too much at once for most animals: the release waits"), "{summary}");
    let holds = world.tank.status(world.now).holds;
    let hold = holds.iter().find(|hold| &*hold.hold == "water-change").unwrap();
    let says = serde_json::to_string(hold).unwrap();
    assert!(says.contains("30.0 L: temperature -3.1 K; too much at once"), "{says}");
}

#[test]
fn a_feeding_that_cannot_be_released_gives_the_powerheads_back_at_its_end() {
    let world = overdue_feeding();
    let hold = world.tank.status(world.now).holds[2].clone();
    assert!(hold.active && hold.overdue, "{hold:?}");
    assert_eq!(world.last_command(RETURN), Some(Off), "the sump is too low for it");
    assert_eq!(world.last_command(POWERHEAD), Some(On), "the display does not stand still for that");
}

#[test]
fn an_overdue_feeding_that_is_asked_again_begins_its_time_anew_and_pauses_the_powerheads_again() {
    let mut world = overdue_feeding();
    assert_eq!(world.last_command(POWERHEAD), Some(On));
    let before = world.tank.status(world.now).holds[2].until;
    let again = world.hold("feeding");
    world.advance(Span::from_seconds(30));
    assert_eq!(world.last_command(POWERHEAD), Some(Off));
    let answer = &world.answers[&again];
    assert_eq!(answer.outcome, Outcome::Done, "{answer:?}");
    assert!(answer.summary.contains("every pause is proven"), "{answer:?}");
    let hold = world.tank.status(world.now).holds[2].clone();
    assert!(hold.active && !hold.overdue && hold.until > before, "{hold:?}");
    world.advance(minutes(20));
    assert!(world.tank.status(world.now).holds[2].overdue);
    assert_eq!(world.last_command(POWERHEAD), Some(On), "and it ends as the first one did");
}

#[test]
fn a_hold_that_is_asked_twice_within_its_time_keeps_its_end() {
    let mut world = World::new();
    world.advance(minutes(5));
    world.hold("feeding");
    let until = world.tank.status(world.now).holds[2].until;
    world.advance(minutes(3));
    let again = world.hold("feeding");
    assert_eq!(world.tank.status(world.now).holds[2].until, until);
    assert!(world.answers[&again].summary.contains("stands already"));
}

/// A feeding whose end is refused by a sump that is too low, with its powerhead back on.
fn overdue_feeding() -> World {
    let mut plan = plan();
    plan.holds[2].pauses.push(crate::control::ids::OutputId::new(POWERHEAD));
    // As in the example: a powerhead hangs in the display and asks nothing of the sump.
    plan.outputs[POWERHEAD].permissives.clear();
    let mut world = World::with(plan, crate::control::Remembered::Nothing);
    world.advance(minutes(5));
    world.hold("feeding");
    world.advance(minutes(2));
    assert_eq!(world.last_command(POWERHEAD), Some(Off));
    world.reads[LEVEL] = Some(-80.0);
    world.advance(minutes(20));
    world
}

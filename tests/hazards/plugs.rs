//! Rehearsals of what plugs, and people at plugs, can do: the truth at the relay is what counts.

use slackwater::time::Span;

use super::stage::{Story, span};

/// F24. By power it would be known in a minute; by the water it takes until it is cold.
#[test]
fn f24_a_dead_heater_is_told_when_the_water_is_cold() {
    let mut story = Story::new(17.0, &["heater stops at 1 h"]);
    story.until("12 h");
    story.sound();
    let told = story.alarm("water-temp-low", "1 h").expect("the cold is told");
    assert!(told < span("6 h"), "{told}");
    let switched = story.told("heater", "1 h", "12 h").len();
    assert!(switched < 6, "it is not switched to and fro, {switched} times\n{}", story.all());
}

#[test]
fn f27_a_heater_whose_plug_vanishes_is_turned_off_by_its_own_lease_and_told() {
    let faults = ["display-temp reads 24.6 °C", "sump-temp reads 24.6 °C", "heater plug vanishes at 5 min for 10 min"];
    let mut story = Story::new(17.0, &faults);
    story.until("5 min");
    assert!(story.works("heater"));
    let off = story.first("15 min", |story| !story.works("heater")).expect("the lease runs out");
    assert!(off <= span("8 min 1 s"), "a lease of 180 s: {off}");
    let told = story.alarm("heater-not-proven", "5 min").expect("a lost plug is told");
    assert!(told <= span("7 min"), "{told}");
    // The network is back: it is compared and commanded.
    let on = story.first("16 min", |story| story.run.passed() > span("15 min") && story.works("heater"));
    assert!(on.is_some_and(|on| on <= span("15 min 15 s")), "{on:?}\n{}", story.all());
    story.sound();
}

#[test]
fn f28_a_top_off_that_reboots_into_on_is_off_within_seconds() {
    let mut story = Story::new(21.0, &["top-off plug reboots on at 20 min"]);
    story.until("20 min");
    let on = story.first("21 min", |story| story.works("top-off")).expect("it boots into on");
    let off = story.first("21 min", |story| !story.works("top-off")).expect("it is told off");
    assert!(off.minus(on) <= span("3 s"), "{} after its boot\n{}", off.minus(on), story.all());
    assert!(!story.told("top-off", "20 min", "21 min").is_empty(), "and not by a lease, for it has none then");
    story.until("40 min");
    assert!(!story.works("top-off"));
    story.sound();
}

#[test]
fn f29_a_return_pump_that_reboots_into_off_is_started_and_the_top_off_waits_for_its_flow() {
    // It is away for a minute and restarts in it; the level asks for water the whole time after.
    let faults = [
        "return-pump plug vanishes at 23 min for 1 min",
        "return-pump plug reboots off at 23 min 10 s",
        "sump-level reads -6 mm at 25 min",
    ];
    let mut story = Story::new(21.0, &faults);
    story.until("24 min");
    assert!(!story.works("return-pump"));
    let runs = story.first("25 min", |story| story.works("return-pump")).expect("it is started");
    assert!(runs <= span("24 min 5 s"), "{runs}\n{}", story.all());
    story.until("45 min");
    assert!(!story.told_on("top-off", "23 min", "34 min"), "{}", story.all());
    assert!(story.told_on("top-off", "34 min", "45 min"), "{}", story.all());
    assert!(story.run.status("lagoon").unwrap().holds.iter().all(|hold| !hold.active), "no person was here");
    story.sound();
}

/// The broker does not notice: it is away for five seconds. Its sign of life and its uptime say what it was.
#[test]
fn f29_a_quick_restart_of_a_pump_s_plug_is_no_person_and_the_fourth_of_a_day_is_told() {
    let at = ["1 h", "2 h", "3 h", "4 h"];
    let faults = at.map(|at| format!("return-pump plug reboots off at {at}"));
    let mut story = Story::new(21.0, &faults.each_ref().map(String::as_str));
    for at in at {
        story.until(at);
        assert!(story.alarm("return-pump-restarts", "0 s").is_none(), "not yet at {at}\n{}", story.all());
        story.run.pass(span("1 s"));
        assert!(!story.works("return-pump"), "it restarts at {at}");
        story.run.pass(span("14 s"));
        assert!(story.works("return-pump"), "it is started again after {at}\n{}", story.all());
    }
    story.until("4 h 10 min");
    assert!(story.alarm("return-pump-restarts", "4 h").is_some(), "{}", story.all());
    assert!(story.alarm("return-pump-boots-wrong", "1 h").is_some(), "`boots: on` is written\n{}", story.all());
    assert!(story.run.status("lagoon").unwrap().holds.iter().all(|hold| !hold.active), "no person was here");
    story.sound();
}

/// The other side of it: the same off with nothing that speaks of a restart is a person.
#[test]
fn f32_a_pump_that_a_person_switches_off_stays_off() {
    let mut story = Story::new(21.0, &["return-pump plug is switched off at 1 h"]);
    story.until("1 h 20 min");
    assert!(!story.works("return-pump"), "{}", story.all());
    assert!(story.run.status("lagoon").unwrap().holds.iter().any(|hold| hold.active));
    assert!(story.alarm("return-pump-boots-wrong", "1 h").is_none());
    story.sound();
}

#[test]
fn f30_a_heater_that_outlives_its_lease_is_told() {
    let faults = [
        "display-temp reads 24.6 °C for 6 min",
        "sump-temp reads 24.6 °C for 6 min",
        "heater plug forgets its lease",
        "heater plug ignores off at 5 min",
        "display-temp reads 25.4 °C at 6 min",
        "sump-temp reads 25.4 °C at 6 min",
    ];
    let mut story = Story::new(17.0, &faults);
    story.until("15 min");
    assert!(story.works("heater"), "nothing that a daemon can do ends it");
    let told = story.alarm("heater-lease-outlived", "6 min").expect("it is told");
    assert!(told >= span("9 min") && told <= span("10 min"), "a lease of 180 s: {told}\n{}", story.all());
    story.sound();
}

#[test]
fn f30_a_heater_that_ignores_off_is_told_again_and_again_and_somebody_is_told() {
    let faults = [
        "display-temp reads 24.6 °C for 6 min",
        "sump-temp reads 24.6 °C for 6 min",
        "heater plug ignores off at 5 min",
        "display-temp reads 25.4 °C at 6 min",
        "sump-temp reads 25.4 °C at 6 min",
    ];
    let mut story = Story::new(17.0, &faults);
    story.until("6 min");
    let ended = story.first("15 min", |story| !story.works("heater")).expect("nothing refreshes its lease");
    story.until("15 min");
    let offs: Vec<Span> =
        story.told("heater", "6 min", "10 min").into_iter().filter(|(_, on)| !on).map(|(at, _)| at).collect();
    assert!(offs.len() >= 5, "{offs:?}");
    assert!(offs[2].minus(offs[0]) <= span("25 s"), "told again soon: {offs:?}");
    let told = story.alarm("heater-not-proven", "6 min").expect("it is told");
    assert!(told.minus(offs[0]) <= span("20 s"), "{told} against {offs:?}");
    assert!(ended.minus(offs[0]) <= span("181 s"), "a plug with a lease ends it: {ended}\n{}", story.all());
    story.sound();
}

#[test]
fn f32_a_top_off_that_a_person_switches_on_at_a_full_sump_is_undone_within_seconds() {
    let mut story = Story::new(21.0, &["high-float sticks wet", "top-off plug is switched on at 20 min"]);
    story.until("20 min");
    let on = story.first("20 min 5 s", |story| story.works("top-off")).expect("it is on");
    let off = story.first("21 min", |story| !story.works("top-off")).expect("it is undone");
    assert!(off.minus(on) <= span("2 s"), "{}", off.minus(on));
    let told = story.alarm("top-off-foreign-switch", "20 min").expect("it is told");
    assert!(told <= span("20 min 5 s"), "{told}");
    story.sound();
}

/// The other controller answers each of our offs.
#[test]
fn f33_two_controllers_are_told_to_be_in_conflict_and_the_plug_is_not_flooded() {
    let mut story = Story::new(21.0, &[]);
    story.until("20 min");
    for _ in 0..120 {
        story.run.publish("lagoon/plug/top-off/set", b"ON", false);
        story.run.pass(span("1 s"));
    }
    let told = story.told("top-off", "20 min", "22 min");
    assert!(told.iter().all(|(_, on)| !on), "{told:?}");
    assert!((20..=40).contains(&told.len()), "undone, and 20 a minute at most: {}", told.len());
    let standing = |story: &Story| {
        let alarms = story.run.status("lagoon").unwrap().alarms;
        alarms.iter().filter(|alarm| &*alarm.alarm == "top-off-conflict" && alarm.active).count()
    };
    let conflict = story.alarm("top-off-conflict", "20 min").expect("a conflict is told");
    assert!(conflict <= span("20 min 5 s"), "{conflict}");
    story.run.pass(span("10 s"));
    assert!(!story.works("top-off"));
    story.until("31 min");
    assert_eq!(standing(&story), 1);
    story.until("34 min");
    assert_eq!(standing(&story), 0);
    story.sound();
}

/// F33, F60. Whether the broker kept the command or somebody sent it just now.
#[test]
fn f60_a_kept_command_is_undone_at_the_relay_and_its_owner_is_asked_to_clear_it() {
    let mut story = Story::new(21.0, &[]);
    for (at, kept) in [("20 min", true), ("22 min", false), ("24 min", true)] {
        story.until(at);
        story.run.publish("lagoon/plug/top-off/set", b"ON", kept);
        story.run.pass(Span::from_seconds(2));
        assert!(!story.works("top-off"), "undone within 2 s\n{}", story.all());
        let told = story.told("top-off", at, span(at).plus(span("2 s")));
        assert!(!told.is_empty() && told.iter().all(|(_, on)| !on), "{told:?}");
    }
    assert_eq!(story.alarms("top-off-foreign-switch"), 1, "one alarm, not three\n{}", story.all());
    assert!(story.lines("foreign").any(|line| line.text.contains("it is retained")), "{}", story.all());
    story.sound();
}

/// F59. The answers, and that nothing of it is done.
#[test]
fn f59_unreasonable_requests_are_refused_with_the_reason() {
    let mut story = Story::new(21.0, &["high-float sticks wet at 10 min"]);
    story.until("20 min");
    for ask in
        ["force heater on for 24 h", "heat everything", "force top-off on for 20 s", "force return-pump off for 2 h"]
    {
        story.run.ask(0, ask);
        story.run.pass(Span::from_seconds(10));
    }
    let long = vec![b'x'; 8192];
    story.run.publish("slackwater/lagoon/ask", &long, false);
    // A kept request is of unknown age, and is never carried out.
    story.run.publish("slackwater/lagoon/ask", b"hold water-change", true);
    story.until("30 min");
    let said = story.answers().join("\n");
    for words in ["the force is too long", "is not a request", "top-off stays off", "at most 4096 are read"] {
        assert!(said.contains(words), "no `{words}` in:\n{said}");
    }
    assert!(story.told("return-pump", "20 min", "30 min").is_empty(), "{}", story.all());
    assert!(!story.told_on("top-off", "20 min", "30 min"));
    assert!(story.run.status("lagoon").unwrap().holds.iter().all(|hold| !hold.active));
    story.sound();
}

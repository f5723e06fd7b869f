//! Rehearsals of what probes can do: payloads that mean nothing, late bursts, waves, drift.

use slackwater::time::Span;

use super::stage::{Story, span};

#[test]
fn f02_a_probe_that_reads_low_does_not_cook_the_tank_and_is_told() {
    let mut story = Story::new(18.0, &["display-temp reads 0.7 °C low"]);
    story.until("10 h");
    story.sound();
    let apart = story.alarm("water-temp-disagree", "0 s").expect("two that disagree are told");
    assert!(apart >= span("10 min") && apart < span("11 min"), "{apart}");
    assert_eq!(story.alarms("water-temp-low"), 0, "0.7 K low is 24.1 °C at the least\n{}", story.all());
    let water = story.run.report().tanks[0].water.clone();
    assert!(water.celsius.0 > 24.6 && water.celsius.1 < 25.4, "the true one is followed: {water:?}");
}

#[test]
fn f06_payloads_that_mean_nothing_are_never_a_value_and_let_the_age_run() {
    let faults = ["display-temp reads 24.6 °C for 5 min", "sump-temp reads 24.6 °C for 5 min"];
    let silent = ["display-temp goes silent at 5 min for 10 min", "sump-temp goes silent at 5 min for 10 min"];
    let mut story = Story::new(17.0, &[faults, silent].concat());
    story.until("5 min");
    assert!(story.works("heater"), "{}", story.all());
    let long = vec![b'2'; 64 * 1024];
    let nasty: [&[u8]; 12] = [
        b"NaN",
        b"inf",
        b"",
        b"{\"temp\":24.6",
        b"24,6",
        b"\xff\xfe24.6",
        b"24.6 24.6",
        b"null",
        b"{\"temp\":\"24.6 warm\"}",
        b"{\"temp\":24.6,\"temp\":20}",
        b"[24.6]",
        &long,
    ];
    for round in 0..30 {
        for topic in ["lagoon/sump/temp", "lagoon/display/climate"] {
            story.run.publish(topic, nasty[round % nasty.len()], false);
        }
        story.run.pass(Span::from_seconds(10));
    }
    story.sound();
    let off = story.told("heater", "5 min", "10 min").first().copied().expect("the heater is told off");
    assert!(!off.1 && off.0 <= span("6 min 10 s"), "{off:?}");
    assert!(!story.told_on("heater", "5 min", "10 min"), "{}", story.all());
    assert!(story.alarm("water-temp-lost", "5 min").is_some());
    assert_eq!(
        story.alarms("water-temp-very-low") + story.alarms("water-temp-very-high"),
        0,
        "nothing became 0 or 222"
    );
}

/// F12. A probe's gateway gives out its queue after three minutes of silence.
#[test]
fn f12_a_late_burst_is_one_sample_and_starts_nothing() {
    let mut story = Story::new(17.0, &["display-temp goes silent", "sump-temp goes silent"]);
    story.until("3 min");
    for _ in 0..20 {
        story.run.publish("lagoon/sump/temp", b"24.0", false);
        story.run.pass(Span::from_millis(50));
    }
    story.until("3 min 50 s");
    assert!(!story.told_on("heater", "0 s", "3 min 50 s"), "{}", story.all());
    // Fresh samples at their usual pace do.
    for _ in 0..4 {
        story.run.publish("lagoon/sump/temp", b"24.0", false);
        story.run.pass(Span::from_seconds(10));
    }
    assert!(story.told_on("heater", "3 min 50 s", "5 min"), "{}", story.all());
    story.sound();
}

/// F14, and F26: the level says that all is well while the water runs out.
#[test]
fn f14_a_level_that_sticks_leaves_the_low_float_to_save_the_heater() {
    let mut story = Story::new(18.0, &["sump-level freezes at 1 h", "lagoon leaks 2 L/h at 1 h"]);
    story.until("6 h");
    story.sound();
    let trip = story.alarm("low-water-trip", "1 h").expect("the float is dry");
    assert!(!story.told_on("heater", trip, "6 h"), "{}", story.all());
    assert!(!story.works("heater"));
    assert!(!story.told_on("top-off", "1 h", "6 h"), "a level that says 0 asks for nothing\n{}", story.all());
}

/// F15. Waves of 10 mm, a period of about 6 s, sampled every 2 s, about the point where the top-off starts.
#[test]
fn f15_waves_start_no_top_off() {
    let mut story = Story::new(21.0, &["sump-level goes silent"]);
    let (mut passed, minutes) = (0.0_f64, 30.0);
    while passed < minutes * 60.0 {
        let level = -4.0 + 10.0 * passed.sin();
        story.run.publish("lagoon/sump/level", format!("{level:.1}").as_bytes(), false);
        story.run.pass(Span::from_seconds(2));
        passed += 2.0;
    }
    let starts = story.told("top-off", "1 s", "30 min").iter().filter(|(_, on)| *on).count();
    assert_eq!(starts, 0, "{}", story.all());
    // Still water at the same mean is a call for water.
    for _ in 0..75 {
        story.run.publish("lagoon/sump/level", b"-5.0", false);
        story.run.pass(Span::from_seconds(2));
    }
    assert!(story.told_on("top-off", "30 min", "33 min"), "{}", story.all());
    story.sound();
}

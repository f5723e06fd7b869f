//! Rehearsals of what a power meter proves: the truth at the relay and in the water is what counts.

use super::stage::{Story, span};

#[test]
fn f23_a_welded_heater_is_found_by_its_power_within_a_minute_of_the_off() {
    let mut story = Story::new(24.0, &["heater welds at 1 h"]);
    story.until("8 h");
    story.sound();
    let told = story.alarm("heater-stuck-on-trip", "1 h").expect("its power tells");
    let offs = story.told("heater", "0 s", told);
    let (off, _) = offs.iter().rev().find(|(_, on)| !on).expect("it was told off");
    // From the off, or from the weld where it was off already.
    let since = told.minus((*off).max(span("1 h")));
    assert!(since <= span("60 s"), "{since} after the off\n{}", story.all());
    assert_eq!(story.interlock("heater-stuck-on"), "latched");
    let again = story.told("heater", told, told.plus(span("65 s")));
    assert!((5..=7).contains(&again.len()) && again.iter().all(|(_, on)| !on), "every ten seconds: {again:?}");
    let cutoff = story.alarm("heater-cutoff-trip", "1 h");
    assert!(cutoff.is_none_or(|cutoff| cutoff > told), "and not by the heat: {cutoff:?}");
}

#[test]
fn f24_a_dead_heater_is_told_by_its_power_long_before_the_water_is_cold() {
    let mut story = Story::new(17.0, &["heater stops at 1 h"]);
    story.until("3 h");
    story.sound();
    let told = story.alarm("heater-no-load", "1 h").expect("its power tells");
    let on = story.told("heater", "0 s", told).into_iter().rev().find(|(_, on)| *on).expect("it was told on").0;
    assert!(told.minus(on.max(span("1 h"))) <= span("90 s"), "{told} after {on}\n{}", story.all());
    assert!(story.alarm("water-temp-low", "1 h").is_none_or(|cold| cold > told));
}

#[test]
fn f47_water_that_stands_still_is_called_out_within_a_minute() {
    let mut story = Story::new(21.0, &["powerhead stops at 1 h", "return-pump stops at 2 h"]);
    story.until("3 h");
    story.sound();
    let told = story.alarm("water-stands-still", "1 h").expect("nothing moves");
    assert!(told >= span("2 h") && told <= span("2 h 1 min"), "{told}\n{}", story.all());
}

#[test]
fn f21_a_quiet_week_has_no_alarm_by_power_or_flow() {
    let mut story = Story::new(20.0, &["keeper feeds at 30 h", "keeper changes 9 L at 50 h"]);
    story.until("168 h");
    story.sound();
    for alarm in [
        "flow-lost",
        "flow-meter",
        "water-stands-still",
        "power-lost",
        "return-pump-unusual-power",
        "powerhead-stopped",
        "heater-no-load",
        "skimmer-no-load",
        "fan-no-load",
        "heater-stuck-on-trip",
        "heater-over-power-trip",
        "light-stuck-on",
        "skimmer-stuck-on",
    ] {
        assert_eq!(story.alarms(alarm), 0, "{alarm}\n{}", story.alarm(alarm, "0 s").expect("raised"));
    }
}

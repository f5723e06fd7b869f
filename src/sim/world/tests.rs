//! Stories of the simulated world: what a daemon would see, and what is true.

use super::super::fixture::{START, world};
use super::*;

struct Story {
    world: World,
    now: Now,
    sent: Vec<Sent>,
}

impl Story {
    fn new(faults: &[&str]) -> Self {
        let mut world = world(1);
        for sentence in faults {
            let fault = world.catalogue().read(sentence).unwrap_or_else(|error| panic!("{error}"));
            world.inject(fault);
        }
        let mut story = Self { world, now: START, sent: vec![] };
        story.pass(10);
        story
    }

    fn pass(&mut self, seconds: u64) {
        self.now = self.now.after(Span::from_seconds(seconds));
        self.sent = self.world.advance(self.now);
    }

    fn command(&mut self, topic: &str, payload: &str) {
        let message = Message { topic: topic.into(), payload: payload.into(), retained: false };
        self.world.receive(&message);
    }

    fn lease(&mut self, output: &str, seconds: u64) {
        self.command(&format!("lagoon/plug/{output}/set"), &format!(r#"{{"on":true,"for":{seconds}}}"#));
    }

    /// The payloads on a topic since the last pass, with their seconds since the start.
    fn on(&self, topic: &str) -> Vec<(u64, String)> {
        let of_topic = self.sent.iter().filter(|sent| &*sent.message.topic == topic);
        let text = |sent: &Sent| String::from_utf8(sent.message.payload.clone()).unwrap();
        of_topic.map(|sent| (sent.at.since(START.steady).millis() / 1000, text(sent))).collect()
    }

    fn last(&self, topic: &str) -> Option<String> {
        self.on(topic).pop().map(|(_, payload)| payload)
    }

    fn truth(&self) -> Truth {
        self.world.truth("lagoon").unwrap()
    }

    fn heats(&self) -> bool {
        self.truth().works[0]
    }
}

fn two_hours(seed: u64, pieces: u64) -> Vec<Sent> {
    let mut world = world(seed);
    for sentence in ["display-temp freezes at 20 min for 5 min", "power cut at 1 h for 3 min", "lagoon leaks at 90 min"]
    {
        let fault = world.catalogue().read(sentence).unwrap();
        world.inject(fault);
    }
    let heat = Message { topic: "lagoon/plug/heater/set".into(), payload: b"ON".to_vec(), retained: false };
    let mut sent = world.advance(START.after(Span::from_minutes(5)));
    world.receive(&heat);
    let length = Span::from_minutes(115).part(pieces);
    for piece in 1..=pieces {
        sent.extend(world.advance(START.after(Span::from_minutes(5)).after(length.times(piece))));
    }
    sent
}

#[test]
fn the_same_seed_gives_the_same_bytes_however_time_is_cut() {
    let once = two_hours(7, 1);
    assert!(once.len() > 5000, "{}", once.len());
    assert!(once == two_hours(7, 1), "twice the same");
    assert!(once == two_hours(7, 1000), "in 1000 pieces the same");
    assert!(once != two_hours(8, 1), "another seed is another day");
}

#[test]
fn probes_speak_in_the_words_of_their_bindings() {
    let mut story = Story::new(&[]);
    story.pass(60);
    let climate = story.last("lagoon/display/climate").unwrap();
    let value: serde_json::Value = serde_json::from_str(&climate).unwrap();
    let celsius = value.pointer("/temp").and_then(serde_json::Value::as_f64).unwrap();
    assert!((celsius - 25.0).abs() < 0.4, "{climate}");
    assert_eq!(story.last("lagoon/sump/float-high").as_deref(), Some("0"));
    assert_eq!(story.last("lagoon/sump/float-low").as_deref(), Some("1"));
    assert_eq!(story.last("quarantine/float-low").as_deref(), Some("1"));
    assert_eq!(story.last("room/floor-leak").as_deref(), Some("0"));
    // 600 L/h of the model times 92/87 are 10.6 L/min.
    let flow: f64 = story.last("lagoon/return/flow").unwrap().parse().unwrap();
    assert!((flow - 10.6).abs() < 0.6, "{flow}");
    let salinity: f64 = story.last("lagoon/display/salinity").unwrap().parse().unwrap();
    assert!((salinity - 35.0).abs() < 0.6, "{salinity}");
    // Every 10 s from a probe that is stale after 60 s.
    assert_eq!(story.on("lagoon/sump/temp").len(), 6);
}

#[test]
fn a_lease_runs_out_to_the_second_and_a_refresh_carries_it_on() {
    let mut story = Story::new(&[]);
    story.lease("heater", 180);
    story.pass(1);
    assert_eq!(story.last("lagoon/plug/heater/relay").as_deref(), Some("ON"));
    story.pass(100);
    story.lease("heater", 180);
    story.pass(179);
    assert!(story.heats(), "179 s after the refresh it still heats");
    story.pass(3);
    assert!(!story.heats());
    let off = story.on("lagoon/plug/heater/relay").into_iter().find(|(_, word)| word == "OFF");
    assert_eq!(off.map(|(at, _)| at), Some(10 + 101 + 180));
    // Without countdown it stays on.
    story.command("lagoon/plug/heater/set", "ON");
    story.pass(3600);
    assert!(story.heats());
}

#[test]
fn a_welded_relay_reports_off_and_heats() {
    let mut story = Story::new(&["heater welds at 1 min"]);
    story.lease("heater", 180);
    story.pass(60);
    story.command("lagoon/plug/heater/set", "OFF");
    story.pass(60);
    assert_eq!(story.last("lagoon/plug/heater/relay").as_deref(), Some("OFF"));
    let watts = story.last("lagoon/plug/heater/meter").unwrap();
    assert!(watts.starts_with(r#"{"w":9"#) || watts.starts_with(r#"{"w":10"#), "{watts}");
    let before = story.truth().display_celsius;
    story.pass(3600);
    assert!(story.heats() && story.truth().display_celsius > before + 0.2);
}

#[test]
fn a_plug_that_vanishes_hears_nothing_and_its_lease_saves_the_tank() {
    let mut story = Story::new(&["heater plug vanishes at 30 s for 5 min"]);
    story.lease("heater", 180);
    story.pass(30);
    assert!(story.heats());
    story.command("lagoon/plug/heater/set", "OFF");
    story.pass(20);
    assert!(story.heats(), "it did not hear the off");
    assert_eq!(story.last("lagoon/plug/heater/alive").as_deref(), Some("0"), "its will came");
    assert!(story.on("lagoon/plug/heater/relay").is_empty());
    story.pass(180);
    assert!(!story.heats(), "its own countdown ended it");
    story.pass(300);
    assert_eq!(story.last("lagoon/plug/heater/alive").as_deref(), Some("1"));
    let plain = Story::new(&["heater plug forgets its lease"]);
    let mut story = plain;
    story.lease("heater", 180);
    story.pass(600);
    assert!(story.heats(), "and a forgotten countdown does not");
}

#[test]
fn a_plug_that_ignores_off_stays_on_and_a_button_switches_it() {
    let mut story = Story::new(&["heater plug ignores off", "heater plug is switched off at 2 min"]);
    story.command("lagoon/plug/heater/set", "ON");
    story.pass(30);
    story.command("lagoon/plug/heater/set", "OFF");
    story.pass(30);
    assert!(story.heats());
    story.pass(60);
    assert!(!story.heats());
    assert_eq!(story.last("lagoon/plug/heater/relay").as_deref(), Some("OFF"));
}

#[test]
fn a_power_cut_drains_the_display_and_the_plugs_wake_in_their_boot_states() {
    let mut story = Story::new(&["power cut at 1 min for 10 min"]);
    story.command("lagoon/plug/heater/set", "ON");
    story.pass(45);
    assert!(story.heats());
    story.pass(360);
    assert!(story.sent.iter().all(|sent| sent.at < START.after(Span::from_seconds(80)).steady), "all is silent");
    let truth = story.truth();
    assert!(truth.works.iter().all(|works| !works) && truth.flow.abs() < 1e-9);
    assert!((truth.level - 85.0).abs() < 6.0, "drained back: {} mm", truth.level);
    story.pass(420);
    let truth = story.truth();
    assert_eq!(truth.works, [false, true, true, false]);
    assert!(truth.level.abs() < 3.0, "{} mm", truth.level);
    assert_eq!(story.last("lagoon/plug/heater/relay").as_deref(), Some("OFF"));
}

#[test]
fn a_lost_broker_carries_nothing_either_way_and_the_plugs_come_back_by_themselves() {
    let mut story = Story::new(&["broker vanishes at 1 min for 1 min"]);
    story.pass(55);
    assert_eq!(story.world.broker(), Broker::Down);
    story.command("lagoon/plug/heater/set", "ON");
    story.pass(50);
    assert!(story.sent.is_empty() && !story.heats());
    story.pass(15);
    assert_eq!(story.world.broker(), Broker::Up);
    assert_eq!(story.on("lagoon/plug/heater/alive").len(), 1);
}

#[test]
fn lying_probes_lie_as_they_were_told() {
    let mut story = Story::new(&[
        "display-temp reads 85",
        "sump-temp reads 1 K high",
        "salinity goes silent",
        "return-flow sends garbage",
        "high-float sticks wet",
        "sump-level freezes",
        "water-temp is lifted out",
    ]);
    story.pass(600);
    assert_eq!(story.last("lagoon/display/climate").as_deref(), Some(r#"{"temp":85}"#));
    let sump: f64 = story.last("lagoon/sump/temp").unwrap().parse().unwrap();
    assert!((sump - story.truth().sump_celsius - 1.0).abs() < 0.3, "{sump}");
    assert!(story.on("lagoon/display/salinity").is_empty());
    assert_eq!(story.last("lagoon/return/flow").as_deref(), Some("#?-"));
    assert_eq!(story.last("lagoon/sump/float-high").as_deref(), Some("1"));
    let levels = story.on("lagoon/sump/level");
    assert!(levels.len() > 50 && levels.iter().all(|(_, payload)| *payload == levels[0].1));
    let air: f64 = story.last("quarantine/temp").unwrap().parse().unwrap();
    assert!((air - 20.0).abs() < 0.4, "a wet probe in a room of 21 °C: {air}");
}

#[test]
fn water_on_the_floor_is_felt_by_the_probe_that_both_tanks_share() {
    let mut story = Story::new(&["quarantine leaks 2 L/h at 1 min"]);
    story.pass(120);
    // 2 L/h for 70 s are 39 mL; the probe feels 20 mL, after 36 s, and bounces.
    let words = story.on("room/floor-leak");
    let wet: Vec<u64> = words.iter().filter(|(_, word)| word == "1").map(|(at, _)| *at).collect();
    assert!((95..=98).contains(wet.first().unwrap()), "{words:?}");
    assert!((story.world.truth("quarantine").unwrap().floor_litres - 0.039).abs() < 0.002);
    assert!(story.truth().floor_litres.abs() < 1e-12, "the lagoon is dry");
}

#[test]
fn the_tubs_low_float_asks_for_water_within_a_day_or_two() {
    let mut story = Story::new(&[]);
    story.pass(172_800);
    let dry = story.on("quarantine/float-low").into_iter().find(|(_, word)| word == "0").expect("it falls");
    assert!((3600 * 4..3600 * 40).contains(&dry.0), "{} h", dry.0 / 3600);
}

#[test]
fn water_and_salt_of_the_whole_world_balance_over_three_days() {
    let mut story = Story::new(&["power cut at 30 h for 2 h", "lagoon leaks 1 L/h at 40 h for 1 h"]);
    let before = story.world.physics("lagoon").unwrap().clone();
    for hour in 0..72 {
        story.lease("top-off", 10);
        if hour % 2 == 0 {
            story.lease("heater", 3000);
        }
        story.pass(3600);
    }
    let after = story.world.physics("lagoon").unwrap();
    let (then, now) = (before.ledger(), after.ledger());
    let gone = (now.evaporated - then.evaporated) + (now.skimmed - then.skimmed) + (now.spilled - then.spilled);
    let come = now.topped_off - then.topped_off;
    // 66 runs or so of 10 s each at 0.5 L/min · 92/87, the power cut's left out: to the millilitre of the duty's count.
    assert!(come > 5.0 && gone > 4.0, "{now:?}");
    assert!((after.litres() - (before.litres() + come - gone)).abs() < 0.001);
    assert!(((after.salt() + now.salt_lost - then.salt_lost) / before.salt() - 1.0).abs() < 0.0001);
}

#[test]
fn new_water_is_mixed_to_bring_the_salt_back_that_foam_took_along_and_never_by_a_leap() {
    let changed = |fresh: f64| {
        let mut story = Story::new(&[]);
        story.world.take_water(0, fresh);
        story.world.give_water(0, fresh, 0.0);
        let mix = story.world.mix(0, 9.0);
        story.world.take_water(0, 9.0);
        story.world.give_water(0, 9.0, mix);
        (mix, story.world.physics("lagoon").unwrap().mean_salinity())
    };
    let (mix, salinity) = changed(0.4);
    // The display gives the 9 L and is a little fresher than the whole just after the fresh water came into it.
    assert!(mix > 36.0 && (salinity - 35.0).abs() < 0.05, "mixed to {mix}, and then {salinity}");
    assert!((changed(3.0).0 - 37.0).abs() < 1e-9);
}

#[test]
fn a_run_of_ten_seconds_is_ten_seconds_of_water() {
    // Relay times fall between the physics' seconds; the duty counts them to the millisecond.
    let mut story = Story::new(&[]);
    story.lease("top-off", 10);
    story.pass(60);
    let topped = story.world.physics("lagoon").unwrap().ledger().topped_off;
    assert!((topped - 10.0 * 0.5 / 60.0 * 92.0 / 87.0).abs() < 1e-6, "{topped} L");
}

#[test]
fn a_driver_in_process_can_answer_before_time_goes_on() {
    let mut world = world(1);
    let limit = START.after(Span::from_minutes(1));
    let (mut calls, mut messages) = (0, 0);
    while world.time() < limit.steady {
        let sent = world.advance_to_next(limit);
        assert!(sent.iter().all(|one| one.at == world.time()), "all of one moment");
        calls += 1;
        messages += sent.len();
    }
    assert!(calls > 20 && messages >= calls - 1, "{calls} calls, {messages} messages");
}

#[test]
fn a_slow_broker_keeps_the_order_and_a_doubling_one_says_everything_twice() {
    let mut story = Story::new(&["broker delays messages by 3 s at 20 s for 30 s", "broker doubles messages at 2 min"]);
    story.pass(65);
    assert!(story.sent.is_sorted_by_key(|sent| sent.at), "in order");
    // It speaks each 10 s: what it says from 20 s to 50 s comes 3 s late, and then it is in time again.
    let temps: Vec<u64> = story.on("lagoon/sump/temp").iter().map(|(at, _)| *at).collect();
    assert_eq!(temps, [10, 23, 33, 43, 50, 60, 70]);
    story.pass(60);
    story.sent.clear();
    story.command("lagoon/plug/heater/set", "ON");
    story.pass(60);
    let temps = story.on("lagoon/sump/temp");
    assert!(temps.len() >= 10 && temps.chunks(2).all(|pair| pair[0] == pair[1]), "{temps:?}");
    assert!(story.heats(), "a command that comes twice is one");
}

#[test]
fn a_command_on_a_slow_way_is_obeyed_late() {
    let mut story = Story::new(&["broker delays messages by 10 s"]);
    story.lease("heater", 180);
    story.pass(9);
    assert!(!story.heats());
    story.pass(3);
    assert!(story.heats());
}

#[test]
fn a_keeper_tops_up_what_is_missing_and_no_more() {
    let mut story = Story::new(&[]);
    story.world.take_water(0, 3.0);
    let litres = story.world.top_up(0);
    let little = 0.005 * story.world.physics("lagoon").unwrap().usual_litres();
    assert!((litres - 3.0 - little).abs() < 0.05, "{litres}");
    assert!(story.world.top_up(0) < 1e-9);
}

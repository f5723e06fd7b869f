//! `slackwater listen` on a real Mosquitto: what it hears, what it keeps to itself, and how it fails.
#![allow(clippy::disallowed_methods, reason = "a test of the outside world waits and connects")]

mod common;

use std::process::{Command, Output};

use common::{Broker, World, free_port, text};

fn listen(port: u16, more: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_slackwater"));
    command.args(["listen", "--broker", &format!("mqtt://127.0.0.1:{port}")]).args(more);
    command.output().expect("the program runs")
}

#[test]
fn probes_and_plugs_of_a_home_are_found_and_secrets_are_not_shown() {
    let broker = Broker::start();
    let world = World::without_plugs(&broker);
    world.publish_retained("cove/plug/heater/alive", "1");
    world.publish_retained("cove/plug/heater/relay", "OFF");
    world.publish_retained("cove/setup", r#"{"wifi_password":"hunter2","name":"cove"}"#);
    world.publish_retained("slackwater/lagoon/reading/water-temp", r#"{"value":25.0}"#);
    // On the broker before anybody listens.
    std::thread::sleep(common::seconds(1));
    let said = std::thread::scope(|scope| {
        let listening = scope.spawn(|| listen(broker.port, &["--for", "6 s", "--json"]));
        for n in 0..8 {
            std::thread::sleep(std::time::Duration::from_millis(700));
            world.publish("cove/sump/temp", format!("24.{n}"));
            world.publish("cove/plug/heater/meter", format!("{{\"w\":98.{n}}}"));
            world.publish("cove/plug/heater/set", r#"{"on":true,"for":180}"#);
        }
        listening.join().unwrap()
    });
    assert_eq!(said.status.code(), Some(0), "{}", text(&said));
    assert!(!text(&said).contains("hunter2"));
    let heard: serde_json::Value = serde_json::from_slice(&said.stdout).unwrap();
    let topic = |name: &str| heard["topics"].as_array().unwrap().iter().find(|t| t["topic"] == name).cloned();
    assert_eq!(topic("slackwater/lagoon/reading/water-temp"), None, "the daemon's own");
    let temp = topic("cove/sump/temp").unwrap();
    let interval = temp["interval_seconds"].as_f64().unwrap();
    assert!((0.4..2.5).contains(&interval), "{interval}");
    assert_eq!(topic("cove/plug/heater/alive").unwrap()["retained"], 1);
    let guess = heard["guesses"].as_array().unwrap().iter().find(|g| g["topic"] == "cove/sump/temp").unwrap();
    assert_eq!((guess["may_be"].as_str(), guess["unit"].as_str()), (Some("temperature"), Some("°C")));
    let plugs = heard["plugs"].as_array().unwrap();
    assert_eq!(plugs.len(), 1, "{plugs:?}");
    for (part, topic) in [("command", "set"), ("report", "relay"), ("power", "meter"), ("alive", "alive")] {
        assert_eq!(plugs[0]["parts"][part]["topic"], format!("cove/plug/heater/{topic}"), "{part}");
    }
}

#[test]
fn a_silent_broker_an_absent_one_and_a_wrong_address_are_told_apart() {
    let broker = Broker::start();
    let silent = listen(broker.port, &["--for", "1 s"]);
    assert_eq!(silent.status.code(), Some(1), "{}", text(&silent));
    assert!(text(&silent).contains("nothing was heard"));
    let absent = listen(free_port(), &["--for", "1 s"]);
    assert_eq!(absent.status.code(), Some(3), "{}", text(&absent));
    let wrong = listen(broker.port, &["--for", "0 s"]);
    assert_eq!(wrong.status.code(), Some(2), "{}", text(&wrong));
}

#[test]
fn a_broker_that_does_not_know_the_listener_says_so() {
    let broker = Broker::with("allow_anonymous false", |_| {});
    let refused = listen(broker.port, &["--for", "1 s"]);
    assert_eq!(refused.status.code(), Some(3), "{}", text(&refused));
    assert!(text(&refused).contains("refused the connection"), "{}", text(&refused));
}

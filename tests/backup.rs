//! A backup of a running daemon, and a new daemon that begins with it, on a real Mosquitto.
#![allow(clippy::disallowed_methods, reason = "a test of the outside world waits and connects")]

mod common;

use std::process::{Command, Output};

use common::{BINARY, Broker, Config, Daemon, World, seconds, text, wait_until};

fn slackwater(arguments: &[&str]) -> Output {
    Command::new(BINARY).args(arguments).output().unwrap()
}

fn interlock(daemon: &Daemon, name: &str) -> serde_json::Value {
    let status = daemon.status();
    let all = status["interlocks"].as_array().cloned().unwrap_or_default();
    all.into_iter().find(|one| one["interlock"] == name).expect("it is there")
}

#[test]
fn a_backup_taken_in_a_hold_is_a_new_daemon_s_hold_with_its_original_deadline() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let old = Config::new(&broker);
    let daemon = Daemon::start(&old);
    world.settle(24.2);
    assert_eq!(daemon.ask(&["hold", "water-change"]).status.code(), Some(0));
    let before = daemon.status()["holds"][0].clone();
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("tank.tar").display().to_string();
    let said = slackwater(&["backup", &file, "--config", &old.path().display().to_string()]);
    assert_eq!(said.status.code(), Some(0), "{}", text(&said));
    assert!(text(&said).contains("of lagoon") && text(&said).contains("tanks/lagoon.yaml"), "{}", text(&said));
    assert!(daemon.is_ready());
    let again = slackwater(&["backup", &file, "--config", &old.path().display().to_string()]);
    assert_eq!(again.status.code(), Some(1), "a backup that is there is left alone: {}", text(&again));
    let own = old.path().join("data").display().to_string();
    let taken = slackwater(&["restore", &file, "--to", &own, "--over-existing"]);
    assert_eq!(taken.status.code(), Some(1), "{}", text(&taken));
    assert!(text(&taken).contains("another daemon"), "{}", text(&taken));
    daemon.kill();
    std::thread::sleep(seconds(1));

    let new = Config::new(&broker);
    let data = new.path().join("data").display().to_string();
    let restored = slackwater(&["restore", &file, "--to", &data]);
    assert_eq!(restored.status.code(), Some(0), "{}", text(&restored));
    assert!(text(&restored).contains("hands out of the water"), "{}", text(&restored));
    world.forget();
    let daemon = Daemon::start(&new);
    let after = daemon.status()["holds"][0].clone();
    for key in ["active", "until", "since", "by"] {
        assert_eq!(after[key], before[key], "{key}: {before} became {after}");
    }
    let heater = interlock(&daemon, "heater-cutoff");
    assert_eq!(heater["state"], "latched", "{heater}");
    assert!(heater["cause"].to_string().contains("backup of"), "{heater}");
    let alarms = daemon.status()["alarms"].to_string();
    assert!(alarms.contains("the state is that of a backup of"), "{alarms}");
    // A kill before anybody looked changes nothing of it.
    daemon.kill();
    let daemon = Daemon::start(&new);
    assert_eq!(interlock(&daemon, "heater-cutoff")["state"], "latched");
    assert_eq!(daemon.status()["holds"][0]["until"], before["until"]);
    world.settle(24.2);
    wait_until("the release is permitted", seconds(20), || daemon.ask(&["release"]).status.code() == Some(0));
    std::thread::sleep(seconds(2));
    let heater = world.messages("lagoon/heater/set");
    assert!(heater.iter().all(|publish| publish.payload.as_ref() == b"OFF"), "no heat before a person has looked");
    assert_eq!(daemon.ask(&["ack", "state-damaged"]).status.code(), Some(0));
    wait_until("the reset is taken", seconds(10), || daemon.ask(&["reset"]).status.code() == Some(0));
    world.wait_for("lagoon/heater/set", seconds(20), |payload| payload.starts_with("{\"on\":true"));
    daemon.kill();
    let daemon = Daemon::start(&new);
    // Until the first readings it is tripped for what is not known; what a person looked at stays looked at.
    assert_ne!(interlock(&daemon, "heater-cutoff")["state"], "latched");
    world.settle(24.2);
    wait_until("it is armed", seconds(20), || interlock(&daemon, "heater-cutoff")["state"] == "armed");
}

#[test]
fn where_there_is_nothing_to_save_it_says_what_to_name() {
    let dir = tempfile::tempdir().unwrap();
    let (file, data) = (dir.path().join("x.tar").display().to_string(), dir.path().display().to_string());
    let said = slackwater(&["backup", &file, "--config", &data]);
    assert_eq!(said.status.code(), Some(1));
    assert!(text(&said).contains("--data"), "{}", text(&said));
    let said = slackwater(&["backup", &file, "--config", &data, "--data", &data]);
    assert_eq!(said.status.code(), Some(1));
    assert!(text(&said).contains("there is no store"), "{}", text(&said));
    let said = slackwater(&["restore", &file, "--to", &data]);
    assert_eq!(said.status.code(), Some(1));
}

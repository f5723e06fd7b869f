//! One word to all tanks at once, over a real Mosquitto: by the command line, the `ask` topic and the API.
#![allow(clippy::disallowed_methods, reason = "a test of the outside world waits and connects")]

mod common;

use common::{Broker, Config, Daemon, World, seconds, text};

/// A second tank with one plug that nobody can prove.
const TUB: &str = r#"
tank: { title: Quarantine tub, timezone: UTC, volume: 40 L }
probes:
  tub-temp: { measures: temperature, topic: tub/temp, unit: °C, stale_after: 60 s }
outputs:
  skimmer: { kind: skimmer, rest: on, plug: { command: { topic: tub/skimmer/set, on: "1", off: "0" } } }
holds:
  water-change: { pause: [skimmer], limit: 30 min }
"#;

fn start(broker: &Broker) -> Daemon {
    let config = Config::new(broker);
    config.write_tank("tub", TUB);
    Daemon::start(&config)
}

fn holds(daemon: &Daemon, tank: &str) -> bool {
    let status = daemon.json(&format!("/api/v1/tanks/{tank}/status"));
    status["holds"].as_array().unwrap().iter().any(|hold| hold["active"] == true)
}

#[test]
fn one_command_holds_and_releases_all_tanks_and_the_worst_answer_is_the_exit_code() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let daemon = start(&broker);
    world.settle(24.2);
    let held = daemon.ask(&["hold", "water-change", "--all"]);
    let said = text(&held);
    assert_eq!(held.status.code(), Some(1), "the tub's plug cannot prove anything: {said}");
    assert!(said.contains("lagoon: hold water-change has begun") && said.contains("tub: NOT PROVEN"), "{said}");
    assert!(said.contains("pull its plug"), "{said}");
    assert_eq!(said.matches("not isolation").count(), 1, "{said}");
    assert!(holds(&daemon, "lagoon") && holds(&daemon, "tub"));
    let json = daemon.ask(&["hold", "water-change", "--all", "--json"]);
    let json: serde_json::Value = serde_json::from_slice(&json.stdout).unwrap();
    assert_eq!((&json["outcome"], &json["tanks"][1]["tank"]), (&"not-proven".into(), &"tub".into()), "{json}");
    world.settle(24.2);
    let released = daemon.ask(&["release", "--all"]);
    assert_eq!(released.status.code(), Some(0), "{}", text(&released));
    assert!(!holds(&daemon, "lagoon") && !holds(&daemon, "tub"));
    let nothing = daemon.ask(&["release", "--all"]);
    assert_eq!(nothing.status.code(), Some(0), "released twice is released: {}", text(&nothing));
}

#[test]
fn one_wall_button_for_all_tanks_is_answered_by_each() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let daemon = start(&broker);
    world.settle(24.2);
    world.ask_with_reply("slackwater/ask", "hold water-change", "button/all/answer", b"m");
    for tank in ["lagoon", "tub"] {
        let mark = format!(r#""tank":"{tank}""#);
        world.wait_for("button/all/answer", seconds(20), |json| json.contains(&mark) && json.contains("has begun"));
        assert!(holds(&daemon, tank), "{tank}");
    }
    world.publish("slackwater/ask", "force heater on");
    for tank in ["lagoon", "tub"] {
        world.wait_for(&format!("slackwater/{tank}/answer"), seconds(5), |json| json.contains("asked of one tank"));
    }
}

#[test]
fn what_is_one_tank_s_business_is_not_asked_of_all() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let daemon = start(&broker);
    world.settle(24.2);
    for (body, code) in [
        (r#"{"do":"force","output":"heater","to":"on"}"#, 409),
        (r#"{"do":"hodl","procedure":"water-change"}"#, 422),
        (r#"{"do":"hold","procedure":"water-chage"}"#, 422),
        ("hold water-change", 400),
    ] {
        let agent: ureq::Agent = ureq::Agent::config_builder().http_status_as_error(false).build().into();
        let post = agent.post(format!("{}/api/v1/ask", daemon.url)).header("Content-Type", "application/json");
        let mut answer = post.send(body).unwrap();
        let said = answer.body_mut().read_to_string().unwrap();
        assert_eq!(answer.status().as_u16(), code, "{body}: {said}");
    }
    assert!(!holds(&daemon, "lagoon") && !holds(&daemon, "tub"));
    let misuse = daemon.ask(&["hold", "water-change", "--all", "--tank", "tub"]);
    assert_eq!(misuse.status.code(), Some(2), "{}", text(&misuse));
}

//! The daemon against a real Mosquitto: probes in, decisions, proven plugs out.
#![allow(clippy::disallowed_methods, reason = "a test of the outside world waits and connects")]

mod common;

use std::process::Command;
use std::time::{Duration, Instant};

use common::{BINARY, Broker, Config, Daemon, Receiver, World, seconds, text, wait_until};

fn heater_is_on(world: &World) {
    world.wait_for("lagoon/heater/set", seconds(10), |payload| payload == r#"{"on":true,"for":180}"#);
}

#[test]
fn a_cold_tank_is_heated_by_a_leased_command_that_expires_and_is_proven() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let daemon = Daemon::start(&Config::new(&broker));
    assert_eq!(world.last("slackwater/online").as_deref(), Some("true"));
    world.settle(24.2);
    let command = world.wait_for("lagoon/heater/set", seconds(10), |payload| payload == r#"{"on":true,"for":180}"#);
    assert!(!command.retain);
    let expiry = command.properties.and_then(|properties| properties.message_expiry_interval);
    assert!(expiry.is_some_and(|seconds| (1..=60).contains(&seconds)), "{expiry:?}");
    let proven_on = [r#""commanded":"on""#, r#""proof":"proven""#];
    world.wait_for("slackwater/lagoon/output/heater", seconds(5), |json| {
        proven_on.iter().all(|part| json.contains(part))
    });
    assert_eq!(world.last_json("slackwater/lagoon/reading/water-temp")["value"], 24.2);
    let explained = daemon.ask(&["explain", "heater"]);
    assert!(text(&explained).contains("> loop"), "{}", text(&explained));
    assert_eq!(daemon.metric(r#"slackwater_output_proven{tank="lagoon",output="heater"}"#), Some(1.0));
    assert_eq!(daemon.metric(r#"slackwater_temperature_celsius{tank="lagoon",signal="water-temp"}"#), Some(24.2));
    assert_eq!(daemon.stop(), Some(0));
    world.wait_for("slackwater/online", seconds(5), |payload| payload == "false");
}

#[test]
fn a_hot_tank_trips_the_heater_off_until_it_is_cool_and_reset() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let receiver = Receiver::start();
    let mut config = Config::new(&broker);
    config.extra = format!("notify:\n  phone: {{ webhook: {{ url: \"http://127.0.0.1:{}/\" }} }}", receiver.port);
    config.write();
    let daemon = Daemon::start(&config);
    world.settle(24.2);
    heater_is_on(&world);
    world.forget();
    world.temperature(26.4);
    world.wait_for("lagoon/heater/set", seconds(5), |payload| payload == "OFF");
    wait_until("the webhook hears of the trip", seconds(10), || {
        receiver.bodies().iter().any(|body| body.contains("heater-cutoff-trip") && body.contains("raised"))
    });
    world.wait_for("slackwater/lagoon/alarm/heater-cutoff-trip", seconds(5), |json| json.contains(r#""active":true"#));
    let refused = daemon.ask(&["reset", "heater-cutoff"]);
    assert_eq!(refused.status.code(), Some(1), "{}", text(&refused));
    world.settle(25.0);
    wait_until("the reset is taken", seconds(10), || daemon.ask(&["reset", "heater-cutoff"]).status.code() == Some(0));
    assert_eq!(
        daemon.metric(r#"slackwater_interlock_state{tank="lagoon",interlock="heater-cutoff",state="armed"}"#),
        Some(1.0)
    );
}

#[test]
fn a_hold_is_answered_when_each_pause_is_proven_and_says_that_it_is_no_isolation() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let daemon = Daemon::start(&Config::new(&broker));
    world.settle(24.2);
    heater_is_on(&world);
    let held = daemon.ask(&["hold", "water-change"]);
    let said = text(&held);
    assert_eq!(held.status.code(), Some(0), "{said}");
    assert!(said.contains("every pause is proven") && said.contains("not isolation"), "{said}");
    assert!(said.contains("heater") && said.contains("skimmer"), "{said}");
    assert_eq!(world.last("lagoon/heater/set").as_deref(), Some("OFF"));
    assert_eq!(world.last("lagoon/skimmer/set").as_deref(), Some("0"));
    let refused = daemon.ask(&["force", "heater", "on"]);
    assert_eq!(refused.status.code(), Some(1), "{}", text(&refused));
    world.settle(24.2);
    let released = daemon.ask(&["release"]);
    assert_eq!(released.status.code(), Some(0), "{}", text(&released));
    world.wait_for("lagoon/skimmer/set", seconds(5), |payload| payload == "1");
}

#[test]
fn new_water_that_is_not_understood_or_not_bearable_releases_nothing() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let daemon = Daemon::start(&Config::new(&broker));
    world.settle(24.2);
    assert_eq!(daemon.ask(&["hold", "water-change"]).status.code(), Some(0));
    world.settle(24.2);
    for (litres, temperature, words, code) in
        [("9", "24 °C", "9", 1), ("9 L", "24", "24", 2), ("30 L", "14 °C", "too much at once", 1)]
    {
        let said = daemon.ask(&["release", "--litres", litres, "--temperature", temperature]);
        assert_eq!(said.status.code(), Some(code), "{}", text(&said));
        assert!(text(&said).contains(words), "{}", text(&said));
        assert_eq!(daemon.status()["holds"][0]["active"], true, "{litres}, {temperature}");
    }
    let released = daemon.ask(&["release", "--litres", "9 L", "--temperature", "24 °C"]);
    assert_eq!(released.status.code(), Some(0), "{}", text(&released));
    assert!(text(&released).contains("9.0 L of new water"), "{}", text(&released));
    assert_eq!(daemon.status()["holds"][0]["active"], false);
}

#[test]
fn a_pause_that_is_not_proven_is_named_and_is_no_success() {
    let broker = Broker::start();
    let world = World::without_plugs(&broker);
    let daemon = Daemon::start(&Config::new(&broker));
    world.settle(24.2);
    let held = daemon.ask(&["hold", "water-change", "--json"]);
    assert_eq!(held.status.code(), Some(1), "{}", text(&held));
    let answer: serde_json::Value = serde_json::from_slice(&held.stdout).unwrap();
    assert_eq!(answer["outcome"], "not-proven");
    assert!(answer["details"].to_string().contains("skimmer"), "{answer}");
    assert!(answer["caution"].is_string());
}

#[test]
fn a_wall_button_holds_by_a_bare_word_and_hears_the_answer_where_it_wants_it() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let daemon = Daemon::start(&Config::new(&broker));
    world.settle(24.2);
    world.publish("slackwater/lagoon/ask", "hold water-change");
    let answer = world.wait_for("slackwater/lagoon/answer", seconds(15), |json| json.contains("water-change"));
    assert!(!answer.retain);
    assert!(String::from_utf8_lossy(&answer.payload).contains("not isolation"));
    assert_eq!(daemon.status()["holds"][0]["active"], true);
    world.ask_with_reply("slackwater/lagoon/ask", r#"{"do":"hodl"}"#, "button/7/answer", b"mark-7");
    let answer = world.wait_for("button/7/answer", seconds(5), |json| json.contains("did you mean `hold`?"));
    let mark = answer.properties.and_then(|properties| properties.correlation_data);
    assert_eq!(mark.as_deref(), Some(&b"mark-7"[..]));
    assert!(String::from_utf8_lossy(&answer.payload).contains("known: release"));
    // An answer is never published where it would be a command to a plug.
    world.ask_with_reply("slackwater/lagoon/ask", "explode", "lagoon/heater/set", b"x");
    world.wait_for("slackwater/lagoon/answer", seconds(5), |json| json.contains("explode"));
    assert!(world.messages("lagoon/heater/set").iter().all(|publish| publish.payload.len() < 30));
}

#[test]
fn a_retained_request_is_never_carried_out() {
    let broker = Broker::start();
    let world = World::new(&broker);
    world.publish_retained("slackwater/lagoon/ask", "hold water-change");
    let daemon = Daemon::start(&Config::new(&broker));
    world.wait_for("slackwater/lagoon/answer", seconds(10), |json| json.contains("retained request"));
    assert_eq!(daemon.status()["holds"][0]["active"], false);
    let alarms = daemon.json("/api/v1/tanks")["daemon_alarms"].to_string();
    assert!(alarms.contains("kept-request"), "{alarms}");
    assert_eq!(daemon.metric(r#"slackwater_daemon_alarm_active{alarm="kept-request"}"#), Some(1.0));
}

#[test]
fn garbage_is_a_bad_reading_with_its_reason_and_nothing_else() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let daemon = Daemon::start(&Config::new(&broker));
    world.settle(24.8);
    for payload in [
        &b"{\"t\":NaN}"[..],
        b"{\"t\":1e999}",
        b"{\"t\":\"77 \xc2\xb0F\"}",
        b"{\"t\":\"24,8\"}",
        b"{\"t\":null}",
        b"{\"x\":1}",
        b"{\"t\":",
        b"\xff\xfe",
        b"",
    ] {
        world.publish("lagoon/temp", payload);
    }
    world.publish("lagoon/temp", vec![b'9'; 1 << 20]);
    world.publish("lagoon/heater/relay", "perhaps");
    let counted = |reason: &str| daemon.metric(&format!("slackwater_mqtt_decode_errors_total{{reason=\"{reason}\"}}"));
    wait_until("each is counted by its reason", seconds(10), || {
        [
            ("not-json", 2.0),
            ("not-finite", 1.0),
            ("wrong-unit", 1.0),
            ("decimal-comma", 1.0),
            ("not-a-number", 1.0),
            ("no-such-field", 1.0),
            ("not-text", 1.0),
            ("empty", 1.0),
            ("too-large", 1.0),
            ("unknown-word", 1.0),
        ]
        .iter()
        .all(|(reason, count)| counted(reason) == Some(*count))
    });
    assert_eq!(daemon.metric(r#"slackwater_mqtt_connects_total{result="accepted"}"#), Some(1.0), "no reconnect");
    wait_until("the probe is good", seconds(10), || {
        daemon.metric(r#"slackwater_signal_valid{tank="lagoon",signal="water-temp"}"#) == Some(1.0)
    });
}

#[test]
fn after_a_broker_was_killed_and_came_back_control_resumes() {
    let mut broker = Broker::start();
    let world = World::new(&broker);
    let daemon = Daemon::start(&Config::new(&broker));
    world.settle(24.2);
    heater_is_on(&world);
    broker.kill();
    wait_until("the loss is noticed", seconds(10), || !daemon.is_ready());
    assert_eq!(daemon.fetch("/healthz").map(|(code, _)| code), Some(200), "alive without a broker");
    // What was decided meanwhile is told by the newest decision only.
    let held = daemon.ask(&["hold", "water-change"]);
    assert_eq!(held.status.code(), Some(1), "nothing can be proven: {}", text(&held));
    world.forget();
    broker.restart();
    daemon.wait_ready();
    wait_until("the newest decision is told again", seconds(15), || {
        world.count("lagoon/heater/set") > 0 || world.count("lagoon/skimmer/set") > 0
    });
    std::thread::sleep(seconds(1));
    assert!(world.messages("lagoon/heater/set").iter().all(|publish| publish.payload.as_ref() == b"OFF"));
}

#[test]
fn a_daemon_that_was_killed_in_a_hold_comes_back_into_it_with_the_same_deadline() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let config = Config::new(&broker);
    let daemon = Daemon::start(&config);
    world.settle(24.2);
    assert_eq!(daemon.ask(&["hold", "water-change"]).status.code(), Some(0));
    let before = daemon.status()["holds"][0].clone();
    daemon.kill();
    world.wait_for("slackwater/online", seconds(10), |payload| payload == "false");
    world.forget();
    std::thread::sleep(seconds(1));
    let daemon = Daemon::start(&config);
    let after = daemon.status()["holds"][0].clone();
    assert_eq!(after["active"], true);
    let until = |hold: &serde_json::Value| hold["until"].as_i64().expect("a deadline");
    assert!((until(&before) - until(&after)).abs() < 1000, "{before} {after}");
    world.settle(24.2);
    std::thread::sleep(seconds(1));
    assert!(world.messages("lagoon/heater/set").iter().all(|publish| publish.payload.as_ref() == b"OFF"));
    assert!(world.messages("lagoon/skimmer/set").iter().all(|publish| publish.payload.as_ref() == b"0"));
}

#[test]
fn a_second_daemon_refuses_and_leaves_the_first_alone() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let config = Config::new(&broker);
    let first = Daemon::start(&config);
    let mut same_data = Daemon::launch(&config);
    assert_eq!(same_data.end_within(seconds(10)), Some(1));
    assert!(same_data.log_text().contains("another daemon (process"), "{}", same_data.log_text());
    // The same client id from another machine, as it were.
    let other = Config::new(&broker);
    let begun = Instant::now();
    let mut same_id = Daemon::launch(&other);
    assert_eq!(same_id.end_within(seconds(10)), Some(1));
    assert!(begun.elapsed() < seconds(10));
    assert!(same_id.log_text().contains("is at work at this broker"), "{}", same_id.log_text());
    assert_eq!(first.metric(r#"slackwater_mqtt_connects_total{result="accepted"}"#), Some(1.0), "never thrown out");
    assert_eq!(world.count("slackwater/online"), 1);
}

#[test]
fn a_client_that_takes_our_id_is_noticed_and_said_so() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let daemon = Daemon::start(&Config::new(&broker));
    // It comes back whenever it is thrown out, as any client does: neither can work.
    let mut options = rumqttc::v5::MqttOptions::new("keeper", "127.0.0.1", broker.port);
    options.set_keep_alive(seconds(5));
    let (client, mut connection) = rumqttc::v5::Client::new(options, 10);
    let stop = std::sync::Arc::new(std::sync::atomic::AtomicBool::new(false));
    let stopped = std::sync::Arc::clone(&stop);
    std::thread::spawn(move || {
        for event in connection.iter() {
            match event {
                _ if stopped.load(std::sync::atomic::Ordering::Relaxed) => break,
                Ok(_) => {}
                Err(_) => std::thread::sleep(Duration::from_millis(200)),
            }
        }
    });
    wait_until("an alarm is raised", seconds(20), || {
        let raised =
            |alarm| daemon.metric(&format!("slackwater_daemon_alarm_active{{alarm=\"{alarm}\"}}")) == Some(1.0);
        raised("second-daemon") || raised("broker-unsteady")
    });
    wait_until("the log says it", seconds(10), || daemon.log_text().contains("our client id"));
    stop.store(true, std::sync::atomic::Ordering::Relaxed);
    drop((client, world));
}

#[test]
fn a_reload_takes_a_sound_config_and_refuses_another() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let config = Config::new(&broker);
    let daemon = Daemon::start(&config);
    world.settle(24.2);
    heater_is_on(&world);
    config.write_tank("lagoon", &common::LAGOON.replace("target: 25.0 °C", "target: 25.0 quaver"));
    daemon.signal("HUP");
    wait_until("the bad config is refused", seconds(10), || {
        daemon.metric("slackwater_config_last_reload_successful") == Some(0.0)
    });
    assert!(daemon.is_ready(), "the old config goes on");
    let why = daemon.json("/api/v1/tanks")["reload_refused"].to_string();
    assert!(why.contains("quaver"), "{why}");
    let probes = "floor-leak: {";
    let second =
        "sump-temp: { measures: temperature, topic: lagoon/sump, unit: °C, stale_after: 3 s }\n  floor-leak: {";
    config.write_tank("lagoon", &common::LAGOON.replace(probes, second));
    daemon.signal("HUP");
    wait_until("the sound config is taken", seconds(10), || {
        daemon.metric("slackwater_config_last_reload_successful") == Some(1.0)
    });
    daemon.wait_ready();
    wait_until("the new topic is heard", seconds(10), || {
        world.publish("lagoon/sump", "24.5");
        std::thread::sleep(Duration::from_millis(200));
        daemon.metric(r#"slackwater_temperature_celsius{tank="lagoon",signal="sump-temp"}"#) == Some(24.5)
    });
    // The old probe's readings were kept: nothing had to settle anew.
    assert_eq!(daemon.metric(r#"slackwater_temperature_celsius{tank="lagoon",signal="water-temp"}"#), Some(24.2));
}

#[test]
fn the_live_metrics_pass_the_stack_s_own_check() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let daemon = Daemon::start(&Config::new(&broker));
    world.settle(24.2);
    let (code, metrics) = daemon.fetch("/metrics").unwrap();
    assert_eq!(code, 200);
    common::promtool_finds_nothing(&metrics);
}

#[test]
fn an_encrypted_broker_with_a_password_is_used_by_files() {
    let broker = Broker::with(
        "allow_anonymous false\npassword_file {dir}/passwords\ncafile {dir}/ca.pem\ncertfile {dir}/server.pem\nkeyfile {dir}/server.key\n",
        |dir| {
            let openssl = |arguments: &str| {
                let made = Command::new("openssl").args(arguments.split(' ')).current_dir(dir).output().unwrap();
                assert!(made.status.success(), "{}", text(&made));
            };
            openssl(
                "req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=invented-authority -keyout ca.key -out ca.pem",
            );
            openssl("req -newkey rsa:2048 -nodes -subj /CN=localhost -keyout server.key -out server.csr");
            std::fs::write(dir.join("names"), "subjectAltName=DNS:localhost,IP:127.0.0.1\n").unwrap();
            openssl(
                "x509 -req -in server.csr -CA ca.pem -CAkey ca.key -CAcreateserial -days 2 -extfile names -out server.pem",
            );
            let made = Command::new("mosquitto_passwd")
                .args(["-c", "-b", "passwords", "tide", "slack-and-ebb"])
                .current_dir(dir)
                .output()
                .unwrap();
            assert!(made.status.success(), "{}", text(&made));
        },
    );
    let mut config = Config::new(&broker);
    std::fs::write(config.dir.path().join("password"), "slack-and-ebb\n").unwrap();
    config.broker = format!(
        "host: localhost, port: {}, client_id: keeper, keep_alive: 5 s, user: tide, password_file: {}, tls: {{ ca_file: {} }}",
        broker.port,
        config.dir.path().join("password").display(),
        broker.dir().join("ca.pem").display()
    );
    config.write();
    let daemon = Daemon::start(&config);
    assert_eq!(daemon.json("/api/v1/tanks")["broker"], true);
    drop(daemon);
    std::fs::write(config.dir.path().join("password"), "wrong\n").unwrap();
    let refused = Daemon::launch(&config);
    wait_until("the refusal is said", seconds(10), || refused.log_text().contains("the broker refused the connection"));
    assert!(!refused.is_ready());
}

#[test]
fn somebody_else_s_command_is_noticed_and_undone_where_it_is_unsafe() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let daemon = Daemon::start(&Config::new(&broker));
    world.settle(25.5);
    world.wait_for("lagoon/heater/set", seconds(10), |payload| payload == "OFF");
    std::thread::sleep(Duration::from_millis(300));
    world.forget();
    world.publish("lagoon/heater/set", "ON");
    world.wait_for("lagoon/heater/set", seconds(10), |payload| payload == "OFF");
    assert_eq!(daemon.metric(r#"slackwater_mqtt_messages_received_total{kind="command"}"#), Some(1.0), "not our own");
}

#[test]
fn the_api_answers_only_those_who_ask_properly() {
    let broker = Broker::start();
    let daemon = Daemon::start(&Config::new(&broker));
    let agent: ureq::Agent = ureq::Agent::config_builder().http_status_as_error(false).build().into();
    let ask = format!("{}/api/v1/tanks/lagoon/ask", daemon.url);
    let post = |kind: &str, origin: Option<&str>, body: &str| {
        let mut request = agent.post(&ask).header("Content-Type", kind);
        if let Some(origin) = origin {
            request = request.header("Origin", origin);
        }
        request.send(body).unwrap().status().as_u16()
    };
    let reset = r#"{"do":"reset"}"#;
    assert_eq!(post("application/json", None, reset), 200);
    assert_eq!(post("application/json", Some(&daemon.url), reset), 200);
    assert_eq!(post("application/json", Some("http://evil.example"), reset), 403);
    assert_eq!(post("text/plain", None, reset), 415);
    assert_eq!(post("application/json", None, &"x".repeat(100_000)), 413);
    assert_eq!(post("application/json", None, r#"{"do":"explode"}"#), 422);
    let rebound = agent.get(format!("{}/api/v1/tanks", daemon.url)).header("Host", "evil.example").call().unwrap();
    assert_eq!(rebound.status().as_u16(), 421);
    let (code, body) = daemon.fetch("/api/v1/tanks/lagun/status").unwrap();
    assert_eq!(code, 404);
    assert!(body.contains("did you mean `lagoon`?"), "{body}");
    let (code, body) = daemon.fetch("/api/v1/tanks/lagoon/explain/heatr").unwrap();
    assert!(code == 404 && body.contains("did you mean `heater`?"), "{body}");
}

#[test]
fn a_command_says_by_its_exit_code_what_went_wrong() {
    let nobody = Command::new(BINARY).args(["status", "--url", "http://127.0.0.1:9"]).output().unwrap();
    assert_eq!(nobody.status.code(), Some(3), "{}", text(&nobody));
    assert!(text(&nobody).contains("is it running"), "{}", text(&nobody));
    let misuse = Command::new(BINARY).args(["force", "heater", "sideways"]).output().unwrap();
    assert_eq!(misuse.status.code(), Some(2), "{}", text(&misuse));
    let broker = Broker::start();
    let config = Config::new(&broker);
    config.write_tank("reef", &common::LAGOON.replace("lagoon/", "reef/"));
    let daemon = Daemon::start(&config);
    let unclear = daemon.ask(&["hold", "water-change"]);
    assert_eq!(unclear.status.code(), Some(1), "{}", text(&unclear));
    assert!(text(&unclear).contains("lagoon, reef"), "{}", text(&unclear));
    assert_eq!(daemon.status()["holds"][0]["active"], false, "nothing was done");
    let named = daemon.ask(&["status", "--tank", "reef"]);
    assert_eq!(named.status.code(), Some(0), "{}", text(&named));
    let unsound = Config::new(&broker);
    unsound.write_tank("lagoon", "tank: {}");
    let mut never = Daemon::launch(&unsound);
    assert_eq!(never.end_within(seconds(10)), Some(1), "a config error never starts half a daemon");
}

/// Measured: 4.6 MiB in a debug build. The list of calculations, copied once a route, once made it 40.
const OWN_MEMORY: f64 = 7.0;

#[test]
fn a_daemon_of_one_tank_takes_few_mebibytes_for_itself() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let daemon = Daemon::start(&Config::new(&broker));
    world.settle(24.2);
    heater_is_on(&world);
    for path in ["/metrics", "/", "/api/v1/calc"] {
        assert!(daemon.fetch(path).is_some_and(|(code, _)| code == 200), "{path}");
        let own = daemon.anonymous_mebibytes();
        assert!(own < OWN_MEMORY, "{own:.1} MiB after {path}");
    }
}

//! Proof tests and bypasses of a real daemon: broker, channels, command line, kills. Demo data are invented.
#![allow(clippy::disallowed_methods, reason = "a test of the outside world waits, connects and kills processes")]

mod common;
#[path = "common/smtp.rs"]
mod smtp;

use std::io::{Read as _, Write as _};

use common::{Broker, Config, Daemon, Receiver, World, seconds, text, wait_until};
use smtp::{MailServer, Manners};

/// The small lagoon, with a pump that animals breathe by and an interlock that may be set aside.
fn lagoon() -> String {
    common::LAGOON
        .replace(
            "temperature: {",
            "  return-pump:
    kind: return-pump
    # No rest after an off: each test of a break would wait for it.
    least_off: 1 s
    plug:
      command: { topic: lagoon/return/set, on: \"1\", off: \"0\" }
      report: { topic: lagoon/return/relay, on: \"1\", off: \"0\" }
      prove_within: 60 s
  bubbles:
    kind: other
    rest: on
    plug:
      command: { topic: lagoon/bubbles/set, on: \"1\", off: \"0\" }
      report: { topic: lagoon/bubbles/relay, on: \"1\", off: \"0\" }
temperature: {",
        )
        .replace(
            "holds:",
            "  too-warm-for-bubbles:
    cause: { signal: water-temp, over: 25.5 °C, lasting: 1 s, unknown: ignored }
    effect: { off: [bubbles] }
    consequence: It foams over.
    action: Look.
holds:",
        )
}

fn config(broker: &Broker, channels: &str) -> Config {
    let mut config = Config::new(broker);
    config.write_tank("lagoon", &lagoon());
    channels.clone_into(&mut config.extra);
    config.write();
    config
}

fn say(daemon: &Daemon, arguments: &[&str], code: i32) -> String {
    let said = daemon.ask(arguments);
    assert_eq!(said.status.code(), Some(code), "{arguments:?}: {}\n{}", text(&said), daemon.log_text());
    text(&said)
}

fn session(daemon: &Daemon) -> serde_json::Value {
    daemon.status()["proofs"]["session"].clone()
}

fn code_in(text: &str) -> String {
    let (_, rest) = text.split_once("type ").expect("a test message");
    rest.chars().take_while(char::is_ascii_digit).collect()
}

#[test]
fn a_code_by_webhook_by_mail_or_by_topic_proves_the_way_of_the_alarms() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let hook = Receiver::start();
    let mail = MailServer::start(Manners { tls: None, login: None });
    let channels = format!(
        "notify:\n  phone: {{ webhook: {{ url: \"http://127.0.0.1:{}/hook\" }} }}\n  \
         letter: {{ mail: {{ host: 127.0.0.1, port: {}, tls: none, from: tank@mail.invalid, to: [keeper@mail.invalid] }} }}\n  \
         siren: {{ topic: {{ topic: house/siren }}, least_priority: urgent }}\n",
        hook.port, mail.port
    );
    let config = config(&broker, &channels);
    let daemon = Daemon::start(&config);
    world.settle(24.8);
    for channel in ["phone", "letter", "siren"] {
        say(&daemon, &["prove", "alarm-path", "--say", "begin", "--by", "Ana"], 0);
        let asked = say(&daemon, &["prove", "--say", "ready"], 0);
        assert!(asked.contains("phone (webhook), letter (mail), siren (topic)"), "{asked}");
        let arrived = || match channel {
            "phone" => hook.bodies().into_iter().rev().find(|body| body.contains("TEST, no alarm")),
            "letter" => {
                let letters = mail.received();
                letters.into_iter().rev().map(|letter| letter.data).find(|data| data.contains("TEST, no alarm"))
            }
            _ => world.last("house/siren").filter(|text| text.contains("TEST, no alarm")),
        };
        let number = if channel == "phone" { 1 } else { 2 };
        wait_until(&format!("the message came by {channel}"), seconds(20), || arrived().is_some());
        // The newest one: the others of earlier rounds carry other codes.
        let mut code = code_in(&arrived().unwrap());
        wait_until("its code counts", seconds(20), || {
            code = code_in(&arrived().unwrap());
            let said = daemon.ask(&["prove", "--say", "yes", "--code", &code]);
            std::thread::sleep(seconds(u64::from(number == 2)));
            said.status.code() == Some(0)
        });
        let proofs = daemon.status()["proofs"]["proofs"].clone();
        let path = proofs.as_array().unwrap().iter().find(|one| one["of"] == "alarm-path").unwrap().clone();
        assert_eq!(path["state"], "proven", "{path}");
        assert!(path["text"].as_str().unwrap().contains(&format!("came by {channel} (")), "{path}");
        assert!(path["by"].as_str().unwrap().starts_with("Ana"), "{path}");
        let series =
            |what: &str| format!("slackwater_proof_test_{what}{{tank=\"lagoon\",of=\"alarm-path\",check=\"arrives\"}}");
        let proven = daemon.metric(&series("last_success_timestamp_seconds")).unwrap();
        let due = daemon.metric(&series("due_timestamp_seconds")).unwrap();
        assert!(proven > 1.7e9 && ((due - proven) / 86_400.0 - 35.0).abs() < 1e-6, "{proven} {due}");
        assert_eq!(daemon.metric(&series("failed")), Some(0.0));
    }
    assert_eq!(daemon.stop(), Some(0));
}

/// How somebody goes away from a terminal.
#[derive(Clone, Copy, Debug)]
enum At {
    CtrlC,
    ClosedTerminal,
}

/// Somebody at a terminal, made by `script` of Debian's bsdutils, which every Debian has.
struct Person {
    child: std::process::Child,
    hands: std::process::ChildStdin,
    eyes: std::process::ChildStdout,
    read: String,
}

impl Person {
    fn prove(daemon: &Daemon, what: &str) -> Self {
        let command = format!("{} prove '{what}' --by Ana --url {}", env!("CARGO_BIN_EXE_slackwater"), daemon.url);
        let mut child = std::process::Command::new("script")
            .args(["--quiet", "--flush", "--return", "--command", &command, "/dev/null"])
            .stdin(std::process::Stdio::piped())
            .stdout(std::process::Stdio::piped())
            .spawn()
            .expect("script of bsdutils");
        let (hands, eyes) = (child.stdin.take().unwrap(), child.stdout.take().unwrap());
        Self { child, hands, eyes, read: String::new() }
    }

    /// Reads until this stands there.
    fn until(&mut self, text: &str) {
        let mut some = [0; 256];
        while !self.read.contains(text) {
            let count = self.eyes.read(&mut some).unwrap();
            assert!(count > 0, "{text} never came: {}", self.read);
            self.read.push_str(&String::from_utf8_lossy(&some[..count]));
        }
    }

    fn types(&mut self, keys: &str) {
        self.hands.write_all(keys.as_bytes()).unwrap();
        self.hands.flush().unwrap();
    }

    fn leaves(mut self, how: At) {
        match how {
            At::CtrlC => {
                self.types("\u{3}");
                self.until("goes on with it");
                assert_eq!(self.child.wait().unwrap().code(), Some(130));
            }
            // The terminal's own end goes, as when a window is closed.
            At::ClosedTerminal => {
                self.child.kill().unwrap();
                self.child.wait().unwrap();
            }
        }
    }
}

/// Whatever breaks a step off (a word, a person who leaves, a kill, a lost broker): the pump runs again.
#[test]
fn a_step_that_is_broken_off_leaves_no_pump_off() {
    let mut broker = Broker::start();
    // The plug says nothing of its off, so that the step waits for it.
    let world = World::without_plugs(&broker);
    let config = config(&broker, "");
    let mut daemon = Daemon::start(&config);
    world.settle(24.8);
    let last = || world.last("lagoon/return/set");
    wait_until("the pump is told on", seconds(20), || last().as_deref() == Some("1"));
    let begin = |daemon: &Daemon| {
        wait_until("a session begins", seconds(40), || {
            world.publish("lagoon/return/relay", "1");
            daemon.ask(&["prove", "return-pump switches", "--say", "begin", "--by", "Ana"]);
            daemon.ask(&["prove", "--say", "ready"]).status.code() == Some(0)
        });
        wait_until("the pump is told off for the test", seconds(20), || last().as_deref() == Some("0"));
    };
    let on_again = |how: &str| {
        wait_until(&format!("on again after {how}"), seconds(30), || last().as_deref() == Some("1"));
    };
    begin(&daemon);
    say(&daemon, &["prove", "--say", "stop"], 0);
    on_again("stop");
    assert!(session(&daemon).is_null());

    begin(&daemon);
    say(&daemon, &["prove", "--say", "skip"], 0);
    on_again("skip");

    begin(&daemon);
    say(&daemon, &["prove", "--say", "leave"], 0);
    on_again("leave");
    say(&daemon, &["prove", "--say", "stop"], 0);

    for how in [At::CtrlC, At::ClosedTerminal] {
        let mut person = Person::prove(&daemon, "return-pump switches");
        person.until("Enter, s or q: ");
        world.publish("lagoon/return/relay", "1");
        person.types("\n");
        wait_until("the pump is told off for the test", seconds(20), || last().as_deref() == Some("0"));
        person.leaves(how);
        // Not at the end of the step's five minutes.
        on_again("a person who goes away in the middle of a step");
        assert_eq!(session(&daemon)["stage"], "ready", "{how:?}");
        say(&daemon, &["prove", "--say", "stop"], 0);
    }

    begin(&daemon);
    // So that its session is on the disk.
    std::thread::sleep(seconds(2));
    daemon.kill();
    world.forget();
    daemon = Daemon::start(&config);
    on_again("a kill");
    let goes_on = session(&daemon);
    assert_eq!(goes_on["of"], "return-pump", "it is resumed: {goes_on}");
    assert!(goes_on["said"].as_str().unwrap().contains("broken off by a restart"), "{goes_on}");
    say(&daemon, &["prove", "--say", "stop"], 0);

    begin(&daemon);
    broker.kill();
    broker.restart();
    on_again("a lost broker");
    let forces = daemon.status()["outputs"].as_array().unwrap().iter().filter(|one| !one["force"].is_null()).count();
    assert_eq!(forces, 0);
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn a_bypass_stands_in_status_journal_and_metrics_and_none_exists_for_a_cut_off_or_a_leak() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let config = config(&broker, "");
    let daemon = Daemon::start(&config);
    world.settle(24.8);
    let refused = say(&daemon, &["bypass", "heater-cutoff", "--reason", "the probe is broken"], 1);
    assert!(refused.contains("never bypassed") && refused.contains("thermometer"), "{refused}");
    let name = "too-warm-for-bubbles";
    let refused = say(&daemon, &["bypass", name, "--reason", "-"], 1);
    assert!(refused.contains("needs its reason"), "{refused}");
    say(&daemon, &["bypass", name, "--reason", "its foam is wanted", "--lasting", "2h"], 0);
    let bypassed = format!("slackwater_interlock_bypassed{{tank=\"lagoon\",interlock=\"{name}\"}}");
    assert_eq!(daemon.metric(&bypassed), Some(1.0));
    let expires = daemon.metric(&bypassed.replace("bypassed", "bypass_expiry_timestamp_seconds")).unwrap();
    assert!(expires > 1.7e9, "{expires}");
    let of = |status: &serde_json::Value| {
        let interlocks = status["interlocks"].as_array().unwrap();
        interlocks.iter().find(|one| one["interlock"] == name).unwrap().clone()
    };
    let shown = of(&daemon.status());
    assert_eq!(shown["state"], "bypassed", "{shown}");
    assert_eq!(shown["bypass"]["reason"], "its foam is wanted", "{shown}");
    assert!(say(&daemon, &["status"], 0).contains("its foam is wanted"));
    wait_until("everybody on the broker sees it", seconds(10), || {
        world.last_json("slackwater/lagoon/status")["bypassed"][0] == name
    });
    // Its cause comes: it is seen, and forces nothing.
    world.temperature(25.7);
    wait_until("the cause stands", seconds(15), || of(&daemon.status())["bypass"]["cause_stands"] == true);
    assert_ne!(world.last("lagoon/bubbles/set").as_deref(), Some("0"));
    say(&daemon, &["bypass", name, "--end"], 0);
    world.wait_for("lagoon/bubbles/set", seconds(10), |payload| payload == "0");
    assert_eq!(daemon.stop(), Some(0));
    let files = std::fs::read_dir(config.path().join("data")).unwrap();
    let kept = files.map(|file| String::from_utf8_lossy(&std::fs::read(file.unwrap().path()).unwrap()).into_owned());
    let kept: Vec<String> = kept.collect();
    for part in ["bypassed by", "its foam is wanted", "bypass ended by"] {
        assert!(kept.iter().any(|file| file.contains(part)), "{part} is not in the journal");
    }
}

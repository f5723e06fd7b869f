//! `slackwater listen --draft` on a real Mosquitto, beside the simulated home of the example: what the draft says, what
//! `check` asks of it, and that it is the example's bindings once a keeper has answered.
#![allow(clippy::disallowed_methods, reason = "a test of the outside world waits and connects")]

mod common;
#[path = "common/staged.rs"]
mod staged;

use std::path::Path;
use std::process::{Command, Output};
use std::time::{Duration, Instant};

use common::{Broker, World, text};
use slackwater::cli::model::model;
use slackwater::config::{Files, TankSetup, understand};
use slackwater::sim::{self, Model, Surroundings};
use slackwater::time::{Now, Span, Steady, Wall};

fn program(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_slackwater")).args(arguments).output().expect("the program runs")
}

/// The example's home speaks for a while, and somebody switches its plugs by hand.
fn live(world: &World, tanks: &[TankSetup], lasts: Duration) {
    let models: Vec<Model<'_>> = tanks.iter().map(model).collect();
    let start = Now { steady: Steady::from_millis(0), wall: Wall::from_unix_millis(1_780_293_600_000) };
    let mut home = sim::World::new(&models, 1, Surroundings::default(), start);
    let until = Instant::now() + lasts;
    let mut now = start;
    while Instant::now() < until {
        for sent in home.advance(now) {
            let (topic, payload) = (sent.message.topic.to_string(), sent.message.payload);
            if sent.message.retained {
                world.publish_retained(&topic, payload);
            } else {
                world.publish(&topic, payload);
            }
        }
        for plug in &tanks[0].bindings.plugs {
            for payload in [&plug.command.off, &plug.command.on] {
                world.publish(&plug.command.topic, payload.as_bytes());
            }
            if let Some(lease) = &plug.lease {
                world.publish(&plug.command.topic, lease.payload.replace("{seconds}", "180"));
            }
        }
        now = Now { steady: now.steady.after(Span::from_seconds(20)), wall: now.wall.after(Span::from_seconds(20)) };
        std::thread::sleep(Duration::from_millis(250));
    }
}

/// What a keeper writes into the places that nobody can guess; all guesses are right here.
fn answered(draft: &str) -> String {
    let mut of = String::new();
    let mut out = String::new();
    for line in draft.lines() {
        let (kept, mark) = line.split_once("   # CHECK:").unwrap_or((line, ""));
        out.push_str(kept);
        let key = kept.trim();
        if kept.starts_with("  ") && !kept.starts_with("   ") {
            key.trim_end_matches(':').clone_into(&mut of);
        }
        if !mark.is_empty() && key.ends_with(':') {
            out.push_str(match (key, &*of) {
                ("display:", _) => " 70 L",
                ("sump:", _) => " 22 L",
                ("water_per_mm:", _) => " 37.5 mL",
                ("proven_over:", _) => " 300 L/h",
                ("rating:", "heater") => " 100 W",
                ("rating:", _) => " 10 W",
                ("delivers:", "top-off") => " 500 mL/min",
                ("delivers:", _) => " 5 mL/min",
                ("reservoir:", _) => " 9 L",
                other => panic!("nobody answers {other:?}: {line}"),
            });
        }
        out.push('\n');
    }
    out
}

#[test]
fn the_draft_of_the_example_s_home_is_refused_until_it_is_answered_and_then_has_its_bindings() {
    let broker = Broker::start();
    let world = World::without_plugs(&broker);
    let example = staged::example();
    let home = tempfile::tempdir().unwrap();
    let (draft, dir) = (home.path().join("draft.yaml"), home.path().join("config"));
    let (draft, dir) = (draft.to_str().unwrap(), dir.to_str().unwrap());
    let url = format!("mqtt://127.0.0.1:{}", broker.port);
    let listen = ["listen", "--broker", &url, "--topics", "lagoon/#", "--for", "8 s", "--draft", draft];
    let said = std::thread::scope(|scope| {
        let listening = scope.spawn(|| program(&listen));
        std::thread::sleep(Duration::from_millis(500));
        live(&world, &example.tanks, Duration::from_secs(9));
        listening.join().unwrap()
    });
    assert_eq!(said.status.code(), Some(0), "{}", text(&said));
    assert!(text(&said).contains("marks `# CHECK: ...` for you"), "{}", text(&said));
    let again = program(&listen);
    assert_eq!(again.status.code(), Some(2), "it is never overwritten: {}", text(&again));

    let taken = program(&["init", "--dir", dir, "--draft", draft, "--yes", "--set", "tank=lagoon"]);
    assert_eq!(taken.status.code(), Some(0), "{}", text(&taken));
    let written = std::fs::read_to_string(Path::new(dir).join("tanks/lagoon.yaml")).unwrap();
    let marks = written.matches("# CHECK:").count();
    let checked = program(&["check", "--config", dir]);
    assert_eq!(checked.status.code(), Some(1), "{}", text(&checked));
    assert_eq!(text(&checked).matches("not checked yet").count(), marks, "{}", text(&checked));
    assert!(text(&checked).contains("tanks/lagoon.yaml:") && text(&checked).contains("such as `70 L`"));

    // Taking the marks out is not enough: what nobody knows is missing.
    let bare: String = written
        .lines()
        .map(|line| line.split_once("   # CHECK:").map_or(line, |(kept, _)| kept).to_owned() + "\n")
        .collect();
    std::fs::write(Path::new(dir).join("tanks/lagoon.yaml"), bare).unwrap();
    let bare = program(&["check", "--config", dir]);
    assert_eq!(bare.status.code(), Some(1), "{}", text(&bare));

    let daemon = std::fs::read_to_string(Path::new(dir).join("daemon.yaml")).unwrap();
    let whole = answered(&written);
    let files = vec![("daemon.yaml".to_owned(), Ok(daemon)), ("tanks/lagoon.yaml".to_owned(), Ok(whole.clone()))];
    let setup = understand(&Files(files)).unwrap_or_else(|problems| panic!("{problems}\n{whole}"));
    let (drafted, meant) = (&setup.tanks[0], &example.tanks[0]);
    for (plan, wanted) in meant.plan.probes.iter().zip(&meant.bindings.probes).skip(meant.facts.shared.len()) {
        let found = drafted.bindings.probes.iter().find(|probe| probe.topic == wanted.topic);
        let found = found.unwrap_or_else(|| panic!("{} is not there\n{whole}", plan.name));
        assert_eq!(format!("{:?}", (&found.pointer, &found.form)), format!("{:?}", (&wanted.pointer, &wanted.form)));
    }
    assert_eq!(drafted.plan.outputs.len(), meant.plan.outputs.len(), "{whole}");
    for (output, wanted) in meant.plan.outputs.iter().zip(&meant.bindings.plugs) {
        let at = drafted.plan.outputs.iter().position(|drafted| drafted.name == output.name);
        let at = at.unwrap_or_else(|| panic!("{} is not there\n{whole}", output.name));
        assert_eq!(drafted.plan.outputs[at].kind, output.kind, "{}", output.name);
        let found = &drafted.bindings.plugs[at];
        assert_eq!(found.command.topic, wanted.command.topic);
        assert_eq!((&found.command.on, &found.command.off), (&wanted.command.on, &wanted.command.off));
        assert_eq!(format!("{:?}", found.report), format!("{:?}", wanted.report), "{}", output.name);
        assert_eq!(format!("{:?}", found.meter), format!("{:?}", wanted.meter), "{}", output.name);
        assert_eq!(format!("{:?}", found.alive), format!("{:?}", wanted.alive), "{}", output.name);
        assert_eq!(format!("{:?}", found.uptime), format!("{:?}", wanted.uptime), "{}", output.name);
        let payload =
            |lease: Option<&slackwater::wire::binding::LeaseBinding>| lease.map(|lease| lease.payload.clone());
        assert_eq!(payload(found.lease.as_ref()), payload(wanted.lease.as_ref()), "{}", output.name);
    }
    let interlocks: Vec<&str> = drafted.plan.interlocks.iter().map(|interlock| &*interlock.name).collect();
    for name in ["heater-cutoff", "low-water", "sump-falls", "return-pump-dry", "top-off-high", "too-fresh"] {
        assert!(interlocks.contains(&name), "{name}: {interlocks:?}");
    }
}

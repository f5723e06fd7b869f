//! A month of the example home at high speed over a real Mosquitto, with restarts of everything: nothing is lost, and the
//! daemon's memory does not grow.
//!
//! Three quarters of an hour of real time, so it is run by its command in DEVELOPERS.md, alone on an idle machine; `SOAK_DAYS`
//! makes it shorter. A tenth of a second of real time is 100 s of the home's: with anything else at work, readings
//! come late and alarms are raised, which is no fault of the daemon and is not judged here.
#![cfg(feature = "embedded-broker")]
#![allow(clippy::disallowed_methods, reason = "a test of the outside world waits and kills")]

mod common;

use std::net::{Ipv4Addr, SocketAddr};
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use serde_json::Value;
use slackwater::cli::demo::gate::Gate;
use slackwater::cli::demo::home::Home;
use slackwater::cli::demo::stage::redirect;
use slackwater::cli::model::model;
use slackwater::config::{self, Setup};
use slackwater::shell::{self, clock::Clock};
use slackwater::sim::keeper::{Keeper, Routine};
use slackwater::sim::{Surroundings, World};
use slackwater::time::Steady;
use slackwater::wire::OwnTopics;
use tokio::sync::watch;

use common::{Broker, Daemon, free_port, seconds, text, wait_until};

const SPEED: f64 = 1000.0;
const DAYS: u32 = 30;
/// At most this much more memory at the end than after the first tenth.
const GROWTH: f64 = 1.05;
const WHERE: &str = "SLACKWATER_SOAKED_DAEMON";

/// The example, on this broker.
fn setup(broker: u16, http: u16, data: &Path) -> Setup {
    let mut setup = config::load(&Path::new(env!("CARGO_MANIFEST_DIR")).join("config")).expect("the example is sound");
    let here = |port: u16| SocketAddr::from((Ipv4Addr::LOCALHOST, port));
    redirect(&mut setup, here(broker), here(http), data.to_owned());
    setup
}

/// Not a test of its own: the daemon, when the soak starts it.
#[test]
#[ignore = "the soak starts it as a process of its own"]
fn the_daemon_of_the_soak() {
    let Ok(what) = std::env::var(WHERE) else { return };
    let [broker, http, origin, data] = what.splitn(4, ' ').collect::<Vec<_>>()[..] else { panic!("{what}") };
    let setup = setup(broker.parse().unwrap(), http.parse().unwrap(), Path::new(data));
    let clock = Clock::again(SPEED, origin.parse().unwrap());
    tracing_subscriber::fmt().with_max_level(tracing::Level::WARN).with_writer(std::io::stderr).init();
    let told = async {
        use tokio::signal::unix::{SignalKind, signal};
        signal(SignalKind::terminate()).expect("a handler").recv().await;
    };
    shell::run(setup, shell::Options { clock: Some(clock), ..shell::Options::default() }, told).unwrap();
}

struct Soak {
    broker: Broker,
    http: u16,
    clock: Clock,
    origin: i64,
    dir: tempfile::TempDir,
    notes: Vec<String>,
}

impl Soak {
    fn start(&self) -> Daemon {
        let mut command = Command::new(std::env::current_exe().unwrap());
        command.args(["--ignored", "--exact", "the_daemon_of_the_soak", "--nocapture"]);
        let data = self.dir.path().join("data");
        command.env(WHERE, format!("{} {} {} {}", self.broker.port, self.http, self.origin, data.display()));
        let daemon = Daemon::launch_in(self.dir.path(), self.http, command);
        daemon.wait_ready();
        daemon
    }

    /// Waits for so many hours of the home's since the begin.
    fn wait_for(&self, hours: u32) {
        let due = self.clock.instant(Steady::from_millis(u64::from(hours) * 3_600_000));
        std::thread::sleep(due.into_std().saturating_duration_since(std::time::Instant::now()));
    }

    /// Something that must be there at the end, once.
    fn note(&mut self, daemon: &Daemon) {
        let note = format!("soaked {}", self.notes.len());
        let said = daemon.ask(&["log", "event", &note]);
        assert!(said.status.success(), "{}", text(&said));
        self.notes.push(note);
    }

    /// A hold that is begun, a kill, and the hold is still there.
    fn kill_in_a_hold(&self, daemon: Daemon) -> Daemon {
        // At this speed a proof by report may come late; that the hold stands is what counts.
        let _ = daemon.ask(&["hold", "water-change"]);
        let before = kept(&daemon);
        assert!(before["holds"].to_string().contains(r#""active":true"#), "{before}");
        daemon.kill();
        let daemon = self.start();
        assert_eq!(kept(&daemon), before);
        let _ = daemon.ask(&["release", "water-change"]);
        daemon
    }

    fn notes_are_there_once(&self, daemon: &Daemon) {
        let log = daemon.json("/api/v1/tanks/lagoon/log?all=true");
        let says: Vec<&str> =
            log["entries"].as_array().unwrap().iter().filter_map(|line| line["says"].as_str()).collect();
        for note in &self.notes {
            let found = says.iter().filter(|says| says.ends_with(note.as_str())).count();
            assert_eq!(found, 1, "{note} in {says:?}");
        }
    }
}

/// What no restart may change.
fn kept(daemon: &Daemon) -> Value {
    let status = daemon.json("/api/v1/tanks/lagoon/status");
    let holds: Vec<Value> = status["holds"]
        .as_array()
        .unwrap()
        .iter()
        .map(|hold| serde_json::json!([hold["hold"], { "active": hold["active"] }, hold["by"]]))
        .collect();
    serde_json::json!({ "holds": holds })
}

#[test]
#[ignore = "a simulated month: three quarters of an hour; its command stands in DEVELOPERS.md"]
fn a_month_with_restarts_of_everything_loses_nothing_and_does_not_grow() {
    let days = std::env::var("SOAK_DAYS").ok().and_then(|days| days.parse().ok()).unwrap_or(DAYS);
    let broker = Broker::start();
    let origin = shell::clock::unix_millis();
    let clock = Clock::again(SPEED, origin);
    let mut soak =
        Soak { http: free_port(), clock, origin, dir: tempfile::tempdir().unwrap(), notes: Vec::new(), broker };
    let (stop, around) = home(&soak, days);

    let mut daemon = soak.start();
    // In hours of the home's.
    let first_tenth = 24 * days / 10;
    let mut after_a_tenth = 0.0;
    for day in 0..days {
        soak.wait_for(24 * day + 7);
        soak.note(&daemon);
        if day < 2 && 24 * day + 14 < first_tenth {
            daemon = soak.kill_in_a_hold(daemon);
            soak.note(&daemon);
        }
        soak.wait_for(24 * day + 14);
        if after_a_tenth == 0.0 && 24 * day + 14 > first_tenth {
            after_a_tenth = daemon.resident_mebibytes();
        }
        soak.broker.kill();
        std::thread::sleep(seconds(1));
        soak.broker.restart();
        wait_until("the broker is back", seconds(30), || daemon.is_ready());
        println!("day {day}: {:.1} MiB", daemon.resident_mebibytes());
    }
    soak.wait_for(24 * days);
    let at_the_end = daemon.resident_mebibytes();
    soak.notes_are_there_once(&daemon);

    // A restart in good order and one by a kill: all is still there.
    let before = kept(&daemon);
    assert_eq!(daemon.stop(), Some(0));
    let daemon = soak.start();
    assert_eq!(kept(&daemon), before);
    let daemon = soak.kill_in_a_hold(daemon);
    soak.notes_are_there_once(&daemon);
    let hours = i64::from(days) * 24;
    let at = |hours: i64| {
        let at = chrono::DateTime::from_timestamp_millis(origin + hours * 3_600_000).unwrap();
        at.format("%Y-%m-%dT%H:%M:%SZ").to_string()
    };
    let (from, to) = (at(0), at(hours));
    let chart =
        daemon.json(&format!("/api/v1/tanks/lagoon/history?signal=water-temp&from={from}&to={to}&points={hours}"));
    let points = chart["points"].as_array().unwrap().len();
    println!("memory after a tenth {after_a_tenth:.1} MiB, at the end {at_the_end:.1} MiB; {points} points of history");
    // The first and the last hour are cut by the ends.
    assert!(points + 2 >= usize::try_from(hours).unwrap(), "{points} points in {hours} h");
    assert!(at_the_end <= after_a_tenth * GROWTH, "{after_a_tenth:.1} MiB became {at_the_end:.1} MiB");
    let _ = stop.send(true);
    around.shutdown_timeout(Duration::from_secs(2));
}

/// The home around it, in this process: its plugs lose their mains each third day.
fn home(soak: &Soak, days: u32) -> (watch::Sender<bool>, tokio::runtime::Runtime) {
    let setup = setup(soak.broker.port, soak.http, soak.dir.path());
    let models: Vec<_> = setup.tanks.iter().map(model).collect();
    let surroundings = Surroundings { usual_tank: Some("lagoon".to_owned()), ..Surroundings::default() };
    let mut world = World::new(&models, 1, surroundings, soak.clock.now());
    for day in (1..days).step_by(3) {
        let fault = world.catalogue().read(&format!("power cut at {} h for 5 min", day * 24 + 21)).expect("a sentence");
        world.inject(fault);
    }
    let plans: Vec<_> = setup.tanks.iter().map(|tank| tank.plan.clone()).collect();
    let topics = OwnTopics::new(&setup.daemon.root);
    let keeper = Keeper::new(&plans, &world, Routine::Answers, &topics, soak.clock.now());
    let around = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
    let broker: SocketAddr = (Ipv4Addr::LOCALHOST, soak.broker.port).into();
    let gate = around.block_on(Gate::open(0, broker)).unwrap();
    let (stop, stopped) = watch::channel(false);
    let home = Home { world, keeper, clock: soak.clock, broker, gate, tanks: setup.tanks, tell_every: None };
    around.spawn(home.live(stopped));
    (stop, around)
}

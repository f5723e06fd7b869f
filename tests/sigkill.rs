//! More than a hundred SIGKILLs of the real daemon with its real store, at random moments of holds and top-off runs,
//! on a real Mosquitto. What must be so afterwards is looked at from outside: topics and API.
//!
//! Chance is seeded; the moments of real processes are not, so that a failure may need several goes to show again.
#![allow(clippy::disallowed_methods, reason = "a test of the outside world waits and kills")]

mod common;
#[path = "common/fast.rs"]
mod fast;

use std::time::{Duration, Instant};

use slackwater::sim::Chance;
use slackwater::time::Span;

use common::{Broker, Config, Daemon, World, seconds, wait_until};

const SEED: u64 = 20_261_127;

fn millis(chance: &mut Chance, most: u64) -> Duration {
    Duration::from_millis(chance.span(Span::ZERO, Span::from_millis(most)).millis())
}

/// Payloads on a topic after the first that fits.
fn after_the_first(world: &World, topic: &str, first: &str) -> Vec<String> {
    let payloads = world.messages(topic).into_iter().map(|one| String::from_utf8_lossy(&one.payload).into_owned());
    payloads.skip_while(|payload| payload != first).collect()
}

fn hold(daemon: &Daemon) -> serde_json::Value {
    daemon.status()["holds"][0].clone()
}

/// The daemon of this config as it was started again, and how long that took.
fn again(config: &Config, slowest: &mut Duration) -> Daemon {
    let begun = Instant::now();
    let daemon = Daemon::start(config);
    *slowest = begun.elapsed().max(*slowest);
    daemon
}

#[test]
fn ninety_sigkills_in_holds_lose_no_hold_and_restart_nothing() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let config = Config::new(&broker);
    let mut chance = Chance::new(SEED, "holds");
    let mut daemon = Daemon::start(&config);
    world.settle(24.2);
    let (mut kills, mut begun_before_the_kill, mut slowest) = (0, 0, Duration::ZERO);
    while kills < 90 {
        world.forget();
        world.publish("slackwater/lagoon/ask", "hold water-change");
        std::thread::sleep(millis(&mut chance, 400));
        daemon.kill();
        kills += 1;
        // What the plugs were told by then is a promise; what was only asked may be lost.
        std::thread::sleep(Duration::from_millis(30));
        let paused = world.count("lagoon/skimmer/set") > 0 && world.last("lagoon/skimmer/set").as_deref() == Some("0");
        daemon = again(&config, &mut slowest);
        let first = hold(&daemon);
        if paused {
            begun_before_the_kill += 1;
            assert_eq!(first["active"], true, "the skimmer was paused before the kill, and the hold is gone");
        } else if first["active"] == false {
            world.publish("slackwater/lagoon/ask", "hold water-change");
            wait_until("the hold is begun", seconds(20), || hold(&daemon)["active"] == true);
        }
        let first = hold(&daemon);
        for _ in 0..2 {
            std::thread::sleep(millis(&mut chance, 300));
            daemon.kill();
            kills += 1;
            daemon = again(&config, &mut slowest);
            let now = hold(&daemon);
            for key in ["active", "until", "since", "by"] {
                assert_eq!(now[key], first[key], "kill {kills}: {key} of {now}");
            }
        }
        // Told off again, or as it was; on never.
        assert!(after_the_first(&world, "lagoon/skimmer/set", "0").iter().all(|payload| payload == "0"));
        assert!(after_the_first(&world, "lagoon/heater/set", "OFF").iter().all(|payload| payload == "OFF"));
        wait_until("its release is permitted", seconds(20), || daemon.ask(&["release"]).status.code() == Some(0));
        std::thread::sleep(millis(&mut chance, 100));
    }
    println!(
        "{kills} kills, {begun_before_the_kill} right after the first pause; the slowest restart took {slowest:?}"
    );
    assert!(begun_before_the_kill >= 5, "kills came right after a pause: {begun_before_the_kill}");
}

#[test]
fn sigkills_in_top_off_runs_give_no_budget_back_and_start_nothing_at_once() {
    let broker = Broker::start();
    let config = fast::config(&broker);
    let home = fast::Home::new(&broker);
    let mut chance = Chance::new(SEED, "runs");
    let mut daemon = fast::start(&config);
    let mut in_runs = 0;
    for kill in 0..12 {
        let tank = kill % fast::TANKS;
        home.level(tank, -6.0);
        let runs = home.runs(tank);
        wait_until("the top-off runs", seconds(60), || home.runs(tank) > runs);
        // A run lasts 24 s at most, which is a quarter of a second here; some kills come in the settling that follows.
        std::thread::sleep(millis(&mut chance, 700));
        let running = home.is_on(tank);
        in_runs += u32::from(running);
        let before = fast::top_off(&daemon, tank);
        daemon.kill();
        home.level(tank, 0.0);
        home.forget_starts();
        let begun = Instant::now();
        daemon = fast::start(&config);
        let after = fast::top_off(&daemon, tank);
        let litres = |status: &serde_json::Value| status["litres_in_24_hours"].as_f64().expect("litres");
        let given = home.given(tank);
        // In fast time a hundredth of a second of delay is half a millilitre.
        assert!(litres(&after) + 0.02 >= given, "kill {kill}: {given:.3} L were given, and {after} counts less");
        if before["state"] == "running" {
            assert!(litres(&after) + 1e-6 >= litres(&before), "kill {kill}: {before} became {after}");
        }
        let least = Duration::from_secs_f64(120.0 / fast::SPEED);
        if let Some(first) = home.first_start() {
            assert!(first >= begun + least, "kill {kill}: a top-off started {:?} after the launch", first - begun);
        }
    }
    let status = fast::top_off(&daemon, 0);
    assert!(status["day_left_litres"].as_f64().is_some_and(|left| left > 0.0), "{status}");
    assert!(in_runs >= 4, "kills came in the middle of runs: {in_runs}");
    println!("12 kills, {in_runs} of them with the pump on");
}

//! A daemon that lives and does nothing, and one that is shouted at: control that hangs, and a storm of messages.
#![allow(clippy::disallowed_methods, reason = "a test of the outside world waits, stops processes and floods topics")]

mod common;
#[path = "common/fast.rs"]
mod fast;

use std::os::unix::net::UnixDatagram;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::{Client, MqttOptions};

use common::{BINARY, Broker, Config, Daemon, LAGOON, World, seconds, wait_until};

/// What the service manager would hear, with the moment.
fn heard(socket: &UnixDatagram, within: Duration) -> Vec<String> {
    let until = Instant::now() + within;
    let mut words = Vec::new();
    let mut buffer = [0; 4096];
    while let Some(left) = until.checked_duration_since(Instant::now()).filter(|left| !left.is_zero()) {
        socket.set_read_timeout(Some(left)).unwrap();
        if let Ok(count) = socket.recv(&mut buffer) {
            words.push(String::from_utf8_lossy(&buffer[..count]).into_owned());
        }
    }
    words
}

fn fed(words: &[String]) -> usize {
    words.iter().filter(|word| word.contains("WATCHDOG=1")).count()
}

/// F56. The service manager is fed by control's own turns, and a process that stands still feeds nobody.
#[test]
fn the_service_manager_is_fed_while_control_turns_and_not_while_it_stands_still() {
    let broker = Broker::start();
    let config = Config::new(&broker);
    let path = config.path().join("notify");
    let socket = UnixDatagram::bind(&path).unwrap();
    let mut command = std::process::Command::new(BINARY);
    command.args(["run", "--config"]).arg(config.path()).env("NOTIFY_SOCKET", &path);
    let daemon = Daemon::launch_as(&config, command);
    daemon.wait_ready();
    let words = heard(&socket, seconds(4));
    assert!(words.iter().any(|word| word.contains("READY=1")), "{words:?}");
    assert!(fed(&words) >= 2, "once a second while control turns: {words:?}");
    daemon.signal("STOP");
    heard(&socket, Duration::from_millis(500));
    let words = heard(&socket, seconds(4));
    assert_eq!(fed(&words), 0, "a process that stands still feeds nobody: {words:?}");
    daemon.signal("CONT");
    wait_until("it turns again", seconds(20), || fed(&heard(&socket, seconds(1))) > 0);
    daemon.wait_ready();
}

/// F56. Nothing refreshes a lease any more: the heater's plug turns itself off 180 s after the last refresh, the
/// top-off's after 30 s. The clock runs 100 times as fast here, so these are 1.8 s and 0.3 s.
#[test]
fn a_daemon_that_hangs_lets_the_leases_of_heater_and_top_off_run_out() {
    let broker = Broker::start();
    let config = fast::config(&broker);
    config.write_tank("lagoon", &LAGOON.replace("stale_after: 3 s", "stale_after: 5 min"));
    let world = World::new(&broker);
    world.temperature(24.2);
    let home = fast::Home::new(&broker);
    let daemon = fast::start(&config);
    let lease = |payload: &str| payload == r#"{"on":true,"for":180}"#;
    world.wait_for("lagoon/heater/set", seconds(30), lease);
    world.forget();
    world.wait_for("lagoon/heater/set", seconds(30), lease);
    home.level(0, -6.0);
    home.wait_for_a_run(0);
    daemon.signal("STOP");
    // What it had written before it was stopped is on its way.
    std::thread::sleep(Duration::from_millis(300));
    world.forget();
    home.take_commands(0);
    wait_until("the top-off's lease is over", seconds(5), || !home.is_on(0));
    std::thread::sleep(Duration::from_secs_f64(180.0 / fast::SPEED + 0.5));
    assert_eq!(world.count("lagoon/heater/set"), 0, "nothing refreshes the heater's lease: 180 s are over at its plug");
    assert!(home.take_commands(0).is_empty(), "and nothing the top-off's");
    assert!(home.given(0) <= 0.08, "a run and a lease at most: {} L", home.given(0));
    // Back, it pays for what may have run.
    home.level(0, 0.0);
    daemon.signal("CONT");
    daemon.wait_ready();
    let after = fast::top_off(&daemon, 0);
    assert!(after["litres_in_24_hours"].as_f64().is_some_and(|litres| litres + 0.02 >= home.given(0)), "{after}");
}

/// Shouts at a topic as fast as it can, up to so many a second, until it is dropped.
struct Storm {
    stop: Arc<AtomicBool>,
    sent: Arc<AtomicU64>,
}

impl Storm {
    fn at(broker: &Broker, topic: &'static str, payload: &'static str, per_second: u32) -> Self {
        let options = MqttOptions::new("storm", "127.0.0.1", broker.port);
        let (client, mut connection) = Client::new(options, 1000);
        let (stop, sent): (Arc<AtomicBool>, Arc<AtomicU64>) = Default::default();
        let (ended, count) = (Arc::clone(&stop), Arc::clone(&sent));
        std::thread::spawn(move || connection.iter().take_while(Result::is_ok).for_each(drop));
        std::thread::spawn(move || {
            let begun = Instant::now();
            while !ended.load(Ordering::Relaxed) {
                let due = begun.elapsed().as_secs_f64() * f64::from(per_second);
                while (count.load(Ordering::Relaxed) as f64) < due {
                    if client.publish(topic, QoS::AtMostOnce, false, payload).is_err() {
                        return;
                    }
                    count.fetch_add(1, Ordering::Relaxed);
                }
                std::thread::sleep(Duration::from_millis(2));
            }
            let _ = client.disconnect();
        });
        Self { stop, sent }
    }
}

impl Drop for Storm {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
    }
}

/// F67. A topic is flooded with what means nothing, and a trip still acts; nothing grows without bound.
#[test]
fn a_storm_of_junk_delays_no_trip_for_long_and_fills_nothing() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let config = Config::new(&broker);
    let daemon = Daemon::start(&config);
    world.settle(24.2);
    world.wait_for("lagoon/heater/set", seconds(20), |payload| payload.starts_with("{\"on\":true"));
    let junk = "a payload that means nothing to anybody, and is long enough to be a nuisance";
    let storm = Storm::at(&broker, "lagoon/leak", junk, 5000);
    std::thread::sleep(seconds(3));
    let (before, sent) = (daemon.resident_mebibytes(), storm.sent.load(Ordering::Relaxed));
    assert!(sent > 3000, "it is a storm: {sent} in 3 s");
    std::thread::sleep(seconds(4));
    world.forget();
    let hot = Instant::now();
    world.temperature(26.8);
    world.wait_for("lagoon/heater/set", seconds(10), |payload| payload == "OFF");
    // Two samples 150 ms apart and the cut-off's second confirm it; three seconds on top are the most.
    assert!(hot.elapsed() < Duration::from_millis(4500), "{:?}", hot.elapsed());
    let told = world.messages("lagoon/heater/set").len();
    assert!(told <= 4, "{told} commands for one trip");
    assert!(daemon.is_ready(), "control turns and the service answers");
    let refused = daemon.metric(r#"slackwater_mqtt_decode_errors_total{reason="unknown-word"}"#).unwrap_or(0.0);
    assert!(refused > 3000.0, "each is counted and none is taken: {refused}");
    let after = daemon.resident_mebibytes();
    assert!(after - before < 16.0, "memory grew from {before:.1} to {after:.1} MiB under the storm");
    drop(storm);
    let stored: u64 = std::fs::read_dir(config.path().join("data"))
        .unwrap()
        .map(|file| file.unwrap().metadata().unwrap().len())
        .sum();
    assert!(stored < 32 << 20, "{stored} bytes in the data directory");
    wait_until("everything is as before", seconds(20), || daemon.is_ready());
}

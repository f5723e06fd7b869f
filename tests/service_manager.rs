//! What the daemon tells the service manager, over a socket of the test's own: ready, alive, reloading, stopping.
#![allow(clippy::disallowed_methods, reason = "a test of the outside world waits and opens sockets")]

mod common;

use std::io::Write;
use std::os::unix::net::UnixDatagram;
use std::path::PathBuf;
use std::process::Command;
use std::time::{Duration, Instant};

use common::{BINARY, Broker, Config, Daemon, LAGOON, seconds, wait_until};

/// The socket that `NOTIFY_SOCKET` names.
struct Manager {
    socket: UnixDatagram,
    path: PathBuf,
}

impl Manager {
    fn new(config: &Config) -> Self {
        let path = config.path().join("notify");
        let socket = UnixDatagram::bind(&path).unwrap();
        Self { socket, path }
    }

    fn launch(&self, config: &Config) -> Daemon {
        let mut command = Command::new(BINARY);
        command.args(["run", "--config"]).arg(config.path()).env("NOTIFY_SOCKET", &self.path);
        Daemon::launch_as(config, command)
    }

    fn next(&self, within: Duration) -> Option<String> {
        let mut buffer = [0; 4096];
        self.socket.set_read_timeout(Some(within)).unwrap();
        let count = self.socket.recv(&mut buffer).ok()?;
        Some(String::from_utf8_lossy(&buffer[..count]).into_owned())
    }

    /// All that comes in this time.
    fn heard(&self, within: Duration) -> Vec<String> {
        let until = Instant::now() + within;
        let mut words = Vec::new();
        while let Some(left) = until.checked_duration_since(Instant::now()).filter(|left| !left.is_zero()) {
            words.extend(self.next(left));
        }
        words
    }

    /// What comes, without the watchdog's food, until `last` does.
    fn until(&self, last: &str) -> Vec<String> {
        let until = Instant::now() + seconds(20);
        let mut words: Vec<String> = Vec::new();
        while !words.last().is_some_and(|word| word.contains(last)) {
            assert!(Instant::now() < until, "no {last} in {words:?}");
            words.extend(self.next(seconds(1)).filter(|word| word.trim() != "WATCHDOG=1"));
        }
        words
    }
}

fn fed(words: &[String]) -> usize {
    words.iter().filter(|word| word.contains("WATCHDOG=1")).count()
}

#[test]
fn ready_is_said_by_a_turn_of_control_and_stopping_before_the_end() {
    let broker = Broker::start();
    let config = Config::new(&broker);
    let manager = Manager::new(&config);
    let daemon = manager.launch(&config);
    let first = manager.next(seconds(20)).expect("it speaks");
    // The turn that makes it ready feeds the watchdog in the same message: nobody is ready who does not turn.
    assert!(first.contains("READY=1") && first.contains("WATCHDOG=1"), "{first}");
    daemon.wait_ready();
    manager.heard(Duration::from_millis(10));
    assert_eq!(daemon.stop(), Some(0));
    let words = manager.until("STOPPING=1");
    assert_eq!(words, ["STOPPING=1\n"]);
    assert_eq!(fed(&manager.heard(seconds(2))), 0, "who has stopped feeds nobody");
}

#[test]
fn a_daemon_that_may_not_start_is_never_ready() {
    let broker = Broker::start();
    let config = Config::new(&broker);
    let first = Daemon::start(&config);
    let manager = Manager::new(&config);
    let mut second = manager.launch(&config);
    assert_eq!(second.end_within(seconds(10)), Some(1));
    let words = manager.heard(Duration::from_millis(200));
    assert!(words.is_empty(), "{words:?}");
    drop(first);
}

#[test]
fn a_daemon_without_a_broker_is_ready_for_the_service_manager() {
    let mut broker = Broker::start();
    let config = Config::new(&broker);
    broker.kill();
    let manager = Manager::new(&config);
    let daemon = manager.launch(&config);
    manager.until("READY=1");
    assert!(fed(&manager.heard(seconds(4))) >= 2, "control turns without a broker");
    assert!(!daemon.is_ready(), "and says to the monitoring that there is none");
}

#[test]
fn a_reload_is_said_and_ends_with_ready_whether_it_was_taken_or_refused() {
    let broker = Broker::start();
    let config = Config::new(&broker);
    let manager = Manager::new(&config);
    let daemon = manager.launch(&config);
    manager.until("READY=1");
    daemon.wait_ready();
    for (target, outcome) in [("25.2 °C", 1.0), ("25.0 quaver", 0.0), ("25.0 °C", 1.0)] {
        config.write_tank("lagoon", &LAGOON.replace("target: 25.0 °C", &format!("target: {target}")));
        daemon.signal("HUP");
        let words = manager.until("READY=1");
        assert!(words[0].starts_with("RELOADING=1\nMONOTONIC_USEC="), "{target}: {words:?}");
        assert_eq!(daemon.metric("slackwater_config_last_reload_successful"), Some(outcome), "{target}");
    }
    assert!(fed(&manager.heard(seconds(3))) >= 2, "control turns on");
}

/// Control alone hangs, the process lives: its connection wants a password that comes out of a pipe where nobody writes.
#[test]
fn control_that_hangs_starves_the_watchdog_though_the_page_still_answers() {
    let mut broker = Broker::start();
    let mut config = Config::new(&broker);
    let password = config.path().join("password");
    std::fs::write(&password, "slack\n").unwrap();
    config.broker = format!("{}, user: tide, password_file: {}", config.broker, password.display());
    config.write();
    let manager = Manager::new(&config);
    let daemon = manager.launch(&config);
    manager.until("READY=1");
    daemon.wait_ready();
    assert!(fed(&manager.heard(seconds(3))) >= 2, "fed while control turns");
    std::fs::remove_file(&password).unwrap();
    assert!(Command::new("mkfifo").arg(&password).status().unwrap().success());
    broker.kill();
    wait_until("control has hung for long enough to be noticed", seconds(20), || {
        daemon.fetch("/readyz").is_some_and(|(_, why)| why.contains("has not turned"))
    });
    manager.heard(Duration::from_millis(10));
    assert_eq!(fed(&manager.heard(seconds(4))), 0, "nobody else feeds the watchdog");
    assert_eq!(daemon.fetch("/healthz").map(|(code, _)| code), Some(200), "the process lives and answers");
    // The pipe speaks, and control goes on.
    std::fs::OpenOptions::new().write(true).open(&password).unwrap().write_all(b"slack\n").unwrap();
    std::fs::remove_file(&password).unwrap();
    std::fs::write(&password, "slack\n").unwrap();
    broker.restart();
    wait_until("it is fed again", seconds(20), || fed(&manager.heard(seconds(1))) > 0);
    daemon.wait_ready();
}

//! The demo as a user starts it: one command, nothing installed, nothing in the directory.

#![cfg(feature = "embedded-broker")]
#![expect(
    clippy::disallowed_methods,
    reason = "it stands outside of the daemon, with a clock and a network of its own"
)]

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

/// Long enough for a busy machine; a demo that works needs a tenth of it.
const PATIENCE: Duration = Duration::from_mins(1);

struct Demo {
    child: Child,
    lines: Receiver<String>,
    heard: Vec<String>,
}

impl Demo {
    fn start(arguments: &[&str]) -> Self {
        let nowhere = tempfile::tempdir().unwrap();
        let mut child = Command::new(env!("CARGO_BIN_EXE_slackwater"))
            .arg("demo")
            .args(arguments)
            .args(["--http", "0"])
            .current_dir(nowhere.path())
            .stdout(Stdio::piped())
            .stderr(Stdio::inherit())
            .spawn()
            .unwrap();
        let (sender, lines) = channel();
        let out = BufReader::new(child.stdout.take().unwrap());
        std::thread::spawn(move || out.lines().map_while(Result::ok).try_for_each(|line| sender.send(line)));
        Self { child, lines, heard: Vec::new() }
    }

    /// Waits for a line with all of these words.
    fn until(&mut self, words: &[&str]) -> String {
        let patience = Instant::now() + PATIENCE;
        while let Ok(line) = self.lines.recv_timeout(patience.saturating_duration_since(Instant::now())) {
            self.heard.push(line.clone());
            if words.iter().all(|word| line.contains(word)) {
                return line;
            }
        }
        panic!("no line with {words:?} in\n{}", self.heard.join("\n"));
    }

    fn address(&mut self) -> String {
        let line = self.until(&["/metrics"]);
        let (_, rest) = line.split_once("http://").unwrap();
        rest.split('/').next().unwrap().to_owned()
    }
}

impl Drop for Demo {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn get(address: &str, path: &str) -> String {
    let mut stream = TcpStream::connect(address).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
    write!(stream, "GET {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n").unwrap();
    let mut answer = String::new();
    let _ = stream.read_to_string(&mut answer);
    answer
}

/// Asks until the answer is as wanted.
fn get_until(address: &str, path: &str, wanted: impl Fn(&str) -> bool) -> String {
    let patience = Instant::now() + PATIENCE;
    loop {
        let answer = get(address, path);
        if wanted(&answer) {
            return answer;
        }
        assert!(Instant::now() < patience, "{path} never came to be as wanted:\n{answer}");
        std::thread::sleep(Duration::from_millis(200));
    }
}

#[test]
fn a_welded_heater_trips_the_cutoff_in_lines_and_metrics() {
    // In a room of 28 °C the welded 100 W need about an hour from 25 to 26 °C: six seconds at this speed.
    let arguments = ["--speed", "600", "--room", "28 °C", "--fault", "heater welds at 10 min", "--for", "110 s"];
    let mut demo = Demo::start(&arguments);
    demo.until(&["invented data"]);
    let address = demo.address();
    demo.until(&["slackwater status", "--url http://"]);
    demo.until(&["600 times as fast as life"]);
    get_until(&address, "/readyz", |answer| answer.starts_with("HTTP/1.1 200"));
    demo.until(&["FAULT", "heater welds"]);
    // At the start, before the first readings, it is tripped for lost evidence; this is the one that saw the heat.
    demo.until(&["lagoon", "trip heater-cutoff: tripped: a probe of water-temp over 26.00 °C"]);
    demo.until(&["heater works though its relay says off"]);
    let metrics = get(&address, "/metrics");
    let value = |family: &str, labels: &[&str]| -> f64 {
        let fits = |line: &&str| line.starts_with(family) && labels.iter().all(|label| line.contains(label));
        let line = metrics.lines().find(fits).unwrap_or_else(|| panic!("no {family} {labels:?} in\n{metrics}"));
        line.rsplit(' ').next().unwrap().parse().unwrap()
    };
    assert!(value("slackwater_interlock_trips_total{", &["lagoon", "heater-cutoff"]) >= 1.0);
    assert!(value("slackwater_temperature_celsius{", &["lagoon", "water-temp"]) > 25.5);
}

#[cfg(unix)]
#[test]
fn ctrl_c_ends_it_cleanly_with_the_truth_as_last_words() {
    let mut demo = Demo::start(&["--speed", "10"]);
    demo.until(&["Ctrl-C ends it"]);
    demo.until(&["connected to the broker"]);
    let interrupted = Command::new("kill").args(["-INT", &demo.child.id().to_string()]).status().unwrap();
    assert!(interrupted.success());
    demo.until(&["The demo is over"]);
    demo.until(&["lagoon: in truth"]);
    assert!(demo.child.wait().unwrap().success());
    let left = std::env::temp_dir().join(format!("slackwater-demo-{}", demo.child.id()));
    assert!(!left.exists(), "it cleans up behind itself");
}

#[test]
fn a_broker_that_vanishes_is_missed_and_found_again() {
    let mut demo = Demo::start(&["--speed", "20", "--fault", "broker vanishes at 1 min for 1 min", "--for", "120 s"]);
    demo.until(&["connected to the broker"]);
    demo.until(&["FAULT", "broker vanishes"]);
    demo.until(&["warning", "broker"]);
    demo.until(&["FAULT", "over: broker vanishes"]);
    demo.until(&["connected to the broker"]);
}

#[test]
fn an_impossible_fault_is_misuse_and_says_what_is_possible() {
    let refused =
        Command::new(env!("CARGO_BIN_EXE_slackwater")).args(["demo", "--fault", "heater sings"]).output().unwrap();
    assert_eq!(refused.status.code(), Some(2));
    let said = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert!(said.contains("`heater` cannot do that") && said.contains("write `heater welds`"), "{said}");
    let listed = Command::new(env!("CARGO_BIN_EXE_slackwater")).args(["demo", "--list-faults"]).output().unwrap();
    let listed = String::from_utf8_lossy(&listed.stdout).into_owned();
    for words in ["heater, fan, return-pump", "plug ignores off", "room", "vanishes"] {
        assert!(listed.contains(words), "{words} in\n{listed}");
    }
}

//! The demo as a user starts it: one command, nothing installed, nothing in the directory.

#![cfg(feature = "embedded-broker")]

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

/// Long enough for a busy machine; a demo that works needs a tenth of it.
const PATIENCE: Duration = Duration::from_secs(60);

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
fn a_probe_that_lies_high_trips_the_cutoff_in_lines_metrics_and_readiness() {
    let mut demo = Demo::start(&["--speed", "60", "--fault", "display-temp reads 27 °C at 2 min", "--for", "120 s"]);
    demo.until(&["invented data"]);
    let address = demo.address();
    demo.until(&["slackwater status", "--url http://"]);
    demo.until(&["60 times as fast as life"]);
    get_until(&address, "/readyz", |answer| answer.starts_with("HTTP/1.1 200"));
    demo.until(&["FAULT", "display-temp reads 27"]);
    demo.until(&["lagoon", "trip", "heater-cutoff"]);
    let metrics = get_until(&address, "/metrics", |answer| {
        answer.lines().any(|line| {
            line.starts_with("slackwater_interlock_trips_total")
                && line.contains("heater-cutoff")
                && line.contains("lagoon")
                && line.ends_with(" 1")
        })
    });
    let reading = metrics.lines().find(|line| line.contains("sump-temp") && !line.starts_with('#'));
    assert!(reading.is_some(), "{metrics}");
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

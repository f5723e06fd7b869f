//! The daemon under load, beside the barest possible echo, on the same Mosquitto, in the same run.
//!
//! Run: `cargo bench --bench load`, or one part of it: `-- latency`, `drain`, `memory`, `reaction` or `streams`. It starts its own Mosquitto (Debian's, on a free loopback port),
//! alternates echo and daemon five times, and prints medians, spread and ratios. Nothing here fails:
//! it measures. Bounded: about three minutes, loopback only.
//!
//! Parts: [`servers`] starts and stops processes, [`bare`] is what the daemon is compared with,
//! [`drive`] sends and measures, [`reaction`] trips, [`streams`] trips while pages look on.

#![expect(clippy::disallowed_methods, reason = "a benchmark reads the clock, sleeps and opens sockets")]
#![expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "counts and ranks, far inside both types")]

mod bare;
mod drive;
mod reaction;
mod servers;
mod streams;

use std::time::Duration;

use servers::{Broker, Daemon, Scale};

const ROUNDS: usize = 5;
/// Twelve thousand readings a round: below that p99 is the luck of a few dozen.
const LATENCY_SPAN: Duration = Duration::from_secs(12);

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    match arguments.get(1).map(String::as_str) {
        // The bench runs itself as the other processes.
        Some("--echo") => return bare::echo(port(&arguments)),
        Some("--sink") => return bare::sink(port(&arguments)),
        Some("--flood") => return bare::flood(port(&arguments)),
        _ => {}
    }
    let broker = Broker::start();
    println!("load benchmark: {ROUNDS} rounds, daemon and bare client alternating on one Mosquitto");
    let parts = [
        ("latency", latency as fn(&Broker)),
        ("drain", drain),
        ("memory", memory),
        ("reaction", reaction::measure),
        ("streams", streams::measure),
    ];
    // `cargo bench` adds an argument of its own.
    let wanted = arguments.iter().skip(1).find(|argument| !argument.starts_with("--"));
    for (name, measure) in parts {
        if wanted.is_none_or(|wanted| wanted == name) {
            measure(&broker);
        }
    }
}

fn port(arguments: &[String]) -> u16 {
    arguments[2].parse().expect("the port of the broker")
}

fn latency(broker: &Broker) {
    let (mut bare, mut daemon) = (Vec::new(), Vec::new());
    for _ in 0..ROUNDS {
        {
            let _echo = servers::own_process("--echo", broker.port);
            bare.push(drive::latency(broker.port, 1000, LATENCY_SPAN));
        }
        let _daemon = Daemon::start(broker, Scale::OneTank);
        daemon.push(drive::latency(broker.port, 1000, LATENCY_SPAN));
    }
    for (name, pick) in [("p50", 0), ("p99", 1)] {
        let column = |rounds: &[[f64; 2]]| -> Vec<f64> { rounds.iter().map(|round| round[pick]).collect() };
        report(&format!("reading to command at 1000/s, {name}, µs"), &column(&bare), &column(&daemon), "at most 1.3");
    }
}

fn drain(broker: &Broker) {
    let (mut bare, mut daemon) = (Vec::new(), Vec::new());
    for _ in 0..ROUNDS {
        {
            let sink = servers::own_process("--sink", broker.port);
            let _flood = servers::own_process("--flood", broker.port);
            bare.push(sink.rate(Duration::from_secs(4)));
        }
        let running = Daemon::start(broker, Scale::OneTank);
        let _flood = servers::own_process("--flood", broker.port);
        daemon.push(running.accepted_rate(Duration::from_secs(4)));
    }
    report("readings a second, QoS 0, 40 bytes of JSON", &bare, &daemon, "at least 0.5");
}

fn memory(broker: &Broker) {
    for (scale, target) in [(Scale::OneTank, 20.0), (Scale::ThousandTanks, 120.0)] {
        let daemon = Daemon::start(broker, scale);
        drive::feed(broker.port, scale);
        let accepted = daemon.accepted();
        let mebibytes = daemon.resident_mebibytes();
        println!(
            "memory, {}: {mebibytes:.1} MiB after {accepted} readings and a scrape (target: at most {target} MiB)",
            scale.name()
        );
    }
}

fn report(what: &str, bare: &[f64], daemon: &[f64], target: &str) {
    let (bare, daemon) = (Summary::of(bare), Summary::of(daemon));
    println!("{what}: bare {bare}, daemon {daemon}, ratio {:.2} (target: {target})", daemon.median / bare.median);
}

struct Summary {
    least: f64,
    median: f64,
    greatest: f64,
}

impl Summary {
    fn of(values: &[f64]) -> Self {
        let mut sorted = values.to_vec();
        sorted.sort_by(f64::total_cmp);
        Self { least: sorted[0], median: sorted[sorted.len() / 2], greatest: sorted[sorted.len() - 1] }
    }
}

impl std::fmt::Display for Summary {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:.0} ({:.0} to {:.0})", self.median, self.least, self.greatest)
    }
}

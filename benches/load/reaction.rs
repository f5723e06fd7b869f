//! How soon a trip's off command is seen by another client, counted from the message that completes its confirmation.
//!
//! Duty: trip, reset, start again, on the well-fitted example, over a real broker. Two trips are measured: a high float
//! that trips at once, and one whose interlock asks for `lasting: 1 s`, from the end of that second on. Limits: the
//! publishing and the hearing client are one process with one clock; the publish itself is in the figure.

use std::path::Path;
use std::time::{Duration, Instant};

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::{AsyncClient, Event, EventLoop, Incoming};

use super::bare;
use super::servers::{self, Broker, Daemon};

/// What the design promises. [reaction of a binary trip, after its confirmation]
const TARGET_MILLIS: f64 = 100.0;
const TRIPS: usize = 300;
const COMMAND: &str = "lagoon/plug/fan-of-the-float/set";

/// Writes the example with one more output that rests on: a float that trips it at once, and one that trips it after 1 s.
pub(super) fn example(dir: &Path) {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    let read = |name: &str| std::fs::read_to_string(root.join(name)).expect("the example is there");
    std::fs::write(dir.join("shared.yaml"), read("shared.yaml")).expect("a config");
    std::fs::write(dir.join("tanks/quarantine.yaml"), read("tanks/quarantine.yaml")).expect("a config");
    let lagoon = read("tanks/lagoon.yaml")
        .replace(
            "\nsignals:\n",
            "  quick-float: { measures: high-float, topic: bench/quick, wet: \"1\", dry: \"0\", stale_after: 60 s }\n  \
             slow-float: { measures: high-float, topic: bench/slow, wet: \"1\", dry: \"0\", stale_after: 60 s }\n\nsignals:\n",
        )
        .replace(
            "\n# Heats below",
            "  measured:\n    kind: other\n    rest: on\n    plug: { like: metered, at: lagoon/plug/fan-of-the-float, boots: off }\n\n# Heats below",
        )
        .replace(
            "\ninterlocks:\n",
            "\ninterlocks:\n  quick: { cause: { signal: quick-float, is: wet, unknown: ignored }, effect: { off: [measured] }, priority: low, action: none }\n  \
             slow: { cause: { signal: slow-float, is: wet, lasting: 1 s, unknown: ignored }, effect: { off: [measured] }, priority: low, action: none }\n",
        );
    std::fs::write(dir.join("tanks/lagoon.yaml"), lagoon).expect("a config");
}

pub(super) struct Watcher {
    client: AsyncClient,
    events: EventLoop,
    /// What the plug was last told.
    on: Option<bool>,
}

impl Watcher {
    pub(super) async fn start(port: u16) -> Self {
        let (client, mut events) = bare::client("bench-reaction", port);
        client.subscribe(COMMAND, QoS::AtLeastOnce).await.expect("room in the queue");
        while !matches!(events.poll().await.expect("the broker stays"), Event::Incoming(Incoming::SubAck(_))) {}
        Self { client, events, on: None }
    }

    /// Three samples, 5 s apart, and a float is believed.
    pub(super) async fn settle(&mut self) {
        for _ in 0..4 {
            self.say("bench/quick", "0");
            self.say("bench/slow", "0");
            let _ = self.told(true, Duration::from_millis(5500)).await;
        }
    }

    fn say(&self, topic: &str, payload: &'static str) {
        self.client.try_publish(topic, QoS::AtLeastOnce, false, payload).expect("room in the queue");
    }

    /// Polls until the plug is told so, reporting as it is told; when.
    async fn told(&mut self, on: bool, at_most: Duration) -> Option<Instant> {
        let until = tokio::time::Instant::now() + at_most;
        loop {
            match tokio::time::timeout_at(until, self.events.poll()).await {
                Ok(Ok(Event::Incoming(Incoming::Publish(publish)))) => {
                    let at = Instant::now();
                    let told_on = &publish.payload[..] != b"OFF";
                    self.say("lagoon/plug/fan-of-the-float/relay", if told_on { "ON" } else { "OFF" });
                    self.on = Some(told_on);
                    if told_on == on {
                        return Some(at);
                    }
                }
                Ok(Ok(_)) => {}
                Ok(Err(error)) => panic!("the broker stays: {error}"),
                Err(_) => return None,
            }
        }
    }
}

/// Times past the confirmation, in ms, of so many trips by this float.
pub(super) async fn trips(watcher: &mut Watcher, topic: &str, delay: Duration, count: usize) -> Vec<f64> {
    let mut millis = Vec::new();
    for _ in 0..count {
        watcher.say(topic, "0");
        // The plug is told on again, once the trip is cleared.
        if watcher.on != Some(true) {
            watcher.told(true, Duration::from_secs(10)).await.expect("it starts again once it is dry");
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
        // One word of a float counts: it completes the confirmation, or begins the delay.
        let completed = Instant::now() + delay;
        watcher.say(topic, "1");
        let off = watcher.told(false, Duration::from_secs(10)).await.expect("the trip turns it off");
        millis.push(off.saturating_duration_since(completed).as_secs_f64() * 1000.0);
    }
    millis
}

/// Measures and prints.
pub fn measure(broker: &Broker) {
    let _daemon = Daemon::start_with(broker, example);
    for (what, topic, delay, count) in [
        ("a float that trips at once", "bench/quick", Duration::ZERO, TRIPS),
        ("a float that trips after 1 s, past its second", "bench/slow", Duration::from_secs(1), TRIPS / 6),
    ] {
        let mut millis = Vec::new();
        bare::run(async {
            let mut watcher = Watcher::start(broker.port).await;
            watcher.settle().await;
            millis = trips(&mut watcher, topic, delay, count).await;
        });
        let [half, most, last] = servers::ranks(&mut millis, [0.50, 0.99, 1.0]);
        println!(
            "reaction, {what}, {count} trips: p50 {half:.2} ms, p99 {most:.2} ms, at most {last:.2} ms (target: at most {TARGET_MILLIS} ms)"
        );
    }
}

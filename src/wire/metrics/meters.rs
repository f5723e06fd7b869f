//! The daemon's own meters: the broker, the loop, the store, the notifications, the process.
//!
//! Handles are made once and kept, so that a message costs a few atomic additions. Everything that
//! is known to exist starts at 0.

use prometheus::{
    Encoder, Gauge, GaugeVec, Histogram, HistogramOpts, HistogramVec, IntCounter, IntCounterVec, IntGauge, IntGaugeVec,
    Opts, Registry, TextEncoder,
};

use crate::control::event::Unreadable;
use crate::time::Wall;

use super::super::router::MessageKind;
use super::of_notices::NoticeMeters;
use super::process::{Process, ProcessFacts};

/// What was published.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PublishKind {
    /// A command to a plug.
    Command,
    /// Our own state.
    State,
    /// An answer to a request.
    Answer,
}

/// What became of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PublishResult {
    /// Handed to the broker's connection.
    Sent,
    /// The broker was not there, or too slow; dropped, never queued.
    Dropped,
    /// The broker knows nobody who listens.
    NobodyListens,
    /// The broker did not allow it.
    Refused,
}

impl PublishKind {
    const WORDS: [&'static str; 3] = ["command", "state", "answer"];
}

impl PublishResult {
    const WORDS: [&'static str; 4] = ["sent", "dropped", "nobody-listens", "refused"];
}

/// The words of the results of a connection attempt.
const CONNECTS: [&str; 3] = ["accepted", "refused", "failed"];
/// The words of the results of a notification.
const NOTIFICATIONS: [&str; 4] = ["sent", "retried", "failed", "dropped"];

/// Every meter of the daemon. Cheap to share: the handles are counted references.
#[derive(Clone, Debug)]
pub struct Meters {
    registry: Registry,
    /// 1 while a broker session stands.
    pub connected: IntGauge,
    /// Unix time of the current connection.
    pub connected_since: Gauge,
    /// The protocol that the broker speaks.
    pub protocol: IntGauge,
    connects: IntCounterVec,
    received: Vec<IntCounter>,
    published: Vec<IntCounter>,
    decode_errors: Vec<IntCounter>,
    /// From the socket to the end of the handling of one message.
    pub handling: Histogram,
    /// How late a deadline was met.
    pub lag: Histogram,
    /// How long the control loop took for one turn.
    pub turn: Histogram,
    /// When the loop last turned.
    pub last_turn: Gauge,
    /// Store writes tried.
    pub store_writes: IntCounter,
    /// Store writes that failed.
    pub store_failures: IntCounter,
    /// How long a write took.
    pub store_duration: Histogram,
    /// The size of the store's file.
    pub store_size: IntGauge,
    /// 1 if the last config was taken.
    pub reload_ok: IntGauge,
    /// When a config was last taken.
    pub reload_at: Gauge,
    notifications: IntCounterVec,
    notification_queue: IntGaugeVec,
    notification_duration: HistogramVec,
    notification_success: GaugeVec,
    /// Of attempts, and of the heartbeat.
    pub notices: NoticeMeters,
    daemon_alarms: IntGaugeVec,
    http: HistogramVec,
    process: Process,
}

impl Meters {
    #[expect(clippy::too_many_lines, reason = "one list of names and helps, read from top to bottom")]
    /// All meters at 0, for the alarms and the channels that exist.
    pub fn new(daemon_alarms: &[&str], channels: &[&str]) -> Self {
        let registry = Registry::new();
        let build = int_gauges(
            &registry,
            "slackwater_build_info",
            "Build information; always 1.",
            &["version", "architecture", "system"],
        );
        build.with_label_values(&[env!("CARGO_PKG_VERSION"), std::env::consts::ARCH, std::env::consts::OS]).set(1);
        let connects = counters(
            &registry,
            "slackwater_mqtt_connects_total",
            "Connection attempts by result (accepted, refused, failed).",
            &["result"],
        );
        for result in CONNECTS {
            connects.with_label_values(&[result]);
        }
        let received =
            counters(&registry, "slackwater_mqtt_messages_received_total", "Messages received by kind.", &["kind"]);
        let published = counters(
            &registry,
            "slackwater_mqtt_messages_published_total",
            "Messages published by kind (command, state, answer) and result (sent, dropped, nobody-listens, refused).",
            &["kind", "result"],
        );
        let decode_errors = counters(
            &registry,
            "slackwater_mqtt_decode_errors_total",
            "Payloads that could not be used, by reason.",
            &["reason"],
        );
        let alarms = int_gauges(
            &registry,
            "slackwater_daemon_alarm_active",
            "1 while an alarm of the daemon itself, not of one tank, is active.",
            &["alarm"],
        );
        for alarm in daemon_alarms {
            alarms.with_label_values(&[alarm]).set(0);
        }
        let meters = Self {
            connected: int_gauge(&registry, "slackwater_mqtt_connected", "1 while a broker session is established."),
            connected_since: float(
                &registry,
                "slackwater_mqtt_connected_since_timestamp_seconds",
                "Unix time of the current connection; 0 while disconnected.",
            ),
            protocol: int_gauge(
                &registry,
                "slackwater_mqtt_protocol_level",
                "Protocol level of the session (5, or 4 for MQTT 3.1.1); 0 while disconnected.",
            ),
            connects,
            received: MessageKind::WORDS.iter().map(|(_, word)| received.with_label_values(&[word])).collect(),
            published: PublishKind::WORDS
                .iter()
                .flat_map(|kind| PublishResult::WORDS.iter().map(move |result| [*kind, *result]))
                .map(|labels| published.with_label_values(&labels))
                .collect(),
            decode_errors: Unreadable::ALL.iter().map(|r| decode_errors.with_label_values(&[r.word()])).collect(),
            handling: histogram(
                &registry,
                "slackwater_mqtt_handling_duration_seconds",
                "Time from taking a message to the end of its handling.",
                prometheus::exponential_buckets(5e-6, 4.0, 9).expect("valid constants"),
            ),
            lag: histogram(
                &registry,
                "slackwater_loop_lag_seconds",
                "How late each deadline was met.",
                prometheus::exponential_buckets(1e-3, 4.0, 8).expect("valid constants"),
            ),
            turn: histogram(
                &registry,
                "slackwater_loop_duration_seconds",
                "Time taken by each control step that a deadline asked for.",
                prometheus::exponential_buckets(1e-5, 4.0, 9).expect("valid constants"),
            ),
            last_turn: float(
                &registry,
                "slackwater_loop_last_tick_timestamp_seconds",
                "Unix time of the last completed control tick.",
            ),
            store_writes: total(&registry, "slackwater_store_writes_total", "State or history writes tried."),
            store_failures: total(
                &registry,
                "slackwater_store_write_failures_total",
                "State or history writes that failed or came too late.",
            ),
            store_duration: histogram(
                &registry,
                "slackwater_store_write_duration_seconds",
                "Time that the store's thread took for one write, the disk included.",
                vec![0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0],
            ),
            store_size: int_gauge(
                &registry,
                "slackwater_store_size_bytes",
                "Size of the store's file, its log not counted.",
            ),
            reload_ok: int_gauge(
                &registry,
                "slackwater_config_last_reload_successful",
                "1 if the last configuration load was accepted.",
            ),
            reload_at: float(
                &registry,
                "slackwater_config_last_reload_success_timestamp_seconds",
                "Unix time of the last accepted configuration.",
            ),
            notifications: counters(
                &registry,
                "slackwater_notifications_total",
                "Notifications by channel and result (sent, retried, failed, dropped).",
                &["channel", "result"],
            ),
            notification_queue: int_gauges(
                &registry,
                "slackwater_notification_queue_length",
                "Notifications waiting.",
                &["channel"],
            ),
            notification_duration: histograms(
                &registry,
                "slackwater_notification_duration_seconds",
                "Delivery time of notifications.",
                &["channel"],
                vec![0.05, 0.2, 1.0, 3.0, 10.0, 60.0, 600.0],
            ),
            notification_success: floats(
                &registry,
                "slackwater_notification_last_success_timestamp_seconds",
                "Unix time of the last delivered notification; 0 if none.",
                &["channel"],
            ),
            notices: NoticeMeters::new(&registry),
            daemon_alarms: alarms,
            http: histograms(
                &registry,
                "slackwater_http_request_duration_seconds",
                "Time to the head of an HTTP answer, by route and status code.",
                &["route", "code"],
                vec![0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0, 3.0, 10.0],
            ),
            process: Process::new(&registry),
            registry,
        };
        for channel in channels {
            meters.know_channel(channel);
        }
        meters
    }

    /// A channel that exists has its series at 0.
    pub fn know_channel(&self, channel: &str) {
        self.notices.know(channel);
        for result in NOTIFICATIONS {
            self.notifications.with_label_values(&[channel, result]);
        }
        self.notification_queue.with_label_values(&[channel]);
        self.notification_duration.with_label_values(&[channel]);
        self.notification_success.with_label_values(&[channel]);
    }

    /// A channel that a reload removed has no series.
    pub fn forget_channel(&self, channel: &str) {
        self.notices.forget(channel);
        for result in NOTIFICATIONS {
            let _ = self.notifications.remove_label_values(&[channel, result]);
        }
        let _ = self.notification_queue.remove_label_values(&[channel]);
        let _ = self.notification_duration.remove_label_values(&[channel]);
        let _ = self.notification_success.remove_label_values(&[channel]);
    }

    /// Counts a message received.
    pub fn received(&self, kind: MessageKind) {
        self.received[kind as usize].inc();
    }

    /// Counts a payload that could not be used.
    pub fn unreadable(&self, reason: Unreadable) {
        self.decode_errors[reason as usize].inc();
    }

    /// Counts a message published, or not.
    pub fn published(&self, kind: PublishKind, result: PublishResult) {
        self.published[kind as usize * PublishResult::WORDS.len() + result as usize].inc();
    }

    /// Counts an attempt to connect: `accepted`, `refused` or `failed`.
    pub fn connect(&self, result: &str) {
        self.connects.with_label_values(&[result]).inc();
    }

    /// A notification was `sent`, `retried`, `failed` or `dropped`.
    pub fn notification(&self, channel: &str, result: &str) {
        self.notifications.with_label_values(&[channel, result]).inc();
    }

    /// How many notifications wait.
    pub fn notifications_waiting(&self, channel: &str, count: usize) {
        self.notification_queue.with_label_values(&[channel]).set(i64::try_from(count).unwrap_or(i64::MAX));
    }

    /// A notification was delivered.
    pub fn notification_delivered(&self, channel: &str, seconds: f64, at: Wall) {
        self.notification_duration.with_label_values(&[channel]).observe(seconds);
        self.notification_success.with_label_values(&[channel]).set(at.unix_seconds());
    }

    /// An alarm of the daemon itself came or went.
    pub fn daemon_alarm(&self, alarm: &str, active: bool) {
        self.daemon_alarms.with_label_values(&[alarm]).set(i64::from(active));
    }

    /// Counts an HTTP request by its route's template, with the seconds that it took.
    pub fn http_request(&self, route: &str, code: u16, seconds: f64) {
        self.http.with_label_values(&[route, &code.to_string()]).observe(seconds);
    }

    /// The text of all meters, with what the process looks like now.
    pub fn text(&self, process: &ProcessFacts) -> String {
        self.process.set(process);
        let mut bytes = Vec::new();
        TextEncoder::new().encode(&self.registry.gather(), &mut bytes).expect("gathered families go into memory");
        String::from_utf8(bytes).expect("names, labels and numbers are UTF-8")
    }
}

fn register<C: prometheus::core::Collector + Clone + 'static>(registry: &Registry, collector: C) -> C {
    registry.register(Box::new(collector.clone())).expect("each name is registered once");
    collector
}

pub(super) fn int_gauge(registry: &Registry, name: &str, help: &str) -> IntGauge {
    register(registry, IntGauge::new(name, help).expect("a valid constant name"))
}

pub(super) fn float(registry: &Registry, name: &str, help: &str) -> Gauge {
    register(registry, Gauge::new(name, help).expect("a valid constant name"))
}

fn total(registry: &Registry, name: &str, help: &str) -> IntCounter {
    register(registry, IntCounter::new(name, help).expect("a valid constant name"))
}

pub(super) fn counters(registry: &Registry, name: &str, help: &str, labels: &[&str]) -> IntCounterVec {
    register(registry, IntCounterVec::new(Opts::new(name, help), labels).expect("a valid constant name"))
}

fn int_gauges(registry: &Registry, name: &str, help: &str, labels: &[&str]) -> IntGaugeVec {
    register(registry, IntGaugeVec::new(Opts::new(name, help), labels).expect("a valid constant name"))
}

fn floats(registry: &Registry, name: &str, help: &str, labels: &[&str]) -> GaugeVec {
    register(registry, GaugeVec::new(Opts::new(name, help), labels).expect("a valid constant name"))
}

fn histogram(registry: &Registry, name: &str, help: &str, buckets: Vec<f64>) -> Histogram {
    let opts = HistogramOpts::new(name, help).buckets(buckets);
    register(registry, Histogram::with_opts(opts).expect("a valid constant name"))
}

fn histograms(registry: &Registry, name: &str, help: &str, labels: &[&str], buckets: Vec<f64>) -> HistogramVec {
    let opts = HistogramOpts::new(name, help).buckets(buckets);
    register(registry, HistogramVec::new(opts, labels).expect("a valid constant name"))
}

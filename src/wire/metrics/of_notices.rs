//! Meters of the way out of the house, besides those in `meters`: attempts, failures, heartbeats.

use prometheus::{Gauge, IntCounterVec, Registry};

use crate::time::Wall;

use super::meters::{counters, float};

/// The words of the results of a call of the heartbeat's URL.
const CALLS: [&str; 2] = ["answered", "failed"];

/// The meters.
#[derive(Clone, Debug)]
pub struct NoticeMeters {
    attempts: IntCounterVec,
    failures: IntCounterVec,
    calls: IntCounterVec,
    last_call: Gauge,
}

impl NoticeMeters {
    /// All at 0.
    pub(super) fn new(registry: &Registry) -> Self {
        let meters = Self {
            attempts: counters(
                registry,
                "slackwater_notification_attempts_total",
                "Attempts to deliver a notification.",
                &["channel"],
            ),
            failures: counters(
                registry,
                "slackwater_notification_failures_total",
                "Attempts to deliver a notification that failed.",
                &["channel"],
            ),
            calls: counters(
                registry,
                "slackwater_heartbeat_calls_total",
                "Calls of the heartbeat's URL by result (answered, failed).",
                &["result"],
            ),
            last_call: float(
                registry,
                "slackwater_heartbeat_last_success_timestamp_seconds",
                "Unix time of the last answered call of the heartbeat's URL; 0 if none.",
            ),
        };
        for result in CALLS {
            meters.calls.with_label_values(&[result]);
        }
        meters
    }

    /// A channel that exists has its series at 0.
    pub fn know(&self, channel: &str) {
        self.attempts.with_label_values(&[channel]);
        self.failures.with_label_values(&[channel]);
    }

    /// A channel that a reload removed has no series.
    pub fn forget(&self, channel: &str) {
        let _ = self.attempts.remove_label_values(&[channel]);
        let _ = self.failures.remove_label_values(&[channel]);
    }

    /// An attempt to deliver.
    pub fn attempt(&self, channel: &str, delivered: bool) {
        self.attempts.with_label_values(&[channel]).inc();
        if !delivered {
            self.failures.with_label_values(&[channel]).inc();
        }
    }

    /// A call of the heartbeat's URL.
    pub fn call(&self, answered: bool, at: Wall) {
        self.calls.with_label_values(&[CALLS[usize::from(!answered)]]).inc();
        if answered {
            self.last_call.set(at.unix_seconds());
        }
    }
}

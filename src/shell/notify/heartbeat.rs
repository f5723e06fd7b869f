//! A URL that is called every so often, only while control turns: an outside watcher notices the silence.
//!
//! Duty: no call once control has not completed a turn for 5 s. What fails is counted, and is an alarm of the
//! daemon after [`FAILURES`] in a row: a watcher that nobody reaches would call people for nothing, or is gone.

use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use crate::config::channel::HeartbeatSettings;
use crate::shell::background;
use crate::shell::clock::Clock;
use crate::shell::pulse::Pulse;
use crate::time::Span;
use crate::wire::metrics::Meters;

use super::way::{Outcome, reveal};
use super::webhook::{agent, call, revealed};

/// Failures in a row that are an alarm.
const FAILURES: u32 = 3;
/// A call that failed is tried again after this, if the next is not due before.
const AGAIN: Span = Span::from_seconds(30);
/// Control that stood still is looked at again after this.
const LOOK_AGAIN: Duration = Duration::from_secs(1);

/// The caller. It ends by itself when this is dropped.
#[derive(Debug)]
pub struct Heartbeat {
    _stop: Sender<()>,
    settings: HeartbeatSettings,
    trouble: Arc<Mutex<Option<String>>>,
}

impl Heartbeat {
    /// Starts its thread.
    pub fn start(settings: &HeartbeatSettings, clock: Clock, pulse: Arc<Pulse>, meters: Meters) -> Self {
        let (stop, stopped) = channel();
        let trouble = Arc::default();
        let caller =
            Caller { settings: settings.clone(), clock, pulse, meters, trouble: Arc::clone(&trouble), failures: 0 };
        if let Err(error) = background::spawn("heartbeat", move || caller.run(&stopped)) {
            tracing::error!("no thread for the heartbeat: {error}");
        }
        Self { _stop: stop, settings: settings.clone(), trouble }
    }

    /// What it was started with.
    pub fn settings(&self) -> &HeartbeatSettings {
        &self.settings
    }

    /// Why the watcher is not reached; `None`: it is.
    pub fn trouble(&self) -> Option<String> {
        self.trouble.lock().ok().and_then(|trouble| trouble.clone())
    }
}

struct Caller {
    settings: HeartbeatSettings,
    clock: Clock,
    pulse: Arc<Pulse>,
    meters: Meters,
    trouble: Arc<Mutex<Option<String>>>,
    failures: u32,
}

impl Caller {
    fn run(mut self, stopped: &Receiver<()>) {
        let agent = agent();
        loop {
            let pause = if self.pulse.turns() {
                let outcome = self.call(&agent);
                self.took(outcome)
            } else {
                LOOK_AGAIN
            };
            if stopped.recv_timeout(pause) != Err(RecvTimeoutError::Timeout) {
                return;
            }
        }
    }

    fn call(&self, agent: &ureq::Agent) -> Outcome {
        let url = reveal(&self.settings.url)?;
        let headers = revealed(&self.settings.headers)?;
        let mut secrets = vec![url.clone()];
        secrets.extend(headers.iter().map(|(_, value)| value.clone()));
        call(agent, self.settings.method, &url, &headers, String::new(), &secrets)
    }

    /// Counts it, and gives the pause until the next call.
    fn took(&mut self, outcome: Outcome) -> Duration {
        let every = self.clock.real(self.settings.every);
        self.meters.notices.call(outcome.is_ok(), self.clock.now().wall);
        let Err(failure) = outcome else {
            self.failures = 0;
            self.set(None);
            return every;
        };
        self.failures += 1;
        tracing::warn!("the heartbeat's call failed: {}", failure.why);
        if self.failures >= FAILURES {
            let (times, why, fix) = (self.failures, failure.why, failure.fix);
            self.set(Some(format!(
                "the watcher of the heartbeat was not reached {times} times in a row: {why}; {fix}"
            )));
        }
        every.min(self.clock.real(AGAIN))
    }

    fn set(&self, trouble: Option<String>) {
        if let Ok(mut mine) = self.trouble.lock() {
            *mine = trouble;
        }
    }
}

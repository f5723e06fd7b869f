//! Whether control is alive and connected, as others may see it without asking control.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// A control loop that did not turn for this long is not ready.
const RECENT: Duration = Duration::from_secs(5);

/// Shared between control and the HTTP service.
#[derive(Debug)]
pub struct Pulse {
    start: Instant,
    turned: AtomicU64,
    connected: AtomicBool,
}

impl Default for Pulse {
    fn default() -> Self {
        Self { start: Instant::now(), turned: AtomicU64::new(0), connected: AtomicBool::new(false) }
    }
}

impl Pulse {
    /// Control completed a turn.
    pub fn turned(&self, connected: bool) {
        let millis = u64::try_from(self.start.elapsed().as_millis()).unwrap_or(u64::MAX);
        self.turned.store(millis, Ordering::Relaxed);
        self.connected.store(connected, Ordering::Relaxed);
    }

    /// Whether control completed a turn lately.
    pub fn turns(&self) -> bool {
        let last = Duration::from_millis(self.turned.load(Ordering::Relaxed));
        self.start.elapsed().saturating_sub(last) <= RECENT
    }

    /// Why the daemon is not ready; `None`: it is.
    pub fn not_ready(&self) -> Option<&'static str> {
        match () {
            () if !self.turns() => Some("the control loop has not turned for more than 5 s"),
            () if !self.connected.load(Ordering::Relaxed) => Some("the broker is not connected"),
            () => None,
        }
    }
}

//! The process's own families, by the names that the monitoring stack knows. The shell reads the facts.

use prometheus::core::{AtomicF64, GenericCounter};
use prometheus::{Gauge, IntGauge, Registry};

use super::meters::{float, int_gauge};

/// What the operating system says of the process.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ProcessFacts {
    /// User and system time, seconds.
    pub cpu_seconds: f64,
    /// Resident memory, bytes.
    pub resident_bytes: u64,
    /// Open file descriptors.
    pub open_files: u64,
    /// When it started, Unix seconds.
    pub started: f64,
}

#[derive(Clone, Debug)]
pub(super) struct Process {
    cpu: GenericCounter<AtomicF64>,
    resident: IntGauge,
    files: IntGauge,
    started: Gauge,
}

impl Process {
    pub(super) fn new(registry: &Registry) -> Self {
        let cpu = GenericCounter::new("process_cpu_seconds_total", "Total user and system CPU time.")
            .expect("a valid constant name");
        registry.register(Box::new(cpu.clone())).expect("each name is registered once");
        Self {
            cpu,
            resident: int_gauge(registry, "process_resident_memory_bytes", "Resident memory size."),
            files: int_gauge(registry, "process_open_fds", "Open file descriptors."),
            started: float(registry, "process_start_time_seconds", "Start time of the process since unix epoch."),
        }
    }

    pub(super) fn set(&self, facts: &ProcessFacts) {
        // A counter only rises; time that was counted before is not counted again.
        self.cpu.inc_by((facts.cpu_seconds - self.cpu.get()).max(0.0));
        self.resident.set(i64::try_from(facts.resident_bytes).unwrap_or(i64::MAX));
        self.files.set(i64::try_from(facts.open_files).unwrap_or(i64::MAX));
        self.started.set(facts.started);
    }
}

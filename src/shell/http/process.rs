//! What the kernel says of this process, from `/proc`.

use std::sync::OnceLock;

use crate::shell::clock::unix_millis;
use crate::wire::metrics::ProcessFacts;

/// Clock ticks a second of `/proc/self/stat`: 100 on every Linux that a daemon meets (`USER_HZ` is part
/// of the kernel's interface to programs).
const TICKS: f64 = 100.0;
/// The page of the usual machines; larger ones show a resident size that is too small.
const PAGE: u64 = 4096;

/// The facts; 0 where there is no `/proc`.
pub(super) fn facts() -> ProcessFacts {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    // The name in parentheses may hold spaces; the fields after it are counted from the third on (proc(5)).
    let fields: Vec<&str> = stat.rsplit(") ").next().unwrap_or_default().split_whitespace().collect();
    let number = |place: usize| fields.get(place - 3).and_then(|field| field.parse::<u64>().ok()).unwrap_or(0);
    let open = std::fs::read_dir("/proc/self/fd").map_or(0, Iterator::count);
    ProcessFacts {
        cpu_seconds: (number(14) + number(15)) as f64 / TICKS,
        resident_bytes: resident().unwrap_or(number(24) * PAGE),
        open_files: u64::try_from(open).unwrap_or(u64::MAX),
        started: started(number(22) as f64 / TICKS),
    }
}

/// From `/proc/self/status`, which counts in kB whatever the page is.
fn resident() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"))?;
    line.split_whitespace().next()?.parse::<u64>().ok().map(|kilobytes| kilobytes * 1024)
}

/// The start, found once: it must not wander with the wall clock.
fn started(seconds_after_boot: f64) -> f64 {
    static STARTED: OnceLock<f64> = OnceLock::new();
    *STARTED.get_or_init(|| {
        let uptime = std::fs::read_to_string("/proc/uptime").unwrap_or_default();
        let uptime: f64 = uptime.split_whitespace().next().and_then(|field| field.parse().ok()).unwrap_or(0.0);
        unix_millis() as f64 / 1000.0 - (uptime - seconds_after_boot).max(0.0)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_facts_are_those_of_this_process() {
        let facts = facts();
        assert!(facts.resident_bytes > 1 << 20 && facts.resident_bytes < 1 << 33, "{facts:?}");
        assert!(facts.open_files >= 3, "{facts:?}");
        let age = unix_millis() as f64 / 1000.0 - facts.started;
        assert!((0.0..3600.0).contains(&age), "{age}");
    }
}

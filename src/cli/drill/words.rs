//! What became of drills: a line for each that passed, the miss and its timeline for each that did not.

use std::fmt::Write as _;

use crate::time::Span;

use super::play::Outcome;

/// Minutes, seconds and tenths since the start.
fn clock(at: Span) -> String {
    let millis = at.millis();
    format!("{:>4}:{:02}.{:01}", millis / 60_000, millis / 1000 % 60, millis / 100 % 10)
}

/// All of them.
pub fn text(outcomes: &[Outcome]) -> String {
    let mut out = String::new();
    for outcome in outcomes {
        let head = if outcome.passed() { "passed" } else { "FAILED" };
        let _ = writeln!(
            out,
            "{head}  {} ({}: {} expectations in {})",
            outcome.title, outcome.file, outcome.expectations, outcome.lasted
        );
        for miss in &outcome.misses {
            let place = if miss.place.line > 0 {
                format!("{}:{}:{}: ", outcome.file, miss.place.line, miss.place.column)
            } else {
                String::new()
            };
            let _ = writeln!(out, "  {place}{}", miss.text);
            if miss.timeline.is_empty() {
                out.push_str("    nothing happened around it\n");
            }
            for entry in &miss.timeline {
                let subject = if entry.subject.is_empty() { String::new() } else { format!("{}: ", entry.subject) };
                let _ = writeln!(out, "    {}  {:<8} {subject}{}", clock(entry.at), entry.kind, entry.text);
            }
        }
    }
    let failed = outcomes.iter().filter(|outcome| !outcome.passed()).count();
    let _ = writeln!(out, "{} of {} drills passed", outcomes.len() - failed, outcomes.len());
    out
}

/// All of them, for machines.
pub fn json(outcomes: &[Outcome]) -> serde_json::Value {
    serde_json::json!({ "passed": outcomes.iter().all(Outcome::passed), "drills": outcomes })
}

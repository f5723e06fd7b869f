//! `--campaign N`: many seeded runs with faults at random, on all cores.
//!
//! Even runs draw faults by the rates of the model, so that they meet each other; odd runs get exactly
//! one of the whole vocabulary. Run n has seed `seed + n`, and its faults are drawn by that seed, so
//! that the order of the threads changes nothing. A panic of the core is a violation of invariant 10.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use crate::config::Setup;
use crate::sim::Chance;
use crate::sim::rehearsal::Report;
use crate::time::Span;

use super::{Rehearse, RehearseError};

/// Runs that are told one by one.
const TOLD: usize = 20;

/// One run of a campaign.
#[derive(Clone, Debug, serde::Serialize)]
pub struct Run {
    /// Its seed.
    pub seed: u64,
    /// Its faults.
    pub faults: Vec<String>,
    /// The command that plays it again.
    pub replay: String,
    /// What became of it; none: it panicked.
    pub report: Option<Report>,
}

impl Run {
    fn is_violated(&self) -> bool {
        self.report.as_ref().is_none_or(|report| !report.violations.is_empty())
    }
}

/// Plays them all; in the order of their seeds.
pub fn play(asked: &Rehearse, setup: &Setup, count: u64) -> Result<Vec<Run>, RehearseError> {
    // What is wrong with the arguments is wrong with each run.
    asked.stage(setup, asked.seed)?;
    let (next, done) = (AtomicU64::new(0), Mutex::new(BTreeMap::new()));
    let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    std::thread::scope(|scope| {
        for _ in 0..cores {
            scope.spawn(|| {
                loop {
                    let n = next.fetch_add(1, Ordering::Relaxed);
                    if n >= count {
                        break;
                    }
                    let run = one(asked, setup, n);
                    done.lock().expect("nobody panics with it in hand").insert(n, run);
                }
            });
        }
    });
    Ok(done.into_inner().expect("nobody panics with it in hand").into_values().collect())
}

fn one(asked: &Rehearse, setup: &Setup, n: u64) -> Run {
    let seed = asked.seed.wrapping_add(n);
    let mut chance = Chance::new(seed, "campaign");
    let mut rehearsal = asked.stage(setup, seed).expect("the same arguments were staged before");
    let catalogue = rehearsal.catalogue();
    let faults = if n.is_multiple_of(2) {
        catalogue.draw_by_rates(&mut chance, asked.lasts)
    } else {
        vec![catalogue.draw_one(&mut chance, asked.lasts)]
    };
    let sentences: Vec<String> = faults.iter().map(|fault| catalogue.sentence(fault)).collect();
    for fault in faults {
        rehearsal.inject(fault);
    }
    let report = catch_unwind(AssertUnwindSafe(|| {
        rehearsal.pass(asked.lasts);
        rehearsal.report()
    }));
    Run { seed, replay: asked.replay(seed, &sentences), faults: sentences, report: report.ok() }
}

/// Whether anything was violated in any of them.
pub fn is_violated(runs: &[Run]) -> bool {
    runs.iter().any(Run::is_violated)
}

/// Messages and simulated time of all of them.
pub fn sums(runs: &[Run]) -> (u64, Span) {
    let reports = runs.iter().filter_map(|run| run.report.as_ref());
    reports.fold((0, Span::ZERO), |(messages, passed), report| (messages + report.messages, passed.plus(report.passed)))
}

/// In words.
pub fn text(asked: &Rehearse, runs: &[Run]) -> String {
    let mut out = String::new();
    let faults: usize = runs.iter().map(|run| run.faults.len()).sum();
    let _ = writeln!(
        out,
        "campaign of {} runs of {} each, simulated; seeds {} to {}; {faults} faults\n",
        runs.len(),
        asked.lasts,
        asked.seed,
        runs.last().map_or(asked.seed, |run| run.seed)
    );
    let mut rules: BTreeMap<String, (usize, u64)> = BTreeMap::new();
    for run in runs {
        match &run.report {
            None => rules.entry("invariant 10, a panic".to_owned()).or_insert((0, run.seed)).0 += 1,
            Some(report) => {
                for one in &report.violations {
                    rules.entry(format!("{}, {} {}", one.rule, one.tank, one.subject)).or_insert((0, run.seed)).0 += 1;
                }
            }
        }
    }
    if rules.is_empty() {
        out.push_str("violations: none in any run\n");
    } else {
        out.push_str("violations, by the number of runs that saw them\n");
        for (rule, (count, first)) in &rules {
            let _ = writeln!(out, "  {count:>5}  {rule} (first with seed {first})");
        }
        let violated: Vec<&Run> = runs.iter().filter(|run| run.is_violated()).collect();
        let _ = writeln!(out, "\nruns with violations: {} of {}", violated.len(), runs.len());
        for run in violated.iter().take(TOLD) {
            let _ = writeln!(
                out,
                "  seed {}, {} fault{}",
                run.seed,
                run.faults.len(),
                if run.faults.len() == 1 { "" } else { "s" }
            );
            for one in run.report.iter().flat_map(|report| &report.violations) {
                let _ = writeln!(out, "    {} after {}: {} {}: {}", one.rule, one.at, one.tank, one.subject, one.text);
            }
            let _ = writeln!(out, "    {}", run.replay);
        }
        if violated.len() > TOLD {
            let _ = writeln!(out, "  ... and {} runs more; `--json` has them", violated.len() - TOLD);
        }
    }
    let _ = write!(out, "\n{}", super::words::FOOTER);
    out
}

/// For machines.
pub fn json(runs: &[Run]) -> String {
    let json = serde_json::json!({
        "violated": is_violated(runs),
        "runs": runs,
        "limits_of_the_model": super::words::FOOTER,
    });
    format!("{json:#}\n")
}

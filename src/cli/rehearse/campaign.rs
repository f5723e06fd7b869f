//! `--campaign N` and `--pairs K`: many seeded runs with faults at random, on all cores.
//!
//! Without `--rates` even runs draw faults by the rates of the model, so that they meet each other, and odd runs get exactly
//! one of the whole vocabulary; with it all runs draw, so many times as often. `--pairs 1` plays every unordered pair of kinds
//! of faults besides, each in a run of its own of [`PAIR`]; `--pairs 100` one in a hundred, which ones by the seed.
//!
//! Run n has seed `seed + n`, and its faults are drawn by that seed, so that the order of the threads changes nothing. A
//! run is found wanting where an invariant is violated or the water is harmed and no line of `--excused` says that nobody
//! could prevent it. A panic of the core is a violation of invariant 10.

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use crate::config::Setup;
use crate::sim::Chance;
use crate::sim::fault::Pairs;
use crate::sim::rehearsal::excuse::{self, Excuse};
use crate::sim::rehearsal::{Harmed, Report, Rule, Violation};
use crate::time::Span;

use super::{Rehearse, RehearseError};

/// How long a pair is played.
const PAIR: Span = Span::from_hours(12);

/// One run of a campaign.
#[derive(Clone, Debug, serde::Serialize)]
pub struct Run {
    /// Its seed.
    pub seed: u64,
    /// The kinds of a pair; else drawn by rates.
    pub pair: Option<(String, String)>,
    /// Its faults.
    pub faults: Vec<String>,
    /// The command that plays it again.
    pub replay: String,
    /// Simulated time.
    pub passed: Span,
    /// Messages that the core heard.
    pub messages: u64,
    /// It panicked.
    pub panicked: bool,
    /// Invariants that were violated.
    pub violations: Vec<Violation>,
    /// Harms that nothing excuses.
    pub harms: Vec<Harmed>,
    /// Harms that a line excuses, with that line's place in the list.
    pub excused: Vec<(Harmed, usize)>,
    /// The whole report of a run that is found wanting.
    pub report: Option<Report>,
}

impl Run {
    /// Whether it is found wanting.
    pub fn is_violated(&self) -> bool {
        self.panicked || !self.violations.is_empty() || !self.harms.is_empty()
    }
}

/// What a campaign is made of, and what became of it.
pub struct Campaign {
    /// In the order of their seeds; the pairs last.
    pub runs: Vec<Run>,
    /// The pairs of this home, if they were asked for.
    pub pairs: Option<Pairs>,
    /// What was excused.
    pub excuses: Vec<Excuse>,
}

impl Campaign {
    /// Whether any run is found wanting.
    pub fn is_violated(&self) -> bool {
        self.runs.iter().any(Run::is_violated)
    }

    /// Messages and simulated time of all runs.
    pub fn sums(&self) -> (u64, Span) {
        let add = |(messages, passed): (u64, Span), run: &Run| (messages + run.messages, passed.plus(run.passed));
        self.runs.iter().fold((0, Span::ZERO), add)
    }
}

/// What a run is to be.
#[derive(Clone, Debug)]
enum Task {
    Drawn,
    Pair(String, String),
}

/// Plays them all.
pub fn play(asked: &Rehearse, setup: &Setup) -> Result<Campaign, RehearseError> {
    // What is wrong with the arguments is wrong with each run.
    let first = asked.stage(setup, asked.seed, asked.lasts)?;
    let catalogue = first.catalogue();
    let excuses = match &asked.excused {
        None => Vec::new(),
        Some(path) => {
            let text = std::fs::read_to_string(path).map_err(|error| RehearseError::File(path.clone(), error))?;
            excuse::read(&text, &catalogue.kinds()).map_err(|wrong| RehearseError::Excuses(path.clone(), wrong))?
        }
    };
    let kinds = catalogue.kinds();
    if let Some(kind) = asked.with.iter().find(|kind| !kinds.contains(*kind)) {
        let nearest = crate::wire::ask::nearest(kind, kinds.iter().map(String::as_str));
        return Err(RehearseError::Kind(kind.clone(), nearest.map(str::to_owned)));
    }
    let pairs = asked.pairs.map(|_| catalogue.pairs());
    let drawn = (0..asked.campaign.unwrap_or(0)).map(|n| (n, Task::Drawn));
    let mut tasks: Vec<(u64, Task)> = drawn.collect();
    if let (Some(pairs), Some(every)) = (&pairs, asked.pairs) {
        let every = usize::try_from(every.max(1)).unwrap_or(usize::MAX);
        let from = usize::try_from(asked.seed).unwrap_or(0) % every;
        let thinned = pairs.possible.iter().skip(from).step_by(every);
        let first = tasks.len() as u64;
        let numbered = (first..).zip(thinned);
        // A pair has the seed that it has among all, so a part plays the same runs as the whole.
        let wanted = numbered.filter(|(_, (one, other))| {
            asked.with.is_empty() || asked.with.iter().any(|kind| kind == one || kind == other)
        });
        tasks.extend(wanted.map(|(n, (one, other))| (n, Task::Pair(one.clone(), other.clone()))));
    }
    let (next, done) = (AtomicU64::new(0), Mutex::new(BTreeMap::new()));
    let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    std::thread::scope(|scope| {
        for _ in 0..cores {
            scope.spawn(|| {
                loop {
                    let n = next.fetch_add(1, Ordering::Relaxed);
                    let Some((n, task)) = usize::try_from(n).ok().and_then(|n| tasks.get(n)) else { break };
                    let run = one(asked, setup, *n, task, &excuses);
                    done.lock().expect("nobody panics with it in hand").insert(*n, run);
                }
            });
        }
    });
    let runs = done.into_inner().expect("nobody panics with it in hand").into_values().collect();
    Ok(Campaign { runs, pairs, excuses })
}

fn one(asked: &Rehearse, setup: &Setup, n: u64, task: &Task, excuses: &[Excuse]) -> Run {
    let seed = asked.seed.wrapping_add(n);
    let lasts = if let Task::Pair(..) = task { PAIR } else { asked.lasts };
    let mut chance = Chance::new(seed, "campaign");
    let mut rehearsal = asked.stage(setup, seed, lasts).expect("the same arguments were staged before");
    let catalogue = rehearsal.catalogue();
    let (pair, faults) = match (task, asked.rates) {
        (Task::Pair(one, other), _) => {
            let drawn = catalogue.draw_pair((one, other), &mut chance).expect("only pairs that can meet are asked for");
            (Some((one.clone(), other.clone())), drawn.to_vec())
        }
        (Task::Drawn, Some(times)) => (None, catalogue.draw_by_rates(&mut chance, lasts, times)),
        (Task::Drawn, None) if n.is_multiple_of(2) => (None, catalogue.draw_by_rates(&mut chance, lasts, 1.0)),
        (Task::Drawn, None) => (None, vec![catalogue.draw_one(&mut chance, lasts)]),
    };
    let sentences: Vec<String> = faults.iter().map(|fault| catalogue.sentence(fault)).collect();
    for fault in faults {
        rehearsal.inject(fault);
    }
    let report = catch_unwind(AssertUnwindSafe(|| {
        rehearsal.pass(lasts);
        rehearsal.report()
    }));
    let replay = asked.replay(seed, lasts, &sentences);
    let report = report.ok();
    let mut run = Run {
        seed,
        pair,
        faults: sentences,
        replay,
        passed: report.as_ref().map_or(Span::ZERO, |report| report.passed),
        messages: report.as_ref().map_or(0, |report| report.messages),
        panicked: report.is_none(),
        violations: Vec::new(),
        harms: Vec::new(),
        excused: Vec::new(),
        report: None,
    };
    if let Some(report) = report {
        run.violations = report.violations.iter().filter(|one| one.rule != Rule::Water).cloned().collect();
        for harmed in &report.harms {
            match excuse::of(harmed, excuses) {
                Some(excuse) => run.excused.push((harmed.clone(), excuse)),
                None => run.harms.push(harmed.clone()),
            }
        }
        run.report = run.is_violated().then_some(report);
    }
    run
}

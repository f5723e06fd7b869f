//! The level between runs: whether it is quiet enough to be topped off, and whether it falls or rises by itself.
//!
//! The level is looked at on a grid of 15 s. The mean of a minute is compared with the one before; what it falls
//! faster than a rate is summed up, what it falls slower is taken off again, never below nothing (a cumulative
//! sum). Twice the spread that a quiet level may have is then no noise any more. The same upwards, with less.
//! Limits: it looks only while the flow is steady, ten minutes after each hold, and not from a run's start to its
//! verdict. Its sums go on over runs, since a leak makes short pauses between them. A keeper who pours water in
//! without a hold looks like a siphon, and one who takes some out like a leak.

use crate::control::deadlines::Deadlines;
use crate::control::effect::DeadlineKind;
use crate::control::plan::StillPlan;
use crate::control::truth::Truth;
use crate::time::{Span, Steady};

const GRID: Span = Span::from_seconds(15);
/// Three minutes of the grid: what a spread is taken of. [E: 3 min]
const SPREAD_OF: usize = 12;
/// One minute of the grid: a mean.
const MEAN_OF: usize = 4;
/// So long after a hold the water is not judged. [F35: 10 min]
const AFTER_HOLD: Span = Span::from_minutes(10);
/// A rise by this part of a quiet level's spread is no noise, nor is a fall by that. [F36: 3 mm of 2 mm; simulated:
/// with 3 mm a fall was false 2.7 times a year, since a run begins where noise reads low]
const RISE_PART: f64 = 1.5;
const FALL_PART: f64 = 2.0;
/// A fall must be so for this many looks, a rise, which latches, for that many: the mean of a minute goes on rising for a
/// minute after a pump stood for seconds, until the water sinks again (`verdict::STANDS_FOR`).
const FALL_LOOKS: u8 = 2;
const RISE_LOOKS: u8 = 8;

/// What is seen in one step.
#[derive(Clone, Copy, Debug)]
pub(super) struct Seen {
    pub now: Steady,
    /// The level in mm, while good.
    pub level: Option<f64>,
    /// Flow goes on, no pump is off.
    pub steady: bool,
    pub held: bool,
    /// A run goes on or is not judged yet.
    pub run: bool,
}

/// How fast a level falls.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Fall {
    /// Faster than any evaporation.
    Leak,
    /// So fast that minutes count.
    Burst,
}

/// A sum of what goes one way faster than a rate.
#[derive(Clone, Copy, Debug, Default)]
struct Sum {
    mm: f64,
    looks: u8,
}

impl Sum {
    fn add(&mut self, by: f64, enough: f64) {
        self.mm = (self.mm + by).clamp(0.0, 2.0 * enough);
        self.looks = if self.mm >= enough { self.looks.saturating_add(1) } else { 0 };
    }
}

/// The memory of a level.
#[derive(Clone, Debug)]
pub(super) struct Still {
    /// The newest looks, the oldest first.
    looks: Vec<f64>,
    /// The mean of a minute, at the last look.
    reference: Option<f64>,
    /// Looks since the water is undisturbed.
    quiet_looks: usize,
    quiet_at: Steady,
    was_held: bool,
    next: Steady,
    leak: Sum,
    burst: Sum,
    rise: Sum,
}

impl Still {
    pub fn new(now: Steady) -> Self {
        Self {
            looks: Vec::new(),
            reference: None,
            quiet_looks: 0,
            quiet_at: now,
            was_held: false,
            next: now,
            leak: Sum::default(),
            burst: Sum::default(),
            rise: Sum::default(),
        }
    }

    /// Looks, if it is time. Returns by how many mm the level rose by itself, once.
    pub fn follow(&mut self, plan: &StillPlan, seen: &Seen, deadlines: &mut Deadlines) -> Option<f64> {
        let now = seen.now;
        if self.was_held && !seen.held {
            self.quiet_at = now.after(AFTER_HOLD);
        }
        self.was_held = seen.held;
        if seen.held || !seen.steady || seen.level.is_none() {
            (self.leak, self.burst, self.rise) = <(Sum, Sum, Sum)>::default();
        }
        if seen.run || seen.held || !seen.steady || seen.level.is_none() {
            self.pause();
        }
        let Some(level) = seen.level else {
            self.looks.clear();
            return None;
        };
        let mut rose = None;
        if self.next <= now {
            self.next = now.after(GRID);
            if self.looks.len() >= SPREAD_OF {
                self.looks.remove(0);
            }
            self.looks.push(level);
            if !seen.run && !seen.held && seen.steady && self.quiet_at <= now {
                rose = self.look(plan);
            }
        }
        deadlines.ask(self.next, DeadlineKind::TopOff);
        rose
    }

    fn pause(&mut self) {
        self.reference = None;
        self.quiet_looks = 0;
    }

    fn look(&mut self, plan: &StillPlan) -> Option<f64> {
        self.quiet_looks = (self.quiet_looks + 1).min(SPREAD_OF);
        if self.quiet_looks < MEAN_OF || self.looks.len() < MEAN_OF {
            return None;
        }
        let mean = mean(&self.looks[self.looks.len() - MEAN_OF..]);
        let before = self.reference.replace(mean)?;
        let (fell, hours) = (before - mean, GRID.hours());
        self.leak.add(fell - plan.leak * hours, FALL_PART * plan.spread);
        self.burst.add(fell - plan.burst * hours, FALL_PART * plan.spread);
        // Rises slower than half of what is a leak are the probe's.
        self.rise.add(-fell - plan.leak / 2.0 * hours, RISE_PART * plan.spread);
        (self.rise.looks >= RISE_LOOKS).then(|| std::mem::take(&mut self.rise).mm)
    }

    /// The standard deviation of three minutes, mm; `None` before they are seen.
    pub fn spread(&self) -> Option<f64> {
        if self.looks.len() < SPREAD_OF {
            return None;
        }
        let mean = mean(&self.looks);
        let squares: f64 = self.looks.iter().map(|look| (look - mean).powi(2)).sum();
        Some((squares / (SPREAD_OF - 1) as f64).sqrt())
    }

    /// Whether the level is quiet enough to be topped off.
    pub fn is_quiet(&self, plan: &StillPlan) -> Truth {
        self.spread().map_or(Truth::Unknown, |spread| Truth::of(spread < plan.spread))
    }

    /// Falls faster than a leak, or than a burst; not known while the water is disturbed.
    pub fn falls(&self, fall: Fall) -> Truth {
        if self.reference.is_none() {
            return Truth::Unknown;
        }
        let sum = match fall {
            Fall::Leak => self.leak,
            Fall::Burst => self.burst,
        };
        Truth::of(sum.looks >= FALL_LOOKS)
    }
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / (values.len().max(1) as f64)
}

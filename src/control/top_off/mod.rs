//! A top-off: evaporated water is replaced in bounded runs, each judged by its answer, within a budget.
//!
//! ```text
//!            decided on, water reserved on disk             decided off, by whomever
//!   waiting ──────────────────────────────────► running ──────────────────────────────► settling
//!      ▲  rest over                                                                        │ judged
//!      └──────────────────── watching (a siphon shows now) ◄───────────────────────────────┘
//! ```
//! Duty: what to wish of the pump, why a start waits, and what a run's answer means. Two runs without answer,
//! and a siphon, are facts for latching interlocks. What the refills tell of evaporation, and the level of itself
//! between them, are facts for alarms. Whoever turns the pump on, a force too, gets one run and
//! pays from the budget. A run that another layer cuts short leaves its rest to the next one, so that the two cost
//! one. Limits: whether the water may be topped off at all is asked by the output's
//! permissives (float, level, flow, leak, reservoir, salinity), and stopped by interlocks.

mod evaporation;
pub(super) mod ledger;
mod live;
mod runs;
#[cfg(test)]
mod simulated;
mod still;
mod verdict;

use crate::time::{Span, Steady};

use super::deadlines::Deadlines;
use super::effect::DeadlineKind;
use super::plan::{Gauge, Switch, TopOffFact, TopOffPlan};
use super::truth::Truth;
use evaporation::Evaporation;
use ledger::Ledger;
pub use ledger::Window;
pub(super) use live::fact_words;
use runs::Run;
use still::{Fall, Seen, Still};

/// A daemon that has just started tops nothing off. [E: 2 min]
const AFTER_START: Span = Span::from_minutes(2);
/// So many runs without answer end it. [E: one retry]
const MOST_MISSES: u8 = 2;
/// A day's budget that was reached counts for a week. [E: twice in 7 days]
const WEEK: Span = Span::from_hours(7 * 24);

/// Why a start waits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Withheld {
    /// The daemon has just started.
    JustStarted,
    /// The last run was not long enough ago, or is not known to be over.
    Rests,
    /// A run more would be past the budget.
    Budget(Window),
}

/// Where it stands.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Phase {
    Waiting,
    /// Decided on.
    Running {
        since: Steady,
        before: Option<f64>,
    },
    /// Decided off; what flows comes to rest.
    Settling {
        ran: Span,
        before: Option<f64>,
        judged_at: Steady,
        /// The rest of a run that was cut short: its water alone tells of no interval.
        rest: bool,
    },
    /// Judged; the pump is off and the level should stand.
    Watching {
        until: Steady,
        /// What it may be, mm, and since when it is more than a siphon's rise over that.
        level: f64,
        rose_at: Option<Steady>,
    },
}

/// What moves the water besides evaporation and the pump.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Motion {
    /// Nothing: flow went on undisturbed, no return pump is off, and no hold stands.
    Steady,
    /// Its flow was or is lost.
    Disturbed,
    /// A keeper, under a hold.
    Held,
}

/// What is seen of the tank in one step.
#[derive(Clone, Copy, Debug)]
pub(super) struct Look {
    pub now: Steady,
    pub wanted: Truth,
    /// The level in mm or the low float (1 wet), while good.
    pub gauge: Option<f64>,
    pub water: Motion,
    pub salinity_good: bool,
    /// Every high contact is good and dry, and the broker is there to stop the pump.
    pub in_sight: bool,
}

/// A top-off's memory.
#[derive(Clone, Debug)]
pub(super) struct TopOff {
    phase: Phase,
    ledger: Ledger,
    /// The pump runs, or may.
    run: Option<Run>,
    started: Steady,
    rested_at: Option<Steady>,
    /// What a run that was cut short left to the next one, while water is still wanted.
    left: Option<Span>,
    misses: u8,
    /// Found in this step, for the conditions of the next one.
    found: Option<TopOffFact>,
    /// The plug's own countdown.
    lease: Option<Span>,
    /// When each day's budget that was reached is a week old.
    reached: Vec<Steady>,
    salinity_good: bool,
    evaporation: Evaporation,
    still: Still,
    /// Since when something keeps back a run that is wanted.
    blocked_since: Option<Steady>,
    /// A fact changed after the conditions of this step had looked.
    changed: bool,
    /// What it wishes.
    pub wish: Switch,
    /// Why a start waits.
    pub withheld: Option<Withheld>,
    /// No run is longer than this one.
    pub run_over: bool,
    /// What was said last.
    pub verdict: String,
}

impl Look {
    fn is_steady(&self) -> bool {
        self.water == Motion::Steady
    }
}

impl TopOff {
    pub fn new(lease: Option<Span>, now: Steady) -> Self {
        Self {
            phase: Phase::Waiting,
            ledger: Ledger::default(),
            run: None,
            started: now,
            rested_at: None,
            left: None,
            misses: 0,
            found: None,
            lease,
            reached: Vec::new(),
            salinity_good: true,
            evaporation: Evaporation::default(),
            still: Still::new(now.after(AFTER_START)),
            blocked_since: None,
            changed: false,
            wish: Switch::Off,
            withheld: None,
            run_over: false,
            verdict: String::new(),
        }
    }

    /// Before the decisions of a step: judges what is due, wishes, and says what withholds a start.
    /// Returns what is worth a line in the journal.
    pub fn follow(&mut self, plan: &TopOffPlan, look: &Look, deadlines: &mut Deadlines) -> Option<String> {
        // What was to be said once was seen by the conditions of this step.
        if let Some(found) = self.found.take() {
            if found == TopOffFact::NoResponse {
                self.misses = 0;
            }
            look_again(look.now, deadlines);
        }
        self.salinity_good = look.salinity_good;
        let mut said = self.advance(plan, look);
        said = self.watch(plan, look, deadlines).or(said);
        if self.found.is_some() {
            look_again(look.now, deadlines);
        }
        if look.wanted == Truth::False && !matches!(self.phase, Phase::Running { .. }) {
            self.left = None;
        }
        (self.wish, self.run_over) = self.wish(plan, look);
        self.withheld = self.withhold(plan, look.now);
        if look.wanted.is_true()
            && self.withheld == Some(Withheld::Budget(Window::Day))
            && self.reach(look.now, deadlines)
        {
            let text =
                format!("water is wanted, and the day's budget of {:.2} L is spent", self.most(plan, Window::Day));
            said.get_or_insert(text);
        }
        said
    }

    /// Between runs: what evaporates, and whether the level moves by itself.
    fn watch(&mut self, plan: &TopOffPlan, look: &Look, deadlines: &mut Deadlines) -> Option<String> {
        let before = (self.fact(TopOffFact::Quiet, look.now, plan), self.falls());
        let run = self.run.is_some() || matches!(self.phase, Phase::Running { .. } | Phase::Settling { .. });
        match look.gauge.filter(|_| look.is_steady()) {
            None => self.evaporation.disturb(look.now),
            Some(gauge) if !run => self.evaporation.calm(to_evaporate(plan, gauge), look.now),
            Some(_) => {}
        }
        let (Some(still), Gauge::Level { .. }) = (&plan.still, plan.gauge) else { return None };
        let seen =
            Seen { now: look.now, level: look.gauge, steady: look.is_steady(), held: look.water == Motion::Held, run };
        let rose = self.still.follow(still, &seen, deadlines);
        if before != (self.fact(TopOffFact::Quiet, look.now, plan), self.falls()) {
            look_again(look.now, deadlines);
        }
        let rise = rose.filter(|_| self.found.is_none())?;
        self.found = Some(TopOffFact::Siphon);
        self.evaporation.disturb(look.now);
        self.verdict = format!("the level rose by {rise:.1} mm by itself, with the pump off and the flow steady");
        Some(self.verdict.clone())
    }

    fn falls(&self) -> [Truth; 2] {
        [self.still.falls(Fall::Leak), self.still.falls(Fall::Burst)]
    }

    /// The day's budget is spent and more is wanted: counted once in 24 hours. Returns whether it is now.
    fn reach(&mut self, now: Steady, deadlines: &mut Deadlines) -> bool {
        let day_old = self.reached.last().map(|over| now.after(over.since(now).minus(WEEK.minus(ledger::DAY))));
        if let Some(at) = day_old.filter(|at| *at > now) {
            deadlines.ask(at, DeadlineKind::TopOff);
            return false;
        }
        self.reached.retain(|over| *over > now);
        self.reached.push(now.after(WEEK));
        look_again(now, deadlines);
        true
    }

    /// What is wished, and whether the run has lasted as long as any may.
    fn wish(&self, plan: &TopOffPlan, look: &Look) -> (Switch, bool) {
        let Phase::Running { since, .. } = self.phase else {
            return (if look.wanted.is_true() { Switch::On } else { Switch::Off }, false);
        };
        let ran = look.now.since(since);
        let goes_on = look.in_sight
            && ran < self.longest(plan)
            && match (plan.gauge, look.gauge) {
                // What is not seen is not topped off.
                (_, None) => false,
                (Gauge::Level { stop_at, .. }, Some(level)) => level < stop_at,
                (Gauge::LowFloat(_), Some(wet)) => wet < 0.5 && ran < plan.expected,
            };
        (if goes_on { Switch::On } else { Switch::Off }, ran >= self.longest(plan))
    }

    /// How long the run that goes on, or the next one, may last.
    fn longest(&self, plan: &TopOffPlan) -> Span {
        self.left.map_or(plan.longest, |left| left.min(plan.longest))
    }

    fn withhold(&self, plan: &TopOffPlan, now: Steady) -> Option<Withheld> {
        if matches!(self.phase, Phase::Running { .. }) {
            return None;
        }
        if now < self.started.after(AFTER_START) {
            return Some(Withheld::JustStarted);
        }
        if self.run.is_some() || self.rested_at.is_some_and(|at| now < at) {
            return Some(Withheld::Rests);
        }
        [Window::Day, Window::Hour]
            .into_iter()
            .find(|window| self.fits_at(plan, *window, now) > now)
            .map(Withheld::Budget)
    }

    /// Asks to be woken for everything that time alone changes.
    fn ask(&self, plan: &TopOffPlan, now: Steady, deadlines: &mut Deadlines) {
        let mut ask = |at: Steady| {
            if at > now {
                deadlines.ask(at, DeadlineKind::TopOff);
            }
        };
        match self.phase {
            Phase::Waiting => {}
            Phase::Running { since, .. } => {
                ask(since.after(self.longest(plan)));
                ask(since.after(plan.expected));
            }
            Phase::Settling { judged_at, .. } => ask(judged_at),
            Phase::Watching { until, rose_at, .. } => {
                ask(until);
                rose_at.map(|at| at.after(verdict::STANDS_FOR)).into_iter().for_each(&mut ask);
            }
        }
        ask(self.started.after(AFTER_START));
        self.rested_at.into_iter().for_each(&mut ask);
        self.run.and_then(|run| run.over_at).into_iter().for_each(&mut ask);
        self.reached.iter().copied().for_each(&mut ask);
        self.evaporation.overdue_at().into_iter().for_each(&mut ask);
        if self.run.is_none() {
            for window in [Window::Day, Window::Hour] {
                ask(self.fits_at(plan, window, now));
            }
        }
    }

    /// What conditions ask.
    pub fn fact(&self, fact: TopOffFact, now: Steady, plan: &TopOffPlan) -> Truth {
        Truth::of(match fact {
            TopOffFact::Fast => self.evaporation.is_fast(),
            TopOffFact::Overdue => self.evaporation.overdue_at().is_some_and(|at| at <= now),
            TopOffFact::Quiet => return plan.still.map_or(Truth::True, |still| self.still.is_quiet(&still)),
            TopOffFact::Leak => return self.still.falls(Fall::Leak),
            TopOffFact::Burst => return self.still.falls(Fall::Burst),
            TopOffFact::NoResponse | TopOffFact::Siphon => self.found == Some(fact),
            TopOffFact::OverBudget => self.reached.iter().filter(|over| **over > now).count() >= 2,
        })
    }
}

/// What is said once must be seen once, and be gone again before anybody asks for a reset.
fn look_again(now: Steady, deadlines: &mut Deadlines) {
    deadlines.ask(now.after(super::tank::LOOK_AGAIN), DeadlineKind::TopOff);
}

/// What must go before the next refill is wanted, litres.
fn to_evaporate(plan: &TopOffPlan, gauge: f64) -> f64 {
    let usual = plan.expected.seconds() * litres_per_second(plan);
    match plan.gauge {
        Gauge::Level { stop_at, litres_per_mm, .. } => ((gauge - stop_at) * litres_per_mm).max(0.0) + usual,
        Gauge::LowFloat(_) => usual,
    }
}

fn litres_per_second(plan: &TopOffPlan) -> f64 {
    plan.delivers.litres_per_minute() / 60.0
}

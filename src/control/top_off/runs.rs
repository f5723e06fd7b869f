//! What a run costs: reserved before it begins, paid by the time that the pump may have run.
//!
//! Every doubt counts as water: a plug whose off is not proven runs on, for us, until its lease is over; one
//! without a lease until it answers. A kill in the middle of a run leaves the whole reservation spent.

use crate::control::plan::{Switch, TopOffFact, TopOffPlan};
use crate::control::state::TopOffRecord;
use crate::control::status::ProofStatus;
use crate::time::{Span, Steady};

use super::evaporation::Evaporation;
use super::ledger::{Ledger, Window};
use super::{Deadlines, Look, MOST_MISSES, Phase, TopOff, Withheld, litres_per_second};

/// A refill that waited longer than this ends no interval. [PICK]
const LATE: Span = Span::from_minutes(2);

/// The pump runs, or may.
#[derive(Clone, Copy, Debug)]
pub(super) struct Run {
    began: Steady,
    /// What it may give at most, litres.
    reserved: f64,
    /// The plug's own countdown ends it, if nothing else did.
    pub over_at: Option<Steady>,
}

impl Run {
    fn litres(&self, plan: &TopOffPlan, until: Steady) -> f64 {
        until.since(self.began).seconds() * litres_per_second(plan)
    }
}

/// What the plug is known to do after the decisions of a step.
#[derive(Clone, Copy, Debug)]
pub(in crate::control) struct Pump {
    pub decided: Switch,
    pub told: Option<Switch>,
    pub reported: Option<Switch>,
    pub proof: ProofStatus,
}

impl Pump {
    fn is_on(self) -> bool {
        self.decided == Switch::On || self.reported == Some(Switch::On)
    }

    fn is_known_off(self) -> bool {
        let told = matches!(self.proof, ProofStatus::Proven | ProofStatus::CannotBeProven);
        self.told == Some(Switch::Off) && told
    }
}

/// What must be saved because of a step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::control) enum Saved {
    /// Nothing.
    Nothing,
    /// Before the pump is told on.
    BeforeTheRun,
    /// What a run cost.
    Soon,
}

impl TopOff {
    /// After the decisions of a step: reserves for a run that begins, pays for one that ended.
    pub fn decided(&mut self, plan: &TopOffPlan, look: &Look, pump: Pump, deadlines: &mut Deadlines) -> Saved {
        let now = look.now;
        let mut saved = Saved::Nothing;
        self.notice_delay(look, pump);
        match self.phase {
            Phase::Running { since, before } if pump.decided == Switch::Off => {
                let (ran, rest) = (now.since(since), self.left.is_some());
                let cut_short = self.wish == Switch::On;
                self.left = cut_short.then(|| self.longest(plan).minus(ran));
                self.phase = Phase::Settling { ran, before, judged_at: now.after(plan.settle), rest };
            }
            Phase::Running { .. } => {}
            _ if pump.decided == Switch::On => {
                self.phase = Phase::Running { since: now, before: look.gauge };
                // A start waits for the end of the last run, so there is none; if there were, it would go on counting.
                let began = self.run.map_or(now, |run| run.began);
                self.run = Some(Run { began, reserved: self.reservation(plan), over_at: None });
                saved = Saved::BeforeTheRun;
                self.count_interval(look);
                self.blocked_since = None;
            }
            _ => {}
        }
        match &mut self.run {
            None if pump.is_on() => self.run = Some(Run { began: now, reserved: 0.0, over_at: None }),
            None => {}
            Some(run) if pump.is_on() => run.over_at = None,
            Some(run) => {
                run.over_at = run.over_at.or(self.lease.map(|lease| now.after(lease)));
                let end = run.over_at.filter(|at| *at <= now).or(pump.is_known_off().then_some(now));
                if let Some(end) = end {
                    self.ledger.spend(run.litres(plan, end), end, now);
                    self.rested_at = Some(end.after(plan.rest));
                    self.run = None;
                    saved = Saved::Soon;
                }
            }
        }
        if std::mem::take(&mut self.changed) {
            super::look_again(now, deadlines);
        }
        self.ask(plan, now, deadlines);
        saved
    }

    /// Water is wanted and something else than the rest after a run keeps the pump off.
    fn notice_delay(&mut self, look: &Look, pump: Pump) {
        let waits = look.wanted.is_true() && pump.decided == Switch::Off && self.withheld != Some(Withheld::Rests);
        self.blocked_since = if waits {
            self.blocked_since.or(Some(look.now))
        } else {
            self.blocked_since.filter(|_| look.wanted.is_true())
        };
    }

    /// A refill begins, so an interval ends. It counts if the level asked for it, and got it soon.
    fn count_interval(&mut self, look: &Look) {
        let late = self.blocked_since.is_some_and(|since| look.now.since(since) > LATE);
        let was_fast = self.evaporation.is_fast();
        self.evaporation.refill_begins(look.wanted.is_true() && !late, look.now);
        if self.evaporation.is_fast() != was_fast {
            self.changed = true;
        }
    }

    /// Litres in a window, with what a run that goes on has reserved.
    pub(super) fn spent(&self, plan: &TopOffPlan, window: Window, now: Steady) -> f64 {
        let going_on = self.run.map_or(0.0, |run| run.reserved.max(run.litres(plan, now)));
        self.ledger.litres(window, now) + going_on
    }

    /// The most that a window may have: half of the day's while nobody knows how salt the water is.
    pub(super) fn most(&self, plan: &TopOffPlan, window: Window) -> f64 {
        match window {
            Window::Day if !self.salinity_good => plan.per_day.litres() / 2.0,
            Window::Day => plan.per_day.litres(),
            Window::Hour => plan.per_hour.litres(),
        }
    }

    /// What the next run may give at most: its longest, and what a plug gives that nobody reaches any more.
    fn reservation(&self, plan: &TopOffPlan) -> f64 {
        self.longest(plan).plus(self.lease.unwrap_or(Span::ZERO)).seconds() * litres_per_second(plan)
    }

    /// When one run more fits. The day has room for all that it may give; the hour, which bounds how fast the
    /// water changes, for the run itself: if everything dies in it, that hour gets one lease more.
    pub(super) fn fits_at(&self, plan: &TopOffPlan, window: Window, now: Steady) -> Steady {
        let litres = match window {
            Window::Day => self.reservation(plan),
            Window::Hour => self.longest(plan).seconds() * litres_per_second(plan),
        };
        self.ledger.fits_at(window, self.most(plan, window), litres, now)
    }

    /// Whether a run goes on, or its answer is still looked at: the level must not move by anything else.
    pub fn looks_at_a_run(&self) -> bool {
        !matches!(self.phase, Phase::Waiting)
    }

    /// A person has acknowledged that the record was lost.
    pub fn forget_assumed(&mut self) {
        self.ledger.forget_assumed();
    }

    /// The record was lost: the day's budget is taken as spent.
    pub fn assume_spent(&mut self, plan: &TopOffPlan, now: Steady) {
        self.ledger.assume(plan.per_day.litres(), now);
    }

    /// The same top-off under a new plan.
    pub fn take_over(&mut self, old: &Self) {
        let lease = self.lease;
        *self = Self { lease, ..old.clone() };
    }

    /// What must survive.
    pub fn record(&self, plan: &TopOffPlan, now: Steady) -> TopOffRecord {
        TopOffRecord {
            spent: self.ledger.record(now),
            total_litres: self.ledger.total,
            reserved: self.run.map(|run| run.reserved.max(run.litres(plan, now))),
            misses: self.misses,
            siphon: self.found == Some(TopOffFact::Siphon),
            reached: self.reached.iter().map(|over| super::WEEK.minus(over.since(now))).collect(),
            verdict: self.verdict.clone(),
            evaporation: self.evaporation.record(now),
        }
    }

    /// From what survived. A run that a kill cut short is paid in full; if nothing but a proof could have
    /// ended it, with all that the day had left.
    pub fn restore(&mut self, plan: &TopOffPlan, record: &TopOffRecord, now: Steady) {
        self.ledger = Ledger::restored(&record.spent, record.total_litres, now);
        if let Some(reserved) = record.reserved {
            let litres = if self.lease.is_some() { reserved } else { reserved.max(plan.per_day.litres()) };
            self.ledger.spend(litres, now, now);
        }
        self.rested_at = self.ledger.newest(now).map(|age| now.after(plan.rest.minus(age)));
        self.misses = record.misses;
        self.found = match record {
            TopOffRecord { siphon: true, .. } => Some(TopOffFact::Siphon),
            TopOffRecord { misses, .. } if *misses >= MOST_MISSES => Some(TopOffFact::NoResponse),
            _ => None,
        };
        self.reached = record.reached.iter().map(|age| now.after(super::WEEK.minus(*age))).collect();
        self.verdict.clone_from(&record.verdict);
        self.evaporation = Evaporation::restored(&record.evaporation);
    }
}

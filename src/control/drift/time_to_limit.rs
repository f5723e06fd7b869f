//! How long until a limit, at the rate of now.
//!
//! Duty: a robust slope through the points of a window (Theil-Sen, so that a splash does not tilt it), and the time to
//! the nearest limit along it. It is told only where the loop can do no more about it, where the value is away from
//! what is usual, and three times in a row. Limits: a straight line; water that comes to rest before the limit is told
//! of too early, never too late.

use std::collections::VecDeque;

use crate::control::plan::drift::{CoursePlan, NearsPlan};
use crate::time::{Span, Steady};
use crate::water::stats::robust::theil_sen;

/// Points in a window, and the fewest that make a slope. [D3: 60 min of 5 min; choice]
const POINTS: usize = 13;
const FEWEST: usize = 8;
/// So often in a row before it is told, and so often not before it is over. [D3: 3; choice]
const IN_A_ROW: u8 = 3;
const OVER_AFTER: u8 = 6;

/// Which ways count.
#[derive(Clone, Copy, Debug)]
pub(super) struct Ways {
    pub up: bool,
    pub down: bool,
}

/// A limit ahead.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Ahead {
    pub limit: f64,
    pub hours: f64,
    /// Units/h.
    pub slope: f64,
}

/// The way of one signal.
#[derive(Clone, Debug, Default)]
pub(super) struct Nears {
    points: VecDeque<(f64, f64)>,
    sum: f64,
    count: u32,
    next: Option<Steady>,
    ahead_for: u8,
    away_for: u8,
    pub found: bool,
    /// The last that was seen.
    pub ahead: Option<Ahead>,
}

impl Nears {
    /// Something else began: what came before is no slope of now.
    pub fn begin_anew(&mut self) {
        self.points.clear();
        (self.sum, self.count, self.next) = (0.0, 0, None);
    }

    /// The value of a minute, and what is usual now.
    pub fn look(
        &mut self,
        plan: &CoursePlan,
        nears: &NearsPlan,
        value: f64,
        usual: Option<f64>,
        ways: Ways,
        now: Steady,
    ) {
        let next = *self.next.get_or_insert(now.after(nears.spacing));
        self.sum += value;
        self.count += 1;
        if now < next {
            return;
        }
        // A silence is no point.
        if now >= next.after(nears.spacing) {
            return self.begin_anew();
        }
        let mean = self.sum / f64::from(self.count);
        (self.sum, self.count, self.next) = (0.0, 0, Some(next.after(nears.spacing)));
        self.points.push_back((now.since(Steady::from_millis(0)).hours(), mean));
        if self.points.len() > POINTS {
            self.points.pop_front();
        }
        self.ahead = self.ahead(plan, nears, mean, usual, ways);
        if self.ahead.is_some() {
            (self.ahead_for, self.away_for) = (self.ahead_for.saturating_add(1), 0);
        } else {
            (self.ahead_for, self.away_for) = (0, self.away_for.saturating_add(1));
        }
        self.found = if self.found { self.away_for < OVER_AFTER } else { self.ahead_for >= IN_A_ROW };
    }

    fn ahead(&self, plan: &CoursePlan, nears: &NearsPlan, mean: f64, usual: Option<f64>, ways: Ways) -> Option<Ahead> {
        if self.points.len() < FEWEST {
            return None;
        }
        let points: Vec<_> = self.points.iter().copied().collect();
        let slope = theil_sen(&points)?.slope;
        let rises = slope > 0.0;
        let limit = if rises { plan.high.filter(|_| ways.up)? } else { plan.low.filter(|_| ways.down)? };
        let left = if rises { limit - mean } else { mean - limit };
        let away = usual.is_none_or(|usual| if rises { mean - usual } else { usual - mean } > nears.away);
        let hours = left / slope.abs();
        let near = slope.abs() > nears.slowest && left > 0.0 && hours < nears.within.hours();
        (near && away).then_some(Ahead { limit, hours, slope })
    }
}

/// At most one telling in so long.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Told {
    pub at: Option<Steady>,
    pub stands: bool,
}

impl Told {
    /// It is so, or not; told again only after a quiet time.
    pub fn follow(&mut self, is_so: bool, quiet: Span, now: Steady) {
        if !is_so {
            self.stands = false;
        } else if !self.stands && self.at.is_none_or(|at| now.since(at) >= quiet) {
            *self = Self { at: Some(now), stands: true };
        }
    }

    /// For the record.
    pub fn ago(&self, now: Steady) -> (Option<Span>, bool) {
        (self.at.map(|at| now.since(at)), self.stands)
    }

    /// A clock that has just begun knows no moment before its own zero: older counts as just then.
    pub fn restored((ago, stands): (Option<Span>, bool), now: Steady) -> Self {
        Self { at: ago.map(|ago| now.before(ago)), stands }
    }
}

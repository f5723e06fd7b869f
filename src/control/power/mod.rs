//! What an output draws: whether a reading of its meter is evidence, and what it usually draws.
//!
//! Duty: a reading is evidence only while it is fresh (three of its meter's usual intervals, the stale limit at most)
//! and newer than the last thing that happened to the plug; else it is unknown, never the last value and never 0. What
//! is drawn while the output is proven on is learned; a person confirms it, and trips are judged by it only then.
//! Limits: it switches nothing and judges nothing. Conditions ask it ([`Condition::Draws`]), and interlocks and alarms
//! act. A meter that repeats its last number is fresh; whether it is believed says [`repeats`].

mod live;
mod repeats;

use std::collections::VecDeque;

use crate::time::{Span, Steady};
use crate::units::{Power as Watts, Quantity};

use super::conditions::amount;
use super::effect::aged;
use super::plan::{Condition, DrawLimit, MeterPlan, OutputPlan, Side, TankPlan};
use super::state::UsualPower;
use super::truth::Truth;
use repeats::Repeats;

pub(super) use live::asks;

/// What a condition asks of an output's power.
pub(super) type Ask = (Side, DrawLimit);

/// Older than so many usual intervals is no evidence. [F22: 3]
const INTERVALS: u64 = 3;
/// The longest of the last gaps is the usual interval: doubled messages and bursts must not shorten it. [choice]
const GAPS: usize = 8;
/// A relay needs up to a second, and a meter a little longer to show it. [choice]
const SHOWS_AFTER: Span = Span::from_seconds(5);
/// Motors and meters have settled so long after a switch. [choice]
const SETTLED_AFTER: Span = Span::from_seconds(10);
/// So many settled readings are enough to learn from, and so many are kept. [choice]
const ENOUGH: usize = 20;
const KEPT: usize = 60;
/// What is usual is worked out anew after so many readings. [choice]
const LEARNED_EVERY: usize = 10;
/// A meter is right to a watt: less is nothing to learn from. [common practice]
const NOTHING: f64 = 1.0;
/// Nearer to the usual watts than this nothing is unusual, whatever the share: meters of plugs are coarse. [choice]
const COARSE: f64 = 2.0;
/// More than this part of what was confirmed is too much. [F25: 115 %]
const EXCESS: f64 = 1.15;
/// More than this part of a mere rating. A heater of 230 V draws 21 % more at a mains voltage that is 10 % high, and may
/// be 5 % strong by itself. [from memory: mains 230 V within 10 %; V² / R]
const EXCESS_OF_RATING: f64 = 1.30;
/// What was learned is saved again when it moved by more than this part. [choice]
const MOVED: f64 = 0.02;

/// What is known of an output's power.
#[derive(Clone, Debug)]
pub(super) struct Power {
    last: Option<(f64, Steady)>,
    /// The last reading came late enough after what happened to the plug.
    evident: bool,
    /// The evident reading before the last one.
    before: Option<f64>,
    switched_at: Steady,
    repeats: Repeats,
    gaps: VecDeque<Span>,
    /// The longest of them, if there is any.
    longest_gap: Option<Span>,
    settled: VecDeque<f64>,
    /// Readings since what is usual was worked out.
    unlearned: usize,
    pub usual: Option<UsualPower>,
    pub confirmed: Option<f64>,
    saved: f64,
    /// J, by its readings; what is between two that are too far apart is not counted.
    pub joules: f64,
}

impl Power {
    pub fn new(now: Steady) -> Self {
        Self {
            last: None,
            evident: false,
            before: None,
            switched_at: now,
            repeats: Repeats::default(),
            gaps: VecDeque::new(),
            longest_gap: None,
            settled: VecDeque::new(),
            unlearned: 0,
            usual: None,
            confirmed: None,
            saved: 0.0,
            joules: 0.0,
        }
    }

    /// What was learned in an earlier run.
    pub fn remember(&mut self, usual: Option<UsualPower>, confirmed: Option<f64>) {
        let sound = |watts: &f64| watts.is_finite() && *watts > NOTHING;
        self.usual = usual.filter(|usual| sound(&usual.watts));
        self.saved = self.usual.map_or(0.0, |usual| usual.watts);
        self.confirmed = confirmed.filter(sound);
        self.repeats.lively = self.usual.is_some_and(|usual| usual.lively);
    }

    /// The plug was told, or reports, another state: what was read before is no evidence of what is now.
    pub fn switched(&mut self, now: Steady) {
        self.switched_at = now;
        self.repeats.switched(self.last.map(|(watts, _)| watts));
        self.evident = false;
        self.before = None;
    }

    /// A person says what it draws: its meter may be another one, and its habit is learned anew.
    pub fn confirm(&mut self, watts: f64) {
        self.confirmed = Some(watts);
        self.repeats.relearn();
    }

    /// The broker is gone.
    pub fn forget(&mut self) {
        self.last = None;
        self.evident = false;
        self.before = None;
    }

    /// A reading came. Returns whether a condition may see it differently now, or there is something to save.
    pub fn metered(&mut self, plan: &OutputPlan, asks: &[Ask], watts: f64, proven_on: bool, now: Steady) -> bool {
        let Some(meter) = &plan.plug.meter else { return false };
        let (seen, lasted) = (self.seen(plan, asks, now), self.fresh_for(meter));
        let was_lost = self.shown(plan, now).is_none();
        if let Some((before, at)) = self.last {
            if now.since(at) <= meter.stale_after && (before + watts).is_finite() {
                self.joules += f64::midpoint(before, watts).max(0.0) * now.since(at).seconds();
            }
            self.gaps.truncate(GAPS - 1);
            self.gaps.push_front(now.since(at).min(meter.stale_after));
            self.longest_gap = self.gaps.iter().max().copied();
        }
        self.before = self.last.filter(|_| self.evident).map(|(watts, _)| watts);
        let settled = proven_on && now >= self.switched_at.after(SETTLED_AFTER) && watts > NOTHING;
        self.repeats.follow(self.last.map(|(watts, _)| watts), watts, settled);
        self.last = Some((watts, now));
        self.evident = now >= self.switched_at.after(SHOWS_AFTER);
        let learned = settled && !self.is_stuck() && self.learn(watts);
        let found_or_lost = self.shown(plan, now).is_none() != was_lost;
        // A freshness that became shorter has no deadline yet.
        let shorter = self.fresh_for(meter) < lasted;
        learned || found_or_lost || shorter || asks.len() > 32 || self.seen(plan, asks, now) != seen
    }

    /// Returns whether it is worth saving.
    fn learn(&mut self, watts: f64) -> bool {
        self.settled.truncate(KEPT - 1);
        self.settled.push_front(watts);
        let count = self.settled.len();
        self.unlearned += 1;
        if count < ENOUGH || self.usual.is_some() && self.unlearned < LEARNED_EVERY {
            return false;
        }
        self.unlearned = 0;
        let mut sorted: Vec<f64> = self.settled.iter().copied().collect();
        sorted.sort_by(f64::total_cmp);
        let at = |place: usize| sorted.get(place).copied().unwrap_or(watts);
        let lively = self.repeats.lively;
        let (least, greatest) = (at(count / 20), at(count - 1 - count / 20));
        let usual = UsualPower { watts: at(count / 2), least, greatest, lively };
        let other_habit = self.usual.is_some_and(|before| before.lively != lively);
        self.usual = Some(usual);
        let moved = (usual.watts - self.saved).abs() > MOVED * self.saved || other_habit;
        if moved {
            self.saved = usual.watts;
        }
        moved
    }

    /// How many settled readings there are, of how many that are needed.
    pub fn progress(&self) -> (usize, usize) {
        (self.settled.len().min(ENOUGH), ENOUGH)
    }

    fn fresh_for(&self, meter: &MeterPlan) -> Span {
        self.longest_gap.map_or(meter.stale_after, |gap| gap.times(INTERVALS)).min(meter.stale_after)
    }

    /// The newest reading, if it is fresh and of now: for people.
    pub fn shown(&self, plan: &OutputPlan, now: Steady) -> Option<(f64, Steady)> {
        let lasts = self.fresh_for(plan.plug.meter.as_ref()?);
        self.last.filter(|(_, at)| now.since(*at) < lasts && !self.is_stuck())
    }

    /// Its meter repeats a number that is not of now.
    pub fn is_stuck(&self) -> bool {
        self.last.is_some_and(|(watts, _)| self.repeats.is_stuck(watts, NOTHING))
    }

    /// The newest reading, if it is evidence of what is now.
    fn evidence(&self, plan: &OutputPlan, now: Steady) -> Option<f64> {
        self.shown(plan, now).filter(|_| self.evident).map(|(watts, _)| watts)
    }

    /// What is drawn, once two readings on end say about the same.
    pub fn settled_now(&self, plan: &OutputPlan, now: Steady) -> Option<f64> {
        let (watts, before) = (self.evidence(plan, now)?, self.before?);
        ((watts - before).abs() <= COARSE.max(0.1 * watts)).then_some(watts)
    }

    /// When the newest reading grows old.
    pub fn expires(&self, plan: &OutputPlan, now: Steady) -> Option<Steady> {
        let (_, at) = self.shown(plan, now)?;
        Some(at.after(self.fresh_for(plan.plug.meter.as_ref()?)))
    }

    /// What the answers to all asks are now, two bits each.
    fn seen(&self, plan: &OutputPlan, asks: &[Ask], now: Steady) -> u64 {
        asks.iter().take(32).fold(0, |seen, (side, limit)| {
            let bits = match self.draws(plan, *side, *limit, now) {
                Truth::Unknown => 0,
                Truth::False => 1,
                Truth::True => 2,
            };
            seen << 2 | bits
        })
    }

    /// The watts at a limit. `None`: nothing says what this output should draw.
    fn limit(&self, plan: &OutputPlan, side: Side, limit: DrawLimit) -> Option<f64> {
        let declared = plan.plug.meter.as_ref().and_then(|meter| meter.running).map(Watts::watts);
        let commissioned = self.confirmed.or(declared);
        let rating = plan.rating.map(Watts::watts);
        let coarse = |usual: f64, share: f64| match side {
            Side::Above => (usual * share).max(usual + COARSE),
            Side::Below => (usual * share).min(usual - COARSE),
        };
        match limit {
            DrawLimit::Watts(watts) => Some(watts),
            // What nobody confirmed may warn where there is nothing else; it never trips.
            DrawLimit::Share(share) => {
                let learned = self.usual.map(|usual| usual.watts);
                commissioned.or(rating).or(learned).map(|usual| coarse(usual, share))
            }
            DrawLimit::Excess | DrawLimit::ExcessTwice => {
                let confirmed = commissioned.map(|usual| coarse(usual, EXCESS));
                confirmed.or_else(|| rating.map(|rating| coarse(rating, EXCESS_OF_RATING)))
            }
        }
    }

    /// Whether it draws more, or less, than a limit.
    pub fn draws(&self, plan: &OutputPlan, side: Side, limit: DrawLimit, now: Steady) -> Truth {
        let (Some(watts), Some(at)) = (self.evidence(plan, now), self.limit(plan, side, limit)) else {
            return Truth::Unknown;
        };
        let beyond = |watts: f64| match side {
            Side::Above => watts > at,
            Side::Below => watts < at,
        };
        let twice = limit != DrawLimit::ExcessTwice || self.before.is_some_and(beyond);
        Truth::of(beyond(watts) && twice)
    }

    /// `heater draws 99.6 W, 3 s ago`, or why nobody knows.
    pub fn words(&self, plan: &OutputPlan, now: Steady) -> String {
        let name = &plan.name;
        match (self.shown(plan, now), self.last) {
            (Some((watts, at)), _) if self.evident => {
                format!("{name} draws {}", aged(amount(Quantity::Power, watts), now.since(at)))
            }
            (Some(_), _) => format!("what {name} draws since its last switch is not known yet"),
            (None, Some((watts, at))) if self.is_stuck() && now.since(at) < Span::from_minutes(5) => {
                format!("what {name} draws is not known (its meter repeats {watts} W to the last digit: it is stuck)")
            }
            (None, Some((_, at))) => format!("what {name} draws is not known (last heard {} ago)", now.since(at)),
            (None, None) => format!("what {name} draws is not known (never heard)"),
        }
    }

    /// A limit in watts, where it is known.
    pub fn limit_words(&self, plan: &OutputPlan, side: Side, limit: DrawLimit) -> String {
        self.limit(plan, side, limit)
            .map_or_else(|| "what nobody has confirmed".to_owned(), |watts| amount(Quantity::Power, watts))
    }
}

#[cfg(test)]
mod tests;

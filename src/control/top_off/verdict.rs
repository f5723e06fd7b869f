//! What a run's answer means: enough, nothing, or more than was pumped.
//!
//! A verdict needs a look at undisturbed water before and after. Without one there is none: a run in which a
//! hold began, or the flow or the level was lost, is neither answered nor missed.

use crate::control::plan::{Gauge, TopOffFact, TopOffPlan};
use crate::time::{Span, Steady};

use super::{Look, MOST_MISSES, Phase, TopOff, litres_per_second};

/// After a run a siphon shows within this time. [F36]
const WATCHED_FOR: Span = Span::from_minutes(5);
/// Rising by more than this without the pump is a siphon, mm. [F36]
const SIPHON_RISE: f64 = 3.0;
/// And staying there for so long: of two readings a few will be so far apart by noise alone, some in a year. [choice]
pub(super) const RISE_STANDS: Span = Span::from_seconds(30);
/// The answer of the level must be this part of what the run should have given. [E: 25 %]
const LEAST_ANSWER: f64 = 0.25;
/// More than this part of it comes from somewhere else. [E: 150 %]
const MOST_ANSWER: f64 = 1.5;

impl TopOff {
    /// Judges a run whose water has settled, and watches the level after it.
    pub(super) fn advance(&mut self, plan: &TopOffPlan, look: &Look) -> Option<String> {
        match self.phase {
            Phase::Settling { ran, before, judged_at } if judged_at <= look.now => {
                let after = look.gauge.filter(|_| look.is_steady());
                let (text, level) = self.judge(plan, ran, before, after);
                let undisturbed = after.is_some() && self.misses == 0 && self.found.is_none();
                self.evaporation.refill_judged(undisturbed.then(|| ran.seconds() * litres_per_second(plan)));
                self.phase = match level {
                    Some(level) if self.found.is_none() => {
                        let over = after.filter(|after| after - level > SIPHON_RISE).map(|_| look.now);
                        Phase::Watching { until: look.now.after(WATCHED_FOR.minus(plan.settle)), level, over }
                    }
                    _ => Phase::Waiting,
                };
                self.verdict.clone_from(&text);
                Some(text)
            }
            Phase::Watching { .. } if !look.is_steady() => {
                self.phase = Phase::Waiting;
                None
            }
            Phase::Watching { until, level, over } => {
                // An unseen level is no evidence, neither of a rise nor of its end.
                let Some(gauge) = look.gauge.filter(|_| self.run.is_none()) else {
                    self.end_watch(until, look.now);
                    return None;
                };
                let rise = gauge - level;
                let over = (rise > SIPHON_RISE).then(|| over.unwrap_or(look.now));
                self.phase = Phase::Watching { until, level, over };
                match over {
                    None => {
                        self.end_watch(until, look.now);
                        None
                    }
                    Some(over) if look.now < over.after(RISE_STANDS) => None,
                    Some(_) => {
                        self.phase = Phase::Waiting;
                        self.found = Some(TopOffFact::Siphon);
                        self.verdict =
                            format!("the level rose by {rise:.1} mm more than a run explains, with the pump off");
                        Some(self.verdict.clone())
                    }
                }
            }
            _ => None,
        }
    }

    fn end_watch(&mut self, until: Steady, now: Steady) {
        if until <= now {
            self.phase = Phase::Waiting;
        }
    }

    /// Words, and the level that is watched from now on: what stands over it by more than [`SIPHON_RISE`] is not
    /// explained by the run.
    fn judge(
        &mut self,
        plan: &TopOffPlan,
        ran: Span,
        before: Option<f64>,
        after: Option<f64>,
    ) -> (String, Option<f64>) {
        let (Some(before), Some(after)) = (before, after) else {
            let text = format!("a run of {ran} is not judged: the water was disturbed, or not seen throughout");
            return (text, after.filter(|_| matches!(plan.gauge, Gauge::Level { .. })));
        };
        // A short run moves less than a probe's noise. [E: 9 of 18 s]
        let long_enough = ran.times(2) >= plan.expected;
        let mut level = None;
        let (answered, text) = match plan.gauge {
            Gauge::Level { litres_per_mm, .. } => {
                let due = ran.seconds() * litres_per_second(plan) / litres_per_mm;
                let rise = after - before;
                let most = (MOST_ANSWER * due).max(due + SIPHON_RISE);
                level = Some(after.min(before + most - SIPHON_RISE));
                let text = format!("a run of {ran} raised the level by {rise:.1} mm, and should by {due:.1} mm");
                (rise >= LEAST_ANSWER * due, text)
            }
            Gauge::LowFloat(_) => {
                let wet = after > 0.5;
                let word = if wet { "is wet" } else { "is still dry" };
                (wet, format!("after a run of {ran} the low float {word}"))
            }
        };
        if answered || !long_enough {
            if answered {
                self.misses = 0;
            }
            return (text, level);
        }
        self.misses = self.misses.saturating_add(1);
        let again = self.misses < MOST_MISSES;
        self.found = if again { self.found } else { Some(TopOffFact::NoResponse) };
        let then = if again { "no answer; one retry" } else { "no answer twice" };
        (format!("{text}: {then}"), level)
    }
}

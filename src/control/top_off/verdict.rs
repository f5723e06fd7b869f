//! What a run's answer means: enough, nothing, or more than was pumped.
//!
//! A verdict needs a look at undisturbed water before and after. Without one there is none: a run in which a
//! hold began, or the flow or the level was lost, is neither answered nor missed. A rise that should not be is a siphon
//! only when it stands: a pump that lost its power for seconds lets the display drain back, and lifts it again.

use crate::control::plan::{Gauge, TopOffFact, TopOffPlan};
use crate::time::Span;

use super::{Look, MOST_MISSES, Phase, TopOff, litres_per_second};

/// After a run a siphon shows within this time. [F36]
const WATCHED_FOR: Span = Span::from_minutes(5);
/// Rising by more than this without the pump is a siphon, mm. [F36]
const SIPHON_RISE: f64 = 3.0;
/// A rise has to stand for so long. A sump is at rest 55 s after its pump started again (simulated), and its level, the
/// median of half a minute, follows. [F36: told within 60 to 300 s of the run's end; choice]
pub(super) const STANDS_FOR: Span = Span::from_seconds(90);
/// The answer of the level must be this part of what the run should have given. [E: 25 %]
const LEAST_ANSWER: f64 = 0.25;
/// More than this part of it comes from somewhere else. [E: 150 %]
const MOST_ANSWER: f64 = 1.5;

impl TopOff {
    /// Judges a run whose water has settled, and watches the level after it.
    pub(super) fn advance(&mut self, plan: &TopOffPlan, look: &Look) -> Option<String> {
        match self.phase {
            Phase::Settling { ran, before, judged_at, rest } if judged_at <= look.now => {
                let after = look.gauge.filter(|_| look.is_steady());
                let (text, most) = self.judge(plan, ran, before, after);
                let too_much = most.zip(after).is_some_and(|(most, after)| after - most > SIPHON_RISE);
                let undisturbed = after.is_some() && !rest && self.misses == 0 && self.found.is_none() && !too_much;
                self.evaporation.refill_judged(undisturbed.then(|| ran.seconds() * litres_per_second(plan)));
                self.phase = match (plan.gauge, after) {
                    (Gauge::Level { .. }, Some(level)) if self.found.is_none() => {
                        // Over what the run can have given it is suspect from here on.
                        let level = if too_much { most.unwrap_or(level) } else { level };
                        let rose_at = too_much.then_some(look.now);
                        Phase::Watching { until: look.now.after(WATCHED_FOR.minus(plan.settle)), level, rose_at }
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
            Phase::Watching { until, level, rose_at } => {
                let gauge = look.gauge.filter(|_| self.run.is_none());
                let rise = gauge.map(|now| now - level).filter(|rise| *rise > SIPHON_RISE);
                let since = rise.map(|_| rose_at.unwrap_or(look.now));
                self.phase = Phase::Watching { until, level, rose_at: since };
                match (rise, since) {
                    (Some(rise), Some(since)) if since.after(STANDS_FOR) <= look.now => {
                        self.phase = Phase::Waiting;
                        self.found = Some(TopOffFact::Siphon);
                        self.verdict = format!(
                            "the level rose by {rise:.1} mm more than the run can have given, and stays so with the pump off"
                        );
                        Some(self.verdict.clone())
                    }
                    (None, None) if until <= look.now => {
                        self.phase = Phase::Waiting;
                        None
                    }
                    _ => None,
                }
            }
            _ => None,
        }
    }

    /// What the answer means, and the most that the level can be after it, in mm, where the answer is more than that.
    fn judge(
        &mut self,
        plan: &TopOffPlan,
        ran: Span,
        before: Option<f64>,
        after: Option<f64>,
    ) -> (String, Option<f64>) {
        let (Some(before), Some(after)) = (before, after) else {
            return (format!("a run of {ran} is not judged: the water was disturbed, or not seen throughout"), None);
        };
        let mut most = None;
        // A short run moves less than a probe's noise. [E: 9 of 18 s]
        let long_enough = ran.times(2) >= plan.expected;
        let (answered, text) = match plan.gauge {
            Gauge::Level { litres_per_mm, .. } => {
                let due = ran.seconds() * litres_per_second(plan) / litres_per_mm;
                let rise = after - before;
                if rise > MOST_ANSWER * due {
                    most = Some(before + due);
                }
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
            return (text, most);
        }
        self.misses = self.misses.saturating_add(1);
        let again = self.misses < MOST_MISSES;
        self.found = if again { self.found } else { Some(TopOffFact::NoResponse) };
        let then = if again { "no answer; one retry" } else { "no answer twice" };
        (format!("{text}: {then}"), most)
    }
}

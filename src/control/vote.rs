//! Several probes to one signal: two and three voted as process plants do, one taken as it is.
//!
//! Two: the highest decides heating and the high trip, the lowest decides the low alarm; they
//! disagree when they are further apart than the plan says for as long as it says. Three: the
//! median, and a probe far from it for that long is suspect and out of the vote.

use crate::time::{Span, Steady};
use crate::units::Quantity;

use super::deadlines::Deadlines;
use super::effect::DeadlineKind;
use super::plan::{ProbePlan, SignalPlan};
use super::probe::Probe;
use super::quality::{Doubt, Fault, Quality};

/// The result of one vote.
#[derive(Clone, Copy, Debug)]
pub(super) struct Vote {
    /// The voted value; meaningless while the quality is bad.
    pub value: f64,
    /// What heating and high alarms look at: the highest of the probes that count; of three, the median.
    pub highest: f64,
    /// What low alarms look at: the lowest of the probes that count; of three, the median.
    pub lowest: f64,
    /// How far the probes that count are apart.
    spread: f64,
    /// Whether and why it may be believed.
    pub quality: Quality,
    /// Good probes.
    pub good: u8,
    /// The newest sample of the probes that count.
    pub sampled_at: Option<Steady>,
}

impl Vote {
    /// No value, for that reason.
    fn none(quality: Quality) -> Self {
        Self { value: 0.0, highest: 0.0, lowest: 0.0, spread: 0.0, quality, good: 0, sampled_at: None }
    }
}

/// A signal's memory between votes.
#[derive(Clone, Debug)]
pub(super) struct Signal {
    /// The last vote.
    pub vote: Vote,
    /// Since when the probes are apart.
    apart_since: Option<Steady>,
    /// They have been apart for long enough.
    pub disagreeing: bool,
    /// Of three probes, since when each is far from the median.
    far_since: Vec<Option<Steady>>,
}

impl Vote {
    /// The voted value, if it may be believed.
    pub fn good_value(&self) -> Option<f64> {
        self.quality.is_good().then_some(self.value)
    }
}

impl Signal {
    /// Before the first vote.
    pub fn new(plan: &SignalPlan) -> Self {
        let bad = Quality::Bad(Fault::NeverHeard);
        Self { vote: Vote::none(bad), apart_since: None, disagreeing: false, far_since: vec![None; plan.probes.len()] }
    }

    /// Votes anew. Probes that are outvoted are marked so.
    pub fn vote(
        &mut self,
        plan: &SignalPlan,
        plans: &[ProbePlan],
        probes: &mut [Probe],
        now: Steady,
        deadlines: &mut Deadlines,
    ) {
        if let (Some(disagree), true) = (plan.disagree, plan.probes.len() >= 3) {
            self.outvote(plan, disagree.by, disagree.lasting, plans, probes, now, deadlines);
        }
        let mut values = Values::default();
        let mut worst: Option<Quality> = None;
        for id in &plan.probes {
            let (probe, probe_plan) = (&probes[id.index()], &plans[id.index()]);
            let quality = probe.quality(probe_plan, now);
            if let Some(value) = probe.value(probe_plan, now) {
                values.add(value, quality, probe.accepted_at());
            }
            // The first probe's reason speaks for the signal, unless another has come further.
            let further = |old: Quality| rank(quality) < rank(old);
            if worst.is_none_or(further) {
                worst = Some(quality);
            }
        }
        self.vote = values.decide(plan.quantity, worst.unwrap_or(Quality::Bad(Fault::NeverHeard)));
        self.judge_distance(plan, now, deadlines);
    }

    /// One of its probes said the same again.
    pub fn heard_again(&mut self, quality: Quality, at: Steady) {
        // Suspect probes count only where there is no good one.
        if quality.is_usable() && quality.is_good() == self.vote.quality.is_good() {
            self.vote.sampled_at = self.vote.sampled_at.max(Some(at));
        }
    }

    fn judge_distance(&mut self, plan: &SignalPlan, now: Steady, deadlines: &mut Deadlines) {
        let apart = plan.disagree.filter(|disagree| self.vote.quality.is_usable() && self.vote.spread > disagree.by);
        let Some(disagree) = apart else {
            self.apart_since = None;
            self.disagreeing = false;
            return;
        };
        let since = *self.apart_since.get_or_insert(now);
        self.disagreeing = lasted(since, disagree.lasting, now, deadlines);
    }

    #[expect(clippy::too_many_arguments, reason = "the plan's two numbers and the two slices that they apply to")]
    fn outvote(
        &mut self,
        plan: &SignalPlan,
        by: f64,
        lasting: Span,
        plans: &[ProbePlan],
        probes: &mut [Probe],
        now: Steady,
        deadlines: &mut Deadlines,
    ) {
        let mut values: Vec<f64> =
            plan.probes.iter().filter_map(|id| probes[id.index()].value(&plans[id.index()], now)).collect();
        values.sort_by(f64::total_cmp);
        let median = (values.len() >= 3).then(|| values[values.len() / 2]);
        for (id, far_since) in plan.probes.iter().zip(&mut self.far_since) {
            let value = probes[id.index()].value(&plans[id.index()], now);
            let far = matches!((value, median), (Some(value), Some(median)) if (value - median).abs() > by);
            *far_since = far.then(|| far_since.unwrap_or(now));
            probes[id.index()].outvoted = far_since.is_some_and(|since| lasted(since, lasting, now, deadlines));
        }
    }
}

fn lasted(since: Steady, span: Span, now: Steady, deadlines: &mut Deadlines) -> bool {
    let due = since.after(span);
    if due > now {
        deadlines.ask(due, DeadlineKind::Condition);
    }
    due <= now
}

/// How much a probe of this quality tells about why a signal is not there; less is more.
fn rank(quality: Quality) -> u8 {
    match quality {
        Quality::Good => 0,
        Quality::Suspect(_) => 1,
        Quality::Bad(Fault::Settling | Fault::InCare) => 2,
        Quality::Bad(Fault::Stale) => 3,
        Quality::Bad(Fault::OutOfRange | Fault::WrongUnit | Fault::Undecodable(_) | Fault::NoTemperature) => 4,
        Quality::Bad(Fault::RetainedOnly) => 5,
        Quality::Bad(Fault::NeverHeard) => 6,
    }
}

/// The values of one vote: good ones, and suspect ones for when there is nothing better.
#[derive(Default)]
struct Values {
    good: Few,
    suspect: Few,
    doubt: Option<Doubt>,
}

/// A few sorted values without allocation: signals have one to three probes, rarely more.
#[derive(Default)]
struct Few {
    values: [f64; 8],
    len: usize,
    newest: Option<Steady>,
}

impl Few {
    fn add(&mut self, value: f64, at: Option<Steady>) {
        if self.len < self.values.len() {
            self.values[self.len] = value;
            self.len += 1;
            self.values[..self.len].sort_by(f64::total_cmp);
        }
        self.newest = self.newest.max(at);
    }

    fn voted(&self) -> f64 {
        let middle = self.len / 2;
        if self.len % 2 == 1 {
            self.values[middle]
        } else {
            f64::midpoint(self.values[middle - 1], self.values[middle])
        }
    }
}

impl Values {
    fn add(&mut self, value: f64, quality: Quality, at: Option<Steady>) {
        match quality {
            Quality::Good => self.good.add(value, at),
            Quality::Suspect(doubt) => {
                self.doubt.get_or_insert(doubt);
                self.suspect.add(value, at);
            }
            Quality::Bad(_) => {}
        }
    }

    fn decide(&self, quantity: Quantity, otherwise: Quality) -> Vote {
        let (few, quality) = match (self.good.len, self.doubt) {
            (1.., _) => (&self.good, Quality::Good),
            (0, Some(doubt)) => (&self.suspect, Quality::Suspect(doubt)),
            (0, None) => {
                return Vote::none(otherwise);
            }
        };
        let (lowest, highest) = (few.values[0], few.values[few.len - 1]);
        let spread = highest - lowest;
        // A leak probe or a float: one that is wet is wet.
        let value = if quantity == Quantity::Contact { highest } else { few.voted() };
        let (lowest, highest) = if few.len >= 3 { (value, value) } else { (lowest, highest) };
        Vote {
            value,
            highest,
            lowest,
            spread,
            quality,
            good: u8::try_from(self.good.len).unwrap_or(u8::MAX),
            sampled_at: few.newest,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::event::Retained;
    use crate::control::ids::{Name, ProbeId};
    use crate::control::plan::{Calibration, DisagreePlan};

    /// Thermometers that have said these values every ten seconds until `seconds`.
    fn vote_of(values: &[Option<f64>], seconds: u64) -> (Signal, Vec<Probe>) {
        let plan = ProbePlan {
            name: Name::new("t"),
            quantity: Quantity::Temperature,
            conductivity: None,
            calibration: Calibration::NONE,
            least: 10.0,
            greatest: 40.0,
            stale_after: Span::from_seconds(60),
            fastest: None,
            stuck_after: None,
        };
        let plans = vec![plan; values.len()];
        let signal_plan = SignalPlan {
            name: Name::new("water-temp"),
            quantity: Quantity::Temperature,
            probes: (0..values.len()).map(ProbeId::new).collect(),
            disagree: Some(DisagreePlan { by: 0.6, lasting: Span::from_minutes(10) }),
        };
        let mut probes = vec![Probe::default(); values.len()];
        let mut signal = Signal::new(&signal_plan);
        for at in (0..=seconds).step_by(10) {
            let now = Steady::from_millis(at * 1000);
            for (probe, value) in probes.iter_mut().zip(values) {
                if let Some(value) = value {
                    probe.take(&plans[0], Ok(*value), Retained::No, now);
                }
            }
            signal.vote(&signal_plan, &plans, &mut probes, now, &mut Deadlines::default());
        }
        (signal, probes)
    }

    #[test]
    fn of_two_the_highest_and_the_lowest_are_kept_and_they_disagree_after_their_time() {
        let (signal, _) = vote_of(&[Some(24.8), Some(25.6)], 300);
        assert_eq!((signal.vote.highest, signal.vote.lowest, signal.vote.good), (25.6, 24.8, 2));
        assert!(!signal.disagreeing);
        assert!(vote_of(&[Some(24.8), Some(25.6)], 660).0.disagreeing);
        assert!(!vote_of(&[Some(24.8), Some(25.2)], 660).0.disagreeing);
    }

    #[test]
    fn of_three_the_median_decides_and_one_that_is_far_from_it_is_out_of_the_vote() {
        let (signal, _) = vote_of(&[Some(25.0), Some(25.1), Some(27.0)], 300);
        assert_eq!((signal.vote.value, signal.vote.highest, signal.vote.lowest), (25.1, 25.1, 25.1));
        let (signal, probes) = vote_of(&[Some(25.0), Some(25.1), Some(27.0)], 700);
        assert!(probes[2].outvoted && !probes[0].outvoted);
        assert_eq!((signal.vote.highest, signal.vote.lowest, signal.vote.good), (25.1, 25.0, 2), "rules of two");
    }

    #[test]
    fn of_three_with_one_lost_the_rules_of_two_hold_and_with_none_there_is_a_reason() {
        let (signal, _) = vote_of(&[Some(25.0), None, Some(25.3)], 300);
        assert_eq!((signal.vote.highest, signal.vote.lowest, signal.vote.good), (25.3, 25.0, 2));
        let (signal, _) = vote_of(&[None, None, None], 300);
        assert_eq!(signal.vote.quality, Quality::Bad(Fault::NeverHeard));
    }
}

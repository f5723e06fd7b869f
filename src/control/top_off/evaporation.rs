//! What evaporates, told by the refills: the water of one run over the time until the next is wanted again.
//!
//! Duty: a rate for each undisturbed interval, their median as what is usual, and whether the newest ones are too
//! fast (a leak, or drier air) or the next refill is overdue (a level that sticks, a siphon, humid air).
//! Limits: it sees relative changes only, so a pump that gives less than is written changes the litres that are
//! shown and no verdict. Weather counts as a change too. An interval counts only if nothing disturbed it: no hold,
//! no lost flow or level, no start of the daemon, no run that was forced, late, missed or not judged.

use crate::control::state::EvaporationRecord;
use crate::time::{Span, Steady};
use crate::water::stats::robust::median;

/// So many intervals are remembered: about two weeks. [E]
const MEMORY: usize = 150;
/// Fewer than this are no experience. [PICK]
const LEAST: usize = 8;
/// What is taken off each interval's logarithm. [E, simulated: k]
const ALLOWANCE: f64 = 0.35;
/// Where the sum is no chance any more. [E, simulated: h]
const DECISION: f64 = 2.0;
/// The sum grows no further, so that it is gone a few sound refills after the leak.
const MOST: f64 = DECISION + 1.0;
/// Two in a row shorter than this part of the usual are no chance either. [E]
const SHORT: f64 = 0.35;
/// An interval longer than so many usual ones is overdue. [E]
const OVERDUE: f64 = 3.0;

/// The interval that goes on.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Open {
    /// Nothing is known: the water is disturbed or not seen.
    Nothing,
    /// Undisturbed since then, but no refill began it; so many litres must go before one is wanted.
    Since(Steady, f64),
    /// A refill began then and is not judged yet.
    Refilling(Steady),
    /// A refill of so many litres began it.
    Refilled(Steady, f64),
}

/// What refills have told.
#[derive(Clone, Debug)]
pub(in crate::control) struct Evaporation {
    /// Of each interval, the oldest first, mL/day.
    rates: Vec<u32>,
    /// Their median.
    usual: Option<f64>,
    sum: f64,
    short: u8,
    open: Open,
    /// How long no refill was wanted before the water was disturbed, and the litres that had to go.
    waited: Option<(Span, f64)>,
}

impl Default for Evaporation {
    fn default() -> Self {
        Self { rates: Vec::new(), usual: None, sum: 0.0, short: 0, open: Open::Nothing, waited: None }
    }
}

impl Evaporation {
    /// Something moves the water, or it is not seen.
    pub fn disturb(&mut self, now: Steady) {
        if let Open::Since(since, litres) | Open::Refilled(since, litres) = self.open {
            self.waited = Some((now.since(since), litres));
        }
        self.open = Open::Nothing;
    }

    /// The water is undisturbed, and so many litres above the next refill. Where a disturbance gave no water, the wait
    /// for the next refill goes on: who feeds each day would never be told that it is overdue.
    pub fn calm(&mut self, litres: f64, now: Steady) {
        if self.open == Open::Nothing {
            let waited = self.waited.take().filter(|(_, had)| litres <= *had);
            let since =
                waited.map_or(now, |(waited, _)| Steady::from_millis(now.millis().saturating_sub(waited.millis())));
            self.open = Open::Since(since, waited.map_or(litres, |(_, had)| had));
        }
    }

    /// A refill begins. Returns the rate in mL/day if the interval before it counts.
    pub fn refill_begins(&mut self, counts: bool, now: Steady) -> Option<u32> {
        let rate = match self.open {
            Open::Refilled(since, litres) if counts => self.take(litres, now.since(since)),
            _ => None,
        };
        self.open = if self.open == Open::Nothing { Open::Nothing } else { Open::Refilling(now) };
        self.waited = None;
        rate
    }

    /// The refill that began last was judged: its litres where it was answered by undisturbed water.
    pub fn refill_judged(&mut self, litres: Option<f64>) {
        self.open = match (self.open, litres) {
            (Open::Refilling(since), Some(litres)) => Open::Refilled(since, litres),
            _ => Open::Nothing,
        };
    }

    fn take(&mut self, litres: f64, took: Span) -> Option<u32> {
        let days = took.hours() / 24.0;
        let rate = litres * 1000.0 / days;
        if !(rate.is_finite() && (1.0..1e9).contains(&rate)) {
            return None;
        }
        if let Some(usual) = self.experience() {
            let faster = (rate / usual).ln();
            self.sum = (self.sum + faster - ALLOWANCE).clamp(0.0, MOST);
            self.short = if usual / rate < SHORT { self.short.saturating_add(1) } else { 0 };
        }
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "bounded just above")]
        let rate = rate.round() as u32;
        if self.rates.len() >= MEMORY {
            self.rates.remove(0);
        }
        self.rates.push(rate);
        self.usual = usual(&self.rates);
        Some(rate)
    }

    /// The median, mL/day; `None` before the first interval.
    pub fn usual(&self) -> Option<f64> {
        self.usual
    }

    fn experience(&self) -> Option<f64> {
        if self.rates.len() < LEAST { None } else { self.usual() }
    }

    /// Intervals that the median rests on.
    pub fn intervals(&self) -> usize {
        self.rates.len()
    }

    /// The newest interval's rate, mL/day.
    pub fn newest(&self) -> Option<f64> {
        self.rates.last().copied().map(f64::from)
    }

    /// The water goes faster than it used to.
    pub fn is_fast(&self) -> bool {
        self.sum >= DECISION || self.short >= 2
    }

    /// When a refill is overdue.
    pub fn overdue_at(&self) -> Option<Steady> {
        let (since, litres) = match self.open {
            Open::Since(since, litres) | Open::Refilled(since, litres) => (since, litres),
            Open::Nothing | Open::Refilling(_) => return None,
        };
        let days = OVERDUE * litres * 1000.0 / self.experience()?.max(1.0);
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to a year")]
        let millis = (days.clamp(0.0, 366.0) * 86_400_000.0) as u64;
        Some(since.after(Span::from_millis(millis)))
    }

    /// For the store. The interval that goes on counts for no rate after a start, since nobody saw what happened to it;
    /// that no refill was wanted in it goes on counting.
    pub fn record(&self, now: Steady) -> EvaporationRecord {
        let waited = match self.open {
            Open::Since(since, litres) | Open::Refilled(since, litres) => Some((now.since(since), litres)),
            Open::Nothing | Open::Refilling(_) => self.waited,
        };
        EvaporationRecord { ml_per_day: self.rates.clone(), sum: self.sum, short: self.short, waited }
    }

    /// From the store.
    pub fn restored(record: &EvaporationRecord) -> Self {
        let from = record.ml_per_day.len().saturating_sub(MEMORY);
        let rates: Vec<u32> = record.ml_per_day[from..].iter().copied().filter(|rate| *rate > 0).collect();
        let sum = if record.sum.is_finite() { record.sum.clamp(0.0, MOST) } else { 0.0 };
        let waited = record.waited.filter(|(_, litres)| litres.is_finite());
        Self { usual: usual(&rates), rates, sum, short: record.short, open: Open::Nothing, waited }
    }
}

fn usual(rates: &[u32]) -> Option<f64> {
    let rates: Vec<f64> = rates.iter().copied().map(f64::from).collect();
    median(&rates)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn after(evaporation: &mut Evaporation, at: &mut Steady, minutes: u64) {
        *at = at.after(Span::from_minutes(minutes));
        evaporation.refill_begins(true, *at);
        evaporation.refill_judged(Some(0.15));
    }

    fn learned() -> (Evaporation, Steady) {
        let (mut evaporation, mut at) = (Evaporation::default(), Steady::from_millis(0));
        evaporation.calm(0.15, at);
        for _ in 0..12 {
            after(&mut evaporation, &mut at, 144);
        }
        (evaporation, at)
    }

    #[test]
    fn the_median_of_the_refills_is_what_is_usual() {
        let (evaporation, _) = learned();
        // 0.15 L each tenth of a day; the first refill ends no interval.
        assert_eq!((evaporation.usual(), evaporation.intervals()), (Some(1500.0), 11));
        assert!(!evaporation.is_fast());
    }

    #[test]
    fn two_short_intervals_or_many_shorter_ones_are_fast_and_sound_ones_forgive() {
        let (mut evaporation, mut at) = learned();
        after(&mut evaporation, &mut at, 40);
        assert!(!evaporation.is_fast(), "once is chance");
        after(&mut evaporation, &mut at, 40);
        assert!(evaporation.is_fast());
        for _ in 0..6 {
            after(&mut evaporation, &mut at, 144);
        }
        assert!(!evaporation.is_fast());
        // Twice the usual rate: ln 2 - 0.35 = 0.34 each, so 2.0 after six.
        for n in 1..=6 {
            after(&mut evaporation, &mut at, 72);
            assert_eq!(evaporation.is_fast(), n == 6, "{n}");
        }
    }

    #[test]
    fn a_disturbed_interval_counts_for_nothing() {
        let (mut evaporation, mut at) = learned();
        for _ in 0..10 {
            evaporation.disturb(at);
            evaporation.calm(0.15, at);
            after(&mut evaporation, &mut at, 30);
        }
        assert!(!evaporation.is_fast());
        assert_eq!(evaporation.intervals(), 11);
    }

    #[test]
    fn a_refill_is_overdue_after_three_usual_intervals_and_a_poured_litre_takes_its_own_time() {
        let (mut evaporation, at) = learned();
        assert_eq!(evaporation.overdue_at(), Some(at.after(Span::from_minutes(3 * 144))));
        evaporation.disturb(at);
        assert_eq!(evaporation.overdue_at(), None);
        evaporation.calm(1.0, at);
        assert_eq!(evaporation.overdue_at(), Some(at.after(Span::from_hours(48))));
    }

    #[test]
    fn what_was_learned_survives_and_the_open_interval_does_not() {
        let (mut evaporation, mut at) = learned();
        after(&mut evaporation, &mut at, 40);
        let mut restored = Evaporation::restored(&evaporation.record(at));
        assert_eq!((restored.usual(), restored.overdue_at()), (evaporation.usual(), None));
        restored.calm(0.15, at);
        after(&mut restored, &mut at, 40);
        assert!(!restored.is_fast(), "the interval across the restart does not count");
        after(&mut restored, &mut at, 40);
        assert!(restored.is_fast());
    }

    #[test]
    fn a_refill_is_overdue_although_somebody_feeds_each_day() {
        let (mut evaporation, mut at) = (Evaporation::default(), Steady::from_millis(0));
        // The first two refills only begin an interval.
        for _ in 0..LEAST + 2 {
            after(&mut evaporation, &mut at, 12 * 60);
            evaporation.calm(0.15, at);
        }
        let last = at;
        for _ in 0..3 {
            at = at.after(Span::from_hours(11));
            evaporation.disturb(at);
            at = at.after(Span::from_minutes(15));
            evaporation.calm(0.15, at);
        }
        // The quarters of an hour in which nobody saw the water do not count; a span is cut to its millisecond.
        let due = last.after(Span::from_minutes(36 * 60 + 45));
        let near = |at: Steady| at.since(due).max(due.since(at)) <= Span::from_millis(1);
        assert!(evaporation.overdue_at().is_some_and(near), "{:?}", evaporation.overdue_at());
        let mut killed = Evaporation::restored(&evaporation.record(at));
        killed.calm(0.15, at);
        assert_eq!(killed.overdue_at(), evaporation.overdue_at(), "nor does a kill begin the wait anew");
        evaporation.disturb(at);
        evaporation.calm(1.15, at);
        assert!(
            evaporation.overdue_at().is_some_and(|due| due > at.after(Span::from_hours(200))),
            "somebody poured in a litre"
        );
    }
}

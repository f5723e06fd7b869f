//! What a pump has given in the last 24 hours, so that no day and no hour gets more than its budget.
//!
//! Everything counts from the end of its run by the steady clock, and after a restart from where the last
//! record was: time in which no daemon lived makes nothing older. A wall clock that jumps gives nothing back.

use crate::control::state::SpentRecord;
use crate::time::{Span, Steady};

pub(in crate::control) const DAY: Span = Span::from_hours(24);
const HOUR: Span = Span::from_hours(1);
/// Runs that end so close together are one entry: a plug that somebody flickers fills no memory.
const TOGETHER: Span = Span::from_minutes(1);

/// A window of the budget.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Window {
    /// Any 24 hours.
    Day,
    /// Any hour.
    Hour,
}

impl Window {
    fn span(self) -> Span {
        match self {
            Self::Day => DAY,
            Self::Hour => HOUR,
        }
    }
}

#[derive(Clone, Copy, Debug)]
struct Entry {
    litres: f64,
    /// When it is a day old.
    day_over: Steady,
    /// Taken as given, for nobody knows.
    assumed: bool,
}

impl Entry {
    fn age(&self, now: Steady) -> Span {
        DAY.minus(self.day_over.since(now))
    }

    /// When it leaves a window; the past if it has.
    fn leaves(&self, window: Window, now: Steady) -> Steady {
        now.after(window.span().minus(self.age(now)))
    }
}

/// Runs of the last 24 hours.
#[derive(Clone, Debug, Default)]
pub(in crate::control) struct Ledger {
    entries: Vec<Entry>,
    /// Litres over all time, without what was only assumed.
    pub total: f64,
}

impl Ledger {
    /// A run ended at this moment.
    pub fn spend(&mut self, litres: f64, at: Steady, now: Steady) {
        self.entries.retain(|entry| entry.day_over > now);
        self.total += litres;
        let day_over = at.after(DAY);
        match self.entries.last_mut() {
            Some(last) if !last.assumed && day_over.since(last.day_over) < TOGETHER => {
                last.litres += litres;
                last.day_over = last.day_over.max(day_over);
            }
            _ => self.entries.push(Entry { litres, day_over, assumed: false }),
        }
    }

    /// Nobody knows what was given: so much is taken as given just now.
    pub fn assume(&mut self, litres: f64, now: Steady) {
        self.entries.push(Entry { litres, day_over: now.after(DAY), assumed: true });
    }

    /// A person has looked.
    pub fn forget_assumed(&mut self) {
        self.entries.retain(|entry| !entry.assumed);
    }

    /// Litres in a window.
    pub fn litres(&self, window: Window, now: Steady) -> f64 {
        self.inside(window, now).map(|entry| entry.litres).sum::<f64>() + 0.0
    }

    fn inside(&self, window: Window, now: Steady) -> impl Iterator<Item = &Entry> {
        self.entries.iter().filter(move |entry| entry.day_over > now && entry.age(now) < window.span())
    }

    /// When so many litres more fit under the most that a window may have: now, or when enough is old.
    pub fn fits_at(&self, window: Window, most: f64, litres: f64, now: Steady) -> Steady {
        let mut left = self.litres(window, now);
        let fits = |left: f64| left + litres <= most + 1e-9;
        if fits(left) {
            return now;
        }
        let mut leaving: Vec<(Steady, f64)> =
            self.inside(window, now).map(|entry| (entry.leaves(window, now), entry.litres)).collect();
        leaving.sort_by_key(|(at, _)| *at);
        for (at, litres) in leaving {
            left -= litres;
            if fits(left) {
                return at;
            }
        }
        // More than the whole budget at once: never.
        Steady::from_millis(u64::MAX)
    }

    /// The end of the newest known run, as its age.
    pub fn newest(&self, now: Steady) -> Option<Span> {
        self.entries.iter().filter(|entry| !entry.assumed && entry.day_over > now).map(|entry| entry.age(now)).min()
    }

    /// For the store.
    pub fn record(&self, now: Steady) -> Vec<SpentRecord> {
        let young = self.entries.iter().filter(|entry| entry.day_over > now);
        young.map(|entry| SpentRecord { litres: entry.litres, age: entry.age(now), assumed: entry.assumed }).collect()
    }

    /// From the store, with what was given over all time.
    pub fn restored(records: &[SpentRecord], total: f64, now: Steady) -> Self {
        let entry = |record: &SpentRecord| Entry {
            // A record that was tampered with never gives anything back.
            litres: if record.litres.is_finite() { record.litres.max(0.0) } else { f64::MAX },
            day_over: now.after(DAY.minus(record.age)),
            assumed: record.assumed,
        };
        Self {
            entries: records.iter().map(entry).collect(),
            total: if total.is_finite() { total.max(0.0) } else { 0.0 },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minutes: u64) -> Steady {
        Steady::from_millis(minutes * 60_000)
    }

    #[test]
    fn what_was_given_leaves_the_hour_and_then_the_day() {
        let mut ledger = Ledger::default();
        ledger.spend(0.3, at(0), at(0));
        ledger.spend(0.2, at(30), at(30));
        assert!((ledger.litres(Window::Hour, at(59)) - 0.5).abs() < 1e-12);
        assert!((ledger.litres(Window::Hour, at(60)) - 0.2).abs() < 1e-12);
        assert!((ledger.litres(Window::Day, at(60)) - 0.5).abs() < 1e-12);
        assert!((ledger.litres(Window::Day, at(24 * 60)) - 0.2).abs() < 1e-12);
        assert_eq!(ledger.fits_at(Window::Hour, 0.6, 0.1, at(40)), at(40));
        assert_eq!(ledger.fits_at(Window::Hour, 0.6, 0.3, at(40)), at(60));
        assert_eq!(ledger.fits_at(Window::Hour, 0.6, 0.6, at(40)), at(90));
        assert_eq!(ledger.fits_at(Window::Day, 0.6, 0.3, at(40)), at(24 * 60));
    }

    #[test]
    fn runs_that_end_within_a_minute_are_one_entry_as_young_as_the_last_one() {
        let second = |seconds: u64| Steady::from_millis(seconds * 1000);
        let mut ledger = Ledger::default();
        ledger.spend(0.1, second(0), second(0));
        ledger.spend(0.2, second(59), second(59));
        assert_eq!(ledger.record(second(59)).len(), 1);
        // Told of late: it ended before the last one, and makes it no older.
        ledger.spend(0.1, second(30), second(60));
        assert_eq!(ledger.newest(second(61)), Some(Span::from_seconds(2)));
        assert!((ledger.litres(Window::Hour, second(3600)) - 0.4).abs() < 1e-12);
        ledger.spend(0.3, second(119), second(119));
        assert_eq!(ledger.record(second(119)).len(), 2, "a whole minute later");
        assert_eq!(ledger.newest(second(122)), Some(Span::from_seconds(3)));
        assert!((ledger.litres(Window::Hour, second(3659)) - 0.3).abs() < 1e-12);
        assert!((ledger.total - 0.7).abs() < 1e-12);
        // What was only assumed is no part of what was given.
        ledger.assume(1.0, second(120));
        ledger.spend(0.5, second(121), second(121));
        ledger.forget_assumed();
        assert!((ledger.litres(Window::Day, second(122)) - 1.2).abs() < 1e-12);
    }

    #[test]
    fn what_the_store_says_gives_nothing_back() {
        let record = |litres: f64, hours: u64| SpentRecord { litres, age: Span::from_hours(hours), assumed: false };
        let restored = Ledger::restored(&[record(-3.0, 1), record(0.5, 1)], f64::NAN, at(2000));
        assert!((restored.litres(Window::Day, at(2000)) - 0.5).abs() < 1e-12);
        assert!(restored.total.abs() < 1e-12);
        let rotten = Ledger::restored(&[record(f64::NAN, 1)], 1.0, at(2000));
        assert_eq!(
            rotten.fits_at(Window::Day, 1e9, 0.1, at(2000)),
            at(2000 + 23 * 60),
            "nothing fits before it is old"
        );
    }

    #[test]
    fn a_restart_makes_nothing_older_than_it_was() {
        let mut ledger = Ledger::default();
        ledger.spend(0.3, at(0), at(0));
        let restored = Ledger::restored(&ledger.record(at(600)), ledger.total, at(1));
        assert!((restored.total - 0.3).abs() < 1e-12);
        assert!((restored.litres(Window::Day, at(24 * 60 - 600)) - 0.3).abs() < 1e-12);
        assert!(restored.litres(Window::Day, at(24 * 60 - 600 + 1)) < 1e-12);
    }

    #[test]
    fn what_was_only_assumed_goes_when_a_person_has_looked() {
        let mut ledger = Ledger::default();
        ledger.spend(0.3, at(0), at(0));
        ledger.assume(2.0, at(1));
        assert!((ledger.litres(Window::Day, at(2)) - 2.3).abs() < 1e-12);
        assert_eq!(ledger.newest(at(2)), Some(Span::from_minutes(2)));
        ledger.forget_assumed();
        assert!((ledger.litres(Window::Day, at(2)) - 0.3).abs() < 1e-12);
    }
}

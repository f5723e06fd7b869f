//! The water book: what a pump's commands let run, by a clock that no kill sets back.
//!
//! A plug that was told on runs until it is told off or its lease is over; nothing else is believed, and the core is not
//! asked. It survives every start of the daemon, so it holds the budgets of invariant 2 over restarts. A plug without a
//! lease runs on while nobody lives: that time is not the daemon's to answer for, and is left out.
//!
//! Invariant 3 (no dose twice, none past the day's limit) wants the same book: one for each dosing pump, with the day's
//! limit as its only window, told by the same commands in [`super::Monitor`].

use std::collections::VecDeque;

use crate::time::{Span, Steady};

/// A budget: so many litres in any such time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Window {
    pub within: Span,
    pub litres: f64,
}

#[derive(Clone, Copy, Debug)]
struct Run {
    since: Steady,
    until: Steady,
}

/// One pump's book.
#[derive(Clone, Debug)]
pub(super) struct Book {
    lease: Option<Span>,
    litres_per_second: f64,
    windows: Vec<Window>,
    /// Since when it runs, and when its lease was last begun.
    on: Option<(Steady, Steady)>,
    runs: VecDeque<Run>,
}

impl Book {
    pub fn new(lease: Option<Span>, litres_per_second: f64, windows: Vec<Window>) -> Self {
        Self { lease, litres_per_second, windows, on: None, runs: VecDeque::new() }
    }

    /// Told on, or its lease begun anew.
    pub fn told_on(&mut self, now: Steady) {
        self.close_if_over(now);
        self.on = Some((self.on.map_or(now, |(since, _)| since), now));
    }

    /// Told off.
    pub fn told_off(&mut self, now: Steady) {
        self.close_if_over(now);
        if let Some((since, _)) = self.on.take() {
            self.runs.push_back(Run { since, until: now });
        }
    }

    /// The daemon is dead: what has no lease is no longer its own to end.
    pub fn daemon_died(&mut self, now: Steady) {
        if self.lease.is_none() {
            self.told_off(now);
        }
    }

    fn close_if_over(&mut self, now: Steady) {
        let over = self.on.zip(self.lease).map(|((since, begun), lease)| (since, begun.after(lease)));
        if let Some((since, until)) = over.filter(|(_, over)| *over <= now) {
            self.runs.push_back(Run { since, until });
            self.on = None;
        }
        let longest = self.windows.iter().map(|window| window.within).max().unwrap_or_default();
        while self.runs.front().is_some_and(|run| now.since(run.until) > longest) {
            self.runs.pop_front();
        }
    }

    /// The first window that has more than it may, up to now, with what it has.
    pub fn past(&self, now: Steady) -> Option<(Window, f64)> {
        self.windows.iter().find_map(|window| {
            let from = Steady::from_millis(now.millis().saturating_sub(window.within.millis()));
            let standing = self.on.map(|(since, _)| Run { since, until: now });
            let runs = self.runs.iter().copied().chain(standing);
            let seconds: f64 = runs.map(|run| run.until.min(now).since(run.since.max(from)).seconds()).sum();
            let litres = seconds * self.litres_per_second;
            (litres > window.litres + 1e-6).then_some((*window, litres))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: u64) -> Steady {
        Steady::from_millis(seconds * 1000)
    }

    fn book(lease: Option<u64>) -> Book {
        let window = Window { within: Span::from_hours(1), litres: 0.5 };
        Book::new(lease.map(Span::from_seconds), 0.01, vec![window])
    }

    #[test]
    fn what_is_told_on_counts_until_it_is_told_off() {
        let mut book = book(Some(30));
        for second in (0..=50).step_by(10) {
            book.told_on(at(second));
            assert_eq!(book.past(at(second)), None);
        }
        book.told_on(at(51));
        assert!(book.past(at(51)).is_some_and(|(_, litres)| (litres - 0.51).abs() < 1e-9));
        book.told_off(at(51));
        assert!(book.past(at(3600)).is_some() && book.past(at(3602)).is_none(), "it leaves the hour");
    }

    #[test]
    fn a_lease_ends_a_run_that_nobody_ends_and_a_kill_changes_nothing() {
        let mut leased = book(Some(30));
        leased.told_on(at(0));
        leased.daemon_died(at(10));
        leased.told_on(at(100));
        leased.told_off(at(121));
        assert!(leased.past(at(121)).is_some_and(|(_, litres)| (litres - 0.51).abs() < 1e-9), "30 s and 21 s");
        let mut plain = book(None);
        plain.told_on(at(0));
        plain.daemon_died(at(10));
        plain.told_off(at(1000));
        assert_eq!(plain.past(at(1000)), None, "it ran on while nobody lived");
    }
}

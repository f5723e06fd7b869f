//! How often something happened lately: moments, kept as far back as somebody asks.
//!
//! Duty: to count within a window and to say when the count falls again. Bounded: a burst of anything costs no
//! memory, since nobody here counts further than [`MOST`]. Steady times; what survives a kill are ages.

use std::collections::VecDeque;

use crate::time::{Span, Steady};

use super::deadlines::Deadlines;
use super::effect::DeadlineKind;

/// Moments that are kept; more than any limit asks for.
const MOST: usize = 32;

/// The last moments at which something happened, the newest last.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Often {
    times: VecDeque<Steady>,
}

impl Often {
    /// It happened.
    pub fn note(&mut self, now: Steady) {
        if self.times.len() >= MOST {
            self.times.pop_front();
        }
        self.times.push_back(now);
    }

    /// When it last happened.
    pub fn newest(&self) -> Option<Steady> {
        self.times.back().copied()
    }

    /// How often within the window up to now.
    pub fn count(&self, window: Span, now: Steady) -> usize {
        self.times.iter().rev().take_while(|at| at.after(window) > now).count()
    }

    /// When the next one would be within the limit; `None`: now already.
    pub fn free_at(&self, limit: usize, window: Span, now: Steady) -> Option<Steady> {
        let blocking = self.times.len().checked_sub(limit).and_then(|index| self.times.get(index));
        blocking.map(|at| at.after(window)).filter(|at| *at > now)
    }

    /// Whether it happened more often than the limit within the window; asks for the moment at which it no longer did.
    pub fn exceeds(&self, limit: usize, window: Span, now: Steady, deadlines: &mut Deadlines) -> bool {
        let until = self.free_at(limit + 1, window, now);
        if let Some(at) = until {
            deadlines.ask(at, DeadlineKind::Alarm);
        }
        until.is_some()
    }

    /// How long ago each was, for the record.
    pub fn ages(&self, window: Span, now: Steady) -> Vec<Span> {
        self.times.iter().map(|at| now.since(*at)).filter(|age| *age < window).collect()
    }

    /// From the ages of a record. A steady clock that has just begun knows no moment before its own zero: what is
    /// older than that counts as just then, so it is forgotten later, never sooner.
    pub fn from_ages(ages: &[Span], now: Steady) -> Self {
        let skip = ages.len().saturating_sub(MOST);
        Self { times: ages[skip..].iter().map(|age| now.before(*age)).collect() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: u64) -> Steady {
        Steady::from_millis(seconds * 1000)
    }

    #[test]
    fn a_count_falls_when_its_oldest_leaves_the_window() {
        let (mut often, minute) = (Often::default(), Span::from_minutes(1));
        for second in [0, 10, 20, 50] {
            often.note(at(second));
        }
        assert_eq!((often.count(minute, at(50)), often.count(minute, at(60)), often.count(minute, at(70))), (4, 3, 2));
        assert_eq!(
            often.free_at(3, minute, at(50)),
            Some(at(70)),
            "a fourth within a minute waits for the second to go"
        );
        assert_eq!(often.free_at(5, minute, at(50)), None);
        let mut deadlines = Deadlines::default();
        assert!(often.exceeds(3, minute, at(50), &mut deadlines));
        assert_eq!(deadlines.earliest().map(|deadline| deadline.at), Some(at(60)));
        assert!(!often.exceeds(3, minute, at(60), &mut Deadlines::default()));
    }

    #[test]
    fn ages_survive_and_a_flood_is_bounded() {
        let mut often = Often::default();
        (0..1000).for_each(|second| often.note(at(second)));
        assert_eq!(often.count(Span::from_hours(1), at(1000)), MOST);
        let ages = often.ages(Span::from_seconds(10), at(1000));
        assert_eq!(Often::from_ages(&ages, at(5000)).count(Span::from_seconds(10), at(5000)), 9);
    }
}

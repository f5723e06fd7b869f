//! Another controller on the same plug: undone where that is unsafe, and never in a storm of commands.
//!
//! Duty: to count what was undone, and to say when the next telling may leave. The first few corrections leave at
//! once; in a conflict they keep a distance, so that no plug is told more than [`A_MINUTE`] times a minute because
//! of somebody else. A decision of our own is told at once whatever happened before. Towards the safe side nothing
//! is undone: who keeps a heater off is told of, and not fought.

use crate::time::{Span, Steady};

use super::deadlines::Deadlines;
use super::often::Often;

/// More corrections than this within [`WINDOW`] are a conflict. [F33]
const CORRECTIONS: usize = 3;
const WINDOW: Span = Span::from_minutes(2);
/// Between two corrections in a conflict: with the first ones it stays under [`A_MINUTE`]. [C3]
const DISTANCE: Span = Span::from_seconds(4);
/// The most that a plug is told again in a minute. [C3]
const A_MINUTE: usize = 20;
const MINUTE: Span = Span::from_minutes(1);
/// A conflict is over after so long without a correction. [F33]
const QUIET: Span = Span::from_minutes(10);

/// What was undone at a plug, and how often it was told.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Conflict {
    corrections: Often,
    tellings: Often,
    at: Option<Steady>,
    /// The last of its commands is kept by the broker.
    pub kept: bool,
}

impl Conflict {
    /// Somebody else's act is undone. Returns when that may be told.
    pub fn correct(&mut self, now: Steady) -> Steady {
        self.corrections.note(now);
        if self.corrections.count(WINDOW, now) <= CORRECTIONS {
            // Still quarrelling, if it was one lately.
            self.at = self.at.filter(|at| now.since(*at) < QUIET).map(|_| now);
            return now;
        }
        self.at = Some(now);
        self.tellings.newest().map_or(now, |last| last.after(DISTANCE).max(now))
    }

    /// It is told now.
    pub fn told(&mut self, now: Steady) {
        self.tellings.note(now);
    }

    /// Too many tellings already: not before then.
    pub fn full_until(&self, now: Steady) -> Option<Steady> {
        self.tellings.free_at(A_MINUTE, MINUTE, now)
    }

    /// Whether two controllers fight, until it has been quiet.
    pub fn stands(&self, now: Steady, deadlines: &mut Deadlines) -> bool {
        let until = self.at.map(|at| at.after(QUIET)).filter(|until| *until > now);
        if let Some(until) = until {
            deadlines.ask(until, super::effect::DeadlineKind::Alarm);
        }
        until.is_some()
    }

    /// Corrections of late, for words.
    pub fn corrections(&self, now: Steady) -> usize {
        self.corrections.count(WINDOW, now)
    }

    /// What alarms rest on.
    pub fn standing(&self) -> impl PartialEq + use<> {
        (self.at, self.corrections.newest(), self.kept)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: u64) -> Steady {
        Steady::from_millis(1_000_000 + seconds * 1000)
    }

    /// Undone and told, as a plug does it; when that was.
    fn undo(conflict: &mut Conflict, now: u64) -> Steady {
        let may = conflict.correct(at(now));
        conflict.told(may);
        may
    }

    #[test]
    fn three_corrections_leave_at_once_and_more_keep_four_seconds() {
        let mut conflict = Conflict::default();
        for second in 0..3 {
            assert_eq!(undo(&mut conflict, second), at(second));
            assert!(!conflict.stands(at(second), &mut Deadlines::default()));
        }
        assert_eq!(undo(&mut conflict, 3), at(6), "four seconds after the third");
        assert!(conflict.stands(at(3), &mut Deadlines::default()));
        assert_eq!(conflict.corrections(at(3)), 4);
        assert_eq!(conflict.correct(at(60)), at(60), "the last one was told long ago");
        assert_eq!(conflict.corrections(at(60)), 5);
        assert_eq!(conflict.corrections(at(122)), 2, "those of the last two minutes");
    }

    #[test]
    fn a_conflict_is_over_after_ten_quiet_minutes_and_goes_on_with_each_correction_before() {
        let mut conflict = Conflict::default();
        for second in 0..4 {
            undo(&mut conflict, second);
        }
        let stands = |conflict: &Conflict, second| conflict.stands(at(second), &mut Deadlines::default());
        assert!(stands(&conflict, 602) && !stands(&conflict, 603));
        // One correction, five minutes on, is no quarrel by itself: it prolongs the one that is.
        conflict.correct(at(300));
        assert!(stands(&conflict, 899) && !stands(&conflict, 900));
        conflict.correct(at(2000));
        assert!(!stands(&conflict, 2000), "and begins none");
        let mut deadlines = Deadlines::default();
        for second in 2001..2004 {
            conflict.correct(at(second));
        }
        conflict.stands(at(2004), &mut deadlines);
        assert_eq!(deadlines.earliest().map(|due| due.at), Some(at(2603)));
    }

    #[test]
    fn no_plug_is_told_more_than_twenty_times_a_minute() {
        let mut conflict = Conflict::default();
        (0..19).for_each(|second| conflict.told(at(second)));
        assert_eq!(conflict.full_until(at(19)), None);
        conflict.told(at(19));
        assert_eq!(conflict.full_until(at(20)), Some(at(60)), "a minute after the first");
        assert_eq!(conflict.full_until(at(60)), None);
    }
}

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

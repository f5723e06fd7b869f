//! Whether a plug restarted: what it says of itself, set against what nobody ordered.
//!
//! Duty: to tell a plug that lost its mind from a person at its button. Evidence, each enough by itself:
//!
//! - it was said to be gone and came back, up to a minute ago;
//! - its uptime fell since its last word;
//! - it said anew that it is alive though that was not due, within 5 s of the change.
//!
//! A sign of life that comes by the clock is no evidence, nor is the broker's kept one right after our own
//! subscription: where in doubt it was a person, who may have hands in the water.

use crate::time::{Span, Steady};

use super::event::Alive;
use super::often::Often;

/// A change within this time after the plug came back is its restart, not a person. [C7: choice]
const RETURN_WINDOW: Span = Span::from_seconds(60);
/// Between a sign of life that was not due and the change, either one first. [C7: choice]
pub(super) const ANNOUNCE_WINDOW: Span = Span::from_seconds(5);
/// Two pieces of evidence within this time are of one restart. [choice]
const SAME_RESTART: Span = Span::from_seconds(60);
/// Of the usual time between two signs of life; sooner is not due. [choice]
const DUE_FROM: f64 = 0.8;
/// Of the last uptime; a clock that is set by the network may take a little off it. [choice]
const FALLEN: f64 = 0.9;

/// What a plug has said of its own life.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Restarts {
    heard_at: Option<Steady>,
    usual: Option<Span>,
    uptime: Option<f64>,
    returned_at: Option<Steady>,
    announced_at: Option<Steady>,
    /// Each restart that was noticed.
    pub often: Often,
    /// It came back in another state than the keeper wrote.
    pub wrong_boot: bool,
}

/// What a sign of life is evidence of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Sign {
    /// Of nothing new.
    Usual,
    /// It was gone and is back.
    Returned,
    /// It said so anew though it was not due.
    Anew,
}

impl Restarts {
    /// Said whether it is alive, after it was thought to be `before`.
    pub fn said_alive(&mut self, alive: Alive, before: Option<Alive>, now: Steady) -> Sign {
        if alive == Alive::No {
            return Sign::Usual;
        }
        let last = self.heard_at.replace(now);
        if before == Some(Alive::No) {
            self.returned_at = Some(now);
            return Sign::Returned;
        }
        // The first one of a session may be the broker's kept one.
        let Some(since) = last.map(|at| now.since(at)) else { return Sign::Usual };
        let usual = self.usual.replace(since);
        if usual.is_some_and(|usual| since.seconds() >= DUE_FROM * usual.seconds()) {
            return Sign::Usual;
        }
        self.announced_at = Some(now);
        Sign::Anew
    }

    /// Said how long it has been up, in whatever unit. Returns whether that fell: a restart.
    pub fn said_uptime(&mut self, uptime: f64, now: Steady) -> bool {
        let fell = self.uptime.is_some_and(|last| uptime < FALLEN * last);
        self.uptime = Some(uptime);
        if fell {
            self.returned_at = Some(now);
            self.count(now);
        }
        fell
    }

    /// Whether a change that nobody ordered now is a restart.
    pub fn explain(&self, now: Steady) -> bool {
        let within = |at: Option<Steady>, window| at.is_some_and(|at| now.since(at) <= window);
        within(self.returned_at, RETURN_WINDOW) || within(self.announced_at, ANNOUNCE_WINDOW)
    }

    /// When it came back, by its uptime or after it was said to be gone, if not before a moment.
    pub fn returned_since(&self, from: Steady) -> Option<Steady> {
        self.returned_at.filter(|at| *at >= from)
    }

    /// One restart; several pieces of evidence are one.
    pub fn count(&mut self, now: Steady) {
        if self.often.newest().is_none_or(|last| now.since(last) > SAME_RESTART) {
            self.often.note(now);
        }
    }

    /// The broker is gone: the next sign of life is the answer to our own subscription.
    pub fn forget_broker(&mut self) {
        self.heard_at = None;
        self.announced_at = None;
    }

    /// What decisions rest on.
    pub fn standing(&self) -> impl PartialEq + use<> {
        (self.returned_at, self.announced_at, self.often.newest(), self.wrong_boot)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: u64) -> Steady {
        Steady::from_millis(seconds * 1000)
    }

    fn alive(restarts: &mut Restarts, seconds: u64) -> Sign {
        restarts.said_alive(Alive::Yes, Some(Alive::Yes), at(seconds))
    }

    #[test]
    fn a_sign_of_life_by_the_clock_is_due_and_one_in_between_is_not() {
        let mut restarts = Restarts::default();
        assert_eq!(alive(&mut restarts, 0), Sign::Usual, "the kept one");
        assert_eq!(alive(&mut restarts, 60), Sign::Anew, "nobody knows yet that it speaks every minute");
        for minute in 2..9 {
            // Give or take two seconds.
            assert_eq!(alive(&mut restarts, minute * 60 + minute % 3), Sign::Usual, "{minute}");
        }
        assert_eq!(alive(&mut restarts, 8 * 60 + 20), Sign::Anew);
        assert!(restarts.explain(at(8 * 60 + 25)) && !restarts.explain(at(8 * 60 + 26)));
    }

    #[test]
    fn after_a_broker_s_absence_the_kept_sign_of_life_is_no_restart() {
        let mut restarts = Restarts::default();
        alive(&mut restarts, 0);
        restarts.forget_broker();
        assert_eq!(alive(&mut restarts, 5000), Sign::Usual);
        assert_eq!(alive(&mut restarts, 9000), Sign::Anew);
    }

    #[test]
    fn an_uptime_that_falls_is_one_restart_and_a_corrected_clock_is_none() {
        let mut restarts = Restarts::default();
        for (seconds, uptime, fell) in
            [(0, 86_400.0, false), (10, 86_409.0, false), (20, 86_407.0, false), (30, 4.0, true)]
        {
            assert_eq!(restarts.said_uptime(uptime, at(seconds)), fell, "{uptime}");
        }
        restarts.count(at(31));
        assert_eq!(restarts.often.count(Span::from_hours(24), at(40)), 1);
        assert!(restarts.explain(at(90)) && !restarts.explain(at(91)));
    }
}

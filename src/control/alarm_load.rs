//! How much of a tank's alarms a person can still take in: floods, and the limits of good alarm keeping.
//!
//! The limits are those of ISA-18.2 and IEC 62682 as public summaries report them; which of them were read and which
//! are from memory stands beside each. They are made for a control room with an operator at a desk: for a keeper who
//! sleeps and works elsewhere they are far too many, and are shown as the greatest that could ever do.

use crate::time::{Now, Span, Steady, Wall};

use super::often::Often;

/// More raised alarms than this in [`FLOOD_WITHIN`] are a flood. [from memory]
pub const FLOOD: usize = 10;
/// The window of a flood.
pub const FLOOD_WITHIN: Span = Span::from_minutes(10);
/// A flood is over when fewer than this were raised in the window. [from memory]
pub const FLOOD_OVER: usize = 5;
/// Cycles in a minute from which an alarm chatters. [read as a rule of thumb]
pub const CHATTER: usize = 3;
/// Alarms a day: what is manageable, and the most that is. [read: 144 to 150, 300; ISA-18.2-2016 is reported to have
/// dropped the limits by day]
pub const A_DAY: (f64, f64) = (150.0, 300.0);
/// Of all alarms, the shares of low and medium, high, and urgent. [read, for three priorities: 80, 15 and 5 %]
pub const SHARES: [f64; 3] = [0.80, 0.15, 0.05];
/// Of all alarms, what the ten most frequent ones should be at most. [from memory: 1 to 5 %]
pub const TOP_TEN: f64 = 0.05;
/// Stale alarms on any day. [from memory]
pub const STALE_A_DAY: usize = 5;

/// Alarms that came of late.
#[derive(Clone, Debug, Default)]
pub(super) struct Flood {
    recent: Often,
    since: Option<(Steady, Wall)>,
}

impl Flood {
    /// One was raised.
    pub fn note(&mut self, now: Now) {
        if self.since.is_some() && !self.stands(now.steady) {
            self.since = None;
        }
        self.recent.note(now.steady);
        if self.recent.count(FLOOD_WITHIN, now.steady) > FLOOD {
            self.since.get_or_insert((now.steady, now.wall));
        }
    }

    /// Raised in the last ten minutes.
    pub fn recent(&self, now: Steady) -> usize {
        self.recent.count(FLOOD_WITHIN, now)
    }

    /// Since when a flood stands.
    pub fn since(&self, now: Steady) -> Option<Wall> {
        self.since.filter(|_| self.stands(now)).map(|(_, wall)| wall)
    }

    fn stands(&self, now: Steady) -> bool {
        self.recent(now) >= FLOOD_OVER
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: u64) -> Now {
        let millis = seconds * 1000;
        Now { steady: Steady::from_millis(millis), wall: Wall::from_unix_millis(i64::try_from(millis).unwrap()) }
    }

    #[test]
    fn the_eleventh_alarm_in_ten_minutes_is_a_flood_until_there_are_fewer_than_five() {
        let mut flood = Flood::default();
        (0..10).for_each(|second| flood.note(at(second * 10)));
        assert_eq!(flood.since(at(90).steady), None);
        flood.note(at(100));
        assert_eq!(flood.since(at(100).steady), Some(at(100).wall));
        // 650 s: those of 60 to 100 s are left, which are five.
        assert_eq!((flood.recent(at(650).steady), flood.since(at(650).steady)), (5, Some(at(100).wall)));
        assert_eq!(flood.since(at(661).steady), None);
        flood.note(at(700));
        assert_eq!(flood.since(at(700).steady), None);
    }
}

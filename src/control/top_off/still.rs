//! The level between runs: whether it is quiet enough to be topped off, and whether it falls or rises by itself.
//!
//! The level is looked at on a grid of 15 s. The mean of a minute is compared with the one before; what it falls
//! faster than a rate is summed up, what it falls slower is taken off again, never below nothing (a cumulative
//! sum). Twice the spread that a quiet level may have is then no noise any more. The same upwards, with less.
//! Limits: it looks only while the flow is steady, ten minutes after each hold, and not from a run's start to its
//! verdict. Its sums go on over runs, since a leak makes short pauses between them. A keeper who pours water in
//! without a hold looks like a siphon, and one who takes some out like a leak.

use crate::control::deadlines::Deadlines;
use crate::control::effect::DeadlineKind;
use crate::control::plan::StillPlan;
use crate::control::truth::Truth;
use crate::time::{Span, Steady};

const GRID: Span = Span::from_seconds(15);
/// Three minutes of the grid: what a spread is taken of. [E: 3 min]
const SPREAD_OF: usize = 12;
/// One minute of the grid: a mean.
const MEAN_OF: usize = 4;
/// So long after a hold the water is not judged. [F35: 10 min]
const AFTER_HOLD: Span = Span::from_minutes(10);
/// A rise by this part of a quiet level's spread is no noise, nor is a fall by that. [F36: 3 mm of 2 mm; simulated:
/// with 3 mm a fall was false 2.7 times a year, since a run begins where noise reads low]
const RISE_PART: f64 = 1.5;
const FALL_PART: f64 = 2.0;
/// A fall must be so for this many looks, a rise, which latches, for that many: the mean of a minute goes on rising for a
/// minute after a pump stood for seconds, until the water sinks again (`verdict::STANDS_FOR`).
const FALL_LOOKS: u8 = 2;
const RISE_LOOKS: u8 = 8;

/// What is seen in one step.
#[derive(Clone, Copy, Debug)]
pub(super) struct Seen {
    pub now: Steady,
    /// The level in mm, while good.
    pub level: Option<f64>,
    /// Flow goes on, no pump is off.
    pub steady: bool,
    pub held: bool,
    /// A run goes on or is not judged yet.
    pub run: bool,
}

/// How fast a level falls.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Fall {
    /// Faster than any evaporation.
    Leak,
    /// So fast that minutes count.
    Burst,
}

/// A sum of what goes one way faster than a rate.
#[derive(Clone, Copy, Debug, Default)]
struct Sum {
    mm: f64,
    looks: u8,
}

impl Sum {
    fn add(&mut self, by: f64, enough: f64) {
        self.mm = (self.mm + by).clamp(0.0, 2.0 * enough);
        self.looks = if self.mm >= enough { self.looks.saturating_add(1) } else { 0 };
    }
}

/// The memory of a level.
#[derive(Clone, Debug)]
pub(super) struct Still {
    /// The newest looks, the oldest first.
    looks: Vec<f64>,
    /// The mean of a minute, at the last look.
    reference: Option<f64>,
    /// Looks since the water is undisturbed.
    quiet_looks: usize,
    quiet_at: Steady,
    was_held: bool,
    next: Steady,
    leak: Sum,
    burst: Sum,
    rise: Sum,
}

impl Still {
    pub fn new(now: Steady) -> Self {
        Self {
            looks: Vec::new(),
            reference: None,
            quiet_looks: 0,
            quiet_at: now,
            was_held: false,
            next: now,
            leak: Sum::default(),
            burst: Sum::default(),
            rise: Sum::default(),
        }
    }

    /// Looks, if it is time. Returns by how many mm the level rose by itself, once.
    pub fn follow(&mut self, plan: &StillPlan, seen: &Seen, deadlines: &mut Deadlines) -> Option<f64> {
        let now = seen.now;
        if self.was_held && !seen.held {
            self.quiet_at = now.after(AFTER_HOLD);
        }
        self.was_held = seen.held;
        if seen.held || !seen.steady || seen.level.is_none() {
            (self.leak, self.burst, self.rise) = <(Sum, Sum, Sum)>::default();
        }
        if seen.run || seen.held || !seen.steady || seen.level.is_none() {
            self.pause();
        }
        let Some(level) = seen.level else {
            self.looks.clear();
            return None;
        };
        let mut rose = None;
        if self.next <= now {
            self.next = now.after(GRID);
            if self.looks.len() >= SPREAD_OF {
                self.looks.remove(0);
            }
            self.looks.push(level);
            if !seen.run && !seen.held && seen.steady && self.quiet_at <= now {
                rose = self.look(plan);
            }
        }
        deadlines.ask(self.next, DeadlineKind::TopOff);
        rose
    }

    fn pause(&mut self) {
        self.reference = None;
        self.quiet_looks = 0;
    }

    fn look(&mut self, plan: &StillPlan) -> Option<f64> {
        self.quiet_looks = (self.quiet_looks + 1).min(SPREAD_OF);
        if self.quiet_looks < MEAN_OF || self.looks.len() < MEAN_OF {
            return None;
        }
        let mean = mean(&self.looks[self.looks.len() - MEAN_OF..]);
        let before = self.reference.replace(mean)?;
        let (fell, hours) = (before - mean, GRID.hours());
        self.leak.add(fell - plan.leak * hours, FALL_PART * plan.spread);
        self.burst.add(fell - plan.burst * hours, FALL_PART * plan.spread);
        // Rises slower than half of what is a leak are the probe's.
        self.rise.add(-fell - plan.leak / 2.0 * hours, RISE_PART * plan.spread);
        (self.rise.looks >= RISE_LOOKS).then(|| std::mem::take(&mut self.rise).mm)
    }

    /// The standard deviation of three minutes, mm; `None` before they are seen.
    pub fn spread(&self) -> Option<f64> {
        if self.looks.len() < SPREAD_OF {
            return None;
        }
        let mean = mean(&self.looks);
        let squares: f64 = self.looks.iter().map(|look| (look - mean).powi(2)).sum();
        Some((squares / (SPREAD_OF - 1) as f64).sqrt())
    }

    /// Whether the level is quiet enough to be topped off.
    pub fn is_quiet(&self, plan: &StillPlan) -> Truth {
        self.spread().map_or(Truth::Unknown, |spread| Truth::of(spread < plan.spread))
    }

    /// Falls faster than a leak, or than a burst; not known while the water is disturbed.
    pub fn falls(&self, fall: Fall) -> Truth {
        if self.reference.is_none() {
            return Truth::Unknown;
        }
        let sum = match fall {
            Fall::Leak => self.leak,
            Fall::Burst => self.burst,
        };
        Truth::of(sum.looks >= FALL_LOOKS)
    }
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / (values.len().max(1) as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLAN: StillPlan = StillPlan { spread: 2.0, leak: 10.0, burst: 60.0 };

    struct Water {
        still: Still,
        seen: Seen,
        millimetres: f64,
        rose: Vec<f64>,
    }

    impl Water {
        fn new() -> Self {
            let now = Steady::from_millis(1_000_000);
            let seen = Seen { now, level: None, steady: true, held: false, run: false };
            Self { still: Still::new(now), seen, millimetres: 0.0, rose: Vec::new() }
        }

        /// So many minutes at so many mm/h.
        fn goes(&mut self, rate: f64, minutes: u64) {
            for _ in 0..minutes * 4 {
                self.seen.now = self.seen.now.after(GRID);
                self.millimetres += rate * GRID.hours();
                let seen = Seen { level: Some(self.millimetres), ..self.seen };
                self.rose.extend(self.still.follow(&PLAN, &seen, &mut Deadlines::default()));
            }
        }

        fn falls(&self) -> [Truth; 2] {
            [self.still.falls(Fall::Leak), self.still.falls(Fall::Burst)]
        }
    }

    #[test]
    fn what_evaporates_is_no_leak_and_a_slow_rise_no_siphon() {
        let mut water = Water::new();
        water.goes(-9.0, 12 * 60);
        assert_eq!(water.falls(), [Truth::False; 2]);
        water.goes(4.0, 12 * 60);
        assert_eq!((water.falls(), water.rose), ([Truth::False; 2], Vec::new()));
    }

    #[test]
    fn a_leak_is_seen_when_it_has_taken_twice_the_spread_and_is_forgotten_as_slowly() {
        let mut water = Water::new();
        // 10 mm an hour more than the limit: 4 mm in 24 min.
        water.goes(-20.0, 22);
        assert_eq!(water.falls(), [Truth::False; 2]);
        water.goes(-20.0, 5);
        assert_eq!(water.falls(), [Truth::True, Truth::False]);
        // However long it went on, no more than twice that is remembered.
        water.goes(-20.0, 6 * 60);
        water.goes(0.0, 22);
        assert_eq!(water.falls()[0], Truth::True);
        water.goes(0.0, 5);
        assert_eq!(water.falls()[0], Truth::False);
    }

    #[test]
    fn a_burst_is_seen_within_minutes() {
        let mut water = Water::new();
        // 60 mm an hour more than the limit: 4 mm in 4 min, after the first mean of a minute.
        water.goes(-120.0, 4);
        assert_eq!(water.falls()[1], Truth::False);
        water.goes(-120.0, 3);
        assert_eq!(water.falls(), [Truth::True; 2]);
    }

    #[test]
    fn a_rise_without_the_pump_is_told_once_it_has_stood() {
        let mut water = Water::new();
        // 35 mm an hour more than half of a leak: 3 mm in 5 min, and eight looks.
        water.goes(40.0, 7);
        assert_eq!(water.rose, Vec::<f64>::new());
        water.goes(40.0, 2);
        assert_eq!(water.rose.len(), 1);
        assert!(water.rose[0] >= 3.0, "{} mm", water.rose[0]);
        water.goes(40.0, 5);
        assert_eq!(water.rose.len(), 1, "told once");
    }

    #[test]
    fn disturbed_water_is_not_judged_nor_for_ten_minutes_after_a_hold() {
        let disturbed: [fn(&mut Seen); 3] =
            [|seen| seen.run = true, |seen| seen.held = true, |seen| seen.steady = false];
        for disturb in disturbed {
            let mut water = Water::new();
            water.goes(0.0, 10);
            disturb(&mut water.seen);
            for rate in [120.0, -120.0] {
                water.goes(rate, 30);
                assert_eq!(water.falls(), [Truth::Unknown; 2]);
            }
            assert_eq!(water.rose, Vec::<f64>::new());
        }
        let mut water = Water::new();
        water.seen.held = true;
        water.goes(0.0, 10);
        water.seen.held = false;
        water.goes(-120.0, 9);
        assert_eq!(water.falls(), [Truth::Unknown; 2]);
        water.goes(-120.0, 8);
        assert_eq!(water.falls(), [Truth::True; 2]);
    }

    #[test]
    fn a_run_keeps_what_was_summed_up_and_lost_flow_does_not() {
        let after = |disturb: fn(&mut Seen)| {
            let mut water = Water::new();
            water.goes(-20.0, 40);
            let calm = water.seen;
            disturb(&mut water.seen);
            water.goes(0.0, 1);
            water.seen = Seen { now: water.seen.now, ..calm };
            water.goes(-10.0, 3);
            water.falls()[0]
        };
        assert_eq!(after(|seen| seen.run = true), Truth::True);
        assert_eq!(after(|seen| seen.steady = false), Truth::False);
    }

    #[test]
    fn a_level_that_swings_or_is_not_seen_is_not_quiet() {
        let mut water = Water::new();
        water.goes(0.0, 2);
        assert_eq!(water.still.is_quiet(&PLAN), Truth::Unknown, "three minutes are not seen yet");
        water.goes(0.0, 1);
        assert_eq!(water.still.is_quiet(&PLAN), Truth::True);
        for swing in [3.0, -3.0].repeat(6) {
            water.seen.now = water.seen.now.after(GRID);
            let seen = Seen { level: Some(swing), ..water.seen };
            water.still.follow(&PLAN, &seen, &mut Deadlines::default());
        }
        // The standard deviation of ±3 mm, of twelve.
        assert!(water.still.spread().is_some_and(|spread| (spread - 3.0 * (12.0_f64 / 11.0).sqrt()).abs() < 1e-9));
        assert_eq!(water.still.is_quiet(&PLAN), Truth::False);
        let unseen = Seen { now: water.seen.now.after(GRID), ..water.seen };
        water.still.follow(&PLAN, &unseen, &mut Deadlines::default());
        assert_eq!(water.still.is_quiet(&PLAN), Truth::Unknown);
    }
}

//! A meter that repeats itself: whether its number is of now.
//!
//! ```text
//!   not known ── 20 readings while it draws, three of four differ ──► lively ── the same number after a switch, ──► stuck
//!                                                                        ▲      or 20 times on end                   │
//!                                                                        └──────────── another number ───────────────┘
//! ```
//! Duty: a frozen meter must not accuse a sound plug. What a heater or a pump draws moves with the mains by more than the
//! last digit of most meters, so the same number to the last digit after a switch is the old one. Limits: a coarse meter
//! repeats itself while it is sound; one that was never seen to vary is believed, for a relay that is stuck must be
//! found. Direction of failure: towards off. Nothing drawn (0 W) is no repetition.

/// Pairs of readings that say whether a meter varies. [choice]
const ENOUGH: u32 = 20;
/// The last so many pairs count.
const KEPT: u32 = 60;
/// So many of four pairs must differ. [choice: a meter of 0.1 W at a load that moves by 0.4 W differs in nine of ten]
const OF_FOUR: u32 = 3;
/// Longer than any chance: one in 4^20 at three of four. [choice]
const ON_END: u32 = 20;
/// More repetitions in a row say nothing more of a meter's habit: a freeze must not become one.
const COUNTED: u32 = 5;

/// What is known of a meter's last digit.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Repeats {
    /// The last pairs, the newest lowest: 1 where the two differed.
    pairs: u64,
    count: u32,
    pub lively: bool,
    /// How often the last number came again on end.
    run: u32,
    /// What it said last before the output was switched, until it says something else.
    before_switch: Option<f64>,
}

impl Repeats {
    /// The output was switched; this is what the meter said last.
    pub fn switched(&mut self, last: Option<f64>) {
        self.before_switch = self.before_switch.or(last);
    }

    /// A person says that the meter is right, or it is another one: its habit is learned anew.
    pub fn relearn(&mut self) {
        *self = Self::default();
    }

    /// A reading came after another one. `settled`: the output is proven on, and draws.
    pub fn follow(&mut self, before: Option<f64>, watts: f64, settled: bool) {
        let same = before.is_some_and(|before| before.to_bits() == watts.to_bits());
        self.run = if same { self.run.saturating_add(1) } else { 0 };
        // The first number after a start or an outage may be an old one as well.
        if before.is_none() {
            self.before_switch = Some(watts);
        }
        if self.before_switch.is_some_and(|old| old.to_bits() != watts.to_bits()) {
            self.before_switch = None;
        }
        if settled && before.is_some() && self.run <= COUNTED {
            self.pairs = self.pairs << 1 | u64::from(!same);
            self.count = (self.count + 1).min(KEPT);
            if self.count >= ENOUGH {
                let differ = (self.pairs & (u64::MAX >> (64 - self.count))).count_ones();
                self.lively = 4 * differ >= OF_FOUR * self.count;
            }
        }
    }

    /// Whether the number is an old one. `nothing`: so little is no repetition, W.
    pub fn is_stuck(&self, watts: f64, nothing: f64) -> bool {
        self.lively && watts > nothing && (self.before_switch.is_some() || self.run >= ON_END)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A meter of 0.1 W on 100 W.
    fn lively() -> Repeats {
        let mut repeats = Repeats::default();
        let mut before = None;
        for at in 0..30_u32 {
            let watts = 100.0 + f64::from(at % 7) / 10.0;
            repeats.follow(before, watts, true);
            before = Some(watts);
        }
        repeats
    }

    #[test]
    fn a_meter_that_varies_and_says_the_same_after_a_switch_is_stuck_until_it_says_another() {
        let mut repeats = lively();
        assert!(repeats.lively && !repeats.is_stuck(100.1, 1.0));
        repeats.switched(Some(100.1));
        // The report comes after the command: one switch.
        repeats.switched(Some(100.1));
        repeats.follow(Some(100.1), 100.1, false);
        assert!(repeats.is_stuck(100.1, 1.0));
        repeats.follow(Some(100.1), 99.8, false);
        assert!(!repeats.is_stuck(99.8, 1.0), "a welded relay draws on, and never just the same");
    }

    #[test]
    fn twenty_times_the_same_is_stuck_without_a_switch_and_stays_so_for_ever() {
        let mut repeats = lively();
        for _ in 0..19 {
            repeats.follow(Some(100.4), 100.4, true);
        }
        assert!(!repeats.is_stuck(100.4, 1.0));
        repeats.follow(Some(100.4), 100.4, true);
        assert!(repeats.is_stuck(100.4, 1.0), "the twentieth");
        for _ in 0..1000 {
            repeats.follow(Some(100.4), 100.4, true);
        }
        assert!(repeats.is_stuck(100.4, 1.0), "a freeze is not learned as its habit");
    }

    #[test]
    fn a_coarse_meter_is_believed_and_nothing_drawn_is_no_repetition() {
        let mut repeats = Repeats::default();
        let mut before = None;
        for at in 0..200_u32 {
            let watts = if at % 9 == 0 { 101.0 } else { 100.0 };
            repeats.follow(before, watts, true);
            before = Some(watts);
        }
        repeats.switched(before);
        repeats.follow(before, 100.0, false);
        assert!(!repeats.lively && !repeats.is_stuck(100.0, 1.0));
        let mut repeats = lively();
        repeats.switched(Some(0.0));
        repeats.follow(Some(0.0), 0.0, false);
        assert!(!repeats.is_stuck(0.0, 1.0));
    }

    /// Readings of which each differs from the one before, or does not.
    fn told(repeats: &mut Repeats, differs: impl IntoIterator<Item = bool>, settled: bool) {
        let mut watts = 100.0;
        for differs in differs {
            let before = watts;
            if differs {
                watts += 0.1;
            }
            repeats.follow(Some(before), watts, settled);
        }
    }

    #[test]
    fn three_of_four_of_twenty_pairs_while_it_draws_make_a_meter_lively() {
        let lively = |differ: usize, same: usize, settled| {
            let mut repeats = Repeats::default();
            told(&mut repeats, (0..differ).map(|_| true).chain((0..same).map(|_| false)), settled);
            repeats.lively
        };
        assert!(lively(15, 5, true));
        assert!(lively(20, 0, true) && !lively(19, 0, true));
        assert!(!lively(100, 0, false), "what is read while nothing is proven on teaches nothing");
    }

    #[test]
    fn a_meter_that_says_the_same_in_six_of_twenty_pairs_is_coarse() {
        let mut repeats = Repeats::default();
        told(&mut repeats, (0..20).map(|at| at % 10 > 2), true);
        assert!(!repeats.lively);
    }

    #[test]
    fn a_habit_is_what_the_last_sixty_pairs_say() {
        let mut repeats = lively();
        told(&mut repeats, (0..120).map(|at| at % 3 == 0), true);
        assert!(!repeats.lively, "a third of them differ");
        told(&mut repeats, (0..60).map(|_| true), true);
        assert!(repeats.lively);
    }

    #[test]
    fn the_first_number_after_an_outage_is_of_now_when_another_one_came() {
        let mut repeats = lively();
        repeats.follow(None, 100.1, false);
        assert!(repeats.is_stuck(100.1, 1.0));
        repeats.follow(Some(100.1), 100.3, false);
        assert!(!repeats.is_stuck(100.3, 1.0));
    }
}

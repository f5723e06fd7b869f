//! Heat that returns after a long time without: slowly, since animals bear cold better than a sudden change.
//!
//! Duty: after two hours without heat, in water that is more than 1 K below where heating begins, to let the
//! temperature rise by 1 K an hour at most. It bounds what the water does, not what the heater gives: a tank that goes
//! on cooling in a cold room gets all the heat there is. It only ever lowers where heating begins and ends.
//!
//! ```text
//!   on and off points        ___ the loop's own
//!                     ___---
//!              ___---           1 K an hour, from what the water was when heat returned
//! ```

use crate::time::{Span, Steady};

use super::deadlines::Deadlines;
use super::effect::DeadlineKind;
use super::plan::LoopSide;

/// The fastest rise, K/h. [C4]
const RATE: f64 = 1.0;
/// So long without heat. [C4: a cut of more than 2 h]
const WITHOUT_HEAT: Span = Span::from_hours(2);
/// So far below the on point it is worth it, K. [choice]
const COLD: f64 = 1.0;
/// Heats up to this far over the line, K: less than the loop's band, and more than a probe's step. [choice]
const BAND: f64 = 0.1;

/// What the water was when heat returned, and when.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Ramp {
    from: Option<(f64, Steady)>,
}

impl Ramp {
    /// Whether the rise is bounded now.
    pub fn is_on(self) -> bool {
        self.from.is_some()
    }

    /// Begins and ends it. `heated_at`: the heater last had current.
    pub fn follow(
        &mut self,
        side: LoopSide,
        value: f64,
        heated_at: Option<Steady>,
        now: Steady,
        deadlines: &mut Deadlines,
    ) {
        let long_without = heated_at.is_none_or(|at| now.since(at) >= WITHOUT_HEAT);
        match self.from {
            None if long_without && value < side.on_at - COLD => self.from = Some((value, now)),
            Some((from, at)) if value > side.on_at || rises_to(from, at, side.on_at) <= now => self.from = None,
            _ => {}
        }
        if let Some((from, at)) = self.from {
            deadlines.ask(rises_to(from, at, side.on_at), DeadlineKind::Minimum);
        }
    }

    /// Whether heat is wanted as far as the rise goes; asks for the moment at which it will be.
    pub fn allows(self, value: f64, heating: bool, now: Steady, deadlines: &mut Deadlines) -> bool {
        let Some((from, at)) = self.from else { return true };
        let due = rises_to(from, at, if heating { value - BAND } else { value });
        if due > now && !heating {
            deadlines.ask(due, DeadlineKind::Minimum);
        }
        due <= now
    }
}

/// When the line has come up to a temperature.
fn rises_to(from: f64, at: Steady, to: f64) -> Steady {
    let millis = ((to - from) / RATE * 3.6e6).ceil();
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to three years before")]
    let span = Span::from_millis(millis.clamp(0.0, 1e11) as u64);
    at.after(span)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::ids::OutputId;

    fn side() -> LoopSide {
        LoopSide { output: OutputId::new(0), on_at: 24.85, off_at: 25.15 }
    }

    /// Water of 376 kJ/K that loses 12 W/K, heated for some hours as the ramp allows; the hottest and the last of
    /// each hour's rises.
    fn heated(watts: f64, room: f64, start: f64, hours: u64) -> Vec<f64> {
        let (mut ramp, mut value, mut on, mut each) = (Ramp::default(), start, false, vec![start]);
        for second in 0..hours * 3600 {
            let now = Steady::from_millis(second * 1000);
            ramp.follow(side(), value, None, now, &mut Deadlines::default());
            let wanted = if on { value < side().off_at } else { value <= side().on_at };
            on = wanted && ramp.allows(value, on, now, &mut Deadlines::default());
            value += (if on { watts } else { 0.0 } - 12.0 * (value - room)) / 376e3;
            if second % 3600 == 3599 {
                each.push(value);
            }
        }
        each
    }

    #[test]
    fn a_heater_three_times_too_large_warms_by_a_kelvin_an_hour() {
        let each = heated(300.0, 20.0, 22.0, 5);
        for hour in each.windows(2) {
            assert!(hour[1] - hour[0] <= RATE + BAND, "{each:?}");
        }
        assert!(each[3] > 24.7, "and as fast as that: {each:?}");
        assert!(each[5] < side().off_at + 0.05);
    }

    #[test]
    fn in_a_room_that_takes_it_all_the_heater_gives_what_it_has() {
        let (bounded, room) = (heated(100.0, 12.0, 22.0, 4), 12.0);
        let mut free: f64 = 22.0;
        (0..4 * 3600).for_each(|_| free += (100.0 - 12.0 * (free - room)) / 376e3);
        assert!((bounded[4] - free).abs() < 0.01, "{bounded:?} against {free}");
    }

    #[test]
    fn a_ramp_ends_when_the_water_or_its_line_has_come_up() {
        let begin = Steady::from_millis(36_000_000);
        let after = |minutes: u64| begin.after(Span::from_minutes(minutes));
        let side = LoopSide { on_at: 25.0, off_at: 25.5, ..side() };
        // From 23.0 at a kelvin an hour: 25.0 is reached after two.
        for (minute, value, on) in [(119, 24.0, true), (120, 24.0, false), (30, 25.0, true), (30, 25.1, false)] {
            let mut ramp = Ramp::default();
            ramp.follow(side, 23.0, None, begin, &mut Deadlines::default());
            assert!(ramp.is_on());
            let mut deadlines = Deadlines::default();
            ramp.follow(side, value, Some(after(minute)), after(minute), &mut deadlines);
            assert_eq!(ramp.is_on(), on, "{value} after {minute} min");
            assert_eq!(deadlines.earliest().map(|due| due.at), on.then(|| after(120)));
        }
    }

    #[test]
    fn a_ramp_lets_the_heater_wait_for_its_line_and_says_until_when() {
        let begin = Steady::from_millis(36_000_000);
        let mut ramp = Ramp::default();
        ramp.follow(side(), 23.0, None, begin, &mut Deadlines::default());
        let allows = |value: f64, heating: bool, minutes: u64| {
            let mut deadlines = Deadlines::default();
            let allowed = ramp.allows(value, heating, begin.after(Span::from_minutes(minutes)), &mut deadlines);
            (allowed, deadlines.earliest().map(|due| due.at.since(begin).millis() / 60_000))
        };
        assert_eq!(allows(23.0, false, 0), (true, None));
        assert_eq!(allows(23.5, false, 29), (false, Some(30)), "the line is at 23.5 after half an hour");
        assert_eq!(allows(23.5, false, 30), (true, None));
        // What heats goes on to a tenth over the line, and then rests.
        assert_eq!(allows(23.5, true, 24), (true, None));
        assert_eq!(allows(23.5, true, 23), (false, None));
        assert!(Ramp::default().allows(30.0, false, begin, &mut Deadlines::default()), "without a ramp nothing waits");
    }

    #[test]
    fn a_short_break_or_water_that_is_nearly_warm_needs_no_ramp() {
        let now = Steady::from_millis(36_000_000);
        for (value, heated_at, on) in [
            (23.0, Some(now.before(Span::from_hours(1))), false),
            (24.0, None, false),
            (23.0, Some(now.before(Span::from_hours(3))), true),
        ] {
            let mut ramp = Ramp::default();
            ramp.follow(side(), value, heated_at, now, &mut Deadlines::default());
            assert_eq!(ramp.is_on(), on, "{value} {heated_at:?}");
        }
    }
}

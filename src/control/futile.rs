//! Heat that does not arrive: on for hours, and the water hardly warmer.
//!
//! Duty: to say that a heater which has run for four hours without a break gave less than a quarter of the rise that
//! its watts give to its litres: a dead element, its own thermostat set too low, a room too cold for it. It looks at
//! the water alone, so it needs no meter, and takes hours; a meter is sooner.

use crate::time::{Span, Steady};

use super::deadlines::Deadlines;
use super::effect::DeadlineKind;

/// One look. [D1]
const LOOK: Span = Span::from_hours(4);
/// Of the rise that nothing lost would give. [D1]
const SHARE: f64 = 0.25;
/// K/h for each watt in each litre: 3600 s over 4.3 kJ/K, glass and rock included [D2: 4.1 to 4.3]. It bounds the rise
/// from below, so that a sound heater is not called dead; what bounds it from above takes the water alone (`config::heat`).
const KELVIN_LITRE_PER_WATT_HOUR: f64 = 0.84;

/// The heat of this look.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Futile {
    since: Option<(Steady, f64)>,
    /// The last look found too little.
    pub found: bool,
}

/// The least rise in one look, K.
pub(super) fn least_rise(watts: f64, litres: f64) -> f64 {
    SHARE * KELVIN_LITRE_PER_WATT_HOUR * watts / litres.max(0.1) * LOOK.hours()
}

impl Futile {
    /// `water`: its temperature while the heater runs and that is known; `None` otherwise.
    pub fn follow(&mut self, water: Option<f64>, least_rise: f64, now: Steady, deadlines: &mut Deadlines) {
        let Some(value) = water else {
            *self = Self::default();
            return;
        };
        let (since, from) = *self.since.get_or_insert((now, value));
        let due = since.after(LOOK);
        if due <= now {
            self.found = value - from < least_rise;
            self.since = Some((now, value));
        }
        deadlines.ask(if due <= now { now.after(LOOK) } else { due }, DeadlineKind::Alarm);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quarter_of_what_100_watts_give_to_90_litres_in_four_hours() {
        // 0.84 * 100 / 90 * 4 / 4: the domain's own figures, by hand.
        assert!((least_rise(100.0, 90.0) - 0.9333).abs() < 1e-3);
    }

    #[test]
    fn each_four_hours_are_a_look_of_their_own_and_a_break_forgets() {
        let (mut futile, hour) = (Futile::default(), |hours: u64| Steady::from_millis(hours * 3_600_000));
        let look = |futile: &mut Futile, hours, water| {
            futile.follow(water, 0.9, hour(hours), &mut Deadlines::default());
            futile.found
        };
        assert!(!look(&mut futile, 0, Some(24.0)) && !look(&mut futile, 3, Some(24.0)));
        assert!(look(&mut futile, 4, Some(24.5)));
        assert!(look(&mut futile, 6, Some(25.0)));
        assert!(!look(&mut futile, 8, Some(25.6)), "1.1 K since the last look");
        assert!(look(&mut futile, 12, Some(25.6)));
        assert!(!look(&mut futile, 13, None));
    }
}

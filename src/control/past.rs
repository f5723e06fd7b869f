//! What a signal was in the last minutes, for conditions that ask how far it moved.
//!
//! Duty: the greatest and the least value of a span that slides, on a grid of eighths of it. A value holds until
//! the next one, so when it is looked at makes no difference: a step that was skipped because nothing was new
//! changes nothing here. Limits: the span that is really covered is between seven eighths of it and all of it, never
//! longer; what was not known is not there.

use crate::time::{Span, Steady};

/// Parts of the span.
const PARTS: usize = 8;

/// The values of one condition's span.
#[derive(Clone, Debug, Default)]
pub(super) struct Past {
    /// Least and greatest of each part, by the part's number modulo their count.
    parts: [Option<(f64, f64)>; PARTS],
    /// The number of the newest part since the start of time.
    newest: u64,
    /// What holds until the next look.
    holds: Option<f64>,
}

impl Past {
    /// Takes the value of this moment, which held or changed since the last look; `None`: it is not known.
    /// Gives the least and the greatest of the span.
    pub fn look(&mut self, value: Option<f64>, within: Span, now: Steady) -> Option<(f64, f64)> {
        let part = now.millis() / width(within);
        // What held until now did so in each part since.
        let missed = (part - self.newest.min(part)).min(PARTS as u64);
        for number in (part - missed)..=part {
            let slot = &mut self.parts[place(number)];
            if number > self.newest {
                *slot = None;
            }
            *slot = join(*slot, self.holds);
        }
        self.newest = part;
        let slot = &mut self.parts[place(part)];
        *slot = join(*slot, value);
        self.holds = value;
        self.parts.iter().flatten().copied().reduce(|(a, b), (c, d)| (a.min(c), b.max(d)))
    }

    /// When the oldest part falls out of the span.
    pub fn next(within: Span, now: Steady) -> Steady {
        let width = width(within);
        Steady::from_millis((now.millis() / width + 1) * width)
    }
}

fn width(within: Span) -> u64 {
    (within.millis() / PARTS as u64).max(1)
}

fn place(number: u64) -> usize {
    usize::try_from(number % PARTS as u64).unwrap_or_default()
}

fn join(known: Option<(f64, f64)>, value: Option<f64>) -> Option<(f64, f64)> {
    match (known, value) {
        (None, None) => None,
        (known, None) => known,
        (None, Some(value)) => Some((value, value)),
        (Some((least, greatest)), Some(value)) => Some((least.min(value), greatest.max(value))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WITHIN: Span = Span::from_minutes(2);

    fn at(seconds: u64) -> Steady {
        Steady::from_millis(1_000_000 + seconds * 1000)
    }

    #[test]
    fn a_value_holds_until_the_next_one_and_is_forgotten_after_the_span() {
        let mut past = Past::default();
        assert_eq!(past.look(Some(0.0), WITHIN, at(0)), Some((0.0, 0.0)));
        // Ten minutes without a look: it was 0 until now.
        assert_eq!(past.look(Some(-25.0), WITHIN, at(600)), Some((-25.0, 0.0)));
        assert_eq!(past.look(Some(-25.0), WITHIN, at(690)), Some((-25.0, 0.0)));
        assert_eq!(past.look(Some(-25.0), WITHIN, at(720)), Some((-25.0, -25.0)));
    }

    #[test]
    fn what_is_not_known_is_not_there() {
        let mut past = Past::default();
        past.look(Some(5.0), WITHIN, at(0));
        past.look(None, WITHIN, at(10));
        assert_eq!(past.look(Some(1.0), WITHIN, at(300)), Some((1.0, 1.0)), "5 was known long ago");
        assert_eq!(Past::default().look(None, WITHIN, at(0)), None);
    }

    #[test]
    fn how_often_it_is_looked_at_makes_no_difference() {
        let step = |second: u64| u32::try_from(second / 37 % 11).unwrap();
        let value = |second: u64| f64::from(step(second));
        let mut seldom = Past::default();
        let mut always = Past::default();
        for second in 0..2000 {
            let changed = second == 0 || step(second) != step(second - 1);
            let often = always.look(Some(value(second)), WITHIN, at(second));
            if changed {
                assert_eq!(seldom.look(Some(value(second)), WITHIN, at(second)), often, "second {second}");
            }
        }
    }
}

//! Time-weighted statistics of an irregular series.
//!
//! Samples that come when they like must be weighted by time: a plain mean counts busy minutes more.
//! What lies between two samples is an assumption: [`Between::Step`] holds a value until the next one
//! (right for what is reported on change), [`Between::Linear`] joins them (right for temperatures).
//! The last sample ends the series and has no weight of its own under `Step`. The standard deviation
//! is that of the whole time (no `n-1`). Gaps longer than the longest allowed are left out.

/// What a series does between two samples.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Between {
    /// A value holds until the next sample.
    Step,
    /// A straight line.
    Linear,
}

/// Statistics of the time that a series covers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Summary {
    /// Time covered, gaps left out.
    pub time: f64,
    /// Time-weighted mean.
    pub mean: f64,
    /// Time-weighted standard deviation.
    pub sd: f64,
    /// The least sample.
    pub least: f64,
    /// The greatest sample.
    pub greatest: f64,
}

impl Summary {
    /// How far it swings: greatest less least.
    pub fn swing(&self) -> f64 {
        self.greatest - self.least
    }
}

/// Samples in order of time, each after the one before, all finite.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    points: Vec<(f64, f64)>,
    longest_gap: f64,
}

impl Series {
    /// A series of (time, value); `None` if times do not rise or a number is not finite.
    pub fn new(points: Vec<(f64, f64)>) -> Option<Self> {
        let finite = points.iter().all(|(t, v)| t.is_finite() && v.is_finite());
        let rising = points.windows(2).all(|pair| pair[0].0 < pair[1].0);
        (finite && rising).then_some(Self { points, longest_gap: f64::INFINITY })
    }

    /// The same series, with longer silences left out of every statistic.
    #[must_use]
    pub fn without_gaps_over(mut self, longest: f64) -> Self {
        self.longest_gap = longest;
        self
    }

    /// Pieces (duration, value at the start, value at the end).
    fn pieces(&self, between: Between) -> impl Iterator<Item = (f64, f64, f64)> {
        self.points.windows(2).filter_map(move |pair| {
            let ((t0, a), (t1, b)) = (pair[0], pair[1]);
            let end = if between == Between::Step { a } else { b };
            (t1 - t0 <= self.longest_gap).then_some((t1 - t0, a, end))
        })
    }

    /// Mean, standard deviation and extremes; `None` if no time is covered.
    pub fn summary(&self, between: Between) -> Option<Summary> {
        let time: f64 = self.pieces(between).map(|(dt, _, _)| dt).sum();
        if time <= 0.0 {
            return None;
        }
        let mean = self.pieces(between).map(|(dt, a, b)| dt * (a + b) / 2.0).sum::<f64>() / time;
        // About the mean, so that 25.001 and 25.002 keep their digits; a line's square is a third of a² + ab + b².
        let square = |(dt, a, b): (f64, f64, f64)| {
            let (a, b) = (a - mean, b - mean);
            dt * (a * a + a * b + b * b) / 3.0
        };
        let variance = self.pieces(between).map(square).sum::<f64>() / time;
        let values = || self.points.iter().map(|(_, v)| *v);
        Some(Summary {
            time,
            mean,
            sd: variance.max(0.0).sqrt(),
            least: values().fold(f64::INFINITY, f64::min),
            greatest: values().fold(f64::NEG_INFINITY, f64::max),
        })
    }

    /// Time spent from `low` to `high`, both included.
    pub fn time_in_band(&self, low: f64, high: f64, between: Between) -> f64 {
        self.pieces(between).map(|(dt, a, b)| dt * part_in_band(a, b, low, high)).sum()
    }
}

/// The part of a straight line from `a` to `b` that lies in a band.
pub(super) fn part_in_band(a: f64, b: f64, low: f64, high: f64) -> f64 {
    let (bottom, top) = if a <= b { (a, b) } else { (b, a) };
    if top - bottom <= 0.0 {
        return if (low..=high).contains(&a) { 1.0 } else { 0.0 };
    }
    ((top.min(high) - bottom.max(low)) / (top - bottom)).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn worked() -> Series {
        Series::new(vec![(0.0, 25.0), (10.0, 25.2), (30.0, 26.0), (60.0, 25.5), (120.0, 25.0)]).unwrap()
    }

    #[test]
    fn the_worked_series_is_met_under_both_conventions() {
        // checks.csv, tw: by the integral definitions.
        let step = worked().summary(Between::Step).unwrap();
        assert!((step.mean - 25.5333333).abs() < 1e-6 && (step.sd - 0.3118048).abs() < 1e-6, "{step:?}");
        let linear = worked().summary(Between::Linear).unwrap();
        assert!((linear.mean - 25.4208333).abs() < 1e-6 && (linear.sd - 0.2835477).abs() < 1e-6, "{linear:?}");
        assert!((worked().time_in_band(25.0, 25.6, Between::Linear) - 86.0).abs() < 1e-9);
        assert!((worked().time_in_band(25.0, 25.6, Between::Step) - 90.0).abs() < 1e-9);
        assert!((linear.swing() - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_gap_is_left_out_and_a_broken_series_refused() {
        let summary = worked().without_gaps_over(30.0).summary(Between::Step).unwrap();
        assert!((summary.time - 60.0).abs() < 1e-12);
        assert_eq!(Series::new(vec![(0.0, 1.0), (0.0, 2.0)]), None);
        assert_eq!(Series::new(vec![(0.0, f64::NAN)]), None);
        assert_eq!(Series::new(vec![(0.0, 1.0)]).unwrap().summary(Between::Step), None);
    }

    proptest! {
        #[test]
        fn the_mean_lies_within_the_extremes_and_a_shift_moves_it(
            values in proptest::collection::vec((0.1..10.0f64, 20.0..30.0f64), 2..40), shift in -5.0..5.0f64
        ) {
            let mut t = 0.0;
            let points: Vec<_> = values.iter().map(|(dt, v)| { t += dt; (t, *v) }).collect();
            for between in [Between::Step, Between::Linear] {
                let found = Series::new(points.clone()).unwrap().summary(between).unwrap();
                prop_assert!(found.mean >= found.least - 1e-9 && found.mean <= found.greatest + 1e-9);
                prop_assert!(found.sd <= found.swing() / 2.0 + 1e-9);
                let moved = points.iter().map(|(t, v)| (*t, v + shift)).collect();
                let moved = Series::new(moved).unwrap().summary(between).unwrap();
                prop_assert!((moved.mean - found.mean - shift).abs() < 1e-9 && (moved.sd - found.sd).abs() < 1e-9);
            }
        }

        #[test]
        fn the_parts_of_a_day_add_up(
            values in proptest::collection::vec((0.1..10.0f64, 20.0..30.0f64), 2..40), edge in 20.0..30.0f64
        ) {
            let mut t = 0.0;
            let points: Vec<_> = values.iter().map(|(dt, v)| { t += dt; (t, *v) }).collect();
            let series = Series::new(points).unwrap();
            let below = series.time_in_band(0.0, edge, Between::Linear);
            let above = series.time_in_band(edge, 99.0, Between::Linear);
            prop_assert!((below + above - series.summary(Between::Linear).unwrap().time).abs() < 1e-6);
        }
    }
}

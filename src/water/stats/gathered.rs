//! Time-weighted statistics gathered piece by piece, for a series that nobody keeps whole.
//!
//! What [`super::weighted`] finds in a series, found without the series: each piece between two samples
//! is added to a running mean and a running sum of squares about it (West 1979, Chan, Golub and `LeVeque`
//! 1983: pairwise updating of weighted sums), so that years of 25.001 and 25.002 keep their digits.

use super::weighted::{Between, part_in_band};

/// What was gathered so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct Gathered {
    /// Time covered, s.
    pub time: f64,
    mean: f64,
    squares: f64,
    extremes: Option<(f64, f64)>,
    /// Time inside the band, its edges included, s.
    pub inside: f64,
    /// Time below it, s.
    pub below: f64,
    /// Time above it, s.
    pub above: f64,
}

impl Gathered {
    /// Adds the piece from one sample `a` to the next one `b`, `dt` seconds later.
    pub fn add(&mut self, dt: f64, (a, b): (f64, f64), between: Between, band: Option<(f64, f64)>) {
        if dt <= 0.0 || !dt.is_finite() || !a.is_finite() || !b.is_finite() {
            return;
        }
        let end = if between == Between::Step { a } else { b };
        let (middle, rise) = (f64::midpoint(a, end), end - a);
        let (before, apart) = (self.time, middle - self.mean);
        self.time += dt;
        self.mean += apart * dt / self.time;
        // A straight line's own variance is a twelfth of its rise squared.
        self.squares += dt * rise * rise / 12.0 + apart * apart * before * dt / self.time;
        self.touch(a);
        self.touch(b);
        if let Some((low, high)) = band {
            let inside = part_in_band(a, end, low, high);
            let below = part_in_band(a, end, f64::NEG_INFINITY, low).min(1.0 - inside);
            self.inside += dt * inside;
            self.below += dt * below;
            self.above += dt * (1.0 - inside - below).max(0.0);
        }
    }

    /// A sample counts for the extremes, whether or not a piece begins or ends at it.
    pub fn touch(&mut self, value: f64) {
        if value.is_finite() {
            let (least, greatest) = self.extremes.unwrap_or((value, value));
            self.extremes = Some((least.min(value), greatest.max(value)));
        }
    }

    /// The time-weighted mean; none while no time is covered.
    pub fn mean(&self) -> Option<f64> {
        (self.time > 0.0).then_some(self.mean)
    }

    /// The time-weighted standard deviation of the whole time.
    pub fn sd(&self) -> Option<f64> {
        (self.time > 0.0).then(|| (self.squares / self.time).max(0.0).sqrt())
    }

    /// The least and the greatest sample.
    pub fn extremes(&self) -> Option<(f64, f64)> {
        self.extremes
    }
}

#[cfg(test)]
mod tests {
    use super::super::weighted::Series;
    use super::*;
    use proptest::prelude::*;

    fn gather(points: &[(f64, f64)], between: Between, band: Option<(f64, f64)>) -> Gathered {
        let mut gathered = Gathered::default();
        for pair in points.windows(2) {
            gathered.add(pair[1].0 - pair[0].0, (pair[0].1, pair[1].1), between, band);
        }
        gathered
    }

    /// The same worked series as in `weighted`.
    #[test]
    fn the_worked_series_is_met_under_both_conventions() {
        let points = [(0.0, 25.0), (10.0, 25.2), (30.0, 26.0), (60.0, 25.5), (120.0, 25.0)];
        let band = Some((25.0, 25.6));
        let step = gather(&points, Between::Step, band);
        assert!((step.mean().unwrap() - 25.5333333).abs() < 1e-6 && (step.sd().unwrap() - 0.3118048).abs() < 1e-6);
        assert!((step.inside - 90.0).abs() < 1e-9 && step.below.abs() < 1e-12 && (step.above - 30.0).abs() < 1e-9);
        let linear = gather(&points, Between::Linear, band);
        assert!((linear.mean().unwrap() - 25.4208333).abs() < 1e-6 && (linear.sd().unwrap() - 0.2835477).abs() < 1e-6);
        assert!((linear.inside - 86.0).abs() < 1e-9 && (linear.above - 34.0).abs() < 1e-9);
        assert_eq!(linear.extremes(), Some((25.0, 26.0)));
        assert_eq!((Gathered::default().mean(), Gathered::default().sd()), (None, None));
    }

    proptest! {
        #[test]
        fn it_is_what_the_whole_series_gives(
            values in proptest::collection::vec((0.1..10.0f64, 20.0..30.0f64), 2..60), low in 20.0..25.0f64, wide in 0.0..5.0f64
        ) {
            let mut t = 0.0;
            let points: Vec<_> = values.iter().map(|(dt, v)| { t += dt; (t, *v) }).collect();
            let series = Series::new(points.clone()).unwrap();
            let band = (low, low + wide);
            for between in [Between::Step, Between::Linear] {
                let (found, whole) = (gather(&points, between, Some(band)), series.summary(between).unwrap());
                prop_assert!((found.time - whole.time).abs() < 1e-9);
                prop_assert!((found.mean().unwrap() - whole.mean).abs() < 1e-9);
                prop_assert!((found.sd().unwrap() - whole.sd).abs() < 1e-7);
                prop_assert_eq!(found.extremes(), Some((whole.least, whole.greatest)));
                prop_assert!((found.inside - series.time_in_band(band.0, band.1, between)).abs() < 1e-7);
                prop_assert!((found.inside + found.below + found.above - found.time).abs() < 1e-7);
            }
        }
    }
}

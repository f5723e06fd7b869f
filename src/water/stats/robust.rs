//! Robust statistics: a single wild sample does not move them.
//!
//! Conventions: the median of an even number is the mean of the middle two; Theil-Sen (Sen 1968)
//! gives both usual intercepts; Hampel's filter (Pearson 2002) uses 1.4826 times the median absolute
//! deviation, and a truncated window at the ends.

/// The median; `None` of nothing.
pub fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted.len() / 2;
    match sorted.len() {
        0 => None,
        n if n % 2 == 1 => Some(sorted[middle]),
        _ => Some(f64::midpoint(sorted[middle - 1], sorted[middle])),
    }
}

/// Scales the median absolute deviation to the standard deviation of a normal distribution.
const MAD_TO_SD: f64 = 1.4826;

/// 1.4826 times the median absolute deviation from the median; `None` of nothing.
pub fn scaled_mad(values: &[f64]) -> Option<f64> {
    let centre = median(values)?;
    let deviations: Vec<f64> = values.iter().map(|value| (value - centre).abs()).collect();
    Some(MAD_TO_SD * median(&deviations)?)
}

/// A robust straight line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TheilSen {
    /// The median slope of all pairs.
    pub slope: f64,
    /// Median of y less slope times median of t.
    pub intercept_separate: f64,
    /// Median of y less slope times t.
    pub intercept_joint: f64,
}

/// The Theil-Sen line through (time, value); `None` without two different times. Takes every pair:
/// thin a long series first.
pub fn theil_sen(points: &[(f64, f64)]) -> Option<TheilSen> {
    let mut slopes = Vec::with_capacity(points.len() * points.len() / 2);
    for (i, (t0, a)) in points.iter().enumerate() {
        slopes
            .extend(points[i + 1..].iter().filter(|(t1, _)| (t1 - t0).abs() > 0.0).map(|(t1, b)| (b - a) / (t1 - t0)));
    }
    let slope = median(&slopes)?;
    let (times, values): (Vec<f64>, Vec<f64>) = points.iter().copied().unzip();
    let rests: Vec<f64> = points.iter().map(|(t, v)| v - slope * t).collect();
    Some(TheilSen {
        slope,
        intercept_separate: median(&values)? - slope * median(&times)?,
        intercept_joint: median(&rests)?,
    })
}

/// Indices of samples further than `sds` robust standard deviations from the median of the `half`
/// samples on each side and themselves, each with that median.
pub fn hampel(values: &[f64], half: usize, sds: f64) -> Vec<(usize, f64)> {
    (0..values.len())
        .filter_map(|i| {
            let window = &values[i.saturating_sub(half)..(i + half + 1).min(values.len())];
            let centre = median(window)?;
            ((values[i] - centre).abs() > sds * scaled_mad(window)?).then_some((i, centre))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_worked_line_is_met_in_spite_of_its_outlier() {
        // checks.csv, ts1: scipy 1.17.1, both conventions of the intercept.
        let t = [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 7.0, 8.0, 9.0, 10.0];
        let y = [25.0, 25.1, 25.15, 25.3, 25.4, 29.0, 25.7, 25.75, 25.9, 26.0];
        let points: Vec<_> = t.into_iter().zip(y).collect();
        let found = theil_sen(&points).unwrap();
        assert!((found.slope - 0.1).abs() < 1e-9, "{found:?}");
        assert!((found.intercept_separate - 25.1).abs() < 1e-9, "{found:?}");
        assert!((found.intercept_joint - 25.0).abs() < 1e-9, "{found:?}");
        assert_eq!(theil_sen(&points[..1]), None);
    }

    #[test]
    fn the_worked_spikes_are_flagged() {
        // checks.csv, hampel: window of 3 on each side, 3 standard deviations, truncated ends.
        let values = [25.0, 25.1, 25.0, 25.2, 35.0, 25.1, 25.0, 25.1, 25.2, 25.1, 0.0, 25.0, 25.1, 25.1];
        let found = hampel(&values, 3, 3.0);
        assert_eq!(found.iter().map(|(at, _)| *at).collect::<Vec<_>>(), [4, 10]);
        assert!(found.iter().all(|(_, centre)| (centre - 25.1).abs() < 1e-9), "{found:?}");
    }

    proptest! {
        #[test]
        fn a_straight_line_is_found_under_a_quarter_of_wild_samples(slope in -1.0..1.0f64, wild in -100.0..100.0f64) {
            let points: Vec<_> = (0..40_u8)
                .map(f64::from)
                .map(|t| (t, if (t % 8.0 - 3.0).abs() < 0.5 { wild } else { 25.0 + slope * t }))
                .collect();
            prop_assert!((theil_sen(&points).unwrap().slope - slope).abs() < 1e-9);
        }
    }
}

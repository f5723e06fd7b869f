//! Control charts: exponentially weighted means and cumulative sums.
//!
//! Sources: NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.3 and 6.3.2.4; Montgomery,
//! Introduction to Statistical Quality Control; for irregular times Müller 1991 and Eckner 2012
//! (formulas from memory).

/// An exponentially weighted moving average of evenly spaced samples, with its control limits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ewma {
    lambda: f64,
    target: f64,
    value: f64,
    steps: i32,
}

impl Ewma {
    /// Starts at the target; `None` unless `0 < lambda <= 1`.
    pub fn new(lambda: f64, target: f64) -> Option<Self> {
        (lambda > 0.0 && lambda <= 1.0 && target.is_finite()).then_some(Self {
            lambda,
            target,
            value: target,
            steps: 0,
        })
    }

    /// Takes a sample and gives the new average. A sample that is not finite changes nothing.
    pub fn add(&mut self, sample: f64) -> f64 {
        if sample.is_finite() {
            self.value += self.lambda * (sample - self.value);
            self.steps = self.steps.saturating_add(1);
        }
        self.value
    }

    /// The average.
    pub fn value(&self) -> f64 {
        self.value
    }

    /// Half the width of the control limits after so many samples, for samples of this standard deviation.
    pub fn limit(&self, sd: f64, widths: f64) -> f64 {
        let settled = 1.0 - (1.0 - self.lambda).powi(self.steps.saturating_mul(2));
        widths * sd * (self.lambda / (2.0 - self.lambda) * settled).sqrt()
    }

    /// Half the width that the limits settle at.
    pub fn settled_limit(&self, sd: f64, widths: f64) -> f64 {
        widths * sd * (self.lambda / (2.0 - self.lambda)).sqrt()
    }

    /// Whether the average is outside its limits.
    pub fn signals(&self, sd: f64, widths: f64) -> bool {
        (self.value - self.target).abs() > self.limit(sd, widths)
    }
}

/// An exponential average of irregular samples, with a time constant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct IrregularEma {
    tau: f64,
    between: EmaBetween,
    last: Option<(f64, f64)>,
    value: f64,
}

/// What an irregular average takes a series to have been between two samples.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum EmaBetween {
    /// The new sample's value, all the time since the one before.
    NextPoint,
    /// A straight line.
    Linear,
}

impl IrregularEma {
    /// Starts with its first sample; `None` unless the time constant is above 0.
    pub fn new(tau: f64, between: EmaBetween) -> Option<Self> {
        (tau > 0.0 && tau.is_finite()).then_some(Self { tau, between, last: None, value: f64::NAN })
    }

    /// Takes a sample and gives the new average. One that is not finite or not later changes nothing.
    pub fn add(&mut self, time: f64, sample: f64) -> f64 {
        if !(time.is_finite() && sample.is_finite()) {
            return self.value;
        }
        match self.last {
            None => self.value = sample,
            Some((before, _)) if time <= before => return self.value,
            Some((before, last)) => {
                let steps = (time - before) / self.tau;
                let kept = (-steps).exp();
                let of_last = match self.between {
                    EmaBetween::NextPoint => 0.0,
                    EmaBetween::Linear => -(-steps).exp_m1() / steps - kept,
                };
                self.value = kept * self.value + of_last * last + (1.0 - kept - of_last) * sample;
            }
        }
        self.last = Some((time, sample));
        self.value
    }
}

/// A two-sided tabular cumulative sum.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cusum {
    target: f64,
    allowance: f64,
    decision: f64,
    /// Sum of what was too high.
    pub high: f64,
    /// Sum of what was too low, as a positive number.
    pub low: f64,
    /// Samples since the high sum was last zero.
    pub high_run: u32,
    /// Samples since the low sum was last zero.
    pub low_run: u32,
}

impl Cusum {
    /// A sum about a target; deviations up to the allowance `k` are forgiven, a sum above the
    /// decision value `h` signals. `None` unless both are finite, `k` from 0 and `h` above 0.
    pub fn new(target: f64, allowance: f64, decision: f64) -> Option<Self> {
        let sound = target.is_finite() && allowance >= 0.0 && allowance.is_finite() && decision > 0.0;
        sound.then_some(Self { target, allowance, decision, high: 0.0, low: 0.0, high_run: 0, low_run: 0 })
    }

    /// Takes a sample and tells whether the sums signal. A sample that is not finite changes nothing.
    pub fn add(&mut self, sample: f64) -> bool {
        if sample.is_finite() {
            self.high = (self.high + sample - self.target - self.allowance).max(0.0);
            self.low = (self.low + self.target - self.allowance - sample).max(0.0);
            self.high_run = if self.high > 0.0 { self.high_run.saturating_add(1) } else { 0 };
            self.low_run = if self.low > 0.0 { self.low_run.saturating_add(1) } else { 0 };
        }
        self.signals()
    }

    /// Whether a sum is above the decision value.
    pub fn signals(&self) -> bool {
        self.high > self.decision || self.low > self.decision
    }

    /// The mean that the process seems to have moved to, while a sum is above zero (Montgomery).
    pub fn new_mean(&self) -> f64 {
        if self.high > self.low {
            self.target + self.allowance + self.high / f64::from(self.high_run)
        } else if self.low > 0.0 {
            self.target - self.allowance - self.low / f64::from(self.low_run)
        } else {
            self.target
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::water::testing::rows;

    #[test]
    fn the_handbook_s_moving_average_is_met() {
        // NIST/SEMATECH 6.3.2.4: lambda 0.3, target 50, s 2.0539; printed to two decimals.
        let mut chart = Ewma::new(0.3, 50.0).unwrap();
        let mut seen = 0;
        for row in rows(include_str!("../../../tests/data/nist_ewma.csv")) {
            let value = chart.add(row.number("x"));
            assert!((value - row.number("ewma_published_2dp")).abs() < 0.00501, "{value}");
            assert!((value - row.number("ewma_computed")).abs() < 1e-9);
            assert!((50.0 + chart.limit(2.0539, 3.0) - row.number("var_limit_UCL_exact_t")).abs() < 1e-5);
            assert!(!chart.signals(2.0539, 3.0));
            seen += 1;
        }
        assert_eq!(seen, 20);
        assert!((50.0 + chart.settled_limit(2.0539, 3.0) - 52.588432).abs() < 1e-5);
        assert!((50.0 - chart.settled_limit(2.0539, 3.0) - 47.4115).abs() < 1e-4, "the published lower limit");
    }

    #[test]
    fn the_handbook_s_cumulative_sum_is_met() {
        // NIST/SEMATECH 6.3.2.3: target 325, k 0.3175, h 4.1959; signals from group 14 on.
        let mut chart = Cusum::new(325.0, 0.3175, 4.1959).unwrap();
        let mut signals = Vec::new();
        for row in rows(include_str!("../../../tests/data/nist_cusum.csv")) {
            if chart.add(row.number("x")) {
                signals.push(row.text("i").to_owned());
            }
            assert!((chart.high - row.number("pub_S_hi")).abs() < 0.00501, "{chart:?}");
            assert!((chart.low - row.number("pub_S_lo")).abs() < 0.00501, "{chart:?}");
        }
        assert_eq!(signals, ["14", "15", "16", "17", "18", "19", "20"]);
    }

    #[test]
    fn the_textbook_s_cumulative_sum_and_average_are_met() {
        // Montgomery, example 9.1: target 10, K 0.5, H 5; signal at 29 with N+ 7, new mean 11.25 at 29.
        let mut chart = Cusum::new(10.0, 0.5, 5.0).unwrap();
        let mut average = Ewma::new(0.1, 10.0).unwrap();
        let mut first = None;
        for (i, row) in rows(include_str!("../../../tests/data/montgomery_cusum_ewma.csv")).enumerate() {
            if chart.add(row.number("x")) && first.is_none() {
                first = Some((i + 1, chart.high_run, chart.new_mean()));
            }
            assert!((chart.high - row.number("C_plus_published")).abs() < 0.00501, "{chart:?}");
            assert!((chart.low - row.number("C_minus")).abs() < 1e-9, "{chart:?}");
            assert_eq!(chart.high_run.to_string(), row.text("N_plus"));
            average.add(row.number("x"));
            assert!((average.value() - row.number("ewma_lam0.1")).abs() < 1e-6);
            assert!((10.0 + average.limit(1.0, 2.7) - row.number("UCL_L2.7")).abs() < 1e-6);
        }
        let (at, run, mean) = first.unwrap();
        assert_eq!((at, run), (29, 7));
        assert!((mean - 11.254286).abs() < 1e-6, "{mean}");
    }

    #[test]
    fn the_worked_irregular_averages_are_met() {
        // checks.csv, iema: tau 30; formulas from memory.
        let series = [(0.0, 25.0), (10.0, 25.2), (30.0, 26.0), (60.0, 25.5), (120.0, 25.0)];
        for (between, expected) in [
            (EmaBetween::NextPoint, [25.0, 25.056694, 25.51569, 25.505772, 25.068449]),
            (EmaBetween::Linear, [25.0, 25.029919, 25.328778, 25.569131, 25.225522]),
        ] {
            let mut average = IrregularEma::new(30.0, between).unwrap();
            for ((time, sample), expected) in series.into_iter().zip(expected) {
                let found = average.add(time, sample);
                assert!((found - expected).abs() < 1e-6, "{between:?} at {time}: {found}, not {expected}");
            }
            let before = average.value;
            assert_eq!(average.add(50.0, 99.0).to_bits(), before.to_bits(), "a late sample changes nothing");
            assert_eq!(average.add(200.0, f64::NAN).to_bits(), before.to_bits());
        }
    }
}

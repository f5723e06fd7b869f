//! What a tank uses up in a day, from test results with doses and water changes between them.
//!
//! Between events the value falls evenly by the consumption and rises by what is dosed; a dose or a
//! water change is a step. So every test is `p * A0 - q * u + r` with known p, q and r, and start and
//! consumption come by least squares: exactly from two tests, averaged from more.
//!
//! Uncertainty: each test has the same standard deviation, which the keeper gives; with three tests
//! or more the scatter about the line is used instead where it is larger. The value is anything
//! with a unit a day (dKH, mg/L): nothing here depends on which.

use super::validity::WaterError;

/// A test result.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Test {
    /// When, in days.
    pub day: f64,
    /// The result.
    pub value: f64,
}

/// What went into the tank.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Input {
    /// From here on so much was dosed in a day, in the unit of the value.
    Rate {
        /// From when, in days.
        day: f64,
        /// Rise of the value in a day.
        per_day: f64,
    },
    /// A dose at once.
    Dose {
        /// When, in days.
        day: f64,
        /// Rise of the value.
        rise: f64,
    },
    /// A water change.
    Change {
        /// When, in days.
        day: f64,
        /// Part of the tank's water that was changed.
        fraction: f64,
        /// The value in the new water.
        new: f64,
    },
}

impl Input {
    fn day(self) -> f64 {
        match self {
            Self::Rate { day, .. } | Self::Dose { day, .. } | Self::Change { day, .. } => day,
        }
    }
}

/// What was found.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Consumption {
    /// Used up in a day.
    pub per_day: f64,
    /// Its standard uncertainty.
    pub sd: f64,
    /// Days from the first test to the last.
    pub days: f64,
    /// How many tests.
    pub tests: usize,
    /// The standard deviation of one test that was used.
    pub test_sd: f64,
    /// Scatter of the tests about the line; `None` with two tests.
    pub scatter: Option<f64>,
    /// The value at the last test, by the line through all of them.
    pub last: f64,
}

/// The line `p * start + q * consumption + r` at one moment.
#[derive(Clone, Copy)]
struct Line {
    p: f64,
    q: f64,
    r: f64,
}

/// Consumption from tests in any order, and what went in between them.
pub fn consumption(tests: &[Test], inputs: &[Input], test_sd: f64) -> Result<Consumption, WaterError> {
    let mut tests = tests.to_vec();
    tests.sort_by(|a, b| a.day.total_cmp(&b.day));
    let (Some(first), Some(last)) = (tests.first().copied(), tests.last().copied()) else {
        return Err(too_few(0));
    };
    let days = last.day - first.day;
    if tests.len() < 2 || days <= 0.0 {
        return Err(too_few(tests.len()));
    }
    if !(test_sd > 0.0 && test_sd.is_finite()) {
        return Err(WaterError::no_answer(
            "the uncertainty of one test must be above 0",
            "give the kit's standard deviation; half of its smallest step is the least that it can be",
        ));
    }
    let lines = lines(&tests, inputs, first.day)?;
    let (start, per_day, q_weight) = fit(&tests, &lines)
        .ok_or_else(|| WaterError::no_answer("the tests do not tell the consumption", "test on different days"))?;
    let residual = |(test, line): (&Test, &Line)| test.value - (line.p * start + line.q * per_day + line.r);
    let squares: f64 = tests.iter().zip(&lines).map(residual).map(|error| error * error).sum();
    let scatter = (tests.len() > 2).then(|| (squares / (tests.len() - 2) as f64).sqrt());
    let used_sd = scatter.map_or(test_sd, |scatter| scatter.max(test_sd));
    let end = lines.last().expect("there are tests");
    Ok(Consumption {
        per_day,
        sd: used_sd * q_weight.sqrt(),
        days,
        tests: tests.len(),
        test_sd: used_sd,
        scatter,
        last: end.p * start + end.q * per_day + end.r,
    })
}

fn too_few(n: usize) -> WaterError {
    WaterError::no_answer(
        format!("test results on different days: `{n}`, too few for a consumption"),
        "give two or more, days apart",
    )
}

/// Start, consumption, and what the variance of one test is multiplied by to give that of the consumption.
fn fit(tests: &[Test], lines: &[Line]) -> Option<(f64, f64, f64)> {
    let (mut pp, mut pq, mut qq, mut py, mut qy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (test, line) in tests.iter().zip(lines) {
        let y = test.value - line.r;
        pp += line.p * line.p;
        pq += line.p * line.q;
        qq += line.q * line.q;
        py += line.p * y;
        qy += line.q * y;
    }
    let determinant = pp * qq - pq * pq;
    if determinant <= 1e-12 * pp * qq {
        return None;
    }
    Some(((qq * py - pq * qy) / determinant, (pp * qy - pq * py) / determinant, pp / determinant))
}

fn lines(tests: &[Test], inputs: &[Input], start: f64) -> Result<Vec<Line>, WaterError> {
    let mut inputs = inputs.to_vec();
    inputs.sort_by(|a, b| a.day().total_cmp(&b.day()));
    let mut inputs = inputs.into_iter().peekable();
    let (mut line, mut now, mut rate) = (Line { p: 1.0, q: 0.0, r: 0.0 }, start, 0.0);
    let mut found = Vec::with_capacity(tests.len());
    for test in tests {
        // An input on the very moment of a test came after it: keepers test first.
        while let Some(input) = inputs.next_if(|input| input.day() < test.day) {
            if let Input::Rate { per_day, .. } = input {
                line = run(line, input.day().max(start) - now, rate);
                rate = per_day;
            } else if input.day() < start {
                continue;
            } else {
                line = run(line, input.day() - now, rate);
                line = step(line, input)?;
            }
            now = input.day().max(start);
        }
        line = run(line, test.day - now, rate);
        now = test.day;
        found.push(line);
    }
    Ok(found)
}

fn run(line: Line, days: f64, rate: f64) -> Line {
    Line { p: line.p, q: line.q - days, r: line.r + rate * days }
}

fn step(line: Line, input: Input) -> Result<Line, WaterError> {
    match input {
        Input::Dose { rise, .. } => Ok(Line { r: line.r + rise, ..line }),
        Input::Change { fraction, new, .. } if (0.0..1.0).contains(&fraction) => {
            let left = 1.0 - fraction;
            Ok(Line { p: line.p * left, q: line.q * left, r: line.r * left + fraction * new })
        }
        Input::Change { fraction, .. } => Err(WaterError::no_answer(
            format!("a water change of `{:.0} %` leaves nothing to compare", fraction * 100.0),
            "start from the first test after it",
        )),
        Input::Rate { .. } => Ok(line),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// 1 mL of 1 eq/L in 90 L, in dKH.
    const K: f64 = 2.80385 / 90.0;

    #[test]
    fn the_worked_example_is_met() {
        // 8.2 to 7.6 dKH in 3 days while dosing 20 mL/d: 0.823 dKH/d, sd 0.2·√2/3 = 0.094.
        let tests = [Test { day: 0.0, value: 8.2 }, Test { day: 3.0, value: 7.6 }];
        let found = consumption(&tests, &[Input::Rate { day: 0.0, per_day: 20.0 * K }], 0.2).unwrap();
        assert!((found.per_day - 0.823).abs() < 5e-4, "{found:?}");
        assert!((found.sd - 0.2 * 2.0_f64.sqrt() / 3.0).abs() < 1e-12, "{found:?}");
        assert_eq!(found.scatter, None);
    }

    #[test]
    fn scatter_that_is_larger_than_the_kit_claims_counts() {
        let value = |day: f64, error: f64| Test { day, value: 9.0 - 0.5 * day + error };
        let tests = [value(0.0, 0.3), value(1.0, -0.3), value(2.0, 0.3), value(3.0, -0.3)];
        let found = consumption(&tests, &[], 0.05).unwrap();
        assert!(found.scatter.unwrap() > 0.3 && found.test_sd > 0.3, "{found:?}");
    }

    #[test]
    fn too_little_is_refused() {
        assert!(consumption(&[], &[], 0.2).is_err());
        assert!(consumption(&[Test { day: 0.0, value: 8.0 }], &[], 0.2).is_err());
        let same_day = [Test { day: 1.0, value: 8.0 }, Test { day: 1.0, value: 8.1 }];
        assert!(consumption(&same_day, &[], 0.2).is_err());
        let tests = [Test { day: 0.0, value: 8.0 }, Test { day: 1.0, value: 8.1 }];
        assert!(consumption(&tests, &[], 0.0).is_err());
        assert!(consumption(&tests, &[Input::Change { day: 0.5, fraction: 1.0, new: 8.0 }], 0.2).is_err());
    }

    proptest! {
        #[test]
        fn what_a_tank_was_made_to_use_is_found_again(
            start in 6.0..10.0f64, used in 0.0..2.0f64, rate in 0.0..1.5f64, later in 0.0..1.5f64,
            dose in 0.0..1.0f64, fraction in 0.0..0.5f64, new in 6.0..12.0f64, days in 1.0..6.0f64,
        ) {
            // The tank itself, stepped through by hand: a change of rate, a dose, a water change, three tests.
            let mut value = start + (rate - used) * days;
            let second = value;
            value += dose;
            value += (later - used) * days;
            value += fraction * (new - value);
            value += (later - used) * days;
            let tests = [
                Test { day: 0.0, value: start },
                Test { day: days, value: second },
                Test { day: 3.0 * days, value },
            ];
            let inputs = [
                Input::Change { day: 2.0 * days, fraction, new },
                Input::Rate { day: -1.0, per_day: rate },
                Input::Dose { day: days, rise: dose },
                Input::Rate { day: days, per_day: later },
            ];
            let found = consumption(&tests, &inputs, 0.2).unwrap();
            prop_assert!((found.per_day - used).abs() < 1e-9, "{:?}", found);
            prop_assert!(found.scatter.unwrap() < 1e-9);
            prop_assert!((found.last - value).abs() < 1e-9);
        }
    }
}

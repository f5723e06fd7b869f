//! What a formula may say about itself: refused outside its range, or marked as an extrapolation.
//!
//! Duty: no number of this part ever comes silently from outside the range of its formula. Most
//! formulas refuse; the few that go a little further give a [`Marked`] value.

use std::fmt;

/// Why there is no number.
#[derive(Clone, Debug, PartialEq)]
pub enum WaterError {
    /// An input or a result is outside the range in which the formula was fitted.
    OutOfRange {
        /// The formula.
        formula: &'static str,
        /// Which quantity is outside.
        what: String,
        /// Its value.
        value: f64,
        /// The unit of the value and of its limits.
        unit: &'static str,
        /// The least value of the range.
        least: f64,
        /// The greatest value of the range.
        greatest: f64,
    },
    /// The inputs are each possible, but nothing answers them together.
    NoAnswer {
        /// What is wrong.
        problem: String,
        /// What to do about it.
        fix: String,
    },
}

impl WaterError {
    /// There is no answer, and here is what to do.
    pub fn no_answer(problem: impl Into<String>, fix: impl Into<String>) -> Self {
        Self::NoAnswer { problem: problem.into(), fix: fix.into() }
    }
}

impl fmt::Display for WaterError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::OutOfRange { formula, what, value, unit, least, greatest } => {
                let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
                write!(
                    f,
                    "{what} `{}{unit}` is outside the range of {formula}\n  it holds from {}{unit} to {}{unit}",
                    short(*value),
                    short(*least),
                    short(*greatest)
                )
            }
            Self::NoAnswer { problem, fix } => write!(f, "{problem}\n  {fix}"),
        }
    }
}

impl std::error::Error for WaterError {}

/// At most five decimals, without trailing zeros.
fn short(value: f64) -> String {
    let text = format!("{value:.5}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// The range of one input of one formula.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Range {
    /// The formula.
    pub formula: &'static str,
    /// Which quantity.
    pub what: &'static str,
    /// The unit of the limits.
    pub unit: &'static str,
    /// The least value.
    pub least: f64,
    /// The greatest value.
    pub greatest: f64,
}

/// Rounding that a round trip through a formula may leave; far below any instrument.
const ROUNDING: f64 = 1e-9;

impl Range {
    /// Whether a value is inside.
    pub fn holds(self, value: f64) -> bool {
        (self.least - ROUNDING..=self.greatest + ROUNDING).contains(&value)
    }

    /// The value, or the refusal.
    pub fn check(self, value: f64) -> Result<f64, WaterError> {
        if self.holds(value) { Ok(value) } else { Err(self.refusal(value)) }
    }

    /// The refusal of a value.
    pub fn refusal(self, value: f64) -> WaterError {
        WaterError::OutOfRange {
            formula: self.formula,
            what: self.what.to_owned(),
            value,
            unit: self.unit,
            least: self.least,
            greatest: self.greatest,
        }
    }
}

impl fmt::Display for Range {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let unit = if self.unit.is_empty() { String::new() } else { format!(" {}", self.unit) };
        write!(f, "{} from {} to {}{unit}", self.what, short(self.least), short(self.greatest))
    }
}

/// A value, and the range that it is an extrapolation of, if it is one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Marked<T> {
    /// The value.
    pub value: T,
    /// The range in which the formula was fitted, where an input is outside of it.
    pub beyond: Option<Range>,
}

impl<T> Marked<T> {
    /// A value inside the formula's range.
    pub fn inside(value: T) -> Self {
        Self { value, beyond: None }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_refusal_names_the_formula_the_value_and_the_range() {
        let range = Range { formula: "PSS-78", what: "temperature", unit: "°C", least: -2.0, greatest: 35.0 };
        assert_eq!(
            range.check(38.5).unwrap_err().to_string(),
            "temperature `38.5 °C` is outside the range of PSS-78\n  it holds from -2 °C to 35 °C"
        );
        assert_eq!(range.check(35.0), Ok(35.0));
        assert!(range.check(f64::NAN).is_err());
    }
}

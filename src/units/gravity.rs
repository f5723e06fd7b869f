//! Specific gravity, which means nothing without its two temperatures: `1.0264 sg 25/25`.
//!
//! Duty: reading and printing; a specific gravity never exists without the temperature of the
//! water and the temperature of the pure water that it is compared with. Limits: no density here.

use std::fmt;
use std::str::FromStr;

use super::amount::split;
use super::table::Quantity;
use super::{Temperature, UnitError};

/// The two temperatures of a specific gravity: of the water, and of the pure water beside it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReferencePair {
    water: f64,
    reference: f64,
    scale: Scale,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Scale {
    Celsius,
    Fahrenheit,
}

/// Why a text is not a specific gravity with its temperatures.
#[derive(Clone, Debug, PartialEq)]
pub enum GravityError {
    /// A bare number: it is a different salinity for each pair. The number is kept, so that whoever
    /// has a density can say which.
    NoPair {
        /// What was written.
        text: String,
        /// The number in it.
        value: f64,
    },
    /// Not a specific gravity at all.
    NotOne(String),
    /// The temperatures are in no possible range, or their scale is not clear.
    BadPair(String),
}

impl fmt::Display for GravityError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoPair { text, value } => write!(
                f,
                "`{text}` has no reference temperatures\n  write the pair that stands on the instrument, such as \
                 `{value} sg 25/25`, `{value} sg 20/20` or `{value} sg 60/60 °F`"
            ),
            Self::NotOne(text) => write!(
                f,
                "`{text}` is not a specific gravity\n  write a number and two temperatures such as `1.0264 sg 25/25`"
            ),
            Self::BadPair(text) => write!(
                f,
                "`{text}` is not a pair of temperatures from 0 °C to 40 °C\n  write water over reference such as \
                 `25/25`, `20/4` or `60/60 °F`"
            ),
        }
    }
}

impl std::error::Error for GravityError {}

impl ReferencePair {
    /// A pair in °C.
    pub fn celsius(water: f64, reference: f64) -> Result<Self, GravityError> {
        Self::new(water, reference, Scale::Celsius)
    }

    /// A pair in °F.
    pub fn fahrenheit(water: f64, reference: f64) -> Result<Self, GravityError> {
        Self::new(water, reference, Scale::Fahrenheit)
    }

    fn new(water: f64, reference: f64, scale: Scale) -> Result<Self, GravityError> {
        let pair = Self { water, reference, scale };
        let inside = |value: f64| (0.0..=40.0).contains(&pair.in_celsius(value));
        if inside(water) && inside(reference) { Ok(pair) } else { Err(GravityError::BadPair(pair.to_string())) }
    }

    fn in_celsius(self, value: f64) -> f64 {
        match self.scale {
            Scale::Celsius => value,
            Scale::Fahrenheit => (value - 32.0) / 1.8,
        }
    }

    /// The temperature of the water whose density is meant.
    pub fn water(self) -> Temperature {
        Temperature::from_celsius(self.in_celsius(self.water)).expect("checked when the pair was made")
    }

    /// The temperature of the pure water that it is compared with.
    pub fn reference(self) -> Temperature {
        Temperature::from_celsius(self.in_celsius(self.reference)).expect("checked when the pair was made")
    }

    /// The pair as a part of a plain key: `25_25`, `60f_60f`.
    pub fn key(self) -> String {
        let mark = if self.scale == Scale::Fahrenheit { "f" } else { "" };
        format!("{}{mark}_{}{mark}", self.water, self.reference).replace('.', "p")
    }
}

impl fmt::Display for ReferencePair {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mark = if self.scale == Scale::Fahrenheit { " °F" } else { "" };
        write!(f, "{}/{}{mark}", self.water, self.reference)
    }
}

impl FromStr for ReferencePair {
    type Err = GravityError;

    /// Reads `25/25`, `25/4 °C`, `60/60 °F`, `77 °F/60 °F`.
    fn from_str(text: &str) -> Result<Self, GravityError> {
        let bad = || GravityError::BadPair(text.trim().to_owned());
        let (first, second) = text.split_once('/').ok_or_else(bad)?;
        let (water, scale_of_water) = temperature(first).ok_or_else(bad)?;
        let (reference, scale_of_reference) = temperature(second).ok_or_else(bad)?;
        match (scale_of_water, scale_of_reference) {
            (Some(a), Some(b)) if a != b => Err(bad()),
            (Some(scale), _) | (None, Some(scale)) => Self::new(water, reference, scale),
            (None, None) => Self::celsius(water, reference),
        }
        .map_err(|_| bad())
    }
}

fn temperature(text: &str) -> Option<(f64, Option<Scale>)> {
    let (number, spelling) = split(text, Quantity::Temperature).ok()?;
    let scale = match spelling {
        "" => None,
        "°C" | "C" => Some(Scale::Celsius),
        "°F" | "F" => Some(Scale::Fahrenheit),
        _ => return None,
    };
    Some((number, scale))
}

/// A specific gravity with its two temperatures.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SpecificGravity {
    value: f64,
    pair: ReferencePair,
}

impl SpecificGravity {
    /// A specific gravity; refused if it is that of no water.
    pub fn new(value: f64, pair: ReferencePair) -> Result<Self, GravityError> {
        if value.is_finite() && (0.9..=1.2).contains(&value) {
            Ok(Self { value, pair })
        } else {
            Err(GravityError::NotOne(value.to_string()))
        }
    }

    /// The ratio of densities.
    pub fn value(self) -> f64 {
        self.value
    }

    /// Its two temperatures.
    pub fn pair(self) -> ReferencePair {
        self.pair
    }
}

impl fmt::Display for SpecificGravity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.5} sg {}", self.value, self.pair)
    }
}

impl FromStr for SpecificGravity {
    type Err = GravityError;

    /// Reads `1.0264 sg 25/25` and, without the `sg`, `1.0264 25/25`.
    fn from_str(text: &str) -> Result<Self, GravityError> {
        let text = text.trim();
        let not_one = || GravityError::NotOne(text.to_owned());
        let (value, rest) = split(text, Quantity::RefractiveIndex).map_err(|error| match error {
            UnitError::DecimalComma { text } => GravityError::NotOne(text),
            _ => not_one(),
        })?;
        let rest = rest.strip_prefix("sg").or_else(|| rest.strip_prefix("SG")).unwrap_or(rest).trim();
        if rest.is_empty() {
            return Err(GravityError::NoPair { text: text.to_owned(), value });
        }
        Self::new(value, rest.parse()?).map_err(|_| not_one())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_specific_gravity_is_read_with_its_temperatures() {
        for (text, value, water, reference, key) in [
            ("1.0264 sg 25/25", 1.0264, 25.0, 25.0, "25_25"),
            ("1.0264 25/4 °C", 1.0264, 25.0, 4.0, "25_4"),
            ("1.025 sg 60/60 °F", 1.025, 15.555555555555555, 15.555555555555555, "60f_60f"),
            ("1.023 sg 77°F/60°F", 1.023, 25.0, 15.555555555555555, "77f_60f"),
        ] {
            let read: SpecificGravity = text.parse().unwrap_or_else(|error| panic!("{text}: {error}"));
            assert!((read.value() - value).abs() < 1e-12, "{text}");
            assert!((read.pair().water().celsius() - water).abs() < 1e-9, "{text}");
            assert!((read.pair().reference().celsius() - reference).abs() < 1e-9, "{text}");
            assert_eq!(read.pair().key(), key);
        }
    }

    #[test]
    fn a_bare_one_and_a_pair_of_no_scale_are_refused() {
        assert!(matches!("1.0264".parse::<SpecificGravity>(), Err(GravityError::NoPair { .. })));
        assert!(matches!("1.0264 sg".parse::<SpecificGravity>(), Err(GravityError::NoPair { .. })));
        // 60 °C is no temperature of a reference; it is 60 °F without its unit.
        assert!(matches!("1.0264 sg 60/60".parse::<SpecificGravity>(), Err(GravityError::BadPair(_))));
        assert!(matches!("1.0264 sg 25 °C/60 °F".parse::<SpecificGravity>(), Err(GravityError::BadPair(_))));
        assert!(matches!("3 sg 25/25".parse::<SpecificGravity>(), Err(GravityError::NotOne(_))));
    }
}

//! A number with its unit as a keeper writes it (`25.5 °C`, `78 °F`, `350 mL`), read strictly.

use std::fmt;

use super::table::{Quantity, Unit, all, units_of, units_spelt};

/// Why a text is not the quantity that was asked for. The message ends with what to type instead.
#[derive(Clone, Debug, PartialEq)]
pub enum UnitError {
    /// There is a number and no unit.
    NoUnit {
        /// What was written.
        text: String,
        /// What was asked for.
        wanted: Quantity,
    },
    /// There is no number at the start.
    NoNumber {
        /// What was written.
        text: String,
        /// What was asked for.
        wanted: Quantity,
    },
    /// A decimal comma.
    DecimalComma {
        /// What was written.
        text: String,
    },
    /// A unit that keepers use for two things. The message asks which, with the value of each.
    Ambiguous {
        /// What was written.
        text: String,
        /// What to write for each meaning, and what it then is.
        meanings: Vec<(String, String)>,
    },
    /// A unit of another quantity, or of none.
    WrongUnit {
        /// What was written.
        text: String,
        /// The unit as written.
        unit: String,
        /// What was asked for.
        wanted: Quantity,
    },
    /// A number that the quantity cannot have.
    Impossible {
        /// What was written, or the number.
        text: String,
        /// What was asked for.
        wanted: Quantity,
        /// The least value, in the canonical unit.
        least: f64,
        /// The greatest value, in the canonical unit.
        greatest: f64,
    },
}

impl fmt::Display for UnitError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoUnit { text, wanted } => {
                write!(f, "`{text}` has no unit\n  write a {} such as {}", wanted.noun(), examples(text, *wanted))
            }
            Self::NoNumber { text, wanted } => {
                write!(
                    f,
                    "`{text}` is not a {}\n  write a number and a unit such as {}",
                    wanted.noun(),
                    examples("25", *wanted)
                )
            }
            Self::DecimalComma { text } => {
                write!(f, "`{text}` has a decimal comma\n  write `{}`", text.replacen(',', ".", 1))
            }
            Self::Ambiguous { text, meanings } => {
                write!(f, "`{text}` can mean more than one thing: which?")?;
                meanings.iter().try_for_each(|(spelling, meaning)| write!(f, "\n  write `{spelling}` for {meaning}"))
            }
            Self::WrongUnit { text, unit, wanted } => {
                let spellings: Vec<_> = units_of(*wanted).map(|unit| format!("`{}`", unit.symbol)).collect();
                let meaning = all().iter().find(|row| row.is_spelt(unit));
                match meaning {
                    Some(row) => write!(f, "`{text}` is a {}, and a {} is wanted", row.quantity.noun(), wanted.noun())?,
                    None => write!(f, "`{text}`: `{unit}` is not a unit of {}", wanted.noun())?,
                }
                write!(f, "\n  write one of {}", spellings.join(", "))
            }
            Self::Impossible { text, wanted, least, greatest } => {
                let symbol = wanted.canonical().symbol;
                write!(
                    f,
                    "`{text}` is not a possible {}\n  write a value from {least} {symbol} to {greatest} {symbol}",
                    wanted.noun()
                )
            }
        }
    }
}

impl std::error::Error for UnitError {}

fn examples(text: &str, wanted: Quantity) -> String {
    let shown: Vec<_> = units_of(wanted).take(2).map(|unit| format!("`{text} {}`", unit.symbol)).collect();
    shown.join(" or ")
}

/// A finite value with its quantity, in the quantity's canonical unit.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, serde::Serialize, serde::Deserialize)]
pub struct Amount {
    quantity: Quantity,
    value: f64,
}

impl Amount {
    /// An amount in the canonical unit; `None` if it is not finite.
    pub fn new(quantity: Quantity, canonical: f64) -> Option<Self> {
        canonical.is_finite().then_some(Self { quantity, value: canonical })
    }

    /// What it measures.
    pub fn quantity(self) -> Quantity {
        self.quantity
    }

    /// The value in the canonical unit.
    pub fn value(self) -> f64 {
        self.value
    }

    /// Reads `text` as a `wanted`, in any unit of it: `78 °F` as a temperature is 25.56 °C.
    ///
    /// pH and a refractive index may be written without a unit, as everybody does. A unit that
    /// keepers use for two things (`ppt`, `ppm`) is not guessed: the error asks which.
    pub fn parse(text: &str, wanted: Quantity) -> Result<Self, UnitError> {
        let (number, spelling) = split(text, wanted)?;
        if spelling.is_empty() && matches!(wanted, Quantity::Ph | Quantity::RefractiveIndex) {
            return Ok(Self { quantity: wanted, value: number });
        }
        if spelling.is_empty() {
            return Err(UnitError::NoUnit { text: text.trim().to_owned(), wanted });
        }
        if let Some(meanings) = super::ambiguous::meanings(number, spelling, wanted) {
            return Err(UnitError::Ambiguous { text: text.trim().to_owned(), meanings });
        }
        let unit: &Unit = units_spelt(spelling)
            .find(|unit| unit.quantity == wanted)
            .ok_or_else(|| UnitError::WrongUnit { text: text.trim().to_owned(), unit: spelling.to_owned(), wanted })?;
        Ok(Self { quantity: wanted, value: unit.to_canonical(number) })
    }
}

impl fmt::Display for Amount {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let unit = self.quantity.canonical();
        match self.quantity {
            Quantity::Ph => write!(f, "pH {:.2}", self.value),
            Quantity::Contact => f.write_str(if self.value > 0.5 { "wet" } else { "dry" }),
            Quantity::RefractiveIndex => write!(f, "nD {:.5}", self.value),
            Quantity::Humidity => write!(f, "{:.0} %", self.value * 100.0),
            quantity => write!(f, "{:.*} {}", quantity.decimals(), self.value, unit.symbol),
        }
    }
}

/// Splits `25.5 °C` into 25.5 and `°C`, strictly: no comma, no exponent surprises, a finite number.
pub(super) fn split(text: &str, wanted: Quantity) -> Result<(f64, &str), UnitError> {
    let text = text.trim();
    let end = text
        .char_indices()
        .find(|(at, c)| !(c.is_ascii_digit() || *c == '.' || ((*c == '-' || *c == '+') && *at == 0)))
        .map_or(text.len(), |(at, _)| at);
    let (digits, rest) = text.split_at(end);
    if rest.starts_with(',') && digits.ends_with(|c: char| c.is_ascii_digit()) {
        return Err(UnitError::DecimalComma { text: text.to_owned() });
    }
    let number: f64 = digits.parse().map_err(|_| UnitError::NoNumber { text: text.to_owned(), wanted })?;
    Ok((number, rest.trim()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantities_are_read_in_every_unit_of_theirs() {
        // Expected values by the definitions of the units.
        for (text, quantity, expected) in [
            ("25.5 °C", Quantity::Temperature, 25.5),
            ("78 °F", Quantity::Temperature, 25.555555555555557),
            ("-40 °F", Quantity::Temperature, -40.0),
            ("0.9 °F", Quantity::TemperatureDifference, 0.5),
            ("0.3 °C", Quantity::TemperatureDifference, 0.3),
            ("5.3 S/m", Quantity::Conductivity, 53.0),
            ("53000 µS/cm", Quantity::Conductivity, 53.0),
            ("1 gal", Quantity::Volume, 3.785411784),
            ("350 mL", Quantity::Volume, 0.35),
            ("600 L/h", Quantity::Flow, 10.0),
            ("8.1", Quantity::Ph, 8.1),
            ("55 %", Quantity::Humidity, 0.55),
            ("2 in", Quantity::Level, 50.8),
            // 1 dH is 10 mg/L of CaO (56.077 g/mol, 2 equivalents): 0.3566525 meq/L, 17.847959 mg/L CaCO3.
            ("0.3566525 meq/L", Quantity::Alkalinity, 1.0000000),
            ("17.847959 mg/L CaCO3", Quantity::Alkalinity, 1.0),
            // 35.16504 g/kg is the reference salinity at 35 (Millero et al. 2008).
            ("35.16504 g/kg", Quantity::Salinity, 35.0),
            ("1 g/gal", Quantity::Concentration, 264.172052358),
            ("100 fc", Quantity::Illuminance, 1076.391041671),
            ("2 ft2", Quantity::Area, 0.18580608),
            ("1 fl oz/d", Quantity::DoseRate, 29.5735295625),
            ("1 W/°F", Quantity::HeatLoss, 1.8),
            ("25 %", Quantity::Ratio, 0.25),
            ("1.3394", Quantity::RefractiveIndex, 1.3394),
        ] {
            let read = Amount::parse(text, quantity).unwrap_or_else(|error| panic!("{text}: {error}"));
            assert!((read.value() - expected).abs() < 1e-6, "{text} read as {}", read.value());
        }
    }

    #[test]
    fn a_bare_number_a_wrong_unit_and_a_comma_are_refused_with_the_fix() {
        for (text, expected) in [
            ("25", "`25` has no unit\n  write a temperature such as `25 °C` or `25 °F`"),
            ("25,5 °C", "`25,5 °C` has a decimal comma\n  write `25.5 °C`"),
            ("25 L", "`25 L` is a volume, and a temperature is wanted\n  write one of `°C`, `°F`"),
            ("25 °X", "`25 °X`: `°X` is not a unit of temperature\n  write one of `°C`, `°F`"),
            ("warm", "`warm` is not a temperature\n  write a number and a unit such as `25 °C` or `25 °F`"),
        ] {
            assert_eq!(Amount::parse(text, Quantity::Temperature).unwrap_err().to_string(), expected);
        }
        assert!(Amount::parse("NaN °C", Quantity::Temperature).is_err());
        assert!(Amount::parse("1e3 °C", Quantity::Temperature).is_err());
    }
}

//! A measured value as a keeper writes it, to a number in one unit for each quantity.
//!
//! Duty: known quantities take every unit of theirs, US ones included, and are kept in one; what the keeper names
//! otherwise is kept in the unit as written. `ppm` and `ppb` of something dissolved are taken as mg/L and µg/L, as
//! reagent tests print them (by mass of seawater they would be 2.3 % more), and a nutrient without its form as the
//! ion; the answer says so. Limits: a bare number is refused, save for a pH.

use crate::units::{Amount, Quantity, Temperature, units_spelt};
use crate::water::chemistry::Form;
use crate::water::salinity_reading::{Reading, reading};

/// A value that was read.
#[derive(Clone, Debug, PartialEq)]
pub struct Value {
    /// In the unit below.
    pub value: f64,
    /// The unit; empty where there is none.
    pub unit: String,
    /// How it was taken, where there is more than one way.
    pub remark: Option<String>,
}

/// The names that keepers use, and what they measure.
const KNOWN: &[(&str, Quantity)] = &[
    ("temperature", Quantity::Temperature),
    ("salinity", Quantity::Salinity),
    ("conductivity", Quantity::Conductivity),
    ("ph", Quantity::Ph),
    ("redox", Quantity::Redox),
    ("alkalinity", Quantity::Alkalinity),
    ("ppfd", Quantity::Ppfd),
    ("level", Quantity::Level),
    ("flow", Quantity::Flow),
    ("nitrate", Quantity::Concentration),
    ("nitrite", Quantity::Concentration),
    ("ammonia", Quantity::Concentration),
    ("phosphate", Quantity::Concentration),
    ("calcium", Quantity::Concentration),
    ("magnesium", Quantity::Concentration),
    ("potassium", Quantity::Concentration),
    ("strontium", Quantity::Concentration),
    ("iodine", Quantity::Concentration),
    ("iron", Quantity::Concentration),
    ("silicate", Quantity::Concentration),
    ("oxygen", Quantity::Concentration),
];

/// What a name measures, where it is a known one.
pub fn known(quantity: &str) -> Option<Quantity> {
    KNOWN.iter().find(|(name, _)| *name == quantity).map(|(_, quantity)| *quantity)
}

/// The names that are known.
pub fn known_names() -> impl Iterator<Item = &'static str> {
    KNOWN.iter().map(|(name, _)| *name)
}

/// A name as it is kept: lower case, with hyphens.
pub fn name(text: &str) -> Result<String, String> {
    let kept: String = text.trim().to_lowercase().replace([' ', '_'], "-");
    let fits = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    let good = kept.len() <= 48
        && kept.starts_with(|c: char| c.is_ascii_lowercase())
        && !kept.ends_with('-')
        && kept.chars().all(fits);
    if good {
        Ok(kept)
    } else {
        Err(format!("`{}` is not a name\n  write a-z, 0-9 and hyphens, such as `nitrate` or `rock-left`", text.trim()))
    }
}

/// Reads a value of a quantity. Conductivity and refraction say a salinity only with the water's temperature.
pub fn read(quantity: &str, text: &str, temperature: Option<Temperature>) -> Result<Value, String> {
    let text = text.trim();
    let plain = |amount: Amount| Value { value: amount.value(), unit: unit_of(amount.quantity()), remark: None };
    match known(quantity) {
        Some(Quantity::Salinity) => salinity(text, temperature),
        Some(Quantity::Concentration) => concentration(quantity, text),
        Some(Quantity::Alkalinity) => {
            let (text, remark) = without_ppm(text, " mg/L CaCO3");
            possible(Quantity::Alkalinity, &text).map(|amount| Value { remark, ..plain(amount) })
        }
        Some(other) => possible(other, text).map(plain),
        None => own(quantity, text),
    }
}

/// An amount inside what its quantity can be.
fn possible(quantity: Quantity, text: &str) -> Result<Amount, String> {
    let amount = Amount::parse(text, quantity).map_err(|error| error.to_string())?;
    let (least, greatest) = match quantity {
        Quantity::Temperature => (-5.0, 60.0),
        Quantity::Ph => (0.0, 14.0),
        Quantity::Redox => (-2.0, 2.0),
        Quantity::Level => (-1e5, 1e5),
        Quantity::Alkalinity => (0.0, 60.0),
        Quantity::Ppfd => (0.0, 5000.0),
        Quantity::Conductivity => (0.0, 200.0),
        _ => (0.0, 1e6),
    };
    if (least..=greatest).contains(&amount.value()) {
        return Ok(amount);
    }
    let symbol = quantity.canonical().symbol;
    Err(format!(
        "`{text}` is not a possible {}\n  write a value from {least} {symbol} to {greatest} {symbol}",
        quantity.noun()
    ))
}

fn unit_of(quantity: Quantity) -> String {
    match quantity {
        Quantity::Ph => String::new(),
        other => other.canonical().symbol.to_owned(),
    }
}

fn salinity(text: &str, temperature: Option<Temperature>) -> Result<Value, String> {
    let read = reading(text)?;
    let needs = matches!(read, Reading::Conductivity(_) | Reading::Refraction(_));
    if needs && temperature.is_none() {
        return Err("this reading depends on the water's temperature, which is not known now\n  give `--temperature`"
            .to_owned());
    }
    let temperature = temperature.map_or_else(|| Temperature::from_celsius(25.0), Ok).map_err(|e| e.to_string())?;
    let marked = read.salinity(temperature).map_err(|error| error.to_string())?;
    let remark = needs.then(|| format!("at a water temperature of {temperature}"));
    Ok(Value { value: marked.value.psu(), unit: unit_of(Quantity::Salinity), remark })
}

/// `5 ppm` to `5 mg/L`, with the remark.
fn without_ppm(text: &str, unit: &str) -> (String, Option<String>) {
    let Some(at) = text.find("ppm") else { return (text.to_owned(), None) };
    let number = text[..at].trim();
    (format!("{number}{unit}"), Some(format!("`ppm` is taken as{unit}, as reagent tests print it")))
}

fn concentration(quantity: &str, text: &str) -> Result<Value, String> {
    let (body, form) = match text.rsplit_once(' ').and_then(|(body, last)| Some((body, Form::spelt(last)?))) {
        Some((body, form)) => (body.trim(), Some(form)),
        None => (text, None),
    };
    if let Some(form) = form.filter(|form| form.nutrient != quantity) {
        return Err(format!("`{text}`: {} is {}, and a {quantity} is wanted", form.spelling, form.nutrient));
    }
    let mut remarks = Vec::new();
    let body = if let Some(number) = body.strip_suffix("ppb") {
        remarks.push("`ppb` is taken as µg/L, as reagent tests print it".to_owned());
        format!("{} µg/L", number.trim())
    } else {
        let (body, remark) = without_ppm(body, " mg/L");
        remarks.extend(remark);
        body
    };
    let amount = possible(Quantity::Concentration, &body)?;
    let ion = Form::of(quantity).next();
    let value = match (form, ion) {
        (Some(form), Some(ion)) => form.convert(amount.value(), *ion),
        (None, Some(ion)) => {
            remarks.push(format!("taken {}, {}", ion.meaning, ion.spelling));
            amount.value()
        }
        _ => amount.value(),
    };
    let remark = (!remarks.is_empty()).then(|| remarks.join("; "));
    Ok(Value { value, unit: unit_of(Quantity::Concentration), remark })
}

/// What the keeper named: in a unit of the table, kept in its canonical one, or in a word of the keeper's own.
fn own(quantity: &str, text: &str) -> Result<Value, String> {
    let end = text
        .char_indices()
        .find(|(at, c)| !(c.is_ascii_digit() || *c == '.' || ((*c == '-' || *c == '+') && *at == 0)))
        .map_or(text.len(), |(at, _)| at);
    let unit = text[end..].trim();
    let number: f64 = text[..end].parse().map_err(|_| {
        let names: Vec<_> = known_names().take(8).collect();
        format!("`{text}` is not a value of {quantity}\n  write a number and a unit such as `5 mg/L`; known: {}, ... and what you name", names.join(", "))
    })?;
    if unit.is_empty() {
        return Err(format!(
            "`{text}` has no unit\n  write it with its unit, such as `{text} mg/L`, or with a word of your own, such as `{text} pieces`"
        ));
    }
    if unit.len() > 24
        || unit.chars().any(|c| c.is_control() || c == '"' || c.is_ascii_digit() && !unit.contains('/'))
        || unit.starts_with(',')
    {
        return Err(format!("`{unit}` is not a unit\n  write a number and a unit such as `5 mg/L`"));
    }
    if let Some(number) = text.strip_suffix("ppm") {
        return concentration(quantity, &format!("{} ppm", number.trim()));
    }
    match units_spelt(unit).next() {
        Some(row) => Ok(Value {
            value: row.to_canonical(number),
            unit: row.quantity.canonical().symbol.to_owned(),
            remark: None,
        }),
        None => Ok(Value { value: number, unit: unit.to_owned(), remark: None }),
    }
}

/// A value as people read it.
pub fn shown(quantity: &str, value: f64, unit: &str) -> String {
    let decimals = match known(quantity) {
        Some(known) => known.decimals(),
        None if value.abs() >= 100.0 => 0,
        None => 2,
    };
    let number = format!("{value:.decimals$}");
    if unit.is_empty() { number } else { format!("{number} {unit}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_read_in_every_unit_and_kept_in_one() {
        // Expected: the definitions of the units; 62.004/14.007 for NO3 from N; salinity of 1.0264 at 25/25 as in `calc`.
        for (quantity, text, value, unit) in [
            ("alkalinity", "8.1 dKH", 8.1, "dKH"),
            ("alkalinity", "2.889 meq/L", 8.100, "dKH"),
            ("alkalinity", "145 ppm", 8.124, "dKH"),
            ("nitrate", "5 ppm", 5.0, "mg/L"),
            ("nitrate", "1 mg/L NO3-N", 4.427, "mg/L"),
            ("phosphate", "30 ppb", 0.030, "mg/L"),
            ("salinity", "1.0264 sg 25/25", 35.036, "psu"),
            ("temperature", "77 °F", 25.0, "°C"),
            ("ppfd", "180 µmol/m²/s", 180.0, "µmol/m²/s"),
            ("ph", "8.1", 8.1, ""),
            ("visibility", "10 in", 254.0, "mm"),
            ("copepods", "12 pieces", 12.0, "pieces"),
        ] {
            let read = read(quantity, text, None).unwrap_or_else(|error| panic!("{text}: {error}"));
            assert!((read.value - value).abs() < 2e-3, "{text} read as {}", read.value);
            assert_eq!(read.unit, unit, "{text}");
        }
    }

    #[test]
    fn what_cannot_be_meant_is_refused_with_the_fix() {
        for (quantity, text) in [
            ("alkalinity", "8.1"),
            ("alkalinity", "8.1 mg/L"),
            ("alkalinity", "8,1 dKH"),
            ("salinity", "1.0264"),
            ("salinity", "53 mS/cm"),
            ("nitrate", "1 mg/L PO4"),
            ("temperature", "250 °C"),
            ("copepods", "12"),
            ("copepods", "many"),
        ] {
            let error = read(quantity, text, None).unwrap_err();
            assert!(error.contains('`'), "{text}: {error}");
        }
        assert!(name("Rock Left").is_ok_and(|name| name == "rock-left"));
        assert!(name("../x").is_err() && name("").is_err());
    }
}

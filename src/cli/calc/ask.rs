//! Readings that can mean two things, asked back with the value of each; and readings told by unit.
//!
//! Duty: the parsers of arguments that take more than one quantity. Nothing is guessed: a bare
//! `1.0264`, `ppt`, `ppm` and a bare `NO3` come back as a question.

use std::fmt::Write as _;

use crate::units::{Alkalinity, Amount, Concentration, EquivalentStrength, PracticalSalinity, Quantity, Ratio, Volume};
use crate::water::chemistry::Form;
pub(super) use crate::water::salinity_reading::specific_gravity;
pub use crate::water::salinity_reading::{Reading, reading};

/// Something dissolved: an amount, and the form of a nutrient where one is written.
#[derive(Clone, Copy, Debug)]
pub(super) struct Level {
    /// The amount, in the canonical unit.
    pub amount: Amount,
    /// The form of a nutrient.
    pub form: Option<&'static Form>,
}

/// Reads `40 mg/L`, `10 mg/L NO3`, `8.1 dKH`, `35 psu`; `10 NO3` and `10 ppm` are asked about.
pub(super) fn level(text: &str) -> Result<Level, String> {
    let text = text.trim();
    if let Some((number, form)) = nutrient_suffix(text)? {
        let concentration: Concentration =
            number.parse().map_err(|error: crate::units::UnitError| error.to_string())?;
        return Ok(Level { amount: concentration.into(), form: Some(form) });
    }
    let plain = |amount: Amount| Level { amount, form: None };
    let alkalinity = Amount::parse(text, Quantity::Alkalinity);
    let salinity = Amount::parse(text, Quantity::Salinity);
    if alkalinity.is_ok() && !text.contains("ppm") {
        return text.parse::<Alkalinity>().map(|value| plain(value.into())).map_err(|error| error.to_string());
    }
    if salinity.is_ok() || text.ends_with("ppt") || text.ends_with('‰') {
        return text.parse::<PracticalSalinity>().map(|value| plain(value.into())).map_err(|error| error.to_string());
    }
    if text.ends_with("CaCO3") {
        return text.parse::<Alkalinity>().map(|value| plain(value.into())).map_err(|error| error.to_string());
    }
    text.parse::<Concentration>().map(|value| plain(value.into())).map_err(|error| error.to_string())
}

/// Takes a nutrient's form off the end; a bare one, or a nutrient's name, is asked about.
fn nutrient_suffix(text: &str) -> Result<Option<(&str, &'static Form)>, String> {
    let Some((rest, last)) = text.rsplit_once(' ') else { return Ok(None) };
    let number: Option<f64> =
        rest.trim().trim_end_matches(|c: char| !c.is_ascii_digit() && c != '.').trim().parse().ok();
    let has_unit = rest.trim().ends_with(|c: char| c.is_alphabetic());
    let nutrient = match last {
        "nitrate" | "nitrite" | "phosphate" | "ammonia" => last,
        other => match Form::spelt(other) {
            Some(form) if has_unit => return Ok(Some((rest.trim(), form))),
            Some(form) => form.nutrient,
            None => return Ok(None),
        },
    };
    let Some(number) = number else { return Ok(None) };
    let mut question =
        format!("`{text}` can mean more than one thing: which form of {nutrient}, by ion or by element?");
    let first = Form::of(nutrient).next().expect("a nutrient has forms");
    for form in Form::of(nutrient) {
        let ion = form.convert(number, *first);
        _ = write!(
            question,
            "\n  write `{number} mg/L {}` {}: {ion:.3} mg/L {}",
            form.spelling, form.meaning, first.spelling
        );
    }
    Err(question)
}

/// The strength of a stock solution.
#[derive(Clone, Copy, Debug)]
pub(super) enum Strength {
    /// By equivalents.
    Equivalents(EquivalentStrength),
    /// By mass.
    Mass(Concentration),
}

/// Reads `1 eq/L` or `84 g/L`.
pub(super) fn strength(text: &str) -> Result<Strength, String> {
    if Amount::parse(text, Quantity::EquivalentStrength).is_ok() {
        return text.parse().map(Strength::Equivalents).map_err(|error: crate::units::UnitError| error.to_string());
    }
    text.parse().map(Strength::Mass).map_err(|_| {
        format!(
            "`{}` is not the strength of a stock\n  write equivalents or mass in a litre such as `1 eq/L` or `84 g/L`",
            text.trim()
        )
    })
}

/// A part of a tank, by volume or by percent.
#[derive(Clone, Copy, Debug)]
pub(super) enum Share {
    /// So many litres.
    Volume(Volume),
    /// Such a part.
    Part(Ratio),
}

/// Reads `18 L` or `20 %`.
pub(super) fn share(text: &str) -> Result<Share, String> {
    if text.trim().ends_with('%') {
        return text.parse().map(Share::Part).map_err(|error: crate::units::UnitError| error.to_string());
    }
    volume(text).map(Share::Volume)
}

/// Reads a volume above nothing.
pub(super) fn volume(text: &str) -> Result<Volume, String> {
    let volume: Volume = text.parse().map_err(|error: crate::units::UnitError| error.to_string())?;
    if volume.litres() > 0.0 {
        Ok(volume)
    } else {
        Err(format!("`{}` is no water\n  write a volume above 0 such as `90 L` or `24 gal`", text.trim()))
    }
}

/// Reads two values of one quantity with `..` between them: `34 psu..36 psu`.
pub(super) fn between<T>(text: &str) -> Result<(T, T), String>
where
    T: std::str::FromStr + PartialOrd,
    T::Err: std::fmt::Display,
{
    let bad = || format!("`{text}` is not a range\n  write two values with their units such as `34 psu..36 psu`");
    let (low, high) = text.split_once("..").ok_or_else(bad)?;
    let parse = |part: &str| part.trim().parse::<T>().map_err(|error| error.to_string());
    let (low, high) = (parse(low)?, parse(high)?);
    if low < high { Ok((low, high)) } else { Err(bad()) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bare_gravity_is_asked_about_with_the_salinity_of_each_pair() {
        // checks.csv, S_from_SG_1.0264: 35.036, 34.7328, 34.4039 and 39.0085.
        let question = reading("1.0264").unwrap_err();
        assert_eq!(
            question,
            "`1.0264` can mean more than one thing: at which reference temperatures?\n  \
             write `1.0264 sg 25/25` if that stands on the instrument: 35.04 psu\n  \
             write `1.0264 sg 20/20` if that stands on the instrument: 34.73 psu\n  \
             write `1.0264 sg 60/60 °F` if that stands on the instrument: 34.40 psu\n  \
             write `1.0264 sg 77/60 °F` if that stands on the instrument: 37.71 psu\n  \
             write `1.0264 sg 25/4` if that stands on the instrument: 39.01 psu"
        );
    }

    #[test]
    fn a_bare_nutrient_is_asked_about_with_both_values() {
        let expected = "\n  write `10 mg/L NO3` as the nitrate ion: 10.000 mg/L NO3\n  \
                        write `10 mg/L NO3-N` as the nitrogen in nitrate: 44.266 mg/L NO3";
        for text in ["10 NO3", "10 mg/L nitrate"] {
            let question = level(text).unwrap_err();
            assert!(question.ends_with(expected), "{question}");
        }
        assert!(level("10 mg/L NO3-N").is_ok());
        assert!(level("10 ppm NO3").is_err(), "ppm is by volume or by mass");
    }

    #[test]
    fn readings_are_told_by_their_unit() {
        assert!(matches!(reading("53 mS/cm"), Ok(Reading::Conductivity(_))));
        assert!(matches!(reading("1.0264 25/25"), Ok(Reading::Gravity(_))));
        assert!(matches!(reading("1.3394 nD"), Ok(Reading::Refraction(_))));
        assert!(matches!(reading("35 g/kg"), Ok(Reading::Salinity(_))));
        assert!(reading("35").unwrap_err().contains("`35 psu`"));
        assert!(reading("35 ppt").unwrap_err().contains("34.84 psu"));
        assert!(matches!(level("143 mg/L CaCO3").unwrap().amount.quantity(), Quantity::Alkalinity));
        assert!(level("143 ppm CaCO3").is_err());
    }
}

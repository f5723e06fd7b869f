//! A salinity as an instrument says it, read strictly: a bare number is asked about, never guessed.

use std::fmt::Write as _;

use crate::units::{
    Amount, Conductivity, GravityError, PracticalSalinity, Quantity, RefractiveIndex, SpecificGravity, Temperature,
};

use super::{Marked, WaterError, gravity, pss78, refraction};

/// Reads a specific gravity; a bare number is asked about.
pub fn specific_gravity(text: &str) -> Result<SpecificGravity, String> {
    text.parse().map_err(|error| match error {
        GravityError::NoPair { text, value } => which_gravity(&text, value),
        other => other.to_string(),
    })
}

/// The question that a bare specific gravity asks, with the salinity of each pair.
pub fn which_gravity(text: &str, value: f64) -> String {
    let mut question = format!("`{text}` can mean more than one thing: at which reference temperatures?");
    let mut possible = 0;
    for pair in gravity::common_pairs() {
        let salinity = SpecificGravity::new(value, pair).ok().and_then(|reading| gravity::salinity(reading).ok());
        if let Some(salinity) = salinity {
            _ = write!(question, "\n  write `{value} sg {pair}` if that stands on the instrument: {salinity}");
            possible += 1;
        }
    }
    if possible == 0 {
        _ = write!(question, "\n  none of the usual ones gives a salinity from 0 to 42; check the reading");
    }
    question
}

/// A salinity as it was read: by a number of the scale, a hydrometer, a probe or a refractometer.
#[derive(Clone, Copy, Debug)]
pub enum Reading {
    /// On the practical scale.
    Salinity(PracticalSalinity),
    /// By density.
    Gravity(SpecificGravity),
    /// By conductivity at the temperature of the water.
    Conductivity(Conductivity),
    /// By refraction at the temperature of the water.
    Refraction(RefractiveIndex),
}

impl Reading {
    /// The salinity of water of this temperature that was so read; an extrapolation is marked.
    pub fn salinity(self, temperature: Temperature) -> Result<Marked<PracticalSalinity>, WaterError> {
        match self {
            Self::Salinity(salinity) => pss78::SALINITIES.check(salinity.psu()).map(|_| Marked::inside(salinity)),
            Self::Gravity(reading) => gravity::salinity(reading).map(Marked::inside),
            Self::Conductivity(reading) => pss78::salinity(reading, temperature).map(Marked::inside),
            Self::Refraction(reading) => refraction::salinity(reading, temperature),
        }
    }
}

/// Reads `35 psu`, `35 g/kg`, `1.0264 sg 25/25`, `53 mS/cm` or `1.3394 nD`.
pub fn reading(text: &str) -> Result<Reading, String> {
    let text = text.trim();
    if let Ok(value) = text.parse::<f64>() {
        return Err(match value {
            0.99..=1.06 => which_gravity(text, value),
            1.32..=1.36 => format!("`{text}` has no unit\n  write `{text} nD` for a refractive index"),
            _ => format!(
                "`{text}` has no unit\n  write `{text} psu` for practical salinity, `{text} g/kg` for salt by mass or \
                 `{text} mS/cm` for conductivity"
            ),
        });
    }
    if text.contains("sg") || text.contains("SG") || (text.contains('/') && text.starts_with("1.0")) {
        return specific_gravity(text).map(Reading::Gravity);
    }
    if Amount::parse(text, Quantity::Conductivity).is_ok() {
        return text.parse().map(Reading::Conductivity).map_err(|error| error.to_string());
    }
    if text.ends_with("nD") {
        return text.parse().map(Reading::Refraction).map_err(|error| error.to_string());
    }
    text.parse().map(Reading::Salinity).map_err(|error| error.to_string())
}

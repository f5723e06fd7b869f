//! The newtypes: one value of one quantity, in its canonical unit, finite and possible.
//!
//! The ranges are what the type refuses, wide enough for anything physical around a tank and for
//! any probe that still tells the truth; what is plausible in one tank is the config's to say.

use std::fmt;
use std::str::FromStr;

use super::amount::{Amount, UnitError};
use super::table::Quantity;

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $quantity:expr, $getter:ident, $constructor:ident, $least:expr, $greatest:expr) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, PartialOrd, serde::Serialize, serde::Deserialize)]
        #[serde(try_from = "f64", into = "f64")]
        pub struct $name(f64);

        impl $name {
            /// The least value that the type admits, in the canonical unit.
            pub const LEAST: f64 = $least;
            /// The greatest value that the type admits, in the canonical unit.
            pub const GREATEST: f64 = $greatest;

            /// The value in the canonical unit, refused if it is not finite or not possible.
            pub fn $constructor(value: f64) -> Result<Self, UnitError> {
                if value.is_finite() && (Self::LEAST..=Self::GREATEST).contains(&value) {
                    Ok(Self(value))
                } else {
                    Err(UnitError::Impossible {
                        text: value.to_string(),
                        wanted: $quantity,
                        least: Self::LEAST,
                        greatest: Self::GREATEST,
                    })
                }
            }

            /// The value in the canonical unit.
            pub const fn $getter(self) -> f64 {
                self.0
            }
        }

        impl TryFrom<f64> for $name {
            type Error = UnitError;
            fn try_from(value: f64) -> Result<Self, UnitError> {
                Self::$constructor(value)
            }
        }

        impl From<$name> for f64 {
            fn from(value: $name) -> f64 {
                value.0
            }
        }

        impl FromStr for $name {
            type Err = UnitError;
            fn from_str(text: &str) -> Result<Self, UnitError> {
                let amount = Amount::parse(text, $quantity)?;
                Self::$constructor(amount.value()).map_err(|error| match error {
                    UnitError::Impossible { wanted, least, greatest, .. } => {
                        UnitError::Impossible { text: text.trim().to_owned(), wanted, least, greatest }
                    }
                    other => other,
                })
            }
        }

        impl From<$name> for Amount {
            fn from(value: $name) -> Amount {
                Amount::new($quantity, value.0).expect("a newtype's value is finite")
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                Amount::from(*self).fmt(f)
            }
        }
    };
}

quantity!(
    /// A temperature on ITS-90, in °C.
    Temperature, Quantity::Temperature, celsius, from_celsius, -60.0, 150.0
);
quantity!(
    /// A difference of temperatures, in kelvin.
    TemperatureDifference, Quantity::TemperatureDifference, kelvin, from_kelvin, -200.0, 200.0
);
quantity!(
    /// Practical salinity (PSS-78), without unit.
    PracticalSalinity, Quantity::Salinity, psu, from_psu, 0.0, 120.0
);
quantity!(
    /// Electrical conductivity, in mS/cm.
    Conductivity, Quantity::Conductivity, millisiemens_per_cm, from_millisiemens_per_cm, 0.0, 200.0
);
quantity!(
    /// A length or a level against its datum, in mm.
    Length, Quantity::Level, millimetres, from_millimetres, -100_000.0, 100_000.0
);
quantity!(
    /// A volume, in litres.
    Volume, Quantity::Volume, litres, from_litres, 0.0, 1_000_000.0
);
quantity!(
    /// A flow, in litres a minute.
    Flow, Quantity::Flow, litres_per_minute, from_litres_per_minute, 0.0, 100_000.0
);
quantity!(
    /// Electrical power, in watts.
    Power, Quantity::Power, watts, from_watts, 0.0, 100_000.0
);
quantity!(
    /// Electrical energy, in watt hours.
    Energy, Quantity::Energy, watt_hours, from_watt_hours, 0.0, 1e12
);
quantity!(
    /// A mass, in grams.
    Mass, Quantity::Mass, grams, from_grams, 0.0, 1e9
);
quantity!(
    /// pH, without unit.
    Ph, Quantity::Ph, ph, from_ph, 0.0, 14.0
);
quantity!(
    /// Oxidation reduction potential, in volts.
    Redox, Quantity::Redox, volts, from_volts, -2.0, 2.0
);
quantity!(
    /// Relative humidity, as a ratio.
    Humidity, Quantity::Humidity, ratio, from_ratio, 0.0, 1.0
);
quantity!(
    /// A density of water, in kg/m³.
    Density, Quantity::Density, kilograms_per_cubic_metre, from_kilograms_per_cubic_metre, 900.0, 1200.0
);
quantity!(
    /// A refractive index for the sodium D line relative to air, without unit.
    RefractiveIndex, Quantity::RefractiveIndex, n_d, from_n_d, 1.0, 2.0
);
quantity!(
    /// What a linear compensation takes a conductivity to change by, in percent of its value at 25 °C for each kelvin.
    TemperatureCoefficient, Quantity::TemperatureCoefficient, percent_per_kelvin, from_percent_per_kelvin, 0.0, 5.0
);
quantity!(
    /// An alkalinity, in dKH.
    Alkalinity, Quantity::Alkalinity, dkh, from_dkh, 0.0, 200.0
);
quantity!(
    /// Alkalinity used up in a day, in dKH/d.
    AlkalinityRate, Quantity::AlkalinityRate, dkh_per_day, from_dkh_per_day, 0.0, 50.0
);
quantity!(
    /// A concentration by mass in volume, in mg/L.
    Concentration, Quantity::Concentration, milligrams_per_litre, from_milligrams_per_litre, 0.0, 3e6
);
quantity!(
    /// The strength of a stock solution, in equivalents a litre.
    EquivalentStrength, Quantity::EquivalentStrength, equivalents_per_litre, from_equivalents_per_litre, 0.0, 50.0
);
quantity!(
    /// A dose in a day, in mL/d.
    DoseRate, Quantity::DoseRate, millilitres_per_day, from_millilitres_per_day, 0.0, 1e6
);
quantity!(
    /// A photosynthetic photon flux density, in µmol/m²/s.
    Ppfd, Quantity::Ppfd, micromoles_per_square_metre_second, from_micromoles_per_square_metre_second, 0.0, 5000.0
);
quantity!(
    /// A daily light integral, in mol/m²/d.
    DailyLightIntegral, Quantity::DailyLightIntegral, moles_per_square_metre_day, from_moles_per_square_metre_day, 0.0, 500.0
);
quantity!(
    /// An illuminance, in lx.
    Illuminance, Quantity::Illuminance, lux, from_lux, 0.0, 500_000.0
);
quantity!(
    /// An area, in m².
    Area, Quantity::Area, square_metres, from_square_metres, 0.0, 10_000.0
);
quantity!(
    /// A speed, in m/s.
    Speed, Quantity::Speed, metres_per_second, from_metres_per_second, 0.0, 50.0
);
quantity!(
    /// Heat lost for each kelvin above the room, in W/K.
    HeatLoss, Quantity::HeatLoss, watts_per_kelvin, from_watts_per_kelvin, 0.0, 100_000.0
);
quantity!(
    /// A part of a whole, as a ratio.
    Ratio, Quantity::Ratio, ratio, from_ratio, 0.0, 1000.0
);

impl Temperature {
    /// The difference of two temperatures.
    pub fn minus(self, other: Self) -> TemperatureDifference {
        TemperatureDifference(self.0 - other.0)
    }

    /// This temperature moved by a difference, kept inside what the type admits.
    #[must_use]
    pub fn plus(self, difference: TemperatureDifference) -> Self {
        Self((self.0 + difference.0).clamp(Self::LEAST, Self::GREATEST))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn impossible_values_are_refused() {
        assert!(Temperature::from_celsius(f64::NAN).is_err());
        assert!(Volume::from_litres(-1.0).is_err());
        assert!("-5 W".parse::<Power>().is_err());
        assert_eq!(
            "20 pH".parse::<Ph>().unwrap_err().to_string(),
            "`20 pH` is not a possible pH\n  write a value from 0 pH to 14 pH"
        );
    }

    #[test]
    fn a_difference_is_not_a_temperature() {
        let tank: Temperature = "77 °F".parse().unwrap();
        let band: TemperatureDifference = "1.8 °F".parse().unwrap();
        assert!((tank.plus(band).celsius() - 26.0).abs() < 1e-9);
        assert!((tank.plus(band).minus(tank).kelvin() - 1.0).abs() < 1e-9);
    }
}

//! Physical quantities as types, and the units that keepers write them in.
//!
//! Duty: a number never travels without what it measures, and a number that is not finite or not
//! possible never gets in. Limits: no formulas (those are `water`'s), no time (that is `time`'s).
//!
//! Words: a [`Quantity`] is what is measured; a [`Unit`] is how it is written; a newtype such as
//! [`Temperature`] holds one value in its canonical unit; an [`Amount`] is a value whose quantity
//! is only known at run time (a threshold in a config, a reading of a probe).

mod ambiguous;
mod amount;
mod gravity;
mod quantity;
mod table;

pub use amount::{Amount, UnitError};
pub use gravity::{GravityError, ReferencePair, SpecificGravity};
pub use quantity::{
    Alkalinity, AlkalinityRate, Area, Concentration, Conductivity, DailyLightIntegral, Density, DoseRate, Energy,
    EquivalentStrength, Flow, HeatLoss, Humidity, Illuminance, Length, Mass, Ph, Power, Ppfd, PracticalSalinity, Ratio,
    Redox, RefractiveIndex, Speed, Temperature, TemperatureCoefficient, TemperatureDifference, Volume,
};
pub use table::{Quantity, Unit, units_of, units_spelt};

//! The table of quantities and of the units that a keeper may write, US units included.
//!
//! Conversion factors are exact by definition (the international inch, the US liquid gallon of
//! 231 cubic inches, the international pound) unless a comment says otherwise.

/// What is measured. The canonical unit of each is the first row of its units.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Quantity {
    /// A temperature on the scale, ITS-90.
    Temperature,
    /// A difference of two temperatures, a band, an offset.
    TemperatureDifference,
    /// Practical salinity (PSS-78), a pure number; `psu` is how keepers write it.
    Salinity,
    /// Electrical conductivity.
    Conductivity,
    /// A height or a length; the water level above its datum.
    Level,
    /// A volume of water.
    Volume,
    /// A volume in a time.
    Flow,
    /// Electrical power.
    Power,
    /// Electrical energy.
    Energy,
    /// A mass.
    Mass,
    /// pH, a pure number.
    Ph,
    /// Oxidation reduction potential.
    Redox,
    /// Relative humidity as a ratio from 0 to 1.
    Humidity,
    /// A switch: a float or a leak probe, 1 wet, 0 dry.
    Contact,
}

/// One way to write a quantity: `canonical = written * scale + offset`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unit {
    /// What it measures.
    pub quantity: Quantity,
    /// The spelling that we print.
    pub symbol: &'static str,
    /// Other spellings that we accept.
    pub also: &'static [&'static str],
    /// Canonical units in one of these.
    pub scale: f64,
    /// Added after scaling.
    pub offset: f64,
}

impl Unit {
    /// The value in the canonical unit of the quantity.
    pub fn to_canonical(&self, written: f64) -> f64 {
        written.mul_add(self.scale, self.offset)
    }

    /// The canonical value as written in this unit.
    pub fn from_canonical(&self, canonical: f64) -> f64 {
        (canonical - self.offset) / self.scale
    }

    /// Whether `spelling` names this unit.
    pub fn is_spelt(&self, spelling: &str) -> bool {
        self.symbol == spelling || self.also.contains(&spelling)
    }
}

impl Quantity {
    /// The unit that values of this quantity are kept in.
    pub fn canonical(self) -> &'static Unit {
        UNITS.iter().find(|unit| unit.quantity == self).expect("every quantity has a row in the table")
    }

    /// The noun, as used in messages and in the `measures` key of a config.
    pub fn noun(self) -> &'static str {
        match self {
            Self::Temperature => "temperature",
            Self::TemperatureDifference => "temperature difference",
            Self::Salinity => "salinity",
            Self::Conductivity => "conductivity",
            Self::Level => "level",
            Self::Volume => "volume",
            Self::Flow => "flow",
            Self::Power => "power",
            Self::Energy => "energy",
            Self::Mass => "mass",
            Self::Ph => "pH",
            Self::Redox => "redox",
            Self::Humidity => "humidity",
            Self::Contact => "contact",
        }
    }

    /// How many decimals a keeper wants to read in the canonical unit.
    pub fn decimals(self) -> usize {
        match self {
            Self::Temperature | Self::TemperatureDifference | Self::Salinity | Self::Ph => 2,
            Self::Conductivity | Self::Volume | Self::Energy => 2,
            Self::Level | Self::Flow | Self::Power | Self::Mass => 1,
            Self::Redox | Self::Humidity => 3,
            Self::Contact => 0,
        }
    }

    /// The difference of two values of this quantity: a temperature's is its own quantity.
    pub fn difference(self) -> Self {
        match self {
            Self::Temperature => Self::TemperatureDifference,
            other => other,
        }
    }
}

/// Every unit that measures `quantity`, the canonical one first.
pub fn units_of(quantity: Quantity) -> impl Iterator<Item = &'static Unit> {
    UNITS.iter().filter(move |unit| unit.quantity == quantity)
}

/// Every unit that `spelling` can mean.
pub fn units_spelt(spelling: &str) -> impl Iterator<Item = &'static Unit> {
    UNITS.iter().filter(move |unit| unit.is_spelt(spelling))
}

const fn unit(
    quantity: Quantity,
    symbol: &'static str,
    also: &'static [&'static str],
    scale: f64,
    offset: f64,
) -> Unit {
    Unit { quantity, symbol, also, scale, offset }
}

/// One US liquid gallon in litres, exact.
const GALLON: f64 = 3.785411784;

static UNITS: &[Unit] = &[
    unit(Quantity::Temperature, "°C", &["C", "degC"], 1.0, 0.0),
    unit(Quantity::Temperature, "°F", &["F", "degF"], 1.0 / 1.8, -32.0 / 1.8),
    unit(Quantity::TemperatureDifference, "K", &["°C", "C", "degC"], 1.0, 0.0),
    unit(Quantity::TemperatureDifference, "°F", &["F", "degF"], 1.0 / 1.8, 0.0),
    unit(Quantity::Salinity, "psu", &[], 1.0, 0.0),
    unit(Quantity::Conductivity, "mS/cm", &[], 1.0, 0.0),
    unit(Quantity::Conductivity, "µS/cm", &["uS/cm", "μS/cm"], 1e-3, 0.0),
    unit(Quantity::Conductivity, "S/m", &[], 10.0, 0.0),
    unit(Quantity::Level, "mm", &[], 1.0, 0.0),
    unit(Quantity::Level, "cm", &[], 10.0, 0.0),
    unit(Quantity::Level, "m", &[], 1000.0, 0.0),
    unit(Quantity::Level, "in", &["inch"], 25.4, 0.0),
    unit(Quantity::Volume, "L", &["l", "litre", "litres", "liter", "liters"], 1.0, 0.0),
    unit(Quantity::Volume, "mL", &["ml"], 1e-3, 0.0),
    unit(Quantity::Volume, "gal", &["gallon", "gallons"], GALLON, 0.0),
    unit(Quantity::Volume, "fl oz", &["floz"], GALLON / 128.0, 0.0),
    unit(Quantity::Flow, "L/min", &["l/min"], 1.0, 0.0),
    unit(Quantity::Flow, "L/h", &["l/h"], 1.0 / 60.0, 0.0),
    unit(Quantity::Flow, "L/s", &["l/s"], 60.0, 0.0),
    unit(Quantity::Flow, "mL/min", &["ml/min"], 1e-3, 0.0),
    unit(Quantity::Flow, "mL/s", &["ml/s"], 0.06, 0.0),
    unit(Quantity::Flow, "gal/h", &["gph"], GALLON / 60.0, 0.0),
    unit(Quantity::Power, "W", &["watt", "watts"], 1.0, 0.0),
    unit(Quantity::Power, "kW", &[], 1e3, 0.0),
    unit(Quantity::Power, "mW", &[], 1e-3, 0.0),
    unit(Quantity::Energy, "Wh", &[], 1.0, 0.0),
    unit(Quantity::Energy, "kWh", &[], 1e3, 0.0),
    unit(Quantity::Energy, "J", &[], 1.0 / 3600.0, 0.0),
    unit(Quantity::Mass, "g", &["gram", "grams"], 1.0, 0.0),
    unit(Quantity::Mass, "kg", &[], 1e3, 0.0),
    unit(Quantity::Mass, "mg", &[], 1e-3, 0.0),
    unit(Quantity::Mass, "oz", &[], 28.349523125, 0.0),
    unit(Quantity::Mass, "lb", &[], 453.59237, 0.0),
    unit(Quantity::Ph, "pH", &[], 1.0, 0.0),
    unit(Quantity::Redox, "V", &[], 1.0, 0.0),
    unit(Quantity::Redox, "mV", &[], 1e-3, 0.0),
    unit(Quantity::Humidity, "ratio", &[], 1.0, 0.0),
    unit(Quantity::Humidity, "%", &["%RH"], 1e-2, 0.0),
    unit(Quantity::Contact, "wet", &[], 1.0, 0.0),
];

/// Every unit, for messages that list what may be written.
pub(super) fn all() -> &'static [Unit] {
    UNITS
}

//! The table of quantities and of the units that a keeper may write, US units included.
//!
//! Conversion factors are exact by definition (the international inch, the US liquid gallon of
//! 231 cubic inches, the international pound) unless a comment says otherwise.

/// What is measured. The canonical unit of each is the first row of its units.
#[derive(
    schemars::JsonSchema, Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize,
)]
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
    /// Mass of water in a volume.
    Density,
    /// Refractive index for the sodium D line (589.3 nm), relative to air, a pure number.
    RefractiveIndex,
    /// Change of a conductivity with temperature, as a probe's linear compensation has it.
    TemperatureCoefficient,
    /// Alkalinity, by equivalents.
    Alkalinity,
    /// Alkalinity used up or added in a day.
    AlkalinityRate,
    /// Mass of something dissolved in a volume.
    Concentration,
    /// Equivalents in a litre of a stock solution.
    EquivalentStrength,
    /// Volume of a stock solution dosed in a day.
    DoseRate,
    /// Photosynthetic photon flux density, 400 to 700 nm.
    Ppfd,
    /// Photons of a day on an area.
    DailyLightIntegral,
    /// Light as an eye sees it; says nothing of photons without a spectrum.
    Illuminance,
    /// An area.
    Area,
    /// A speed.
    Speed,
    /// Heat lost for each kelvin above the room.
    HeatLoss,
    /// A part of a whole.
    Ratio,
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
            Self::Density => "density",
            Self::RefractiveIndex => "refractive index",
            Self::TemperatureCoefficient => "temperature coefficient",
            Self::Alkalinity => "alkalinity",
            Self::AlkalinityRate => "alkalinity rate",
            Self::Concentration => "concentration",
            Self::EquivalentStrength => "strength",
            Self::DoseRate => "dose rate",
            Self::Ppfd => "photon flux density",
            Self::DailyLightIntegral => "daily light integral",
            Self::Illuminance => "illuminance",
            Self::Area => "area",
            Self::Speed => "speed",
            Self::HeatLoss => "heat loss",
            Self::Ratio => "ratio",
        }
    }

    /// How many decimals a keeper wants to read in the canonical unit.
    #[expect(clippy::match_same_arms, reason = "one line of a size reads better than one long pattern")]
    pub fn decimals(self) -> usize {
        match self {
            Self::Temperature | Self::TemperatureDifference | Self::Salinity | Self::Ph | Self::Conductivity => 2,
            Self::Volume | Self::Energy | Self::TemperatureCoefficient | Self::Alkalinity => 2,
            Self::Concentration | Self::DailyLightIntegral => 2,
            Self::Level | Self::Flow | Self::Power | Self::Mass | Self::DoseRate | Self::Ppfd | Self::HeatLoss => 1,
            Self::Redox | Self::Humidity | Self::Density | Self::EquivalentStrength => 3,
            Self::AlkalinityRate | Self::Area | Self::Speed | Self::Ratio => 3,
            Self::Contact | Self::Illuminance => 0,
            Self::RefractiveIndex => 5,
        }
    }

    /// The difference of two values of this quantity: a temperature's is its own quantity.
    #[must_use]
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

/// German degrees in one meq/L: 1 dKH is 10 mg/L of `CaO`, whose 56.077 g/mol carry 2 equivalents
/// (IUPAC 2021 abridged weights).
const DKH_PER_MEQ: f64 = 2.80385;

/// Milligrams of `CaCO3` (100.086 g/mol, 2 equivalents) in one milliequivalent.
const CACO3_PER_MEQ: f64 = 50.043;

/// Practical salinity of water with 1 g/kg of salt in the reference composition (Millero et al.
/// 2008: 35.16504 g/kg at a practical salinity of 35).
const PSU_PER_G_PER_KG: f64 = 35.0 / 35.16504;

static UNITS: &[Unit] = &[
    unit(Quantity::Temperature, "°C", &["C", "degC"], 1.0, 0.0),
    unit(Quantity::Temperature, "°F", &["F", "degF"], 1.0 / 1.8, -32.0 / 1.8),
    unit(Quantity::TemperatureDifference, "K", &["°C", "C", "degC"], 1.0, 0.0),
    unit(Quantity::TemperatureDifference, "°F", &["F", "degF"], 1.0 / 1.8, 0.0),
    unit(Quantity::Salinity, "psu", &["PSU"], 1.0, 0.0),
    unit(Quantity::Salinity, "g/kg", &[], PSU_PER_G_PER_KG, 0.0),
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
    unit(Quantity::Density, "kg/m³", &["kg/m3"], 1.0, 0.0),
    unit(Quantity::Density, "kg/L", &["g/mL", "g/cm³", "g/cm3"], 1e3, 0.0),
    unit(Quantity::RefractiveIndex, "nD", &[], 1.0, 0.0),
    unit(Quantity::TemperatureCoefficient, "%/°C", &["%/K", "%/C"], 1.0, 0.0),
    unit(Quantity::TemperatureCoefficient, "%/°F", &["%/F"], 1.8, 0.0),
    unit(Quantity::Alkalinity, "dKH", &["°dKH", "°KH", "KH"], 1.0, 0.0),
    unit(Quantity::Alkalinity, "meq/L", &["meq/l", "mval/L"], DKH_PER_MEQ, 0.0),
    unit(Quantity::Alkalinity, "mg/L CaCO3", &["mg/l CaCO3", "mg/L CaCO₃"], DKH_PER_MEQ / CACO3_PER_MEQ, 0.0),
    unit(Quantity::AlkalinityRate, "dKH/d", &["dKH/day"], 1.0, 0.0),
    unit(Quantity::AlkalinityRate, "meq/L/d", &["meq/L/day"], DKH_PER_MEQ, 0.0),
    unit(Quantity::Concentration, "mg/L", &["mg/l"], 1.0, 0.0),
    unit(Quantity::Concentration, "g/L", &["g/l"], 1e3, 0.0),
    unit(Quantity::Concentration, "µg/L", &["ug/L", "μg/L"], 1e-3, 0.0),
    unit(Quantity::Concentration, "g/gal", &[], 1e3 / GALLON, 0.0),
    unit(Quantity::EquivalentStrength, "eq/L", &["eq/l"], 1.0, 0.0),
    unit(Quantity::DoseRate, "mL/d", &["ml/d", "mL/day", "ml/day"], 1.0, 0.0),
    unit(Quantity::DoseRate, "L/d", &["L/day"], 1e3, 0.0),
    unit(Quantity::DoseRate, "fl oz/d", &["fl oz/day"], GALLON / 0.128, 0.0),
    unit(Quantity::Ppfd, "µmol/m²/s", &["umol/m2/s", "µmol/m2/s", "μmol/m²/s", "umol/m²/s", "PAR"], 1.0, 0.0),
    unit(Quantity::DailyLightIntegral, "mol/m²/d", &["mol/m2/d", "mol/m²/day"], 1.0, 0.0),
    unit(Quantity::Illuminance, "lx", &["lux"], 1.0, 0.0),
    unit(Quantity::Illuminance, "klx", &[], 1e3, 0.0),
    // One lumen on a square foot.
    unit(Quantity::Illuminance, "fc", &["foot-candle", "foot-candles"], 1.0 / 0.09290304, 0.0),
    unit(Quantity::Area, "m²", &["m2"], 1.0, 0.0),
    unit(Quantity::Area, "cm²", &["cm2"], 1e-4, 0.0),
    unit(Quantity::Area, "ft²", &["ft2", "sq ft"], 0.09290304, 0.0),
    unit(Quantity::Area, "in²", &["in2", "sq in"], 0.00064516, 0.0),
    unit(Quantity::Speed, "m/s", &[], 1.0, 0.0),
    unit(Quantity::Speed, "ft/min", &[], 0.00508, 0.0),
    unit(Quantity::HeatLoss, "W/K", &["W/°C"], 1.0, 0.0),
    unit(Quantity::HeatLoss, "W/°F", &["W/F"], 1.8, 0.0),
    unit(Quantity::Ratio, "ratio", &[], 1.0, 0.0),
    unit(Quantity::Ratio, "%", &["percent"], 1e-2, 0.0),
];

/// Every unit, for messages that list what may be written.
pub(super) fn all() -> &'static [Unit] {
    UNITS
}

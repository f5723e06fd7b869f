//! What the config says of supplies, chores, the keeper and who stands in: valid by construction.

use std::collections::BTreeMap;

use crate::time::{DailyWindow, Span, Zone};

use super::entry::Stuff;

/// Every tank's care, and what they share.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Plans {
    /// By tank.
    pub tanks: BTreeMap<String, TankCare>,
    /// Supplies of several tanks.
    pub shared: Vec<SupplyPlan>,
}

/// One tank's care.
#[derive(Clone, Debug, PartialEq)]
pub struct TankCare {
    /// What people call it.
    pub title: String,
    /// Its days.
    pub zone: Zone,
    /// L in the whole tank.
    pub litres: f64,
    /// What runs out.
    pub supplies: Vec<SupplyPlan>,
    /// What falls due.
    pub chores: Vec<ChorePlan>,
    /// When nobody is to be told of what can wait.
    pub quiet: QuietTime,
    /// Who stands in while the keeper is away.
    pub sitter: SitterPlan,
    /// Days for which an item that comes in is observed before it may go elsewhere: a quarantine tank.
    pub observation_days: Option<u32>,
    /// Named places, each with what it is.
    pub spots: Vec<(String, String)>,
    /// Seconds of full light that a day is worth, by the schedules of the lights.
    pub light_seconds: Option<f64>,
    /// Where the temperature loop holds the water, °C.
    pub target: Option<f64>,
}

impl TankCare {
    /// One without anything to take care of.
    pub fn empty(title: &str, zone: Zone, litres: f64) -> Self {
        Self {
            title: title.to_owned(),
            zone,
            litres,
            supplies: Vec::new(),
            chores: Vec::new(),
            quiet: QuietTime::default(),
            sitter: SitterPlan::default(),
            observation_days: None,
            spots: Vec::new(),
            light_seconds: None,
            target: None,
        }
    }
}

/// When nobody is to be told of what can wait.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct QuietTime(pub Option<DailyWindow>);

/// Who stands in, and what they may do.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct SitterPlan {
    /// Whom to call, with the number.
    pub call: Vec<String>,
    /// What to look at.
    pub look: Vec<String>,
    /// The three things that they may do.
    pub may: Vec<String>,
}

/// What a full one costs.
#[derive(Clone, Debug, PartialEq)]
pub struct Price {
    /// How much.
    pub amount: f64,
    /// Of which currency, three letters.
    pub currency: String,
}

/// One thing that runs out.
#[derive(Clone, Debug, PartialEq)]
pub struct SupplyPlan {
    /// Its name.
    pub name: String,
    /// What it holds when it is full.
    pub holds: Stuff,
    /// The part that cannot be used.
    pub reserve: f64,
    /// How its use is known.
    pub source: SupplySource,
    /// Used in a day before there is a history; in the unit of `holds`.
    pub usual_a_day: Option<f64>,
    /// Its use is the mean of so many days.
    pub mean_days: u32,
    /// Told so many days before it is empty.
    pub notice_days: f64,
    /// What a full one costs.
    pub price: Option<Price>,
    /// After this it is to be replaced, whatever is left.
    pub lasts_days: Option<f64>,
}

/// How the use of a supply is known.
#[derive(Clone, Debug, PartialEq)]
pub enum SupplySource {
    /// Outputs that pump it: tank, output and litres a second.
    Outputs(Vec<(String, String, f64)>),
    /// The keeper's own entries: doses and uses by its name.
    Log,
    /// So many grams for each litre of new water.
    WaterChanges(f64),
    /// One for each measurement of these quantities.
    Tests(Vec<String>),
}

impl SupplyPlan {
    /// The outputs of a tank whose counts it needs.
    pub fn outputs_of<'a>(&'a self, tank: &'a str) -> impl Iterator<Item = &'a str> {
        let outputs: &[(String, String, f64)] = match &self.source {
            SupplySource::Outputs(outputs) => outputs,
            _ => &[],
        };
        outputs.iter().filter(move |(of, ..)| of == tank).map(|(_, output, _)| output.as_str())
    }
}

/// One thing that falls due: by whichever of these comes first.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ChorePlan {
    /// Its name.
    pub name: String,
    /// What to do, in words.
    pub does: Option<String>,
    /// So many days after the last time.
    pub every_days: Option<f64>,
    /// So long a run of an output after the last time.
    pub run: Option<(Span, String)>,
    /// So many litres after the last time.
    pub litres: Option<(f64, RunSource)>,
    /// A test result since the last time.
    pub when: Option<Limit>,
}

/// Which litres are counted.
#[derive(Clone, Debug, PartialEq)]
pub enum RunSource {
    /// Those of an output, with its litres a second.
    Output(String, f64),
    /// Those of water changes.
    WaterChanges,
}

/// A limit on a measured quantity: `nitrate over 10 mg/L`.
#[derive(Clone, Debug, PartialEq)]
pub struct Limit {
    /// Of what.
    pub quantity: String,
    /// On which side it is due.
    pub compare: Compare,
    /// In the unit below.
    pub value: f64,
    /// The unit.
    pub unit: String,
}

/// On which side of a limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Compare {
    /// Above it.
    Over,
    /// Below it.
    Under,
}

impl Limit {
    /// Reads `nitrate over 10 ppm`, `alkalinity under 7.5 dKH`.
    pub fn parse(text: &str) -> Result<Self, String> {
        let bad =
            || format!("`{text}` is not a limit\nwrite such as `nitrate over 10 mg/L` or `alkalinity under 7.5 dKH`");
        let (quantity, compare, value) = match (text.split_once(" over "), text.split_once(" under ")) {
            (Some((quantity, value)), None) => (quantity, Compare::Over, value),
            (None, Some((quantity, value))) => (quantity, Compare::Under, value),
            _ => return Err(bad()),
        };
        let quantity = super::measure::name(quantity)?;
        let value = super::measure::read(&quantity, value, None)?;
        Ok(Self { quantity, compare, value: value.value, unit: value.unit })
    }

    /// Whether a measured value makes it due.
    pub fn is_met_by(&self, value: f64, unit: &str) -> bool {
        unit == self.unit
            && match self.compare {
                Compare::Over => value > self.value,
                Compare::Under => value < self.value,
            }
    }

    /// In words.
    pub fn words(&self) -> String {
        let word = if self.compare == Compare::Over { "over" } else { "under" };
        format!("{} {word} {}", self.quantity, super::measure::shown(&self.quantity, self.value, &self.unit))
    }
}

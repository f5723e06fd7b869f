//! What a keeper's `dosing:` means: one pump's plan, valid by construction. Built by `config` and by tests.

use crate::control::ids::{DoserId, OutputId};
use crate::time::Span;

/// What a pump adds; its limits and what it needs follow.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Adds {
    /// Alkalinity that raises the pH: sodium carbonate.
    Carbonate,
    /// Alkalinity that hardly does: sodium hydrogen carbonate.
    Bicarbonate,
    /// Calcium hydroxide, which raises the pH most.
    Limewater,
    /// A calcium salt.
    Calcium,
    /// A magnesium salt.
    Magnesium,
    /// Anything else.
    Other,
}

impl Adds {
    /// Each with its word in config, status and metrics.
    pub const WORDS: [(Self, &'static str); 6] = [
        (Self::Carbonate, "carbonate"),
        (Self::Bicarbonate, "bicarbonate"),
        (Self::Limewater, "limewater"),
        (Self::Calcium, "calcium"),
        (Self::Magnesium, "magnesium"),
        (Self::Other, "other"),
    ];

    /// Its word.
    pub fn word(self) -> &'static str {
        Self::WORDS.iter().find(|(adds, _)| *adds == self).map_or("other", |(_, word)| word)
    }

    /// Whether it raises alkalinity.
    pub fn is_alkaline(self) -> bool {
        matches!(self, Self::Carbonate | Self::Bicarbonate | Self::Limewater)
    }

    /// Whether a high or unknown pH forbids it.
    pub fn raises_ph(self) -> bool {
        matches!(self, Self::Carbonate | Self::Limewater)
    }
}

/// A moment of the local day at which a part of the day's dose is due.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SlotPlan {
    /// Seconds since midnight by the wall.
    pub at: u32,
    /// Its part of the day's dose; all parts of a day are 1.
    pub share: f64,
}

/// One dosing pump.
#[derive(Clone, Debug, PartialEq)]
pub struct DosingPlan {
    /// The pump.
    pub output: OutputId,
    /// What it adds.
    pub adds: Adds,
    /// The plan as the file says it, mL a day. A changed line is only a proposal to the plan in force.
    pub per_day: f64,
    /// When, in the order of the day; one at least.
    pub slots: Vec<SlotPlan>,
    /// What the pump delivers as the file says it, mL a minute.
    pub delivers: f64,
    /// The most in any 24 hours, mL: what the water bears of it.
    pub most_per_day: f64,
    /// The most in any hour, mL.
    pub most_per_hour: f64,
    /// dKH by which one mL raises the tank, where it adds alkalinity and its strength is written.
    pub dkh_per_ml: Option<f64>,
    /// What its full container holds, mL.
    pub container: f64,
    /// The other part, which is not given alone for longer than a day.
    pub partner: Option<DoserId>,
    /// From the end of one dose to the next of any pump of the tank.
    pub apart: Span,
}

/// What conditions can ask of a dosing pump. All of it is known; none is ever unknown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DosingFact {
    /// More than a day's dose was not given.
    Behind,
    /// Its container is nearly empty.
    LowContainer,
    /// Its calibration is old, or its tube worn.
    OldCalibration,
    /// The container lost something else than was commanded.
    Unbalanced,
    /// The last doses were not proven.
    Unproven,
}

//! What a dosing pump looks like: facts for topics, API, metrics and people.

use crate::control::ids::Name;
use crate::time::Wall;

/// A dosing pump with a plan: where it stands, and what is left of its limits.
#[derive(Clone, Debug, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct DosingStatus {
    /// Its output.
    pub output: Name,
    /// What it adds.
    pub adds: &'static str,
    /// `waiting`, `due`, `dosing`, `calibrating`.
    pub state: &'static str,
    /// The plan in force.
    pub maintenance_ml_per_day: f64,
    /// What is given on top of it now; negative for less.
    pub correction_ml_per_day: f64,
    /// What is left of the correction.
    pub correction_left_ml: f64,
    /// The local time of its next slot.
    pub next_slot: String,
    /// Given in the last 24 hours, every doubt counted as given.
    pub ml_in_24_hours: f64,
    /// Left of the limit of any 24 hours.
    pub day_left_ml: f64,
    /// To be made up for.
    pub owed_ml: f64,
    /// Days' doses that were not given.
    pub days_behind: f64,
    /// Left in its container, by the book.
    pub container_ml: f64,
    /// What the container holds.
    pub container_size_ml: f64,
    /// What it delivers.
    pub rate_ml_per_minute: f64,
    /// Since when that is known.
    pub calibrated_at: Option<Wall>,
    /// Why its tube counts as worn.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub worn: Option<String>,
    /// What its container said against the book.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unbalanced: Option<String>,
    /// What waits for a keeper's word.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub proposal: Option<Vec<String>>,
    /// Doses over all time.
    pub doses: u64,
    /// mL over all time.
    pub total_ml: f64,
    /// What was said of the last dose.
    pub last_dose: String,
}

//! What drift detection keeps over a kill: what is usual, sums that stand, and the water's long story. Bounded.

use std::collections::BTreeMap;

use crate::control::ids::Name;
use crate::control::long_term::LongTermRecord;
use crate::time::Span;

/// Everything of one tank.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct DriftRecord {
    /// Kelvin that nothing explains, warmer and colder.
    pub unexplained: UnexplainedRecord,
    /// Each course, by its signal.
    pub courses: BTreeMap<Name, CourseRecord>,
    /// Each watched set of probes, by its signal.
    pub probes: BTreeMap<Name, ProbesRecord>,
    /// Minutes in which the heater ran, in each of the last 24 hours, the oldest first.
    pub heated_minutes: Vec<u8>,
    /// A hold has just been: nothing is learned for so long.
    pub calm_in: Span,
    /// How long ago a warm spell was told.
    pub warm_spell: Option<Span>,
    /// Heat stress and excursions.
    pub long_term: LongTermRecord,
}

/// Kelvin that nothing explains.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct UnexplainedRecord {
    /// The sum of what was too warm, K.
    pub high: f64,
    /// The sum of what was too cold, K.
    pub low: f64,
    /// It was told.
    pub found: bool,
    /// Slopes of two hours each, K/h, the oldest first, by the names of what ran.
    pub slopes: BTreeMap<String, Vec<f64>>,
}

/// A course.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct CourseRecord {
    /// What is usual in each half hour of the local day, and by how many days.
    pub usual: Vec<(f64, u16)>,
    /// How far each of the last hours was from that.
    pub residuals: Vec<f64>,
    /// Sums of what was unusually high and low, units times hours.
    pub sums: (f64, f64),
    /// How long ago the unusual was told, and whether it stands.
    pub unusual: (Option<Span>, bool),
    /// How long ago a near limit was told, and whether it stands.
    pub nears: (Option<Span>, bool),
}

/// Probes that should keep their differences.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct ProbesRecord {
    /// Each probe by its name.
    pub of: BTreeMap<Name, OffsetRecord>,
}

/// How a probe differs from the others.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct OffsetRecord {
    /// The calibration under which this was measured: slope and offset.
    pub calibration: (f64, f64),
    /// Hourly differences from which the first offset is still being found.
    pub first: Vec<f64>,
    /// The offset when it was commissioned or calibrated.
    pub commissioned: Option<f64>,
    /// The slow mean of the difference now.
    pub now: Option<f64>,
}

/// Short numbers: a tenth of what any probe can tell.
pub(super) fn short(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}

//! What survives a kill: one serialisable value a tank, by name, so that a changed plan can read it.
//!
//! Times are wall times here, since a steady clock means nothing in the next run. A deadline that is
//! read back never lies further ahead than the plan's limit, whatever the wall clock did meanwhile.

use std::collections::BTreeMap;

use crate::time::{Span, Wall};

use super::alarm::AlarmState;
pub use super::bypass::BypassRecord;
use super::dosing::DosingRecord;
use super::ids::Name;
use super::new_water::NewWaterRecord;
use super::plan::Switch;
pub use super::prove::ProofsRecord;

/// The state of a tank that must survive. Ordered maps only: the same state is the same bytes.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct TankState {
    /// Interlocks that are latched, and every interlock's counts.
    pub interlocks: BTreeMap<Name, InterlockRecord>,
    /// Holds that stand, and every hold's count.
    pub holds: BTreeMap<Name, HoldRecord>,
    /// What every output has done.
    pub outputs: BTreeMap<Name, OutputRecord>,
    /// What every top-off has spent, by its output.
    pub top_offs: BTreeMap<Name, TopOffRecord>,
    /// What every dosing pump has given and is to give, by its output.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub dosing: BTreeMap<Name, DosingRecord>,
    /// What ran back into the sump at the last stops of the return pump.
    pub drain_back: DrainBackRecord,
    /// What is usual, what drifts, and the water's long story.
    pub drift: super::drift::record::DriftRecord,
    /// How long ago each change between heating and cooling in the last hour was.
    pub changeovers: Vec<Span>,
    /// Proof tests.
    pub proofs: ProofsRecord,
    /// Alarms that are not normal, and every alarm's count.
    pub alarms: BTreeMap<Name, AlarmRecord>,
    /// The state that this one replaced could not be read; until somebody acknowledges it.
    pub damaged: bool,
    /// It is that of a backup of this moment; until somebody acknowledges it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub restored_from: Option<Wall>,
}

/// An interlock's record.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct InterlockRecord {
    /// Latched since then, by this cause.
    pub latched: Option<(Wall, String)>,
    /// Tripped since then, by this cause, which was known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tripped: Option<(Wall, String)>,
    /// Trips over all time.
    pub trips: u64,
    /// The last one.
    pub last_trip: Option<Wall>,
    /// How long ago each trip of the last day on a known cause was.
    pub recent: Vec<Span>,
    /// A person has set it aside.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bypass: Option<BypassRecord>,
}

/// A hold's record.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct HoldRecord {
    /// It stands: by whom, since when, until when, and whether the deadline was already over.
    pub active: Option<ActiveHoldRecord>,
    /// Times begun.
    pub started: u64,
}

/// A standing hold's record.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct ActiveHoldRecord {
    /// Who began it.
    pub by: String,
    /// When.
    pub since: Wall,
    /// The original deadline.
    pub deadline: Wall,
    /// The deadline was already over.
    pub overdue: bool,
    /// Outputs paused besides those of the procedure.
    #[serde(default)]
    pub also: Vec<Name>,
    /// Reminders that were told.
    #[serde(default)]
    pub reminders: u32,
    /// What the water was when it began.
    #[serde(default)]
    pub before: Water,
    /// The new water that was told.
    #[serde(default)]
    pub new_water: Option<NewWaterRecord>,
    /// What its probes said of the new water, while it was still in its bin.
    #[serde(default)]
    pub bin: Water,
    /// Probes that are in hand.
    #[serde(default)]
    pub probes: Vec<Name>,
}

/// What a tank's water is at a moment, as far as good readings say.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct Water {
    /// °C.
    pub temperature: Option<f64>,
    /// Practical salinity.
    pub salinity: Option<f64>,
    /// mm.
    pub level: Option<f64>,
}

/// An output's record.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct OutputRecord {
    /// Milliseconds on.
    pub on_millis: u64,
    /// Commanded changes.
    pub switches: u64,
    /// Commands not proven in time.
    pub unproven: u64,
    /// A force that stands: to what, until when, by whom.
    pub force: Option<(Switch, Wall, String)>,
    /// How long ago each restart of its plug in the last day was.
    pub restarts: Vec<Span>,
    /// How long ago each start of the last hour was.
    pub starts: Vec<Span>,
    /// What it usually draws.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub usual_power: Option<UsualPower>,
    /// W: what it draws while it runs, as a person confirmed it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub confirmed_watts: Option<f64>,
    /// J, by its meter.
    #[serde(skip_serializing_if = "is_zero")]
    pub joules: f64,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde asks by reference")]
fn is_zero(joules: &f64) -> bool {
    *joules == 0.0
}

/// What an output draws while it runs, as it was learned: W.
#[derive(schemars::JsonSchema, Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct UsualPower {
    /// The middle one of the last readings.
    pub watts: f64,
    /// Fewer than one in twenty is lower.
    pub least: f64,
    /// Fewer than one in twenty is higher.
    pub greatest: f64,
    /// Its meter hardly ever says the same number twice on end: one that does is stuck.
    #[serde(default)]
    pub lively: bool,
}

/// An alarm's record.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct AlarmRecord {
    /// Its state.
    pub state: AlarmState,
    /// Since when.
    pub since: Option<Wall>,
    /// What it says.
    pub text: String,
    /// Times raised.
    pub raised: u64,
    /// Its condition held, also while it was set aside.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub on: bool,
    /// Why it is shelved, suppressed or out of service.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub aside: Option<AsideRecord>,
    /// Acknowledged, and told again then if it still stands.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub again_at: Option<Wall>,
    /// People were told of it by its own name.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub told: bool,
    /// The alarm whose consequence it is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub head: Option<Name>,
}

/// Why an alarm is set aside.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct AsideRecord {
    /// By whom and why, in words.
    pub why: String,
    /// Since when.
    pub since: Wall,
    /// The original end of its shelving.
    #[serde(default)]
    pub until: Option<Wall>,
    /// When people are reminded of it next.
    #[serde(default)]
    pub remind: Option<Wall>,
}

/// A top-off's record. Ages, not times: only what a daemon lived through makes them older, so no wall
/// clock can give budget back.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct TopOffRecord {
    /// What was given in the last 24 hours.
    pub spent: Vec<SpentRecord>,
    /// Litres over all time, without what was only assumed.
    pub total_litres: f64,
    /// What the run that was going on had reserved.
    pub reserved: Option<f64>,
    /// Runs without answer so far.
    pub misses: u8,
    /// A siphon was found and its latch is not saved yet.
    pub siphon: bool,
    /// How long ago each day's budget was reached, in the last week.
    pub reached: Vec<Span>,
    /// What was said of the last run.
    pub verdict: String,
    /// What the refills have told of evaporation.
    pub evaporation: EvaporationRecord,
}

/// What ran back into the sump.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct DrainBackRecord {
    /// At each of the last stops, the oldest first.
    pub rises_mm: Vec<f64>,
    /// Why the newest one is too much.
    pub grown: Option<String>,
}

/// What refills have told of evaporation.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct EvaporationRecord {
    /// Of each undisturbed interval, the oldest first.
    pub ml_per_day: Vec<u32>,
    /// The cumulative sum of what went faster.
    pub sum: f64,
    /// Very short intervals in a row.
    pub short: u8,
    /// How long no refill was wanted so far, and the litres that have to go for one.
    pub waited: Option<(Span, f64)>,
}

/// Water that was given.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct SpentRecord {
    /// Litres.
    pub litres: f64,
    /// How long ago.
    pub age: Span,
    /// Not known to be given, but taken as given.
    #[serde(default)]
    pub assumed: bool,
}

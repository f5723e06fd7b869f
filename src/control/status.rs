//! What a tank looks like now: facts for topics, API, metrics and people. Never kept, never fed back.

use crate::time::{Span, Wall};
use crate::units::Quantity;

use super::arbiter::Layer;
use super::dosing::DosingStatus;
use super::event::Alive;
use super::ids::Name;
use super::lighting::LightStatus;
use super::plan::{AtLimit, OutputKind, Priority, Switch};
use super::proof_times::ProofTimes;
use super::prove::ProofsStatus;
use super::quality::Quality;
use super::sentence::Mood;
use super::state::UsualPower;

/// One tank.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize)]
pub struct TankStatus {
    /// Its name.
    pub tank: Name,
    /// What people call it.
    pub title: String,
    /// The time zone of its days and times.
    pub timezone: String,
    /// Whether the broker session stands.
    pub broker: bool,
    /// One sentence: is everything all right?
    pub sentence: String,
    /// What the sentence comes to: `steady`, `held`, `today`, `now`, `blind`.
    pub mood: Mood,
    /// Each signal.
    pub signals: Vec<SignalStatus>,
    /// Each probe.
    pub probes: Vec<ProbeStatus>,
    /// Each output.
    pub outputs: Vec<OutputStatus>,
    /// Each interlock.
    pub interlocks: Vec<InterlockStatus>,
    /// Each rule.
    pub rules: Vec<RuleStatus>,
    /// Each top-off.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub top_offs: Vec<TopOffStatus>,
    /// Each dosing pump with a plan.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub dosing: Vec<DosingStatus>,
    /// Lights that follow a curve.
    pub lights: Vec<LightStatus>,
    /// What ran back into the sump when the return pump stopped.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub drain_back: Option<DrainBackStatus>,
    /// Heat stress and excursions, over months and years.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub long_term: Option<super::long_term::LongTermStatus>,
    /// Each hold procedure.
    pub holds: Vec<HoldStatus>,
    /// Proof tests.
    pub proofs: ProofsStatus,
    /// Each alarm.
    pub alarms: Vec<AlarmStatus>,
    /// Whether there are too many alarms for a person.
    pub alarm_load: AlarmLoad,
    /// What to be careful about while this state lasts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub caution: Option<String>,
}

/// A voted signal.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize)]
pub struct SignalStatus {
    /// Its name.
    pub signal: Name,
    /// What it measures.
    pub measures: Quantity,
    /// The unit of the values here.
    pub unit: &'static str,
    /// The voted value; absent while there is none, with the quality saying why.
    pub value: Option<f64>,
    /// The highest of its usable probes.
    pub highest: Option<f64>,
    /// The lowest of its usable probes.
    pub lowest: Option<f64>,
    /// Whether it may be believed.
    #[serde(flatten)]
    pub quality: Quality,
    /// How old the newest accepted sample is.
    pub age: Option<Span>,
    /// When that sample came, by the wall clock.
    pub sampled_at: Option<Wall>,
    /// The value as people read it: `25.31 °C`, `wet`, or why there is none.
    pub text: String,
}

/// A single probe.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize)]
pub struct ProbeStatus {
    /// Its name.
    pub probe: Name,
    /// What it measures.
    pub measures: Quantity,
    /// The unit of the values here.
    pub unit: &'static str,
    /// The calibrated, filtered value; absent while bad.
    pub value: Option<f64>,
    /// The value of a kept message of unknown age, shown and never used.
    pub retained_value: Option<f64>,
    /// Whether it may be believed.
    #[serde(flatten)]
    pub quality: Quality,
    /// How old the newest accepted sample is.
    pub age: Option<Span>,
    /// Samples since start, by result.
    pub samples: SampleCounts,
}

/// Samples since the start of the daemon, by what became of them.
#[derive(schemars::JsonSchema, Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct SampleCounts {
    /// Used.
    pub accepted: u64,
    /// Outside the possible range.
    pub range: u64,
    /// Could not be read.
    pub decode: u64,
    /// Kept by the broker.
    pub retained: u64,
}

/// An output.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize)]
pub struct OutputStatus {
    /// Its name.
    pub output: Name,
    /// What kind of thing it is.
    pub kind: OutputKind,
    /// What loops, rules and schedules wish.
    pub wished: Switch,
    /// What was decided, and so commanded.
    pub decided: Switch,
    /// The layer that decided: `trip`, `permissive`, `hold`, `force`, `minimum-time`, `loop`, `rule`, `schedule`, `rest`.
    pub layer: &'static str,
    /// Why, in words.
    pub cause: String,
    /// When the decision became what it is.
    pub since: Wall,
    /// What was last sent; absent before the first command.
    pub commanded: Option<Switch>,
    /// Whether it is proven.
    pub proof: ProofStatus,
    /// What the plug reports, if it does.
    pub reported: Option<Switch>,
    /// When it last reported.
    pub reported_at: Option<Wall>,
    /// Whether the plug is alive, if it says so.
    pub alive: Option<Alive>,
    /// Fresh watts, if it measures them.
    pub watts: Option<f64>,
    /// What it usually draws while it runs, once that is learned.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub usual_power: Option<UsualPower>,
    /// W: what a person confirmed; trips are judged by it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub confirmed_watts: Option<f64>,
    /// What was never proven of an output that can flood or burn.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub untested: Vec<String>,
    /// A force that stands.
    pub force: Option<ForceStatus>,
    /// Seconds on, over all time.
    pub on_seconds: f64,
    /// Commanded changes, over all time.
    pub switches: u64,
    /// The same since the start of the daemon, by the layer that decided, in the order of rank.
    #[serde(skip)]
    pub switches_by: [u64; Layer::WORDS.len()],
    /// How long its plug took to prove commands, since the start of the daemon.
    #[serde(skip)]
    pub proof_times: ProofTimes,
    /// J over all time, by its meter; none without one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub energy_joules: Option<f64>,
    /// Commands that were not proven in time, over all time.
    pub unproven_commands: u64,
}

/// How far a command is proven.
#[derive(schemars::JsonSchema, Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ProofStatus {
    /// Nothing was commanded yet.
    NothingCommanded,
    /// Commanded, and the report is awaited.
    Waiting,
    /// The plug's report agrees.
    Proven,
    /// The report did not come or does not agree, and the time is over.
    NotProven,
    /// The plug has no report: commanded, and nobody can say.
    CannotBeProven,
}

/// A force that stands.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize)]
pub struct ForceStatus {
    /// To what.
    pub to: Switch,
    /// Until when.
    pub until: Wall,
    /// Who asked.
    pub by: String,
}

/// An interlock.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize)]
pub struct InterlockStatus {
    /// Its name.
    pub interlock: Name,
    /// `armed`, `tripped`, `latched`, `unknown` (armed, but its cause cannot be seen), `bypassed`.
    pub state: &'static str,
    /// What tripped it, in words.
    pub cause: Option<String>,
    /// Since when it is tripped or latched.
    pub since: Option<Wall>,
    /// What it forces.
    pub effects: Vec<String>,
    /// A bypass that stands.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bypass: Option<BypassStatus>,
    /// Why it is never bypassed; absent where it may be.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub never_bypassed: Option<&'static str>,
    /// Trips over all time.
    pub trips: u64,
    /// The last trip.
    pub last_trip: Option<Wall>,
}

/// An interlock that a person has set aside.
#[derive(Clone, Debug, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct BypassStatus {
    /// Who asked.
    pub by: String,
    /// Why.
    pub reason: String,
    /// Since when.
    pub since: Wall,
    /// Until when.
    pub until: Wall,
    /// Its cause is true now: it would trip.
    pub cause_stands: bool,
}

/// A rule.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize)]
pub struct RuleStatus {
    /// Its name.
    pub rule: Name,
    /// `idle`, `active`, or `unknown`.
    pub state: &'static str,
}

/// A top-off: where it stands, and what is left of its budget.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize)]
pub struct TopOffStatus {
    /// Its pump.
    pub output: Name,
    /// `waiting`, `running`, `settling` (before the verdict), `watching` (for a siphon).
    pub state: &'static str,
    /// Given in the last 24 hours, with what a run that goes on has reserved.
    pub litres_in_24_hours: f64,
    /// Given over all time, a run that nobody could prove as if it ran.
    pub total_litres: f64,
    /// Left of the budget of any 24 hours.
    pub day_left_litres: f64,
    /// Left of the budget of any hour.
    pub hour_left_litres: f64,
    /// What evaporates, mL a day: the median of what undisturbed refills gave in the time to the next one.
    pub evaporation_ml_per_day: Option<f64>,
    /// So many refills it rests on.
    pub refills: usize,
    /// The standard deviation of the level in the last three minutes, mm.
    pub spread_mm: Option<f64>,
    /// Runs without answer so far.
    pub misses: u8,
    /// What was said of the last run.
    pub last_run: String,
}

/// What ran back into the sump when the return pump stopped.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize)]
pub struct DrainBackStatus {
    /// The rise at the last stop, mm.
    pub newest_mm: f64,
    /// The median of the last ones, mm.
    pub usual_mm: f64,
    /// So many stops it rests on.
    pub stops: usize,
    /// Why the last one was too much.
    pub grown: Option<String>,
}

/// A hold procedure.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize)]
#[expect(clippy::struct_excessive_bools, reason = "each is a fact of its own, as programs read it")]
pub struct HoldStatus {
    /// Its name.
    pub hold: Name,
    /// What it pauses, in the order in which it is told to stop.
    pub stops: Vec<Name>,
    /// How long it may last.
    pub limit: Span,
    /// What happens then.
    pub at_limit: AtLimit,
    /// Whether it takes a probe in hand, which must be named.
    pub cares_for_probes: bool,
    /// Whether it stands.
    pub active: bool,
    /// Who began it.
    pub by: Option<String>,
    /// When it began.
    pub since: Option<Wall>,
    /// Its deadline.
    pub until: Option<Wall>,
    /// Whether the deadline is over.
    pub overdue: bool,
    /// Each pause with its proof, in words.
    pub pauses: Vec<String>,
    /// Each probe that is in hand, in words.
    pub probes: Vec<String>,
    /// What the new water in the mixing bin would make of the tank, in words; absent where nothing is known of it.
    pub new_water: Option<String>,
    /// Whether water is changed in it.
    pub changes_water: bool,
    /// What was told of the new water, and what it makes of the tank.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub told_water: Option<String>,
    /// Until then a paused heater is too hot to stand in air: the water must not fall below it.
    pub hot_until: Option<Wall>,
    /// After a release: what still waits, and for what.
    pub starting: Vec<String>,
    /// Times it was begun, over all time.
    pub started: u64,
}

/// An alarm, by the state names of ANSI/ISA-18.2.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize)]
pub struct AlarmStatus {
    /// Its name.
    pub alarm: Name,
    /// How soon somebody must act.
    pub priority: Priority,
    /// `NORM`, `UNACK`, `ACKED`, `RTNUN`, `LTUNK`, `LTAKD`, `SHLVD`, `DSUPR`, `OOSRV`.
    pub state: &'static str,
    /// Whether it is in alarm: the condition holds now and nothing silences it.
    pub active: bool,
    /// Whether the condition holds now, also while it is silenced.
    pub on: bool,
    /// Since when, by the wall clock.
    pub since: Option<Wall>,
    /// What it says.
    pub text: String,
    /// What happens if nobody acts.
    pub consequence: String,
    /// What to do.
    pub action: String,
    /// Times raised, over all time.
    pub raised: u64,
    /// The interlock whose trip it tells.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub trip_of: Option<Name>,
    /// Whether it stays until it is reset.
    pub latches: bool,
    /// Why it is shelved, suppressed by design or out of service.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub aside: Option<AsideStatus>,
    /// The alarm whose consequence it is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub part_of: Option<Name>,
    /// The alarms for which it speaks.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub group: Vec<Name>,
    /// What is wrong with the alarm itself.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub nuisance: Vec<Nuisance>,
}

/// What is wrong with an alarm itself, whatever it tells of.
#[derive(schemars::JsonSchema, Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Nuisance {
    /// It came and went three times within a minute, in the last ten minutes.
    Chattering,
    /// It has been in alarm for more than a day.
    Stale,
}

/// Why an alarm is silenced.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize)]
pub struct AsideStatus {
    /// By whom and why, in words.
    pub why: String,
    /// Since when.
    pub since: Wall,
    /// Until when, if it is shelved.
    pub until: Option<Wall>,
}

/// How many alarms come.
#[derive(schemars::JsonSchema, Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct AlarmLoad {
    /// Raised in the last ten minutes; counted to 32.
    pub raised_in_10_minutes: usize,
    /// Since when more than ten came in ten minutes, until fewer than five do.
    pub flood_since: Option<Wall>,
}

/// Why an output is as it is.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize)]
pub struct Explanation {
    /// The output.
    pub output: Name,
    /// One sentence.
    pub summary: String,
    /// What each layer says, the first opinion winning.
    pub layers: Vec<LayerOpinion>,
    /// The readings that the deciding layers rest on, with their age.
    pub rests_on: Vec<String>,
    /// How far it is proven.
    pub proof: String,
    /// What was never tested of an output that can flood or burn.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub untested: Vec<String>,
}

/// What one layer of the arbiter says.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize)]
pub struct LayerOpinion {
    /// The layer.
    pub layer: &'static str,
    /// What it says; `None` is no opinion.
    pub says: Option<Switch>,
    /// Why.
    pub why: String,
    /// Whether this one decided.
    pub decides: bool,
}

//! What a keeper's config means: one tank's plan, valid by construction.
//!
//! Only `config` builds plans from files; tests may build them by hand, and then it is theirs that
//! indices point at something and children stand before parents. All values are in the canonical unit of their quantity
//! (`units::Quantity::canonical`). The plan knows no topic and no payload: those are `wire`'s.

pub mod drift;

/// Dosing pumps.
pub mod dosing {
    pub use crate::control::dosing::{Adds, DosingFact, DosingPlan, SlotPlan, even_slots};
}

/// Lights.
pub mod lighting {
    pub use crate::control::lighting::{Acclimation, DimPlan, LightPlan};
}

use crate::time::{DailyWindow, Span, Zone};
use crate::units::{Flow, Power, Quantity, Volume};
use crate::water::salinity_probe;

use super::dosing::{DosingFact, DosingPlan};
use super::ids::{
    AlarmId, ConditionId, DoserId, HoldId, InterlockId, Name, OutputId, ProbeId, RuleId, SignalId, TopOffId,
};
use super::lighting::LightPlan;

/// On or off: what a plug can be told.
#[derive(
    schemars::JsonSchema, Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum Switch {
    /// No current flows.
    Off,
    /// Current flows.
    On,
}

impl Switch {
    /// `on` or `off`.
    pub fn word(self) -> &'static str {
        match self {
            Self::On => "on",
            Self::Off => "off",
        }
    }
}

/// One tank's plan.
#[derive(Clone, Debug, PartialEq)]
pub struct TankPlan {
    /// The name used in topics, commands and metrics.
    pub name: Name,
    /// What people call it.
    pub title: String,
    /// The zone of its local days.
    pub zone: Zone,
    /// All water under control.
    pub water: Volume,
    /// Sensors, each on one topic.
    pub probes: Vec<ProbePlan>,
    /// Probes voted into values. A probe that no signal lists has a signal of its own name.
    pub signals: Vec<SignalPlan>,
    /// Switched things.
    pub outputs: Vec<OutputPlan>,
    /// The arena of conditions, children before parents; evaluated in order, once a step.
    pub conditions: Vec<Condition>,
    /// The temperature loop.
    pub thermostat: Option<ThermostatPlan>,
    /// What runs back into the sump at a stop of the return pump, where a level shows it.
    pub drain_back: Option<DrainBackPlan>,
    /// Pumps that replace evaporated water, each in bounded runs.
    pub top_offs: Vec<TopOffPlan>,
    /// Pumps that dose by a plan.
    pub dosing: Vec<DosingPlan>,
    /// The keeper's rules, the first in the file being the first to be heard.
    pub rules: Vec<RulePlan>,
    /// Parts of the day in which an output is wished on.
    pub schedules: Vec<SchedulePlan>,
    /// Lights that follow a curve.
    pub lights: Vec<LightPlan>,
    /// Causes and the safe effects that they force.
    pub interlocks: Vec<InterlockPlan>,
    /// Maintenance procedures.
    pub holds: Vec<HoldPlan>,
    /// The new water of water changes.
    pub mixing_bin: MixingBin,
    /// How long proofs count.
    pub proofs: ProofPlan,
    /// Alarms, each with its source.
    pub alarms: Vec<AlarmPlan>,
    /// What is watched for drift.
    pub drift: drift::DriftPlan,
}

/// How long proof tests count, and what they are proofs of.
#[derive(Clone, Debug, PartialEq)]
pub struct ProofPlan {
    /// Of floats, leak probes, cut-offs, silences and the way of alarms.
    pub safeguards: Span,
    /// Of which topic is which probe and which plug.
    pub bindings: Span,
    /// Of each probe: another mark is another binding, and its proofs are void.
    pub probe_marks: Vec<String>,
    /// The same of each output's plug.
    pub output_marks: Vec<String>,
    /// The channels by which alarms leave the house.
    pub channels: Vec<ChannelPlan>,
}

/// One way of an alarm to a person.
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelPlan {
    /// Its name.
    pub name: Name,
    /// Its kind, a word for people: `webhook`, `mail`, `topic`.
    pub by: &'static str,
    /// Another mark leads elsewhere.
    pub mark: String,
}

impl Default for ProofPlan {
    /// 35 days (F16), so that a monthly habit never rings, and a year (a choice).
    fn default() -> Self {
        Self {
            safeguards: Span::from_hours(35 * 24),
            bindings: Span::from_hours(365 * 24),
            probe_marks: Vec::new(),
            output_marks: Vec::new(),
            channels: Vec::new(),
        }
    }
}

/// One sensor.
#[derive(Clone, Debug, PartialEq)]
pub struct ProbePlan {
    /// Its name.
    pub name: Name,
    /// What it measures.
    pub quantity: Quantity,
    /// It sends a conductivity, and what it measures is the salinity that follows from it.
    pub conductivity: Option<ConductivityPlan>,
    /// `true value = slope * reading + offset`.
    pub calibration: Calibration,
    /// Readings below are bad: out of range.
    pub least: f64,
    /// Readings above are bad: out of range.
    pub greatest: f64,
    /// Silence after which the reading is bad: stale.
    pub stale_after: Span,
    /// Faster than this, in units a minute, is suspect. `None`: not checked.
    pub fastest: Option<f64>,
    /// Not moving at all for this long is suspect. `None`: not checked.
    pub stuck_after: Option<Span>,
}

/// How a conductivity becomes a salinity (PSS-78).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ConductivityPlan {
    /// The temperature of the same water; without a good one there is no salinity.
    pub temperature: SignalId,
    /// What the probe has already done about temperature.
    pub compensation: salinity_probe::Compensation,
    /// The correction by reference solutions.
    pub calibration: salinity_probe::Calibration,
}

/// The keeper's calibration of a probe.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Calibration {
    /// True units in one unit of the probe.
    pub slope: f64,
    /// True value where the probe reads zero.
    pub offset: f64,
}

impl Calibration {
    /// The probe is taken at its word.
    pub const NONE: Self = Self { slope: 1.0, offset: 0.0 };
}

/// One or several probes voted into one value.
#[derive(Clone, Debug, PartialEq)]
pub struct SignalPlan {
    /// Its name.
    pub name: Name,
    /// What it measures.
    pub quantity: Quantity,
    /// The probes that vote.
    pub probes: Vec<ProbeId>,
    /// When probes count as disagreeing.
    pub disagree: Option<DisagreePlan>,
}

/// When the probes of a signal disagree.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DisagreePlan {
    /// Further apart than this.
    pub by: f64,
    /// For this long.
    pub lasting: Span,
}

/// What kind of thing an output is; its safe state and its rules of arbitration follow.
#[derive(schemars::JsonSchema, Clone, Copy, Debug, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OutputKind {
    /// Heats the water.
    Heater,
    /// Cools by a compressor.
    Chiller,
    /// Cools by evaporation.
    Fan,
    /// Lifts the water back from the sump.
    ReturnPump,
    /// Moves water inside the display; last life support.
    Powerhead,
    /// Replaces evaporated water.
    TopOff,
    /// Foam fractionation.
    Skimmer,
    /// Doses a solution.
    Doser,
    /// Lights the tank.
    Light,
    /// Anything else.
    Other,
}

impl OutputKind {
    /// Every kind, with the word for it in config, messages and metrics.
    pub const WORDS: [(Self, &'static str); 10] = [
        (Self::Heater, "heater"),
        (Self::Chiller, "chiller"),
        (Self::Fan, "fan"),
        (Self::ReturnPump, "return-pump"),
        (Self::Powerhead, "powerhead"),
        (Self::TopOff, "top-off"),
        (Self::Skimmer, "skimmer"),
        (Self::Doser, "doser"),
        (Self::Light, "light"),
        (Self::Other, "other"),
    ];

    /// The word for it.
    pub fn word(self) -> &'static str {
        Self::WORDS.iter().find(|(kind, _)| *kind == self).map_or("other", |(_, word)| word)
    }

    /// Whether it can flood or burn: it does harm by running against its command.
    pub fn can_harm(self) -> bool {
        matches!(self, Self::Heater | Self::TopOff | Self::Doser)
    }

    /// Whether off is always allowed, by anybody (DESIGN: who decides).
    pub fn may_always_be_off(self) -> bool {
        matches!(self, Self::Heater | Self::Chiller | Self::TopOff | Self::Doser | Self::Skimmer | Self::Light)
    }

    /// Whether lost information must leave it running.
    pub fn is_life_support(self) -> bool {
        matches!(self, Self::ReturnPump | Self::Powerhead)
    }

    /// What it does where nobody wishes anything, and the safe state between opposing trips.
    pub fn rest(self) -> Switch {
        if self.is_life_support() { Switch::On } else { Switch::Off }
    }
}

/// One switched thing.
#[derive(Clone, Debug, PartialEq)]
pub struct OutputPlan {
    /// Its name.
    pub name: Name,
    /// What kind of thing it is.
    pub kind: OutputKind,
    /// Its rated power.
    pub rating: Option<Power>,
    /// Layer 8: where nobody wishes anything.
    pub rest: Switch,
    /// Not stopped sooner after a start (layer 5; trips beat it).
    pub least_on: Span,
    /// Not started sooner after a stop (layer 5; a chiller's vetoes every start).
    pub least_off: Span,
    /// Must be true to go from off to on; unknown blocks.
    pub permissives: Vec<Permissive>,
    /// The longest force to on.
    pub longest_force: Span,
    /// What can be known of its plug, and how it is proven.
    pub plug: PlugPlan,
}

impl OutputPlan {
    /// Drawing more than this, W, it is not off: 5 % of its rating, from the watt to which a meter is right to the 5 W
    /// that a plug's electronics never draw. [D1; choice]
    pub fn idle_watts(&self) -> f64 {
        self.rating.map_or(5.0, |rating| (0.05 * rating.watts()).clamp(1.0, 5.0))
    }
}

/// One condition of a start.
#[derive(Clone, Debug, PartialEq)]
pub struct Permissive {
    /// What a keeper calls it.
    pub name: Name,
    /// Must be true; unknown blocks.
    pub condition: ConditionId,
}

/// Whether a plug has something. A condition on what is not fitted falls away.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fitted {
    /// It has it.
    Fitted,
    /// It has not.
    NotFitted,
}

/// What can be known of a plug.
#[derive(Clone, Debug, PartialEq)]
pub struct PlugPlan {
    /// Whether it reports its relay.
    pub report: Fitted,
    /// Whether it measures power.
    pub meter: Option<MeterPlan>,
    /// Whether it says that it is alive.
    pub alive: Fitted,
    /// Whether it says how long it has been up.
    pub uptime: Fitted,
    /// Its own auto-off, refreshed by us.
    pub lease: Option<LeasePlan>,
    /// What it does when its power returns, as declared by the keeper. `None`: not known.
    pub boots: Option<Switch>,
    /// A report must agree with a command within this time.
    pub prove_within: Span,
    /// Its dimmer.
    pub dimmer: Option<DimmerPlan>,
}

/// A way to say how much, besides on and off.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DimmerPlan {
    /// Whether it says its level, so that it can be proven.
    pub reports: Fitted,
}

/// What a meter should show; power proof comes with it.
#[derive(Clone, Debug, PartialEq)]
pub struct MeterPlan {
    /// A reading older than this is no evidence.
    pub stale_after: Span,
    /// Watts when running, as the keeper declares them. `None`: the output's rating counts until they are confirmed.
    pub running: Option<Power>,
    /// What the plug itself may carry. `None`: not said.
    pub plug_limit: Option<Power>,
}

/// A limit of what an output draws.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum DrawLimit {
    /// W.
    Watts(f64),
    /// So many times the usual watts.
    Share(f64),
    /// More than what hangs there can draw when it is sound.
    Excess,
    /// The same in two readings on end: one alone may be a spike.
    ExcessTwice,
}

/// A plug's own auto-off countdown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LeasePlan {
    /// The plug turns itself off after this time without refresh.
    pub lasts: Span,
    /// We refresh this often.
    pub refresh: Span,
}

/// Whether a doubtful (suspect) reading counts. It may trip; it may not permit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Doubtful {
    /// Trips: a doubtful value counts.
    Counts,
    /// Permissives, rules and loops: a doubtful value is unknown.
    IsUnknown,
}

/// Which of the probes' values is compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Estimate {
    /// The voted value.
    Voted,
    /// The highest of the usable probes.
    Highest,
    /// The lowest of the usable probes.
    Lowest,
    /// Each probe itself, no vote before the comparison: one of one, one of two, two of three.
    EachProbe,
}

/// The side of a limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// True above the limit.
    Above,
    /// True below the limit.
    Below,
}

/// A fact about an output.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OutputFact {
    /// Commanded on.
    CommandedOn,
    /// Commanded off.
    CommandedOff,
    /// Reported on, freshly; unknown where no report has come.
    ProvenOn,
    /// Reported off, freshly; unknown where no report has come.
    ProvenOff,
    /// Its dimmer contradicted, or did not say, the level it was told.
    LevelUnproven,
}

/// A node of the arena: one type of condition serves rules, interlocks, permissives and alarms.
#[derive(Clone, Debug, PartialEq)]
pub enum Condition {
    /// True if all are (Kleene).
    All(Vec<ConditionId>),
    /// True if any is (Kleene).
    Any(Vec<ConditionId>),
    /// The opposite (Kleene).
    Not(ConditionId),
    /// Witnesses of the same thing: two that know must agree; one alone that knows is believed. Else unknown.
    Agree(Vec<ConditionId>),
    /// A signal against a limit; once true, true until it is back by more than the deadband.
    Compare {
        /// The signal.
        signal: SignalId,
        /// Which of its values.
        estimate: Estimate,
        /// On which side it is true.
        side: Side,
        /// The limit.
        limit: f64,
        /// How far back it must come.
        deadband: f64,
        /// Taken off an upper limit while only one of several probes is good.
        alone_margin: f64,
        /// Whether suspect readings count.
        doubtful: Doubtful,
    },
    /// A signal that moved by more than so much within a span; true until that is longer ago than the span.
    Moved {
        /// The signal.
        signal: SignalId,
        /// `Below`: it fell; `Above`: it rose.
        side: Side,
        /// By more than this, in units of the signal.
        by: f64,
        /// In this time; between seven eighths of it and all of it are looked at.
        within: Span,
        /// Whether suspect readings count.
        doubtful: Doubtful,
    },
    /// A float or a leak probe.
    Contact {
        /// The signal.
        signal: SignalId,
        /// `true`: asks whether it is wet; `false`: whether it is dry.
        wet: bool,
        /// Whether suspect readings count.
        doubtful: Doubtful,
    },
    /// The signal is good (or suspect, if that counts). Never unknown itself.
    Known {
        /// The signal.
        signal: SignalId,
        /// Whether suspect readings count.
        doubtful: Doubtful,
    },
    /// A return chamber stands at its running level, which is 0. False above: the display has drained back. Unknown
    /// below: water is missing, which says nothing about flow.
    AtRunningLevel {
        /// The level.
        signal: SignalId,
        /// mm.
        within: f64,
    },
    /// A fact about an output.
    Output {
        /// The output.
        output: OutputId,
        /// The fact.
        fact: OutputFact,
    },
    /// What an output draws, against a limit; unknown without a fresh reading that is newer than its last command.
    Draws {
        /// The output.
        output: OutputId,
        /// On which side it is true.
        side: Side,
        /// The limit.
        limit: DrawLimit,
    },
    /// A part of each local day.
    TimeOfDay(DailyWindow),
    /// A hold is on: that one, or any.
    Held(Option<HoldId>),
    /// What a top-off has found out.
    TopOff {
        /// Which one.
        top_off: TopOffId,
        /// What.
        fact: TopOffFact,
    },
    /// What dosing has found out.
    Dosing {
        /// Which pump.
        doser: DoserId,
        /// What.
        fact: DosingFact,
    },
    /// The inner condition has been true for this long without a break.
    Lasting {
        /// The inner condition.
        inner: ConditionId,
        /// For this long.
        span: Span,
        /// What a spell of unknown does to the count.
        unknown: TimerUnknown,
    },
}

/// What a spell of unknown does to a running count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TimerUnknown {
    /// Permissives and rules: start again.
    Resets,
    /// Trips: the count goes on where it was.
    Freezes,
}

/// Hold a temperature.
#[derive(Clone, Debug, PartialEq)]
pub struct ThermostatPlan {
    /// The temperature signal.
    pub signal: SignalId,
    /// The set point, °C.
    pub target: f64,
    /// The heater, and its on and off points, °C.
    pub heat: Option<LoopSide>,
    /// The chiller or fan, and its on and off points, °C.
    pub cool: Option<LoopSide>,
    /// Between the last heating and the first cooling, and back.
    pub changeover: Span,
}

/// One side of the thermostat.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LoopSide {
    /// What it switches.
    pub output: OutputId,
    /// Where it goes on, °C.
    pub on_at: f64,
    /// Where it goes off, °C.
    pub off_at: f64,
}

/// Evaporated water is replaced in bounded runs of one pump, each judged by its answer.
#[derive(Clone, Debug, PartialEq)]
pub struct TopOffPlan {
    /// The pump.
    pub output: OutputId,
    /// Water is wanted.
    pub wanted: ConditionId,
    /// Where a run ends and what answers it.
    pub gauge: Gauge,
    /// Contacts that must stay good and dry during a run.
    pub high: Vec<SignalId>,
    /// Must have been true throughout for a verdict on a run: the flow. `None`: nothing is fitted.
    pub steady: Option<ConditionId>,
    /// What the pump delivers.
    pub delivers: Flow,
    /// A usual run.
    pub expected: Span,
    /// No run is longer, whoever wished it.
    pub longest: Span,
    /// From the end of a run to its verdict.
    pub settle: Span,
    /// From the end of a run to the next one.
    pub rest: Span,
    /// The most in any 24 hours.
    pub per_day: Volume,
    /// The most in any hour.
    pub per_hour: Volume,
    /// While this is not good, half of the day's budget is left.
    pub salinity: Option<SignalId>,
    /// How the level is judged between runs. `None`: a float, which says nothing then.
    pub still: Option<StillPlan>,
}

/// How much runs back when the return pump stops.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DrainBackPlan {
    /// The return pump.
    pub pump: OutputId,
    /// The level of the sump.
    pub level: SignalId,
    /// Above this it comes too close to what must stay dry, mm. `None`: nothing says.
    pub most: Option<f64>,
}

/// How a level is judged while nothing is pumped.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StillPlan {
    /// The standard deviation that a quiet level stays under, mm.
    pub spread: f64,
    /// Falling faster than this is a leak, mm/h.
    pub leak: f64,
    /// Falling faster than this is a burst, mm/h.
    pub burst: f64,
}

/// What a top-off goes by.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Gauge {
    /// A level that rises.
    Level {
        /// The level.
        signal: SignalId,
        /// A run ends here, mm.
        stop_at: f64,
        /// Litres in a millimetre of this water.
        litres_per_mm: f64,
    },
    /// A low float that gets wet.
    LowFloat(SignalId),
}

impl Gauge {
    /// The level or the float.
    pub fn signal(self) -> SignalId {
        match self {
            Self::Level { signal, .. } | Self::LowFloat(signal) => signal,
        }
    }
}

/// What a top-off can find out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TopOffFact {
    /// Two runs had no answer: said once, for a latch.
    NoResponse,
    /// The water rose by more than was pumped, or went on rising: said once, for a latch.
    Siphon,
    /// The day's budget was reached twice in a week.
    OverBudget,
    /// Refills come faster than they used to.
    Fast,
    /// No refill for much longer than usual.
    Overdue,
    /// The level is quiet enough to be topped off.
    Quiet,
    /// The level falls faster than any evaporation.
    Leak,
    /// The level falls so fast that minutes count.
    Burst,
}

/// A cause and what it wishes.
#[derive(Clone, Debug, PartialEq)]
pub struct RulePlan {
    /// Its name.
    pub name: Name,
    /// The cause.
    pub cause: ConditionId,
    /// What it wishes while the cause is true.
    pub wishes: Vec<(OutputId, Switch)>,
}

/// An output that is wished on in parts of the day and off in the rest.
#[derive(Clone, Debug, PartialEq)]
pub struct SchedulePlan {
    /// The output.
    pub output: OutputId,
    /// When it is wished on.
    pub on: Vec<DailyWindow>,
}

/// What an interlock does where its cause is unknown.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OnUnknown {
    /// Counts as the cause.
    Trips,
    /// Stays as it is.
    Holds,
    /// Does not count; alarm only.
    Ignored,
}

/// Whether a trip stays after its cause is gone.
#[derive(Clone, Debug, PartialEq)]
pub enum Latch {
    /// It goes with the cause.
    Never,
    /// It stays until reset, if the cause was true and not merely unknown.
    Always,
    /// It stays where the cause is proven to be the output's doing: on within the window, and all
    /// of several good probes over the limit or one good probe over it for the time.
    WhenProven {
        /// The signal whose probes must agree.
        signal: SignalId,
        /// The limit.
        limit: f64,
        /// The output was on within this time before.
        within: Span,
        /// One good probe alone must stay over for this long.
        alone_for: Span,
        /// Over this it stays whatever the cause.
        any_cause_over: f64,
    },
}

/// A cause and the safe effects that it forces.
#[derive(Clone, Debug, PartialEq)]
pub struct InterlockPlan {
    /// Its name.
    pub name: Name,
    /// The cause.
    pub cause: ConditionId,
    /// What unknown does.
    pub unknown: OnUnknown,
    /// What it forces.
    pub effects: Vec<(OutputId, Switch)>,
    /// Whether it stays.
    pub latch: Latch,
    /// More trips than this in any hour stay until reset: what starts and stops for ever helps nobody. `None`: no limit.
    pub restarts: Option<u32>,
    /// The alarm's priority.
    pub priority: Priority,
    /// Whether this is a heater's cut-off or a float: those are never bypassed.
    pub bypassable: bool,
    /// What happens if nobody acts, and what to do.
    pub advice: Advice,
}

/// What happens at a hold's deadline.
#[derive(schemars::JsonSchema, Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AtLimit {
    /// An alarm, and nothing restarts by itself.
    Alarm,
    /// Released, if the release is permitted; else as `alarm`.
    Release,
}

/// A maintenance procedure.
#[derive(Clone, Debug, PartialEq)]
pub struct HoldPlan {
    /// Its name.
    pub name: Name,
    /// What it pauses, in the order in which it is told to stop.
    pub pauses: Vec<OutputId>,
    /// Its deadline after the start.
    pub limit: Span,
    /// What happens then.
    pub at_limit: AtLimit,
    /// Must be true for a release; unknown refuses.
    pub release_needs: Vec<Permissive>,
    /// It takes probes in hand, named when it begins, rather than outputs out of work.
    pub cares_for_probes: bool,
}

/// Where new water is mixed, and what of it is measured there. Never the tank's own probes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct MixingBin {
    /// Its temperature.
    pub temperature: Option<SignalId>,
    /// Its salinity.
    pub salinity: Option<SignalId>,
    /// What is usually changed, L.
    pub usual: Option<f64>,
}

/// How soon somebody must act.
#[derive(
    schemars::JsonSchema, Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum Priority {
    /// Today.
    Low,
    /// Today, and it may become worse.
    Medium,
    /// Within the hour.
    High,
    /// In minutes.
    Urgent,
}

impl Priority {
    /// Every priority, with its word.
    pub const WORDS: [(Self, &'static str); 4] =
        [(Self::Low, "low"), (Self::Medium, "medium"), (Self::High, "high"), (Self::Urgent, "urgent")];

    /// Its word.
    pub fn word(self) -> &'static str {
        Self::WORDS.iter().find(|(priority, _)| *priority == self).map_or("low", |(_, word)| word)
    }
}

/// One alarm.
#[derive(Clone, Debug, PartialEq)]
pub struct AlarmPlan {
    /// Its name.
    pub name: Name,
    /// How soon somebody must act.
    pub priority: Priority,
    /// What raises it.
    pub source: AlarmSource,
    /// The source must be true for this long.
    pub on_delay: Span,
    /// The source must be false for this long.
    pub off_delay: Span,
    /// Once raised it stays until it is reset.
    pub latches: bool,
    /// What happens if nobody acts, and what to do.
    pub advice: Advice,
}

/// What an alarm tells a person besides what it saw: two things, so that the second can be read alone.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Advice {
    /// What happens if nobody acts.
    pub consequence: String,
    /// What to do.
    pub action: String,
}

impl Advice {
    /// Both, in sentences.
    pub fn new(consequence: &str, action: &str) -> Self {
        Self { consequence: consequence.to_owned(), action: action.to_owned() }
    }
}

/// What raises an alarm.
#[derive(Clone, Debug, PartialEq)]
pub enum AlarmSource {
    /// A condition is true. Unknown neither raises nor clears.
    Condition(ConditionId),
    /// A signal has no usable value.
    SignalLost(SignalId),
    /// A probe of a signal that still has another one is bad.
    ProbeLost(ProbeId),
    /// The probes of a signal disagree.
    Disagree(SignalId),
    /// A command was not proven, or the plug is not alive.
    NotProven(OutputId),
    /// Somebody else switched it, or commands it.
    ForeignSwitch(OutputId),
    /// It was started as often as is good for it within an hour, and the next start waits.
    StartsOften(OutputId),
    /// Heating and cooling follow each other too often.
    Changeovers,
    /// The loop's heater runs for hours and the water hardly warms.
    FutileHeat,
    /// An interlock tripped again and again within a day.
    TripsOften(InterlockId),
    /// Two controllers undo each other's commands to it.
    Conflict(OutputId),
    /// Its plug restarts again and again.
    Restarts(OutputId),
    /// Its plug came back in another state than the keeper wrote.
    WrongBoot(OutputId),
    /// It stayed on although its lease had run out.
    LeaseOutlived(OutputId),
    /// An interlock tripped or latched.
    Trip(InterlockId),
    /// A hold is past its deadline.
    HoldOverdue(HoldId),
    /// A person has set an interlock aside.
    Bypassed,
    /// A proof test is overdue.
    ProofsDue,
    /// A proof test failed, and nothing has proven the contrary since.
    ProofFailed,
    /// More ran back into the sump than usual, or it came too high.
    DrainBack,
    /// What drifts, hours before a limit.
    Drift(drift::DriftSource),
    /// A meter of a plug that is not known to be dead says nothing.
    PowerLost,
    /// The wall clock jumped by more than a minute.
    ClockJumped,
    /// The saved state could not be read at start; safe values were taken.
    StateDamaged,
}

impl TankPlan {
    /// The signal that the temperature is held by.
    pub fn held_by(&self) -> Option<&Name> {
        self.thermostat.as_ref().map(|held| &self.signals[held.signal.index()].name)
    }

    /// The signal of that name.
    pub fn signal(&self, name: &str) -> Option<SignalId> {
        self.signals.iter().position(|s| &*s.name == name).map(SignalId::new)
    }

    /// The probe of that name.
    pub fn probe(&self, name: &str) -> Option<ProbeId> {
        self.probes.iter().position(|p| &*p.name == name).map(ProbeId::new)
    }

    /// The output of that name.
    pub fn output(&self, name: &str) -> Option<OutputId> {
        self.outputs.iter().position(|o| &*o.name == name).map(OutputId::new)
    }

    /// The hold of that name.
    pub fn hold(&self, name: &str) -> Option<HoldId> {
        self.holds.iter().position(|h| &*h.name == name).map(HoldId::new)
    }

    /// The interlock of that name.
    pub fn interlock(&self, name: &str) -> Option<InterlockId> {
        self.interlocks.iter().position(|i| &*i.name == name).map(InterlockId::new)
    }

    /// The rule of that name.
    pub fn rule(&self, name: &str) -> Option<RuleId> {
        self.rules.iter().position(|r| &*r.name == name).map(RuleId::new)
    }

    /// The alarm of that name.
    pub fn alarm(&self, name: &str) -> Option<AlarmId> {
        self.alarms.iter().position(|a| &*a.name == name).map(AlarmId::new)
    }

    /// Shows every leaf under a condition to `look`.
    pub fn leaves(&self, id: ConditionId, look: &mut dyn FnMut(&Condition)) {
        match &self.conditions[id.index()] {
            Condition::All(of) | Condition::Any(of) | Condition::Agree(of) => {
                for id in of {
                    self.leaves(*id, look);
                }
            }
            Condition::Not(inner) | Condition::Lasting { inner, .. } => self.leaves(*inner, look),
            leaf => look(leaf),
        }
    }

    /// Whether a condition looks for an output that draws too much.
    pub fn asks_what_it_draws(&self, id: ConditionId, of: OutputId) -> bool {
        let mut asks = false;
        self.leaves(id, &mut |leaf| {
            asks |= matches!(leaf, Condition::Draws { output, side: Side::Above, .. } if *output == of);
        });
        asks
    }

    /// Appends a condition to the arena.
    pub fn add(&mut self, condition: Condition) -> ConditionId {
        self.conditions.push(condition);
        ConditionId::new(self.conditions.len() - 1)
    }
}

impl Condition {
    /// The signal that a leaf looks at.
    pub fn signal(&self) -> Option<SignalId> {
        match self {
            Self::Compare { signal, .. }
            | Self::Moved { signal, .. }
            | Self::Contact { signal, .. }
            | Self::Known { signal, .. }
            | Self::AtRunningLevel { signal, .. } => Some(*signal),
            _ => None,
        }
    }
}

//! What is watched for drift, and by which numbers: all of it follows from the tank's litres, watts and limits.

use crate::control::ids::SignalId;
use crate::time::Span;

/// What is watched. The default watches nothing.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct DriftPlan {
    /// Kelvin that no known source of heat explains, in the water of the temperature loop.
    pub unexplained: Option<UnexplainedPlan>,
    /// Signals that are watched for their limits and for what is usual at the hour.
    pub courses: Vec<CoursePlan>,
    /// Signals of several probes whose differences should stay as they are.
    pub probes: Vec<ProbesPlan>,
    /// The room, for the words of an alarm.
    pub room: Option<SignalId>,
    /// The mean of the warmest month that the animals know, °C: heat stress is reckoned from it.
    pub warmest_month: Option<f64>,
}

impl DriftPlan {
    /// Whether anything is watched at all.
    pub fn is_none(&self) -> bool {
        self.unexplained.is_none() && self.courses.is_empty() && self.probes.is_empty()
    }
}

/// When kelvin count as unexplained.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct UnexplainedPlan {
    /// A slope that differs from the usual one by this is forgiven, K/h: rooms swing.
    pub forgives: f64,
    /// A sum above this is told, K.
    pub over: f64,
    /// The same for what is as large as the heater: more is forgiven, K/h, and less waited for, K.
    pub fast: Option<(f64, f64)>,
}

/// A signal whose course is watched.
#[derive(Clone, Debug, PartialEq)]
pub struct CoursePlan {
    /// The signal.
    pub signal: SignalId,
    /// The nearest limit below, in units of the signal.
    pub low: Option<f64>,
    /// The nearest limit above.
    pub high: Option<f64>,
    /// Whether the time to a limit is told. `None`: not.
    pub nears: Option<NearsPlan>,
    /// Whether what is unusual for the hour is told. `None`: not.
    pub unusual: Option<UnusualPlan>,
}

/// When a limit is near.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NearsPlan {
    /// Sooner than this.
    pub within: Span,
    /// Points that the slope rests on are so far apart; twelve of them in a window.
    pub spacing: Span,
    /// Slower than this is no course, units/h.
    pub slowest: f64,
    /// Nearer than this to what is usual is no way gone.
    pub away: f64,
}

/// When a value is unusual for its hour.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct UnusualPlan {
    /// The least spread that is taken for usual, in units of the signal.
    pub least_spread: f64,
    /// Unusual values from here to there are within what the loop does, and not told.
    pub between: Option<(f64, f64)>,
    /// Where little heats, only values above this are told.
    pub floating_above: Option<f64>,
}

/// Probes of one signal that should keep their differences.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ProbesPlan {
    /// The signal.
    pub signal: SignalId,
    /// A difference that moved by more than this is told.
    pub by: f64,
    /// Further apart than this, at once, is told as urgent work. `None`: not.
    pub apart: Option<f64>,
}

/// What a drift alarm rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DriftSource {
    /// Kelvin that nothing explains.
    Unexplained,
    /// A limit is near; the place of the course.
    NearsLimit(usize),
    /// Unusual for the hour; the place of the course.
    Unusual(usize),
    /// Unusually warm for the hour while nothing heats.
    WarmSpell,
    /// A probe left the others; the place among the watched.
    ProbesDrift(usize),
    /// Probes are far apart; the place among the watched.
    FarApart(usize),
}

impl super::TankPlan {
    /// The signal that a source watches.
    pub fn drift_of(&self, source: DriftSource) -> Option<SignalId> {
        let course = |at: usize| self.drift.courses.get(at).map(|course| course.signal);
        let probes = |at: usize| self.drift.probes.get(at).map(|probes| probes.signal);
        match source {
            DriftSource::Unexplained | DriftSource::WarmSpell => self.thermostat.as_ref().map(|loop_| loop_.signal),
            DriftSource::NearsLimit(at) | DriftSource::Unusual(at) => course(at),
            DriftSource::ProbesDrift(at) | DriftSource::FarApart(at) => probes(at),
        }
    }
}

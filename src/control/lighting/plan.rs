//! What a keeper's `lights:` means: one light's plan, valid by construction. Built by `config` and by tests.

use crate::control::ids::{ConditionId, Name, OutputId};
use crate::time::{Date, LocalTime, Span};

/// One light.
#[derive(Clone, Debug, PartialEq)]
pub struct LightPlan {
    /// The light.
    pub output: OutputId,
    /// When it begins, by the wall.
    pub from: LocalTime,
    /// When it is dark again; on the next day, if that is not later.
    pub until: LocalTime,
    /// How long it takes from dark to `level`, and back; nothing on a plug that only switches.
    pub ramp: Span,
    /// Its greatest level, over 0 to 1.
    pub level: f64,
    /// Degrees of latitude, north positive, whose length of day scales the time between `from` and `until`.
    pub latitude: Option<f64>,
    /// A new light, or new animals under it.
    pub acclimation: Option<Acclimation>,
    /// When it gives less; the least of those that hold counts.
    pub dims: Vec<DimPlan>,
    /// mol/m²/s·1e-6 (µmol/m²/s) at named spots with the light at 100 %.
    pub spots: Vec<(String, f64)>,
}

/// Less light at first.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Acclimation {
    /// The first day.
    pub from: Date,
    /// The part of the level on that day.
    pub start: f64,
    /// Days until it is all of it.
    pub days: u32,
}

/// Less light while something is true.
#[derive(Clone, Debug, PartialEq)]
pub struct DimPlan {
    /// Its name.
    pub name: Name,
    /// While this is true; unknown is not true.
    pub condition: ConditionId,
    /// To this part of the level.
    pub to: f64,
}

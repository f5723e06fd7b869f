//! Light: where the clock says, with ramps on a dimmer, less while the water is too warm, and the day's sum at each spot.
//!
//! Duty: wishes of the schedule's rank, and the level of a dimmer, told before its plug is switched on, at most once in
//! ten seconds. Nothing is remembered: after a kill, a reload or a jump of the clock the light is where the clock says.
//! Unknown: a clock from before this program lets lights rest; a condition for less light that is not known is not true.
//! Limits: whatever stands higher (trips, holds, forces) turns a light off as before. A level is proven by the dimmer's own
//! report, where it has one; nobody measures the light itself.

pub(super) mod curve;
mod live;
mod plan;

pub(super) use live::Lamp;
pub use live::{LightStatus, SpotLight};
pub use plan::{Acclimation, DimPlan, LightPlan};

use crate::time::Span;

/// The level is looked at on this grid of the wall clock, and told at most so often. [choice]
pub(super) const STEP: Span = Span::from_seconds(10);
/// A dimmer says what it was told within this time. [choice]
pub(super) const PROVE_WITHIN: Span = Span::from_seconds(30);
/// So far from what was told is another level, percent. [choice: a dimmer rounds]
pub(super) const ROUNDED: f64 = 2.0;
/// After so many tellings that were not proven somebody is told.
pub(super) const UNPROVEN: u8 = 3;

//! Holds: a named procedure that pauses outputs until somebody releases it.
//!
//! A hold survives a kill with its original deadline. Nothing restarts by itself at a deadline,
//! unless the plan says so and every condition of the release is known to be true.

use crate::time::{Span, Steady, Wall};

use super::event::RequestId;
use super::ids::{HoldId, OutputId, ProbeId};
use super::new_water::NewWaterRecord;
use super::state::Water;

/// A hold procedure's memory.
#[derive(Clone, Debug, Default)]
pub(super) struct Hold {
    pub active: Option<ActiveHold>,
    pub started: u64,
    /// The last release, while what it started is still on its way.
    pub released: Option<Released>,
}

/// A hold that stands.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct ActiveHold {
    pub by: String,
    pub since: Wall,
    pub deadline: Steady,
    pub deadline_wall: Wall,
    pub overdue: bool,
    /// Outputs that a person switched off by hand, paused besides those of the plan.
    pub also: Vec<OutputId>,
    /// When its pumps stop: what is fed by them goes off before them. Over already for a hold from an earlier run.
    pub pumps_at: Steady,
    /// Reminders that were told.
    pub reminders: u32,
    /// What the water was when it began.
    pub before: Water,
    /// The new water that was told.
    pub new_water: Option<NewWaterRecord>,
    /// What its probes said of the new water, while it was still in its bin.
    pub bin: Water,
    /// Probes that are in hand.
    pub probes: Vec<ProbeId>,
}

/// A hold that was released a short while ago.
#[derive(Clone, Debug)]
pub(super) struct Released {
    pub at: Steady,
    /// What the water was before the hold.
    pub before: Water,
    /// When the hold began.
    pub since: Wall,
}

/// What a waiting answer is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Awaited {
    /// Each pause of a hold proven.
    Hold(HoldId),
    /// One forced output proven.
    Force(OutputId),
    /// Nothing: only what this very step makes of it.
    Release(HoldId),
}

/// A request that waits until what it asked for is proven, or not.
#[derive(Clone, Copy, Debug)]
pub(super) struct WaitingAnswer {
    pub to: RequestId,
    pub about: Awaited,
    /// Answered at the latest then, proven or not.
    pub at_latest: Steady,
    /// The hold stood already.
    pub joined: bool,
}

/// Top-off, heater and skimmer go off first, pumps so much later. [holds: 2 s]
pub(super) const PUMPS_LAST: Span = Span::from_seconds(2);
/// A heater's sheath stays hot enough to crack in air for so long after it was on. [common practice]
pub(super) const SHEATH_COOLS: Span = Span::from_minutes(10);
/// A trip that stops a pump so soon after a release takes everything back into the hold. [choice]
pub(super) const FALL_BACK_WITHIN: Span = Span::from_minutes(10);
/// So long after a release the water is mixed, and the record is closed. [choice]
pub(super) const MIXED_AFTER: Span = Span::from_minutes(15);
/// After its deadline a hold is told again this often. [F58: choice]
pub(super) const REMIND_EVERY: Span = Span::from_minutes(15);

/// Said with every start of a hold.
pub const NOT_ISOLATION: &str = "A hold is not isolation: software and plugs can fail. Pull the plugs of \
     everything in the water before hands go near it, and have a residual-current device on every circuit.";

/// The hold that begins where a person switches something off by hand.
pub(super) const HANDS_IN: &str = "hands-in";

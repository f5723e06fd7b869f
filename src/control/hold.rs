//! Holds: a named procedure that pauses outputs until somebody releases it.
//!
//! A hold survives a kill with its original deadline. Nothing restarts by itself at a deadline,
//! unless the plan says so and every condition of the release is known to be true.

use crate::time::{Steady, Wall};

use super::event::RequestId;
use super::ids::{HoldId, OutputId};

/// A hold procedure's memory.
#[derive(Clone, Debug, Default)]
pub(super) struct Hold {
    pub active: Option<ActiveHold>,
    pub started: u64,
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

/// Said with every start of a hold.
pub(super) const NOT_ISOLATION: &str = "A hold is not isolation: software and plugs can fail. Pull the plugs of \
     everything in the water before hands go near it, and have a residual-current device on every circuit.";

/// The hold that begins where a person switches something off by hand.
pub(super) const HANDS_IN: &str = "hands-in";

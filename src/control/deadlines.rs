//! The earliest moment at which something changes by time alone, collected during one step.

use crate::time::Steady;

use super::effect::{Deadline, DeadlineKind};

/// Collects the earliest deadline.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Deadlines {
    earliest: Option<Deadline>,
}

impl Deadlines {
    /// Asks to be woken at a moment.
    pub fn ask(&mut self, at: Steady, why: DeadlineKind) {
        let asked = Deadline { at, why };
        if self.earliest.is_none_or(|earliest| asked < earliest) {
            self.earliest = Some(asked);
        }
    }

    /// The earliest that was asked for.
    pub fn earliest(self) -> Option<Deadline> {
        self.earliest
    }
}

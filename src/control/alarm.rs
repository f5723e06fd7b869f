//! Alarms, by the states of ANSI/ISA-18.2 and IEC 62682.
//!
//! ```text
//!   NORM ──raised──► UNACK ──acknowledged──► ACKED ──returned──► NORM
//!                      └──returned──► RTNUN ──acknowledged──► NORM, ──raised──► UNACK
//! ```
//! Unknown neither raises nor clears. Shelving, suppression and latching come with their issue.

use crate::time::{Steady, Wall};

use super::deadlines::Deadlines;
use super::effect::DeadlineKind;
use super::plan::AlarmPlan;
use super::truth::Truth;

/// The state of an alarm, with the abbreviations of the standards.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AlarmState {
    /// Normal.
    #[default]
    Normal,
    /// Active, and nobody has acknowledged it.
    Unacknowledged,
    /// Active and acknowledged.
    Acknowledged,
    /// Returned to normal, and nobody has acknowledged it.
    ReturnedUnacknowledged,
}

impl AlarmState {
    /// Every abbreviation.
    pub const ABBREVIATIONS: [&'static str; 4] = ["NORM", "UNACK", "ACKED", "RTNUN"];

    /// The abbreviation of the standards.
    pub fn abbreviation(self) -> &'static str {
        match self {
            Self::Normal => "NORM",
            Self::Unacknowledged => "UNACK",
            Self::Acknowledged => "ACKED",
            Self::ReturnedUnacknowledged => "RTNUN",
        }
    }

    /// Whether the condition holds.
    pub fn is_active(self) -> bool {
        matches!(self, Self::Unacknowledged | Self::Acknowledged)
    }
}

/// An alarm's memory.
#[derive(Clone, Debug, Default)]
pub(super) struct Alarm {
    pub state: AlarmState,
    pub since: Option<Wall>,
    pub text: String,
    pub raised: u64,
    true_since: Option<Steady>,
    false_since: Option<Steady>,
}

/// What became of an alarm in one step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum AlarmChange {
    None,
    Raised,
    Cleared,
}

impl Alarm {
    /// Follows its source.
    pub fn follow(&mut self, plan: &AlarmPlan, truth: Truth, now: Steady, deadlines: &mut Deadlines) -> AlarmChange {
        let mut lasted = |since: Option<Steady>, span| {
            let due = since.unwrap_or(now).after(span);
            if due > now {
                deadlines.ask(due, DeadlineKind::Alarm);
            }
            due <= now
        };
        match truth {
            Truth::True => {
                self.false_since = None;
                self.true_since.get_or_insert(now);
                if !self.state.is_active() && lasted(self.true_since, plan.on_delay) {
                    self.state = AlarmState::Unacknowledged;
                    self.raised += 1;
                    return AlarmChange::Raised;
                }
            }
            Truth::False => {
                self.true_since = None;
                self.false_since.get_or_insert(now);
                if self.state.is_active() && lasted(self.false_since, plan.off_delay) {
                    self.state = match self.state {
                        AlarmState::Acknowledged => AlarmState::Normal,
                        _ => AlarmState::ReturnedUnacknowledged,
                    };
                    return AlarmChange::Cleared;
                }
            }
            Truth::Unknown => {
                self.true_since = None;
                self.false_since = None;
            }
        }
        AlarmChange::None
    }

    /// A person has seen it. Returns whether that changed anything.
    pub fn acknowledge(&mut self) -> bool {
        let next = match self.state {
            AlarmState::Unacknowledged => AlarmState::Acknowledged,
            AlarmState::ReturnedUnacknowledged => AlarmState::Normal,
            same => same,
        };
        std::mem::replace(&mut self.state, next) != next
    }
}

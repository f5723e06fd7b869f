//! Alarms, by the states of ANSI/ISA-18.2 and IEC 62682.
//!
//! ```text
//!   NORM ──occurs──► UNACK ──acknowledged──► ACKED ──returns──► NORM      ACKED ──told again──► UNACK
//!                      └──returns──► RTNUN ──acknowledged──► NORM, ──occurs──► UNACK
//!   with a latch: UNACK ──returns──► LTUNK ──acknowledged──► LTAKD ──reset──► NORM, ACKED ──returns──► LTAKD
//!   from each of these six: SHLVD (shelved), DSUPR (suppressed by design), OOSRV (out of service), and back
//! ```
//! Unknown neither raises nor clears. What is set aside is followed all the same, and comes back as it is by then.
//! Limits: who may set what aside is `alarm_requests`'s, what a design suppresses `alarm_links`'s to say.

use crate::time::{Span, Steady, Wall};

use super::alarm_load::CHATTER;
use super::deadlines::Deadlines;
use super::effect::DeadlineKind;
use super::often::Often;
use super::plan::AlarmPlan;
use super::truth::Truth;

/// Cycles are counted so far back.
const CHATTER_WITHIN: Span = Span::from_minutes(1);
/// What chattered is shown as chattering until it was quiet for so long. [choice]
const CHATTER_SHOWN: Span = Span::from_minutes(10);
/// In alarm for longer, it is stale. [ISA-18.2, from memory: 24 h]
pub(super) const STALE: Span = Span::from_hours(24);

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
    /// Returned to normal, kept by its latch, and nobody has acknowledged it.
    LatchedUnacknowledged,
    /// Returned to normal, acknowledged, and kept by its latch until it is reset.
    LatchedAcknowledged,
    /// Silenced by a person, for a time.
    Shelved,
    /// Silenced by the design: something known explains it.
    Suppressed,
    /// Silenced by a person, until it is returned to service.
    OutOfService,
}

/// What moves an alarm from state to state.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AlarmInput {
    /// The condition has been true for the on-delay.
    Occurs,
    /// The condition has been false for the off-delay.
    Returns,
    /// A person has seen it.
    Acknowledge,
    /// It stands for long, and is told again.
    ReAlarm,
    /// A person clears the latch.
    Reset,
    /// A person silences it for a time.
    Shelve,
    /// The time is over, or a person ends it.
    Unshelve,
    /// Something known explains it.
    Suppress,
    /// It is no longer explained.
    Unsuppress,
    /// A person takes it out of service.
    Remove,
    /// A person returns it to service.
    Return,
}

impl AlarmState {
    /// Every state.
    pub const ALL: [Self; 9] = [
        Self::Normal,
        Self::Unacknowledged,
        Self::Acknowledged,
        Self::ReturnedUnacknowledged,
        Self::LatchedUnacknowledged,
        Self::LatchedAcknowledged,
        Self::Shelved,
        Self::Suppressed,
        Self::OutOfService,
    ];

    /// The abbreviation of the standards.
    pub fn abbreviation(self) -> &'static str {
        match self {
            Self::Normal => "NORM",
            Self::Unacknowledged => "UNACK",
            Self::Acknowledged => "ACKED",
            Self::ReturnedUnacknowledged => "RTNUN",
            Self::LatchedUnacknowledged => "LTUNK",
            Self::LatchedAcknowledged => "LTAKD",
            Self::Shelved => "SHLVD",
            Self::Suppressed => "DSUPR",
            Self::OutOfService => "OOSRV",
        }
    }

    /// The state of an abbreviation, for people. What is silenced is said otherwise, and left as it is.
    pub fn in_words(abbreviation: &str) -> &str {
        match abbreviation {
            "UNACK" => "not acknowledged",
            "ACKED" => "acknowledged",
            "RTNUN" => "over, not acknowledged",
            "LTUNK" => "over, latched and not acknowledged",
            "LTAKD" => "over, latched",
            other => other,
        }
    }

    /// Whether it is in alarm: the condition holds and nothing silences it.
    pub fn is_active(self) -> bool {
        matches!(self, Self::Unacknowledged | Self::Acknowledged)
    }

    /// Whether a person or the design has silenced it.
    pub fn is_aside(self) -> bool {
        matches!(self, Self::Shelved | Self::Suppressed | Self::OutOfService)
    }

    /// Whether a person has to see it.
    pub fn awaits_acknowledgement(self) -> bool {
        matches!(self, Self::Unacknowledged | Self::ReturnedUnacknowledged | Self::LatchedUnacknowledged)
    }

    /// The state after `input`; `None`: it means nothing here. `on`: the condition holds now; `latches`: it stays until
    /// reset.
    #[expect(clippy::match_same_arms, reason = "an arm is a row of the table")]
    pub fn after(self, input: AlarmInput, on: bool, latches: bool) -> Option<Self> {
        use AlarmInput::{Acknowledge, Occurs, ReAlarm, Remove, Reset, Return, Returns, Shelve, Suppress};
        use AlarmInput::{Unshelve, Unsuppress};
        let back = if on { Self::Unacknowledged } else { Self::Normal };
        Some(match (self, input) {
            (Self::Shelved, Unshelve) | (Self::Suppressed, Unsuppress) | (Self::OutOfService, Return) => back,
            (Self::Shelved | Self::Suppressed | Self::OutOfService, _) => return None,
            (_, Shelve) => Self::Shelved,
            (_, Suppress) => Self::Suppressed,
            (_, Remove) => Self::OutOfService,
            (Self::Unacknowledged, Acknowledge) => Self::Acknowledged,
            (Self::Unacknowledged, Returns) if latches => Self::LatchedUnacknowledged,
            (Self::Unacknowledged, Returns) => Self::ReturnedUnacknowledged,
            (Self::Acknowledged, ReAlarm) => Self::Unacknowledged,
            (Self::Acknowledged, Returns) if latches => Self::LatchedAcknowledged,
            (Self::ReturnedUnacknowledged, Acknowledge)
            | (Self::Acknowledged, Returns)
            | (Self::LatchedAcknowledged, Reset) => Self::Normal,
            (Self::LatchedUnacknowledged, Acknowledge) => Self::LatchedAcknowledged,
            (Self::LatchedUnacknowledged, Reset) => Self::ReturnedUnacknowledged,
            // What stands already does not occur again.
            (Self::Unacknowledged | Self::Acknowledged, Occurs) => return None,
            (_, Occurs) => Self::Unacknowledged,
            _ => return None,
        })
    }
}

/// Why an alarm is set aside.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Aside {
    /// By whom and why, in words.
    pub why: String,
    /// Since when.
    pub since: Wall,
    /// Until when it is shelved; `None`: until it is returned, or no longer explained.
    pub until: Option<Steady>,
    /// When people are reminded next that it is out of service.
    pub remind_at: Steady,
}

/// An alarm's memory.
#[derive(Clone, Debug, Default)]
pub(super) struct Alarm {
    pub state: AlarmState,
    pub since: Option<Wall>,
    pub text: String,
    pub raised: u64,
    /// The condition holds, its delays over; also while it is set aside.
    pub on: bool,
    /// Why it is set aside, while it is.
    pub aside: Option<Aside>,
    /// When it is told again, if it still stands: once it is acknowledged.
    pub again_at: Option<Steady>,
    /// People were told of it, by its own name, since it occurred.
    pub told: bool,
    /// A person brought it back in alarm: it is to be told.
    pub back: bool,
    /// The alarm whose consequence it is, while it is one.
    pub head: Option<usize>,
    /// Each of its last returns.
    pub cycles: Often,
    /// When it last chattered.
    pub chattered_at: Option<Steady>,
    /// Since when its condition holds, in its delay or after it.
    pub true_since: Option<Steady>,
    pub false_since: Option<Steady>,
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
                if !self.on && lasted(self.true_since, plan.on_delay) {
                    self.on = true;
                    if self.takes(AlarmInput::Occurs, plan) {
                        self.begin();
                        return AlarmChange::Raised;
                    }
                }
            }
            Truth::False => {
                self.true_since = None;
                self.false_since.get_or_insert(now);
                if self.on && lasted(self.false_since, plan.off_delay) {
                    self.on = false;
                    self.cycles.note(now);
                    if self.cycles.count(CHATTER_WITHIN, now) >= CHATTER {
                        self.chattered_at = Some(now);
                    }
                    if self.takes(AlarmInput::Returns, plan) {
                        return AlarmChange::Cleared;
                    }
                }
            }
            Truth::Unknown => {
                self.true_since = None;
                self.false_since = None;
            }
        }
        AlarmChange::None
    }

    /// Moves by the table. Returns whether it moved.
    pub fn takes(&mut self, input: AlarmInput, plan: &AlarmPlan) -> bool {
        match self.state.after(input, self.on, plan.latches) {
            Some(next) => {
                self.state = next;
                true
            }
            None => false,
        }
    }

    /// It is new: nobody was told of it yet.
    pub fn begin(&mut self) {
        self.told = false;
        self.head = None;
        self.again_at = None;
    }

    /// A person has seen it. Returns whether that changed anything.
    pub fn acknowledge(&mut self, plan: &AlarmPlan, now: Steady) -> bool {
        let changed = self.takes(AlarmInput::Acknowledge, plan);
        if changed && self.state == AlarmState::Acknowledged {
            self.again_at = Some(now.after(STALE));
        }
        changed
    }

    /// Its delay begins anew: what explained it until now said nothing about it.
    pub fn forget_condition(&mut self) {
        self.on = false;
        self.restart_delays();
    }

    /// Its delays begin anew, and what stands stands.
    pub fn restart_delays(&mut self) {
        self.true_since = None;
        self.false_since = None;
    }

    /// In its delay: when it would be raised.
    pub fn due(&self, plan: &AlarmPlan) -> Option<Steady> {
        self.true_since.filter(|_| !self.on && !self.state.is_aside()).map(|since| since.after(plan.on_delay))
    }

    /// Whether it came and went too often of late.
    pub fn chatters(&self, now: Steady) -> bool {
        self.chattered_at.is_some_and(|at| at.after(CHATTER_SHOWN) > now)
    }
}

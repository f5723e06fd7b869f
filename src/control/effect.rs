//! What the core wants done: values, in the imperative, each with its cause.
//!
//! The order matters: effects are carried out in the order in which they stand. Whoever carries
//! them out tells the core what became of them by events; nothing is assumed done.

use crate::time::{Span, Wall};

use super::event::RequestId;
use super::ids::{AlarmId, OutputId};
use super::plan::{Priority, Switch};

/// Something to do.
#[derive(Clone, Debug, PartialEq)]
pub enum Effect {
    /// Tell a plug. Never retained, never queued: if the broker is not there, it is dropped.
    SwitchPlug {
        /// Which output's plug.
        output: OutputId,
        /// On or off. On for a plug with a lease is a lease of the plan's length.
        to: Switch,
        /// 1 for the first telling, more for repeats.
        attempt: u32,
        /// On for so long by the plug's own countdown, told once and never refreshed: a dose.
        once: Option<Span>,
        /// Why, in words.
        cause: String,
    },
    /// Refresh the lease of a plug that is on and may stay on.
    RefreshLease {
        /// Which output's plug.
        output: OutputId,
    },
    /// Tell a dimmer its level.
    SetLevel {
        /// Which output's.
        output: OutputId,
        /// 1 to 100.
        percent: u8,
        /// Why, in words.
        cause: String,
    },
    /// Save [`super::Tank::state`].
    SaveState(Durability),
    /// Write down what happened.
    Journal(JournalEntry),
    /// Tell people about an alarm.
    Notify(Notice),
    /// Water was changed in a hold that has ended: a line for the keeper's log.
    WaterChanged {
        /// How much, L.
        litres: f64,
        /// When the hold began: one hold is one water change, however often its end is heard of.
        since: Wall,
    },
    /// Answer a request.
    Answer {
        /// Whose.
        to: RequestId,
        /// What.
        answer: Answer,
    },
}

impl Effect {
    /// The order in which the effects of one step stand; equals keep theirs.
    pub(super) fn urgency(&self) -> u8 {
        match self {
            Self::SaveState(Durability::BeforeWhatFollows) => 0,
            Self::SwitchPlug { .. } | Self::RefreshLease { .. } | Self::SetLevel { .. } => 1,
            Self::SaveState(Durability::AfterTheCommands) => 2,
            Self::Answer { .. } => 3,
            Self::Notify(_) => 4,
            Self::Journal(_) | Self::WaterChanged { .. } | Self::SaveState(Durability::Soon) => 5,
        }
    }
}

/// How soon a save must be on disk.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Durability {
    /// Before the effects that follow are carried out. If the disk fails, go on and say so.
    BeforeWhatFollows,
    /// As [`Self::BeforeWhatFollows`], but no command waits for it: a latch, whose off must leave first.
    AfterTheCommands,
    /// Soon.
    Soon,
}

/// One line of the journal.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct JournalEntry {
    /// When, by the wall clock.
    pub at: Wall,
    /// What kind of thing happened: `command`, `proof`, `trip`, `hold`...
    pub kind: JournalKind,
    /// The output, interlock, hold, alarm or probe that it is about.
    pub subject: String,
    /// What happened and why, in words.
    pub text: String,
}

/// The kinds of journal lines.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum JournalKind {
    /// A command to a plug, and why.
    Command,
    /// A command proven, or given up.
    Proof,
    /// A reading's quality changed.
    Reading,
    /// An interlock tripped, latched, cleared or was reset.
    Trip,
    /// A hold began, was joined, became overdue, ended.
    Hold,
    /// A force began or ended.
    Force,
    /// An alarm changed its state.
    Alarm,
    /// Somebody else switched or commanded a plug.
    Foreign,
    /// A bypass began, was told again, or ended.
    Bypass,
    /// A proof test: begun, seen, failed.
    Test,
    /// A top-off's run was judged, or its budget is spent.
    TopOff,
    /// A dose was missed or cut short, a plan changed, a pump was calibrated.
    Dosing,
    /// A start, a reload, a clock jump, a broker lost or found.
    System,
}

impl JournalKind {
    /// Every kind.
    pub const ALL: [Self; 10] = [
        Self::Command,
        Self::Proof,
        Self::Reading,
        Self::Trip,
        Self::Hold,
        Self::Force,
        Self::Alarm,
        Self::Foreign,
        Self::TopOff,
        Self::System,
    ];

    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            Self::Command => "command",
            Self::Proof => "proof",
            Self::Reading => "reading",
            Self::Trip => "trip",
            Self::Hold => "hold",
            Self::Force => "force",
            Self::Alarm => "alarm",
            Self::Foreign => "foreign",
            Self::Bypass => "bypass",
            Self::Test => "test",
            Self::TopOff => "top-off",
            Self::Dosing => "dosing",
            Self::System => "system",
        }
    }
}

/// What people are told about an alarm.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Notice {
    /// The alarm.
    #[serde(skip, default = "first_alarm")]
    pub alarm: AlarmId,
    /// Its name.
    pub name: String,
    /// How soon somebody must act.
    pub priority: Priority,
    /// What became of it.
    pub what: NoticeKind,
    /// When it was raised, by the wall clock.
    pub since: Wall,
    /// One sentence: what, value with unit and age.
    pub text: String,
    /// What is measured, where the alarm is about one signal.
    pub value: Option<Box<Measured>>,
    /// What the daemon did, and how far that is proven: one sentence an output.
    pub did: Vec<String>,
    /// What happens if nobody acts.
    pub consequence: String,
    /// What a person should do.
    pub action: String,
    /// The names of the alarms for which this one speaks besides itself.
    pub group: Vec<String>,
    /// The name of the alarm whose consequence this one is, though it speaks for itself.
    pub part_of: Option<String>,
    /// The channel that alone carries it; every one that wants it, if none is named.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub only: Option<Box<str>>,
}

/// What a notice is about, as it was measured.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Measured {
    /// The signal's name.
    pub signal: String,
    /// In `unit`; absent for floats and leak probes, and while there is no usable value.
    pub value: Option<f64>,
    /// The unit of the value.
    pub unit: String,
    /// As people read it: `25.31 °C`, `wet`, or why there is no value.
    pub text: String,
    /// How old the newest accepted sample is; absent where none came.
    pub age: Option<Span>,
}

fn first_alarm() -> AlarmId {
    AlarmId::new(0)
}

/// Whether an alarm came, went, or is told again.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NoticeKind {
    /// It came.
    Raised,
    /// It went.
    Cleared,
    /// It stands, or will soon: said again.
    Reminder,
    /// It was shelved, suppressed by design or taken out of service after people were told of it: nothing more will
    /// come of it for now, and it may stand all the same. The text says why.
    Silenced,
    /// Nothing is wrong: whether messages arrive is tried.
    Test,
}

/// The answer to a request.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Answer {
    /// How it went.
    pub outcome: Outcome,
    /// One sentence.
    pub summary: String,
    /// What there is to know besides: each pause with its proof, each reason of a refusal.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub details: Vec<String>,
    /// What a person must mind, above all that a hold is not isolation.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub caution: Option<String>,
}

/// How a request went.
///
/// The order is from good to bad: of several answers the greatest is the one to tell.
#[derive(
    schemars::JsonSchema, Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// Done, and proven where it can be.
    Done,
    /// Done as far as commands go, but something is not proven; the details say what.
    NotProven,
    /// Nothing was changed; the details say why.
    Refused,
    /// Not understood; the details list what is known.
    Unknown,
}

/// When the core wants to be woken, and for what.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Deadline {
    /// The moment. Waking earlier does nothing, later is lateness.
    pub at: crate::time::Steady,
    /// What for.
    pub why: DeadlineKind,
}

/// What a deadline is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum DeadlineKind {
    /// A reading becomes stale.
    Stale,
    /// A condition has lasted long enough, or a daily window changes.
    Condition,
    /// A minimum time, a changeover or a changeable decision is over.
    Minimum,
    /// A proof is due, or a command is to be repeated.
    Proof,
    /// A lease wants its refresh.
    Lease,
    /// A hold or a force ends.
    Hold,
    /// A top-off's run, rest or verdict, or its budget.
    TopOff,
    /// A slot comes, a dose is over, or its budget.
    Dosing,
    /// A light changes.
    Light,
    /// An alarm's delay is over.
    Alarm,
    /// The totals want saving.
    Save,
}

/// A span in words with its age: `25.31 °C, 4 s ago`.
pub(crate) fn aged(value: impl std::fmt::Display, age: Span) -> String {
    format!("{value}, {age} ago")
}

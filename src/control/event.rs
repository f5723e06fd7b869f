//! What can happen to a tank: the only input of the core besides time.
//!
//! Events are in the past tense. `wire` makes them from messages, the shell and the simulator from
//! connections, requests and wake-ups. A payload that could not be read is an event too.

use crate::time::Span;

use super::dosing::DoseAsk;
use super::ids::{OutputId, ProbeId};
use super::plan::Switch;

/// Something that happened.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    /// A probe's message came; the value is finite and in the probe's canonical unit, uncalibrated.
    ReadingArrived {
        /// Whose.
        probe: ProbeId,
        /// The value, or why there is none.
        reading: Result<f64, Unreadable>,
        /// Whether the broker kept it from earlier: then its age is unknown and it is only shown.
        retained: Retained,
    },
    /// A plug reported its relay.
    ReportArrived {
        /// Whose plug.
        output: OutputId,
        /// The state, or why there is none.
        report: Result<Switch, Unreadable>,
        /// A retained report is of unknown age and proves nothing.
        retained: Retained,
    },
    /// A plug reported its power, in watts.
    MeterArrived {
        /// Whose plug.
        output: OutputId,
        /// Watts, finite.
        watts: Result<f64, Unreadable>,
        /// A retained value is no evidence.
        retained: Retained,
    },
    /// A plug, or the broker for it, said whether it is alive. Retained counts (it is how wills live on).
    AliveArrived {
        /// Whose plug.
        output: OutputId,
        /// Alive or not, or why it is not known.
        alive: Result<Alive, Unreadable>,
    },
    /// A plug said how long it has been up.
    UptimeArrived {
        /// Whose plug.
        output: OutputId,
        /// In whatever unit it counts, finite.
        uptime: Result<f64, Unreadable>,
        /// A retained value is of unknown age.
        retained: Retained,
    },
    /// A dimmer said its level.
    LevelArrived {
        /// Whose.
        output: OutputId,
        /// Percent, finite.
        percent: Result<f64, Unreadable>,
        /// A retained level is of unknown age and proves nothing.
        retained: Retained,
    },
    /// Somebody else published on the command topic of a plug of ours.
    ForeignCommandSeen {
        /// Whose plug.
        output: OutputId,
        /// What it says, if it is one of our payloads.
        command: Option<Switch>,
        /// A retained command is delivered at every re-subscription of the plug.
        retained: Retained,
    },
    /// The broker took a command, or said why not.
    CommandAcknowledged {
        /// Whose plug.
        output: OutputId,
        /// What the broker said.
        outcome: BrokerSaid,
    },
    /// The broker session stands and all is subscribed.
    BrokerConnected,
    /// The broker is gone. Nothing that was commanded but not proven counts.
    BrokerLost,
    /// Somebody asked for something.
    RequestArrived {
        /// Given back in the answer.
        id: RequestId,
        /// Who asked, by which way: `command line`, `ask topic`, a token's name.
        by: String,
        /// What was asked.
        request: Request,
    },
    /// A deadline of ours has come, or just time went by.
    Woken,
}

/// Whether the broker delivered a kept message.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Retained {
    /// Just published.
    No,
    /// Kept by the broker from earlier.
    Yes,
}

/// Whether a plug is reachable.
#[derive(schemars::JsonSchema, Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Alive {
    /// It said so.
    Yes,
    /// It, or its will, said that it is gone.
    No,
}

/// Why a payload has no value. The order is that of the metrics' labels.
#[derive(
    schemars::JsonSchema, Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum Unreadable {
    /// Nothing in it.
    Empty,
    /// Larger than any reading can be (4 KiB).
    TooLarge,
    /// Not UTF-8.
    NotText,
    /// Not JSON where the binding has a pointer.
    NotJson,
    /// The pointer finds nothing.
    NoSuchField,
    /// A word, an object, `null`, where a number is wanted.
    NotANumber,
    /// NaN or infinite, or beyond what a number can hold.
    NotFinite,
    /// `25,1`.
    DecimalComma,
    /// A number with a unit that the binding does not name.
    WrongUnit,
    /// A state that is neither of the binding's words.
    UnknownWord,
    /// A time stamp that is too old, or cannot be read.
    OldTimeStamp,
}

impl Unreadable {
    /// Every reason, in order.
    pub const ALL: [Self; 11] = [
        Self::Empty,
        Self::TooLarge,
        Self::NotText,
        Self::NotJson,
        Self::NoSuchField,
        Self::NotANumber,
        Self::NotFinite,
        Self::DecimalComma,
        Self::WrongUnit,
        Self::UnknownWord,
        Self::OldTimeStamp,
    ];

    /// Its word, as label and in messages.
    pub fn word(self) -> &'static str {
        match self {
            Self::Empty => "empty",
            Self::TooLarge => "too-large",
            Self::NotText => "not-text",
            Self::NotJson => "not-json",
            Self::NoSuchField => "no-such-field",
            Self::NotANumber => "not-a-number",
            Self::NotFinite => "not-finite",
            Self::DecimalComma => "decimal-comma",
            Self::WrongUnit => "wrong-unit",
            Self::UnknownWord => "unknown-word",
            Self::OldTimeStamp => "old-time-stamp",
        }
    }
}

/// What the broker answered to a command of ours.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BrokerSaid {
    /// Taken; says nothing about the plug.
    Accepted,
    /// No plug listens on the command topic: absent, or a typo.
    NobodyListens,
    /// Not allowed, or another refusal.
    Refused,
}

/// The asker's mark, given back in the answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct RequestId(pub u64);

/// New water, as far as its keeper measured it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NewWater {
    /// L; what the keeper usually changes, where the plan says that, if not given.
    pub litres: Option<f64>,
    /// psu.
    pub salinity: Option<f64>,
    /// °C.
    pub temperature: Option<f64>,
}

/// What the daemon learns and a person confirms.
#[derive(schemars::JsonSchema, Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Learned {
    /// What an output draws while it runs.
    Watts,
}

/// What a person does in a session of proof tests.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ProveAct {
    /// Begins one, or goes on with the one that stands.
    Begin,
    /// Is where the step wants them: it begins.
    Ready,
    /// Says yes to what is asked.
    Yes,
    /// Says no to what is asked.
    No,
    /// Leaves the step out.
    Skip,
    /// Goes away: what the step changed goes back, and the session waits at its beginning.
    Leave,
    /// Ends the session.
    Stop,
    /// Only looks.
    Show,
}

impl ProveAct {
    /// Each with its word.
    pub const WORDS: [(Self, &'static str); 8] = [
        (Self::Begin, "begin"),
        (Self::Ready, "ready"),
        (Self::Yes, "yes"),
        (Self::No, "no"),
        (Self::Skip, "skip"),
        (Self::Leave, "leave"),
        (Self::Stop, "stop"),
        (Self::Show, "show"),
    ];
}

/// What a person can ask of a tank. The same over command line, `ask` topic and HTTP.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Request {
    /// Begin a hold; joining one that stands already is the same hold.
    Hold {
        /// The procedure's name.
        procedure: String,
        /// For the care of probes: a probe, or a signal with all its probes.
        #[serde(default)]
        probe: Option<String>,
    },
    /// End a hold, if its release is permitted.
    Release {
        /// The procedure's name; the only one that stands, if not given.
        procedure: Option<String>,
    },
    /// What goes in at a water change; judged before the release.
    NewWater {
        /// L; what is usual, if not given.
        #[serde(default)]
        litres: Option<f64>,
        /// psu, where measured; what the mixing bin's probe says, if not given.
        #[serde(default)]
        salinity: Option<f64>,
        /// °C, where measured; as the salinity.
        #[serde(default)]
        temperature: Option<f64>,
        /// A person wants it although it changes much at once.
        #[serde(default)]
        confirm: bool,
    },
    /// A timed order to one output.
    Force {
        /// The output's name.
        output: String,
        /// On or off.
        to: Switch,
        /// For how long; 30 minutes (or the output's longest) if not given.
        #[serde(default)]
        lasting: Option<Span>,
    },
    /// End a force before its time.
    EndForce {
        /// The output's name.
        output: String,
    },
    /// Clear latched trips and latched alarms whose cause is gone.
    Reset {
        /// The interlock's name, or that of an alarm that latches; all latched ones, if not given.
        interlock: Option<String>,
    },
    /// Take what was learned as right: trips are judged by it from now on.
    Confirm {
        /// The output's name.
        output: String,
        /// What of it.
        what: Learned,
    },
    /// About a dosing pump: its calibration, its container, its plan.
    Dose {
        /// The output's name.
        pump: String,
        /// What.
        what: DoseAsk,
    },
    /// Set one interlock aside for a time.
    Bypass {
        /// The interlock's name.
        interlock: String,
        /// Why.
        reason: String,
        /// For how long; 2 h if not given.
        #[serde(default)]
        lasting: Option<Span>,
    },
    /// End a bypass before its time.
    EndBypass {
        /// The interlock's name.
        interlock: String,
    },
    /// Go through proof tests.
    Prove {
        /// What to do in it.
        act: ProveAct,
        /// For `begin`: only this, by the name of what is proven or of a check, or `all`; what is due, if not given.
        #[serde(default)]
        what: Option<String>,
        /// For `yes`: the digits of the test message.
        #[serde(default)]
        code: Option<u32>,
        /// Who signs.
        #[serde(default)]
        signed: Option<String>,
    },
    /// Acknowledge alarms.
    Acknowledge {
        /// The alarm's name; all, if not given.
        alarm: Option<String>,
    },
    /// Silence an alarm for a time.
    Shelve {
        /// The alarm's name.
        alarm: String,
        /// For how long; an hour, if not given.
        #[serde(default)]
        lasting: Option<Span>,
    },
    /// End that before its time.
    Unshelve {
        /// The alarm's name.
        alarm: String,
    },
    /// Silence an alarm until it is returned to service.
    OutOfService {
        /// The alarm's name.
        alarm: String,
        /// Why: it is shown for as long as that lasts.
        why: String,
    },
    /// Return an alarm to service.
    ReturnToService {
        /// The alarm's name.
        alarm: String,
    },
}

impl Request {
    /// The verbs, for an answer to an unknown one.
    pub const VERBS: [&'static str; 16] = [
        "hold",
        "release",
        "new-water",
        "force",
        "end-force",
        "reset",
        "confirm",
        "dose",
        "bypass",
        "end-bypass",
        "prove",
        "acknowledge",
        "shelve",
        "unshelve",
        "out-of-service",
        "return-to-service",
    ];

    /// A hold of this procedure.
    pub fn hold(procedure: &str) -> Self {
        Self::Hold { procedure: procedure.to_owned(), probe: None }
    }
}

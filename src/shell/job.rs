//! What others ask of the control thread, by a bounded channel. Control answers between messages.

use tokio::sync::oneshot;

use crate::config::Setup;
use crate::control::effect::Answer;
use crate::control::event::Request;
use crate::control::sentence::{Due, Lasts};
use crate::control::status::{Explanation, TankStatus};
use crate::wire::metrics::TankRecords;

use super::daemon_alarms::{DaemonAlarm, Standing};
use super::notify::letter::{ChannelState, TestResult};
use super::notify::message::Notification;

/// One question or order.
#[derive(Debug)]
pub enum Job {
    /// Which tanks there are.
    List(oneshot::Sender<TankList>),
    /// The status of some tanks, from a place on: few at a time, so that nobody waits long.
    Statuses {
        /// The first.
        from: usize,
        /// At most so many.
        count: usize,
        /// Fewer than asked: there are no more.
        reply: oneshot::Sender<Vec<(TankStatus, TankRecords)>>,
    },
    /// One tank's status.
    Status {
        /// Its name.
        tank: String,
        /// `None`: there is no such tank.
        reply: oneshot::Sender<Option<TankStatus>>,
    },
    /// Why an output is as it is.
    Explain {
        /// The tank's name.
        tank: String,
        /// The output's name.
        output: String,
        /// The answer, or what is known instead.
        reply: oneshot::Sender<Result<Explanation, NotFound>>,
    },
    /// A request to a tank; the core answers when it is proven or not.
    Ask {
        /// The tank's name.
        tank: String,
        /// Who asks.
        by: String,
        /// What.
        request: Request,
        /// `Err`: there is no such tank.
        reply: oneshot::Sender<Result<Answer, NotFound>>,
    },
    /// A new config, or why it was refused.
    Reload {
        /// What the files say.
        setup: Box<Result<Setup, String>>,
        /// Whether it was taken, and why not.
        reply: Option<oneshot::Sender<Result<(), String>>>,
    },
    /// People are to be told of what can wait: chores, supplies.
    Tell(Box<Notification>),
    /// How the channels are.
    Channels(oneshot::Sender<Vec<ChannelState>>),
    /// A try of one channel, or of all; the journal tells who asked.
    TestChannels {
        /// Which; `None`: all.
        channel: Option<String>,
        /// Who asks.
        by: String,
        /// What came back from each.
        reply: oneshot::Sender<Result<Vec<TestResult>, NotFound>>,
    },
    /// What the keeper's side knows of some tanks.
    Keeping(Vec<Keeping>),
    /// A line for the journal of the daemon itself.
    Noted {
        /// What it is about.
        subject: String,
        /// What happened.
        text: String,
    },
    /// An alarm of the daemon that another thread noticed: its text, or `None` when it is over.
    Noticed(DaemonAlarm, Option<String>),
}

/// What the keeper's side knows of a tank that its sentence says.
#[derive(Clone, Debug, PartialEq)]
pub struct Keeping {
    /// The tank's name.
    pub tank: String,
    /// What is used up, in whole days.
    pub supplies: Vec<Lasts>,
    /// What falls due.
    pub chores: Vec<Due>,
}

/// A name that is not there, and those that are.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NotFound {
    /// `tank`, `output` or `channel`.
    pub what: &'static str,
    /// The name.
    pub name: String,
    /// Those that are there.
    pub known: Vec<String>,
}

/// The tanks, and the daemon around them.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize)]
pub struct TankList {
    /// The one that a command without a tank means; `None`: it must be named.
    pub usual: Option<String>,
    /// All of them, in order.
    pub tanks: Vec<TankEntry>,
    /// What is wrong with the daemon itself.
    pub daemon_alarms: Vec<Standing>,
    /// Whether the broker session stands.
    pub broker: bool,
    /// Why the last reload was refused, if it was.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reload_refused: Option<String>,
    /// The daemon's version.
    pub version: &'static str,
}

/// One tank in a list.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize)]
pub struct TankEntry {
    /// Its name.
    pub tank: String,
    /// What people call it.
    pub title: String,
    /// Is everything all right? Left out where there are many tanks: ask each for its status.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sentence: Option<String>,
}

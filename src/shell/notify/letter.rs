//! What passes between control, the office and the ways: letters in, and what the office wants and shows.

use tokio::sync::oneshot;

use crate::config::channel::NotifySettings;
use crate::config::setup::BrokerSettings;
use crate::shell::job::NotFound;
use crate::time::Zone;

use super::daily::DailyTank;
use super::message::Notification;
use super::standing::{Key, Still};
use super::way::Report;

/// What the office is told.
#[derive(Debug)]
pub enum Letter {
    /// Something for people.
    Tell(Notification),
    /// What stands in the tanks, and whether it is acknowledged; at a start and after a reload.
    Stands(Vec<(Notification, bool)>),
    /// Whether an alarm still stands.
    Checked(Key, Still),
    /// What the daily word is made of: the tanks, and the daemon's own alarms.
    Daily(Vec<DailyTank>, usize),
    /// Other channels.
    Replace(Box<(NotifySettings, BrokerSettings, Zone)>),
    /// Somebody tries one channel, or all.
    Test(Option<String>, oneshot::Sender<Result<Vec<TestResult>, NotFound>>),
    /// An attempt is over.
    Carried(Report),
    /// The daemon ends.
    Stop,
}

/// What came back from one channel.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize)]
pub struct TestResult {
    /// Its name.
    pub channel: String,
    /// `webhook`, `mail` or `topic`.
    pub by: &'static str,
    /// Where it leads, without secrets.
    pub to: String,
    /// Whether it was delivered.
    pub delivered: bool,
    /// What the receiver said, or what is wrong.
    pub said: String,
    /// What to do.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fix: Option<String>,
    /// How long it took.
    pub seconds: f64,
}

/// How a channel is.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize)]
pub struct ChannelState {
    /// Its name.
    pub channel: String,
    /// `webhook`, `mail` or `topic`.
    pub by: &'static str,
    /// Where it leads, without secrets.
    pub to: String,
    /// How many wait.
    pub waiting: usize,
    /// What waits is late.
    pub late: bool,
    /// Why the last attempt failed; absent after one that did not.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub trouble: Option<String>,
}

/// What the office wants of control, and what it shows.
#[derive(Debug, Default)]
pub struct Wanted {
    /// Alarms of which it must know whether they still stand.
    pub checks: Vec<Key>,
    /// The daily word is due.
    pub daily: bool,
    /// Lines for the journal.
    pub lines: Vec<String>,
    /// A channel does not deliver.
    pub trouble: Option<String>,
    /// What waits cannot be written.
    pub disk: Option<String>,
    /// Nothing waits that was not tried.
    pub idle: bool,
    /// How the channels are.
    pub channels: Vec<ChannelState>,
}

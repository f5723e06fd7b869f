//! `shelve`, `unshelve`, `out-of-service`, `return-to-service`: alarms that a person silences for a while, and back.

use std::process::ExitCode;

use serde_json::{Value, json};

use crate::time::Span;

use super::ask::ask;
use super::client::Daemon;

/// Who asks and why, for the journal.
#[derive(Clone, Debug, Default, clap::Args)]
pub struct Said {
    /// Who you are, for the journal.
    #[arg(long, value_name = "NAME")]
    pub who: Option<String>,
    /// Why, for the journal.
    #[arg(long, value_name = "TEXT")]
    pub why: Option<String>,
}

impl Said {
    /// The request with both beside it.
    pub(super) fn with(&self, mut request: Value) -> Value {
        for (key, said) in [("who", &self.who), ("why", &self.why)] {
            if let Some(said) = said {
                request[key] = json!(said);
            }
        }
        request
    }
}

/// Silences an alarm for a time; an urgent one never.
#[derive(Debug, clap::Args)]
pub struct Shelve {
    /// The alarm.
    pub alarm: String,
    /// For how long, such as "2 h"; an hour if not given, 8 h at most for a high one and 24 h for others.
    #[arg(long = "for", value_name = "SPAN")]
    pub lasting: Option<Span>,
    /// Who asks and why.
    #[command(flatten)]
    pub said: Said,
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
}

/// Ends the shelving of an alarm before its time.
#[derive(Debug, clap::Args)]
pub struct Unshelve {
    /// The alarm.
    pub alarm: String,
    /// Who asks and why.
    #[command(flatten)]
    pub said: Said,
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
}

/// Silences an alarm until it is returned to service, with a reminder every day; an urgent one never.
#[derive(Debug, clap::Args)]
pub struct OutOfService {
    /// The alarm.
    pub alarm: String,
    /// Why: it is shown for as long as that lasts.
    #[arg(long, value_name = "TEXT")]
    pub why: String,
    /// Who you are, for the journal.
    #[arg(long, value_name = "NAME")]
    pub who: Option<String>,
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
}

/// Returns an alarm to service.
#[derive(Debug, clap::Args)]
pub struct ReturnToService {
    /// The alarm.
    pub alarm: String,
    /// Who asks and why.
    #[command(flatten)]
    pub said: Said,
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
}

impl Shelve {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        let lasting = self.lasting.map(|span| format!("{} ms", span.millis()));
        let request = json!({ "do": "shelve", "alarm": self.alarm, "lasting": lasting });
        ask(&self.daemon, &self.said.with(request))
    }
}

impl Unshelve {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        ask(&self.daemon, &self.said.with(json!({ "do": "unshelve", "alarm": self.alarm })))
    }
}

impl OutOfService {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        let said = Said { who: self.who.clone(), why: Some(self.why.clone()) };
        ask(&self.daemon, &said.with(json!({ "do": "out-of-service", "alarm": self.alarm })))
    }
}

impl ReturnToService {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        ask(&self.daemon, &self.said.with(json!({ "do": "return-to-service", "alarm": self.alarm })))
    }
}

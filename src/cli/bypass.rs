//! `slackwater bypass`: one interlock set aside for a time, with its reason, or that ended.

use std::process::ExitCode;

use serde_json::json;

use crate::time::Span;

use super::ask;
use super::client::Daemon;

/// Sets one interlock aside for a time, with its reason; it acts again by itself. None exists for a float, a heater's
/// cut-off, or what stops a hot plug.
#[derive(Debug, clap::Args)]
pub struct Bypass {
    /// The interlock.
    pub interlock: String,
    /// Why, in words: it stands in the journal, the status and the alarm.
    #[arg(long, value_name = "TEXT", required_unless_present = "end", conflicts_with = "end")]
    pub reason: Option<String>,
    /// For how long, such as "2 h"; 2 h if not given, 24 h at most.
    #[arg(long, value_name = "SPAN", conflicts_with = "end")]
    pub lasting: Option<Span>,
    /// Ends it before its time.
    #[arg(long)]
    pub end: bool,
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
}

impl Bypass {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        let request = if self.end {
            json!({ "do": "end-bypass", "interlock": self.interlock })
        } else {
            json!({
                "do": "bypass",
                "interlock": self.interlock,
                "reason": self.reason,
                "lasting": self.lasting.map(|span| format!("{} ms", span.millis())),
            })
        };
        ask::ask(&self.daemon, &request)
    }
}

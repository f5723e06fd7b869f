//! `slackwater alarms`: every alarm with its state, and what a month of them says of the alarms themselves.

use std::fmt::Write as _;
use std::process::ExitCode;

use serde_json::Value;

use super::alarms_report::Report;
use super::client::{Daemon, Failed, escaped};

/// Lists alarms with their state; `report` says what a month of them says of the alarms themselves.
#[derive(Debug, clap::Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct Alarms {
    /// Those that are normal too.
    #[arg(long)]
    pub all: bool,
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
    /// The report.
    #[command(subcommand)]
    pub what: Option<What>,
}

/// What else there is to see.
#[derive(Debug, clap::Subcommand)]
pub enum What {
    /// A month of alarms: how many, which, for how long, and which to mend.
    Report(Report),
}

impl Alarms {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        if let Some(What::Report(report)) = &self.what {
            return report.run();
        }
        match self.fetch() {
            Ok(status) if self.daemon.json => {
                let alarms: Vec<&Value> = listed(&status, self.all).collect();
                let shown = serde_json::json!({
                    "tank": status["tank"], "alarms": alarms, "alarm_load": status["alarm_load"],
                });
                println!("{shown:#}");
                ExitCode::SUCCESS
            }
            Ok(status) => {
                print!("{}", text(&status, self.all));
                ExitCode::SUCCESS
            }
            Err(failed) => failed.report(),
        }
    }

    fn fetch(&self) -> Result<Value, Failed> {
        let client = self.daemon.client()?;
        let tank = self.daemon.tank(&client)?;
        client.get(&format!("/api/v1/tanks/{}/status", escaped(&tank)))
    }
}

fn listed(status: &Value, all: bool) -> impl Iterator<Item = &Value> {
    status["alarms"].as_array().into_iter().flatten().filter(move |alarm| all || alarm["state"] != "NORM")
}

fn word(value: &Value) -> &str {
    value.as_str().unwrap_or("")
}

/// Every alarm on a line, what it says below it.
fn text(status: &Value, all: bool) -> String {
    let mut out = String::new();
    let alarms: Vec<&Value> = listed(status, all).collect();
    let of = status["alarms"].as_array().map_or(0, Vec::len);
    if alarms.is_empty() {
        let _ = writeln!(out, "{}: all {of} alarms are normal", word(&status["tank"]));
    }
    let width = alarms.iter().map(|alarm| word(&alarm["alarm"]).chars().count()).max().unwrap_or(0);
    for alarm in alarms {
        let line = format!(
            "{:5}  {:width$}  {:6}  {}",
            word(&alarm["state"]),
            word(&alarm["alarm"]),
            word(&alarm["priority"]),
            word(&alarm["text"])
        );
        let _ = writeln!(out, "{}", line.trim_end());
        for line in notes(alarm) {
            let _ = writeln!(out, "       {:width$}  {line}", "");
        }
    }
    if let Some(since) = status["alarm_load"]["flood_since"].as_i64() {
        let since = crate::time::Zone::UTC.show(crate::time::Wall::from_unix_millis(since));
        let _ = writeln!(out, "\nA flood of alarms since {since} UTC: begin with the most urgent one that was first.");
    }
    out
}

/// What there is to know of an alarm besides what it says.
pub(super) fn notes(alarm: &Value) -> Vec<String> {
    let mut notes = Vec::new();
    if let Some(why) = alarm["aside"]["why"].as_str() {
        let how = match word(&alarm["state"]) {
            "SHLVD" => "shelved ",
            "OOSRV" => "out of service ",
            _ => "suppressed by design: ",
        };
        let stands = if alarm["on"] == true { "; it STANDS meanwhile" } else { "" };
        notes.push(format!("{how}{why}{stands}"));
    }
    if let Some(head) = alarm["part_of"].as_str() {
        notes.push(format!("a consequence of {head}"));
    }
    let group: Vec<&str> = alarm["group"].as_array().into_iter().flatten().map(word).collect();
    if !group.is_empty() {
        notes.push(format!("with it: {}", group.join(", ")));
    }
    for nuisance in alarm["nuisance"].as_array().into_iter().flatten() {
        notes.push(match word(nuisance) {
            "chattering" => "it chatters: lengthen its `on_delay` or `off_delay`".to_owned(),
            _ => "it has stood for more than a day".to_owned(),
        });
    }
    if matches!(word(&alarm["state"]), "LTUNK" | "LTAKD") {
        notes.push(format!("its cause is gone; it latches: slackwater reset {}", word(&alarm["alarm"])));
    }
    notes
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn alarms_are_listed_with_what_silences_them_and_what_explains_them() {
        let status = json!({
            "tank": "lagoon",
            "alarms": [
                { "alarm": "flow-lost", "state": "UNACK", "priority": "high", "text": "no flow", "group": ["no-flow-trip"] },
                { "alarm": "no-flow-trip", "state": "UNACK", "priority": "medium", "text": "no flow for 20 s",
                  "part_of": "flow-lost", "nuisance": ["stale"] },
                { "alarm": "room-lost", "state": "OOSRV", "priority": "low", "text": "room: stale", "on": true,
                  "aside": { "why": "by Ana (command line): its battery is flat" } },
                { "alarm": "changeovers", "state": "NORM", "priority": "medium", "text": "" },
            ],
        });
        assert_eq!(
            text(&status, false),
            "UNACK  flow-lost     high    no flow\n                     with it: no-flow-trip\n\
             UNACK  no-flow-trip  medium  no flow for 20 s\n                     a consequence of flow-lost\n                     \
             it has stood for more than a day\n\
             OOSRV  room-lost     low     room: stale\n                     \
             out of service by Ana (command line): its battery is flat; it STANDS meanwhile\n"
        );
        assert!(text(&status, true).contains("NORM   changeovers   medium"));
        assert_eq!(text(&json!({ "tank": "lagoon", "alarms": [] }), false), "lagoon: all 0 alarms are normal\n");
    }
}

//! `slackwater check --away 2026-12-20..2027-01-03`: the look at the tank before a trip.

use std::process::ExitCode;

use crate::care::trip;
use crate::cli::client::Daemon;

use super::table::table;
use super::{facts, misuse, text};

/// Runs the audit for these days; exit code 1 where something is wanting.
pub fn run(daemon: &Daemon, days: &str) -> ExitCode {
    let (from, until) = match trip(days) {
        Ok(days) => days,
        Err(error) => return misuse(&error),
    };
    facts(daemon, &format!("audit?from={from}&until={until}"), |value| {
        let audit = &value["audit"];
        let mut rows = Vec::new();
        for finding in audit["findings"].as_array().into_iter().flatten() {
            let mark = match finding["fine"].as_bool() {
                Some(true) => "ok",
                Some(false) => "!",
                None => "?",
            };
            rows.push(vec![mark.to_owned(), text(&finding["about"]), text(&finding["says"])]);
            if let Some(fix) = finding["fix"].as_str() {
                rows.push(vec![String::new(), String::new(), format!("  {fix}")]);
            }
        }
        println!("{}: away from {from} until {until}", text(&value["tank"]));
        print!("{}", table(&rows));
        let wanting = audit["wanting"] == true;
        println!("{}", if wanting { "not everything is in order (!), or known to be (?)" } else { "all in order" });
        ExitCode::from(u8::from(wanting))
    })
}

//! `slackwater calc`: what a keeper works out on paper, with units in and units out.
//!
//! Duty: arguments into quantities, `water` does the science, [`report`] says it. Limits: no formula
//! here, no file, no network, no daemon. Exit codes: 0 done, 1 refused or found wanting, 2 misuse.

mod ask;
pub(super) mod by_json;
mod conductivity;
mod consumption;
mod convert;
mod dilute;
mod gravity;
mod heat;
mod light;
mod matching;
mod moment;
mod raise;
mod report;
mod salinity;
mod stock;

use std::process::ExitCode;

use clap::{Args, Subcommand};

pub(super) use ask::{Reading, reading};
use report::{Failure, Report};

/// The keeper's calculations; every value carries its unit, US units too.
#[derive(Debug, Args)]
pub(super) struct Calc {
    #[command(subcommand)]
    what: What,
    /// Prints JSON with plain keys that name quantity and unit.
    #[arg(long, global = true)]
    json: bool,
}

#[derive(Debug, Subcommand)]
enum What {
    Salinity(salinity::Salinity),
    Gravity(gravity::Gravity),
    Conductivity(conductivity::ConductivityAt),
    Match(Box<matching::Match>),
    Dilute(Box<dilute::Dilute>),
    Stock(stock::StockSolution),
    Raise(raise::Raise),
    Convert(convert::Convert),
    Consumption(Box<consumption::Used>),
    Light(Box<light::Light>),
    Heat(Box<heat::Heat>),
}

impl Calc {
    /// Runs the calculation and prints what it found.
    pub(super) fn run(&self) -> ExitCode {
        match self.found() {
            Ok(report) => {
                self.print(&report);
                ExitCode::from(u8::from(report.is_wanting()))
            }
            Err(Failure::Refused(message)) => self.refuse("refused", &message, 1),
            Err(Failure::Misuse(message)) => self.refuse("misuse", &message, 2),
        }
    }

    /// What the calculation found.
    fn found(&self) -> Result<Report, Failure> {
        match &self.what {
            What::Salinity(question) => question.run(),
            What::Gravity(question) => question.run(),
            What::Conductivity(question) => question.run(),
            What::Match(question) => question.run(),
            What::Dilute(question) => question.run(),
            What::Stock(question) => question.run(),
            What::Raise(question) => question.run(),
            What::Convert(question) => question.run(),
            What::Consumption(question) => question.run(),
            What::Light(question) => question.run(),
            What::Heat(question) => question.run(),
        }
    }

    fn print(&self, report: &Report) {
        let text = if self.json { report.json_output() + "\n" } else { report.text_output() };
        say(&mut std::io::stdout(), &text);
    }

    fn refuse(&self, kind: &str, message: &str, code: u8) -> ExitCode {
        if self.json {
            let answer = serde_json::json!({ kind: message });
            say(&mut std::io::stdout(), &format!("{answer:#}\n"));
        } else {
            say(&mut std::io::stderr(), &format!("error: {message}\n"));
        }
        ExitCode::from(code)
    }
}

/// Prints; a reader that has gone away (`| head`) is no error.
fn say(to: &mut dyn std::io::Write, text: &str) {
    _ = to.write_all(text.as_bytes());
}

//! `hold`, `release`, `force`, `reset`, `confirm`, `ack`: requests to the daemon, and what came of them.
//!
//! Exit code 0 only if it is done and proven as far as it can be; 1 if it was refused, or is not proven.

use std::fmt::Write as _;
use std::process::ExitCode;

use serde_json::{Value, json};

use crate::time::Span;

use super::client::{Client, Daemon, Failed, escaped};

/// Pauses outputs for maintenance: a named procedure with a deadline.
#[derive(Debug, clap::Args)]
pub struct Hold {
    /// The procedure, such as `water-change`; left out, the known ones are listed.
    pub procedure: Option<String>,
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
}

/// Ends a hold, if what must be true for it is true.
#[derive(Debug, clap::Args)]
pub struct Release {
    /// The procedure; the only one that stands if not given.
    pub procedure: Option<String>,
    /// How much new water goes in, such as "9 L": it is judged before anything starts.
    #[arg(long, value_name = "VOLUME")]
    pub litres: Option<String>,
    /// Its salinity, such as "35 psu"; `slackwater calc salinity` turns another instrument into it.
    #[arg(long, value_name = "SALINITY", requires = "litres")]
    pub salinity: Option<String>,
    /// Its temperature, such as "24.5 °C".
    #[arg(long, value_name = "TEMPERATURE", requires = "litres")]
    pub temperature: Option<String>,
    /// Releases although the new water changes much at once.
    #[arg(long, requires = "litres")]
    pub confirm: bool,
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
}

/// What an output is forced to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum To {
    /// On.
    On,
    /// Off.
    Off,
    /// Ends a force before its time.
    End,
}

/// Orders one output on or off for a time; trips, starts and holds have the last word.
#[derive(Debug, clap::Args)]
pub struct Force {
    /// The output.
    pub output: String,
    /// `on`, `off`, or `end` to end a force before its time.
    #[arg(value_enum)]
    pub to: To,
    /// For how long, such as "20 min"; 30 min, or the longest that the output allows, if not given.
    #[arg(long = "for", value_name = "SPAN")]
    pub lasting: Option<Span>,
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
}

/// Clears latched trips whose cause is gone.
#[derive(Debug, clap::Args)]
pub struct Reset {
    /// The interlock; all latched ones if not given.
    pub interlock: Option<String>,
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
}

/// What was learned of an output.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Learned {
    /// What it draws while it runs.
    Watts,
}

/// Takes what was learned of an output as right: trips are judged by it from then on.
#[derive(Debug, clap::Args)]
pub struct Confirm {
    /// The output.
    pub output: String,
    /// What of it.
    #[arg(value_enum)]
    pub what: Learned,
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
}

/// Acknowledges alarms.
#[derive(Debug, clap::Args)]
pub struct Acknowledge {
    /// The alarm; all if not given.
    pub alarm: Option<String>,
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
}

impl Hold {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        let Some(procedure) = &self.procedure else {
            return list_procedures(&self.daemon).unwrap_or_else(|failed| failed.report());
        };
        ask(&self.daemon, &json!({ "do": "hold", "procedure": procedure }))
    }
}

impl Release {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        if let Some(litres) = &self.litres {
            let new_water = json!({
                "do": "new-water",
                "litres": litres,
                "salinity": self.salinity,
                "temperature": self.temperature,
                "confirm": self.confirm,
            });
            match asked(&self.daemon, &new_water) {
                // What was not understood was not judged, and what is refused waits: nothing is released then.
                Ok((tank, answer)) if answer["outcome"] != "done" => return show(&self.daemon, &tank, &answer),
                Ok((tank, answer)) if !self.daemon.json => print!("{}", text(&tank, &answer)),
                Ok(_) => {}
                Err(failed) => return failed.report(),
            }
        }
        ask(&self.daemon, &json!({ "do": "release", "procedure": self.procedure }))
    }
}

impl Force {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        let request = match (self.to, self.lasting) {
            (To::End, Some(_)) => {
                eprintln!("error: `end` takes no `--for`");
                return ExitCode::from(2);
            }
            (To::End, None) => json!({ "do": "end-force", "output": self.output }),
            (to, lasting) => json!({
                "do": "force",
                "output": self.output,
                "to": if to == To::On { "on" } else { "off" },
                "lasting": lasting.map(|span| format!("{} ms", span.millis())),
            }),
        };
        ask(&self.daemon, &request)
    }
}

impl Reset {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        ask(&self.daemon, &json!({ "do": "reset", "interlock": self.interlock }))
    }
}

impl Confirm {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        let what = match self.what {
            Learned::Watts => "watts",
        };
        ask(&self.daemon, &json!({ "do": "confirm", "output": self.output, "what": what }))
    }
}

impl Acknowledge {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        ask(&self.daemon, &json!({ "do": "acknowledge", "alarm": self.alarm }))
    }
}

fn list_procedures(daemon: &Daemon) -> Result<ExitCode, Failed> {
    let client = daemon.client()?;
    let tank = daemon.tank(&client)?;
    let status = client.get(&format!("/api/v1/tanks/{}/status", escaped(&tank)))?;
    let names: Vec<_> = status["holds"].as_array().into_iter().flatten().filter_map(|h| h["hold"].as_str()).collect();
    eprintln!("name a procedure; nothing was done\n  {tank} knows: {}", names.join(", "));
    Ok(ExitCode::from(1))
}

fn ask(daemon: &Daemon, request: &Value) -> ExitCode {
    match asked(daemon, request) {
        Ok((tank, answer)) => show(daemon, &tank, &answer),
        Err(failed) => failed.report(),
    }
}

/// Prints an answer; the exit code says whether it was done.
fn show(daemon: &Daemon, tank: &str, answer: &Value) -> ExitCode {
    if daemon.json {
        let mut answer = answer.clone();
        answer["tank"] = json!(tank);
        println!("{answer:#}");
    } else {
        print!("{}", text(tank, answer));
    }
    ExitCode::from(u8::from(answer["outcome"] != "done"))
}

fn asked(daemon: &Daemon, request: &Value) -> Result<(String, Value), Failed> {
    let client: Client = daemon.client()?;
    let tank = daemon.tank(&client)?;
    let answer = client.ask(&tank, request)?;
    Ok((tank, answer))
}

/// An answer as a person reads it: what came of it, each detail, and what to mind.
fn text(tank: &str, answer: &Value) -> String {
    let mut out = String::new();
    let summary = answer["summary"].as_str().unwrap_or_default();
    let mark = match answer["outcome"].as_str() {
        Some("done") => "",
        Some("not-proven") => "NOT PROVEN: ",
        Some("refused") => "refused: ",
        _ => "not understood: ",
    };
    let _ = writeln!(out, "{tank}: {mark}{summary}");
    for detail in answer["details"].as_array().into_iter().flatten().filter_map(Value::as_str) {
        let _ = writeln!(out, "  {detail}");
    }
    if let Some(caution) = answer["caution"].as_str() {
        let _ = writeln!(out, "\ncaution: {caution}");
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_answer_shows_what_is_not_proven_and_what_to_mind() {
        let answer = json!({
            "outcome": "not-proven",
            "summary": "hold water-change has begun, until 15:04; NOT every pause is proven",
            "details": ["heater: off, proven 0 s ago", "skimmer: told off, and it does not report"],
            "caution": "a hold is not isolation: pull the plug before hands go near it",
        });
        assert_eq!(
            text("lagoon", &answer),
            "lagoon: NOT PROVEN: hold water-change has begun, until 15:04; NOT every pause is proven\n  \
             heater: off, proven 0 s ago\n  skimmer: told off, and it does not report\n\n\
             caution: a hold is not isolation: pull the plug before hands go near it\n"
        );
    }
}

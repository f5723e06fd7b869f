//! `hold`, `release`, `force`, `reset`, `confirm`, `ack`: requests to the daemon, and what came of them.
//!
//! Exit code 0 only if it is done and proven as far as it can be; 1 if it was refused, or is not proven.

use std::fmt::Write as _;
use std::process::ExitCode;

use serde_json::{Value, json};

use crate::time::Span;
use crate::units::Temperature;

use super::calc::{self, Reading};
use super::client::{Client, Daemon, Failed, escaped};
use super::set_aside::Said;

/// Pauses outputs for maintenance: a named procedure with a deadline.
#[derive(Debug, clap::Args)]
pub struct Hold {
    /// The procedure, such as `water-change`; left out, the known ones are listed.
    pub procedure: Option<String>,
    /// For `probe-care`: the probe that is taken in hand, or a signal with all its probes.
    pub probe: Option<String>,
    /// Asks all tanks at once.
    #[arg(long, conflicts_with = "tank")]
    pub all: bool,
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
}

/// Ends a hold, if what must be true for it is true.
#[derive(Debug, clap::Args)]
pub struct Release {
    /// The procedure; the only one that stands if not given.
    pub procedure: Option<String>,
    /// How much new water goes in, such as "9 L": it is judged before anything starts, by what the mixing bin's
    /// probes said, or by what is given here.
    #[arg(long, value_name = "VOLUME")]
    pub litres: Option<String>,
    /// Its salinity as your instrument says it, such as "35 psu", "1.0264 sg 25/25" or "53 mS/cm".
    #[arg(long, value_name = "SALINITY", requires = "litres", value_parser = calc::reading)]
    pub salinity: Option<Reading>,
    /// Its temperature, such as "24.5 °C".
    #[arg(long, value_name = "TEMPERATURE", requires = "litres")]
    pub temperature: Option<Temperature>,
    /// Releases although the new water changes much at once.
    #[arg(long, requires = "litres")]
    pub confirm: bool,
    /// Asks all tanks at once.
    #[arg(long, conflicts_with_all = ["tank", "litres"])]
    pub all: bool,
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

/// Clears latched trips and latched alarms whose cause is gone.
#[derive(Debug, clap::Args)]
pub struct Reset {
    /// The interlock, or the alarm that latches; all latched ones if not given.
    pub interlock: Option<String>,
    /// Who asks and why.
    #[command(flatten)]
    pub said: Said,
    /// Asks all tanks at once.
    #[arg(long, conflicts_with = "tank")]
    pub all: bool,
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
    /// Who asks and why.
    #[command(flatten)]
    pub said: Said,
    /// Asks all tanks at once.
    #[arg(long, conflicts_with = "tank")]
    pub all: bool,
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
        ask_one_or_all(self.all, &self.daemon, &json!({ "do": "hold", "procedure": procedure, "probe": self.probe }))
    }
}

impl Release {
    /// The new water's salinity on the practical scale, whatever instrument read it.
    fn psu(&self) -> Result<Option<f64>, String> {
        let Some(reading) = self.salinity else { return Ok(None) };
        let needs_temperature = matches!(reading, Reading::Conductivity(_) | Reading::Refraction(_));
        if needs_temperature && self.temperature.is_none() {
            return Err("this reading depends on the water's temperature\n  give `--temperature` too".to_owned());
        }
        let temperature = self.temperature.map_or_else(|| Temperature::from_celsius(25.0), Ok);
        let salinity = temperature.map_err(|error| error.to_string())?;
        reading.salinity(salinity).map(|marked| Some(marked.value.psu())).map_err(|error| error.to_string())
    }

    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        if let Some(litres) = &self.litres {
            let salinity = match self.psu() {
                Ok(salinity) => salinity,
                Err(why) => {
                    eprintln!("error: {why}");
                    return ExitCode::from(2);
                }
            };
            let new_water = json!({
                "do": "new-water",
                "litres": litres,
                "salinity": salinity.map(|psu| format!("{psu} psu")),
                "temperature": self.temperature.map(|is| format!("{} °C", is.celsius())),
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
        ask_one_or_all(self.all, &self.daemon, &json!({ "do": "release", "procedure": self.procedure }))
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
        ask_one_or_all(self.all, &self.daemon, &self.said.with(json!({ "do": "reset", "interlock": self.interlock })))
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
        ask_one_or_all(self.all, &self.daemon, &self.said.with(json!({ "do": "acknowledge", "alarm": self.alarm })))
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

pub(super) fn ask(daemon: &Daemon, request: &Value) -> ExitCode {
    match asked(daemon, request) {
        Ok((tank, answer)) => show(daemon, &tank, &answer),
        Err(failed) => failed.report(),
    }
}

fn ask_one_or_all(all: bool, daemon: &Daemon, request: &Value) -> ExitCode {
    if !all {
        return ask(daemon, request);
    }
    match daemon.client().and_then(|client| client.ask_all(request)) {
        Ok(answers) if answers["tanks"].is_array() => show_all(daemon, &answers),
        // Refused before any tank heard of it.
        Ok(answer) => show(daemon, "all tanks", &answer),
        Err(failed) => failed.report(),
    }
}

/// Prints the answers of all tanks; the exit code says whether it was done everywhere.
fn show_all(daemon: &Daemon, answers: &Value) -> ExitCode {
    if daemon.json {
        println!("{answers:#}");
    } else {
        print!("{}", text_of_all(answers));
    }
    ExitCode::from(u8::from(answers["outcome"] != "done"))
}

/// Each tank's answer, and each caution once.
fn text_of_all(answers: &Value) -> String {
    let mut out = String::new();
    let mut cautions: Vec<String> = Vec::new();
    for answer in answers["tanks"].as_array().into_iter().flatten() {
        let mut answer = answer.clone();
        let caution = answer["caution"].take();
        out += &text(answer["tank"].as_str().unwrap_or_default(), &answer);
        cautions.extend(caution.as_str().map(str::to_owned));
    }
    cautions.dedup();
    for caution in cautions {
        let _ = writeln!(out, "\ncaution: {caution}");
    }
    out
}

/// Prints an answer; the exit code says whether it was done.
pub(super) fn show(daemon: &Daemon, tank: &str, answer: &Value) -> ExitCode {
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
    fn the_answers_of_all_tanks_say_each_caution_once() {
        let of = |tank: &str| json!({ "tank": tank, "outcome": "done", "summary": "held", "caution": "pull the plug" });
        let text = text_of_all(&json!({ "outcome": "done", "tanks": [of("lagoon"), of("quarantine")] }));
        assert_eq!(text, "lagoon: held\nquarantine: held\n\ncaution: pull the plug\n");
    }

    #[test]
    fn new_water_is_told_as_the_instrument_says_it() {
        let release = |arguments: &[&str]| {
            #[derive(clap::Parser)]
            struct Line {
                #[command(flatten)]
                release: Release,
            }
            let words = ["release", "--litres", "9 L"].iter().chain(arguments);
            <Line as clap::Parser>::try_parse_from(words).map(|line| line.release.psu())
        };
        // The same water by two instruments; the numbers are those of `slackwater calc salinity`, tested there.
        let by_scale = release(&["--salinity", "35 psu"]).unwrap().unwrap().unwrap();
        let by_density = release(&["--salinity", "1.0264 sg 25/25"]).unwrap().unwrap().unwrap();
        assert!((by_scale - 35.0).abs() < 1e-9 && (by_density - 35.0).abs() < 0.1, "{by_density}");
        assert!(release(&["--salinity", "53 mS/cm"]).unwrap().unwrap_err().contains("--temperature"));
        assert!(release(&["--salinity", "53 mS/cm", "--temperature", "25 °C"]).unwrap().is_ok());
        assert!(release(&["--salinity", "1.0264"]).is_err(), "a bare gravity is asked about");
    }

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

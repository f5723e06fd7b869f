//! `slackwater export`: readings and days of a range, as CSV or JSON, on the standard output.
//!
//! Readings come as they are kept: a minute's least, mean and greatest for 14 days, ten minutes' for 400
//! days, an hour's before. They are asked of the daemon in pieces and printed as they come, so that ten
//! years need no memory.

use std::io::{self, Write};
use std::process::ExitCode;

use serde_json::Value;

use crate::time::{Wall, Zone};

use super::client::{Client, Daemon, Failed, escaped};

/// Prints what the daemon wrote down: readings and daily steadiness of a range.
#[derive(Debug, clap::Args)]
pub struct Export {
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
    /// From when on: a local date such as `2026-06-01`, or RFC 3339.
    #[arg(long, value_name = "TIME")]
    pub from: String,
    /// Until when; a date counts whole. Now, if not given.
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
    /// Only this signal; may be given several times. All, if not given.
    #[arg(long = "signal", value_name = "SIGNAL")]
    pub signals: Vec<String>,
    /// What to print.
    #[arg(long, value_enum, default_value_t = What::Readings)]
    pub what: What,
    /// How to print it; `--json` is the same as `--format json`.
    #[arg(long, value_enum, default_value_t = Format::Csv)]
    pub format: Format,
}

/// What is printed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum What {
    /// Buckets of readings.
    Readings,
    /// Completed local days.
    Days,
}

/// How.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    /// A head, then one line a row.
    Csv,
    /// One JSON object a line.
    Json,
}

const READINGS: [&str; 9] = ["tank", "signal", "unit", "time", "unix_seconds", "least", "mean", "greatest", "count"];
const DAYS: [&str; 17] = [
    "tank",
    "signal",
    "unit",
    "date",
    "begins_unix_seconds",
    "ends_unix_seconds",
    "known_seconds",
    "mean",
    "standard_deviation",
    "least",
    "greatest",
    "band_low",
    "band_high",
    "seconds_in_band",
    "seconds_below",
    "seconds_above",
    "degree_heating_weeks",
];

impl Export {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        match self.print(&mut io::BufWriter::new(io::stdout().lock())) {
            Ok(Ok(())) => ExitCode::SUCCESS,
            Ok(Err(failed)) => failed.report(),
            // Whoever reads has heard enough.
            Err(error) if error.kind() == io::ErrorKind::BrokenPipe => ExitCode::SUCCESS,
            Err(error) => {
                eprintln!("error: the standard output: {error}");
                ExitCode::from(1)
            }
        }
    }

    fn print(&self, out: &mut impl Write) -> io::Result<Result<(), Failed>> {
        let (client, tank, signals) = match self.ask() {
            Ok(asked) => asked,
            Err(failed) => return Ok(Err(failed)),
        };
        if !self.is_json() {
            let head: &[&str] = if self.what == What::Readings { &READINGS } else { &DAYS };
            writeln!(out, "{}", head.join(","))?;
        }
        for signal in &signals {
            if let Err(failed) = self.signal(out, &client, &tank, signal)? {
                out.flush()?;
                return Ok(Err(failed));
            }
        }
        out.flush()?;
        Ok(Ok(()))
    }

    fn is_json(&self) -> bool {
        self.daemon.json || self.format == Format::Json
    }

    fn ask(&self) -> Result<(Client, String, Vec<String>), Failed> {
        let client = self.daemon.client()?;
        let tank = self.daemon.tank(&client)?;
        if !self.signals.is_empty() {
            return Ok((client, tank, self.signals.clone()));
        }
        let status = client.get(&format!("/api/v1/tanks/{}/status", escaped(&tank)))?;
        let all = status["signals"].as_array().into_iter().flatten();
        let wanted = all.filter(|signal| self.what == What::Readings || signal["measures"] != "contact");
        let names = wanted.filter_map(|signal| signal["signal"].as_str()).map(str::to_owned).collect();
        Ok((client, tank, names))
    }

    /// One signal, piece by piece.
    fn signal(&self, out: &mut impl Write, client: &Client, tank: &str, name: &str) -> io::Result<Result<(), Failed>> {
        let what = if self.what == What::Readings { "readings" } else { "days" };
        let to = self.to.as_ref().map(|to| format!("&to={}", escaped(to))).unwrap_or_default();
        let mut from = escaped(&self.from);
        loop {
            let path = format!("/api/v1/tanks/{}/{what}?signal={}&from={from}{to}", escaped(tank), escaped(name));
            let page = match client.get(&path) {
                Ok(page) => page,
                // Of one among all there may be nothing yet.
                Err(Failed::Refused(text)) if self.signals.is_empty() && text.contains("nothing is written down") => {
                    return Ok(Ok(()));
                }
                Err(failed) => return Ok(Err(failed)),
            };
            for row in page["rows"].as_array().into_iter().flatten() {
                self.row(out, &page, row)?;
            }
            match page["next"].as_i64() {
                Some(next) => from = next.to_string(),
                None => return Ok(Ok(())),
            }
        }
    }

    fn row(&self, out: &mut impl Write, page: &Value, row: &Value) -> io::Result<()> {
        let of = ["tank", "signal", "unit"].map(|key| page[key].clone());
        let zone: Zone = page["zone"].as_str().and_then(|zone| zone.parse().ok()).unwrap_or(Zone::UTC);
        let fields: Vec<Value> = if self.what == What::Readings {
            let at = row["at"].as_i64().unwrap_or_default();
            let time = zone.rfc3339(Wall::from_unix_millis(at * 1000));
            let rest = ["at", "least", "mean", "greatest", "count"].map(|key| row[key].clone());
            of.into_iter().chain([time.into()]).chain(rest).collect()
        } else {
            let seconds = |key: &str| row[key].as_i64().map_or(Value::Null, |millis| (millis / 1000).into());
            let first = [row["date"].clone(), seconds("from"), seconds("until")];
            let middle = ["covered", "mean", "sd", "least", "greatest"].map(|key| row[key].clone());
            let band = ["low", "high", "inside", "below", "above"].map(|key| row["band"][key].clone());
            let rest = middle.into_iter().chain(band).chain([row["heating_weeks"].clone()]);
            of.into_iter().chain(first).chain(rest).collect()
        };
        if self.is_json() {
            let head: &[&str] = if self.what == What::Readings { &READINGS } else { &DAYS };
            let object: serde_json::Map<String, Value> = head.iter().map(|key| (*key).to_owned()).zip(fields).collect();
            return writeln!(out, "{}", Value::Object(object));
        }
        let fields: Vec<String> = fields.iter().map(field).collect();
        writeln!(out, "{}", fields.join(","))
    }
}

/// A field of CSV (RFC 4180); what is not known is empty.
fn field(value: &Value) -> String {
    let text = match value {
        Value::Null => String::new(),
        Value::String(text) => text.clone(),
        other => other.to_string(),
    };
    if text.contains([',', '"', '\n', '\r']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_field_is_quoted_only_where_it_must_be() {
        assert_eq!(field(&Value::from("°C")), "°C");
        assert_eq!(field(&Value::from("a,\"b\"")), "\"a,\"\"b\"\"\"");
        assert_eq!(field(&Value::Null), "");
        assert_eq!(field(&Value::from(25.25)), "25.25");
    }
}

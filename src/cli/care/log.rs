//! `slackwater log`: what was measured and done, noted, corrected, shown, drawn, taken out and in.

use std::fmt::Write as _;
use std::io::{Read as _, Write as IoWrite};
use std::process::ExitCode;

use serde_json::{Value, json};

use crate::cli::client::Daemon;
use crate::time::{Wall, Zone};

use super::plot::plot;
use super::table::table;
use super::{ask, facts, misuse, text, texts};

/// Notes what was measured or done, and shows it.
///
/// `log alkalinity 8.1 dKH`, `log salinity "1.0264 sg 25/25" --by refractometer`, `log ppfd 180 PAR --at rock-left`,
/// `log event "cleaned the skimmer"`, `log water-change 9 L`, `log dose alkalinity 12 mL`, `log use salt 340 g`,
/// `log left reservoir 4 L`, `log light "blue to 60 %"`; anything else that you name is a quantity with its unit.
/// `log` alone shows the last 30 days, `log show alkalinity --plot` one series. `log correct 12 8.3 dKH` and
/// `log delete 12` keep the history. `log export` and `log import FILE` speak CSV. `log away 2026-12-20..2027-01-03`.
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Log {
    /// What, and its value with a unit; or one of the words above.
    #[arg(value_name = "WHAT", allow_negative_numbers = true)]
    pub words: Vec<String>,
    /// When it was, such as "yesterday 18:30", "2026-03-01 18:00" or "3 h ago"; now if not given.
    #[arg(long, value_name = "MOMENT")]
    pub when: Option<String>,
    /// The instrument or test.
    #[arg(long, value_name = "INSTRUMENT")]
    pub by: Option<String>,
    /// The spot, for light.
    #[arg(long, value_name = "SPOT")]
    pub at: Option<String>,
    /// The water's temperature, for a conductivity or a refraction.
    #[arg(long, value_name = "TEMPERATURE")]
    pub temperature: Option<String>,
    /// A remark; for a correction or a deletion, why.
    #[arg(long, value_name = "TEXT")]
    pub note: Option<String>,
    /// Shows so many days.
    #[arg(long, value_name = "DAYS")]
    pub days: Option<u32>,
    /// Shows deleted entries, corrections and what the daemon noted for itself too.
    #[arg(long)]
    pub all: bool,
    /// Draws the series.
    #[arg(long)]
    pub plot: bool,
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
}

/// Words that name no quantity.
const RESERVED: [&str; 12] =
    ["show", "export", "import", "event", "light", "away", "water-change", "dose", "use", "left", "correct", "delete"];

impl Log {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        let words: Vec<&str> = self.words.iter().map(String::as_str).collect();
        let when = &self.when;
        let rest = |from: usize| words.get(from..).unwrap_or_default().join(" ");
        let note = |request: Value| {
            let mut request = request;
            request["when"] = json!(when);
            ask(&self.daemon, "log", request)
        };
        let supply = |what: &str| match words.as_slice() {
            [_, supply, _, ..] => note(json!({ "do": what, "supply": supply, "amount": rest(2) })),
            _ => misuse(&format!("`log {}` wants a name and an amount, such as `log {0} alkalinity 12 mL`", words[0])),
        };
        match words.as_slice() {
            [] | ["show"] => self.show(None),
            ["show", name] => self.show(Some(name)),
            ["export", ..] => self.export(words.get(1).copied()),
            ["import", file] => self.import(file),
            ["event", _, ..] => note(json!({ "do": "event", "text": rest(1) })),
            ["light", _, ..] => note(json!({ "do": "light-changed", "text": rest(1) })),
            ["away", days] => note(json!({ "do": "away", "days": days })),
            ["water-change", _, ..] => note(json!({ "do": "water-change", "amount": rest(1) })),
            ["dose", ..] => supply("dose"),
            ["use", ..] => supply("use"),
            ["left", ..] => supply("left"),
            ["correct", id, ..] | ["delete", id] => {
                let Ok(number) = id.trim_start_matches('#').parse::<u64>() else {
                    return misuse(&format!("`{id}` is not the number of an entry; `slackwater log` shows them"));
                };
                let value = Some(rest(2)).filter(|value| !value.is_empty());
                match words[0] {
                    "delete" => note(json!({ "do": "delete", "id": number, "why": self.note })),
                    _ => note(json!({ "do": "correct", "id": number, "value": value, "why": self.note })),
                }
            }
            [word, ..] if RESERVED.contains(word) => {
                misuse(&format!("`log {word}` is written otherwise; see `slackwater log --help`"))
            }
            [only] => misuse(&format!(
                "`log {only}` wants more: a value with its unit, such as `log alkalinity 8.1 dKH`, or `log show {only}`"
            )),
            [quantity, ..] => note(json!({
                "do": "measure", "quantity": quantity, "value": rest(1), "with": self.by, "spot": self.at,
                "temperature": self.temperature, "note": self.note,
            })),
        }
    }

    fn show(&self, name: Option<&str>) -> ExitCode {
        let days = self.days.or((name.is_none() && !self.all).then_some(30));
        let days = days.map(|days| format!("&days={days}")).unwrap_or_default();
        let name = name.map(|name| format!("&name={}", crate::cli::client::escaped(name))).unwrap_or_default();
        facts(&self.daemon, &format!("log?all={}{days}{name}", self.all), |value| {
            print!("{}", if self.plot { drawn(value) } else { shown(value) });
            ExitCode::SUCCESS
        })
    }

    fn export(&self, file: Option<&str>) -> ExitCode {
        let got = || {
            let client = self.daemon.client()?;
            let tank = self.daemon.tank(&client)?;
            client.get_text(&format!("/api/v1/tanks/{}/log/export", crate::cli::client::escaped(&tank)))
        };
        let csv = match got() {
            Ok(csv) => csv,
            Err(failed) => return failed.report(),
        };
        let written = match file {
            Some(file) if file != "-" => std::fs::write(file, csv),
            _ => IoWrite::write_all(&mut std::io::stdout(), csv.as_bytes()),
        };
        match written {
            Ok(()) => ExitCode::SUCCESS,
            Err(error) => {
                eprintln!("error: the file cannot be written: {error}");
                ExitCode::from(1)
            }
        }
    }

    fn import(&self, file: &str) -> ExitCode {
        let mut csv = String::new();
        let read = match file {
            "-" => std::io::stdin().read_to_string(&mut csv).map(|_| ()),
            _ => std::fs::read_to_string(file).map(|text| csv = text),
        };
        match read {
            Ok(()) => ask(&self.daemon, "log", json!({ "do": "import", "csv": csv })),
            Err(error) => misuse(&format!("`{file}` cannot be read: {error}")),
        }
    }
}

fn shown(value: &Value) -> String {
    let mut rows = vec![["no.", "when", "what", "by"].map(str::to_owned).to_vec()];
    for entry in value["entries"].as_array().into_iter().flatten() {
        let mark = match (entry["deleted"] == true, texts(&entry["history"]).is_empty()) {
            (true, _) => " (deleted)",
            (false, false) => " (corrected)",
            _ => "",
        };
        let says = text(&entry["says"]).replace('\n', " ");
        rows.push(vec![entry["id"].to_string(), text(&entry["local"]), says + mark, text(&entry["by"])]);
        rows.extend(
            texts(&entry["history"]).into_iter().map(|line| vec![String::new(), String::new(), format!("  {line}")]),
        );
    }
    if rows.len() == 1 {
        return "nothing was noted in that time\n".to_owned();
    }
    let mut out = table(&rows);
    for probe in value["probes"].as_array().into_iter().flatten() {
        let _ = writeln!(
            out,
            "\nprobe {} against your {}: {}",
            text(&probe["signal"]),
            text(&probe["quantity"]),
            text(&probe["advice"])
        );
    }
    out
}

fn drawn(value: &Value) -> String {
    let zone: Zone = value["zone"].as_str().and_then(|zone| zone.parse().ok()).unwrap_or(Zone::UTC);
    let mut series: Vec<(String, Vec<(Wall, f64)>)> = Vec::new();
    for entry in value["entries"].as_array().into_iter().flatten() {
        let (Some(at), Some(number)) = (entry["at"].as_i64(), entry["value"].as_f64()) else { continue };
        if entry["kind"] == "water-change" {
            continue;
        }
        let spot = entry["spot"].as_str().map_or_else(String::new, |spot| format!(" at {spot}"));
        let title = format!("{}{spot}, {}", text(&entry["name"]), text(&entry["unit"]));
        let point = (Wall::from_unix_millis(at), number);
        match series.iter_mut().find(|(known, _)| *known == title) {
            Some((_, points)) => points.push(point),
            None => series.push((title, vec![point])),
        }
    }
    if series.is_empty() {
        return "there is nothing to draw\n".to_owned();
    }
    let draw = |(title, points): &(String, Vec<(Wall, f64)>)| {
        format!("{}\n{}", title.trim_end_matches(", "), plot(points, zone))
    };
    series.iter().map(draw).collect()
}

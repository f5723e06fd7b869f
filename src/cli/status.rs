//! `slackwater status`: is everything all right, and if not, what.

use std::fmt::Write as _;
use std::process::ExitCode;

use serde_json::Value;

use crate::control::AlarmState;
use crate::time::Span;

use super::alarms::notes;
use super::client::{Daemon, Failed, escaped};
use super::steadiness;

/// Shows what a tank looks like now.
#[derive(Debug, clap::Args)]
pub struct Status {
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
    /// Shows how steady the last 14 days were, instead of what is now.
    #[arg(long)]
    pub stability: bool,
}

impl Status {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        if self.stability {
            return self.show_stability();
        }
        match self.fetch() {
            Ok((list, status)) => {
                if self.daemon.json {
                    println!("{status:#}");
                } else {
                    print!("{}{}", trouble(&list), text(&status));
                }
                ExitCode::SUCCESS
            }
            Err(failed) => failed.report(),
        }
    }

    fn show_stability(&self) -> ExitCode {
        let days = self.daemon.client().and_then(|client| {
            let tank = self.daemon.tank(&client)?;
            let status = client.get(&format!("/api/v1/tanks/{}/status", escaped(&tank)))?;
            steadiness::fetch(&client, &tank, &status).map(|days| (status, days))
        });
        match days {
            Ok((_, days)) if self.daemon.json => println!("{:#}", Value::from(days)),
            Ok((status, days)) => {
                let name = format!("{} ({})", word(&status["title"]), word(&status["tank"]));
                print!("{name}: how steady the last days were\n{}", steadiness::text(&days));
            }
            Err(failed) => return failed.report(),
        }
        ExitCode::SUCCESS
    }

    fn fetch(&self) -> Result<(Value, Value), Failed> {
        let client = self.daemon.client()?;
        let tank = self.daemon.tank(&client)?;
        let list = client.get("/api/v1/tanks")?;
        let status = client.get(&format!("/api/v1/tanks/{}/status", escaped(&tank)))?;
        Ok((list, status))
    }
}

/// What is wrong with the daemon itself comes first.
fn trouble(list: &Value) -> String {
    let mut out = String::new();
    for alarm in each(&list["daemon_alarms"]) {
        let _ = writeln!(
            out,
            "daemon: {}: {}\n  {}\n  {}",
            word(&alarm["alarm"]),
            word(&alarm["text"]),
            word(&alarm["consequence"]),
            word(&alarm["action"])
        );
    }
    if !out.is_empty() {
        out.push('\n');
    }
    out
}

fn each(list: &Value) -> impl Iterator<Item = &Value> {
    list.as_array().into_iter().flatten()
}

fn word(value: &Value) -> &str {
    value.as_str().unwrap_or("")
}

/// A status as a person reads it: the sentence, what is out of the ordinary, then everything.
fn text(status: &Value) -> String {
    let mut out = String::new();
    let _ = writeln!(out, "{} ({}): {}", word(&status["title"]), word(&status["tank"]), word(&status["sentence"]));
    if status["broker"] == Value::Bool(false) {
        let _ = writeln!(out, "  the broker is not connected: what follows is what was last known");
    }
    alarms(&mut out, status);
    let shown = |hold: &&Value| hold["active"] == true || each(&hold["starting"]).next().is_some();
    section(&mut out, "holds", each(&status["holds"]).filter(shown), |hold| {
        if hold["active"] != true {
            let waiting: Vec<_> = each(&hold["starting"]).map(word).collect();
            return (word(&hold["hold"]), format!("released; still to start\n{}", waiting.join("\n")));
        }
        let overdue = if hold["overdue"] == true { "OVERDUE, " } else { "" };
        let pauses: Vec<_> =
            each(&hold["pauses"]).chain(each(&hold["probes"])).chain([&hold["new_water"]]).map(word).collect();
        (word(&hold["hold"]), format!("{overdue}begun by {}\n{}", word(&hold["by"]), pauses.join("\n")))
    });
    let tripped = |interlock: &&Value| interlock["state"] != "armed";
    section(&mut out, "interlocks", each(&status["interlocks"]).filter(tripped), |interlock| {
        let state = match word(&interlock["state"]) {
            "unknown" => "armed, but its cause cannot be seen",
            state => state,
        };
        let bypass = &interlock["bypass"];
        if bypass.is_object() {
            let trips = if bypass["cause_stands"] == true { "\nits cause stands: it would trip" } else { "" };
            let text = format!("{state} by {}: {}{trips}", word(&bypass["by"]), word(&bypass["reason"]));
            return (word(&interlock["interlock"]), text);
        }
        let cause = interlock["cause"].as_str().map(|cause| format!(": {cause}")).unwrap_or_default();
        (word(&interlock["interlock"]), format!("{state}{cause}"))
    });
    section(&mut out, "readings", each(&status["signals"]), |signal| {
        let age = signal["age"].as_u64().map(|age| format!(", {} ago", whole_seconds(age))).unwrap_or_default();
        let good = signal["quality"] == "good";
        let age = if good { age } else { String::new() };
        let name = word(&signal["signal"]);
        let text = word(&signal["text"]);
        // Its name stands in front of the line already.
        let text = text.strip_prefix(name).and_then(|rest| rest.strip_prefix(" is ")).unwrap_or(text);
        (name, format!("{text}{age}"))
    });
    section(&mut out, "outputs", each(&status["outputs"]), |output| {
        let proof = match word(&output["proof"]) {
            "proven" => "proven",
            "waiting" => "proof awaited",
            "not-proven" => "NOT PROVEN",
            "cannot-be-proven" => "cannot be proven",
            _ => "not commanded yet",
        };
        let watts = output["watts"].as_f64().map(|watts| format!(", draws {watts:.1} W")).unwrap_or_default();
        let usual = &output["usual_power"];
        let usual = usual["least"].as_f64().zip(usual["greatest"].as_f64()).map(|(least, greatest)| {
            let decimals = usize::from(greatest < 20.0);
            let confirmed = if output["confirmed_watts"].is_null() { ", not confirmed" } else { "" };
            format!(", usually {least:.decimals$} to {greatest:.decimals$} W{confirmed}")
        });
        let watts = watts + &usual.unwrap_or_default();
        let first = format!("{:3}  {proof}{watts}", word(&output["decided"]));
        let untested: Vec<_> = each(&output["untested"]).map(word).collect();
        let untested =
            if untested.is_empty() { String::new() } else { format!("\nnever tested: {}", untested.join(", ")) };
        (word(&output["output"]), format!("{first}; {}: {}{untested}", word(&output["layer"]), word(&output["cause"])))
    });
    section(&mut out, "top-off", each(&status["top_offs"]), |top_off| {
        let litres = |key: &str| top_off[key].as_f64().unwrap_or(0.0);
        let left = format!(
            "{:.2} L left for 24 h, {:.2} L for the hour",
            litres("day_left_litres"),
            litres("hour_left_litres")
        );
        let first = format!("{}; {:.2} L in 24 h, {left}", word(&top_off["state"]), litres("litres_in_24_hours"));
        let evaporates = top_off["evaporation_ml_per_day"].as_f64().map(|rate| {
            let refills = top_off["refills"].as_u64().unwrap_or(0);
            format!("{:.2} L evaporate in a day, by {refills} refills", rate / 1000.0)
        });
        let evaporates = evaporates.unwrap_or_default();
        (word(&top_off["output"]), format!("{first}\n{evaporates}\n{}", word(&top_off["last_run"])))
    });
    section(&mut out, "dosing", each(&status["dosing"]), super::dose::of_status);
    section(&mut out, "light", each(&status["lights"]), of_light);
    section(&mut out, "drain-back", [&status["drain_back"]].into_iter().filter(|one| one.is_object()), |back| {
        let mm = |key: &str| back[key].as_f64().unwrap_or(0.0);
        let stops = back["stops"].as_u64().unwrap_or(0);
        let first =
            format!("{:.0} mm at the last stop, {:.0} mm usual, by {stops} stops", mm("newest_mm"), mm("usual_mm"));
        ("sump", format!("{first}\n{}", word(&back["grown"])))
    });
    out += &proofs(&status["proofs"]);
    if let Some(caution) = status["caution"].as_str() {
        let _ = writeln!(out, "\ncaution: {caution}");
    }
    out
}

/// What is in alarm, what is silenced, and whether it is too much.
fn alarms(out: &mut String, status: &Value) {
    let stands = |alarm: &&Value| alarm["state"] != "NORM" && alarm["aside"].is_null();
    section(out, "alarms", each(&status["alarms"]).filter(stands), |alarm| {
        let state = AlarmState::in_words(word(&alarm["state"]));
        let mut lines = vec![format!("{}, {state}: {}", word(&alarm["priority"]), word(&alarm["text"]))];
        lines.extend(notes(alarm));
        // What another one explains needs no advice of its own.
        if alarm["part_of"].is_null() {
            lines.extend([&alarm["consequence"], &alarm["action"]].map(|text| word(text).to_owned()));
        }
        (word(&alarm["alarm"]), lines.join("\n"))
    });
    let aside = |alarm: &&Value| alarm["aside"].is_object();
    section(out, "silenced alarms", each(&status["alarms"]).filter(aside), |alarm| {
        (word(&alarm["alarm"]), format!("{}, {}", word(&alarm["priority"]), notes(alarm).join("\n")))
    });
    if status["alarm_load"]["flood_since"].is_i64() {
        let recent = &status["alarm_load"]["raised_in_10_minutes"];
        let _ = writeln!(out, "\na flood: {recent} alarms in 10 min; begin with the most urgent one that was first");
    }
}

/// What of the proof tests is not as it should be; nothing where all is proven.
fn proofs(proofs: &Value) -> String {
    let count = |key: &str| proofs[key].as_u64().unwrap_or(0);
    let (never, overdue, failed) = (count("never"), count("overdue"), count("failed"));
    let session = &proofs["session"];
    let mut out = String::new();
    if session.is_object() {
        let (of, check) = (word(&session["of"]), word(&session["check"]));
        let _ = writeln!(
            out,
            "\nproof tests go on: {of} {check}, {}: {}",
            word(&session["stage"]),
            word(&session["instruction"])
        );
    } else if never + overdue + failed > 0 {
        let _ = writeln!(
            out,
            "\nproof tests: {never} never done, {overdue} overdue, {failed} failed; `slackwater prove --list` shows them"
        );
    }
    out
}

fn whole_seconds(millis: u64) -> Span {
    Span::from_seconds(millis / 1000)
}

fn section<'a>(
    out: &mut String,
    title: &str,
    items: impl Iterator<Item = &'a Value>,
    line: impl Fn(&'a Value) -> (&'a str, String),
) {
    let lines: Vec<_> = items.map(line).collect();
    if lines.is_empty() {
        return;
    }
    let _ = writeln!(out, "\n{title}");
    let width = lines.iter().map(|(name, _)| name.chars().count()).max().unwrap_or(0);
    for (name, text) in &lines {
        for (n, part) in text.lines().filter(|part| !part.is_empty()).enumerate() {
            let name = if n == 0 { name } else { "" };
            let _ = writeln!(out, "  {name:width$}  {part}");
        }
    }
}

/// A light in the status: its name, and lines about it.
fn of_light(light: &Value) -> (&str, String) {
    let mut lines = vec![format!(
        "{}; {:.1} h of full light today",
        light["says"].as_str().unwrap_or_default(),
        light["full_hours_today"].as_f64().unwrap_or(0.0)
    )];
    if let Some(part) = light["acclimation_percent"].as_f64().filter(|part| *part < 99.95) {
        lines.push(format!("acclimation: {part:.0} % of its level today"));
    }
    let spots = light["spots"].as_array().map(Vec::as_slice).unwrap_or_default().iter().map(|spot| {
        let name = spot["spot"].as_str().unwrap_or_default();
        format!("{name} {:.2} mol/m²", spot["mol_per_m2_today"].as_f64().unwrap_or(0.0))
    });
    let spots: Vec<String> = spots.collect();
    if !spots.is_empty() {
        lines.push(format!("today by the plan: {}", spots.join(", ")));
    }
    (light["output"].as_str().unwrap_or_default(), lines.join("\n"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn a_status_reads_from_what_matters_to_what_is() {
        let status = json!({
            "tank": "lagoon", "title": "Seagrass lagoon", "broker": true, "sentence": "hold water-change until 15:04",
            "alarms": [
                { "alarm": "sump-temp-lost", "active": true, "state": "UNACK", "priority": "low",
                  "text": "nothing heard for 2 min", "consequence": "Nothing notices.", "action": "Look at the cable." },
                { "alarm": "leak", "active": false, "state": "NORM", "priority": "urgent", "text": "", "action": "" },
                { "alarm": "room-lost", "active": false, "on": true, "state": "SHLVD", "priority": "medium", "text": "room: stale",
                  "aside": { "why": "until 15:04, by Ana (command line)" } },
            ],
            "holds": [{ "hold": "water-change", "active": true, "overdue": false, "by": "command line",
                        "pauses": ["heater: off, proven"] }],
            "interlocks": [{ "interlock": "heater-cutoff", "state": "armed" }],
            "signals": [
                { "signal": "water-temp", "quality": "good", "text": "25.25 °C", "age": 4200 },
                { "signal": "room", "quality": "bad", "reason": "stale", "text": "stale: nothing for 6 min", "age": 360_000 },
            ],
            "outputs": [{ "output": "heater", "decided": "off", "proof": "proven", "watts": 0.4, "layer": "hold",
                          "cause": "hold water-change pauses it" }],
            "top_offs": [{ "output": "top-off", "state": "waiting", "litres_in_24_hours": 0.45, "day_left_litres": 2.12,
                           "hour_left_litres": 0.49, "evaporation_ml_per_day": 1480.0, "refills": 31, "last_run": "a run of 18 s raised the level by 3.9 mm" }],
            "caution": "a hold is not isolation",
        });
        assert_eq!(
            text(&status),
            "Seagrass lagoon (lagoon): hold water-change until 15:04\n\
             \nalarms\n  sump-temp-lost  low, not acknowledged: nothing heard for 2 min\n                  Nothing notices.\n                  Look at the cable.\n\
             \nsilenced alarms\n  room-lost  medium, shelved until 15:04, by Ana (command line); it STANDS meanwhile\n\
             \nholds\n  water-change  begun by command line\n                heater: off, proven\n\
             \nreadings\n  water-temp  25.25 °C, 4 s ago\n  room        stale: nothing for 6 min\n\
             \noutputs\n  heater  off  proven, draws 0.4 W; hold: hold water-change pauses it\n\
             \ntop-off\n  top-off  waiting; 0.45 L in 24 h, 2.12 L left for 24 h, 0.49 L for the hour\n           1.48 L evaporate in a day, by 31 refills\n           a run of 18 s raised the level by 3.9 mm\n\
             \ncaution: a hold is not isolation\n"
        );
    }
}

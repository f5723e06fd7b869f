//! `slackwater dose`: a dosing pump's calibration, its container and its plan.
//!
//! Each is a request to the daemon, as `hold` is; what was asked and what came of it stands in the journal.

use std::io::{BufRead as _, IsTerminal as _, Write as _};
use std::process::ExitCode;
use std::time::Duration;

use serde_json::{Value, json};

use crate::units::{Alkalinity, Volume};

use super::ask;
use super::client::{Daemon, Failed, escaped};

/// Asks a dosing pump's calibration, container and plan.
#[derive(Debug, clap::Args)]
pub struct Dose {
    /// What.
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, clap::Args)]
struct Of {
    /// The dosing pump's output.
    pump: String,
    #[command(flatten)]
    daemon: Daemon,
}

#[derive(Debug, clap::Subcommand)]
enum What {
    /// Runs it for a minute into a cylinder; at a terminal three times, asking for the mL in between.
    Calibrate(Of),
    /// Tells how much a cylinder holds, such as "5.1 mL".
    Measured {
        #[command(flatten)]
        of: Of,
        /// What the cylinder holds.
        volume: Volume,
    },
    /// Drops a calibration; what ran counts as dosed for a day.
    Discard(Of),
    /// Tells that its container was filled, to the brim if no volume is given.
    Refill {
        #[command(flatten)]
        of: Of,
        /// To how much.
        volume: Option<Volume>,
    },
    /// Tells how much its container holds by eye: compared with what was commanded.
    Left {
        #[command(flatten)]
        of: Of,
        /// What is left.
        volume: Volume,
    },
    /// Reckons a change of the plan from tests; nothing changes before `approve`.
    Propose {
        #[command(flatten)]
        of: Of,
        /// A test result and its day, such as "8.2 dKH @ 0"; two or more. What was dosed is the plan in force.
        #[arg(long, required_unless_present = "log", value_parser = test)]
        test: Vec<Test>,
        /// The keeper's log instead: its measurements of alkalinity and its water changes of so many days, and
        /// what the daemon counted between them.
        #[arg(long, value_name = "DAYS", conflicts_with = "test", value_parser = clap::value_parser!(u32).range(1..=60))]
        log: Option<u32>,
        /// Alkalinity of the new water, for water changes in the log.
        #[arg(long, requires = "log")]
        new_water: Option<Alkalinity>,
        /// Standard deviation of one test.
        #[arg(long, default_value = "0.2 dKH")]
        test_sd: Alkalinity,
        /// The wanted alkalinity; what is there is kept if not given.
        #[arg(long)]
        target: Option<Alkalinity>,
    },
    /// Puts the proposed change in force, one step of it.
    Approve(Of),
    /// Drops the proposed change.
    Decline(Of),
    /// Begins anew with the next slot, nothing owed: after a test, or once the clock is right.
    Resume(Of),
}

#[derive(Clone, Copy, Debug)]
struct Test {
    day: f64,
    dkh: f64,
}

fn test(text: &str) -> Result<Test, String> {
    let wrong =
        || format!("`{text}` is not a test with its day\n  write it as `8.2 dKH @ 0`, the day counted from any start");
    let (value, day) = text.split_once('@').ok_or_else(wrong)?;
    let alkalinity: Alkalinity = value.trim().parse().map_err(|error: crate::units::UnitError| error.to_string())?;
    let day: f64 = day.trim().trim_end_matches(['d', ' ']).parse().map_err(|_| wrong())?;
    Ok(Test { day, dkh: alkalinity.dkh() })
}

impl Test {
    fn json(self) -> Value {
        json!({ "day": self.day, "dkh": format!("{} dKH", self.dkh) })
    }
}

fn dkh(alkalinity: Alkalinity) -> String {
    format!("{} dKH", alkalinity.dkh())
}

/// Tests and water changes of the keeper's log; day 0 is the first test.
fn from_log(of: &Of, days: u32, new_water: Option<Alkalinity>) -> Result<Value, Failed> {
    let client = of.daemon.client()?;
    let tank = of.daemon.tank(&client)?;
    let log = client.get(&format!("/api/v1/tanks/{}/log?days={days}", escaped(&tank)))?;
    tests_of(&log, new_water)
}

fn tests_of(log: &Value, new_water: Option<Alkalinity>) -> Result<Value, Failed> {
    let entries = log["entries"].as_array().map(Vec::as_slice).unwrap_or_default();
    let found: Vec<(i64, &Value)> = entries
        .iter()
        .filter(|entry| entry["deleted"] != json!(true))
        .filter_map(|entry| Some((entry["at"].as_i64()?, entry)))
        .collect();
    let written = |entry: &Value| Some(format!("{} {}", entry["value"].as_f64()?, entry["unit"].as_str()?));
    let named = |name: &'static str| found.iter().filter(move |(_, entry)| entry["name"] == json!(name));
    let tests: Vec<(i64, String)> = named("alkalinity")
        .filter(|(_, entry)| entry["kind"] != json!("dosed"))
        .filter_map(|(at, entry)| Some((*at, written(entry)?)))
        .collect();
    let (Some((first, _)), Some((last, _))) = (tests.first(), tests.last()) else {
        return Err(Failed::Refused(
            "the log has no measurement of alkalinity in these days\n  note them with `slackwater log alkalinity \"8.2 dKH\"`, or give `--test`"
                .to_owned(),
        ));
    };
    let day = |at: i64| (at - first) as f64 / 86_400_000.0;
    let between: Vec<(i64, String)> = named("water-change")
        .filter(|(at, _)| at > first && at < last)
        .filter_map(|(at, entry)| Some((*at, written(entry)?)))
        .collect();
    let changes: Vec<Value> = match (new_water, between.is_empty()) {
        (None, false) => {
            return Err(Failed::Refused(format!(
                "{} water changes lie between the tests, and nobody says what their water was\n  measure a fresh mix and give `--new-water \"7.5 dKH\"`",
                between.len()
            )));
        }
        (None, true) => Vec::new(),
        (Some(new), _) => {
            between.iter().map(|(at, litres)| json!({ "day": day(*at), "litres": litres, "dkh": dkh(new) })).collect()
        }
    };
    let tests: Vec<Value> = tests.iter().map(|(at, dkh)| json!({ "day": day(*at), "dkh": dkh })).collect();
    Ok(json!({ "tests": tests, "since": first, "changes": changes }))
}

fn millilitres(volume: Volume) -> String {
    format!("{} mL", volume.litres() * 1000.0)
}

impl Dose {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        let (of, what) = match &self.what {
            What::Calibrate(of) if std::io::stdin().is_terminal() && !of.daemon.json => return guided(of),
            What::Calibrate(of) => (of, json!("calibrate")),
            What::Measured { of, volume } => (of, json!({ "measured": millilitres(*volume) })),
            What::Discard(of) => (of, json!("discard")),
            What::Refill { of, volume } => (of, json!({ "refill": volume.map(millilitres) })),
            What::Left { of, volume } => (of, json!({ "left": millilitres(*volume) })),
            What::Propose { of, test, log, new_water, test_sd, target } => {
                let mut propose = match log {
                    Some(days) => match from_log(of, *days, *new_water) {
                        Ok(propose) => propose,
                        Err(failed) => return failed.report(),
                    },
                    None => json!({ "tests": test.iter().map(|test| test.json()).collect::<Vec<_>>() }),
                };
                propose["test_sd"] = json!(dkh(*test_sd));
                propose["target"] = json!(target.map(dkh));
                (of, json!({ "propose": propose }))
            }
            What::Approve(of) => (of, json!("approve")),
            What::Decline(of) => (of, json!("decline")),
            What::Resume(of) => (of, json!("resume")),
        };
        ask::ask(&of.daemon, &request(of, &what))
    }
}

/// A dosing pump in the status: its name, and lines about it.
pub(super) fn of_status(pump: &Value) -> (&str, String) {
    let number = |key: &str| pump[key].as_f64().unwrap_or(0.0);
    let word = |key: &str| pump[key].as_str().unwrap_or_default().to_owned();
    let correction = number("correction_ml_per_day");
    let correction =
        if correction.abs() > 0.005 { format!(" and {correction:+.1} of correction") } else { String::new() };
    let mut lines = vec![
        format!(
            "{}; {}, {:.1} mL/d{correction}, the next slot at {}; {:.2} mL in 24 h, {:.2} mL left",
            word("state"),
            word("adds"),
            number("maintenance_ml_per_day"),
            word("next_slot"),
            number("ml_in_24_hours"),
            number("day_left_ml")
        ),
        format!("{:.0} of {:.0} mL in its container", number("container_ml"), number("container_size_ml")),
    ];
    if number("owed_ml") > 0.005 {
        lines.push(format!("{:.2} mL to be made up for", number("owed_ml")));
    }
    lines.extend(["worn", "unbalanced"].into_iter().filter_map(|key| pump[key].as_str().map(str::to_owned)));
    if let Some(proposal) = pump["proposal"].as_array() {
        lines.push(format!("a change waits for `slackwater dose approve {}`:", word("output")));
        lines.extend(proposal.iter().filter_map(|line| line.as_str().map(|line| format!("  {line}"))));
    }
    if !word("last_dose").is_empty() {
        lines.push(format!("the last one {}", word("last_dose")));
    }
    (pump["output"].as_str().unwrap_or_default(), lines.join("\n"))
}

fn request(of: &Of, what: &Value) -> Value {
    json!({ "do": "dose", "pump": of.pump, "what": what })
}

/// Three cylinders, one after the other.
fn guided(of: &Of) -> ExitCode {
    let mut lines = std::io::stdin().lock().lines();
    for cylinder in 1..=3 {
        println!("Cylinder {cylinder} of 3: put the hose's end into it, then press Enter.");
        if lines.next().is_none_or(|line| line.is_err()) {
            return ExitCode::from(1);
        }
        let code = ask::ask(&of.daemon, &request(of, &json!("calibrate")));
        if code != ExitCode::SUCCESS {
            return code;
        }
        wait_a_minute();
        let volume = loop {
            print!("How much does it hold, such as 5.1 mL? ");
            let _ = std::io::stdout().flush();
            let Some(Ok(line)) = lines.next() else { return ExitCode::from(1) };
            match line.trim().parse::<Volume>() {
                Ok(volume) => break volume,
                Err(error) => eprintln!("{error}"),
            }
        };
        let code = ask::ask(&of.daemon, &request(of, &json!({ "measured": millilitres(volume) })));
        if code != ExitCode::SUCCESS {
            return code;
        }
    }
    ExitCode::SUCCESS
}

#[expect(clippy::disallowed_methods, reason = "a person waits for a pump, at a terminal")]
fn wait_a_minute() {
    std::thread::sleep(Duration::from_secs(62));
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_log_gives_tests_and_water_changes_with_their_moments() {
        let entry = |name: &str, at: i64, value: f64, unit: &str| json!({ "name": name, "kind": name, "at": at, "value": value, "unit": unit, "deleted": false });
        let mut entries = vec![
            entry("water-change", 0, 9.0, "L"),
            entry("alkalinity", 1000, 8.2, "dKH"),
            entry("alkalinity", 259_201_000, 7.6, "dKH"),
        ];
        let read = tests_of(&json!({ "entries": entries }), None).unwrap_or_default();
        assert_eq!(read["tests"][1], json!({ "day": 3.0, "dkh": "7.6 dKH" }), "{read}");
        assert_eq!((&read["since"], &read["changes"]), (&json!(1000), &json!([])));
        entries.push(entry("water-change", 86_401_000, 9.0, "L"));
        assert!(tests_of(&json!({ "entries": entries }), None).is_err(), "new water that nobody measured");
        let new = "7.5 dKH".parse().ok();
        let read = tests_of(&json!({ "entries": entries }), new).unwrap_or_default();
        assert_eq!(read["changes"], json!([{ "day": 1.0, "litres": "9 L", "dkh": "7.5 dKH" }]), "{read}");
        assert!(tests_of(&json!({ "entries": [] }), None).is_err());
    }

    #[test]
    fn a_test_has_a_value_with_its_unit_and_a_day() {
        let read = test("8.2 dKH @ 3 d").unwrap();
        assert!((read.day - 3.0).abs() < 1e-12 && (read.dkh - 8.2).abs() < 1e-9);
        for wrong in ["8.2 dKH", "8.2 @ 3", "8.2 dKH @ monday"] {
            assert!(test(wrong).is_err(), "{wrong}");
        }
    }
}

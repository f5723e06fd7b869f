//! `slackwater dose`: a dosing pump's calibration, its container and its plan.
//!
//! Each is a request to the daemon, as `hold` is; what was asked and what came of it stands in the journal.

use std::io::{BufRead as _, IsTerminal as _, Write as _};
use std::process::ExitCode;
use std::time::Duration;

use serde_json::{Map, Value, json};

use crate::units::{Alkalinity, EquivalentStrength, Volume};

use super::ask;
use super::calc;
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
    /// What the tank uses up by the log's tests, doses by hand and water changes, for who has no dosing pump.
    Consumption(Box<ByHand>),
    /// Puts the proposed change in force, one step of it.
    Approve(Of),
    /// Drops the proposed change.
    Decline(Of),
    /// Begins anew with the next slot, nothing owed: after a test, or once the clock is right.
    Resume(Of),
}

/// From the log alone.
#[derive(Debug, clap::Args)]
struct ByHand {
    /// So many days of the log.
    #[arg(long, default_value = "14", value_parser = clap::value_parser!(u32).range(1..=60))]
    days: u32,
    /// Net water of the tank.
    #[arg(long)]
    volume: Volume,
    /// Strength of the alkalinity stock, such as `1 eq/L`.
    #[arg(long)]
    stock: EquivalentStrength,
    /// The name under which the log has its doses, as in `slackwater log dose NAME "30 mL"`.
    #[arg(long, default_value = "alkalinity")]
    supply: String,
    /// Alkalinity of the new water, for water changes in the log.
    #[arg(long)]
    new_water: Option<Alkalinity>,
    /// Standard deviation of one test.
    #[arg(long, default_value = "0.2 dKH")]
    test_sd: Alkalinity,
    /// The wanted alkalinity; what is there is kept if not given.
    #[arg(long)]
    target: Option<Alkalinity>,
    #[command(flatten)]
    daemon: Daemon,
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

/// The keeper's log of so many days.
fn log_of(daemon: &Daemon, days: u32) -> Result<Value, Failed> {
    let client = daemon.client()?;
    let tank = daemon.tank(&client)?;
    client.get(&format!("/api/v1/tanks/{}/log?days={days}", escaped(&tank)))
}

/// What a log tells of alkalinity; day 0 is the first test.
#[derive(Debug, Default, PartialEq)]
struct Told {
    /// Unix milliseconds of day 0.
    since: i64,
    /// Day, and the text of the value with its unit.
    tests: Vec<(f64, String)>,
    /// Doses by hand between the tests.
    by_hand: Vec<(f64, String)>,
    /// Water changes between the tests.
    changes: Vec<(f64, String)>,
}

impl Told {
    fn of(log: &Value, supply: &str) -> Result<Self, Failed> {
        let entries = log["entries"].as_array().map(Vec::as_slice).unwrap_or_default();
        let found: Vec<(i64, bool, &Value)> = entries
            .iter()
            .filter(|entry| entry["deleted"] != json!(true))
            .filter_map(|entry| Some((entry["at"].as_i64()?, entry["kind"] == json!("dosed"), entry)))
            .collect();
        let written = |entry: &Value| Some(format!("{} {}", entry["value"].as_f64()?, entry["unit"].as_str()?));
        let named = |name: &str, dosed: bool| -> Vec<(i64, String)> {
            let these = found.iter().filter(|(_, is_dose, entry)| entry["name"] == json!(name) && *is_dose == dosed);
            these.filter_map(|(at, _, entry)| Some((*at, written(entry)?))).collect()
        };
        let tests = named("alkalinity", false);
        let moments = tests.iter().map(|(at, _)| *at);
        let (Some(first), Some(last)) = (moments.clone().min(), moments.max()) else {
            return Err(Failed::Refused(
                "the log has no measurement of alkalinity in these days\n  note them with `slackwater log alkalinity \"8.2 dKH\"`, or give `--test`"
                    .to_owned(),
            ));
        };
        let day = |at: i64| (at - first) as f64 / 86_400_000.0;
        let dated = |all: Vec<(i64, String)>| -> Vec<(f64, String)> {
            all.into_iter().filter(|(at, _)| (first..=last).contains(at)).map(|(at, text)| (day(at), text)).collect()
        };
        let (by_hand, changes) = (dated(named(supply, true)), dated(named("water-change", false)));
        Ok(Self { since: first, tests: dated(tests), by_hand, changes })
    }

    /// Of what alkalinity the new water was; `None` where there was none.
    fn new_water(&self, new: Option<Alkalinity>) -> Result<Option<Alkalinity>, Failed> {
        match new {
            _ if self.changes.is_empty() => Ok(None),
            Some(new) => Ok(Some(new)),
            None => Err(Failed::Refused(format!(
                "{} water changes lie between the tests, and nobody says what their water was\n  measure a fresh mix and give `--new-water \"7.5 dKH\"`",
                self.changes.len()
            ))),
        }
    }

    /// As a proposal of the daemon wants it.
    fn proposal(&self, new: Option<Alkalinity>) -> Result<Value, Failed> {
        let listed = |all: &[(f64, String)], key: &str| -> Vec<Value> {
            all.iter().map(|(day, text)| json!({ "day": day, key: text })).collect()
        };
        let mut changes = listed(&self.changes, "litres");
        if let Some(new) = self.new_water(new)? {
            for change in &mut changes {
                change["dkh"] = json!(dkh(new));
            }
        }
        Ok(json!({
            "tests": listed(&self.tests, "dkh"), "by_hand": listed(&self.by_hand, "ml"), "since": self.since,
            "changes": changes,
        }))
    }

    /// As `slackwater calc consumption` wants it.
    fn calculation(&self, new: Option<Alkalinity>) -> Result<Map<String, Value>, Failed> {
        let moments = |all: &[(f64, String)], more: &str| -> Value {
            all.iter().map(|(day, text)| json!(format!("{text}{more} @ {day} d"))).collect()
        };
        let of = self.new_water(new)?.map_or_else(String::new, |new| format!(" of {}", dkh(new)));
        Ok(Map::from_iter([
            ("test".to_owned(), moments(&self.tests, "")),
            ("added".to_owned(), moments(&self.by_hand, "")),
            ("change".to_owned(), moments(&self.changes, &of)),
        ]))
    }
}

impl ByHand {
    fn run(&self) -> ExitCode {
        match self.asked() {
            Ok(values) => calc::by_json::print("consumption", &values, self.daemon.json),
            Err(failed) => failed.report(),
        }
    }

    fn asked(&self) -> Result<Map<String, Value>, Failed> {
        let told = Told::of(&log_of(&self.daemon, self.days)?, &self.supply)?;
        let mut values = told.calculation(self.new_water)?;
        values.insert("volume".to_owned(), json!(self.volume.to_string()));
        values.insert("stock".to_owned(), json!(self.stock.to_string()));
        values.insert("test_sd".to_owned(), json!(dkh(self.test_sd)));
        values.extend(self.target.map(|target| ("target".to_owned(), json!(dkh(target)))));
        Ok(values)
    }
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
                    Some(days) => {
                        match log_of(&of.daemon, *days).and_then(|log| Told::of(&log, &of.pump)?.proposal(*new_water)) {
                            Ok(propose) => propose,
                            Err(failed) => return failed.report(),
                        }
                    }
                    None => json!({ "tests": test.iter().map(|test| test.json()).collect::<Vec<_>>() }),
                };
                propose["test_sd"] = json!(dkh(*test_sd));
                propose["target"] = json!(target.map(dkh));
                (of, json!({ "propose": propose }))
            }
            What::Consumption(by_hand) => return by_hand.run(),
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
    fn the_log_gives_tests_doses_and_water_changes_with_their_moments() {
        let entry = |name: &str, kind: &str, at: i64, value: f64, unit: &str| json!({ "name": name, "kind": kind, "at": at, "value": value, "unit": unit, "deleted": false });
        let mut entries = vec![
            entry("water-change", "water-change", 0, 9.0, "L"),
            entry("alkalinity", "measured", 1000, 8.2, "dKH"),
            entry("alkalinity", "dosed", 86_401_000, 30.0, "mL"),
            entry("vitamins", "dosed", 86_401_000, 1.0, "mL"),
            entry("alkalinity", "measured", 259_201_000, 7.6, "dKH"),
            entry("alkalinity", "dosed", 259_202_000, 30.0, "mL"),
        ];
        let told = |entries: &[Value]| Told::of(&json!({ "entries": entries }), "alkalinity");
        let read = told(&entries).and_then(|told| told.proposal(None)).unwrap_or_default();
        assert_eq!(read["tests"][1], json!({ "day": 3.0, "dkh": "7.6 dKH" }), "{read}");
        assert_eq!((&read["since"], &read["changes"]), (&json!(1000), &json!([])));
        assert_eq!(read["by_hand"], json!([{ "day": 1.0, "ml": "30 mL" }]), "only between the tests, and only of it");
        entries.push(entry("water-change", "water-change", 86_401_000, 9.0, "L"));
        assert!(told(&entries).and_then(|told| told.proposal(None)).is_err(), "new water that nobody measured");
        let new = "7.5 dKH".parse().ok();
        let read = told(&entries).and_then(|told| told.proposal(new)).unwrap_or_default();
        assert_eq!(read["changes"], json!([{ "day": 1.0, "litres": "9 L", "dkh": "7.5 dKH" }]), "{read}");
        let read = told(&entries).and_then(|told| told.calculation(new)).unwrap_or_default();
        assert_eq!(read["added"], json!(["30 mL @ 1 d"]));
        assert_eq!(read["change"], json!(["9 L of 7.5 dKH @ 1 d"]));
        assert!(told(&[]).is_err());
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

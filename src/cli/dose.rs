//! `slackwater dose`: a dosing pump's calibration, its container and its plan.
//!
//! Each is a request to the daemon, as `hold` is; what was asked and what came of it stands in the journal.

use std::io::{BufRead as _, IsTerminal as _, Write as _};
use std::process::ExitCode;
use std::time::Duration;

use serde_json::{Value, json};

use crate::units::{Alkalinity, Volume};

use super::ask;
use super::client::Daemon;

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
        /// A test result and its day, such as "8.2 dKH @ 0"; two or more.
        #[arg(long, required = true, value_parser = test)]
        test: Vec<Test>,
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
            What::Propose { of, test, test_sd, target } => {
                let tests: Vec<Value> =
                    test.iter().map(|test| json!({ "day": test.day, "dkh": format!("{} dKH", test.dkh) })).collect();
                let dkh = |alkalinity: Alkalinity| format!("{} dKH", alkalinity.dkh());
                (of, json!({ "propose": { "tests": tests, "test_sd": dkh(*test_sd), "target": target.map(dkh) } }))
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
    fn a_test_has_a_value_with_its_unit_and_a_day() {
        let read = test("8.2 dKH @ 3 d").unwrap();
        assert!((read.day - 3.0).abs() < 1e-12 && (read.dkh - 8.2).abs() < 1e-9);
        for wrong in ["8.2 dKH", "8.2 @ 3", "8.2 dKH @ monday"] {
            assert!(test(wrong).is_err(), "{wrong}");
        }
    }
}

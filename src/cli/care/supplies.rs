//! `slackwater supplies`, `refill` and `away`.

use std::process::ExitCode;

use serde_json::json;

use crate::cli::client::Daemon;

use super::table::table;
use super::{ask, facts, text, texts};

/// Shows what runs out: how much is left, for how long, what a month costs.
#[derive(Debug, clap::Args)]
pub struct Supplies {
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
}

/// Notes that a supply was filled up or replaced.
#[derive(Debug, clap::Args)]
pub struct Refill {
    /// The supply, such as `reservoir`.
    pub supply: String,
    /// What went in, such as 9 L or 1 gal; without: it is full.
    #[arg(value_name = "AMOUNT")]
    pub amount: Vec<String>,
    /// When it was; now if not given.
    #[arg(long, value_name = "MOMENT")]
    pub when: Option<String>,
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
}

/// Notes the days on which you are away, so that supplies and chores are judged for them.
#[derive(Debug, clap::Args)]
pub struct Away {
    /// The first day and the day of coming back: 2026-12-20..2027-01-03.
    pub days: String,
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
}

impl Refill {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        let amount = Some(self.amount.join(" ")).filter(|amount| !amount.is_empty());
        let request = json!({ "do": "refill", "supply": self.supply, "amount": amount, "when": self.when });
        ask(&self.daemon, "supplies", request)
    }
}

impl Away {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        ask(&self.daemon, "log", json!({ "do": "away", "days": self.days }))
    }
}

impl Supplies {
    /// Runs the command; exit code 1 where something is to be done.
    pub fn run(&self) -> ExitCode {
        facts(&self.daemon, "supplies", |value| {
            let supplies: Vec<_> = value["supplies"].as_array().into_iter().flatten().collect();
            if supplies.is_empty() {
                println!("no supplies: write `supplies:` into the tank file");
                return ExitCode::SUCCESS;
            }
            let or = |text: String| if text.is_empty() { "-".to_owned() } else { text };
            let mut rows = vec![["supply", "left", "of", "a day", "days left", "a month"].map(str::to_owned).to_vec()];
            for supply in &supplies {
                let days = match (supply["days_left"][0].as_f64(), supply["days_left"][1].as_f64()) {
                    (Some(short), Some(mean)) => format!("{short:.1} to {mean:.1}"),
                    _ => supply["due_on"].as_str().map_or_else(|| "-".to_owned(), |day| format!("until {day}")),
                };
                rows.push(vec![
                    text(&supply["supply"]),
                    or(text(&supply["left"])),
                    text(&supply["holds"]),
                    or(text(&supply["use_a_day"])),
                    days,
                    or(text(&supply["cost_a_month"])),
                ]);
            }
            print!("{}", table(&rows));
            let mut wanting = false;
            for supply in &supplies {
                for notice in texts(&supply["notices"]) {
                    wanting = true;
                    println!("! {}: {notice}", text(&supply["supply"]));
                }
            }
            for supply in supplies.iter().filter(|supply| supply["use_a_day"].is_string()) {
                println!("  {}: {}", text(&supply["supply"]), text(&supply["rests_on"]));
            }
            ExitCode::from(u8::from(wanting))
        })
    }
}

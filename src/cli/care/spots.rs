//! `slackwater spots`: the light map.

use std::process::ExitCode;

use serde_json::Value;

use crate::cli::client::Daemon;
use crate::time::{Wall, Zone};

use super::plot::plot;
use super::table::table;
use super::{day, facts, text, texts};

/// Shows the light at each spot, before and after the light changed, against what stands there.
#[derive(Debug, clap::Args)]
pub struct Spots {
    /// Only this spot, with its readings drawn.
    pub spot: Option<String>,
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
}

impl Spots {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        facts(&self.daemon, "spots", |value| {
            let map = &value["map"];
            let wanted = |spot: &&Value| self.spot.as_ref().is_none_or(|name| spot["spot"] == **name);
            let spots: Vec<_> = map["spots"].as_array().into_iter().flatten().filter(wanted).collect();
            if spots.is_empty() {
                println!("nothing was measured there: `slackwater log ppfd \"180 µmol/m²/s\" --at rock-left`");
                return ExitCode::from(u8::from(self.spot.is_some()));
            }
            let mut rows =
                vec![["spot", "µmol/m²/s", "on", "before", "change", "mol/m²/d", "who"].map(str::to_owned).to_vec()];
            let number = |value: &Value, decimals: usize| {
                value.as_f64().map_or_else(|| "-".to_owned(), |value| format!("{value:.decimals$}"))
            };
            for spot in &spots {
                let change = spot["change_percent"].as_f64();
                rows.push(vec![
                    text(&spot["spot"]),
                    number(&spot["ppfd"], 0),
                    day(&spot["at"], &value["zone"]),
                    number(&spot["before"], 0),
                    change.map_or_else(|| "-".to_owned(), |change| format!("{change:+.0} %")),
                    number(&spot["daily_integral"], 2),
                    texts(&spot["items"]).join("; "),
                ]);
            }
            print!("{}", table(&rows));
            if let Some(changed) = map["changed"][1].as_str() {
                println!("light changed on {}: {changed}", day(&map["changed"][0], &value["zone"]));
            }
            for spot in &spots {
                for notice in texts(&spot["notices"]) {
                    println!("! {}: {notice}", text(&spot["spot"]));
                }
            }
            if self.spot.is_some() {
                let zone: Zone = value["zone"].as_str().and_then(|zone| zone.parse().ok()).unwrap_or(Zone::UTC);
                let read = spots[0]["readings"].as_array().into_iter().flatten();
                let points =
                    read.filter_map(|point| Some((Wall::from_unix_millis(point[0].as_i64()?), point[1].as_f64()?)));
                print!("\n{}", plot(&points.collect::<Vec<_>>(), zone));
            }
            ExitCode::SUCCESS
        })
    }
}

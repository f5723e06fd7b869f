//! `slackwater items`: everything with a place, dates and notes.

use std::process::ExitCode;

use serde_json::{Value, json};

use crate::cli::client::Daemon;

use super::table::table;
use super::{ask, facts, text, texts};

/// Shows what lives and stands where; `items add`, `move`, `note`, `show`, `retire`.
#[derive(Debug, clap::Args)]
pub struct Items {
    #[command(subcommand)]
    what: Option<What>,
    /// Those of all tanks, and those that are gone too.
    #[arg(long)]
    all: bool,
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
}

#[derive(Debug, clap::Subcommand)]
enum What {
    /// Adds an item: an animal, a heater, a probe, a bag of media, a reagent.
    Add {
        /// Its name, such as `left-clip`.
        item: String,
        /// What it is, in your word: coral, fish, heater, probe, reagent, media.
        #[arg(long, value_name = "WORD")]
        kind: String,
        /// Where it stands: a spot.
        #[arg(long, value_name = "SPOT")]
        at: Option<String>,
        /// What stands beside it.
        #[arg(long, value_name = "TEXT")]
        beside: Option<String>,
        /// The light that it wants: "80..150 µmol/m²/s".
        #[arg(long, value_name = "RANGE")]
        light: Option<String>,
        /// No longer good on a day, or after such as "2 years".
        #[arg(long, value_name = "DAY")]
        expires: Option<String>,
        /// What to do when: "soak 24 h", "replace after 2 years". May be given several times.
        #[arg(long, value_name = "TEXT")]
        remind: Vec<String>,
        /// When it came; now if not given.
        #[arg(long, value_name = "MOMENT")]
        when: Option<String>,
        /// Which daemon and which tank.
        #[command(flatten)]
        daemon: Daemon,
    },
    /// Moves an item to another spot or tank.
    Move {
        /// Which.
        item: String,
        /// The spot.
        #[arg(long, value_name = "SPOT")]
        to: Option<String>,
        /// The tank.
        #[arg(long, value_name = "TANK")]
        to_tank: Option<String>,
        /// Why.
        #[arg(long, value_name = "TEXT")]
        reason: Option<String>,
        /// What stands beside it there.
        #[arg(long, value_name = "TEXT")]
        beside: Option<String>,
        /// When it moved; now if not given.
        #[arg(long, value_name = "MOMENT")]
        when: Option<String>,
        /// Which daemon and which tank.
        #[command(flatten)]
        daemon: Daemon,
    },
    /// Notes something about an item, settles a reminder, or changes what is noted for it.
    Note {
        /// Which.
        item: String,
        /// What.
        text: Option<String>,
        /// A reminder that this settles.
        #[arg(long, value_name = "REMINDER")]
        done: Option<String>,
        /// Another light range.
        #[arg(long, value_name = "RANGE")]
        light: Option<String>,
        /// Another day on which it is no longer good.
        #[arg(long, value_name = "DAY")]
        expires: Option<String>,
        /// More to do.
        #[arg(long, value_name = "TEXT")]
        remind: Vec<String>,
        /// When it was; now if not given.
        #[arg(long, value_name = "MOMENT")]
        when: Option<String>,
        /// Which daemon and which tank.
        #[command(flatten)]
        daemon: Daemon,
    },
    /// Shows all of one item.
    Show {
        /// Which.
        item: String,
        /// Which daemon and which tank.
        #[command(flatten)]
        daemon: Daemon,
    },
    /// Notes that an item is gone; its story stays.
    Retire {
        /// Which.
        item: String,
        /// Why.
        #[arg(long, value_name = "TEXT")]
        reason: Option<String>,
        /// Which daemon and which tank.
        #[command(flatten)]
        daemon: Daemon,
    },
}

impl Items {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        match &self.what {
            None => self.list(),
            Some(What::Add { item, kind, at, beside, light, expires, remind, when, daemon }) => ask(
                daemon,
                "items",
                json!({
                    "do": "add-item", "item": item, "sort": kind, "place": at, "beside": beside, "light": light,
                    "expires": expires, "remind": remind, "when": when,
                }),
            ),
            Some(What::Move { item, to, to_tank, reason, beside, when, daemon }) => ask(
                daemon,
                "items",
                json!({
                    "do": "move-item", "item": item, "place": to, "to_tank": to_tank, "reason": reason,
                    "beside": beside, "when": when,
                }),
            ),
            Some(What::Note { item, text, done, light, expires, remind, when, daemon }) => ask(
                daemon,
                "items",
                json!({
                    "do": "note-item", "item": item, "text": text, "done": done, "light": light,
                    "expires": expires, "remind": remind, "when": when,
                }),
            ),
            Some(What::Retire { item, reason, daemon }) => {
                ask(daemon, "items", json!({ "do": "retire-item", "item": item, "reason": reason }))
            }
            Some(What::Show { item, daemon }) => facts(daemon, "items", |value| {
                let items = value["items"].as_array().into_iter().flatten();
                let known = items.into_iter().find(|known| known["item"] == **item);
                if let Some(known) = known {
                    print!("{}", whole(known));
                    return ExitCode::SUCCESS;
                }
                eprintln!("error: there is no item `{item}`\n  `slackwater items --all` lists them");
                ExitCode::from(1)
            }),
        }
    }

    fn list(&self) -> ExitCode {
        facts(&self.daemon, "items", |value| {
            let here = |item: &&Value| self.all || (item["tank"] == value["tank"] && item["retired"].is_null());
            let items: Vec<_> = value["items"].as_array().into_iter().flatten().filter(here).collect();
            if items.is_empty() {
                println!("no items: `slackwater items add NAME --kind WORD`");
                return ExitCode::SUCCESS;
            }
            let mut rows = vec![["item", "kind", "where", "days", "mind"].map(str::to_owned).to_vec()];
            for item in items {
                let mut mind = texts(&item["due"]);
                if let Some(until) = item["observed_until"].as_str() {
                    mind.push(format!("observed until {until}"));
                }
                if let Some(reason) = item["retired"].as_str() {
                    mind = vec![format!("gone: {reason}")];
                }
                rows.push(vec![
                    text(&item["item"]),
                    text(&item["sort"]),
                    place(item),
                    item["age_days"].to_string(),
                    mind.join("; "),
                ]);
            }
            print!("{}", table(&rows));
            ExitCode::SUCCESS
        })
    }
}

fn place(item: &Value) -> String {
    format!("{} {}", text(&item["tank"]), text(&item["place"])).trim_end().to_owned()
}

fn whole(item: &Value) -> String {
    let mut rows = vec![vec![text(&item["item"]), text(&item["sort"])], vec!["where".to_owned(), place(item)]];
    let mut row = |name: &str, value: String| {
        if !value.is_empty() {
            rows.push(vec![name.to_owned(), value]);
        }
    };
    row("beside", text(&item["beside"]));
    row("age", format!("{} days", item["age_days"]));
    if let (Some(low), Some(high)) = (item["light"][0].as_f64(), item["light"][1].as_f64()) {
        row("light", format!("{low:.0} to {high:.0} µmol/m²/s"));
    }
    row("expires", text(&item["expires"]));
    row("observed", text(&item["observed_until"]));
    for reminder in item["reminders"].as_array().into_iter().flatten() {
        row("remind", format!("{}, {}", text(&reminder[0]), text(&reminder[1])));
    }
    for due in texts(&item["due"]) {
        row("due", due);
    }
    for moved in texts(&item["moves"]) {
        row("moved", moved);
    }
    for note in texts(&item["notes"]) {
        row("noted", note);
    }
    if let Some(reason) = item["retired"].as_str() {
        row("gone", if reason.is_empty() { "yes".to_owned() } else { reason.to_owned() });
    }
    table(&rows)
}

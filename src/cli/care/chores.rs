//! `slackwater chores`: what falls due, done, postponed, and the sheet for whoever stands in.

use std::process::ExitCode;

use serde_json::json;

use crate::cli::client::{Daemon, escaped};

use super::table::table;
use super::{ask, day, facts, text, texts};

/// Shows what falls due; `chores done NAME`, `chores postpone NAME "3 days" WHY`, `chores sheet`.
#[derive(Debug, clap::Args)]
pub struct Chores {
    #[command(subcommand)]
    what: Option<What>,
    /// Which daemon and which tank.
    #[command(flatten)]
    pub daemon: Daemon,
}

#[derive(Debug, clap::Subcommand)]
enum What {
    /// Notes that a chore is done.
    Done {
        /// Which.
        chore: String,
        /// A remark.
        #[arg(long, value_name = "TEXT")]
        note: Option<String>,
        /// When it was; now if not given.
        #[arg(long, value_name = "MOMENT")]
        when: Option<String>,
        /// Which daemon and which tank.
        #[command(flatten)]
        daemon: Daemon,
    },
    /// Puts a chore off, with the reason.
    Postpone {
        /// Which.
        chore: String,
        /// Until when: a day, or such as "3 days".
        until: String,
        /// Why.
        reason: Vec<String>,
        /// Which daemon and which tank.
        #[command(flatten)]
        daemon: Daemon,
    },
    /// Prints the sheet for the person who looks after the tank, as Markdown.
    Sheet {
        /// Which daemon and which tank.
        #[command(flatten)]
        daemon: Daemon,
    },
}

impl Chores {
    /// Runs the command; exit code 1 where something is due.
    pub fn run(&self) -> ExitCode {
        match &self.what {
            None => self.show(),
            Some(What::Done { chore, note, when, daemon }) => {
                ask(daemon, "chores", json!({ "do": "done", "chore": chore, "note": note, "when": when }))
            }
            Some(What::Postpone { chore, until, reason, daemon }) => {
                let request = json!({ "do": "postpone", "chore": chore, "until": until, "reason": reason.join(" ") });
                ask(daemon, "chores", request)
            }
            Some(What::Sheet { daemon }) => {
                let got = || {
                    let client = daemon.client()?;
                    let tank = daemon.tank(&client)?;
                    client.get_text(&format!("/api/v1/tanks/{}/chores/sheet", escaped(&tank)))
                };
                match got() {
                    Ok(sheet) => {
                        print!("{sheet}");
                        ExitCode::SUCCESS
                    }
                    Err(failed) => failed.report(),
                }
            }
        }
    }

    fn show(&self) -> ExitCode {
        facts(&self.daemon, "chores", |value| {
            let chores: Vec<_> = value["chores"].as_array().into_iter().flatten().collect();
            if chores.is_empty() {
                println!("no chores: write `chores:` into the tank file");
                return ExitCode::SUCCESS;
            }
            let mut rows = vec![["", "chore", "last done", "next", "why"].map(str::to_owned).to_vec()];
            for chore in &chores {
                let mut why = texts(&chore["why"]).join("; ");
                if let Some(until) = chore["postponed"][0].as_str() {
                    why = format!("postponed to {until}: {}", text(&chore["postponed"][1]));
                }
                let mark = if chore["due"] == true { "!" } else { "" };
                let next = chore["due_on"].as_str().unwrap_or("-").to_owned();
                rows.push(vec![mark.to_owned(), text(&chore["chore"]), day(&chore["last"], &value["zone"]), next, why]);
            }
            print!("{}", table(&rows));
            ExitCode::from(u8::from(chores.iter().any(|chore| chore["due"] == true)))
        })
    }
}

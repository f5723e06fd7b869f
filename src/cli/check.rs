//! `slackwater check`: what a config directory says, or everything that is wrong with it.
//!
//! Exit codes: 0 sound (warnings do not fail), 1 wrong. It opens no connection and changes nothing.

use std::fmt::{self, Write as _};
use std::path::PathBuf;
use std::process::ExitCode;

use crate::config::advice::Warning;
use crate::config::understood::{Line, Tank, Understood, understood};
use crate::config::{Problems, load};

use super::client::Daemon;

/// Reads a config directory and says what it means, or everything that is wrong with it.
#[derive(Debug, clap::Args)]
pub struct Check {
    /// The config directory.
    #[arg(long, value_name = "DIR", default_value = "/etc/slackwater")]
    pub config: PathBuf,
    /// Looks at the tank before a trip instead, with the running daemon: what would run out or fall due from the
    /// first day until the day of coming back, such as 2026-12-20..2027-01-03.
    #[arg(long, value_name = "DAYS")]
    pub away: Option<String>,
    /// The tank, with `--away`.
    #[arg(long, value_name = "TANK", requires = "away")]
    pub tank: Option<String>,
    /// Prints JSON.
    #[arg(long)]
    pub json: bool,
}

impl Check {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        if let Some(days) = &self.away {
            // Where there is no config at the usual place, the daemon is looked for as other commands do.
            let config = self.config.join("daemon.yaml").exists().then(|| self.config.clone());
            let daemon = Daemon { tank: self.tank.clone(), url: None, config, json: self.json, on_site: false };
            return super::care::audit::run(&daemon, days);
        }
        match load(&self.config) {
            Ok(setup) => {
                let understood = understood(&setup);
                print!("{}", if self.json { sound_json(&understood) } else { text(&understood) });
                ExitCode::SUCCESS
            }
            Err(problems) => {
                if self.json {
                    print!("{}", wrong_json(&problems));
                } else {
                    eprintln!("{problems}");
                }
                ExitCode::from(1)
            }
        }
    }
}

/// A sound config as JSON.
pub fn sound_json(understood: &Understood) -> String {
    let json = serde_json::json!({ "sound": true, "understood": understood });
    format!("{json:#}\n")
}

/// What is wrong as JSON.
pub fn wrong_json(problems: &Problems) -> String {
    let json = serde_json::json!({ "sound": false, "problems": problems.0 });
    format!("{json:#}\n")
}

/// A sound config as text.
pub fn text(understood: &Understood) -> String {
    let mut out = String::new();
    write(&mut out, understood).expect("a string takes all that is written");
    out
}

fn write(out: &mut String, understood: &Understood) -> fmt::Result {
    let daemon = &understood.daemon;
    writeln!(out, "daemon")?;
    writeln!(out, "  broker  {}", daemon.broker)?;
    writeln!(out, "  http    {}", daemon.http)?;
    for channel in &daemon.alarms_go_to {
        writeln!(out, "  alarms  {channel}")?;
    }
    warnings(out, &daemon.warnings)?;
    for of in &understood.tanks {
        writeln!(out)?;
        tank(out, of)?;
    }
    writeln!(out, "\ncautions")?;
    for caution in &understood.cautions {
        writeln!(out, "  - {caution}")?;
    }
    let count = daemon.warnings.len() + understood.tanks.iter().map(|tank| tank.warnings.len()).sum::<usize>();
    writeln!(out, "\nsound, with {count} warning{}", if count == 1 { "" } else { "s" })
}

fn tank(out: &mut String, tank: &Tank) -> fmt::Result {
    writeln!(out, "{}: {}, {}", tank.name, tank.title, tank.about)?;
    lines(out, "signals", &tank.signals)?;
    if let Some(temperature) = &tank.temperature {
        writeln!(out, "  temperature\n    {temperature}")?;
    }
    writeln!(out, "  outputs")?;
    for output in &tank.outputs {
        writeln!(out, "    {} ({})", output.name, output.is)?;
        writeln!(out, "      safe    {}", output.safe_state)?;
        writeln!(out, "      off by  {}", output.off_by)?;
        for (at, need) in output.starts_need.iter().enumerate() {
            writeln!(out, "      {}  {need}", if at == 0 { "starts" } else { "      " })?;
        }
        writeln!(out, "      lease   {}", output.lease)?;
        writeln!(out, "      proof   {}", output.proof)?;
    }
    lines(out, "wishes (rules and schedules, the first is heard first)", &tank.wishes)?;
    lines(out, "interlocks (cause → effect)", &tank.interlocks)?;
    lines(out, "holds (not isolation: pull the plug before hands go near mains parts)", &tank.holds)?;
    lines(out, "alarms", &tank.alarms)?;
    lines(out, "supplies", &tank.supplies)?;
    lines(out, "chores", &tank.chores)?;
    warnings(out, &tank.warnings)
}

fn lines(out: &mut String, title: &str, lines: &[Line]) -> fmt::Result {
    if lines.is_empty() {
        return Ok(());
    }
    writeln!(out, "  {title}")?;
    let width = lines.iter().map(|line| line.name.chars().count()).max().unwrap_or(0);
    for line in lines {
        writeln!(out, "    {:width$}  {}", line.name, line.does)?;
    }
    Ok(())
}

fn warnings(out: &mut String, warnings: &[Warning]) -> fmt::Result {
    if warnings.is_empty() {
        return Ok(());
    }
    writeln!(out, "  warnings")?;
    for warning in warnings {
        writeln!(out, "    {}: {}", warning.about, warning.text)?;
    }
    Ok(())
}

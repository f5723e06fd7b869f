//! `slackwater backup` and `slackwater restore`: what the daemon remembers and its config, in one file, and back.
//!
//! Both work on files and ask no daemon: who may read the data directory may take a backup, and nobody by the network.

use std::fmt::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;

use crate::config;
use crate::shell::backup::{self, Manifest, Over, Restored};
use crate::shell::clock::unix_millis;
use crate::time::Span;

/// Writes what the daemon remembers, and its config, into one file; the daemon may run meanwhile.
#[derive(Debug, clap::Args)]
pub struct Backup {
    /// The file; a tar file, readable by you alone. One that is there already is left alone.
    pub file: PathBuf,
    /// The config directory, which says where the data are.
    #[arg(long, value_name = "DIR", default_value = "/etc/slackwater")]
    pub config: PathBuf,
    /// The data directory, if the config cannot say it.
    #[arg(long, value_name = "DIR")]
    pub data: Option<PathBuf>,
    /// Prints JSON.
    #[arg(long)]
    pub json: bool,
}

/// Puts a backup into a data directory; nothing that may have been spent, given or latched since comes back.
#[derive(Debug, clap::Args)]
pub struct Restore {
    /// The backup.
    pub file: PathBuf,
    /// The data directory, on which no daemon works; made if it is not there.
    #[arg(long, value_name = "DIR")]
    pub to: PathBuf,
    /// Writes the config of the backup into this directory too; left out: it stays in the backup.
    #[arg(long, value_name = "DIR")]
    pub config_to: Option<PathBuf>,
    /// Moves aside what is there already; nothing is deleted.
    #[arg(long)]
    pub over_existing: bool,
    /// Prints JSON.
    #[arg(long)]
    pub json: bool,
}

impl Backup {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        let data = match (&self.data, config::load(&self.config)) {
            (Some(data), _) => data.clone(),
            (None, Ok(setup)) => setup.daemon.data_dir,
            (None, Err(problems)) => {
                let dir = self.config.display();
                eprintln!(
                    "error: the config in `{dir}` is not sound, so it cannot say where the data are\n{problems}\n  name the data directory with `--data`"
                );
                return ExitCode::from(1);
            }
        };
        match backup::take(&self.config, &data, &self.file) {
            Ok(manifest) if self.json => print_json(&manifest),
            Ok(manifest) => {
                print!("{}", self.words(&manifest));
                ExitCode::SUCCESS
            }
            Err(why) => refused(&why),
        }
    }

    fn words(&self, manifest: &Manifest) -> String {
        let (config, store): (Vec<_>, Vec<_>) = manifest.files.iter().partition(|one| one.name.starts_with("config/"));
        let bytes: u64 = store.iter().map(|one| one.bytes).sum();
        let names: Vec<&str> = config.iter().filter_map(|one| one.name.strip_prefix("config/")).collect();
        let mut text = format!(
            "{}\n  taken      {}\n  store      {:.1} MiB, version {}, of {}\n  config     {}\n  not in it  passwords, tokens and keys (they stand in files of their own), and notifications that wait\n",
            self.file.display(),
            manifest.taken,
            bytes as f64 / 1_048_576.0,
            manifest.schema,
            listed(&manifest.tanks),
            if names.is_empty() { "none".to_owned() } else { names.join(", ") },
        );
        if !manifest.unreadable.is_empty() {
            let _ = writeln!(text, "  damaged    the saved state of {}", listed(&manifest.unreadable));
        }
        text
    }
}

impl Restore {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        let over = if self.over_existing { Over::Existing } else { Over::Nothing };
        match backup::restore(&self.file, &self.to, self.config_to.as_deref(), over) {
            Ok(restored) if self.json => print_json(&restored),
            Ok(restored) => {
                print!("{}", self.words(&restored));
                ExitCode::SUCCESS
            }
            Err(why) => refused(&why),
        }
    }

    fn words(&self, restored: &Restored) -> String {
        let manifest = &restored.manifest;
        let age = unix_millis() - manifest.taken_unix_millis;
        let age = match u64::try_from(age) {
            Ok(millis) => format!("{} old", Span::from_millis(millis)),
            Err(_) => "later than this machine's clock says it is now: set the clock first".to_owned(),
        };
        let mut text = format!(
            "{} holds the state of {}, {age}: {}\n",
            restored.data.display(),
            manifest.taken,
            listed(&manifest.tanks)
        );
        for path in &restored.moved {
            let _ = writeln!(text, "moved aside  {}", path.display());
        }
        for path in &restored.config {
            let _ = writeln!(text, "written      {}", path.display());
        }
        if self.config_to.is_none() {
            text += "the config stays in the backup; `--config-to DIR` writes it\n";
        }
        text + NEXT
    }
}

/// What a restored daemon does, and what only a person can.
const NEXT: &str = "
before the daemon starts
  hands out of the water: a hold that was begun after the backup is not known, and pumps start
  stop the daemon that the backup was taken from, if it still runs; put back the files of passwords and tokens

what the daemon takes as happened since the backup
  holds         those of the backup stand, with their original deadline
  latches       stand; heater trips that latch are taken as latched
  top-off       a day's budget is taken as spent, on top of what the backup knows
  doses         a day's limit is taken as given, and every slot until now; nothing is made up for
  forces, bypasses, silenced alarms    are dropped

then look at the tank, `slackwater ack state-damaged`, `slackwater reset`
";

fn listed(names: &[String]) -> String {
    if names.is_empty() { "no tank".to_owned() } else { names.join(", ") }
}

fn refused(why: &str) -> ExitCode {
    eprintln!("error: {why}");
    ExitCode::from(1)
}

fn print_json(facts: &impl serde::Serialize) -> ExitCode {
    match serde_json::to_string_pretty(facts) {
        Ok(text) => {
            println!("{text}");
            ExitCode::SUCCESS
        }
        Err(error) => refused(&error.to_string()),
    }
}

//! `slackwater drill`: the config against scripts with expected commands, alarms and holds.
//!
//! Exit codes: 0 every drill passed, 1 one failed or a file is wrong, 2 misuse. A drill is played on the
//! simulated home: what its file does not fix is as in a tank where all is well.

mod play;
mod words;

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use crate::config::drill::{Script, read};
use crate::config::{Problems, Setup, load};

pub use play::{Miss, Outcome, play};
pub use words::text;

/// Plays scripts of what happens against a config, and says what did not follow. All water is simulated.
#[derive(Clone, Debug, clap::Args)]
#[command(after_help = "\
A drill is a YAML file of what happens at which time, what must follow by a deadline, and what must not happen:
  drill: a wet float stops the top-off
  do:     [{ at: 4 min, fault: high-float sticks wet }]
  expect: [{ output: top-off, is: off, after: 4 min, within: 2 s }]
  never:  [{ output: return-pump, is: off }]
What happens is a `fault` (`slackwater rehearse --list-faults`), an `ask` as on the ask topic, or a `publish`.")]
pub struct Drill {
    /// The drills.
    #[arg(required = true, value_name = "FILE")]
    pub files: Vec<PathBuf>,
    /// The config directory.
    #[arg(long, value_name = "DIR", default_value = "/etc/slackwater")]
    pub config: PathBuf,
    /// The seed of noise and delays.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Prints JSON.
    #[arg(long)]
    pub json: bool,
}

/// Why a drill was not played.
#[derive(Debug)]
pub enum DrillError {
    /// The config, or the drill, is wrong.
    Wrong(Problems),
    /// A file that cannot be read.
    File(PathBuf, io::Error),
}

impl fmt::Display for DrillError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Wrong(problems) => problems.fmt(f),
            Self::File(path, error) => write!(f, "`{}`: {error}", path.display()),
        }
    }
}

impl std::error::Error for DrillError {}

impl Drill {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        let played = load(&self.config).map_err(DrillError::Wrong).and_then(|setup| {
            // All files are read before any is played: a typo in the last one is told at once.
            let scripts = self.files.iter().map(|path| script(path)).collect::<Result<Vec<_>, _>>()?;
            scripts.iter().map(|script| play_checked(&setup, script, self.seed)).collect::<Result<Vec<_>, _>>()
        });
        match played {
            Ok(outcomes) => {
                if self.json {
                    println!("{:#}", words::json(&outcomes));
                } else {
                    print!("{}", text(&outcomes));
                }
                let failed = outcomes.iter().any(|outcome| !outcome.passed());
                if failed { ExitCode::from(1) } else { ExitCode::SUCCESS }
            }
            Err(error) => {
                eprintln!("{error}");
                ExitCode::from(1)
            }
        }
    }
}

/// Reads a drill's file.
pub fn script(path: &Path) -> Result<Script, DrillError> {
    let text = std::fs::read_to_string(path).map_err(|error| DrillError::File(path.to_owned(), error))?;
    read(&path.display().to_string(), &text).map_err(DrillError::Wrong)
}

fn play_checked(setup: &Setup, script: &Script, seed: u64) -> Result<Outcome, DrillError> {
    play(setup, script, seed).map_err(DrillError::Wrong)
}

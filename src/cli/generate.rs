//! `slackwater generate`: man pages and shell completions, written from the definitions of the command line.
//!
//! Duty: files for a package, so that they can say nothing but what the command line takes. It is
//! hidden, since nobody at a tank needs it, and the daemon never runs it.

use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{CommandFactory, ValueEnum};
use clap_complete::Shell;
use clap_complete::aot::generate_to;

/// Writes man pages or shell completions into a directory.
#[derive(Debug, clap::Args)]
pub struct Generate {
    /// What.
    #[arg(value_enum)]
    pub what: What,
    /// The directory; it is made if it is not there.
    #[arg(value_name = "DIR")]
    pub dir: PathBuf,
}

/// What can be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum What {
    /// A page for the program and one for each of its commands, in section 1.
    Man,
    /// For bash, fish and zsh.
    Completions,
}

impl Generate {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        let written = fs::create_dir_all(&self.dir).and_then(|()| match self.what {
            What::Man => man(&self.dir),
            What::Completions => completions(&self.dir),
        });
        match written {
            Ok(()) => ExitCode::SUCCESS,
            Err(error) => {
                eprintln!(
                    "error: cannot write into `{}`: {error}\n  name a directory that you may write to",
                    self.dir.display()
                );
                ExitCode::from(1)
            }
        }
    }
}

fn completions(dir: &Path) -> io::Result<()> {
    for shell in [Shell::Bash, Shell::Fish, Shell::Zsh] {
        generate_to(shell, &mut super::Cli::command(), "slackwater", dir)?;
    }
    Ok(())
}

/// A page for the program and one for each of its commands: `slackwater-dose-calibrate.1`.
fn man(dir: &Path) -> io::Result<()> {
    clap_mangen::generate_to(super::Cli::command(), dir)
}

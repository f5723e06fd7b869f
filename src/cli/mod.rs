//! The command line: arguments in, exit codes out.
//!
//! Duty: choose which of daemon, demo, rehearsal, request or calculation runs, and say how it went.
//! Exit codes: 0 done, 1 refused or found wanting, 2 misuse, 3 daemon not reachable.

pub mod check;
pub mod demo;

use std::process::ExitCode;

use clap::{Parser, Subcommand};

/// Keeps a small marine aquarium inside its limits over the home's MQTT broker.
#[derive(Debug, Parser)]
#[command(name = "slackwater", version, about, max_term_width = 100)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Reads a config directory and says what it means, or everything that is wrong with it.
    Check(check::Check),
    /// Runs the daemon on a simulated lagoon, with a broker built in.
    Demo(Box<demo::Demo>),
    /// Prints the version.
    Version,
}

/// Runs the command line of this process.
pub fn main() -> ExitCode {
    let cli = Cli::parse();
    match cli.command {
        Command::Check(check) => check.run(),
        Command::Demo(demo) => demo.run(),
        Command::Version => {
            println!("slackwater {}", env!("CARGO_PKG_VERSION"));
            ExitCode::SUCCESS
        }
    }
}

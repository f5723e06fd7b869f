//! The command line: arguments in, exit codes out.
//!
//! Duty: choose which of daemon, demo, rehearsal, request or calculation runs, and say how it went.
//! Exit codes: 0 done, 1 refused or found wanting, 2 misuse, 3 daemon not reachable.

#[cfg(feature = "embedded-broker")]
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
    /// Prints the version.
    Version,
}

/// Runs the command line of this process.
pub fn main() -> ExitCode {
    let cli = Cli::parse();
    match cli.command {
        Command::Version => {
            println!("slackwater {}", env!("CARGO_PKG_VERSION"));
            ExitCode::SUCCESS
        }
    }
}

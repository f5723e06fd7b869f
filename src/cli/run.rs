//! `slackwater run`: the daemon itself.

use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;

use tokio::signal::unix::{SignalKind, signal};

use super::log;
use crate::config;
use crate::shell;

/// Runs the daemon until it is told to stop.
#[derive(Debug, clap::Args)]
pub struct Run {
    /// The config directory.
    #[arg(long, value_name = "DIR", default_value = "/etc/slackwater")]
    pub config: PathBuf,
    /// Writes the log as JSON lines.
    #[arg(long)]
    pub log_json: bool,
}

impl Run {
    /// Runs the command.
    pub fn run(self) -> ExitCode {
        let _log = log::start(self.log_json);
        // A config with a mistake never starts half a daemon.
        let setup = match config::load(&self.config) {
            Ok(setup) => setup,
            Err(problems) => {
                eprintln!("{problems}");
                return ExitCode::from(1);
            }
        };
        let dir = self.config;
        let options = shell::Options {
            calculations: Some(super::calc::by_json::calculations()),
            loader: Some(Arc::new(move || config::load(&dir).map_err(|problems| problems.to_string()))),
            hang_up_reloads: true,
            ..shell::Options::default()
        };
        match shell::run(setup, options, asked_to_stop()) {
            Ok(()) => ExitCode::SUCCESS,
            Err(error) => {
                eprintln!("error: {error}");
                ExitCode::from(1)
            }
        }
    }
}

/// SIGTERM, SIGINT or a terminal that was closed: what ends a command that is no daemon.
pub async fn told_to_end() {
    let closed = async {
        match signal(SignalKind::hangup()) {
            Ok(mut hang_up) => drop(hang_up.recv().await),
            Err(_) => std::future::pending().await,
        }
    };
    tokio::select! {
        () = asked_to_stop() => {}
        () = closed => {}
    }
}

/// SIGTERM or SIGINT.
pub async fn asked_to_stop() {
    let (Ok(mut terminate), Ok(mut interrupt)) = (signal(SignalKind::terminate()), signal(SignalKind::interrupt()))
    else {
        tracing::error!("signals cannot be heard; only a kill ends this daemon");
        return std::future::pending().await;
    };
    tokio::select! {
        _ = terminate.recv() => {}
        _ = interrupt.recv() => {}
    }
}

//! `slackwater run`: the daemon itself.

use std::io::IsTerminal as _;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;

use tokio::signal::unix::{SignalKind, signal};
use tracing_appender::non_blocking::{NonBlockingBuilder, WorkerGuard};

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
        let _log = start_log(self.log_json);
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

/// Lines that wait for whoever reads standard error; where they are too many, new ones are lost.
const LOG_LINES: usize = 8192;

/// Log lines go to standard error, for the service manager keeps them, by a thread of their own: a
/// reader that stands still must not stop control. What is dropped last writes what waits.
fn start_log(json: bool) -> WorkerGuard {
    let filter = tracing_subscriber::EnvFilter::try_from_default_env()
        .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new("info"));
    let (writer, guard) =
        NonBlockingBuilder::default().buffered_lines_limit(LOG_LINES).thread_name("log").finish(std::io::stderr());
    let colours = std::io::stderr().is_terminal();
    let log =
        tracing_subscriber::fmt().with_env_filter(filter).with_ansi(colours).with_writer(writer).with_target(false);
    // A second start in one process keeps the first log.
    let _ = if json { log.json().try_init() } else { log.try_init() };
    guard
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

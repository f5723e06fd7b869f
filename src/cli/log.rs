//! The log of the daemon, on standard error, for the service manager keeps it.
//!
//! Duty: to write lines by a thread of its own, so that a reader that stands still cannot stop
//! control, and to wake that thread seldom: a wake-up for each line would take the processor from
//! the next reading on a small board. What is lost in a kill is at most [`GATHER`] of lines.

use std::io::{self, BufWriter, IsTerminal as _, Stderr, Write};
use std::time::Duration;

use tracing_appender::non_blocking::{NonBlockingBuilder, WorkerGuard};

use crate::shell::background;

/// Lines that wait for whoever reads standard error; where they are too many, new ones are lost.
const LINES: usize = 8192;

/// After a line has been written at once, the next ones are gathered for so long.
const GATHER: Duration = Duration::from_millis(50);

/// Starts the log. What is dropped last writes what waits.
pub fn start(json: bool) -> WorkerGuard {
    let filter = tracing_subscriber::EnvFilter::try_from_default_env()
        .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new("info"));
    let gathered = Gathered { lines: BufWriter::new(io::stderr()), yields: false };
    let (writer, guard) = NonBlockingBuilder::default().buffered_lines_limit(LINES).thread_name("log").finish(gathered);
    let colours = io::stderr().is_terminal();
    let log =
        tracing_subscriber::fmt().with_env_filter(filter).with_ansi(colours).with_writer(writer).with_target(false);
    // A second start in one process keeps the first log.
    let _ = if json { log.json().try_init() } else { log.try_init() };
    guard
}

/// Standard error as the log's thread sees it, which flushes when no line waits.
struct Gathered {
    lines: BufWriter<Stderr>,
    yields: bool,
}

impl Write for Gathered {
    fn write(&mut self, line: &[u8]) -> io::Result<usize> {
        if !self.yields {
            background::yield_to_control();
            self.yields = true;
        }
        self.lines.write(line)
    }

    #[expect(
        clippy::disallowed_methods,
        reason = "the log's own thread, which gathers lines meanwhile; control never waits for it"
    )]
    fn flush(&mut self) -> io::Result<()> {
        let written = self.lines.flush();
        std::thread::sleep(GATHER);
        written
    }
}

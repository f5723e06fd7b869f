//! The story on the terminal: one calm line when something happens, with the simulated time.

use std::fmt;

use tracing::{Event, Level, Subscriber};
use tracing_subscriber::EnvFilter;
use tracing_subscriber::fmt::format::Writer;
use tracing_subscriber::fmt::{FmtContext, FormatEvent, FormatFields};
use tracing_subscriber::registry::LookupSpan;

use crate::shell::clock::Clock;
use crate::time::Span;

/// Hours, minutes and seconds since the start of the demo, in simulated time.
pub fn elapsed(span: Span) -> String {
    let seconds = span.millis() / 1000;
    format!("{:>3}:{:02}:{:02}", seconds / 3600, seconds / 60 % 60, seconds % 60)
}

struct Line {
    clock: Clock,
}

impl<S, N> FormatEvent<S, N> for Line
where
    S: Subscriber + for<'a> LookupSpan<'a>,
    N: for<'a> FormatFields<'a> + 'static,
{
    fn format_event(&self, context: &FmtContext<'_, S, N>, mut writer: Writer<'_>, event: &Event<'_>) -> fmt::Result {
        let mark = match *event.metadata().level() {
            Level::ERROR => "error: ",
            Level::WARN => "warning: ",
            _ => "",
        };
        write!(writer, "{}  {mark}", elapsed(Span::from_millis(self.clock.now().steady.millis())))?;
        context.format_fields(writer.by_ref(), event)?;
        writeln!(writer)
    }
}

/// From now on what happens is told on the standard output. Only our own words: the broker's are not the daemon's.
pub fn start(clock: Clock) {
    let told = tracing_subscriber::fmt()
        .with_env_filter(EnvFilter::new("off,slackwater=info"))
        .with_writer(std::io::stdout)
        .event_format(Line { clock });
    // A test that runs several demos in one process has told already.
    let _ = told.try_init();
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_is_told_as_on_a_stop_watch() {
        assert_eq!(elapsed(Span::from_millis(7_384_900)), "  2:03:04");
        assert_eq!(elapsed(Span::from_hours(120)), "120:00:00");
    }
}

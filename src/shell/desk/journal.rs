//! Lines of the journal, gathered for a moment and handed over together.
//!
//! A command leaves before its line is handed over, and the threads behind (`shell::store`) wake four
//! times a second at most: a line costs more than a step. A kill loses the lines of that moment and
//! nothing that safety rests on, for the state is saved by itself.

use tokio::time::{Duration, Instant};

use crate::control::effect::JournalEntry;

use super::Desk;

/// How long a line waits at most.
const GATHER: Duration = Duration::from_millis(250);

#[derive(Debug, Default)]
pub(super) struct Journal {
    lines: Vec<(String, JournalEntry)>,
    since: Option<Instant>,
}

impl Journal {
    pub(super) fn push(&mut self, tank: String, entry: JournalEntry) {
        self.since.get_or_insert_with(Instant::now);
        self.lines.push((tank, entry));
    }

    /// When they are to be handed over.
    pub(super) fn due(&self) -> Option<Instant> {
        self.since.map(|since| since + GATHER)
    }
}

impl Desk {
    /// Hands all lines to the log and the store.
    pub(super) fn write_journal(&mut self) {
        self.journal.since = None;
        self.store.journal(std::mem::take(&mut self.journal.lines));
    }
}

//! Lines of the journal and the log, gathered for a moment and written together.
//!
//! A command leaves before its line is written, and the store's thread wakes ten times a second at
//! most: a line costs more than a step. A kill loses the lines of that moment and nothing that
//! safety rests on, for the state is saved by itself.

use tokio::time::{Duration, Instant};

use crate::control::effect::JournalEntry;

use super::Desk;

/// How long a line waits at most.
const GATHER: Duration = Duration::from_millis(100);
/// More lines than this do not wait.
const MANY: usize = 256;

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

    /// When they are to be written.
    pub(super) fn due(&self) -> Option<Instant> {
        let since = self.since?;
        Some(if self.lines.len() >= MANY { since } else { since + GATHER })
    }
}

impl Desk {
    /// Writes the lines that wait, to the log and to the store.
    pub(super) fn write_journal(&mut self) {
        self.journal.since = None;
        let lines = std::mem::take(&mut self.journal.lines);
        for (tank, entry) in &lines {
            tracing::info!("{tank}: {} {}: {}", entry.kind.word(), entry.subject, entry.text);
        }
        self.store.journal(lines);
    }
}

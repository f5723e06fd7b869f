//! Lines of the journal and the log, gathered for a moment and written together.
//!
//! A command leaves before its line is written, the log takes a few lines at a time, and the store's
//! thread wakes four times a second at most: a line costs more than a step. A kill loses the lines of
//! that moment and nothing that safety rests on, for the state is saved by itself.

use tokio::time::{Duration, Instant};

use crate::control::effect::JournalEntry;

use super::Desk;

/// How long a line waits at most.
const GATHER: Duration = Duration::from_millis(250);
/// Lines that are logged between two messages, at least; more where many wait.
const PIECE: usize = 8;

#[derive(Debug, Default)]
pub(super) struct Journal {
    lines: Vec<(String, JournalEntry)>,
    /// How many of them the log has.
    logged: usize,
    since: Option<Instant>,
}

impl Journal {
    pub(super) fn push(&mut self, tank: String, entry: JournalEntry) {
        self.since.get_or_insert_with(Instant::now);
        self.lines.push((tank, entry));
    }

    /// When they are to be written.
    pub(super) fn due(&self) -> Option<Instant> {
        self.since.map(|since| since + GATHER)
    }
}

impl Desk {
    /// Writes some of the lines that wait to the log; after the last one, all go to the store.
    pub(super) fn write_some_of_the_journal(&mut self) {
        let journal = &mut self.journal;
        let piece = PIECE.max(journal.lines.len() / 8);
        for (tank, entry) in journal.lines.iter().skip(journal.logged).take(piece) {
            tracing::info!("{tank}: {} {}: {}", entry.kind.word(), entry.subject, entry.text);
        }
        journal.logged += piece;
        if journal.logged >= journal.lines.len() {
            (journal.logged, journal.since) = (0, None);
            self.store.journal(std::mem::take(&mut journal.lines));
        }
    }

    /// Writes all of them.
    pub(super) fn write_journal(&mut self) {
        while !self.journal.lines.is_empty() {
            self.write_some_of_the_journal();
        }
    }
}

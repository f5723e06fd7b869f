//! The journal's lines on their way: into the log, then to the store's thread.
//!
//! Duty: to take lines in batches from control and to turn them into text on a thread that yields to
//! it, since forming a line costs more than a step. A store that hangs does not keep lines out of the
//! log. Where the queue is full, new lines are lost, and that is counted.

use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::JoinHandle;
use std::time::Duration;

use crate::control::effect::JournalEntry;

use super::Job;
use crate::shell::background;

/// Lines of several tanks, in order, each with its tank.
pub type Lines = Vec<(String, JournalEntry)>;

/// Batches that may wait; control gathers for a quarter of a second, so this is minutes.
const QUEUE: usize = 1024;

/// The way to the scribe's thread.
#[derive(Debug)]
pub(super) struct Scribe {
    lines: SyncSender<Lines>,
    thread: JoinHandle<()>,
}

impl Scribe {
    /// Starts the thread. `lost` hears of lines that the store did not take.
    pub fn start(store: SyncSender<Job>, lost: impl Fn() + Send + 'static) -> std::io::Result<Self> {
        let (lines, inbox) = sync_channel(QUEUE);
        let thread = background::spawn("journal", move || write(&inbox, &store, &lost))?;
        Ok(Self { lines, thread })
    }

    /// Hands lines over without waiting; `false`: they are lost.
    pub fn take(&self, lines: Lines) -> bool {
        self.lines.try_send(lines).is_ok()
    }

    /// All lines are with the store, or the time is over.
    pub fn close(self, patience: Duration) {
        drop(self.lines);
        background::join_within(self.thread, patience);
    }
}

fn write(inbox: &Receiver<Lines>, store: &SyncSender<Job>, lost: &impl Fn()) {
    while let Ok(lines) = inbox.recv() {
        for (tank, entry) in &lines {
            tracing::info!("{tank}: {} {}: {}", entry.kind.word(), entry.subject, entry.text);
        }
        if store.try_send(Job::Journal(lines)).is_err() {
            lost();
        }
    }
}

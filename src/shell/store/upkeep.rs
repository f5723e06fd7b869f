//! What the store's thread does besides writing: one small piece at a time, and none while a job waits.

use std::time::{Duration, Instant};

use super::database::Database;
use super::history::{self, thin::Thinning};
use crate::shell::clock::unix_millis;
use crate::wire::metrics::Meters;

/// Between two pieces while there are more. A piece takes milliseconds: most of the time is control's.
const BETWEEN: Duration = Duration::from_millis(100);
/// After the last one, or one that failed.
const LATER: Duration = Duration::from_mins(1);

/// When the next piece is due.
#[derive(Debug)]
pub(super) struct Upkeep {
    due: Instant,
    thinning: Thinning,
}

impl Default for Upkeep {
    fn default() -> Self {
        // Not while the tanks start.
        Self { due: Instant::now() + BETWEEN * 10, thinning: Thinning::default() }
    }
}

impl Upkeep {
    /// How long there is nothing to do.
    pub(super) fn wait(&self) -> Duration {
        self.due.saturating_duration_since(Instant::now())
    }

    /// Does one piece, if it is due.
    pub(super) fn some(&mut self, database: &mut Database, meters: &Meters) {
        if !self.wait().is_zero() {
            return;
        }
        let more = self.piece(database);
        if let Ok(size) = database.size() {
            meters.store_size.set(i64::try_from(size).unwrap_or(i64::MAX));
        }
        self.due = Instant::now()
            + match more {
                Ok(true) => BETWEEN,
                Ok(false) => LATER,
                Err(error) => {
                    tracing::warn!("the history cannot be thinned: {error}");
                    meters.store_failures.inc();
                    LATER
                }
            };
    }

    fn piece(&mut self, database: &mut Database) -> rusqlite::Result<bool> {
        let now = unix_millis().div_euclid(1000);
        Ok(history::move_some(database.connection())? || self.thinning.some(database.connection(), now)?)
    }
}

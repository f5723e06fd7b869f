//! Readings for the long graphs, and each local day's steadiness: what stands in the file.
//!
//! A reading is a bucket of time: least, mean and greatest of its samples, and how many. Three levels,
//! each made of the one before by the store's thread ([`thin`]) when it is old enough:
//!
//! | level | bucket | kept as such for |
//! | --- | --- | --- |
//! | 0 | `sample_every` (1 min) | 14 days |
//! | 1 | 10 min | 400 days |
//! | 2 | 1 h | ever: 2.6 MiB a year for the lagoon |
//!
//! No extreme is ever lost by thinning, and the mean stays that of all samples. A moment is in one level
//! only. Days are kept for ever; lines of the journal that tell of everyday things for 90 days, all
//! others for ten years. Tables: `series` (a signal with its unit and its tank's zone), `buckets`,
//! `days`, `steadiness` (the running day of each tank). Times are Unix seconds.

pub mod journal;
mod migrate;
pub mod read;
pub mod thin;
mod write;

use rusqlite::Connection;

use crate::water::stats::days::Day;

pub use migrate::{from_version_1, move_some};
pub use write::{write_days, write_samples, write_steadiness};

/// Seconds of a bucket of levels 1 and 2.
pub const TEN_MINUTES: i64 = 600;
/// Seconds of a bucket of level 2.
pub const HOUR: i64 = 3600;
const DAY: i64 = 24 * HOUR;
/// From this age on, s, the buckets of a level are gathered into the next one (a choice).
pub const KEPT: [i64; 2] = [14 * DAY, 400 * DAY];

/// A bucket for the long graphs.
#[derive(Clone, Debug, PartialEq)]
pub struct Sample {
    /// When it ends, Unix milliseconds.
    pub at: i64,
    /// Whose.
    pub tank: String,
    /// Of what.
    pub signal: String,
    /// The unit of the values.
    pub unit: &'static str,
    /// The zone of the tank's days.
    pub zone: String,
    /// The least of its samples.
    pub least: f64,
    /// Their mean.
    pub mean: f64,
    /// The greatest.
    pub greatest: f64,
    /// How many they are.
    pub count: u32,
}

/// A completed local day of a signal.
#[derive(Clone, Debug, PartialEq)]
pub struct DayOf {
    /// Whose.
    pub tank: String,
    /// Of what.
    pub signal: String,
    /// The unit of the values.
    pub unit: &'static str,
    /// The zone.
    pub zone: String,
    /// What it was.
    pub day: Day,
}

/// Makes the tables where they are missing.
pub fn create(connection: &Connection) -> rusqlite::Result<()> {
    connection.execute_batch(
        "CREATE TABLE IF NOT EXISTS series (id INTEGER PRIMARY KEY, tank TEXT NOT NULL, signal TEXT NOT NULL, unit TEXT NOT NULL, zone TEXT NOT NULL, UNIQUE (tank, signal));
         CREATE TABLE IF NOT EXISTS buckets (series INTEGER NOT NULL, level INTEGER NOT NULL, at INTEGER NOT NULL, least REAL NOT NULL, mean REAL NOT NULL, greatest REAL NOT NULL, count INTEGER NOT NULL, PRIMARY KEY (series, level, at)) WITHOUT ROWID;
         CREATE TABLE IF NOT EXISTS days (series INTEGER NOT NULL, date TEXT NOT NULL, begins INTEGER NOT NULL, ends INTEGER NOT NULL, covered REAL NOT NULL, mean REAL, sd REAL, least REAL, greatest REAL, low REAL, high REAL, inside REAL, below REAL, above REAL, heating_weeks REAL, PRIMARY KEY (series, date)) WITHOUT ROWID;
         CREATE TABLE IF NOT EXISTS steadiness (tank TEXT PRIMARY KEY, json TEXT NOT NULL) WITHOUT ROWID;
         CREATE INDEX IF NOT EXISTS journal_marks ON journal (tank, at) WHERE kind IN ('hold', 'trip');",
    )
}

#[cfg(test)]
mod tests;

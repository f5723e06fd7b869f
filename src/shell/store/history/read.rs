//! Reading the history, beside the store's thread and never in its way: for charts and exports.

use std::path::Path;
use std::time::Duration;

use rusqlite::{Connection, OpenFlags, OptionalExtension, Row, params};

use crate::time::{Wall, Zone};
use crate::water::stats::days::{Day, InBand};

use super::{HOUR, TEN_MINUTES};

/// The file, read only.
#[derive(Debug)]
pub struct History {
    pub(super) connection: Connection,
}

/// A signal that the file knows.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    id: i64,
    /// Whose.
    pub tank: String,
    /// Of what.
    pub signal: String,
    /// The unit of its values.
    pub unit: String,
    /// The zone of its days.
    pub zone: Zone,
}

/// A stretch of time of a signal.
#[derive(schemars::JsonSchema, Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Bucket {
    /// When it begins, Unix seconds.
    pub at: i64,
    /// The least sample.
    pub least: f64,
    /// The mean of all samples.
    pub mean: f64,
    /// The greatest sample.
    pub greatest: f64,
    /// How many samples.
    pub count: i64,
}

/// What happened, to be drawn over a graph.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize)]
pub struct Mark {
    /// When.
    pub at: Wall,
    /// The journal's word: `hold`, `trip`; `water-change` of the keeper's log.
    pub kind: String,
    /// The hold, the interlock, or the kind of the entry.
    pub subject: String,
    /// What, in words.
    pub text: String,
}

impl History {
    /// Opens the file of a data directory for reading.
    pub fn open(data_dir: &Path) -> rusqlite::Result<Self> {
        Self::open_file(&data_dir.join("slackwater.db"))
    }

    /// Opens the store's file for reading.
    pub fn open_file(path: &Path) -> rusqlite::Result<Self> {
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let connection = Connection::open_with_flags(path, flags)?;
        connection.busy_timeout(Duration::from_millis(500))?;
        Ok(Self { connection })
    }

    /// A signal's mean nearest to a moment, not further from it than a span, both in Unix seconds.
    pub fn value_near(&self, tank: &str, signal: &str, at: i64, within: i64) -> rusqlite::Result<Option<f64>> {
        let near = "SELECT mean FROM buckets WHERE series = (SELECT id FROM series WHERE tank = ?1 AND signal = ?2) AND at BETWEEN ?3 AND ?4 ORDER BY abs(at - ?5) LIMIT 1";
        let wanted = params![tank, signal, at - within, at + within, at];
        self.connection.query_row(near, wanted, |row| row.get(0)).optional()
    }

    /// The signals of a tank that anything is kept of.
    pub fn signals(&self, tank: &str) -> rusqlite::Result<Vec<Series>> {
        let mut all = self
            .connection
            .prepare("SELECT id, tank, signal, unit, zone FROM series WHERE tank = ?1 ORDER BY signal")?;
        let rows = all.query_map([tank], |row| {
            let zone: String = row.get(4)?;
            Ok(Series {
                id: row.get(0)?,
                tank: row.get(1)?,
                signal: row.get(2)?,
                unit: row.get(3)?,
                zone: zone.parse().unwrap_or(Zone::UTC),
            })
        })?;
        rows.collect()
    }

    /// About `points` buckets from one moment to another (Unix seconds), and the seconds of each. Where the
    /// range is older than the fine buckets are kept, there are fewer.
    pub fn chart(&self, series: &Series, (from, to): (i64, i64), points: u32) -> rusqlite::Result<(i64, Vec<Bucket>)> {
        let wanted = ((to - from).max(1) + i64::from(points) - 1) / i64::from(points.max(1));
        let least = if self.has(series, 2, (from, to))? {
            HOUR
        } else if self.has(series, 1, (from, to))? {
            TEN_MINUTES
        } else {
            1
        };
        let wanted = wanted.max(least);
        // Round steps, aligned to the clock, so that a chart that moves on shows the same buckets.
        let step = if wanted > HOUR { HOUR } else { 60.min(wanted) };
        let width = (wanted + step - 1) / step * step;
        let mut found: Vec<Bucket> = Vec::new();
        // The older the coarser, and each moment is in one level only: in this order time rises.
        for level in [2, 1, 0] {
            let mut query = self.connection.prepare_cached(
                "SELECT at / ?5 * ?5, min(least), sum(mean * count), max(greatest), sum(count) FROM buckets
                 WHERE series = ?1 AND level = ?2 AND at >= ?3 AND at < ?4 GROUP BY at / ?5 ORDER BY 1",
            )?;
            let rows = query.query_map(params![series.id, level, from, to, width], |row| bucket(row, 0))?;
            for next in rows {
                let mut next = next?;
                next.mean = within(next.mean / next.count.max(1) as f64, &next);
                match found.last_mut() {
                    // The last one of a level and the first one of the next may be the same stretch.
                    Some(last) if last.at == next.at => *last = merged(*last, next),
                    _ => found.push(next),
                }
            }
        }
        Ok((width, found))
    }

    /// When the newest bucket ends, Unix seconds.
    pub fn newest(&self, series: &Series) -> rusqlite::Result<Option<i64>> {
        self.connection
            .prepare_cached("SELECT max(at) FROM buckets WHERE series = ?1 AND level = 0")?
            .query_row([series.id], |row| row.get(0))
    }

    fn has(&self, series: &Series, level: i64, (from, to): (i64, i64)) -> rusqlite::Result<bool> {
        let found: Option<i64> = self
            .connection
            .prepare_cached("SELECT 1 FROM buckets WHERE series = ?1 AND level = ?2 AND at >= ?3 AND at < ?4 LIMIT 1")?
            .query_row(params![series.id, level, from, to], |row| row.get(0))
            .optional()?;
        Ok(found.is_some())
    }

    /// The buckets as they are kept, the coarse ones of old times first, at most so many.
    pub fn readings(&self, series: &Series, (from, to): (i64, i64), at_most: u32) -> rusqlite::Result<Vec<Bucket>> {
        let mut query = self.connection.prepare_cached(
            "SELECT at, least, mean, greatest, count FROM buckets
             WHERE series = ?1 AND level IN (0, 1, 2) AND at >= ?2 AND at < ?3 ORDER BY at LIMIT ?4",
        )?;
        let rows = query.query_map(params![series.id, from, to, at_most], |row| bucket(row, 0))?;
        rows.map(|row| row.map(|row| Bucket { mean: within(row.mean, &row), ..row })).collect()
    }

    /// The days that begin in a range, the oldest first, at most so many.
    pub fn days(&self, series: &Series, (from, to): (i64, i64), at_most: u32) -> rusqlite::Result<Vec<Day>> {
        let mut query = self.connection.prepare_cached(
            "SELECT date, begins, ends, covered, mean, sd, least, greatest, low, high, inside, below, above, heating_weeks
             FROM days WHERE series = ?1 AND begins >= ?2 AND begins < ?3 ORDER BY date LIMIT ?4",
        )?;
        query.query_map(params![series.id, from, to, at_most], day)?.collect()
    }

    /// Holds and trips of a tank, the oldest first, at most so many.
    pub fn marks(&self, tank: &str, (from, to): (i64, i64), at_most: u32) -> rusqlite::Result<Vec<Mark>> {
        let mut query = self.connection.prepare_cached(
            "SELECT at, kind, subject, text FROM journal INDEXED BY journal_marks
             WHERE kind IN ('hold', 'trip') AND tank = ?1 AND at >= ?2 AND at < ?3 ORDER BY at LIMIT ?4",
        )?;
        let rows = query.query_map(params![tank, from * 1000, to * 1000, at_most], |row| {
            let at = Wall::from_unix_millis(row.get(0)?);
            Ok(Mark { at, kind: row.get(1)?, subject: row.get(2)?, text: row.get(3)? })
        })?;
        rows.collect()
    }
}

fn bucket(row: &Row<'_>, from: usize) -> rusqlite::Result<Bucket> {
    Ok(Bucket {
        at: row.get(from)?,
        least: row.get(from + 1)?,
        mean: row.get(from + 2)?,
        greatest: row.get(from + 3)?,
        count: row.get(from + 4)?,
    })
}

fn merged(a: Bucket, b: Bucket) -> Bucket {
    let (n, m) = (a.count.max(1) as f64, b.count.max(1) as f64);
    let mut both = Bucket {
        at: a.at,
        least: a.least.min(b.least),
        mean: (a.mean * n + b.mean * m) / (n + m),
        greatest: a.greatest.max(b.greatest),
        count: a.count + b.count,
    };
    both.mean = within(both.mean, &both);
    both
}

/// A mean of means rounds, and is never outside of what it is the mean of.
fn within(mean: f64, of: &Bucket) -> f64 {
    mean.max(of.least).min(of.greatest)
}

fn day(row: &Row<'_>) -> rusqlite::Result<Day> {
    let moment = |at: i64| Wall::from_unix_millis(at * 1000);
    let edges: (Option<f64>, Option<f64>) = (row.get(8)?, row.get(9)?);
    let band = match edges {
        (Some(low), Some(high)) => {
            Some(InBand { low, high, inside: row.get(10)?, below: row.get(11)?, above: row.get(12)? })
        }
        _ => None,
    };
    Ok(Day {
        date: row.get(0)?,
        from: moment(row.get(1)?),
        until: moment(row.get(2)?),
        covered: row.get(3)?,
        mean: row.get(4)?,
        sd: row.get(5)?,
        least: row.get(6)?,
        greatest: row.get(7)?,
        band,
        heating_weeks: row.get(13)?,
    })
}

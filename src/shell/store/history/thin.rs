//! Thinning, some rows at a time, so that a record that control waits for is never far behind.

use rusqlite::{Connection, OptionalExtension, params};

use super::{HOUR, KEPT, TEN_MINUTES};

/// Rows that one piece takes up at most, or one hour of them if that is more.
const PIECE: i64 = 2000;
/// Everyday lines of the journal are kept for so long, s; the others for [`LINES_KEPT`]. [choice]
const EVERYDAY_KEPT: i64 = 90 * 24 * HOUR;
const LINES_KEPT: i64 = 10 * 366 * 24 * HOUR;

/// Where the last piece ended, so that the next one begins there.
#[derive(Debug, Default)]
pub struct Thinning {
    series: i64,
    line: i64,
}

impl Thinning {
    /// Does one piece of what is due at `now` (Unix seconds); `true`: there is more.
    pub fn some(&mut self, connection: &mut Connection, now: i64) -> rusqlite::Result<bool> {
        for level in [0, 1] {
            let size = if level == 0 { TEN_MINUTES } else { HOUR };
            // Whole hours only, so that a bucket is made at once and of all its parts.
            let cutoff = (now - KEPT[usize::from(level != 0)]).div_euclid(HOUR) * HOUR;
            if let Some((series, from)) = self.next(connection, level, cutoff)? {
                gather(connection, (series, level), (from, cutoff), size)?;
                return Ok(true);
            }
        }
        self.prune(connection, now)
    }

    /// A signal with buckets that are too old for their level, and the oldest one; each signal in its turn.
    fn next(&mut self, connection: &Connection, level: i64, cutoff: i64) -> rusqlite::Result<Option<(i64, i64)>> {
        let mut after = connection.prepare_cached(
            "SELECT id, (SELECT min(at) FROM buckets WHERE series = id AND level = ?1) AS oldest FROM series
             WHERE id > ?3 AND oldest < ?2 ORDER BY id LIMIT 1",
        )?;
        let mut after =
            |id: i64| after.query_row(params![level, cutoff, id], |row| Ok((row.get(0)?, row.get(1)?))).optional();
        let found: Option<(i64, i64)> = match after(self.series)? {
            None if self.series > 0 => after(0)?,
            found => found,
        };
        self.series = found.map_or(0, |(series, _)| series);
        Ok(found)
    }

    fn prune(&mut self, connection: &mut Connection, now: i64) -> rusqlite::Result<bool> {
        let last: Option<i64> = connection
            .prepare_cached(
                "SELECT max(id) FROM (SELECT id FROM journal WHERE id > ?1 AND at < ?2 ORDER BY id LIMIT ?3)",
            )?
            .query_row(params![self.line, (now - EVERYDAY_KEPT) * 1000, PIECE], |row| row.get(0))?;
        let Some(last) = last else {
            // From the first line again after a while, for those that grew old meanwhile.
            self.line = 0;
            return Ok(false);
        };
        connection
            .prepare_cached(
                "DELETE FROM journal WHERE id > ?1 AND id <= ?2 AND at < ?3
                 AND (kind IN ('command', 'proof', 'reading', 'top-off') OR at < ?4)",
            )?
            .execute(params![self.line, last, (now - EVERYDAY_KEPT) * 1000, (now - LINES_KEPT) * 1000])?;
        self.line = last;
        Ok(true)
    }
}

/// Gathers buckets of one level into the next one's.
fn gather(
    connection: &mut Connection,
    (series, level): (i64, i64),
    (from, cutoff): (i64, i64),
    size: i64,
) -> rusqlite::Result<()> {
    let whole = |at: i64| at.div_euclid(HOUR) * HOUR;
    let piece: Option<i64> = connection
        .prepare_cached(
            "SELECT at FROM buckets WHERE series = ?1 AND level = ?2 AND at >= ?3 ORDER BY at LIMIT 1 OFFSET ?4",
        )?
        .query_row(params![series, level, from, PIECE], |row| row.get(0))
        .optional()?;
    let until = piece.map_or(cutoff, |at| whole(at).max(whole(from) + HOUR)).min(cutoff);
    let transaction = connection.transaction()?;
    transaction
        .prepare_cached(
            "INSERT INTO buckets
             SELECT series, level + 1, at / ?5 * ?5, min(least), sum(mean * count) / sum(count), max(greatest), sum(count)
             FROM buckets WHERE series = ?1 AND level = ?2 AND at >= ?3 AND at < ?4 GROUP BY at / ?5
             ON CONFLICT DO UPDATE SET least = min(least, excluded.least), greatest = max(greatest, excluded.greatest),
             mean = (mean * count + excluded.mean * excluded.count) / (count + excluded.count), count = count + excluded.count",
        )?
        .execute(params![series, level, from, until, size])?;
    transaction
        .prepare_cached("DELETE FROM buckets WHERE series = ?1 AND level = ?2 AND at >= ?3 AND at < ?4")?
        .execute(params![series, level, from, until])?;
    transaction.commit()
}

//! A file of version 1 becomes one of version 2.
//!
//! Version 1 kept one value of each signal a minute, unthinned. Years of them would keep control waiting
//! at the start, so the old table is only renamed then, and moved by the store's thread, some rows at a time.

use rusqlite::{Connection, OptionalExtension, params};

/// Rows that one piece moves at most.
const PIECE: i64 = 2000;

/// The quick part, at the opening of the file.
pub fn from_version_1(connection: &Connection) -> rusqlite::Result<()> {
    if has_table(connection, "readings")? {
        connection.execute_batch("ALTER TABLE readings RENAME TO readings_of_version_1")?;
    }
    Ok(())
}

fn has_table(connection: &Connection, name: &str) -> rusqlite::Result<bool> {
    let found: Option<i64> = connection
        .query_row("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = ?1", [name], |row| row.get(0))
        .optional()?;
    Ok(found.is_some())
}

/// Moves some of the old readings; `true`: there are more.
pub fn move_some(connection: &mut Connection) -> rusqlite::Result<bool> {
    if !has_table(connection, "readings_of_version_1")? {
        return Ok(false);
    }
    let transaction = connection.transaction()?;
    let rows: Vec<(String, String, i64, f64)> = transaction
        .prepare_cached("SELECT tank, signal, at, value FROM readings_of_version_1 LIMIT ?1")?
        .query_map([PIECE], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)))?
        .collect::<Result<_, _>>()?;
    for (tank, signal, at, value) in &rows {
        // Unit and zone are corrected by the first new sample.
        transaction
            .prepare_cached("INSERT OR IGNORE INTO series (tank, signal, unit, zone) VALUES (?1, ?2, '', 'UTC')")?
            .execute(params![tank, signal])?;
        transaction
            .prepare_cached(
                "INSERT OR IGNORE INTO buckets SELECT id, 0, ?3, ?4, ?4, ?4, 1 FROM series WHERE tank = ?1 AND signal = ?2",
            )?
            .execute(params![tank, signal, at.div_euclid(1000), value])?;
        transaction
            .prepare_cached("DELETE FROM readings_of_version_1 WHERE tank = ?1 AND signal = ?2 AND at = ?3")?
            .execute(params![tank, signal, at])?;
    }
    if rows.is_empty() {
        transaction.execute_batch("DROP TABLE readings_of_version_1")?;
    }
    transaction.commit()?;
    Ok(!rows.is_empty())
}

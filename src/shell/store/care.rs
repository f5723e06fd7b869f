//! The keeper's log on the disk: entries only ever come, by number; none is changed or taken away.
//!
//! Each line is JSON with a checksum. One that cannot be read is left where it is, told, and left out.

use rusqlite::{Connection, params};

use crate::care::Entry;

use super::checksum::crc32;

/// What was found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Noted {
    /// Everything that was noted, by number.
    pub entries: Vec<Entry>,
    /// What cannot be read, and why.
    pub unreadable: Vec<String>,
    /// The greatest number that was ever given.
    pub taken: u64,
}

/// Makes the table where it is missing.
pub(super) fn prepare(connection: &Connection) -> rusqlite::Result<()> {
    connection.execute_batch(
        "CREATE TABLE IF NOT EXISTS care (id INTEGER PRIMARY KEY, tank TEXT NOT NULL, at INTEGER NOT NULL, json TEXT NOT NULL, crc INTEGER NOT NULL);",
    )
}

/// Everything that was noted, and what could not be read.
pub(super) fn read(connection: &Connection) -> rusqlite::Result<Noted> {
    let mut statement = connection.prepare("SELECT id, json, crc FROM care ORDER BY id")?;
    let rows =
        statement.query_map([], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, String>(1), row.get::<_, u32>(2))))?;
    let mut noted = Noted::default();
    for row in rows {
        let (id, json, crc) = row?;
        noted.taken = noted.taken.max(u64::try_from(id).unwrap_or(0));
        let entry = match (json, crc) {
            (Ok(json), Ok(crc)) if crc32(json.as_bytes()) == crc => {
                serde_json::from_str::<Entry>(&json).map_err(|error| error.to_string())
            }
            _ => Err("its checksum is wrong".to_owned()),
        };
        match entry {
            Ok(entry) => noted.entries.push(entry),
            Err(why) => noted.unreadable.push(format!("entry #{id} of the log cannot be read: {why}")),
        }
    }
    Ok(noted)
}

/// Writes entries; a number that is there already is an error, so that nothing is ever overwritten.
pub(super) fn write(connection: &Connection, entries: &[Entry]) -> rusqlite::Result<()> {
    for entry in entries {
        let json =
            serde_json::to_string(entry).map_err(|error| rusqlite::Error::ToSqlConversionFailure(error.into()))?;
        connection.prepare_cached("INSERT INTO care VALUES (?1, ?2, ?3, ?4, ?5)")?.execute(params![
            i64::try_from(entry.id.0).unwrap_or(i64::MAX),
            entry.tank,
            entry.at.unix_millis(),
            json,
            crc32(json.as_bytes())
        ])?;
    }
    Ok(())
}

//! Tanks of which this file knows less than was once known: their file was damaged, or this one is a backup.
//!
//! A mark stands from before the first daemon works with the file until the tank's next state is in it, in the same
//! transaction: a kill in between must not make a lost record look like a tank that never had one. The mark of no tank
//! (an empty name) is for all that have no state here; [`expect`] gives it to those that there are.

use std::collections::BTreeMap;

use rusqlite::{Connection, params};

/// For whatever tank has no state.
pub const ANY: &str = "";

/// What is not known.
#[derive(Clone, Debug, PartialEq)]
pub struct Doubt {
    /// Why, in words.
    pub why: String,
    /// When the backup was taken that the state came from, Unix milliseconds; `None`: nothing was saved.
    pub taken: Option<i64>,
}

/// Makes the table where it is missing.
pub fn prepare(connection: &Connection) -> rusqlite::Result<()> {
    connection.execute_batch(
        "CREATE TABLE IF NOT EXISTS doubts (tank TEXT PRIMARY KEY, why TEXT NOT NULL, taken INTEGER) WITHOUT ROWID;",
    )
}

/// All marks. One that cannot be read is of any tank: the safe side.
pub fn read(connection: &Connection) -> rusqlite::Result<BTreeMap<String, Doubt>> {
    let mut statement = connection.prepare("SELECT tank, why, taken FROM doubts")?;
    let rows = statement.query_map([], |row| {
        let tank = row.get(0).unwrap_or_else(|_| ANY.to_owned());
        let why = row.get(1).unwrap_or_else(|_| "nobody can read why".to_owned());
        Ok((tank, Doubt { why, taken: row.get(2).unwrap_or(None) }))
    })?;
    rows.collect()
}

/// Marks a tank, or [`ANY`].
pub fn note(connection: &Connection, tank: &str, doubt: &Doubt) -> rusqlite::Result<()> {
    let row = params![tank, doubt.why, doubt.taken];
    connection.execute("INSERT OR REPLACE INTO doubts VALUES (?1, ?2, ?3)", row).map(drop)
}

/// Gives the mark of any tank to these, where they have no state; a tank that is new later is new.
pub fn expect(connection: &mut Connection, tanks: &[String]) -> rusqlite::Result<()> {
    let transaction = connection.transaction()?;
    for tank in tanks {
        transaction
            .prepare_cached(
                "INSERT OR IGNORE INTO doubts SELECT ?1, why, taken FROM doubts WHERE tank = '' AND NOT EXISTS (SELECT 1 FROM state WHERE tank = ?1)",
            )?
            .execute([tank])?;
    }
    transaction.execute("DELETE FROM doubts WHERE tank = ''", [])?;
    transaction.commit()
}

/// The tank's newest state is in the file, or about to be in the same transaction.
pub fn settle(connection: &Connection, tank: &str) -> rusqlite::Result<()> {
    connection.prepare_cached("DELETE FROM doubts WHERE tank = ?1")?.execute([tank]).map(drop)
}

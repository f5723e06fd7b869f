//! The file: what stands in it, how it is opened, and what is done when it is damaged or full.
//!
//! Tables: `state` (one row a tank, JSON with checksum: what safety rests on), `journal`, those of
//! `history` (readings and days), `daemon` (this data directory's own name), `doubts` (tanks of which less is
//! known than once was), `ballast` (pages that are there already when a full disk gives no more).
//!
//! Direction of failure: a file that cannot be trusted is moved aside and never used; whoever asks
//! for a state then hears that there was one, and takes safe values.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, ErrorCode, OptionalExtension, params};

use crate::care::Entry;
use crate::control::effect::{Durability, JournalEntry};

use super::care::{self, Noted};
use super::checksum::{crc_of_state, crc32};
use super::doubts::{self, Doubt};
use super::history::{self, DayOf, Sample};
use super::room::Room;
use crate::shell::clock::unix_millis;

/// The version of the tables; a greater one is from a newer daemon, a smaller one is brought up to it.
pub(in crate::shell) const SCHEMA: i64 = 2;

/// No daemon ever writes more: such a version has rotted, and is no reason not to start.
const GREATEST_VERSION: i64 = 1000;

/// No limit of our own, in pages: the greatest that there is.
const MOST_PAGES: i64 = 4_294_967_294;

/// Room kept for states on a full disk, bytes.
const BALLAST: i64 = 1024 * 1024;

/// Pages kept in memory by a connection that only writes, KiB as `SQLite` counts them: else the room that is taken at the
/// start stays there too, up to 2 MiB.
pub(super) const CACHE: i64 = -256;

/// What was found in the file.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Found {
    /// Each tank's saved state as JSON, or why it cannot be read.
    pub states: BTreeMap<String, Result<String, String>>,
    /// Why nothing in the file can be trusted, and where it is now.
    pub damaged: Option<String>,
    /// This data directory's own name, the same at every start.
    pub instance: String,
    /// The keeper's log.
    pub care: Noted,
    /// Each tank's running day as JSON.
    pub steadiness: BTreeMap<String, String>,
    /// Tanks of which less is known than once was.
    pub doubts: BTreeMap<String, Doubt>,
}

/// Why the file cannot be had.
#[derive(Debug)]
pub enum OpenError {
    /// A newer daemon wrote it.
    Newer {
        /// The file.
        path: PathBuf,
        /// Its version.
        version: i64,
    },
    /// It cannot be opened or made; control goes on without.
    Unusable(String),
}

impl fmt::Display for OpenError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Newer { path, version } => write!(
                f,
                "the store `{}` has version {version}; this daemon knows up to {SCHEMA}\n  use the newer daemon again, or move the file away to start without its memory",
                path.display()
            ),
            Self::Unusable(why) => f.write_str(why),
        }
    }
}

impl std::error::Error for OpenError {}

/// The open file.
#[derive(Debug)]
pub struct Database {
    connection: Connection,
    durability: Option<Durability>,
    room: Room,
    /// Tanks with a mark, until their next state is written.
    doubted: BTreeSet<String>,
}

/// What one transaction writes.
#[derive(Debug, Default)]
pub struct Batch {
    /// Each tank's newest state.
    pub states: BTreeMap<String, String>,
    /// Lines of the journal, in order.
    pub journal: Vec<(String, JournalEntry)>,
    /// Samples.
    pub samples: Vec<Sample>,
    /// Days that are over.
    pub days: Vec<DayOf>,
    /// Each tank's running day.
    pub steadiness: BTreeMap<String, String>,
}

impl Batch {
    /// Whether there is nothing to write.
    pub fn is_empty(&self) -> bool {
        self.states.is_empty() && self.has_only_states()
    }

    /// Whether a full disk would lose nothing of it once the states are written.
    fn has_only_states(&self) -> bool {
        self.journal.is_empty() && self.samples.is_empty() && self.days.is_empty() && self.steadiness.is_empty()
    }
}

impl Database {
    /// Opens the file, moves it aside if it is damaged, and reads what it remembers.
    pub fn open(path: &Path) -> Result<(Self, Found), OpenError> {
        match Self::try_open(path) {
            Ok(opened) => Ok(opened),
            Err(Trouble::Newer(version)) => Err(OpenError::Newer { path: path.to_owned(), version }),
            Err(Trouble::Other(error)) => Err(OpenError::Unusable(error.to_string())),
            Err(Trouble::Damaged(why)) => {
                let aside = move_aside(path).map_err(|error| OpenError::Unusable(format!("{why}; {error}")))?;
                let (database, mut found) = Self::try_open(path).map_err(|trouble| match trouble {
                    Trouble::Newer(version) => OpenError::Newer { path: path.to_owned(), version },
                    Trouble::Damaged(why) => OpenError::Unusable(why),
                    Trouble::Other(error) => OpenError::Unusable(error.to_string()),
                })?;
                found.damaged = Some(format!("the store was damaged ({why}); it is kept as `{}`", aside.display()));
                Ok((database, found))
            }
        }
    }

    fn try_open(path: &Path) -> Result<(Self, Found), Trouble> {
        let connection = Connection::open(path)?;
        connection.busy_timeout(Duration::from_millis(200))?;
        connection.pragma_update(None, "cache_size", CACHE)?;
        if connection.is_readonly("main")? {
            // What it says may be older than what was spent since it could last be written: not to be believed.
            return Err(failure(rusqlite::ffi::SQLITE_READONLY, Some("it can be read and not written")).into());
        }
        let fresh = connection.query_row("SELECT count(*) FROM sqlite_master", [], |row| row.get::<_, i64>(0))? == 0;
        let version: i64 = connection.query_row("PRAGMA user_version", [], |row| row.get(0))?;
        if !(0..=GREATEST_VERSION).contains(&version) {
            return Err(Trouble::Damaged(format!("its version cannot be {version}")));
        }
        if version > SCHEMA {
            return Err(Trouble::Newer(version));
        }
        connection.pragma_update(None, "journal_mode", "WAL")?;
        // The write-ahead log is used again from its start soon, so that it need not grow on a full disk.
        connection.pragma_update(None, "wal_autocheckpoint", 200)?;
        connection.execute_batch(
            "BEGIN;
             CREATE TABLE IF NOT EXISTS state (tank TEXT PRIMARY KEY, json TEXT NOT NULL, crc INTEGER NOT NULL);
             CREATE TABLE IF NOT EXISTS journal (id INTEGER PRIMARY KEY, at INTEGER NOT NULL, tank TEXT NOT NULL, kind TEXT NOT NULL, subject TEXT NOT NULL, text TEXT NOT NULL);
             CREATE TABLE IF NOT EXISTS daemon (key TEXT PRIMARY KEY, value TEXT NOT NULL);
             CREATE TABLE IF NOT EXISTS ballast (room BLOB NOT NULL);
             COMMIT;",
        )?;
        if let Err(error) = bring_up(&connection, version) {
            if !is_full(&error) {
                return Err(error.into());
            }
            // The states can be read and written as they are; the rest waits for room, until the next start.
            Room::beside(path).give_up();
            connection.execute("DELETE FROM ballast", [])?;
            bring_up(&connection, version)?;
        }
        // Only what safety rests on: a check of years of readings would keep the tank waiting.
        let check: String = connection.query_row("PRAGMA integrity_check('state')", [], |row| row.get(0))?;
        if check != "ok" {
            return Err(Trouble::Damaged(check));
        }
        care::prepare(&connection)?;
        doubts::prepare(&connection)?;
        if let Some(aside) = last_aside(path).filter(|_| fresh) {
            let why = format!("the store was damaged and is kept as `{}`", aside.display());
            doubts::note(&connection, doubts::ANY, &Doubt { why, taken: None })?;
        }
        let care = care::read(&connection)?;
        let states = read_states(&connection)?;
        let steadiness = read_steadiness(&connection)?;
        let mut doubts = doubts::read(&connection)?;
        let doubted = doubts.keys().cloned().collect();
        if let Some(why) = states.values().find_map(|state| state.as_ref().err()) {
            // Whose row it was may be what rotted.
            doubts.entry(doubts::ANY.to_owned()).or_insert(Doubt { why: why.clone(), taken: None });
        }
        let mut database = Self { connection, durability: None, room: Room::beside(path), doubted };
        let instance = database.instance()?;
        if database.room.take().is_ok() {
            let _ = database.lay_ballast();
        } else {
            // Full since before the start: as far as it goes.
            let _ = database.go_lean();
        }
        Ok((database, Found { states, damaged: None, instance, steadiness, care, doubts }))
    }

    /// This data directory's own name: made once, from the time and the process.
    fn instance(&self) -> rusqlite::Result<String> {
        let known: Option<Option<String>> = self
            .connection
            .query_row("SELECT value FROM daemon WHERE key = 'instance'", [], |row| Ok(row.get(0).ok()))
            .optional()?;
        if let Some(known) = known.flatten().filter(|known| !known.is_empty()) {
            return Ok(known);
        }
        let fresh = fresh_instance();
        let _ = self.connection.execute("INSERT OR REPLACE INTO daemon VALUES ('instance', ?1)", [&fresh]);
        Ok(fresh)
    }

    /// Takes room now that a full disk would not give later, in the file and in its log.
    fn lay_ballast(&mut self) -> rusqlite::Result<()> {
        let transaction = self.connection.transaction()?;
        transaction.execute("DELETE FROM ballast", [])?;
        transaction.execute("INSERT INTO ballast VALUES (zeroblob(?1))", [BALLAST])?;
        transaction.commit()?;
        self.connection.query_row("PRAGMA wal_checkpoint(RESTART)", [], |_| Ok(()))
    }

    /// The disk is full: gives up the room that was kept, lets the log and the file grow in its place as far as states
    /// need, and then lets the file grow no more.
    fn go_lean(&mut self) -> rusqlite::Result<()> {
        self.room.give_up();
        let checkpoint =
            |connection: &Connection| connection.query_row("PRAGMA wal_checkpoint(RESTART)", [], |_| Ok(()));
        let grow = |connection: &Connection| {
            checkpoint(connection)?;
            connection.execute("DELETE FROM ballast", [])?;
            connection.execute("INSERT INTO ballast VALUES (zeroblob(?1))", [BALLAST])?;
            checkpoint(connection)
        };
        let grown = grow(&self.connection);
        let emptied = self.connection.execute("DELETE FROM ballast", []).and_then(|_| checkpoint(&self.connection));
        let pages: i64 = self.connection.query_row("PRAGMA page_count", [], |row| row.get(0))?;
        self.connection.pragma_update(None, "max_page_count", pages)?;
        grown.and(emptied)
    }

    /// Whether only states are written, for want of room; looks now and then whether there is room again.
    pub fn is_lean(&mut self) -> bool {
        if self.room.comes_back() {
            let all = self.connection.pragma_update(None, "max_page_count", MOST_PAGES);
            let _ = all.and_then(|()| self.lay_ballast());
        }
        self.room.is_given_up()
    }

    /// The same, as it was found last.
    pub fn is_short(&self) -> bool {
        self.room.is_given_up()
    }

    /// Writes a batch in one transaction; it is on the disk when this returns if that is asked for. On a full disk its
    /// states are written all the same, and the rest is an error.
    pub fn write(&mut self, batch: &Batch, durability: Durability) -> rusqlite::Result<()> {
        self.synchronise(durability)?;
        let full = if self.is_lean() {
            failure(rusqlite::ffi::SQLITE_FULL, None)
        } else {
            match self.transaction(batch) {
                Err(error) if is_full(&error) => {
                    // What fails here fails again at the states, and is told there.
                    let _ = self.go_lean();
                    error
                }
                other => return other,
            }
        };
        let states = Batch { states: batch.states.clone(), ..Batch::default() };
        self.transaction(&states)?;
        if batch.has_only_states() { Ok(()) } else { Err(full) }
    }

    /// Writes entries of the keeper's log in a transaction of their own; they are on the disk when this returns.
    pub fn write_care(&mut self, entries: &[Entry]) -> rusqlite::Result<()> {
        self.synchronise(Durability::BeforeWhatFollows)?;
        if self.is_lean() {
            return Err(failure(rusqlite::ffi::SQLITE_FULL, None));
        }
        let transaction = self.connection.transaction()?;
        care::write(&transaction, entries)?;
        transaction.commit()
    }

    fn synchronise(&mut self, durability: Durability) -> rusqlite::Result<()> {
        if self.durability != Some(durability) {
            let mode = if durability == Durability::BeforeWhatFollows { "FULL" } else { "NORMAL" };
            self.connection.pragma_update(None, "synchronous", mode)?;
            self.durability = Some(durability);
        }
        Ok(())
    }

    fn transaction(&mut self, batch: &Batch) -> rusqlite::Result<()> {
        let transaction = self.connection.transaction()?;
        for (tank, json) in &batch.states {
            transaction.prepare_cached("INSERT OR REPLACE INTO state VALUES (?1, ?2, ?3)")?.execute(params![
                tank,
                json,
                crc_of_state(tank, json)
            ])?;
            if self.doubted.contains(tank) {
                doubts::settle(&transaction, tank)?;
            }
        }
        for (tank, entry) in &batch.journal {
            transaction
                .prepare_cached("INSERT INTO journal (at, tank, kind, subject, text) VALUES (?1, ?2, ?3, ?4, ?5)")?
                .execute(params![entry.at.unix_millis(), tank, entry.kind.word(), entry.subject, entry.text])?;
        }
        history::write_samples(&transaction, &batch.samples)?;
        history::write_days(&transaction, &batch.days)?;
        history::write_steadiness(&transaction, &batch.steadiness)?;
        transaction.commit()?;
        self.doubted.retain(|tank| !batch.states.contains_key(tank));
        Ok(())
    }

    /// These tanks are kept from now on.
    pub fn expect(&mut self, tanks: &[String]) -> rusqlite::Result<()> {
        if self.doubted.contains(doubts::ANY) {
            doubts::expect(&mut self.connection, tanks)?;
            self.doubted = doubts::read(&self.connection)?.into_keys().collect();
        }
        Ok(())
    }

    /// The connection, for what the store's thread does besides: thinning, moving, measuring.
    pub fn connection(&mut self) -> &mut Connection {
        &mut self.connection
    }

    /// Bytes of the file, without its log.
    pub fn size(&self) -> rusqlite::Result<u64> {
        self.connection.query_row("SELECT page_count * page_size FROM pragma_page_count, pragma_page_size", [], |row| {
            row.get::<_, i64>(0).map(|bytes| u64::try_from(bytes).unwrap_or(0))
        })
    }

    /// Whether the file itself broke, so that it is to be moved aside and a new one begun.
    pub fn is_broken(error: &rusqlite::Error) -> bool {
        matches!(error.sqlite_error_code(), Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase))
    }
}

/// Brings the tables up to this version, in one transaction.
fn bring_up(connection: &Connection, version: i64) -> rusqlite::Result<()> {
    let steps = || {
        if version < 2 {
            history::from_version_1(connection)?;
        }
        history::create(connection)?;
        if version != SCHEMA {
            // Nothing is written that stands there: a full disk must not keep a start from the states.
            connection.pragma_update(None, "user_version", SCHEMA)?;
        }
        connection.execute_batch("COMMIT")
    };
    connection.execute_batch("BEGIN")?;
    steps().inspect_err(|_| {
        let _ = connection.execute_batch("ROLLBACK");
    })
}

/// A name for a daemon that has no store to remember one.
pub fn fresh_instance() -> String {
    format!("{:x}-{:x}", unix_millis(), std::process::id())
}

/// A failure that the library was not asked for, in its own words.
fn failure(code: std::ffi::c_int, why: Option<&str>) -> rusqlite::Error {
    rusqlite::Error::SqliteFailure(rusqlite::ffi::Error::new(code), why.map(str::to_owned))
}

fn is_full(error: &rusqlite::Error) -> bool {
    error.sqlite_error_code() == Some(ErrorCode::DiskFull)
}

/// A row that cannot be read, or is not what was written for its tank, costs that tank's state and no other's.
pub(in crate::shell) fn read_states(
    connection: &Connection,
) -> rusqlite::Result<BTreeMap<String, Result<String, String>>> {
    let mut statement = connection.prepare("SELECT tank, json, crc FROM state")?;
    let rows = statement.query_map([], |row| {
        let tank: String = row.get(0).unwrap_or_default();
        let state = match (row.get::<_, String>(1), row.get::<_, u32>(2)) {
            // Older daemons took the checksum of the text alone.
            (Ok(json), Ok(crc)) if crc == crc_of_state(&tank, &json) || crc == crc32(json.as_bytes()) => Ok(json),
            _ => Err("its checksum is wrong".to_owned()),
        };
        Ok((tank, state))
    })?;
    rows.collect()
}

/// What only graphs rest on: a row that cannot be read is left out.
fn read_steadiness(connection: &Connection) -> rusqlite::Result<BTreeMap<String, String>> {
    let mut statement = connection.prepare("SELECT tank, json FROM steadiness")?;
    let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?;
    Ok(rows.filter_map(Result::ok).collect())
}

enum Trouble {
    Newer(i64),
    Damaged(String),
    Other(rusqlite::Error),
}

impl From<rusqlite::Error> for Trouble {
    fn from(error: rusqlite::Error) -> Self {
        if Database::is_broken(&error) { Self::Damaged(error.to_string()) } else { Self::Other(error) }
    }
}

/// A path with something at its end.
pub(in crate::shell) fn beside(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    PathBuf::from(name)
}

/// Whether there is anything under this name.
pub(in crate::shell) fn is_there(path: &Path) -> bool {
    path.symlink_metadata().is_ok()
}

/// Renames the file, and its log, out of the way.
pub(super) fn move_aside(path: &Path) -> std::io::Result<PathBuf> {
    let name = |suffix: &str| beside(path, suffix);
    let seconds = unix_millis() / 1000;
    let aside = name(&format!(".damaged-{seconds}"));
    std::fs::rename(path, &aside)?;
    for log in ["-wal", "-shm"] {
        let _ = std::fs::rename(name(log), name(&format!(".damaged-{seconds}{log}")));
    }
    Ok(aside)
}

/// The newest file that was moved out of the way.
fn last_aside(path: &Path) -> Option<PathBuf> {
    let stem = format!("{}.damaged-", path.file_name()?.to_string_lossy());
    let entries = std::fs::read_dir(path.parent()?).ok()?.filter_map(Result::ok);
    let aside = entries.filter(|entry| {
        let name = entry.file_name().to_string_lossy().into_owned();
        name.strip_prefix(&stem).is_some_and(|rest| rest.bytes().all(|byte| byte.is_ascii_digit()))
    });
    aside.map(|entry| entry.path()).max()
}

#[cfg(test)]
mod damage;
#[cfg(test)]
mod tests;

//! What waits to be told, on the disk: a file of its own, `notices.db`, so that it never waits for control's
//! store, nor that for it.
//!
//! Duty: to keep the newest text under each name, written soon by a thread of its own and tried again while it
//! fails. The daemon works from memory; the file is what the next one begins with. Room is kept in it
//! (`BALLAST`) that a full disk cannot take. A file that cannot be trusted is moved aside.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::{Arc, Condvar, Mutex};
use std::time::{Duration, Instant};

use rusqlite::{Connection, ErrorCode, params};

use crate::shell::background;

use super::checksum::crc32;
use super::database::{CACHE, move_aside};

/// Room for what waits on a full disk, bytes.
const BALLAST: i64 = 512 * 1024;
/// What failed is tried again after this.
const RETRY: Duration = Duration::from_secs(5);

#[derive(Debug, Default)]
struct Shared {
    inner: Mutex<Inner>,
    changed: Condvar,
}

#[derive(Debug, Default)]
struct Inner {
    /// The newest text of each name that is not on the disk yet; `None`: the name goes.
    dirty: BTreeMap<String, Option<String>>,
    writing: bool,
    trouble: Option<String>,
    stop: bool,
}

/// The way to the thread.
#[derive(Debug)]
pub struct Notices {
    shared: Arc<Shared>,
}

impl Notices {
    /// Opens the file and gives what the last daemon left. One that cannot be opened is tried again.
    pub fn open(data_dir: &Path) -> (Self, BTreeMap<String, String>) {
        let path = data_dir.join("notices.db");
        let shared = Arc::new(Shared::default());
        let (file, found) = match File::open_or_begin_anew(&path) {
            Ok((file, found)) => (Some(file), found),
            Err(why) => {
                shared.note(Some(why));
                (None, BTreeMap::new())
            }
        };
        let writer = Arc::clone(&shared);
        if let Err(error) = background::spawn("notices", move || writer.write_all(file, &path)) {
            shared.note(Some(format!("no thread for what waits to be told: {error}")));
        }
        (Self { shared }, found)
    }

    /// Writes it soon. Takes a short lock and no I/O.
    pub fn put(&self, name: &str, text: Option<String>) {
        if let Ok(mut inner) = self.shared.inner.lock() {
            inner.dirty.insert(name.to_owned(), text);
        }
        self.shared.changed.notify_one();
    }

    /// Why it cannot be written; `None`: it can.
    pub fn trouble(&self) -> Option<String> {
        self.shared.inner.lock().ok().and_then(|inner| inner.trouble.clone())
    }

    /// Writes what waits, for a short while, and ends the thread.
    pub fn close(&self, within: Duration) {
        if let Ok(mut inner) = self.shared.inner.lock() {
            inner.stop = true;
        }
        self.shared.changed.notify_all();
        let until = Instant::now() + within;
        while Instant::now() < until
            && self.shared.inner.lock().is_ok_and(|inner| inner.writing || !inner.dirty.is_empty())
        {
            std::thread::sleep(Duration::from_millis(10));
        }
    }
}

impl Shared {
    fn note(&self, trouble: Option<String>) {
        if let Ok(mut inner) = self.inner.lock() {
            if let Some(why) = trouble.as_ref().filter(|_| inner.trouble.is_none()) {
                tracing::error!("{why}");
            }
            inner.trouble = trouble;
        }
    }

    fn write_all(&self, mut file: Option<File>, path: &Path) {
        loop {
            let Some(batch) = self.next_batch() else { return };
            if file.is_none() {
                match File::open_or_begin_anew(path) {
                    Ok((opened, _)) => file = Some(opened),
                    Err(why) => self.note(Some(why)),
                }
            }
            let written = match &mut file {
                Some(open) => open.write(&batch),
                None => Err(None),
            };
            match written {
                Ok(()) => self.note(None),
                Err(error) => {
                    if let Some(error) = &error {
                        self.note(Some(format!(
                            "what waits to be told cannot be written to `{}`: {error}",
                            path.display()
                        )));
                    }
                    if error.as_ref().is_some_and(|error| is_broken(error) || is_read_only(error)) {
                        file = None;
                    }
                    if self.put_back(batch) {
                        return;
                    }
                }
            }
            if let Ok(mut inner) = self.inner.lock() {
                inner.writing = false;
            }
        }
    }

    fn next_batch(&self) -> Option<BTreeMap<String, Option<String>>> {
        let mut inner = self.inner.lock().ok()?;
        while inner.dirty.is_empty() {
            if inner.stop {
                return None;
            }
            inner = self.changed.wait(inner).ok()?;
        }
        inner.writing = true;
        Some(std::mem::take(&mut inner.dirty))
    }

    /// What could not be written waits again, unless there is something newer; `true`: the daemon ends.
    fn put_back(&self, batch: BTreeMap<String, Option<String>>) -> bool {
        let Ok(mut inner) = self.inner.lock() else { return true };
        for (name, text) in batch {
            inner.dirty.entry(name).or_insert(text);
        }
        inner.writing = false;
        if inner.stop {
            inner.dirty.clear();
            return true;
        }
        // New texts meanwhile do not shorten the pause: a disk that fails is not asked all the time.
        let until = Instant::now() + RETRY;
        while let Some(left) = until.checked_duration_since(Instant::now()).filter(|_| !inner.stop) {
            inner = match self.changed.wait_timeout(inner, left) {
                Ok((inner, _)) => inner,
                Err(_) => return true,
            };
        }
        false
    }
}

struct File {
    connection: Connection,
}

fn is_broken(error: &rusqlite::Error) -> bool {
    matches!(error.sqlite_error_code(), Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase))
}

/// A connection that was opened while the disk could only be read stays so for its life.
fn is_read_only(error: &rusqlite::Error) -> bool {
    error.sqlite_error_code() == Some(ErrorCode::ReadOnly)
}

impl File {
    fn open_or_begin_anew(path: &Path) -> Result<(Self, BTreeMap<String, String>), String> {
        let unusable = |why: &dyn std::fmt::Display| format!("`{}` cannot be used: {why}", path.display());
        match Self::open(path) {
            Ok(opened) => Ok(opened),
            Err(error) if is_broken(&error) => {
                let aside = move_aside(path).map_err(|error| unusable(&error))?;
                tracing::error!(
                    "what waited to be told was damaged ({error}); it is kept as `{}`; alarms that stand are told again",
                    aside.display()
                );
                Self::open(path).map_err(|error| unusable(&error))
            }
            Err(error) => Err(unusable(&error)),
        }
    }

    fn open(path: &Path) -> rusqlite::Result<(Self, BTreeMap<String, String>)> {
        let connection = Connection::open(path)?;
        connection.busy_timeout(Duration::from_millis(500))?;
        connection.pragma_update(None, "cache_size", CACHE)?;
        connection.pragma_update(None, "journal_mode", "WAL")?;
        connection.pragma_update(None, "synchronous", "FULL")?;
        connection.pragma_update(None, "wal_autocheckpoint", 100)?;
        connection.execute_batch(
            "BEGIN;
             CREATE TABLE IF NOT EXISTS notices (name TEXT PRIMARY KEY, json TEXT NOT NULL, crc INTEGER NOT NULL);
             CREATE TABLE IF NOT EXISTS ballast (room BLOB NOT NULL);
             COMMIT;",
        )?;
        let mut found = BTreeMap::new();
        {
            let mut statement = connection.prepare("SELECT name, json, crc FROM notices")?;
            let rows = statement
                .query_map([], |row| Ok((row.get::<_, String>(0), row.get::<_, String>(1), row.get::<_, u32>(2))))?;
            for row in rows {
                match row? {
                    (Ok(name), Ok(json), Ok(crc)) if crc32(json.as_bytes()) == crc => drop(found.insert(name, json)),
                    (name, ..) => {
                        let name = name.unwrap_or_default();
                        tracing::error!("`{name}` of what waits to be told is damaged and was left out");
                    }
                }
            }
        }
        let file = Self { connection };
        let _ = file.lay_ballast();
        Ok((file, found))
    }

    /// Takes room now that a full disk would not give later.
    fn lay_ballast(&self) -> rusqlite::Result<()> {
        let has: i64 = self.connection.query_row("SELECT count(*) FROM ballast", [], |row| row.get(0))?;
        if has == 0 {
            self.connection.execute("INSERT INTO ballast VALUES (zeroblob(?1))", [BALLAST])?;
            self.connection.query_row("PRAGMA wal_checkpoint(RESTART)", [], |_| Ok(()))?;
        }
        Ok(())
    }

    fn write(&mut self, batch: &BTreeMap<String, Option<String>>) -> Result<(), Option<rusqlite::Error>> {
        match self.transaction(batch) {
            Err(error) if error.sqlite_error_code() == Some(ErrorCode::DiskFull) => {
                self.connection.execute("DELETE FROM ballast", [])?;
                Ok(self.transaction(batch)?)
            }
            other => Ok(other?),
        }
    }

    fn transaction(&mut self, batch: &BTreeMap<String, Option<String>>) -> rusqlite::Result<()> {
        let transaction = self.connection.transaction()?;
        for (name, text) in batch {
            match text {
                Some(text) => transaction
                    .prepare_cached("INSERT OR REPLACE INTO notices VALUES (?1, ?2, ?3)")?
                    .execute(params![name, text, crc32(text.as_bytes())])?,
                None => transaction.prepare_cached("DELETE FROM notices WHERE name = ?1")?.execute([name])?,
            };
        }
        transaction.commit()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn batch(name: &str, text: &str) -> BTreeMap<String, Option<String>> {
        BTreeMap::from([(name.to_owned(), Some(text.to_owned()))])
    }

    #[test]
    fn the_newest_text_of_each_name_is_found_by_the_next_daemon() {
        let dir = tempfile::tempdir().unwrap();
        let (notices, found) = Notices::open(dir.path());
        assert!(found.is_empty());
        notices.put("a", Some("1".to_owned()));
        notices.put("a", Some("2".to_owned()));
        notices.put("b", Some("3".to_owned()));
        notices.put("b", None);
        notices.close(Duration::from_secs(5));
        let (_, found) = Notices::open(dir.path());
        assert_eq!(found, BTreeMap::from([("a".to_owned(), "2".to_owned())]));
    }

    #[test]
    fn a_full_disk_still_takes_what_waits() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("notices.db");
        let (mut file, _) = File::open(&path).unwrap();
        let pages: i64 = file.connection.query_row("PRAGMA page_count", [], |row| row.get(0)).unwrap();
        file.connection.pragma_update(None, "max_page_count", pages).unwrap();
        let full = file.transaction(&batch("x", &"y".repeat(40_000))).unwrap_err();
        assert_eq!(full.sqlite_error_code(), Some(ErrorCode::DiskFull), "the limit is met");
        for n in 0..20 {
            file.write(&batch("channel/phone", &format!("{n}{}", "y".repeat(100_000)))).unwrap();
        }
        drop(file);
        let (_, found) = File::open(&path).unwrap();
        assert!(found["channel/phone"].starts_with("19y"));
    }

    #[test]
    fn a_directory_that_is_not_there_yet_is_tried_again_and_nothing_is_lost() {
        let dir = tempfile::tempdir().unwrap();
        let place = dir.path().join("data");
        let (notices, _) = Notices::open(&place);
        notices.put("a", Some("1".to_owned()));
        assert!(notices.trouble().is_some());
        std::fs::create_dir(&place).unwrap();
        let until = Instant::now() + Duration::from_secs(15);
        while notices.trouble().is_some() {
            assert!(Instant::now() < until, "{:?}", notices.trouble());
            std::thread::sleep(Duration::from_millis(50));
        }
        notices.close(Duration::from_secs(5));
        assert_eq!(Notices::open(&place).1["a"], "1");
    }

    #[test]
    fn a_damaged_file_is_kept_aside() {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join("notices.db"), vec![0x5a; 20_000]).unwrap();
        let (notices, found) = Notices::open(dir.path());
        assert!(found.is_empty() && notices.trouble().is_none(), "{:?}", notices.trouble());
        let aside = std::fs::read_dir(dir.path()).unwrap().filter_map(Result::ok);
        assert!(aside.into_iter().any(|entry| entry.file_name().to_string_lossy().contains(".damaged-")));
    }
}

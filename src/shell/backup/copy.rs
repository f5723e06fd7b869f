//! A copy of the store as it is at one moment, beside a daemon that goes on writing.

use std::path::Path;
use std::time::Duration;

use rusqlite::{Connection, OpenFlags};

use crate::shell::store::states_of;

/// What the copy holds.
#[derive(Debug)]
pub(super) struct Copied {
    pub schema: i64,
    /// Each tank with whether its state can be read.
    pub tanks: Vec<(String, bool)>,
}

/// Copies the store into a file that is not there yet, and looks whether the copy is whole.
pub(super) fn copy(store: &Path, to: &Path) -> Result<Copied, String> {
    let cannot = |error: rusqlite::Error| format!("the store `{}` cannot be copied: {error}", store.display());
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let from = Connection::open_with_flags(store, flags).map_err(cannot)?;
    from.busy_timeout(Duration::from_secs(10)).map_err(cannot)?;
    // One read transaction: the daemon's writes go on in the log beside it, and are not in the copy.
    from.execute("VACUUM INTO ?1", [to.to_string_lossy()]).map_err(cannot)?;
    drop(from);
    look(to).map_err(|error| format!("the copy of the store `{}` is not whole: {error}", store.display()))
}

/// Whether a file is a whole store, and whose.
pub(super) fn look(file: &Path) -> Result<Copied, String> {
    let text = |error: rusqlite::Error| error.to_string();
    let connection =
        Connection::open_with_flags(file, OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX)
            .map_err(text)?;
    let whole: String = connection.query_row("PRAGMA integrity_check", [], |row| row.get(0)).map_err(text)?;
    if whole != "ok" {
        return Err(whole);
    }
    let schema = connection.query_row("PRAGMA user_version", [], |row| row.get(0)).map_err(text)?;
    let states = states_of(&connection).map_err(text)?;
    Ok(Copied { schema, tanks: states.into_iter().map(|(tank, state)| (tank, state.is_ok())).collect() })
}

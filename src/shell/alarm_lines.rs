//! The journal's lines about alarms, read beside a running daemon: read-only, nothing is created or mended.

use std::path::Path;
use std::time::Duration;

use rusqlite::{Connection, OpenFlags};

use crate::control::alarm_act::AlarmAct;
use crate::control::alarm_report::AlarmLine;
use crate::control::effect::JournalKind;
use crate::time::Wall;

/// The lines of one tank's alarms from `from` to `until`, the oldest first; or why they cannot be read, and what to do.
pub fn read(store: &Path, tank: &str, from: Wall, until: Wall) -> Result<Vec<AlarmLine>, String> {
    let fail = |error: rusqlite::Error| {
        format!(
            "the store `{}` cannot be read: {error}\n  has the daemon run with this config, and may you read its data directory?",
            store.display()
        )
    };
    let connection = Connection::open_with_flags(store, OpenFlags::SQLITE_OPEN_READ_ONLY).map_err(fail)?;
    connection.busy_timeout(Duration::from_secs(2)).map_err(fail)?;
    let mut rows = connection
        .prepare(
            "SELECT at, subject, text FROM journal WHERE tank = ?1 AND kind = ?2 AND at >= ?3 AND at < ?4 ORDER BY id",
        )
        .map_err(fail)?;
    let asked = (tank, JournalKind::Alarm.word(), from.unix_millis(), until.unix_millis());
    let lines = rows
        .query_map(asked, |row| {
            let (at, alarm, text): (i64, String, String) = (row.get(0)?, row.get(1)?, row.get(2)?);
            Ok(AlarmAct::of_line(&text).map(|act| AlarmLine { at: Wall::from_unix_millis(at), alarm, act }))
        })
        .map_err(fail)?;
    lines.filter_map(Result::transpose).collect::<Result<_, _>>().map_err(fail)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::effect::JournalEntry;
    use crate::shell::store::Store;
    use crate::wire::metrics::Meters;

    #[test]
    fn lines_about_alarms_are_read_while_the_store_is_open() {
        let dir = tempfile::tempdir().unwrap();
        let (store, _) = Store::open(dir.path(), Meters::new(&[], &[])).unwrap();
        let entry = |at: i64, kind, subject: &str, text: &str| {
            let at = Wall::from_unix_millis(at);
            ("lagoon".to_owned(), JournalEntry { at, kind, subject: subject.to_owned(), text: text.to_owned() })
        };
        store.journal(vec![
            entry(10, JournalKind::Alarm, "leak", "raised: wet"),
            entry(11, JournalKind::Trip, "floor-wet", "tripped: wet"),
            entry(12, JournalKind::Alarm, "leak", "reminder: not an act"),
            entry(13, JournalKind::Alarm, "leak", "acknowledged: by Ana (command line)"),
            entry(20, JournalKind::Alarm, "leak", "cleared: dry"),
        ]);
        let path = dir.path().join("slackwater.db");
        let wall = Wall::from_unix_millis;
        let mut found = Vec::new();
        for _ in 0..100 {
            found = read(&path, "lagoon", wall(10), wall(20)).unwrap();
            if !found.is_empty() {
                break;
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        let acts: Vec<_> = found.iter().map(|line| line.act).collect();
        assert_eq!(acts, [AlarmAct::Raised, AlarmAct::Acknowledged], "{found:?}");
        assert_eq!(read(&path, "quarantine", wall(0), wall(99)).unwrap(), []);
        store.close();
        let nowhere = read(&dir.path().join("nothing.db"), "lagoon", wall(0), wall(1)).unwrap_err();
        assert!(nowhere.contains("cannot be read"), "{nowhere}");
        assert!(!dir.path().join("nothing.db").exists(), "a reader creates nothing");
    }
}

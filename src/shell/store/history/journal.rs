//! The journal, read backwards in pages.
//!
//! Bounded: a page looks at 50,000 lines at most, so that a rare kind in years of lines takes several pages,
//! perhaps empty ones, and never a long time.

use rusqlite::params;

use crate::time::Wall;

use super::read::History;

const MOST_LOOKED_AT: u32 = 50_000;

/// A line of the journal.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize)]
pub struct Line {
    /// Its number, which grows.
    pub id: i64,
    /// When.
    pub at: Wall,
    /// The tank, or `daemon`.
    pub tank: String,
    /// What kind of thing happened.
    pub kind: String,
    /// What it is about.
    pub subject: String,
    /// What happened and why, in words.
    pub text: String,
}

/// Which lines.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// Of one tank; of all, if not given.
    pub tank: Option<String>,
    /// Of one kind.
    pub kind: Option<String>,
    /// Older than this one.
    pub before: Option<i64>,
}

impl History {
    /// The newest lines first, and from where on there may be more.
    pub fn journal(&self, wanted: &Wanted, count: u32) -> rusqlite::Result<(Vec<Line>, Option<i64>)> {
        let mut statement = self.connection.prepare_cached(
            "SELECT id, at, tank, kind, subject, text FROM journal WHERE id < ?1 ORDER BY id DESC LIMIT ?2",
        )?;
        let mut rows = statement.query(params![wanted.before.unwrap_or(i64::MAX), MOST_LOOKED_AT])?;
        let (mut lines, mut looked_at, mut last) = (Vec::new(), 0, None);
        while let Some(row) = rows.next()? {
            let (id, tank, kind): (i64, String, String) = (row.get(0)?, row.get(2)?, row.get(3)?);
            looked_at += 1;
            last = Some(id);
            let fits = |wanted: &Option<String>, is: &str| wanted.as_ref().is_none_or(|wanted| wanted == is);
            if fits(&wanted.tank, &tank) && fits(&wanted.kind, &kind) {
                let at = Wall::from_unix_millis(row.get(1)?);
                lines.push(Line { id, at, tank, kind, subject: row.get(4)?, text: row.get(5)? });
            }
            if u32::try_from(lines.len()).is_ok_and(|found| found >= count) {
                return Ok((lines, last));
            }
        }
        Ok((lines, last.filter(|_| looked_at >= MOST_LOOKED_AT)))
    }
}

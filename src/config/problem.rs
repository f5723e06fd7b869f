//! What is wrong with a config: every problem, each with its place and the way to put it right.
//!
//! Duty: hold and print problems. A problem's text is lower case with the value in backticks; the fix
//! stands on its own line below. Nothing is printed here that could be a secret: callers leave out the
//! value where a password may stand.

use std::cell::RefCell;
use std::fmt;
use std::sync::Arc;

/// A place in a file, as an editor counts: both from 1. Line 0: the file as a whole.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
pub struct Place {
    /// The line.
    pub line: u32,
    /// The column, in characters.
    pub column: u32,
}

/// One thing that is wrong.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
pub struct Problem {
    /// The file, relative to the config directory.
    pub file: Arc<str>,
    /// Where in the file.
    #[serde(flatten)]
    pub place: Place,
    /// The keys that lead there, with dots: `outputs.heater.plug.lease`.
    pub key: String,
    /// What is wrong.
    pub what: String,
    /// What to write instead.
    pub fix: Option<String>,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.file)?;
        if self.place.line > 0 {
            write!(f, ":{}:{}", self.place.line, self.place.column)?;
        }
        f.write_str(": ")?;
        if !self.key.is_empty() {
            write!(f, "{}: ", self.key)?;
        }
        f.write_str(&self.what)?;
        for line in self.fix.iter().flat_map(|fix| fix.lines()) {
            write!(f, "\n  {}", line.trim_start())?;
        }
        Ok(())
    }
}

/// Everything that is wrong with a config, in the order of files and lines.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problems(pub Vec<Problem>);

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for problem in &self.0 {
            writeln!(f, "{problem}")?;
        }
        let files: std::collections::BTreeSet<_> = self.0.iter().map(|problem| &problem.file).collect();
        let plural = |n: usize| if n == 1 { "" } else { "s" };
        write!(f, "{} problem{} in {} file{}", self.0.len(), plural(self.0.len()), files.len(), plural(files.len()))
    }
}

impl std::error::Error for Problems {}

/// Where readers put what they find wrong, so that one mistake does not hide the next.
#[derive(Debug, Default)]
pub(super) struct Report {
    problems: RefCell<Vec<Problem>>,
}

impl Report {
    pub(super) fn add(&self, problem: Problem) {
        self.problems.borrow_mut().push(problem);
    }

    /// Whether nothing is wrong with a file so far.
    pub(super) fn is_empty_for(&self, file: &str) -> bool {
        !self.problems.borrow().iter().rev().any(|problem| &*problem.file == file)
    }

    /// The value if nothing was found wrong; else everything that was, sorted and each once.
    pub(super) fn verdict<T>(self, value: T) -> Result<T, Problems> {
        let mut problems = self.problems.into_inner();
        if problems.is_empty() {
            return Ok(value);
        }
        problems.sort();
        problems.dedup();
        Err(Problems(problems))
    }
}

/// The known word that is nearest to what was written, if it is near enough to have been meant.
pub(super) fn nearest<'a>(written: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let written: Vec<char> =
        written.chars().take(64).map(|c| if c == '_' { '-' } else { c.to_ascii_lowercase() }).collect();
    let most = (written.len() / 3).max(1);
    known
        .into_iter()
        .map(|word| {
            (distance(&written, &word.chars().map(|c| if c == '_' { '-' } else { c }).collect::<Vec<_>>()), word)
        })
        .filter(|(distance, _)| *distance <= most)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, word)| word)
}

/// Insertions, deletions, replacements and swaps of neighbours (optimal string alignment).
fn distance(a: &[char], b: &[char]) -> usize {
    let mut rows = vec![(0..=b.len()).collect::<Vec<_>>()];
    for (i, x) in a.iter().enumerate() {
        let mut row = vec![i + 1];
        for (j, y) in b.iter().enumerate() {
            let replaced = rows[i][j] + usize::from(x != y);
            let mut least = replaced.min(rows[i][j + 1] + 1).min(row[j] + 1);
            if i > 0 && j > 0 && *x == b[j - 1] && a[i - 1] == *y {
                least = least.min(rows[i - 1][j - 1] + 1);
            }
            row.push(least);
        }
        rows.push(row);
    }
    rows[a.len()][b.len()]
}

/// `` `a`, `b` or `c` ``, cut off where nobody would read on.
pub(super) fn listed<'a>(words: impl IntoIterator<Item = &'a str>, joiner: &str) -> String {
    let words: Vec<_> = words.into_iter().map(|word| format!("`{word}`")).collect();
    match words.as_slice() {
        [] => "nothing".to_owned(),
        [only] => only.clone(),
        many if many.len() > 24 => format!("{} ... ({} in all)", many[..24].join(", "), many.len()),
        [head @ .., last] => format!("{} {joiner} {last}", head.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_word_is_found_and_a_far_one_is_not_offered() {
        let known = ["display-temp", "sump-temp", "sump-level", "stale_after"];
        for (written, expected) in [
            ("sump-tmep", Some("sump-temp")),
            ("Sump-Temp", Some("sump-temp")),
            ("sump_level", Some("sump-level")),
            ("staleafter", Some("stale_after")),
            ("salinity", None),
            ("", None),
        ] {
            assert_eq!(nearest(written, known), expected, "{written}");
        }
    }
}

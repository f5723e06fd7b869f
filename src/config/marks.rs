//! `# CHECK: ...` in a config file: a draft's word for what nobody has looked at yet.
//!
//! Duty: each mark is a problem, so that a guess never becomes a binding by being left alone. Limits: a mark is a
//! comment, so it is looked for in the text and not in the tree; inside a double-quoted text it is none.

use super::files::Files;
use super::problem::{Place, Problem, Report};

/// How a mark begins.
pub const CHECK: &str = "# CHECK:";

/// Reports every mark of every file.
pub(super) fn marks(files: &Files, report: &Report) {
    for (file, text) in &files.0 {
        for (line, text) in text.iter().flat_map(|text| text.lines()).enumerate() {
            let Some((column, asks)) = mark(text) else { continue };
            let place = Place { line: u32::try_from(line + 1).unwrap_or(u32::MAX), column };
            report.add(Problem {
                file: file.as_str().into(),
                place,
                key: String::new(),
                what: format!("not checked yet: {asks}"),
                fix: Some("put it right where it is wrong, then take the mark `# CHECK: ...` out".to_owned()),
            });
        }
    }
}

/// The column of a line's mark, and what it asks.
fn mark(line: &str) -> Option<(u32, &str)> {
    line.match_indices(CHECK).find_map(|(at, _)| {
        let before = &line[..at];
        let comment = before.is_empty() || before.ends_with([' ', '\t']);
        let quoted = before.matches('"').count() % 2 == 1;
        let column = u32::try_from(before.chars().count() + 1).unwrap_or(u32::MAX);
        (comment && !quoted).then(|| (column, line[at + CHECK.len()..].trim()))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mark_is_a_comment_and_no_part_of_a_text() {
        for (line, expected) in [
            ("volume:   # CHECK: litres", Some((11, "litres"))),
            ("# CHECK: all of it", Some((1, "all of it"))),
            ("title: \"a # CHECK: b\"", None),
            ("title: a# CHECK: b", None),
            ("lease: { payload: '{\"on\":1}' } # CHECK: so", Some((32, "so"))),
        ] {
            assert_eq!(mark(line), expected, "{line}");
        }
    }
}

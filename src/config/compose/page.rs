//! Lines of a config file: entries with their marks, comments that are wrapped, texts that are quoted where YAML wants it.

use std::fmt::Write as _;

use super::super::marks::CHECK;

/// Columns of a written file.
const WIDTH: usize = 118;

/// A value as it will stand in a file, and what a person still has to look at.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Entry {
    /// As YAML; `None`: nobody knows it, and the place stays empty.
    pub text: Option<String>,
    /// What is to be checked.
    pub check: Option<String>,
}

impl Entry {
    /// Somebody said so.
    pub fn sure(text: impl Into<String>) -> Self {
        Self { text: Some(text.into()), check: None }
    }

    /// A guess.
    pub fn guessed(text: impl Into<String>, check: impl Into<String>) -> Self {
        Self { text: Some(text.into()), check: Some(check.into()) }
    }

    /// Nobody can know it but the keeper.
    pub fn asked(check: impl Into<String>) -> Self {
        Self { text: None, check: Some(check.into()) }
    }
}

/// A text as a YAML scalar, quoted where it could be read as something else.
pub fn scalar(text: &str) -> String {
    let first = text.chars().next().is_some_and(|c| c.is_ascii_alphabetic() || c == '°');
    let plain = text.chars().all(|c| c.is_alphanumeric() || "/_-.°".contains(c));
    let word = ["true", "false", "null", "yes", "no", "on", "off", "y", "n"].contains(&&*text.to_lowercase());
    if first && plain && !word { text.to_owned() } else { quoted(text) }
}

/// Where something is heard or told, with what else belongs to it: keys and their values as YAML.
pub fn binding(topic: &str, pointer: Option<&str>, more: &[(&str, &str)]) -> String {
    let mut out = format!("{{ topic: {}", quoted(topic));
    if let Some(pointer) = pointer {
        let _ = write!(out, ", pointer: {}", quoted(pointer));
    }
    for (key, value) in more {
        let _ = write!(out, ", {key}: {value}");
    }
    out + " }"
}

/// A text in double quotes.
pub fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => out.extend(['\\', c]),
            c if c.is_control() => {
                let _ = write!(out, "\\u{:04X}", u32::from(c));
            }
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

/// A file while it is written.
#[derive(Debug, Default)]
pub(super) struct Page(pub(super) String);

impl Page {
    /// An empty line.
    pub(super) fn gap(&mut self) {
        self.0.push('\n');
    }

    /// One line, indented by so many steps.
    pub(super) fn line(&mut self, depth: usize, text: &str) {
        let _ = writeln!(self.0, "{:1$}{text}", "", depth * 2);
    }

    /// A comment, as many lines as it takes.
    pub(super) fn note(&mut self, depth: usize, text: &str) {
        let mut line = String::from("#");
        for word in text.split_whitespace() {
            if line.chars().count() + word.chars().count() + 1 + depth * 2 > WIDTH {
                self.line(depth, &line);
                line = String::from("#");
            }
            line.push(' ');
            line.push_str(word);
        }
        self.line(depth, &line);
    }

    /// `key: value`, with its mark.
    pub(super) fn entry(&mut self, depth: usize, key: &str, entry: &Entry) {
        let value = entry.text.as_ref().map(|text| format!(" {text}")).unwrap_or_default();
        let mark = entry.check.as_ref().map(|check| format!("   {CHECK} {check}")).unwrap_or_default();
        self.line(depth, &format!("{key}:{value}{mark}"));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_is_quoted_where_yaml_would_read_something_else() {
        for (text, expected) in [
            ("lagoon/sump/temp", "lagoon/sump/temp"),
            ("°C", "°C"),
            ("ON", "\"ON\""),
            ("1", "\"1\""),
            ("%", "\"%\""),
            ("a \"b\" \\ # c", "\"a \\\"b\\\" \\\\ # c\""),
            ("", "\"\""),
        ] {
            assert_eq!(scalar(text), expected);
        }
    }
}

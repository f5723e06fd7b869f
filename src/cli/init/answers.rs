//! Answers by the names of their questions.

use std::collections::BTreeMap;
use std::io;

use super::questions::QUESTIONS;

/// Answers that were given.
#[derive(Debug, Default)]
pub struct Answers(pub BTreeMap<&'static str, String>);

/// Why a person gave none.
pub enum NoAnswer {
    /// The input ended.
    End,
    /// It cannot be read or shown.
    Lost(io::Error),
}

impl Answers {
    /// The answer, unless there is none or it is `none`.
    pub fn get(&self, name: &str) -> Option<&str> {
        self.0.get(name).map(String::as_str).filter(|answer| *answer != "none")
    }

    /// Takes one answer by the name of its question.
    pub fn take(&mut self, name: &str, answer: &str) -> Result<(), String> {
        let Some(question) = QUESTIONS.iter().find(|question| question.name == name) else {
            return Err(format!("there is no question `{name}`\n  `slackwater init --list` prints them"));
        };
        self.0.insert(question.name, answer.trim().to_owned());
        Ok(())
    }

    /// Reads `name: answer` lines; everything that is wrong at once.
    pub fn read(&mut self, text: &str) -> Result<(), String> {
        let mut wrong = Vec::new();
        for (at, line) in text.lines().enumerate() {
            let line = line.trim();
            if line.is_empty() || line.starts_with('#') {
                continue;
            }
            let taken = match line.split_once(':') {
                None => Err(format!("`{line}` is no answer\n  write `name: answer`")),
                Some((name, _)) if self.0.keys().any(|known| *known == name.trim()) => {
                    Err(format!("`{}` is answered twice", name.trim()))
                }
                Some((name, answer)) => self.take(name.trim(), answer),
            };
            wrong.extend(taken.err().map(|why| format!("line {}: {why}", at + 1)));
        }
        if wrong.is_empty() { Ok(()) } else { Err(wrong.join("\n")) }
    }
}

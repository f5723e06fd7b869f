//! What came of an order by form, kept for a while: the browser is sent on to the tank, and reads it there.

use std::collections::VecDeque;
use std::sync::{Mutex, PoisonError};

use axum::body::to_bytes;
use axum::response::Response;

use super::super::GREATEST_BODY;
use super::super::access::Who;
use super::super::idempotency::REPLAYED;
use super::super::problem::Problem;
use crate::control::effect::{Answer, Outcome};

/// More answers than a household waits for; the oldest goes for a new one.
const MOST: usize = 64;

/// What came of it.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Told {
    /// `None`: it never came to the tank, or no answer came back.
    pub(super) outcome: Option<Outcome>,
    pub(super) summary: String,
    pub(super) details: Vec<String>,
    pub(super) fix: Option<String>,
    pub(super) caution: Option<String>,
    /// Whether the same order came before: nothing was done a second time.
    pub(super) again: bool,
}

impl Told {
    /// What an answer of the API says.
    pub(super) async fn of(mut response: Response) -> Self {
        let again = response.headers().contains_key(REPLAYED);
        if let Some(problem) = response.extensions_mut().remove::<Problem>() {
            let (detail, fix) = problem.words();
            let answer = serde_json::from_value(problem.more().clone().into()).ok();
            if let Some(answer) = answer {
                return Self::of_answer(answer, again);
            }
            let (summary, fix) = (detail.to_owned(), Some(fix.to_owned()));
            return Self { outcome: None, summary, details: Vec::new(), fix, caution: None, again };
        }
        let body = to_bytes(response.into_body(), GREATEST_BODY).await.unwrap_or_default();
        let answer = serde_json::from_slice(&body).unwrap_or_else(|_| Answer {
            outcome: Outcome::NotProven,
            summary: "the answer cannot be read; look at the tank".to_owned(),
            details: Vec::new(),
            caution: None,
        });
        Self::of_answer(answer, again)
    }

    fn of_answer(answer: Answer, again: bool) -> Self {
        let Answer { outcome, summary, details, caution } = answer;
        Self { outcome: Some(outcome), summary, details, fix: None, caution, again }
    }
}

#[derive(Debug)]
struct Entry {
    who: Option<String>,
    key: String,
    told: Told,
}

/// The answers of late.
#[derive(Debug, Default)]
pub(super) struct Answers(Mutex<VecDeque<Entry>>);

impl Answers {
    pub(super) fn keep(&self, who: &Who, key: &str, told: Told) {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        all.retain(|entry| entry.key != key);
        while all.len() >= MOST {
            all.pop_front();
        }
        all.push_back(Entry { who: who.name.clone(), key: key.to_owned(), told });
    }

    /// Only for whom it was said.
    pub(super) fn find(&self, who: &Who, key: &str) -> Option<Told> {
        let all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        all.iter().find(|entry| entry.key == key && entry.who == who.name).map(|entry| entry.told.clone())
    }
}

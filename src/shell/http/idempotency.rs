//! `Idempotency-Key`: an order that comes twice is done once, and answered twice.
//!
//! Duty: a doubled touch, a retry after a lost answer. Whoever sends the same key, path and body within [`KEPT`] gets the
//! first one's answer, and waits for it where it is still under way. The first one is carried out to its end even where
//! its sender is gone. Kept in memory: a restart of the daemon forgets. [IETF draft "The Idempotency-Key HTTP Header
//! Field", read for its names; the choice to wait in place of a conflict is ours]

use std::collections::VecDeque;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use axum::body::{Body, to_bytes};
use axum::extract::Request;
use axum::http::{HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use bytes::Bytes;
use tokio::sync::watch;

use super::Shared;
use super::access::{self, Who};
use super::api::ANSWER_WITHIN;
use super::problem::{Kind, Problem};

const KEPT: Duration = Duration::from_mins(10);
const MOST: usize = 256;
const LONGEST_KEY: usize = 128;
/// Answers to orders are smaller than this.
const GREATEST_ANSWER: usize = 1 << 20;

/// The header.
pub(super) const HEADER: HeaderName = HeaderName::from_static("idempotency-key");
/// Says that an answer was given before.
pub(super) const REPLAYED: HeaderName = HeaderName::from_static("idempotency-replayed");

/// An answer that can be given again.
#[derive(Clone, Debug)]
struct Kept {
    status: StatusCode,
    kind: Option<HeaderValue>,
    body: Bytes,
    problem: Option<Problem>,
}

#[derive(Debug)]
struct Entry {
    /// Who and which key: keys of others are not ours.
    key: (Option<String>, String),
    request: u64,
    begun: Instant,
    answer: watch::Receiver<Option<Kept>>,
}

/// Keys that were seen lately.
#[derive(Debug, Default)]
pub(super) struct Keys {
    seen: Mutex<VecDeque<Entry>>,
}

enum Found {
    /// It is new; who carries it out says here what came of it.
    New(watch::Sender<Option<Kept>>, watch::Receiver<Option<Kept>>),
    /// It came before.
    Again(watch::Receiver<Option<Kept>>),
    /// The key is another request's.
    Another,
}

impl Keys {
    fn look(&self, key: (Option<String>, String), request: u64, now: Instant) -> Found {
        let mut seen = self.lock();
        seen.retain(|entry| now.saturating_duration_since(entry.begun) < KEPT);
        if let Some(entry) = seen.iter().find(|entry| entry.key == key) {
            return if entry.request == request { Found::Again(entry.answer.clone()) } else { Found::Another };
        }
        while seen.len() >= MOST {
            seen.pop_front();
        }
        let (tell, answer) = watch::channel(None);
        seen.push_back(Entry { key, request, begun: now, answer: answer.clone() });
        Found::New(tell, answer)
    }

    fn forget(&self, key: &(Option<String>, String)) {
        self.lock().retain(|entry| entry.key != *key);
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, VecDeque<Entry>> {
        self.seen.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Carries a request out, once for each key.
pub(super) async fn once(shared: &Shared, request: Request, next: Next) -> Response {
    let Some(key) = request.headers().get(&HEADER).filter(|_| *request.method() == Method::POST) else {
        return next.run(request).await;
    };
    let key = key.to_str().ok().filter(|key| !key.is_empty() && key.len() <= LONGEST_KEY).map(str::to_owned);
    let Some(key) = key else {
        let fix = format!("send 1 to {LONGEST_KEY} letters of ASCII, such as a random UUID");
        return Problem::new(Kind::Malformed, "the idempotency key is no key", fix).into_response();
    };
    let name = request.extensions().get::<Who>().and_then(|who| who.name.clone());
    let key = (name, key);
    let (parts, body) = request.into_parts();
    // The guard has bounded it.
    let body = to_bytes(body, usize::MAX).await.unwrap_or_default();
    let mut hasher = DefaultHasher::new();
    (parts.uri.path(), &body).hash(&mut hasher);
    let work = next.run(Request::from_parts(parts, Body::from(body)));
    by_key(shared, key, hasher.finish(), work).await
}

/// Carries work out, once for each key of somebody; `request` is the mark of what is asked.
pub(super) async fn by_key(
    shared: &Shared,
    key: (Option<String>, String),
    request: u64,
    work: impl Future<Output = Response> + Send + 'static,
) -> Response {
    match shared.keys.look(key.clone(), request, access::now()) {
        Found::Another => {
            let fix = "use a new key for each new request";
            Problem::new(Kind::KeyReused, "this idempotency key came with another request before", fix).into_response()
        }
        Found::Again(answer) => {
            let mut response = given(answer).await;
            response.headers_mut().insert(REPLAYED, HeaderValue::from_static("true"));
            response
        }
        Found::New(tell, answer) => {
            let shared = shared.clone();
            // On its own: it is carried out whole, whoever still waits.
            tokio::spawn(async move {
                let kept = kept(work.await).await;
                // Nothing was done: the next try may do it.
                if kept.status == StatusCode::SERVICE_UNAVAILABLE {
                    shared.keys.forget(&key);
                }
                let _ = tell.send(Some(kept));
            });
            given(answer).await
        }
    }
}

async fn kept(mut response: Response) -> Kept {
    let problem = response.extensions_mut().remove::<Problem>();
    let (parts, body) = response.into_parts();
    let body = to_bytes(body, GREATEST_ANSWER).await.unwrap_or_default();
    Kept { status: parts.status, kind: parts.headers.get(header::CONTENT_TYPE).cloned(), body, problem }
}

async fn given(mut answer: watch::Receiver<Option<Kept>>) -> Response {
    let waited = tokio::time::timeout(ANSWER_WITHIN, answer.wait_for(Option::is_some)).await;
    let kept = waited.ok().and_then(Result::ok).and_then(|kept| kept.clone());
    match kept {
        Some(Kept { problem: Some(problem), .. }) => problem.into_response(),
        Some(Kept { status, kind, body, .. }) => {
            let mut response = (status, body).into_response();
            if let Some(kind) = kind {
                response.headers_mut().insert(header::CONTENT_TYPE, kind);
            }
            response
        }
        None => Problem::new(
            Kind::NoAnswer,
            "the request was handed over, and no answer came in time",
            "look at the status before you rely on it",
        )
        .into_response(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn key(text: &str) -> (Option<String>, String) {
        (Some("ana".to_owned()), text.to_owned())
    }

    #[test]
    fn a_key_is_one_request_s_of_one_keeper_for_a_while() {
        let (keys, now) = (Keys::default(), Instant::now());
        assert!(matches!(keys.look(key("a"), 1, now), Found::New(..)));
        assert!(matches!(keys.look(key("a"), 1, now), Found::Again(_)));
        assert!(matches!(keys.look(key("a"), 2, now), Found::Another));
        assert!(matches!(keys.look((None, "a".to_owned()), 2, now), Found::New(..)));
        assert!(matches!(keys.look(key("a"), 2, now + KEPT), Found::New(..)));
        for n in 0..1000 {
            keys.look(key(&n.to_string()), 1, now);
        }
        assert!(keys.lock().len() <= MOST);
    }
}

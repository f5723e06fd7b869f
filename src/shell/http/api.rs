//! `/api/v1`: facts and requests as JSON. Every refusal says what to do.

use std::time::Duration;

use axum::body::Bytes;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Json, Response};
use serde_json::json;

use crate::control::effect::{Answer, Outcome};
use crate::shell::job::{Job, NotFound};
use crate::wire::{ask, said};

use super::{CONTROL_WITHIN, Shared};

/// The core answers within ten seconds, proven or not; the rest is for a slow disk.
pub(super) const ANSWER_WITHIN: Duration = Duration::from_secs(30);

/// An error as JSON: what is wrong, and what to do.
pub(super) fn problem(code: StatusCode, error: &str, fix: &str) -> Response {
    (code, Json(json!({ "error": error, "fix": fix }))).into_response()
}

pub(super) fn no_answer() -> Response {
    let fix = "the control loop does not answer; see the daemon's log";
    problem(StatusCode::SERVICE_UNAVAILABLE, "control does not answer", fix)
}

pub(super) fn not_found(missing: &NotFound) -> Response {
    let NotFound { what, name, known } = missing;
    let near = ask::nearest(name, known.iter().map(String::as_str));
    let fix = match near {
        Some(near) => format!("did you mean `{near}`? known: {}", known.join(", ")),
        None => format!("known: {}", known.join(", ")),
    };
    problem(StatusCode::NOT_FOUND, &format!("there is no {what} `{name}`"), &fix)
}

pub(super) async fn nothing_there() -> Response {
    problem(StatusCode::NOT_FOUND, "there is nothing here", "begin at `/api/v1/tanks`")
}

pub(super) async fn not_that_way() -> Response {
    problem(StatusCode::METHOD_NOT_ALLOWED, "not by this method", "facts by GET, requests by POST")
}

pub(super) async fn tanks(State(shared): State<Shared>) -> Response {
    match shared.control(Job::List, CONTROL_WITHIN).await {
        Some(list) => Json(list).into_response(),
        None => no_answer(),
    }
}

pub(super) async fn status(State(shared): State<Shared>, Path(tank): Path<String>) -> Response {
    let asked = tank.clone();
    match shared.control(|reply| Job::Status { tank: asked, reply }, CONTROL_WITHIN).await {
        Some(Some(status)) => Json(status).into_response(),
        Some(None) => match shared.control(Job::List, CONTROL_WITHIN).await {
            Some(list) => {
                let known = list.tanks.into_iter().map(|tank| tank.tank).collect();
                not_found(&NotFound { what: "tank", name: tank, known })
            }
            None => no_answer(),
        },
        None => no_answer(),
    }
}

pub(super) async fn explain(State(shared): State<Shared>, Path((tank, output)): Path<(String, String)>) -> Response {
    match shared.control(|reply| Job::Explain { tank, output, reply }, CONTROL_WITHIN).await {
        Some(Ok(explanation)) => Json(explanation).into_response(),
        Some(Err(missing)) => not_found(&missing),
        None => no_answer(),
    }
}

fn answered(answer: &Answer) -> Response {
    (code_of(answer.outcome), Json(answer)).into_response()
}

pub(super) fn code_of(outcome: Outcome) -> StatusCode {
    match outcome {
        Outcome::Done | Outcome::NotProven => StatusCode::OK,
        Outcome::Refused => StatusCode::CONFLICT,
        Outcome::Unknown => StatusCode::UNPROCESSABLE_ENTITY,
    }
}

pub(super) fn asker(headers: &HeaderMap) -> &'static str {
    let agent = headers.get(header::USER_AGENT).and_then(|value| value.to_str().ok()).unwrap_or_default();
    if agent.starts_with("slackwater/") { "command line" } else { "HTTP" }
}

pub(super) async fn ask(
    State(shared): State<Shared>,
    Path(tank): Path<String>,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    let request = match ask::parse(&body) {
        Ok(request) => request,
        Err(answer) => return answered(&answer),
    };
    let by = said::by(asker(&headers), &body);
    match shared.control(|reply| Job::Ask { tank, by, request, reply }, ANSWER_WITHIN).await {
        Some(Ok(answer)) => answered(&answer),
        Some(Err(missing)) => not_found(&missing),
        None => problem(
            StatusCode::GATEWAY_TIMEOUT,
            "the request was handed over, and no answer came in time",
            "look at the status before you rely on it",
        ),
    }
}

/// What one tank answered where all were asked.
#[derive(serde::Serialize)]
struct Of {
    tank: String,
    #[serde(flatten)]
    answer: Answer,
}

/// The answers of all tanks, in their order; the outcome is the worst of them.
#[derive(serde::Serialize)]
struct OfAll {
    outcome: Outcome,
    tanks: Vec<Of>,
}

/// All tanks at once: one that needs its ten seconds to prove something keeps no other one waiting.
pub(super) async fn ask_all(State(shared): State<Shared>, headers: HeaderMap, body: Bytes) -> Response {
    let request = match ask::parse_for_all(&body) {
        Ok(request) => request,
        Err(answer) => return answered(&answer),
    };
    let Some(list) = shared.control(Job::List, CONTROL_WITHIN).await else {
        return no_answer();
    };
    let by = said::by(asker(&headers), &body);
    let asked = list.tanks.into_iter().map(|entry| {
        let (shared, request, name) = (shared.clone(), request.clone(), entry.tank.clone());
        let by = by.clone();
        let job = move |reply| Job::Ask { tank: name, by, request, reply };
        (entry.tank, tokio::spawn(async move { shared.control(job, ANSWER_WITHIN).await }))
    });
    let mut tanks = Vec::new();
    // Each is under way before the first is waited for.
    for (tank, waits) in asked.collect::<Vec<_>>() {
        let answer = match waits.await {
            Ok(Some(Ok(answer))) => answer,
            Ok(Some(Err(_))) => answer_of(Outcome::Refused, "the tank is no longer there"),
            Ok(None) | Err(_) => answer_of(Outcome::NotProven, "no answer came in time; look at the status"),
        };
        tanks.push(Of { tank, answer });
    }
    let outcome = tanks.iter().map(|of| of.answer.outcome).max().unwrap_or(Outcome::Done);
    (code_of(outcome), Json(OfAll { outcome, tanks })).into_response()
}

fn answer_of(outcome: Outcome, summary: &str) -> Answer {
    Answer { outcome, summary: summary.to_owned(), details: Vec::new(), caution: None }
}

pub(super) async fn reload(State(shared): State<Shared>) -> Response {
    let Some(loader) = shared.loader.clone() else {
        let fix = "this daemon was not started from a config directory";
        return problem(StatusCode::CONFLICT, "there is nothing to reload", fix);
    };
    let Ok(setup) = tokio::task::spawn_blocking(move || loader()).await else {
        return no_answer();
    };
    let job = |reply| Job::Reload { setup: Box::new(setup), reply: Some(reply) };
    match shared.control(job, ANSWER_WITHIN).await {
        Some(Ok(())) => Json(json!({ "outcome": "done", "summary": "the new config is at work" })).into_response(),
        Some(Err(why)) => problem(StatusCode::UNPROCESSABLE_ENTITY, &why, "mend the config; the old one goes on"),
        None => no_answer(),
    }
}

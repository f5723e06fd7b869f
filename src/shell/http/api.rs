//! `/api/v1`: facts and requests as JSON. Every refusal says what to do.

use std::time::Duration;

use axum::Extension;
use axum::body::Bytes;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Json, Response};

use crate::control::effect::{Answer, Outcome};
use crate::control::event::Request;
use crate::control::plan::Switch;
use crate::control::status::{AlarmLoad, AlarmStatus, Explanation, TankStatus};
use crate::shell::job::{Job, NotFound, TankList};
use crate::wire::{ask, said};

use super::access::Who;
use super::problem::{Kind, Problem};
use super::{CONTROL_WITHIN, Shared};

/// The core answers within ten seconds, proven or not; the rest is for a slow disk.
pub(super) const ANSWER_WITHIN: Duration = Duration::from_secs(30);

/// A problem of the general kind of its status: what is wrong, and what to do.
pub(super) fn problem(code: StatusCode, error: &str, fix: &str) -> Response {
    Problem::new(Kind::of(code), error, fix).into_response()
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

pub(super) fn no_tank(name: String, list: TankList) -> Response {
    let known = list.tanks.into_iter().map(|tank| tank.tank).collect();
    not_found(&NotFound { what: "tank", name, known })
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
    match status_of(&shared, tank).await {
        Ok(status) => Json(status).into_response(),
        Err(refusal) => refusal,
    }
}

/// A tank's status, or why there is none.
pub(super) async fn status_of(shared: &Shared, tank: String) -> Result<TankStatus, Response> {
    let asked = tank.clone();
    match shared.control(|reply| Job::Status { tank: asked, reply }, CONTROL_WITHIN).await {
        Some(Some(status)) => Ok(status),
        Some(None) => Err(match shared.control(Job::List, CONTROL_WITHIN).await {
            Some(list) => no_tank(tank, list),
            None => no_answer(),
        }),
        None => Err(no_answer()),
    }
}

pub(super) async fn explain(State(shared): State<Shared>, Path((tank, output)): Path<(String, String)>) -> Response {
    match explanation_of(&shared, tank, output).await {
        Ok(explanation) => Json(explanation).into_response(),
        Err(refusal) => refusal,
    }
}

/// Why an output is as it is, or why that cannot be said.
pub(super) async fn explanation_of(shared: &Shared, tank: String, output: String) -> Result<Explanation, Response> {
    match shared.control(|reply| Job::Explain { tank, output, reply }, CONTROL_WITHIN).await {
        Some(Ok(explanation)) => Ok(explanation),
        Some(Err(missing)) => Err(not_found(&missing)),
        None => Err(no_answer()),
    }
}

/// An answer; what was refused or not understood is a problem with the answer's fields.
fn answered(outcome: Outcome, summary: &str, fix: &str, answer: &impl serde::Serialize) -> Response {
    let kind = match outcome {
        Outcome::Done | Outcome::NotProven => return Json(answer).into_response(),
        Outcome::Refused => Kind::Refused,
        Outcome::Unknown => Kind::NotUnderstood,
    };
    Problem::new(kind, summary, fix).with(answer).into_response()
}

fn answer_of_one(answer: &Answer) -> Response {
    answered_in(answer, "look at the status", answer)
}

/// `whole`, in which somebody's answer stands. Its details say what to do instead; where there are none, `look` does.
pub(super) fn answered_in(answer: &Answer, look: &str, whole: &impl serde::Serialize) -> Response {
    let fix = if answer.details.is_empty() { look.to_owned() } else { answer.details.join("; ") };
    answered(answer.outcome, &answer.summary, &fix, whole)
}

/// The request, if whoever asks may ask it from where he is. A body that is no JSON object is malformed.
async fn read(
    shared: &Shared,
    who: &Who,
    tank: Option<&str>,
    body: &[u8],
    parse: fn(&[u8]) -> Result<Request, Answer>,
) -> Result<Request, Response> {
    if !serde_json::from_slice::<serde_json::Value>(body).is_ok_and(|value| value.is_object()) {
        let fix = "send an object such as `{\"do\": \"hold\", \"procedure\": \"water-change\"}`";
        return Err(Problem::new(Kind::Malformed, "the body is not a JSON object", fix).into_response());
    }
    let request = parse(body).map_err(|answer| answer_of_one(&answer))?;
    if who.is_here() || said::is_on_site(body) || is_safe_unseen(shared, tank, &request).await {
        return Ok(request);
    }
    Err(Problem::new(
        Kind::OnSite,
        "this is not safe for somebody who does not see the tank, and it was asked from another machine",
        "go to the tank, look, and ask again with `\"on_site\": true` (on the command line `--on-site`)",
    )
    .into_response())
}

/// Whether nobody needs to see the tank for it: what harms nothing anywhere, and off for what may always be off.
async fn is_safe_unseen(shared: &Shared, tank: Option<&str>, request: &Request) -> bool {
    let (Request::Force { output, to: Switch::Off, .. }, Some(tank)) = (request, tank) else {
        return ask::is_safe_unseen(request);
    };
    let job = |reply| Job::Status { tank: tank.to_owned(), reply };
    let status = shared.control(job, CONTROL_WITHIN).await.flatten();
    let outputs = status.map(|status| status.outputs).unwrap_or_default();
    outputs.iter().any(|known| *known.output == **output && known.kind.may_always_be_off())
}

pub(super) async fn ask(
    State(shared): State<Shared>,
    Path(tank): Path<String>,
    Extension(who): Extension<Who>,
    body: Bytes,
) -> Response {
    ask_tank(&shared, tank, &who, &body).await
}

/// What a tank answers to the request in `body`, as JSON.
pub(super) async fn ask_tank(shared: &Shared, tank: String, who: &Who, body: &[u8]) -> Response {
    let request = match read(shared, who, Some(&tank), body, ask::parse).await {
        Ok(request) => request,
        Err(refusal) => return refusal,
    };
    let by = said::by(&who.described(), body);
    match shared.control(|reply| Job::Ask { tank, by, request, reply }, ANSWER_WITHIN).await {
        Some(Ok(answer)) => answer_of_one(&answer),
        Some(Err(missing)) => not_found(&missing),
        None => problem(
            StatusCode::GATEWAY_TIMEOUT,
            "the request was handed over, and no answer came in time",
            "look at the status before you rely on it",
        ),
    }
}

/// What a request that is no tank's came to.
#[derive(serde::Serialize, schemars::JsonSchema)]
pub(super) struct Said {
    /// `done`.
    outcome: Outcome,
    /// One sentence.
    summary: String,
}

impl Said {
    pub(super) fn done(summary: &str) -> Json<Self> {
        Json(Self { outcome: Outcome::Done, summary: summary.to_owned() })
    }
}

/// Which daemon this is.
#[derive(serde::Serialize, schemars::JsonSchema)]
pub(super) struct Version {
    /// The program's version.
    version: &'static str,
    /// The newest version of the API.
    api: &'static str,
}

pub(super) async fn version() -> Json<Version> {
    Json(Version { version: env!("CARGO_PKG_VERSION"), api: "v1" })
}

/// A tank's alarms.
#[derive(serde::Serialize, schemars::JsonSchema)]
pub(super) struct AlarmList {
    tank: String,
    alarms: Vec<AlarmStatus>,
    load: AlarmLoad,
}

pub(super) async fn alarms(State(shared): State<Shared>, Path(tank): Path<String>) -> Response {
    match status_of(&shared, tank).await {
        Ok(TankStatus { tank, alarms, alarm_load, .. }) => {
            Json(AlarmList { tank: tank.to_string(), alarms, load: alarm_load }).into_response()
        }
        Err(refusal) => refusal,
    }
}

/// What one tank answered where all were asked.
#[derive(serde::Serialize, schemars::JsonSchema)]
struct Of {
    tank: String,
    #[serde(flatten)]
    answer: Answer,
}

/// The answers of all tanks, in their order; the outcome is the worst of them.
#[derive(serde::Serialize, schemars::JsonSchema)]
struct OfAll {
    outcome: Outcome,
    tanks: Vec<Of>,
}

/// The shape of the answers of all tanks.
pub(super) fn of_all(generator: &mut schemars::SchemaGenerator) -> schemars::Schema {
    generator.subschema_for::<OfAll>()
}

/// All tanks at once: one that needs its ten seconds to prove something keeps no other one waiting.
pub(super) async fn ask_all(State(shared): State<Shared>, Extension(who): Extension<Who>, body: Bytes) -> Response {
    let request = match read(&shared, &who, None, &body, ask::parse_for_all).await {
        Ok(request) => request,
        Err(refusal) => return refusal,
    };
    let Some(list) = shared.control(Job::List, CONTROL_WITHIN).await else {
        return no_answer();
    };
    let by = said::by(&who.described(), &body);
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
    let worst = tanks.iter().find(|of| of.answer.outcome == outcome);
    let summary = worst.map(|of| format!("{}: {}", of.tank, of.answer.summary)).unwrap_or_default();
    let fix = "look at what each tank answered: the others did it";
    answered(outcome, &summary, fix, &OfAll { outcome, tanks })
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
        Some(Ok(())) => Said::done("the new config is at work").into_response(),
        Some(Err(why)) => problem(StatusCode::UNPROCESSABLE_ENTITY, &why, "mend the config; the old one goes on"),
        None => no_answer(),
    }
}

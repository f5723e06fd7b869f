//! `/api/v1/tanks/{tank}/` log, supplies, chores, items, spots: facts by GET, requests by POST.

use std::time::Duration;

use axum::Extension;
use axum::body::Bytes;
use axum::extract::{Path, Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Json, Response};
use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde_json::{Value, json};
use tokio::sync::oneshot;

use crate::care::Request;
pub(super) use crate::shell::care::CareAnswer;
use crate::shell::care::{CareJob, Part, Range, View, read_request};
use crate::shell::job::NotFound;

use super::Shared;
use super::access::Who;
use super::api::{self, not_found, problem};

/// The care thread waits ten seconds for the disk, once for what was before and once for this.
const ANSWER_WITHIN: Duration = Duration::from_secs(25);
/// While the disk hangs a scrape goes without the keeper's families.
const METRICS_WITHIN: Duration = Duration::from_secs(1);
/// A file of entries may be larger than another request.
pub(super) const GREATEST_FILE: usize = 8 * 1024 * 1024;

/// What stands beside any request.
const BESIDE: &[(&str, &str)] = &[
    ("key", "Its own mark, 1 to 200 bytes: what comes again with the same mark is noted once"),
    ("when", "When it happened, such as `yesterday 18:30`; now if not given"),
];

/// What a query may ask.
#[derive(Debug, Default, serde::Deserialize)]
pub(super) struct Asked {
    name: Option<String>,
    days: Option<u32>,
    #[serde(default)]
    all: bool,
    from: Option<String>,
    until: Option<String>,
}

fn no_answer() -> Response {
    let fix = "look into the log before you send it again; with the same key it is noted once";
    problem(StatusCode::GATEWAY_TIMEOUT, "the keeper's log does not answer", fix)
}

async fn asked<T>(shared: &Shared, job: impl FnOnce(oneshot::Sender<T>) -> CareJob) -> Option<T> {
    let (reply, answer) = oneshot::channel();
    if !shared.care.send(job(reply)) {
        return None;
    }
    tokio::time::timeout(ANSWER_WITHIN, answer).await.ok()?.ok()
}

pub(super) async fn view(shared: &Shared, tank: String, part: Part) -> Result<Value, Response> {
    let view = Box::new(View { tank, part });
    match asked(shared, |reply| CareJob::View(view, reply)).await {
        Some(Ok(value)) => Ok(value),
        Some(Err(missing)) => Err(not_found(&missing)),
        None => Err(no_answer()),
    }
}

/// A request of the keeper, and beside it its own mark and when it happened.
pub(super) fn shape(generator: &mut SchemaGenerator) -> Schema {
    let mut schema = Request::json_schema(generator);
    let branches = schema.get_mut("oneOf").and_then(Value::as_array_mut);
    for branch in branches.into_iter().flatten() {
        for (field, means) in BESIDE {
            branch["properties"][*field] = json!({ "type": ["string", "null"], "description": means });
        }
    }
    schema
}

async fn part(State(shared): State<Shared>, Path(tank): Path<String>, part: Part) -> Response {
    view(&shared, tank, part).await.map_or_else(|refusal| refusal, |value| Json(value).into_response())
}

pub(super) async fn log(
    State(shared): State<Shared>,
    Path(tank): Path<String>,
    Query(query): Query<Asked>,
) -> Response {
    let wanted = Part::Log { name: query.name, days: query.days, all: query.all };
    part(State(shared), Path(tank), wanted).await
}

pub(super) async fn supplies(state: State<Shared>, tank: Path<String>) -> Response {
    part(state, tank, Part::Supplies).await
}

pub(super) async fn chores(state: State<Shared>, tank: Path<String>) -> Response {
    part(state, tank, Part::Chores).await
}

pub(super) async fn items(state: State<Shared>, tank: Path<String>) -> Response {
    part(state, tank, Part::Items).await
}

pub(super) async fn spots(state: State<Shared>, tank: Path<String>) -> Response {
    part(state, tank, Part::Spots).await
}

/// A text that stands in one field of a view, by its own type.
async fn text(shared: &Shared, tank: String, part: Part, field: &str, kind: &'static str) -> Response {
    match view(shared, tank, part).await {
        Ok(value) => {
            ([(header::CONTENT_TYPE, kind)], value[field].as_str().unwrap_or_default().to_owned()).into_response()
        }
        Err(refusal) => refusal,
    }
}

pub(super) async fn export(State(shared): State<Shared>, Path(tank): Path<String>) -> Response {
    text(&shared, tank, Part::Export, "csv", "text/csv; charset=utf-8").await
}

pub(super) async fn sheet(State(shared): State<Shared>, Path(tank): Path<String>) -> Response {
    text(&shared, tank, Part::Sheet, "markdown", "text/markdown; charset=utf-8").await
}

pub(super) async fn audit(
    State(shared): State<Shared>,
    Path(tank): Path<String>,
    Query(query): Query<Asked>,
) -> Response {
    let day = |text: &Option<String>| text.as_deref().unwrap_or_default().parse();
    match (day(&query.from), day(&query.until)) {
        (Ok(from), Ok(until)) if from <= until => {
            part(State(shared), Path(tank), Part::Audit(Range { from, until })).await
        }
        _ => problem(
            StatusCode::UNPROCESSABLE_ENTITY,
            "these are not the days of a trip",
            "ask with `?from=2026-12-20&until=2027-01-03`",
        ),
    }
}

pub(super) async fn ask(
    State(shared): State<Shared>,
    Path(tank): Path<String>,
    Extension(who): Extension<Who>,
    body: Bytes,
) -> Response {
    ask_tank(&shared, tank, &who, &body).await
}

/// What the keeper's log answers to the request in `body`, as JSON.
pub(super) async fn ask_tank(shared: &Shared, tank: String, who: &Who, body: &[u8]) -> Response {
    let request = match read_request(tank, who.described(), body) {
        Ok(request) => Box::new(request),
        Err(answer) => return answer_of(&answer),
    };
    let answer: Option<Result<_, NotFound>> = asked(shared, |reply| CareJob::Ask(request, reply)).await;
    match answer {
        Some(Ok(answer)) => answer_of(&answer),
        Some(Err(missing)) => not_found(&missing),
        None => no_answer(),
    }
}

fn answer_of(answer: &CareAnswer) -> Response {
    api::answered_in(&answer.answer, "look at the log", answer)
}

/// The text of the keeper's metrics; nothing where nobody answers.
pub(super) async fn metrics(shared: &Shared) -> String {
    let text = tokio::time::timeout(METRICS_WITHIN, asked(shared, CareJob::Metrics)).await;
    text.ok().flatten().unwrap_or_default()
}

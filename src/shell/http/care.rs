//! `/api/v1/tanks/{tank}/` log, supplies, chores, items, spots: facts by GET, requests by POST.

use std::time::Duration;

use axum::Router;
use axum::body::Bytes;
use axum::extract::{DefaultBodyLimit, Path, Query, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Json, Response};
use axum::routing::get;
use serde_json::Value;
use tokio::sync::oneshot;

use crate::control::effect::Outcome;
use crate::shell::care::{CareJob, Part, Range, View, read_request};
use crate::shell::job::NotFound;

use super::Shared;
use super::api::{asker, code_of, not_found, problem};

/// The care thread waits ten seconds for the disk, once for what was before and once for this.
const ANSWER_WITHIN: Duration = Duration::from_secs(25);
/// While the disk hangs a scrape goes without the keeper's families.
const METRICS_WITHIN: Duration = Duration::from_secs(1);
/// A file of entries may be larger than another request.
const GREATEST_BODY: usize = 8 * 1024 * 1024;

/// What a query may ask.
#[derive(Debug, Default, serde::Deserialize)]
struct Asked {
    name: Option<String>,
    days: Option<u32>,
    #[serde(default)]
    all: bool,
    from: Option<String>,
    until: Option<String>,
}

/// The routes, each a part of one tank's care.
pub(super) fn routes() -> Router<Shared> {
    let path = |part: &str| format!("/api/v1/tanks/{{tank}}/{part}");
    Router::new()
        .route(&path("log"), get(log).post(ask))
        .route(&path("log/export"), get(export))
        .route(&path("supplies"), get(async |s, t| part(s, t, Part::Supplies).await).post(ask))
        .route(&path("chores"), get(async |s, t| part(s, t, Part::Chores).await).post(ask))
        .route(&path("chores/sheet"), get(sheet))
        .route(&path("items"), get(async |s, t| part(s, t, Part::Items).await).post(ask))
        .route(&path("spots"), get(async |s, t| part(s, t, Part::Spots).await).post(ask))
        .route(&path("audit"), get(audit))
        .layer(DefaultBodyLimit::max(GREATEST_BODY))
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

async fn view(shared: &Shared, tank: String, part: Part) -> Result<Value, Response> {
    let view = Box::new(View { tank, part });
    match asked(shared, |reply| CareJob::View(view, reply)).await {
        Some(Ok(value)) => Ok(value),
        Some(Err(missing)) => Err(not_found(&missing)),
        None => Err(no_answer()),
    }
}

async fn part(State(shared): State<Shared>, Path(tank): Path<String>, part: Part) -> Response {
    view(&shared, tank, part).await.map_or_else(|refusal| refusal, |value| Json(value).into_response())
}

async fn log(State(shared): State<Shared>, Path(tank): Path<String>, Query(query): Query<Asked>) -> Response {
    let wanted = Part::Log { name: query.name, days: query.days, all: query.all };
    part(State(shared), Path(tank), wanted).await
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

async fn export(State(shared): State<Shared>, Path(tank): Path<String>) -> Response {
    text(&shared, tank, Part::Export, "csv", "text/csv; charset=utf-8").await
}

async fn sheet(State(shared): State<Shared>, Path(tank): Path<String>) -> Response {
    text(&shared, tank, Part::Sheet, "markdown", "text/markdown; charset=utf-8").await
}

async fn audit(State(shared): State<Shared>, Path(tank): Path<String>, Query(query): Query<Asked>) -> Response {
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

async fn ask(State(shared): State<Shared>, Path(tank): Path<String>, headers: HeaderMap, body: Bytes) -> Response {
    let request = match read_request(tank, asker(&headers).to_owned(), &body) {
        Ok(request) => Box::new(request),
        Err(answer) => return (code_of(Outcome::Unknown), Json(answer)).into_response(),
    };
    let answer: Option<Result<_, NotFound>> = asked(&shared, |reply| CareJob::Ask(request, reply)).await;
    match answer {
        Some(Ok(answer)) => (code_of(answer.answer.outcome), Json(answer)).into_response(),
        Some(Err(missing)) => not_found(&missing),
        None => no_answer(),
    }
}

/// The text of the keeper's metrics; nothing where nobody answers.
pub(super) async fn metrics(shared: &Shared) -> String {
    let text = tokio::time::timeout(METRICS_WITHIN, asked(shared, CareJob::Metrics)).await;
    text.ok().flatten().unwrap_or_default()
}

//! `/api/v1/tanks/{tank}/history`, `/readings` and `/days`: what the store remembers, for charts and exports.
//!
//! Read from the file beside the daemon's own work, on a thread that yields to control: a question about
//! ten years keeps nobody waiting. Bounds: [`MOST_POINTS`] points, [`MOST_ROWS`] rows an answer.

use std::path::PathBuf;
use std::time::Duration;

use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Json, Response};
use serde::{Deserialize, Serialize};

use crate::shell::care::Part;
use crate::shell::clock::unix_millis;
use crate::shell::store::history::read::{Bucket, History, Mark, Series};
use crate::time::{Wall, Zone};
use crate::water::stats::days::Day;
use crate::wire::ask;

use super::api::problem;
use super::{Shared, care, each};

const MOST_POINTS: u32 = 5000;
const USUAL_POINTS: u32 = 500;
/// Rows of one answer of `readings` or `days`; who wants more asks again from `next` on.
const MOST_ROWS: u32 = 10_000;
const MOST_MARKS: u32 = 2000;
/// The kind of an entry of the keeper's log, and of its mark.
const WATER_CHANGE: &str = "water-change";
const LOG_WITHIN: Duration = Duration::from_secs(2);

/// What is asked. Times: RFC 3339, a local date such as `2026-06-01`, or Unix seconds.
#[derive(Debug, Deserialize)]
pub(super) struct Asked {
    signal: Option<String>,
    from: Option<String>,
    to: Option<String>,
    points: Option<u32>,
}

#[derive(Serialize, schemars::JsonSchema)]
pub(super) struct Chart {
    tank: String,
    signal: String,
    unit: String,
    zone: String,
    from: i64,
    to: i64,
    /// Seconds of each point.
    every: i64,
    points: Vec<Bucket>,
    marks: Vec<Mark>,
}

#[derive(Serialize, schemars::JsonSchema)]
pub(super) struct Page<T> {
    tank: String,
    signal: String,
    unit: String,
    zone: String,
    rows: Vec<T>,
    /// There may be more from this time on, Unix seconds.
    #[serde(skip_serializing_if = "Option::is_none")]
    next: Option<i64>,
}

/// Why there is no answer.
pub(super) enum Refusal {
    Unknown(String, String),
    Misuse(String, String),
    Store(String),
}

impl From<rusqlite::Error> for Refusal {
    fn from(error: rusqlite::Error) -> Self {
        Self::Store(error.to_string())
    }
}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        match self {
            Self::Unknown(error, fix) => problem(StatusCode::NOT_FOUND, &error, &fix),
            Self::Misuse(error, fix) => problem(StatusCode::UNPROCESSABLE_ENTITY, &error, &fix),
            Self::Store(error) => {
                let fix = "see the daemon's log; control goes on without its history";
                problem(StatusCode::SERVICE_UNAVAILABLE, &format!("the history cannot be read: {error}"), fix)
            }
        }
    }
}

/// A signal over a range in about so many points, with what happened meanwhile.
pub(super) async fn chart(
    State(shared): State<Shared>,
    Path(tank): Path<String>,
    Query(asked): Query<Asked>,
) -> Response {
    let points = asked.points.unwrap_or(USUAL_POINTS).clamp(1, MOST_POINTS);
    let changes = water_changes(&shared, &tank).await;
    read(shared.data_dir.clone(), move |history| {
        let (series, (from, to)) = found(history, &tank, &asked)?;
        let (every, found) = history.chart(&series, (from, to), points)?;
        let mut marks = history.marks(&tank, (from, to), MOST_MARKS)?;
        let within = |mark: &Mark| (from * 1000..to * 1000).contains(&mark.at.unix_millis());
        marks.extend(changes.into_iter().filter(within).take(MOST_MARKS as usize));
        marks.sort_by_key(|mark| mark.at);
        let Series { signal, unit, zone, .. } = series;
        Ok(Chart { tank, signal, unit, zone: zone.to_string(), from, to, every, points: found, marks })
    })
    .await
}

/// The water changes of the keeper's log, noted by hand or by a hold, as they stand after corrections. None where the log
/// does not answer soon: a chart does not wait for it.
async fn water_changes(shared: &Shared, tank: &str) -> Vec<Mark> {
    let part = Part::Log { name: Some(WATER_CHANGE.to_owned()), days: None, all: false };
    let log = tokio::time::timeout(LOG_WITHIN, care::view(shared, tank.to_owned(), part)).await;
    let Ok(Ok(log)) = log else { return Vec::new() };
    let mark = |line: &serde_json::Value| {
        Some(Mark {
            at: Wall::from_unix_millis(line["at"].as_i64()?),
            kind: WATER_CHANGE.to_owned(),
            subject: line["name"].as_str()?.to_owned(),
            text: line["says"].as_str()?.to_owned(),
        })
    };
    each(&log["entries"]).filter_map(mark).collect()
}

/// The buckets of a signal as they are kept.
pub(super) async fn readings(
    State(shared): State<Shared>,
    Path(tank): Path<String>,
    Query(asked): Query<Asked>,
) -> Response {
    page(
        shared.data_dir.clone(),
        tank,
        asked,
        |history, series, range| history.readings(series, range, MOST_ROWS),
        |row| row.at + 1,
    )
    .await
}

/// The completed local days of a signal.
pub(super) async fn days(
    State(shared): State<Shared>,
    Path(tank): Path<String>,
    Query(asked): Query<Asked>,
) -> Response {
    let after = |day: &Day| day.until.unix_millis().div_euclid(1000);
    page(shared.data_dir.clone(), tank, asked, |history, series, range| history.days(series, range, MOST_ROWS), after)
        .await
}

/// Reads rows of a signal in a range of Unix seconds.
type Rows<T> = fn(&History, &Series, (i64, i64)) -> rusqlite::Result<Vec<T>>;

/// Rows of one signal, and from where on there may be more: `after` the last of a full page.
async fn page<T: Serialize + Send + 'static>(
    data_dir: PathBuf,
    tank: String,
    asked: Asked,
    rows: Rows<T>,
    after: fn(&T) -> i64,
) -> Response {
    read(data_dir, move |history| {
        let (series, range) = found(history, &tank, &asked)?;
        let rows = rows(history, &series, range)?;
        let is_full = u32::try_from(rows.len()).is_ok_and(|rows| rows >= MOST_ROWS);
        let next = rows.last().filter(|_| is_full).map(after);
        let Series { signal, unit, zone, .. } = series;
        Ok(Page { tank, signal, unit, zone: zone.to_string(), rows, next })
    })
    .await
}

pub(super) async fn read<T: Serialize + Send + 'static>(
    data_dir: PathBuf,
    question: impl FnOnce(&History) -> Result<T, Refusal> + Send + 'static,
) -> Response {
    let answer = tokio::task::spawn_blocking(move || question(&History::open(&data_dir)?));
    match answer.await {
        Ok(Ok(found)) => Json(found).into_response(),
        Ok(Err(refusal)) => refusal.into_response(),
        Err(_) => Refusal::Store("the reader ended".to_owned()).into_response(),
    }
}

/// The signal and the range that are meant.
fn found(history: &History, tank: &str, asked: &Asked) -> Result<(Series, (i64, i64)), Refusal> {
    let known = history.signals(tank)?;
    let names: Vec<&str> = known.iter().map(|series| &*series.signal).collect();
    if names.is_empty() {
        let fix = "name a tank of `/api/v1/tanks`; the first readings are written after `sample_every`";
        return Err(Refusal::Unknown(format!("nothing is written down of a tank `{tank}`"), fix.to_owned()));
    }
    let Some(signal) = &asked.signal else {
        let fix = format!("add `signal=`; known: {}", names.join(", "));
        return Err(Refusal::Misuse("no signal is named".to_owned(), fix));
    };
    let Some(series) = known.iter().find(|series| series.signal == *signal) else {
        let fix = match ask::nearest(signal, names.iter().copied()) {
            Some(near) => format!("did you mean `{near}`? known: {}", names.join(", ")),
            None => format!("known: {}", names.join(", ")),
        };
        return Err(Refusal::Unknown(format!("nothing is written down of a signal `{signal}`"), fix));
    };
    let time = |text: &Option<String>, usual: i64, edge| match text {
        None => Ok(usual),
        Some(text) => moment(text, series.zone, edge).ok_or_else(|| {
            let fix = "write RFC 3339 such as `2026-06-01T06:00:00Z`, a date such as `2026-06-01`, or Unix seconds";
            Refusal::Misuse(format!("`{text}` is not a time"), fix.to_owned())
        }),
    };
    // The demo's clock runs ahead of this machine's: what is there already is not in the future.
    let newest = history.newest(series)?.unwrap_or(0);
    let to = time(&asked.to, unix_millis().div_euclid(1000).max(newest) + 1, Edge::End)?;
    let from = time(&asked.from, to - 86_400, Edge::Begin)?;
    if from >= to {
        let fix = "`from` must be the earlier one".to_owned();
        return Err(Refusal::Misuse("the range is empty".to_owned(), fix));
    }
    Ok((series.clone(), (from, to)))
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Edge {
    Begin,
    End,
}

/// A time as Unix seconds. A date alone is its first moment, or, where a range ends with it, its last.
fn moment(text: &str, zone: Zone, edge: Edge) -> Option<i64> {
    // In a query a plus is a blank.
    let text = text.trim().replace(' ', "+");
    if let Some(day) = zone.day_named(&text) {
        let at = if edge == Edge::End { day.until } else { day.from };
        return Some(at.unix_millis().div_euclid(1000));
    }
    if let Some(at) = Wall::from_rfc3339(&text) {
        return Some(at.unix_millis().div_euclid(1000));
    }
    // Years 1970 to 9999.
    text.parse().ok().filter(|seconds| (0..253_402_300_800).contains(seconds))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read_as_people_and_programs_write_them() {
        let lisbon: Zone = "Europe/Lisbon".parse().unwrap();
        let begin = |text| moment(text, lisbon, Edge::Begin);
        assert_eq!(begin("2026-03-29"), Some(1_774_742_400));
        // That day has 23 hours.
        assert_eq!(moment("2026-03-29", lisbon, Edge::End), Some(1_774_742_400 + 23 * 3600));
        assert_eq!(begin("2026-03-29T02:00:00+01:00"), Some(1_774_746_000));
        assert_eq!(begin("2026-03-29T02:00:00 01:00"), Some(1_774_746_000));
        assert_eq!(begin("1774742400"), Some(1_774_742_400));
        for nonsense in ["", "yesterday", "-1", "1e300", "99999999999999999999"] {
            assert_eq!(begin(nonsense), None, "{nonsense}");
        }
    }
}

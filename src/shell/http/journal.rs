//! `/api/v1/journal`: what happened, page by page from the newest on, read from the file beside the daemon's own work.

use axum::extract::{Path, Query, State};
use axum::response::Response;
use serde::{Deserialize, Serialize};

use crate::control::effect::JournalKind;
use crate::shell::job::Job;
use crate::shell::store::history::journal::{Line, Wanted};
use crate::wire::ask;

use super::history::{Refusal, read};
use super::{CONTROL_WITHIN, Shared, api};

const USUAL: u32 = 100;
const MOST: u32 = 1000;

/// What is asked.
#[derive(Debug, Deserialize)]
pub(super) struct Asked {
    kind: Option<String>,
    before: Option<i64>,
    lines: Option<u32>,
}

/// A page of the journal.
#[derive(Serialize, schemars::JsonSchema)]
pub(super) struct Lines {
    /// The newest first.
    lines: Vec<Line>,
    /// `before` of the next page; absent where there is no more.
    #[serde(skip_serializing_if = "Option::is_none")]
    next: Option<i64>,
}

/// All tanks' lines, and the daemon's own.
pub(super) async fn of_all(State(shared): State<Shared>, Query(asked): Query<Asked>) -> Response {
    lines(&shared, None, asked).await
}

/// One tank's.
pub(super) async fn of_tank(
    State(shared): State<Shared>,
    Path(tank): Path<String>,
    Query(asked): Query<Asked>,
) -> Response {
    let Some(list) = shared.control(Job::List, CONTROL_WITHIN).await else { return api::no_answer() };
    if list.tanks.iter().all(|known| known.tank != tank) {
        return api::no_tank(tank, list);
    }
    lines(&shared, Some(tank), asked).await
}

async fn lines(shared: &Shared, tank: Option<String>, asked: Asked) -> Response {
    read(shared.data_dir.clone(), move |history| {
        let known = || JournalKind::ALL.iter().map(|kind| kind.word());
        if let Some(kind) = asked.kind.as_deref().filter(|kind| known().all(|word| word != *kind)) {
            let all = known().collect::<Vec<_>>().join(", ");
            let fix = match ask::nearest(kind, known()) {
                Some(near) => format!("did you mean `{near}`? known: {all}"),
                None => format!("known: {all}"),
            };
            return Err(Refusal::Misuse(format!("`{kind}` is no kind of line"), fix));
        }
        let count = asked.lines.unwrap_or(USUAL).clamp(1, MOST);
        let (lines, next) = history.journal(&Wanted { tank, kind: asked.kind, before: asked.before }, count)?;
        Ok(Lines { lines, next })
    })
    .await
}

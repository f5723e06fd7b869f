//! `/api/v1/notify`: how the channels are, and a test of them.

use axum::Extension;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Json, Response};

use crate::shell::job::Job;
use crate::shell::notify::letter::{ChannelState, TestResult};

use super::access::Who;
use super::api::{ANSWER_WITHIN, no_answer, not_found, problem};
use super::{CONTROL_WITHIN, Shared};

pub(super) async fn channels(State(shared): State<Shared>) -> Response {
    match shared.control(Job::Channels, CONTROL_WITHIN).await {
        Some(channels) => Json(Channels { channels }).into_response(),
        None => no_answer(),
    }
}

/// How the channels are.
#[derive(serde::Serialize, schemars::JsonSchema)]
pub(super) struct Channels {
    channels: Vec<ChannelState>,
}

/// What came of a test.
#[derive(serde::Serialize, schemars::JsonSchema)]
pub(super) struct Tested {
    /// `done`, or `refused` where one did not deliver.
    outcome: &'static str,
    summary: String,
    channels: Vec<TestResult>,
}

/// What may be asked for.
#[derive(Default, serde::Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Wish {
    /// The channel; all, if not given.
    channel: Option<String>,
}

/// Tries one channel, or all: `{"channel": "phone"}` or `{}`.
pub(super) async fn test(State(shared): State<Shared>, Extension(who): Extension<Who>, body: Bytes) -> Response {
    let wish: Result<Wish, _> = if body.is_empty() { Ok(Wish::default()) } else { serde_json::from_slice(&body) };
    let Ok(Wish { channel }) = wish else {
        let fix = "send `{\"channel\": \"phone\"}`, or `{}` for all of them";
        return problem(StatusCode::UNPROCESSABLE_ENTITY, "the request was not understood", fix);
    };
    let by = who.described();
    match shared.control(|reply| Job::TestChannels { channel, by, reply }, ANSWER_WITHIN).await {
        Some(Ok(results)) => {
            let failed = results.iter().filter(|result| !result.delivered).count();
            let (outcome, summary) = match (results.len(), failed) {
                (0, _) => ("refused", "there is no channel: nobody would hear of an alarm".to_owned()),
                (1, 0) => ("done", "it delivered".to_owned()),
                (all, 0) => ("done", format!("all {all} delivered")),
                (all, failed) => ("refused", format!("{failed} of {all} did not deliver")),
            };
            Json(Tested { outcome, summary, channels: results }).into_response()
        }
        Some(Err(missing)) => not_found(&missing),
        None => no_answer(),
    }
}

//! `/api/v1/events` and `/api/v1/tanks/{tank}/events`: what changes, as it changes (server-sent events).
//!
//! ```text
//!   control ◄─ one question a second, while anybody listens ─ Hub ─► each stream, bounded: who does not read is dropped
//! ```
//! Duty: that a page shows the tank and not its own memory of it. One watcher asks control, however many listen, so
//! streams cost control nothing more than one reader. A heartbeat comes every [`BEAT`]; where it stays away the daemon,
//! or the way to it, is gone. A stream begins with all there is, so nothing has to be remembered between two.

mod change;
mod hub;

use std::convert::Infallible;
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;

use axum::Extension;
use axum::body::Body;
use axum::extract::{Path, State};
use axum::http::{HeaderName, header};
use axum::response::{IntoResponse, Response};
use bytes::Bytes;
use http_body::Frame;
use tokio::sync::mpsc;

use super::access::Who;
use super::problem::{Kind, Problem};
use super::{CONTROL_WITHIN, Shared, api};
use crate::shell::job::Job;

pub(super) use hub::Hub;

/// How often the daemon says that it lives.
pub(super) const BEAT: Duration = Duration::from_secs(3);
/// Streams at once.
pub(super) const MOST_STREAMS: usize = 64;

/// All tanks: the list, what each says in a sentence, alarms and holds.
pub(super) async fn of_all(State(shared): State<Shared>, Extension(who): Extension<Who>) -> Response {
    stream(&shared, None, who)
}

/// One tank, whole.
pub(super) async fn of_tank(
    State(shared): State<Shared>,
    Extension(who): Extension<Who>,
    Path(tank): Path<String>,
) -> Response {
    let Some(list) = shared.control(Job::List, CONTROL_WITHIN).await else {
        return api::no_answer();
    };
    if list.tanks.iter().all(|known| known.tank != tank) {
        return api::no_tank(tank, list);
    }
    stream(&shared, Some(tank), who)
}

fn stream(shared: &Shared, tank: Option<String>, who: Who) -> Response {
    match shared.hub.open(tank, who) {
        Some(frames) => {
            let headers: [(HeaderName, &str); 3] = [
                (header::CONTENT_TYPE, "text/event-stream"),
                (header::CACHE_CONTROL, "no-store"),
                // A proxy that gathers would keep the heartbeat.
                (HeaderName::from_static("x-accel-buffering"), "no"),
            ];
            (headers, Body::new(Stream(frames))).into_response()
        }
        None => Problem::new(
            Kind::Unavailable,
            format!("{MOST_STREAMS} streams are open, and no more are kept"),
            "close a page that nobody looks at",
        )
        .after(10)
        .into_response(),
    }
}

/// The frames of one stream. It ends when the hub lets go of it.
struct Stream(mpsc::Receiver<Bytes>);

impl http_body::Body for Stream {
    type Data = Bytes;
    type Error = Infallible;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Self::Data>, Self::Error>>> {
        self.0.poll_recv(context).map(|bytes| bytes.map(|bytes| Ok(Frame::data(bytes))))
    }
}

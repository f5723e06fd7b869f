//! `/metrics`: the daemon's meters, then the tanks' families piece by piece.

use std::convert::Infallible;
use std::pin::Pin;
use std::task::{Context, Poll};

use axum::body::Body;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use bytes::Bytes;
use http_body::Frame;

use crate::control::status::TankStatus;
use crate::shell::desk::answer::AT_MOST_STATUSES;
use crate::shell::job::Job;
use crate::wire::metrics::{CONTENT_TYPE, TankRecords, TankText};

use super::api::problem;
use super::process::facts;
use super::{CONTROL_WITHIN, Shared};

pub(super) async fn metrics(State(shared): State<Shared>) -> Response {
    let Some(tanks) = statuses(&shared).await else {
        let fix = "the control loop does not answer; see the daemon's log";
        return problem(StatusCode::SERVICE_UNAVAILABLE, "no metrics of the tanks", fix);
    };
    let care = super::care::metrics(&shared).await;
    let pieces = Pieces { daemon: Some(shared.meters.text(&facts()) + &care), tanks: TankText::with_records(tanks) };
    ([(header::CONTENT_TYPE, CONTENT_TYPE)], Body::new(pieces)).into_response()
}

/// A few tanks at a time, so that control hears messages in between.
async fn statuses(shared: &Shared) -> Option<Vec<(TankStatus, TankRecords)>> {
    let mut all = Vec::new();
    loop {
        let from = all.len();
        let job = |reply| Job::Statuses { from, count: AT_MOST_STATUSES, reply };
        let some = shared.control(job, CONTROL_WITHIN).await?;
        let count = some.len();
        all.extend(some);
        if count < AT_MOST_STATUSES {
            return Some(all);
        }
    }
}

/// The text, made as it is sent.
struct Pieces {
    daemon: Option<String>,
    tanks: TankText,
}

impl http_body::Body for Pieces {
    type Data = Bytes;
    type Error = Infallible;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        _: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Self::Data>, Self::Error>>> {
        let next = match self.daemon.take() {
            Some(text) => Some(text),
            None => self.tanks.next(),
        };
        Poll::Ready(next.map(|text| Ok(Frame::data(Bytes::from(text)))))
    }
}

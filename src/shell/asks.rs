//! Requests that wait for the core's answer, and who waits for it.

use std::collections::BTreeMap;

use tokio::sync::oneshot;
use tokio::time::{Duration, Instant};

use crate::control::effect::Answer;
use crate::control::event::RequestId;

use super::job::NotFound;
use super::mqtt::Reply;

/// An answer that did not come in this time will not come.
const FORGET_AFTER: Duration = Duration::from_mins(2);

/// Who waits.
#[derive(Debug)]
pub enum Waiter {
    /// An HTTP request.
    Http(oneshot::Sender<Result<Answer, NotFound>>),
    /// Somebody on the broker, who may have named a response topic.
    Topic(Option<Reply>),
}

/// All that wait.
#[derive(Debug, Default)]
pub struct Asks {
    next: u64,
    waiting: BTreeMap<RequestId, (usize, Instant, Waiter)>,
}

impl Asks {
    /// A mark for a request to this tank.
    pub fn expect(&mut self, tank: usize, waiter: Waiter) -> RequestId {
        self.next += 1;
        let id = RequestId(self.next);
        self.waiting.insert(id, (tank, Instant::now(), waiter));
        id
    }

    /// Who waits for this answer.
    pub fn take(&mut self, id: RequestId) -> Option<Waiter> {
        self.waiting.remove(&id).map(|(_, _, waiter)| waiter)
    }

    /// Forgets those that waited too long.
    pub fn forget_old(&mut self) {
        self.waiting.retain(|_, (_, since, _)| since.elapsed() < FORGET_AFTER);
    }

    /// All that wait, with their tanks: a reload answers them.
    pub fn take_all(&mut self) -> Vec<(usize, Waiter)> {
        std::mem::take(&mut self.waiting).into_values().map(|(tank, _, waiter)| (tank, waiter)).collect()
    }
}

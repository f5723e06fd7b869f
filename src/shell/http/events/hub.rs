//! The watcher: asks control once a second while anybody listens, and hands out what is news.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use bytes::Bytes;
use serde_json::{Value, json};
use tokio::sync::{Notify, mpsc, watch};
use tokio::time::Instant;

use crate::shell::desk::answer::AT_MOST_STATUSES;
use crate::shell::http::Shared;
use crate::shell::http::access::{self, Who};
use crate::shell::http::connections::end_of;
use crate::shell::job::{Job, TankList};

use super::change::{self, Depth};
use super::{BEAT, MOST_STREAMS};

/// Between two looks.
const LOOK: Duration = Duration::from_secs(1);
/// Between two looks at the soonest, however many streams begin.
const SOONEST: Duration = Duration::from_millis(200);
/// What only grows older is told so often.
const AGES_EVERY: Duration = Duration::from_secs(5);
/// Control answers in microseconds; where it does not, the heartbeat must say so soon.
const CONTROL_WITHIN: Duration = Duration::from_secs(2);
/// Tanks looked at in one look, where somebody listens to all: the others have their turn in the next one.
const TANKS_A_LOOK: usize = 12 * AT_MOST_STATUSES;
/// Frames that wait for a reader. Who is so far behind is dropped, and begins anew with all there is.
const WAITING: usize = 64;

struct Stream {
    /// `None`: all tanks.
    tank: Option<String>,
    who: Who,
    out: mpsc::Sender<Bytes>,
    begun: bool,
}

/// Who listens.
#[derive(Default)]
pub(in super::super) struct Hub {
    streams: Mutex<Vec<Stream>>,
    came: Notify,
}

impl std::fmt::Debug for Hub {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Hub")
    }
}

/// What is known of a tank.
struct Told {
    /// At the last look.
    seen: Value,
    /// As those have it who were told each change.
    view: Value,
    ages_at: Instant,
}

/// The watcher's memory.
#[derive(Default)]
struct Memory {
    told: BTreeMap<String, Told>,
    list: Option<Value>,
    /// From where on the tanks are looked at next.
    next: usize,
    beaten: Option<Instant>,
    /// Whether control answered the last question.
    answers: bool,
    number: u64,
}

impl Hub {
    /// A new stream; `None`: there are too many.
    pub(in super::super) fn open(&self, tank: Option<String>, who: Who) -> Option<mpsc::Receiver<Bytes>> {
        let (out, frames) = mpsc::channel(WAITING);
        let mut streams = self.lock();
        streams.retain(|stream| !stream.out.is_closed());
        if streams.len() >= MOST_STREAMS {
            return None;
        }
        // A browser that lost us comes back after this.
        let _ = out.try_send(Bytes::from_static(b"retry: 2000\n\n"));
        streams.push(Stream { tank, who, out, begun: false });
        drop(streams);
        self.came.notify_one();
        Some(frames)
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, Vec<Stream>> {
        self.streams.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Runs until `stop`, and ends every stream then.
    pub(in super::super) async fn run(&self, shared: &Shared, mut stop: watch::Receiver<bool>) {
        let mut memory = Memory::default();
        loop {
            let begun = Instant::now();
            let listens = {
                let mut streams = self.lock();
                streams.retain(|stream| !stream.out.is_closed());
                !streams.is_empty()
            };
            if listens {
                self.look(shared, &mut memory).await;
            } else {
                memory = Memory { number: memory.number, ..Memory::default() };
            }
            tokio::select! {
                () = end_of(&mut stop) => break,
                () = self.came.notified() => tokio::time::sleep_until(begun + SOONEST).await,
                () = tokio::time::sleep_until(begun + LOOK), if listens => {}
            }
        }
        self.tell(&mut memory, "end", &json!({ "why": "the daemon stops" }), |_| true);
        self.lock().clear();
    }

    async fn look(&self, shared: &Shared, memory: &mut Memory) {
        let now = shared.clock.now().wall;
        let (wanted, all, news): (BTreeSet<String>, bool, bool) = {
            let streams = self.lock();
            let wanted = streams.iter().filter_map(|stream| stream.tank.clone()).collect();
            let all = streams.iter().any(|stream| stream.tank.is_none());
            (wanted, all, streams.iter().any(|stream| !stream.begun))
        };
        memory.told.retain(|tank, _| all || wanted.contains(tank));
        let beats = memory.beaten.is_none_or(|at| at.elapsed() >= BEAT) || news;
        // The list is what tells whether control lives, and what is wrong with the daemon itself.
        let list = if beats { shared.control(Job::List, CONTROL_WITHIN).await } else { None };
        if beats {
            memory.answers = list.is_some();
        }
        let mut found = Vec::new();
        let mut gone = Vec::new();
        if memory.answers {
            for tank in &wanted {
                let job = |reply| Job::Status { tank: tank.clone(), reply };
                match shared.control(job, CONTROL_WITHIN).await {
                    Some(Some(status)) => found.extend(serde_json::to_value(status).ok()),
                    Some(None) => gone.push(tank.clone()),
                    None => memory.answers = false,
                }
            }
            if all {
                self.look_at_all(shared, memory, &mut found).await;
            }
        }
        let at = now.unix_millis();
        for status in found {
            self.tell_tank(memory, status, at);
        }
        for tank in gone {
            memory.told.remove(&tank);
            let why = json!({ "why": format!("there is no tank `{tank}` any more") });
            self.tell(memory, "end", &why, |stream| stream.tank.as_ref() == Some(&tank));
            self.lock().retain(|stream| stream.tank.as_ref() != Some(&tank));
        }
        self.begin(memory, list.as_ref(), at);
        if beats {
            self.beat(shared, memory, list.as_ref());
        }
    }

    /// Some tanks more, for those who listen to all.
    async fn look_at_all(&self, shared: &Shared, memory: &mut Memory, found: &mut Vec<Value>) {
        for _ in 0..TANKS_A_LOOK / AT_MOST_STATUSES {
            let from = memory.next;
            let job = |reply| Job::Statuses { from, count: AT_MOST_STATUSES, reply };
            let Some(some) = shared.control(job, CONTROL_WITHIN).await else {
                memory.answers = false;
                return;
            };
            memory.next = if some.len() < AT_MOST_STATUSES { 0 } else { from + some.len() };
            found.extend(some.into_iter().filter_map(|(status, _)| serde_json::to_value(status).ok()));
            if memory.next == 0 {
                return;
            }
        }
    }

    /// What is news of one tank.
    fn tell_tank(&self, memory: &mut Memory, status: Value, at: i64) {
        let Some(tank) = status["tank"].as_str().map(str::to_owned) else { return };
        let Some(Told { seen, mut view, ages_at }) = memory.told.remove(&tank) else {
            // Nobody was told anything of it: those that begin are told all.
            let summary = change::summary(&status);
            self.tell(memory, "summary", &summary, |stream| stream.begun && stream.tank.is_none());
            memory.told.insert(tank, Told { view: status.clone(), seen: status, ages_at: Instant::now() });
            return;
        };
        let own = |stream: &Stream| stream.begun && stream.tank.as_ref() == Some(&tank);
        let every = |stream: &Stream| stream.begun && stream.tank.as_ref().is_none_or(|name| *name == tank);
        let whole = ages_at.elapsed() >= AGES_EVERY;
        let depth = if whole { Depth::Everything } else { Depth::Matters };
        let changed = change::changed(&view, &status, depth);
        if !changed.is_empty() {
            if let Some(view) = view.as_object_mut() {
                view.extend(changed.clone());
            }
            self.tell(memory, "change", &json!({ "tank": tank, "now": at, "changed": changed }), own);
        }
        for alarm in change::alarms(&seen, &status) {
            self.tell(memory, "alarm", &json!({ "tank": tank, "now": at, "alarm": alarm }), every);
        }
        for hold in change::holds(&seen, &status) {
            let left =
                hold["until"].as_i64().filter(|_| hold["active"] == true).map(|until| (until - at).div_euclid(1000));
            let caution = &status["caution"];
            let news = json!({ "tank": tank, "now": at, "seconds_left": left, "caution": caution, "hold": hold });
            self.tell(memory, "hold", &news, every);
        }
        let summary = change::summary(&status);
        if change::summary(&seen) != summary {
            self.tell(memory, "summary", &summary, |stream| stream.begun && stream.tank.is_none());
        }
        let ages_at = if whole { Instant::now() } else { ages_at };
        memory.told.insert(tank, Told { seen: status, view, ages_at });
    }

    /// Streams that are new are told all there is.
    fn begin(&self, memory: &mut Memory, list: Option<&TankList>, at: i64) {
        if let Some(list) = list {
            memory.told.retain(|tank, _| list.tanks.iter().any(|known| known.tank == *tank));
            let list = serde_json::to_value(list).unwrap_or_default();
            let is_news = memory.list.as_ref() != Some(&list);
            if is_news {
                self.tell(memory, "tanks", &list, |stream| stream.begun && stream.tank.is_none());
            }
            memory.list = Some(list);
        }
        let mut first = Vec::new();
        for (place, stream) in self.lock().iter().enumerate().filter(|(_, stream)| !stream.begun) {
            match &stream.tank {
                Some(tank) => {
                    if let Some(told) = memory.told.get(tank) {
                        first.push((place, vec![("status", json!({ "now": at, "status": told.seen }))]));
                    }
                }
                None => {
                    if let Some(list) = &memory.list {
                        let each = memory.told.values().map(|told| ("summary", change::summary(&told.seen)));
                        first.push((place, std::iter::once(("tanks", list.clone())).chain(each).collect()));
                    }
                }
            }
        }
        for (place, events) in first {
            for (event, data) in events {
                memory.number += 1;
                let frame = frame(memory.number, event, &data);
                if let Some(stream) = self.lock().get_mut(place) {
                    stream.begun = true;
                    let _ = stream.out.try_send(frame);
                }
            }
        }
    }

    fn beat(&self, shared: &Shared, memory: &mut Memory, list: Option<&TankList>) {
        memory.beaten = Some(Instant::now());
        // Who logged out, or whose token is another now, hears no more.
        let moment = access::now();
        self.lock().retain(|stream| shared.access.is_still_good(&stream.who, moment));
        let alarms: Vec<_> = list
            .into_iter()
            .flat_map(|list| &list.daemon_alarms)
            .filter_map(|one| serde_json::to_value(one).ok())
            .collect();
        let beat = json!({
            "now": shared.clock.now().wall,
            "speed": shared.clock.speed(),
            "next_within": 3 * BEAT.as_secs(),
            "control": memory.answers,
            "not_ready": shared.pulse.not_ready(),
            "daemon_alarms": alarms,
            "version": env!("CARGO_PKG_VERSION"),
        });
        self.tell(memory, "heartbeat", &beat, |_| true);
    }

    /// Tells those whom it concerns. Who does not take it is dropped.
    fn tell(&self, memory: &mut Memory, event: &str, data: &Value, concerns: impl Fn(&Stream) -> bool) {
        memory.number += 1;
        let mut made: Option<Bytes> = None;
        self.lock().retain(|stream| {
            if !concerns(stream) {
                return true;
            }
            let bytes = made.get_or_insert_with(|| frame(memory.number, event, data)).clone();
            stream.out.try_send(bytes).is_ok()
        });
    }
}

/// One event as it goes over the wire. [HTML, 9.2.6] JSON has no line ends of its own.
fn frame(number: u64, event: &str, data: &Value) -> Bytes {
    Bytes::from(format!("id: {number}\nevent: {event}\ndata: {data}\n\n"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_event_is_three_lines_and_an_empty_one() {
        let bytes = frame(7, "alarm", &json!({ "text": "two\nlines" }));
        assert_eq!(bytes, "id: 7\nevent: alarm\ndata: {\"text\":\"two\\nlines\"}\n\n");
    }
}

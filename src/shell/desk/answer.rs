//! Requests in, answers out: by topic and by HTTP. And the questions that need no core.

use tokio::sync::oneshot;
use tokio::time::{Duration, Instant};

use crate::control::effect::{Answer, JournalEntry, JournalKind, Outcome};
use crate::control::event::{Event, Request, RequestId};
use crate::control::status::Explanation;
use crate::wire::metrics::{PublishKind, PublishResult};
use crate::wire::{Publish, TankIndex};

use super::super::asks::Waiter;
use super::super::daemon_alarms::DaemonAlarm;
use super::super::job::{Job, Keeping, NotFound, TankEntry, TankList};
use super::super::mqtt::{Reply, Tag};
use super::{Desk, Seat};

/// More requests than this in ten seconds over one topic are a fault or an attack. [F59]
const AT_MOST_ASKED: usize = 20;

/// Tanks whose status is made at once, at most: control is heard again in between.
pub const AT_MOST_STATUSES: usize = 8;

/// An answer as it is published: where all tanks were asked, each says which one it is.
#[derive(serde::Serialize)]
struct Told<'a> {
    tank: &'a str,
    #[serde(flatten)]
    answer: &'a Answer,
}

impl Desk {
    pub(super) fn asked_by_topic(
        &mut self,
        tank: TankIndex,
        by: String,
        asked: Result<Request, Answer>,
        reply: Option<Reply>,
    ) {
        let recent = &mut self.seats[tank.0].asked;
        let now = Instant::now();
        while recent.front().is_some_and(|at| now.duration_since(*at) > Duration::from_secs(10)) {
            recent.pop_front();
        }
        recent.push_back(now);
        let many = recent.len();
        if many > AT_MOST_ASKED * 2 {
            // An answer to each of a flood would be a flood.
            recent.pop_front();
            return;
        }
        match asked {
            Ok(_) if many > AT_MOST_ASKED => {
                let summary = format!("more than {AT_MOST_ASKED} requests in 10 s; nothing was done");
                let answer = Answer { outcome: Outcome::Refused, summary, details: Vec::new(), caution: None };
                self.answer_by_topic(tank, &answer, reply.as_ref());
            }
            Ok(request) => {
                let id = self.asks.expect(tank.0, Waiter::Topic(reply));
                self.step(tank, Event::RequestArrived { id, by, request });
            }
            Err(answer) => self.answer_by_topic(tank, &answer, reply.as_ref()),
        }
    }

    /// A request that the broker kept is of unknown age: it is never carried out.
    pub(super) fn refuse_kept_ask(&mut self, tank: TankIndex) {
        let name = self.seats[tank.0].tank.plan().name.clone();
        let topic = self.own.ask(&name);
        let text = format!("a retained request on `{topic}` was not carried out: nobody can say how old it is");
        let at = self.clock.now().wall;
        let entry = JournalEntry { at, kind: JournalKind::System, subject: "ask".to_owned(), text: text.clone() };
        self.journal.push(name.to_string(), entry);
        self.saw_kept_request();
        self.raise(DaemonAlarm::KeptRequest, text.clone());
        let fix = "publish requests without the retain flag; clear this one by an empty retained message";
        let answer = Answer { outcome: Outcome::Refused, summary: text, details: vec![fix.to_owned()], caution: None };
        self.answer_by_topic(tank, &answer, None);
    }

    /// The core answered.
    pub(super) fn answer(&mut self, tank: TankIndex, to: RequestId, answer: Answer) {
        match self.asks.take(to) {
            None => {}
            Some(Waiter::Http(reply)) => drop(reply.send(Ok(answer))),
            Some(Waiter::Topic(reply)) => self.answer_by_topic(tank, &answer, reply.as_ref()),
        }
    }

    fn answer_by_topic(&mut self, tank: TankIndex, answer: &Answer, reply: Option<&Reply>) {
        let name = &self.seats[tank.0].tank.plan().name;
        let Ok(payload) = serde_json::to_vec(&Told { tank: name, answer }) else {
            return;
        };
        let own = self.own.answer(name);
        let wanted = reply.map(|reply| reply.topic.as_str()).filter(|topic| self.may_answer_on(topic));
        let publish = Publish::answer(wanted.map_or(own, str::to_owned), payload);
        let sent = match &mut self.link {
            Some(link) if self.established => link.publish(publish, Tag::Answer, reply),
            _ => false,
        };
        self.meters.published(PublishKind::Answer, if sent { PublishResult::Sent } else { PublishResult::Dropped });
    }

    /// A wildcard is no topic, and an answer must never be a command to a plug or a reading of ours.
    fn may_answer_on(&self, topic: &str) -> bool {
        let plain = !topic.is_empty() && topic.len() < 1024 && !topic.contains(['+', '#', '\0']);
        plain && self.router.subscriptions().all(|subscription| subscription.topic != topic)
    }

    /// A reload changes the tanks: whoever still waits is told.
    pub(super) fn answer_all_that_wait(&mut self) {
        let answer = Answer {
            outcome: Outcome::NotProven,
            summary: "the config was reloaded before this was proven; look at the status".to_owned(),
            details: Vec::new(),
            caution: None,
        };
        for (tank, waiter) in self.asks.take_all() {
            match waiter {
                Waiter::Http(reply) => drop(reply.send(Ok(answer.clone()))),
                Waiter::Topic(reply) => self.answer_by_topic(TankIndex(tank), &answer, reply.as_ref()),
            }
        }
    }

    /// Answers what others ask of control. A reload is given back: it needs a new connection.
    pub fn serve(&mut self, job: Job) -> Option<Job> {
        let now = self.clock.now();
        match job {
            Job::List(reply) => drop(reply.send(self.list())),
            Job::Statuses { from, count, reply } => {
                let seats = self.seats.iter().skip(from).take(count.min(AT_MOST_STATUSES));
                let shown = |seat: &Seat| (seat.status(now), seat.records.shown(seat.tank.plan()));
                drop(reply.send(seats.map(shown).collect()));
            }
            Job::Status { tank, reply } => {
                drop(reply.send(self.place(&tank).map(|place| self.seats[place].status(now))));
            }
            Job::Explain { tank, output, reply } => drop(reply.send(self.explain(&tank, &output))),
            Job::Ask { tank, by, request, reply } => self.ask(&tank, by, request, reply),
            Job::Tell(notification) => self.notifier.tell(*notification),
            Job::Channels(reply) => drop(reply.send(self.notifier.channels())),
            Job::TestChannels { channel, by, reply } => self.test_channels(channel, &by, reply),
            Job::Noticed(alarm, text) => self.notice(alarm, text),
            Job::Keeping(all) => self.keep_beside(all),
            Job::Noted { subject, text } => self.note(&subject, text),
            reload @ Job::Reload { .. } => return Some(reload),
        }
        None
    }

    fn keep_beside(&mut self, all: Vec<Keeping>) {
        for Keeping { tank, supplies, chores } in all {
            let kept = (supplies, chores);
            if let Some(place) = self.place(&tank).filter(|place| self.seats[*place].kept != kept) {
                self.seats[place].kept = kept;
                self.outbox.changed(place);
            }
        }
    }

    fn ask(&mut self, tank: &str, by: String, request: Request, reply: oneshot::Sender<Result<Answer, NotFound>>) {
        let Some(place) = self.place(tank) else {
            drop(reply.send(Err(self.no_tank(tank))));
            return;
        };
        let id = self.asks.expect(place, Waiter::Http(reply));
        self.step(TankIndex(place), Event::RequestArrived { id, by, request });
    }

    fn explain(&self, tank: &str, output: &str) -> Result<Explanation, NotFound> {
        let place = self.place(tank).ok_or_else(|| self.no_tank(tank))?;
        let tank = &self.seats[place].tank;
        let id = tank.plan().output(output).ok_or_else(|| NotFound {
            what: "output",
            name: output.to_owned(),
            known: tank.plan().outputs.iter().map(|output| output.name.to_string()).collect(),
        })?;
        Ok(tank.explain(id, self.clock.now()))
    }

    fn no_tank(&self, name: &str) -> NotFound {
        let known = self.seats.iter().map(|seat| seat.tank.plan().name.to_string()).collect();
        NotFound { what: "tank", name: name.to_owned(), known }
    }

    fn list(&self) -> TankList {
        let now = self.clock.now();
        let sentences = self.seats.len() <= AT_MOST_STATUSES;
        let tanks: Vec<TankEntry> = self
            .seats
            .iter()
            .map(|seat| TankEntry {
                tank: seat.tank.plan().name.to_string(),
                title: seat.tank.plan().title.clone(),
                sentence: sentences.then(|| seat.status(now).sentence),
            })
            .collect();
        let only = match &tanks[..] {
            [one] => Some(one.tank.clone()),
            _ => None,
        };
        TankList {
            usual: self.settings.usual_tank.as_ref().map(ToString::to_string).or(only),
            tanks,
            daemon_alarms: self.alarms.standing(),
            broker: self.established,
            reload_refused: self.reload_refused.clone(),
            version: env!("CARGO_PKG_VERSION"),
        }
    }
}

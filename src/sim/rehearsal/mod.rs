//! A rehearsal: the very core and the very codecs of the daemon around a simulated home, in virtual time.
//!
//! ```text
//!   world ─► message ─► wire::Router ─► event ─► control::Tank::step ─► effect ─► wire::encode ─► world
//!     └► truth ─► monitor ◄─ events, effects, answers ───┘
//! ```
//! Duty: jump from deadline to deadline (the tanks', the world's, the keeper's), carry every message
//! through the codecs, and let the [`Monitor`] look on. Nothing is thinned out; nobody ticks blindly.
//!
//! Limits: no clock, no I/O. A message takes no time to travel; a killed daemon keeps exactly what was on its
//! disk. A kill comes between two steps, or in the middle of one ([`Rehearsal::dies_in_a_step`]). Same plans, seed,
//! faults and spans: same bytes.

mod book;
mod daemon;
mod dose_book;
pub mod excuse;
mod harm;
mod monitor;
mod record;
mod report;
mod shadow;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use crate::control::effect::{Answer, Durability, Effect, Outcome};
use crate::control::event::Retained;
use crate::control::{Event, TankPlan};
use crate::time::{Now, Span, Steady};
use crate::wire::binding::TankBindings;
use crate::wire::{self, Heard, OwnTopics, TankIndex};

use super::fault::{Fault, What};
use super::keeper::Keeper;
use super::{Broker, Message, Model, Surroundings, World};

use daemon::Played;

pub use super::keeper::Routine;
pub use harm::{Acting, Harm, Harmed, LACKS};
pub use monitor::{Monitor, Rule, Violation};
pub use record::{Detail, Entry, Point, Record, Source};
pub use report::{FaultStory, Limits, Report, TankStory};

/// How often the truth is looked at.
const LOOK: Span = Span::from_minutes(1);

/// What a rehearsal is made from besides the tanks.
#[derive(Clone, Debug)]
pub struct Staging {
    /// The seed of everything that is chance.
    pub seed: u64,
    /// When it begins, by the wall.
    pub start: Now,
    /// How long it will be at most; decides how finely the record is kept.
    pub lasts: Span,
    /// The room.
    pub surroundings: Surroundings,
    /// The first level of the daemon's own topics.
    pub root: String,
    /// What the keepers do by habit.
    pub routine: Routine,
    /// How much is written down.
    pub detail: Detail,
}

/// A planned fault with its sentence and its tank.
#[derive(Clone, Debug)]
pub struct Planned {
    /// As it is written.
    pub sentence: String,
    /// What.
    pub fault: Fault,
    /// The tank's place, if it is one tank's.
    pub tank: Option<usize>,
}

/// One run.
pub struct Rehearsal {
    world: World,
    daemon: Played,
    keeper: Keeper,
    monitor: Monitor,
    record: Record,
    start: Now,
    now: Now,
    broker: Broker,
    /// What the broker keeps.
    kept: BTreeMap<String, Vec<u8>>,
    faults: Vec<Planned>,
    messages: u64,
    next_look: Steady,
    seed: u64,
    heard: Vec<Heard>,
    /// The next step that does something is cut short after so many of its effects, for so long.
    cut: Option<(usize, Span)>,
    /// The last answer of each tank.
    answers: BTreeMap<usize, Answer>,
}

impl Rehearsal {
    /// The tanks of these models with a daemon that has just started.
    pub fn new(models: &[Model<'_>], staging: Staging) -> Self {
        let Staging { seed, start, lasts, surroundings, root, routine, detail } = staging;
        let world = World::new(models, seed, surroundings, start);
        let plans: Vec<TankPlan> = models.iter().map(|model| model.plan.clone()).collect();
        let bindings: Vec<TankBindings> = models.iter().map(|model| model.bindings.clone()).collect();
        let own = OwnTopics::new(&root);
        let monitor = Monitor::new(models, &world);
        let record = Record::new(&plans, start, lasts, detail);
        let keeper = Keeper::new(&plans, &world, routine, &own, start);
        let daemon = Played::new(plans, bindings, &own, start);
        let mut this = Self {
            world,
            daemon,
            keeper,
            monitor,
            record,
            start,
            now: start,
            broker: Broker::Up,
            kept: BTreeMap::new(),
            faults: Vec::new(),
            messages: 0,
            next_look: start.steady,
            seed,
            heard: Vec::new(),
            cut: None,
            answers: BTreeMap::new(),
        };
        this.tell_all(&Event::BrokerConnected);
        this
    }

    /// Who can fail, and how.
    pub fn catalogue(&self) -> &super::Catalogue {
        self.world.catalogue()
    }

    /// Plans a fault.
    pub fn inject(&mut self, fault: Fault) {
        let sentence = self.world.catalogue().sentence(&fault);
        let tank = self.world.tank_of(fault.what);
        self.world.inject(fault.clone());
        self.faults.push(Planned { sentence, fault, tank });
    }

    /// The daemon will be killed in the middle of its next step that commands a plug or saves before a command: it
    /// carries out so many effects of that step, and starts again after a time.
    pub fn dies_in_a_step(&mut self, after: usize, dead_for: Span) {
        self.cut = Some((after, dead_for));
    }

    /// What a tank's daemon answered last, with its details.
    pub fn last_answer(&self, tank: usize) -> Option<&Answer> {
        self.answers.get(&tank)
    }

    /// A keeper takes so many litres out of the display, or the only basin.
    pub fn take_water(&mut self, tank: usize, litres: f64) {
        self.world.take_water(tank, litres);
    }

    /// A keeper pours new sea water of the room's temperature in there.
    pub fn give_water(&mut self, tank: usize, litres: f64, salinity: f64) {
        self.world.give_water(tank, litres, salinity);
    }

    /// Takes [`Self::dies_in_a_step`] back.
    pub fn spares_the_daemon(&mut self) {
        self.cut = None;
    }

    /// The disk is gone: the daemon's next start remembers nothing.
    pub fn loses_its_store(&mut self) {
        self.daemon.loses_its_store();
    }

    /// Lets so much time pass.
    pub fn pass(&mut self, span: Span) {
        let end = self.now.steady.after(span);
        while self.now.steady < end {
            let due = [self.daemon.next_deadline(), self.keeper.next_deadline(), Some(self.next_look)];
            let due = due.into_iter().flatten().min().unwrap_or(end).min(end);
            let limit = due.max(self.now.steady.after(Span::from_millis(1)));
            let sent = self.world.advance_to_next(self.now.after(limit.since(self.now.steady)));
            self.now = self.now.after(self.world.time().since(self.now.steady));
            self.follow_world();
            for one in sent {
                if one.message.retained {
                    self.kept.insert(one.message.topic.to_string(), one.message.payload.clone());
                }
                self.deliver(&one.message.topic, &one.message.payload, Retained::No);
            }
            self.wake();
            self.let_keeper_act();
            if self.next_look <= self.now.steady {
                self.look();
            }
        }
    }

    /// A keeper asks on a tank's `ask` topic, as a wall button does.
    pub fn ask(&mut self, tank: usize, text: &str) {
        let topic = self.keeper.topic(tank).to_owned();
        self.record.write(self.now.steady, Some(tank), Source::Keeper, "ask", text);
        self.publish(&topic, text.as_bytes(), false);
    }

    /// Anybody publishes something; plugs hear it as the daemon does. Without a broker nobody does.
    pub fn publish(&mut self, topic: &str, payload: &[u8], retained: bool) {
        if self.broker == Broker::Down {
            return;
        }
        let message = Message { topic: topic.into(), payload: payload.to_vec(), retained };
        self.world.receive(&message);
        self.deliver(topic, payload, if retained { Retained::Yes } else { Retained::No });
    }

    /// What became of it.
    pub fn report(&self) -> Report {
        report::of(self)
    }

    /// Everything that was written down.
    pub fn record(&self) -> &Record {
        &self.record
    }

    /// The home.
    pub fn world(&self) -> &World {
        &self.world
    }

    /// What harmed the water so far.
    pub fn harms(&self) -> &[Harmed] {
        self.monitor.harms()
    }

    /// The violations so far.
    pub fn violations(&self) -> &[Violation] {
        self.monitor.violations()
    }

    /// Whether the daemon lives.
    pub fn daemon_lives(&self) -> bool {
        self.daemon.lives()
    }

    /// The status of a tank while the daemon lives.
    pub fn status(&self, tank: &str) -> Option<crate::control::status::TankStatus> {
        self.daemon.status(tank, self.daemon_now())
    }

    /// The faults, and what the keeper was told to do besides habit, as sentences.
    pub fn planned(&self) -> Vec<String> {
        self.faults.iter().map(|planned| planned.sentence.clone()).collect()
    }

    /// The seed.
    pub fn seed(&self) -> u64 {
        self.seed
    }

    /// Messages that were decoded so far.
    pub fn messages(&self) -> u64 {
        self.messages
    }

    /// How far it has come.
    pub fn passed(&self) -> Span {
        self.now.steady.since(self.start.steady)
    }

    /// Both clocks as the daemon's machine reads them.
    fn daemon_now(&self) -> Now {
        let wall = self.now.wall.unix_millis().saturating_add(self.world.clock_error());
        Now { steady: self.now.steady, wall: crate::time::Wall::from_unix_millis(wall) }
    }

    /// Faults that reach the daemon, its broker, its keeper.
    fn follow_world(&mut self) {
        for (at, text) in self.world.take_happenings() {
            self.record.write(at, None, Source::World, "fault", &text);
        }
        for (tank, act) in self.world.take_keepers() {
            self.keeper.sets_out(tank, act, self.now.steady);
        }
        if self.daemon.lives() != self.world.daemon_lives() {
            if self.world.daemon_lives() { self.start_daemon() } else { self.kill_daemon() }
        }
        if self.world.broker() != self.broker {
            self.broker = self.world.broker();
            self.keeper.broker(self.broker == Broker::Up, self.now.steady);
            match self.broker {
                Broker::Up => self.connect(),
                Broker::Down => self.tell_all(&Event::BrokerLost),
            }
        }
    }

    fn kill_daemon(&mut self) {
        self.monitor.daemon_killed(self.now.steady);
        self.daemon.kill(self.now.steady);
    }

    fn start_daemon(&mut self) {
        let now = self.daemon_now();
        self.daemon.start(now);
        self.record.daemon_started(now.steady);
        self.monitor.daemon_started(&self.daemon, now);
        self.record.write(now.steady, None, Source::World, "daemon", "started again with what its store remembers");
        if self.broker == Broker::Up {
            self.connect();
        }
    }

    /// The session stands, everything is subscribed, and the broker gives what it kept.
    fn connect(&mut self) {
        self.tell_all(&Event::BrokerConnected);
        for (topic, payload) in self.kept.clone() {
            self.deliver(&topic, &payload, Retained::Yes);
        }
    }

    fn deliver(&mut self, topic: &str, payload: &[u8], retained: Retained) {
        if !self.daemon.lives() {
            return;
        }
        self.messages += 1;
        let now = self.daemon_now();
        let mut heard = std::mem::take(&mut self.heard);
        let message = wire::Message { topic: topic.as_bytes(), payload, retained };
        self.daemon.router().decode(message, now.wall, &mut heard);
        for one in heard.drain(..) {
            match one {
                Heard::Event(tank, event) => self.step(tank, event),
                Heard::Ask(tank, Ok(request)) => {
                    let id = self.daemon.next_request();
                    self.monitor.asked(tank.0, id, &request, now);
                    let by = "the keeper".to_owned();
                    self.step(tank, Event::RequestArrived { id, by, request });
                }
                Heard::Ask(tank, Err(answer)) => {
                    self.record.write(now.steady, Some(tank.0), Source::Keeper, "answer", &answer.summary);
                }
                Heard::KeptAsk(_) => {}
            }
        }
        self.heard = heard;
    }

    fn tell_all(&mut self, event: &Event) {
        if self.daemon.lives() {
            (0..self.daemon.count()).for_each(|tank| self.step(TankIndex(tank), event.clone()));
        }
    }

    /// One event into one tank; its effects, and what the broker says of its commands.
    fn step(&mut self, tank: TankIndex, event: Event) {
        let now = self.daemon_now();
        let mut events = Vec::new();
        let mut next = Some(event);
        while let Some(event) = next {
            self.monitor.heard(tank.0, &event, now);
            let effects = self.daemon.step(tank.0, event, now);
            let dies_after = self.cut_in(&effects);
            for (place, effect) in effects.iter().enumerate() {
                if dies_after.is_some_and(|(after, _)| place >= after) {
                    break;
                }
                if let Effect::SaveState(durability) = effect {
                    self.daemon.save(tank.0, *durability, now.steady);
                }
                self.monitor.see(tank.0, effect, &self.daemon, now);
                if let Some(publish) = self.daemon.encode(tank.0, effect) {
                    self.record.fingerprint(now.steady, &publish.topic, &publish.payload);
                    self.record.sent(tank.0, effect, self.daemon.plan(tank.0), now.steady);
                    if publish.qos > 0
                        && let Some(said) = self.broker_says(&publish.topic, effect)
                    {
                        events.push(said);
                    }
                    self.world.receive(&Message {
                        topic: publish.topic.into(),
                        payload: publish.payload,
                        retained: publish.retain,
                    });
                }
                self.record.effect(tank.0, effect, now.steady);
                if let Effect::Notify(notice) = effect {
                    self.keeper.called(tank.0, notice, now.steady);
                }
                if let Effect::Answer { answer, .. } = effect {
                    self.answers.insert(tank.0, answer.clone());
                    match answer.outcome {
                        Outcome::Refused => self.keeper.refused(tank.0, now.steady),
                        _ => self.keeper.answered(tank.0),
                    }
                }
            }
            if let Some((_, dead_for)) = dies_after {
                return self.die(dead_for);
            }
            next = events.pop();
        }
    }

    /// After how many of these effects the daemon dies, and for how long, if this is the step in which it does.
    fn cut_in(&mut self, effects: &[Effect]) -> Option<(usize, Span)> {
        let acts = |effect: &Effect| {
            matches!(effect, Effect::SwitchPlug { .. } | Effect::SaveState(Durability::BeforeWhatFollows))
        };
        if effects.iter().any(acts) { self.cut.take() } else { None }
    }

    fn die(&mut self, dead_for: Span) {
        self.kill_daemon();
        let subject = "daemon".to_owned();
        self.inject(Fault { subject, what: What::DaemonKilled, at: Some(self.passed()), lasts: Some(dead_for) });
    }

    /// A broker of MQTT 5 says whether anybody listens.
    fn broker_says(&self, topic: &str, effect: &crate::control::Effect) -> Option<Event> {
        use crate::control::event::BrokerSaid;
        let (Effect::SwitchPlug { output, .. } | Effect::RefreshLease { output }) = effect else { return None };
        if self.broker == Broker::Down {
            return None;
        }
        let outcome = if self.world.is_command_topic(topic) { BrokerSaid::Accepted } else { BrokerSaid::NobodyListens };
        Some(Event::CommandAcknowledged { output: *output, outcome })
    }

    fn wake(&mut self) {
        for tank in 0..self.daemon.count() {
            if self.daemon.is_due(tank, self.now.steady) {
                self.step(TankIndex(tank), Event::Woken);
            }
        }
    }

    fn let_keeper_act(&mut self) {
        let up = self.daemon.lives() && self.broker == Broker::Up;
        let (now, record) = (self.now.steady, &mut self.record);
        let mut tell = |tank, words: &str| record.write(now, Some(tank), Source::Keeper, "keeper", words);
        for ask in self.keeper.act(&mut self.world, now, up, &mut tell) {
            self.deliver(&ask.topic, &ask.payload, Retained::No);
        }
    }

    /// The truth, once a minute.
    fn look(&mut self) {
        self.next_look = self.next_look.after(LOOK);
        for tank in 0..self.daemon.count() {
            if let Some(truth) = self.world.truth(self.daemon.name(tank)) {
                if self.monitor.look(tank, &truth, self.now.steady) > 0 {
                    let acting = self.acting_on(tank);
                    self.monitor.acted(&acting);
                }
                self.record.look(tank, &truth, self.now.steady);
            }
        }
    }

    /// The faults that act on a tank now, the home's own among them.
    fn acting_on(&self, tank: usize) -> Vec<Acting> {
        let plan = self.daemon.plan(tank);
        let acts = |what: What| self.world.tanks_of(what).is_none_or(|tanks| tanks.contains(&tank));
        let acting = |what: What| {
            let output = self.world.output_of(what);
            Acting { kind: self.world.catalogue().kind(what), lacks: harm::lacks(plan, output) }
        };
        self.world.acting().filter(|what| acts(*what)).map(acting).collect()
    }

    /// When a planned fault begins, and when it is over.
    fn time_of(&self, fault: &Fault) -> (Steady, Option<Steady>) {
        let begins = fault.at.map_or(self.start.steady, |at| self.start.steady.after(at));
        let over = if fault.what.is_momentary() { Some(begins) } else { fault.lasts.map(|lasts| begins.after(lasts)) };
        (begins, over)
    }
}

/// Whether a fault is one: what a keeper does is none.
fn is_fault(what: What) -> bool {
    !matches!(what, What::Keeper(..) | What::Tank(_, super::fault::TankFault::ReservoirIsRefilled))
}

//! The control desk: all tanks, what they hear and what is done for them. Runs on the control thread.
//!
//! Duty: one step of one tank at a time, its effects carried out in their order and at once; a
//! command leaves before anything else is done. It does no waiting of its own, save for a record
//! that must be on the disk first (`Store::save`, bounded).
//! Words: a **seat** is a tank with what the desk keeps beside it.

pub mod answer;
mod effects;
pub mod housekeeping;
mod journal;
mod notices;
mod outbox;
mod records;
mod reload;

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::Arc;

use tokio::time::Instant;

use crate::config::setup::DaemonSettings;
use crate::control::event::{BrokerSaid, Event, Retained};
use crate::control::sentence::{Beside, Due, Lasts};
use crate::control::status::TankStatus;
use crate::control::{Remembered, Tank};
use crate::time::{Now, Steady};
use crate::wire::metrics::{Meters, PublishResult};
use crate::wire::{Heard, Message, MessageKind, OwnTopics, Publish, Router, TankIndex, said};

use super::asks::Asks;
use super::care::CareHandle;
use super::clock::Clock;
use super::daemon_alarms::{DaemonAlarm, DaemonAlarms};
use super::mqtt::{Incoming, Sender, Tag};
use super::notify::Notifier;
use super::pulse::Pulse;
use super::store::Store;
use journal::Journal;
use outbox::Outbox;
use records::Records;

/// Deadlines that one turn meets at most, so that messages are heard in between.
const DEADLINES_A_TURN: usize = 32;

/// A tank with what the desk keeps beside it.
struct Seat {
    tank: Tank,
    armed: Option<Steady>,
    /// Its state changed and is to be saved soon.
    unsaved: bool,
    /// When it was asked lately over its topic.
    asked: VecDeque<Instant>,
    /// What is written down of its signals.
    records: Records,
    /// What runs out and what falls due, as the keeper's side said last.
    kept: (Vec<Lasts>, Vec<Due>),
}

impl Seat {
    fn new(tank: Tank, records: Records) -> Self {
        Self { tank, armed: None, unsaved: false, asked: VecDeque::new(), records, kept: (Vec::new(), Vec::new()) }
    }

    /// How the tank is: with the same sentence, whoever asks.
    fn status(&self, now: Now) -> TankStatus {
        let (supplies, chores) = self.kept.clone();
        let (watched, steady_days) = (self.records.watched(), self.records.steady_days(now.wall));
        self.tank.status_beside(&Beside { watched, steady_days, supplies, chores }, now)
    }
}

/// Everything that control owns.
pub struct Desk {
    clock: Clock,
    settings: DaemonSettings,
    own: OwnTopics,
    router: Router,
    seats: Vec<Seat>,
    deadlines: BTreeSet<(Steady, usize)>,
    /// The sending half of the connection, from the first attempt to its end.
    link: Option<Sender>,
    /// All is subscribed and the tanks know that the broker is there.
    established: bool,
    store: Store,
    notifier: Notifier,
    care: CareHandle,
    meters: Meters,
    alarms: DaemonAlarms,
    asks: Asks,
    outbox: Outbox,
    pulse: Arc<Pulse>,
    instance: String,
    reload_refused: Option<String>,
    /// States of tanks that the config does not have now.
    shelf: BTreeMap<String, Remembered>,
    heard: Vec<Heard>,
    journal: Journal,
    /// What happened while effects were carried out: told to the tanks after them.
    aftermath: VecDeque<(TankIndex, Event)>,
    housekeeping: housekeeping::State,
}

/// What a desk is made of.
pub struct Parts {
    /// The clock.
    pub clock: Clock,
    /// The daemon's settings.
    pub settings: DaemonSettings,
    /// The tanks, with what the store remembers of each.
    pub tanks: Vec<(crate::config::TankSetup, Remembered)>,
    /// What the store remembers of tanks that the config does not have now.
    pub shelf: BTreeMap<String, Remembered>,
    /// The store.
    pub store: Store,
    /// The channels.
    pub notifier: Notifier,
    /// The keeper's side.
    pub care: CareHandle,
    /// The meters.
    pub meters: Meters,
    /// For readiness.
    pub pulse: Arc<Pulse>,
    /// This data directory's own name.
    pub instance: String,
    /// Each tank's running day, as the store has it.
    pub steadiness: BTreeMap<String, String>,
}

impl Desk {
    /// A desk at the start of the daemon, before any connection.
    pub fn new(parts: Parts) -> Self {
        let now = parts.clock.now();
        let own = OwnTopics::new(&parts.settings.root);
        let (setups, remembered): (Vec<_>, Vec<_>) = parts.tanks.into_iter().unzip();
        let kept = |tank: &str| parts.steadiness.get(tank).map(String::as_str);
        let records: Vec<_> = setups.iter().map(|s| Records::new(&s.plan, &s.facts, kept(&s.plan.name))).collect();
        let (plans, bindings): (Vec<_>, Vec<_>) = setups.into_iter().map(|s| (s.plan, s.bindings)).unzip();
        let tanks = plans.into_iter().zip(remembered).map(|(plan, known)| Tank::new(plan, known, now));
        let seats: Vec<Seat> = tanks.zip(records).map(|(tank, records)| Seat::new(tank, records)).collect();
        let count = seats.len();
        let mut desk = Self {
            router: Router::new(bindings, &own),
            own,
            clock: parts.clock,
            settings: parts.settings,
            seats,
            deadlines: BTreeSet::new(),
            link: None,
            established: false,
            store: parts.store,
            notifier: parts.notifier,
            care: parts.care,
            meters: parts.meters,
            alarms: DaemonAlarms::default(),
            asks: Asks::default(),
            outbox: Outbox::new(count),
            pulse: parts.pulse,
            instance: parts.instance,
            reload_refused: None,
            shelf: parts.shelf,
            heard: Vec::new(),
            journal: Journal::default(),
            aftermath: VecDeque::new(),
            housekeeping: housekeeping::State::default(),
        };
        (0..count).for_each(|index| desk.arm(index));
        desk.tell_what_stands();
        desk
    }

    /// The settings in force.
    pub fn settings(&self) -> &DaemonSettings {
        &self.settings
    }

    /// Where the will says `false`.
    pub fn online_topic(&self) -> String {
        self.own.online()
    }

    /// A message came.
    pub fn hear(&mut self, incoming: &Incoming) {
        let begun = std::time::Instant::now();
        let mut heard = std::mem::take(&mut self.heard);
        let retained = if incoming.retained { Retained::Yes } else { Retained::No };
        let message = Message { topic: &incoming.topic, payload: &incoming.payload, retained };
        let kind = self.router.decode(message, self.clock.now().wall, &mut heard);
        self.meters.received(kind);
        let own_echo = kind == MessageKind::Command
            && !incoming.retained
            && self.link.as_mut().is_some_and(|link| link.is_own_echo(&incoming.topic, &incoming.payload));
        for heard in heard.drain(..) {
            match heard {
                Heard::Event(_, Event::ForeignCommandSeen { .. }) if own_echo => {}
                Heard::Event(tank, event) => {
                    self.count(&event);
                    self.step(tank, event);
                }
                Heard::Ask(tank, asked) => {
                    let by = said::by("ask topic", &incoming.payload);
                    self.asked_by_topic(tank, by, asked, incoming.reply.clone());
                }
                Heard::KeptAsk(tank) => self.refuse_kept_ask(tank),
            }
        }
        self.heard = heard;
        // A kept heartbeat may be of a daemon that is long gone, unless our own should stand there.
        if kind == MessageKind::Other
            && incoming.topic == self.own.daemon()
            && (!incoming.retained || self.has_beaten())
        {
            self.heard_a_daemon(&incoming.payload);
        }
        self.meters.handling.observe(begun.elapsed().as_secs_f64());
    }

    fn count(&self, event: &Event) {
        let unreadable = match event {
            Event::ReadingArrived { reading: Err(reason), .. }
            | Event::ReportArrived { report: Err(reason), .. }
            | Event::MeterArrived { watts: Err(reason), .. }
            | Event::AliveArrived { alive: Err(reason), .. }
            | Event::UptimeArrived { uptime: Err(reason), .. }
            | Event::LevelArrived { percent: Err(reason), .. } => *reason,
            _ => return,
        };
        self.meters.unreadable(unreadable);
    }

    /// One step of one tank, and what follows from it.
    fn step(&mut self, tank: TankIndex, event: Event) {
        self.step_once(tank, event);
        while let Some((tank, event)) = self.aftermath.pop_front() {
            self.step_once(tank, event);
        }
    }

    fn step_once(&mut self, index: TankIndex, event: Event) {
        let Some(seat) = self.seats.get_mut(index.0) else {
            return;
        };
        let heard = if let Event::ReadingArrived { probe, .. } = event { Some(probe) } else { None };
        let now = self.clock.now();
        let effects = seat.tank.step(event, now);
        self.carry_out(index, effects);
        if let Some(probe) = heard {
            self.write_down(index.0, probe, now);
        }
        self.arm(index.0);
        self.outbox.changed(index.0);
    }

    fn step_all(&mut self, event: &Event) {
        for index in 0..self.seats.len() {
            self.step(TankIndex(index), event.clone());
        }
    }

    /// Notes a tank's next deadline.
    fn arm(&mut self, index: usize) {
        let seat = &mut self.seats[index];
        let next = seat.tank.next_deadline().map(|deadline| deadline.at);
        if next != seat.armed {
            if let Some(old) = seat.armed.take() {
                self.deadlines.remove(&(old, index));
            }
            if let Some(at) = next {
                self.deadlines.insert((at, index));
            }
            seat.armed = next;
        }
    }

    /// When the first deadline is due.
    pub fn next_deadline(&self) -> Option<Instant> {
        self.deadlines.first().map(|(at, _)| self.clock.instant(*at))
    }

    /// Meets the deadlines that are due; `true`: there are more.
    pub fn meet_deadlines(&mut self) -> bool {
        for _ in 0..DEADLINES_A_TURN {
            let Some((at, index)) = self.deadlines.first().copied() else {
                return false;
            };
            let now = self.clock.now().steady;
            if at > now {
                return false;
            }
            self.meters.lag.observe(self.clock.real(now.since(at)).as_secs_f64());
            let begun = std::time::Instant::now();
            self.step(TankIndex(index), Event::Woken);
            self.meters.turn.observe(begun.elapsed().as_secs_f64());
            // A core that asks to be woken at once, for ever, must not keep others from being heard.
            if self.seats[index].armed == Some(at) {
                self.deadlines.remove(&(at, index));
                let later = now.after(crate::time::Span::from_millis(10));
                self.deadlines.insert((later, index));
                self.seats[index].armed = Some(later);
            }
        }
        true
    }

    /// A connection is being made, or none.
    pub fn use_link(&mut self, link: Option<Sender>) {
        self.link = link;
    }

    /// The broker took the connection: subscribe, narrowly, to everything.
    pub fn connected(&mut self) {
        self.meters.connect("accepted");
        let daemon = crate::wire::Subscription { topic: self.own.daemon(), no_local: true };
        let all: Vec<_> = self.router.subscriptions().chain([daemon]).collect();
        if let Some(link) = &mut self.link {
            link.subscribe(all.into_iter());
        }
    }

    /// Some subscriptions were answered.
    pub fn subscribed(&mut self, taken: &[bool]) {
        let Some(link) = &mut self.link else {
            return;
        };
        let refused = link.subscribed(taken);
        let done = link.all_subscribed();
        if !refused.is_empty() {
            let text = format!("the broker does not let us hear {}", refused.join(", "));
            self.raise(DaemonAlarm::SubscriptionRefused, text);
            self.housekeeping.refused_subscriptions = true;
        }
        if done && !self.established {
            self.establish();
        }
    }

    fn establish(&mut self) {
        let Some(link) = &self.link else {
            return;
        };
        self.established = true;
        let now = self.clock.now().wall;
        self.meters.connected.set(1);
        self.meters.connected_since.set(now.unix_seconds());
        self.meters.protocol.set(link.protocol().level());
        tracing::info!("connected to the broker by MQTT level {}", link.protocol().level());
        if !self.housekeeping.refused_subscriptions {
            self.clear(DaemonAlarm::SubscriptionRefused);
        }
        self.clear(DaemonAlarm::BrokerLost);
        self.publish(Publish::state(self.own.online(), b"true".to_vec()), Tag::State);
        self.outbox.forget_published();
        self.pulse.turned(true);
        self.step_all(&Event::BrokerConnected);
        self.beat();
    }

    /// The connection is over. Nothing that was not proven counts, and nothing is kept for later.
    pub fn disconnected(&mut self) {
        self.link = None;
        self.housekeeping.refused_subscriptions = false;
        self.meters.connected.set(0);
        self.meters.connected_since.set(0.0);
        self.meters.protocol.set(0);
        self.pulse.turned(false);
        if std::mem::take(&mut self.established) {
            self.step_all(&Event::BrokerLost);
        }
    }

    /// Whether the broker session stands and all is subscribed.
    pub fn is_established(&self) -> bool {
        self.established
    }

    /// The library wrote a publish.
    pub fn written(&mut self, packet_id: u16) {
        if let Some(link) = &mut self.link {
            link.written(packet_id);
        }
    }

    /// The broker acknowledged a publish.
    pub fn acknowledged(&mut self, packet_id: u16, said: BrokerSaid) {
        let Some(tag) = self.link.as_mut().and_then(|link| link.acknowledged(packet_id)) else {
            return;
        };
        match said {
            // Proves nothing of the plug; for one without report it ends the repeating that a refusal began.
            BrokerSaid::Accepted => {}
            BrokerSaid::NobodyListens => self.meters.published(tag.kind(), PublishResult::NobodyListens),
            BrokerSaid::Refused => self.meters.published(tag.kind(), PublishResult::Refused),
        }
        if let Tag::Command(tank, output) = tag {
            self.step(tank, Event::CommandAcknowledged { output, outcome: said });
        }
    }

    /// Publishes now or not at all.
    fn publish(&mut self, publish: Publish, tag: Tag) -> bool {
        let sent = match &mut self.link {
            Some(link) if self.established => link.publish(publish, tag, None),
            _ => false,
        };
        self.meters.published(tag.kind(), if sent { PublishResult::Sent } else { PublishResult::Dropped });
        sent
    }

    fn raise(&mut self, alarm: DaemonAlarm, text: String) {
        let now = self.clock.now().wall;
        if let Some(notification) = self.alarms.raise(alarm, text, now, &self.meters) {
            self.notifier.tell(notification);
        }
    }

    fn clear(&mut self, alarm: DaemonAlarm) {
        if let Some(notification) = self.alarms.clear(alarm, &self.meters) {
            self.notifier.tell(notification);
        }
    }

    fn place(&self, tank: &str) -> Option<usize> {
        self.seats.iter().position(|seat| &*seat.tank.plan().name == tank)
    }
}

impl Desk {
    /// An alarm of the daemon that the connection noticed.
    pub fn notice(&mut self, alarm: DaemonAlarm, text: Option<String>) {
        match text {
            Some(text) => self.raise(alarm, text),
            None => self.clear(alarm),
        }
    }

    /// The meters, for the connection's own counts.
    pub fn meters(&self) -> &Meters {
        &self.meters
    }
}

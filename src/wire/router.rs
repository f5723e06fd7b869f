//! From a topic and a payload to events, for all the tanks that listen on it.
//!
//! Duty: the table of topics, and the decoding of a message for each of its targets; the JSON tree
//! is made once a message. It keeps no state, so that the same message always means the same.
//! Words: a **target** is one thing of one tank that a topic speaks to; several probes, and several
//! tanks, may share a topic.

use crate::control::effect::Answer;
use crate::control::event::{Event, Request, Retained, Unreadable};
use crate::control::ids::{OutputId, ProbeId};
use crate::control::plan::Switch;
use crate::time::Wall;

use super::ask;
use super::binding::{PlugBinding, TankBindings};
use super::payload::Payload;
use super::topics::OwnTopics;

/// A tank's place among all of the daemon's.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct TankIndex(pub usize);

/// A message as the broker delivered it.
#[derive(Clone, Copy, Debug)]
pub struct Message<'a> {
    /// Where it was published.
    pub topic: &'a [u8],
    /// What.
    pub payload: &'a [u8],
    /// Whether the broker kept it from earlier.
    pub retained: Retained,
}

/// What a message means for one tank.
#[derive(Clone, Debug, PartialEq)]
pub enum Heard {
    /// Something happened.
    Event(TankIndex, Event),
    /// Somebody asks, or wrote what is not understood.
    Ask(TankIndex, Result<Request, Answer>),
    /// A kept request: of unknown age, never carried out.
    KeptAsk(TankIndex),
}

/// What kind of message it was, for counting: the first target's kind.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum MessageKind {
    /// A probe's reading.
    Reading,
    /// A plug's report of its relay.
    Report,
    /// A plug's power.
    Meter,
    /// A plug that lives, or does not.
    Alive,
    /// A command to a plug of ours, by somebody else.
    Command,
    /// A request to us.
    Ask,
    /// Nothing that we asked for.
    Other,
}

impl MessageKind {
    /// Every kind with its word, in order.
    pub const WORDS: [(Self, &'static str); 7] = [
        (Self::Reading, "reading"),
        (Self::Report, "report"),
        (Self::Meter, "meter"),
        (Self::Alive, "alive"),
        (Self::Command, "command"),
        (Self::Ask, "ask"),
        (Self::Other, "other"),
    ];
}

/// What is subscribed, and how.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Subscription {
    /// The topic, without wildcards.
    pub topic: String,
    /// Our own messages are not to come back (MQTT 5): nothing but commands to plugs is expected there.
    pub no_local: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Target {
    Probe(ProbeId),
    Report(OutputId),
    Meter(OutputId),
    Alive(OutputId),
    Uptime(OutputId),
    Level(OutputId),
    Command(OutputId),
    Ask,
    /// As `Ask`, of all tanks at once.
    AskAll,
}

impl Target {
    fn kind(self) -> MessageKind {
        match self {
            Self::Probe(_) => MessageKind::Reading,
            Self::Report(_) | Self::Level(_) => MessageKind::Report,
            Self::Meter(_) => MessageKind::Meter,
            Self::Alive(_) | Self::Uptime(_) => MessageKind::Alive,
            Self::Command(_) => MessageKind::Command,
            Self::Ask | Self::AskAll => MessageKind::Ask,
        }
    }
}

/// What one topic speaks to.
type Targets = Vec<(TankIndex, Target)>;

/// The table of topics, sorted, and the bindings that say how to read them.
#[derive(Clone, Debug)]
pub struct Router {
    tanks: Vec<TankBindings>,
    topics: Vec<(Box<str>, Targets)>,
}

impl Router {
    /// The table for these tanks.
    pub fn new(tanks: Vec<TankBindings>, own: &OwnTopics) -> Self {
        let mut targets: Vec<(String, TankIndex, Target)> = Vec::new();
        for (index, tank) in tanks.iter().enumerate() {
            let index = TankIndex(index);
            targets.push((own.ask(&tank.tank), index, Target::Ask));
            targets.push((own.ask_all(), index, Target::AskAll));
            for (n, probe) in tank.probes.iter().enumerate() {
                targets.push((probe.topic.clone(), index, Target::Probe(ProbeId::new(n))));
            }
            for (n, plug) in tank.plugs.iter().enumerate() {
                let output = OutputId::new(n);
                let word = |binding: &Option<_>, target| {
                    binding.as_ref().map(|binding: &super::binding::WordBinding| (binding.topic.clone(), index, target))
                };
                // Before the report: in one message the uptime explains the state.
                targets.extend(plug.uptime.as_ref().map(|up| (up.topic.clone(), index, Target::Uptime(output))));
                targets.extend(word(&plug.report, Target::Report(output)));
                targets.extend(plug.meter.as_ref().map(|m| (m.topic.clone(), index, Target::Meter(output))));
                let level = plug.dimmer.as_ref().and_then(|dimmer| dimmer.report.as_ref());
                targets.extend(level.map(|level| (level.topic.clone(), index, Target::Level(output))));
                targets.extend(word(&plug.alive, Target::Alive(output)));
                targets.push((plug.command.topic.clone(), index, Target::Command(output)));
                let lease_topic = plug.lease.as_ref().and_then(|lease| lease.topic.clone());
                targets.extend(
                    lease_topic
                        .filter(|topic| *topic != plug.command.topic)
                        .map(|topic| (topic, index, Target::Command(output))),
                );
            }
        }
        // Stable: the targets of one topic stay in the order of the tanks and of their plans.
        targets.sort_by(|a, b| a.0.cmp(&b.0));
        let mut topics: Vec<(Box<str>, Targets)> = Vec::new();
        for (topic, index, target) in targets {
            match topics.last_mut() {
                Some((known, list)) if **known == *topic => list.push((index, target)),
                _ => topics.push((topic.into_boxed_str(), vec![(index, target)])),
            }
        }
        Self { tanks, topics }
    }

    /// The bindings of all tanks, in order.
    pub fn tanks(&self) -> &[TankBindings] {
        &self.tanks
    }

    /// What to subscribe: each topic once, in order.
    pub fn subscriptions(&self) -> impl Iterator<Item = Subscription> {
        self.topics.iter().map(|(topic, targets)| Subscription {
            topic: topic.to_string(),
            no_local: targets.iter().all(|(_, target)| matches!(target, Target::Command(_))),
        })
    }

    /// What a message means, appended to `heard` in the order of the tanks. `now` is the wall
    /// clock, for payloads that carry their own time.
    pub fn decode(&self, message: Message<'_>, now: Wall, heard: &mut Vec<Heard>) -> MessageKind {
        let Ok(place) = self.topics.binary_search_by(|(topic, _)| topic.as_bytes().cmp(message.topic)) else {
            return MessageKind::Other;
        };
        let targets = &self.topics[place].1;
        let mut payload = Payload::new(message.payload);
        for (tank, target) in targets {
            heard.extend(self.one(*tank, *target, message, &mut payload, now));
        }
        // An uptime that rides along names no message.
        let rides = |target: &Target| matches!(target, Target::Uptime(_));
        let named = targets.iter().find(|(_, target)| !rides(target)).or(targets.first());
        named.map_or(MessageKind::Other, |(_, target)| target.kind())
    }

    fn one(
        &self,
        tank: TankIndex,
        target: Target,
        message: Message<'_>,
        payload: &mut Payload<'_>,
        now: Wall,
    ) -> Option<Heard> {
        let bindings = &self.tanks[tank.0];
        let retained = message.retained;
        let event = match target {
            Target::Probe(probe) => {
                let binding = bindings.probe(probe);
                let reading = payload.probe(binding.pointer.as_ref(), &binding.form);
                match &binding.stamped {
                    None => Event::ReadingArrived { probe, reading, retained },
                    // Its own time says how old it is, kept by the broker or not.
                    Some(stamped) => {
                        let reading = reading.and_then(|value| payload.fresh(stamped, now).map(|()| value));
                        let retained = if reading.is_ok() { Retained::No } else { retained };
                        Event::ReadingArrived { probe, reading, retained }
                    }
                }
            }
            Target::Report(output) => {
                let binding = bindings.plug(output).report.as_ref()?;
                Event::ReportArrived { output, report: payload.switch(binding), retained }
            }
            Target::Meter(output) => {
                let binding = bindings.plug(output).meter.as_ref()?;
                let watts = payload.number(binding.pointer.as_ref(), binding.unit);
                Event::MeterArrived { output, watts, retained }
            }
            Target::Level(output) => {
                let binding = bindings.plug(output).dimmer.as_ref()?.report.as_ref()?;
                // The canonical unit of a ratio is the part of one.
                let percent = payload.number(binding.pointer.as_ref(), binding.unit).map(|part| part * 100.0);
                Event::LevelArrived { output, percent, retained }
            }
            Target::Alive(output) => {
                let binding = bindings.plug(output).alive.as_ref()?;
                Event::AliveArrived { output, alive: payload.alive(binding) }
            }
            Target::Uptime(output) => {
                let binding = bindings.plug(output).uptime.as_ref()?;
                Event::UptimeArrived { output, uptime: payload.count(binding.pointer.as_ref()), retained }
            }
            Target::Command(output) => {
                // An empty payload is how a retained command is cleared; no plug is told anything by it.
                if payload.text() == Err(Unreadable::Empty) {
                    return None;
                }
                let command = payload.text().ok().and_then(|text| command_meant(bindings.plug(output), text));
                Event::ForeignCommandSeen { output, command, retained }
            }
            Target::Ask => return asked(tank, message, ask::parse),
            Target::AskAll => return asked(tank, message, ask::parse_for_all),
        };
        Some(Heard::Event(tank, event))
    }
}

fn asked(tank: TankIndex, message: Message<'_>, parse: impl FnOnce(&[u8]) -> Result<Request, Answer>) -> Option<Heard> {
    match (message.payload.is_empty(), message.retained) {
        // How a retained request is cleared.
        (true, _) => None,
        (false, Retained::Yes) => Some(Heard::KeptAsk(tank)),
        (false, Retained::No) => Some(Heard::Ask(tank, parse(message.payload))),
    }
}

/// What a payload tells this plug, if it is one of ours; a lease of any length is on.
fn command_meant(plug: &PlugBinding, text: &str) -> Option<Switch> {
    let is_lease = plug.lease.as_ref().is_some_and(|lease| match lease.payload.split_once("{seconds}") {
        None => text == lease.payload,
        Some((before, after)) => text
            .strip_prefix(before)
            .and_then(|rest| rest.strip_suffix(after))
            .is_some_and(|seconds| !seconds.is_empty() && seconds.bytes().all(|b| b.is_ascii_digit())),
    });
    match () {
        () if text == plug.command.off => Some(Switch::Off),
        () if is_lease || text == plug.command.on => Some(Switch::On),
        () => None,
    }
}

#[cfg(test)]
mod tests;

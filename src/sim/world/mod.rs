//! The world beyond the broker: tanks, their probes and plugs, one room, the faults.
//!
//! Duty: [`World::receive`] takes what a daemon publishes to plugs; [`World::advance`] lets time pass
//! and gives what probes and plugs publish, each message with its moment. Whoever drives it carries
//! the messages: the demo over a real broker, a rehearsal in process.
//!
//! Invariants: physics runs on its own grid (2 s), so how often `advance` is called changes nothing;
//! whatever happens at one moment happens in the order in which it was scheduled; time never runs
//! backwards (an earlier `to` does nothing). A shared topic is one device, whoever listens to it.

mod build;
mod current;
mod mend;
mod run;
#[cfg(test)]
mod tests;

use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap, VecDeque};
use std::sync::Arc;

use crate::control::TankPlan;
use crate::control::plan::Switch;
use crate::time::{Now, Span, Steady};
use crate::wire::binding::TankBindings;

use super::fault::{Fault, KeeperAct, What};
use super::payload::{Form, Scalar};
use super::physics::{Facts, Physics, Reservoir, Room};
use super::plug::{Plug, Told};
use super::probe::Probe;
use super::{Catalogue, Chance, Message};

/// New water is mixed no further than so many g/kg from the usual: the animals feel each step. [choice]
const MIX_APART: f64 = 2.0;

/// What a simulated tank is made from.
#[derive(Clone, Debug)]
pub struct Model<'a> {
    /// What the daemon keeps it by.
    pub plan: &'a TankPlan,
    /// Over which topics.
    pub bindings: &'a TankBindings,
    /// What the keeper says besides.
    pub facts: Facts,
}

/// What is around the tanks, and how finely it is computed.
#[derive(Clone, Debug)]
pub struct Surroundings {
    /// The room.
    pub room: Room,
    /// The physics' step; 2 s at most.
    pub step: Span,
    /// The tank that a bare name in a fault means where several tanks have it.
    pub usual_tank: Option<String>,
    /// A probe that says numbers does so this often at the least, where its stale limit allows it.
    pub speaks: Span,
    /// Whether whoever drives the world plays the daemon too, so that it can be killed.
    pub daemon: Daemon,
}

/// Where the daemon is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Daemon {
    /// Behind a broker; no fault reaches it.
    Elsewhere,
    /// In the hands of the driver: faults reach it, its clock and its keeper.
    Played,
}

impl Default for Surroundings {
    fn default() -> Self {
        Self {
            room: Room::new(21.0),
            step: Span::from_seconds(2),
            usual_tank: None,
            speaks: Span::from_seconds(10),
            daemon: Daemon::Elsewhere,
        }
    }
}

/// A message and when it left its device.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sent {
    /// The moment.
    pub at: Steady,
    /// What.
    pub message: Message,
}

/// Whether there is a broker. Who carries the messages must do as this says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Broker {
    /// It is there.
    Up,
    /// A fault took it away.
    Down,
}

/// What is true in a tank, which no probe says exactly.
#[derive(Clone, Debug, PartialEq)]
pub struct Truth {
    /// °C of the display, or the only basin.
    pub display_celsius: f64,
    /// °C of the sump, or the only basin.
    pub sump_celsius: f64,
    /// °C of the room.
    pub room_celsius: f64,
    /// Grams of salt in a kilogram of water.
    pub salinity: f64,
    /// dKH.
    pub alkalinity: f64,
    /// mg/L.
    pub calcium: f64,
    /// As the model has it; no carbonate system.
    pub ph: f64,
    /// mm over the running level: return chamber or only basin.
    pub level: f64,
    /// Up the return pipe, L/h.
    pub flow: f64,
    /// On the floor, L.
    pub floor_litres: f64,
    /// In the reservoir, L.
    pub reservoir_litres: f64,
    /// Out of the reservoir since the start, wherever it went, L.
    pub pumped_litres: f64,
    /// Each output in the order of the plan: whether it really works, whatever its relay says.
    pub works: Vec<bool>,
    /// Each output in the order of the plan: what its relay is.
    pub relays: Vec<Switch>,
}

struct SimulatedTank {
    plan: TankPlan,
    physics: Physics,
    reservoir: usize,
    /// The first of its plugs in the world's list; they stand in the order of the plan.
    plugs: std::ops::Range<usize>,
}

/// Probes that speak on one topic.
struct Sender {
    topic: Arc<str>,
    probes: Vec<usize>,
    /// Of what they say while none is silent.
    form: Form,
    every: Span,
}

/// Which way a message travels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Way {
    FromDevice,
    ToPlug,
}

/// What happens at a moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Action {
    Physics,
    Speak(usize),
    Weather,
    Bounce {
        probe: usize,
        under: bool,
    },
    Obey {
        plug: usize,
        told: Told,
    },
    LeaseEnds(usize),
    Telemetry(usize),
    Meter(usize),
    Boots {
        plug: usize,
        into: Switch,
    },
    Will(usize),
    Announce(usize),
    /// What travels longest arrives.
    Arrives,
    FaultBegins(usize),
    FaultEnds(usize),
}

/// Everything beyond the broker.
pub struct World {
    start: Now,
    /// The last `to` of [`World::advance`], for the wall clock.
    clock: Now,
    at: Steady,
    step: Span,
    order: u64,
    queue: BinaryHeap<Reverse<(Steady, u64, Action)>>,
    tanks: Vec<SimulatedTank>,
    /// 0, 1, 2... as many as tanks.
    places: Vec<usize>,
    reservoirs: Vec<Reservoir>,
    room: Room,
    weather: Chance,
    plugs: Vec<Plug>,
    /// Each plug's plug upstream, without which it has no mains.
    upstream: Vec<Option<usize>>,
    probes: Vec<Probe>,
    senders: Vec<Sender>,
    /// Which plugs listen to which topic.
    listeners: BTreeMap<String, Vec<usize>>,
    catalogue: Catalogue,
    faults: Vec<Fault>,
    /// The faults that are on, oldest first.
    active: Vec<usize>,
    /// What happened in a moment to outputs and daemon and nobody set right since, with its time.
    left: Vec<(Steady, usize)>,
    broker: Broker,
    outbox: Vec<Sent>,
    /// What a sender is about to say; kept for its room.
    said: Vec<Scalar>,
    /// On its way, in order, and when the last of it arrives.
    travelling: VecDeque<(Way, Message)>,
    arrives: Steady,
    happened: Vec<(Steady, String)>,
    /// A fault began or ended in this run: the driver has to look.
    interrupted: bool,
    /// By how much the wall clock of the daemon's machine is off, ms.
    clock_error: i64,
    /// What keepers set out to do and nobody took yet.
    keepers: Vec<(usize, KeeperAct)>,
}

impl World {
    /// The tanks of these models at a moment, all well, pumps running.
    pub fn new(models: &[Model<'_>], seed: u64, surroundings: Surroundings, now: Now) -> Self {
        build::world(models, seed, surroundings, now)
    }

    /// The topics that plugs listen to.
    pub fn command_topics(&self) -> impl Iterator<Item = &str> {
        self.listeners.keys().map(String::as_str)
    }

    /// Whether a plug listens there.
    pub fn is_command_topic(&self, topic: &str) -> bool {
        self.listeners.contains_key(topic)
    }

    /// Who can fail here, and how.
    pub fn catalogue(&self) -> &Catalogue {
        &self.catalogue
    }

    /// Plans a fault; `at` counts from the start of the world, and what is past begins now.
    pub fn inject(&mut self, fault: Fault) {
        let begins = fault.at.map_or(self.at, |at| self.start.steady.after(at)).max(self.at);
        let id = self.faults.len();
        self.schedule(begins, Action::FaultBegins(id));
        if let Some(lasts) = fault.lasts {
            self.schedule(begins.after(lasts), Action::FaultEnds(id));
        }
        self.faults.push(fault);
    }

    /// Whether the daemon lives, as far as faults go.
    pub fn daemon_lives(&self) -> bool {
        !self.is_on(What::DaemonKilled)
    }

    /// By how much the wall clock of the daemon's machine is ahead (or behind), ms.
    pub fn clock_error(&self) -> i64 {
        self.clock_error
    }

    /// What keepers set out to do since the last call, with the tank's place.
    pub fn take_keepers(&mut self) -> Vec<(usize, KeeperAct)> {
        std::mem::take(&mut self.keepers)
    }

    /// The tank that a fault belongs to, if it is one tank's.
    pub fn tank_of(&self, what: What) -> Option<usize> {
        match what {
            What::Output(plug, _) => self.tanks.iter().position(|tank| tank.plugs.contains(&plug)),
            What::Probe(probe, _) => match self.probes[probe].tanks.as_slice() {
                [only] => Some(*only),
                _ => None,
            },
            What::Tank(tank, _) | What::Keeper(tank, _) => Some(tank),
            _ => None,
        }
    }

    /// Takes so many litres out of a tank's display, or its only basin, as it is mixed.
    pub fn take_water(&mut self, tank: usize, litres: f64) {
        self.tanks[tank].physics.take_out(litres);
    }

    /// The salinity (g/kg) of so much new water that brings a tank back to what it had at the start: foam takes salt
    /// along, and the top-off replaces it with fresh water. At most two g/kg from that. The keeper's own
    /// instrument is without error.
    pub fn mix(&self, tank: usize, litres: f64) -> f64 {
        let water = &self.tanks[tank].physics;
        let (usual, now) = (water.make().salinity, water.mean_salinity());
        (now + (usual - now) * water.litres() / litres).clamp(usual - MIX_APART, usual + MIX_APART)
    }

    /// Gives new sea water of the room's temperature and this salinity into the display, or the only basin.
    pub fn give_water(&mut self, tank: usize, litres: f64, salinity: f64) {
        let celsius = self.room.celsius();
        self.tanks[tank].physics.give(litres, salinity, celsius);
    }

    /// Cleans the probes in a tank's water.
    pub fn clean_probes(&mut self, tank: usize) {
        let at = self.at;
        for probe in self.probes.iter_mut().filter(|probe| probe.tanks.contains(&tank)) {
            probe.clean(at);
        }
    }

    /// Fresh water by hand, up to a little more than the tank held at the start: nobody stops before the float is up.
    /// Gives the litres.
    pub fn top_up(&mut self, tank: usize) -> f64 {
        let celsius = self.room.celsius();
        let physics = &mut self.tanks[tank].physics;
        let missing = (1.005 * physics.usual_litres() - physics.litres()).max(0.0);
        physics.give(missing, 0.0, celsius);
        missing
    }

    /// Fills a tank's reservoir.
    pub fn refill(&mut self, tank: usize) {
        let reservoir = &mut self.reservoirs[self.tanks[tank].reservoir];
        reservoir.litres = reservoir.capacity;
    }

    /// Whether there is a broker now.
    pub fn broker(&self) -> Broker {
        self.broker
    }

    /// What was published to a plug, at the time of the last [`Self::advance`].
    pub fn receive(&mut self, message: &Message) {
        if self.listeners.contains_key(&*message.topic) {
            self.carry(Way::ToPlug, message.clone());
        }
    }

    /// Lets time pass up to `to` and gives everything that was published, in order.
    pub fn advance(&mut self, to: Now) -> Vec<Sent> {
        self.run(to, false);
        std::mem::take(&mut self.outbox)
    }

    /// As [`Self::advance`], but stops at the first moment at which something is published or a fault
    /// begins or ends, so that a driver in process can let the daemon answer before time goes on. [`Self::time`] says where.
    pub fn advance_to_next(&mut self, to: Now) -> Vec<Sent> {
        self.run(to, true);
        std::mem::take(&mut self.outbox)
    }

    /// When something happens next; there is always something.
    pub fn next_deadline(&self) -> Steady {
        self.queue.peek().map_or(self.at, |Reverse((at, _, _))| *at)
    }

    /// How far time has come.
    pub fn time(&self) -> Steady {
        self.at
    }

    /// The faults that began and ended since the last call, as sentences for people.
    pub fn take_happenings(&mut self) -> Vec<(Steady, String)> {
        std::mem::take(&mut self.happened)
    }

    /// What is true in a tank.
    pub fn truth(&self, tank: &str) -> Option<Truth> {
        let index = self.tanks.iter().position(|candidate| &*candidate.plan.name == tank)?;
        let tank = &self.tanks[index];
        let plugs = &self.plugs[tank.plugs.clone()];
        Some(Truth {
            display_celsius: tank.physics.display_celsius(),
            sump_celsius: tank.physics.sump_celsius(),
            room_celsius: self.room.celsius(),
            salinity: tank.physics.salinity(),
            alkalinity: tank.physics.alkalinity(),
            calcium: tank.physics.calcium(),
            ph: tank.physics.chemistry().ph(self.of_day(index)),
            level: tank.physics.level(),
            flow: tank.physics.flow() * 3600.0,
            floor_litres: tank.physics.floor_litres(),
            reservoir_litres: self.reservoirs[tank.reservoir].litres,
            pumped_litres: tank.physics.ledger().topped_off + tank.physics.ledger().beside,
            works: plugs.iter().map(Plug::works).collect(),
            relays: plugs.iter().map(|plug| plug.relay).collect(),
        })
    }

    /// The water of a tank, for balances.
    pub fn physics(&self, tank: &str) -> Option<&Physics> {
        self.tanks.iter().find(|candidate| &*candidate.plan.name == tank).map(|tank| &tank.physics)
    }

    fn schedule(&mut self, at: Steady, action: Action) {
        self.order += 1;
        self.queue.push(Reverse((at, self.order, action)));
    }

    fn is_on(&self, what: What) -> bool {
        self.active.iter().any(|id| self.faults[*id].what == what)
    }
}

//! From plans and bindings to a world: one device a topic, one plug an output, one room for all.

use std::collections::{BTreeMap, BinaryHeap, VecDeque};

use crate::control::ids::{OutputId, ProbeId};
use crate::control::plan::{OutputPlan, Switch};
use crate::time::{Now, Span};
use crate::units::Quantity;

use super::super::fault::Class;
use super::super::fitting::{Fitting, FloatSide, Spot};
use super::super::payload::by_topic;
use super::super::physics::{Parameters, Physics, Reservoir};
use super::super::plug::Plug;
use super::super::probe::Probe;
use super::super::{Catalogue, Chance};
use super::{Action, Broker, Model, Sender, SimulatedTank, Surroundings, World};

pub(super) fn world(models: &[Model<'_>], seed: u64, surroundings: Surroundings, now: Now) -> World {
    let mut world = World {
        start: now,
        clock: now,
        at: now.steady,
        step: surroundings.step,
        order: 0,
        queue: BinaryHeap::new(),
        tanks: Vec::new(),
        places: Vec::new(),
        reservoirs: Vec::new(),
        room: surroundings.room,
        weather: Chance::new(seed, "weather"),
        plugs: Vec::new(),
        upstream: Vec::new(),
        probes: Vec::new(),
        senders: Vec::new(),
        listeners: BTreeMap::new(),
        catalogue: Catalogue::new(surroundings.usual_tank.as_deref(), surroundings.daemon),
        faults: Vec::new(),
        active: Vec::new(),
        left: Vec::new(),
        broker: Broker::Up,
        outbox: Vec::new(),
        said: Vec::new(),
        travelling: VecDeque::new(),
        arrives: now.steady,
        happened: Vec::new(),
        interrupted: false,
        clock_error: 0,
        keepers: Vec::new(),
    };
    let mut devices = Devices::default();
    for model in models {
        add_tank(&mut world, model, seed, &mut devices);
    }
    for index in 0..world.plugs.len() {
        world.feed(index);
    }
    add_senders(&mut world, &devices, surroundings.speaks, seed);
    for index in 0..world.probes.len() {
        // Low floats start under water, the rest dry, unless the level says otherwise.
        world.probes[index].under = world.probes[index].fitting.float == Some(FloatSide::Low);
        world.probes[index].under = world.under_water(index);
    }
    world.schedule(now.steady, Action::Weather);
    world.schedule(now.steady.after(world.step), Action::Physics);
    world
}

/// What is known of the devices while the world is built.
#[derive(Default)]
struct Devices {
    /// The topic and the shortest silence of each probe.
    topics: Vec<(String, Span)>,
    /// The reservoir of each topic of a reservoir probe.
    reservoirs: BTreeMap<String, usize>,
}

fn add_tank(world: &mut World, model: &Model<'_>, seed: u64, devices: &mut Devices) {
    let tank = world.tanks.len();
    let name = &*model.plan.name;
    let mut reservoir = None;
    for index in 0..model.plan.probes.len() {
        let (probe, topic) = add_probe(world, model, ProbeId::new(index), seed, devices);
        if world.probes[probe].fitting.spot == Spot::Reservoir {
            reservoir = devices.reservoirs.get(topic).copied().or(reservoir);
            devices.reservoirs.entry(topic.to_owned()).or_insert(world.reservoirs.len());
        }
    }
    let make = Parameters::of(model.plan, &model.facts);
    let reservoir = reservoir.unwrap_or_else(|| {
        world.reservoirs.push(Reservoir { litres: make.reservoir_litres, capacity: make.reservoir_litres });
        world.reservoirs.len() - 1
    });
    let first = world.plugs.len();
    for (index, output) in model.plan.outputs.iter().enumerate() {
        add_plug(world, model, OutputId::new(index), output, make.outputs[index].watts, seed);
    }
    world.catalogue.add(None, name, Class::Tank, tank);
    world.catalogue.add(Some(name), "reservoir", Class::Reservoir, tank);
    world.catalogue.add(Some(name), "keeper", Class::Keeper, tank);
    if make.sump.is_some() {
        world.catalogue.add(Some(name), "drain", Class::Drain, tank);
    }
    let plugs = first..world.plugs.len();
    let mut physics = Physics::new(make);
    // No tank wakes up exactly at its set point: the first hour has something to do.
    physics.settle(Chance::new(seed, &format!("{name} at the start")).between(-0.1, 0.1));
    for (of, upstream) in &model.facts.isolators {
        world.upstream[first + of.index()] = Some(first + upstream.index());
    }
    world.places.push(tank);
    world.tanks.push(SimulatedTank { plan: model.plan.clone(), physics, reservoir, plugs });
}

/// Gives the probe's place and its topic; a device that another tank listens to already is found again.
fn add_probe<'a>(
    world: &mut World,
    model: &Model<'a>,
    id: ProbeId,
    seed: u64,
    devices: &mut Devices,
) -> (usize, &'a str) {
    let (plan, binding) = (&model.plan.probes[id.index()], &model.bindings.probes[id.index()]);
    let tank = world.tanks.len();
    let known = (0..world.probes.len())
        .find(|index| devices.topics[*index].0 == binding.topic && world.probes[*index].pointer == binding.pointer);
    let index = known.unwrap_or_else(|| {
        let pointer = binding.pointer.as_ref().map_or_else(String::new, |pointer| pointer.0.join("/"));
        let chance = Chance::new(seed, &format!("{} {pointer}", binding.topic));
        world.probes.push(Probe::new(
            tank,
            Fitting::of(id, plan, &binding.topic, &model.facts),
            // A salinity probe may send a conductivity: plain, at the temperature of the water.
            if plan.conductivity.is_some() { Quantity::Conductivity } else { plan.quantity },
            binding.form.clone(),
            binding.pointer.clone(),
            binding.stamped.clone(),
            plan.calibration,
            chance,
        ));
        devices.topics.push((binding.topic.clone(), plan.stale_after));
        world.probes.len() - 1
    });
    if known.is_some() {
        world.probes[index].tanks.push(tank);
        devices.topics[index].1 = devices.topics[index].1.min(plan.stale_after);
    }
    let class = match plan.quantity {
        Quantity::Contact => Class::Contact,
        quantity => Class::Number(quantity),
    };
    world.catalogue.add(Some(&model.plan.name), &plan.name, class, index);
    let fitting = &world.probes[index].fitting;
    match (class, fitting.spot, fitting.float) {
        (Class::Contact, Spot::Floor, _) => world.catalogue.is_a("leak-probe"),
        (Class::Contact, Spot::Cup, _) => world.catalogue.is_a("cup-float"),
        (Class::Contact, _, Some(FloatSide::High)) => world.catalogue.is_a("high-float"),
        (Class::Contact, _, Some(FloatSide::Low)) => world.catalogue.is_a("low-float"),
        (Class::Number(Quantity::Temperature), Spot::Room, _) => world.catalogue.is_a("room-temperature"),
        _ => {}
    }
    (index, &binding.topic)
}

fn add_plug(world: &mut World, model: &Model<'_>, id: OutputId, output: &OutputPlan, watts: f64, seed: u64) {
    let index = world.plugs.len();
    let binding = model.bindings.plug(id).clone();
    // A plug whose boot state nobody declared: pumps and what feeds other plugs come back, the rest stays off.
    let is_upstream = model.facts.isolators.iter().any(|(_, upstream)| *upstream == id);
    let rest = if is_upstream { Switch::On } else { output.kind.rest() };
    let boots = output.plug.boots.unwrap_or(rest);
    let lease = binding.lease.as_ref().and_then(|lease| lease.topic.clone());
    let level = binding.dimmer.as_ref().map(|dimmer| dimmer.topic.clone());
    for topic in [Some(binding.command.topic.clone()), lease, level].into_iter().flatten() {
        let listeners = world.listeners.entry(topic).or_default();
        if listeners.last() != Some(&index) {
            listeners.push(index);
        }
    }
    let mut chance = Chance::new(seed, &format!("{}/{}", model.plan.name, output.name));
    let wakes = world.start.steady.after(chance.span(Span::from_millis(50), Span::from_seconds(1)));
    world.plugs.push(Plug::new(binding, watts, boots, world.start.steady, chance));
    world.upstream.push(None);
    world.schedule(wakes, Action::Announce(index));
    world.schedule(wakes.after(super::run::TELEMETRY), Action::Telemetry(index));
    let name = &*model.plan.name;
    world.catalogue.add(Some(name), &output.name, Class::Output(output.kind), index);
    world.catalogue.alias(name, output.kind.word(), Class::Output(output.kind), index);
}

fn add_senders(world: &mut World, devices: &Devices, speaks: Span, seed: u64) {
    let groups = by_topic(devices.topics.iter().enumerate().map(|(index, (topic, _))| (topic.as_str(), index)));
    for (topic, probes) in groups {
        let silence = probes.iter().map(|index| devices.topics[*index].1).min().unwrap_or_default();
        let contact = probes.iter().all(|index| world.probes[*index].quantity == Quantity::Contact);
        // Often enough that two lost messages do no harm; a contact speaks at once when it changes.
        let (part, longest) = if contact { (4, Span::from_seconds(15)) } else { (6, speaks) };
        let every = silence.part(part).clamp(Span::from_millis(500), longest);
        let first = Chance::new(seed, &format!("first of {topic}")).span(Span::ZERO, every.min(Span::from_seconds(2)));
        let index = world.senders.len();
        let form = super::run::form_of(probes.iter().map(|index| &world.probes[*index]));
        world.senders.push(Sender { topic: topic.into(), probes, form, every });
        world.schedule(world.start.steady.after(first), Action::Speak(index));
    }
}

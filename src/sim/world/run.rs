//! What happens in the world as time passes, action by action.

use std::sync::Arc;

use crate::control::plan::Switch;
use crate::time::{Now, Span, Steady};
use crate::units::{Conductivity, PracticalSalinity, Quantity, Temperature};
use crate::water::pss78;

use super::super::Message;
use super::super::fault::{Fault, OutputFault, ProbeFault, TankFault, What};
use super::super::fitting::{FloatSide, Spot};
use super::super::payload::{Form, Scalar};
use super::super::physics::{Defects, Physics, Pull};
use super::super::probe::{Around, Probe};
use super::{Action, Broker, Sent, Way, World};

/// A plug tells its relay and its watts this often.
pub(super) const TELEMETRY: Span = Span::from_seconds(10);
/// A plug that lost its mains or restarts speaks again after this.
pub(super) const BOOT: Span = Span::from_seconds(5);
/// A broker declares a silent plug dead after one and a half keep-alives of 10 s.
const WILL: Span = Span::from_seconds(15);
/// The room is computed anew this often.
const WEATHER: Span = Span::from_seconds(60);
/// The least water on the floor that a leak probe feels, L.
const FLOOR_FELT: f64 = 0.02;

impl World {
    pub(super) fn run(&mut self, to: Now, stop_at_message: bool) {
        self.clock = to;
        self.interrupted = false;
        while let Some(std::cmp::Reverse((at, _, action))) = self.queue.peek().copied() {
            let stops = stop_at_message && (!self.outbox.is_empty() || self.interrupted);
            if at > to.steady || (stops && at > self.at) {
                break;
            }
            self.queue.pop();
            self.at = self.at.max(at);
            self.carry_out(action);
        }
        if !stop_at_message || (self.outbox.is_empty() && !self.interrupted) {
            self.at = self.at.max(to.steady);
        }
    }

    fn carry_out(&mut self, action: Action) {
        match action {
            Action::Physics => self.step_physics(),
            Action::Speak(sender) => {
                self.speak(sender);
                self.schedule(self.at.after(self.senders[sender].every), action);
            }
            Action::Weather => self.step_weather(),
            Action::Bounce { probe, under } => {
                self.probes[probe].under = under;
                self.speak_of(probe);
            }
            Action::Obey { plug, told } => {
                if self.plugs[plug].is_online() {
                    self.plugs[plug].obey(told, self.at);
                    self.switched(plug);
                }
            }
            Action::LeaseEnds(plug) => {
                if self.plugs[plug].lease_ends == Some(self.at) {
                    self.plugs[plug].turn(Switch::Off, self.at);
                    self.switched(plug);
                }
            }
            Action::Telemetry(plug) => {
                self.tell(plug);
                self.schedule(self.at.after(TELEMETRY), action);
            }
            Action::Meter(plug) => self.tell(plug),
            Action::Boots { plug, into } => {
                self.plugs[plug].boot(into, self.at);
                self.feed_behind(plug);
                self.announce(plug);
            }
            Action::Will(plug) => {
                let plug = &mut self.plugs[plug];
                let gone = if plug.is_online() { None } else { plug.alive(false) };
                self.emit(gone);
            }
            Action::Announce(plug) => self.announce(plug),
            Action::Arrives => {
                let arrived = self.travelling.pop_front().filter(|_| self.broker == Broker::Up);
                if let Some((way, message)) = arrived {
                    self.arrive(way, message);
                }
            }
            Action::FaultBegins(id) => self.begin(id),
            // Somebody mended it meanwhile.
            Action::FaultEnds(id) if !self.active.contains(&id) => {}
            Action::FaultEnds(id) => {
                self.active.retain(|active| *active != id);
                self.interrupted = true;
                self.happened.push((self.at, format!("over: {}", self.catalogue.sentence(&untimed(&self.faults[id])))));
                self.apply_faults();
            }
        }
    }

    // Plugs.

    pub(super) fn hear(&mut self, index: usize, message: &Message) {
        let at = self.at;
        let plug = &mut self.plugs[index];
        if let Some(level) = plug.level_told(&message.topic, &message.payload) {
            if plug.is_online() {
                plug.count(at);
                plug.level = level;
                let said = plug.level_report();
                self.emit(said);
            }
            return;
        }
        let Some(told) = plug.understand(&message.topic, &message.payload) else { return };
        if !plug.is_online() || plug.ignores(told.to) {
            return;
        }
        let acts = plug.queue_command(at);
        self.schedule(acts, Action::Obey { plug: index, told });
    }

    /// After a relay moved: report now, watts when the meter has seen it, and the lease's end.
    pub(super) fn switched(&mut self, index: usize) {
        self.feed_behind(index);
        if self.plugs[index].is_online() {
            self.draw_through(index);
            let report = self.plugs[index].report(self.at);
            self.emit(report);
        }
        let seen = self.plugs[index].chance.span(Span::from_seconds(2), Span::from_seconds(5));
        self.schedule(self.at.after(seen), Action::Meter(index));
        if let Some(ends) = self.plugs[index].lease_ends {
            self.schedule(ends, Action::LeaseEnds(index));
        }
    }

    fn tell(&mut self, index: usize) {
        if self.plugs[index].is_online() {
            self.draw_through(index);
            for voice in 0..self.plugs[index].voices() {
                let said = self.plugs[index].say(voice, self.at);
                self.emit(said);
            }
        }
    }

    fn announce(&mut self, index: usize) {
        if self.plugs[index].is_online() {
            let alive = self.plugs[index].alive(true);
            self.emit(alive);
            self.tell(index);
        }
    }

    pub(super) fn emit(&mut self, message: Option<Message>) {
        if let Some(message) = message {
            self.carry(Way::FromDevice, message);
        }
    }

    /// Through the broker, which may take its time, say everything twice, or be away. The order stays.
    pub(super) fn carry(&mut self, way: Way, message: Message) {
        if self.broker == Broker::Down {
            return;
        }
        let mut what = self.active.iter().map(|id| self.faults[*id].what);
        let delay = what.clone().find_map(|what| if let What::BrokerDelays(by) = what { Some(by) } else { None });
        let doubled = what.any(|what| what == What::BrokerDoubles);
        let due = self.at.after(delay.unwrap_or_default()).max(self.arrives);
        if doubled {
            self.travel(way, message.clone(), due);
        }
        self.travel(way, message, due);
    }

    fn travel(&mut self, way: Way, message: Message, due: Steady) {
        if due <= self.at {
            return self.arrive(way, message);
        }
        self.arrives = due;
        self.schedule(due, Action::Arrives);
        self.travelling.push_back((way, message));
    }

    fn arrive(&mut self, way: Way, message: Message) {
        match way {
            Way::FromDevice => self.outbox.push(Sent { at: self.at, message }),
            Way::ToPlug => {
                for index in self.listeners.get(&*message.topic).cloned().unwrap_or_default() {
                    self.hear(index, &message);
                }
            }
        }
    }

    // Physics.

    fn step_physics(&mut self) {
        let (at, step) = (self.at, self.step);
        let air = self.room.air();
        let mut duty = Vec::new();
        for tank in &mut self.tanks {
            duty.clear();
            duty.extend(self.plugs[tank.plugs.clone()].iter_mut().map(|plug| plug.duty(at, step)));
            tank.physics.step(step.seconds(), &duty, air, &mut self.reservoirs[tank.reservoir]);
        }
        self.move_floats();
        self.schedule(at.after(step), Action::Physics);
    }

    fn step_weather(&mut self) {
        let zone = self.tanks.first().map_or(crate::time::Zone::UTC, |tank| tank.plan.zone);
        let hour = f64::from(zone.time_of_day(self.clock.wall_at(self.at)).seconds()) / 3600.0;
        self.room.step(WEATHER.seconds(), hour, &mut self.weather);
        self.schedule(self.at.after(WEATHER), Action::Weather);
    }

    /// Floats and leak probes follow the water at once, with a bounce of 200 ms.
    fn move_floats(&mut self) {
        for index in 0..self.probes.len() {
            if self.probes[index].quantity != Quantity::Contact {
                continue;
            }
            let (was, is) = (self.probes[index].under, self.under_water(index));
            if was != is {
                self.schedule(self.at, Action::Bounce { probe: index, under: is });
                self.schedule(self.at.after(Span::from_millis(100)), Action::Bounce { probe: index, under: was });
                self.schedule(self.at.after(Span::from_millis(200)), Action::Bounce { probe: index, under: is });
            }
        }
    }

    pub(super) fn under_water(&self, index: usize) -> bool {
        let probe = &self.probes[index];
        let tank = &self.tanks[probe.tanks[0]];
        let sump = tank.physics.make().sump.as_ref();
        let scale = sump.map_or(1.0, |sump| sump.baffle / 0.200);
        let above = match (probe.fitting.spot, probe.fitting.float) {
            (Spot::Floor, _) => {
                return probe.tanks.iter().any(|tank| self.tanks[*tank].physics.floor_litres() > FLOOR_FELT);
            }
            (Spot::Reservoir, side) => {
                let reservoir = &self.reservoirs[tank.reservoir];
                let mark = if side == Some(FloatSide::Low) { 0.1 } else { 0.95 };
                return reservoir.litres > mark * reservoir.capacity;
            }
            (Spot::Display, Some(side)) if sump.is_some() => {
                tank.physics.display_level() - if side == FloatSide::High { 25.0 } else { -10.0 }
            }
            (Spot::Display | Spot::Sump, Some(side)) => {
                let mark = match (side, sump) {
                    (FloatSide::High, Some(_)) => 100.0 * scale,
                    (FloatSide::Low, Some(_)) => -60.0 * scale,
                    (FloatSide::High, None) => 12.0,
                    (FloatSide::Low, None) => -3.0,
                };
                tank.physics.level() - mark
            }
            _ => return false,
        };
        // A float that is up falls at its mark, one that is down rises only when it is well under water.
        let hysteresis = if sump.is_some() { 5.0 } else { 3.0 };
        above > if probe.under { 0.0 } else { hysteresis }
    }

    // Probes.

    fn speak_of(&mut self, probe: usize) {
        if let Some(sender) = self.senders.iter().position(|sender| sender.probes.contains(&probe)) {
            self.speak(sender);
        }
    }

    fn speak(&mut self, sender: usize) {
        if self.is_on(What::PowerCut) {
            return;
        }
        let (at, wall) = (self.at, self.clock.wall_at(self.at));
        let mut said = std::mem::take(&mut self.said);
        let mut silent = Vec::new();
        for place in 0..self.senders[sender].probes.len() {
            let index = self.senders[sender].probes[place];
            match self.around(index).and_then(|around| self.probes[index].sample(around, at)) {
                Some(scalar) => {
                    said.push(scalar);
                    let stamped = self.probes[index].stamped.is_some();
                    said.extend(stamped.then(|| Scalar::Number(wall.unix_seconds(), 3)));
                }
                None => silent.push(index),
            }
        }
        let sender = &self.senders[sender];
        let payload = if silent.is_empty() {
            sender.form.fill(&said)
        } else {
            let others = sender.probes.iter().filter(|index| !silent.contains(index));
            form_of(others.map(|index| &self.probes[*index])).fill(&said)
        };
        let topic = Arc::clone(&sender.topic);
        said.clear();
        self.said = said;
        self.emit(payload.map(|payload| Message { topic, payload, retained: false }));
    }

    /// `None`: the model knows nothing of the kind, and the probe stays silent.
    fn around(&self, index: usize) -> Option<Around> {
        let probe = &self.probes[index];
        let tank = &self.tanks[probe.tanks[0]];
        let (water, room) = (&tank.physics, self.room.celsius());
        let reservoir = &self.reservoirs[tank.reservoir];
        let spot = probe.fitting.spot;
        let value = match probe.quantity {
            Quantity::Temperature => match spot {
                Spot::Display => water.display_celsius(),
                Spot::Sump | Spot::Cup => water.sump_celsius(),
                Spot::Room | Spot::Reservoir | Spot::MixingBin | Spot::Floor => room,
            },
            Quantity::TemperatureDifference => water.sump_celsius() - water.display_celsius(),
            Quantity::Salinity => salinity(water, spot),
            Quantity::Conductivity => conductivity(salinity(water, spot), water.display_celsius())?,
            Quantity::Level => match spot {
                // A reservoir as high as a 10 L box of 0.04 m².
                Spot::Reservoir => reservoir.litres / 0.04,
                Spot::Display => water.display_level(),
                _ if probe.fitting.from_floor => water.level() + water.usual_depth(),
                _ => water.level(),
            },
            Quantity::Volume => reservoir.litres,
            Quantity::Mass => reservoir.litres * 1000.0,
            Quantity::Flow => water.flow() * 60.0,
            Quantity::Power => water.drawn(),
            Quantity::Energy => water.energy(),
            Quantity::Humidity => self.room.humidity,
            Quantity::Ph => water.chemistry().ph(self.of_day(probe.tanks[0])),
            Quantity::Alkalinity => water.alkalinity(),
            Quantity::Redox => 0.35,
            Quantity::Contact => f64::from(u8::from(probe.under)),
            _ => return None,
        };
        Some(Around { value, room })
    }

    /// The part of a tank's local day, 0 to 1.
    pub(super) fn of_day(&self, tank: usize) -> f64 {
        let zone = self.tanks[tank].plan.zone;
        f64::from(zone.time_of_day(self.clock.wall_at(self.at)).seconds()) / 86_400.0
    }

    // Faults.

    fn begin(&mut self, id: usize) {
        let fault = self.faults[id].clone();
        self.interrupted = true;
        self.happened.push((self.at, self.catalogue.sentence(&untimed(&fault))));
        match fault.what {
            What::Output(index, OutputFault::PlugReboots(into)) => self.reboot(index, into),
            What::Output(index, OutputFault::Pressed(to)) => {
                if self.plugs[index].mains {
                    self.plugs[index].turn(to, self.at);
                    self.switched(index);
                }
            }
            What::ClockJumps(by) => self.clock_error = self.clock_error.saturating_add(by),
            What::Keeper(tank, act) => self.keepers.push((tank, act)),
            What::Tank(tank, TankFault::ReservoirRunsEmpty) => self.reservoirs[self.tanks[tank].reservoir].litres = 0.0,
            What::Tank(tank, TankFault::ReservoirIsRefilled) => {
                let reservoir = &mut self.reservoirs[self.tanks[tank].reservoir];
                reservoir.litres = reservoir.capacity;
            }
            _ => {
                self.active.push(id);
                self.apply_faults();
            }
        }
        if fault.what.is_momentary() {
            self.left.push((self.at, id));
        }
        // A contact that changes its mind says so at once.
        if let What::Probe(probe, ProbeFault::Sticks(_)) = fault.what {
            self.speak_of(probe);
        }
    }

    fn reboot(&mut self, index: usize, into: Option<Switch>) {
        let into = into.unwrap_or(self.plugs[index].boots);
        self.plugs[index].go_down(self.at);
        self.feed_behind(index);
        self.schedule(self.at.after(BOOT), Action::Boots { plug: index, into });
    }

    /// Brings everything in line with the list of active faults.
    pub(super) fn apply_faults(&mut self) {
        let active: Vec<(usize, What)> = self.active.iter().map(|id| (*id, self.faults[*id].what)).collect();
        for index in 0..self.plugs.len() {
            let faults = active.iter().filter_map(|(id, what)| match what {
                What::Output(of, fault) if *of == index => Some((*id, *fault)),
                _ => None,
            });
            let faults = faults.collect();
            self.change_plug(index, faults);
        }
        for index in 0..self.plugs.len() {
            self.feed(index);
        }
        for (index, probe) in self.probes.iter_mut().enumerate() {
            probe.faults.clear();
            probe.faults.extend(active.iter().filter_map(|(id, what)| match what {
                What::Probe(of, fault) if *of == index => Some((*id, *fault)),
                _ => None,
            }));
        }
        for (index, tank) in self.tanks.iter_mut().enumerate() {
            tank.physics.defects = defects(index, &tank.plugs, &active);
        }
        let pull = active.iter().rev().find_map(|(_, what)| if let What::Room(to) = what { Some(*to) } else { None });
        self.room.set_pull(pull.map_or(Pull::None, Pull::Towards));
        let broker = if self.is_on(What::BrokerVanishes) { Broker::Down } else { Broker::Up };
        if self.broker == Broker::Down && broker == Broker::Up {
            // Plugs find a broker that is back within seconds, each at its own pace.
            for index in 0..self.plugs.len() {
                let finds = self.plugs[index].chance.span(Span::from_seconds(1), Span::from_seconds(5));
                self.schedule(self.at.after(finds), Action::Announce(index));
            }
        }
        self.broker = broker;
    }

    fn change_plug(&mut self, index: usize, faults: Vec<(usize, OutputFault)>) {
        let was_online = self.plugs[index].is_online();
        self.plugs[index].change_faults(faults, self.at);
        self.came_or_went(index, was_online);
    }

    /// The broker hears that a plug is there again, or that it is gone.
    pub(super) fn came_or_went(&mut self, index: usize, was_online: bool) {
        match (was_online, self.plugs[index].is_online()) {
            (true, false) => self.schedule(self.at.after(WILL), Action::Will(index)),
            (false, true) => self.announce(index),
            _ => {}
        }
    }
}

fn defects(tank: usize, plugs: &std::ops::Range<usize>, active: &[(usize, What)]) -> Defects {
    let mut defects = Defects::default();
    for (_, what) in active {
        match what {
            // L/h to L/s; several leaks add up.
            What::Tank(of, TankFault::Leaks(rate)) if *of == tank => defects.leak += rate / 3600.0,
            What::Tank(of, TankFault::DrainClogs) if *of == tank => defects.drain_open = 0.0,
            What::Output(of, OutputFault::Siphons) if plugs.contains(of) => defects.siphon = true,
            What::Output(of, OutputFault::HoseComesOff) if plugs.contains(of) => defects.hose_off = true,
            _ => {}
        }
    }
    defects
}

/// The form of what these probes say together: each its value, and its time where it sends one.
pub(super) fn form_of<'a>(probes: impl Iterator<Item = &'a Probe>) -> Form {
    let fields = |probe: &'a Probe| [Some(probe.pointer.as_ref()), probe.stamped.as_ref().map(Some)];
    Form::of(probes.flat_map(fields).flatten())
}

pub(super) fn untimed(fault: &Fault) -> Fault {
    Fault { at: None, lasts: None, ..fault.clone() }
}

fn salinity(water: &Physics, spot: Spot) -> f64 {
    if spot == Spot::MixingBin { 35.0 } else { water.salinity() }
}

/// mS/cm, as an uncompensated cell sees it; `None` outside what PSS-78 covers.
fn conductivity(salinity: f64, celsius: f64) -> Option<f64> {
    let (salinity, celsius) = (PracticalSalinity::from_psu(salinity).ok()?, Temperature::from_celsius(celsius).ok()?);
    pss78::conductivity(salinity, celsius).ok().map(Conductivity::millisiemens_per_cm)
}

//! The example config, the core and the codecs around the simulated tanks, in virtual time.
//!
//! The data path of the daemon without its sockets: what probes and plugs say is decoded, stepped,
//! encoded and obeyed. It shows that the simulator and the codecs speak one language, and that the
//! example keeps its simulated water. A simulated tank proves nothing about a real one.

use std::path::Path;

use slackwater::config::{Setup, load};
use slackwater::control::effect::{Effect, JournalKind};
use slackwater::control::event::{Event, Retained};
use slackwater::control::{Remembered, Tank};
use slackwater::sim::physics::Room;
use slackwater::sim::{Broker, Facts, Message, Model, Surroundings, Truth, World};
use slackwater::time::{Now, Span, Steady, Wall};
use slackwater::wire::{self, Heard, OwnTopics, Router, TankIndex, encode};

/// 2026-06-01 06:00 UTC by the wall.
const START: Now = Now { steady: Steady::from_millis(0), wall: Wall::from_unix_millis(1_780_293_600_000) };

struct Loop {
    world: World,
    router: Router,
    tanks: Vec<Tank>,
    now: Now,
    broker: Broker,
    journal: Vec<(Span, JournalKind, String)>,
    commands: usize,
}

impl Loop {
    fn new(room: f64, faults: &[&str]) -> Self {
        let dir = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
        let setup: Setup = load(&dir).unwrap_or_else(|problems| panic!("{problems}"));
        let models: Vec<Model<'_>> = setup
            .tanks
            .iter()
            .map(|tank| Model { plan: &tank.plan, bindings: &tank.bindings, facts: Facts::default() })
            .collect();
        let surroundings =
            Surroundings { room: Room::new(room), usual_tank: Some("lagoon".to_owned()), ..Surroundings::default() };
        let mut world = World::new(&models, 1, surroundings, START);
        for sentence in faults {
            let fault = world.catalogue().read(sentence).unwrap_or_else(|error| panic!("{error}"));
            world.inject(fault);
        }
        let bindings = setup.tanks.iter().map(|tank| tank.bindings.clone()).collect();
        let tanks = setup.tanks.into_iter().map(|tank| Tank::new(tank.plan, Remembered::Nothing, START)).collect();
        let router = Router::new(bindings, &OwnTopics::new("slackwater"));
        let mut this = Self { world, router, tanks, now: START, broker: Broker::Up, journal: vec![], commands: 0 };
        this.tell_all(&Event::BrokerConnected);
        this
    }

    fn tell_all(&mut self, event: &Event) {
        (0..self.tanks.len()).for_each(|index| self.step(TankIndex(index), event.clone()));
    }

    fn step(&mut self, index: TankIndex, event: Event) {
        for effect in self.tanks[index.0].step(event, self.now) {
            if let Some(publish) = encode::command(&self.router.tanks()[index.0], &effect) {
                self.commands += 1;
                self.world.receive(&Message {
                    topic: publish.topic.into(),
                    payload: publish.payload,
                    retained: publish.retain,
                });
            }
            if let Effect::Journal(entry) = effect {
                let line = format!("{} {}: {}", self.tanks[index.0].plan().name, entry.subject, entry.text);
                self.journal.push((self.now.steady.since(START.steady), entry.kind, line));
            }
        }
    }

    fn pass(&mut self, span: Span) {
        let end = self.now.after(span);
        let mut heard = Vec::new();
        while self.now.steady < end.steady {
            let due = self.tanks.iter().filter_map(|tank| tank.next_deadline().map(|deadline| deadline.at)).min();
            let limit =
                due.map_or(end.steady, |at| at.min(end.steady)).max(self.now.steady.after(Span::from_millis(1)));
            let sent = self.world.advance_to_next(self.now.after(limit.since(self.now.steady)));
            self.now = self.now.after(self.world.time().since(self.now.steady));
            if self.world.broker() != self.broker {
                self.broker = self.world.broker();
                let event = if self.broker == Broker::Up { Event::BrokerConnected } else { Event::BrokerLost };
                self.tell_all(&event);
            }
            for one in sent {
                let message = wire::Message {
                    topic: one.message.topic.as_bytes(),
                    payload: &one.message.payload,
                    retained: Retained::No,
                };
                self.router.decode(message, self.now.wall, &mut heard);
                for one in std::mem::take(&mut heard) {
                    if let Heard::Event(tank, event) = one {
                        self.step(tank, event);
                    }
                }
            }
            for index in 0..self.tanks.len() {
                if self.tanks[index].next_deadline().is_some_and(|deadline| deadline.at <= self.now.steady) {
                    self.step(TankIndex(index), Event::Woken);
                }
            }
        }
    }

    fn truth(&self, tank: &str) -> Truth {
        self.world.truth(tank).unwrap()
    }

    /// The first trip after the start was settled that contains all of the words, with its time: until readings come,
    /// what lost evidence trips is tripped.
    fn trip(&self, words: &[&str]) -> Option<(Span, &str)> {
        let settled = Span::from_minutes(3);
        let fits = |text: &str| words.iter().all(|word| text.contains(word));
        let trips = self.journal.iter().filter(|(at, kind, _)| *kind == JournalKind::Trip && *at > settled);
        trips.map(|(at, _, text)| (*at, text.as_str())).find(|(_, text)| fits(text))
    }

    fn show(&self) -> String {
        let lines = self.journal.iter().map(|(at, kind, text)| format!("{at} {} {text}", kind.word()));
        lines.collect::<Vec<_>>().join("\n")
    }
}

#[test]
fn the_example_keeps_both_simulated_tanks_for_a_day_and_every_probe_is_understood() {
    let mut keeping = Loop::new(20.0, &[]);
    keeping.pass(Span::from_minutes(30));
    for tank in &keeping.tanks {
        let status = tank.status(keeping.now);
        for probe in &status.probes {
            assert!(probe.quality.is_good(), "{} {}: {:?}", status.tank, probe.probe, probe.quality);
            assert_eq!(probe.samples.decode, 0, "{}", probe.probe);
        }
    }
    let (mut low, mut high) = (99.0_f64, 0.0_f64);
    for _ in 0..142 {
        keeping.pass(Span::from_minutes(10));
        let truth = keeping.truth("lagoon");
        (low, high) = (low.min(truth.display_celsius), high.max(truth.display_celsius));
        assert!(truth.floor_litres < 1e-9);
    }
    // The band is 24.85 to 25.15 °C; probes may be off by 0.05 K and lag half a minute.
    assert!(low > 24.6 && high < 25.5, "{low} to {high} °C\n{}", keeping.show());
    let level = keeping.truth("lagoon").level;
    assert!((-8.0..4.0).contains(&level), "topped off to {level} mm\n{}", keeping.show());
    let topped = keeping.world.physics("lagoon").unwrap().ledger().topped_off;
    assert!(topped > 0.8, "{topped} L in a day\n{}", keeping.show());
    assert_eq!(keeping.trip(&[]), None, "nothing is wrong, nothing trips");
    assert!(keeping.commands > 100, "{}", keeping.commands);
}

#[test]
fn a_probe_that_lies_high_trips_the_cutoff_and_the_heater_is_off() {
    let mut keeping = Loop::new(17.0, &["display-temp reads 27 °C at 1 h for 30 min"]);
    keeping.pass(Span::from_minutes(62));
    let (at, _) = keeping.trip(&["lagoon", "heater-cutoff"]).unwrap_or_else(|| panic!("{}", keeping.show()));
    assert!(at >= Span::from_minutes(60) && at < Span::from_minutes(61), "{at}");
    assert!(!keeping.truth("lagoon").works[0]);
    assert!(keeping.trip(&["quarantine"]).is_none());
}

#[test]
fn a_wet_floor_trips_the_top_off_of_both_tanks() {
    let mut keeping = Loop::new(21.0, &["floor-leak gets wet at 10 min"]);
    keeping.pass(Span::from_minutes(11));
    for tank in ["lagoon", "quarantine"] {
        assert!(keeping.trip(&[tank, "floor-wet"]).is_some(), "{}", keeping.show());
    }
}

#[test]
fn a_lost_broker_leaves_the_water_warm_enough_and_control_comes_back() {
    let mut keeping = Loop::new(20.0, &["broker vanishes at 1 h for 20 min"]);
    keeping.pass(Span::from_minutes(75));
    let truth = keeping.truth("lagoon");
    assert!(!truth.works[0], "the lease ran out");
    assert!(truth.works[1..].iter().any(|works| *works), "pumps go on");
    keeping.pass(Span::from_hours(2));
    assert!((keeping.truth("lagoon").display_celsius - 25.0).abs() < 0.4);
}

#[test]
fn the_same_run_twice_gives_the_same_journal() {
    let run = || {
        let mut keeping = Loop::new(20.0, &["power cut at 20 min for 5 min", "return-pump stops at 40 min for 5 min"]);
        keeping.pass(Span::from_hours(1));
        (keeping.show(), keeping.commands)
    };
    assert_eq!(run(), run());
}

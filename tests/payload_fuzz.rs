//! Whatever comes by any topic, from a probe, a plug or the ask topic, and whatever stands in a saved state: nothing
//! panics, and afterwards control goes on as before, seen by a cut-off that still trips (invariants 1 and 10).
//!
//! Payloads are those of `tests/data/corpus/payloads.txt`, mutated, on topics of the example config. Bounded here;
//! `SURVIVE_CASES=20000 cargo test --test payload_fuzz` looks longer, and `SURVIVE_SEED=7` elsewhere.

use std::path::Path;

use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use slackwater::config::{Setup, load};
use slackwater::control::event::Retained;
use slackwater::control::plan::Switch;
use slackwater::control::state::TankState;
use slackwater::control::{Effect, Event, Remembered, RequestId, Tank};
use slackwater::time::{Now, Span, Steady, Wall};
use slackwater::wire::{Heard, Message, OwnTopics, Router};

const CORPUS: &str = include_str!("data/corpus/payloads.txt");

#[expect(clippy::disallowed_methods, reason = "how long a test looks is its caller's to say")]
fn number(name: &str, usual: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(usual)
}

fn cases(usual: u64) -> ProptestConfig {
    ProptestConfig {
        cases: u32::try_from(number("SURVIVE_CASES", usual)).unwrap_or(u32::MAX),
        failure_persistence: None,
        rng_seed: RngSeed::Fixed(number("SURVIVE_SEED", 20_261_127)),
        ..ProptestConfig::default()
    }
}

fn example() -> Setup {
    load(&Path::new(env!("CARGO_MANIFEST_DIR")).join("config")).unwrap_or_else(|problems| panic!("{problems}"))
}

/// The daemon's data path without its sockets.
struct Played {
    router: Router,
    topics: Vec<String>,
    tanks: Vec<Tank>,
    now: Now,
    requests: u64,
    /// What the last steps did, by tank.
    effects: Vec<(usize, Effect)>,
}

impl Played {
    fn new(setup: &Setup, remembered: impl Fn(usize) -> Remembered) -> Self {
        let router =
            Router::new(setup.tanks.iter().map(|tank| tank.bindings.clone()).collect(), &OwnTopics::new("slackwater"));
        let now = Now { steady: Steady::from_millis(0), wall: Wall::from_unix_millis(1_780_308_000_000) };
        let tank =
            |(at, one): (usize, &slackwater::config::TankSetup)| Tank::new(one.plan.clone(), remembered(at), now);
        let tanks = setup.tanks.iter().enumerate().map(tank).collect();
        let topics = router.subscriptions().map(|one| one.topic).collect();
        let mut played = Self { router, topics, tanks, now, requests: 0, effects: Vec::new() };
        (0..played.tanks.len()).for_each(|tank| played.step(tank, Event::BrokerConnected));
        played
    }

    fn step(&mut self, tank: usize, event: Event) {
        let effects = self.tanks[tank].step(event, self.now);
        self.effects.extend(effects.into_iter().map(|effect| (tank, effect)));
    }

    fn hear(&mut self, topic: &str, payload: &[u8], retained: Retained) {
        let mut heard = Vec::new();
        self.router.decode(Message { topic: topic.as_bytes(), payload, retained }, self.now.wall, &mut heard);
        for heard in heard {
            match heard {
                Heard::Event(tank, event) => self.step(tank.0, event),
                Heard::Ask(tank, Ok(request)) => {
                    self.requests += 1;
                    let id = RequestId(self.requests);
                    self.step(tank.0, Event::RequestArrived { id, by: "the fuzzer".to_owned(), request });
                }
                Heard::Ask(_, Err(answer)) => assert!(!answer.summary.is_empty()),
                Heard::KeptAsk(_) => {}
            }
        }
    }

    /// Time goes by; each deadline is met, and no tank asks to be woken for ever at one moment.
    fn advance(&mut self, span: Span) {
        let end = self.now.after(span);
        for tank in 0..self.tanks.len() {
            let mut at_once = 0;
            while let Some(due) =
                self.tanks[tank].next_deadline().map(|deadline| deadline.at).filter(|at| *at <= end.steady)
            {
                at_once = if due <= self.now.steady { at_once + 1 } else { 0 };
                assert!(at_once < 1000, "a tank that never settles");
                // Each tank has its own hands on the same clock here; what it is told is only ever later.
                let now = if due > self.now.steady { self.now.after(due.since(self.now.steady)) } else { self.now };
                let effects = self.tanks[tank].step(Event::Woken, now);
                self.effects.extend(effects.into_iter().map(|effect| (tank, effect)));
                if at_once > 0 && self.tanks[tank].next_deadline().map(|deadline| deadline.at) == Some(due) {
                    break;
                }
            }
        }
        self.now = end;
    }

    /// Hot water, said by both thermometers for a minute: the heater is off and stays off.
    fn a_cut_off_still_trips(&mut self) {
        self.effects.clear();
        for _ in 0..40 {
            self.hear("lagoon/display/climate", br#"{"temp":27.5}"#, Retained::No);
            self.hear("lagoon/sump/temp", b"27.4", Retained::No);
            self.advance(Span::from_seconds(5));
        }
        let at = self.tanks.iter().position(|tank| &*tank.plan().name == "lagoon").unwrap();
        let tank = &self.tanks[at];
        let heater = tank.plan().output("heater").unwrap();
        let late = self.effects.len() / 2;
        let told_on = self.effects.iter().skip(late).any(|(which, effect)| {
            *which == at && matches!(effect, Effect::SwitchPlug { output, to: Switch::On, .. } if *output == heater)
        });
        assert!(!told_on, "a heater was told on in hot water");
        let status = tank.status(self.now);
        let cut_off = status.interlocks.iter().find(|one| &*one.interlock == "heater-cutoff").unwrap();
        assert!(["tripped", "latched"].contains(&cut_off.state), "{cut_off:?}");
        // What is shown of any of it can be shown.
        for tank in &self.tanks {
            serde_json::to_string(&tank.status(self.now)).unwrap();
            serde_json::to_string(&tank.state()).unwrap();
            for output in &tank.plan().outputs {
                let _ = tank.explain(tank.plan().output(&output.name).unwrap(), self.now);
            }
        }
    }
}

#[derive(Clone, Debug)]
enum Act {
    Hear { topic: usize, payload: Vec<u8>, kept: bool },
    Advance(u64),
    Jump(i64),
    Broker,
}

/// A payload of the corpus, changed in places.
fn payload() -> impl Strategy<Value = Vec<u8>> {
    let known: Vec<&'static str> = CORPUS.lines().collect();
    let of_corpus = (0..known.len()).prop_map(move |at| known[at].as_bytes().to_vec());
    let changes = proptest::collection::vec((any::<u16>(), any::<u8>(), 0..4u8), 0..4);
    let mutated = (of_corpus, changes).prop_map(|(mut bytes, changes)| {
        for (at, byte, how) in changes {
            let at = usize::from(at) % (bytes.len() + 1);
            match how {
                0 if at < bytes.len() => bytes[at] = byte,
                1 => bytes.insert(at, byte),
                2 if at < bytes.len() => drop(bytes.remove(at)),
                _ => bytes.truncate(at),
            }
        }
        bytes
    });
    prop_oneof![6 => mutated, 1 => proptest::collection::vec(any::<u8>(), 0..64)]
}

fn acts() -> impl Strategy<Value = Act> {
    let jump = prop_oneof![
        -90_000_000..90_000_000i64,
        // To 1970, and by years either way.
        Just(-1_780_308_000_000i64),
        Just(31_536_000_000i64 * 20),
        Just(-31_536_000_000i64 * 3),
        Just(i64::MAX / 4),
    ];
    prop_oneof![
        12 => (any::<usize>(), payload(), any::<bool>()).prop_map(|(topic, payload, kept)| Act::Hear { topic, payload, kept }),
        4 => (0..20_000u64).prop_map(Act::Advance),
        1 => (0..40_000_000u64).prop_map(Act::Advance),
        1 => jump.prop_map(Act::Jump),
        1 => Just(Act::Broker),
    ]
}

/// Each number, word and flag of a saved state, in order: what stands at one of them is changed.
fn spoil(value: &mut serde_json::Value, left: &mut usize, with: &serde_json::Value) -> bool {
    match value {
        serde_json::Value::Array(all) => all.iter_mut().any(|one| spoil(one, left, with)),
        serde_json::Value::Object(all) => all.values_mut().any(|one| spoil(one, left, with)),
        leaf if *left == 0 => {
            *leaf = with.clone();
            true
        }
        _ => {
            *left -= 1;
            false
        }
    }
}

fn leaves(value: &serde_json::Value) -> usize {
    match value {
        serde_json::Value::Array(all) => all.iter().map(leaves).sum(),
        serde_json::Value::Object(all) => all.values().map(leaves).sum(),
        _ => 1,
    }
}

/// A lagoon with a life behind it: trips, a hold, runs, doses.
fn lived(setup: &Setup) -> Vec<serde_json::Value> {
    let mut played = Played::new(setup, |_| Remembered::Nothing);
    for round in 0..60 {
        for (topic, payload) in [
            ("lagoon/display/climate", r#"{"temp":25.0}"#),
            ("lagoon/sump/temp", "25.1"),
            ("lagoon/sump/level", "-3"),
            ("lagoon/sump/float-high", "0"),
            ("lagoon/sump/float-low", "1"),
            ("lagoon/display/salinity", "35.0"),
            ("lagoon/return/flow", "600"),
        ] {
            played.hear(topic, payload.as_bytes(), Retained::No);
        }
        if round == 30 {
            for ask in ["hold water-change", "force light off for 2 h", "bypass no-flow for 2 h because it is cleaned"]
            {
                played.hear("slackwater/lagoon/ask", ask.as_bytes(), Retained::No);
            }
        }
        played.advance(Span::from_seconds(20));
    }
    played.tanks.iter().map(|tank| serde_json::to_value(tank.state()).unwrap()).collect()
}

proptest! {
    #![proptest_config(cases(60))]

    #[test]
    fn nothing_that_is_published_panics_a_tank_or_keeps_a_cut_off_from_tripping(
        acts in proptest::collection::vec(acts(), 1..120)
    ) {
        let setup = example();
        let mut played = Played::new(&setup, |_| Remembered::Nothing);
        for act in acts {
            match act {
                Act::Hear { topic, payload, kept } => {
                    let topic = played.topics[topic % played.topics.len()].clone();
                    played.hear(&topic, &payload, if kept { Retained::Yes } else { Retained::No });
                }
                Act::Advance(millis) => played.advance(Span::from_millis(millis)),
                Act::Jump(millis) => {
                    let wall = played.now.wall.unix_millis().saturating_add(millis).clamp(-i64::MAX / 2, i64::MAX / 2);
                    played.now.wall = Wall::from_unix_millis(wall);
                }
                Act::Broker => {
                    for tank in 0..played.tanks.len() {
                        played.step(tank, Event::BrokerLost);
                        played.step(tank, Event::BrokerConnected);
                    }
                }
            }
        }
        played.a_cut_off_still_trips();
    }

    #[test]
    fn no_saved_state_panics_a_tank_or_keeps_a_cut_off_from_tripping(
        places in proptest::collection::vec((any::<usize>(), 0..9usize), 1..6),
        of_backup in any::<bool>(),
    ) {
        let setup = example();
        let mut states = lived(&setup);
        let with = [
            serde_json::json!(null),
            serde_json::json!(u64::MAX),
            serde_json::json!(i64::MIN),
            serde_json::json!(-1),
            serde_json::json!(1e308),
            serde_json::json!(0),
            serde_json::json!("odd"),
            serde_json::json!(true),
            serde_json::json!([]),
        ];
        for state in &mut states {
            let all = leaves(state);
            for (at, kind) in &places {
                spoil(state, &mut (at % all.max(1)), &with[*kind]);
            }
        }
        let remembered = |at: usize| match serde_json::from_value::<TankState>(states[at].clone()) {
            Ok(state) if of_backup => Remembered::Restored(Box::new(state), Wall::from_unix_millis(1_780_300_000_000)),
            Ok(state) => Remembered::State(Box::new(state)),
            Err(error) => Remembered::Damaged(error.to_string()),
        };
        let mut played = Played::new(&setup, remembered);
        played.advance(Span::from_minutes(3));
        played.a_cut_off_still_trips();
        played.advance(Span::from_hours(30));
    }
}

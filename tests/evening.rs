//! The water change of an evening, told from its beginning to its end: on the well-fitted lagoon, on the least tub, and
//! its first and last minutes over a real broker. All water is simulated, and the tanks are invented.
#![allow(clippy::disallowed_methods, reason = "the last story is played in real time")]

mod common;
#[path = "common/staged.rs"]
mod staged;

use slackwater::config::Setup;
use slackwater::control::effect::{Answer, Outcome};
use slackwater::control::status::HoldStatus;
use slackwater::sim::rehearsal::{Detail, Rehearsal, Rule, Source};
use slackwater::time::Span;

use common::{Broker, Config, Daemon, World, seconds as real_seconds, text};
use staged::{example, staged};

/// An evening at one tank, in virtual time.
struct Evening {
    setup: Setup,
    run: Rehearsal,
    tank: usize,
}

impl Evening {
    fn at(tank: &str, room: f64) -> Self {
        let setup = example();
        let run = staged(&setup, 1, room, &[], Detail::Everything);
        let tank = setup.tanks.iter().position(|one| &*one.plan.name == tank).expect("it is in the example");
        Self { setup, run, tank }
    }

    fn name(&self) -> &str {
        &self.setup.tanks[self.tank].plan.name
    }

    fn wait(&mut self, span: &str) {
        self.run.pass(span.parse::<Span>().unwrap());
    }

    /// Waits, a second at a time, until something is so; when.
    fn wait_until(&mut self, what: &str, at_most: &str, is: impl Fn(&Self) -> bool) -> Span {
        let end = self.run.passed().plus(at_most.parse().unwrap());
        while !is(self) {
            assert!(self.run.passed() < end, "not within {at_most}: {what}\n{}", self.journal());
            self.wait("1 s");
        }
        self.run.passed()
    }

    /// The keeper asks, as the wall button does, and waits for the answer.
    fn keeper_asks(&mut self, words: &str) -> Answer {
        self.run.ask(self.tank, words);
        self.wait("12 s");
        self.run.last_answer(self.tank).expect("an answer").clone()
    }

    fn works(&self, output: &str) -> bool {
        let index = self.setup.tanks[self.tank].plan.output(output).expect("it is fitted").index();
        self.run.world().truth(self.name()).expect("the tank is there").works[index]
    }

    fn level(&self) -> f64 {
        self.run.world().truth(self.name()).expect("the tank is there").level
    }

    fn the_hold(&self) -> HoldStatus {
        let status = self.run.status(self.name()).expect("the daemon lives");
        status.holds.into_iter().find(|hold| &*hold.hold == "water-change").expect("every tank has it")
    }

    /// When an output was told so first, after a moment.
    fn told(&self, output: &str, state: &str, after: Span) -> Option<Span> {
        let lines = self.run.record().entries().iter();
        let mut sent = lines.filter(|line| line.kind == "sent" && line.tank == Some(self.tank) && line.at >= after);
        sent.find(|line| line.subject == output && line.text == state).map(|line| line.at)
    }

    fn journal(&self) -> String {
        let lines = self.run.record().entries().iter();
        let ours = lines.filter(|line| line.source == Source::Daemon && line.tank == Some(self.tank));
        let lines = ours.map(|line| format!("{} {} {}: {}", line.at, line.kind, line.subject, line.text));
        lines.collect::<Vec<_>>().join("\n")
    }

    /// The line of the journal in which all of these stand.
    fn written(&self, words: &[&str]) -> String {
        let journal = self.journal();
        let line = journal.lines().find(|line| words.iter().all(|word| line.contains(word)));
        line.unwrap_or_else(|| panic!("nothing with {words:?} in\n{journal}")).to_owned()
    }

    fn nothing_was_broken(&self) {
        let broken: Vec<_> = self.run.violations().iter().filter(|one| one.rule != Rule::Water).collect();
        assert!(broken.is_empty(), "{broken:#?}\n{}", self.journal());
    }
}

fn details(answer: &Answer) -> String {
    answer.details.join("\n")
}

#[test]
fn an_evening_at_the_lagoon() {
    // A cool room: the heater has worked, and its sheath is hot.
    let mut evening = Evening::at("lagoon", 17.0);
    evening.wait("20 min");
    evening.wait_until("the heater works", "30 min", |evening| evening.works("heater"));

    // The keeper presses the button. Everything that needs flow goes first, the return pump two seconds later.
    let asked = evening.run.passed();
    let answer = evening.keeper_asks("hold water-change");
    assert_eq!(answer.outcome, Outcome::Done, "{answer:?}");
    assert!(answer.summary.contains("every pause is proven"), "{}", answer.summary);
    for output in ["top-off", "heater", "skimmer", "return-pump", "fan"] {
        assert!(details(&answer).contains(&format!("{output}: off, proven by its report")), "{}", details(&answer));
        assert!(!evening.works(output), "{output} is off in truth too");
    }
    let heater_off = evening.told("heater", "off", asked).expect("the heater ran and is told off");
    let pump_off = evening.told("return-pump", "off", asked).expect("the pump ran and is told off");
    assert_eq!(pump_off.minus(heater_off), Span::from_seconds(2));
    assert!(evening.works("powerhead"), "the animals have their current");

    // The heater is hot: it must not fall dry for ten minutes, and the answer and the status say until when.
    assert!(details(&answer).contains("before the water falls below the heater"), "{}", details(&answer));
    assert!(answer.caution.as_deref().is_some_and(|words| words.contains("not isolation")));
    assert!(evening.the_hold().hot_until.is_some());
    evening.wait("10 min");
    assert!(evening.the_hold().hot_until.is_none(), "it has cooled");

    // The drain-back stands in the sump, no alarm is made of it. Nine litres go out of the display.
    assert!(evening.level() > 50.0, "{} mm", evening.level());
    evening.run.take_water(evening.tank, 9.0);
    evening.wait("3 min");

    // The first batch is far too cold, and the keeper is told before the animals are.
    let cold = r#"{"do":"new-water","litres":"18 L","salinity":"35 psu","temperature":"11 °C"}"#;
    let answer = evening.keeper_asks(cold);
    assert!(answer.outcome == Outcome::Refused && answer.summary.contains("too much at once"), "{answer:?}");
    let answer = evening.keeper_asks("release");
    assert_eq!(answer.outcome, Outcome::Refused);
    let why = details(&answer);
    assert!(why.starts_with("new-water: ") && why.contains("temperature -2."), "{why}");
    // The second one is right, and told by its numbers.
    let good = r#"{"do":"new-water","litres":"9 L","salinity":"35 psu","temperature":"24 °C"}"#;
    let answer = evening.keeper_asks(good);
    assert!(answer.outcome == Outcome::Done && answer.summary.contains("hardly notice"), "{answer:?}");

    // The sump is baled out for cleaning: with so little in it nothing may start, and the answer says what is missing.
    let baled = evening.run.catalogue().read("sump-level reads -80 mm for 2 min").unwrap();
    evening.run.inject(baled);
    evening.wait("40 s");
    let answer = evening.keeper_asks("release");
    assert_eq!(answer.outcome, Outcome::Refused, "{answer:?}");
    assert!(details(&answer).contains("enough-water") && details(&answer).contains("-80"), "{}", details(&answer));
    assert!(!evening.works("return-pump") && evening.the_hold().active);
    evening.wait("3 min");

    // The keeper pours only two litres back, forgets the other can, and presses the button. The drain-back in the sump
    // hides it until the display is full again; then the sump falls dry, and everything is back in the hold.
    evening.run.give_water(evening.tank, 2.0, 35.0);
    let answer = evening.keeper_asks("release");
    assert_eq!(answer.outcome, Outcome::Done, "{answer:?}");
    evening.wait_until("back in the hold", "10 min", |evening| evening.the_hold().active);
    let by = evening.the_hold().by.unwrap_or_default();
    assert!(by.contains("return-pump-dry") && by.contains("right after the release"), "{by}");
    let back = evening.run.passed();
    evening.wait("5 min");
    assert!(!evening.works("return-pump") && evening.the_hold().active, "nothing restarts by itself");
    assert_eq!(evening.told("return-pump", "on", back), None);

    // The other can goes in. Now the release is followed by starts in their order, and by a list of what still waits.
    evening.run.give_water(evening.tank, 7.0, 35.0);
    evening.wait("1 min");
    evening.keeper_asks(good);
    let released = evening.run.passed();
    let answer = evening.keeper_asks("release");
    assert_eq!(answer.outcome, Outcome::Done, "{answer:?}");
    assert!(details(&answer).contains("skimmer waits: "), "{}", details(&answer));
    let waiting = evening.the_hold().starting.join("\n");
    assert!(waiting.contains("skimmer waits: ") && waiting.contains("flow"), "{waiting}");
    evening.wait("16 min");
    let start = |output: &str| evening.told(output, "on", released).unwrap_or_else(|| panic!("{output} starts"));
    let (pump, heater, skimmer) = (start("return-pump"), start("heater"), start("skimmer"));
    assert!(pump < heater && heater < skimmer, "{pump}, {heater}, {skimmer}");
    assert!(heater.minus(pump) >= Span::from_seconds(120), "flow is proven first: {heater} after {pump}");
    assert!(skimmer.minus(pump) >= Span::from_minutes(10), "{skimmer} after {pump}");
    assert!(evening.the_hold().starting.is_empty(), "{:?}", evening.the_hold().starting);
    for output in ["return-pump", "powerhead", "skimmer"] {
        assert!(evening.works(output), "{output}");
    }
    assert!(evening.level().abs() < 12.0, "the level is where it was: {} mm", evening.level());

    // And it stands in the journal: minutes, litres, what the water was before and after.
    let line = evening.written(&["hold water-change", "released by", "9.0 L changed"]);
    for words in [" min", "temperature 2", "salinity 3", "level "] {
        assert!(line.contains(words), "{line}");
    }
    let mixed = evening.written(&["15 min after the hold that began at"]);
    assert!(mixed.contains("salinity 3") && mixed.contains(" to "), "{mixed}");
    evening.nothing_was_broken();
}

#[test]
fn an_evening_at_the_quarantine_tub() {
    // One thermometer, two floats, three plain plugs that report nothing. A cool room, and the heater works.
    let mut evening = Evening::at("quarantine", 22.0);
    evening.wait("10 min");
    evening.wait_until("the heater works", "2 h", |evening| evening.works("heater"));

    // Nobody can prove what such plugs do: the answer is no success, and names each plug that is to be pulled.
    let answer = evening.keeper_asks("hold water-change");
    assert_eq!(answer.outcome, Outcome::NotProven, "{answer:?}");
    for output in ["top-off", "heater"] {
        let line = details(&answer).lines().find(|line| line.starts_with(output)).expect("it is named").to_owned();
        assert!(line.ends_with(": pull its plug"), "{line}");
        assert!(!evening.works(output), "and off it is");
    }
    assert!(details(&answer).contains("before the water falls below the heater"), "{}", details(&answer));
    assert!(evening.works("filter"), "the only life support of the tub goes on");
    evening.wait("11 min");

    // Six litres go out, and the low float hangs in the air. Too early to release: the float says why.
    evening.run.take_water(evening.tank, 6.0);
    evening.wait("1 min");
    let answer = evening.keeper_asks("release");
    assert_eq!(answer.outcome, Outcome::Refused, "{answer:?}");
    assert!(
        details(&answer).contains("enough-water") && details(&answer).contains("low-float"),
        "{}",
        details(&answer)
    );
    assert!(!evening.works("heater") && !evening.works("top-off"), "a dry float starts no top-off in a hold");

    // Six litres of new water, typed in as measured. Its salinity is known from the hydrometer, the tub's is not.
    let answer = evening.keeper_asks(r#"{"do":"new-water","litres":"6 L","salinity":"35 psu","temperature":"22 °C"}"#);
    assert_eq!(answer.outcome, Outcome::Done, "{answer:?}");
    assert!(answer.summary.contains("measure the rest"), "what is not known is said: {}", answer.summary);
    evening.run.give_water(evening.tank, 6.3, 35.0);
    evening.wait("1 min");

    let released = evening.run.passed();
    let answer = evening.keeper_asks("release");
    assert_eq!(answer.outcome, Outcome::Done, "{answer:?}");
    evening.wait_until("the heater works again", "1 h", |evening| evening.works("heater"));
    evening.wait("16 min");
    assert_eq!(evening.told("top-off", "on", released), None, "the keeper brought the water back, not the pump");

    let line = evening.written(&["hold water-change", "released by", "6.0 L changed"]);
    assert!(line.contains(" min"), "{line}");
    let mixed = evening.written(&["15 min after the hold that began at"]);
    assert!(mixed.contains("temperature 2") && !mixed.contains("salinity"), "no probe, no salinity: {mixed}");
    evening.nothing_was_broken();
}

/// The first and the last minute of it, with the real daemon, a real broker and plugs that answer.
#[test]
fn the_first_and_the_last_minute_over_a_real_broker() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let daemon = Daemon::start(&Config::new(&broker));
    world.settle(24.2);
    world.wait_for("lagoon/heater/set", real_seconds(20), |payload| payload.starts_with("{\"on\":true"));

    // One command, one answer: each pause by name, the hot heater, and that this is no isolation.
    let held = daemon.ask(&["hold", "water-change"]);
    let said = text(&held);
    assert_eq!(held.status.code(), Some(0), "{said}");
    for words in ["every pause is proven", "heater: off, proven", "skimmer: off, proven", "falls below the heater"] {
        assert!(said.contains(words), "{words} in {said}");
    }
    assert!(said.contains("not isolation"), "{said}");
    world.wait_for("slackwater/lagoon/hold", real_seconds(10), |json| json.contains("water-change"));

    // The numbers of the new water, then the release, by one command.
    world.settle(24.0);
    let released = daemon.ask(&["release", "--litres", "9 L", "--temperature", "24 °C"]);
    assert_eq!(released.status.code(), Some(0), "{}", text(&released));
    assert!(text(&released).contains("9.0 L of new water"), "{}", text(&released));
    // It is over, and what still waits says for what: a skimmer rests five minutes, a heater one.
    let hold = daemon.status()["holds"][0].clone();
    assert_eq!(hold["active"], false, "{hold}");
    let waiting: Vec<String> = serde_json::from_value(hold["starting"].clone()).unwrap();
    assert!(waiting.iter().any(|words| words.starts_with("skimmer waits: ")), "{waiting:?}");
    assert!(waiting.iter().all(|words| words.contains(" waits: ")), "{waiting:?}");
    assert_eq!(world.last("lagoon/skimmer/set").as_deref(), Some("0"));
}

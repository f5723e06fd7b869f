//! A second plug upstream of the heater's, in the simulated home: opened, it takes the current from a welded relay.
//!
//! The example with one output more, in a copy. Water is simulated, demo data invented.

#[path = "common/staged.rs"]
mod staged;

use std::path::Path;

use slackwater::cli::drill::{play, text};
use slackwater::config::{Setup, drill, load};
use slackwater::control::plan::Switch;
use slackwater::sim::rehearsal::{Detail, Entry, Rehearsal, Source};
use slackwater::time::Span;

use staged::{example, staged};

const HEATER: &str = "  heater:      { kind: heater, rating: 100 W, plug: ";
const BEHIND: &str = "  heater-mains: { kind: other, rest: on, plug: { like: metered, at: lagoon/plug/heater-mains, boots: on, lease: none } }
  heater:      { kind: heater, rating: 100 W, isolator: heater-mains, plug: ";

/// The example, whose heater has an isolator.
fn isolated() -> Setup {
    assert!(example().tanks[0].facts.isolators.is_empty(), "the example has none of its own");
    let from = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    let dir = tempfile::tempdir().unwrap();
    std::fs::create_dir(dir.path().join("tanks")).unwrap();
    for name in ["daemon.yaml", "shared.yaml", "tanks/lagoon.yaml", "tanks/quarantine.yaml"] {
        let text = std::fs::read_to_string(from.join(name)).unwrap();
        assert!(name != "tanks/lagoon.yaml" || text.contains(HEATER), "the example's heater is written otherwise");
        std::fs::write(dir.path().join(name), text.replace(HEATER, BEHIND)).unwrap();
    }
    load(dir.path()).unwrap_or_else(|problems| panic!("{problems}"))
}

struct Home {
    setup: Setup,
    run: Rehearsal,
}

impl Home {
    fn new(room: f64, faults: &[&str]) -> Self {
        let setup = isolated();
        let run = staged(&setup, 1, room, faults, Detail::Story);
        Self { setup, run }
    }

    fn hours(&mut self, hours: u64) {
        self.run.pass(Span::from_hours(hours));
    }

    fn place(&self, output: &str) -> usize {
        self.setup.tanks[0].plan.output(output).unwrap().index()
    }

    /// Whether it really works, and what its relay is.
    fn truth(&self, output: &str) -> (bool, Switch) {
        let truth = self.run.world().truth("lagoon").unwrap();
        (truth.works[self.place(output)], truth.relays[self.place(output)])
    }

    fn interlock(&self, name: &str) -> &'static str {
        let interlocks = self.run.status("lagoon").unwrap().interlocks;
        interlocks.iter().find(|one| &*one.interlock == name).unwrap().state
    }

    fn trips(&self, interlock: &str) -> Vec<Span> {
        let lines = self.lines().filter(|line| line.kind == "trip" && line.subject == interlock);
        lines.filter(|line| line.text.starts_with("tripped")).map(|line| line.at).collect()
    }

    fn lines(&self) -> impl Iterator<Item = &Entry> {
        self.run.record().entries().iter().filter(|line| line.source == Source::Daemon)
    }

    fn all(&self) -> String {
        let lines = self.run.record().entries().iter();
        lines
            .map(|line| format!("{} {} {}: {}", line.at, line.kind, line.subject, line.text))
            .collect::<Vec<_>>()
            .join("\n")
    }

    fn sound(&self) {
        assert!(self.run.violations().is_empty(), "{:#?}\n{}", self.run.violations(), self.all());
    }
}

#[test]
fn a_welded_heater_behind_an_isolator_heats_no_more_and_the_water_stays_in_its_limits() {
    let mut home = Home::new(22.0, &["heater welds at 1 h"]);
    home.hours(12);
    home.sound();
    assert_eq!(home.interlock("heater-stuck-on"), "latched", "{}", home.all());
    assert_eq!(home.truth("heater-mains"), (false, Switch::Off), "it is open");
    assert!(!home.truth("heater").0, "no current reaches the welded relay");
    let water = home.run.report().faults[0].water[0].clone();
    assert!(water.celsius.1 < 25.6, "{water:?}");
    assert!(home.run.report().harms.is_empty(), "{:?}", home.run.report().harms);
}

/// Behind an open isolator the plug is dead: that is told of it, and nothing of it is called proven.
#[test]
fn a_reset_closes_the_isolator_and_a_relay_that_is_welded_yet_opens_it_again() {
    // So warm that no heat is wanted when it is closed again.
    let mut home = Home::new(27.0, &["heater welds at 1 h", "keeper resets at 8 h"]);
    home.hours(7);
    let first = home.trips("heater-stuck-on");
    assert_eq!(first.len(), 1, "{}", home.all());
    home.hours(2);
    home.sound();
    let again = home.trips("heater-stuck-on");
    assert_eq!(again.len(), 2, "{}", home.all());
    assert!(again[1].minus(Span::from_hours(8)) <= Span::from_minutes(3), "{again:?}");
    assert_eq!(home.truth("heater-mains").1, Switch::Off);
}

/// A keeper has put another plug in its place.
#[test]
fn after_the_plug_was_mended_and_reset_the_heater_heats_again() {
    let mut home = Home::new(20.0, &["heater welds at 1 h for 5 h", "keeper resets at 8 h"]);
    home.hours(10);
    home.sound();
    assert_eq!(home.interlock("heater-stuck-on"), "armed", "{}", home.all());
    assert_eq!(home.truth("heater-mains").1, Switch::On);
    assert_eq!(home.truth("heater"), (true, Switch::On), "the water cooled meanwhile: {}", home.all());
}

#[test]
fn a_power_cut_brings_both_plugs_back_one_after_the_other_and_trips_nothing() {
    let mut home = Home::new(20.0, &["power cut at 1 h for 2 min"]);
    home.hours(4);
    home.sound();
    assert_eq!(home.interlock("heater-stuck-on"), "armed", "{}", home.all());
    assert_eq!(home.truth("heater-mains"), (true, Switch::On));
    assert!(home.lines().any(|line| line.subject == "heater" && line.at > Span::from_minutes(63)), "{}", home.all());
}

#[test]
fn a_drill_plays_a_welded_heater_behind_an_isolator() {
    let script = "drill: the isolator of a welded heater opens
room: 17 °C
do:
  - { at: 0 s, fault: display-temp reads 24.6 °C for 6 min }
  - { at: 0 s, fault: sump-temp reads 24.6 °C for 6 min }
  - { at: 5 min, fault: heater welds }
  - { at: 6 min, fault: display-temp reads 25.4 °C }
  - { at: 6 min, fault: sump-temp reads 25.4 °C }
expect:
  - { output: heater-mains, is: on, after: 0 s, within: 3 min }
  - { interlock: heater-stuck-on, is: latched, after: 6 min, within: 100 s }
  - { output: heater-mains, is: off, after: 6 min, within: 110 s }
never:
  - { output: heater-mains, is: on, after: 8 min, until: 30 min }
";
    let script = drill::read("isolator.yaml", script).unwrap_or_else(|problems| panic!("{problems}"));
    let outcome = play(&isolated(), &script, 1).unwrap_or_else(|problems| panic!("{problems}"));
    assert!(outcome.passed(), "{}", text(&[outcome]));
}

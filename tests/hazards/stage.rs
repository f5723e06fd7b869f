//! A rehearsal of the example with faults, and what its story says afterwards.
//!
//! Duty: to be asked in the words of the tests. All water is simulated, and the demo data are invented.

use slackwater::config::Setup;
use slackwater::sim::Truth;
use slackwater::sim::rehearsal::{Detail, Entry, Rehearsal, Rule, Source};
use slackwater::time::Span;

use super::staged::{example, staged};

/// The tank of every story here, the first of the example.
const LAGOON: usize = 0;

/// `90 s`, `1 h 30 min`.
pub fn span(text: &str) -> Span {
    text.parse().unwrap_or_else(|error| panic!("{error}"))
}

/// A moment since the start: as it is written, or as it was found.
pub trait Moment {
    fn at(self) -> Span;
}

impl Moment for &str {
    fn at(self) -> Span {
        span(self)
    }
}

impl Moment for Span {
    fn at(self) -> Span {
        self
    }
}

/// A rehearsal of the lagoon.
pub struct Story {
    setup: Setup,
    pub run: Rehearsal,
}

impl Story {
    /// A room of so many °C, and these faults.
    pub fn new(room: f64, faults: &[&str]) -> Self {
        let setup = example();
        let run = staged(&setup, 1, room, faults, Detail::Everything);
        Self { setup, run }
    }

    /// Lets time pass up to a moment since the start.
    pub fn until(&mut self, text: &str) {
        let left = span(text).minus(self.run.passed());
        self.run.pass(left);
    }

    /// Lets time pass until something is so, looking four times a second; when, or not before the moment.
    pub fn first(&mut self, until: &str, is: impl Fn(&Self) -> bool) -> Option<Span> {
        while self.run.passed() < span(until) {
            if is(self) {
                return Some(self.run.passed());
            }
            self.run.pass(Span::from_millis(250));
        }
        None
    }

    fn output(&self, name: &str) -> usize {
        self.setup.tanks[LAGOON].plan.output(name).unwrap_or_else(|| panic!("there is no {name}")).index()
    }

    /// What is true of the water and the plugs.
    pub fn truth(&self) -> Truth {
        self.run.world().truth("lagoon").expect("the lagoon is there")
    }

    /// Whether something does its work, in truth.
    pub fn works(&self, output: &str) -> bool {
        self.truth().works[self.output(output)]
    }

    /// What an output was told in a time: when, and whether on.
    pub fn told(&self, output: &str, from: impl Moment, until: impl Moment) -> Vec<(Span, bool)> {
        let (from, until) = (from.at(), until.at());
        let lines = self.run.record().entries().iter();
        let sent = lines.filter(|line| line.kind == "sent" && line.tank == Some(LAGOON) && line.subject == output);
        let within = sent.filter(|line| line.at >= from && line.at <= until);
        within.map(|line| (line.at, line.text == "on")).collect()
    }

    /// Whether it was told on in a time.
    pub fn told_on(&self, output: &str, from: impl Moment, until: impl Moment) -> bool {
        self.told(output, from, until).iter().any(|(_, on)| *on)
    }

    /// When an alarm was first raised after a moment.
    pub fn alarm(&self, name: &str, after: &str) -> Option<Span> {
        let spells = self.run.record().alarms(LAGOON).iter().filter(|spell| spell.alarm == name);
        spells.map(|spell| spell.from).find(|from| *from >= span(after))
    }

    /// How often an alarm was raised.
    pub fn alarms(&self, name: &str) -> usize {
        self.run.record().alarms(LAGOON).iter().filter(|spell| spell.alarm == name).count()
    }

    /// The state of an interlock now.
    pub fn interlock(&self, name: &str) -> &'static str {
        let status = self.run.status("lagoon").expect("the daemon lives");
        status.interlocks.iter().find(|one| *one.interlock == *name).unwrap_or_else(|| panic!("no {name}")).state
    }

    /// The daemon's answers to requests so far.
    pub fn answers(&self) -> Vec<&str> {
        self.lines("answer").map(|line| line.text.as_str()).collect()
    }

    /// What the daemon wrote down of a kind.
    pub fn lines<'a>(&'a self, kind: &'a str) -> impl Iterator<Item = &'a Entry> {
        let lines = self.run.record().entries().iter();
        lines.filter(move |line| line.source != Source::World && line.kind == kind && line.tank == Some(LAGOON))
    }

    /// Everything, for the message of a failure.
    pub fn all(&self) -> String {
        let lines = self.run.record().entries().iter().filter(|line| line.tank.is_none_or(|tank| tank == LAGOON));
        let shown = lines.map(|line| format!("{} {} {}: {}", line.at, line.kind, line.subject, line.text));
        shown.collect::<Vec<_>>().join("\n")
    }

    /// The monitor found no broken invariant; what the water saw is for each story to say.
    pub fn sound(&self) {
        let broken: Vec<_> = self.run.violations().iter().filter(|one| one.rule != Rule::Water).collect();
        assert!(broken.is_empty(), "{broken:#?}\n{}", self.all());
    }
}

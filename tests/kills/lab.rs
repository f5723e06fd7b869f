//! One tank of a rehearsal, its chance, and the killing: a kill, the wait for the next start, and the checks after it.

use std::collections::BTreeMap;
use std::fmt;

use slackwater::config::Setup;
use slackwater::control::plan::{OutputKind, Switch};
use slackwater::control::status::{HoldStatus, TankStatus};
use slackwater::sim::rehearsal::{Detail, Rehearsal};
use slackwater::sim::{Chance, Truth};
use slackwater::time::Span;

use super::checks;
use super::staged::{example, staged};

pub const LAGOON: usize = 0;
pub const TUB: usize = 1;

/// How often the tank is looked at while a kill is awaited.
const GLANCE: Span = Span::from_millis(200);

/// What was seen, for the sum at the end.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    pub stories: u64,
    pub between: u64,
    pub torn: u64,
    /// In which moments the kills came.
    pub moments: BTreeMap<String, u64>,
}

impl Tally {
    pub fn kills(&self) -> u64 {
        self.between + self.torn
    }

    pub fn add(&mut self, other: &Self) {
        self.stories += other.stories;
        self.between += other.between;
        self.torn += other.torn;
        for (moment, count) in &other.moments {
            *self.moments.entry(moment.clone()).or_default() += count;
        }
    }
}

impl fmt::Display for Tally {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} stories, {} kills between steps, {} in a step", self.stories, self.between, self.torn)?;
        self.moments.iter().try_for_each(|(moment, count)| write!(f, "\n  {count:5} {moment}"))
    }
}

/// What a tank was at a glance.
#[derive(Clone, Debug)]
pub struct Glance {
    pub status: TankStatus,
    pub truth: Truth,
}

/// One tank under observation.
pub struct Lab {
    pub setup: Setup,
    pub run: Rehearsal,
    pub tank: usize,
    pub chance: Chance,
    pub tally: Tally,
    /// What the checks found, in words.
    pub found: Vec<String>,
    /// A release was asked for since the last glance.
    pub released: bool,
    /// Water that ran while no daemon lived, L, and the budget's own measure of it all.
    pub ran_unseen: f64,
    /// What the pump had given in truth at each moment.
    pub given: Vec<(Span, f64)>,
    /// A daemon started then.
    pub started: Option<Span>,
    /// The top-off was on in truth at that start, so that it may still run for its lease.
    pub found_running: bool,
    seed: u64,
}

impl Lab {
    pub fn new(seed: u64, tank: usize, faults: &[&str]) -> Self {
        let setup = example();
        let detail = if std::env::var("KILLS_SEED").is_ok() { Detail::Everything } else { Detail::Story };
        let run = staged(&setup, seed, 20.0, faults, detail);
        Self {
            setup,
            run,
            tank,
            chance: Chance::new(seed, "kills"),
            tally: Tally { stories: 1, ..Tally::default() },
            found: Vec::new(),
            released: false,
            ran_unseen: 0.0,
            given: Vec::new(),
            started: None,
            found_running: false,
            seed,
        }
    }

    pub fn name(&self) -> String {
        self.setup.tanks[self.tank].plan.name.to_string()
    }

    pub fn ask(&mut self, words: &str) {
        self.released |= words.starts_with("release");
        self.run.ask(self.tank, words);
    }

    pub fn inject(&mut self, sentence: &str) {
        let fault = self.run.catalogue().read(sentence).unwrap_or_else(|error| panic!("{error}"));
        self.run.inject(fault);
    }

    /// What it is now; nothing while the daemon is dead.
    pub fn glance(&self) -> Option<Glance> {
        let status = self.run.status(&self.name())?;
        Some(Glance { status, truth: self.truth() })
    }

    pub fn truth(&self) -> Truth {
        self.run.world().truth(&self.name()).expect("the tank is there")
    }

    pub fn hold(&self, name: &str) -> Option<HoldStatus> {
        self.run.status(&self.name())?.holds.into_iter().find(|hold| &*hold.hold == name)
    }

    pub fn output(&self, name: &str) -> usize {
        self.setup.tanks[self.tank].plan.output(name).unwrap_or_else(|| panic!("no {name}")).index()
    }

    pub fn kind(&self, output: usize) -> OutputKind {
        self.setup.tanks[self.tank].plan.outputs[output].kind
    }

    pub fn is_on(&self, output: usize) -> bool {
        self.truth().relays[output] == Switch::On
    }

    /// Evenly between two spans in milliseconds.
    pub fn draw(&mut self, least: u64, greatest: u64) -> Span {
        self.chance.span(Span::from_millis(least), Span::from_millis(greatest))
    }

    /// Lets time pass, with the checks that hold at every moment.
    pub fn pass(&mut self, span: Span) {
        let end = self.run.passed().plus(span);
        while self.run.passed() < end {
            let step = end.minus(self.run.passed()).min(Span::from_seconds(1));
            let before = self.litres_given();
            self.run.pass(step);
            if !self.run.daemon_lives() {
                self.ran_unseen += self.litres_given() - before;
            }
            self.given.push((self.run.passed(), self.litres_given()));
            checks::always(self);
        }
    }

    /// Lets time pass until something is so; whether it came to be.
    pub fn until(&mut self, at_most: Span, is: impl Fn(&Self) -> bool) -> bool {
        let end = self.run.passed().plus(at_most);
        while self.run.passed() < end {
            if is(self) {
                return true;
            }
            self.pass(GLANCE);
        }
        is(self)
    }

    /// Litres that the top-off has given in truth.
    pub fn litres_given(&self) -> f64 {
        self.run.world().physics(&self.name()).expect("the tank is there").ledger().topped_off
    }

    /// A kill in this moment, between two steps; then a start, and the checks.
    pub fn kill(&mut self, moment: &str) {
        let Some(before) = self.glance() else { return };
        self.released = false;
        let dead_for = self.dead_for();
        self.inject(&format!("daemon is killed for {} ms", dead_for.millis()));
        self.pass(Span::from_millis(10));
        self.tally.between += 1;
        self.comes_back(&before, moment);
    }

    /// A kill in the middle of the next step that acts, within a time, while something is asked or awaited; whether it came.
    pub fn kill_in_a_step(&mut self, moment: &str, within: Span, ask: Option<&str>) -> bool {
        let Some(mut before) = self.glance() else { return false };
        self.released = false;
        let dead_for = self.dead_for();
        let after = usize::try_from(self.draw(0, 5).millis()).unwrap_or(0);
        self.run.dies_in_a_step(after, dead_for);
        if let Some(words) = ask {
            self.ask(words);
        }
        let end = self.run.passed().plus(within);
        while self.run.daemon_lives() && self.run.passed() < end {
            before = self.glance().unwrap_or(before);
            self.pass(Span::from_seconds(1));
        }
        if self.run.daemon_lives() {
            self.run.spares_the_daemon();
            return false;
        }
        self.tally.torn += 1;
        self.comes_back(&before, moment);
        true
    }

    fn dead_for(&mut self) -> Span {
        match self.draw(0, 9).millis() {
            0..=3 => self.draw(50, 900),
            4..=8 => self.draw(1_000, 12_000),
            _ => self.draw(12_000, 45_000),
        }
    }

    fn comes_back(&mut self, before: &Glance, moment: &str) {
        *self.tally.moments.entry(format!("{}: {moment}", self.name())).or_default() += 1;
        self.found_running = false;
        while !self.run.daemon_lives() {
            self.found_running |= self.top_off().is_some_and(|output| self.is_on(output));
            self.pass(Span::from_millis(50));
        }
        self.started = Some(self.run.passed());
        checks::after_a_start(self, before, moment);
    }

    pub fn top_off(&self) -> Option<usize> {
        let outputs = &self.setup.tanks[self.tank].plan.outputs;
        outputs.iter().position(|output| output.kind == OutputKind::TopOff)
    }

    pub fn find(&mut self, what: &str) {
        if self.found.len() < 8 {
            self.found.push(format!("{} after {}: {what}", self.name(), self.run.passed()));
        }
    }

    /// The whole story, for the message of a failure.
    pub fn all(&self) -> String {
        let lines = self.run.record().entries().iter().filter(|line| line.tank.is_none_or(|tank| tank == self.tank));
        let shown = lines.map(|line| format!("{} {} {}: {}", line.at, line.kind, line.subject, line.text));
        shown.collect::<Vec<_>>().join("\n")
    }

    /// Ends the story: nothing was found, nor by the monitor.
    pub fn end(mut self) -> Tally {
        checks::at_the_end(&mut self);
        if std::env::var("KILLS_SEED").is_ok() {
            println!("{}", self.all());
        }
        let seed = self.seed;
        let again = format!("replay: KILLS_SEED={seed} cargo test --test kills -- --nocapture");
        assert!(self.found.is_empty(), "{}\n{again}\n{}", self.found.join("\n"), self.all());
        self.tally
    }
}

//! The monitor finds what is wrong when it is shown it; a monitor that finds nothing proves nothing.

use std::path::Path;

use super::daemon::Played;
use super::*;
use crate::config::{Setup, load};
use crate::control::effect::{Answer, Effect, JournalEntry, JournalKind, Outcome};
use crate::control::event::Alive;
use crate::control::ids::{OutputId, ProbeId};
use crate::control::plan::Switch;
use crate::control::{Request, RequestId};
use crate::sim::Facts;
use crate::time::Wall;

const START: Now = Now { steady: Steady::from_millis(0), wall: Wall::from_unix_millis(1_780_293_600_000) };

/// A monitor over the example, and a clock.
struct Watch {
    setup: Setup,
    daemon: Played,
    monitor: Monitor,
    now: Now,
}

impl Watch {
    fn new() -> Self {
        let setup = load(&Path::new(env!("CARGO_MANIFEST_DIR")).join("config")).unwrap_or_else(|p| panic!("{p}"));
        let models: Vec<Model<'_>> = setup
            .tanks
            .iter()
            .map(|tank| {
                let floats = tank.facts.high_floats.iter();
                let floats = floats.flat_map(|signal| tank.plan.signals[signal.index()].probes.clone());
                let facts = Facts { high_floats: floats.collect(), ..Facts::default() };
                Model { plan: &tank.plan, bindings: &tank.bindings, facts }
            })
            .collect();
        let world = World::new(&models, 1, Surroundings::default(), START);
        let monitor = Monitor::new(&models, &world);
        let plans = setup.tanks.iter().map(|tank| tank.plan.clone()).collect();
        let bindings = setup.tanks.iter().map(|tank| tank.bindings.clone()).collect();
        let daemon = Played::new(plans, bindings, &OwnTopics::new("slackwater"), START);
        Self { setup, daemon, monitor, now: START }
    }

    fn output(&self, name: &str) -> OutputId {
        self.setup.tanks[0].plan.output(name).unwrap()
    }

    /// A reading each 10 s for so many seconds.
    fn reads(&mut self, name: &str, value: f64, seconds: u64) {
        let probe: ProbeId = self.setup.tanks[0].plan.probe(name).unwrap();
        for _ in 0..=seconds / 10 {
            self.now = self.now.after(Span::from_seconds(10));
            let event = Event::ReadingArrived { probe, reading: Ok(value), retained: Retained::No };
            self.monitor.heard(0, &event, self.now);
        }
    }

    fn reports(&mut self, name: &str, state: Switch) {
        let event = Event::ReportArrived { output: self.output(name), report: Ok(state), retained: Retained::No };
        self.monitor.heard(0, &event, self.now);
        let alive = Event::AliveArrived { output: self.output(name), alive: Ok(Alive::Yes) };
        self.monitor.heard(0, &alive, self.now);
    }

    fn told(&mut self, name: &str, to: Switch) {
        let effect =
            Effect::SwitchPlug { output: self.output(name), to, attempt: 1, once: None, cause: "test".to_owned() };
        self.monitor.see(0, &effect, &self.daemon, self.now);
    }

    fn asks(&mut self, id: u64, request: &Request, outcome: Outcome) {
        self.monitor.asked(0, RequestId(id), request, self.now);
        let answer = Answer { outcome, summary: String::new(), details: vec![], caution: None };
        self.monitor.see(0, &Effect::Answer { to: RequestId(id), answer }, &self.daemon, self.now);
    }

    fn rules(&self) -> Vec<(Rule, &str)> {
        self.monitor.violations().iter().map(|one| (one.rule, one.subject.as_str())).collect()
    }
}

#[test]
fn a_heater_without_a_temperature_or_over_its_cutoff_is_a_violation_and_a_cool_one_is_none() {
    let mut watch = Watch::new();
    watch.reads("display-temp", 24.5, 60);
    watch.told("heater", Switch::On);
    assert_eq!(watch.rules(), []);
    watch.reads("display-temp", 26.2, 30);
    watch.told("heater", Switch::On);
    assert_eq!(watch.rules(), [], "30 s over: not confirmed beyond doubt");
    watch.reads("display-temp", 26.2, 60);
    watch.told("heater", Switch::On);
    assert_eq!(watch.rules(), [(Rule::Invariant(1), "heater")]);

    let mut watch = Watch::new();
    watch.reads("display-temp", 24.5, 60);
    watch.now = watch.now.after(Span::from_seconds(61));
    let refresh = Effect::RefreshLease { output: watch.output("heater") };
    watch.monitor.see(0, &refresh, &watch.daemon, watch.now);
    assert_eq!(watch.rules(), [(Rule::Invariant(1), "heater")]);
    assert!(watch.monitor.violations()[0].text.contains("its lease was refreshed"));
}

#[test]
fn a_top_off_into_a_wet_float_or_a_hold_is_a_violation() {
    let mut watch = Watch::new();
    watch.reads("high-float", 1.0, 10);
    watch.told("top-off", Switch::On);
    assert_eq!(watch.rules(), [(Rule::Invariant(2), "top-off")]);
    let mut watch = Watch::new();
    watch.reads("high-float", 0.0, 10);
    watch.asks(1, &Request::hold("water-change"), Outcome::NotProven);
    watch.told("top-off", Switch::On);
    watch.told("skimmer", Switch::On);
    assert_eq!(watch.rules(), [(Rule::Invariant(2), "top-off"), (Rule::Invariant(5), "skimmer")]);
}

#[test]
fn what_a_hold_pauses_may_run_again_after_its_release() {
    let mut watch = Watch::new();
    watch.asks(1, &Request::hold("water-change"), Outcome::NotProven);
    watch.asks(2, &Request::Release { procedure: Some("water-change".to_owned()) }, Outcome::Refused);
    watch.told("skimmer", Switch::On);
    assert_eq!(watch.rules().len(), 1, "a refused release ends nothing");
    watch.asks(3, &Request::Release { procedure: Some("water-change".to_owned()) }, Outcome::Done);
    watch.told("return-pump", Switch::On);
    assert_eq!(watch.rules().len(), 1);
}

#[test]
fn a_pump_that_is_turned_off_without_evidence_is_a_violation() {
    let mut watch = Watch::new();
    watch.told("powerhead", Switch::Off);
    assert_eq!(watch.rules(), [(Rule::Invariant(7), "powerhead")]);
    // A low level that can be seen is a reason to stop the return pump.
    let mut watch = Watch::new();
    watch.reads("sump-level", -120.0, 30);
    watch.told("return-pump", Switch::Off);
    assert_eq!(watch.rules(), []);
}

#[test]
fn done_without_reports_is_a_violation() {
    let mut watch = Watch::new();
    for name in ["top-off", "heater", "skimmer", "fan", "alkalinity", "calcium"] {
        watch.reports(name, Switch::Off);
    }
    watch.reports("return-pump", Switch::On);
    watch.asks(1, &Request::hold("water-change"), Outcome::Done);
    assert_eq!(watch.rules(), [(Rule::Invariant(9), "return-pump")]);
    let claim = |subject: &str| {
        Effect::Journal(JournalEntry {
            at: START.wall,
            kind: JournalKind::Proof,
            subject: subject.to_owned(),
            text: "proven on by its report".to_owned(),
        })
    };
    let mut watch = Watch::new();
    watch.reports("heater", Switch::On);
    watch.monitor.see(0, &claim("heater"), &watch.daemon, watch.now);
    assert_eq!(watch.rules(), []);
    watch.monitor.see(0, &claim("fan"), &watch.daemon, watch.now);
    assert_eq!(watch.rules(), [(Rule::Invariant(9), "fan")]);
}

#[test]
fn a_hold_that_a_kill_ended_is_a_violation() {
    let mut watch = Watch::new();
    watch.asks(1, &Request::hold("water-change"), Outcome::NotProven);
    // This daemon never heard of it.
    watch.monitor.daemon_killed(watch.now.steady);
    watch.daemon.kill(watch.now.steady);
    watch.daemon.start(watch.now);
    watch.monitor.daemon_started(&watch.daemon, watch.now);
    assert_eq!(watch.rules(), [(Rule::Invariant(5), "water-change")]);
}

#[test]
fn a_hold_that_nobody_heard_of_may_be_lost_and_one_that_a_command_told_of_may_not() {
    for (told, lost) in [(false, vec![]), (true, vec![(Rule::Invariant(5), "water-change")])] {
        let mut watch = Watch::new();
        let request = Request::hold("water-change");
        watch.monitor.asked(0, RequestId(1), &request, watch.now);
        if told {
            watch.told("skimmer", Switch::Off);
        }
        watch.monitor.daemon_killed(watch.now.steady);
        watch.daemon.kill(watch.now.steady);
        watch.daemon.start(watch.now);
        watch.monitor.daemon_started(&watch.daemon, watch.now);
        assert_eq!(watch.rules(), lost);
    }
}

#[test]
fn a_heater_beside_a_chiller_is_a_violation_either_way() {
    // The example cools by a fan, which may run beside anything: here it is taken for a chiller.
    let chilled = || {
        let mut watch = Watch::new();
        let fan = watch.output("fan").index();
        watch.setup.tanks[0].plan.outputs[fan].kind = crate::control::plan::OutputKind::Chiller;
        let models: Vec<Model<'_>> = watch
            .setup
            .tanks
            .iter()
            .map(|tank| Model { plan: &tank.plan, bindings: &tank.bindings, facts: Facts::default() })
            .collect();
        let world = World::new(&models, 1, Surroundings::default(), START);
        watch.monitor = Monitor::new(&models, &world);
        watch.reads("display-temp", 24.5, 60);
        watch
    };
    for (first, second) in [("heater", "fan"), ("fan", "heater")] {
        let mut watch = chilled();
        watch.told(first, Switch::On);
        watch.told(first, Switch::Off);
        watch.told(second, Switch::On);
        assert_eq!(watch.rules(), [], "one after the other is right");
        watch.told(first, Switch::On);
        assert_eq!(watch.rules(), [(Rule::Invariant(4), first)]);
    }
}

#[test]
fn a_latch_that_a_kill_opened_is_a_violation() {
    let mut watch = Watch::new();
    // Its daemon latches on a wet float; the store of the next one never heard of it.
    let feed = |watch: &mut Watch, value: f64, seconds: u64| {
        let probe = watch.setup.tanks[0].plan.probe("high-float").unwrap();
        for _ in 0..=seconds / 10 {
            watch.now = watch.now.after(Span::from_seconds(10));
            let event = Event::ReadingArrived { probe, reading: Ok(value), retained: Retained::No };
            watch.monitor.heard(0, &event, watch.now);
            for effect in watch.daemon.step(0, event, watch.now) {
                if let Effect::SaveState(durability) = effect {
                    watch.daemon.save(0, durability, watch.now.steady);
                }
                watch.monitor.see(0, &effect, &watch.daemon, watch.now);
            }
        }
    };
    feed(&mut watch, 0.0, 60);
    feed(&mut watch, 1.0, 30);
    let mut forgetful = Watch::new();
    std::mem::swap(&mut watch.daemon, &mut forgetful.daemon);
    watch.daemon.start(watch.now);
    watch.monitor.daemon_started(&watch.daemon, watch.now);
    assert_eq!(watch.rules(), [(Rule::Invariant(6), "top-off-high")]);
    // The one that saved it comes back latched.
    let mut watch = Watch::new();
    feed(&mut watch, 0.0, 60);
    feed(&mut watch, 1.0, 30);
    watch.monitor.daemon_killed(watch.now.steady);
    watch.daemon.kill(watch.now.steady);
    watch.daemon.start(watch.now);
    watch.monitor.daemon_started(&watch.daemon, watch.now);
    assert_eq!(watch.rules(), []);
}

#[test]
fn a_top_off_past_its_budget_is_a_violation_and_a_kill_gives_nothing_back() {
    let mut watch = Watch::new();
    watch.reads("high-float", 0.0, 10);
    // 0.5 L a minute: four minutes of it are more than any hour has, a lease included.
    let refresh = Effect::RefreshLease { output: watch.output("top-off") };
    for seconds in 0..24 {
        if seconds == 10 {
            watch.monitor.daemon_killed(watch.now.steady);
        }
        if seconds == 4 {
            assert_eq!(watch.rules(), [], "not yet");
        }
        watch.reads("high-float", 0.0, 0);
        watch.monitor.see(0, &refresh, &watch.daemon, watch.now);
    }
    assert_eq!(watch.rules(), [(Rule::Invariant(2), "top-off")]);
    assert!(watch.monitor.violations()[0].text.contains("L is the most"), "{:?}", watch.monitor.violations());
}

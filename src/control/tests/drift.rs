//! Drift in a whole tank: twin tanks, restarts, reloads, holds, words.

use super::lagoon::*;
use crate::control::ids::SignalId;
use crate::control::plan::Switch::On;
use crate::control::plan::drift::*;
use crate::control::plan::*;
use crate::control::{Remembered, Tank};
use crate::time::Span;

fn watched() -> TankPlan {
    let mut plan = plan();
    plan.outputs[RETURN].rating = crate::units::Power::from_watts(12.0).ok();
    plan.outputs[POWERHEAD].rating = crate::units::Power::from_watts(9.0).ok();
    let nears = NearsPlan { within: Span::from_hours(4), spacing: minutes(5), slowest: 0.15, away: 0.3 };
    let unusual = UnusualPlan { least_spread: 0.08, between: Some((24.7, 25.45)), floating_above: Some(26.1) };
    let signal = SignalId::new(0);
    plan.drift = DriftPlan {
        unexplained: Some(UnexplainedPlan { forgives: 0.2, over: 0.3, fast: None }),
        courses: vec![CoursePlan {
            signal,
            low: Some(24.0),
            high: Some(26.5),
            nears: Some(nears),
            unusual: Some(unusual),
        }],
        probes: vec![ProbesPlan { signal, by: 0.3, apart: Some(1.0) }],
        room: None,
        warmest_month: Some(26.0),
    };
    let drift = |name: &str, source| at_once(name, AlarmSource::Drift(source));
    plan.alarms.extend([
        drift("unexplained", DriftSource::Unexplained),
        drift("nears-limit", DriftSource::NearsLimit(0)),
        drift("unusual", DriftSource::Unusual(0)),
        drift("warm-spell", DriftSource::WarmSpell),
        drift("probes-drift", DriftSource::ProbesDrift(0)),
        drift("far-apart", DriftSource::FarApart(0)),
    ]);
    plan
}

/// 87 L that lose so many K/h, with a heater of 100 W; the display reads 0.1 K over the sump.
struct Lagoon {
    world: World,
    celsius: f64,
    loses: f64,
    /// What the heater gives of what it should.
    heats: f64,
}

impl Lagoon {
    fn new() -> Self {
        Self { world: World::with(watched(), Remembered::Nothing), celsius: 25.0, loses: 0.5, heats: 1.0 }
    }

    fn pass(&mut self, span: Span) {
        for _ in 0..span.millis() / 60_000 {
            let heat = if self.world.plugs[HEATER] == On { 0.96 * self.heats } else { 0.0 };
            self.celsius += (heat - self.loses) / 60.0;
            self.world.reads[DISPLAY] = Some(self.celsius + 0.05);
            self.world.reads[SUMP] = Some(self.celsius - 0.05);
            self.world.advance(minutes(1));
        }
    }

    fn text(&self, alarm: &str) -> String {
        self.world.notices.iter().rev().find(|notice| notice.name == alarm).map_or_else(String::new, |n| n.text.clone())
    }
}

const HOURS: fn(u64) -> Span = Span::from_hours;

#[test]
fn a_dead_heater_is_told_of_with_what_a_keeper_can_look_at() {
    let mut lagoon = Lagoon::new();
    lagoon.pass(HOURS(24));
    assert!(!lagoon.world.raised("unexplained"), "{}", lagoon.text("unexplained"));
    lagoon.heats = 0.0;
    lagoon.pass(HOURS(3));
    let text = lagoon.text("unexplained");
    assert!(lagoon.world.raised("unexplained"));
    for part in
        ["24.00 °C in ", "at this rate", "as if it got", "W less", "heater has been on for", "% of the last day"]
    {
        assert!(text.contains(part), "`{part}` is not in: {text}");
    }
}

#[test]
fn what_was_found_and_learned_survives_a_kill_and_a_reload() {
    let mut lagoon = Lagoon::new();
    lagoon.pass(HOURS(24));
    let learned = lagoon.world.tank.state().drift;
    let heated = learned.unexplained.slopes.get("heater+return-pump+powerhead");
    assert!(heated.is_some_and(|pieces| pieces.len() >= 3), "{:?}", learned.unexplained);
    lagoon.world.kill_and_restart();
    assert_eq!(lagoon.world.tank.state().drift.unexplained.slopes, learned.unexplained.slopes);
    lagoon.heats = 0.0;
    lagoon.pass(HOURS(1));
    lagoon.world.kill_and_restart();
    lagoon.pass(HOURS(2));
    assert!(lagoon.world.raised("unexplained"));
    let told = lagoon.world.notices.iter().filter(|notice| notice.name == "unexplained").count();
    lagoon.world.kill_and_restart();
    lagoon.pass(minutes(10));
    let tank = lagoon.world.tank.clone().replan(watched(), lagoon.world.now);
    lagoon.world.take(tank);
    lagoon.pass(minutes(30));
    let after = lagoon.world.notices.iter().filter(|notice| notice.name == "unexplained").count();
    assert_eq!(told, after, "neither cleared nor told again: {:?}", lagoon.world.notices);
    assert!(lagoon.world.tank.state().drift.unexplained.found);
}

#[test]
fn cold_new_water_under_a_hold_is_no_drift() {
    let mut lagoon = Lagoon::new();
    lagoon.pass(HOURS(24));
    lagoon.world.hold("water-change");
    lagoon.pass(minutes(10));
    for _ in 0..10 {
        lagoon.celsius -= 0.08;
        lagoon.pass(minutes(1));
    }
    lagoon.pass(minutes(5));
    lagoon.world.ask(crate::control::Request::Release { procedure: None });
    lagoon.pass(HOURS(6));
    for alarm in ["unexplained", "nears-limit", "unusual", "probes-drift"] {
        assert!(!lagoon.world.raised(alarm), "{alarm}: {}", lagoon.text(alarm));
    }
}

#[test]
fn the_same_water_without_a_hold_is_told() {
    // Without this the story above could not fail.
    let mut lagoon = Lagoon::new();
    lagoon.pass(HOURS(24));
    for _ in 0..60 {
        lagoon.celsius -= 0.8 / 60.0;
        lagoon.pass(minutes(1));
    }
    assert!(lagoon.world.raised("unexplained"));
}

#[test]
fn probes_a_kelvin_apart_are_told_where_they_last() {
    let mut lagoon = Lagoon::new();
    lagoon.pass(HOURS(1));
    assert!(!lagoon.world.raised("far-apart"));
    // A thermometer that jumps is doubtful; this one creeps.
    for step in 1..=26 {
        lagoon.world.reads[SUMP] = Some(lagoon.celsius - 0.05 * f64::from(step));
        lagoon.world.advance(minutes(1));
    }
    assert!(lagoon.world.raised("far-apart"), "{:?}", lagoon.world.tank.status(lagoon.world.now).signals);
}

#[test]
fn a_plan_without_drift_keeps_no_deadline_of_it() {
    let mut plan = watched();
    plan.drift = DriftPlan::default();
    plan.alarms.retain(|alarm| !matches!(alarm.source, AlarmSource::Drift(_)));
    let mut world = World::with(plan, Remembered::Nothing);
    world.advance(HOURS(2));
    assert_eq!(world.tank.state().drift, crate::control::state::TankState::default().drift);
}

#[test]
fn a_record_of_nonsense_is_survived() {
    let mut lagoon = Lagoon::new();
    lagoon.pass(HOURS(3));
    let mut state = lagoon.world.tank.state();
    state.drift.unexplained.high = f64::NAN;
    state.drift.unexplained.slopes.insert("no-such-output".to_owned(), vec![f64::INFINITY]);
    for course in state.drift.courses.values_mut() {
        course.usual = vec![(f64::NAN, 9); 7];
        course.residuals = vec![f64::NAN; 3];
    }
    state.drift.heated_minutes = vec![255; 9999];
    let now = lagoon.world.now;
    lagoon.world.take(Tank::new(watched(), Remembered::State(Box::new(state)), now));
    lagoon.pass(HOURS(3));
    assert!(lagoon.world.tank.state().drift.heated_minutes.len() <= 24);
}

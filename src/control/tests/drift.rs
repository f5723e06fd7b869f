//! Drift in a whole tank: twin tanks, restarts, reloads, holds, words.

use super::lagoon::*;
use crate::control::drift::record::CourseRecord;
use crate::control::ids::{Name, SignalId};
use crate::control::plan::Switch::On;
use crate::control::plan::drift::*;
use crate::control::plan::*;
use crate::control::state::TankState;
use crate::control::{Remembered, Request, Tank};
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
        Self::with(watched(), Remembered::Nothing)
    }

    fn with(plan: TankPlan, remembered: Remembered) -> Self {
        let mut world = World::with(plan, remembered);
        world.speaks_every = seconds(30);
        Self { world, celsius: 25.0, loses: 0.5, heats: 1.0 }
    }

    /// Ten days are behind it: 25.0 °C at every hour, a tenth more or less, and so many minutes of heat in each hour
    /// of the last day. Its water goes where a test says.
    fn known(heated: u8) -> Self {
        let course = CourseRecord {
            usual: vec![(25.0, 10); 48],
            residuals: (0..48).map(|at| if at % 2 == 0 { 0.05 } else { -0.05 }).collect(),
            ..CourseRecord::default()
        };
        let mut state = TankState::default();
        state.drift.courses.insert(Name::new("water-temp"), course);
        state.drift.heated_minutes = vec![heated; 24];
        let mut lagoon = Self::with(watched(), Remembered::State(Box::new(state)));
        (lagoon.loses, lagoon.heats) = (0.0, 0.0);
        lagoon
    }

    /// By so many K/h.
    fn goes(&mut self, by: f64, span: Span) {
        self.loses = -by;
        self.pass(span);
        self.loses = 0.0;
    }

    fn told(&self, alarm: &str) -> usize {
        let raised = crate::control::effect::NoticeKind::Raised;
        self.world.notices.iter().filter(|notice| notice.name == alarm && notice.what == raised).count()
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
    lagoon.world.reload(watched());
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

#[test]
fn water_that_is_warm_by_the_room_is_a_warm_spell_and_otherwise_unusual() {
    // Minutes of heat an hour of the last day; 26.3 °C. Below 26.1 nothing is told where little heats.
    for (heated, warm_spell, unusual) in [(0, 1, 0), (10, 0, 1), (30, 0, 1)] {
        let mut lagoon = Lagoon::known(heated);
        lagoon.pass(minutes(20));
        lagoon.goes(1.6, minutes(30));
        let below = lagoon.celsius;
        lagoon.pass(HOURS(3));
        assert!((below - 25.8).abs() < 0.01);
        assert_eq!(lagoon.told("unusual"), usize::from(heated == 30), "25.8 °C after {heated} min of heat an hour");
        assert_eq!(lagoon.told("warm-spell"), 0);
        lagoon.goes(1.0, minutes(30));
        lagoon.pass(HOURS(3));
        assert_eq!((lagoon.told("warm-spell"), lagoon.told("unusual")), (warm_spell, unusual), "{heated}");
    }
}

#[test]
fn what_is_cold_while_nothing_heats_is_unusual_and_no_warm_spell() {
    let mut lagoon = Lagoon::known(0);
    lagoon.pass(minutes(20));
    lagoon.goes(-1.0, minutes(30));
    lagoon.pass(HOURS(3));
    // Where little heats only what is warm is told; the limits are there for the rest.
    assert_eq!((lagoon.told("warm-spell"), lagoon.told("unusual")), (0, 0));
    let mut lagoon = Lagoon::known(30);
    lagoon.pass(minutes(20));
    lagoon.goes(-1.0, minutes(30));
    lagoon.pass(HOURS(3));
    assert_eq!((lagoon.told("warm-spell"), lagoon.told("unusual")), (0, 1));
}

#[test]
fn what_is_unusual_is_told_once_in_half_a_day_and_a_hold_and_two_hours_after_it_count_for_nothing() {
    let mut lagoon = Lagoon::known(30);
    lagoon.world.hold("hands-in");
    lagoon.pass(minutes(10));
    lagoon.goes(1.0, minutes(40));
    lagoon.world.ask(Request::Release { procedure: None });
    lagoon.pass(minutes(115));
    let learned = lagoon.world.tank.state().drift;
    assert_eq!(learned.courses[&Name::new("water-temp")].sums, (0.0, 0.0));
    assert_eq!(lagoon.told("unusual"), 0);
    lagoon.pass(HOURS(3));
    assert_eq!(lagoon.told("unusual"), 1, "two hours after the hold it is judged");
    lagoon.goes(-1.0, minutes(40));
    lagoon.pass(HOURS(4));
    lagoon.goes(1.5, minutes(30));
    lagoon.pass(HOURS(2));
    assert_eq!(lagoon.told("unusual"), 1, "six hours later it is not told again");
}

#[test]
fn the_heat_of_each_hour_is_counted_while_the_heater_runs() {
    let mut lagoon = Lagoon::new();
    (lagoon.loses, lagoon.heats, lagoon.celsius) = (0.0, 0.0, 24.5);
    lagoon.pass(HOURS(4));
    let heated = lagoon.world.tank.state().drift.heated_minutes;
    // The hours of the steady clock; the first one had begun before.
    assert!(heated.len() >= 3 && heated[1..].iter().all(|minutes| *minutes >= 59), "{heated:?}");
    lagoon.goes(0.9, HOURS(1));
    lagoon.pass(HOURS(3));
    let heated = lagoon.world.tank.state().drift.heated_minutes;
    assert!(heated.ends_with(&[0, 0]), "{heated:?}");
}

#[test]
fn a_limit_ahead_is_told_where_the_loop_can_do_no_more_about_it() {
    // It falls while the heater is on and gives nothing: 24.0 is ahead.
    let mut lagoon = Lagoon::known(30);
    lagoon.pass(minutes(20));
    lagoon.goes(-0.3, minutes(30));
    assert_ne!(lagoon.world.last_command(HEATER), Some(On), "25.0 - 0.15 is where it turns on");
    lagoon.goes(-0.3, minutes(100));
    assert_eq!(lagoon.world.last_command(HEATER), Some(On));
    assert_eq!(lagoon.told("nears-limit"), 1);
    // It rises towards what is still to be cooled, and then while that runs.
    let mut lagoon = Lagoon::known(30);
    lagoon.celsius = 25.3;
    lagoon.pass(minutes(20));
    lagoon.goes(0.4, minutes(100));
    assert!(lagoon.celsius < 26.0 && lagoon.told("nears-limit") == 0, "the chiller is still to come");
    lagoon.goes(0.3, minutes(80));
    assert_eq!(lagoon.world.last_command(CHILLER), Some(On));
    assert_eq!(lagoon.told("nears-limit"), 1, "{}", lagoon.text("nears-limit"));
}

#[test]
fn new_water_is_no_slope() {
    // What a keeper pours in without a hold: 0.15 K at once, and the same again each ten minutes.
    let told = |away: f64| {
        let mut plan = watched();
        plan.drift.courses[0].nears.as_mut().unwrap().away = away;
        let mut lagoon = Lagoon::with(plan, Remembered::Nothing);
        (lagoon.loses, lagoon.heats, lagoon.celsius) = (0.0, 0.0, 24.9);
        lagoon.pass(minutes(15));
        for _ in 0..6 {
            lagoon.celsius -= 0.15;
            lagoon.pass(minutes(10));
        }
        lagoon.told("nears-limit")
    };
    assert_eq!(told(0.1), 0, "each leap of more than 0.1 K begins anew");
    assert_eq!(told(0.3), 1, "to a coarser plan it is a slope");
}

#[test]
fn a_thermometer_that_leaves_the_other_one_is_told_and_one_in_hand_begins_anew() {
    let plan = || {
        let mut plan = watched();
        plan.drift.probes[0].apart = None;
        plan.holds.push(HoldPlan {
            cares_for_probes: true,
            pauses: Vec::new(),
            name: Name::new("care"),
            ..plan.holds[1].clone()
        });
        plan
    };
    let calm = |lagoon: &mut Lagoon, sump: f64, hours: u64| {
        for _ in 0..hours * 60 {
            lagoon.world.reads[DISPLAY] = Some(25.0);
            lagoon.world.reads[SUMP] = Some(25.0 - sump);
            lagoon.world.advance(minutes(1));
        }
    };
    let known = |lagoon: &Lagoon| {
        let mut state = lagoon.world.tank.state();
        let of = &mut state.drift.probes.get_mut(&Name::new("water-temp")).unwrap().of;
        for (name, difference) in [("display-temp", 0.0), ("sump-temp", 0.0)] {
            let record = of.get_mut(&Name::new(name)).unwrap();
            (record.commissioned, record.now) = (Some(difference), Some(difference));
        }
        state
    };
    let mut lagoon = Lagoon::with(plan(), Remembered::Nothing);
    calm(&mut lagoon, 0.0, 1);
    let state = known(&lagoon);
    let now = lagoon.world.now;
    lagoon.world.take(Tank::new(plan(), Remembered::State(Box::new(state)), now));
    calm(&mut lagoon, 0.5, 7);
    assert_eq!(lagoon.told("probes-drift"), 0, "an exponential mean of a tenth an hour is over 0.3 of 0.5 after 8.7 h");
    calm(&mut lagoon, 0.5, 3);
    assert_eq!(lagoon.told("probes-drift"), 1);
    let moved = lagoon.world.tank.state().drift.probes[&Name::new("water-temp")].of.clone();
    let of = |name: &str| moved[&Name::new(name)].now.unwrap();
    assert!(of("display-temp") > 0.3 && of("sump-temp") < -0.3, "{moved:?}");
    let take = Request::Hold { procedure: "care".to_owned(), probe: Some("sump-temp".to_owned()) };
    lagoon.world.ask(take);
    lagoon.world.advance(minutes(2));
    let moved = lagoon.world.tank.state().drift.probes[&Name::new("water-temp")].of.clone();
    assert_eq!(moved[&Name::new("sump-temp")].commissioned, None, "it is another probe after its care");
    assert!(moved[&Name::new("display-temp")].commissioned.is_some());
}

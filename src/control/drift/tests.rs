//! The pure detectors, each on a course made by hand.

use super::probes::Offset;
use super::profile::{BINS, Profile};
use super::time_to_limit::{Nears, Told, Ways};
use super::unexplained::{Seen, Unexplained};
use crate::control::ids::SignalId;
use crate::control::plan::Calibration;
use crate::control::plan::drift::{CoursePlan, NearsPlan, ProbesPlan, UnexplainedPlan, UnusualPlan};
use crate::time::{Span, Steady};

const PLAN: UnexplainedPlan = UnexplainedPlan { forgives: 0.2, over: 0.3, fast: None };
const HEATER: u64 = 1;

/// Water that moves by so many K/h while a set runs, looked at each minute.
struct Water {
    plan: UnexplainedPlan,
    live: Unexplained,
    minute: u64,
    celsius: f64,
}

impl Water {
    fn new() -> Self {
        Self { plan: PLAN, live: Unexplained::default(), minute: 0, celsius: 25.0 }
    }

    /// Hours until it is found, while this goes on for so many minutes.
    fn goes(&mut self, running: u64, slope: f64, minutes: u64, learns: bool) -> Option<f64> {
        let gives = |set: u64| if set & HEATER != 0 { 0.96 } else { 0.0 };
        let mut found = None;
        for passed in 0..minutes {
            self.minute += 1;
            self.celsius += slope / 60.0;
            let now = Steady::from_millis(self.minute * 60_000);
            let seen = Seen { now, value: Some(self.celsius), running, good: 2, learns };
            self.live.look(&self.plan, &seen, &gives);
            if self.live.found && found.is_none() {
                found = Some(passed as f64 / 60.0);
            }
        }
        found
    }

    /// A week of cycles: an hour of heat, three quarters without.
    fn week(&mut self) {
        for _ in 0..90 {
            assert_eq!(self.goes(HEATER, 0.30, 60, true), None);
            assert_eq!(self.goes(0, -0.40, 45, true), None);
        }
    }
}

#[test]
fn a_heater_that_gives_nothing_is_found_within_an_hour() {
    let mut water = Water::new();
    water.week();
    // 0.7 K/h less than usual, 0.2 forgiven: 0.3 K after 36 min, and 5 min are waited for.
    let found = water.goes(HEATER, -0.40, 300, true).expect("found");
    assert!((0.5..0.9).contains(&found), "{found}");
    assert!(!water.live.is_warmer());
}

#[test]
fn a_heater_that_does_not_stop_is_found_and_what_is_found_is_not_learned() {
    let mut water = Water::new();
    water.week();
    let learned: Vec<_> = water.live.learned().collect();
    let found = water.goes(0, 0.25, 600, true).expect("found");
    assert!((0.5..0.9).contains(&found), "{found}");
    assert!(water.live.is_warmer() && water.live.found);
    // What goes on for a day is usual from then on; until then nothing of it is.
    let now: Vec<_> = water.live.learned().collect();
    assert_eq!(
        now.iter().map(|(set, _)| *set).collect::<Vec<_>>(),
        learned.iter().map(|(set, _)| *set).collect::<Vec<_>>()
    );
    let without = |all: &[(u64, Vec<f64>)]| all.iter().find(|(set, _)| *set == 0).map(|(_, pieces)| pieces.clone());
    let most = without(&now).unwrap().into_iter().fold(f64::MIN, f64::max);
    assert!(most < 0.0, "a slope of the fault was learned: {most}");
}

#[test]
fn what_is_as_large_as_the_heater_is_found_sooner_by_the_fast_sum() {
    let found = |fast| {
        let mut water = Water { plan: UnexplainedPlan { fast, ..PLAN }, ..Water::new() };
        water.week();
        (water.goes(HEATER, -0.66, 300, false).expect("found"), water)
    };
    let (slow, _) = found(None);
    let (fast, mut water) = found(Some((0.384, 0.18)));
    assert!(fast < slow, "{fast} h against {slow} h");
    // What is gone is over in time: half a kelvin at 0.2 K/h, after half an hour for the fast one.
    water.goes(HEATER, 0.30, 240, false);
    assert!(!water.live.found);
}

#[test]
fn a_slope_that_is_forgiven_is_never_told_and_a_slightly_steeper_one_late() {
    let mut water = Water::new();
    water.week();
    assert_eq!(water.goes(0, -0.25, 1200, false), None, "0.15 K/h away, 0.2 forgiven");
    let found = water.goes(0, -0.10, 1200, false).expect("0.1 K/h beyond what is forgiven");
    assert!((2.5..4.0).contains(&found), "{found}");
}

#[test]
fn a_set_that_was_never_seen_is_judged_by_its_watts() {
    let mut water = Water::new();
    for _ in 0..6 {
        assert_eq!(water.goes(0, -0.60, 150, true), None);
    }
    // The heater should give 0.96 more: 0.36. It does, and later it gives nothing.
    assert_eq!(water.goes(HEATER, 0.36, 300, false), None);
    assert!(water.goes(HEATER, -0.60, 300, false).is_some());
}

#[test]
fn what_is_not_known_clears_nothing_and_counts_for_nothing() {
    let mut water = Water::new();
    water.week();
    water.goes(HEATER, -0.40, 120, true).expect("found");
    let sums = (water.live.high, water.live.low);
    for minute in 0..600 {
        let now = Steady::from_millis((water.minute + minute) * 60_000);
        let seen = Seen { now, value: None, running: HEATER, good: 0, learns: true };
        water.live.look(&PLAN, &seen, &|_| 0.0);
    }
    assert!(water.live.found);
    assert_eq!(sums, (water.live.high, water.live.low));
}

#[test]
fn a_probe_that_drops_out_of_the_vote_is_no_step_of_the_water() {
    let mut water = Water::new();
    water.week();
    let gives = |_: u64| 0.0;
    for minute in 0..120 {
        // One of two is lost, and the other one reads 0.5 K higher.
        let now = Steady::from_millis((water.minute + minute) * 60_000);
        let value = Some(water.celsius + 0.5 - 0.40 * minute as f64 / 60.0);
        let seen = Seen { now, value, running: 0, good: 1, learns: true };
        water.live.look(&PLAN, &seen, &gives);
        assert!(!water.live.found, "minute {minute}");
    }
}

fn course() -> (CoursePlan, NearsPlan) {
    let nears = NearsPlan { within: Span::from_hours(4), spacing: Span::from_minutes(5), slowest: 0.15, away: 0.3 };
    let signal = SignalId::new(0);
    (CoursePlan { signal, low: Some(24.0), high: Some(26.5), nears: Some(nears), unusual: None }, nears)
}

/// Walks from a temperature by so many K/h; the hours until it was told, and what then was ahead.
fn walk(from: f64, slope: f64, hours: u64, ways: Ways) -> Option<(f64, super::time_to_limit::Ahead)> {
    let ((plan, nears), mut live) = (course(), Nears::default());
    for minute in 0..hours * 60 {
        let value = from + slope * minute as f64 / 60.0;
        live.look(&plan, &nears, value, Some(25.0), ways, Steady::from_millis(minute * 60_000));
        if live.found {
            return Some((minute as f64 / 60.0, live.ahead.unwrap()));
        }
    }
    None
}

#[test]
fn the_time_to_a_limit_is_that_of_the_straight_line() {
    let both = Ways { up: true, down: true };
    let (told, ahead) = walk(25.4, 0.3, 6, both).expect("26.5 is 3 h 40 away");
    let left = (26.5 - (25.4 + 0.3 * told)) / 0.3;
    assert!((ahead.hours - left).abs() < 0.1 && (ahead.slope - 0.3).abs() < 1e-6, "{ahead:?}, {left}");
    assert!((ahead.limit - 26.5).abs() < 1e-9);
    let (_, ahead) = walk(24.6, -0.25, 6, both).expect("falls to 24.0");
    assert!((ahead.limit - 24.0).abs() < 1e-9);
}

#[test]
fn a_limit_is_not_near_while_the_loop_can_do_something_or_the_way_is_slow_or_usual() {
    let both = Ways { up: true, down: true };
    assert_eq!(walk(25.4, 0.3, 4, Ways { up: false, down: true }), None, "the fan is still to come");
    assert_eq!(walk(25.4, 0.14, 6, both), None, "slower than 0.15 K/h");
    assert_eq!(walk(24.0, 0.3, 3, both), None, "on its way back");
}

#[test]
fn what_is_told_once_is_not_told_again_for_half_a_day() {
    let (mut told, quiet) = (Told::default(), Span::from_hours(12));
    let hour = |hours: u64| Steady::from_millis(hours * 3_600_000);
    told.follow(true, quiet, hour(20));
    assert!(told.stands);
    told.follow(false, quiet, hour(21));
    told.follow(true, quiet, hour(25));
    assert!(!told.stands);
    told.follow(true, quiet, hour(32));
    assert!(told.stands);
}

/// Days of half hours, each as `value` says.
fn days(
    live: &mut Profile,
    plan: &UnusualPlan,
    days: std::ops::Range<u64>,
    floating: bool,
    value: impl Fn(u64, usize) -> f64,
) {
    for day in days {
        for bin in 0..BINS {
            (0..30).for_each(|_| live.look(plan, Some(value(day, bin)), bin, floating));
        }
    }
}

/// A daily swing, and a little that differs from day to day.
fn usual(day: u64, bin: usize) -> f64 {
    25.0 + 0.3 * (bin as f64 / 48.0 * std::f64::consts::TAU).sin() + 0.02 * ((day * 7 + bin as u64) % 5) as f64
}

#[test]
fn a_daily_swing_is_usual_and_half_a_kelvin_beside_it_is_told_within_hours() {
    let plan = UnusualPlan { least_spread: 0.08, between: None, floating_above: None };
    let mut live = Profile::default();
    days(&mut live, &plan, 0..10, false, usual);
    assert!(!live.found);
    assert!((live.usual_at(12).unwrap() - 25.34).abs() < 0.05, "{:?}", live.usual_at(12));
    let mut halves = 0;
    while !live.found && halves < 24 {
        (0..30).for_each(|_| live.look(&plan, Some(usual(10, halves) + 0.5), halves, false));
        halves += 1;
    }
    assert!(live.found && (1..=6).contains(&halves), "{halves}");
    let back = Profile::restored(
        &live.usual,
        &live.residuals.iter().copied().collect::<Vec<_>>(),
        (live.high, live.low),
        true,
    );
    assert_eq!((back.usual_at(12), back.found), (live.usual_at(12), true));
}

#[test]
fn inside_the_loops_band_nothing_is_unusual_and_a_floating_tank_is_told_above_its_line_only() {
    let plan = UnusualPlan { least_spread: 0.08, between: Some((24.7, 25.45)), floating_above: Some(26.1) };
    let mut live = Profile::default();
    days(&mut live, &plan, 0..10, false, |_, _| 25.0);
    days(&mut live, &plan, 10..11, false, |_, _| 25.4);
    assert!(!live.found, "0.4 K from usual, and within the band");
    days(&mut live, &plan, 11..12, true, |_, _| 25.9);
    assert!(!live.found, "nothing heats, and 26.1 is not reached");
    days(&mut live, &plan, 12..13, true, |_, _| 26.4);
    assert!(live.found);
}

#[test]
fn a_probe_that_moves_against_the_other_is_told_and_a_calibration_begins_anew() {
    let plan = ProbesPlan { signal: SignalId::new(0), by: 0.3, apart: None };
    let calibration = Calibration { slope: 1.0, offset: 0.1 };
    let mut offset = Offset::default();
    offset.begin_anew(calibration);
    let hours = |offset: &mut Offset, hours: u64, difference: f64| {
        for hour in 0..hours {
            (0..60).for_each(|_| offset.look(Some(difference)));
            offset.hour(&plan);
            if offset.found {
                return Some(hour);
            }
        }
        None
    };
    assert_eq!(hours(&mut offset, 100, 0.2), None, "a standing difference is its offset");
    // An exponential mean of 0.1 an hour comes over 0.3 of 0.5 after ln(0.4)/ln(0.9) = 8.7 h.
    assert_eq!(hours(&mut offset, 20, 0.7), Some(8));
    assert!(offset.is_of(calibration) && !offset.is_of(Calibration::NONE));
    let restored = Offset::restored(&offset.record);
    assert!((restored.moved().unwrap() - offset.moved().unwrap()).abs() < 1e-9);
    offset.begin_anew(Calibration::NONE);
    assert_eq!(hours(&mut offset, 100, 0.7), None, "calibrated, so this is its offset now");
}

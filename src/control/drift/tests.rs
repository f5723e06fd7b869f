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

fn heated(minutes: &[u8]) -> super::Drift {
    super::Drift { heated: minutes.iter().copied().collect(), ..super::Drift::default() }
}

#[test]
fn a_day_with_less_than_a_twentieth_of_heat_floats_and_before_a_day_nothing_is_known() {
    assert!(!heated(&[0; 23]).is_floating(), "a day is not over");
    assert!(heated(&[0; 24]).is_floating());
    // 71 and 72 minutes in 24 hours; 5 % of a day are 72.
    let day = |minutes: u8| [vec![minutes - 60, 60], vec![0; 22]].concat();
    assert!(heated(&day(71)).is_floating() && !heated(&day(72)).is_floating());
    assert!(heated(&[17; 24]).heats_less_than(super::HEATS_LITTLE), "408 of 432 min");
    assert!(!heated(&[18; 24]).heats_less_than(super::HEATS_LITTLE));
}

#[test]
fn the_part_of_a_day_that_heats_is_told_from_six_hours_on() {
    assert_eq!(heated(&[30; 5]).duty(), None);
    assert_eq!(heated(&[30; 6]).duty(), Some(0.5));
    assert_eq!(heated(&[60, 0, 0, 0, 0, 0, 0, 0]).duty(), Some(0.125));
}

/// What runs gives by the energy balance, from memory of physics: an hour of one watt is 3.6 kJ, and a litre of seawater
/// with its share of glass and rock takes about 4.3 kJ for a kelvin. Chiller: 2 W of heat for each W; pumps leave 90 % of
/// theirs in the water, lights 30 %; a fan evaporates for 35 W in 87 L, and by the surface in others. [common practice]
#[test]
fn what_runs_gives_its_share_of_watts_to_the_litres() {
    use crate::control::plan::OutputKind::{Chiller, Doser, Fan, Heater, Light, Powerhead, ReturnPump, TopOff};
    let mut plan = crate::control::tests::lagoon::plan();
    let like = plan.outputs[0].clone();
    let kinds = [Heater, Chiller, ReturnPump, Powerhead, Light, Fan, TopOff, Doser];
    plan.outputs = kinds.iter().map(|kind| super::super::plan::OutputPlan { kind: *kind, ..like.clone() }).collect();
    let gives = |litres: f64, of: &[crate::control::plan::OutputKind]| {
        let mut plan = plan.clone();
        plan.water = crate::units::Volume::from_litres(litres).unwrap();
        let bit = |kind: &crate::control::plan::OutputKind| 1 << kinds.iter().position(|other| other == kind).unwrap();
        super::Balance { plan: &plan }.gives(of.iter().map(bit).fold(0, |set, bit: u64| set | bit))
    };
    let close = |found: f64, expected: f64| assert!((found - expected).abs() < 0.01, "{found} for {expected}");
    // 360 kJ into 87 L of 4.3 kJ/K.
    close(gives(87.0, &[Heater]), 360.0 / (87.0 * 4.3));
    close(gives(174.0, &[Heater]), 360.0 / (174.0 * 4.3));
    for (kind, share) in
        [(Chiller, -2.0), (ReturnPump, 0.9), (Powerhead, 0.9), (Light, 0.3), (TopOff, 0.0), (Doser, 0.0)]
    {
        close(gives(87.0, &[kind]), share * gives(87.0, &[Heater]));
    }
    close(gives(87.0, &[Fan]), -0.35 * gives(87.0, &[Heater]));
    // Eight times the litres have four times the surface.
    close(gives(8.0 * 87.0, &[Fan]), -0.35 * 4.0 * gives(8.0 * 87.0, &[Heater]));
    close(gives(87.0, &[Heater, ReturnPump, Fan]), 1.55 * gives(87.0, &[Heater]));
    close(gives(87.0, &[]), 0.0);
    let balance = super::Balance { plan: &plan };
    for watts in [-50.0, 1.0, 300.0] {
        assert!((balance.watts(balance.kelvin(watts)) - watts).abs() < 1e-9);
    }
}

#[test]
fn only_what_moves_heat_begins_something_else() {
    use crate::control::plan::OutputKind::{
        Chiller, Doser, Fan, Heater, Light, Powerhead, ReturnPump, Skimmer, TopOff,
    };
    for kind in [Heater, Chiller, Fan, Light, Powerhead, ReturnPump] {
        assert!(super::moves_heat(kind), "{kind:?}");
    }
    for kind in [TopOff, Doser, Skimmer] {
        assert!(!super::moves_heat(kind), "{kind:?}");
    }
}

#[test]
fn a_fast_fault_is_told_and_over_after_half_an_hour_away() {
    let mut nears_told = Told::default();
    let minute = |minute: u64| Steady::from_millis(minute * 60_000);
    nears_told.follow(true, Span::from_hours(12), minute(10));
    assert_eq!(nears_told.ago(minute(40)), (Some(Span::from_minutes(30)), true));
    let back = Told::restored(nears_told.ago(minute(40)), minute(100_000));
    assert_eq!((back.at, back.stands), (Some(minute(99_970)), true));
}

/// A profile that knows its days: usual is 25.0, and a third of the values were a tenth over it, a third a tenth under.
fn known() -> Profile {
    let residuals: Vec<f64> = (0..168).map(|at| 0.1 * f64::from(at % 3 - 1)).collect();
    Profile::restored(&[(25.0, 10); BINS], &residuals, (0.0, 0.0), false)
}

/// Half hours of so much, from a half hour of the day on: which of them was the first that was found, or not found.
fn halves(
    live: &mut Profile,
    plan: &UnusualPlan,
    bins: std::ops::Range<usize>,
    value: f64,
    found: bool,
) -> Option<usize> {
    let mut first = None;
    for (at, bin) in bins.enumerate() {
        (0..30).for_each(|_| live.look(plan, Some(value), bin, false));
        // It is judged when the next one begins.
        live.look(plan, None, bin + 1, false);
        if live.found == found && first.is_none() {
            first = Some(at + 1);
        }
    }
    first
}

#[test]
fn what_is_unusual_is_summed_in_spreads_and_over_when_half_of_that_is_gone() {
    let plan = UnusualPlan { least_spread: 0.08, between: None, floating_above: None };
    // The scaled median of the deviations is 1.4826 times 0.1. Half hours 0.6 K away sum up (0.6 - 2.5 * 0.148) / 2 =
    // 0.115 each, and 2 * 0.148 = 0.297 are told: the third one.
    let mut live = known();
    assert!((live.spread(&plan) - 0.148_26).abs() < 1e-4, "{}", live.spread(&plan));
    assert_eq!(halves(&mut live, &plan, 0..4, 25.6, true), Some(3));
    assert!((live.high - 4.0 * 0.114_7).abs() < 1e-3 && live.low == 0.0, "{} {}", live.high, live.low);
    // Each usual half hour takes 0.185; what is left of 0.459 is under the half of 0.297 after two.
    assert_eq!(halves(&mut live, &plan, 4..8, 25.0, false), Some(2));
    // With a spread of at least half a kelvin nothing of that is unusual.
    let wide = UnusualPlan { least_spread: 0.5, ..plan };
    assert_eq!(halves(&mut known(), &wide, 0..8, 25.6, true), None);
    // Downwards as well; and a sum has an end, at twice what is told.
    let mut live = known();
    assert_eq!(halves(&mut live, &plan, 0..12, 24.4, true), Some(3));
    assert!((live.low - 4.0 * 0.148_26).abs() < 1e-3, "{}", live.low);
}

#[test]
fn what_the_loop_does_is_not_told_and_a_half_hour_of_few_looks_is_none() {
    let between = UnusualPlan { least_spread: 0.08, between: Some((24.7, 25.45)), floating_above: None };
    assert_eq!(halves(&mut known(), &between, 0..12, 25.44, true), None);
    assert_eq!(halves(&mut known(), &between, 0..12, 24.71, true), None);
    assert!(halves(&mut known(), &between, 0..12, 25.5, true).is_some());
    assert!(halves(&mut known(), &between, 0..12, 24.5, true).is_some());
    let mut live = known();
    for bin in 0..12 {
        (0..19).for_each(|_| live.look(&between, Some(27.0), bin, false));
    }
    assert!(!live.found && live.last.is_none());
}

#[test]
fn the_first_days_count_fully_and_later_ones_move_what_is_usual_a_little() {
    let plan = UnusualPlan { least_spread: 0.08, between: None, floating_above: None };
    let mut live = Profile::default();
    let day = |live: &mut Profile, value: f64| {
        (0..30).for_each(|_| live.look(&plan, Some(value), 4, false));
        live.look(&plan, None, 5, false);
        live.usual[4]
    };
    assert_eq!(day(&mut live, 25.0), (25.0, 1));
    // The means of two and of three days.
    assert_eq!(day(&mut live, 25.3), (25.15, 2));
    let (three, days) = day(&mut live, 25.3);
    assert!((three - 25.2).abs() < 1e-9 && days == 3);
    assert_eq!(live.usual_at(4), Some(three));
    // From then on, 15 % of a difference, or of four spreads: residuals 0.3, 0.15 and 0.1 have a median of 0.15.
    let mut live = known();
    assert_eq!(day(&mut live, 25.2), (25.0 + 0.15 * 0.2, 11));
    let mut live = known();
    let (most, _) = day(&mut live, 30.0);
    assert!((most - (25.0 + 0.15 * 4.0 * 0.148_26)).abs() < 1e-4, "{most}");
    let mut live = known();
    let (least, _) = day(&mut live, 20.0);
    assert!((least - (25.0 - 0.15 * 4.0 * 0.148_26)).abs() < 1e-4, "{least}");
}

#[test]
fn a_profile_that_is_not_sound_begins_anew() {
    let sound = vec![(25.0, 10); BINS];
    assert_eq!(Profile::restored(&sound, &[], (0.0, 0.0), false).usual_at(0), Some(25.0));
    let short = &sound[1..];
    let broken = [vec![(f64::NAN, 10)], vec![(25.0, 10); BINS - 1]].concat();
    for usual in [short, broken.as_slice()] {
        assert_eq!(Profile::restored(usual, &[], (0.0, 0.0), false).usual_at(7), None);
    }
}

/// The minutes until a way is told, from a start, by a slope, by what is usual.
fn told_after(from: f64, slope: f64, usual: Option<f64>) -> Option<u64> {
    let ((plan, nears), mut live) = (course(), Nears::default());
    let both = Ways { up: true, down: true };
    (0..600).find(|minute| {
        let value = from + slope * *minute as f64 / 60.0;
        live.look(&plan, &nears, value, usual, both, Steady::from_millis(minute * 60_000));
        live.found
    })
}

#[test]
fn a_way_is_told_when_ten_points_are_there_and_it_is_away_from_what_is_usual() {
    // Eight points make a slope, and three in a row are told: the tenth, each of five minutes.
    assert_eq!(told_after(25.4, 0.3, Some(25.0)), Some(50));
    assert_eq!(told_after(25.4, 0.3, None), Some(50), "nothing usual is known");
    // 0.3 K over 25.0 is reached after 67 min; three points of five minutes, and their means are two minutes old.
    let told = told_after(24.9, 0.36, Some(25.0)).expect("told");
    assert!((77..=82).contains(&told), "{told}");
    let falls = told_after(25.1, -0.36, Some(25.0)).expect("told");
    assert!((77..=82).contains(&falls), "{falls}");
    // 4 h before 26.5 at 0.2 K/h is 25.7: 90 min from 25.4.
    let near = told_after(25.4, 0.2, Some(25.0)).expect("told");
    assert!((98..=105).contains(&near), "{near}");
    assert_eq!(told_after(26.6, 0.3, Some(25.0)), None, "a limit that is behind is not ahead");
}

#[test]
fn a_way_that_is_told_is_over_after_half_an_hour_and_a_silence_begins_anew() {
    let ((plan, nears), mut live) = (course(), Nears::default());
    let mut minute = 0;
    let mut go = |live: &mut Nears, minutes: u64, up: bool| {
        let mut found = Vec::new();
        for _ in 0..minutes {
            minute += 1;
            let value = 25.4 + 0.3 * minute as f64 / 60.0;
            let ways = Ways { up, down: true };
            live.look(&plan, &nears, value, Some(25.0), ways, Steady::from_millis(minute * 60_000));
            found.push(live.found);
        }
        minute += 15;
        found
    };
    let told = go(&mut live, 60, true).iter().filter(|found| !**found).count();
    assert_eq!(told, 50);
    // The clock left out a quarter of an hour: the points begin anew, and six without a limit ahead end it.
    let over = go(&mut live, 60, true);
    let ended = over.iter().position(|found| !found).expect("over");
    assert!((30..=36).contains(&ended), "{ended}");
    let again = over[ended..].iter().position(|found| *found).expect("found again by ten new points");
    assert!((50..=56).contains(&(ended + again)), "{ended} and {again}");
    let (mut live, mut anew) = (Nears::default(), Nears::default());
    for minute in 0..49 {
        let value = 25.4 + 0.3 * minute as f64 / 60.0;
        let both = Ways { up: true, down: true };
        live.look(&plan, &nears, value, Some(25.0), both, Steady::from_millis(minute * 60_000));
        anew.look(&plan, &nears, value, Some(25.0), both, Steady::from_millis(minute * 60_000));
    }
    anew.begin_anew();
    for minute in 49..60 {
        let value = 25.4 + 0.3 * minute as f64 / 60.0;
        let both = Ways { up: true, down: true };
        live.look(&plan, &nears, value, Some(25.0), both, Steady::from_millis(minute * 60_000));
        anew.look(&plan, &nears, value, Some(25.0), both, Steady::from_millis(minute * 60_000));
    }
    assert!(live.found && !anew.found);
}

#[test]
fn a_probe_s_first_day_is_its_difference_and_it_is_told_until_most_of_the_way_back() {
    let plan = ProbesPlan { signal: SignalId::new(0), by: 0.3, apart: None };
    let mut offset = Offset::default();
    let hour = |offset: &mut Offset, difference: f64, looks: usize| {
        (0..looks).for_each(|_| offset.look(Some(difference)));
        offset.hour(&plan);
    };
    // Twelve hours of 0.1 and twelve of 0.3: the median is between them.
    (0..12).for_each(|_| hour(&mut offset, 0.1, 60));
    (0..11).for_each(|_| hour(&mut offset, 0.3, 60));
    assert_eq!(offset.record.commissioned, None, "a day is not over");
    hour(&mut offset, 0.3, 29);
    assert_eq!(offset.record.commissioned, None, "an hour of 29 looks is none");
    hour(&mut offset, 0.3, 30);
    assert!((offset.record.commissioned.unwrap() - 0.2).abs() < 1e-9, "{:?}", offset.record);
    // A tenth of a difference each hour: 0.1 of 2.0, 0.19, 0.271, 0.344.
    (0..3).for_each(|_| hour(&mut offset, 1.2, 60));
    assert!(!offset.found && (offset.moved().unwrap() - 0.271).abs() < 1e-6, "{:?}", offset.moved());
    hour(&mut offset, 1.2, 60);
    assert!(offset.found);
    // 0.344, 0.310, 0.279, 0.251, 0.226, and 70 % of 0.3 is 0.21.
    (0..4).for_each(|_| hour(&mut offset, 0.2, 60));
    assert!(offset.found, "{:?}", offset.moved());
    hour(&mut offset, 0.2, 60);
    assert!(!offset.found, "{:?}", offset.moved());
    // The other way.
    (0..9).for_each(|_| hour(&mut offset, -0.8, 60));
    assert!(offset.found && offset.moved().unwrap() < -0.3, "{:?}", offset.moved());
    for broken in [f64::NAN, f64::INFINITY] {
        let mut record = offset.record.clone();
        record.now = Some(broken);
        assert_eq!(Offset::restored(&record).moved(), None);
        record.now = offset.record.now;
        record.commissioned = Some(broken);
        assert_eq!(Offset::restored(&record).moved(), None);
    }
}

#[test]
fn the_rate_in_its_words_is_that_of_the_last_half_hour() {
    let mut water = Water::new();
    water.week();
    water.goes(HEATER, -0.40, 60, false);
    let (slope, expected) = water.live.rate.expect("a rate");
    assert!((slope + 0.40).abs() < 1e-6, "{slope}");
    assert!((expected - 0.30).abs() < 0.02, "{expected}");
}

#[test]
fn what_was_learned_in_an_earlier_run_is_known_at_once_and_nonsense_is_not() {
    let mut water = Water::new();
    water.live.remember(HEATER, &[0.30, f64::NAN, 0.31, 0.29]);
    assert_eq!(water.live.learned().collect::<Vec<_>>(), [(HEATER, vec![0.30, 0.31, 0.29])]);
    assert!(water.goes(HEATER, -0.40, 120, false).is_some());
    let mut many = Unexplained::default();
    (0..40).for_each(|set| many.remember(set, &[0.1, 0.1, 0.1]));
    assert_eq!(many.learned().count(), 16, "as many as are kept");
}

#[test]
fn the_set_that_is_known_least_makes_room() {
    let mut water = Water::new();
    for set in 0..16 {
        let pieces = vec![-0.40; if set == 5 { 3 } else { 4 }];
        water.live.remember(set, &pieces);
    }
    // What stands for a day becomes usual, and is learned in the place of the least.
    for _ in 0..3 {
        water.goes(100, -0.40, 200, true);
    }
    let sets: Vec<u64> = water.live.learned().map(|(set, _)| set).collect();
    assert!(sets.contains(&100) && !sets.contains(&5) && sets.len() == 16, "{sets:?}");
}

#[test]
fn a_day_of_what_nothing_explains_is_usual_from_then_on() {
    let mut water = Water::new();
    water.week();
    water.goes(0, 0.10, 60 * 23, true).expect("half a kelvin an hour more than usual");
    let before = water.live.learned().find(|(set, _)| *set == 0).map(|(_, pieces)| pieces.len()).unwrap();
    water.goes(0, 0.10, 60 * 12, true);
    let after = water.live.learned().find(|(set, _)| *set == 0).map(|(_, pieces)| pieces).unwrap();
    assert!(after.iter().any(|piece| *piece > 0.0), "from the second day on: {before}, {after:?}");
    let mut never = Water::new();
    never.week();
    never.goes(0, 0.10, 60 * 35, false).expect("found");
    assert!(never.live.learned().find(|(set, _)| *set == 0).unwrap().1.iter().all(|piece| *piece < 0.0));
}

#[test]
fn a_set_that_is_only_reckoned_is_forgiven_more() {
    let mut water = Water::new();
    for _ in 0..6 {
        water.goes(0, -0.60, 150, true);
    }
    // By its watts the heater gives 0.36 K/h in all; 0.2 * 2.25 = 0.45 K/h are forgiven for that guess.
    assert_eq!(water.goes(HEATER, 0.36 - 0.40, 600, false), None);
    assert!(water.goes(HEATER, 0.36 - 0.55, 600, false).is_some());
}

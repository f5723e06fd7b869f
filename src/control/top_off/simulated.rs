//! How often the water's detectors cry wolf, and how soon they see a leak: on years of simulated levels.
//!
//! An invented tank of the lagoon's size: 37.5 mL a millimetre, 0.5 L a minute, 1.3 to 1.9 L a day by seed, which a
//! day's course, the weather (15 %, two days) and the season (15 %) change. A level probe with 0.7 mm of noise and
//! 1 mm of ripple, read each 10 s through the median of three. Prints what it measures: `cargo test -- --nocapture`.

use crate::control::deadlines::Deadlines;
use crate::control::plan::StillPlan;
use crate::control::truth::Truth;
use crate::time::Steady;

use super::evaporation::Evaporation;
use super::still::{Fall, Seen, Still};

const LITRES_PER_MM: f64 = 0.0375;
const LITRES_PER_SECOND: f64 = 0.5 / 60.0;
const STILL: StillPlan = StillPlan { spread: 2.0, leak: 10.0, burst: 60.0 };

/// Numbers of chance: splitmix64 (Steele, Lea and Flood 2014; constants from memory).
struct Chance(u64);

impl Chance {
    fn even(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn noise(&mut self, deviation: f64) -> f64 {
        let (u, v) = (1.0 - self.even(), self.even());
        deviation * (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }
}

/// What was seen in a run of the simulation.
#[derive(Debug, Default)]
struct Found {
    refills: u32,
    /// Times that each began to be true.
    fast: u32,
    overdue: u32,
    leak: u32,
    burst: u32,
    rise: u32,
    /// Hours from the leak's begin.
    fast_after: Option<f64>,
    leak_after: Option<f64>,
    burst_after: Option<f64>,
}

/// Days of one tank, with a leak of so many L/h from an hour on.
fn simulate(seed: u64, days: u64, leak: Option<(f64, f64)>) -> Found {
    let mut chance = Chance(seed.wrapping_mul(0x1234_5678_9abc_def1));
    let base = 1.3 + 0.6 * chance.even();
    let phase = chance.even();
    let (mut evaporation, mut still) = (Evaporation::default(), Still::new(Steady::from_millis(0)));
    let (mut level, mut weather, mut found) = (0.0, 0.0, Found::default());
    let (mut heard, mut low_since, mut rested) = ([0.0_f64; 3], None, 0_u64);
    // When the run began and, once it ended, when it is judged and what it gave.
    let (mut running, mut settling): (Option<u64>, Option<(u64, f64)>) = (None, None);
    let mut was = [false; 4];
    for second in (0..days * 86_400).step_by(5) {
        let (hour, now) = (second as f64 / 3600.0, Steady::from_millis(second * 1000));
        if second % 600 == 0 {
            // Ornstein and Uhlenbeck: a standard deviation of 0.15 and a time constant of two days.
            let kept = (-600.0_f64 / 172_800.0).exp();
            weather = weather * kept + chance.noise(0.15 * (1.0 - kept * kept).sqrt());
        }
        let day = 1.0 + 0.15 * (hour / 24.0 * std::f64::consts::TAU).sin();
        let season = 1.0 + 0.15 * ((hour / 8766.0 + phase) * std::f64::consts::TAU).sin();
        let leaks = leak.filter(|(from, _)| hour >= *from).map_or(0.0, |(_, rate)| rate);
        let lost = (base / 24.0 * day * season * weather.exp() + leaks) / 720.0;
        let given = if running.is_some() { LITRES_PER_SECOND * 5.0 } else { 0.0 };
        level += (given - lost) / LITRES_PER_MM;
        if second % 10 == 0 {
            heard = [heard[1], heard[2], level + chance.noise(0.7) + 2.0 * chance.even() - 1.0];
        }
        let [a, b, c] = heard;
        let median = a.max(b).min(c).max(a.min(b));
        low_since = if median < -4.0 { low_since.or(Some(second)) } else { None };
        if let Some(began) = running.filter(|began| median >= 0.0 || second - began >= 36) {
            let given = (second - began) as f64 * LITRES_PER_SECOND;
            (running, settling, rested) = (None, Some((second + 60, given)), second + 600);
        } else if let Some((_, given)) = settling.filter(|(at, _)| *at <= second) {
            evaporation.refill_judged(Some(given));
            settling = None;
        } else if running.is_none()
            && settling.is_none()
            && rested <= second
            && low_since.is_some_and(|at| second - at >= 60)
        {
            evaporation.refill_begins(true, now);
            running = Some(second);
            found.refills += 1;
        }
        let run = running.is_some() || settling.is_some();
        if !run {
            evaporation.calm((level.max(0.0) + 4.0) * LITRES_PER_MM, now);
        }
        let seen = Seen { now, level: Some(median), steady: true, held: false, run };
        if still.follow(&STILL, &seen, &mut Deadlines::default()).is_some() {
            found.rise += 1;
        }
        let is = [
            evaporation.is_fast(),
            evaporation.overdue_at().is_some_and(|at| at <= now),
            still.falls(Fall::Leak) == Truth::True,
            still.falls(Fall::Burst) == Truth::True,
        ];
        let counts = [&mut found.fast, &mut found.overdue, &mut found.leak, &mut found.burst];
        for ((count, is), was) in counts.into_iter().zip(is).zip(was) {
            *count += u32::from(is && !was);
        }
        was = is;
        if let Some((from, _)) = leak.filter(|(from, _)| hour >= *from) {
            let after = |seen: &mut Option<f64>, is| {
                if is {
                    *seen = seen.or(Some(hour - from));
                }
            };
            after(&mut found.fast_after, is[0]);
            after(&mut found.leak_after, is[2]);
            after(&mut found.burst_after, is[3]);
        }
    }
    found
}

fn quantile(times: &mut [f64], part: f64) -> f64 {
    times.sort_by(f64::total_cmp);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a part of a length")]
    times[((times.len() - 1) as f64 * part).round() as usize]
}

#[test]
fn the_detectors_seldom_cry_wolf_in_twenty_tank_years_and_the_figures_are_printed() {
    let years = 20_u64;
    let found: Vec<Found> = (1..=years).map(|seed| simulate(seed, 365, None)).collect();
    let sum = |of: fn(&Found) -> u32| found.iter().map(of).sum::<u32>();
    let refills = sum(|f| f.refills);
    let (fast, overdue) = (sum(|f| f.fast), sum(|f| f.overdue));
    let (leak, burst, rise) = (sum(|f| f.leak), sum(|f| f.burst), sum(|f| f.rise));
    println!(
        "{years} tank-years without leak, {refills} refills: too often {fast}, overdue {overdue}, leak {leak}, burst {burst}, siphon {rise}"
    );
    assert!(refills > 1500 * u32::try_from(years).unwrap());
    assert!(u64::from(fast) <= years, "one a year at most: {fast}");
    assert_eq!((overdue, burst, rise), (0, 0, 0));
    assert!(u64::from(leak) * 4 <= years, "one in four years at most: {leak}");
}

#[test]
fn leaks_are_seen_in_time_and_the_figures_are_printed() {
    // Litres an hour; by whom it must be seen in each run, and the longest time in hours.
    for (rate, by, most) in
        [(0.5, "refills", 1.5), (2.0 / 24.0, "refills", 24.0), (2.0, "level", 0.2), (6.0, "burst", 0.2)]
    {
        let found: Vec<Found> =
            (1..=20).map(|seed| simulate(seed + 100, 16, Some((240.0 + seed as f64 * 0.37, rate)))).collect();
        let times = |of: fn(&Found) -> Option<f64>| -> Vec<f64> { found.iter().filter_map(of).collect() };
        for (name, mut times) in [
            ("refills", times(|f| f.fast_after)),
            ("level", times(|f| f.leak_after)),
            ("burst", times(|f| f.burst_after)),
        ] {
            if times.is_empty() {
                continue;
            }
            let seen = times.len();
            let (median, late) = (quantile(&mut times, 0.5), quantile(&mut times, 0.95));
            println!(
                "a leak of {rate:.3} L/h is seen by {name} in {seen} of 20, after {median:.2} h (95 %: {late:.2} h)"
            );
            if name == by {
                assert!(seen == 20 && late <= most, "{name}: {seen} of 20, {late} h");
            }
        }
    }
}

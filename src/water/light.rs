//! Light of a day: the integral of a schedule with ramps, spots of a tank, change and acclimation.
//!
//! The daily light integral is the photon flux density integrated over the day, in mol/m²/d: exact
//! for a schedule of straight ramps and for a half sine. A meter's reading is for one level of the
//! lamp; flux is taken to be in proportion to level, which dimming by current or by pulses keeps to
//! within a few per cent. A limit of 10 % a week for changes is common practice.

use crate::time::LocalTime;
use crate::units::{DailyLightIntegral, Ppfd};

use super::validity::WaterError;

/// Seconds of a day.
const DAY: f64 = 86_400.0;

/// How the level of a lamp, from 0 to 1, goes over a day.
#[derive(Clone, Debug, PartialEq)]
pub enum Schedule {
    /// Up over the ramp from `on`, level, and down over the ramp to `off`; the ramps are inside.
    Ramped {
        /// First light.
        on: LocalTime,
        /// Last light; earlier than `on` if the night lies between.
        off: LocalTime,
        /// Seconds of each ramp.
        ramp: f64,
        /// The level between the ramps.
        level: f64,
    },
    /// Half a sine from `on` to `off`, the peak at the level.
    HalfSine {
        /// First light.
        on: LocalTime,
        /// Last light.
        off: LocalTime,
        /// The level at noon between them.
        level: f64,
    },
    /// Levels at times of the day, joined by straight lines; dark before the first and after the last.
    Points(Vec<(LocalTime, f64)>),
}

impl Schedule {
    /// Seconds of full level that the day is worth; refused if the schedule cannot be.
    pub fn full_seconds(&self) -> Result<f64, WaterError> {
        match self {
            Self::Ramped { on, off, ramp, level } => {
                let lit = lit(*on, *off);
                check_level(*level)?;
                if *ramp < 0.0 || 2.0 * ramp > lit {
                    return Err(WaterError::no_answer(
                        format!(
                            "two ramps of `{:.0} min` do not fit into `{:.1} h` of light",
                            ramp / 60.0,
                            lit / 3600.0
                        ),
                        "shorten the ramp or lengthen the day",
                    ));
                }
                Ok(level * (lit - ramp))
            }
            Self::HalfSine { on, off, level } => {
                Ok(check_level(*level)? * lit(*on, *off) * std::f64::consts::FRAC_2_PI)
            }
            Self::Points(points) => area(points),
        }
    }

    /// The daily light integral where the flux at full level is `full`.
    pub fn integral(&self, full: Ppfd) -> Result<DailyLightIntegral, WaterError> {
        let moles = full.micromoles_per_square_metre_second() * self.full_seconds()? / 1e6;
        DailyLightIntegral::from_moles_per_square_metre_day(moles).map_err(|_| {
            WaterError::no_answer(format!("`{moles:.0} mol/m²/d` is more than the sun gives"), "check the reading")
        })
    }
}

/// Seconds from `on` to `off`, over midnight if need be; equal times are a day without night.
fn lit(on: LocalTime, off: LocalTime) -> f64 {
    let seconds = f64::from(off.seconds()) - f64::from(on.seconds());
    if seconds > 0.0 { seconds } else { seconds + DAY }
}

fn check_level(level: f64) -> Result<f64, WaterError> {
    if (0.0..=1.0).contains(&level) {
        Ok(level)
    } else {
        Err(WaterError::no_answer(
            format!("a lamp has no level of `{:.0} %`", level * 100.0),
            "give levels from 0 % to 100 %",
        ))
    }
}

fn area(points: &[(LocalTime, f64)]) -> Result<f64, WaterError> {
    if points.len() < 2 {
        return Err(WaterError::no_answer("one point is no schedule", "give two or more times with levels"));
    }
    let mut total = 0.0;
    for pair in points.windows(2) {
        let [(from, a), (until, b)] = pair else { unreachable!("windows of two") };
        if until < from {
            return Err(WaterError::no_answer(
                "the times of the schedule go backwards",
                "give them in order of the day",
            ));
        }
        total += f64::from(until.seconds() - from.seconds()) * (check_level(*a)? + check_level(*b)?) / 2.0;
    }
    Ok(total)
}

/// The flux at full level, from a reading at a level.
pub fn at_full_level(reading: Ppfd, level: f64) -> Result<Ppfd, WaterError> {
    let problem = || {
        WaterError::no_answer(
            format!("a reading at a level of `{:.0} %` says nothing of full level", level * 100.0),
            "measure with the lamp at 10 % or more",
        )
    };
    if !(0.1..=1.0).contains(&level) {
        return Err(problem());
    }
    Ppfd::from_micromoles_per_square_metre_second(reading.micromoles_per_square_metre_second() / level)
        .map_err(|_| problem())
}

/// The integrals of one spot before and after a change.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Change {
    /// Before.
    pub before: DailyLightIntegral,
    /// After.
    pub after: DailyLightIntegral,
}

impl Change {
    /// The change in percent of before; `None` from the dark.
    pub fn percent(&self) -> Option<f64> {
        let before = self.before.moles_per_square_metre_day();
        (before > 0.0).then(|| (self.after.moles_per_square_metre_day() / before - 1.0) * 100.0)
    }
}

/// One week of getting used to a light.
#[derive(Clone, Debug, PartialEq)]
pub struct Week {
    /// The week, from 1.
    pub number: u32,
    /// Intensity, in percent of the new setting.
    pub intensity: f64,
    /// The integral of each spot at that intensity, in mol/m²/d.
    pub integrals: Vec<f64>,
}

/// Weeks of getting used to a light.
#[derive(Clone, Debug, PartialEq)]
pub struct Acclimation {
    /// The weeks; the last one is the new setting.
    pub weeks: Vec<Week>,
    /// The greatest change of any spot in any week, as a part of what it had the week before.
    pub greatest_step: f64,
}

/// Weeks under the new schedule at rising (or falling) intensity, so that the spot that changes most
/// never changes by more than a part (0.1 for 10 %) in a week. One lamp has one intensity: where the
/// spots change very differently, another one may step further in the first week, which
/// `greatest_step` tells.
pub fn acclimation(changes: &[Change], weekly: f64) -> Result<Acclimation, WaterError> {
    if !(0.01..=0.5).contains(&weekly) {
        return Err(WaterError::no_answer(
            format!("a limit of `{:.0} %` a week is none", weekly * 100.0),
            "give a limit from 1 % to 50 %; 10 % is usual",
        ));
    }
    let moles = |integral: DailyLightIntegral| integral.moles_per_square_metre_day();
    if changes.iter().any(|change| moles(change.before) <= 0.0 || moles(change.after) <= 0.0) {
        return Err(WaterError::no_answer(
            "no steps of a part lead out of the dark or into it",
            "leave out spots without light before or after",
        ));
    }
    let weeks_of = |log: f64| if log >= 0.0 { log / (1.0 + weekly).ln() } else { log / (1.0 - weekly).ln() };
    let logs = changes.iter().map(|change| (moles(change.after) / moles(change.before)).ln());
    let Some(worst) = logs.max_by(|a, b| weeks_of(*a).total_cmp(&weeks_of(*b))) else {
        return Err(WaterError::no_answer("there is no spot", "give at least one spot"));
    };
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few hundred weeks at most")]
    let n = (weeks_of(worst) - 1e-9).ceil().max(1.0) as u32;
    let weeks: Vec<Week> = (1..=n)
        .map(|number| {
            let intensity = (worst * (f64::from(number) / f64::from(n) - 1.0)).exp();
            let integrals = changes.iter().map(|change| moles(change.after) * intensity).collect();
            Week { number, intensity: intensity * 100.0, integrals }
        })
        .collect();
    let mut now: Vec<f64> = changes.iter().map(|change| moles(change.before)).collect();
    let mut greatest_step = 0.0_f64;
    for week in &weeks {
        for (old, new) in now.iter().zip(&week.integrals) {
            greatest_step = greatest_step.max((new / old - 1.0).abs());
        }
        now.clone_from(&week.integrals);
    }
    Ok(Acclimation { weeks, greatest_step })
}

/// Hours from sunrise to sunset at a latitude (degrees, north positive) on a day of the year, 1 to 366.
///
/// Forsythe, Rykiel, Stahl, Wu and Schoolfield 1995, A model comparison for daylength as a function of latitude and day of
/// year, Ecological Modelling 80:87-95: the CBM model with the sun's upper edge at the horizon (0.8333°).
pub fn day_length(latitude: f64, day_of_year: u32) -> f64 {
    let day = f64::from(day_of_year);
    let revolution = 0.216_310_8 + 2.0 * (0.967_139_6 * (0.008_60 * (day - 186.0)).tan()).atan();
    let declination = (0.397_95 * revolution.cos()).asin();
    let latitude = latitude.clamp(-89.9, 89.9).to_radians();
    let part =
        (0.8333_f64.to_radians().sin() + latitude.sin() * declination.sin()) / (latitude.cos() * declination.cos());
    24.0 - 24.0 / std::f64::consts::PI * part.clamp(-1.0, 1.0).acos()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(text: &str) -> LocalTime {
        text.parse().unwrap()
    }
    fn flux(value: f64) -> Ppfd {
        Ppfd::from_micromoles_per_square_metre_second(value).unwrap()
    }
    fn integral(value: f64) -> DailyLightIntegral {
        DailyLightIntegral::from_moles_per_square_metre_day(value).unwrap()
    }

    #[test]
    fn days_are_as_long_as_the_sun_says() {
        // Hours between sunrise and sunset of common almanacs (from memory, to a tenth): Lisbon, the equator, Hamburg.
        for (latitude, day, hours) in [
            (38.7, 172, 14.9),
            (38.7, 355, 9.45),
            (0.0, 80, 12.1),
            (53.55, 172, 17.0),
            (53.55, 355, 7.5),
            (-38.7, 172, 9.5),
        ] {
            let found = day_length(latitude, day);
            assert!((found - hours).abs() < 0.1, "{latitude} {day}: {found}");
        }
        assert!((day_length(80.0, 172) - 24.0).abs() < 1e-9 && day_length(80.0, 355).abs() < 1e-9);
    }

    #[test]
    fn the_table_of_integrals_is_met() {
        // checks.csv, dli: integral of the flux over the day, exact.
        let ramped =
            |on, off, hours: f64| Schedule::Ramped { on: at(on), off: at(off), ramp: hours * 3600.0, level: 1.0 };
        for (schedule, peak, expected) in [
            (ramped("10:00", "20:00", 0.0), 200.0, 7.2),
            (ramped("10:00", "20:00", 1.0), 200.0, 6.48),
            (ramped("10:00", "20:00", 2.0), 250.0, 7.2),
            // Over midnight it is the same light.
            (ramped("20:00", "06:00", 1.0), 200.0, 6.48),
            (Schedule::HalfSine { on: at("08:00"), off: at("20:00"), level: 1.0 }, 300.0, 8.250592),
            // The worked example: 150 µmol, 10 h with two ramps of 1 h.
            (ramped("10:00", "20:00", 1.0), 150.0, 4.86),
            (
                Schedule::Points(vec![(at("10:00"), 0.0), (at("11:00"), 1.0), (at("19:00"), 1.0), (at("20:00"), 0.0)]),
                150.0,
                4.86,
            ),
        ] {
            let found = schedule.integral(flux(peak)).unwrap().moles_per_square_metre_day();
            assert!((found - expected).abs() < 1e-6, "{schedule:?}: {found}, not {expected}");
        }
    }

    #[test]
    fn a_schedule_that_cannot_be_is_refused() {
        let long = Schedule::Ramped { on: at("10:00"), off: at("11:00"), ramp: 3600.0, level: 1.0 };
        assert!(long.full_seconds().is_err());
        assert!(Schedule::Points(vec![(at("10:00"), 1.0), (at("09:00"), 1.0)]).full_seconds().is_err());
        assert!(Schedule::Points(vec![(at("10:00"), 1.0), (at("11:00"), 1.2)]).full_seconds().is_err());
        assert!(at_full_level(flux(100.0), 0.0).is_err());
        assert!((at_full_level(flux(65.0), 0.5).unwrap().micromoles_per_square_metre_second() - 130.0).abs() < 1e-9);
    }

    #[test]
    fn light_from_the_dark_has_no_percent_and_no_steps() {
        let change = Change { before: integral(0.0), after: integral(5.0) };
        assert_eq!(change.percent(), None);
        assert!(acclimation(&[change], 0.1).is_err());
    }

    proptest! {
        #[test]
        fn no_week_changes_a_spot_by_more_than_the_limit(
            before in proptest::collection::vec(0.5..20.0f64, 1..12), factor in 0.3..3.0f64, weekly in 0.05..0.3f64
        ) {
            // One lamp, dimmed or lit longer: all spots change by the same part.
            let changes: Vec<_> =
                before.iter().map(|b| Change { before: integral(*b), after: integral(b * factor) }).collect();
            let plan = acclimation(&changes, weekly).unwrap();
            prop_assert!(plan.greatest_step <= weekly + 1e-9, "{}", plan.greatest_step);
            let last = plan.weeks.last().unwrap();
            for (end, change) in last.integrals.iter().zip(&changes) {
                prop_assert!((end / change.after.moles_per_square_metre_day() - 1.0).abs() < 1e-9);
            }
            prop_assert!((last.intensity - 100.0).abs() < 1e-9);
        }

        #[test]
        fn spots_that_change_differently_have_their_greatest_step_told(
            one in 0.4..2.5f64, other in 0.4..2.5f64, weekly in 0.05..0.3f64
        ) {
            let change = |factor: f64| Change { before: integral(10.0), after: integral(10.0 * factor) };
            let plan = acclimation(&[change(one), change(other)], weekly).unwrap();
            let mut now = [10.0, 10.0];
            let mut greatest = 0.0_f64;
            for week in &plan.weeks {
                for (old, new) in now.iter_mut().zip(&week.integrals) {
                    greatest = greatest.max((new - *old).abs() / *old);
                    *old = *new;
                }
            }
            prop_assert!((greatest - plan.greatest_step).abs() < 1e-12);
        }
    }
}

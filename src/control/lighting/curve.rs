//! The curve of a light over time: a rise, a level and a fall between two local times, in real seconds.
//!
//! A day's light begins at the moment of `from` on that date and ends at that of `until`, whatever the clock does in
//! between: on the day of 23 hours it is an hour shorter where the change lies inside it, and a ramp over the change goes
//! on evenly. A local time that comes twice is the first of the two; one that is missing is the moment of the jump.
//! Pure: after a restart, and after a jump of the clock, the light is where the clock says.

use crate::time::{Date, LocalTime, Span, Wall, Zone};
use crate::water::light::day_length;

use super::plan::LightPlan;

/// The mean day that `from` and `until` are written for, hours.
const EQUINOX: f64 = 12.0;
/// No light of ours lasts longer by the season, s.
const LONGEST: f64 = 20.0 * 3600.0;

/// A day's light.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Window {
    from: Wall,
    until: Wall,
    /// ms
    ramp: f64,
    level: f64,
}

impl Window {
    fn of(plan: &LightPlan, zone: Zone, date: Date) -> Self {
        let (on, off) = times(plan, date);
        let from = zone.moment(date, on);
        let until = zone.moment(if off > on { date } else { date.plus_days(1) }, off);
        let half = until.since(from).millis() as f64 / 2.0;
        let level = plan.level * acclimated(plan, date);
        Self { from, until, ramp: (plan.ramp.millis() as f64).min(half), level }
    }

    fn edges(self) -> [Wall; 4] {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "half a window at most")]
        let ramp = Span::from_millis(self.ramp as u64);
        [self.from, self.from.after(ramp), self.until.before(ramp), self.until]
    }

    fn level_at(self, at: Wall) -> f64 {
        if at < self.from || at >= self.until {
            return 0.0;
        }
        let to_edge = at.since(self.from).millis().min(self.until.since(at).millis()) as f64;
        let part = if self.ramp > 0.0 { (to_edge / self.ramp).min(1.0) } else { 1.0 };
        self.level * part
    }
}

/// The local times of a date, moved by the season about their middle.
fn times(plan: &LightPlan, date: Date) -> (LocalTime, LocalTime) {
    let (on, off) = (plan.from, plan.until);
    let Some(latitude) = plan.latitude.filter(|_| off > on) else { return (on, off) };
    let (a, b) = (f64::from(on.seconds()), f64::from(off.seconds()));
    let length = ((b - a) * day_length(latitude, date.day_of_year()) / EQUINOX).min(LONGEST);
    let middle = f64::midpoint(a, b);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to a day")]
    let time = |seconds: f64| LocalTime::from_seconds(seconds.clamp(0.0, 86_399.0).round() as u32);
    (time(middle - length / 2.0), time(middle + length / 2.0))
}

/// The part of the level that a date has by now.
pub(super) fn acclimated(plan: &LightPlan, date: Date) -> f64 {
    plan.acclimation.map_or(1.0, |by| {
        let part = (date.days_since(by.from) as f64 / f64::from(by.days.max(1))).clamp(0.0, 1.0);
        (1.0 - by.start).mul_add(part, by.start)
    })
}

/// The windows that a moment may lie in, and the next one.
fn around(plan: &LightPlan, zone: Zone, at: Wall) -> [Window; 3] {
    let today = zone.calendar_day(at);
    [today.minus_days(1), today, today.plus_days(1)].map(|date| Window::of(plan, zone, date))
}

/// The level at a moment, 0 to 1.
pub(super) fn level_at(plan: &LightPlan, zone: Zone, at: Wall) -> f64 {
    around(plan, zone, at).iter().map(|window| window.level_at(at)).fold(0.0, f64::max)
}

/// Whether it rises or falls then.
pub(super) fn is_moving(plan: &LightPlan, zone: Zone, at: Wall) -> bool {
    around(plan, zone, at).iter().any(|window| {
        let [from, full, fall, until] = window.edges();
        (from..full).contains(&at) || (fall..until).contains(&at)
    })
}

/// The next moment at which it begins, is full, begins to fall or ends.
pub(super) fn next_edge(plan: &LightPlan, zone: Zone, at: Wall) -> Option<Wall> {
    around(plan, zone, at).iter().flat_map(|window| window.edges()).filter(|edge| *edge > at).min()
}

/// The seconds at 100 % that a local day has by the plan.
pub(super) fn full_seconds(plan: &LightPlan, zone: Zone, date: Date) -> f64 {
    let (from, until) = (zone.start_of(date), zone.start_of(date.plus_days(1)));
    let mut edges: Vec<Wall> = [date.minus_days(1), date]
        .iter()
        .flat_map(|date| Window::of(plan, zone, *date).edges())
        .chain([from, until])
        .filter(|edge| (from..=until).contains(edge))
        .collect();
    edges.sort_unstable();
    // Between two edges the curve is a straight line: its middle is its mean.
    let piece = |pair: &[Wall]| match pair {
        [a, b] if b > a => {
            let lasts = b.since(*a);
            level_at(plan, zone, a.after(Span::from_millis(lasts.millis() / 2))) * lasts.seconds()
        }
        _ => 0.0,
    };
    edges.windows(2).map(piece).sum()
}

#[cfg(test)]
mod tests {
    use super::super::plan::Acclimation;
    use super::*;
    use crate::control::ids::OutputId;

    fn plan(from: &str, until: &str, ramp: Span) -> LightPlan {
        LightPlan {
            output: OutputId::new(0),
            from: from.parse().unwrap(),
            until: until.parse().unwrap(),
            ramp,
            level: 1.0,
            latitude: None,
            acclimation: None,
            dims: Vec::new(),
            spots: Vec::new(),
        }
    }

    fn at(text: &str) -> Wall {
        Wall::from_rfc3339(text).unwrap()
    }

    const HOUR: Span = Span::from_hours(1);

    #[test]
    fn ten_hours_with_two_ramps_of_an_hour_are_nine_hours_of_full_light() {
        let zone: Zone = "Europe/Lisbon".parse().unwrap();
        let plan = plan("10:00", "20:00", HOUR);
        let seconds = full_seconds(&plan, zone, "2026-06-10".parse().unwrap());
        // 150 µmol/m²/s over it are 4.86 mol/m²: arithmetic.
        assert!((150.0 * seconds / 1e6 - 4.86).abs() < 1e-9, "{seconds}");
        let level = |time: &str| level_at(&plan, zone, at(&format!("2026-06-10T{time}:00+01:00")));
        for (time, expected) in [("09:59", 0.0), ("10:30", 0.5), ("11:00", 1.0), ("19:15", 0.75), ("20:00", 0.0)] {
            assert!((level(time) - expected).abs() < 1e-9, "{time}: {}", level(time));
        }
    }

    /// The clock changes of the EU in 2026: 29 March and 25 October, 01:00 UTC (Directive 2000/84/EC); Lisbon goes from
    /// 01:00 to 02:00 and from 02:00 to 01:00.
    #[test]
    fn a_ramp_over_both_clock_changes_goes_on_evenly_and_a_day_has_its_own_length() {
        let zone: Zone = "Europe/Lisbon".parse().unwrap();
        let plan = plan("00:30", "06:30", HOUR);
        for (date, hours, start) in [
            ("2026-03-29", 5, "2026-03-29T00:30:00Z"),
            ("2026-10-25", 7, "2026-10-24T23:30:00Z"),
            ("2026-06-10", 6, "2026-06-09T23:30:00Z"),
        ] {
            let full = full_seconds(&plan, zone, date.parse().unwrap());
            assert!((full - f64::from((hours - 1) * 3600)).abs() < 1e-6, "{date}: {full}");
            let mut before = -1.0;
            for minute in 0..=60 {
                let level = level_at(&plan, zone, at(start).after(Span::from_minutes(minute)));
                assert!((level - f64::from(u32::try_from(minute).unwrap()) / 60.0).abs() < 1e-9, "{date} {minute}");
                assert!(level > before);
                before = level;
            }
        }
    }

    /// Havana's clock goes from 00:00 to 01:00 on 8 March 2026 and from 01:00 to 00:00 on 1 November (IANA data base).
    #[test]
    fn a_change_at_midnight_neither_loses_nor_doubles_light() {
        let zone: Zone = "America/Havana".parse().unwrap();
        let night = plan("20:00", "04:00", HOUR);
        let total =
            |days: &[&str]| days.iter().map(|day| full_seconds(&night, zone, day.parse().unwrap())).sum::<f64>();
        // Windows that begin on 5, 6, 7 and 8 March: 8 h, and 7 h for the one over the change; without two ramps' halves.
        let spring = total(&["2026-03-06", "2026-03-07", "2026-03-08", "2026-03-09"]);
        assert!((spring - (4.0 * 7.0 - 1.0) * 3600.0).abs() < 1e-6, "{spring}");
        let autumn = total(&["2026-10-30", "2026-10-31", "2026-11-01", "2026-11-02"]);
        assert!((autumn - (4.0 * 7.0 + 1.0) * 3600.0).abs() < 1e-6, "{autumn}");
        // No minute of the night of the change is darker than its neighbours.
        let mut moment = at("2026-03-08T02:00:00Z");
        for _ in 0..(5 * 60) {
            let next = moment.after(Span::from_minutes(1));
            assert!((level_at(&night, zone, next) - level_at(&night, zone, moment)).abs() < 0.017 + 1e-9, "{next:?}");
            moment = next;
        }
    }

    #[test]
    fn the_season_moves_both_ends_and_acclimation_raises_the_level_day_by_day() {
        let zone = Zone::UTC;
        let mut light = plan("08:00", "18:00", HOUR);
        light.latitude = Some(38.7);
        let hours = |light: &LightPlan, date: &str| full_seconds(light, zone, date.parse().unwrap()) / 3600.0 + 1.0;
        // Lisbon's longest day has 14.9 h, its shortest 9.5 h: 10 h scaled by them over 12.
        assert!((hours(&light, "2026-06-21") - 12.4).abs() < 0.1, "{}", hours(&light, "2026-06-21"));
        assert!((hours(&light, "2026-12-21") - 7.9).abs() < 0.1, "{}", hours(&light, "2026-12-21"));
        light.acclimation = Some(Acclimation { from: "2026-05-01".parse().unwrap(), start: 0.5, days: 30 });
        for (date, part) in
            [("2026-04-20", 0.5), ("2026-05-01", 0.5), ("2026-05-16", 0.75), ("2026-05-31", 1.0), ("2026-07-01", 1.0)]
        {
            assert!((acclimated(&light, date.parse().unwrap()) - part).abs() < 1e-9, "{date}");
        }
    }

    #[test]
    fn the_level_is_the_plan_s_times_its_acclimation_and_a_short_day_rises_to_its_middle() {
        let (zone, mut light) = (Zone::UTC, plan("10:00", "20:00", HOUR));
        (light.level, light.acclimation) =
            (0.8, Some(Acclimation { from: "2026-06-10".parse().unwrap(), start: 0.5, days: 10 }));
        let level = |light: &LightPlan, time: &str| level_at(light, zone, at(time));
        assert!((level(&light, "2026-06-10T15:00:00Z") - 0.4).abs() < 1e-9);
        assert!((level(&light, "2026-06-15T15:00:00Z") - 0.6).abs() < 1e-9);
        // Ramps of an hour in a window of one: half an hour up, and half an hour down.
        let short = plan("10:00", "11:00", HOUR);
        for (time, expected) in [("10:15", 0.5), ("10:30", 1.0), ("10:45", 0.5), ("11:00", 0.0)] {
            let found = level(&short, &format!("2026-06-10T{time}:00Z"));
            assert!((found - expected).abs() < 1e-9, "{time}: {found}");
        }
        assert!((full_seconds(&short, zone, "2026-06-10".parse().unwrap()) - 1800.0).abs() < 1e-6);
    }

    #[test]
    fn edges_come_in_order_and_never_in_the_past() {
        let zone: Zone = "Europe/Lisbon".parse().unwrap();
        let plan = plan("22:00", "02:00", HOUR);
        let mut moment = at("2026-03-27T12:00:00Z");
        for _ in 0..40 {
            let next = next_edge(&plan, zone, moment).unwrap();
            assert!(next > moment);
            assert!(next.since(moment) <= Span::from_hours(24));
            moment = next;
        }
        assert!(
            is_moving(&plan, zone, at("2026-06-10T21:30:00Z")) && !is_moving(&plan, zone, at("2026-06-10T23:00:00Z"))
        );
    }
}

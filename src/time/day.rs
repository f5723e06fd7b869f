//! Local days from midnight to midnight: 24 hours long, save where the clock changes.

use chrono::{Days, NaiveDate, NaiveDateTime, TimeZone};

use super::{Span, Wall, Zone};

/// A local day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LocalDay {
    /// Its date.
    pub date: NaiveDate,
    /// Its first moment.
    pub from: Wall,
    /// The first moment of the next day.
    pub until: Wall,
}

impl LocalDay {
    /// How long it is: 23 or 25 hours at the clock changes of most zones.
    pub fn lasts(&self) -> Span {
        self.until.since(self.from)
    }
}

impl Zone {
    /// The local day of a moment.
    pub fn day(self, at: Wall) -> LocalDay {
        self.day_of(self.date(at))
    }

    /// A day by its date.
    pub fn day_of(self, date: NaiveDate) -> LocalDay {
        let next = date.checked_add_days(Days::new(1)).unwrap_or(date);
        LocalDay { date, from: self.midnight(date), until: self.midnight(next) }
    }

    /// A day by its text, such as `2026-03-29`.
    pub fn day_named(self, text: &str) -> Option<LocalDay> {
        text.trim().parse().ok().map(|date| self.day_of(date))
    }

    /// The first moment of a date; where the clock jumps over midnight, the first after it.
    fn midnight(self, date: NaiveDate) -> Wall {
        let midnight = NaiveDateTime::from(date);
        // Jumps are whole quarters of an hour; the largest left out a whole day.
        let mut candidates = (0..=100).map(|quarters| midnight + chrono::TimeDelta::minutes(15 * quarters));
        let first = candidates.find_map(|local| self.0.from_local_datetime(&local).earliest());
        Wall::from_unix_millis(first.map_or(midnight.and_utc().timestamp_millis(), |at| at.timestamp_millis()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn zone(name: &str) -> Zone {
        name.parse().unwrap()
    }

    /// The clock changes of 2026 in the EU: 29 March and 25 October, 01:00 UTC (Directive 2000/84/EC).
    #[test]
    fn days_are_23_24_and_25_hours_long() {
        let lisbon = zone("Europe/Lisbon");
        for (date, hours) in [("2026-03-28", 24), ("2026-03-29", 23), ("2026-10-25", 25), ("2026-10-26", 24)] {
            let day = lisbon.day_named(date).unwrap();
            assert_eq!(day.lasts(), Span::from_hours(hours), "{date}");
            assert_eq!(lisbon.day(day.from), day);
            assert_eq!(lisbon.day(day.until.before(Span::from_millis(1))), day);
            assert_ne!(lisbon.day(day.until), day);
        }
    }

    #[test]
    fn each_moment_of_years_is_in_one_day_in_zones_that_jump_over_midnight() {
        // Havana's clock goes from 00:00 to 01:00: that day begins at 01:00 (IANA data base).
        for name in ["America/Havana", "Africa/Cairo", "Asia/Beirut", "Australia/Lord_Howe", "UTC"] {
            let zone = zone(name);
            let mut day = zone.day_named("2024-01-01").unwrap();
            for _ in 0..1000 {
                let next = zone.day(day.until);
                assert_eq!(next.from, day.until, "{name} after {}", day.date);
                assert!(next.lasts() >= Span::from_hours(22), "{name} {}", next.date);
                day = next;
            }
        }
        assert_eq!(zone("America/Havana").day_named("2026-03-08").unwrap().lasts(), Span::from_hours(23));
        assert_eq!(zone("UTC").day_named("next Tuesday"), None);
    }
}

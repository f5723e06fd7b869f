//! Calendar days, and moments as a keeper names them: `today 18:30`, `yesterday 18:30`, `2026-03-01 18:00`, `3 h ago`.
//!
//! Duty: days are the tank's own, by its zone. A local time that the clock jumps over is the moment of the jump; one
//! that comes twice is the first of the two.
//! Limits: years from 1970 to 2200; months are added as a calendar does (31 January and a month is the last of February).

use std::fmt;
use std::str::FromStr;

use chrono::{Datelike, Days, Months, NaiveDate, TimeZone};

use super::{LocalTime, Span, Wall, Zone};

/// A day of the calendar.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Date(NaiveDate);

impl Date {
    /// The day so many days later; the same day if that is beyond the calendar.
    #[must_use]
    pub fn plus_days(self, days: u32) -> Self {
        self.0.checked_add_days(Days::new(u64::from(days))).map_or(self, Self)
    }

    /// The day so many days earlier.
    #[must_use]
    pub fn minus_days(self, days: u32) -> Self {
        self.0.checked_sub_days(Days::new(u64::from(days))).map_or(self, Self)
    }

    /// The day so many months later, or the last of its month.
    #[must_use]
    pub fn plus_months(self, months: u32) -> Self {
        self.0.checked_add_months(Months::new(months)).map_or(self, Self)
    }

    /// Its number in the year, 1 to 366.
    pub fn day_of_year(self) -> u32 {
        self.0.ordinal()
    }

    /// Days from an earlier day; negative if that is later.
    pub fn days_since(self, earlier: Self) -> i64 {
        (self.0 - earlier.0).num_days()
    }
}

impl fmt::Display for Date {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.format("%Y-%m-%d").fmt(f)
    }
}

impl FromStr for Date {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let bad = || format!("`{}` is not a day\n  write year, month and day such as `2026-12-20`", text.trim());
        let day: NaiveDate = text.trim().parse().map_err(|_| bad())?;
        if (1970..=2200).contains(&day.year()) { Ok(Self(day)) } else { Err(bad()) }
    }
}

impl TryFrom<String> for Date {
    type Error = String;
    fn try_from(text: String) -> Result<Self, String> {
        text.parse()
    }
}

impl serde::Serialize for Date {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> serde::Deserialize<'de> for Date {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        text.parse().map_err(serde::de::Error::custom)
    }
}

impl Zone {
    /// The local day at a moment.
    pub fn calendar_day(self, wall: Wall) -> Date {
        Date(self.date(wall))
    }

    /// The first moment of a local day.
    pub fn start_of(self, day: Date) -> Wall {
        self.day_of(day.0).from
    }

    /// The moment of a local time on a day. One that the clock jumps over is the moment of the jump; of two, the first.
    pub fn moment(self, day: Date, time: LocalTime) -> Wall {
        let mut local = day.0.and_time(chrono::NaiveTime::MIN) + chrono::Duration::seconds(i64::from(time.seconds()));
        // A jump is an hour in most zones and never more than a day.
        for _ in 0..=96 {
            if let Some(at) = self.0.from_local_datetime(&local).earliest() {
                return Wall::from_unix_millis(at.timestamp_millis());
            }
            local += chrono::Duration::minutes(15);
        }
        Wall::from_unix_millis(local.and_utc().timestamp_millis())
    }

    /// A moment as a keeper names it, in this zone: `now`, `18:30`, `today 18:30`, `yesterday 18:30`, `2026-03-01`,
    /// `2026-03-01 18:00`, `3 h ago`, or RFC 3339 with its offset.
    pub fn read(self, text: &str, now: Wall) -> Result<Wall, String> {
        let text = text.trim();
        let bad = || {
            format!(
                "`{text}` is no moment\n  write such as `18:30`, `yesterday 18:30`, `2026-03-01 18:00` or `3 h ago`"
            )
        };
        if text == "now" {
            return Ok(now);
        }
        if let Some(span) = text.strip_suffix("ago") {
            return span.trim().parse::<Span>().map(|span| now.before(span)).map_err(|_| bad());
        }
        if let Some(at) = Wall::from_rfc3339(text) {
            return Ok(at);
        }
        let today = self.calendar_day(now);
        let (day, time) = match text.split_once([' ', 'T']) {
            Some((day, time)) => (day, Some(time.trim())),
            None if text.contains(':') => ("today", Some(text)),
            None => (text, None),
        };
        let day = match day {
            "today" => today,
            "yesterday" => today.minus_days(1),
            other => other.parse().map_err(|_| bad())?,
        };
        // A day without a time is its noon, which is in it whatever the clocks do; today's is now.
        let Some(time) = time else {
            return Ok(if day == today { now } else { self.moment(day, LocalTime::NOON) });
        };
        time.parse().map(|time| self.moment(day, time)).map_err(|_| bad())
    }
}

/// The day that is so much later, as a keeper writes it: `24 h`, `10 days`, `2 weeks`, `6 months`, `2 years`.
pub fn later(day: Date, text: &str) -> Result<Date, String> {
    let text = text.trim();
    let bad =
        || format!("`{text}` is not a time\n  write such as `24 h`, `10 days`, `6 weeks`, `6 months` or `2 years`");
    let digits = text.find(|c: char| !c.is_ascii_digit()).unwrap_or(text.len());
    let number: u32 = text[..digits].parse().map_err(|_| bad())?;
    if !(1..=5000).contains(&number) {
        return Err(bad());
    }
    match text[digits..].trim() {
        "h" | "hours" => Ok(day.plus_days(number.div_ceil(24))),
        "d" | "day" | "days" => Ok(day.plus_days(number)),
        "week" | "weeks" => Ok(day.plus_days(number * 7)),
        "month" | "months" => Ok(day.plus_months(number)),
        "year" | "years" => Ok(day.plus_months(number * 12)),
        _ => Err(bad()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lisbon() -> Zone {
        "Europe/Lisbon".parse().unwrap()
    }

    #[test]
    fn moments_are_read_as_a_keeper_writes_them() {
        let now = Wall::from_rfc3339("2026-07-10T20:00:00+01:00").unwrap();
        for (text, expected) in [
            ("now", "2026-07-10 20:00:00"),
            ("18:30", "2026-07-10 18:30:00"),
            ("today 07:05", "2026-07-10 07:05:00"),
            ("yesterday 18:30", "2026-07-09 18:30:00"),
            ("2026-03-01", "2026-03-01 12:00:00"),
            ("2026-03-01 18:00", "2026-03-01 18:00:00"),
            ("2026-07-10T12:00:00Z", "2026-07-10 13:00:00"),
            ("90 min ago", "2026-07-10 18:30:00"),
        ] {
            let read = lisbon().read(text, now).unwrap_or_else(|error| panic!("{text}: {error}"));
            assert_eq!(lisbon().show(read), expected, "{text}");
        }
        for text in ["soon", "2026-02-30", "25:00", "yesterday noon", "tomorrow 10:00", ""] {
            assert!(lisbon().read(text, now).is_err(), "{text}");
        }
    }

    #[test]
    fn both_clock_changes_have_a_moment_for_each_local_time() {
        let spring: Date = "2026-03-29".parse().unwrap();
        let gap = lisbon().moment(spring, "01:30".parse().unwrap());
        assert_eq!(lisbon().show(gap), "2026-03-29 02:00:00", "the clock jumps over it");
        let autumn: Date = "2026-10-25".parse().unwrap();
        let twice = lisbon().moment(autumn, "01:30".parse().unwrap());
        assert_eq!(twice, Wall::from_rfc3339("2026-10-25T00:30:00Z").unwrap(), "the first of the two");
        assert_eq!(lisbon().start_of(autumn.plus_days(1)).since(lisbon().start_of(autumn)), Span::from_hours(25));
    }

    #[test]
    fn times_are_added_as_a_calendar_does() {
        let day: Date = "2026-01-31".parse().unwrap();
        for (text, expected) in [
            ("24 h", "2026-02-01"),
            ("25 h", "2026-02-02"),
            ("10 days", "2026-02-10"),
            ("2 weeks", "2026-02-14"),
            ("1 month", "2026-02-28"),
            ("2 years", "2028-01-31"),
        ] {
            assert_eq!(later(day, text).unwrap().to_string(), expected, "{text}");
        }
        assert!(later(day, "2 fortnights").is_err() && later(day, "0 d").is_err());
        assert_eq!("2026-03-01".parse::<Date>().unwrap().days_since("2026-02-28".parse().unwrap()), 1);
    }
}

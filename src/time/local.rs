//! Local time of day, in the tank's own zone, right through both clock changes.

use std::fmt;
use std::str::FromStr;

use chrono::{DateTime, Datelike, NaiveDate, Timelike};

use super::{Span, Wall};

/// A time zone of the IANA data base.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Zone(pub(super) chrono_tz::Tz);

/// The name is not in the IANA data base.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ZoneError(pub String);

impl fmt::Display for ZoneError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "`{}` is not a time zone\n  write a name such as `Europe/Lisbon` or `America/New_York`", self.0)
    }
}

impl std::error::Error for ZoneError {}

impl FromStr for Zone {
    type Err = ZoneError;
    fn from_str(text: &str) -> Result<Self, ZoneError> {
        text.trim().parse().map(Self).map_err(|_| ZoneError(text.trim().to_owned()))
    }
}

impl fmt::Display for Zone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.0.name())
    }
}

impl Zone {
    /// Coordinated universal time.
    pub const UTC: Self = Self(chrono_tz::UTC);

    fn at(self, wall: Wall) -> DateTime<chrono_tz::Tz> {
        DateTime::from_timestamp_millis(wall.unix_millis()).unwrap_or_default().with_timezone(&self.0)
    }

    /// The local time of day at a moment.
    pub fn time_of_day(self, wall: Wall) -> LocalTime {
        LocalTime(self.at(wall).num_seconds_from_midnight())
    }

    /// The local date at a moment, as `2026-03-29`.
    pub fn date(self, wall: Wall) -> NaiveDate {
        self.at(wall).date_naive()
    }

    /// The local date at a moment, as a number that grows by one a day.
    pub fn day_number(self, wall: Wall) -> i32 {
        self.at(wall).num_days_from_ce()
    }

    /// Date and time as a keeper reads them: `2026-03-29 18:05:09`.
    pub fn show(self, wall: Wall) -> String {
        self.at(wall).format("%Y-%m-%d %H:%M:%S").to_string()
    }

    /// Date and time with offset, RFC 3339.
    pub fn rfc3339(self, wall: Wall) -> String {
        self.at(wall).to_rfc3339_opts(chrono::SecondsFormat::Millis, true)
    }
}

impl Wall {
    /// The moment that an RFC 3339 text names, to the millisecond.
    pub fn from_rfc3339(text: &str) -> Option<Self> {
        DateTime::parse_from_rfc3339(text.trim()).ok().map(|at| Self::from_unix_millis(at.timestamp_millis()))
    }
}

/// A local time of day, in seconds since midnight by the wall.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct LocalTime(u32);

impl LocalTime {
    /// The beginning of a day.
    pub const MIDNIGHT: Self = Self(0);
    /// The middle of a day.
    pub const NOON: Self = Self(43_200);

    /// So many seconds after midnight by the wall; a day at most.
    pub fn from_seconds(seconds: u32) -> Self {
        Self(seconds.min(86_400))
    }

    /// Seconds since midnight by the wall.
    pub fn seconds(self) -> u32 {
        self.0
    }
}

impl FromStr for LocalTime {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let bad = || format!("`{text}` is not a time of day\n  write hours and minutes such as `07:30` or `22:00`");
        let (hours, minutes) = text.trim().split_once(':').ok_or_else(bad)?;
        let (hours, minutes): (u32, u32) = (hours.parse().map_err(|_| bad())?, minutes.parse().map_err(|_| bad())?);
        if hours > 24 || minutes > 59 || (hours == 24 && minutes > 0) {
            return Err(bad());
        }
        Ok(Self(hours * 3600 + minutes * 60))
    }
}

impl fmt::Display for LocalTime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:02}:{:02}", self.0 / 3600, self.0 / 60 % 60)
    }
}

/// Such a day's number and time as a keeper reads them: `2026-03-29 18:05`.
pub fn show_local(day: i32, seconds: u32) -> String {
    let date = NaiveDate::from_num_days_from_ce_opt(day).unwrap_or_default();
    format!("{date} {}", LocalTime(seconds))
}

/// A part of each day: from one time to another, over midnight if `until` is the earlier one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DailyWindow {
    /// The first second inside.
    pub from: LocalTime,
    /// The first second outside.
    pub until: LocalTime,
}

impl DailyWindow {
    /// Whether a local time lies inside.
    pub fn contains(self, time: LocalTime) -> bool {
        if self.from <= self.until {
            (self.from..self.until).contains(&time)
        } else {
            time >= self.from || time < self.until
        }
    }

    /// An upper bound of the time until the answer of [`Self::contains`] can change.
    ///
    /// A clock change can bring the edge nearer by up to an hour or move it away, so never more
    /// than 15 minutes ahead: an early look does nothing, a late one would.
    pub fn look_again(self, time: LocalTime) -> Span {
        let day = 86_400;
        let ahead = |edge: LocalTime| match (edge.0 + day - time.0) % day {
            0 => day,
            seconds => seconds,
        };
        Span::from_seconds(u64::from(ahead(self.from).min(ahead(self.until)).min(900)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_short_and_the_long_day_have_their_own_local_times() {
        let lisbon: Zone = "Europe/Lisbon".parse().unwrap();
        // 2026-03-29 01:00 UTC: the clock goes from 01:00 to 02:00 in Lisbon.
        let before = Wall::from_unix_millis(1_774_745_999_000);
        assert_eq!(lisbon.show(before), "2026-03-29 00:59:59");
        assert_eq!(lisbon.show(before.after(Span::from_seconds(1))), "2026-03-29 02:00:00");
        // 2026-10-25 01:00 UTC: the clock goes from 02:00 back to 01:00.
        let autumn = Wall::from_unix_millis(1_792_889_999_000);
        assert_eq!(lisbon.time_of_day(autumn).to_string(), "01:59");
        assert_eq!(lisbon.time_of_day(autumn.after(Span::from_seconds(1))).to_string(), "01:00");
    }

    #[test]
    fn a_window_may_run_over_midnight() {
        let night = DailyWindow { from: "22:00".parse().unwrap(), until: "07:30".parse().unwrap() };
        assert!(night.contains("23:10".parse().unwrap()));
        assert!(night.contains("07:29".parse().unwrap()));
        assert!(!night.contains("07:30".parse().unwrap()));
        assert!(!night.contains("21:59".parse().unwrap()));
        assert_eq!(night.look_again("21:59".parse().unwrap()), Span::from_seconds(60));
        assert_eq!(night.look_again("12:00".parse().unwrap()), Span::from_minutes(15));
    }

    #[test]
    fn nonsense_is_refused() {
        assert!("25:00".parse::<LocalTime>().is_err());
        assert!("noon".parse::<LocalTime>().is_err());
        assert!("Atlantis/Lagoon".parse::<Zone>().is_err());
    }
}

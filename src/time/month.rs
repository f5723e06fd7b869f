//! A month of a place, from the midnight in which it begins to the one in which the next does.

use chrono::{Datelike as _, Months, NaiveDate};

use super::{Span, Wall, Zone};

/// Days from the first of the common era to the first of 1970.
const UNIX_EPOCH: i32 = 719_163;

impl Zone {
    /// The month that `text` names, such as `2026-11`, by local midnights; `None`: it names none.
    pub fn month(self, text: &str) -> Option<(Wall, Wall)> {
        let first = NaiveDate::parse_from_str(&format!("{text}-01"), "%Y-%m-%d").ok()?;
        Some((self.begins(first), self.begins(first.checked_add_months(Months::new(1))?)))
    }

    /// The zone says of a moment which day it is; the first quarter of an hour of this day is looked for from the day before.
    fn begins(self, day: NaiveDate) -> Wall {
        let midnight = i64::from(day.num_days_from_ce() - UNIX_EPOCH) * 86_400_000;
        let mut at = Wall::from_unix_millis(midnight).before(Span::from_hours(26));
        while self.date(at) < day {
            at = at.after(Span::from_minutes(15));
        }
        at
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_month_begins_at_local_midnight_in_summer_and_in_winter() {
        let lisbon: Zone = "Europe/Lisbon".parse().unwrap();
        let (from, until) = lisbon.month("2026-10").unwrap();
        assert_eq!(
            (&*Zone::UTC.rfc3339(from), &*Zone::UTC.rfc3339(until)),
            ("2026-09-30T23:00:00.000Z", "2026-11-01T00:00:00.000Z")
        );
        let (from, until) = Zone::UTC.month("2026-12").unwrap();
        assert_eq!(until.since(from), Span::from_hours(31 * 24));
        assert_eq!(Zone::UTC.month("2026-13"), None);
        assert_eq!(Zone::UTC.month("November"), None);
    }
}

//! When something was, as a keeper writes it after an `@`: `@ 3 d`, `@ 2026-03-01`, `@ 2026-03-01 18:00`.
//!
//! Only differences count, so a date is days since an arbitrary start, and clock changes are left out
//! (an hour in some days is far below what a test can tell).

use crate::time::{LocalTime, Span};

/// A moment, in days; of a calendar or since the keeper's own start.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Moment {
    /// Days.
    pub days: f64,
    /// Whether it was written as a date.
    pub dated: bool,
}

/// Splits `8.2 dKH @ 3 d` into the value's text and the moment.
pub(super) fn valued(text: &str) -> Result<(&str, Moment), String> {
    let (value, at) = text.split_once('@').ok_or_else(|| {
        format!(
            "`{text}` does not say when\n  write it with an `@` such as `{} @ 3 d` or `{0} @ 2026-03-01 18:00`",
            text.trim()
        )
    })?;
    Ok((value.trim(), moment(at)?))
}

fn moment(text: &str) -> Result<Moment, String> {
    let text = text.trim();
    if let Some(days) = date(text) {
        return Ok(Moment { days, dated: true });
    }
    let span: Span = text.parse().map_err(|_| {
        format!("`{text}` is no moment\n  write a time since the first test such as `3 d`, or a date such as `2026-03-01 18:00`")
    })?;
    Ok(Moment { days: span.hours() / 24.0, dated: false })
}

fn date(text: &str) -> Option<f64> {
    let (day, time) = text.split_once([' ', 'T']).unwrap_or((text, "00:00"));
    let mut parts = day.split('-');
    let (year, month, day) = (parts.next()?, parts.next()?, parts.next()?);
    let (year, month, day): (i64, i64, i64) = (year.parse().ok()?, month.parse().ok()?, day.parse().ok()?);
    let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    let length = match month {
        4 | 6 | 9 | 11 => 30,
        2 => 28 + i64::from(leap),
        1..=12 => 31,
        _ => return None,
    };
    if parts.next().is_some() || !(1900..=2200).contains(&year) || !(1..=length).contains(&day) {
        return None;
    }
    // Days of the Gregorian calendar, years from March on so that a leap day is the last.
    let (y, m) = if month > 2 { (year, month - 3) } else { (year - 1, month + 9) };
    let days = 365 * y + y.div_euclid(4) - y.div_euclid(100) + y.div_euclid(400) + (153 * m + 2) / 5 + day;
    let time: LocalTime = time.parse().ok()?;
    Some(days as f64 + f64::from(time.seconds()) / 86_400.0)
}

#[cfg(test)]
#[expect(clippy::float_cmp, reason = "whole days are exact")]
mod tests {
    use super::*;

    #[test]
    fn dates_and_times_since_the_start_are_read() {
        let days = |text: &str| valued(text).unwrap().1.days;
        assert_eq!(valued("8.2 dKH @ 3 d").unwrap(), ("8.2 dKH", Moment { days: 3.0, dated: false }));
        assert_eq!(days("x @ 2026-03-01") - days("x @ 2026-02-28"), 1.0);
        assert_eq!(days("x @ 2028-03-01") - days("x @ 2028-02-28"), 2.0, "a leap year");
        assert_eq!(days("x @ 2027-01-01") - days("x @ 2026-01-01"), 365.0);
        assert_eq!(days("x @ 2026-03-01 18:00") - days("x @ 2026-03-01"), 0.75);
        for text in ["8.2 dKH", "8.2 dKH @ soon", "8.2 dKH @ 2026-02-30", "8.2 dKH @ 2026-13-01"] {
            assert!(valued(text).is_err(), "{text}");
        }
    }
}

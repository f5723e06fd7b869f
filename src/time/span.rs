//! A duration, as a keeper writes it: `45 min`, `1 h 30 min`, `90 s`, `2 d`.

use std::fmt;
use std::str::FromStr;

/// A duration in milliseconds, never negative.
#[derive(
    schemars::JsonSchema,
    Clone,
    Copy,
    Debug,
    Default,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    serde::Serialize,
    serde::Deserialize,
)]
pub struct Span(u64);

impl Span {
    /// No time at all.
    pub const ZERO: Self = Self(0);

    /// So many milliseconds.
    pub const fn from_millis(millis: u64) -> Self {
        Self(millis)
    }

    /// So many seconds.
    pub const fn from_seconds(seconds: u64) -> Self {
        Self(seconds.saturating_mul(1000))
    }

    /// So many minutes.
    pub const fn from_minutes(minutes: u64) -> Self {
        Self::from_seconds(minutes.saturating_mul(60))
    }

    /// So many hours.
    pub const fn from_hours(hours: u64) -> Self {
        Self::from_minutes(hours.saturating_mul(60))
    }

    /// Milliseconds.
    pub const fn millis(self) -> u64 {
        self.0
    }

    /// Seconds, with their fraction.
    pub fn seconds(self) -> f64 {
        self.0 as f64 / 1000.0
    }

    /// Hours, with their fraction.
    pub fn hours(self) -> f64 {
        self.seconds() / 3600.0
    }

    /// The sum of two spans.
    #[must_use]
    pub const fn plus(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }

    /// The rest after taking `other` away; nothing if that is longer.
    #[must_use]
    pub const fn minus(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }

    /// So many times this span.
    #[must_use]
    pub const fn times(self, n: u64) -> Self {
        Self(self.0.saturating_mul(n))
    }

    /// The n-th part of this span; the whole for n = 0.
    #[must_use]
    pub const fn part(self, n: u64) -> Self {
        match self.0.checked_div(n) {
            Some(part) => Self(part),
            None => self,
        }
    }
}

/// Why a text is not a duration.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SpanError {
    /// A number without a unit of time.
    NoUnit(String),
    /// Not a duration at all.
    NotASpan(String),
}

impl fmt::Display for SpanError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoUnit(text) => {
                write!(f, "`{text}` has no unit\n  write a duration such as `{text} s`, `{text} min` or `{text} h`")
            }
            Self::NotASpan(text) => {
                write!(
                    f,
                    "`{text}` is not a duration\n  write a number and one of `ms`, `s`, `min`, `h`, `d`, such as `1 h 30 min`"
                )
            }
        }
    }
}

impl std::error::Error for SpanError {}

impl FromStr for Span {
    type Err = SpanError;

    fn from_str(text: &str) -> Result<Self, SpanError> {
        let bad = || SpanError::NotASpan(text.trim().to_owned());
        let mut rest = text.trim();
        let mut total = 0.0;
        let mut parts = 0;
        while !rest.is_empty() {
            let digits = rest.find(|c: char| !(c.is_ascii_digit() || c == '.')).unwrap_or(rest.len());
            let number: f64 = rest[..digits].parse().map_err(|_| bad())?;
            rest = rest[digits..].trim_start();
            let letters = rest.find(|c: char| !c.is_ascii_alphabetic()).unwrap_or(rest.len());
            let millis = match &rest[..letters] {
                "ms" => 1.0,
                "s" | "sec" => 1e3,
                "min" => 60e3,
                "h" => 3600e3,
                "d" | "day" | "days" => 86_400e3,
                "" if parts == 0 && rest.is_empty() => return Err(SpanError::NoUnit(text.trim().to_owned())),
                _ => return Err(bad()),
            };
            total += number * millis;
            parts += 1;
            rest = rest[letters..].trim_start();
        }
        // A century is beyond every deadline here, and far inside what u64 milliseconds hold.
        if parts == 0 || !(0.0..=3.2e12).contains(&total) {
            return Err(bad());
        }
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "range checked above")]
        Ok(Self(total.round() as u64))
    }
}

impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let seconds = self.0 / 1000;
        let (days, hours, minutes, rest) = (seconds / 86_400, seconds / 3600 % 24, seconds / 60 % 60, seconds % 60);
        match () {
            () if self.0 < 1000 && self.0 > 0 => write!(f, "{} ms", self.0),
            () if seconds < 60 && !self.0.is_multiple_of(1000) => write!(f, "{:.1} s", self.seconds()),
            () if seconds < 60 => write!(f, "{seconds} s"),
            () if seconds < 3600 && rest == 0 => write!(f, "{minutes} min"),
            () if seconds < 3600 => write!(f, "{minutes} min {rest} s"),
            () if days == 0 && minutes == 0 => write!(f, "{hours} h"),
            () if days == 0 => write!(f, "{hours} h {minutes} min"),
            () if hours == 0 => write!(f, "{days} d"),
            () => write!(f, "{days} d {hours} h"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_are_read_and_printed() {
        for (text, millis, printed) in [
            ("45 min", 2_700_000, "45 min"),
            ("1 h 30 min", 5_400_000, "1 h 30 min"),
            ("1.5h", 5_400_000, "1 h 30 min"),
            ("90 s", 90_000, "1 min 30 s"),
            ("250 ms", 250, "250 ms"),
            ("2 d", 172_800_000, "2 d"),
            ("0 s", 0, "0 s"),
        ] {
            let span: Span = text.parse().unwrap_or_else(|error| panic!("{text}: {error}"));
            assert_eq!(span.millis(), millis, "{text}");
            assert_eq!(span.to_string(), printed);
        }
    }

    #[test]
    fn what_is_no_span_is_refused_with_the_fix() {
        assert_eq!("45".parse::<Span>(), Err(SpanError::NoUnit("45".to_owned())));
        for text in ["", "soon", "-5 s", "5 fortnights", "1 h 30", "9e9 d", "5 m"] {
            assert!(text.parse::<Span>().is_err(), "{text}");
        }
    }
}

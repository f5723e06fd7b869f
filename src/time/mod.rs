//! Our own time: a steady clock for durations, a wall clock for schedules, spans, and local days.
//!
//! Duty: time is always an argument. Nothing here reads a clock; only `shell` knows what time it
//! is. All are integer milliseconds, so that the same events give the same effects, byte for byte.
//!
//! Words: [`Steady`] never jumps and means nothing outside one run of the daemon; [`Wall`] is Unix
//! time and may jump; [`Now`] is both, read together; a [`Span`] is a duration.

mod date;
mod day;
mod local;
mod month;
mod span;

pub use date::{Date, later};
pub use day::LocalDay;
pub use local::{DailyWindow, LocalTime, Zone, ZoneError, show_local};
pub use span::{Span, SpanError};

/// A moment on the steady clock, in milliseconds since an arbitrary start.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize)]
pub struct Steady(u64);

impl Steady {
    /// A moment so many milliseconds after the clock's start.
    pub const fn from_millis(millis: u64) -> Self {
        Self(millis)
    }

    /// Milliseconds since the clock's start.
    pub const fn millis(self) -> u64 {
        self.0
    }

    /// The moment one span later; the end of time if that is beyond it.
    #[must_use]
    pub const fn after(self, span: Span) -> Self {
        Self(self.0.saturating_add(span.millis()))
    }

    /// The moment one span earlier; the clock's start if that is before it.
    #[must_use]
    pub const fn before(self, span: Span) -> Self {
        Self(self.0.saturating_sub(span.millis()))
    }

    /// How long ago `earlier` was; nothing if it is in the future.
    pub const fn since(self, earlier: Self) -> Span {
        Span::from_millis(self.0.saturating_sub(earlier.0))
    }
}

/// A moment on the wall clock: Unix time in milliseconds. It may jump.
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
pub struct Wall(i64);

impl Wall {
    /// A moment so many milliseconds after 1970-01-01T00:00:00Z.
    pub const fn from_unix_millis(millis: i64) -> Self {
        Self(millis)
    }

    /// Milliseconds since 1970-01-01T00:00:00Z.
    pub const fn unix_millis(self) -> i64 {
        self.0
    }

    /// Seconds since 1970-01-01T00:00:00Z, for metrics.
    pub fn unix_seconds(self) -> f64 {
        self.0 as f64 / 1000.0
    }

    /// The moment one span later.
    #[must_use]
    pub fn after(self, span: Span) -> Self {
        Self(self.0.saturating_add_unsigned(span.millis()))
    }

    /// The moment one span earlier.
    #[must_use]
    pub fn before(self, span: Span) -> Self {
        Self(self.0.saturating_sub_unsigned(span.millis()))
    }

    /// How long ago `earlier` was; nothing if it is in the future.
    pub fn since(self, earlier: Self) -> Span {
        Span::from_millis(u64::try_from(self.0.saturating_sub(earlier.0)).unwrap_or(0))
    }
}

/// Both clocks, read together.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Now {
    /// For durations.
    pub steady: Steady,
    /// For schedules and records.
    pub wall: Wall,
}

impl Now {
    /// Both clocks one span later, as they would read if nothing jumped.
    #[must_use]
    pub fn after(self, span: Span) -> Self {
        Self { steady: self.steady.after(span), wall: self.wall.after(span) }
    }

    /// What the wall clock read at a steady moment of this run, if nothing jumped since.
    pub fn wall_at(self, at: Steady) -> Wall {
        if at <= self.steady { self.wall.before(self.steady.since(at)) } else { self.wall.after(at.since(self.steady)) }
    }
}

//! How steady one signal was, local day by local day, at the resolution of its samples.
//!
//! Duty: take samples as they come, close a day at its midnight, and keep what the next days need. A
//! piece between two samples counts as known if it is not longer than the silence after which a reading
//! is stale; what is not known is counted as such, so that a good mean of half a day is never taken for
//! one of a whole day. The value is one that can be written down and read back in the middle of a day.
//! Limits: times are the wall clock's, for days are. A clock that goes back loses a piece, and what it
//! shows again is counted again; one that goes forward leaves a gap. Nothing here decides anything.

use crate::time::{Span, Wall, Zone};

use super::gathered::Gathered;
use super::stress;
use super::weighted::Between;

/// A day that is known for less than this counts in no degree heating weeks, and ends a row of steady days. [choice]
const KNOWN_ENOUGH: f64 = 0.5;
/// A local day with the clock set back.
const LONGEST_DAY: Span = Span::from_hours(25);

/// How a signal's days are reckoned.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rules {
    /// The zone of its days.
    pub zone: Zone,
    /// A longer silence is a gap.
    pub longest_gap: Span,
    /// What lies between two samples.
    pub between: Between,
    /// The lowest and the highest value that are called steady.
    pub band: Option<(f64, f64)>,
    /// The mean of the warmest month, °C, for degree heating weeks.
    pub warmest_month: Option<f64>,
}

/// One day of one signal, in the signal's unit; `None` where nothing was known.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Day {
    /// The local date.
    pub date: String,
    /// Its first moment.
    pub from: Wall,
    /// The first moment of the next day.
    pub until: Wall,
    /// Seconds that are known.
    pub covered: f64,
    /// Time-weighted mean.
    pub mean: Option<f64>,
    /// Time-weighted standard deviation.
    pub sd: Option<f64>,
    /// The least sample.
    pub least: Option<f64>,
    /// The greatest sample.
    pub greatest: Option<f64>,
    /// The band that counted, and the seconds in it, below and above it.
    pub band: Option<InBand>,
    /// Degree heating weeks at its end, °C weeks.
    pub heating_weeks: Option<f64>,
}

/// A band, and how long a day was in it.
#[derive(schemars::JsonSchema, Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct InBand {
    /// Its lower edge.
    pub low: f64,
    /// Its upper edge.
    pub high: f64,
    /// Seconds inside, the edges included.
    pub inside: f64,
    /// Seconds below.
    pub below: f64,
    /// Seconds above.
    pub above: f64,
}

impl Day {
    /// Greatest less least.
    pub fn swing(&self) -> Option<f64> {
        Some(self.greatest? - self.least?)
    }

    /// The share of the day that is known, 0 to 1.
    pub fn coverage(&self) -> f64 {
        (self.covered / self.until.since(self.from).seconds().max(1.0)).min(1.0)
    }
}

/// Seconds over all time, by where the value was.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct Seconds {
    /// In the band.
    pub inside: f64,
    /// Below it.
    pub below: f64,
    /// Above it.
    pub above: f64,
    /// Known, whatever the band.
    pub known: f64,
    /// Not known.
    pub unknown: f64,
}

/// The running day of one signal, and what the next ones need of the past.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct Steadiness {
    /// The running day: from, until, its date.
    day: Option<(Wall, Wall, String)>,
    gathered: Gathered,
    last: Option<(Wall, f64)>,
    /// Up to here every second is counted in `seconds`.
    counted_to: Option<Wall>,
    seconds: Seconds,
    /// Beginnings and means of the last days, for degree heating weeks.
    means: Vec<(Wall, f64)>,
    /// The last completed day.
    completed: Option<Day>,
    /// Completed days in a row, up to that one, that were in the band as long as they were known.
    in_band_days: u32,
}

impl Steadiness {
    /// A good sample came. Returns the days that are over.
    pub fn heard(&mut self, rules: &Rules, at: Wall, value: f64) -> Vec<Day> {
        let mut over = Vec::new();
        self.open(rules, at);
        let piece = self.last.filter(|(before, _)| *before <= at && at.since(*before) <= rules.longest_gap);
        let (mut from, mut left) = piece.unwrap_or((at, value));
        self.pass(rules, from, at, |this, until| {
            let share = until.since(from).seconds() / at.since(from).seconds().max(1e-3);
            let right = if rules.between == Between::Step { left } else { left + share * (value - left) };
            if piece.is_some() {
                this.add(rules, until.since(from).seconds(), (left, right));
            }
            over.push(this.close(rules));
            (from, left) = (until, right);
        });
        self.add(rules, at.since(from).seconds(), (left, value));
        self.gathered.touch(value);
        if piece.is_none() {
            self.count_unknown(at);
        }
        (self.last, self.counted_to) = (Some((at, value)), Some(at));
        over
    }

    /// Time passed and there is no good value, or the last sample still stands. Returns the days that are over.
    pub fn passed(&mut self, rules: &Rules, at: Wall, known: Known) -> Vec<Day> {
        let mut over = Vec::new();
        self.open(rules, at);
        let waits = known == Known::Yes && self.last.is_some_and(|(before, _)| at.since(before) <= rules.longest_gap);
        if !waits {
            self.last = None;
            self.count_unknown(at);
            self.pass(rules, at, at, |this, _| over.push(this.close(rules)));
        }
        over
    }

    /// Closes each day whose midnight lies at or before `at`.
    fn pass(&mut self, rules: &Rules, from: Wall, at: Wall, mut over: impl FnMut(&mut Self, Wall)) {
        while let Some(until) = self.day.as_ref().map(|(_, until, _)| *until).filter(|until| *until <= at) {
            over(self, until.max(from));
            // Days in which no daemon lived are left out: the next one is today's, or the one after.
            let next = rules.zone.day(if from > until { from } else { until });
            self.day = Some((next.from, next.until, next.date.to_string()));
        }
    }

    fn open(&mut self, rules: &Rules, at: Wall) {
        if self.day.is_none() {
            let day = rules.zone.day(at);
            self.day = Some((day.from, day.until, day.date.to_string()));
        }
    }

    fn add(&mut self, rules: &Rules, dt: f64, piece: (f64, f64)) {
        let before = self.gathered;
        self.gathered.add(dt, piece, rules.between, rules.band);
        let after = self.gathered;
        self.seconds.known += after.time - before.time;
        self.seconds.inside += after.inside - before.inside;
        self.seconds.below += after.below - before.below;
        self.seconds.above += after.above - before.above;
    }

    fn count_unknown(&mut self, at: Wall) {
        self.seconds.unknown += self.counted_to.map_or(0.0, |to| at.since(to).seconds());
        self.counted_to = Some(at);
    }

    /// The running day is over.
    fn close(&mut self, rules: &Rules) -> Day {
        let gathered = std::mem::take(&mut self.gathered);
        let (from, until, date) = self.day.clone().unwrap_or_default();
        let extremes = gathered.extremes();
        let mut day = Day {
            date,
            from,
            until,
            covered: gathered.time,
            mean: gathered.mean(),
            sd: gathered.sd(),
            least: extremes.map(|(least, _)| least),
            greatest: extremes.map(|(_, greatest)| greatest),
            band: rules.band.map(|(low, high)| InBand {
                low,
                high,
                inside: gathered.inside,
                below: gathered.below,
                above: gathered.above,
            }),
            heating_weeks: None,
        };
        let follows = self.completed.as_ref().is_some_and(|last| last.until == day.from);
        let steady = day.band.is_some_and(|band| band.below + band.above <= 0.0) && day.coverage() >= KNOWN_ENOUGH;
        let before = if follows { self.in_band_days } else { 0 };
        self.in_band_days = if steady { before.saturating_add(1) } else { 0 };
        day.heating_weeks = rules.warmest_month.map(|warmest| self.heating_weeks(&day, warmest));
        self.completed = Some(day.clone());
        day
    }

    fn heating_weeks(&mut self, day: &Day, warmest: f64) -> f64 {
        if let Some(mean) = day.mean.filter(|_| day.coverage() >= KNOWN_ENOUGH) {
            self.means.push((day.from, mean));
        }
        // An hour more: the window of 84 days may hold a day of 25 hours.
        let window = Span::from_hours(24 * stress::WINDOW as u64 + 1);
        self.means.retain(|(from, _)| day.until.since(*from) <= window);
        let means: Vec<f64> = self.means.iter().map(|(_, mean)| *mean).collect();
        stress::degree_heating_weeks(&means, warmest)
    }

    /// Seconds over all time.
    pub fn seconds(&self) -> Seconds {
        self.seconds
    }

    /// Days in a row that were in the band as long as they were known, each known for half of it at least. None, unless
    /// the last completed one was yesterday.
    pub fn in_a_row(&self, now: Wall) -> u32 {
        let yesterday = |day: &&Day| now.since(day.until) < LONGEST_DAY;
        self.completed.as_ref().filter(yesterday).map_or(0, |_| self.in_band_days)
    }

    /// The last completed day.
    pub fn completed(&self) -> Option<&Day> {
        self.completed.as_ref()
    }
}

/// Whether a signal has a good value now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Known {
    /// It has.
    Yes,
    /// It has none.
    No,
}

#[cfg(test)]
mod tests;

//! The water's long story: degree heating weeks, and how often it left its limits.
//!
//! Duty: daily means of twelve weeks (for heat stress as reef watchers reckon it, [`stress`]), a log of the last
//! excursions, and counts for each year. Limits: it judges and tells nothing; a day of which less than half is known
//! counts as no stress; times are those of the wall clock.

use std::collections::{BTreeMap, VecDeque};

use crate::time::Wall;
use crate::water::stats::stress;

/// Minutes that make a day known.
const HALF_A_DAY: u32 = 720;
/// So many minutes outside a limit are an excursion, as for the alarm. [choice]
const OUTSIDE: u32 = 10;
/// Excursions and years that are kept.
const KEPT: usize = 50;
const YEARS: usize = 10;

/// Time outside a limit.
#[derive(schemars::JsonSchema, Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Excursion {
    /// When it began.
    pub since: Wall,
    /// Minutes outside.
    pub minutes: u32,
    /// Over the upper limit; else under the lower one.
    pub high: bool,
    /// The furthest, °C.
    pub extreme: f64,
}

/// What a year brought.
#[derive(schemars::JsonSchema, Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct Year {
    /// Excursions over the upper limit.
    pub high: u32,
    /// Excursions under the lower limit.
    pub low: u32,
    /// Minutes over the upper limit.
    pub minutes_high: u32,
    /// Minutes under the lower limit.
    pub minutes_low: u32,
}

/// What survives.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct LongTermRecord {
    /// The local day of now, its sum of minutes, °C, and their number.
    pub today: (String, f64, u32),
    /// Means of the days before, °C, the oldest first.
    pub days: Vec<Option<f64>>,
    /// The excursion of now.
    pub now: Option<Excursion>,
    /// Those that are over, the oldest first.
    pub excursions: Vec<Excursion>,
    /// Each year of the local calendar.
    pub years: BTreeMap<String, Year>,
}

/// What is shown: in the status.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize)]
pub struct LongTermStatus {
    /// °C weeks of the last twelve weeks; absent where nobody said what the warmest month is.
    pub degree_heating_weeks: Option<f64>,
    /// How far the last whole day was above the warmest month, K.
    pub hot_spot: Option<f64>,
    /// Days that this rests on.
    pub days: usize,
    /// Times and minutes outside the limits, each year.
    pub years: BTreeMap<String, Year>,
    /// The last excursions, the newest last.
    pub excursions: Vec<Excursion>,
}

/// The memory.
#[derive(Clone, Debug, Default)]
pub(super) struct LongTerm {
    record: LongTermRecord,
    days: VecDeque<Option<f64>>,
}

impl LongTerm {
    pub fn restored(record: &LongTermRecord) -> Self {
        let days = record.days.iter().rev().take(stress::WINDOW).rev().copied().collect();
        Self { record: record.clone(), days }
    }

    pub fn record(&self) -> LongTermRecord {
        LongTermRecord { days: self.days.iter().copied().collect(), ..self.record.clone() }
    }

    /// A minute of a local day.
    pub fn look(&mut self, value: Option<f64>, limits: (Option<f64>, Option<f64>), date: &str, now: Wall) {
        let record = &mut self.record;
        if record.today.0 != date {
            let (day, sum, minutes) = std::mem::take(&mut record.today);
            if !day.is_empty() {
                self.days.push_back((minutes >= HALF_A_DAY).then(|| rounded(sum / f64::from(minutes))));
                if self.days.len() > stress::WINDOW {
                    self.days.pop_front();
                }
            }
            date.clone_into(&mut record.today.0);
        }
        let Some(value) = value else { return };
        record.today.1 += value;
        record.today.2 += 1;
        let high = limits.1.is_some_and(|limit| value > limit);
        let outside = high || limits.0.is_some_and(|limit| value < limit);
        match &mut record.now {
            Some(running) if outside && running.high == high => {
                running.minutes += 1;
                running.extreme = if high { running.extreme.max(value) } else { running.extreme.min(value) };
                let year = record.years.entry(date.chars().take_while(|c| *c != '-').collect()).or_default();
                let (count, minutes) = if high {
                    (&mut year.high, &mut year.minutes_high)
                } else {
                    (&mut year.low, &mut year.minutes_low)
                };
                if running.minutes == OUTSIDE {
                    *count += 1;
                    *minutes += OUTSIDE;
                } else if running.minutes > OUTSIDE {
                    *minutes += 1;
                }
                if record.years.len() > YEARS {
                    record.years.pop_first();
                }
            }
            _ => {
                if let Some(over) = record.now.take().filter(|over| over.minutes >= OUTSIDE) {
                    record.excursions.push(Excursion { extreme: rounded(over.extreme), ..over });
                    if record.excursions.len() > KEPT {
                        record.excursions.remove(0);
                    }
                }
                record.now = outside.then_some(Excursion { since: now, minutes: 1, high, extreme: value });
            }
        }
    }

    /// For people. A day that is not known counts as no stress.
    pub fn status(&self, warmest_month: Option<f64>) -> LongTermStatus {
        let running = self.record.now.filter(|running| running.minutes >= OUTSIDE);
        let stress = warmest_month.map(|warmest| {
            let days: Vec<f64> = self.days.iter().map(|day| day.unwrap_or(warmest)).collect();
            (stress::degree_heating_weeks(&days, warmest), days.last().map(|day| stress::hot_spot(*day, warmest)))
        });
        LongTermStatus {
            degree_heating_weeks: stress.map(|(weeks, _)| weeks),
            hot_spot: stress.and_then(|(_, hot)| hot),
            days: self.days.iter().flatten().count(),
            years: self.record.years.clone(),
            excursions: self.record.excursions.iter().copied().chain(running).collect(),
        }
    }
}

fn rounded(celsius: f64) -> f64 {
    (celsius * 1000.0).round() / 1000.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// So many days of one temperature, minute by minute, from a day of January on.
    fn days(story: &mut LongTerm, from: u32, count: u32, celsius: f64) {
        for day in from..from + count {
            let date = format!("2026-{:02}-{:02}", 1 + day / 28, 1 + day % 28);
            for minute in 0..1440 {
                let wall = Wall::from_unix_millis(i64::from(day * 1440 + minute) * 60_000);
                story.look(Some(celsius), (Some(24.0), Some(26.5)), &date, wall);
            }
        }
    }

    #[test]
    fn the_worked_degree_heating_weeks_come_out_of_minutes_and_survive() {
        // The levels' own figures (checks: 10 d at 29, 14 d at 30.2, 21 d at 31 and a maximum monthly mean of 29: 8.4).
        let mut story = LongTerm::default();
        days(&mut story, 0, 10, 29.0);
        days(&mut story, 10, 14, 30.2);
        let mut story = LongTerm::restored(&story.record());
        days(&mut story, 24, 21, 31.0);
        days(&mut story, 45, 1, 29.0);
        let status = story.status(Some(29.0));
        assert_eq!(status.days, 45);
        assert!((status.degree_heating_weeks.unwrap() - 8.4).abs() < 1e-6, "{status:?}");
        assert_eq!(story.status(None).degree_heating_weeks, None);
    }

    #[test]
    fn excursions_are_counted_by_the_year_and_short_ones_are_none() {
        let mut story = LongTerm::default();
        let wall = Wall::from_unix_millis;
        let mut minute = 0;
        let mut pass = |story: &mut LongTerm, minutes: u32, celsius: f64| {
            for _ in 0..minutes {
                minute += 1;
                story.look(Some(celsius), (Some(24.0), Some(26.5)), "2026-07-01", wall(minute * 60_000));
            }
        };
        pass(&mut story, 30, 25.0);
        pass(&mut story, 9, 26.8);
        pass(&mut story, 30, 25.0);
        pass(&mut story, 25, 27.0);
        pass(&mut story, 5, 25.0);
        pass(&mut story, 12, 23.5);
        let status = story.status(None);
        assert_eq!(status.years["2026"], Year { high: 1, low: 1, minutes_high: 25, minutes_low: 12 });
        let shown: Vec<_> = status.excursions.iter().map(|one| (one.high, one.minutes, one.extreme)).collect();
        assert_eq!(shown, [(true, 25, 27.0), (false, 12, 23.5)]);
        pass(&mut story, 0, 0.0);
    }

    #[test]
    fn an_excursion_keeps_its_worst_and_one_that_turns_is_two() {
        let mut story = LongTerm::default();
        let mut minute = 0;
        let mut pass = |story: &mut LongTerm, limits, values: &[f64]| {
            for celsius in values {
                minute += 1;
                story.look(Some(*celsius), limits, "2026-07-01", Wall::from_unix_millis(minute * 60_000));
            }
        };
        let both = (Some(24.0), Some(26.5));
        let hot = [26.8, 27.4, 27.1, 26.6, 26.6, 26.6, 26.6, 26.6, 26.6, 26.6];
        let cold = [23.8, 23.1, 23.5, 23.9, 23.9, 23.9, 23.9, 23.9, 23.9, 23.9];
        pass(&mut story, both, &hot);
        pass(&mut story, both, &cold);
        // Exactly at a limit is within it.
        pass(&mut story, both, &[24.0, 26.5]);
        let shown: Vec<_> =
            story.status(None).excursions.iter().map(|one| (one.high, one.minutes, one.extreme)).collect();
        assert_eq!(shown, [(true, 10, 27.4), (false, 10, 23.1)]);
        assert_eq!(story.status(None).years["2026"], Year { high: 1, low: 1, minutes_high: 10, minutes_low: 10 });
        // Where there is no limit nothing is outside.
        let mut story = LongTerm::default();
        pass(&mut story, (None, Some(26.5)), &[10.0; 20]);
        pass(&mut story, (Some(24.0), None), &[40.0; 20]);
        assert!(story.status(None).excursions.is_empty());
    }

    #[test]
    fn a_day_that_is_hardly_known_is_no_stress() {
        let mut story = LongTerm::default();
        for minute in 0..100 {
            story.look(Some(35.0), (None, None), "2026-01-01", Wall::from_unix_millis(minute * 60_000));
        }
        story.look(None, (None, None), "2026-01-02", Wall::from_unix_millis(90_000_000));
        let status = story.status(Some(29.0));
        assert_eq!((status.days, status.degree_heating_weeks), (0, Some(0.0)));
    }
}

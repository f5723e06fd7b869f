//! What the tank's page shows, fetched: the status, the daemon around it, and what the sentence is made of.

use axum::response::Response;
use serde_json::Value;

use super::super::{CONTROL_WITHIN, Shared, api, care};
use crate::control::status::TankStatus;
use crate::shell::care::Part;
use crate::shell::job::{Job, TankList};
use crate::shell::store::history::read::History;
use crate::time::{Date, Span, Wall, Zone};
use crate::water::stats::days::Day;
use crate::wire::metrics::TankRecords;
use crate::wire::sentence::{self, Due, Lasts, Seen, Sentence};

/// Steady days are counted so far back.
const DAYS_BACK: u64 = 400;
/// A day counts if so much of it is known.
const KNOWN: f64 = 0.5;

/// A tank, and what belongs to it.
pub(super) struct Tank {
    pub(super) status: TankStatus,
    pub(super) list: TankList,
    pub(super) records: TankRecords,
    watched: Vec<String>,
    steady_days: Option<u32>,
    supplies: Vec<Lasts>,
    chores: Vec<Chore>,
}

/// A chore as its view says it.
struct Chore {
    name: String,
    due: bool,
    due_on: Option<Date>,
}

impl Tank {
    /// Is everything all right?
    pub(super) fn sentence(&self, now: Wall, zone: Zone) -> Sentence {
        let today = zone.calendar_day(now);
        let days = |chore: &Chore| match chore.due_on {
            _ if chore.due => Some(0),
            // The view says whether it is due; a day that is past alone does not, as while it waits.
            Some(day) => Some(day.days_since(today).max(1)),
            None => None,
        };
        let due = |chore: &Chore| days(chore).map(|days| Due { chore: chore.name.clone(), days });
        let chores: Vec<Due> = self.chores.iter().filter_map(due).collect();
        sentence::sentence(&Seen {
            status: &self.status,
            zone,
            now,
            watched: &self.watched,
            steady_days: self.steady_days,
            supplies: &self.supplies,
            chores: &chores,
        })
    }

    /// The band of a signal.
    pub(super) fn band(&self, signal: &str) -> Option<(f64, f64)> {
        self.records.signals.iter().find(|record| record.signal == signal).and_then(|record| record.band)
    }
}

/// Asks control, the keeper's log and the history. Where the last two do not answer, the sentence goes without them.
pub(super) async fn of(shared: &Shared, tank: String) -> Result<Tank, Response> {
    let list = shared.control(Job::List, CONTROL_WITHIN).await.ok_or_else(api::no_answer)?;
    let Some(from) = list.tanks.iter().position(|known| known.tank == tank) else {
        return Err(api::no_tank(tank, list));
    };
    let job = |reply| Job::Statuses { from, count: 1, reply };
    let found = shared.control(job, CONTROL_WITHIN).await.ok_or_else(api::no_answer)?;
    let Some((status, records)) = found.into_iter().next() else { return Err(api::no_answer()) };
    let watched: Vec<String> =
        records.signals.iter().filter(|record| record.band.is_some()).map(|record| record.signal.clone()).collect();
    let supplies = care::view(shared, tank.clone(), Part::Supplies).await.map(|view| lasts(&view)).unwrap_or_default();
    let chores = care::view(shared, tank.clone(), Part::Chores).await.map(|view| chores(&view)).unwrap_or_default();
    let (dir, names, now) = (shared.data_dir.clone(), watched.clone(), shared.clock.now().wall);
    let steady = tokio::task::spawn_blocking(move || steady_days(&History::open(&dir).ok()?, &tank, &names, now));
    let steady_days = steady.await.ok().flatten();
    Ok(Tank { status, list, records, watched, steady_days, supplies, chores })
}

fn each(value: &Value) -> impl Iterator<Item = &Value> {
    value.as_array().into_iter().flatten()
}

fn lasts(view: &Value) -> Vec<Lasts> {
    let one = |supply: &Value| {
        Some(Lasts { supply: supply["supply"].as_str()?.to_owned(), days: supply["days_left"][0].as_f64()? })
    };
    each(&view["supplies"]).filter_map(one).collect()
}

fn chores(view: &Value) -> Vec<Chore> {
    let one = |chore: &Value| {
        Some(Chore {
            name: chore["chore"].as_str()?.to_owned(),
            due: chore["due"] == true,
            due_on: chore["due_on"].as_str().and_then(|day| day.parse().ok()),
        })
    };
    each(&view["chores"]).filter_map(one).collect()
}

/// The days in a row, up to the last completed one, on which every signal was in its band as long as it was known.
fn steady_days(history: &History, tank: &str, watched: &[String], now: Wall) -> Option<u32> {
    let (from, to) = (now.before(Span::from_hours(24 * DAYS_BACK)), now);
    let range = (from.unix_millis() / 1000, to.unix_millis() / 1000);
    let series = history.signals(tank).ok()?;
    let mut least: Option<u32> = None;
    for name in watched {
        let series = series.iter().find(|one| one.signal == *name)?;
        let days = history.days(series, range, u32::MAX).ok()?;
        let row = in_a_row(&days, now);
        least = Some(least.map_or(row, |least| least.min(row)));
    }
    least
}

fn in_a_row(days: &[Day], now: Wall) -> u32 {
    let mut row = 0;
    let mut next = None;
    for day in days.iter().rev() {
        // The newest one is yesterday, and none between is missing.
        let follows = match next {
            None => now.since(day.until) < Span::from_hours(25),
            Some(from) => day.until == from,
        };
        let lasts = day.until.since(day.from).seconds();
        let steady = day.band.is_some_and(|band| band.below + band.above <= 0.0);
        if !follows || !steady || day.covered < KNOWN * lasts {
            break;
        }
        row += 1;
        next = Some(day.from);
    }
    row
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::water::stats::days::InBand;

    fn day(number: i64, above: f64, covered: f64) -> Day {
        let at = |day: i64| Wall::from_unix_millis(day * 86_400_000);
        let band = InBand { low: 24.5, high: 25.5, inside: covered - above, below: 0.0, above };
        Day {
            date: String::new(),
            from: at(number),
            until: at(number + 1),
            covered,
            mean: None,
            sd: None,
            least: None,
            greatest: None,
            band: Some(band),
            heating_weeks: None,
        }
    }

    #[test]
    fn steady_days_end_at_the_first_one_that_was_not_or_is_not_known() {
        let now = Wall::from_unix_millis(10 * 86_400_000 + 3_600_000);
        let all = |days: &[(i64, f64, f64)]| days.iter().map(|(n, a, c)| day(*n, *a, *c)).collect::<Vec<_>>();
        assert_eq!(in_a_row(&all(&[(7, 0.0, 8e4), (8, 0.0, 8e4), (9, 0.0, 8e4)]), now), 3);
        assert_eq!(in_a_row(&all(&[(7, 0.0, 8e4), (8, 60.0, 8e4), (9, 0.0, 8e4)]), now), 1);
        assert_eq!(in_a_row(&all(&[(7, 0.0, 8e4), (9, 0.0, 8e4)]), now), 1, "a day is missing");
        assert_eq!(in_a_row(&all(&[(8, 0.0, 8e4), (9, 0.0, 4e4)]), now), 0, "hardly known");
        assert_eq!(in_a_row(&all(&[(7, 0.0, 8e4), (8, 0.0, 8e4)]), now), 0, "yesterday is missing");
        assert_eq!(in_a_row(&[], now), 0);
    }
}

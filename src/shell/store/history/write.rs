//! Writing buckets, days and the running days.

use std::collections::BTreeMap;

use rusqlite::{Transaction, params};

use super::{DayOf, Sample};

/// The number of a signal; made, and its unit and zone corrected, where needed.
fn series(to: &Transaction<'_>, (tank, signal): (&str, &str), (unit, zone): (&str, &str)) -> rusqlite::Result<i64> {
    to.prepare_cached(
        "INSERT INTO series (tank, signal, unit, zone) VALUES (?1, ?2, ?3, ?4)
         ON CONFLICT (tank, signal) DO UPDATE SET unit = excluded.unit, zone = excluded.zone
         WHERE unit <> excluded.unit OR zone <> excluded.zone",
    )?
    .execute(params![tank, signal, unit, zone])?;
    to.prepare_cached("SELECT id FROM series WHERE tank = ?1 AND signal = ?2")?
        .query_row(params![tank, signal], |row| row.get(0))
}

/// Writes buckets of level 0. One that is there already (the clock went back) takes the new one in.
pub fn write_samples(to: &Transaction<'_>, samples: &[Sample]) -> rusqlite::Result<()> {
    for sample in samples {
        let id = series(to, (&sample.tank, &sample.signal), (sample.unit, &sample.zone))?;
        to.prepare_cached(
            "INSERT INTO buckets VALUES (?1, 0, ?2, ?3, ?4, ?5, ?6)
             ON CONFLICT DO UPDATE SET least = min(least, excluded.least), greatest = max(greatest, excluded.greatest),
             mean = (mean * count + excluded.mean * excluded.count) / (count + excluded.count), count = count + excluded.count",
        )?
        .execute(params![
            id,
            sample.at.div_euclid(1000),
            sample.least,
            sample.mean,
            sample.greatest,
            sample.count
        ])?;
    }
    Ok(())
}

/// Writes completed days.
pub fn write_days(to: &Transaction<'_>, days: &[DayOf]) -> rusqlite::Result<()> {
    for DayOf { tank, signal, unit, zone, day } in days {
        let id = series(to, (tank, signal), (unit, zone))?;
        let band = day.band;
        to.prepare_cached(
            "INSERT OR REPLACE INTO days VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15)",
        )?
        .execute(params![
            id,
            day.date,
            day.from.unix_millis().div_euclid(1000),
            day.until.unix_millis().div_euclid(1000),
            day.covered,
            day.mean,
            day.sd,
            day.least,
            day.greatest,
            band.map(|band| band.low),
            band.map(|band| band.high),
            band.map(|band| band.inside),
            band.map(|band| band.below),
            band.map(|band| band.above),
            day.heating_weeks
        ])?;
    }
    Ok(())
}

/// Writes each tank's running day.
pub fn write_steadiness(to: &Transaction<'_>, all: &BTreeMap<String, String>) -> rusqlite::Result<()> {
    for (tank, json) in all {
        to.prepare_cached("INSERT OR REPLACE INTO steadiness VALUES (?1, ?2)")?.execute(params![tank, json])?;
    }
    Ok(())
}

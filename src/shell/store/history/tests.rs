use std::path::Path;

use super::super::database::{Batch, Database};
use super::read::{History, Series};
use super::thin::Thinning;
use super::*;
use crate::control::effect::{Durability, JournalEntry, JournalKind};
use crate::time::{Wall, Zone};

/// 2026-06-01 00:00 UTC.
const START: i64 = 1_780_272_000;

fn sample(signal: &str, at: i64, (least, mean, greatest): (f64, f64, f64), count: u32) -> Sample {
    let (tank, signal, zone) = ("lagoon".to_owned(), signal.to_owned(), "Europe/Lisbon".to_owned());
    Sample { at: at * 1000, tank, signal, unit: "°C", zone, least, mean, greatest, count }
}

fn wave(at: i64) -> f64 {
    25.0 + 0.3 * (at as f64 / 20_000.0).sin()
}

/// Buckets of a minute, each with a peak of its own.
fn minutes(signal: &str, from: i64, until: i64) -> Vec<Sample> {
    let all = (from..until).step_by(60);
    all.map(|at| sample(signal, at, (wave(at) - 0.02, wave(at), wave(at) + 0.03), 6)).collect()
}

fn open(dir: &Path) -> Database {
    Database::open(&dir.join("slackwater.db")).unwrap().0
}

fn write(database: &mut Database, samples: Vec<Sample>) {
    let batch = Batch { samples, ..Batch::default() };
    database.write(&batch, Durability::Soon).unwrap();
}

fn series(history: &History, signal: &str) -> Series {
    history.signals("lagoon").unwrap().into_iter().find(|series| series.signal == signal).unwrap()
}

fn thin_all(database: &mut Database, now: i64) -> usize {
    let (mut thinning, mut pieces) = (Thinning::default(), 0);
    while thinning.some(database.connection(), now).unwrap() {
        pieces += 1;
    }
    pieces
}

#[test]
fn thinning_keeps_every_extreme_the_mean_and_the_count_and_no_moment_twice() {
    let dir = tempfile::tempdir().unwrap();
    let mut database = open(dir.path());
    let now = START + 500 * DAY;
    // Three days at each age; the oldest will be hours, the next ten minutes, the newest stay.
    let stretches = [START, START + 200 * DAY, now - 3 * DAY];
    let mut all = Vec::new();
    for from in stretches {
        all.extend(minutes("water-temp", from, from + 3 * DAY));
    }
    let peak = START + 5 * HOUR + 7 * 60;
    all.iter_mut().find(|sample| sample.at == peak * 1000).unwrap().greatest = 27.5;
    let (count, sum) =
        all.iter().fold((0, 0.0), |(count, sum), sample| (count + sample.count, sum + 6.0 * sample.mean));
    write(&mut database, all);
    assert!(thin_all(&mut database, now) >= 4, "in pieces");
    let history = History::open(dir.path()).unwrap();
    let water = series(&history, "water-temp");
    let kept = history.readings(&water, (0, now), 100_000).unwrap();
    let within = |from: i64| kept.iter().filter(|one| (from..from + 3 * DAY).contains(&one.at)).count();
    assert_eq!(stretches.map(within), [3 * 24, 3 * 144, 3 * 1440]);
    assert!(kept.windows(2).all(|pair| pair[0].at < pair[1].at));
    let counted: i64 = kept.iter().map(|one| one.count).sum();
    let summed: f64 = kept.iter().map(|one| one.mean * one.count as f64).sum();
    assert_eq!(counted, i64::from(count));
    assert!((summed - sum).abs() < 1e-6 * sum, "{summed} {sum}");
    let hot = kept.iter().find(|one| one.greatest > 27.0).unwrap();
    assert_eq!((hot.at, hot.greatest), (START + 5 * HOUR, 27.5));
    assert_eq!(thin_all(&mut database, now), 0, "done is done");
}

#[test]
fn a_late_bucket_of_a_gathered_hour_is_taken_in() {
    let dir = tempfile::tempdir().unwrap();
    let mut database = open(dir.path());
    let now = START + 20 * DAY;
    write(&mut database, vec![sample("water-temp", START, (24.0, 25.0, 26.0), 3)]);
    thin_all(&mut database, now);
    write(&mut database, vec![sample("water-temp", START + 60, (23.0, 27.0, 28.0), 1)]);
    thin_all(&mut database, now);
    let history = History::open(dir.path()).unwrap();
    let kept = history.readings(&series(&history, "water-temp"), (0, now), 10).unwrap();
    assert_eq!(kept.len(), 1);
    assert_eq!((kept[0].least, kept[0].mean, kept[0].greatest, kept[0].count), (23.0, 25.5, 28.0, 4));
}

#[test]
fn a_chart_has_about_the_points_that_were_asked_for_over_all_ages() {
    let dir = tempfile::tempdir().unwrap();
    let mut database = open(dir.path());
    let now = START + 430 * DAY;
    for day in 0..430 {
        let from = START + day * DAY;
        write(&mut database, minutes("water-temp", from, from + DAY).into_iter().step_by(5).collect());
    }
    thin_all(&mut database, now);
    let history = History::open(dir.path()).unwrap();
    let water = series(&history, "water-temp");
    let (every, points) = history.chart(&water, (now - 365 * DAY, now), 400).unwrap();
    assert!(every % HOUR == 0 && (350..=401).contains(&points.len()), "{every} {}", points.len());
    assert!(points.windows(2).all(|pair| pair[1].at - pair[0].at == every), "without a hole at the changes of level");
    for point in &points {
        assert!(point.least <= point.mean && point.mean <= point.greatest);
        assert!(point.greatest < 25.34 && point.least > 24.67, "{point:?}");
    }
    // An old hour cannot be looked into, a new one can.
    let (every, points) = history.chart(&water, (START, START + 6 * HOUR), 1000).unwrap();
    assert_eq!((every, points.len()), (HOUR, 6));
    let (every, points) = history.chart(&water, (now - HOUR, now), 60).unwrap();
    assert_eq!((every, points.len()), (60, 12));
}

#[test]
fn everyday_lines_of_the_journal_go_and_what_matters_stays_and_is_a_mark() {
    let dir = tempfile::tempdir().unwrap();
    let mut database = open(dir.path());
    let line = |at: i64, kind, subject: &str| {
        let (at, text) = (Wall::from_unix_millis(at * 1000), "invented".to_owned());
        ("lagoon".to_owned(), JournalEntry { at, kind, subject: subject.to_owned(), text })
    };
    let mut batch = Batch::default();
    for day in 0..200 {
        let at = START + day * DAY;
        batch.journal.extend((0..30).map(|n| line(at + n, JournalKind::Command, "heater")));
        batch.journal.push(line(at + 40, JournalKind::Hold, "water-change"));
    }
    database.write(&batch, Durability::Soon).unwrap();
    thin_all(&mut database, START + 200 * DAY);
    let count = |database: &mut Database, kind: &str| -> i64 {
        let sql = "SELECT count(*) FROM journal WHERE kind = ?1";
        database.connection().query_row(sql, [kind], |row| row.get(0)).unwrap()
    };
    assert_eq!((count(&mut database, "command"), count(&mut database, "hold")), (90 * 30, 200));
    let history = History::open(dir.path()).unwrap();
    let marks = history.marks("lagoon", (START + 10 * DAY, START + 13 * DAY), 100).unwrap();
    assert_eq!(marks.len(), 3);
    assert_eq!((&*marks[0].kind, &*marks[0].subject), ("hold", "water-change"));
    assert_eq!(history.marks("elsewhere", (0, i64::MAX / 1000), 100).unwrap(), []);
    thin_all(&mut database, START + 4000 * DAY);
    assert_eq!(count(&mut database, "hold"), 0, "ten years are enough");
}

#[test]
fn a_day_comes_back_as_it_was() {
    let dir = tempfile::tempdir().unwrap();
    let mut database = open(dir.path());
    let from = Wall::from_unix_millis(START * 1000);
    let mut day = Day {
        date: "2026-06-01".to_owned(),
        from,
        until: Wall::from_unix_millis((START + DAY) * 1000),
        covered: 80_000.0,
        mean: Some(25.0),
        sd: Some(0.1),
        least: Some(24.8),
        greatest: Some(25.3),
        band: Some(crate::water::stats::days::InBand {
            low: 24.5,
            high: 25.5,
            inside: 79_000.0,
            below: 0.0,
            above: 1000.0,
        }),
        heating_weeks: Some(0.4),
    };
    let of = |day: &Day| DayOf {
        tank: "lagoon".to_owned(),
        signal: "water-temp".to_owned(),
        unit: "°C",
        zone: "UTC".to_owned(),
        day: day.clone(),
    };
    let mut write = |day: &Day| {
        let batch = Batch { days: vec![of(day)], ..Batch::default() };
        database.write(&batch, Durability::Soon).unwrap();
    };
    write(&day);
    (day.mean, day.band) = (None, None);
    day.date = "2026-06-02".to_owned();
    day.from = day.until;
    write(&day);
    let history = History::open(dir.path()).unwrap();
    let water = series(&history, "water-temp");
    let days = history.days(&water, (START, START + 9 * DAY), 10).unwrap();
    assert_eq!(days.len(), 2);
    assert_eq!(days[1], day);
    assert!((days[0].band.unwrap().above - 1000.0).abs() < 1e-9);
    assert_eq!((water.unit.as_str(), water.zone), ("°C", Zone::UTC));
}

/// The file was written by the daemon of version 1, on invented data; its ballast was taken out to keep it small.
#[test]
fn a_file_of_version_1_is_taken_over_with_its_state_its_journal_and_its_readings() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("slackwater.db");
    let old = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/store/version-1.db");
    std::fs::copy(&old, &path).unwrap();
    let (mut database, found) = Database::open(&path).unwrap();
    assert!(found.damaged.is_none() && found.states["lagoon"].is_ok(), "{found:?}");
    assert!(serde_json::from_str::<crate::control::state::TankState>(found.states["lagoon"].as_ref().unwrap()).is_ok());
    while move_some(database.connection()).unwrap() {}
    let history = History::open(dir.path()).unwrap();
    let water = series(&history, "water-temp");
    let kept = history.readings(&water, (0, i64::MAX / 1000), 100).unwrap();
    let leak = history.readings(&series(&history, "floor-leak"), (0, i64::MAX / 1000), 100).unwrap();
    assert_eq!(kept.len() + leak.len(), 42, "none is lost");
    assert!(kept.iter().all(|one| (24.0..25.0).contains(&one.mean) && one.count == 1), "{kept:?}");
    let lines: i64 = database.connection().query_row("SELECT count(*) FROM journal", [], |row| row.get(0)).unwrap();
    assert_eq!(lines, 10);
    drop(database);
    let (_, again) = Database::open(&path).unwrap();
    assert_eq!(again.states, found.states);
    assert_eq!(again.instance, found.instance);
}

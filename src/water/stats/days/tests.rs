use super::*;

fn rules() -> Rules {
    Rules {
        zone: "Europe/Lisbon".parse().unwrap(),
        longest_gap: Span::from_seconds(60),
        between: Between::Linear,
        band: Some((24.5, 25.5)),
        warmest_month: None,
    }
}

fn day(name: &str) -> crate::time::LocalDay {
    rules().zone.day_named(name).unwrap()
}

/// Samples every 30 s, from one moment to another.
fn live(steady: &mut Steadiness, rules: &Rules, from: Wall, until: Wall, value: impl Fn(f64) -> f64) -> Vec<Day> {
    let mut over = Vec::new();
    let mut at = from;
    while at <= until {
        over.extend(steady.heard(rules, at, value(at.since(from).seconds())));
        at = at.after(Span::from_seconds(30));
    }
    over
}

#[test]
fn the_days_of_the_clock_changes_are_23_and_25_hours_and_wholly_known() {
    for (name, hours) in [("2026-03-29", 23.0), ("2026-10-25", 25.0), ("2026-06-01", 24.0)] {
        let day = day(name);
        let mut steady = Steadiness::default();
        // Up to 25.5 °C in the middle of the day and down again, and on into the next one.
        let half = 3600.0 * hours / 2.0;
        let over = live(&mut steady, &rules(), day.from, day.until, |t| 25.5 - (t - half).abs() / half);
        assert_eq!(over.len(), 1, "{name}");
        let found = &over[0];
        assert_eq!((found.date.as_str(), found.from, found.until), (name, day.from, day.until));
        assert!((found.covered - 3600.0 * hours).abs() < 1e-6 && (found.coverage() - 1.0).abs() < 1e-9, "{found:?}");
        // A triangle of 1 K: mean in the middle, standard deviation 1/√12.
        assert!((found.mean.unwrap() - 25.0).abs() < 1e-6, "{found:?}");
        assert!((found.sd.unwrap() - 1.0 / 12f64.sqrt()).abs() < 1e-5, "{found:?}");
        assert!((found.swing().unwrap() - 1.0).abs() < 1e-9);
        let band = found.band.unwrap();
        assert!((band.inside + band.below + band.above - found.covered).abs() < 1e-6);
        assert_eq!(steady.completed(), Some(found));
    }
}

#[test]
fn a_piece_over_midnight_is_shared_between_the_days() {
    let day = day("2026-06-01");
    let mut steady = Steadiness::default();
    steady.heard(&rules(), day.until.before(Span::from_seconds(10)), 25.0);
    let over = steady.heard(&rules(), day.until.after(Span::from_seconds(30)), 25.4);
    assert_eq!(over.len(), 1);
    assert!((over[0].covered - 10.0).abs() < 1e-9, "{over:?}");
    assert!((over[0].greatest.unwrap() - 25.1).abs() < 1e-9, "the value at midnight: {over:?}");
    let next = steady.passed(&rules(), day.until.after(Span::from_hours(30)), Known::No);
    assert!((next[0].covered - 30.0).abs() < 1e-9 && (next[0].mean.unwrap() - 25.25).abs() < 1e-9, "{next:?}");
}

#[test]
fn what_is_not_known_is_no_mean_and_counted_as_unknown() {
    let day = day("2026-06-01");
    let mut steady = Steadiness::default();
    live(&mut steady, &rules(), day.from, day.from.after(Span::from_hours(6)), |_| 25.0);
    // Silence for 12 h, then hotter.
    let again = day.from.after(Span::from_hours(18));
    for minute in 0..12 * 60 {
        steady.passed(&rules(), day.from.after(Span::from_minutes(360 + minute)), Known::No);
    }
    let over = live(&mut steady, &rules(), again, day.until, |_| 26.0);
    let found = &over[0];
    assert!((found.coverage() - 0.5).abs() < 1e-3, "{found:?}");
    assert!((found.mean.unwrap() - 25.5).abs() < 1e-3, "half and half, the silence in none of them: {found:?}");
    assert!((found.band.unwrap().above - 6.0 * 3600.0).abs() < 60.0);
    let seconds = steady.seconds();
    assert!((seconds.unknown - 12.0 * 3600.0).abs() < 61.0, "{seconds:?}");
    assert!((seconds.known + seconds.unknown - 24.0 * 3600.0).abs() < 1e-6, "no second twice, none lost: {seconds:?}");
}

#[test]
fn a_day_that_a_restart_cuts_in_two_is_the_same_day() {
    let day = day("2026-06-01");
    let wave = |t: f64| 25.0 + (t / 5000.0).sin();
    let mut whole = Steadiness::default();
    let expected = live(&mut whole, &rules(), day.from, day.until, wave);
    let mut cut = Steadiness::default();
    let noon = day.from.after(Span::from_hours(12));
    live(&mut cut, &rules(), day.from, noon, wave);
    let kept = serde_json::to_string(&cut).unwrap();
    let mut after: Steadiness = serde_json::from_str(&kept).unwrap();
    assert_eq!(after, cut);
    let later = noon.after(Span::from_seconds(30));
    let offset = later.since(day.from).seconds();
    let found = live(&mut after, &rules(), later, day.until, |t| wave(t + offset));
    assert!((found[0].mean.unwrap() - expected[0].mean.unwrap()).abs() < 1e-9);
    assert!((found[0].sd.unwrap() - expected[0].sd.unwrap()).abs() < 1e-9);
    assert!((found[0].covered - expected[0].covered).abs() < 1e-6);
}

#[test]
fn a_clock_that_goes_back_loses_a_piece_and_closes_no_day_twice() {
    let day = day("2026-06-01");
    let mut steady = Steadiness::default();
    let noon = day.from.after(Span::from_hours(12));
    live(&mut steady, &rules(), day.from, noon, |_| 25.0);
    assert_eq!(live(&mut steady, &rules(), noon.before(Span::from_hours(20)), day.from, |_| 25.0), []);
    let over = live(&mut steady, &rules(), noon, day.until, |_| 25.0);
    assert_eq!(over.len(), 1);
    assert!(over[0].coverage() <= 1.0);
    // A clock set a year ahead closes today and leaves out the days that nobody lived.
    let ahead = steady.heard(&rules(), day.until.after(Span::from_hours(24 * 365)), 25.0);
    assert_eq!(ahead.len(), 1, "{ahead:?}");
}

/// The worked sum of `stress`: hot spots of 1.0, 2.0, 0.8 and 1.2 K give 0.6.
#[test]
fn degree_heating_weeks_rest_on_the_means_of_days_that_are_known() {
    let rules = Rules { warmest_month: Some(29.0), ..rules() };
    let mut steady = Steadiness::default();
    let mut at = day("2026-06-01").from;
    let mut found = Vec::new();
    for value in [30.0, 31.0, 29.8, 30.2, 30.2] {
        let until = at.after(Span::from_hours(24)).before(Span::from_seconds(30));
        found.extend(live(&mut steady, &rules, at, until, |_| value));
        at = at.after(Span::from_hours(24));
    }
    assert_eq!(found.len(), 4);
    assert!((found[3].heating_weeks.unwrap() - 0.6).abs() < 1e-3, "{:?}", found[3]);
    // Three hours of heat in a day that is not known else are no day.
    let mut little = Steadiness::default();
    let from = day("2026-06-01").from;
    live(&mut little, &rules, from, from.after(Span::from_hours(3)), |_| 33.0);
    let over = little.passed(&rules, from.after(Span::from_hours(25)), Known::No);
    assert!(over[0].heating_weeks.unwrap().abs() < 1e-12);
}

#[test]
fn steady_days_in_a_row_end_at_one_that_was_not_or_is_not_known_or_is_missing() {
    let rules = rules();
    // Of each day: the value, and hours of it that are known.
    let row = |days: &[(&str, f64, u64)], now: Wall| {
        let mut steady = Steadiness::default();
        for (name, value, hours) in days {
            let day = day(name);
            let until = day.from.after(Span::from_hours(*hours)).min(day.until);
            live(&mut steady, &rules, day.from, until, |_| *value);
            // A kill in between loses nothing.
            steady = serde_json::from_str(&serde_json::to_string(&steady).unwrap()).unwrap();
        }
        steady.passed(&rules, now, Known::No);
        steady.in_a_row(now)
    };
    let (eighth, ninth, tenth) = ("2026-06-08", "2026-06-09", "2026-06-10");
    let now = day("2026-06-11").from.after(Span::from_hours(1));
    let good = |name| (name, 25.0, 24);
    assert_eq!(row(&[good(eighth), good(ninth), good(tenth)], now), 3);
    assert_eq!(row(&[good(eighth), (ninth, 25.6, 24), good(tenth)], now), 1);
    assert_eq!(row(&[good(eighth), good(tenth)], now), 1, "a day is missing");
    assert_eq!(row(&[good(ninth), (tenth, 25.0, 11)], now), 0, "hardly known");
    assert_eq!(row(&[good(ninth), (tenth, 25.0, 13)], now), 2);
    assert_eq!(row(&[good(eighth), good(ninth)], now), 0, "nothing is known of yesterday");
    assert_eq!(row(&[], now), 0);
    let no_band = Rules { band: None, ..rules };
    let mut steady = Steadiness::default();
    live(&mut steady, &no_band, day(tenth).from, now, |_| 25.0);
    assert_eq!(steady.in_a_row(now), 0);
    assert_eq!(steady.in_a_row(now.after(Span::from_hours(25))), 0, "long ago");
}

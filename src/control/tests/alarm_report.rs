//! A month of alarms, counted by hand.

use super::lagoon::*;
use crate::control::alarm_act::AlarmAct;
use crate::control::alarm_report::{AlarmLine, of_month};
use crate::control::plan::Priority;
use crate::time::{Span, Wall};

/// 2026-11-01 00:00 UTC.
const BEGINS: i64 = 1_793_491_200_000;

fn at(minutes: i64) -> Wall {
    Wall::from_unix_millis(BEGINS + 60_000 * minutes)
}

fn line(minutes: i64, alarm: &str, act: AlarmAct) -> AlarmLine {
    AlarmLine { at: at(minutes), alarm: alarm.to_owned(), act }
}

fn spell(lines: &mut Vec<AlarmLine>, alarm: &str, from: i64, seen: Option<i64>, until: i64) {
    lines.push(line(from, alarm, AlarmAct::Raised));
    lines.extend(seen.map(|seen| line(seen, alarm, AlarmAct::Acknowledged)));
    lines.push(line(until, alarm, AlarmAct::Cleared));
}

#[test]
fn a_month_says_how_many_which_for_how_long_and_what_to_mend() {
    let mut lines = Vec::new();
    // Six times a lost probe, seen after 10, 20 ... 50 min and once never.
    for n in 0..6 {
        let seen = (n < 5).then_some(1000 * n + 10 * (n + 1));
        spell(&mut lines, "sump-temp-lost", 1000 * n, seen, 1000 * n + 300);
    }
    spell(&mut lines, "heater-cutoff-trip", 7000, Some(7002), 7060);
    // Two days in alarm.
    spell(&mut lines, "water-temp-high", 8000, None, 8000 + 2 * 24 * 60);
    lines.push(line(20_000, "clock-jumped", AlarmAct::Shelved));
    lines.push(line(20_001, "clock-jumped", AlarmAct::Removed));
    lines.sort_by_key(|line| line.at);
    let report = of_month(&plan(), &lines, at(0), at(30 * 24 * 60));
    assert_eq!(report.raised, 8);
    assert!((report.days - 30.0).abs() < 1e-9 && (report.a_day - 8.0 / 30.0).abs() < 1e-9);
    assert_eq!(report.busiest_day, 2, "a thousand minutes apart");
    assert_eq!((&*report.top_ten[0].alarm, report.top_ten[0].raised), ("sump-temp-lost", 6));
    assert!((report.top_ten[0].share - 0.75).abs() < 1e-9 && (report.top_ten_share - 1.0).abs() < 1e-9);
    let by: Vec<_> = report.by_priority.iter().map(|of| (of.priority, of.raised)).collect();
    assert_eq!(by, [(Priority::Urgent, 1), (Priority::High, 1), (Priority::Medium, 6), (Priority::Low, 0)]);
    assert_eq!(report.chattering, []);
    assert_eq!(report.stale.len(), 1);
    assert!(report.stale[0].0 == "water-temp-high" && (report.stale[0].1 - 48.0).abs() < 1e-9);
    assert!(report.floods.is_empty() && report.flood_hours.abs() < 1e-9);
    // 2, 10, 20, 30, 40, 50 min: the middle one of six is taken as the fourth.
    assert_eq!((report.acknowledged.count, report.acknowledged.never), (6, 2));
    assert_eq!(report.acknowledged.median_minutes, Some(30.0));
    assert_eq!(report.acknowledged.longest_minutes, Some(50.0));
    assert_eq!(report.shelved, [("clock-jumped".to_owned(), 1)]);
    assert_eq!(report.out_of_service, [("clock-jumped".to_owned(), 1)]);
    assert_eq!(report.mend.len(), 2, "{:?}", report.mend);
    assert!(report.mend[0].starts_with("`sump-temp-lost` raised 6 times: look at its battery"), "{}", report.mend[0]);
    assert!(report.mend[1].starts_with("`water-temp-high` stood for 48 h"), "{}", report.mend[1]);
}

#[test]
fn eleven_in_ten_minutes_are_a_flood_and_three_in_one_chatter() {
    let mut lines = Vec::new();
    for n in 0..12 {
        let at = Wall::from_unix_millis(BEGINS + 20_000 * n);
        lines.push(AlarmLine { at, alarm: "clock-jumped".to_owned(), act: AlarmAct::Raised });
        lines.push(AlarmLine {
            at: at.after(Span::from_seconds(5)),
            alarm: "clock-jumped".to_owned(),
            act: AlarmAct::Cleared,
        });
    }
    // An hour later one alone.
    spell(&mut lines, "clock-jumped", 60, None, 61);
    let report = of_month(&plan(), &lines, at(0), at(24 * 60));
    assert_eq!(report.floods.len(), 1, "{:?}", report.floods);
    let flood = &report.floods[0];
    assert_eq!(flood.from, Wall::from_unix_millis(BEGINS + 200_000), "the eleventh");
    assert_eq!(flood.raised, 12);
    assert_eq!(report.chattering, [("clock-jumped".to_owned(), 10)], "each three of them within 40 s");
    let quiet = of_month(&plan(), &[], at(0), at(24 * 60));
    assert_eq!((quiet.raised, quiet.acknowledged.median_minutes), (0, None));
    assert!(quiet.mend.is_empty() && quiet.top_ten_share.abs() < 1e-9);
}

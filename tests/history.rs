//! What the daemon writes down, asked of it over its API and its command line, over a real Mosquitto and a kill.
#![allow(clippy::disallowed_methods, reason = "a test of the outside world waits and connects")]

mod common;

use common::{Broker, Config, Daemon, World, seconds, text, wait_until};

/// The buckets of a second each; none before the first is written.
fn rows(daemon: &Daemon) -> Vec<serde_json::Value> {
    let (code, body) = daemon.fetch("/api/v1/tanks/lagoon/readings?signal=water-temp").unwrap();
    let answer: serde_json::Value = serde_json::from_str(&body).unwrap();
    if code == 200 { answer["rows"].as_array().unwrap().clone() } else { Vec::new() }
}

#[test]
fn readings_and_days_are_answered_and_survive_a_kill() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let config = Config::new(&broker);
    let daemon = Daemon::start(&config);
    world.settle(24.2);
    wait_until("a few buckets are written", seconds(20), || rows(&daemon).len() > 2);
    world.temperature(24.4);
    wait_until("the newest bucket has what is new", seconds(20), || {
        rows(&daemon).last().is_some_and(|row| (row["greatest"].as_f64().unwrap() - 24.4).abs() < 1e-6)
    });
    for row in rows(&daemon) {
        let [least, mean, greatest] = ["least", "mean", "greatest"].map(|key| row[key].as_f64().unwrap());
        assert!(24.19 < least && least <= mean && mean <= greatest && greatest < 24.41, "{row}");
    }
    // A chart of a day in a hundred points has them all in one or two.
    let chart = daemon.json("/api/v1/tanks/lagoon/history?signal=water-temp&points=100");
    let counted = |list: &serde_json::Value| -> i64 {
        list.as_array().unwrap().iter().filter_map(|one| one["count"].as_i64()).sum()
    };
    assert!((1..=2).contains(&chart["points"].as_array().unwrap().len()), "{chart}");
    assert!(counted(&chart["points"]) > 2, "{chart}");
    assert_eq!(daemon.ask(&["hold", "water-change"]).status.code(), Some(0));
    wait_until("the hold is a mark", seconds(10), || {
        let chart = daemon.json("/api/v1/tanks/lagoon/history?signal=water-temp");
        chart["marks"].to_string().contains("water-change")
    });
    let changes = || {
        let chart = daemon.json("/api/v1/tanks/lagoon/history?signal=water-temp");
        let marks = chart["marks"].as_array().unwrap().clone();
        assert!(marks.is_sorted_by_key(|mark| mark["at"].as_i64()), "{chart}");
        marks.into_iter().filter(|mark| mark["kind"] == "water-change").collect::<Vec<_>>()
    };
    assert!(changes().is_empty(), "a hold alone is no change of water");
    assert_eq!(daemon.ask(&["log", "water-change", "9 L"]).status.code(), Some(0));
    let found = changes();
    assert!(found.len() == 1 && found[0]["text"] == "water change 9.0 L", "{found:?}");
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap();
    let now = i64::try_from(now.as_millis()).unwrap();
    assert!((now - found[0]["at"].as_i64().unwrap()).abs() < 60_000, "{found:?}");
    // One that was noted wrong is no mark.
    let id = daemon.json("/api/v1/tanks/lagoon/log?name=water-change")["entries"][0]["id"].to_string();
    let deleted = daemon.ask(&["log", "delete", &id]);
    assert_eq!(deleted.status.code(), Some(0), "{}", text(&deleted));
    assert!(changes().is_empty());
    let known = r#"slackwater_signal_known_seconds_total{tank="lagoon",signal="water-temp",known="yes"}"#;
    let before = daemon.metric(known).expect("seconds are counted");
    assert!(before > 2.0, "{before}");
    daemon.kill();
    let daemon = Daemon::start(&config);
    wait_until("the same day goes on", seconds(20), || daemon.metric(known).is_some_and(|after| after >= before - 2.0));
    assert!(rows(&daemon).len() > 2, "what was written is there");
    let csv = text(&daemon.ask(&["export", "--from", "2020-01-01", "--signal", "water-temp"]));
    let mut lines = csv.lines();
    assert_eq!(lines.next(), Some("tank,signal,unit,time,unix_seconds,least,mean,greatest,count"));
    assert!(lines.next().is_some_and(|line| line.starts_with("lagoon,water-temp,°C,20")), "{csv}");
    let days = text(&daemon.ask(&["export", "--from", "2020-01-01", "--what", "days", "--format", "json"]));
    assert!(days.is_empty(), "no day is over: {days}");
    let shown = daemon.ask(&["status", "--stability"]);
    assert_eq!(shown.status.code(), Some(0));
    assert!(text(&shown).contains("no day is complete yet"), "{}", text(&shown));
}

#[test]
fn what_cannot_be_answered_says_what_to_write() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let daemon = Daemon::start(&Config::new(&broker));
    world.settle(24.2);
    wait_until("something is written", seconds(20), || !rows(&daemon).is_empty());
    for (query, code, words) in [
        ("lagoon/history?signal=water-tmp", 404, "did you mean `water-temp`?"),
        ("lagoon/history", 422, "add `signal=`"),
        ("lagun/history?signal=water-temp", 404, "nothing is written down of a tank `lagun`"),
        ("lagoon/history?signal=water-temp&from=yesterday", 422, "write RFC 3339"),
        ("lagoon/days?signal=water-temp&from=2026-01-02&to=2026-01-01", 422, "must be the earlier one"),
        ("lagoon/history?signal=water-temp&points=many", 400, ""),
    ] {
        let (found, body) = daemon.fetch(&format!("/api/v1/tanks/{query}")).unwrap();
        assert!(found == code && body.contains(words), "{query}: {found} {body}");
    }
    let refused = daemon.ask(&["export", "--from", "yesterday", "--signal", "water-temp"]);
    assert_eq!(refused.status.code(), Some(1), "{}", text(&refused));
    assert!(text(&refused).contains("is not a time"), "{}", text(&refused));
    assert_eq!(daemon.ask(&["export"]).status.code(), Some(2));
}

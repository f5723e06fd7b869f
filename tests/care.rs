//! The keeper's side of the real daemon: the command line on a real Mosquitto, the store, and SIGKILLs.
//!
//! What was answered is there after any kill; a request that is sent again with its key is noted once.
#![allow(clippy::disallowed_methods, reason = "a test of the outside world waits and kills")]

mod common;

use std::time::{Duration, Instant};

use serde_json::{Value, json};

use common::{Broker, Config, Daemon, LAGOON, World, seconds, text, wait_until};

const CARE: &str = r#"
supplies:
  alkalinity: { holds: 1 L, price: 12 EUR }
  salt: { holds: 10 kg, new_water: 38 g/L }
chores:
  filter-sock: { every: 5 d, does: change the filter sock }
  extra-change: { when: nitrate over 10 ppm }
spots: { rock-left: the upper ledge }
keeper: { sitter: { call: ["The keeper, 555-0100"] } }
"#;

fn config(broker: &Broker) -> Config {
    let config = Config::new(broker);
    config.write_tank("lagoon", &format!("{LAGOON}{CARE}"));
    config
}

/// A request over HTTP; status code and answer. `None`: nobody answered.
fn post(daemon: &Daemon, part: &str, request: &Value) -> Option<(u16, Value)> {
    let agent: ureq::Agent =
        ureq::Agent::config_builder().http_status_as_error(false).timeout_global(Some(seconds(20))).build().into();
    let mut response = agent.post(format!("{}/api/v1/tanks/lagoon/{part}", daemon.url)).send_json(request).ok()?;
    let code = response.status().as_u16();
    Some((code, serde_json::from_str(&response.body_mut().read_to_string().ok()?).ok()?))
}

fn entries(daemon: &Daemon, name: &str) -> Vec<Value> {
    let value = daemon.json(&format!("/api/v1/tanks/lagoon/log?all=true&name={name}"));
    value["entries"].as_array().unwrap().clone()
}

#[test]
fn the_keepers_commands_note_show_and_refuse() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let config = config(&broker);
    let daemon = Daemon::start(&config);
    world.settle(25.0);
    let run = |arguments: &[&str], code: i32| {
        let output = daemon.ask(arguments);
        assert_eq!(output.status.code(), Some(code), "{arguments:?}: {}", text(&output));
        text(&output)
    };
    // The daemon's own daily count takes numbers too, in its own time.
    let number = |said: &str| -> String {
        let (_, after) = said.split_once("noted as #").unwrap_or_else(|| panic!("{said}"));
        after.chars().take_while(char::is_ascii_digit).collect()
    };
    let told = run(&["log", "alkalinity", "8.1", "dKH"], 0);
    assert!(told.contains(": alkalinity 8.10 dKH"), "{told}");
    let alkalinity = number(&told);
    let told = run(&["log", "nitrate", "12 ppm"], 0);
    assert!(told.contains("taken as mg/L"), "{told}");
    let nitrate = number(&told);
    assert!(run(&["log", "ppfd", "180 µmol/m²/s", "--at", "rock-left"], 0).contains("at rock-left"));
    assert!(run(&["log", "alkalinity", "8.1"], 1).contains("has no unit"));
    assert!(run(&["log", "alkalinity"], 2).contains("a value with its unit"));
    assert!(run(&["log", "event", "cleaned the skimmer", "--when", "yesterday 18:30"], 0).contains("18:30"));
    // The thermometer says 25.0 °C; the keeper's says 24.5 °C.
    let told = run(&["log", "temperature", "76.1 °F", "--by", "glass thermometer"], 0);
    assert!(told.contains("water-temp said 25.00 °C then") && told.contains("calibrate it"), "{told}");
    run(&["refill", "alkalinity"], 0);
    assert!(run(&["log", "dose", "alkalinity", "12 mL"], 0).contains("988 mL left"));
    assert!(run(&["refill", "reservoir"], 1).contains("there is no supply `reservoir`"));
    let chores = run(&["chores"], 1);
    assert!(chores.contains("! ") && chores.contains("filter-sock") && chores.contains("nitrate over"), "{chores}");
    run(&["chores", "done", "filter-sock"], 0);
    run(&["chores", "done", "extra-change"], 0);
    run(&["chores"], 0);
    run(&["items", "add", "left-clip", "--kind", "coral", "--at", "rock-left", "--light", "80..150 µmol/m²/s"], 0);
    assert!(run(&["items", "show", "left-clip"], 0).contains("80 to 150"));
    assert!(run(&["spots", "rock-left"], 0).contains("20 % too much"));
    assert!(run(&["log", "correct", &alkalinity, "8.3 dKH", "--note", "misread"], 0).contains("8.30"));
    assert!(run(&["log", "delete", &nitrate], 0).contains("history"));
    let log = run(&["log"], 0);
    assert!(log.contains("8.30 dKH (corrected)") && !log.contains("nitrate"), "{log}");
    let plot = run(&["log", "show", "alkalinity", "--plot"], 0);
    assert!(plot.chars().any(|c| ('\u{2801}'..='\u{28ff}').contains(&c)), "{plot}");
    assert!(run(&["chores", "sheet"], 0).contains("555-0100"));
    assert!(run(&["away", "2099-12-20..2100-01-03"], 0).contains("slackwater check --away"));
    let audit = daemon.ask(&["check", "--away", "2099-12-20..2100-01-03", "--config", config.path().to_str().unwrap()]);
    assert_eq!(audit.status.code(), Some(1), "{}", text(&audit));
    assert!(text(&audit).contains("proof tests") && text(&audit).contains("alarm path"), "{}", text(&audit));
    // CSV out and in again: all is there already.
    let csv = config.dir.path().join("log.csv");
    run(&["log", "export", csv.to_str().unwrap()], 0);
    assert!(run(&["log", "import", csv.to_str().unwrap()], 0).contains("0 entries imported"));
    std::fs::write(&csv, "when,name,value\n2026-01-01,alkalinity,8 dKH\nsoon,alkalinity,8\n").unwrap();
    let refused = run(&["log", "import", csv.to_str().unwrap()], 1);
    assert!(refused.contains("line 3, column 1") && refused.contains("line 3, column 17"), "{refused}");
    assert!(!run(&["log", "show", "alkalinity"], 0).contains("8.00 dKH"), "nothing of the file was imported");
    // What the monitoring sees.
    let series = "slackwater_log_value{tank=\"lagoon\",quantity=\"alkalinity\",spot=\"\",unit=\"dKH\"}";
    let labels = |series: &str| -> String {
        let (_, text) = daemon.fetch("/metrics").unwrap();
        text.lines().filter(|line| line.starts_with(series)).collect::<Vec<_>>().join("\n")
    };
    assert!(labels("slackwater_log_value{").contains("8.3"), "{series}: {}", labels("slackwater_log_"));
    assert!(labels("slackwater_supply_remaining_ratio{").contains("0.988"), "{}", labels("slackwater_supply"));
    assert!(labels("slackwater_chore_due{").contains("filter-sock"));
    assert_eq!(daemon.fetch("/api/v1/tanks/nowhere/log").unwrap().0, 404);
    let (code, answer) = post(&daemon, "log", &json!({ "do": "measur" })).unwrap();
    assert_eq!((code, answer["outcome"].as_str()), (422, Some("unknown")), "{answer}");
    // Nobody is there.
    drop(daemon);
    let lost =
        std::process::Command::new(common::BINARY).args(["log", "--url", "http://127.0.0.1:1"]).output().unwrap();
    assert_eq!(lost.status.code(), Some(3), "{}", text(&lost));
}

#[test]
fn new_water_released_through_a_hold_is_in_the_log_once() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let config = config(&broker);
    let daemon = Daemon::start(&config);
    world.settle(25.0);
    daemon.ask(&["refill", "salt"]);
    assert_eq!(daemon.ask(&["hold", "water-change"]).status.code(), Some(0));
    let released = ["release", "--litres", "9 L", "--salinity", "35 psu", "--temperature", "25 °C"];
    let output = daemon.ask(&released);
    assert!(text(&output).contains("is released"), "{}", text(&output));
    wait_until("the water change is noted", seconds(10), || entries(&daemon, "water-change").len() == 1);
    daemon.kill();
    let daemon = Daemon::start(&config);
    // The kill may have brought the hold back; then it is released again, and it is one water change all the same.
    daemon.ask(&released);
    daemon.ask(&["release"]);
    std::thread::sleep(Duration::from_millis(500));
    let changes = entries(&daemon, "water-change");
    assert_eq!(changes.len(), 1, "{changes:?}");
    let salt = daemon.json("/api/v1/tanks/lagoon/supplies")["supplies"][1].clone();
    assert_eq!(salt["left"], "9.66 kg", "9 L take 342 g of salt: {salt}");
}

#[test]
fn sigkills_between_entry_and_answer_lose_nothing_and_double_nothing() {
    let broker = Broker::start();
    let config = config(&broker);
    let mut daemon = Daemon::start(&config);
    let (mut kills, mut lost_answers, mut noted) = (0_u32, 0, Vec::new());
    let begun = Instant::now();
    for round in 0..25_u32 {
        let key = format!("chore-{round}");
        let request = json!({ "do": "done", "chore": "filter-sock", "key": key, "note": key });
        let (url, body) = (format!("{}/api/v1/tanks/lagoon/chores", daemon.url), request.to_string());
        let asking = std::thread::spawn(move || {
            let agent: ureq::Agent = ureq::Agent::config_builder().timeout_global(Some(seconds(10))).build().into();
            let sent = agent.post(url).header("Content-Type", "application/json").send(body);
            sent.is_ok_and(|response| response.status().as_u16() == 200)
        });
        // From before the request is read until after it is answered.
        std::thread::sleep(Duration::from_micros(u64::from(round * 977 % 12_000)));
        daemon.kill();
        kills += 1;
        let answered = asking.join().unwrap();
        lost_answers += u32::from(!answered);
        daemon = Daemon::start(&config);
        let there = entries(&daemon, "filter-sock")
            .iter()
            .filter(|line| line["says"].as_str().unwrap().contains(&format!("({key})")))
            .count();
        assert!(!answered || there == 1, "{key} was answered, and is there {there} times");
        // The keeper's program asks again, twice.
        for _ in 0..2 {
            let (code, answer) = post(&daemon, "chores", &request).unwrap();
            assert_eq!(code, 200, "{answer}");
        }
        noted.push(key);
        let lines = entries(&daemon, "filter-sock");
        for key in &noted {
            let count =
                lines.iter().filter(|line| line["says"].as_str().unwrap().contains(&format!("({key})"))).count();
            assert_eq!(count, 1, "{key} after {kills} kills");
        }
    }
    println!("{kills} kills, {lost_answers} of them before the answer, in {:?}", begun.elapsed());
    assert!(lost_answers >= 3, "kills came before the answer: {lost_answers}");
}

#[test]
fn a_wrong_config_of_the_keepers_side_is_told_all_at_once() {
    let care = r"
supplies:
  reservoir: { holds: 9 L, metered_by: heater }
  alkalinity: { usual: 20 mL/d }
  salt: { holds: 10 kg, new_water: 38 g/L, tests: alkalinity, price: 24 }
  carbon: { holds: 200 g, usual: 20 mL/d, lasts: 60 }
chores:
  filter-sock: { does: change it }
  impellers: { after: 2000 h, of: retrun-pump }
  extra-change: { when: nitrate above 10 ppm }
  bath: { evry: 5 d }
keeper: { sitter: { may: [a, b, c, d] }, observes: 28 }
";
    let files = slackwater::config::Files(vec![
        ("daemon.yaml".to_owned(), Ok("broker: { host: localhost }\ndata_dir: /tmp/none\n".to_owned())),
        ("tanks/lagoon.yaml".to_owned(), Ok(format!("{LAGOON}{care}"))),
    ]);
    let problems = slackwater::config::understand(&files).unwrap_err();
    let keys: Vec<&str> = problems.0.iter().map(|problem| problem.key.as_str()).collect();
    let expected = [
        "supplies.reservoir.metered_by",
        "supplies.alkalinity",
        "supplies.salt",
        "supplies.salt.price",
        "supplies.carbon.usual",
        "supplies.carbon.lasts",
        "chores.filter-sock",
        "chores.impellers.of",
        "chores.extra-change.when",
        "chores.bath.evry",
        "keeper.sitter.may",
        "keeper.observes",
    ];
    assert_eq!(keys, expected, "{problems}");
    assert!(
        problems
            .0
            .iter()
            .all(|problem| problem.place.line > 0 && (problem.fix.is_some() || problem.key.ends_with("of"))),
        "{problems}"
    );
}

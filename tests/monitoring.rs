//! Dashboards, rules and configs for the monitoring stack, against the real programs and the real daemon.
//!
//! No dashboard server is at hand, so each dashboard is checked by its structure and its portability
//! (`tests/dashboards/` checks the types besides), and each of its queries is put to a Prometheus that has
//! scraped the demo's daemon on a rehearsed day with faults, and must return data. INVENTED DATA.
#![cfg(feature = "embedded-broker")]
#![allow(clippy::disallowed_methods, reason = "a test of the outside world waits and connects")]

mod common;

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use common::{BINARY, free_port, text, wait_until};
use serde_json::Value;

/// Simulated time against real time.
const SPEED: &str = "600";
/// How long the demo is scraped: a simulated day's half, with a midnight in it.
const SCRAPED: Duration = Duration::from_secs(80);

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn run(program: &str, arguments: &[&str]) -> String {
    let done = Command::new(program)
        .args(arguments)
        .current_dir(root())
        .output()
        .unwrap_or_else(|_| panic!("{program} is installed (tests/all installs it)"));
    assert!(done.status.success(), "{program} {arguments:?}\n{}", text(&done));
    text(&done)
}

#[test]
fn the_rules_are_clean_and_do_what_they_say() {
    let files = ["deploy/prometheus/recording.yml", "deploy/prometheus/alerts.yml"];
    run("promtool", &[&["check", "rules", "--lint=all", "--lint-fatal"], &files[..]].concat());
    run("promtool", &["test", "rules", "tests/data/prometheus/rules-test.yml"]);
}

#[test]
fn the_dead_mans_switch_goes_its_own_way_and_pages_go_to_people() {
    let config = "deploy/prometheus/alertmanager.yml";
    run("amtool", &["check-config", config]);
    for (receiver, labels) in [
        ("dead-mans-switch", ["alertname=DeadMansSwitch", "service=slackwater", "severity=none"]),
        ("people-at-night", ["alertname=SlackwaterDown", "service=slackwater", "severity=page"]),
        ("people", ["alertname=SlackwaterNotScraped", "service=slackwater", "severity=ticket"]),
    ] {
        let verify = format!("--verify.receivers={receiver}");
        let arguments = [&["config", "routes", "test", "--config.file", config, &*verify], &labels[..]].concat();
        run("amtool", &arguments);
    }
}

/// No alert says again what the daemon says itself: none looks at an alarm, a reading, an interlock or the broker.
#[test]
fn no_alert_rule_tells_what_the_daemon_tells() {
    let rules = std::fs::read_to_string(root().join("deploy/prometheus/alerts.yml")).unwrap();
    let expressions = rules.lines().filter(|line| !line.trim_start().starts_with('#'));
    for line in expressions {
        for told in ["alarm", "celsius", "interlock", "hold_", "signal", "output", "mqtt", "store", "contact"] {
            assert!(!line.contains(&format!("slackwater_{told}")), "{line}");
        }
    }
}

/// A Prometheus of its own.
struct Prometheus {
    child: Child,
    url: String,
    _dir: tempfile::TempDir,
}

impl Prometheus {
    /// Scrapes `target` every second, by the shipped scrape config and with the shipped rules.
    fn start(target: &str) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let shipped = std::fs::read_to_string(root().join("deploy/prometheus/scrape.yml")).unwrap();
        assert!(shipped.contains("localhost:8480") && shipped.contains("scrape_interval: 15s"), "{shipped}");
        let jobs = shipped.replace("localhost:8480", target).replace("15s", "1s");
        let rules = root().join("deploy/prometheus");
        let config = format!(
            "global: {{ scrape_interval: 1s, evaluation_interval: 1s }}\nrule_files: [{0}/recording.yml, {0}/alerts.yml]\nscrape_configs:\n{jobs}",
            dir.path().display()
        );
        for file in ["recording.yml", "alerts.yml"] {
            // A minute's rule would be worked out once or twice in the whole test.
            let text = std::fs::read_to_string(rules.join(file)).unwrap().replace("interval: 1m", "interval: 1s");
            std::fs::write(dir.path().join(file), text).unwrap();
        }
        let path = dir.path().join("prometheus.yml");
        std::fs::write(&path, config).unwrap();
        run("promtool", &["check", "config", path.to_str().unwrap()]);
        let port = free_port();
        let child = Command::new("prometheus")
            .arg(format!("--config.file={}", path.display()))
            .arg(format!("--storage.tsdb.path={}", dir.path().join("data").display()))
            .arg(format!("--web.listen-address=127.0.0.1:{port}"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("prometheus is installed (apt-get install prometheus)");
        let prometheus = Self { child, url: format!("http://127.0.0.1:{port}"), _dir: dir };
        wait_until("Prometheus is ready", Duration::from_secs(30), || {
            ureq::get(format!("{}/-/ready", prometheus.url)).call().is_ok()
        });
        prometheus
    }

    /// How many series a query gives over the time since `begun`; or what is wrong with it.
    fn series(&self, query: &str, begun: Instant) -> Result<usize, String> {
        let now = slackwater::shell::clock::unix_millis() as f64 / 1000.0;
        let start = now - begun.elapsed().as_secs_f64();
        let mut response = ureq::get(format!("{}/api/v1/query_range", self.url))
            .config()
            .http_status_as_error(false)
            .build()
            .query("query", query)
            .query("start", start.to_string())
            .query("end", now.to_string())
            .query("step", "1")
            .call()
            .map_err(|error| error.to_string())?;
        let answer: Value = response.body_mut().read_json().map_err(|error| error.to_string())?;
        match answer["data"]["result"].as_array() {
            Some(series) => Ok(series.len()),
            None => Err(answer.to_string()),
        }
    }
}

impl Drop for Prometheus {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The demo's daemon on the example config, in a zone whose midnight comes soon.
struct Demo {
    child: Child,
    address: String,
    _config: tempfile::TempDir,
}

impl Demo {
    fn start() -> Self {
        let config = tempfile::tempdir().unwrap();
        copy(&root().join("config"), config.path());
        // The hour in which it is 22 o'clock: so many hours east of Greenwich, which `Etc` writes as minus.
        let hour = slackwater::shell::clock::unix_millis() / 3_600_000 % 24;
        let east = (22 - hour + 24) % 24;
        let zone = if east <= 14 { format!("Etc/GMT-{east}") } else { format!("Etc/GMT+{}", 24 - east) };
        for tank in ["lagoon", "quarantine"] {
            let path = config.path().join(format!("tanks/{tank}.yaml"));
            let text = std::fs::read_to_string(&path).unwrap();
            assert!(text.contains("Europe/Lisbon"));
            std::fs::write(&path, text.replace("Europe/Lisbon", &zone)).unwrap();
        }
        let port = free_port();
        let child = Command::new(BINARY)
            .args(["demo", "--speed", SPEED, "--http", &port.to_string(), "--config"])
            .arg(config.path())
            .args(["--fault", "display-temp reads 27 °C at 5 h for 1 h"])
            .args(["--fault", "keeper changes 9 L at 2 h"])
            .current_dir(config.path())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let demo = Self { child, address: format!("127.0.0.1:{port}"), _config: config };
        wait_until("the demo's daemon answers", Duration::from_mins(1), || {
            ureq::get(format!("http://{}/readyz", demo.address)).call().is_ok()
        });
        demo
    }
}

impl Drop for Demo {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn copy(from: &Path, to: &Path) {
    for entry in std::fs::read_dir(from).unwrap().map(Result::unwrap) {
        let target = to.join(entry.file_name());
        if entry.path().is_dir() {
            std::fs::create_dir(&target).unwrap();
            copy(&entry.path(), &target);
        } else {
            std::fs::copy(entry.path(), target).unwrap();
        }
    }
}

fn dashboards() -> Vec<(String, Value)> {
    let mut all: Vec<_> = std::fs::read_dir(root().join("dashboards"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "json"))
        .map(|path| {
            let text = std::fs::read_to_string(&path).unwrap();
            let name = path.file_stem().unwrap().to_string_lossy().into_owned();
            let dashboard = serde_json::from_str(&text).unwrap_or_else(|error| panic!("{name}: {error}"));
            (name, dashboard)
        })
        .collect();
    all.sort_by(|a, b| a.0.cmp(&b.0));
    assert_eq!(all.len(), 5, "the dashboards that dashboards/README.md names");
    all
}

/// Every query of a dashboard, with the panel that asks it, its variables put in.
fn queries(dashboard: &Value) -> Vec<(String, String)> {
    let list = |value: &Value| value.as_array().cloned().unwrap_or_default();
    let mut all = Vec::new();
    for panel in list(&dashboard["panels"]) {
        for target in list(&panel["targets"]) {
            all.push((panel["title"].as_str().unwrap().to_owned(), target["expr"].as_str().unwrap().to_owned()));
        }
    }
    for annotation in list(&dashboard["annotations"]["list"]) {
        all.push((annotation["name"].as_str().unwrap().to_owned(), annotation["expr"].as_str().unwrap().to_owned()));
    }
    for variable in list(&dashboard["templating"]["list"]).iter().filter(|variable| variable["type"] == "query") {
        let asked = variable["query"]["query"].as_str().unwrap();
        let inner = asked.strip_prefix("label_values(").and_then(|rest| rest.strip_suffix(')')).unwrap();
        all.push((variable["name"].as_str().unwrap().to_owned(), inner.rsplit_once(", ").unwrap().0.to_owned()));
    }
    let filled = |query: String| query.replace("$job", ".+").replace("$tank", ".+").replace("$price", "0.25");
    all.into_iter().map(|(panel, query)| (panel, filled(query))).collect()
}

#[test]
fn each_query_of_each_dashboard_returns_data_of_a_rehearsed_day() {
    let demo = Demo::start();
    let prometheus = Prometheus::start(&demo.address);
    let begun = Instant::now();
    std::thread::sleep(SCRAPED);
    let metrics = ureq::get(format!("http://{}/metrics", demo.address)).call().unwrap().body_mut().read_to_string();
    common::promtool_finds_nothing(&metrics.unwrap());
    let (mut asked, mut wrong) = (0, Vec::new());
    for (name, dashboard) in dashboards() {
        for (panel, query) in queries(&dashboard) {
            asked += 1;
            assert!(!query.contains('$'), "{name}, {panel}: a variable that nobody knows in {query}");
            match prometheus.series(&query, begun) {
                Ok(0) => wrong.push(format!("{name}, {panel}: no data for {query}")),
                Ok(_) => {}
                Err(error) => wrong.push(format!("{name}, {panel}: {error}")),
            }
        }
    }
    assert!(wrong.is_empty(), "{} of {asked} queries:\n{}", wrong.len(), wrong.join("\n"));
    assert!(asked > 90, "{asked}");
    // The test itself can fail: a name that does not exist has no data.
    assert_eq!(prometheus.series("slackwater_temperature_kelvin", begun), Ok(0));
}

/// What makes a dashboard work in another house: MONITORING rules of the project, see dashboards/README.md.
#[test]
fn dashboards_are_portable_and_explain_themselves() {
    let mut uids = BTreeSet::new();
    for (name, dashboard) in dashboards() {
        let text = dashboard.to_string();
        assert!(uids.insert(dashboard["uid"].as_str().expect("a fixed uid").to_owned()), "{name}");
        assert_eq!(dashboard["schemaVersion"], 39, "{name}");
        assert_eq!(dashboard["editable"], false, "{name}: what is provisioned is edited in its file");
        assert!(dashboard.get("id").is_none() && !text.contains("__inputs") && !text.contains("${DS_"), "{name}");
        let variables: Vec<_> =
            dashboard["templating"]["list"].as_array().unwrap().iter().map(|v| &v["name"]).collect();
        assert_eq!(variables[..2], ["datasource", "job"], "{name}");
        assert!(variables.iter().any(|variable| *variable == "tank"), "{name}");
        let mut ids = BTreeSet::new();
        let mut places: Vec<[i64; 4]> = Vec::new();
        for panel in dashboard["panels"].as_array().unwrap() {
            let title = panel["title"].as_str().unwrap_or_default();
            assert!(!title.is_empty() && ids.insert(panel["id"].as_i64().unwrap()), "{name}: {title}");
            let place = ["x", "y", "w", "h"].map(|side| panel["gridPos"][side].as_i64().unwrap());
            assert!(place[0] + place[2] <= 24, "{name}: {title} is beyond the edge");
            let apart = |other: &[i64; 4]| {
                place[0] + place[2] <= other[0]
                    || other[0] + other[2] <= place[0]
                    || place[1] + place[3] <= other[1]
                    || other[1] + other[3] <= place[1]
            };
            assert!(places.iter().all(apart), "{name}: {title} lies on another panel");
            places.push(place);
            if panel["type"] == "row" {
                continue;
            }
            let said = panel["description"].as_str().unwrap_or_default();
            assert!(said.len() > 8, "{name}: {title} does not explain itself");
            let defaults = &panel["fieldConfig"]["defaults"];
            assert!(defaults["unit"].is_string(), "{name}: {title} has no unit");
            assert!(defaults["thresholds"]["steps"].as_array().is_some_and(|s| !s.is_empty()), "{name}: {title}");
            for target in panel["targets"].as_array().unwrap() {
                assert!(target["expr"].as_str().is_some_and(|expr| expr.contains("$job")), "{name}: {title}");
            }
        }
        // A datasource anywhere is the one that the reader chose.
        sources(&dashboard, &mut |source| {
            assert_eq!(*source, serde_json::json!({ "type": "prometheus", "uid": "${datasource}" }), "{name}");
        });
        let annotations = dashboard["annotations"]["list"].as_array().unwrap();
        assert!(
            annotations.iter().any(|one| one["expr"].as_str().unwrap().contains("slackwater_hold_active")),
            "{name}"
        );
    }
}

fn sources(value: &Value, see: &mut dyn FnMut(&Value)) {
    match value {
        Value::Object(map) => {
            for (key, inner) in map {
                if key == "datasource" { see(inner) } else { sources(inner, see) }
            }
        }
        Value::Array(list) => list.iter().for_each(|inner| sources(inner, see)),
        _ => {}
    }
}

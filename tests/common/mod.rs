//! A real broker, a real daemon, and a world of one probe and two obedient plugs around them.
//!
//! Every test has its own ports and directories. Everything started here is ended when it is dropped.
#![allow(clippy::disallowed_methods, reason = "a test of the outside world waits and connects")]
#![allow(dead_code, reason = "each test file uses its part")]
#![allow(clippy::cast_possible_truncation, reason = "milli-degrees of a tank")]

pub mod browser;
pub mod web;

use std::collections::BTreeSet;
use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Packet, Publish, PublishProperties};
use rumqttc::v5::{Client, Event, MqttOptions};

/// The daemon under test.
pub const BINARY: &str = env!("CARGO_BIN_EXE_slackwater");

/// A port that was free a moment ago, and that no other test of this program was given.
pub fn free_port() -> u16 {
    static GIVEN: Mutex<BTreeSet<u16>> = Mutex::new(BTreeSet::new());
    loop {
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        if GIVEN.lock().unwrap().insert(port) {
            return port;
        }
    }
}

/// Waits until something holds, or says what did not.
pub fn wait_until(what: &str, within: Duration, mut holds: impl FnMut() -> bool) {
    let until = Instant::now() + within;
    while !holds() {
        assert!(Instant::now() < until, "not within {within:?}: {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}

pub fn seconds(n: u64) -> Duration {
    Duration::from_secs(n)
}

/// A Mosquitto of its own.
pub struct Broker {
    pub port: u16,
    dir: tempfile::TempDir,
    child: Option<Child>,
}

impl Broker {
    /// One that lets everybody in.
    pub fn start() -> Self {
        Self::with("allow_anonymous true\n", |_| ())
    }

    /// One with further lines, after `prepare` put files into its directory. `{dir}` is that directory.
    pub fn with(lines: &str, prepare: impl FnOnce(&Path)) -> Self {
        let dir = tempfile::tempdir().unwrap();
        prepare(dir.path());
        let port = free_port();
        let lines = lines.replace("{dir}", dir.path().to_str().unwrap());
        let head = format!("user root\nlistener {port} 127.0.0.1\nset_tcp_nodelay true\npersistence false\n");
        Self::by_file(port, dir, &(head + &lines))
    }

    /// One whose file says all, and that listens on this port.
    pub fn by_file(port: u16, dir: tempfile::TempDir, text: &str) -> Self {
        std::fs::write(dir.path().join("mosquitto.conf"), text).unwrap();
        let mut broker = Self { port, dir, child: None };
        broker.restart();
        broker
    }

    pub fn dir(&self) -> &Path {
        self.dir.path()
    }

    /// Starts it, on the same port as before.
    pub fn restart(&mut self) {
        let log = std::fs::File::create(self.dir.path().join("log")).unwrap();
        let child = Command::new(mosquitto())
            .arg("-c")
            .arg(self.dir.path().join("mosquitto.conf"))
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .expect("mosquitto is installed (apt-get install mosquitto)");
        let (child, port) = (self.child.insert(child), self.port);
        wait_until("the broker listens", seconds(10), || {
            let ended = child.try_wait().unwrap();
            assert!(ended.is_none(), "mosquitto ended: {ended:?}; is port {port} in use?");
            TcpStream::connect(("127.0.0.1", port)).is_ok()
        });
    }

    /// Kills it, as a power cut would.
    pub fn kill(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        self.kill();
    }
}

fn mosquitto() -> &'static str {
    // Debian puts it where a user's path does not lead.
    if Path::new("/usr/sbin/mosquitto").exists() { "/usr/sbin/mosquitto" } else { "mosquitto" }
}

/// What a test's daemon.yaml says.
pub struct Config {
    pub dir: Arc<tempfile::TempDir>,
    pub http: u16,
    pub broker: String,
    pub extra: String,
}

/// A small lagoon: one thermometer, one leak probe, a leased heater and a skimmer, both with reports.
pub const LAGOON: &str = r#"
tank: { title: Seagrass lagoon, timezone: UTC, volume: 90 L }
probes:
  water-temp: { measures: temperature, topic: lagoon/temp, pointer: /t, unit: °C, stale_after: 3 s }
  floor-leak: { measures: leak, topic: lagoon/leak, wet: "1", dry: "0", stale_after: 3 s }
outputs:
  heater:
    kind: heater
    rating: 100 W
    plug:
      command: { topic: lagoon/heater/set, on: "ON", off: "OFF" }
      report: { topic: lagoon/heater/relay, on: "ON", off: "OFF" }
      lease: { payload: '{"on":true,"for":{seconds}}' }
  skimmer:
    kind: skimmer
    rest: on
    plug:
      command: { topic: lagoon/skimmer/set, on: "1", off: "0" }
      report: { topic: lagoon/skimmer/relay, on: "1", off: "0" }
temperature: { signal: water-temp, target: 25.0 °C, band: 0.4 °C, heater: heater }
interlocks:
  heater-cutoff:
    cause: { any_probe_of: water-temp, over: 26.0 °C, lasting: 1 s, unknown: trips }
    effect: { off: [heater] }
    latch: always
    priority: urgent
    consequence: The water goes on warming.
    action: Unplug the heater.
holds:
  water-change: { pause: [heater, skimmer], limit: 60 min, at_limit: alarm }
"#;

/// The small lagoon, with an interlock that may be bypassed and a dosing pump with a plan.
pub fn more_lagoon() -> String {
    let outputs = r#"  bubbles:
    kind: other
    rest: on
    plug:
      command: { topic: lagoon/bubbles/set, on: "1", off: "0" }
      report: { topic: lagoon/bubbles/relay, on: "1", off: "0" }
  alkalinity:
    kind: doser
    delivers: 5 mL/min
    plug:
      command: { topic: lagoon/alkalinity/set, on: "1", off: "0" }
      report: { topic: lagoon/alkalinity/relay, on: "1", off: "0" }
      lease: { payload: '{"on":true,"for":{seconds}}' }
dosing:
  alkalinity: { adds: carbonate, strength: 1 eq/L, plan: 20 mL/d, container: 250 mL }
temperature: {"#;
    let interlock = r"  too-warm-for-bubbles:
    cause: { signal: water-temp, over: 25.5 °C, lasting: 1 s, unknown: ignored }
    effect: { off: [bubbles] }
    consequence: It foams over.
    action: Look.
holds:";
    LAGOON.replace("temperature: {", outputs).replace("holds:", interlock)
}

/// Tests that fall from day to day, invented: the plan is proposed to be more.
pub fn propose(daemon: &Daemon) {
    let tests: Vec<_> = (0..8)
        .map(|n| serde_json::json!({ "day": 2 * n, "dkh": format!("{:.2} dKH", 8.4 - 0.2 * f64::from(n)) }))
        .collect();
    let propose = serde_json::json!({ "tests": tests, "test_sd": "0.1 dKH" });
    let ask = serde_json::json!({ "do": "dose", "pump": "alkalinity", "what": { "propose": propose } });
    let port = daemon.url.rsplit(':').next().unwrap().parse().unwrap();
    let answer = web::send(port, "POST", "/api/v1/tanks/lagoon/ask", &[], &ask.to_string());
    assert_eq!(answer.code, 200, "{answer:?}");
}

impl Config {
    pub fn new(broker: &Broker) -> Self {
        let broker = format!("host: 127.0.0.1, port: {}, client_id: keeper, keep_alive: 5 s", broker.port);
        let config =
            Self { dir: Arc::new(tempfile::tempdir().unwrap()), http: free_port(), broker, extra: String::new() };
        std::fs::create_dir(config.dir.path().join("tanks")).unwrap();
        config.write_tank("lagoon", LAGOON);
        config.write();
        config
    }

    pub fn path(&self) -> PathBuf {
        self.dir.path().to_owned()
    }

    pub fn write_tank(&self, name: &str, text: &str) {
        std::fs::write(self.dir.path().join(format!("tanks/{name}.yaml")), text).unwrap();
    }

    pub fn write(&self) {
        let data = self.dir.path().join("data");
        let text = format!(
            "broker: {{ {} }}\nhttp: {{ listen: 127.0.0.1:{} }}\ndata_dir: {}\nsample_every: 1 s\n{}\n",
            self.broker,
            self.http,
            data.display(),
            self.extra
        );
        std::fs::write(self.dir.path().join("daemon.yaml"), text).unwrap();
    }
}

/// A running `slackwater run`.
pub struct Daemon {
    child: Child,
    pub url: String,
    config: PathBuf,
    pub log: PathBuf,
    /// Lives as long as the daemon that works in it.
    dir: Option<Arc<tempfile::TempDir>>,
}

impl Daemon {
    /// Starts it and waits until it is ready.
    pub fn start(config: &Config) -> Self {
        let daemon = Self::launch(config);
        daemon.wait_ready();
        daemon
    }

    /// Starts it.
    pub fn launch(config: &Config) -> Self {
        let mut command = Command::new(BINARY);
        command.args(["run", "--config"]).arg(config.path());
        Self::launch_as(config, command)
    }

    /// Starts a process that is the daemon of this config, whatever its command line.
    pub fn launch_as(config: &Config, command: Command) -> Self {
        let mut daemon = Self::launch_in(&config.path(), config.http, command);
        daemon.dir = Some(Arc::clone(&config.dir));
        daemon
    }

    /// The same for a daemon that is not of such a config: its log goes into this directory, which the caller keeps.
    pub fn launch_in(dir: &Path, http: u16, mut command: Command) -> Self {
        let log = dir.join("daemon.log");
        let file = std::fs::File::options().append(true).create(true).open(&log).unwrap();
        let child = command.env("RUST_LOG", "info").stdout(Stdio::null()).stderr(file).spawn().unwrap();
        Self { child, url: format!("http://127.0.0.1:{http}"), config: dir.to_owned(), log, dir: None }
    }

    pub fn wait_ready(&self) {
        wait_until("the daemon is ready", seconds(20), || self.is_ready());
    }

    pub fn is_ready(&self) -> bool {
        self.fetch("/readyz").is_some_and(|(code, _)| code == 200)
    }

    pub fn log_text(&self) -> String {
        std::fs::read_to_string(&self.log).unwrap_or_default()
    }

    /// Status code and body; `None`: nobody answers.
    pub fn fetch(&self, path: &str) -> Option<(u16, String)> {
        let agent: ureq::Agent =
            ureq::Agent::config_builder().http_status_as_error(false).timeout_global(Some(seconds(5))).build().into();
        let mut response = agent.get(format!("{}{path}", self.url)).call().ok()?;
        let code = response.status().as_u16();
        Some((code, response.body_mut().read_to_string().ok()?))
    }

    pub fn json(&self, path: &str) -> serde_json::Value {
        let (code, body) = self.fetch(path).expect("the daemon answers");
        assert_eq!(code, 200, "{path}: {body}");
        serde_json::from_str(&body).unwrap()
    }

    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    pub fn status(&self) -> serde_json::Value {
        self.json("/api/v1/tanks/lagoon/status")
    }

    /// One metric's value, by its whole name with labels.
    pub fn metric(&self, series: &str) -> Option<f64> {
        let (_, text) = self.fetch("/metrics")?;
        let line = text.lines().find(|line| line.strip_prefix(series).is_some_and(|rest| rest.starts_with(' ')))?;
        line.rsplit(' ').next()?.parse().ok()
    }

    /// Runs a command that asks this daemon.
    pub fn ask(&self, arguments: &[&str]) -> Output {
        Command::new(BINARY).args(arguments).env("SLACKWATER_URL", &self.url).output().unwrap()
    }

    /// MiB of memory that it holds now.
    pub fn resident_mebibytes(&self) -> f64 {
        self.mebibytes("VmRSS:")
    }

    /// MiB of memory that are its own: not pages of its program's file, of which a build that seeks its own mistakes has more.
    pub fn anonymous_mebibytes(&self) -> f64 {
        self.mebibytes("RssAnon:")
    }

    /// What Linux says of it. [proc(5)]
    fn mebibytes(&self, what: &str) -> f64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).unwrap();
        let line = status.lines().find(|line| line.starts_with(what)).expect("Linux says so");
        line.split_whitespace().nth(1).and_then(|kibibytes| kibibytes.parse::<f64>().ok()).expect("a number") / 1024.0
    }

    pub fn signal(&self, name: &str) {
        let status = Command::new("kill").args([format!("-{name}"), self.child.id().to_string()]).status().unwrap();
        assert!(status.success());
    }

    /// Kills it, as a power cut would.
    pub fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// Ends it by SIGTERM; the exit code.
    pub fn stop(mut self) -> Option<i32> {
        self.signal("TERM");
        self.end_within(seconds(10))
    }

    /// Waits for it to end by itself; the exit code.
    pub fn end_within(&mut self, within: Duration) -> Option<i32> {
        let until = Instant::now() + within;
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status.code();
            }
            assert!(Instant::now() < until, "the daemon did not end within {within:?}\n{}", self.log_text());
            std::thread::sleep(Duration::from_millis(20));
        }
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
        if std::thread::panicking() {
            eprintln!("--- daemon {}\n{}", self.config.display(), self.log_text());
        }
    }
}

pub fn text(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

/// Everything around the daemon: hears all, publishes readings, and has plugs that obey and report.
pub struct World {
    client: Client,
    /// Milli-degrees that the thermometer says every 150 ms; 0: it is silent.
    celsius: Arc<AtomicI64>,
    heard: Arc<Mutex<Vec<Publish>>>,
}

impl World {
    pub fn new(broker: &Broker) -> Self {
        Self::plugged(broker, true)
    }

    /// With plugs that are dead: they neither obey nor report.
    pub fn without_plugs(broker: &Broker) -> Self {
        Self::plugged(broker, false)
    }

    fn plugged(broker: &Broker, obey: bool) -> Self {
        let mut options = MqttOptions::new(format!("world-{}", free_port()), "127.0.0.1", broker.port);
        options.set_keep_alive(seconds(5)).set_max_packet_size(Some(16 << 20));
        let (client, mut connection) = Client::new(options, 100);
        let heard: Arc<Mutex<Vec<Publish>>> = Arc::default();
        let (list, plugs) = (Arc::clone(&heard), client.clone());
        // What is said while the broker is away is lost, as with a real probe; the queue stays free.
        let connected: Arc<AtomicBool> = Arc::default();
        let online = Arc::clone(&connected);
        std::thread::spawn(move || {
            for event in connection.iter() {
                match event {
                    Ok(Event::Incoming(Packet::ConnAck(_))) => {
                        online.store(true, Ordering::Relaxed);
                        let _ = plugs.try_subscribe("#", QoS::AtLeastOnce);
                    }
                    Ok(Event::Incoming(Packet::Publish(publish))) => {
                        if obey {
                            obey_command(&plugs, &publish);
                        }
                        list.lock().unwrap().push(publish);
                    }
                    Ok(_) => {}
                    // The broker was killed: come back when it is.
                    Err(_) => {
                        online.store(false, Ordering::Relaxed);
                        std::thread::sleep(Duration::from_millis(200));
                    }
                }
            }
        });
        let celsius: Arc<AtomicI64> = Arc::default();
        let (says, probe) = (Arc::downgrade(&celsius), client.clone());
        std::thread::spawn(move || {
            while let Some(says) = says.upgrade() {
                let millis = says.load(Ordering::Relaxed);
                if millis != 0 && connected.load(Ordering::Relaxed) {
                    let reading = format!("{{\"t\":{:.3}}}", millis as f64 / 1000.0);
                    let _ = probe.try_publish("lagoon/temp", QoS::AtLeastOnce, false, reading);
                    let _ = probe.try_publish("lagoon/leak", QoS::AtLeastOnce, false, "0");
                }
                drop(says);
                std::thread::sleep(Duration::from_millis(150));
            }
        });
        let world = Self { client, celsius, heard };
        // It hears itself: then it hears all.
        wait_until("the world hears the broker", seconds(10), || {
            world.publish("world/here", "1");
            world.count("world/here") > 0
        });
        world
    }

    pub fn publish(&self, topic: &str, payload: impl Into<Vec<u8>>) {
        self.client.publish(topic, QoS::AtLeastOnce, false, payload.into()).unwrap();
    }

    pub fn publish_retained(&self, topic: &str, payload: impl Into<Vec<u8>>) {
        self.client.publish(topic, QoS::AtLeastOnce, true, payload.into()).unwrap();
    }

    pub fn ask_with_reply(&self, topic: &str, payload: &str, reply: &str, mark: &'static [u8]) {
        let properties = PublishProperties {
            response_topic: Some(reply.to_owned()),
            correlation_data: Some(mark.into()),
            ..PublishProperties::default()
        };
        self.client.publish_with_properties(topic, QoS::AtLeastOnce, false, payload.to_owned(), properties).unwrap();
    }

    /// The thermometer says this from now on, and the floor is dry; waits until it is believed.
    pub fn settle(&self, celsius: f64) {
        self.temperature(celsius);
        std::thread::sleep(Duration::from_millis(1500));
    }

    /// The thermometer says this from now on.
    pub fn temperature(&self, celsius: f64) {
        self.celsius.store((celsius * 1000.0).round() as i64, Ordering::Relaxed);
    }

    pub fn messages(&self, topic: &str) -> Vec<Publish> {
        self.heard.lock().unwrap().iter().filter(|publish| publish.topic == topic.as_bytes()).cloned().collect()
    }

    pub fn count(&self, topic: &str) -> usize {
        self.messages(topic).len()
    }

    pub fn last(&self, topic: &str) -> Option<String> {
        self.messages(topic).last().map(|publish| String::from_utf8_lossy(&publish.payload).into_owned())
    }

    pub fn last_json(&self, topic: &str) -> serde_json::Value {
        self.last(topic).and_then(|text| serde_json::from_str(&text).ok()).unwrap_or_default()
    }

    pub fn forget(&self) {
        self.heard.lock().unwrap().clear();
    }

    /// Waits for a payload on a topic.
    pub fn wait_for(&self, topic: &str, within: Duration, fits: impl Fn(&str) -> bool) -> Publish {
        let until = Instant::now() + within;
        loop {
            let found = self.messages(topic).into_iter().rev().find(|p| fits(&String::from_utf8_lossy(&p.payload)));
            if let Some(found) = found {
                return found;
            }
            assert!(Instant::now() < until, "nothing that fits on {topic}; last: {:?}", self.last(topic));
            std::thread::sleep(Duration::from_millis(20));
        }
    }
}

/// `NAME/set` is obeyed and reported on `NAME/relay`; a lease is on.
fn obey_command(client: &Client, publish: &Publish) {
    let topic = String::from_utf8_lossy(&publish.topic).into_owned();
    let payload = String::from_utf8_lossy(&publish.payload);
    if let Some(plug) = topic.strip_suffix("/set") {
        let state = match &*payload {
            "ON" | "OFF" | "1" | "0" => payload.into_owned(),
            lease if lease.starts_with("{\"on\":true") => "ON".to_owned(),
            _ => return,
        };
        let _ = client.try_publish(format!("{plug}/relay"), QoS::AtLeastOnce, false, state);
    }
}

/// A webhook that takes everything and keeps the bodies.
pub struct Receiver {
    pub port: u16,
    bodies: Arc<Mutex<Vec<String>>>,
}

impl Receiver {
    pub fn start() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let bodies: Arc<Mutex<Vec<String>>> = Arc::default();
        let list = Arc::clone(&bodies);
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                let mut stream = stream.unwrap();
                stream.set_read_timeout(Some(seconds(5))).unwrap();
                let (mut bytes, mut buffer) = (Vec::new(), [0; 4096]);
                let body = loop {
                    let Ok(count) = stream.read(&mut buffer) else { break None };
                    bytes.extend_from_slice(&buffer[..count]);
                    let text = String::from_utf8_lossy(&bytes).into_owned();
                    if let Some((head, body)) = text.split_once("\r\n\r\n") {
                        let length = head
                            .lines()
                            .find_map(|line| line.to_lowercase().strip_prefix("content-length:").map(str::to_owned))
                            .and_then(|length| length.trim().parse().ok())
                            .unwrap_or(0);
                        if body.len() >= length {
                            break Some(body.to_owned());
                        }
                    }
                    if count == 0 {
                        break None;
                    }
                };
                list.lock().unwrap().extend(body);
                let _ = stream.write_all(b"HTTP/1.1 204 X\r\nContent-Length: 0\r\nConnection: close\r\n\r\n");
            }
        });
        Self { port, bodies }
    }

    pub fn bodies(&self) -> Vec<String> {
        self.bodies.lock().unwrap().clone()
    }
}

/// Metrics, as the stack's own tool sees it.
pub fn promtool_finds_nothing(metrics: &str) {
    let mut child = Command::new("promtool")
        .args(["check", "metrics"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("promtool is installed (apt-get install prometheus)");
    std::io::Write::write_all(&mut child.stdin.take().unwrap(), metrics.as_bytes()).unwrap();
    let checked = child.wait_with_output().unwrap();
    assert!(checked.status.success() && text(&checked).is_empty(), "{}", text(&checked));
}

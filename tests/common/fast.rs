//! The daemon as a process of its own with a fast clock, and a home of basins that want to be topped off.
//!
//! `slackwater run` has no fast clock. The test program starts itself again, as the very shell of the daemon with its
//! store, its HTTP service and its MQTT client, and a clock that runs [`SPEED`] times as fast.
#![allow(dead_code, reason = "each test file uses its part")]

use std::path::Path;
use std::process::Command;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::Packet;
use rumqttc::v5::{Client, Event, MqttOptions};
use slackwater::shell::{self, clock::Clock};

use crate::common::{Broker, Config, Daemon, free_port, seconds, wait_until};

pub const SPEED: f64 = 100.0;
pub const TANKS: usize = 6;
const LEASE: f64 = 30.0;
const LITRES_PER_SECOND: f64 = 0.05 / 60.0;
const WHERE: &str = "SLACKWATER_FAST_DAEMON";

/// Not a test of its own: the daemon, when the tests here start it.
#[test]
#[ignore = "the tests of this file start it as a process of its own"]
fn the_daemon_with_a_fast_clock() {
    let Ok(dir) = std::env::var(WHERE) else { return };
    let setup = slackwater::config::load(Path::new(&dir)).unwrap_or_else(|problems| panic!("{problems}"));
    let options = shell::Options { clock: Some(Clock::start(SPEED)), ..shell::Options::default() };
    shell::run(setup, options, std::future::pending()).unwrap();
}

/// Basins with a level and a slow top-off pump each; nothing else that could withhold a start.
pub fn config(broker: &Broker) -> Config {
    let config = Config::new(broker);
    std::fs::remove_file(config.path().join("tanks/lagoon.yaml")).unwrap();
    for tank in 0..TANKS {
        let text = BASIN.replace("basin/", &format!("basin-{tank}/"));
        config.write_tank(&format!("basin-{tank}"), &text);
    }
    config
}

const BASIN: &str = r#"
tank: { title: Basin, timezone: UTC, volume: 90 L }
probes:
  level:      { measures: level, topic: basin/level, unit: mm, range: [-250 mm, 250 mm], stale_after: 5 min }
  high-float: { measures: high-float, topic: basin/float, wet: "1", dry: "0", stale_after: 5 min }
outputs:
  top-off:
    kind: top-off
    delivers: 50 mL/min
    reservoir: 5 L
    plug:
      command: { topic: basin/top-off/set, on: "ON", off: "OFF" }
      report: { topic: basin/top-off/relay, on: "ON", off: "OFF" }
      lease: { payload: '{"on":true,"for":{seconds}}' }
top_off:
  top-off: { signal: level, water_per_mm: 10 mL, start_below: -2 mm }
interlocks:
  top-off-high:
    cause:  { signal: high-float, is: wet, lasting: 1 s, unknown: trips }
    effect: { off: [top-off] }
    latch: always
    priority: urgent
    consequence: The sump floods.
    action: Lift the hose.
"#;

/// The command line of such a daemon.
pub fn command(config: &Config) -> Command {
    let mut command = Command::new(std::env::current_exe().unwrap());
    command.args(["--ignored", "--exact", "fast::the_daemon_with_a_fast_clock", "--nocapture"]);
    command.env(WHERE, config.path());
    command
}

pub fn launch(config: &Config) -> Daemon {
    Daemon::launch_as(config, command(config))
}

pub fn start(config: &Config) -> Daemon {
    let daemon = launch(config);
    daemon.wait_ready();
    daemon
}

/// What the daemon shows of a tank's top-off.
pub fn top_off(daemon: &Daemon, tank: usize) -> serde_json::Value {
    daemon.json(&format!("/api/v1/tanks/basin-{tank}/status"))["top_offs"][0].clone()
}

#[derive(Clone, Debug, Default)]
struct Pump {
    level: f64,
    /// Since when it runs, and when its lease was given last.
    on: Option<(Instant, Instant)>,
    runs: usize,
    /// Seconds of fast time that it ran before.
    ran: f64,
    commands: Vec<bool>,
}

impl Pump {
    fn run_until(&self, now: Instant) -> f64 {
        self.on.map_or(0.0, |(since, refreshed)| {
            let end = now.min(refreshed + Duration::from_secs_f64(LEASE / SPEED));
            end.saturating_duration_since(since).as_secs_f64() * SPEED
        })
    }
}

#[derive(Debug, Default)]
struct State {
    pumps: Vec<Pump>,
    first_start: Option<Instant>,
}

/// Levels and floats that speak, plugs that obey, report and count their leases.
pub struct Home {
    state: Arc<Mutex<State>>,
}

impl Home {
    pub fn new(broker: &Broker) -> Self {
        let mut options = MqttOptions::new(format!("home-{}", free_port()), "127.0.0.1", broker.port);
        options.set_keep_alive(seconds(5));
        let (client, mut connection) = Client::new(options, 1000);
        let state = Arc::new(Mutex::new(State { pumps: vec![Pump::default(); TANKS], first_start: None }));
        let (heard, plugs) = (Arc::clone(&state), client.clone());
        std::thread::spawn(move || {
            for event in connection.iter() {
                match event {
                    Ok(Event::Incoming(Packet::ConnAck(_))) => {
                        let _ = plugs.try_subscribe("+/top-off/set", QoS::AtLeastOnce);
                    }
                    Ok(Event::Incoming(Packet::Publish(publish))) => {
                        let topic = String::from_utf8_lossy(&publish.topic).into_owned();
                        let Some(tank) = topic.strip_prefix("basin-").and_then(|rest| rest[..1].parse().ok()) else {
                            continue;
                        };
                        let on = publish.payload.as_ref() != b"OFF";
                        obey(&mut heard.lock().unwrap(), tank, on);
                        let relay = format!("basin-{tank}/top-off/relay");
                        let _ = plugs.try_publish(relay, QoS::AtLeastOnce, false, if on { "ON" } else { "OFF" });
                    }
                    Ok(_) => {}
                    Err(_) => std::thread::sleep(Duration::from_millis(100)),
                }
            }
        });
        let says = Arc::downgrade(&state);
        std::thread::spawn(move || {
            while let Some(state) = says.upgrade() {
                let levels: Vec<f64> = state.lock().unwrap().pumps.iter().map(|pump| pump.level).collect();
                drop(state);
                for (tank, level) in levels.into_iter().enumerate() {
                    let _ =
                        client.try_publish(format!("basin-{tank}/level"), QoS::AtMostOnce, false, level.to_string());
                    let _ = client.try_publish(format!("basin-{tank}/float"), QoS::AtMostOnce, false, "0");
                }
                std::thread::sleep(Duration::from_millis(100));
            }
        });
        Self { state }
    }

    /// The level says this from now on.
    pub fn level(&self, tank: usize, mm: f64) {
        self.state.lock().unwrap().pumps[tank].level = mm;
    }

    pub fn runs(&self, tank: usize) -> usize {
        self.state.lock().unwrap().pumps[tank].runs
    }

    /// Litres that the pump gave, by what it was told and by its lease.
    pub fn given(&self, tank: usize) -> f64 {
        let state = self.state.lock().unwrap();
        let pump = &state.pumps[tank];
        (pump.ran + pump.run_until(Instant::now())) * LITRES_PER_SECOND
    }

    pub fn is_on(&self, tank: usize) -> bool {
        let now = Instant::now();
        let state = self.state.lock().unwrap();
        state.pumps[tank].on.is_some_and(|(_, refreshed)| now < refreshed + Duration::from_secs_f64(LEASE / SPEED))
    }

    /// What a pump was told since then.
    pub fn take_commands(&self, tank: usize) -> Vec<bool> {
        std::mem::take(&mut self.state.lock().unwrap().pumps[tank].commands)
    }

    pub fn forget_starts(&self) {
        self.state.lock().unwrap().first_start = None;
    }

    /// When any pump was first told on since then.
    pub fn first_start(&self) -> Option<Instant> {
        self.state.lock().unwrap().first_start
    }

    /// Waits until a pump runs.
    pub fn wait_for_a_run(&self, tank: usize) {
        let runs = self.runs(tank);
        wait_until("the top-off runs", seconds(60), || self.runs(tank) > runs);
    }
}

fn obey(state: &mut State, tank: usize, on: bool) {
    let now = Instant::now();
    let pump = &mut state.pumps[tank];
    pump.commands.push(on);
    let lease = Duration::from_secs_f64(LEASE / SPEED);
    let runs = pump.on.filter(|(_, refreshed)| now < *refreshed + lease);
    if !on || runs.is_none() {
        pump.ran += pump.run_until(now);
        pump.on = None;
    }
    if on {
        if runs.is_none() {
            pump.runs += 1;
            state.first_start.get_or_insert(now);
        }
        pump.on = Some((runs.map_or(now, |(since, _)| since), now));
    }
}

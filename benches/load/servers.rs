//! The processes of the benchmark: Mosquitto, the daemon, and the bench's own other selves.

use std::fmt::Write as _;
use std::io::{BufRead, BufReader, Read, Write as _};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use tempfile::TempDir;

use super::drive::CONTACTS;

/// A process that ends with its owner.
pub struct Running {
    child: Child,
    lines: Receiver<String>,
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Running {
    fn start(command: &mut Command) -> Self {
        let mut child = command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().expect("the program is installed");
        let out = child.stdout.take().expect("piped");
        let (send, lines) = channel();
        std::thread::spawn(move || {
            BufReader::new(out).lines().map_while(Result::ok).try_for_each(|line| send.send(line))
        });
        Self { child, lines }
    }

    /// Counts a second between the newest two counts that the process prints, after it warmed up.
    pub fn rate(&self, span: Duration) -> f64 {
        std::thread::sleep(Duration::from_secs(2));
        let newest = || {
            let mut last = None;
            while let Ok(line) = self.lines.recv_timeout(Duration::from_millis(300)) {
                last = line.parse::<f64>().ok().or(last);
                if self.lines.try_recv().is_err() {
                    break;
                }
            }
            (last.expect("the sink counts"), Instant::now())
        };
        let (first, at) = newest();
        std::thread::sleep(span);
        let (last, end) = newest();
        (last - first) / (end - at).as_secs_f64()
    }
}

/// This very bench, in another part.
pub fn own_process(part: &str, port: u16) -> Running {
    let me = std::env::current_exe().expect("the bench knows where it is");
    let running = Running::start(Command::new(me).args([part, &port.to_string()]));
    let ready = running.lines.recv_timeout(Duration::from_secs(5)).expect("the other part starts");
    assert_eq!(ready, "ready");
    running
}

/// A Mosquitto of our own.
pub struct Broker {
    pub port: u16,
    _running: Running,
    _dir: TempDir,
}

impl Broker {
    pub fn start() -> Self {
        let port = free_port();
        let dir = tempfile::tempdir().expect("a directory");
        let conf = dir.path().join("mosquitto.conf");
        let text = format!(
            "listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\nmax_queued_messages 0\nmax_inflight_messages 0\n"
        );
        std::fs::write(&conf, text).expect("a config");
        let program =
            ["/usr/sbin/mosquitto", "mosquitto"].into_iter().find(|p| Path::new(p).exists()).unwrap_or("mosquitto");
        let running = Running::start(Command::new(program).arg("-c").arg(&conf));
        wait_for(|| TcpStream::connect(("127.0.0.1", port)).is_ok());
        Self { port, _running: running, _dir: dir }
    }
}

/// How much the daemon keeps.
#[derive(Clone, Copy)]
pub enum Scale {
    OneTank,
    ThousandTanks,
}

impl Scale {
    pub fn name(self) -> &'static str {
        match self {
            Self::OneTank => "one tank",
            Self::ThousandTanks => "1000 tanks of 10 readings",
        }
    }

    /// The topics of its thermometers.
    pub fn topics(self) -> Vec<String> {
        match self {
            Self::OneTank => (0..4).map(|n| format!("load/temp/{n}")).collect(),
            Self::ThousandTanks => {
                (0..1000).flat_map(|tank| (0..10).map(move |n| format!("load/{tank}/temp/{n}"))).collect()
            }
        }
    }

    fn write_tanks(self, dir: &Path) {
        match self {
            Self::OneTank => {
                let mut text = String::from("tank: { title: Load, timezone: UTC, volume: 90 L }\nprobes:\n");
                for n in 0..4 {
                    let _ = writeln!(
                        text,
                        "  t{n}: {{ measures: temperature, topic: load/temp/{n}, pointer: /temp, unit: °C, stale_after: 60 s }}"
                    );
                }
                for n in 0..CONTACTS {
                    let _ = writeln!(
                        text,
                        "  c{n}: {{ measures: low-float, topic: load/contact/{n}, wet: \"1\", dry: \"0\", stale_after: 3 s }}"
                    );
                }
                text.push_str("outputs:\n");
                for n in 0..CONTACTS {
                    let _ = writeln!(
                        text,
                        "  o{n}: {{ kind: other, plug: {{ command: {{ topic: load/plug/{n}, on: \"ON\", off: \"OFF\" }} }} }}"
                    );
                }
                text.push_str("rules:\n");
                for n in 0..CONTACTS {
                    let _ = writeln!(text, "  r{n}: {{ when: {{ signal: c{n}, is: wet }}, wish: {{ o{n}: on }} }}");
                }
                std::fs::write(dir.join("load.yaml"), text).expect("a tank");
            }
            Self::ThousandTanks => {
                for tank in 0..1000 {
                    let mut text = format!("tank: {{ title: Tank {tank}, timezone: UTC, volume: 90 L }}\nprobes:\n");
                    for n in 0..10 {
                        let _ = writeln!(
                            text,
                            "  t{n}: {{ measures: temperature, topic: load/{tank}/temp/{n}, pointer: /temp, unit: °C, stale_after: 60 s }}"
                        );
                    }
                    let _ = writeln!(
                        text,
                        "outputs:\n  fan: {{ kind: fan, rating: 4 W, plug: {{ command: {{ topic: load/{tank}/plug/fan, on: \"ON\", off: \"OFF\" }} }} }}\n\
                         rules:\n  warm: {{ when: {{ signal: t0, over: 26.0 °C, deadband: 0.3 °C }}, wish: {{ fan: on }} }}"
                    );
                    std::fs::write(dir.join(format!("tank-{tank:04}.yaml")), text).expect("a tank");
                }
            }
        }
    }
}

/// The daemon as built for release.
pub struct Daemon {
    running: Running,
    pub http: u16,
    _dir: TempDir,
}

impl Daemon {
    pub fn start(broker: &Broker, scale: Scale) -> Self {
        Self::start_with(broker, |dir| scale.write_tanks(&dir.join("tanks")))
    }

    /// With whatever is written into the config directory, which has a `tanks` in it.
    pub fn start_with(broker: &Broker, write: impl FnOnce(&Path)) -> Self {
        let dir = tempfile::tempdir().expect("a directory");
        let http = free_port();
        std::fs::create_dir(dir.path().join("tanks")).expect("a directory");
        write(dir.path());
        let daemon = format!(
            "broker: {{ host: 127.0.0.1, port: {} }}\nhttp: {{ listen: \"127.0.0.1:{http}\" }}\ndata_dir: {}\nsample_every: never\n",
            broker.port,
            dir.path().join("data").display()
        );
        std::fs::write(dir.path().join("daemon.yaml"), daemon).expect("a config");
        let mut command = Command::new(env!("CARGO_BIN_EXE_slackwater"));
        let running = Running::start(command.arg("run").arg("--config").arg(dir.path()));
        let daemon = Self { running, http, _dir: dir };
        wait_for(|| daemon.get("/readyz").is_some_and(|(code, _)| code == 200));
        daemon
    }

    fn get(&self, path: &str) -> Option<(u16, String)> {
        let mut stream = TcpStream::connect(("127.0.0.1", self.http)).ok()?;
        let request = format!("GET {path} HTTP/1.0\r\nHost: 127.0.0.1:{}\r\n\r\n", self.http);
        stream.write_all(request.as_bytes()).ok()?;
        let mut answer = String::new();
        stream.read_to_string(&mut answer).ok()?;
        let code = answer.split(' ').nth(1)?.parse().ok()?;
        Some((code, answer))
    }

    /// Readings that were decoded and stepped.
    pub fn accepted(&self) -> u64 {
        let (_, text) = self.get("/metrics").expect("the daemon answers");
        let lines = text
            .lines()
            .filter(|line| line.starts_with("slackwater_probe_samples_total") && line.contains("result=\"accepted\""));
        lines.filter_map(|line| line.rsplit(' ').next()?.parse::<f64>().ok()).sum::<f64>() as u64
    }

    pub fn accepted_rate(&self, span: Duration) -> f64 {
        std::thread::sleep(Duration::from_secs(2));
        let (first, at) = (self.accepted(), Instant::now());
        std::thread::sleep(span);
        (self.accepted() - first) as f64 / at.elapsed().as_secs_f64()
    }

    pub fn resident_mebibytes(&self) -> f64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.running.child.id())).expect("it runs");
        let line = status.lines().find(|line| line.starts_with("VmRSS")).expect("Linux says so");
        let kibibytes: f64 = line.split_whitespace().nth(1).and_then(|n| n.parse().ok()).expect("a number");
        kibibytes / 1024.0
    }
}

/// These shares of a sorted list: the value that so many of it do not pass.
pub fn ranks<const N: usize>(values: &mut [f64], shares: [f64; N]) -> [f64; N] {
    values.sort_by(f64::total_cmp);
    shares.map(|share| values[((values.len() - 1) as f64 * share) as usize])
}

fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0").and_then(|listener| listener.local_addr()).expect("a free port").port()
}

fn wait_for(ready: impl Fn() -> bool) {
    let start = Instant::now();
    while !ready() {
        assert!(start.elapsed() < Duration::from_mins(1), "the server does not come up");
        std::thread::sleep(Duration::from_millis(50));
    }
}

//! The daemon on a disk of its own that is full, read only, or damaged: a small file system in memory, in a name space
//! of mounts that needs no privilege.
#![allow(clippy::disallowed_methods, reason = "a test of the outside world waits and fills disks")]

mod common;

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use common::{BINARY, Broker, Config, Daemon, World, seconds, text, wait_until};

/// A file system of this many MiB over a data directory, as long as it lives.
struct Disk {
    keeper: Child,
    data: PathBuf,
}

impl Disk {
    fn over(data: &Path, mebibytes: u32) -> Self {
        fs::create_dir_all(data).unwrap();
        let mount =
            format!("mount -t tmpfs -o size={mebibytes}m tmpfs {} && echo ready && exec sleep 600", data.display());
        let mut keeper = Command::new("unshare")
            .args(["-rm", "sh", "-c", &mount])
            .stdout(Stdio::piped())
            .spawn()
            .expect("unshare is here (apt-get install util-linux)");
        let mut said = [0; 6];
        let read = std::io::Read::read_exact(keeper.stdout.as_mut().unwrap(), &mut said);
        assert!(read.is_ok(), "this system lets nobody mount in a name space of their own; the test needs that");
        Self { keeper, data: data.to_owned() }
    }

    fn inside(&self) -> Command {
        let mut command = Command::new("nsenter");
        command.args(["-t", &self.keeper.id().to_string(), "-U", "-m", "--preserve-credentials"]);
        command
    }

    fn run(&self, config: &Config) -> Daemon {
        let mut command = self.inside();
        command.args([BINARY, "run", "--config"]).arg(config.path());
        let daemon = Daemon::launch_as(config, command);
        daemon.wait_ready();
        daemon
    }

    fn sh(&self, line: &str) {
        let done = self.inside().args(["sh", "-c", line]).current_dir("/").output().unwrap();
        assert!(done.status.success(), "{line}: {}", text(&done));
    }

    /// A path in it, seen from outside.
    fn at(&self, name: &str) -> PathBuf {
        let inside = self.data.strip_prefix("/").unwrap();
        Path::new(&format!("/proc/{}/root", self.keeper.id())).join(inside).join(name)
    }

    /// Takes all room that is left; the bytes.
    fn fill(&self, name: &str) -> u64 {
        let mut file = fs::File::create(self.at(name)).unwrap();
        let mut bytes = 0;
        for size in [65_536, 4096, 512, 1] {
            let block = vec![0x77; size];
            while let Ok(written) = file.write(&block) {
                bytes += written as u64;
            }
        }
        bytes
    }

    fn remount(&self, how: &str) {
        self.sh(&format!("mount -o remount,{how} {}", self.data.display()));
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = self.keeper.kill();
        let _ = self.keeper.wait();
    }
}

fn is_raised(daemon: &Daemon, alarm: &str) -> bool {
    daemon.metric(&format!("slackwater_daemon_alarm_active{{alarm=\"{alarm}\"}}")) == Some(1.0)
}

fn held(daemon: &Daemon) -> serde_json::Value {
    daemon.status()["holds"][0].clone()
}

fn state_of(daemon: &Daemon, interlock: &str) -> String {
    let status = daemon.status();
    let all = status["interlocks"].as_array().cloned().unwrap_or_default();
    let one = all.iter().find(|one| one["interlock"] == interlock).expect("it is there");
    one["state"].as_str().unwrap_or_default().to_owned()
}

#[test]
fn on_a_full_disk_a_hold_is_still_kept_over_a_kill_and_the_alarm_ends_when_there_is_room() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let config = Config::new(&broker);
    let disk = Disk::over(&config.path().join("data"), 12);
    let daemon = disk.run(&config);
    world.settle(24.2);
    assert!(disk.at("slackwater.db").exists(), "the store is on this disk");
    let filled = disk.fill("filler");
    assert!(filled > 100_000, "{filled} bytes");
    let log = config.path().join("daemon.log");
    // A keeper who writes much, until the store wants to grow.
    let much = "the seahorses ate well. ".repeat(40);
    for n in 0..1500 {
        if n % 10 == 0 && is_raised(&daemon, "store-failing") {
            break;
        }
        assert!(n < 1499, "the disk was never full for it:\n{}", fs::read_to_string(&log).unwrap_or_default());
        daemon.ask(&["log", "event", &much]);
        disk.fill("more");
    }
    let said = daemon.ask(&["hold", "water-change"]);
    assert_eq!(said.status.code(), Some(0), "control goes on: {}", text(&said));
    let before = held(&daemon);
    daemon.kill();
    world.forget();
    // Still full.
    let daemon = disk.run(&config);
    let after = held(&daemon);
    for key in ["active", "until", "since"] {
        assert_eq!(after[key], before[key], "{key}: {before} became {after}");
    }
    world.settle(24.2);
    assert!(world.messages("lagoon/heater/set").iter().all(|publish| publish.payload.as_ref() == b"OFF"));
    fs::remove_file(disk.at("filler")).unwrap();
    let _ = fs::remove_file(disk.at("more"));
    wait_until("its alarm is over", seconds(30), || !is_raised(&daemon, "store-failing"));
    assert!(!config.path().join("daemon.log").exists() || !daemon.log_text().contains("panicked"));
}

#[test]
fn on_a_disk_that_becomes_read_only_control_goes_on_and_a_restart_takes_safe_values() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let config = Config::new(&broker);
    let disk = Disk::over(&config.path().join("data"), 16);
    let daemon = disk.run(&config);
    world.settle(24.2);
    // A file that is open for writing keeps a disk from becoming read only by itself: as after an error, by force.
    let forced = disk.inside().args(["mount", "-o", "remount,ro"]).arg(&disk.data).current_dir("/").output().unwrap();
    if !forced.status.success() {
        daemon.kill();
        disk.remount("ro");
        let daemon = disk.run(&config);
        safe_values(&daemon, &world);
        disk.remount("rw");
        wait_until("the store is used again", seconds(30), || !is_raised(&daemon, "store-failing"));
        return;
    }
    world.settle(24.2);
    let said = daemon.ask(&["hold", "water-change"]);
    assert_eq!(said.status.code(), Some(0), "{}", text(&said));
    wait_until("the alarm is raised", seconds(20), || is_raised(&daemon, "store-failing"));
    daemon.kill();
    let daemon = disk.run(&config);
    safe_values(&daemon, &world);
    disk.remount("rw");
    wait_until("the store is used again", seconds(30), || !is_raised(&daemon, "store-failing"));
}

/// Nobody could read what was latched, and nothing can be written.
fn safe_values(daemon: &Daemon, world: &World) {
    assert!(is_raised(daemon, "store-failing") || is_raised(daemon, "store-damaged"));
    assert_eq!(state_of(daemon, "heater-cutoff"), "latched");
    world.forget();
    world.settle(24.2);
    assert!(world.messages("lagoon/heater/set").iter().all(|publish| publish.payload.as_ref() == b"OFF"));
    let said = daemon.ask(&["hold", "water-change"]);
    assert_eq!(said.status.code(), Some(0), "control works without a disk: {}", text(&said));
    assert_eq!(daemon.ask(&["release"]).status.code(), Some(0));
}

#[test]
fn a_store_that_rotted_is_kept_aside_and_what_was_not_known_stays_unknown_over_kills() {
    let broker = Broker::start();
    let world = World::new(&broker);
    let config = Config::new(&broker);
    let daemon = Daemon::start(&config);
    world.settle(24.2);
    daemon.kill();
    let store = config.path().join("data/slackwater.db");
    fs::write(&store, vec![0x5a; 50_000]).unwrap();
    let _ = fs::remove_file(config.path().join("data/slackwater.db-wal"));
    for _ in 0..2 {
        let daemon = Daemon::start(&config);
        assert_eq!(state_of(&daemon, "heater-cutoff"), "latched");
        assert!(daemon.status()["alarms"].to_string().contains("could not be read"));
        daemon.kill();
    }
    let aside = fs::read_dir(config.path().join("data")).unwrap().filter_map(Result::ok);
    assert!(aside.into_iter().any(|entry| entry.file_name().to_string_lossy().contains(".damaged-")));
}

#[test]
fn a_store_of_a_newer_daemon_is_refused_with_the_reason_and_left_as_it_is() {
    let broker = Broker::start();
    let config = Config::new(&broker);
    let world = World::new(&broker);
    let daemon = Daemon::start(&config);
    world.settle(24.2);
    assert_eq!(daemon.stop(), Some(0));
    let store = config.path().join("data/slackwater.db");
    let mut bytes = fs::read(&store).unwrap();
    // The version's place in the head of an SQLite file (its format's page: offset 60, four bytes, big endian).
    bytes[60..64].copy_from_slice(&9u32.to_be_bytes());
    fs::write(&store, &bytes).unwrap();
    let mut daemon = Daemon::launch(&config);
    assert_eq!(daemon.end_within(seconds(10)), Some(1));
    assert!(daemon.log_text().contains("has version 9"), "{}", daemon.log_text());
    assert_eq!(fs::read(&store).unwrap(), bytes);
}

use std::fs;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use super::*;
use crate::control::effect::Durability;
use crate::shell::lock::DataLock;
use crate::shell::store::{Found, Store};
use crate::wire::metrics::Meters;

fn open(data: &Path) -> (Store, Found) {
    Store::open(data, Meters::new(&[], &[])).unwrap()
}

/// Whether it was on the disk in time; if not, it is soon, in the order of asking.
fn save(store: &mut Store, tank: &str, n: u64) -> bool {
    store.save(tank, format!("{{\"n\":{n}}}"), Durability::BeforeWhatFollows)
}

/// A home with a store of two tanks and a config with a secret beside it.
fn home() -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name);
    for part in ["data", "config/tanks", "config/drills"] {
        fs::create_dir_all(at(part)).unwrap();
    }
    for (name, text) in [
        ("config/daemon.yaml", "broker: { host: localhost }\n"),
        ("config/tanks/lagoon.yaml", "tank: {}\n"),
        ("config/drills/floor-wet.yaml", "drill: {}\n"),
        ("config/broker-password", "very secret\n"),
        ("config/tanks/.lagoon.yaml", "an editor's\n"),
    ] {
        fs::write(at(name), text).unwrap();
    }
    let (mut store, _) = open(&at("data"));
    save(&mut store, "lagoon", 7);
    save(&mut store, "quarantine", 8);
    store.close();
    dir
}

fn taken(home: &tempfile::TempDir) -> std::path::PathBuf {
    let file = home.path().join("backup.tar");
    take(&home.path().join("config"), &home.path().join("data"), &file).unwrap();
    file
}

#[test]
fn what_is_restored_is_what_was_there_marked_as_a_backup_s_until_each_tank_has_saved() {
    let home = home();
    let (store, before) = open(&home.path().join("data"));
    store.close();
    let file = taken(&home);
    let to = home.path().join("new");
    let restored = restore(&file, &to, Some(&home.path().join("etc")), Over::Nothing).unwrap();
    assert_eq!(restored.manifest.tanks, ["lagoon", "quarantine"]);
    assert_eq!(fs::read_to_string(home.path().join("etc/tanks/lagoon.yaml")).unwrap(), "tank: {}\n");
    assert_eq!(restored.config.len(), 3);
    // A daemon that is killed before it has saved anything changes nothing of the marks.
    for _ in 0..2 {
        let (store, found) = open(&to);
        assert_eq!(found.states["lagoon"], Ok("{\"n\":7}".to_owned()));
        assert_eq!(found.doubts["lagoon"].taken, Some(restored.manifest.taken_unix_millis));
        assert!(found.doubts.contains_key(crate::shell::store::doubts::ANY));
        assert_ne!(found.instance, before.instance, "two daemons of one name would not see each other");
        store.close();
    }
    let (mut store, _) = open(&to);
    store.expect(vec!["lagoon".to_owned(), "quarantine".to_owned(), "new-one".to_owned()]);
    save(&mut store, "lagoon", 9);
    store.close();
    let (store, found) = open(&to);
    let doubted: Vec<&str> = found.doubts.keys().map(String::as_str).collect();
    assert_eq!(doubted, ["new-one", "quarantine"], "and no tank that comes later");
    store.close();
}

#[test]
fn no_secret_is_in_it_and_only_its_owner_reads_it() {
    use std::os::unix::fs::PermissionsExt;
    let home = home();
    let file = taken(&home);
    let bytes = fs::read(&file).unwrap();
    assert!(!bytes.windows(11).any(|piece| piece == b"very secret"));
    assert!(!bytes.windows(8).any(|piece| piece == b"editor's"));
    assert_eq!(fs::metadata(&file).unwrap().permissions().mode() & 0o777, 0o600);
    let left: Vec<_> = fs::read_dir(home.path()).unwrap().map(|one| one.unwrap().file_name()).collect();
    assert_eq!(left.len(), 3, "nothing is left beside it: {left:?}");
}

#[test]
fn any_system_s_tar_can_open_it() {
    let home = home();
    let file = taken(&home);
    let listed = std::process::Command::new("tar").arg("tf").arg(&file).output().expect("tar is here");
    assert!(listed.status.success(), "{}", String::from_utf8_lossy(&listed.stderr));
    let names = String::from_utf8(listed.stdout).unwrap();
    let expected =
        "manifest.json\nstore.db\nconfig/daemon.yaml\nconfig/drills/floor-wet.yaml\nconfig/tanks/lagoon.yaml\n";
    assert_eq!(names, expected);
}

struct Stops<'a>(&'a AtomicBool);

impl Drop for Stops<'_> {
    fn drop(&mut self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

#[test]
fn a_daemon_goes_on_writing_meanwhile_and_the_copy_is_of_one_moment() {
    let home = home();
    let data = home.path().join("data");
    let (mut store, _) = open(&data);
    // Enough that a copy takes a while.
    let large = format!("{{\"padding\":\"{}\"}}", "x".repeat(100_000));
    for tank in 0..100 {
        store.save(&format!("tank{tank}"), large.clone(), Durability::Soon);
    }
    save(&mut store, "lagoon", 0);
    save(&mut store, "quarantine", 0);
    let stop = AtomicBool::new(false);
    let (slowest, late, writes) = std::thread::scope(|scope| {
        let writer = scope.spawn(|| {
            let (mut slowest, mut late, mut n) = (Duration::ZERO, 0, 0);
            while !stop.load(Ordering::Relaxed) {
                n += 1;
                let begun = Instant::now();
                // The one before the other.
                late += u32::from(!save(&mut store, "lagoon", n));
                late += u32::from(!save(&mut store, "quarantine", n));
                slowest = slowest.max(begun.elapsed());
                // A copy yields to everything; a writer that never rests would starve it on two busy cores.
                std::thread::sleep(Duration::from_millis(1));
            }
            (slowest, late, n)
        });
        // A failed copy ends the writer too.
        let stops = Stops(&stop);
        for round in 0..4 {
            let file = home.path().join(format!("backup-{round}.tar"));
            take(&home.path().join("config"), &data, &file).unwrap();
            let to = home.path().join(format!("new-{round}"));
            restore(&file, &to, None, Over::Nothing).unwrap();
            let (store, found) = open(&to);
            let n = |tank: &str| {
                let json: serde_json::Value = serde_json::from_str(found.states[tank].as_ref().unwrap()).unwrap();
                json["n"].as_u64().unwrap()
            };
            let (first, second) = (n("lagoon"), n("quarantine"));
            assert!(first == second || first == second + 1, "{first} and {second} are of no one moment");
            store.close();
        }
        drop(stops);
        writer.join().unwrap()
    });
    println!(
        "{writes} pairs of records while 4 backups were taken; the slowest pair took {slowest:?}, and {late} records were late"
    );
    assert!(writes > 8);
    store.close();
}

#[test]
fn what_is_there_is_left_alone_unless_it_is_to_be_moved_aside() {
    let home = home();
    let (config, data, file) = (home.path().join("config"), home.path().join("data"), taken(&home));
    let again = take(&config, &data, &file).unwrap_err();
    assert!(again.contains("there already"), "{again}");
    let before = fs::read(data.join("slackwater.db")).unwrap();
    let refused = restore(&file, &data, None, Over::Nothing).unwrap_err();
    assert!(refused.contains("--over-existing"), "{refused}");
    assert_eq!(fs::read(data.join("slackwater.db")).unwrap(), before);
    // A config that says something else is no less worth.
    fs::write(config.join("daemon.yaml"), "broker: { host: elsewhere }\n").unwrap();
    let refused = restore(&file, &home.path().join("new"), Some(&config), Over::Nothing).unwrap_err();
    assert!(refused.contains("daemon.yaml"), "{refused}");
    assert!(!home.path().join("new/slackwater.db").exists());
    let lock = DataLock::take(&data).unwrap();
    let taken = restore(&file, &data, None, Over::Existing).unwrap_err();
    assert!(taken.contains("another daemon"), "{taken}");
    drop(lock);
    let done = restore(&file, &data, Some(&config), Over::Existing).unwrap();
    assert_eq!(done.moved.len(), 2, "{done:?}");
    assert_eq!(fs::read(&done.moved[0]).unwrap(), before);
    assert_eq!(fs::read_to_string(config.join("daemon.yaml")).unwrap(), "broker: { host: localhost }\n");
}

#[test]
fn one_that_is_cut_short_or_rotted_is_refused_and_changes_nothing() {
    let home = home();
    let file = taken(&home);
    let whole = fs::read(&file).unwrap();
    let to = home.path().join("new");
    let bad = home.path().join("bad.tar");
    let mut chance = chance(20_261_127);
    let (mut refused, mut harmless) = (0, 0);
    for round in 0..120 {
        let mut bytes = whole.clone();
        let at = usize::try_from(chance() % whole.len() as u64).unwrap();
        if round % 3 == 0 {
            bytes.truncate(at);
        } else {
            bytes[at] ^= 1 << (chance() % 8);
        }
        fs::write(&bad, &bytes).unwrap();
        if let Err(why) = restore(&bad, &to, None, Over::Nothing) {
            refused += 1;
            assert!(why.contains("no whole backup") || why.contains("newer program"), "{why}");
            assert!(!to.join("slackwater.db").exists() && !to.join("slackwater.db.restoring").exists());
            continue;
        }
        // Padding, and what follows the end, say nothing.
        harmless += 1;
        let (store, found) = open(&to);
        assert_eq!(found.states["lagoon"], Ok("{\"n\":7}".to_owned()));
        store.close();
        fs::remove_dir_all(&to).unwrap();
    }
    assert!(refused > 80, "{refused} refused, {harmless} harmless");
}

#[test]
fn one_of_a_newer_program_is_refused_with_the_reason() {
    let home = home();
    let data = home.path().join("data");
    let connection = rusqlite::Connection::open(data.join("slackwater.db")).unwrap();
    connection.pragma_update(None, "user_version", 9).unwrap();
    drop(connection);
    let file = taken(&home);
    let why = restore(&file, &home.path().join("new"), None, Over::Nothing).unwrap_err();
    assert!(why.contains("newer program") && why.contains("version 9"), "{why}");
}

#[test]
fn a_store_of_an_older_daemon_is_saved_and_restored_and_brought_up() {
    let home = home();
    let old = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/store/version-1.db");
    let data = home.path().join("old");
    fs::create_dir(&data).unwrap();
    fs::copy(old, data.join("slackwater.db")).unwrap();
    let file = home.path().join("old.tar");
    let manifest = take(&home.path().join("config"), &data, &file).unwrap();
    assert_eq!(manifest.schema, 1);
    let to = home.path().join("new");
    restore(&file, &to, None, Over::Nothing).unwrap();
    let (store, found) = open(&to);
    assert!(
        !found.states.is_empty() && found.states.keys().all(|tank| found.doubts[tank].taken.is_some()),
        "{found:?}"
    );
    store.close();
}

/// A small generator (Knuth's MMIX constants): the moments are the same each time.
fn chance(seed: u64) -> impl FnMut() -> u64 {
    let mut state = seed;
    move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        state >> 20
    }
}

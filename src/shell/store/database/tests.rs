use super::*;
use crate::control::effect::JournalKind;
use crate::time::Wall;

fn state(tank: &str, json: &str) -> Batch {
    Batch { states: BTreeMap::from([(tank.to_owned(), json.to_owned())]), ..Batch::default() }
}

fn line(text: &str) -> (String, JournalEntry) {
    let at = Wall::from_unix_millis(1);
    let (kind, subject, text) = (JournalKind::Hold, "water-change".to_owned(), text.to_owned());
    ("lagoon".to_owned(), JournalEntry { at, kind, subject, text })
}

const SOON: Durability = Durability::Soon;

#[test]
fn the_newest_state_is_found_again_and_the_instance_stays() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("slackwater.db");
    let (mut database, found) = Database::open(&path).unwrap();
    assert_eq!((found.states.len(), found.damaged), (0, None));
    database.write(&state("lagoon", r#"{"holds":1}"#), Durability::BeforeWhatFollows).unwrap();
    database.write(&state("lagoon", r#"{"holds":2}"#), Durability::BeforeWhatFollows).unwrap();
    // Not closed: as after a kill.
    std::mem::forget(database);
    let (_, again) = Database::open(&path).unwrap();
    assert_eq!(again.states["lagoon"], Ok(r#"{"holds":2}"#.to_owned()));
    assert_eq!(again.instance, found.instance);
    assert!(!again.instance.is_empty());
}

#[test]
fn a_row_that_rotted_is_not_believed() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("slackwater.db");
    let (mut database, _) = Database::open(&path).unwrap();
    database.write(&state("lagoon", r#"{"holds":1}"#), SOON).unwrap();
    database.connection.execute("UPDATE state SET json = '{\"holds\":0}'", []).unwrap();
    drop(database);
    let (_, found) = Database::open(&path).unwrap();
    assert_eq!(found.states["lagoon"], Err("its checksum is wrong".to_owned()));
}

#[test]
fn a_damaged_file_is_kept_aside_and_said_so() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("slackwater.db");
    std::fs::write(&path, vec![0x5a; 20_000]).unwrap();
    let (mut database, found) = Database::open(&path).unwrap();
    let said = found.damaged.unwrap();
    assert!(said.contains(".damaged-"), "{said}");
    database.write(&state("lagoon", "{}"), SOON).unwrap();
    let aside = std::fs::read_dir(dir.path())
        .unwrap()
        .filter_map(Result::ok)
        .find(|entry| entry.file_name().to_string_lossy().contains(".damaged-"))
        .unwrap();
    assert_eq!(std::fs::read(aside.path()).unwrap().len(), 20_000);
}

#[test]
fn a_file_damaged_in_its_middle_is_noticed_at_the_start() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("slackwater.db");
    let (mut database, _) = Database::open(&path).unwrap();
    let large = format!("{{\"padding\":\"{}\"}}", "x".repeat(60_000));
    for tank in 0..20 {
        database.write(&state(&format!("tank{tank}"), &large), SOON).unwrap();
    }
    database.connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
    drop(database);
    let mut bytes = std::fs::read(&path).unwrap();
    let from = bytes.len() / 2;
    bytes[from..from + 40_000].fill(0xa5);
    std::fs::write(&path, bytes).unwrap();
    let (_, found) = Database::open(&path).unwrap();
    let rotten = found.damaged.is_some() || found.states.values().any(Result::is_err);
    assert!(rotten, "{:?}", found.states.keys());
}

#[test]
fn a_store_of_a_newer_daemon_is_refused_with_the_reason() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("slackwater.db");
    let (database, _) = Database::open(&path).unwrap();
    database.connection.pragma_update(None, "user_version", 7).unwrap();
    drop(database);
    let error = Database::open(&path).unwrap_err().to_string();
    assert!(error.contains("version 7") && error.contains("newer daemon"), "{error}");
}

#[test]
fn on_a_full_disk_the_state_is_still_written_and_the_journal_fails_loudly() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("slackwater.db");
    let (mut database, _) = Database::open(&path).unwrap();
    // The file may not grow by a page: what a full disk does, by SQLite's own limit.
    let pages: i64 = database.connection.query_row("PRAGMA page_count", [], |row| row.get(0)).unwrap();
    database.connection.pragma_update(None, "max_page_count", pages).unwrap();
    let large = "y".repeat(20_000);
    let mut failed = 0;
    for n in 0..20 {
        let mut batch = state("lagoon", &format!("{{\"n\":{n},\"padding\":\"{large}\"}}"));
        batch.journal.push(line(&"long ".repeat(10_000)));
        failed += u32::from(database.write(&batch, Durability::BeforeWhatFollows).is_err());
    }
    assert!(failed > 0, "the limit was never met");
    let states = read_states(&database.connection).unwrap();
    assert!(states["lagoon"].as_ref().is_ok_and(|json| json.starts_with("{\"n\":19,")));
}

#[test]
fn journal_and_samples_are_written_in_order() {
    let dir = tempfile::tempdir().unwrap();
    let (mut database, _) = Database::open(&dir.path().join("slackwater.db")).unwrap();
    let sample = Sample {
        at: 5000,
        tank: "lagoon".to_owned(),
        signal: "water-temp".to_owned(),
        unit: "°C",
        zone: "UTC".to_owned(),
        least: 25.0,
        mean: 25.25,
        greatest: 25.5,
        count: 6,
    };
    let batch = Batch { journal: vec![line("began"), line("ended")], samples: vec![sample], ..Batch::default() };
    database.write(&batch, SOON).unwrap();
    let texts: Vec<String> = database
        .connection
        .prepare("SELECT text FROM journal ORDER BY id")
        .unwrap()
        .query_map([], |row| row.get(0))
        .unwrap()
        .map(Result::unwrap)
        .collect();
    assert_eq!(texts, ["began", "ended"]);
    let value: f64 =
        database.connection.query_row("SELECT mean FROM buckets WHERE at = 5", [], |row| row.get(0)).unwrap();
    assert!((value - 25.25).abs() < 1e-12);
}

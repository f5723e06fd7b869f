//! Files that rotted: whatever is wrong with one, no tank begins as if it had never had a state, and none with another's.
//!
//! Chance is seeded, so that each run looks at the same damage; `SURVIVE_ROUNDS=100000 cargo test --lib damage` looks longer.

use super::*;

const SOON: Durability = Durability::Soon;
const TANKS: [&str; 3] = ["lagoon", "quarantine", "tub"];

fn json(tank: &str) -> String {
    format!("{{\"tank\":\"{tank}\",\"padding\":\"{}\"}}", tank.repeat(700))
}

/// A closed file with a state of each tank, in one piece.
fn whole(path: &Path) {
    let (mut database, _) = Database::open(path).unwrap();
    let states = TANKS.map(|tank| (tank.to_owned(), json(tank)));
    database.write(&Batch { states: states.into(), ..Batch::default() }, SOON).unwrap();
    let _ = database.connection.execute("DELETE FROM ballast", []);
    database.connection.execute_batch("VACUUM; PRAGMA wal_checkpoint(TRUNCATE);").unwrap();
}

/// Each tank has its own state, or it is known that it had one.
fn nothing_is_taken_for_new(found: &Found, what: &str) {
    for tank in TANKS {
        let of_any = found.damaged.is_some() || found.doubts.contains_key(doubts::ANY);
        match found.states.get(tank) {
            Some(Ok(state)) => assert_eq!(*state, json(tank), "{what}: {tank}"),
            Some(Err(_)) => {}
            None => assert!(of_any || found.doubts.contains_key(tank), "{what}: {tank} begins as if it were new"),
        }
    }
}

fn rounds() -> u64 {
    #[expect(clippy::disallowed_methods, reason = "how long a test looks is its caller's to say")]
    std::env::var("SURVIVE_ROUNDS").ok().and_then(|rounds| rounds.parse().ok()).unwrap_or(150)
}

#[test]
fn a_daemon_that_is_killed_before_it_saved_anything_anew_does_not_forget_that_its_file_was_damaged() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("slackwater.db");
    std::fs::write(&path, vec![0x5a; 20_000]).unwrap();
    for _ in 0..3 {
        let (database, found) = Database::open(&path).unwrap();
        nothing_is_taken_for_new(&found, "after a kill");
        std::mem::forget(database);
    }
    let (mut database, _) = Database::open(&path).unwrap();
    database.expect(&TANKS.map(str::to_owned)).unwrap();
    let states = [("lagoon".to_owned(), json("lagoon"))];
    database.write(&Batch { states: states.into(), ..Batch::default() }, SOON).unwrap();
    drop(database);
    let (_, found) = Database::open(&path).unwrap();
    let doubted: Vec<&str> = found.doubts.keys().map(String::as_str).collect();
    assert_eq!(doubted, ["quarantine", "tub"]);
}

#[test]
fn a_file_that_could_only_be_moved_aside_is_remembered_when_there_is_room_again() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("slackwater.db");
    std::fs::write(path.with_file_name("slackwater.db.damaged-1795600000"), vec![0x5a; 20_000]).unwrap();
    let (_, found) = Database::open(&path).unwrap();
    nothing_is_taken_for_new(&found, "moved aside by a daemon that then had no disk");
    // Someone who names another data directory begins anew.
    let (_, found) = Database::open(&dir.path().join("other.db")).unwrap();
    assert!(found.doubts.is_empty());
}

#[test]
fn a_state_under_another_tank_s_name_is_not_believed() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("slackwater.db");
    whole(&path);
    let connection = Connection::open(&path).unwrap();
    for (from, to) in [("lagoon", "x"), ("tub", "lagoon"), ("x", "tub")] {
        connection.execute("UPDATE state SET tank = ?2 WHERE tank = ?1", [from, to]).unwrap();
    }
    drop(connection);
    let (_, found) = Database::open(&path).unwrap();
    assert!(found.states["lagoon"].is_err() && found.states["tub"].is_err() && found.states["quarantine"].is_ok());
}

#[test]
fn what_an_older_daemon_wrote_is_believed() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("slackwater.db");
    whole(&path);
    let connection = Connection::open(&path).unwrap();
    connection.execute("UPDATE state SET crc = ?1 WHERE tank = 'tub'", [crc32(json("tub").as_bytes())]).unwrap();
    drop(connection);
    let (_, found) = Database::open(&path).unwrap();
    assert_eq!(found.states["tub"], Ok(json("tub")));
}

#[test]
fn a_column_of_another_kind_costs_its_row_and_no_more() {
    let odd = ["NULL", "7", "-1", "99999999999", "1.5", "x'fffe00'", "CAST(x'ff41' AS TEXT)", "''", "'words'"];
    let places = [
        ("state", "tank"),
        ("state", "json"),
        ("state", "crc"),
        ("care", "tank"),
        ("care", "at"),
        ("care", "json"),
        ("care", "crc"),
        ("daemon", "key"),
        ("daemon", "value"),
        ("steadiness", "json"),
        ("doubts", "tank"),
        ("doubts", "why"),
        ("doubts", "taken"),
    ];
    let mut tried = 0;
    for (table, column) in places {
        for value in odd {
            let dir = tempfile::tempdir().unwrap();
            let path = dir.path().join("slackwater.db");
            whole(&path);
            let connection = Connection::open(&path).unwrap();
            connection
                .execute_batch(
                    "INSERT INTO care VALUES (1, 'lagoon', 1, '{}', 1); INSERT INTO doubts VALUES ('tub', 'why', 5);
                     INSERT INTO steadiness VALUES ('lagoon', '{}');",
                )
                .unwrap();
            let changed = connection.execute(
                &format!("UPDATE {table} SET {column} = {value} WHERE rowid = (SELECT min(rowid) FROM {table})"),
                [],
            );
            let changed = match changed {
                // A table without row numbers.
                Err(error) if error.to_string().contains("rowid") => {
                    connection.execute(&format!("UPDATE {table} SET {column} = {value}"), [])
                }
                other => other,
            };
            drop(connection);
            // What the file itself refuses cannot be there.
            if changed.is_err() {
                continue;
            }
            tried += 1;
            let what = format!("{table}.{column} = {value}");
            let (mut database, found) = Database::open(&path).unwrap_or_else(|error| panic!("{what}: {error}"));
            nothing_is_taken_for_new(&found, &what);
            assert!(
                found.states.values().filter(|state| state.is_ok()).count() >= 2,
                "{what}: {:?}",
                found.states.keys()
            );
            assert!(!found.instance.is_empty(), "{what}");
            let states = [("lagoon".to_owned(), json("lagoon"))];
            database.write(&Batch { states: states.into(), ..Batch::default() }, SOON).unwrap();
        }
    }
    assert!(tried > 60, "{tried}");
}

#[test]
fn no_rot_of_the_file_makes_a_tank_new_or_changes_its_state() {
    let dir = tempfile::tempdir().unwrap();
    let original = dir.path().join("original.db");
    whole(&original);
    let bytes = std::fs::read(&original).unwrap();
    let mut state: u64 = 20_261_127;
    let mut chance = |below: usize| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        usize::try_from(state >> 20).unwrap() % below
    };
    let (mut aside, mut refused, mut newer) = (0, 0, 0);
    for round in 0..rounds() {
        let mut rotten = bytes.clone();
        let what = match round % 4 {
            0 => {
                let length = chance(rotten.len());
                rotten.truncate(length);
                format!("cut to {length} bytes")
            }
            1 => {
                // The head of the file decides most.
                let (at, bit) = (chance(100), chance(8));
                rotten[at] ^= 1 << bit;
                format!("bit {bit} of byte {at}")
            }
            2 => {
                let (at, bit) = (chance(rotten.len()), chance(8));
                rotten[at] ^= 1 << bit;
                format!("bit {bit} of byte {at}")
            }
            _ => {
                let (from, many) = (chance(rotten.len()), 1 + chance(6000));
                let until = (from + many).min(rotten.len());
                (from..until).for_each(|at| rotten[at] = u8::try_from(chance(256)).unwrap());
                format!("bytes {from} to {until}")
            }
        };
        let home = tempfile::tempdir().unwrap();
        let path = home.path().join("slackwater.db");
        std::fs::write(&path, &rotten).unwrap();
        match Database::open(&path) {
            // Nothing at all is what a first start finds, too.
            Ok(_) if rotten.is_empty() => {}
            Ok((database, found)) => {
                aside += u32::from(found.damaged.is_some());
                nothing_is_taken_for_new(&found, &what);
                std::mem::forget(database);
                // And not after a kill either.
                if let Ok((_, found)) = Database::open(&path) {
                    nothing_is_taken_for_new(&found, &format!("{what}, and a kill"));
                }
            }
            Err(OpenError::Newer { .. }) => newer += 1,
            // The daemon goes on with safe values, since there is a file.
            Err(OpenError::Unusable(_)) => refused += 1,
        }
    }
    println!("{aside} files were moved aside, {refused} could not be used, {newer} looked like a newer daemon's");
    assert!(aside > 0);
}

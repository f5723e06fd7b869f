//! `tests/data/hazards.tsv`: every failure mode once, and what shows its answer.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

const FAILURE_MODES: usize = 74;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// The drills of the table.
pub fn files() -> Vec<PathBuf> {
    let entries = std::fs::read_dir(root().join("tests/hazards")).unwrap().map(|entry| entry.unwrap().path());
    let mut files: Vec<PathBuf> = entries.filter(|path| path.extension().is_some_and(|end| end == "yaml")).collect();
    files.sort();
    files
}

struct Row {
    id: String,
    mode: String,
    answer: String,
    shown: Vec<String>,
    left: String,
}

fn rows() -> Vec<Row> {
    let text = std::fs::read_to_string(root().join("tests/data/hazards.tsv")).unwrap();
    let mut lines = text.lines().filter(|line| !line.starts_with('#'));
    assert_eq!(lines.next(), Some("id\tfailure mode\tanswer\tshown by\tleft"));
    lines
        .map(|line| {
            let columns: Vec<&str> = line.split('\t').collect();
            let [id, mode, answer, shown, left] = columns[..] else { panic!("five columns, and `{line}`") };
            let shown = if shown == "-" { Vec::new() } else { shown.split("; ").map(str::to_owned).collect() };
            let own = str::to_owned;
            Row { id: own(id), mode: own(mode), answer: own(answer), shown, left: own(left) }
        })
        .collect()
}

/// Whether a source file has a test of that name: an attribute, then the function, in one go.
fn has_test(source: &str, name: &str) -> bool {
    let mut lines = source.lines().map(str::trim);
    let head = format!("fn {name}(");
    let is = |line: &str| line.starts_with(&head) || line.strip_prefix("async ").is_some_and(|l| l.starts_with(&head));
    let mut attribute = false;
    lines.any(|line| {
        let found = attribute && is(line);
        attribute = line.starts_with("#[") && (line.contains("test]") || line.contains("test(") || attribute)
            || (attribute && (line.starts_with("///") || line.starts_with("#[")));
        found
    })
}

fn test_exists(file: &str, name: &str) -> bool {
    std::fs::read_to_string(root().join(file)).is_ok_and(|source| has_test(&source, name))
}

/// Where a rehearsal of the table may stand.
const REHEARSALS: [&str; 4] =
    ["tests/hazards/plugs.rs", "tests/hazards/power.rs", "tests/hazards/probes.rs", "tests/hazards/water.rs"];

fn exists(shown: &str) -> bool {
    match shown.split_once(' ') {
        Some(("drill", name)) => {
            ["tests/hazards", "config/drills"].iter().any(|dir| root().join(dir).join(format!("{name}.yaml")).is_file())
        }
        Some(("rehearsal", name)) => REHEARSALS.iter().any(|file| test_exists(file, name)),
        Some(("story", path)) => path.split_once("::").is_some_and(|(file, name)| test_exists(file, name)),
        _ => false,
    }
}

#[test]
fn every_failure_mode_stands_once_and_in_order() {
    let ids: Vec<String> = rows().into_iter().map(|row| row.id).collect();
    let all: Vec<String> = (1..=FAILURE_MODES).map(|number| format!("F{number:02}")).collect();
    assert_eq!(ids, all);
}

#[test]
fn what_a_row_names_exists_and_a_row_without_it_says_what_is_missing() {
    for Row { id, mode, answer, shown, left } in rows() {
        assert!(!mode.is_empty() && !answer.is_empty() && !left.is_empty(), "{id} has an empty column");
        for one in &shown {
            assert!(exists(one), "{id}: there is no `{one}`");
            let named = one.split(' ').next_back().unwrap_or_default();
            let ours =
                one.starts_with("rehearsal ") || files().iter().any(|file| file.ends_with(format!("{named}.yaml")));
            assert!(!ours || named.to_uppercase().starts_with('F'), "{id}: `{one}` does not begin with a number");
        }
        assert!(
            !shown.is_empty() || left.starts_with("not yet: "),
            "{id} shows nothing and does not say what is missing"
        );
        assert!(shown.is_empty() || answer != "-", "{id} shows something and has no answer");
    }
}

#[test]
fn each_drill_and_rehearsal_stands_in_the_row_of_its_number() {
    let rows = rows();
    let named = |kind: &str, name: &str| {
        let id = name.get(..3).unwrap_or_default().to_uppercase();
        rows.iter().any(|row| row.id == id && row.shown.contains(&format!("{kind} {name}")))
    };
    for file in files() {
        let name = file.file_stem().unwrap().to_string_lossy().into_owned();
        assert!(named("drill", &name), "no row of its number names the drill `{name}`");
    }
    let mut rehearsals = BTreeSet::new();
    for file in REHEARSALS {
        let source = std::fs::read_to_string(root().join(file)).unwrap();
        let names = source.lines().filter_map(|line| line.strip_prefix("fn ")?.split_once('('));
        rehearsals.extend(names.map(|(name, _)| name.to_owned()).filter(|name| has_test(&source, name)));
    }
    assert!(rehearsals.len() >= 15, "the rehearsals are found: {rehearsals:?}");
    for name in &rehearsals {
        assert!(named("rehearsal", name), "no row of its number names the rehearsal `{name}`");
    }
}

#[test]
fn a_test_is_told_from_a_function_and_from_a_name_that_only_begins_so() {
    let source =
        "#[test]\nfn a_probe_drifts() {\n}\nfn helper() {\n}\n#[tokio::test(flavor = \"x\")]\nasync fn waits() {\n}\n";
    assert!(has_test(source, "a_probe_drifts") && has_test(source, "waits"));
    assert!(!has_test(source, "helper") && !has_test(source, "a_probe") && !has_test(source, "absent"));
    assert!(!exists("drill f99-nothing") && !exists("story tests/nothing.rs::a") && !exists("words"));
}

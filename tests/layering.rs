//! House rule: which part of `src` may import which, and which outside crates. The table is that of
//! DEVELOPERS.md; this test reads the sources and holds it. Unit tests inside a file are exempt.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

/// A part, the parts (or modules of parts) that it may import, and the outside crates.
type Row = (&'static str, &'static [&'static str], &'static [&'static str]);

const TABLE: &[Row] = &[
    ("units", &[], &["serde", "schemars"]),
    ("time", &[], &["serde", "schemars", "chrono", "chrono_tz"]),
    ("water", &["units", "time"], &["serde", "schemars"]),
    ("care", &["units", "time", "water"], &["serde", "schemars"]),
    ("control", &["units", "time", "water"], &["serde", "schemars"]),
    (
        "config",
        &["units", "time", "water", "care", "control::plan", "control::ids", "control::TankPlan", "wire::binding"],
        &["serde", "serde_yaml", "schemars"],
    ),
    ("wire", &["units", "time", "control", "care"], &["serde", "serde_json", "prometheus"]),
    ("sim", &["units", "time", "water", "care", "control", "wire"], &["serde", "serde_json", "oorandom"]),
    (
        "shell",
        &["units", "time", "water", "care", "control", "config", "wire"],
        &[
            "serde",
            "serde_json",
            "tokio",
            "rumqttc",
            "rustls",
            "axum",
            "hyper",
            "hyper_util",
            "schemars",
            "ring",
            "ureq",
            "rusqlite",
            "tracing",
            "rustix",
            "sd_notify",
            "prometheus",
            "bytes",
            "http_body",
            "lettre",
        ],
    ),
    (
        "cli",
        &["units", "time", "water", "care", "control", "config", "wire", "sim", "shell"],
        &[
            "serde",
            "serde_json",
            "clap",
            "clap_complete",
            "clap_mangen",
            "tracing",
            "tracing_subscriber",
            "tracing_appender",
            "tokio",
            "rumqttc",
            "rumqttd",
            "ureq",
            "rustls",
            "textplots",
        ],
    ),
];

fn sources(dir: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(dir).expect("src can be read") {
        let path = entry.expect("a directory entry").path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            found.push(path);
        }
    }
}

/// The code of a file: no comments, no strings, no unit tests.
fn code(text: &str) -> String {
    let text = text.split("#[cfg(test)]\nmod tests {").next().unwrap_or(text);
    text.lines().map(|line| line.split("//").next().unwrap_or("")).collect::<Vec<_>>().join("\n")
}

/// Every path that follows `prefix::` in the code, with one more level, groups opened: `control::plan`.
fn paths_after(code: &str, prefix: &str) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    for (at, _) in code.match_indices(prefix) {
        let before = code[..at].chars().next_back();
        if before.is_some_and(|c| c.is_alphanumeric() || c == '_' || c == ':') {
            continue;
        }
        let rest = &code[at + prefix.len()..];
        for branch in branches(rest) {
            found.insert(branch);
        }
    }
    found
}

/// `{a::b, c}` and `a::{b, c}` as two-level paths.
fn branches(rest: &str) -> Vec<String> {
    let ident = |text: &str| -> String { text.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect() };
    if let Some(group) = rest.strip_prefix('{') {
        return split_group(group).iter().flat_map(|part| branches(part)).collect();
    }
    let first = ident(rest);
    match rest[first.len()..].strip_prefix("::") {
        Some(second) => match second.strip_prefix('{') {
            Some(group) => split_group(group).iter().map(|part| format!("{first}::{}", ident(part))).collect(),
            None => vec![format!("{first}::{}", ident(second))],
        },
        None => vec![first],
    }
}

fn split_group(group: &str) -> Vec<String> {
    let (mut depth, mut parts, mut part) = (0, Vec::new(), String::new());
    for c in group.chars() {
        match c {
            '{' => depth += 1,
            '}' if depth == 0 => break,
            '}' => depth -= 1,
            ',' if depth == 0 => {
                parts.push(std::mem::take(&mut part).trim().to_owned());
                continue;
            }
            _ => {}
        }
        part.push(c);
    }
    parts.push(part.trim().to_owned());
    parts.retain(|part| !part.is_empty());
    parts
}

fn part_of(path: &Path, root: &Path) -> Option<String> {
    let inside = path.strip_prefix(root).expect("a file under src");
    let first = inside.components().next()?.as_os_str().to_str()?.trim_end_matches(".rs").to_owned();
    (first != "lib" && first != "main").then_some(first)
}

fn is_test_file(path: &Path) -> bool {
    path.components().any(|part| {
        let part = part.as_os_str().to_string_lossy();
        part == "tests" || part == "tests.rs" || part == "fixture.rs"
    })
}

#[test]
fn each_part_imports_only_what_the_table_allows() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    sources(&root, &mut files);
    let rows: BTreeMap<&str, &Row> = TABLE.iter().map(|row| (row.0, row)).collect();
    let outside = outside_crates();
    let mut wrong = Vec::new();
    for path in files.iter().filter(|path| !is_test_file(path)) {
        let Some(part) = part_of(path, &root) else { continue };
        let Some((_, parts, crates)) = rows.get(part.as_str()) else {
            wrong.push(format!("{}: `{part}` is not in the table", path.display()));
            continue;
        };
        let code = code(&fs::read_to_string(path).expect("a source file can be read"));
        for import in paths_after(&code, "crate::").into_iter().chain(paths_after(&code, "slackwater::")) {
            let first = import.split("::").next().unwrap_or("");
            let allowed = first == part || parts.contains(&first) || parts.contains(&import.as_str());
            if !allowed && !first.is_empty() {
                wrong.push(format!("{}: imports `{import}`", path.display()));
            }
        }
        for name in &outside {
            if !paths_after(&code, &format!("{name}::")).is_empty() && !crates.contains(&name.as_str()) {
                wrong.push(format!("{}: uses the crate `{name}`", path.display()));
            }
        }
    }
    assert!(wrong.is_empty(), "the layering is broken:\n{}", wrong.join("\n"));
}

/// The names of the dependencies, as the code spells them.
fn outside_crates() -> Vec<String> {
    let manifest = Path::new(env!("CARGO_MANIFEST_DIR")).join("Cargo.toml");
    let manifest = fs::read_to_string(manifest).expect("Cargo.toml can be read");
    let mut section = String::new();
    let mut names = Vec::new();
    for line in manifest.lines() {
        if line.starts_with('[') {
            line.clone_into(&mut section);
        } else if section == "[dependencies]"
            && let Some((name, _)) = line.split_once('=')
            && !line.starts_with('#')
        {
            names.push(name.trim().replace('-', "_"));
        }
    }
    assert!(names.len() > 10, "the dependencies were read");
    names
}

#[test]
fn the_reader_of_imports_sees_groups_and_nested_paths() {
    let code = "use crate::{control::{plan, ids::Name}, time::Now};\nfn a() { crate::shell::run() } use supercrate::x;";
    let found: Vec<_> = paths_after(code, "crate::").into_iter().collect();
    assert_eq!(found, ["control::ids", "control::plan", "shell::run", "time::Now"]);
}

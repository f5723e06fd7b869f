//! Nothing that stands in a config file panics the loader (invariant 10), and what it accepts is sound.
//!
//! The example's text is mutated: characters, lines, words of the grammar put where they do not belong.

use std::path::PathBuf;

use proptest::prelude::*;
use slackwater::config::understood::understood;
use slackwater::config::{Files, drill, understand};
use slackwater::control::plan::{OnUnknown, OutputKind, Switch};

fn text(path: &str) -> String {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(path);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

const FILES: [&str; 4] = ["daemon.yaml", "shared.yaml", "tanks/lagoon.yaml", "tanks/quarantine.yaml"];

/// Words that mean something somewhere.
const WORDS: [&str; 44] = [
    "heater",
    "top-off",
    "return-pump",
    "none",
    "any",
    "all",
    "not",
    "on",
    "off",
    "wet",
    "dry",
    "trips",
    "holds",
    "ignored",
    "always",
    "never",
    "when-proven",
    "26.0 °C",
    "-1 mm",
    "1e400 °C",
    ".nan",
    "0 s",
    "9999999 d",
    "~",
    "null",
    "[]",
    "{}",
    "<<",
    "*x",
    "&x",
    "!!int 3",
    "? a",
    "- ",
    ": ",
    "{at}",
    "true",
    "0x1F",
    "1_000",
    "'",
    "\"",
    "|",
    ">",
    "\u{feff}",
    "\u{0}",
];

#[derive(Clone, Debug)]
enum Mutation {
    DropLine(usize),
    RepeatLine(usize, usize),
    Indent(usize, usize),
    Replace(usize, usize),
    Insert(usize, String),
    Cut(usize),
    Swap(usize, usize),
}

fn mutation() -> impl Strategy<Value = Mutation> {
    let at = 0..20_000usize;
    prop_oneof![
        3 => at.clone().prop_map(Mutation::DropLine),
        2 => (at.clone(), at.clone()).prop_map(|(a, b)| Mutation::RepeatLine(a, b)),
        1 => (at.clone(), 0..6usize).prop_map(|(a, b)| Mutation::Indent(a, b)),
        8 => (at.clone(), at.clone()).prop_map(|(a, b)| Mutation::Replace(a, b)),
        2 => (at.clone(), any::<String>()).prop_map(|(a, b)| Mutation::Insert(a, b)),
        1 => at.clone().prop_map(Mutation::Cut),
        4 => (at.clone(), at).prop_map(|(a, b)| Mutation::Swap(a, b)),
    ]
}

/// The words of a text: where each begins and ends.
fn words(text: &str) -> Vec<(usize, usize)> {
    let mut words = Vec::new();
    let mut start = None;
    for (at, c) in text.char_indices() {
        let inside = c.is_alphanumeric() || "-_./°".contains(c);
        match (inside, start) {
            (true, None) => start = Some(at),
            (false, Some(from)) => {
                words.push((from, at));
                start = None;
            }
            _ => {}
        }
    }
    words
}

fn floor(text: &str, at: usize) -> usize {
    let mut at = at % (text.len() + 1);
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}

fn mutate(text: &str, mutation: &Mutation) -> String {
    let lines: Vec<&str> = text.lines().collect();
    let line = |at: usize| at % lines.len().max(1);
    let found = words(text);
    let word = |at: usize| found.get(at % found.len().max(1)).copied();
    match mutation {
        _ if lines.is_empty() => String::new(),
        Mutation::DropLine(at) => {
            let mut kept = lines.clone();
            kept.remove(line(*at));
            kept.join("\n")
        }
        Mutation::RepeatLine(from, to) => {
            let mut kept = lines.clone();
            kept.insert(line(*to), lines[line(*from)]);
            kept.join("\n")
        }
        Mutation::Indent(at, by) => {
            let moved = format!("{}{}", " ".repeat(*by), lines[line(*at)].trim_start());
            let mut kept = lines.clone();
            kept[line(*at)] = &moved;
            kept.join("\n")
        }
        Mutation::Replace(at, by) => word(*at).map_or(text.to_owned(), |(from, to)| {
            format!("{}{}{}", &text[..from], WORDS[by % WORDS.len()], &text[to..])
        }),
        Mutation::Insert(at, what) => {
            let at = floor(text, *at);
            format!("{}{what}{}", &text[..at], &text[at..])
        }
        Mutation::Cut(at) => text[..floor(text, *at)].to_owned(),
        Mutation::Swap(a, b) => match (word(*a), word(*b)) {
            (Some(a), Some(b)) if a.1 <= b.0 => {
                format!("{}{}{}{}{}", &text[..a.0], &text[b.0..b.1], &text[a.1..b.0], &text[a.0..a.1], &text[b.1..])
            }
            _ => text.to_owned(),
        },
    }
}

/// What no accepted config may lack, whatever was done to the example's text.
fn assert_sound(files: &Files) {
    let setup = match understand(files) {
        Ok(setup) => setup,
        Err(problems) => {
            assert!(!problems.0.is_empty());
            assert!(problems.0.iter().all(|problem| !problem.what.is_empty() && !problem.what.contains('\n')));
            return;
        }
    };
    let words = understood(&setup);
    assert_eq!(words.tanks.len(), setup.tanks.len());
    for tank in &setup.tanks {
        let plan = &tank.plan;
        assert_eq!(plan.outputs.len(), tank.bindings.plugs.len());
        assert_eq!(plan.probes.len(), tank.bindings.probes.len());
        for (at, output) in plan.outputs.iter().enumerate() {
            let off_by = |unknown: OnUnknown| {
                plan.interlocks.iter().any(|interlock| {
                    interlock.unknown == unknown
                        && interlock.effects.iter().any(|(id, to)| id.index() == at && *to == Switch::Off)
                })
            };
            if matches!(output.kind, OutputKind::Heater | OutputKind::TopOff) {
                assert!(off_by(OnUnknown::Trips), "{} of {} has no stop", output.name, plan.name);
                assert_eq!(output.rest, Switch::Off);
            }
            if output.kind.is_life_support() {
                assert!(!off_by(OnUnknown::Trips), "{} of {} stops when blind", output.name, plan.name);
                assert!(output.plug.lease.is_none());
            }
            if let Some(lease) = output.plug.lease {
                assert!(lease.refresh.times(3) <= lease.lasts, "{lease:?}");
            }
        }
    }
}

#[test]
fn without_any_one_line_the_example_is_refused_or_still_sound() {
    let whole = Files(FILES.iter().map(|name| ((*name).to_owned(), Ok(text(&format!("config/{name}"))))).collect());
    let (mut sound, mut refused) = (0, 0);
    for (which, name) in FILES.iter().enumerate() {
        let original = text(&format!("config/{name}"));
        for line in 0..original.lines().count() {
            if original.lines().nth(line).is_some_and(|line| line.trim_start().starts_with('#')) {
                continue;
            }
            let mut files = whole.clone();
            files.0[which].1 = Ok(mutate(&original, &Mutation::DropLine(line)));
            if understand(&files).is_ok() {
                sound += 1;
            } else {
                refused += 1;
            }
            assert_sound(&files);
        }
    }
    assert!(sound > 30 && refused > 60, "both happen: {sound} sound, {refused} refused");
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 300,
        failure_persistence: None,
        rng_seed: proptest::test_runner::RngSeed::Fixed(20_26),
        ..ProptestConfig::default()
    })]

    #[test]
    fn no_mutation_of_the_example_panics_the_loader(
        which in 0..FILES.len(),
        mutations in proptest::collection::vec(mutation(), 1..6),
    ) {
        let mut files = Files(FILES.iter().map(|name| ((*name).to_owned(), Ok(text(&format!("config/{name}"))))).collect());
        let mut mutated = text(&format!("config/{}", FILES[which]));
        for mutation in &mutations {
            mutated = mutate(&mutated, mutation);
        }
        files.0[which].1 = Ok(mutated);
        assert_sound(&files);
    }

    #[test]
    fn no_text_at_all_panics_the_loader(which in 0..FILES.len(), anything in any::<String>()) {
        let mut files = Files(FILES.iter().map(|name| ((*name).to_owned(), Ok(text(&format!("config/{name}"))))).collect());
        files.0[which].1 = Ok(anything);
        assert_sound(&files);
    }

    #[test]
    fn no_mutation_of_a_drill_panics_its_reader(
        which in 0..1000usize,
        mutations in proptest::collection::vec(mutation(), 1..6),
    ) {
        let dir = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("config/drills");
        let mut files: Vec<PathBuf> = std::fs::read_dir(dir).unwrap().map(|entry| entry.unwrap().path()).collect();
        files.sort();
        let path = &files[which % files.len()];
        let mut mutated = std::fs::read_to_string(path).unwrap();
        for mutation in &mutations {
            mutated = mutate(&mutated, mutation);
        }
        if let Err(problems) = drill::read("drill.yaml", &mutated) {
            prop_assert!(!problems.0.is_empty());
            prop_assert!(problems.0.iter().all(|problem| !problem.what.is_empty() && !problem.what.contains('\n')));
        }
    }
}

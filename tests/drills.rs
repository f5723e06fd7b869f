//! The drills of `config/drills/` against the example config, and a drill that fails with its timeline.

use std::path::{Path, PathBuf};

use slackwater::cli::drill::{play, script, text};
use slackwater::config::{Setup, drill, load};
use slackwater::control::plan::Switch;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("config")
}

fn example() -> Setup {
    load(&root()).unwrap_or_else(|problems| panic!("{problems}"))
}

fn files() -> Vec<PathBuf> {
    let entries = std::fs::read_dir(root().join("drills")).unwrap().map(|entry| entry.unwrap().path());
    let mut files: Vec<PathBuf> = entries.filter(|path| path.extension().is_some_and(|end| end == "yaml")).collect();
    files.sort();
    files
}

#[test]
fn every_drill_of_the_example_passes() {
    let setup = example();
    let files = files();
    assert!(files.len() >= 15, "the drills are there");
    let outcomes: Vec<_> = files
        .iter()
        .map(|path| {
            let script = script(path).unwrap_or_else(|error| panic!("{error}"));
            play(&setup, &script, 1).unwrap_or_else(|problems| panic!("{problems}"))
        })
        .collect();
    assert!(outcomes.iter().all(slackwater::cli::drill::Outcome::passed), "{}", text(&outcomes));
}

/// Every interlock of the lagoon stands in a drill's expectations.
#[test]
fn every_interlock_of_the_lagoon_has_a_drill() {
    let all: String = files().iter().map(|path| std::fs::read_to_string(path).unwrap()).collect();
    for interlock in &example().tanks[0].plan.interlocks {
        assert!(all.contains(&format!("interlock: {},", interlock.name)), "no drill expects {}", interlock.name);
    }
}

/// An interlock without its effect is what a drill is there to find.
#[test]
fn a_drill_of_an_interlock_that_does_nothing_fails_and_shows_the_time_around_the_miss() {
    let mut setup = example();
    let plan = &mut setup.tanks[0].plan;
    let top_off = plan.output("top-off").unwrap();
    for name in ["floor-wet", "top-off-too-long"] {
        let interlock = plan.interlock(name).unwrap();
        plan.interlocks[interlock.index()].effects.retain(|effect| *effect != (top_off, Switch::Off));
    }
    plan.outputs[top_off.index()].permissives.clear();
    // Without a bound of its own either.
    plan.top_offs[0].longest = slackwater::time::Span::from_minutes(2);
    plan.top_offs[0].per_hour = plan.top_offs[0].per_day;
    let script = script(&root().join("drills/floor-wet.yaml")).unwrap_or_else(|error| panic!("{error}"));
    let outcome = play(&setup, &script, 1).unwrap_or_else(|problems| panic!("{problems}"));
    assert!(!outcome.passed());
    let shown = text(&[outcome]);
    assert!(shown.starts_with("FAILED  a wet floor stops the top-off"), "{shown}");
    assert!(shown.contains("output top-off should be off from 16 min 25 s to 16 min 28 s, and was on; "), "{shown}");
    assert!(shown.contains("fault    floor-leak sticks wet"), "the timeline has the fault:\n{shown}");
    assert!(shown.contains("0 of 1 drills passed"), "{shown}");
}

#[test]
fn a_drill_that_does_not_fit_the_config_is_told_so_with_its_place() {
    let wrong = "drill: x\ntank: lagoon\ndo:\n  - { at: 1 min, fault: kettle welds }\nexpect:\n  - { output: heater, is: on, within: 1 min }\n";
    let problem = |text: &str| {
        let script = drill::read("x.yaml", text).unwrap_or_else(|problems| panic!("{problems}"));
        play(&example(), &script, 1).unwrap_err().to_string()
    };
    let said = problem(wrong);
    assert!(said.contains("x.yaml:4:5: `kettle welds`: there is no `kettle` here"), "{said}");
    let said = problem(&wrong.replace("output: heater", "output: boiler").replace("kettle", "heater"));
    assert!(said.contains("x.yaml:6:5: lagoon has no output `boiler`\n  known here: `heater`"), "{said}");
    let said = problem(&wrong.replace("tank: lagoon", "tank: pond").replace("kettle", "heater"));
    assert!(said.contains("x.yaml:2:7: there is no tank `pond`"), "{said}");
}

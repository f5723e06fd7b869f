//! What can go wrong, row by row: `tests/data/hazards.tsv`, its drills in `tests/hazards/` and its rehearsals.
//!
//! A row that is answered names what shows it; this holds that each of them exists, that each drill is named, and that
//! no drill passes where nothing happens or where the answer was taken out.

#[path = "hazards/plugs.rs"]
mod plugs;
#[path = "hazards/power.rs"]
mod power;
#[path = "hazards/probes.rs"]
mod probes;
#[path = "hazards/stage.rs"]
mod stage;
#[path = "common/staged.rs"]
mod staged;
#[path = "hazards/table.rs"]
mod table;
#[path = "hazards/water.rs"]
mod water;

use slackwater::cli::drill::{Outcome, play, script, text};
use slackwater::config::Setup;
use slackwater::config::drill::Script;
use slackwater::control::plan::Condition;

use staged::example;
use table::files;

fn scripts() -> Vec<Script> {
    files().iter().map(|path| script(path).unwrap_or_else(|error| panic!("{error}"))).collect()
}

fn played(setup: &Setup, script: &Script) -> Outcome {
    play(setup, script, 1).unwrap_or_else(|problems| panic!("{problems}"))
}

#[test]
fn every_drill_passes() {
    let setup = example();
    let outcomes: Vec<Outcome> = scripts().iter().map(|script| played(&setup, script)).collect();
    assert!(outcomes.len() >= 30, "the drills are there");
    assert!(outcomes.iter().all(Outcome::passed), "{}", text(&outcomes));
}

/// A drill that passes on a day on which nothing happens shows nothing.
#[test]
fn no_drill_passes_where_nothing_happens() {
    let setup = example();
    for mut script in scripts() {
        script.acts.clear();
        assert!(!played(&setup, &script).passed(), "{} expects nothing of what happens in it", script.file);
    }
}

/// The answer taken out of the config: an interlock without its effects, and what else stops the same output.
#[test]
fn a_drill_fails_where_its_interlock_was_taken_out() {
    for (name, interlocks) in [
        ("f16-float-stuck-dry", &["top-off-high", "top-off-too-long"][..]),
        ("f17-float-stuck-wet", &["top-off-high", "top-off-too-long"]),
        ("f19-splash-and-flapping", &["floor-wet", "top-off-too-long"]),
        ("f26-low-water-by-level", &["low-water"]),
        ("f26-low-water-by-float", &["low-water"]),
        ("f34-dry-return-pump", &["return-pump-dry"]),
    ] {
        let script = scripts().into_iter().find(|script| script.file.contains(name)).expect(name);
        assert!(played(&example(), &script).passed(), "{name} passes with it");
        let mut setup = example();
        let plan = &mut setup.tanks[0].plan;
        for interlock in interlocks {
            let interlock = plan.interlock(interlock).expect(interlock);
            plan.interlocks[interlock.index()].effects.clear();
            // Nothing is ever true of it.
            let cause = plan.interlocks[interlock.index()].cause;
            plan.conditions[cause.index()] = Condition::Any(Vec::new());
        }
        // The starts rest on the same evidence, and would hide it where the output is not on yet.
        plan.outputs.iter_mut().for_each(|output| output.permissives.clear());
        let outcome = played(&setup, &script);
        // A top-off stops by the end of its own run too, so that only the latch is missed there.
        let own_end = interlocks.contains(&"top-off-too-long");
        let missed = outcome.misses.iter().any(|miss| own_end || miss.text.starts_with("output "));
        assert!(missed, "{name} passes without {interlocks:?}:\n{}", text(&[outcome]));
    }
}

//! Thousands of kills of the daemon at random moments of holds and top-off runs, in virtual time.
//!
//! Each story is a tank, a procedure and a handful of kills, drawn from its seed: between two steps, or in the middle
//! of one, after some of its effects. After each kill the tank must be where it was: the hold with its deadline, the
//! latches, the pumps, the water that was spent. What the top-off gave is measured in the simulated reservoir, not asked.
//!
//! A story that fails names its seed; `KILLS_SEED=N cargo test --test kills` plays that one alone, with all its lines.

#![allow(clippy::disallowed_methods, reason = "the seed of a replay comes from the environment")]

#[path = "kills/checks.rs"]
mod checks;
#[path = "kills/lab.rs"]
mod lab;
#[path = "common/staged.rs"]
mod staged;
#[path = "kills/story.rs"]
mod story;

use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use lab::Tally;
use story::{Plot, budget_day, play};

const STORIES: u64 = 800;

fn only() -> Option<u64> {
    std::env::var("KILLS_SEED").ok().map(|seed| seed.parse().expect("KILLS_SEED is a number"))
}

/// Plays these seeds on two threads and gives what was seen, added up.
fn play_all(seeds: std::ops::Range<u64>, one: impl Fn(u64) -> Tally + Sync) -> Tally {
    if let Some(seed) = only() {
        return one(seed);
    }
    let (next, all) = (AtomicU64::new(seeds.start), Mutex::new(Tally::default()));
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| {
                loop {
                    let seed = next.fetch_add(1, Ordering::Relaxed);
                    if seed >= seeds.end {
                        return;
                    }
                    let told = one(seed);
                    all.lock().unwrap().add(&told);
                }
            });
        }
    });
    all.into_inner().unwrap()
}

#[test]
fn thousands_of_kills_leave_holds_latches_pumps_and_budgets_as_they_were() {
    let tally = play_all(0..STORIES, play);
    println!("{tally}");
    if only().is_some() {
        return;
    }
    assert!(tally.kills() >= 3000, "{tally}");
    assert!(tally.torn >= 700, "kills in the middle of a step: {tally}");
    // Each moment of interest was really met, on both tanks.
    let moments: &BTreeMap<String, u64> = &tally.moments;
    for moment in [
        "lagoon: hold pauses",
        "lagoon: hold stands",
        "lagoon: release refused",
        "lagoon: starts are staged",
        "lagoon: fell back into the hold",
        "lagoon: feeding ends",
        "lagoon: top-off is about to start",
        "lagoon: top-off runs",
        "lagoon: top-off settles",
        "lagoon: latched",
        "quarantine: hold pauses",
        "quarantine: hold stands",
        "quarantine: feeding ends",
        "quarantine: top-off is about to start",
        "quarantine: top-off runs",
        "quarantine: top-off settles",
        "quarantine: latched",
    ] {
        assert!(moments.get(moment).is_some_and(|count| *count >= 20), "{moment} was hardly met: {tally}");
    }
}

#[test]
fn a_day_and_more_of_kills_in_each_run_never_gives_more_than_the_budget() {
    let tally = play_all(10_000..10_008, budget_day);
    println!("{tally}");
    assert!(only().is_some() || tally.kills() >= 30, "{tally}");
}

/// The checks see what they are there for: a daemon that forgets is found out.
#[test]
fn a_daemon_that_forgets_its_store_is_found_out() {
    for plot in [Plot::WaterChange, Plot::TopOff, Plot::Latch] {
        let found = story::forgetful(plot);
        assert!(!found.is_empty(), "{plot:?}: nothing was found");
    }
}

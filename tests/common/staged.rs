//! A rehearsal of the example config with faults, for the tests that ask what became of it.
//!
//! All water is simulated, and the demo data are invented.

#![allow(dead_code, reason = "each test file uses its part")]

use std::path::Path;

use slackwater::cli::model::model;
use slackwater::config::{Setup, load};
use slackwater::sim::physics::Room;
use slackwater::sim::rehearsal::{Detail, Rehearsal, Routine, Staging};
use slackwater::sim::{Daemon, Model, Surroundings};
use slackwater::time::{Now, Span, Steady, Wall};

/// 2026-06-01 06:00 UTC by the wall: 07:00 in Lisbon.
const START: Now = Now { steady: Steady::from_millis(0), wall: Wall::from_unix_millis(1_780_293_600_000) };

/// The example config.
pub fn example() -> Setup {
    load(&Path::new(env!("CARGO_MANIFEST_DIR")).join("config")).unwrap_or_else(|problems| panic!("{problems}"))
}

/// A day at most, in a room of so many °C, with these faults and a keeper who does only what they say.
pub fn staged(setup: &Setup, seed: u64, room: f64, faults: &[&str], detail: Detail) -> Rehearsal {
    let models: Vec<Model<'_>> = setup.tanks.iter().map(model).collect();
    let surroundings = Surroundings {
        room: Room::new(room),
        usual_tank: Some("lagoon".to_owned()),
        daemon: Daemon::Played,
        ..Surroundings::default()
    };
    let (lasts, root) = (Span::from_hours(24), setup.daemon.root.clone());
    let staging = Staging { seed, start: START, lasts, surroundings, root, routine: Routine::Away, detail };
    let mut run = Rehearsal::new(&models, staging);
    for sentence in faults {
        let fault = run.catalogue().read(sentence).unwrap_or_else(|error| panic!("{error}"));
        run.inject(fault);
    }
    run
}

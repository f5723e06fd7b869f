//! A meter that freezes in the simulated home: its last number is no evidence. Water is simulated, demo data invented.

#[path = "common/staged.rs"]
mod staged;

use slackwater::sim::rehearsal::Detail;
use slackwater::time::Span;

use staged::{example, staged};

/// The heater is switched many times in those hours; the first freeze falls into whatever it does just then.
#[test]
fn a_heater_whose_meter_freezes_is_not_latched_and_somebody_is_told_f22() {
    for (seed, minutes) in [(1, 121), (2, 133), (3, 147), (4, 159)] {
        let fault = format!("heater meter freezes at {minutes} min");
        let mut run = staged(&example(), seed, 19.0, &[&fault], Detail::Story);
        run.pass(Span::from_hours(10));
        let status = run.status("lagoon").expect("the daemon lives");
        let stuck = status.interlocks.iter().find(|one| &*one.interlock == "heater-stuck-on").expect("it has a meter");
        assert_eq!(stuck.trips, 0, "seed {seed}: {stuck:?}");
        assert!(run.violations().is_empty(), "{:?}", run.violations());
        let truth = run.world().truth("lagoon").unwrap();
        assert!(truth.display_celsius > 24.5, "seed {seed}: it heats on: {truth:?}");
        let told = run.record().entries().iter().any(|entry| entry.subject == "power-lost" && entry.kind == "alarm");
        let frozen_at_nothing = status.outputs.iter().any(|one| &*one.output == "heater" && one.watts == Some(0.0));
        assert!(told || frozen_at_nothing, "seed {seed}: nobody was told");
    }
}

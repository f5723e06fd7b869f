//! Entries, corrections, deletions, repeated requests, checks of probes.

use super::*;

#[test]
fn a_correction_and_a_deletion_keep_the_history() {
    let mut home = Home::new(lagoon());
    home.ask(measure("alkalinity", "8.1 dKH")).unwrap();
    let first = home.disk[0].clone();
    let correct =
        |value: &str| Request::Correct { id: 1, value: Some(value.to_owned()), why: Some("misread".to_owned()) };
    home.ask(correct("2.75 meq/L")).unwrap();
    let (standing, what) = home.care.in_force(Some("lagoon"))[0];
    let What::Measured(measured) = what else { panic!("{what:?}") };
    assert!((measured.value - 7.71).abs() < 0.01, "2.75 meq/L is {}", measured.value);
    assert_eq!(standing.history, [EntryId(2)]);
    home.ask(Request::Delete { id: 1, why: None }).unwrap();
    assert!(home.care.in_force(Some("lagoon")).is_empty());
    assert_eq!(home.disk[0], first, "the first entry stays as it was");
    let lines = home.care.lines("lagoon", lisbon(), &log::Wanted { all: true, ..log::Wanted::default() });
    assert!(lines[0].deleted && lines[0].history.len() == 3, "{lines:?}");
    assert!(lines[0].history[0].contains("8.10 dKH"), "{lines:?}");
    let before = home.care.clone();
    home.restart();
    assert_eq!(home.care, before);
    for wrong in [
        correct("8 dKH"),
        Request::Delete { id: 1, why: None },
        Request::Delete { id: 2, why: None },
        Request::Delete { id: 99, why: None },
    ] {
        assert!(home.ask(wrong).is_err());
    }
    assert_eq!(home.care, before, "a refusal changes nothing");
}

#[test]
fn a_repeated_request_is_noted_once_whatever_died_in_between() {
    let chore = ChorePlan { name: "filter-sock".to_owned(), every_days: Some(5.0), ..ChorePlan::default() };
    let done = || Request::Done { chore: "filter-sock".to_owned(), note: None };
    // The kill comes before the disk has it, after it, and never.
    for kill in ["before", "after", "never"] {
        let mut home = Home::new(TankCare { chores: vec![chore.clone()], ..lagoon() });
        let decided = home.decide(done(), None, "one", "lagoon").unwrap();
        match kill {
            "before" => home.restart(),
            "after" => {
                home.disk.extend(decided.entries.clone());
                home.restart();
            }
            _ => home.write(&decided),
        }
        // The clock was set back meanwhile, and the request is sent three times more.
        home.now = home.now.before(days(1));
        for _ in 0..3 {
            let again = home.decide(done(), None, "one", "lagoon").unwrap();
            home.write(&again);
        }
        let count = home.care.in_force(None).iter().filter(|(_, what)| matches!(what, What::ChoreDone { .. })).count();
        assert_eq!(count, 1, "killed {kill}");
    }
    let mut home = Home::new(lagoon());
    let first = home.decide(measure("nitrate", "5 ppm"), None, "one", "lagoon").unwrap();
    home.write(&first);
    home.plans.tanks.insert("quarantine".to_owned(), lagoon());
    assert!(home.decide(measure("nitrate", "5 ppm"), None, "one", "quarantine").is_err(), "another tank's key");
}

#[test]
fn entries_are_dated_in_the_tanks_own_time_and_never_ahead_of_it() {
    let mut home = Home::new(lagoon());
    home.ask_at(measure("ph", "8.15"), Some("yesterday 18:30")).unwrap();
    assert_eq!(lisbon().show(home.disk[0].at), "2026-06-30 18:30:00");
    assert_eq!(home.disk[0].noted, home.now);
    assert!(home.ask_at(measure("ph", "8.15"), Some("22:00")).unwrap_err().summary.contains("still to come"));
    // By time and not by number.
    home.ask_at(measure("ph", "8.05"), Some("2026-06-01")).unwrap();
    let lines = home.care.lines("lagoon", lisbon(), &log::Wanted::default());
    assert_eq!(lines.iter().map(|line| line.value.unwrap()).collect::<Vec<_>>(), [8.05, 8.15]);
    assert!((home.care.newest("lagoon")[0].value - 8.15).abs() < 1e-9);
}

#[test]
fn what_the_keeper_names_keeps_its_unit() {
    let mut home = Home::new(lagoon());
    home.ask(measure("Copepods", "12 pieces")).unwrap();
    assert!(home.ask(measure("copepods", "3 mg/L")).is_err());
    assert!(home.ask(measure("alkalinity", "8.1")).is_err());
    let light = home.ask(measure("ppfd", "180 µmol/m²/s")).unwrap_err();
    assert!(light.details[0].contains("--at"), "{light:?}");
    let told = home.ask(measure("nitrate", "5 ppm")).unwrap();
    assert!(told.details[0].contains("mg/L") && told.details[0].contains("NO3"), "{told:?}");
}

#[test]
fn a_measurement_checks_the_probe_and_its_drift_says_when_to_calibrate() {
    let mut home = Home::new(lagoon());
    // The probe drifts by 0.1 psu in ten days from 0.1 off: 0.5 is passed on day 40.
    let mut advice = String::new();
    for check in 0..4 {
        home.signal("salinity", Quantity::Salinity, 35.0 + 0.1 + 0.1 * f64::from(check));
        let told = home.ask(measure("salinity", "35 psu")).unwrap();
        advice = told.details.join(" ");
        home.pass(days(10));
    }
    let view = home.care.probe_checks("lagoon", lisbon(), home.now).remove(0);
    assert!((view.drift_in_30_days.unwrap() - 0.3).abs() < 1e-6, "{view:?}");
    assert!(advice.contains("+0.40 psu") && advice.contains("2026-08-10"), "{advice}");
    // Beyond what it may be off: now.
    home.signal("salinity", Quantity::Salinity, 35.7);
    let told = home.ask(measure("salinity", "1.0264 sg 25/25")).unwrap();
    assert!(told.details.join(" ").contains("calibrate it"), "{told:?}");
    // A calibration begins a new series.
    home.pass(days(1));
    home.ask(Request::Event { text: "calibrated salinity".to_owned() }).unwrap();
    assert!(home.care.probe_checks("lagoon", lisbon(), home.now).is_empty());
    // What was measured yesterday is compared with what was said yesterday.
    home.then = Some(34.9);
    home.ask_at(measure("salinity", "35 psu"), Some("yesterday 18:30")).unwrap();
    let view = home.care.probe_checks("lagoon", lisbon(), home.now);
    assert!(view.is_empty(), "yesterday is before the calibration");
    home.then = None;
    assert_eq!(home.ask_at(measure("salinity", "35 psu"), Some("2 h ago")).unwrap().details.len(), 0);
}

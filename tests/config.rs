//! The config as a keeper meets it: the example is sound, and everything that is wrong is said at once.

use std::path::{Path, PathBuf};

use slackwater::cli::check;
use slackwater::config::understood::understood;
use slackwater::config::{Files, Problems, Setup, load, understand};
use slackwater::control::plan::{AlarmSource, Condition, Latch, OnUnknown, OutputKind, Switch};

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn text(path: &str) -> String {
    std::fs::read_to_string(root().join(path)).unwrap_or_else(|error| panic!("{path}: {error}"))
}

fn example() -> Setup {
    load(&root().join("config")).unwrap_or_else(|problems| panic!("{problems}"))
}

/// A directory in memory: the example's daemon and shared files, and these tanks.
fn with_tanks(tanks: &[(&str, &str)]) -> Files {
    let daemon = text("config/daemon.yaml").replace("usual_tank: lagoon", "");
    let mut files =
        vec![("daemon.yaml".to_owned(), Ok(daemon)), ("shared.yaml".to_owned(), Ok(text("config/shared.yaml")))];
    files.extend(tanks.iter().map(|(name, text)| (format!("tanks/{name}.yaml"), Ok((*text).to_owned()))));
    Files(files)
}

fn wrong(files: &Files) -> Problems {
    understand(files).expect_err("this config is wrong")
}

#[test]
fn the_example_is_sound_and_check_says_what_it_means() {
    let words = understood(&example());
    insta::assert_snapshot!("check_of_the_example", check::text(&words));
    let json: serde_json::Value = serde_json::from_str(&check::sound_json(&words)).unwrap();
    assert_eq!(json["sound"], true);
    assert_eq!(json["understood"]["tanks"][1]["outputs"][2]["lease"], "none");
}

#[test]
fn every_wrong_file_is_told_everything_that_is_wrong_with_it() {
    let mut names: Vec<PathBuf> = std::fs::read_dir(root().join("tests/data/config/wrong"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "yaml"))
        .collect();
    names.sort();
    assert!(names.len() >= 10, "the gallery is there");
    for path in names {
        let name = path.file_stem().unwrap().to_string_lossy().into_owned();
        let tank = std::fs::read_to_string(&path).unwrap();
        let problems = wrong(&with_tanks(&[(&name, &tank)]));
        insta::assert_snapshot!(format!("wrong_{name}"), problems);
    }
}

#[test]
fn a_wrong_daemon_file_prints_no_secret() {
    let mut files = with_tanks(&[
        ("lagoon", &text("config/tanks/lagoon.yaml")),
        ("quarantine", &text("config/tanks/quarantine.yaml")),
    ]);
    files.0[0].1 = Ok(text("tests/data/config/daemon-wrong.yaml"));
    let problems = wrong(&files);
    insta::assert_snapshot!("wrong_daemon", problems);
    assert!(!problems.to_string().contains("sesame"), "{problems}");
    let json: serde_json::Value = serde_json::from_str(&check::wrong_json(&problems)).unwrap();
    assert_eq!(json["problems"][0]["file"], "daemon.yaml");
    assert!(json["problems"][0]["line"].as_u64().is_some());
}

#[test]
fn a_directory_that_is_not_there_says_what_to_write() {
    let nowhere = tempfile::tempdir().unwrap();
    let said = |dir: &std::path::Path| load(dir).unwrap_err().to_string();
    let missing = said(&nowhere.path().join("confg"));
    assert!(missing.contains("confg: there is no such directory\n  write the directory in which"), "{missing}");
    let file = said(&std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("config/daemon.yaml"));
    assert!(file.contains("daemon.yaml: this is a file, and no directory"), "{file}");
    insta::assert_snapshot!(load(nowhere.path()).unwrap_err(), @r"
    daemon.yaml: this file is missing
    tanks: this directory cannot be read: No such file or directory (os error 2)
      make the directory and write one file a tank, such as `tanks/lagoon.yaml`
    2 problems in 2 files
    ");
    std::fs::create_dir(nowhere.path().join("tanks")).unwrap();
    std::fs::write(nowhere.path().join("daemon.yaml"), [0xff, 0xfe, 0x00]).unwrap();
    std::fs::write(nowhere.path().join("tanks/.lagoon.yaml"), "an editor's copy").unwrap();
    insta::assert_snapshot!(load(nowhere.path()).unwrap_err(), @r"
    daemon.yaml: this file is not UTF-8 text
    tanks: there is no tank
      write one file a tank, such as `tanks/lagoon.yaml`
    2 problems in 2 files
    ");
}

#[test]
fn one_plug_has_one_owner_over_all_tanks() {
    let tank = text("config/tanks/quarantine.yaml");
    let problems = wrong(&with_tanks(&[("first", &tank), ("second", &tank)])).to_string();
    assert_eq!(problems.matches("is commanded by two outputs, the other at tanks/first.yaml").count(), 3, "{problems}");
}

#[test]
fn a_shared_leak_probe_trips_every_tank_that_names_it() {
    let setup = example();
    for tank in &setup.tanks {
        let leak = tank.plan.signal("floor-leak").expect("both tanks share the leak probe");
        let probe = tank.plan.signals[leak.index()].probes[0];
        assert_eq!(tank.bindings.probe(probe).topic, "room/floor-leak");
        let trips = tank.plan.interlocks.iter().any(|interlock| {
            let mut asks = false;
            walk(&tank.plan.conditions, interlock.cause.index(), &mut |condition| {
                asks |= matches!(condition, Condition::Contact { signal, wet: true, .. } if *signal == leak);
            });
            asks && interlock
                .effects
                .iter()
                .any(|(output, to)| *to == Switch::Off && tank.plan.outputs[output.index()].kind == OutputKind::TopOff)
        });
        assert!(trips, "{}", tank.plan.name);
    }
}

fn walk(arena: &[Condition], at: usize, visit: &mut dyn FnMut(&Condition)) {
    visit(&arena[at]);
    match &arena[at] {
        Condition::All(of) | Condition::Any(of) => of.iter().for_each(|inner| walk(arena, inner.index(), visit)),
        Condition::Not(inner) | Condition::Lasting { inner, .. } => walk(arena, inner.index(), visit),
        _ => {}
    }
}

#[test]
fn children_stand_before_their_parents_in_the_arena() {
    for tank in &example().tanks {
        for (at, condition) in tank.plan.conditions.iter().enumerate() {
            let children: Vec<usize> = match condition {
                Condition::All(of) | Condition::Any(of) => of.iter().map(|id| id.index()).collect(),
                Condition::Not(inner) | Condition::Lasting { inner, .. } => vec![inner.index()],
                _ => Vec::new(),
            };
            assert!(children.iter().all(|child| *child < at), "{condition:?}");
        }
    }
}

#[test]
fn a_sound_plan_keeps_the_invariants_that_a_plan_can_keep() {
    for tank in &example().tanks {
        let plan = &tank.plan;
        for (at, output) in plan.outputs.iter().enumerate() {
            let off_by = |unknown: OnUnknown| {
                plan.interlocks.iter().any(|interlock| {
                    interlock.unknown == unknown
                        && interlock.effects.iter().any(|(id, to)| id.index() == at && *to == Switch::Off)
                })
            };
            match output.kind {
                OutputKind::Heater | OutputKind::TopOff => assert!(off_by(OnUnknown::Trips), "{}", output.name),
                kind if kind.is_life_support() => {
                    assert!(!off_by(OnUnknown::Trips), "{}", output.name);
                    assert!(output.plug.lease.is_none(), "no timer stops a pump");
                    assert_eq!(output.rest, Switch::On);
                }
                _ => {}
            }
        }
        let cutoff = &plan.interlocks[plan.interlock("heater-cutoff").unwrap().index()];
        assert!(matches!(cutoff.latch, Latch::WhenProven { limit: 26.0, .. }));
        assert!(!cutoff.bypassable);
        for interlock in &plan.interlocks {
            let told = plan.alarms.iter().any(|alarm| {
                matches!(alarm.source, AlarmSource::Trip(id) if plan.interlocks[id.index()].name == interlock.name)
            });
            assert!(told, "no trip is silent: {}", interlock.name);
        }
        assert!(["water-change", "hands-in"].iter().all(|hold| plan.hold(hold).is_some()));
    }
}

#[test]
fn an_alone_thermometer_is_cut_off_earlier_only_where_there_were_two() {
    let setup = example();
    let margin = |tank: usize| {
        let plan = &setup.tanks[tank].plan;
        let cutoff = &plan.interlocks[plan.interlock("heater-cutoff").unwrap().index()];
        let mut found = None;
        walk(&plan.conditions, cutoff.cause.index(), &mut |condition| {
            if let Condition::Compare { alone_margin, .. } = condition {
                found = Some(*alone_margin);
            }
        });
        found.unwrap()
    };
    assert!((margin(0) - 0.5).abs() < 1e-9, "0.5 K earlier with one of two");
    assert!(margin(1).abs() < 1e-9, "a tank that always had one is not punished");
}

#[test]
fn a_tank_with_a_keepers_own_numbers_has_them() {
    let tank = text("config/tanks/lagoon.yaml")
        .replace("target: 25.0 °C, band: 0.3 °C", "target: 77 °F, band: 0.9 °F, cool_above: 26.2 °C")
        .replace("under: 24.0 °C, deadband: 0.2 °C", "under: 23.4 °C");
    let setup = understand(&with_tanks(&[("lagoon", &tank)])).unwrap_or_else(|problems| panic!("{problems}"));
    let loop_ = setup.tanks[0].plan.thermostat.clone().unwrap();
    assert!((loop_.heat.unwrap().off_at - 25.25).abs() < 1e-9);
    assert!((loop_.cool.unwrap().on_at - 26.2).abs() < 1e-9);
}

#[test]
fn the_same_files_give_the_same_setup() {
    assert_eq!(example(), example());
    assert!(Path::new(env!("CARGO_MANIFEST_DIR")).join("config/shared.yaml").exists());
}

#[test]
fn hundreds_of_tanks_share_one_directory() {
    let tank = text("config/tanks/lagoon.yaml");
    let tanks: Vec<(String, String)> =
        (0..200).map(|n| (format!("tank-{n}"), tank.replace("lagoon/", &format!("tank-{n}/")))).collect();
    let tanks: Vec<(&str, &str)> = tanks.iter().map(|(name, text)| (name.as_str(), text.as_str())).collect();
    let setup = understand(&with_tanks(&tanks)).unwrap_or_else(|problems| panic!("{problems}"));
    assert_eq!(setup.tanks.len(), 200);
    assert_eq!(setup.tanks[0].plan.conditions, setup.tanks[199].plan.conditions);
}

/// The lagoon with lines changed: what `check` warns of.
fn warned(changes: &[(&str, &str)]) -> Vec<String> {
    let mut tank = text("config/tanks/lagoon.yaml");
    for (from, to) in changes {
        assert!(tank.contains(from), "`{from}` stands in the example");
        tank = tank.replace(from, to);
    }
    let setup = understand(&with_tanks(&[("lagoon", &tank)])).unwrap_or_else(|problems| panic!("{problems}"));
    let words = understood(&setup);
    words.tanks[0].warnings.iter().map(|warning| format!("{}: {}", warning.about, warning.text)).collect()
}

#[test]
fn what_is_not_fitted_is_said_and_what_is_unwise_is_warned_of() {
    let plain = warned(&[]);
    assert!(!plain.iter().any(|warning| warning.contains("thermometer") || warning.contains("no lease")), "{plain:#?}");
    for (changes, expected) in [
        (
            vec![("from: [display-temp, sump-temp], disagree: { by: 0.6 °C, lasting: 10 min }", "from: [sump-temp]")],
            "water-temp: a single thermometer cannot see its own drift",
        ),
        (
            vec![("at: lagoon/plug/heater, boots: off", "at: lagoon/plug/heater, boots: off, lease: none")],
            "heater: no lease: it stays on if the daemon",
        ),
        (
            vec![(
                "at: lagoon/plug/heater, boots: off",
                "at: lagoon/plug/heater, lease: { lasts: 10 min, refresh: 1 min }",
            )],
            "heater: a lease of 10 min is long: the water may rise by 0.16 K",
        ),
        (
            vec![(
                "at: lagoon/plug/heater, boots: off",
                "at: lagoon/plug/heater, lease: { lasts: 90 s, refresh: 25 s }",
            )],
            "heater: a broker outage of 30 s may let its lease of 1 min 30 s run out",
        ),
        (vec![("rating: 100 W", "rating: 300 W")], "little time to pull the plug"),
        (vec![("kind: heater, rating: 100 W", "kind: heater")], "heater: no `rating`"),
        (
            vec![("reservoir: 9 L", "reservoir: 30 L")],
            "all 30.0 L of its reservoir at once would take 35 psu to 26.4 psu: too much",
        ),
        (
            vec![
                ("lights:\n  light:\n    from: 09:00\n    until: 20:30", "schedules: { skimmer: [00:00-24:00] }\n"),
                ("\n    ramp: 60 min\n    level: 80 %\n    season: 38.7 °N", ""),
                ("\n    spots: { meadow-left: 180 µmol/m²/s, rock-right: 240 µmol/m²/s }      # at 100 %", ""),
                (
                    "\n    dim: { warm-water: { when: { signal: water-temp, over: 26.5 °C, deadband: 0.3 °C }, to: 50 % } }",
                    "",
                ),
            ],
            "light: nothing ever turns it on",
        ),
        (
            vec![("    salinity: { signal: salinity, over: 34 psu }", "    ")],
            "top-off: no `salinity` in its `top_off`: it adds fresh water however little salt there is",
        ),
        (vec![("by: 0.6 °C", "by: 0.2 °C")], "`disagree` by 0.20 K cries wolf"),
        (
            vec![("lagoon/plug/powerhead, boots: on", "lagoon/plug/powerhead, boots: off")],
            "powerhead: its plug comes back off",
        ),
    ] {
        let warnings = warned(&changes);
        assert!(warnings.iter().any(|warning| warning.contains(expected)), "{expected}\n{warnings:#?}");
    }
}

#[test]
fn the_numbers_of_a_top_off_follow_from_the_water_and_the_pump() {
    let setup = example();
    let top_off = &setup.tanks[0].plan.top_offs[0];
    // 4 mm of 37.5 mL are 150 mL, which 500 mL a minute give in 18 s.
    assert_eq!((top_off.expected.millis(), top_off.longest.millis()), (18_000, 36_000));
    assert_eq!(setup.tanks[0].plan.outputs[top_off.output.index()].longest_force, top_off.longest);
    for tank in &setup.tanks {
        let (water, day) = (tank.plan.water.litres(), tank.plan.top_offs[0].per_day.litres());
        // Mixing by mass of salt: all of a day's budget on top takes 35 to 34.05.
        assert!((35.0 * water / (water + day) - 34.05).abs() < 1e-9, "{day}");
    }
    assert!((top_off.per_hour.litres() - top_off.per_day.litres() / 4.0).abs() < 1e-9);
    let tank = text("config/tanks/quarantine.yaml")
        .replace("per_hour: 0.5 L }", "per_hour: 0.5 L, per_day: 1 L, reservoir: { signal: low-float, is: wet } }");
    let setup = understand(&with_tanks(&[("quarantine", &tank)])).unwrap_or_else(|problems| panic!("{problems}"));
    let plan = &setup.tanks[0].plan;
    assert!((plan.top_offs[0].per_day.litres() - 1.0).abs() < 1e-9);
    let starts: Vec<_> = plan.outputs[plan.top_offs[0].output.index()].permissives.iter().map(|s| &*s.name).collect();
    assert_eq!(starts, ["high-float-dry", "no-leak", "reservoir"]);
}

/// The lagoon with a conductivity probe in place of the one that knows its salinity.
fn with_conductivity(lines: &str) -> Result<Setup, Problems> {
    let old = "salinity:     { measures: salinity, topic: lagoon/display/salinity, unit: psu, stale_after: 5 min }";
    let lagoon = text("config/tanks/lagoon.yaml");
    assert!(lagoon.contains(old), "the example has a salinity probe");
    let new = format!(
        "salinity: {{ measures: salinity, topic: lagoon/display/conductivity, unit: mS/cm, stale_after: 5 min, conductivity: {{ {lines} }} }}"
    );
    understand(&with_tanks(&[("lagoon", &lagoon.replace(old, &new))]))
}

#[test]
fn a_conductivity_probe_measures_salinity_by_one_or_two_reference_solutions() {
    let plan = |lines: &str| {
        let setup = with_conductivity(lines).unwrap_or_else(|problems| panic!("{problems}"));
        let probe = setup.tanks[0].plan.probes.iter().find(|probe| &*probe.name == "salinity").cloned().unwrap();
        probe.conductivity.expect("it is made of a conductivity")
    };
    assert!((plan("temperature: water-temp, compensated: none").calibration.slope() - 1.0).abs() < 1e-12);
    // 42.914 mS/cm is C(35, 15 °C IPTS-68); a probe that shows a tenth less has a slope of 1/0.9.
    let one = plan(
        "temperature: water-temp, compensated: none, calibration: [{ reads: 38.62 mS/cm, at: 15 °C, in: 35 psu }]",
    );
    assert!((one.calibration.slope() - 1.0 / 0.9).abs() < 2e-3, "{:?}", one.calibration);
    let two = plan(
        "temperature: water-temp, compensated: seawater, calibration: [{ reads: 54.06 mS/cm, at: 25 °C, in: 53.06 mS/cm }, { reads: 13.9 mS/cm, at: 25 °C, in: 12.9 mS/cm }]",
    );
    assert!((two.calibration.offset() + 1.0).abs() < 0.01, "{:?}", two.calibration);
}

#[test]
fn what_is_wrong_with_a_conductivity_is_said() {
    let problems = [
        "temperature: sump-level, compensated: some",
        "compensated: 2 %/°C, calibration: [{ reads: 5 mS/cm, at: 25 °C, in: 35 psu }]",
    ]
    .map(|lines| with_conductivity(lines).expect_err("wrong").to_string());
    insta::assert_snapshot!(problems.join("\n"));
}

#[test]
fn every_alarm_says_what_happens_if_nobody_acts_and_what_to_do() {
    for tank in &example().tanks {
        for alarm in &tank.plan.alarms {
            let said = [&alarm.advice.consequence, &alarm.advice.action];
            assert!(said.iter().all(|text| text.ends_with('.') && text.len() > 8), "{}: {said:?}", alarm.name);
            assert_ne!(said[0], said[1], "{}", alarm.name);
        }
    }
}

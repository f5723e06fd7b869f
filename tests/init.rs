//! `slackwater init`: what it writes for every kind of home is sound and keeps a day, and how it asks.
//!
//! The matrix is composed, understood and rehearsed in this process; the questions are asked of the real program by pipe.
#![allow(clippy::disallowed_methods, reason = "a test of the outside world starts a program")]

#[path = "common/staged.rs"]
mod staged;

use std::io::Write;
use std::path::Path;
use std::process::{Command, Output, Stdio};

use slackwater::cli::init::Init;
use slackwater::config::{Files, Setup, load, understand};
use slackwater::control::plan::Fitted;
use slackwater::sim::rehearsal::Detail;
use slackwater::time::Span;

type Answers = Vec<(&'static str, &'static str)>;

const ONE_BASIN: [(&str, &str); 4] =
    [("tank", "lagoon"), ("timezone", "Europe/Lisbon"), ("display", "40 L"), ("temperature", "lagoon/temp")];
const FLOATS: [(&str, &str); 2] = [("high_float", "lagoon/float-high"), ("low_float", "lagoon/float-low")];
const SUMP: [(&str, &str); 6] = [
    ("tank", "lagoon"),
    ("timezone", "Europe/Lisbon"),
    ("display", "70 L"),
    ("sump", "22 L"),
    ("temperature", "lagoon/display/climate /temp"),
    ("return_pump", "12 W"),
];
const LEVEL: [(&str, &str); 2] = [("level", "lagoon/sump/level"), ("water_per_mm", "37.5 mL")];
const PUMP: [(&str, &str); 3] = [("top_off", "5 W"), ("top_off_delivers", "500 mL/min"), ("top_off_reservoir", "9 L")];
const SMALL_PUMP: [(&str, &str); 3] =
    [("top_off", "5 W"), ("top_off_delivers", "200 mL/min"), ("top_off_reservoir", "3 L")];
const EVIDENCE: [(&str, &str); 5] = [
    ("plug_report", "{at}/relay ON OFF"),
    ("plug_meter", "{at}/meter /w"),
    ("plug_alive", "{at}/alive 1 0"),
    ("plug_uptime", "{at}/meter /up"),
    ("plug_boots", "yes"),
];
const LEASE: [(&str, &str); 1] = [("plug_lease", r#"{"on":true,"for":{seconds}}"#)];
const ALL_PROBES: [(&str, &str); 7] = [
    ("temperature_2", "lagoon/sump/temp °F"),
    ("room_temperature", "room/climate /temp"),
    ("leak", "room/floor-leak wet dry"),
    ("salinity", "lagoon/display/salinity"),
    ("ph", "lagoon/display/ph"),
    ("flow", "lagoon/return/flow L/h"),
    ("flow_over", "300 L/h"),
];

fn init(answers: &[(&str, &str)]) -> Init {
    Init {
        dir: "/nowhere".into(),
        answers: None,
        set: answers.iter().map(|(name, answer)| format!("{name}={answer}")).collect(),
        yes: true,
        draft: None,
        list: false,
    }
}

fn setup(answers: &[(&str, &str)]) -> Setup {
    let files = init(answers).files().unwrap_or_else(|why| panic!("{answers:?}: {why:?}"));
    let files = files.into_iter().map(|(name, text)| (name, Ok(text))).collect();
    understand(&Files(files)).unwrap()
}

fn homes() -> Vec<(&'static str, Answers)> {
    let of = |parts: &[&[(&'static str, &'static str)]]| parts.concat();
    vec![
        (
            "the least: thermometer, two floats, plain plugs",
            of(&[
                &ONE_BASIN,
                &FLOATS,
                &SMALL_PUMP,
                &[("heater", "50 W"), ("powerhead", "5 W"), ("plug_command", "{at}/set 1 0")],
            ]),
        ),
        ("a bowl that is only watched", of(&[&ONE_BASIN, &[("heater", "none")]])),
        (
            "a heater alone, in US units",
            of(&[
                &ONE_BASIN[..2],
                &[
                    ("display", "12 gal"),
                    ("temperature", "lagoon/temp °F"),
                    ("target", "77 °F"),
                    ("heater", "50 W"),
                    ("powerhead", "5 W"),
                ],
            ]),
        ),
        (
            "one basin with a level probe and leased plugs",
            of(&[
                &ONE_BASIN,
                &[("level", "lagoon/level"), ("water_per_mm", "120 mL"), ("heater", "50 W"), ("powerhead", "5 W")],
                &SMALL_PUMP,
                &EVIDENCE,
                &LEASE,
            ]),
        ),
        (
            "a sump with floats and plain plugs",
            of(&[
                &SUMP,
                &[
                    ("high_float", "lagoon/sump/float-high"),
                    ("low_float", "lagoon/sump/float-low"),
                    ("heater", "100 W"),
                    ("skimmer", "8 W"),
                ],
            ]),
        ),
        (
            "a sump with a level, reports and no meters",
            of(&[
                &SUMP,
                &LEVEL,
                &PUMP,
                &LEASE,
                &[("heater", "100 W"), ("powerhead", "9 W"), ("plug_report", "{at}/relay ON OFF")],
            ]),
        ),
        (
            "a chiller in place of a fan",
            of(&[
                &SUMP,
                &LEVEL,
                &FLOATS,
                &EVIDENCE,
                &LEASE,
                &[("heater", "100 W"), ("chiller", "150 W"), ("powerhead", "9 W")],
            ]),
        ),
        (
            "everything",
            of(&[
                &SUMP,
                &LEVEL,
                &FLOATS,
                &PUMP,
                &ALL_PROBES,
                &EVIDENCE,
                &LEASE,
                &[
                    ("heater", "100 W"),
                    ("fan", "4 W"),
                    ("powerhead", "9 W"),
                    ("skimmer", "8 W"),
                    ("light", "60 W"),
                    ("light_hours", "09:00-13:00, 14:00-20:30"),
                ],
            ]),
        ),
    ]
}

#[test]
fn each_home_keeps_a_day_without_a_violation() {
    for (home, answers) in homes() {
        let setup = setup(&answers);
        let mut run = staged::staged(&setup, 1, 21.0, &[], Detail::Story);
        run.pass(Span::from_hours(24));
        let report = run.report();
        let water = &report.tanks[0].water;
        if home.contains("watched") {
            // Nothing heats it, so it shows that a violation would be seen.
            assert!(run.violations().iter().any(|violation| violation.text.contains("22.00 °C")), "{home}: {water:?}");
            continue;
        }
        assert!(run.violations().is_empty(), "{home}: {:#?}", run.violations());
        assert!(water.celsius.0 > 23.0 && water.celsius.1 < 26.5, "{home}: {water:?}");
        let status = run.status("lagoon").unwrap();
        // Where nobody tops off, a level that falls turns the heater off in the end, as it must.
        let tops_off = !setup.tanks[0].plan.top_offs.is_empty();
        let stands = |state: &str| state == "latched" || (tops_off && state == "tripped");
        let tripped: Vec<_> = status.interlocks.iter().filter(|interlock| stands(interlock.state)).collect();
        assert!(tripped.is_empty(), "{home}: {tripped:?}");
        if tops_off {
            let given = run.world().truth("lagoon").unwrap();
            assert!((given.salinity - 35.0).abs() < 0.5, "{home}: {given:?}");
        }
    }
}

/// Every subset of the parts, thinned by a prime so that each pair of parts stands together many times.
#[test]
fn whatever_is_fitted_the_config_is_sound() {
    const OPTIONS: [&[(&str, &str)]; 15] = [
        &LEVEL,
        &[("high_float", "t/float-high")],
        &[("low_float", "t/float-low 1 0")],
        &[("leak", "room/leak")],
        &[("salinity", "t/salinity")],
        &[("flow", "t/flow"), ("flow_over", "5 L/min")],
        &[("temperature_2", "t/second")],
        &[("room_temperature", "room/temp")],
        &[("fan", "4 W")],
        &PUMP,
        &[("skimmer", "8 W")],
        &[("light", "40 W"), ("powerhead", "5 W")],
        &[("plug_report", "{at}/relay ON OFF")],
        &[("plug_meter", "{at}/meter"), ("plug_alive", "{at}/alive 1 0"), ("plug_boots", "yes")],
        &LEASE,
    ];
    let mut seen = 0;
    for base in [&ONE_BASIN[..], &SUMP[..]] {
        for heater in ["100 W", "none"] {
            for subset in (0..1u32 << OPTIONS.len()).step_by(211) {
                let on = |at: usize| subset & (1 << at) != 0;
                let mut answers = base.to_vec();
                answers.push(("heater", heater));
                for (at, option) in OPTIONS.iter().enumerate().filter(|(at, _)| on(*at)) {
                    let may_top_off = on(0) || (on(1) && on(2));
                    let too_much = at == 9 && !may_top_off;
                    let switches = heater != "none" || base.len() == SUMP.len() || [8, 10, 11].into_iter().any(on);
                    let plugs = at < 12 || switches || (on(9) && may_top_off);
                    if !too_much && plugs {
                        let small = at == 9 && base.len() == ONE_BASIN.len();
                        answers.extend_from_slice(if small { &SMALL_PUMP } else { option });
                    }
                }
                let setup = setup(&answers);
                assert!(!slackwater::config::understood::understood(&setup).tanks.is_empty());
                seen += 1;
            }
        }
    }
    assert!(seen > 600, "{seen}");
}

#[test]
fn answers_that_contradict_each_other_are_refused_and_say_what_to_change() {
    let too_large = [&ONE_BASIN[..], &FLOATS, &PUMP, &[("heater", "50 W")]].concat();
    let refused = init(&too_large).files().unwrap_err();
    assert!(format!("{refused:?}").contains("a tenth of the water"), "{refused:?}");
    for (answer, part) in [
        (("display", "40"), "unit"),
        (("target", "29 °C"), "out of range"),
        (("temperature", "a/# °C"), "not a topic"),
        (("temperature", "a/b psu"), "no unit of a temperature"),
        (("plug_command", "all/set ON OFF"), "the same for every plug"),
        (("sumpp", "3 L"), "no question"),
        (("return_pump", "5 W"), "not asked here"),
        (("timezone", "Lisbon"), "not a time zone"),
    ] {
        let answers: Vec<_> = ONE_BASIN
            .iter()
            .copied()
            .filter(|(name, _)| *name != answer.0)
            .chain([("heater", "50 W"), answer])
            .collect();
        let refused = init(&answers).files().unwrap_err();
        assert!(format!("{refused:?}").contains(part), "{answer:?}: {refused:?}");
    }
}

fn program(arguments: &[&str], typed: &str) -> Output {
    let mut child = Command::new(env!("CARGO_BIN_EXE_slackwater"))
        .arg("init")
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // It may have refused before it read anything.
    let _ = child.stdin.take().unwrap().write_all(typed.as_bytes());
    child.wait_with_output().unwrap()
}

fn text(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

/// Typed answers: help, three wrong ones, then the right ones; the rest as usual.
const TYPED: &str = "mqtt://broker.lan\n\n\nMy Tank\nreef-bay\n\nUTC\n?\n40\n40 L\n\n\nbay/temp\n";

#[test]
fn a_wrong_answer_is_asked_again_and_what_is_written_passes_check() {
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("config");
    let at = dir.to_str().unwrap();
    // Heater and its plug; every other question as usual.
    let typed = format!("{TYPED}{}50 W\n{}", "\n".repeat(9), "\n".repeat(40));
    let said = program(&["--dir", at], &typed);
    assert_eq!(said.status.code(), Some(0), "{}", text(&said));
    let shown = text(&said);
    for part in
        ["`My Tank` is not a name", "such as `my-tank`", "What is really in it", "has no unit", "slackwater check"]
    {
        assert!(shown.contains(part), "{part}: {shown}");
    }
    let setup = load(&dir).unwrap_or_else(|problems| panic!("{problems}"));
    assert_eq!(&*setup.tanks[0].plan.name, "reef-bay");
    assert_eq!(setup.daemon.broker.host, "broker.lan");
    let plug = &setup.tanks[0].plan.outputs[0].plug;
    assert_eq!((plug.boots, plug.report), (None, Fitted::NotFitted), "nobody said what the plug does");
    let before = std::fs::read_to_string(dir.join("tanks/reef-bay.yaml")).unwrap();
    let again = program(&["--dir", at], &typed);
    assert_eq!(again.status.code(), Some(1), "{}", text(&again));
    assert!(text(&again).contains("nothing is ever overwritten"), "{}", text(&again));
    assert_eq!(std::fs::read_to_string(dir.join("tanks/reef-bay.yaml")).unwrap(), before);
}

#[test]
fn an_input_that_ends_and_an_answer_that_nobody_can_guess_are_clear_errors() {
    let home = tempfile::tempdir().unwrap();
    let dir = home.path().join("config");
    let at = dir.to_str().unwrap();
    let ended = program(&["--dir", at], TYPED);
    assert_eq!(ended.status.code(), Some(2), "{}", text(&ended));
    assert!(text(&ended).contains("the input ended before `temperature_2` was answered"), "{}", text(&ended));
    let unsaid = program(&["--dir", at, "--yes", "--set", "timezone=UTC"], "");
    assert_eq!(unsaid.status.code(), Some(2), "{}", text(&unsaid));
    for name in ["display", "temperature", "heater"] {
        assert!(text(&unsaid).contains(&format!("{name}: nobody can guess it")), "{name}: {}", text(&unsaid));
    }
    assert!(!dir.exists(), "nothing was written");
}

#[test]
fn a_file_of_answers_serves_scripts() {
    let home = tempfile::tempdir().unwrap();
    let (dir, answers) = (home.path().join("config"), home.path().join("answers"));
    let lines: Vec<_> = homes().pop().unwrap().1.iter().map(|(name, answer)| format!("{name}: {answer}")).collect();
    std::fs::write(&answers, format!("# all of it\n{}\n", lines.join("\n"))).unwrap();
    let arguments = ["--dir", dir.to_str().unwrap(), "--answers", answers.to_str().unwrap(), "--yes"];
    let said = program(&arguments, "");
    assert_eq!(said.status.code(), Some(0), "{}", text(&said));
    assert!(load(&dir).is_ok());
    assert!(Path::new(&dir).join("shared.yaml").exists());
    std::fs::write(&answers, "display 3\nsmup: 3 L\ndisplay: 3 L\ndisplay: 4 L\n").unwrap();
    let wrong = program(&arguments, "");
    assert_eq!(wrong.status.code(), Some(1), "files are there: {}", text(&wrong));
    let elsewhere = home.path().join("elsewhere");
    let wrong = program(&["--dir", elsewhere.to_str().unwrap(), "--answers", arguments[3], "--yes"], "");
    assert_eq!(wrong.status.code(), Some(2), "{}", text(&wrong));
    for part in [
        "line 1: `display 3` is no answer",
        "line 2: there is no question `smup`",
        "line 4: `display` is answered twice",
    ] {
        assert!(text(&wrong).contains(part), "{part}: {}", text(&wrong));
    }
}

//! What a keeper reads from `slackwater calc`: whole outputs, questions, refusals and exit codes.
//!
//! Snapshots hold the whole of it for people and for programs; the numbers themselves are checked
//! against published tables beside each formula.

use std::process::{Command, Output};

/// Runs the real program.
fn slackwater(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_slackwater")).args(arguments).output().expect("the program starts")
}

fn code(output: &Output) -> i32 {
    output.status.code().expect("the program ends by itself")
}

/// Everything that a keeper sees, with the exit code.
fn seen(arguments: &[&str]) -> String {
    let output = slackwater(arguments);
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).expect("the program prints UTF-8");
    format!("{}{}[exit {}]", text(&output.stdout), text(&output.stderr), code(&output))
}

/// One snapshot for people and one for programs.
fn snapshot(name: &str, arguments: &[&str]) {
    let mut arguments = [&["calc"], arguments].concat();
    insta::assert_snapshot!(name, seen(&arguments));
    arguments.push("--json");
    let output = slackwater(&arguments);
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).expect("--json prints JSON and nothing else");
    insta::assert_snapshot!(format!("{name}_json"), format!("{json:#}\n[exit {}]", code(&output)));
}

#[test]
fn salinity_from_a_probe() {
    snapshot("salinity_from_a_probe", &["salinity", "--conductivity", "53 mS/cm", "--temperature", "25 °C"]);
}

#[test]
fn salinity_from_a_compensating_probe_in_fahrenheit() {
    let arguments =
        ["salinity", "--conductivity", "53.37 mS/cm", "--compensated", "2 %/°C", "--temperature", "64.4 °F"];
    snapshot("salinity_from_a_compensating_probe", &arguments);
}

#[test]
fn salinity_from_a_hydrometer_and_from_a_refractometer() {
    snapshot("salinity_from_a_hydrometer", &["salinity", "--specific-gravity", "1.0245 sg 77/60 °F"]);
    let arguments = ["salinity", "--refractive-index", "1.3400", "--temperature", "20 °C"];
    snapshot("salinity_from_a_refractometer", &arguments);
}

#[test]
fn salinity_of_warm_water_says_which_formulas_do_not_hold() {
    snapshot("salinity_of_warm_water", &["salinity", "--salinity", "34 psu", "--temperature", "38 °C"]);
}

#[test]
fn specific_gravity_at_other_pairs() {
    snapshot("gravity", &["gravity", "--specific-gravity", "1.0264 sg 25/25", "--pair", "20/4"]);
    let arguments = ["gravity", "--specific-gravity", "1.0245 sg 60/60 °F", "--water-temperature", "77 °F"];
    snapshot("gravity_of_a_hydrometer_in_warm_water", &arguments);
}

#[test]
fn conductivity_brought_to_25_degrees() {
    snapshot("conductivity", &["conductivity", "--conductivity", "45.9 mS/cm", "--temperature", "18 °C"]);
    let arguments = ["conductivity", "--shown", "53.37 mS/cm", "--coefficient", "2 %/°C", "--temperature", "18 °C"];
    snapshot("conductivity_of_a_compensating_probe", &arguments);
}

/// A tank of 90 L at 35 and 25 °C.
const LAGOON: [&str; 7] =
    ["match", "--tank-volume", "90 L", "--tank-salinity", "35 psu", "--tank-temperature", "25 °C"];

#[test]
fn a_batch_is_matched_before_it_goes_in() {
    let batch = ["--batch-volume", "10 L", "--batch-salinity", "33 psu", "--batch-temperature", "20 °C"];
    let more = ["--heater", "100 W", "--moisture", "8 %", "--loss", "3 W/K", "--room", "19 °C"];
    snapshot("match", &[&LAGOON[..], &batch, &more].concat());
}

#[test]
fn a_batch_outside_the_keeper_s_limits_is_found_wanting() {
    let batch = ["--batch-volume", "5 gal", "--batch-salinity", "38 psu", "--batch-temperature", "66 °F"];
    let limits = ["--salinity-limits", "34 psu..35.5 psu", "--temperature-limits", "24 °C..26.5 °C"];
    snapshot("match_outside_limits", &[&LAGOON[..], &batch, &limits].concat());
}

#[test]
fn two_waters_read_with_one_instrument_are_compared_by_their_difference() {
    let arguments = [
        "match",
        "--tank-volume",
        "90 L",
        "--tank-salinity",
        "1.0262 sg 25/25",
        "--tank-temperature",
        "25 °C",
        "--batch-volume",
        "10 L",
        "--batch-salinity",
        "1.0250 sg 25/25",
        "--batch-temperature",
        "25 °C",
        "--same-instrument",
        "--accuracy",
        "1 psu",
        "--repeatability",
        "0.1 psu",
    ];
    snapshot("match_with_one_instrument", &arguments);
}

#[test]
fn dilution_by_changes_and_what_evaporation_does() {
    let arguments =
        ["dilute", "--volume", "90 L", "--change", "18 L", "--start", "40 mg/L NO3", "--target", "10 mg/L NO3"];
    snapshot("dilute", &arguments);
    let arguments = ["dilute", "--volume", "24 gal", "--change", "20 %", "--start", "12 dKH", "--new", "7 dKH"];
    snapshot("dilute_by_percent", &[&arguments[..], &["--changes", "3", "--continuous", "10 gal"]].concat());
    let arguments = [
        "dilute",
        "--volume",
        "200 L",
        "--salinity",
        "35 psu",
        "--evaporated",
        "4 L",
        "--spilled",
        "2 L",
        "--topped-off",
        "6 L",
    ];
    snapshot("dilute_salt", &arguments);
}

#[test]
fn stock_solutions() {
    snapshot("stock", &["stock", "--compound", "NaHCO3", "--strength", "1 eq/L", "--volume", "2 L"]);
    snapshot("stock_recipe", &["stock", "--mass", "440 g", "--volume", "1 gal", "--take", "350 mL"]);
    let arguments = [
        "stock",
        "--compound",
        "Na2CO3",
        "--left",
        "0.5 L",
        "--left-strength",
        "1 eq/L",
        "--mass",
        "60 g",
        "--volume",
        "2 L",
    ];
    snapshot("stock_topped_up", &arguments);
    snapshot(
        "stock_that_does_not_dissolve",
        &["stock", "--compound", "NaHCO3", "--strength", "2 eq/L", "--volume", "1 L"],
    );
}

#[test]
fn raising_a_tank() {
    let arguments = ["raise", "--volume", "90 L", "--by", "1 dKH", "--compound", "NaHCO3", "--stock", "1 eq/L"];
    snapshot("raise", &arguments);
    let arguments =
        ["raise", "--volume", "24 gal", "--from", "380 mg/L", "--to", "430 mg/L", "--compound", "CaCl2.2H2O"];
    snapshot("raise_calcium", &arguments);
}

#[test]
fn conversions() {
    snapshot("convert_alkalinity", &["convert", "--value", "8.1 dKH"]);
    snapshot("convert_phosphate", &["convert", "--value", "0.03 mg/L PO4-P"]);
    snapshot("convert_volume", &["convert", "--value", "5 gal"]);
}

/// A tank of 90 L dosed with 1 eq/L.
const DOSED: [&str; 5] = ["consumption", "--volume", "90 L", "--stock", "1 eq/L"];

#[test]
fn consumption_and_the_dose_that_follows() {
    let tests = ["--test", "8.2 dKH @ 0 d", "--test", "7.6 dKH @ 3 d"];
    let dose = ["--dose", "20 mL/d @ 0 d", "--target", "8.2 dKH"];
    snapshot("consumption", &[&DOSED[..], &tests, &dose].concat());
}

#[test]
fn evidence_that_is_too_thin_is_found_wanting() {
    let tests = ["--test", "8.2 dKH @ 2026-03-01", "--test", "8.0 dKH @ 2026-03-02 12:00"];
    let dose = ["--dose", "20 mL/d @ 2026-02-20", "--change", "10 L of 7 dKH @ 2026-03-01 18:00"];
    snapshot("consumption_too_thin", &[&DOSED[..], &tests, &dose].concat());
}

#[test]
fn light_of_spots_before_and_after_a_change() {
    let arguments = [
        "light",
        "--spot",
        "sand left=110 µmol/m²/s",
        "--spot",
        "sand right=130 µmol/m²/s",
        "--spot",
        "top of the rock=300 µmol/m²/s",
        "--on",
        "10:00",
        "--off",
        "20:00",
        "--ramp",
        "1 h",
        "--new-off",
        "21:30",
        "--new-spot",
        "sand left=125 µmol/m²/s",
        "--weekly-limit",
        "10 %",
    ];
    snapshot("light", &arguments);
    let arguments = [
        "light",
        "--spot",
        "sand=6000 lx",
        "--spectrum",
        "daylight",
        "--schedule",
        "09:00 0 %, 12:00 100 %, 21:00 0 %",
    ];
    snapshot("light_from_lux", &arguments);
}

#[test]
fn heat_of_a_tank() {
    let arguments = [
        "heat",
        "--volume",
        "87 L",
        "--temperature",
        "25 °C",
        "--room",
        "17 °C",
        "--loss",
        "12 W/K",
        "--heater",
        "100 W",
        "--other-heat",
        "21 W",
        "--low",
        "24 °C",
        "--high",
        "26.5 °C",
        "--surface",
        "3 ft²",
        "--humidity",
        "50 %",
    ];
    snapshot("heat", &arguments);
    snapshot("heat_guessed", &["heat", "--volume", "24 gal", "--temperature", "77 °F", "--room", "68 °F"]);
}

#[test]
fn what_can_mean_two_things_is_asked_about_with_the_values() {
    let questions = [
        seen(&["calc", "salinity", "--specific-gravity", "1.0264"]),
        seen(&["calc", "salinity", "--salinity", "35 ppt"]),
        seen(&["calc", "convert", "--value", "1.0264"]),
        seen(&["calc", "convert", "--value", "35 ppt"]),
        seen(&["calc", "convert", "--value", "10 NO3"]),
        seen(&["calc", "convert", "--value", "420 ppm"]),
        seen(&["calc", "dilute", "--volume", "90 L", "--change", "9 L", "--start", "40 NO3"]),
        seen(&["calc", "raise", "--volume", "90 L", "--by", "5 mg/L", "--compound", "KNO3"]),
    ];
    insta::assert_snapshot!("questions", questions.join("\n\n"));
    assert!(questions.iter().all(|question| question.ends_with("[exit 2]")), "a question is no answer");
}

#[test]
fn outside_its_range_every_formula_refuses() {
    let refusals = [
        seen(&["calc", "salinity", "--conductivity", "53 mS/cm", "--temperature", "36 °C"]),
        seen(&["calc", "salinity", "--conductivity", "70 mS/cm", "--temperature", "25 °C"]),
        seen(&["calc", "salinity", "--specific-gravity", "1.040 sg 25/25"]),
        seen(&["calc", "salinity", "--refractive-index", "1.3394", "--temperature", "31 °C"]),
        seen(&["calc", "salinity", "--salinity", "43 psu"]),
        seen(&["calc", "gravity", "--salinity", "43 psu"]),
        seen(&["calc", "conductivity", "--salinity", "35 psu", "--temperature", "-3 °C"]),
        seen(&[
            "calc", "dilute", "--volume", "90 L", "--change", "9 L", "--start", "40 mg/L", "--new", "20 mg/L",
            "--target", "10 mg/L",
        ]),
        seen(&["calc", "dilute", "--volume", "90 L", "--salinity", "35 psu", "--evaporated", "30 L"]),
        seen(&["calc", "raise", "--volume", "90 L", "--by", "1 dKH", "--compound", "CaCl2"]),
        seen(&["calc", "light", "--spot", "sand=100 µmol/m²/s", "--on", "10:00", "--off", "11:00", "--ramp", "1 h"]),
        seen(&["calc", "heat", "--volume", "90 L", "--temperature", "45 °C", "--room", "20 °C"]),
    ];
    insta::assert_snapshot!("refusals", refusals.join("\n\n"));
    assert!(refusals.iter().all(|refusal| refusal.ends_with("[exit 1]")), "refused");
}

#[test]
fn misuse_is_told_with_what_to_write() {
    let misuses = [
        seen(&["calc", "salinity", "--conductivity", "53", "--temperature", "25 °C"]),
        seen(&["calc", "salinity", "--conductivity", "53 mS/cm", "--temperature", "25,5 °C"]),
        seen(&["calc", "salinity", "--specific-gravity", "1.0264 sg 60/60"]),
        seen(&["calc", "salinity"]),
        seen(&["calc", "salinity", "--salinity", "35 psu", "--specific-gravity", "1.0264 sg 25/25"]),
        seen(&["calc", "stock", "--mass", "440 g"]),
        seen(&["calc", "stock", "--strength", "1 eq/L", "--volume", "2 L"]),
        seen(&["calc", "light", "--spot", "sand=6000 lx", "--on", "10:00", "--off", "20:00"]),
        seen(&["calc", "consumption", "--volume", "90 L", "--stock", "1 eq/L", "--test", "8.2 dKH"]),
        seen(&["calc", "raise", "--volume", "0 L", "--by", "1 dKH", "--compound", "NaHCO3"]),
        seen(&["calc", "convert", "--value", "3 furlongs"]),
    ];
    insta::assert_snapshot!("misuses", misuses.join("\n\n"));
    assert!(misuses.iter().all(|misuse| misuse.ends_with("[exit 2]")), "misuse");
}

#[test]
fn a_refusal_is_json_too_where_json_is_asked_for() {
    let output = slackwater(&["calc", "salinity", "--conductivity", "53 mS/cm", "--temperature", "36 °C", "--json"]);
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    assert!(json["refused"].as_str().expect("a reason").contains("outside the range of PSS-78"));
    assert_eq!(code(&output), 1);
}

#[test]
fn every_help_shows_a_worked_example_that_is_true() {
    let commands = [
        "salinity",
        "gravity",
        "conductivity",
        "match",
        "dilute",
        "stock",
        "raise",
        "convert",
        "consumption",
        "light",
        "heat",
    ];
    for command in commands {
        let output = slackwater(&["calc", command, "--help"]);
        assert_eq!(code(&output), 0, "{command}");
        let help = String::from_utf8(output.stdout).expect("UTF-8");
        let joined = help.replace("\\\n", " ");
        let mut examples = 0;
        let mut lines = joined.lines().skip_while(|line| !line.starts_with("Example")).peekable();
        while let Some(line) = lines.next() {
            let Some(command_line) = line.trim().strip_prefix("$ slackwater ") else { continue };
            let answer = seen(&words(command_line).iter().map(String::as_str).collect::<Vec<_>>());
            let mut shown = 0;
            while let Some(expected) = lines.next_if(|line| line.starts_with("  ")) {
                assert!(
                    answer.lines().any(|line| line.trim() == expected.trim()),
                    "{command}: no line `{expected}` in\n{answer}"
                );
                shown += 1;
            }
            assert!(shown > 0, "{command}: the example shows nothing of its answer");
            examples += 1;
        }
        assert!(examples > 0, "{command} has no worked example");
    }
}

/// Splits a command line at spaces outside of double quotes.
fn words(line: &str) -> Vec<String> {
    let mut words = Vec::new();
    let mut quoted = false;
    let mut word = String::new();
    for c in line.chars() {
        match c {
            '"' => quoted = !quoted,
            ' ' if !quoted => words.extend((!word.is_empty()).then(|| std::mem::take(&mut word))),
            c => word.push(c),
        }
    }
    words.extend((!word.is_empty()).then_some(word));
    words
}

#[test]
fn an_unknown_command_is_answered_with_those_that_there_are() {
    let calculations = seen(&["calc", "quux"]);
    for part in ["unrecognized subcommand 'quux'", "tip: there are salinity, gravity, conductivity, match", "[exit 2]"]
    {
        assert!(calculations.contains(part), "`{part}` is not in: {calculations}");
    }
    let commands = seen(&["quux"]);
    assert!(commands.contains("there are run, status, explain, hold"), "{commands}");
    assert!(!commands.contains("generate"), "what makes the package is nobody's command: {commands}");
    // One that is near is named alone.
    let near = seen(&["calc", "salinty"]);
    assert!(near.contains("'salinity'") && !near.contains("there are"), "{near}");
}

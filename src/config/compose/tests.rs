//! Composed files are read back as what was meant.

use super::super::{Files, understand};
use super::*;

fn lagoon() -> Tank {
    let number = |name: &str, measures, unit: &str| Probe {
        name: name.to_owned(),
        measures,
        check: None,
        of_room: false,
        topic: format!("lagoon/{name}"),
        pointer: Some("/v".to_owned()),
        form: Form::Number(Entry::sure(scalar(unit))),
        stale_after: Entry::sure("60 s"),
    };
    let temperature = Measures::Number(Quantity::Temperature);
    Tank {
        head: "A test.".to_owned(),
        title: Entry::sure(quoted("It's a \"tank\": # one")),
        timezone: Entry::sure("UTC"),
        display: Entry::sure("20 gal"),
        target: Entry::sure("77 °F"),
        probes: vec![number("a", temperature, "°F"), number("b", temperature, "°C")],
        outputs: vec![Output {
            name: "heater".to_owned(),
            kind: OutputKind::Heater,
            check: None,
            rating: Some(Entry::sure("75 W")),
            delivers: None,
            reservoir: None,
            plug: Plug::Own(Box::new(PlugParts {
                command: Entry::sure("{ topic: p/set, on: \"1\", off: \"0\" }"),
                ..PlugParts::default()
            })),
            boots: None,
            leased: false,
            reports: false,
        }],
        ..Tank::default()
    }
}

fn files(tank_text: &str) -> Files {
    let broker = Daemon { host: "localhost".to_owned(), port: 1883, data_dir: "/d".to_owned(), ..Daemon::default() };
    let text = daemon(&Daemon { usual_tank: "lagoon".to_owned(), ..broker });
    Files(vec![("daemon.yaml".to_owned(), Ok(text)), ("tanks/lagoon.yaml".to_owned(), Ok(tank_text.to_owned()))])
}

#[test]
fn what_is_said_in_us_units_is_understood_as_meant() {
    let setup = understand(&files(&tank(&lagoon()))).unwrap_or_else(|problems| panic!("{problems}"));
    let plan = &setup.tanks[0].plan;
    assert_eq!(plan.title, "It's a \"tank\": # one");
    assert!((plan.water.litres() - 75.708).abs() < 0.001);
    let loop_ = plan.thermostat.as_ref().unwrap();
    assert!((loop_.target - 25.0).abs() < 1e-9);
    let [cutoff] = &setup.tanks[0].facts.cutoffs[..] else { panic!("one cut-off") };
    assert!((cutoff.limit.celsius() - 26.0).abs() < 1e-9);
    assert_eq!(plan.signals[loop_.signal.index()].probes.len(), 2);
}

#[test]
fn a_mark_is_refused_where_it_stands_and_a_place_that_was_left_empty_too() {
    let mut unsure = lagoon();
    unsure.display = Entry::asked("litres in it");
    let text = tank(&unsure);
    let problems = understand(&files(&text)).unwrap_err();
    let mark = problems.0.iter().find(|problem| problem.what == "not checked yet: litres in it");
    let line = text.lines().position(|line| line.contains("litres in it")).unwrap() + 1;
    assert_eq!(mark.map(|mark| mark.place.line as usize), Some(line), "{problems}");
    let unmarked = text.replace("   # CHECK: litres in it", "");
    let problems = understand(&files(&unmarked)).unwrap_err();
    assert!(!problems.0.is_empty() && !problems.to_string().contains("not checked"), "{problems}");
}

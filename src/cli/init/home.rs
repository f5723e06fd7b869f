//! From answers to the files of a config directory.

use crate::cli::listen;
use crate::config::Measures;
use crate::config::compose::{
    self, Daemon, Entry, Form, Output, Plug, PlugParts, Probe, Tank, binding, quoted, scalar,
};
use crate::control::plan::OutputKind;
use crate::units::Quantity;

use super::answers::Answers;
use super::places::Place;
use super::questions::OUTPUTS;

/// The style that all plugs of the answers are like.
const STYLE: &str = "home";

/// Each file with its text.
pub type Texts = Vec<(String, String)>;

/// The files that the answers make.
pub fn files(answers: &Answers) -> Texts {
    let tank = tank(answers);
    let mut files = vec![daemon(answers)];
    if !tank.outputs.is_empty() {
        files.push(("shared.yaml".to_owned(), compose::styles(STYLE, &parts(answers))));
    }
    files.push((tank_file(answers), compose::tank(&tank)));
    files
}

/// The daemon's file beside a draft.
pub fn with_draft(answers: &Answers, draft: &str) -> Texts {
    vec![daemon(answers), (tank_file(answers), draft.to_owned())]
}

fn tank_file(answers: &Answers) -> String {
    format!("tanks/{}.yaml", answers.get("tank").unwrap_or("tank"))
}

fn daemon(answers: &Answers) -> (String, String) {
    let address = listen::broker_address(answers.get("broker").unwrap_or_default());
    let (host, port, encrypted) = address.unwrap_or_else(|_| ("localhost".to_owned(), 1883, false));
    let text = compose::daemon(&Daemon {
        host,
        port,
        encrypted,
        user: answers.get("user").map(|user| (user.to_owned(), answers.get("password_file").map(str::to_owned))),
        data_dir: answers.get("data_dir").unwrap_or_default().to_owned(),
        usual_tank: answers.get("tank").unwrap_or_default().to_owned(),
    });
    ("daemon.yaml".to_owned(), text)
}

fn said(answers: &Answers, name: &str) -> Entry {
    answers.get(name).map(Entry::sure).unwrap_or_default()
}

/// The tank of the answers.
pub fn tank(answers: &Answers) -> Tank {
    Tank {
        head:
            "Written by `slackwater init` from what its keeper said. It is yours now: change what you like, then ask \
               `slackwater check`."
                .to_owned(),
        title: Entry::sure(quoted(answers.get("title").unwrap_or_default())),
        timezone: said(answers, "timezone"),
        display: said(answers, "display"),
        sump: answers.get("sump").map(Entry::sure),
        target: said(answers, "target"),
        probes: probes(answers),
        outputs: outputs(answers),
        water_per_mm: said(answers, "water_per_mm"),
        return_needs: said(answers, "return_needs"),
        heater_needs: said(answers, "heater_needs"),
        level_high: said(answers, "level_high"),
        flow_over: said(answers, "flow_over"),
        run: said(answers, "top_off_run"),
        light_hours: answers.get("light_hours").map(|hours| Entry::sure(format!("[{hours}]"))).unwrap_or_default(),
    }
}

fn probes(answers: &Answers) -> Vec<Probe> {
    use Measures::{HighFloat, Leak, LowFloat, Number};
    let first = if answers.get("temperature_2").is_some() { "display-temp" } else { "water-temp" };
    let second = if answers.get("sump").is_some() { "sump-temp" } else { "second-temp" };
    [
        ("temperature", first, Number(Quantity::Temperature), "60 s"),
        ("temperature_2", second, Number(Quantity::Temperature), "60 s"),
        ("room_temperature", "room-temp", Number(Quantity::Temperature), "5 min"),
        ("high_float", "high-float", HighFloat, "60 s"),
        ("low_float", "low-float", LowFloat, "60 s"),
        ("leak", "floor-leak", Leak, "5 min"),
        ("level", if answers.get("sump").is_some() { "sump-level" } else { "level" }, Number(Quantity::Level), "60 s"),
        ("salinity", "salinity", Number(Quantity::Salinity), "5 min"),
        ("ph", "ph", Number(Quantity::Ph), "5 min"),
        ("flow", "return-flow", Number(Quantity::Flow), "60 s"),
    ]
    .into_iter()
    .filter_map(|(question, name, measures, stale_after)| {
        let place = Place::read(answers.get(question)?).ok()?;
        let form = if let Number(quantity) = measures {
            let usual = quantity.canonical().symbol;
            Form::Number(Entry::sure(scalar(place.unit(quantity, usual).unwrap_or(usual))))
        } else {
            let (wet, dry) = place.pair(("1", "0")).unwrap_or(("1", "0"));
            Form::Contact { wet: Entry::sure(quoted(wet)), dry: Entry::sure(quoted(dry)) }
        };
        Some(Probe {
            name: name.to_owned(),
            measures,
            check: None,
            of_room: question == "room_temperature",
            topic: place.topic.to_owned(),
            pointer: place.pointer.map(str::to_owned),
            form,
            stale_after: Entry::sure(stale_after),
        })
    })
    .collect()
}

fn outputs(answers: &Answers) -> Vec<Output> {
    OUTPUTS
        .into_iter()
        .filter_map(|question| {
            let rating = answers.get(question)?;
            let name = question.replace('_', "-");
            let kind = OutputKind::WORDS.iter().find(|(_, word)| *word == name).map(|(kind, _)| *kind)?;
            let of_pump = |part: &str| answers.get(&format!("{question}_{part}")).map(Entry::sure);
            Some(Output {
                kind,
                check: None,
                rating: Some(Entry::sure(rating)),
                delivers: of_pump("delivers"),
                reservoir: of_pump("reservoir"),
                plug: Plug::Like { style: STYLE.to_owned(), at: of_pump("plug")?.text? },
                boots: answers.get("plug_boots").map(|_| Entry::sure(kind.rest().word())),
                leased: answers.get("plug_lease").is_some(),
                reports: answers.get("plug_report").is_some(),
                name,
            })
        })
        .collect()
}

/// How the home's plugs speak.
fn parts(answers: &Answers) -> PlugParts {
    let place = |name: &str| Place::read(answers.get(name)?).ok();
    let at = |place: &Place, more: &[(&str, &str)]| Entry::sure(binding(place.topic, place.pointer, more));
    let words = |name: &str, [yes, no]: [&str; 2]| {
        let place = place(name)?;
        let (on, off) = place.pair(("ON", "OFF")).unwrap_or(("ON", "OFF"));
        Some(at(&place, &[(yes, &quoted(on)), (no, &quoted(off))]))
    };
    PlugParts {
        command: words("plug_command", ["on", "off"]).unwrap_or_default(),
        report: words("plug_report", ["on", "off"]),
        meter: place("plug_meter").map(|place| {
            let unit = place.unit(Quantity::Power, "W").unwrap_or("W");
            at(&place, &[("unit", unit)])
        }),
        alive: words("plug_alive", ["yes", "no"]),
        uptime: place("plug_uptime").map(|place| at(&place, &[])),
        lease: answers.get("plug_lease").map(|payload| Entry::sure(format!("{{ payload: {} }}", quoted(payload)))),
    }
}

//! The questions, each with help, an example, the usual answer, and whom it concerns.
//!
//! Order matters: a question may look at the answers of those before it, and at no others. The usual distances are
//! those of the example (a running level of zero, 40 and 60 mm below it, 110 mm above).

use std::fmt::Write as _;

use crate::control::sentence::{capital, plain};
use crate::units::{Amount, Quantity};

use super::answers::Answers;
use super::sound::{self, Sound};

/// One question.
pub struct Question {
    /// Its name in files and flags.
    pub name: &'static str,
    /// The question.
    pub asks: &'static str,
    /// What to know before one answers.
    pub help: &'static str,
    /// An example.
    pub such_as: &'static str,
    /// What is usual; `None`: nobody can guess it.
    pub usual: fn(&Answers) -> Option<String>,
    /// Whether it concerns this tank.
    pub applies: fn(&Answers) -> bool,
    /// Whether an answer makes sense.
    pub sound: Sound,
    /// Whether it is of the daemon and not of the tank.
    pub of_daemon: bool,
}

/// Every question with its help.
pub fn listed() -> String {
    let mut out = String::new();
    for question in &QUESTIONS {
        let usual =
            (question.usual)(&Answers::default()).map_or_else(String::new, |usual| format!("   usual: {usual}"));
        let _ = writeln!(out, "{}: {}{usual}", question.name, question.asks);
        let _ = writeln!(out, "    {}", question.help.replace('\n', "\n    "));
        let _ = writeln!(out, "    such as {}", question.such_as);
    }
    out
}

fn always(_: &Answers) -> bool {
    true
}

fn nothing(_: &Answers) -> Option<String> {
    None
}

#[expect(clippy::unnecessary_wraps, reason = "a row of the table may have no usual answer")]
fn none(_: &Answers) -> Option<String> {
    Some("none".to_owned())
}

fn has(name: &'static str) -> impl Fn(&Answers) -> bool {
    move |answers| answers.get(name).is_some()
}

/// Outputs in the order of the file, with the names of their questions.
pub const OUTPUTS: [&str; 8] = ["heater", "fan", "chiller", "return_pump", "powerhead", "top_off", "skimmer", "light"];

fn has_output(answers: &Answers) -> bool {
    OUTPUTS.iter().any(|name| answers.get(name).is_some())
}

fn zone(_: &Answers) -> Option<String> {
    let link = std::fs::read_link("/etc/localtime").ok()?;
    let name = link.to_str()?.split_once("zoneinfo/")?.1.to_owned();
    sound::zone(&name, &Answers::default()).ok()
}

fn title(answers: &Answers) -> Option<String> {
    let title = capital(&plain(answers.get("tank")?));
    (!title.is_empty()).then_some(title)
}

fn volume(answers: &Answers, name: &str) -> f64 {
    answers.get(name).and_then(|text| Amount::parse(text, Quantity::Volume).ok()).map_or(0.0, Amount::value)
}

/// An eightieth of the water, a little more than a small float's travel usually is. [PICK]
#[expect(clippy::unnecessary_wraps, reason = "a row of the table may have no usual answer")]
fn run(answers: &Answers) -> Option<String> {
    let litres = (volume(answers, "display") + volume(answers, "sump")) / 80.0;
    Some(format!("{:.2} L", litres.min(1.5)))
}

fn plug_of(answers: &Answers, output: &str) -> Option<String> {
    Some(format!("{}/plug/{}", answers.get("tank")?, output.replace('_', "-")))
}

/// A question about something that may not be there.
const fn optional(
    name: &'static str,
    asks: &'static str,
    help: &'static str,
    such_as: &'static str,
    sound: Sound,
) -> Question {
    Question { name, asks, help, such_as, usual: none, applies: always, sound, of_daemon: false }
}

/// The questions in their order.
pub const QUESTIONS: [Question; 52] = [
    Question {
        usual: |_| Some("mqtt://localhost".to_owned()),
        of_daemon: true,
        ..optional(
            "broker",
            "Where is the MQTT broker?",
            "The broker that probes and plugs speak to. `mqtts://` for TLS.",
            "mqtt://broker.lan:1883",
            sound::broker,
        )
    },
    Question {
        of_daemon: true,
        ..optional(
            "user",
            "As which user?",
            "Give the daemon a user of its own, and let nobody else write to the plugs.",
            "slackwater",
            sound::text_or_none,
        )
    },
    Question {
        applies: |answers| has("user")(answers),
        of_daemon: true,
        ..optional(
            "password_file",
            "Which file holds the password?",
            "Its first line is the password. The password itself is never written into a config.",
            "/etc/slackwater/broker-password",
            sound::text_or_none,
        )
    },
    Question {
        usual: |_| Some("/var/lib/slackwater".to_owned()),
        of_daemon: true,
        ..optional(
            "data_dir",
            "Where do its data stand?",
            "Holds, latches and budgets survive a kill there. The daemon must be able to write.",
            "/var/lib/slackwater",
            sound::text,
        )
    },
    Question {
        usual: |_| Some("tank".to_owned()),
        of_daemon: true,
        ..optional(
            "tank",
            "How is the tank called, in commands and topics?",
            "a-z, 0-9 and hyphens.",
            "lagoon",
            sound::name,
        )
    },
    Question {
        usual: title,
        ..optional("title", "And for people?", "Stands on the page and in messages.", "Seagrass lagoon", sound::text)
    },
    Question {
        usual: zone,
        ..optional(
            "timezone",
            "In which time zone does it stand?",
            "For local days and times, clock changes included.",
            "Europe/Lisbon",
            sound::zone,
        )
    },
    Question {
        usual: nothing,
        ..optional(
            "display",
            "How much water is in the display?",
            "What is really in it, without sand and rock, and without the sump. Heat, doses and budgets follow from it.",
            "70 L or 18 gal",
            sound::litres,
        )
    },
    optional("sump", "How much in the sump?", "`none` if there is no sump.", "22 L", sound::litres_or_none),
    Question {
        usual: |_| Some("25.0 °C".to_owned()),
        ..optional(
            "target",
            "At which temperature do the animals live?",
            "The set point. The heater's cut-off comes one degree above it. From 20 to 26.5 °C.",
            "25.0 °C or 77 °F",
            sound::target,
        )
    },
    Question {
        usual: nothing,
        ..optional(
            "temperature",
            "On which topic does the thermometer in the water speak?",
            "TOPIC, then a JSON pointer if the payload is JSON, then the unit if it is not °C.\n`slackwater listen` shows what is on the broker.",
            "lagoon/display/climate /temp °F",
            sound::thermometer,
        )
    },
    optional(
        "temperature_2",
        "And a second one?",
        "Two see what one cannot: that one of them lies.",
        "lagoon/sump/temp",
        sound::thermometer_or_none,
    ),
    optional(
        "room_temperature",
        "A thermometer in the room's air?",
        "Starts a fan early on hot days.",
        "room/climate /temp",
        sound::thermometer_or_none,
    ),
    optional(
        "high_float",
        "A float that is wet when the water is too high?",
        "TOPIC, a JSON pointer, then what it says when wet and when dry (usual: 1 0). It must speak also when dry.",
        "lagoon/sump/float-high 1 0",
        sound::contact,
    ),
    optional(
        "low_float",
        "A float that is dry when the water is too low?",
        "As above: first what it says when wet, then when dry.",
        "lagoon/sump/float-low wet dry",
        sound::contact,
    ),
    optional(
        "leak",
        "A leak probe on the floor?",
        "As above. A leak stops the top-off.",
        "room/floor-leak 1 0",
        sound::contact,
    ),
    optional(
        "level",
        "A level probe?",
        "TOPIC, a JSON pointer, the unit (usual: mm). Zero must be the level while everything runs.",
        "lagoon/sump/level",
        sound::level_place,
    ),
    Question {
        usual: nothing,
        applies: |answers| has("level")(answers),
        ..optional(
            "water_per_mm",
            "How much water is one millimetre of that level?",
            "Length times width of that chamber in cm, divided by ten, is mL. 25 cm by 15 cm are 37.5 mL.",
            "37.5 mL",
            sound::small_volume,
        )
    },
    Question {
        usual: |_| Some("-40 mm".to_owned()),
        applies: |answers| has("level")(answers),
        ..optional(
            "heater_needs",
            "Under which level does the heater come out of the water?",
            "Measured from the running level, with a finger's breadth to spare.",
            "-40 mm or -1.6 in",
            sound::level,
        )
    },
    Question {
        usual: |_| Some("-60 mm".to_owned()),
        applies: |answers| has("level")(answers) && has("sump")(answers),
        ..optional(
            "return_needs",
            "Under which level does the return pump draw air?",
            "It does not start below, and stops 35 mm lower.",
            "-60 mm",
            sound::level,
        )
    },
    Question {
        usual: |_| Some("110 mm".to_owned()),
        applies: |answers| has("level")(answers),
        ..optional(
            "level_high",
            "Over which level is there too much water?",
            "Over what runs back when the return pump stops, under the rim. Stop the pump once and look.",
            "110 mm",
            sound::level,
        )
    },
    optional(
        "salinity",
        "A salinity probe?",
        "TOPIC, a JSON pointer, the unit (usual: psu).",
        "lagoon/salinity",
        sound::salinity_place,
    ),
    optional("ph", "A pH probe?", "TOPIC, a JSON pointer.", "lagoon/ph", sound::ph_place),
    optional(
        "flow",
        "A flow meter in the return?",
        "TOPIC, a JSON pointer, the unit (usual: L/min).",
        "lagoon/return/flow L/h",
        sound::flow_place,
    ),
    Question {
        usual: nothing,
        applies: |answers| has("flow")(answers),
        ..optional(
            "flow_over",
            "Over which flow does the water surely move?",
            "About half of what the meter says on a good day.",
            "300 L/h or 80 gph",
            sound::flow,
        )
    },
    Question {
        usual: nothing,
        ..optional(
            "heater",
            "How many watts has the heater?",
            "As on its label. Small is safe: welded on, it should need hours to do harm. About 1 W for each litre.",
            "100 W or none",
            sound::watts,
        )
    },
    optional("fan", "A fan over the water?", "Watts on its label.", "4 W", sound::watts),
    Question {
        applies: |answers| !has("fan")(answers),
        ..optional("chiller", "A chiller?", "Watts on its label.", "150 W", sound::watts)
    },
    Question {
        usual: nothing,
        applies: |answers| has("sump")(answers),
        ..optional("return_pump", "How many watts has the return pump?", "As on its label.", "12 W", sound::watts)
    },
    optional(
        "powerhead",
        "A powerhead or a filter that moves the display's water?",
        "Watts on its label. What the animals breathe by: the daemon never stops it for lost information.",
        "9 W",
        sound::watts,
    ),
    Question {
        // Something must call for water, and something must stop it.
        applies: |answers| has("level")(answers) || (has("low_float")(answers) && has("high_float")(answers)),
        ..optional("top_off", "A top-off pump?", "Watts on its label.", "5 W", sound::watts)
    },
    Question {
        usual: nothing,
        applies: |answers| has("top_off")(answers),
        ..optional(
            "top_off_delivers",
            "What does the top-off pump deliver?",
            "Measured with a cylinder and a watch, with the hose where it hangs.",
            "500 mL/min or 8 gph",
            sound::flow,
        )
    },
    Question {
        usual: nothing,
        applies: |answers| has("top_off")(answers),
        ..optional(
            "top_off_reservoir",
            "How much does its reservoir hold?",
            "At most a tenth of the water: all of it at once must be survivable.",
            "9 L or 2 gal",
            sound::reservoir,
        )
    },
    Question {
        usual: run,
        applies: |answers| has("top_off")(answers) && !has("level")(answers),
        ..optional(
            "top_off_run",
            "How much water makes the low float wet again?",
            "From where it falls dry to where it is wet, and a little more. One run gives that much.",
            "0.5 L",
            sound::small_volume,
        )
    },
    optional("skimmer", "A skimmer?", "Watts on its label.", "8 W", sound::watts),
    optional("light", "A light?", "Watts on its label.", "60 W", sound::watts),
    Question {
        usual: |_| Some("10:00-20:00".to_owned()),
        applies: |answers| has("light")(answers),
        ..optional(
            "light_hours",
            "When is it on?",
            "Local time; several windows with commas. Curves, seasons and dimmers stand under `lights` in the example.",
            "09:00-13:00, 14:00-20:30",
            sound::hours,
        )
    },
    Question {
        usual: |_| Some("{at}/set ON OFF".to_owned()),
        applies: has_output,
        ..optional(
            "plug_command",
            "How are the plugs switched?",
            "The topic with `{at}` where each plug's own part stands, then the payloads for on and off.",
            "{at}/set ON OFF",
            sound::command,
        )
    },
    Question {
        applies: has_output,
        ..optional(
            "plug_report",
            "Where do they say what they did?",
            "The proof of a command. TOPIC, a JSON pointer, the words for on and off. Never the command's own topic.",
            "{at}/relay ON OFF",
            sound::two_words,
        )
    },
    Question {
        applies: has_output,
        ..optional(
            "plug_meter",
            "Where do they say what they draw?",
            "Finds welded relays and dead heaters. TOPIC, a JSON pointer, the unit (usual: W).",
            "{at}/meter /w",
            sound::meter,
        )
    },
    Question {
        applies: has_output,
        ..optional(
            "plug_alive",
            "Where do they say that they are there?",
            "Their last will. TOPIC, a JSON pointer, the words for yes and no.",
            "{at}/alive 1 0",
            sound::two_words,
        )
    },
    Question {
        applies: has_output,
        ..optional(
            "plug_uptime",
            "Where do they say for how long they have been up?",
            "Shows a restart that nobody saw. TOPIC, a JSON pointer.",
            "{at}/meter /up",
            sound::uptime,
        )
    },
    Question {
        applies: has_output,
        ..optional(
            "plug_lease",
            "What switches a plug on for a while only?",
            "The payload, with `{seconds}` where the countdown stands. A heater or a top-off on such a plug ends by itself\nwhen daemon, broker or radio die. Without it only the size of heater and reservoir protects the tank.",
            "{\"on\":true,\"for\":{seconds}}",
            sound::lease,
        )
    },
    Question {
        usual: |_| Some("no".to_owned()),
        applies: has_output,
        ..optional(
            "plug_boots",
            "Are the plugs set so that after a power cut pumps come back on, and all others off?",
            "Set it in each plug, and pull it once to see. Say yes only then.",
            "yes",
            sound::yes_no,
        )
    },
    plug("heater_plug", |answers| plug_of(answers, "heater"), |answers| has("heater")(answers)),
    plug("fan_plug", |answers| plug_of(answers, "fan"), |answers| has("fan")(answers)),
    plug("chiller_plug", |answers| plug_of(answers, "chiller"), |answers| has("chiller")(answers)),
    plug("return_pump_plug", |answers| plug_of(answers, "return_pump"), |answers| has("return_pump")(answers)),
    plug("powerhead_plug", |answers| plug_of(answers, "powerhead"), |answers| has("powerhead")(answers)),
    plug("top_off_plug", |answers| plug_of(answers, "top_off"), |answers| has("top_off")(answers)),
    plug("skimmer_plug", |answers| plug_of(answers, "skimmer"), |answers| has("skimmer")(answers)),
    plug("light_plug", |answers| plug_of(answers, "light"), |answers| has("light")(answers)),
];

/// Where the plug of an output is.
const fn plug(name: &'static str, usual: fn(&Answers) -> Option<String>, applies: fn(&Answers) -> bool) -> Question {
    let (asks, help) = ("Where is its plug?", "What `{at}` is for this plug: the common beginning of its topics.");
    let optional = optional(name, asks, help, "lagoon/plug/heater", sound::plug);
    Question { usual, applies, ..optional }
}

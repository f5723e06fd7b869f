//! Tables of invented homes, in several ways to speak.

use proptest::prelude::*;

use crate::time::Span;
use crate::wire::overheard::Overheard;

use super::*;

fn found(messages: &[(&str, &str)]) -> Vec<Finding> {
    let mut overheard = Overheard::default();
    for (n, (topic, payload)) in messages.iter().enumerate() {
        overheard.hear(topic.as_bytes(), payload.as_bytes(), false, Span::from_seconds(n as u64));
    }
    all(&overheard)
}

fn said(topic: &str, payloads: &[&str]) -> Vec<String> {
    let messages: Vec<_> = payloads.iter().map(|payload| (topic, *payload)).collect();
    let unit = |role: &Role| match role {
        Role::Reading(unit) | Role::Power(unit) => format!(" in {}", unit.symbol),
        _ => String::new(),
    };
    found(&messages)
        .iter()
        .map(|f| {
            let sure = if f.guess.sure == Sure::Likely { "likely" } else { "maybe" };
            format!("{}: {sure} {}{}", f.place.pointer, f.guess.role.word(), unit(&f.guess.role))
        })
        .collect()
}

#[test]
fn scalars_are_guessed_by_name_unit_and_value() {
    for (topic, payloads, expected) in [
        ("lagoon/sump/temp", &["24.9", "25.1"][..], &[": likely temperature in °C"][..]),
        ("lagoon/sump/temp", &["76.8"], &[": likely temperature in °F"]),
        (
            "den/climate",
            &[r#"{"temp":21.5,"hum":48,"rssi":-60}"#],
            &["/hum: likely humidity in %", "/temp: likely temperature in °C"],
        ),
        ("x/a1", &["25.1 °C"], &[": likely temperature in °C"]),
        ("x/a1", &["25.1"], &[]),
        ("tank/conductivity", &["53012"], &[": likely conductivity in µS/cm"]),
        ("tank/ec", &["53.0"], &[": likely conductivity in mS/cm"]),
        ("tank/salinity", &["35.1"], &[": likely salinity in psu"]),
        ("tank/ph", &["8.15"], &[": likely pH in pH"]),
        ("tank/temp", &["900"], &[": maybe temperature in °C"]),
        ("sump/level", &["12"], &[": maybe level in mm"]),
        ("sump/float-high", &["0", "1"], &[": likely high float"]),
        ("sump/float_low", &["dry"], &[": likely low float"]),
        ("sump/float/2", &["1"], &[": maybe contact"]),
        ("room/floor-leak", &["false"], &[": likely leak probe"]),
        ("p/heater/relay", &["ON", "OFF"], &[": likely plug report"]),
        ("p/heater/set", &["ON"], &[": likely plug command"]),
        ("p/heater/set", &[r#"{"on":true,"for":180}"#], &["/on: likely plug command"]),
        ("warning/priority", &["high", "low"], &[]),
        ("p/heater/meter", &[r#"{"w":98.2,"kwh":12.4}"#], &["/kwh: maybe energy", "/w: likely plug power in W"]),
        ("p/heater/alive", &["1"], &[": likely alive"]),
        ("p/heater", &["online"], &[": likely alive"]),
        ("clock", &["12:30"], &[]),
        ("greeting", &["hello"], &[]),
    ] {
        assert_eq!(said(topic, payloads), expected, "{topic} {payloads:?}");
    }
}

#[test]
fn topics_of_one_plug_are_grouped_however_its_levels_stand() {
    for (messages, stem) in [
        (
            vec![("a/plug/heater/relay", "ON"), ("a/plug/heater/meter", r#"{"w":98}"#), ("a/plug/heater/alive", "1")],
            "a/plug/heater",
        ),
        (vec![("state/heater", "off"), ("power/heater", "0.0"), ("availability/heater", "online")], "heater"),
        (vec![("heater/status", r#"{"state":"ON","power":97.5,"online":true}"#)], "heater"),
    ] {
        let plugs = plugs(&found(&messages));
        let [plug] = &plugs[..] else { panic!("{plugs:?}") };
        assert_eq!(plug.stem, stem);
        assert!(plug.report.is_some() && plug.power.is_some() && plug.alive.is_some(), "{plug:?}");
    }
}

proptest! {
    #[test]
    fn whatever_is_on_the_broker_is_heard_without_a_panic(
        messages in proptest::collection::vec(
            ("[a-zA-Z0-9/_+#$ é-]{0,20}", proptest::collection::vec(any::<u8>(), 0..60), any::<bool>()), 0..40),
    ) {
        let mut overheard = Overheard::default();
        for (topic, payload, retained) in &messages {
            overheard.hear(topic.as_bytes(), payload, *retained, Span::ZERO);
        }
        plugs(&all(&overheard));
    }

    #[test]
    fn whatever_json_comes_is_heard_without_a_panic(json in "[\\[\\]{}:,\"a-z0-9.e~/-]{0,80}") {
        plugs(&found(&[("t/state", &json), ("t/state", &format!("{{\"temp\":{json}}}"))]));
    }
}

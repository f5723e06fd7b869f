use std::collections::BTreeSet;

use super::*;
use crate::control::dosing::DosingStatus;
use crate::control::event::Alive;
use crate::control::ids::Name;
use crate::control::lighting::{LightStatus, SpotLight};
use crate::control::plan::{OutputKind, Priority};
use crate::control::proof_times::ProofTimes;
use crate::control::prove::{Check, OneProof, ProofState, ProofsStatus};
use crate::control::quality::{Fault, Quality};
use crate::control::status::{
    AlarmStatus, HoldStatus, InterlockStatus, OutputStatus, ProbeStatus, ProofStatus, RuleStatus, SampleCounts,
    SignalStatus, TopOffStatus,
};
use crate::time::Span;
use crate::units::Quantity;
use crate::wire::MessageKind;

fn signal(name: &str, measures: Quantity, value: Option<f64>, quality: Quality) -> SignalStatus {
    SignalStatus {
        signal: Name::new(name),
        measures,
        unit: measures.canonical().symbol,
        value,
        highest: value,
        lowest: value,
        quality,
        age: Some(Span::from_seconds(4)),
        sampled_at: Some(Wall::from_unix_millis(1_774_745_999_500)),
        text: String::new(),
    }
}

fn alarm() -> AlarmStatus {
    AlarmStatus {
        alarm: Name::new("temperature-high"),
        priority: Priority::High,
        state: "NORM",
        active: false,
        since: None,
        text: String::new(),
        on: false,
        consequence: String::new(),
        action: String::new(),
        raised: 0,
        trip_of: None,
        latches: false,
        aside: None,
        part_of: None,
        group: vec![],
        nuisance: vec![],
    }
}

fn light() -> LightStatus {
    LightStatus {
        output: Name::new("light"),
        level_percent: 80,
        told_percent: Some(80),
        reported_percent: Some(80.0),
        dimmed_by: None,
        acclimation_percent: 100.0,
        full_hours_today: 9.0,
        spots: vec![SpotLight { spot: "meadow-left".to_owned(), mol_per_m2_today: 4.86 }],
        says: String::new(),
    }
}

fn pump() -> DosingStatus {
    DosingStatus {
        output: Name::new("alkalinity"),
        adds: "carbonate",
        state: "waiting",
        maintenance_ml_per_day: 20.0,
        correction_ml_per_day: 0.0,
        correction_left_ml: 0.0,
        next_slot: "09:00".to_owned(),
        ml_in_24_hours: 19.5,
        day_left_ml: 4.5,
        owed_ml: 0.0,
        days_behind: 0.0,
        container_ml: 200.0,
        container_size_ml: 250.0,
        rate_ml_per_minute: 5.0,
        calibrated_at: None,
        worn: None,
        unbalanced: None,
        proposal: None,
        doses: 24,
        total_ml: 20.0,
        last_dose: String::new(),
    }
}

fn proofs() -> ProofsStatus {
    let float = OneProof {
        of: "float".to_owned(),
        check: Check::WetAndDry,
        state: ProofState::Proven,
        proven: Some(Wall::from_unix_millis(1_774_000_000_000)),
        failed: None,
        by: Some("Ana".to_owned()),
        due: Some(Wall::from_unix_millis(1_777_024_000_000)),
        text: None,
    };
    ProofsStatus { proofs: vec![float], ..ProofsStatus::default() }
}

/// An invented tank with one of everything.
#[expect(clippy::too_many_lines, reason = "one of everything")]
fn tank(name: &str) -> TankStatus {
    let good = Quality::Good;
    TankStatus {
        tank: Name::new(name),
        title: "Seagrass \"lagoon\"".to_owned(),
        timezone: "UTC".to_owned(),
        broker: true,
        sentence: String::new(),
        mood: crate::control::sentence::Mood::Steady,
        signals: vec![
            signal("water-temp", Quantity::Temperature, Some(25.25), good),
            signal("sump-level", Quantity::Level, Some(182.5), good),
            signal("conductivity", Quantity::Conductivity, Some(53.0), good),
            signal("flow", Quantity::Flow, Some(30.0), good),
            signal("float", Quantity::Contact, Some(1.0), good),
            signal("mains", Quantity::Power, Some(210.0), good),
            // A value that is bad must not be shown even if it is there.
            signal("room-temp", Quantity::Temperature, Some(21.0), Quality::Bad(Fault::Stale)),
        ],
        probes: vec![ProbeStatus {
            probe: Name::new("display-temp"),
            measures: Quantity::Temperature,
            unit: "°C",
            value: Some(25.25),
            retained_value: None,
            quality: good,
            age: None,
            samples: SampleCounts { accepted: 7, range: 0, decode: 2, retained: 1 },
        }],
        outputs: vec![OutputStatus {
            output: Name::new("heater"),
            kind: OutputKind::Heater,
            wished: Switch::On,
            decided: Switch::Off,
            layer: "hold",
            cause: String::new(),
            since: Wall::from_unix_millis(0),
            commanded: Some(Switch::Off),
            proof: ProofStatus::Proven,
            reported: Some(Switch::Off),
            reported_at: None,
            alive: Some(Alive::Yes),
            watts: Some(0.5),
            usual_power: None,
            confirmed_watts: None,
            untested: Vec::new(),
            force: None,
            on_seconds: 12.5,
            switches: 3,
            switches_by: [0, 0, 2, 0, 0, 0, 1, 0, 0],
            proof_times: ProofTimes::default(),
            energy_joules: Some(3600.0),
            unproven_commands: 0,
        }],
        interlocks: vec![InterlockStatus {
            interlock: Name::new("heater-cutoff"),
            state: "armed",
            cause: None,
            since: None,
            effects: vec![],
            bypass: None,
            never_bypassed: None,
            trips: 0,
            last_trip: None,
        }],
        rules: vec![RuleStatus { rule: Name::new("night-fan"), state: "idle" }],
        top_offs: vec![TopOffStatus {
            output: Name::new("top-off"),
            state: "waiting",
            litres_in_24_hours: 0.45,
            total_litres: 12.5,
            day_left_litres: 2.12,
            hour_left_litres: 0.49,
            evaporation_ml_per_day: Some(864.0),
            refills: 31,
            spread_mm: None,
            misses: 0,
            last_run: String::new(),
        }],
        dosing: vec![pump()],
        lights: vec![light()],
        drain_back: None,
        long_term: None,
        holds: vec![HoldStatus {
            hold: Name::new("water-change"),
            stops: vec![],
            limit: crate::time::Span::from_minutes(60),
            at_limit: crate::control::plan::AtLimit::Alarm,
            cares_for_probes: false,
            active: true,
            by: None,
            since: None,
            until: Some(Wall::from_unix_millis(1_774_749_600_000)),
            overdue: false,
            pauses: vec![],
            probes: vec![],
            new_water: None,
            changes_water: true,
            told_water: None,
            hot_until: None,
            starting: vec![],
            started: 1,
        }],
        proofs: proofs(),
        alarms: vec![alarm()],
        alarm_load: crate::control::status::AlarmLoad::default(),
        caution: None,
    }
}

fn text(tanks: usize) -> String {
    TankText::new((0..tanks).map(|n| tank(&format!("lagoon{n}"))).collect()).collect()
}

fn daemon() -> String {
    let meters = Meters::new(&["broker-lost"], &["phone"]);
    meters.http_request("/metrics", 200, 0.004);
    meters.text(&ProcessFacts { cpu_seconds: 1.5, resident_bytes: 10_000_000, open_files: 12, started: 1.774e9 })
}

#[test]
fn readings_have_one_family_a_quantity_in_the_unit_of_its_name() {
    let text = text(1);
    for line in [
        r#"slackwater_temperature_celsius{tank="lagoon0",signal="water-temp"} 25.25"#,
        r#"slackwater_water_level_meters{tank="lagoon0",signal="sump-level"} 0.1825"#,
        r#"slackwater_conductivity_siemens_per_meter{tank="lagoon0",signal="conductivity"} 5.300000000000001"#,
        r#"slackwater_flow_litres_per_second{tank="lagoon0",signal="flow"} 0.5"#,
        r#"slackwater_contact_closed{tank="lagoon0",signal="float"} 1"#,
        r#"slackwater_signal_value{tank="lagoon0",signal="mains"} 210"#,
        r#"slackwater_signal_info{tank="lagoon0",signal="mains",quantity="power",unit="W"} 1"#,
        r#"slackwater_signal_last_sample_timestamp_seconds{tank="lagoon0",signal="float"} 1774745999.5"#,
        r#"slackwater_probe_samples_total{tank="lagoon0",probe="display-temp",result="decode"} 2"#,
        r#"slackwater_tank_info{tank="lagoon0",title="Seagrass \"lagoon\""} 1"#,
        r#"slackwater_output_commanded{tank="lagoon0",output="heater"} 0"#,
        r#"slackwater_hold_expiry_timestamp_seconds{tank="lagoon0",hold="water-change"} 1774749600"#,
        r#"slackwater_output_switches_total{tank="lagoon0",output="heater",cause="hold"} 2"#,
        r#"slackwater_output_switches_total{tank="lagoon0",output="heater",cause="rest"} 0"#,
        r#"slackwater_output_energy_joules_total{tank="lagoon0",output="heater"} 3600"#,
        r#"slackwater_command_proof_duration_seconds_bucket{tank="lagoon0",output="heater",le="0.05"} 0"#,
        r#"slackwater_command_proof_duration_seconds_bucket{tank="lagoon0",output="heater",le="+Inf"} 0"#,
        r#"slackwater_alarm_state{tank="lagoon0",alarm="temperature-high",state="NORM"} 1"#,
        r#"slackwater_evaporation_litres_per_second{tank="lagoon0",output="top-off"} 0.00001"#,
    ] {
        assert!(text.lines().any(|l| l == line), "{line}\nis missing in\n{text}");
    }
}

#[test]
fn a_bad_reading_has_no_value_and_one_reason() {
    let text = text(1);
    assert!(!text.contains(r#"slackwater_temperature_celsius{tank="lagoon0",signal="room-temp"}"#));
    assert!(text.contains(r#"slackwater_signal_valid{tank="lagoon0",signal="room-temp"} 0"#));
    let reasons: Vec<_> = text
        .lines()
        .filter(|l| l.starts_with(r#"slackwater_signal_invalid_reason{tank="lagoon0",signal="room-temp""#))
        .collect();
    assert_eq!(reasons.len(), Quality::REASONS.len(), "the state set is complete");
    let set: Vec<_> = reasons.iter().filter(|l| l.ends_with(" 1")).collect();
    assert!(matches!(&set[..], [one] if one.contains(r#"reason="stale""#)), "{set:?}");
    assert!(!text.contains("NaN"));
}

#[test]
fn each_family_stands_once_however_many_tanks_there_are() {
    let text = text(CHUNK * 2 + 3);
    let heads: Vec<_> = text.lines().filter(|l| l.starts_with("# TYPE")).collect();
    let unique: BTreeSet<_> = heads.iter().collect();
    assert_eq!(heads.len(), unique.len());
    let mut done = BTreeSet::new();
    let mut last = "";
    for line in text.lines().filter(|l| !l.starts_with('#')) {
        let name = line.split(['{', ' ']).next().expect("a line has a name");
        // The lines of a histogram belong together.
        let whole =
            |name: &'_ str| ["_bucket", "_sum", "_count"].iter().find_map(|end| name.strip_suffix(end).map(str::len));
        let name = &name[..whole(name).unwrap_or(name.len())];
        assert!(name == last || done.insert(name), "{name} comes back after another family");
        last = name;
    }
    assert_eq!(text.matches("slackwater_output_wished{").count(), CHUNK * 2 + 3);
}

/// The whole list of names, types and labels: what dashboards and alert rules rest on.
#[test]
fn the_names_types_and_labels_are_those_that_were_agreed() {
    let mut list: Vec<String> = families()
        .map(|family| {
            let kind = match family.kind {
                Kind::Counter => "counter",
                Kind::Gauge => "gauge",
                Kind::Histogram => "histogram",
            };
            format!("{}\t{kind}\t{}\t{}", family.name, unit(family.name), family.labels.join(","))
        })
        .collect();
    let daemon = daemon();
    for line in daemon.lines().filter_map(|l| l.strip_prefix("# TYPE ")) {
        let (name, kind) = line.split_once(' ').expect("a name and a type");
        let suffix = if kind == "histogram" { "_count" } else { "" };
        let sample = daemon.lines().find(|l| {
            l.strip_prefix(name).and_then(|l| l.strip_prefix(suffix)).is_some_and(|l| l.starts_with(['{', ' ']))
        });
        let sample = sample.unwrap_or_else(|| panic!("{name} has no sample at the start"));
        let labels: Vec<&str> = match sample.split_once('{') {
            None => vec![],
            Some((_, rest)) => rest
                .split("=\"")
                .map(|part| part.rsplit([',', '"']).next().unwrap_or(part))
                .filter(|l| !l.contains('}'))
                .collect(),
        };
        let labels: Vec<_> = labels.into_iter().filter(|label| *label != "le").collect();
        list.push(format!("{name}\t{kind}\t{}\t{}", unit(name), labels.join(",")));
    }
    list.sort();
    let agreed: Vec<&str> =
        include_str!("../../../tests/data/metric-names.tsv").lines().filter(|l| !l.starts_with('#')).collect();
    let mut agreed_sorted = agreed.clone();
    agreed_sorted.sort_unstable();
    assert_eq!(list, agreed_sorted, "\n{}", list.join("\n"));
}

/// The unit that a name says: one of those that the stack's conventions and a keeper agree on.
fn unit(name: &str) -> &'static str {
    let name = name.trim_end_matches("_total");
    let of = |units: &[&'static str]| units.iter().copied().find(|unit| name.ends_with(&format!("_{unit}")));
    // The longer ones first: litres_per_second is no second.
    let units = of(&[
        "moles_per_square_meter",
        "siemens_per_meter",
        "litres_per_second",
        "timestamp_seconds",
        "celsius",
        "volts",
        "meters",
        "litres",
    ]);
    units.or_else(|| of(&["seconds", "watts", "joules", "bytes", "ratio", "info"])).unwrap_or("-")
}

/// Units as the monitoring stack's conventions allow them, and none that a keeper might mistake.
#[test]
fn no_name_ends_in_a_unit_that_is_not_a_base_unit() {
    let all = include_str!("../../../tests/data/metric-names.tsv");
    for name in all.lines().filter(|l| !l.starts_with('#')).filter_map(|l| l.split('\t').next()) {
        for bad in ["percent", "kwh", "temp_f", "liters", "minutes", "hours", "milli", "fahrenheit", "_ms"] {
            assert!(!name.contains(bad), "{name} contains {bad}");
        }
    }
}

#[test]
fn known_series_of_the_daemon_start_at_zero() {
    let text = daemon();
    for line in [
        r#"slackwater_mqtt_decode_errors_total{reason="decimal-comma"} 0"#,
        r#"slackwater_mqtt_messages_published_total{kind="command",result="nobody-listens"} 0"#,
        r#"slackwater_mqtt_messages_received_total{kind="ask"} 0"#,
        r#"slackwater_daemon_alarm_active{alarm="broker-lost"} 0"#,
        r#"slackwater_notifications_total{channel="phone",result="failed"} 0"#,
        "slackwater_store_write_failures_total 0",
        "process_cpu_seconds_total 1.5",
    ] {
        assert!(text.lines().any(|l| l == line), "{line}\nis missing in\n{text}");
    }
}

#[test]
fn counting_reaches_the_right_series() {
    let meters = Meters::new(&[], &["phone"]);
    meters.received(MessageKind::Alive);
    meters.unreadable(crate::control::event::Unreadable::OldTimeStamp);
    meters.published(PublishKind::State, PublishResult::Dropped);
    meters.forget_channel("phone");
    let text = meters.text(&ProcessFacts::default());
    assert!(text.contains(r#"slackwater_mqtt_messages_received_total{kind="alive"} 1"#));
    assert!(text.contains(r#"slackwater_mqtt_decode_errors_total{reason="old-time-stamp"} 1"#));
    assert!(text.contains(r#"slackwater_mqtt_messages_published_total{kind="state",result="dropped"} 1"#));
    assert!(!text.contains("phone"));
}

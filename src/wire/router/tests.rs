use super::*;
use crate::control::event::Alive;
use crate::control::ids::Name;
use crate::control::plan::Switch;
use crate::time::Span;
use crate::units::Quantity;
use crate::wire::binding::{
    CommandBinding, LeaseBinding, MeterBinding, Pointer, ProbeBinding, ProbeForm, UptimeBinding, WordBinding,
};

fn words(list: &[&str]) -> Vec<String> {
    list.iter().map(|w| (*w).to_owned()).collect()
}

fn at(token: &str) -> Pointer {
    Pointer(vec![token.to_owned()])
}

fn word(topic: &str, on: &str, off: &str) -> WordBinding {
    WordBinding { topic: topic.to_owned(), pointer: None, on: words(&[on]), off: words(&[off]) }
}

fn thermometer(topic: &str, pointer: Option<Pointer>, stamped: Option<Pointer>) -> ProbeBinding {
    let form = ProbeForm::Number(Quantity::Temperature.canonical());
    ProbeBinding { topic: topic.to_owned(), pointer, form, stamped }
}

fn leak() -> ProbeBinding {
    let form = ProbeForm::Contact { wet: words(&["1"]), dry: words(&["0"]) };
    ProbeBinding { topic: "room/floor/leak".to_owned(), pointer: None, form, stamped: None }
}

fn heater(tank: &str) -> PlugBinding {
    PlugBinding {
        command: CommandBinding {
            topic: format!("{tank}/plug/heater/set"),
            on: "ON".to_owned(),
            off: "OFF".to_owned(),
            qos: 1,
            expiry: Span::from_seconds(10),
        },
        report: Some(word(&format!("{tank}/plug/heater/relay"), "ON", "OFF")),
        meter: Some(MeterBinding {
            topic: format!("{tank}/plug/heater/meter"),
            pointer: Some(at("w")),
            unit: Quantity::Power.canonical(),
        }),
        alive: Some(word(&format!("{tank}/plug/heater/alive"), "1", "0")),
        uptime: None,
        lease: Some(LeaseBinding {
            payload: r#"{"on":true,"for":{seconds}}"#.to_owned(),
            lasts: Span::from_seconds(180),
            topic: None,
        }),
        dimmer: None,
    }
}

fn two_tanks() -> Router {
    let lagoon = TankBindings {
        tank: Name::new("lagoon"),
        probes: vec![
            thermometer("lagoon/display/climate", Some(at("temp")), None),
            thermometer("lagoon/display/climate", Some(at("air")), None),
            leak(),
            thermometer("lagoon/sump/temp", Some(at("t")), Some(at("at"))),
        ],
        plugs: vec![heater("lagoon")],
    };
    let quarantine = TankBindings {
        tank: Name::new("quarantine"),
        probes: vec![leak(), thermometer("quarantine/temp", None, None)],
        plugs: vec![],
    };
    Router::new(vec![lagoon, quarantine], &OwnTopics::new("slackwater"))
}

const NOW: Wall = Wall::from_unix_millis(1_774_745_999_000);

fn heard(topic: &str, payload: &str, retained: Retained) -> Vec<Heard> {
    let mut heard = Vec::new();
    let message = Message { topic: topic.as_bytes(), payload: payload.as_bytes(), retained };
    two_tanks().decode(message, NOW, &mut heard);
    heard
}

fn reading(tank: usize, probe: usize, reading: Result<f64, Unreadable>, retained: Retained) -> Heard {
    Heard::Event(TankIndex(tank), Event::ReadingArrived { probe: ProbeId::new(probe), reading, retained })
}

#[test]
fn one_message_speaks_to_every_probe_that_points_into_it() {
    assert_eq!(
        heard("lagoon/display/climate", r#"{"temp":25.25,"air":"warm"}"#, Retained::No),
        [reading(0, 0, Ok(25.25), Retained::No), reading(0, 1, Err(Unreadable::NotANumber), Retained::No),]
    );
}

#[test]
fn a_shared_leak_probe_speaks_to_every_tank_that_it_guards() {
    assert_eq!(
        heard("room/floor/leak", "1", Retained::No),
        [reading(0, 2, Ok(1.0), Retained::No), reading(1, 0, Ok(1.0), Retained::No)]
    );
}

#[test]
fn a_kept_reading_is_of_unknown_age_unless_it_carries_its_own_time() {
    assert_eq!(heard("quarantine/temp", "25.0", Retained::Yes), [reading(1, 1, Ok(25.0), Retained::Yes)]);
    let stamped = r#"{"t":25.0,"at":1774745990}"#;
    assert_eq!(heard("lagoon/sump/temp", stamped, Retained::Yes), [reading(0, 3, Ok(25.0), Retained::No)]);
    let old = r#"{"t":25.0,"at":1774740000}"#;
    assert_eq!(
        heard("lagoon/sump/temp", old, Retained::No),
        [reading(0, 3, Err(Unreadable::OldTimeStamp), Retained::No)]
    );
}

#[test]
fn a_plug_reports_its_relay_its_power_and_its_life() {
    let output = OutputId::new(0);
    let event = |event| [Heard::Event(TankIndex(0), event)];
    let retained = Retained::No;
    assert_eq!(
        heard("lagoon/plug/heater/relay", "ON", retained),
        event(Event::ReportArrived { output, report: Ok(Switch::On), retained })
    );
    assert_eq!(
        heard("lagoon/plug/heater/relay", "on", retained),
        event(Event::ReportArrived { output, report: Err(Unreadable::UnknownWord), retained })
    );
    assert_eq!(
        heard("lagoon/plug/heater/meter", r#"{"w":98.5}"#, retained),
        event(Event::MeterArrived { output, watts: Ok(98.5), retained })
    );
    assert_eq!(
        heard("lagoon/plug/heater/alive", "0", Retained::Yes),
        event(Event::AliveArrived { output, alive: Ok(Alive::No) })
    );
}

#[test]
fn commands_by_others_are_seen_and_understood_where_they_can_be() {
    let seen = |payload, retained| heard("lagoon/plug/heater/set", payload, retained);
    let event = |command, retained| {
        [Heard::Event(TankIndex(0), Event::ForeignCommandSeen { output: OutputId::new(0), command, retained })]
    };
    assert_eq!(seen("OFF", Retained::No), event(Some(Switch::Off), Retained::No));
    assert_eq!(seen("ON", Retained::Yes), event(Some(Switch::On), Retained::Yes));
    assert_eq!(seen(r#"{"on":true,"for":9999}"#, Retained::No), event(Some(Switch::On), Retained::No));
    assert_eq!(seen(r#"{"on":true,"for":}"#, Retained::No), event(None, Retained::No));
    assert_eq!(seen("TOGGLE", Retained::No), event(None, Retained::No));
    assert_eq!(seen("", Retained::No), []);
}

#[test]
fn a_kept_request_is_never_a_request() {
    let hold = Request::hold("water-change");
    let asked = |payload, retained| heard("slackwater/lagoon/ask", payload, retained);
    assert_eq!(asked("hold water-change", Retained::No), [Heard::Ask(TankIndex(0), Ok(hold))]);
    assert_eq!(asked("hold water-change", Retained::Yes), [Heard::KeptAsk(TankIndex(0))]);
    assert_eq!(asked("", Retained::No), []);
    assert!(matches!(&asked("explode", Retained::No)[..], [Heard::Ask(TankIndex(0), Err(_))]));
}

#[test]
fn each_topic_is_subscribed_once_and_only_commands_without_our_own_echo() {
    let subscriptions: Vec<_> = two_tanks().subscriptions().collect();
    let mut topics: Vec<_> = subscriptions.iter().map(|s| &*s.topic).collect();
    topics.dedup();
    assert_eq!(topics.len(), subscriptions.len());
    let quiet: Vec<_> = subscriptions.iter().filter(|s| s.no_local).map(|s| &*s.topic).collect();
    assert_eq!(quiet, ["lagoon/plug/heater/set"]);
    assert!(topics.contains(&"slackwater/quarantine/ask"));
}

#[test]
fn what_nobody_asked_for_is_other_and_means_nothing() {
    let mut heard = Vec::new();
    let message = Message { topic: b"lagoon/display", payload: b"25.0", retained: Retained::No };
    assert_eq!(two_tanks().decode(message, NOW, &mut heard), MessageKind::Other);
    assert_eq!(heard, []);
}

#[test]
fn an_uptime_that_rides_with_the_report_comes_before_it_and_names_no_message() {
    let mut bindings = TankBindings { tank: Name::new("lagoon"), probes: Vec::new(), plugs: vec![heater("lagoon")] };
    let topic = "lagoon/plug/heater/state";
    let pointer = |token: &str| Some(Pointer(vec![token.to_owned()]));
    let (on, off) = (vec!["on".to_owned()], vec!["off".to_owned()]);
    bindings.plugs[0].report = Some(WordBinding { topic: topic.to_owned(), pointer: pointer("relay"), on, off });
    bindings.plugs[0].uptime = Some(UptimeBinding { topic: topic.to_owned(), pointer: pointer("up") });
    let router = Router::new(vec![bindings], &OwnTopics::new("slackwater"));
    let mut heard = Vec::new();
    let payload = br#"{"relay":"off","up":3}"#;
    let message = Message { topic: topic.as_bytes(), payload, retained: Retained::No };
    let kind = router.decode(message, Wall::from_unix_millis(0), &mut heard);
    assert_eq!(kind, MessageKind::Report);
    let (output, retained) = (OutputId::new(0), Retained::No);
    let events = [
        Event::UptimeArrived { output, uptime: Ok(3.0), retained },
        Event::ReportArrived { output, report: Ok(Switch::Off), retained },
    ];
    assert_eq!(heard, events.map(|event| Heard::Event(TankIndex(0), event)));
}

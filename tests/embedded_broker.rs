//! The demo's broker and its gate, as a real client sees them: what the demo rests on.

#![cfg(feature = "embedded-broker")]

use std::net::SocketAddr;
use std::time::Duration;

use rumqttc::{AsyncClient, Event, EventLoop, LastWill, MqttOptions, Packet, QoS, SubscribeFilter};
use slackwater::cli::demo::broker;
use slackwater::cli::demo::gate::{Door, Gate};

const QUIET: Duration = Duration::from_millis(300);

fn client(id: &str, at: SocketAddr) -> (AsyncClient, EventLoop) {
    let mut options = MqttOptions::new(id, at.ip().to_string(), at.port());
    options.set_keep_alive(Duration::from_secs(5)).set_clean_session(true);
    options.set_last_will(LastWill::new(format!("{id}/online"), "false", QoS::AtLeastOnce, true));
    AsyncClient::new(options, 200)
}

/// Everything that arrives until it is quiet for a while, in short words.
async fn hear(events: &mut EventLoop) -> Vec<String> {
    let mut heard = Vec::new();
    while let Ok(event) = tokio::time::timeout(QUIET, events.poll()).await {
        match event {
            Ok(Event::Incoming(Packet::Publish(publish))) => {
                let kept = if publish.retain { " kept" } else { "" };
                heard.push(format!("{} {}{kept}", publish.topic, String::from_utf8_lossy(&publish.payload)));
            }
            Ok(Event::Incoming(Packet::ConnAck(_))) => heard.push("connected".to_owned()),
            Ok(Event::Incoming(Packet::PubAck(_))) => heard.push("acknowledged".to_owned()),
            Ok(Event::Incoming(Packet::SubAck(ack))) => heard.push(format!("subscribed {}", ack.return_codes.len())),
            Ok(_) => {}
            Err(_) => {
                heard.push("lost".to_owned());
                break;
            }
        }
    }
    heard
}

#[tokio::test]
async fn retained_messages_wills_and_acknowledgements_work_as_the_demo_needs_them() {
    let at = broker::start().expect("a broker");
    let (plug, mut plug_events) = client("plug", at);
    plug.try_publish("plug/online", QoS::AtLeastOnce, true, "true").unwrap();
    plug.try_publish("plug/relay", QoS::AtLeastOnce, false, "OFF").unwrap();
    assert_eq!(hear(&mut plug_events).await, ["connected", "acknowledged", "acknowledged"]);
    let (daemon, mut daemon_events) = client("daemon", at);
    let many = (0..98).map(|n| SubscribeFilter::new(format!("many/{n}"), QoS::AtLeastOnce));
    let both = ["plug/online", "plug/relay"].map(|topic| SubscribeFilter::new(topic.to_owned(), QoS::AtLeastOnce));
    daemon.try_subscribe_many(many.chain(both)).unwrap();
    assert_eq!(hear(&mut daemon_events).await, ["connected", "subscribed 100", "plug/online true kept"]);
    plug.try_publish("plug/relay", QoS::AtMostOnce, false, "ON").unwrap();
    hear(&mut plug_events).await;
    assert_eq!(hear(&mut daemon_events).await, ["plug/relay ON"]);
    drop((plug, plug_events));
    assert_eq!(hear(&mut daemon_events).await, ["plug/online false"]);
    let (late, mut late_events) = client("late", at);
    late.try_subscribe("plug/+", QoS::AtLeastOnce).unwrap();
    assert_eq!(hear(&mut late_events).await, ["connected", "subscribed 1", "plug/online false kept"]);
}

#[tokio::test]
async fn the_gate_cuts_refuses_and_opens_again_and_answers_mqtt_5_with_the_standards_refusal() {
    let gate = Gate::open(0, broker::start().expect("a broker")).await.expect("a port");
    let (_daemon, mut events) = client("daemon", gate.address);
    assert_eq!(hear(&mut events).await, ["connected"]);
    gate.set(Door::Shut);
    assert_eq!(hear(&mut events).await, ["lost"], "cut");
    assert_eq!(hear(&mut events).await, ["lost"], "refused");
    gate.set(Door::Open);
    let mut again = Vec::new();
    for _ in 0..20 {
        again = hear(&mut events).await;
        if again == ["connected"] {
            break;
        }
    }
    assert_eq!(again, ["connected"]);
    let options = rumqttc::v5::MqttOptions::new("five", gate.address.ip().to_string(), gate.address.port());
    let (_client, mut five) = rumqttc::v5::AsyncClient::new(options, 10);
    let refusal = five.poll().await.expect_err("5 is not spoken");
    assert!(refusal.to_string().contains("UnsupportedProtocolVersion"), "{refusal}");
}

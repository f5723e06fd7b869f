//! MQTT 3.1.1: no expiry, our own commands come back, and a denied publish looks like a success.

use rumqttc::{
    AsyncClient, ConnectReturnCode, ConnectionError, Event, EventLoop, LastWill, MqttOptions, NetworkOptions, Packet,
    QoS, SubscribeFilter, SubscribeReasonCode,
};

use crate::control::event::BrokerSaid;
use crate::wire::{Publish, Subscription};

use super::{Arrived, ConnectError, Ended, GREATEST_PACKET_OF_311, Incoming, LinkOptions, tls_trouble};

/// As for MQTT 5; such a broker cannot say what it bears, and 20 is what is common.
const IN_FLIGHT: u16 = 20;

pub(super) fn options(link: &LinkOptions) -> Result<MqttOptions, ConnectError> {
    let mut options = MqttOptions::new(&link.broker.client_id, link.host(), link.broker.port);
    options
        .set_transport(link.transport()?)
        .set_keep_alive(link.keep_alive())
        .set_clean_session(true)
        .set_max_packet_size(GREATEST_PACKET_OF_311, GREATEST_PACKET_OF_311)
        .set_inflight(IN_FLIGHT);
    if let Some((user, password)) = link.login()? {
        options.set_credentials(user, password);
    }
    if let Some(topic) = &link.will_topic {
        options.set_last_will(LastWill::new(topic.as_str(), "false", QoS::AtLeastOnce, true));
    }
    Ok(options)
}

pub(super) fn network() -> NetworkOptions {
    let mut network = NetworkOptions::new();
    network.set_tcp_nodelay(true);
    network.set_connection_timeout(5);
    network
}

pub(super) async fn poll(events: &mut EventLoop) -> Result<Arrived, Ended> {
    loop {
        match events.poll().await {
            // One for each reading, and of no use to anybody.
            Ok(Event::Outgoing(rumqttc::Outgoing::PubAck(_))) => {}
            Ok(Event::Incoming(packet)) => return Ok(arrived(packet)),
            Ok(Event::Outgoing(rumqttc::Outgoing::Publish(id))) => return Ok(Arrived::Written(id)),
            Ok(Event::Outgoing(_)) => return Ok(Arrived::Housekeeping),
            Err(error) => return Err(ended(&error)),
        }
    }
}

fn arrived(packet: Packet) -> Arrived {
    match packet {
        Packet::Publish(publish) => Arrived::Message(Incoming {
            topic: publish.topic.into(),
            payload: publish.payload,
            retained: publish.retain,
            reply: None,
        }),
        Packet::ConnAck(_) => Arrived::Connected,
        Packet::SubAck(ack) => Arrived::Subscribed(
            ack.return_codes.iter().map(|code| matches!(code, SubscribeReasonCode::Success(_))).collect(),
        ),
        Packet::PubAck(ack) => Arrived::Acknowledged(ack.pkid, BrokerSaid::Accepted),
        _ => Arrived::Housekeeping,
    }
}

fn ended(error: &ConnectionError) -> Ended {
    let text = error.to_string();
    match error {
        ConnectionError::ConnectionRefused(ConnectReturnCode::RefusedProtocolVersion)
        | ConnectionError::NotConnAck(_) => Ended::WrongProtocol(text),
        ConnectionError::ConnectionRefused(code) => Ended::Refused(format!("{code:?}")),
        _ => Ended::Lost(tls_trouble::of(error).unwrap_or(text)),
    }
}

fn quality(qos: u8) -> QoS {
    if qos == 0 { QoS::AtMostOnce } else { QoS::AtLeastOnce }
}

pub(super) fn publish(client: &AsyncClient, publish: Publish) -> bool {
    client.try_publish(publish.topic, quality(publish.qos), publish.retain, publish.payload).is_ok()
}

pub(super) fn subscribe(client: &AsyncClient, batch: &[Subscription]) -> bool {
    let filters = batch.iter().map(|subscription| SubscribeFilter::new(subscription.topic.clone(), QoS::AtLeastOnce));
    client.try_subscribe_many(filters).is_ok()
}

//! MQTT 5: expiry on commands, no echo, reasons, response topics.

use rumqttc::NetworkOptions;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{
    ConnectReturnCode, DisconnectReasonCode, Filter, LastWill, Packet, PubAckReason, PublishProperties,
    SubscribeReasonCode,
};
use rumqttc::v5::{AsyncClient, ConnectionError, Event, EventLoop, MqttOptions, StateError};

use crate::control::event::BrokerSaid;
use crate::wire::{Publish, Subscription};

use super::{Arrived, ConnectError, Ended, GREATEST_PACKET, Incoming, LinkOptions, Reply, tls_trouble};

/// The library keeps a slot for each: more than this many commands at once is not our trade.
const IN_FLIGHT: u16 = 256;

pub(super) fn options(link: &LinkOptions) -> Result<MqttOptions, ConnectError> {
    let mut options = MqttOptions::new(&link.broker.client_id, link.host(), link.broker.port);
    let mut network = NetworkOptions::new();
    // Without it a command waits for the acknowledgement of the reading: 20 to 40 ms each.
    network.set_tcp_nodelay(true);
    options
        .set_network_options(network)
        .set_transport(link.transport()?)
        .set_keep_alive(link.keep_alive())
        .set_connection_timeout(5)
        .set_clean_start(true)
        .set_session_expiry_interval(Some(0))
        .set_max_packet_size(Some(GREATEST_PACKET))
        .set_outgoing_inflight_upper_limit(IN_FLIGHT);
    if let Some((user, password)) = link.login()? {
        options.set_credentials(user, password);
    }
    if let Some(topic) = &link.will_topic {
        options.set_last_will(LastWill::new(topic.as_str(), "false", QoS::AtLeastOnce, true, None));
    }
    Ok(options)
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
        Packet::Publish(publish) => {
            let reply = publish.properties.and_then(|properties| {
                let correlation = properties.correlation_data;
                properties.response_topic.map(|topic| Reply { topic, correlation })
            });
            Arrived::Message(Incoming {
                topic: publish.topic,
                payload: publish.payload,
                retained: publish.retain,
                reply,
            })
        }
        Packet::ConnAck(_) => Arrived::Connected,
        Packet::SubAck(ack) => Arrived::Subscribed(
            ack.return_codes.iter().map(|code| matches!(code, SubscribeReasonCode::Success(_))).collect(),
        ),
        Packet::PubAck(ack) => {
            let said = match ack.reason {
                PubAckReason::Success => BrokerSaid::Accepted,
                PubAckReason::NoMatchingSubscribers => BrokerSaid::NobodyListens,
                _ => BrokerSaid::Refused,
            };
            Arrived::Acknowledged(ack.pkid, said)
        }
        _ => Arrived::Housekeeping,
    }
}

fn ended(error: &ConnectionError) -> Ended {
    let text = error.to_string();
    match error {
        ConnectionError::MqttState(StateError::ServerDisconnect {
            reason_code: DisconnectReasonCode::SessionTakenOver,
            ..
        }) => Ended::TakenOver,
        // A broker of 3.1.1 answers in its own format, which has no properties.
        ConnectionError::ConnectionRefused(
            ConnectReturnCode::UnsupportedProtocolVersion | ConnectReturnCode::RefusedProtocolVersion,
        )
        | ConnectionError::MqttState(StateError::Deserialization(
            rumqttc::v5::mqttbytes::Error::InvalidConnectReturnCode(_)
            | rumqttc::v5::mqttbytes::Error::MalformedPacket
            | rumqttc::v5::mqttbytes::Error::MalformedRemainingLength
            | rumqttc::v5::mqttbytes::Error::InsufficientBytes(_),
        ))
        | ConnectionError::NotConnAck(_) => Ended::WrongProtocol(text),
        ConnectionError::ConnectionRefused(code) => Ended::Refused(format!("{code:?}")),
        _ => Ended::Lost(tls_trouble::of(error).unwrap_or(text)),
    }
}

fn quality(qos: u8) -> QoS {
    if qos == 0 { QoS::AtMostOnce } else { QoS::AtLeastOnce }
}

pub(super) fn publish(client: &AsyncClient, publish: Publish, reply: Option<&Reply>) -> bool {
    let properties = PublishProperties {
        // Whole seconds; a command that lives shorter than one would be dropped at once.
        message_expiry_interval: publish
            .expiry
            .map(|expiry| u32::try_from(expiry.millis().div_ceil(1000)).unwrap_or(u32::MAX)),
        correlation_data: reply.and_then(|reply| reply.correlation.clone()),
        ..PublishProperties::default()
    };
    client
        .try_publish_with_properties(publish.topic, quality(publish.qos), publish.retain, publish.payload, properties)
        .is_ok()
}

pub(super) fn subscribe(client: &AsyncClient, batch: &[Subscription]) -> bool {
    let filters = batch.iter().map(|subscription| Filter {
        nolocal: subscription.no_local,
        ..Filter::new(&subscription.topic, QoS::AtLeastOnce)
    });
    client.try_subscribe_many(filters).is_ok()
}

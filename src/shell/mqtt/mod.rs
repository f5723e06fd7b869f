//! The seam to the broker: one connection from its start to its first error, and nothing after.
//!
//! Duty: to hide which protocol is spoken (5, or 3.1.1 where the broker has no 5), to map
//! acknowledgements to what was published, and to say why a connection ended. On any error the
//! whole connection is dropped and a new one is made by the control loop with its own back-off:
//! the client library would otherwise keep and later deliver what was queued, and a stale command
//! is worse than none. It never blocks and never queues beyond one connection.
//!
//! Words: the **poller** yields what arrives; the **sender** publishes, and is used while the
//! poller waits.

mod five;
mod options;
mod three;
mod tls_trouble;

use std::collections::{BTreeSet, HashMap, VecDeque};

use bytes::Bytes;
use tokio::time::{Duration, Instant};

use crate::control::event::BrokerSaid;
use crate::control::ids::OutputId;
use crate::wire::metrics::PublishKind;
use crate::wire::{Publish, Subscription, TankIndex};

pub use options::{ConnectError, LinkOptions};

/// How many requests the client library may hold. More is a broker that does not keep up.
const CHANNEL: usize = 1024;

/// Our own state and answers leave this much room to commands.
const ROOM_FOR_COMMANDS: usize = CHANNEL / 2;

/// The number of topics in one SUBSCRIBE.
const BATCH: usize = 100;

/// The greatest packet that we take: a reading of 1 MiB is garbage and must be seen as such, not
/// end the connection for ever. A broker that speaks 5 keeps larger ones from us by itself.
const GREATEST_PACKET: u32 = 8 << 20;

/// What 3.1.1 allows at all: such a broker cannot be told a limit, and a larger retained message
/// would end each new connection.
const GREATEST_PACKET_OF_311: usize = 268_435_455;

/// Which protocol.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Protocol {
    /// MQTT 5.
    Five,
    /// MQTT 3.1.1.
    Three,
}

impl Protocol {
    /// The protocol level as it stands in the CONNECT packet.
    pub fn level(self) -> i64 {
        match self {
            Self::Five => 5,
            Self::Three => 4,
        }
    }
}

/// A message as it came.
#[derive(Clone, Debug)]
pub struct Incoming {
    /// Where.
    pub topic: Bytes,
    /// What.
    pub payload: Bytes,
    /// Whether the broker kept it.
    pub retained: bool,
    /// Where the answer is wanted, and the mark to give back (MQTT 5).
    pub reply: Option<Reply>,
}

/// Where an answer is wanted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reply {
    /// The response topic.
    pub topic: String,
    /// The correlation data.
    pub correlation: Option<Bytes>,
}

/// What the poller yields.
#[derive(Debug)]
pub enum Arrived {
    /// The broker took the connection.
    Connected,
    /// Some of the subscriptions are answered, each with whether it was taken.
    Subscribed(Vec<bool>),
    /// A message.
    Message(Incoming),
    /// The broker took a publish with this packet id, or said why not.
    Acknowledged(u16, BrokerSaid),
    /// The library wrote a publish with this packet id (0: without acknowledgement), in the order of sending.
    Written(u16),
    /// The library asked whether the broker still lives, or the like.
    Housekeeping,
}

/// Why a connection ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Ended {
    /// Another client came with our id.
    TakenOver,
    /// The broker does not speak the protocol.
    WrongProtocol(String),
    /// The broker refused us: a password, a rule.
    Refused(String),
    /// No connection, or it broke.
    Lost(String),
}

impl std::fmt::Display for Ended {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::TakenOver => write!(
                f,
                "another client connected to the broker with our client id\n  give each daemon a client id of its own; two with one id throw each other out for ever"
            ),
            Self::WrongProtocol(why) => write!(f, "the broker does not speak this MQTT version: {why}"),
            Self::Refused(why) => write!(
                f,
                "the broker refused the connection: {why}\n  check the user, the password file and the broker's access rules"
            ),
            Self::Lost(why) => write!(f, "{why}"),
        }
    }
}

/// What a publish was, for its acknowledgement.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tag {
    /// A command to this tank's output.
    Command(TankIndex, OutputId),
    /// Our own state.
    State,
    /// An answer.
    Answer,
}

impl Tag {
    /// Its kind, for counting.
    pub fn kind(self) -> PublishKind {
        match self {
            Self::Command(..) => PublishKind::Command,
            Self::State => PublishKind::State,
            Self::Answer => PublishKind::Answer,
        }
    }
}

/// The receiving half.
pub enum Poller {
    /// MQTT 5.
    Five(Box<rumqttc::v5::EventLoop>),
    /// MQTT 3.1.1.
    Three(Box<rumqttc::EventLoop>),
}

impl Poller {
    /// The next thing that arrives. Must not be dropped while waiting, unless the connection is given up.
    pub async fn poll(&mut self) -> Result<Arrived, Ended> {
        match self {
            Self::Five(events) => five::poll(events).await,
            Self::Three(events) => three::poll(events).await,
        }
    }
}

enum Client {
    Five(rumqttc::v5::AsyncClient),
    Three(rumqttc::AsyncClient),
}

/// The sending half.
pub struct Sender {
    client: Client,
    protocol: Protocol,
    unwritten: VecDeque<Tag>,
    in_flight: HashMap<u16, Tag>,
    unsubscribed: VecDeque<Vec<Subscription>>,
    asked: Option<Vec<Subscription>>,
    echoes: Echoes,
}

/// Opens a connection: nothing happens before the poller is polled.
pub fn open(options: &LinkOptions, protocol: Protocol) -> Result<(Sender, Poller), ConnectError> {
    let (client, poller) = match protocol {
        Protocol::Five => {
            let (client, events) = rumqttc::v5::AsyncClient::new(five::options(options)?, CHANNEL);
            (Client::Five(client), Poller::Five(Box::new(events)))
        }
        Protocol::Three => {
            let (client, mut events) = rumqttc::AsyncClient::new(three::options(options)?, CHANNEL);
            events.set_network_options(three::network());
            (Client::Three(client), Poller::Three(Box::new(events)))
        }
    };
    let sender = Sender {
        client,
        protocol,
        unwritten: VecDeque::new(),
        in_flight: HashMap::new(),
        unsubscribed: VecDeque::new(),
        asked: None,
        echoes: Echoes::default(),
    };
    Ok((sender, poller))
}

impl Sender {
    /// Which protocol is spoken.
    pub fn protocol(&self) -> Protocol {
        self.protocol
    }

    /// Publishes now or not at all. `false`: the broker does not keep up, and it was dropped.
    pub fn publish(&mut self, publish: Publish, tag: Tag, reply: Option<&Reply>) -> bool {
        if !matches!(tag, Tag::Command(..)) && self.unwritten.len() >= ROOM_FOR_COMMANDS {
            return false;
        }
        if matches!(tag, Tag::Command(..)) {
            self.echoes.expect(&publish, self.protocol);
        }
        let sent = match &self.client {
            Client::Five(client) => five::publish(client, publish, reply),
            Client::Three(client) => three::publish(client, publish),
        };
        if sent {
            self.unwritten.push_back(tag);
        }
        sent
    }

    /// Whether there is room for what can wait.
    pub fn has_room(&self) -> bool {
        self.unwritten.len() < ROOM_FOR_COMMANDS / 8
    }

    /// The library wrote the oldest publish that was not yet written.
    pub fn written(&mut self, packet_id: u16) {
        if let Some(tag) = self.unwritten.pop_front()
            && packet_id != 0
        {
            self.in_flight.insert(packet_id, tag);
        }
    }

    /// What the acknowledged publish was.
    pub fn acknowledged(&mut self, packet_id: u16) -> Option<Tag> {
        self.in_flight.remove(&packet_id)
    }

    /// Subscribes to all of them, one batch after the other.
    pub fn subscribe(&mut self, subscriptions: impl Iterator<Item = Subscription>) {
        let all: Vec<Subscription> = subscriptions.collect();
        self.echoes.echoing = all.iter().filter(|s| !s.no_local).map(|s| s.topic.clone()).collect();
        self.unsubscribed = all.chunks(BATCH).map(<[Subscription]>::to_vec).collect();
        self.next_batch();
    }

    fn next_batch(&mut self) {
        let Some(batch) = self.unsubscribed.pop_front() else {
            return;
        };
        let sent = match &self.client {
            Client::Five(client) => five::subscribe(client, &batch),
            Client::Three(client) => three::subscribe(client, &batch),
        };
        if sent {
            self.asked = Some(batch);
        } else {
            self.unsubscribed.push_front(batch);
        }
    }

    /// A batch was answered: the topics that were refused.
    pub fn subscribed(&mut self, taken: &[bool]) -> Vec<String> {
        let batch = self.asked.take().unwrap_or_default();
        let refused = batch
            .into_iter()
            .enumerate()
            .filter(|(n, _)| taken.get(*n) != Some(&true))
            .map(|(_, subscription)| subscription.topic)
            .collect();
        self.next_batch();
        refused
    }

    /// Whether every subscription is answered.
    pub fn all_subscribed(&self) -> bool {
        self.unsubscribed.is_empty() && self.asked.is_none()
    }

    /// Whether a message on a command topic is our own, come back.
    pub fn is_own_echo(&mut self, topic: &[u8], payload: &[u8]) -> bool {
        self.echoes.take(topic, payload)
    }

    /// Says good-bye: the will is not sent.
    pub fn disconnect(&self) {
        let _ = match &self.client {
            Client::Five(client) => client.try_disconnect().is_ok(),
            Client::Three(client) => client.try_disconnect().is_ok(),
        };
    }
}

/// Our own commands that come back where the broker cannot be told to keep them.
#[derive(Default)]
struct Echoes {
    /// Topics that are subscribed for more than foreign commands, so that our own come back even with MQTT 5.
    echoing: BTreeSet<String>,
    expected: HashMap<Vec<u8>, VecDeque<(Instant, Vec<u8>)>>,
}

/// An echo that did not come in this time will not come.
const ECHO_WITHIN: Duration = Duration::from_secs(5);

impl Echoes {
    fn expect(&mut self, publish: &Publish, protocol: Protocol) {
        if protocol == Protocol::Three || self.echoing.contains(&publish.topic) {
            let list = self.expected.entry(publish.topic.clone().into_bytes()).or_default();
            while list.front().is_some_and(|(at, _)| at.elapsed() > ECHO_WITHIN) || list.len() > 32 {
                list.pop_front();
            }
            list.push_back((Instant::now(), publish.payload.clone()));
        }
    }

    fn take(&mut self, topic: &[u8], payload: &[u8]) -> bool {
        let Some(list) = self.expected.get_mut(topic) else {
            return false;
        };
        list.retain(|(at, _)| at.elapsed() <= ECHO_WITHIN);
        let found = list.iter().position(|(_, ours)| ours == payload);
        found.and_then(|place| list.remove(place)).is_some()
    }
}

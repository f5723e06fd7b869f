//! By a message to a broker, over a connection of its own: the daemon's own connection is for control.
//!
//! Duty: delivered is what the broker acknowledged (PUBACK) and somebody listens to, as far as it says so.
//! A connection for each: they are few, and one that hangs is given up after [`TIME_OUT`].

use crate::config::channel::TopicSettings;
use crate::config::setup::BrokerSettings;
use crate::control::event::BrokerSaid;
use crate::shell::mqtt::{self, Arrived, Ended, LinkOptions, Protocol, Tag};
use crate::wire::Publish;

use super::message::{Around, Notification};
use super::template::{self, Content};
use super::way::{Failure, Outcome, TIME_OUT};

/// A topic.
pub struct Topic {
    settings: TopicSettings,
    broker: BrokerSettings,
    protocol: Protocol,
}

impl Topic {
    /// At its own broker, or at the daemon's.
    pub fn new(settings: TopicSettings, daemons: &BrokerSettings, channel: &str) -> Self {
        let mut broker = settings.broker.clone().unwrap_or_else(|| daemons.clone());
        broker.client_id = format!("{}-{channel}", daemons.client_id);
        Self { settings, broker, protocol: Protocol::Five }
    }

    /// One attempt, by the protocol that worked last, else by the other one.
    pub fn send(&mut self, notification: &Notification, around: &Around) -> Outcome {
        let payload = match &self.settings.payload {
            None => template::json(notification, around),
            Some(template) => template::fill(template, notification, around, Content::of(None, template)),
        };
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
        let runtime = runtime
            .map_err(|error| Failure::passing(error.to_string(), "the system refused; alarms are tried again"))?;
        let mut outcome = self.attempt(&runtime, &payload, self.protocol);
        if let Err(Trouble::Protocol) = outcome {
            let other = if self.protocol == Protocol::Five { Protocol::Three } else { Protocol::Five };
            outcome = self.attempt(&runtime, &payload, other);
            if outcome.is_ok() {
                self.protocol = other;
            }
        }
        runtime.shutdown_background();
        outcome.map_err(|trouble| self.failure(trouble))
    }

    fn attempt(&self, runtime: &tokio::runtime::Runtime, payload: &str, protocol: Protocol) -> Result<String, Trouble> {
        runtime.block_on(async {
            tokio::time::timeout(TIME_OUT, self.publish(payload, protocol)).await.unwrap_or(Err(Trouble::Silent))
        })
    }

    async fn publish(&self, payload: &str, protocol: Protocol) -> Result<String, Trouble> {
        let options = LinkOptions { broker: self.broker.clone(), will_topic: None };
        let (mut sender, mut poller) =
            mqtt::open(&options, protocol).map_err(|error| Trouble::Setup(error.to_string()))?;
        let publish = Publish {
            topic: self.settings.topic.clone(),
            payload: payload.as_bytes().to_vec(),
            qos: 1,
            retain: false,
            expiry: None,
        };
        let mut publish = Some(publish);
        loop {
            match poller.poll().await.map_err(Trouble::from)? {
                Arrived::Connected => {
                    if let Some(publish) = publish.take() {
                        sender.publish(publish, Tag::Answer, None);
                    }
                }
                Arrived::Written(id) => sender.written(id),
                Arrived::Acknowledged(_, said) => {
                    sender.disconnect();
                    let drain = async { while poller.poll().await.is_ok() {} };
                    let _ = tokio::time::timeout(std::time::Duration::from_millis(200), drain).await;
                    return match said {
                        BrokerSaid::Accepted => Ok(format!("PUBACK from {}", self.broker.host)),
                        BrokerSaid::NobodyListens => Err(Trouble::NobodyListens),
                        BrokerSaid::Refused => Err(Trouble::Refused("the publish".to_owned())),
                    };
                }
                _ => {}
            }
        }
    }

    fn failure(&self, trouble: Trouble) -> Failure {
        let host = format!("the broker at {}:{}", self.broker.host, self.broker.port);
        match trouble {
            Trouble::NobodyListens => Failure::passing(
                format!("{host} took it, and nobody listens on `{}`", self.settings.topic),
                "let what should ring or show it subscribe to this topic",
            ),
            Trouble::Refused(what) => Failure::refused(
                format!("{host} refused {what}"),
                "check user, password and the broker's access rules for this topic",
            ),
            Trouble::Setup(why) => Failure::refused(why, "mend the broker's settings of this channel"),
            Trouble::Silent => Failure::passing(
                format!("no acknowledgement from {host} within {} s", TIME_OUT.as_secs()),
                "is the broker alive?",
            ),
            Trouble::Lost(why) => Failure::passing(format!("no connection to {host}: {why}"), "is the broker alive?"),
            Trouble::Protocol => {
                Failure::passing(format!("{host} speaks neither MQTT 5 nor 3.1.1 with us"), "is it a broker?")
            }
        }
    }
}

#[derive(Debug)]
enum Trouble {
    NobodyListens,
    Refused(String),
    Setup(String),
    Silent,
    Lost(String),
    /// It may speak the other protocol.
    Protocol,
}

impl From<Ended> for Trouble {
    fn from(ended: Ended) -> Self {
        match ended {
            Ended::WrongProtocol(_) => Self::Protocol,
            Ended::Lost(why) if why.contains("closed by peer") => Self::Protocol,
            Ended::Refused(why) => Self::Refused(format!("the connection: {why}")),
            Ended::TakenOver => Self::Lost("another client took our client id".to_owned()),
            Ended::Lost(why) => Self::Lost(why),
        }
    }
}

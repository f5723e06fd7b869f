//! Before the first connection: is another daemon at work at this broker?
//!
//! A second daemon with the same client id would throw the first one out, and one with another id
//! would command the same plugs. So the daemon looks first, under an id of its own, for a heartbeat
//! that is not its own and that goes on beating. A heartbeat that stopped (a daemon that was killed,
//! a broker that lost power) stops nobody: only a living one does. A broker that does not answer, or
//! does not let us look, stops nobody either.

use tokio::time::{Duration, timeout};

use crate::config::setup::BrokerSettings;
use crate::wire::{OwnTopics, Subscription};

use super::desk::housekeeping::{BEAT, instance_in};
use super::mqtt::{self, Arrived, LinkOptions, Poller, Protocol, Sender};

/// For the connection and the subscription.
const ANSWER_WITHIN: Duration = Duration::from_secs(2);
/// A kept heartbeat comes with the subscription.
const KEPT_WITHIN: Duration = Duration::from_millis(150);

/// Whether somebody else's heart beats: its instance.
pub async fn for_another(broker: &BrokerSettings, root: &str, ours: &str) -> Option<String> {
    for protocol in [Protocol::Five, Protocol::Three] {
        if let Look::Seen(other) = look(broker, root, ours, protocol).await {
            return other;
        }
    }
    None
}

enum Look {
    /// What there was to see.
    Seen(Option<String>),
    /// The broker did not let us, by this protocol at least.
    Failed,
}

async fn look(broker: &BrokerSettings, root: &str, ours: &str, protocol: Protocol) -> Look {
    let topic = OwnTopics::new(root).daemon();
    let looking = BrokerSettings { client_id: format!("{}-look", broker.client_id), ..broker.clone() };
    let options = LinkOptions { broker: looking, will_topic: None };
    let Ok((mut sender, mut poller)) = mqtt::open(&options, protocol) else {
        return Look::Failed;
    };
    let subscribed = timeout(ANSWER_WITHIN, subscribe(&mut sender, &mut poller, &topic, ours)).await;
    let other = match subscribed {
        Ok(Some(first)) => {
            let kept = match first {
                Some(kept) => Some(kept),
                None => timeout(KEPT_WITHIN, beat(&mut poller, ours, Kept::Counts)).await.ok().flatten(),
            };
            match kept {
                Some(_) => {
                    tracing::info!("a heartbeat of another daemon is kept by the broker; waiting whether it goes on");
                    timeout(BEAT * 2 + Duration::from_secs(1), beat(&mut poller, ours, Kept::DoesNotCount))
                        .await
                        .ok()
                        .flatten()
                }
                None => None,
            }
        }
        _ => return Look::Failed,
    };
    sender.disconnect();
    let _ = timeout(Duration::from_millis(200), async { while poller.poll().await.is_ok() {} }).await;
    Look::Seen(other)
}

/// Subscribes; `Some(Some(_))` if a kept heartbeat came before the answer, `None` if the look failed.
async fn subscribe(sender: &mut Sender, poller: &mut Poller, topic: &str, ours: &str) -> Option<Option<String>> {
    let mut kept = None;
    loop {
        match poller.poll().await.ok()? {
            Arrived::Connected => {
                sender.subscribe(std::iter::once(Subscription { topic: topic.to_owned(), no_local: false }));
            }
            Arrived::Subscribed(taken) if taken == [true] => return Some(kept),
            Arrived::Subscribed(_) => return None,
            Arrived::Message(message) => kept = instance_in(&message.payload).filter(|instance| instance != ours),
            _ => {}
        }
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Kept {
    Counts,
    DoesNotCount,
}

/// The next heartbeat that is not ours.
async fn beat(poller: &mut Poller, ours: &str, kept: Kept) -> Option<String> {
    loop {
        if let Arrived::Message(message) = poller.poll().await.ok()? {
            let counts = !message.retained || kept == Kept::Counts;
            let other = instance_in(&message.payload).filter(|instance| instance != ours);
            if counts && other.is_some() {
                return other;
            }
        }
    }
}

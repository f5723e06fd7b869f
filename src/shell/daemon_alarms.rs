//! Alarms of the daemon itself, not of one tank: the broker, the store, the config.
//!
//! They are few and fixed. Each is raised once, cleared once, told to the channels, logged, shown in
//! metrics and by the API.

use std::collections::BTreeMap;

use crate::control::effect::NoticeKind;
use crate::control::plan::Priority;
use crate::time::Wall;
use crate::wire::metrics::Meters;

use super::notify::message::{Notification, What};

/// One of them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum DaemonAlarm {
    /// No broker for more than a minute.
    BrokerLost,
    /// The broker ends our connections again and again.
    BrokerUnsteady,
    /// Another client uses our client id, or another daemon works at this broker.
    SecondDaemon,
    /// The broker does not let us hear a topic.
    SubscriptionRefused,
    /// The store cannot be written.
    StoreFailing,
    /// The store was damaged at the start.
    StoreDamaged,
    /// A new config was refused.
    ReloadRefused,
    /// A retained request was found and not carried out.
    KeptRequest,
    /// The HTTP service cannot listen.
    NoWeb,
    /// A channel does not deliver what it should.
    ChannelFailing,
    /// The watcher of the heartbeat is not reached.
    HeartbeatFailing,
}

/// The name of the alarm that a channel fails: it is told by another one.
pub const CHANNEL_FAILING: &str = "channel-failing";

impl DaemonAlarm {
    /// Every one.
    pub const ALL: [Self; 11] = [
        Self::BrokerLost,
        Self::BrokerUnsteady,
        Self::SecondDaemon,
        Self::SubscriptionRefused,
        Self::StoreFailing,
        Self::StoreDamaged,
        Self::ReloadRefused,
        Self::KeptRequest,
        Self::NoWeb,
        Self::ChannelFailing,
        Self::HeartbeatFailing,
    ];

    /// Its name.
    pub fn word(self) -> &'static str {
        match self {
            Self::BrokerLost => "broker-lost",
            Self::BrokerUnsteady => "broker-unsteady",
            Self::SecondDaemon => "second-daemon",
            Self::SubscriptionRefused => "subscription-refused",
            Self::StoreFailing => "store-failing",
            Self::StoreDamaged => "store-damaged",
            Self::ReloadRefused => "reload-refused",
            Self::KeptRequest => "kept-request",
            Self::NoWeb => "no-web",
            Self::ChannelFailing => CHANNEL_FAILING,
            Self::HeartbeatFailing => "heartbeat-failing",
        }
    }

    /// Every name.
    pub fn words() -> Vec<&'static str> {
        Self::ALL.iter().map(|alarm| alarm.word()).collect()
    }

    fn priority(self) -> Priority {
        match self {
            Self::BrokerLost
            | Self::ChannelFailing
            | Self::SecondDaemon
            | Self::StoreFailing
            | Self::StoreDamaged
            | Self::SubscriptionRefused => Priority::High,
            Self::BrokerUnsteady | Self::ReloadRefused | Self::KeptRequest | Self::NoWeb | Self::HeartbeatFailing => {
                Priority::Medium
            }
        }
    }

    /// What happens if nobody acts.
    fn consequence(self) -> &'static str {
        match self {
            Self::BrokerLost => {
                "Nothing is heard and nothing can be commanded: plugs with a lease turn off by themselves, the others stay as they are."
            }
            Self::BrokerUnsteady => "At each loss commands wait, and what has a lease may turn off.",
            Self::SecondDaemon => "Two daemons undo each other's commands.",
            Self::SubscriptionRefused => {
                "What these topics say is not heard: it counts as unknown, and what needs it waits."
            }
            Self::StoreFailing => "Control goes on from memory; a restart would lose what is not written.",
            Self::StoreDamaged => "Safe values were taken: latches as set, budgets as spent, holds not known.",
            Self::ReloadRefused => "The old config is at work.",
            Self::NoWeb => "Control goes on without page, metrics and command line.",
            Self::ChannelFailing => "Alarms do not reach people that way.",
            Self::HeartbeatFailing => "Nobody would notice if this daemon were silent.",
            Self::KeptRequest => "It was not carried out; it comes back at every restart of the daemon.",
        }
    }

    /// What to do.
    fn action(self) -> &'static str {
        match self {
            Self::BrokerLost => "Look at the broker, its machine and the network.",
            Self::BrokerUnsteady => {
                "Look at the broker's log; a client with the same id, a rule or a limit may be the cause."
            }
            Self::SecondDaemon => "Stop one of the two, or give each its own client id, root topic and plugs.",
            Self::SubscriptionRefused => "Let the daemon's user read these topics in the broker's access rules.",
            Self::StoreFailing => "Free the disk or mend it.",
            Self::StoreDamaged => "Check the tank, its holds and its trips, and keep the file for a look.",
            Self::ReloadRefused => "Mend the new one with `slackwater check` and reload again.",
            Self::NoWeb => "Free the address or change it.",
            Self::ChannelFailing => "Run `slackwater notify test`, and mend what it says.",
            Self::HeartbeatFailing => "Look at the watcher and the way there.",
            Self::KeptRequest => {
                "Find who publishes requests with the retain flag, and clear the message by an empty retained one on the same topic."
            }
        }
    }
}

/// One that stands.
#[derive(schemars::JsonSchema, Clone, Debug, PartialEq, serde::Serialize)]
pub struct Standing {
    /// Its name.
    pub alarm: &'static str,
    /// How soon somebody must act.
    pub priority: Priority,
    /// Since when.
    pub since: Wall,
    /// What it says.
    pub text: String,
    /// What happens if nobody acts.
    pub consequence: &'static str,
    /// What to do.
    pub action: &'static str,
}

/// Those that stand.
#[derive(Debug, Default)]
pub struct DaemonAlarms {
    standing: BTreeMap<DaemonAlarm, Standing>,
}

impl DaemonAlarms {
    /// Raises it, if it does not stand already; then only its text changes.
    pub fn raise(&mut self, alarm: DaemonAlarm, text: String, now: Wall, meters: &Meters) -> Option<Notification> {
        if let Some(standing) = self.standing.get_mut(&alarm) {
            standing.text = text;
            return None;
        }
        tracing::error!("{}: {text}", alarm.word());
        meters.daemon_alarm(alarm.word(), true);
        let standing = Standing {
            alarm: alarm.word(),
            priority: alarm.priority(),
            since: now,
            text,
            consequence: alarm.consequence(),
            action: alarm.action(),
        };
        let notification = notification(&standing, NoticeKind::Raised);
        self.standing.insert(alarm, standing);
        Some(notification)
    }

    /// Clears it, if it stands.
    pub fn clear(&mut self, alarm: DaemonAlarm, meters: &Meters) -> Option<Notification> {
        let standing = self.standing.remove(&alarm)?;
        tracing::info!("{}: over", alarm.word());
        meters.daemon_alarm(alarm.word(), false);
        Some(notification(&standing, NoticeKind::Cleared))
    }

    /// Those that stand, in order.
    pub fn standing(&self) -> Vec<Standing> {
        self.standing.values().cloned().collect()
    }
}

fn notification(standing: &Standing, what: NoticeKind) -> Notification {
    let (since, text) = (standing.since, standing.text.clone());
    Notification {
        consequence: standing.consequence.to_owned(),
        advice: standing.action.to_owned(),
        ..Notification::plain("daemon", standing.alarm, What::from(what), standing.priority, since, text)
    }
}

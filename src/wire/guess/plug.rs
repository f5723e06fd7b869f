//! Topics that look like one plug: what is left of their names without the words for what they carry.

use std::collections::BTreeMap;

use super::{Finding, Role};

/// One scalar on the broker.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
pub struct Place {
    /// The topic.
    pub topic: String,
    /// RFC 6901; empty: the bare payload.
    pub pointer: String,
}

/// What may be one plug.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Plug {
    /// What its topics have in common.
    pub stem: String,
    /// Where somebody commanded it while it was listened to. Most often nobody did.
    pub command: Option<Place>,
    /// Its relay.
    pub report: Option<Place>,
    /// Its meter.
    pub power: Option<Place>,
    /// Its sign of life.
    pub alive: Option<Place>,
    /// Its uptime.
    pub uptime: Option<Place>,
}

/// Levels that say what a topic carries, not whose it is.
const CARRIES: [&str; 24] = [
    "set",
    "command",
    "cmd",
    "commands",
    "state",
    "states",
    "status",
    "report",
    "relay",
    "switch",
    "meter",
    "power",
    "energy",
    "sensor",
    "telemetry",
    "alive",
    "online",
    "available",
    "availability",
    "connected",
    "uptime",
    "get",
    "output",
    "info",
];

/// Whether a level says what a topic carries.
pub(super) fn carries(level: &str) -> bool {
    CARRIES.contains(&level.to_lowercase().as_str())
}

/// A topic without the levels that say what it carries.
pub fn stem(topic: &str) -> String {
    let levels: Vec<&str> = topic.split('/').filter(|level| !carries(level)).collect();
    if levels.is_empty() { topic.to_owned() } else { levels.join("/") }
}

/// The plugs among what was found: each has at least a relay, a command or a meter.
pub fn plugs(found: &[Finding]) -> Vec<Plug> {
    let mut plugs: BTreeMap<String, Plug> = BTreeMap::new();
    for finding in found {
        let stem = stem(&finding.place.topic);
        let plug = plugs.entry(stem.clone()).or_default();
        plug.stem = stem;
        let slot = match finding.guess.role {
            Role::Command => &mut plug.command,
            Role::Report => &mut plug.report,
            Role::Power(_) => &mut plug.power,
            Role::Alive => &mut plug.alive,
            Role::Uptime => &mut plug.uptime,
            Role::Reading(_) | Role::Contact(_) | Role::Energy => continue,
        };
        slot.get_or_insert_with(|| finding.place.clone());
    }
    plugs.into_values().filter(|plug| plug.command.is_some() || plug.report.is_some() || plug.power.is_some()).collect()
}

//! Our own state as retained JSON: what a wall display, an automation or a person sees on the broker.
//!
//! Each message has a part that matters and a part that only grows old (when it was sampled, watts,
//! the words of a cause). It is published again when the first changes; who publishes also repeats
//! it from time to time. Nothing here is ever read back.

use serde::Serialize;

use crate::control::event::Alive;
use crate::control::plan::{OutputKind, Priority, Switch};
use crate::control::quality::Quality;
use crate::control::status::{AlarmStatus, HoldStatus, Nuisance, OutputStatus, ProofStatus, SignalStatus, TankStatus};
use crate::time::{Wall, Zone};

use super::topics::OwnTopics;

/// One retained message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Shown {
    /// Where.
    pub topic: String,
    /// What.
    pub payload: Vec<u8>,
    /// How many bytes from the start matter: only a change in them is news.
    pub matters: usize,
    /// Whether it must arrive: an alarm, a hold.
    pub important: bool,
}

/// All messages of one tank.
pub fn of_tank(own: &OwnTopics, status: &TankStatus) -> Vec<Shown> {
    let tank = &status.tank;
    let mut all = Vec::with_capacity(status.signals.len() + status.outputs.len() + status.alarms.len() + 2);
    all.push(hold(own.hold(tank), status));
    all.push(summary(own.status(tank), status));
    all.extend(status.alarms.iter().map(|alarm| self::alarm(own.alarm(tank, &alarm.alarm), alarm)));
    all.extend(status.outputs.iter().map(|output| self::output(own.output(tank, &output.output), output)));
    all.extend(status.signals.iter().map(|signal| reading(own.reading(tank, &signal.signal), signal)));
    all
}

/// The topics of one tank, to be cleared when it is gone.
pub fn topics(own: &OwnTopics, status: &TankStatus) -> Vec<String> {
    of_tank(own, status).into_iter().map(|shown| shown.topic).collect()
}

fn time(at: Wall) -> String {
    Zone::UTC.rfc3339(at)
}

fn shown(topic: String, important: bool, matters: &impl Serialize, ages: &impl Serialize) -> Shown {
    let json = |value: serde_json::Result<Vec<u8>>| value.expect("structs of numbers and strings become JSON");
    let mut payload = json(serde_json::to_vec(matters));
    let ages = json(serde_json::to_vec(ages));
    let matters = payload.len() - 1;
    payload.pop();
    if ages.len() > 2 {
        payload.push(b',');
    }
    payload.extend_from_slice(&ages[1..]);
    Shown { topic, payload, matters, important }
}

#[derive(Serialize)]
struct Nothing {}

fn reading(topic: String, signal: &SignalStatus) -> Shown {
    #[derive(Serialize)]
    struct Matters<'a> {
        value: Option<f64>,
        unit: &'a str,
        #[serde(flatten)]
        quality: Quality,
    }
    #[derive(Serialize)]
    struct Ages<'a> {
        text: &'a str,
        sampled_at: Option<String>,
    }
    let value = signal.value.filter(|_| signal.quality.is_usable());
    shown(
        topic,
        false,
        &Matters { value, unit: signal.unit, quality: signal.quality },
        &Ages { text: &signal.text, sampled_at: signal.sampled_at.map(time) },
    )
}

fn output(topic: String, output: &OutputStatus) -> Shown {
    #[derive(Serialize)]
    struct Matters {
        kind: OutputKind,
        wished: Switch,
        decided: Switch,
        layer: &'static str,
        since: String,
        commanded: Option<Switch>,
        proof: ProofStatus,
        reported: Option<Switch>,
        alive: Option<Alive>,
        forced_until: Option<String>,
    }
    #[derive(Serialize)]
    struct Ages<'a> {
        cause: &'a str,
        watts: Option<f64>,
    }
    shown(
        topic,
        false,
        &Matters {
            kind: output.kind,
            wished: output.wished,
            decided: output.decided,
            layer: output.layer,
            since: time(output.since),
            commanded: output.commanded,
            proof: output.proof,
            reported: output.reported,
            alive: output.alive,
            forced_until: output.force.as_ref().map(|force| time(force.until)),
        },
        &Ages { cause: &output.cause, watts: output.watts },
    )
}

fn alarm(topic: String, alarm: &AlarmStatus) -> Shown {
    #[derive(Serialize)]
    struct Matters<'a> {
        state: &'static str,
        active: bool,
        priority: Priority,
        since: Option<String>,
        consequence: &'a str,
        action: &'a str,
        aside: Option<&'a str>,
        until: Option<String>,
        part_of: Option<&'a str>,
        group: Vec<&'a str>,
        nuisance: &'a [Nuisance],
    }
    #[derive(Serialize)]
    struct Ages<'a> {
        text: &'a str,
    }
    let aside = alarm.aside.as_ref();
    let matters = Matters {
        state: alarm.state,
        active: alarm.active,
        priority: alarm.priority,
        since: alarm.since.map(time),
        consequence: &alarm.consequence,
        action: &alarm.action,
        aside: aside.map(|aside| &*aside.why),
        until: aside.and_then(|aside| aside.until).map(time),
        part_of: alarm.part_of.as_deref(),
        group: alarm.group.iter().map(|name| &**name).collect(),
        nuisance: &alarm.nuisance,
    };
    shown(topic, true, &matters, &Ages { text: &alarm.text })
}

#[derive(Serialize)]
struct StandingHold<'a> {
    hold: &'a str,
    by: Option<&'a str>,
    since: Option<String>,
    until: Option<String>,
    overdue: bool,
    hot_until: Option<String>,
}

fn standing(holds: &[HoldStatus]) -> Vec<StandingHold<'_>> {
    holds
        .iter()
        .filter(|hold| hold.active)
        .map(|hold| StandingHold {
            hold: &hold.hold,
            by: hold.by.as_deref(),
            since: hold.since.map(time),
            until: hold.until.map(time),
            overdue: hold.overdue,
            hot_until: hold.hot_until.map(time),
        })
        .collect()
}

fn hold(topic: String, status: &TankStatus) -> Shown {
    #[derive(Serialize)]
    struct Matters<'a> {
        holds: Vec<StandingHold<'a>>,
        caution: Option<&'a str>,
    }
    #[derive(Serialize)]
    struct Ages<'a> {
        pauses: Vec<String>,
        probes: Vec<&'a str>,
        new_water: Vec<&'a str>,
        starting: Vec<String>,
    }
    let starting = status.holds.iter().flat_map(|hold| hold.starting.clone()).collect();
    let pauses = status.holds.iter().filter(|hold| hold.active).flat_map(|hold| hold.pauses.clone()).collect();
    let matters = Matters { holds: standing(&status.holds), caution: status.caution.as_deref() };
    let probes = status.holds.iter().flat_map(|hold| &hold.probes).map(String::as_str).collect();
    let new_water = status.holds.iter().filter_map(|hold| hold.new_water.as_deref()).collect();
    shown(topic, true, &matters, &Ages { pauses, probes, new_water, starting })
}

fn summary(topic: String, status: &TankStatus) -> Shown {
    #[derive(Serialize)]
    struct Matters<'a> {
        tank: &'a str,
        title: &'a str,
        sentence: &'a str,
        alarms: Vec<&'a str>,
        aside: Vec<&'a str>,
        flood: bool,
        holds: Vec<&'a str>,
        trips: Vec<&'a str>,
        not_proven: Vec<&'a str>,
        bypassed: Vec<&'a str>,
        caution: Option<&'a str>,
    }
    let matters = Matters {
        tank: &status.tank,
        title: &status.title,
        sentence: &status.sentence,
        alarms: status.alarms.iter().filter(|alarm| alarm.active).map(|alarm| &*alarm.alarm).collect(),
        aside: status.alarms.iter().filter(|alarm| alarm.aside.is_some()).map(|alarm| &*alarm.alarm).collect(),
        flood: status.alarm_load.flood_since.is_some(),
        holds: status.holds.iter().filter(|hold| hold.active).map(|hold| &*hold.hold).collect(),
        trips: status
            .interlocks
            .iter()
            .filter(|interlock| matches!(interlock.state, "tripped" | "latched"))
            .map(|interlock| &*interlock.interlock)
            .collect(),
        not_proven: status
            .outputs
            .iter()
            .filter(|output| output.proof == ProofStatus::NotProven)
            .map(|output| &*output.output)
            .collect(),
        bypassed: status
            .interlocks
            .iter()
            .filter(|interlock| interlock.bypass.is_some())
            .map(|interlock| &*interlock.interlock)
            .collect(),
        caution: status.caution.as_deref(),
    };
    shown(topic, true, &matters, &Nothing {})
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::ids::Name;
    use crate::control::quality::Fault;
    use crate::control::sentence::tests::quiet_tank;
    use crate::units::Quantity;

    fn signal(value: Option<f64>, quality: Quality, sampled: i64) -> SignalStatus {
        SignalStatus {
            signal: Name::new("water-temp"),
            measures: Quantity::Temperature,
            unit: "°C",
            value,
            highest: None,
            lowest: None,
            quality,
            age: None,
            sampled_at: Some(Wall::from_unix_millis(sampled)),
            text: "25.25 °C".to_owned(),
        }
    }

    #[test]
    fn a_reading_is_news_when_its_value_changes_and_not_when_it_only_grows_older() {
        let first = reading("t".to_owned(), &signal(Some(25.25), Quality::Good, 0));
        let later = reading("t".to_owned(), &signal(Some(25.25), Quality::Good, 60_000));
        let other = reading("t".to_owned(), &signal(Some(25.26), Quality::Good, 0));
        assert_eq!(first.payload[..first.matters], later.payload[..later.matters]);
        assert_ne!(first.payload, later.payload);
        assert_ne!(first.payload[..first.matters], other.payload[..other.matters]);
        assert_eq!(
            std::str::from_utf8(&first.payload).unwrap(),
            r#"{"value":25.25,"unit":"°C","quality":"good","text":"25.25 °C","sampled_at":"1970-01-01T00:00:00.000Z"}"#
        );
    }

    #[test]
    fn a_bad_reading_has_no_value_and_its_reason() {
        let stale = reading("t".to_owned(), &signal(Some(25.25), Quality::Bad(Fault::Stale), 0));
        let value: serde_json::Value = serde_json::from_slice(&stale.payload).unwrap();
        assert_eq!(value["value"], serde_json::Value::Null);
        assert_eq!(value["reason"], "stale");
    }

    #[test]
    fn every_message_is_json() {
        let signals = vec![signal(None, Quality::Bad(Fault::NeverHeard), 0)];
        let status = TankStatus { signals, ..quiet_tank() };
        let all = of_tank(&OwnTopics::new("slackwater"), &status);
        let topics: Vec<_> = all.iter().map(|shown| &*shown.topic).collect();
        assert_eq!(
            topics,
            ["slackwater/lagoon/hold", "slackwater/lagoon/status", "slackwater/lagoon/reading/water-temp"]
        );
        for shown in all {
            serde_json::from_slice::<serde_json::Value>(&shown.payload).unwrap();
        }
    }
}

//! What `check` says of the way alarms take out of the house: what each channel does, and what is left to luck.

use crate::control::plan::Priority;

use super::channel::{Carrier, ChannelSettings, MailTls, NotifySettings, Secret};
use super::notify::is_this_machine;
use super::setup::DaemonSettings;

/// A channel in a line.
pub(super) fn explained(channel: &ChannelSettings) -> String {
    let mut parts = vec![format!("from {} on", channel.least_priority.word())];
    if let Some(repeat) = channel.repeat {
        parts.push(format!("again every {repeat} until acknowledged"));
    }
    if let Some(quiet) = channel.quiet {
        parts.push(format!("only urgent ones from {} to {}, the rest as one afterwards", quiet.from, quiet.until));
    }
    if !channel.send_cleared {
        parts.push("no clearings".to_owned());
    }
    parts.push(format!("at most {} in {}", channel.at_most.0, channel.at_most.1));
    parts.push(format!("what is not delivered in {} is told by the next channel", channel.escalate_after));
    format!("{} by {} to {}: {}", channel.name, channel.by.word(), channel.by.place(), parts.join(", "))
}

/// What proves the way, a line each.
pub(super) fn proofs(notify: &NotifySettings) -> Vec<String> {
    let mut lines = Vec::new();
    if let Some(daily) = &notify.daily {
        let by: Vec<&str> = daily.by.iter().map(|name| &**name).collect();
        lines.push(format!("a word that all is well, or not, every day at {} by {}", daily.at, by.join(", ")));
    }
    if let Some(heartbeat) = &notify.heartbeat {
        let host = heartbeat.url.host().unwrap_or("a URL in a file");
        lines.push(format!("{host} is called every {} while control turns", heartbeat.every));
    }
    lines
}

/// What is left to luck.
pub(super) fn of_notify(daemon: &DaemonSettings) -> Vec<String> {
    let notify = &daemon.notify;
    let mut warnings = Vec::new();
    let channels = &notify.channels;
    match &channels[..] {
        [] => warnings.push(
            "no channel: alarms go to the MQTT topic only, and die with the broker. Write `notify:` so that one reaches a person".to_owned(),
        ),
        [only] => {
            warnings.push(format!(
                "one channel only, `{}`: where it fails nobody hears of an alarm. Write a second one that shares neither service nor network with it",
                only.name
            ));
            if only.quiet.is_some() {
                warnings.push(format!(
                    "the only channel, `{}`, has quiet hours: what is high but not urgent waits until morning. Make urgent what must wake you",
                    only.name
                ));
            }
        }
        several if several.iter().all(|channel| channel.quiet.is_some()) => warnings.push(
            "every channel has quiet hours: what is high but not urgent waits until morning. Make urgent what must wake you".to_owned(),
        ),
        _ => {}
    }
    if !channels.is_empty() && channels.iter().all(|channel| channel.least_priority > Priority::High) {
        warnings.push(
            "no channel takes alarms of priority high: a lost broker or a full disk is told to nobody".to_owned(),
        );
    }
    if !channels.is_empty() && channels.iter().all(|channel| channel.repeat.is_none()) {
        warnings.push(
            "no channel repeats: an alarm that is slept through is told once. Write `repeat: 30 min` at one".to_owned(),
        );
    }
    for channel in channels {
        warnings.extend(of_channel(channel, daemon));
    }
    if !channels.is_empty() && notify.heartbeat.is_none() {
        warnings.push(
            "no `heartbeat`: where this machine dies, nobody is called. Write `heartbeat: { url: ... }` of a watcher outside the house that calls when it stays away".to_owned(),
        );
    }
    if let Some(heartbeat) = &notify.heartbeat
        && heartbeat.url.host().is_some_and(|host| is_this_machine(bare(host)))
    {
        warnings.push("the watcher of the `heartbeat` is this machine: it dies with what it watches".to_owned());
    }
    warnings
}

fn of_channel(channel: &ChannelSettings, daemon: &DaemonSettings) -> Vec<String> {
    let name = &channel.name;
    let mut warnings = Vec::new();
    match &channel.by {
        Carrier::Topic(topic) => match &topic.broker {
            None => warnings.push(format!(
                "channel `{name}` goes by the broker that it should report on: it is silent when that one is lost"
            )),
            Some(broker) if broker.host == daemon.broker.host => warnings.push(format!(
                "channel `{name}` goes by a broker on the same host as the daemon's: both are lost together"
            )),
            Some(broker) if is_this_machine(&broker.host) => warnings.push(here(name)),
            Some(_) => {}
        },
        Carrier::Webhook(webhook) => {
            if webhook.url.host().is_some_and(|host| is_this_machine(bare(host))) {
                warnings.push(here(name));
            } else if matches!(&webhook.url, Secret::Plain(url) if url.starts_with("http://")) {
                warnings.push(format!(
                    "channel `{name}` is not encrypted: what it says and its headers can be read on the way"
                ));
            }
        }
        Carrier::Mail(mail) => {
            if is_this_machine(&mail.host) {
                warnings.push(here(name));
            } else if mail.tls == MailTls::None {
                warnings.push(format!("channel `{name}` is not encrypted: its mails can be read on the way"));
            }
        }
    }
    warnings
}

fn here(name: &str) -> String {
    format!(
        "channel `{name}` leads to this machine: it dies with the daemon's host, unless it hands on what it hears at once"
    )
}

/// A host without its port.
fn bare(host: &str) -> &str {
    if host.starts_with('[') { host.split(']').next().unwrap_or(host) } else { host.split(':').next().unwrap_or(host) }
}

//! The part of `daemon.yaml` about notifications: `notify`, `daily`, `heartbeat`, `public_url`, `timezone`.
//!
//! Nothing is printed here where a secret may stand (URLs, headers). Passwords stand in files of their own.

use std::path::PathBuf;

use crate::control::ids::Name;
use crate::control::plan::Priority;
use crate::time::{DailyWindow, LocalTime, Span};

use super::channel::{
    Carrier, ChannelSettings, DailySettings, HeartbeatSettings, MailSettings, MailTls, NotifySettings, PLACES, Secret,
    TopicSettings, WebhookSettings, host_of,
};
use super::problem::{listed, nearest};
use super::read::{Fields, Item};
use super::setup::BrokerSettings;

/// The keys of `daemon.yaml` that are read here.
pub(super) const KEYS: [&str; 5] = ["notify", "daily", "heartbeat", "public_url", "timezone"];
const CHANNEL_KEYS: [&str; 9] =
    ["webhook", "mail", "topic", "least_priority", "send_cleared", "repeat", "quiet", "at_most", "escalate_after"];
const MAIL_KEYS: [&str; 10] =
    ["host", "port", "tls", "ca_file", "user", "password_file", "from", "to", "subject", "body"];

/// More than this is no limit for a person. [choice]
const MOST_IN_A_TIME: u64 = 1000;

/// Reads it all; `broker` reads the keys of another broker.
pub(super) fn notify(fields: &Fields, broker: impl Fn(&Item) -> BrokerSettings) -> NotifySettings {
    let channels: Vec<ChannelSettings> = fields
        .get("notify")
        .map(|item| item.named().into_iter().filter_map(|(name, item)| channel(name, &item, &broker)).collect())
        .unwrap_or_default();
    let names: Vec<Name> = fields.get("notify").map(|item| item.entry_names()).unwrap_or_default();
    NotifySettings {
        daily: fields.get("daily").and_then(|item| daily(&item, &names)),
        heartbeat: fields.get("heartbeat").and_then(|item| heartbeat(&item)),
        zone: fields.get("timezone").and_then(|item| item.parsed()),
        public_url: fields.get("public_url").and_then(|item| {
            let text = item.text()?.trim_end_matches('/').to_owned();
            if host_of(&text).is_none() || text.contains(['?', '#']) || text.chars().any(char::is_whitespace) {
                item.wrong("this is not where a page can be\nwrite such as `https://tank.example`");
                return None;
            }
            Some(text)
        }),
        channels,
    }
}

fn channel(name: Name, item: &Item, broker: &impl Fn(&Item) -> BrokerSettings) -> Option<ChannelSettings> {
    let fields = item.fields(&CHANNEL_KEYS)?;
    let kinds = ["webhook", "mail", "topic"];
    let given: Vec<&str> = kinds.into_iter().filter(|kind| fields.get(kind).is_some()).collect();
    let by = match given[..] {
        ["webhook"] => fields.get("webhook").and_then(|item| webhook(&item)).map(Carrier::Webhook),
        ["mail"] => fields.get("mail").and_then(|item| mail(&item)).map(Carrier::Mail),
        ["topic"] => fields.get("topic").and_then(|item| topic(&item, broker)).map(Carrier::Topic),
        [] => {
            if !kinds.iter().any(|kind| fields.is_misspelt(kind)) {
                item.wrong("nothing says how it reaches anybody\nwrite one of `webhook: {...}`, `mail: {...}` and `topic: {...}`");
            }
            None
        }
        _ => {
            item.wrong(format!("{} in one channel\nwrite a channel for each", listed(given, "and")));
            None
        }
    };
    let least = Span::from_minutes(1);
    Some(ChannelSettings {
        name,
        least_priority: fields
            .get("least_priority")
            .and_then(|item| item.word(&Priority::WORDS))
            .unwrap_or(Priority::Low),
        send_cleared: fields.get("send_cleared").and_then(|item| item.yes_no()).unwrap_or(true),
        repeat: fields
            .get("repeat")
            .filter(|item| !item.is_word("never"))
            .and_then(|item| item.span(least, Span::from_hours(24))),
        quiet: fields.get("quiet").and_then(|item| window(&item)),
        at_most: fields.get("at_most").and_then(|item| at_most(&item)).unwrap_or((30, Span::from_hours(1))),
        escalate_after: fields.span_or("escalate_after", least, Span::from_hours(2), Span::from_minutes(5)),
        by: by?,
    })
}

fn window(item: &Item) -> Option<DailyWindow> {
    let text = item.text()?;
    let ends = text.split_once("..").and_then(|(from, until)| {
        let (from, until): (LocalTime, LocalTime) = (from.parse().ok()?, until.parse().ok()?);
        (from != until).then_some(DailyWindow { from, until })
    });
    if ends.is_none() {
        item.wrong(format!("`{text}` is not a part of the day\nwrite such as `22:00..07:30`"));
    }
    ends
}

fn at_most(item: &Item) -> Option<(usize, Span)> {
    let text = item.text()?;
    let read = text.split_once(" in ").and_then(|(count, span)| {
        let (count, span): (u64, Span) = (count.trim().parse().ok()?, span.trim().parse().ok()?);
        let sound =
            (1..=MOST_IN_A_TIME).contains(&count) && (Span::from_minutes(1)..=Span::from_hours(24)).contains(&span);
        Some((usize::try_from(count).ok()?, span)).filter(|_| sound)
    });
    if read.is_none() {
        item.wrong(format!(
            "`{text}` is not a number in a time\nwrite such as `20 in 1 h`: 1 to {MOST_IN_A_TIME}, in 1 min to 24 h"
        ));
    }
    read
}

fn webhook(item: &Item) -> Option<WebhookSettings> {
    let fields = item.fields(&["url", "method", "headers", "body"])?;
    let url = fields.need("url", "https://push.example/aquarium").and_then(|item| url(&item, true));
    Some(WebhookSettings {
        method: fields
            .get("method")
            .and_then(|item| item.word(&[("POST", "POST"), ("PUT", "PUT"), ("GET", "GET")]))
            .unwrap_or("POST"),
        headers: fields.get("headers").map(|item| headers(&item)).unwrap_or_default(),
        body: fields.get("body").and_then(|item| template(&item)),
        url: url?,
    })
}

fn heartbeat(item: &Item) -> Option<HeartbeatSettings> {
    let fields = item.fields(&["url", "method", "headers", "every"])?;
    let url = fields.need("url", "https://watch.example/lagoon").and_then(|item| url(&item, false));
    Some(HeartbeatSettings {
        method: fields.get("method").and_then(|item| item.word(&[("GET", "GET"), ("POST", "POST")])).unwrap_or("GET"),
        headers: fields.get("headers").map(|item| headers(&item)).unwrap_or_default(),
        every: fields.span_or("every", Span::from_seconds(10), Span::from_hours(24), Span::from_minutes(5)),
        url: url?,
    })
}

fn daily(item: &Item, channels: &[Name]) -> Option<DailySettings> {
    let fields = item.fields(&["at", "by"])?;
    let names: Vec<&str> = channels.iter().map(|name| &**name).collect();
    let by = fields.need("by", "[phone]").map(|item| {
        let at = item.list().into_iter().filter_map(|item| item.one_of("channel", &names));
        at.map(|at| channels[at].clone()).collect()
    });
    let at = fields.need("at", "08:00").and_then(|item| item.parsed());
    Some(DailySettings { at: at?, by: by? })
}

/// A URL, or the file that it stands in: a path may be a token.
fn url(item: &Item, filled: bool) -> Option<Secret> {
    let read = secret(item)?;
    let Secret::Plain(text) = &read else { return Some(read) };
    let Some(host) = host_of(text).filter(|_| !text.chars().any(char::is_whitespace)) else {
        item.wrong("this is not a URL\nwrite one that begins with `https://` or `http://`");
        return None;
    };
    if host.contains(['{', '}']) {
        item.wrong("a host is not filled in\nwrite places such as `{text}` behind the host only");
        return None;
    }
    if filled {
        template(item);
    }
    Some(read)
}

fn mail(item: &Item) -> Option<MailSettings> {
    let fields = item.fields(&MAIL_KEYS)?;
    let text = |key: &str| fields.get(key).and_then(|item| item.text().map(str::to_owned));
    let tls = fields.get("tls").and_then(|item| item.word(&MailTls::WORDS)).unwrap_or(MailTls::StartTls);
    let login = match (text("user"), text("password_file")) {
        (Some(user), Some(file)) => Some((user, PathBuf::from(file))),
        (None, None) => None,
        _ => {
            item.wrong("a login needs both `user` and `password_file`");
            None
        }
    };
    let host = fields.need("host", "mail.example").and_then(|item| item.text());
    if login.is_some() && tls == MailTls::None && !host.is_some_and(is_this_machine) {
        item.wrong("the password would cross the network for everybody to read\nwrite `tls: starttls` or `tls: from-the-start`");
    }
    let from = fields.need("from", "tank@mail.example").and_then(|item| address(&item));
    let to = fields.need("to", "[keeper@mail.example]");
    let to: Vec<String> = to.map(|item| item.list().iter().filter_map(address).collect()).unwrap_or_default();
    Some(MailSettings {
        port: fields
            .get("port")
            .and_then(|item| item.whole(1, 65_535))
            .and_then(|port| u16::try_from(port).ok())
            .unwrap_or_else(|| tls.usual_port()),
        tls,
        ca_file: text("ca_file").map(PathBuf::from),
        login,
        subject: fields.get("subject").and_then(|item| template(&item)),
        body: fields.get("body").and_then(|item| template(&item)),
        host: host?.to_owned(),
        from: from?,
        to: Some(to).filter(|to| !to.is_empty())?,
    })
}

/// Whether a host is the machine that the daemon runs on.
pub(super) fn is_this_machine(host: &str) -> bool {
    let bare = host.trim_matches(['[', ']']);
    bare == "localhost" || bare.parse::<std::net::IpAddr>().is_ok_and(|address| address.is_loopback())
}

/// A bare mail address: the mail library has the last word when it is used.
fn address(item: &Item) -> Option<String> {
    let text = item.text()?.trim();
    let good = text.split_once('@').is_some_and(|(local, domain)| {
        let plain = |part: &str| {
            !part.is_empty() && part.chars().all(|c| c.is_ascii_graphic() && !"<>,;:\"@()[]\\".contains(c))
        };
        plain(local) && plain(domain)
    });
    if !good {
        item.wrong(format!("`{text}` is not a mail address\nwrite such as `keeper@mail.example`"));
        return None;
    }
    Some(text.to_owned())
}

fn topic(item: &Item, broker: &impl Fn(&Item) -> BrokerSettings) -> Option<TopicSettings> {
    let fields = item.fields(&["topic", "payload", "broker"])?;
    let topic = fields.need("topic", "house/alarms").and_then(|item| {
        let text = item.text()?;
        if text.contains(['+', '#', '\0']) || text.starts_with('$') || text.len() > 1024 {
            item.wrong(format!("`{text}` is not one topic to publish on\nwrite such as `house/alarms`"));
            return None;
        }
        Some(text.to_owned())
    });
    Some(TopicSettings {
        payload: fields.get("payload").and_then(|item| template(&item)),
        broker: fields.get("broker").map(|item| broker(&item)),
        topic: topic?,
    })
}

fn template(item: &Item) -> Option<String> {
    let text = item.text()?;
    for part in text.split('{').skip(1) {
        let Some((field, _)) = part.split_once('}') else { continue };
        let is_word = !field.is_empty() && field.chars().all(|c| c.is_ascii_alphanumeric() || c == '_');
        if is_word && !PLACES.contains(&field) {
            let near = nearest(field, PLACES).map(|near| format!("did you mean `{{{near}}}`? ")).unwrap_or_default();
            item.wrong(format!("`{{{field}}}` is not filled in\n{near}known: {}", listed(PLACES, "and")));
        }
    }
    Some(text.to_owned())
}

fn secret(item: &Item) -> Option<Secret> {
    if !item.is_map() {
        return item.text().map(|text| Secret::Plain(text.to_owned()));
    }
    let file = item.fields(&["file"]).and_then(|fields| fields.need("file", "/etc/slackwater/push-token"));
    file.and_then(|item| item.text()).map(|path| Secret::FromFile(PathBuf::from(path)))
}

fn headers(item: &Item) -> Vec<(String, Secret)> {
    let mut headers = Vec::new();
    for (name, value) in item.pairs() {
        if name.is_empty() || !name.chars().all(|c| c.is_ascii_alphanumeric() || "-_".contains(c)) {
            value.wrong("this is not the name of a header");
            continue;
        }
        headers.extend(secret(&value).map(|value| (name, value)));
    }
    headers
}

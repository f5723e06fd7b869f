//! `daemon.yaml`: the broker, the web service, the data directory, where alarms go.
//!
//! No value is printed here where a secret may stand (URLs, headers). Secrets stay in files of their own.

use std::net::SocketAddr;
use std::path::PathBuf;

use crate::control::ids::Name;
use crate::time::Span;

use super::channel::NotifySettings;
use super::http::http;
use super::notify;
use super::read::Item;
use super::setup::{BrokerSettings, DaemonSettings, HttpSettings, TlsSettings};

const KEYS: [&str; 6] = ["broker", "root", "http", "data_dir", "sample_every", "usual_tank"];
const BROKER_KEYS: [&str; 7] = ["host", "port", "tls", "client_id", "user", "password_file", "keep_alive"];

/// Reads `daemon.yaml`. What is wrong is reported, and the usual stands in for it.
pub(super) fn daemon(file: &Item, tanks: &[Name]) -> DaemonSettings {
    let usual = DaemonSettings {
        broker: BrokerSettings {
            host: "localhost".to_owned(),
            port: 1883,
            tls: None,
            client_id: "slackwater".to_owned(),
            user: None,
            password_file: None,
            keep_alive: Span::from_seconds(5),
        },
        root: "slackwater".to_owned(),
        http: HttpSettings {
            listen: SocketAddr::from(([127, 0, 0, 1], 8480)),
            tokens: Vec::new(),
            names: Vec::new(),
            proxy: None,
        },
        data_dir: PathBuf::from("/var/lib/slackwater"),
        usual_tank: None,
        notify: NotifySettings::default(),
        sample_every: Some(Span::from_minutes(1)),
    };
    let Some(fields) = file.fields(&[&KEYS[..], &notify::KEYS[..]].concat()) else { return usual };
    let text = |item: Item| item.text().map(str::to_owned);
    DaemonSettings {
        broker: fields
            .need("broker", "{ host: localhost }")
            .map_or(usual.broker.clone(), |item| broker(&item, usual.broker.clone())),
        root: fields.get("root").and_then(|item| root(&item)).unwrap_or(usual.root),
        http: fields.get("http").map_or(usual.http.clone(), |item| http(&item, usual.http)),
        data_dir: fields.need("data_dir", "/var/lib/slackwater").and_then(text).map_or(usual.data_dir, PathBuf::from),
        usual_tank: fields
            .get("usual_tank")
            .and_then(|item| item.one_of("tank", &tank_names(tanks)).map(|at| tanks[at].clone())),
        notify: notify::notify(&fields, |item| broker(item, usual.broker.clone())),
        sample_every: match fields.get("sample_every") {
            Some(item) if item.is_word("never") => None,
            Some(item) => item.span(Span::from_seconds(1), Span::from_hours(1)),
            None => usual.sample_every,
        },
    }
}

fn tank_names(tanks: &[Name]) -> Vec<&str> {
    tanks.iter().map(|name| &**name).collect()
}

/// The first level of our own topics.
fn root(item: &Item) -> Option<String> {
    let text = item.text()?;
    if text.contains(['/', '#', '+', '$'])
        || text.chars().any(|c| c.is_whitespace() || c.is_control())
        || text.len() > 48
    {
        item.wrong(format!("`{text}` is not one level of a topic\nwrite one word such as `slackwater`"));
        return None;
    }
    Some(text.to_owned())
}

fn broker(item: &Item, usual: BrokerSettings) -> BrokerSettings {
    let Some(fields) = item.fields(&BROKER_KEYS) else { return usual };
    let text = |key: &str| fields.get(key).and_then(|item| item.text().map(str::to_owned));
    let path = |key: &str| text(key).map(PathBuf::from);
    let tls = fields.get("tls").and_then(|item| tls(&item));
    let port = if tls.is_some() { 8883 } else { usual.port };
    if fields.get("password_file").is_some() && fields.get("user").is_none() {
        item.wrong("a password without a user\nwrite `user: ...` beside `password_file`");
    }
    BrokerSettings {
        host: fields.need("host", "localhost").and_then(|item| item.text().map(str::to_owned)).unwrap_or(usual.host),
        port: fields
            .get("port")
            .and_then(|item| item.whole(1, 65_535))
            .and_then(|port| u16::try_from(port).ok())
            .unwrap_or(port),
        tls,
        client_id: text("client_id").unwrap_or(usual.client_id),
        user: text("user"),
        password_file: path("password_file"),
        // A frozen broker is noticed after about twice this.
        keep_alive: fields.span_or("keep_alive", Span::from_seconds(5), Span::from_minutes(1), usual.keep_alive),
    }
}

fn tls(item: &Item) -> Option<TlsSettings> {
    let fields = item.fields(&["ca_file", "cert_file", "key_file"])?;
    let path = |key: &str| fields.get(key).and_then(|item| item.text()).map(PathBuf::from);
    let client = match (path("cert_file"), path("key_file")) {
        (Some(cert), Some(key)) => Some((cert, key)),
        (None, None) => None,
        _ => {
            item.wrong("a client certificate needs both `cert_file` and `key_file`");
            None
        }
    };
    Some(TlsSettings { ca_file: path("ca_file"), client })
}

//! `daemon.yaml`, and `shared.yaml` for how the home's plugs speak.

use super::outputs::PlugParts;
use super::page::{Page, quoted, scalar};

/// What `daemon.yaml` says.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Daemon {
    /// The broker's host.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// Whether the way there is encrypted.
    pub encrypted: bool,
    /// User and file with the password.
    pub user: Option<(String, Option<String>)>,
    /// Where its data stand.
    pub data_dir: String,
    /// The tank that is meant when none is named.
    pub usual_tank: String,
}

/// `daemon.yaml`.
pub fn daemon(of: &Daemon) -> String {
    let mut page = Page::default();
    page.note(0, "The daemon: broker, page, data, where alarms go. After a change: `slackwater check`, then SIGHUP.");
    page.gap();
    page.line(0, "broker:");
    page.line(1, &format!("host: {}", quoted(&of.host)));
    page.line(1, &format!("port: {}", of.port));
    page.line(1, "client_id: slackwater   # two daemons with one id throw each other out");
    if of.encrypted {
        page.line(1, "tls: {}   # `ca_file: ...` inside for an authority of your own");
    }
    match &of.user {
        None => {
            page.note(1, "No user: whoever reaches this broker can switch the plugs. Give it users, then write");
            page.note(1, "user: slackwater");
            page.note(1, "password_file: /etc/slackwater/broker-password");
        }
        Some((user, file)) => {
            page.line(1, &format!("user: {}", quoted(user)));
            if let Some(file) = file {
                page.line(1, &format!("password_file: {}   # its first line", quoted(file)));
            }
        }
    }
    page.gap();
    page.line(0, "http:");
    page.line(1, "listen: 127.0.0.1:8480   # page, API, metrics; any other address needs `token_file: ...`");
    page.gap();
    page.line(0, &format!("data_dir: {}   # holds, latches and totals survive a kill here", quoted(&of.data_dir)));
    page.line(0, &format!("usual_tank: {}", of.usual_tank));
    page.gap();
    page.note(
        0,
        "Without a channel alarms go to the MQTT topic only, and die with the broker. Write two that share neither service \
         nor network, and try each with `slackwater notify test`:",
    );
    for line in [
        "notify:",
        "  phone:",
        "    webhook: { url: https://push.example/aquarium, body: '{\"title\":\"{title}\",\"text\":\"{message}\"}', headers: { Content-Type: application/json } }",
        "    least_priority: medium",
        "  mail:",
        "    mail: { host: mail.example, tls: starttls, user: tank@mail.example, password_file: /etc/slackwater/mail-password, from: tank@mail.example, to: [keeper@mail.example] }",
        "    least_priority: high",
    ] {
        page.line(0, &format!("# {line}"));
    }
    page.0
}

/// `shared.yaml` with one way in which the home's plugs speak.
pub fn styles(name: &str, parts: &PlugParts) -> String {
    let mut page = Page::default();
    page.note(
        0,
        "How this home's plugs speak. `{at}` is filled in by each plug that is `like` this one. A lease ends what nobody \
         refreshes, and how long it lasts follows from what hangs on the plug; pumps get none.",
    );
    page.gap();
    page.line(0, "plugs:");
    page.line(1, &format!("{}:", scalar(name)));
    parts.write(&mut page, 2);
    page.0
}

//! A broker's address as a keeper types it: `broker.lan`, `mqtt://broker.lan:1884`, `mqtts://broker.lan`.

use std::path::PathBuf;

use crate::config::setup::{BrokerSettings, TlsSettings};
use crate::time::Span;

/// Which broker, and as whom.
#[derive(Debug, clap::Args)]
pub struct Broker {
    /// The broker: `broker.lan`, `mqtt://broker.lan:1884`, `mqtts://broker.lan` for TLS.
    #[arg(long, value_name = "URL", default_value = "mqtt://localhost")]
    pub broker: String,
    /// The user name.
    #[arg(long, value_name = "NAME")]
    pub user: Option<String>,
    /// A file whose first line is the password. There is no way to type it here, where every program could read it.
    #[arg(long, value_name = "FILE", requires = "user")]
    pub password_file: Option<PathBuf>,
    /// The authority that signed the broker's certificate, PEM; the system's if not given.
    #[arg(long, value_name = "FILE")]
    pub ca_file: Option<PathBuf>,
}

impl Broker {
    /// How to connect to it.
    pub fn settings(&self) -> Result<BrokerSettings, String> {
        let (host, port, encrypted) = parse(&self.broker)?;
        if self.ca_file.is_some() && !encrypted {
            return Err(format!("`--ca-file` is of no use without TLS\n  write `--broker mqtts://{host}`"));
        }
        Ok(BrokerSettings {
            host,
            port,
            tls: encrypted.then(|| TlsSettings { ca_file: self.ca_file.clone(), client: None }),
            // Never the daemon's own id: it would be thrown out.
            client_id: format!("slackwater-listen-{}", std::process::id()),
            user: self.user.clone(),
            password_file: self.password_file.clone(),
            keep_alive: Span::from_seconds(5),
        })
    }
}

/// Host, port, and whether by TLS.
pub fn parse(url: &str) -> Result<(String, u16, bool), String> {
    let (encrypted, rest) = match url.split_once("://") {
        Some(("mqtt", rest)) => (false, rest),
        Some(("mqtts", rest)) => (true, rest),
        Some((scheme, _)) => {
            return Err(format!("`{scheme}` is no way to a broker\n  write `mqtt://...`, or `mqtts://...` for TLS"));
        }
        None => (false, url),
    };
    let rest = rest.strip_suffix('/').unwrap_or(rest);
    if rest.contains('@') {
        return Err(
            "user and password are not written into the address\n  write `--user NAME --password-file FILE`".to_owned()
        );
    }
    let usual = if encrypted { 8883 } else { 1883 };
    let bad_port = |port: &str| format!("`{port}` is no port\n  write a number from 1 to 65535, such as `:{usual}`");
    let (host, port) = match rest.strip_prefix('[').and_then(|inner| inner.split_once(']')) {
        Some((host, port)) => (host, port.strip_prefix(':')),
        None if rest.matches(':').count() > 1 => (rest, None),
        None => rest.split_once(':').map_or((rest, None), |(host, port)| (host, Some(port))),
    };
    let port = match port {
        None => usual,
        Some(port) => port.parse().ok().filter(|port| *port > 0).ok_or_else(|| bad_port(port))?,
    };
    if host.is_empty() || host.contains(['/', ' ', '?', '#']) {
        return Err(format!("`{host}` is no host\n  write such as `mqtt://broker.lan:1883`"));
    }
    Ok((host.to_owned(), port, encrypted))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_are_read_as_keepers_type_them() {
        let sound = |host: &str, port, encrypted| Ok((host.to_owned(), port, encrypted));
        for (url, expected) in [
            ("localhost", sound("localhost", 1883, false)),
            ("broker.lan:1884", sound("broker.lan", 1884, false)),
            ("mqtt://10.0.0.7", sound("10.0.0.7", 1883, false)),
            ("mqtts://broker.lan/", sound("broker.lan", 8883, true)),
            ("mqtt://[::1]:1885", sound("::1", 1885, false)),
            ("::1", sound("::1", 1883, false)),
        ] {
            assert_eq!(parse(url), expected, "{url}");
        }
        for (url, part) in [
            ("http://broker", "`http` is no way"),
            ("mqtt://a:b@broker", "--password-file"),
            ("broker:99999", "is no port"),
            ("broker:0", "is no port"),
            ("mqtt://", "is no host"),
            ("mqtt://a/b", "is no host"),
        ] {
            assert!(parse(url).unwrap_err().contains(part), "{url}: {:?}", parse(url));
        }
    }
}

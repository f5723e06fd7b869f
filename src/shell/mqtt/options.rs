//! What both protocols need to know before they connect.

use std::fmt;
use std::sync::Arc;
use std::time::Duration;

use rumqttc::{TlsConfiguration, Transport};
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};

use crate::config::setup::{BrokerSettings, TlsSettings};
use crate::shell::secrets;

/// How to connect, and as whom.
#[derive(Clone, Debug)]
pub struct LinkOptions {
    /// The broker, from the config.
    pub broker: BrokerSettings,
    /// Where the will says `false`; `None`: no will, for one who only looks.
    pub will_topic: Option<String>,
}

/// Why a connection cannot even be tried.
#[derive(Debug)]
pub struct ConnectError(String);

impl fmt::Display for ConnectError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for ConnectError {}

impl LinkOptions {
    /// The host as an address wants it: a bare IPv6 address in brackets, except where a certificate names it.
    pub(super) fn host(&self) -> String {
        let host = &self.broker.host;
        let bare = host.contains(':') && !host.starts_with('[') && self.broker.tls.is_none();
        if bare { format!("[{host}]") } else { host.clone() }
    }

    /// At least 5 s: for less the library panics. A frozen broker is noticed after twice this.
    pub(super) fn keep_alive(&self) -> Duration {
        Duration::from_secs(self.broker.keep_alive.millis().div_ceil(1000).clamp(5, 60))
    }

    /// User and password.
    pub(super) fn login(&self) -> Result<Option<(String, String)>, ConnectError> {
        let password = match &self.broker.password_file {
            None => String::new(),
            Some(path) => secrets::first_line(path).map_err(|error| ConnectError(error.to_string()))?,
        };
        Ok(self.broker.user.clone().map(|user| (user, password)))
    }

    /// Plain or encrypted.
    pub(super) fn transport(&self) -> Result<Transport, ConnectError> {
        match &self.broker.tls {
            None => Ok(Transport::tcp()),
            Some(tls) => Ok(Transport::tls_with_config(configuration(tls)?)),
        }
    }
}

fn configuration(tls: &TlsSettings) -> Result<TlsConfiguration, ConnectError> {
    let Some(ca_file) = &tls.ca_file else {
        if tls.client.is_some() {
            let why =
                "a client certificate needs `ca_file` too\n  name the authority that signed the broker's certificate";
            return Err(ConnectError(why.to_owned()));
        }
        return Ok(TlsConfiguration::default());
    };
    let bad = |path: &std::path::Path, why: &dyn fmt::Display| {
        ConnectError(format!("cannot use the certificate or key `{}`: {why}\n  it must be PEM", path.display()))
    };
    let place = |path: &std::path::Path| secrets::place(path).map_err(|error| ConnectError(error.to_string()));
    let certificates = |path: &std::path::Path| -> Result<Vec<CertificateDer<'static>>, ConnectError> {
        let list: Result<Vec<_>, _> =
            CertificateDer::pem_file_iter(place(path)?).map_err(|error| bad(path, &error))?.collect();
        list.map_err(|error| bad(path, &error))
    };
    let mut roots = rustls::RootCertStore::empty();
    for certificate in certificates(ca_file)? {
        roots.add(certificate).map_err(|error| bad(ca_file, &error))?;
    }
    if roots.is_empty() {
        return Err(bad(ca_file, &"no certificate in it"));
    }
    let builder = rustls::ClientConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|error| ConnectError(error.to_string()))?
        .with_root_certificates(roots);
    let config = match &tls.client {
        None => builder.with_no_client_auth(),
        Some((certificate, key)) => {
            let chain = certificates(certificate)?;
            let private = PrivateKeyDer::from_pem_file(place(key)?).map_err(|error| bad(key, &error))?;
            builder.with_client_auth_cert(chain, private).map_err(|error| bad(certificate, &error))?
        }
    };
    Ok(TlsConfiguration::Rustls(Arc::new(config)))
}

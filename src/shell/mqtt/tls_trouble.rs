//! Why encryption to the broker failed, in words that say what to mend.
//!
//! Duty: to find the TLS library's own error inside the client library's, and to say what it means
//! to whoever made the certificates. What is not known here keeps the library's words.

use std::error::Error;
use std::io;

use rumqttc::v5::StateError;
use rustls::{AlertDescription, CertificateError};

/// What to say of it; `None`: it was not TLS that failed.
pub(super) fn of(error: &(dyn Error + 'static)) -> Option<String> {
    inside(error).map(words)
}

fn inside<'e>(error: &'e (dyn Error + 'static)) -> Option<&'e rustls::Error> {
    let mut next = Some(error);
    while let Some(error) = next {
        if let Some(found) = error.downcast_ref::<rustls::Error>() {
            return Some(found);
        }
        next = hidden(error).or_else(|| error.source());
    }
    None
}

/// What an error was made of and does not tell as its `source`: I/O errors, and the client library's own.
fn hidden<'e>(error: &'e (dyn Error + 'static)) -> Option<&'e (dyn Error + 'static)> {
    if let Some(io) = error.downcast_ref::<io::Error>() {
        return io.get_ref().map(|inner| -> &'e (dyn Error + 'static) { inner });
    }
    match error.downcast_ref::<StateError>() {
        Some(StateError::Deserialization(inner)) => Some(inner),
        _ => None,
    }
}

fn words(error: &rustls::Error) -> String {
    match error {
        rustls::Error::InvalidCertificate(why) => certificate(why),
        rustls::Error::AlertReceived(alert) => alerted(*alert),
        rustls::Error::InvalidMessage(_) => {
            "the broker does not answer in TLS\n  is this the port of its encrypted listener (8883 as a rule), or should `tls` not stand in daemon.yaml?".to_owned()
        }
        other => format!("the encryption to the broker failed: {other}"),
    }
}

fn certificate(why: &CertificateError) -> String {
    match why {
        CertificateError::UnknownIssuer | CertificateError::BadSignature => {
            "the broker's certificate is not signed by the authority in `ca_file`\n  name the certificate of the authority that signed it, or find out who answers there in the broker's place".to_owned()
        }
        CertificateError::Expired | CertificateError::ExpiredContext { .. } => format!(
            "the broker's certificate has expired ({why})\n  make a new one for the broker; if it has not, this machine's clock is wrong"
        ),
        CertificateError::NotValidYet | CertificateError::NotValidYetContext { .. } => format!(
            "the broker's certificate is not valid yet ({why})\n  is this machine's clock right? A small board without a battery wakes in the past"
        ),
        CertificateError::NotValidForName | CertificateError::NotValidForNameContext { .. } => format!(
            "the broker's certificate is for another name ({why})\n  write in `host` a name that stands in the certificate's subjectAltName, or make one that names this host"
        ),
        other => format!("the broker's certificate is not taken: {other}"),
    }
}

fn alerted(alert: AlertDescription) -> String {
    match alert {
        AlertDescription::CertificateRequired | AlertDescription::HandshakeFailure => {
            "the broker wants a certificate of ours\n  give `cert_file` and `key_file` in `tls`, signed by the authority that the broker trusts".to_owned()
        }
        AlertDescription::UnknownCA
        | AlertDescription::BadCertificate
        | AlertDescription::DecryptError
        | AlertDescription::CertificateUnknown
        | AlertDescription::UnsupportedCertificate
        | AlertDescription::AccessDenied => format!(
            "the broker does not take our certificate ({alert:?})\n  `cert_file` must be signed by the authority that the broker trusts (its `cafile`)"
        ),
        AlertDescription::CertificateExpired | AlertDescription::CertificateRevoked => format!(
            "our certificate is not valid any more ({alert:?})\n  make a new one for `cert_file` and `key_file`"
        ),
        other => format!("the broker ended the encryption: {other:?}"),
    }
}

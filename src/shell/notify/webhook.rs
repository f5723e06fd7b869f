//! By HTTP: any service that takes a request fits.
//!
//! Duty: one request a notification, with its id as `Idempotency-Key`; a redirect is not followed, for it
//! would carry headers to somebody else. Only the host of a URL is ever said.

use crate::config::channel::{Secret, WebhookSettings, host_of};

use super::message::{Around, Notification};
use super::template::{self, Content};
use super::way::{Failure, Outcome, TIME_OUT, reveal, scrub};

/// A receiver.
pub struct Webhook {
    settings: WebhookSettings,
    agent: ureq::Agent,
}

impl Webhook {
    /// With connections of its own.
    pub fn new(settings: WebhookSettings) -> Self {
        Self { settings, agent: agent() }
    }

    /// One attempt.
    pub fn send(&self, notification: &Notification, around: &Around) -> Outcome {
        let settings = &self.settings;
        let url = reveal(&settings.url)?;
        let filled = template::fill(&url, notification, around, Content::Form);
        let headers = revealed(&settings.headers)?;
        let content_type =
            headers.iter().find(|(name, _)| name.eq_ignore_ascii_case("content-type")).map(|(_, value)| value.clone());
        let (body, usual_type) = match (&settings.body, settings.method) {
            (_, "GET") => (String::new(), None),
            (None, _) => (template::json(notification, around), Some(Content::Json.usual_type())),
            (Some(body), _) => {
                let content = Content::of(content_type.as_deref(), body);
                (template::fill(body, notification, around, content), Some(content.usual_type()))
            }
        };
        let mut all = headers;
        all.push(("Idempotency-Key".to_owned(), notification.id()));
        if let (None, Some(usual)) = (&content_type, usual_type) {
            all.push(("Content-Type".to_owned(), usual.to_owned()));
        }
        let mut secrets = vec![url, filled.clone()];
        secrets.extend(settings.headers.iter().filter_map(|(_, secret)| reveal(secret).ok()));
        call(&self.agent, settings.method, &filled, &all, body, &secrets)
    }
}

/// Connections with a time-out, without redirects.
pub fn agent() -> ureq::Agent {
    ureq::Agent::config_builder()
        .timeout_global(Some(TIME_OUT))
        .max_redirects(0)
        .max_redirects_will_error(false)
        .http_status_as_error(false)
        .user_agent(concat!("slackwater/", env!("CARGO_PKG_VERSION")))
        .build()
        .into()
}

/// Header lines with their secrets.
pub fn revealed(headers: &[(String, Secret)]) -> Result<Vec<(String, String)>, Failure> {
    headers.iter().map(|(name, value)| Ok((name.clone(), reveal(value)?))).collect()
}

/// One request; what is said of it has none of the secrets.
pub fn call(
    agent: &ureq::Agent,
    method: &str,
    url: &str,
    headers: &[(String, String)],
    body: String,
    secrets: &[String],
) -> Outcome {
    let host = host_of(url).unwrap_or("the receiver").to_owned();
    let mut request = ureq::http::Request::builder().method(method).uri(url);
    for (name, value) in headers {
        request = request.header(name, value);
    }
    let answer = if method == "GET" {
        request.body(()).map(|request| agent.run(request))
    } else {
        request.body(body).map(|request| agent.run(request))
    };
    // A header or URL that cannot be written: its text is a secret, and so is why.
    let answer = answer.map_err(|_| {
        Failure::refused(
            "a header or the URL has characters that cannot be sent",
            "look at `url` and `headers` of this channel, and at their files",
        )
    })?;
    match answer {
        Ok(response) => judged(response.status().as_u16(), &host),
        Err(error) => Err(failed(&error, &host, secrets)),
    }
}

fn judged(code: u16, host: &str) -> Outcome {
    let said = format!("HTTP {code} from {host}");
    match code {
        200..=299 => Ok(said),
        300..=399 => Err(Failure::refused(said, "the receiver moved: write its new address")),
        401 | 403 | 407 => {
            Err(Failure::refused(said, "the token or password is not taken: mend the header or its file"))
        }
        404 | 410 => Err(Failure::refused(said, "there is nothing at this path: check the URL")),
        408 | 429 => Err(Failure::passing(
            said,
            "too much was sent there: alarms are tried again; lower `at_most` if it goes on",
        )),
        400..=499 => {
            Err(Failure::refused(said, "the request is not what the receiver wants: check method, headers and body"))
        }
        _ => Err(Failure::passing(said, "the receiver is in trouble: alarms are tried again; look whether it goes on")),
    }
}

fn failed(error: &ureq::Error, host: &str, secrets: &[String]) -> Failure {
    match error {
        ureq::Error::Timeout(_) => Failure::passing(
            format!("no answer from {host} within {} s", TIME_OUT.as_secs()),
            "is the receiver alive, and does a firewall let us through?",
        ),
        ureq::Error::HostNotFound => Failure::passing(
            format!("{host} is not found"),
            "check the name, and the way to the internet and to a name server",
        ),
        ureq::Error::Tls(_) | ureq::Error::Rustls(_) | ureq::Error::Pem(_) => Failure::passing(
            format!("no encrypted connection to {host}: {}", scrub(&error.to_string(), secrets)),
            "check the certificate's name and date, and this machine's clock",
        ),
        ureq::Error::Io(io) => Failure::passing(
            format!("no connection to {host}: {}", scrub(&io.to_string(), secrets)),
            "is the receiver alive, and does a firewall let us through?",
        ),
        ureq::Error::BadUri(_) | ureq::Error::Http(_) => {
            Failure::refused("the URL cannot be used", "check `url` of this channel, or its file")
        }
        other => Failure::passing(
            format!("{host}: {}", scrub(&other.to_string(), secrets)),
            "look at the receiver; alarms are tried again",
        ),
    }
}

//! By mail: one message a notification, over a connection of its own.
//!
//! Duty: with `tls: starttls` nothing is said before the connection is encrypted; a server that does not
//! offer it is refused. The id is the Message-ID, so that a mail program shows a second delivery as what it is.

use lettre::message::header::ContentType;
use lettre::message::{Mailbox, Message};
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, Tls, TlsParameters};
use lettre::{SmtpTransport, Transport};

use crate::config::channel::{MailSettings, MailTls, Secret};
use crate::shell::secrets;

use super::message::{Around, Notification};
use super::template::{self, Content};
use super::way::{Failure, Outcome, TIME_OUT, reveal, scrub};

/// A mail account.
pub struct Mail {
    settings: MailSettings,
}

const LOOK_AT_TLS: &str =
    "check `tls`, `port` and `ca_file`, the certificate's name and date, and this machine's clock";

impl Mail {
    /// Nothing is opened before something is to be sent.
    pub fn new(settings: MailSettings) -> Self {
        Self { settings }
    }

    /// One attempt.
    pub fn send(&self, notification: &Notification, around: &Around) -> Outcome {
        let message = self.message(notification, around)?;
        let password = match &self.settings.login {
            Some((_, file)) => Some(reveal(&Secret::FromFile(file.clone()))?),
            None => None,
        };
        let transport = self.transport(password.clone())?;
        let secrets: Vec<String> = password.into_iter().collect();
        match transport.send(&message) {
            Ok(response) => {
                let words: Vec<&str> = response.message().collect();
                let said = scrub(&words.join(" "), &secrets);
                Ok(format!("{} {said} from {}", response.code(), self.settings.host))
            }
            Err(error) => Err(self.failed(&error, &secrets)),
        }
    }

    fn message(&self, notification: &Notification, around: &Around) -> Result<Message, Failure> {
        let settings = &self.settings;
        let bad = |what: &str| {
            let what = format!("`{what}` is not a mail address that can be used");
            Failure::refused(what, "check `from` and `to` of this channel")
        };
        let mailbox = |text: &str| text.parse::<Mailbox>().map_err(|_| bad(text));
        let fill = |template: &Option<String>, usual: String| match template {
            Some(template) => template::fill(template, notification, around, Content::Plain),
            None => usual,
        };
        let subject = fill(&settings.subject, notification.title());
        // A line break would begin another header.
        let subject = subject.split_whitespace().collect::<Vec<_>>().join(" ");
        let mut message = Message::builder()
            .from(mailbox(&settings.from)?)
            .subject(subject)
            .message_id(Some(format!("<{}@slackwater.invalid>", notification.id())))
            .header(ContentType::TEXT_PLAIN);
        for to in &settings.to {
            message = message.to(mailbox(to)?);
        }
        let body = fill(&settings.body, notification.message(around));
        message
            .body(body)
            .map_err(|error| Failure::refused(error.to_string(), "check `from`, `to` and `body` of this channel"))
    }

    fn transport(&self, password: Option<String>) -> Result<SmtpTransport, Failure> {
        let settings = &self.settings;
        let parameters = || -> Result<TlsParameters, Failure> {
            let mut builder = TlsParameters::builder(settings.host.clone());
            if let Some(path) = &settings.ca_file {
                let bad =
                    |why: String| Failure::refused(format!("cannot use `{}`: {why}", path.display()), LOOK_AT_TLS);
                let place = secrets::place(path).map_err(|error| bad(error.to_string()))?;
                let pem = std::fs::read(place).map_err(|error| bad(error.to_string()))?;
                builder =
                    builder.add_root_certificate(Certificate::from_pem(&pem).map_err(|error| bad(error.to_string()))?);
            }
            builder.build().map_err(|error| Failure::refused(error.to_string(), LOOK_AT_TLS))
        };
        let tls = match settings.tls {
            MailTls::StartTls => Tls::Required(parameters()?),
            MailTls::FromTheStart => Tls::Wrapper(parameters()?),
            MailTls::None => Tls::None,
        };
        let mut builder =
            SmtpTransport::builder_dangerous(&settings.host).port(settings.port).tls(tls).timeout(Some(TIME_OUT));
        if let (Some((user, _)), Some(password)) = (&settings.login, password) {
            builder = builder.credentials(Credentials::new(user.clone(), password));
        }
        Ok(builder.build())
    }

    fn failed(&self, error: &lettre::transport::smtp::Error, secrets: &[String]) -> Failure {
        let host = &self.settings.host;
        let said = chain(error, secrets);
        if error.is_timeout() {
            let fix = "is the mail server alive, is it the right port, and does a firewall let us through?";
            return Failure::passing(format!("no answer from {host} within {} s", TIME_OUT.as_secs()), fix);
        }
        let code = error.status().map(|code| code.to_string()).unwrap_or_default();
        match code.as_str() {
            "530" | "534" | "535" | "538" => Failure::refused(
                format!("{host}: {said}"),
                "the login is not taken: check `user` and the password's file",
            ),
            _ if error.is_permanent() => Failure::refused(
                format!("{host}: {said}"),
                "the server does not take this mail: check `from`, `to` and the login",
            ),
            _ if error.is_tls() => Failure::passing(format!("{host}: {said}"), LOOK_AT_TLS),
            _ => Failure::passing(format!("{host}: {said}"), "look at the mail server; alarms are tried again"),
        }
    }
}

/// An error with its causes.
fn chain(error: &dyn std::error::Error, secrets: &[String]) -> String {
    let mut text = error.to_string();
    let mut source = error.source();
    while let Some(cause) = source {
        let words = cause.to_string();
        if !text.contains(&words) {
            text = format!("{text}: {words}");
        }
        source = cause.source();
    }
    scrub(&text, secrets)
}

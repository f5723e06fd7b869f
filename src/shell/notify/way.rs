//! One way out of the house: a thread that delivers one notification at a time and says how it went.
//!
//! Duty: whatever blocks, blocks here. A receiver that hangs costs its own thread [`TIME_OUT`] an attempt
//! and nobody else anything. No secret leaves in what is said of a failure.

use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crate::config::channel::{Carrier, ChannelSettings, Secret};
use crate::config::setup::BrokerSettings;
use crate::shell::{background, secrets};

use super::letter::Letter;
use super::message::{Around, Notification};
use super::mqtt::Topic;
use super::smtp::Mail;
use super::webhook::Webhook;

/// A receiver that does not answer in this time failed.
pub const TIME_OUT: Duration = Duration::from_secs(10);

/// Why an attempt failed, and what to do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Failure {
    /// What is wrong.
    pub why: String,
    /// What to do.
    pub fix: &'static str,
    /// It was refused: the same again will be, until somebody mends something.
    pub refused: bool,
}

impl Failure {
    /// It may work later.
    pub fn passing(why: impl Into<String>, fix: &'static str) -> Self {
        Self { why: why.into(), fix, refused: false }
    }

    /// It will not work as it is.
    pub fn refused(why: impl Into<String>, fix: &'static str) -> Self {
        Self { why: why.into(), fix, refused: true }
    }
}

/// What an attempt came to: what the receiver said, or why not.
pub type Outcome = Result<String, Failure>;

/// How it went, for the office.
#[derive(Debug)]
pub struct Report {
    /// Which channel.
    pub channel: String,
    /// Of which of its threads.
    pub generation: u64,
    /// Which notification.
    pub id: String,
    /// How.
    pub outcome: Outcome,
    /// How long it took.
    pub took: Duration,
}

/// The office's end of a thread.
#[derive(Debug)]
pub struct Way {
    jobs: SyncSender<(Notification, Around)>,
    /// Which thread this is.
    pub generation: u64,
    /// It has one to deliver.
    pub busy: bool,
    thread: JoinHandle<()>,
}

enum Kind {
    Webhook(Webhook),
    Mail(Mail),
    Topic(Box<Topic>),
}

impl Way {
    /// Starts the thread. It ends by itself when this is dropped.
    pub fn start(
        settings: &ChannelSettings,
        broker: &BrokerSettings,
        generation: u64,
        office: SyncSender<Letter>,
    ) -> std::io::Result<Self> {
        let (jobs, inbox) = sync_channel(1);
        let channel = settings.name.to_string();
        let kind = match settings.by.clone() {
            Carrier::Webhook(webhook) => Kind::Webhook(Webhook::new(webhook)),
            Carrier::Mail(mail) => Kind::Mail(Mail::new(mail)),
            Carrier::Topic(topic) => Kind::Topic(Box::new(Topic::new(topic, broker, &settings.name))),
        };
        let thread = background::spawn("notify-way", move || kind.run(&channel, generation, &inbox, &office))?;
        Ok(Self { jobs, generation, busy: false, thread })
    }

    /// Whether its thread ended, which only a mistake in a library does.
    pub fn is_dead(&self) -> bool {
        self.thread.is_finished()
    }

    /// Hands one over; `false`: the thread is gone or has one already.
    pub fn send(&mut self, notification: Notification, around: Around) -> bool {
        self.busy = self.jobs.try_send((notification, around)).is_ok();
        self.busy
    }
}

impl Kind {
    fn run(
        mut self,
        channel: &str,
        generation: u64,
        inbox: &Receiver<(Notification, Around)>,
        office: &SyncSender<Letter>,
    ) {
        while let Ok((notification, around)) = inbox.recv() {
            let begun = Instant::now();
            let outcome = match &mut self {
                Self::Webhook(webhook) => webhook.send(&notification, &around),
                Self::Mail(mail) => mail.send(&notification, &around),
                Self::Topic(topic) => topic.send(&notification, &around),
            };
            let report = Report {
                channel: channel.to_owned(),
                generation,
                id: notification.id(),
                outcome,
                took: begun.elapsed(),
            };
            if office.send(Letter::Carried(report)).is_err() {
                return;
            }
        }
    }
}

/// What a secret is now.
pub fn reveal(secret: &Secret) -> Result<String, Failure> {
    match secret {
        Secret::Plain(text) => Ok(text.clone()),
        Secret::FromFile(path) => secrets::first_line(path)
            .map_err(|error| Failure::refused(error.to_string(), "mend the file of the secret; no restart is needed")),
    }
}

/// A text in which none of these stands any more, nor any long piece of them.
pub fn scrub(text: &str, secrets: &[String]) -> String {
    let mut scrubbed = text.to_owned();
    let pieces = secrets.iter().flat_map(|secret| {
        let parts = secret.split(['/', '?', '&', '=', ' ', ':', '@']).filter(|part| part.len() >= 6);
        std::iter::once(secret.as_str()).chain(parts)
    });
    let mut pieces: Vec<&str> = pieces.filter(|piece| piece.len() >= 4).collect();
    pieces.sort_by_key(|piece| std::cmp::Reverse(piece.len()));
    for piece in pieces {
        scrubbed = scrubbed.replace(piece, "(secret)");
    }
    // One line, and not longer than a person reads.
    scrubbed.split_whitespace().collect::<Vec<_>>().join(" ").chars().take(300).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_said_of_a_failure_has_no_secret_and_no_piece_of_one() {
        let secrets = ["https://push.example/hook/open-sesame?key=barrel".to_owned(), "Bearer opensesame".to_owned()];
        let text = "bad uri https://push.example/hook/open-sesame?key=barrel: opensesame\r\n /hook/open-sesame";
        let said = scrub(text, &secrets);
        assert!(!said.contains("sesame") && !said.contains("barrel") && !said.contains('\n'), "{said}");
    }
}

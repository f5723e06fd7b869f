//! `slackwater listen`: what is on a keeper's broker, and what it may mean.
//!
//! Duty: to subscribe, to listen for a while, and to show topics, samples, rates and guesses. It never publishes
//! anything, and takes a client id of its own, so that it can be run beside the daemon.
//! Exit codes: 0 something was heard, 1 nothing was, 2 misuse, 3 no broker.

mod broker;
mod draft;
mod names;
mod text;

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Duration;

use tokio::time::{Instant, timeout_at};

use crate::config::compose;
use crate::config::marks::CHECK;
use crate::config::setup::BrokerSettings;
use crate::shell::mqtt::{self, Arrived, Ended, LinkOptions, Protocol};
use crate::time::Span;
use crate::wire::Subscription;
use crate::wire::guess;
use crate::wire::overheard::Overheard;

pub use broker::{Broker, parse as broker_address};

use super::run::asked_to_stop;

/// A broker that takes the connection and then says nothing is given up.
const CONNECT_WITHIN: Duration = Duration::from_secs(10);

/// Listens on a broker for a while and shows topics, payloads, rates, and what each may mean.
///
/// Nothing is published. A plug's command topic shows only if somebody commands the plug meanwhile: switch each
/// by hand, lift a float, warm a probe, and see which topic answers. The guesses are for a person to check.
#[derive(Debug, clap::Args)]
pub struct Listen {
    /// Which broker, and as whom.
    #[command(flatten)]
    pub broker: Broker,
    /// How long; Ctrl-C ends it sooner.
    #[arg(long = "for", value_name = "SPAN", default_value = "2 min")]
    pub lasting: Span,
    /// Only topics that this filter takes, such as `lagoon/#`.
    #[arg(long, value_name = "FILTER", default_value = "#")]
    pub topics: String,
    /// The first level of the daemon's own topics, which are left out.
    #[arg(long, value_name = "ROOT", default_value = "slackwater")]
    pub root: String,
    /// Writes a draft of a tank file, with a mark (`# CHECK: ...`) on everything that only a person can know.
    #[arg(long, value_name = "FILE")]
    pub draft: Option<PathBuf>,
    /// Prints JSON.
    #[arg(long)]
    pub json: bool,
}

impl Listen {
    /// Runs the command.
    pub fn run(&self) -> ExitCode {
        let settings = match self.broker.settings() {
            Ok(settings) => settings,
            Err(why) => {
                eprintln!("error: {why}");
                return ExitCode::from(2);
            }
        };
        if !(Span::from_seconds(1)..=Span::from_hours(24)).contains(&self.lasting) {
            eprintln!("error: `--for {}` is not from 1 s to 24 h\n  write such as `--for \"5 min\"`", self.lasting);
            return ExitCode::from(2);
        }
        if let Some(path) = self.draft.as_ref().filter(|path| std::fs::symlink_metadata(path).is_ok()) {
            eprintln!("error: `{}` is there already, and nothing is ever overwritten", path.display());
            return ExitCode::from(2);
        }
        eprintln!(
            "listening on {}:{} for {}; now is the time to switch plugs by hand, to lift floats, to warm probes",
            settings.host, settings.port, self.lasting
        );
        match self.listen(&settings) {
            Ok(overheard) => self.show(&overheard),
            Err(why) => {
                eprintln!("error: {why}");
                ExitCode::from(3)
            }
        }
    }

    /// Listens until the time is over or somebody stops it.
    fn listen(&self, settings: &BrokerSettings) -> Result<Overheard, String> {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .map_err(|error| format!("no runtime: {error}"))?;
        runtime.block_on(async {
            match self.by(settings, Protocol::Five).await {
                Err(Ended::WrongProtocol(_)) => self.by(settings, Protocol::Three).await,
                other => other,
            }
            .map_err(|why| format!("the broker at {}:{}: {why}", settings.host, settings.port))
        })
    }

    fn show(&self, overheard: &Overheard) -> ExitCode {
        let found = guess::all(overheard);
        let plugs = guess::plugs(&found);
        if self.json {
            println!("{:#}", text::json(overheard, &found, &plugs));
        } else {
            print!("{}", text::text(overheard, &found, &plugs));
        }
        let (draft, beyond) = draft::draft(overheard, &found, &plugs);
        if let Some(path) = self.draft.as_ref().filter(|_| overheard.topics().next().is_some()) {
            if beyond > 0 {
                eprintln!("{beyond} devices more do not stand in the draft; narrow `--topics`");
            }
            if let Err(error) = write_draft(path, &compose::tank(&draft)) {
                eprintln!("error: `{}`: {error}", path.display());
                return ExitCode::from(1);
            }
        }
        ExitCode::from(u8::from(overheard.topics().next().is_none()))
    }

    async fn by(&self, settings: &BrokerSettings, protocol: Protocol) -> Result<Overheard, Ended> {
        let options = LinkOptions { broker: settings.clone(), will_topic: None };
        let (mut sender, mut poller) =
            mqtt::open(&options, protocol).map_err(|error| Ended::Refused(error.to_string()))?;
        let mut stop = std::pin::pin!(asked_to_stop());
        let mut overheard = Overheard::default();
        // Kept messages come with the answer to the subscription, or before it.
        let connecting = Instant::now();
        let mut begun: Option<Instant> = None;
        let mut until = Instant::now() + CONNECT_WITHIN;
        loop {
            let arrived = tokio::select! {
                () = stop.as_mut() => return Ok(overheard),
                arrived = timeout_at(until, poller.poll()) => arrived,
            };
            match (arrived, begun) {
                (Err(_), None) => return Err(Ended::Lost("it does not answer".to_owned())),
                (Err(_), Some(_)) => return Ok(overheard),
                (Ok(Err(why)), None) => return Err(why),
                (Ok(Err(why)), Some(_)) => {
                    eprintln!("the broker went away: {why}; here is what was heard until then");
                    return Ok(overheard);
                }
                (Ok(Ok(Arrived::Connected)), _) => {
                    let all = Subscription { topic: self.topics.clone(), no_local: false };
                    sender.subscribe(std::iter::once(all));
                }
                (Ok(Ok(Arrived::Subscribed(taken))), _) => {
                    if let [refused, ..] = &sender.subscribed(&taken)[..] {
                        return Err(Ended::Refused(format!("it does not let this user hear `{refused}`")));
                    }
                    begun = Some(Instant::now());
                    until = Instant::now() + Duration::from_millis(self.lasting.millis());
                }
                (Ok(Ok(Arrived::Message(message))), _) if !is_ours(&message.topic, &self.root) => {
                    let at = u64::try_from(connecting.elapsed().as_millis()).unwrap_or(u64::MAX);
                    overheard.hear(&message.topic, &message.payload, message.retained, Span::from_millis(at));
                }
                (Ok(Ok(_)), _) => {}
            }
        }
    }
}

/// Writes the draft and says how it goes on. To standard error: the output may be JSON.
fn write_draft(path: &Path, text: &str) -> std::io::Result<()> {
    std::fs::File::create_new(path)?.write_all(text.as_bytes())?;
    let path = path.display();
    eprintln!(
        "\nwritten: {path}, with {} marks `{CHECK} ...` for you\nnext\n  slackwater init --draft {path}      puts it into a config directory\n  slackwater check      names what is still to be answered, with its line",
        text.matches(CHECK).count()
    );
    Ok(())
}

/// Whether a topic is the daemon's own.
fn is_ours(topic: &[u8], root: &str) -> bool {
    topic.strip_prefix(root.as_bytes()).is_some_and(|rest| rest.is_empty() || rest[0] == b'/')
}

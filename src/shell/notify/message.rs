//! What people are told, and how it reads: one sentence, what was done, what to do, how to acknowledge.
//!
//! Duty: the same facts for every kind of channel. Each has an id that is made of what it is about, so
//! that a second delivery of the same thing is known by its id, even over a restart.

use serde::{Deserialize, Serialize};

use crate::control::effect::{Measured, Notice, NoticeKind};
use crate::control::plan::Priority;
use crate::time::{Wall, Zone};

/// What people are told.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Notification {
    /// Which tank; `daemon` for what concerns the daemon itself.
    pub tank: String,
    /// The alarm's name, or what else it is.
    pub alarm: String,
    /// How soon somebody must act.
    pub priority: Priority,
    /// What kind of news it is.
    pub what: What,
    /// When the alarm was raised, or when this was made.
    pub since: Wall,
    /// One sentence: what, value with unit and age.
    pub text: String,
    /// The value with unit and age, where one signal is the matter.
    #[serde(default)]
    pub value: String,
    /// What the daemon did, a sentence an output.
    #[serde(default)]
    pub did: Vec<String>,
    /// What happens if nobody acts.
    #[serde(default)]
    pub consequence: String,
    /// What to do.
    #[serde(default)]
    pub advice: String,
    /// Alarms for which it speaks besides.
    #[serde(default)]
    pub group: Vec<String>,
    /// Which time it is said, of what is said several times.
    #[serde(default)]
    pub again: u32,
    /// The channel that did not deliver it, where another one tells it instead.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub instead_of: Option<String>,
    /// The channel that alone carries it, where it is a test of that one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub only: Option<String>,
}

/// What kind of news.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum What {
    /// An alarm came.
    Raised,
    /// It went.
    Cleared,
    /// It stands: said again.
    Reminder,
    /// It stands, and was shelved, suppressed or taken out of service: nobody is called any more.
    Silenced,
    /// What falls due or runs out; no alarm.
    Due,
    /// What was held back, in one.
    Digest,
    /// The daily word.
    Daily,
    /// Somebody tries the channel.
    Test,
}

impl What {
    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            Self::Raised => "raised",
            Self::Cleared => "cleared",
            Self::Reminder => "reminder",
            Self::Silenced => "silenced",
            Self::Due => "due",
            Self::Digest => "digest",
            Self::Daily => "daily",
            Self::Test => "test",
        }
    }

    /// Whether it says that an alarm stands.
    pub fn calls(self) -> bool {
        matches!(self, Self::Raised | Self::Reminder)
    }
}

impl From<NoticeKind> for What {
    fn from(kind: NoticeKind) -> Self {
        match kind {
            NoticeKind::Raised => Self::Raised,
            NoticeKind::Cleared => Self::Cleared,
            NoticeKind::Reminder => Self::Reminder,
            NoticeKind::Silenced => Self::Silenced,
            NoticeKind::Test => Self::Test,
        }
    }
}

/// What the words need besides the notification.
#[derive(Clone, Debug, PartialEq)]
pub struct Around {
    /// Whose local time.
    pub zone: Zone,
    /// Where people reach the page.
    pub public_url: Option<String>,
}

impl Notification {
    /// Something that is neither an alarm's coming nor its going.
    pub fn plain(tank: &str, alarm: &str, what: What, priority: Priority, since: Wall, text: String) -> Self {
        Self {
            tank: tank.to_owned(),
            alarm: alarm.to_owned(),
            priority,
            what,
            since,
            text,
            value: String::new(),
            did: Vec::new(),
            consequence: String::new(),
            advice: String::new(),
            group: Vec::new(),
            again: 0,
            instead_of: None,
            only: None,
        }
    }

    /// What the core says of an alarm. A reminder of the core's counts as a new one each time, by `now`.
    pub fn of_tank(tank: &str, notice: Notice, now: Wall) -> Self {
        let value = notice.value.as_deref().map_or_else(String::new, value_words);
        let what = What::from(notice.what);
        let since = notice.since;
        let again = if what == What::Reminder {
            u32::try_from(now.since(since).millis() / 1000).unwrap_or(u32::MAX)
        } else {
            0
        };
        Self {
            value,
            did: notice.did,
            consequence: notice.consequence,
            advice: notice.action,
            group: notice.group,
            only: notice.only.map(String::from),
            again,
            ..Self::plain(tank, &notice.name, what, notice.priority, since, notice.text)
        }
    }

    /// The same for the same thing, whoever delivers it and however often.
    pub fn id(&self) -> String {
        let again = if self.again > 0 { format!(".{}", self.again) } else { String::new() };
        format!("{}.{}.{}.{}{again}", self.tank, self.alarm, self.since.unix_millis(), self.what.word())
    }

    /// One line: `URGENT lagoon: heater-cutoff-trip raised`.
    pub fn title(&self) -> String {
        let priority = match self.priority {
            Priority::Urgent => "URGENT",
            other => other.word(),
        };
        match self.what {
            What::Raised => format!("{priority} {}: {}", self.tank, self.alarm),
            What::Digest | What::Daily | What::Test => format!("{}: {}", self.tank, self.alarm.replace('-', " ")),
            What::Cleared | What::Reminder | What::Silenced | What::Due => {
                format!("{priority} {}: {} {}", self.tank, self.alarm, self.what.word())
            }
        }
    }

    /// The command that acknowledges it; empty where there is nothing to acknowledge.
    pub fn acknowledge(&self) -> String {
        if self.what.calls() && self.tank != "daemon" {
            format!("slackwater ack {} --tank {}", self.alarm, self.tank)
        } else {
            String::new()
        }
    }

    /// Where people reach the page; empty where nobody said so.
    pub fn link(around: &Around) -> String {
        around.public_url.as_ref().map_or_else(String::new, |url| format!("{url}/"))
    }

    /// All of it, a line a fact.
    pub fn message(&self, around: &Around) -> String {
        let mut lines = Vec::new();
        if let Some(other) = &self.instead_of {
            lines.push(format!("(told here because channel `{other}` did not deliver it)"));
        }
        lines.push(format!("{}: {}", self.tank, self.text));
        let mut line = |label: &str, value: &str| {
            if !value.is_empty() {
                lines.push(format!("{label}: {value}"));
            }
        };
        line("value", &self.value);
        if !matches!(self.what, What::Due | What::Digest | What::Daily | What::Test) {
            line("since", &format!("{} ({})", around.zone.show(self.since), around.zone));
        }
        line("the daemon", &self.did.join("; "));
        if !matches!(self.what, What::Cleared | What::Silenced) {
            line("if nobody acts", &self.consequence);
            line("do", &self.advice);
            line("speaks also for", &self.group.join(", "));
            line("acknowledge", &self.acknowledge());
        }
        line("look", &Self::link(around));
        lines.join("\n")
    }
}

/// A value with its name, unit and age. What is not known is a sentence of its own, which begins with the name.
fn value_words(of: &Measured) -> String {
    let name = if of.text.starts_with(&of.signal) { String::new() } else { format!("{} ", of.signal) };
    let age = of.age.map_or_else(String::new, |age| format!(", {age} ago"));
    format!("{name}{}{age}", of.text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::Span;

    #[test]
    fn a_value_has_its_name_once() {
        let of = |value, text: &str, age| {
            let (signal, unit, text) = ("water-temp".to_owned(), "°C".to_owned(), text.to_owned());
            value_words(&Measured { signal, value, unit, text, age })
        };
        assert_eq!(of(Some(26.4), "26.40 °C", Some(Span::from_seconds(2))), "water-temp 26.40 °C, 2 s ago");
        assert_eq!(of(None, "water-temp is not known (never heard)", None), "water-temp is not known (never heard)");
    }

    #[test]
    fn a_message_says_what_value_since_when_what_was_done_what_to_do_and_how_to_acknowledge() {
        let hot = Notification {
            value: "water-temp 26.41 °C, 2 s ago".to_owned(),
            did: vec!["heater: off, proven 1 s ago".to_owned()],
            consequence: "the water goes on warming".to_owned(),
            advice: "Unplug the heater.".to_owned(),
            ..Notification::plain(
                "lagoon",
                "heater-cutoff-trip",
                What::Raised,
                Priority::Urgent,
                Wall::from_unix_millis(1_774_745_999_000),
                "heater-cutoff tripped: water-temp 26.41 °C is over 26.00 °C".to_owned(),
            )
        };
        let around =
            Around { zone: "Europe/Lisbon".parse().unwrap(), public_url: Some("https://tank.example".to_owned()) };
        assert_eq!(
            hot.message(&around),
            "lagoon: heater-cutoff tripped: water-temp 26.41 °C is over 26.00 °C\n\
             value: water-temp 26.41 °C, 2 s ago\n\
             since: 2026-03-29 00:59:59 (Europe/Lisbon)\n\
             the daemon: heater: off, proven 1 s ago\n\
             if nobody acts: the water goes on warming\n\
             do: Unplug the heater.\n\
             acknowledge: slackwater ack heater-cutoff-trip --tank lagoon\n\
             look: https://tank.example/"
        );
        assert_eq!(hot.title(), "URGENT lagoon: heater-cutoff-trip");
        assert_eq!(hot.id(), hot.clone().id());
        assert_ne!(hot.id(), Notification { again: 1, ..hot.clone() }.id());
        assert_ne!(hot.id(), Notification { what: What::Cleared, ..hot.clone() }.id());
    }
}

//! Reading fault sentences, and saying what would have been possible.

use std::fmt;

use crate::control::plan::{OutputKind, Switch};
use crate::time::Span;
use crate::units::{Amount, Quantity};

use super::catalogue::{Class, POSSIBLE, Subject};
use super::{Catalogue, Fault, KeeperAct, OutputFault, ProbeFault, ReadsAs, TankFault, What};

/// Why a sentence is no fault here. Ends with what to write instead.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FaultError {
    /// The first word is nobody.
    UnknownSubject {
        /// The sentence.
        sentence: String,
        /// The word.
        subject: String,
        /// Who there is.
        known: Vec<String>,
    },
    /// Several tanks have one of that name and none is the usual one.
    Ambiguous {
        /// The sentence.
        sentence: String,
        /// Their full names.
        candidates: Vec<String>,
    },
    /// It cannot do that.
    Impossible {
        /// The sentence.
        sentence: String,
        /// Whose.
        subject: String,
        /// What it can do.
        possible: Vec<&'static str>,
    },
    /// A value or a time is wrong.
    Value {
        /// The sentence.
        sentence: String,
        /// Why, with its fix.
        why: String,
    },
}

impl fmt::Display for FaultError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let list = |names: &[String]| names.iter().map(|name| format!("`{name}`")).collect::<Vec<_>>().join(", ");
        match self {
            Self::UnknownSubject { sentence, subject, .. } if matches!(subject.as_str(), "daemon" | "clock") => write!(
                f,
                "`{sentence}`: the {subject} is a real one here and cannot be played with\n  `slackwater rehearse` and `slackwater drill` play it too"
            ),
            Self::UnknownSubject { sentence, subject, known } => {
                let near = crate::wire::ask::nearest(subject, known.iter().map(String::as_str));
                let near = near.map(|near| format!("; did you mean `{near}`?")).unwrap_or_default();
                write!(f, "`{sentence}`: there is no `{subject}` here{near}\n  begin with one of {}", list(known))
            }
            Self::Ambiguous { sentence, candidates } => {
                write!(f, "`{sentence}`: several tanks have one\n  begin with one of {}", list(candidates))
            }
            Self::Impossible { sentence, subject, possible } => {
                write!(f, "`{sentence}`: `{subject}` cannot do that")?;
                possible.iter().try_for_each(|words| write!(f, "\n  write `{subject} {words}`"))
            }
            Self::Value { sentence, why } => write!(f, "`{sentence}`: {why}"),
        }
    }
}

impl std::error::Error for FaultError {}

impl Catalogue {
    /// Reads a sentence.
    pub fn read(&self, sentence: &str) -> Result<Fault, FaultError> {
        let words: Vec<&str> = sentence.split_whitespace().filter(|word| *word != "the").collect();
        let times = words.iter().position(|word| matches!(*word, "at" | "for")).unwrap_or(words.len());
        let (body, times) = words.split_at(times);
        let whole = sentence.trim().to_owned();
        let (at, lasts) = read_times(times).map_err(|why| FaultError::Value { sentence: whole.clone(), why })?;
        let Some((first, rest)) = body.split_first() else {
            return Err(FaultError::UnknownSubject { sentence: whole, subject: String::new(), known: self.known() });
        };
        let subject = self.find(first, &whole)?;
        let what = match what(subject, rest) {
            Said::Fault(what) => what,
            Said::Wrong(why) => return Err(FaultError::Value { sentence: whole, why }),
            Said::Nothing => {
                let rows = POSSIBLE.iter().filter(|(row, _, _)| subject.class.fits(row));
                let possible = rows.map(|(_, words, _)| *words).collect();
                return Err(FaultError::Impossible { sentence: whole, subject: (*first).to_owned(), possible });
            }
        };
        if lasts.is_some() && what.is_momentary() {
            let why = "it is over as soon as it has happened\n  leave `for` away".to_owned();
            return Err(FaultError::Value { sentence: whole, why });
        }
        Ok(Fault { subject: self.shortest(subject), what, at, lasts })
    }

    fn known(&self) -> Vec<String> {
        self.subjects.iter().filter(|subject| !subject.alias).map(|subject| self.shortest(subject)).collect()
    }

    fn find(&self, word: &str, sentence: &str) -> Result<&Subject, FaultError> {
        let named: Vec<&Subject> = self
            .subjects
            .iter()
            .filter(|subject| subject.name == word || (word.contains('/') && subject.full() == word))
            .collect();
        match named.as_slice() {
            [] => Err(FaultError::UnknownSubject {
                sentence: sentence.to_owned(),
                subject: word.to_owned(),
                known: self.known(),
            }),
            // A probe that tanks share stands here once for each of them, and is one.
            [first, rest @ ..] if rest.iter().all(|other| (other.class, other.index) == (first.class, first.index)) => {
                Ok(first)
            }
            several => {
                let usual = several.iter().find(|subject| subject.tank.is_some() && subject.tank == self.usual);
                usual.copied().ok_or_else(|| FaultError::Ambiguous {
                    sentence: sentence.to_owned(),
                    candidates: several.iter().map(|subject| subject.full()).collect(),
                })
            }
        }
    }
}

/// `at 1 h for 10 min`, in either order, each once.
fn read_times(words: &[&str]) -> Result<(Option<Span>, Option<Span>), String> {
    let (mut at, mut lasts) = (None, None);
    let mut rest = words;
    while let Some((keyword, tail)) = rest.split_first() {
        let end = tail.iter().position(|word| matches!(*word, "at" | "for")).unwrap_or(tail.len());
        let span: Span = tail[..end].join(" ").parse().map_err(|error: crate::time::SpanError| error.to_string())?;
        let slot = if *keyword == "at" { &mut at } else { &mut lasts };
        if slot.replace(span).is_some() {
            return Err(format!("`{keyword}` stands twice\n  leave one away"));
        }
        rest = &tail[end..];
    }
    Ok((at, lasts))
}

enum Said {
    Fault(What),
    /// Understood, but a value in it is wrong.
    Wrong(String),
    Nothing,
}

fn what(subject: &Subject, words: &[&str]) -> Said {
    let index = subject.index;
    let found = match subject.class {
        Class::Output(kind) => {
            if let ["draws", watts @ ..] = words {
                return match Amount::parse(&watts.join(" "), Quantity::Power) {
                    Ok(watts) => Said::Fault(What::Output(index, OutputFault::Draws(watts.value()))),
                    Err(error) => Said::Wrong(error.to_string()),
                };
            }
            return output(kind, words).map_or(Said::Nothing, |fault| Said::Fault(What::Output(index, fault)));
        }
        Class::Contact => contact(words).map(|fault| What::Probe(index, fault)),
        Class::Number(quantity) => return number(index, quantity, words),
        Class::Tank => return tank(index, words),
        Class::Drain => (words == ["clogs"]).then_some(What::Tank(index, TankFault::DrainClogs)),
        Class::Reservoir => match words {
            ["runs", "empty"] | ["empty"] => Some(What::Tank(index, TankFault::ReservoirRunsEmpty)),
            ["is", "refilled"] => Some(What::Tank(index, TankFault::ReservoirIsRefilled)),
            _ => None,
        },
        Class::Room => return room(words),
        Class::Power => matches!(words, ["cut" | "fails"] | ["is", "cut"]).then_some(What::PowerCut),
        Class::Broker => return broker(words),
        Class::Daemon => matches!(words, ["is", "killed"] | ["dies"]).then_some(What::DaemonKilled),
        Class::Clock => return clock(words),
        Class::Keeper => return keeper(index, words),
    };
    found.map_or(Said::Nothing, Said::Fault)
}

fn broker(words: &[&str]) -> Said {
    match words {
        ["vanishes"] | ["is", "lost"] => Said::Fault(What::BrokerVanishes),
        ["doubles", "messages"] => Said::Fault(What::BrokerDoubles),
        ["delays", "messages", "by", by @ ..] => match by.join(" ").parse::<Span>() {
            Ok(by) if by <= Span::from_minutes(10) => Said::Fault(What::BrokerDelays(by)),
            Ok(_) => Said::Wrong("no broker holds messages for so long\n  write at most 10 min".to_owned()),
            Err(error) => Said::Wrong(error.to_string()),
        },
        _ => Said::Nothing,
    }
}

fn clock(words: &[&str]) -> Said {
    let (back, by) = match words {
        ["jumps", "back", by @ ..] => (true, by),
        ["jumps", "ahead", by @ ..] => (false, by),
        _ => return Said::Nothing,
    };
    match by.join(" ").parse::<Span>() {
        Ok(by) => {
            let by = i64::try_from(by.millis()).unwrap_or(i64::MAX);
            Said::Fault(What::ClockJumps(if back { -by } else { by }))
        }
        Err(error) => Said::Wrong(error.to_string()),
    }
}

fn keeper(tank: usize, words: &[&str]) -> Said {
    let act = match words {
        ["feeds"] => KeeperAct::Feeds,
        ["resets"] => KeeperAct::Resets,
        ["changes", litres @ ..] if !litres.is_empty() => match Amount::parse(&litres.join(" "), Quantity::Volume) {
            Ok(litres) if litres.value() > 0.0 => KeeperAct::ChangesWater(litres.value()),
            Ok(_) => return Said::Wrong("nothing is changed by that\n  write more than 0 L".to_owned()),
            Err(error) => return Said::Wrong(error.to_string()),
        },
        _ => return Said::Nothing,
    };
    Said::Fault(What::Keeper(tank, act))
}

fn switch(word: &str) -> Option<Switch> {
    match word {
        "on" => Some(Switch::On),
        "off" => Some(Switch::Off),
        _ => None,
    }
}

fn output(kind: OutputKind, words: &[&str]) -> Option<OutputFault> {
    let words = if words.first() == Some(&"plug") { &words[1..] } else { words };
    Some(match words {
        ["welds"] | ["welds", "on"] => OutputFault::Welds,
        ["stops" | "dies"] | ["burns", "out"] => OutputFault::Stops,
        ["jams"] => OutputFault::Jams,
        ["ignores", "commands"] => OutputFault::PlugIgnores(None),
        ["ignores", to] => OutputFault::PlugIgnores(Some(switch(to)?)),
        ["vanishes"] => OutputFault::PlugVanishes,
        ["reboots"] => OutputFault::PlugReboots(None),
        ["reboots", to] => OutputFault::PlugReboots(Some(switch(to)?)),
        ["is", "switched", to] => OutputFault::Pressed(switch(to)?),
        ["forgets", "its", "lease"] => OutputFault::ForgetsLease,
        ["meter", "freezes"] => OutputFault::MeterFreezes,
        ["siphons"] if kind == OutputKind::TopOff => OutputFault::Siphons,
        ["hose", "comes", "off"] if kind == OutputKind::TopOff => OutputFault::HoseComesOff,
        _ => return None,
    })
}

fn any_probe(words: &[&str]) -> Option<ProbeFault> {
    match words {
        ["freezes"] => Some(ProbeFault::Freezes),
        ["goes", "silent"] => Some(ProbeFault::Silent),
        ["sends", "garbage"] => Some(ProbeFault::Garbage),
        _ => None,
    }
}

fn contact(words: &[&str]) -> Option<ProbeFault> {
    match words {
        ["sticks" | "gets", "wet"] => Some(ProbeFault::Sticks(true)),
        ["sticks", "dry"] => Some(ProbeFault::Sticks(false)),
        _ => any_probe(words),
    }
}

fn number(index: usize, quantity: Quantity, words: &[&str]) -> Said {
    let fault = |fault| Said::Fault(What::Probe(index, fault));
    match words {
        ["is", "lifted", "out"] | ["is", "lifted"] => fault(ProbeFault::Lifted),
        ["reads", value @ .., side @ ("high" | "low")] => {
            match Amount::parse(&value.join(" "), quantity.difference()) {
                Ok(by) => fault(ProbeFault::Shifted(if *side == "high" { by.value() } else { -by.value() })),
                Err(error) => Said::Wrong(error.to_string()),
            }
        }
        ["reads", bare] if bare.parse::<f64>().is_ok_and(f64::is_finite) => {
            fault(ProbeFault::Reads(ReadsAs::Payload(bare.parse().expect("just parsed"))))
        }
        ["reads", value @ ..] if !value.is_empty() => match Amount::parse(&value.join(" "), quantity) {
            Ok(amount) => fault(ProbeFault::Reads(ReadsAs::Value(amount.value()))),
            Err(error) => Said::Wrong(error.to_string()),
        },
        _ => any_probe(words).map_or(Said::Nothing, fault),
    }
}

fn tank(index: usize, words: &[&str]) -> Said {
    match words {
        ["leaks"] => Said::Fault(What::Tank(index, TankFault::Leaks(2.0))),
        ["leaks", rate @ ..] => match Amount::parse(&rate.join(" "), Quantity::Flow) {
            // Canonical is L/min; a leak is told by the hour.
            Ok(rate) => Said::Fault(What::Tank(index, TankFault::Leaks((rate.value() * 60.0 * 1e9).round() / 1e9))),
            Err(error) => Said::Wrong(error.to_string()),
        },
        _ => Said::Nothing,
    }
}

fn room(words: &[&str]) -> Said {
    match words {
        ["warms" | "cools" | "goes", "to", value @ ..] => {
            match Amount::parse(&value.join(" "), Quantity::Temperature) {
                Ok(celsius) => Said::Fault(What::Room(celsius.value())),
                Err(error) => Said::Wrong(error.to_string()),
            }
        }
        _ => Said::Nothing,
    }
}

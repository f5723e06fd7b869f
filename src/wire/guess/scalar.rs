//! One scalar: what it may be by the words of its name, its unit, its values.

use crate::control::sentence::capital;
use crate::units::{Quantity, Unit, units_of};
use crate::wire::overheard::Field;

use super::plug::{Place, carries};
use super::{Guess, Sure, words};

/// What a scalar may be.
#[derive(Clone, Debug, PartialEq)]
pub enum Role {
    /// A probe's number in this unit.
    Reading(&'static Unit),
    /// A float, a leak probe.
    Contact(Contact),
    /// A plug's command topic: somebody commanded it meanwhile.
    Command,
    /// A plug's relay.
    Report,
    /// What a plug draws, in this unit.
    Power(&'static Unit),
    /// What it has drawn: nothing that safety rests on.
    Energy,
    /// Whether a device is there.
    Alive,
    /// How long a device has been up.
    Uptime,
}

/// What a contact may be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Contact {
    /// Wet is too much.
    HighFloat,
    /// Dry is too little.
    LowFloat,
    /// Wet where no water belongs.
    Leak,
    /// A float or another switch.
    Unclear,
}

impl Role {
    /// In words.
    pub fn word(&self) -> &'static str {
        match self {
            Self::Reading(unit) => unit.quantity.noun(),
            Self::Contact(Contact::HighFloat) => "high float",
            Self::Contact(Contact::LowFloat) => "low float",
            Self::Contact(Contact::Leak) => "leak probe",
            Self::Contact(Contact::Unclear) => "contact",
            Self::Command => "plug command",
            Self::Report => "plug report",
            Self::Power(_) => "plug power",
            Self::Energy => "energy",
            Self::Alive => "alive",
            Self::Uptime => "uptime",
        }
    }
}

/// Words that name a quantity, and the units it usually comes in, with the values that a tank has in each.
struct Known {
    quantity: Quantity,
    names: &'static [&'static str],
    /// Symbol, least, greatest. [the widest that a kept tank or its room may show; our choice]
    units: &'static [(&'static str, f64, f64)],
}

const KNOWN: [Known; 8] = [
    Known {
        quantity: Quantity::Temperature,
        names: &["temp", "temperature", "thermometer", "climate"],
        units: &[("°C", 0.0, 45.0), ("°F", 45.1, 120.0)],
    },
    Known {
        quantity: Quantity::Salinity,
        names: &["salinity", "sal", "salt", "psu", "ppt"],
        units: &[("psu", 2.0, 45.0)],
    },
    Known {
        quantity: Quantity::Conductivity,
        names: &["conductivity", "cond", "ec"],
        units: &[("mS/cm", 1.0, 80.0), ("µS/cm", 1000.0, 80_000.0)],
    },
    Known { quantity: Quantity::Ph, names: &["ph"], units: &[("pH", 5.0, 10.0)] },
    Known { quantity: Quantity::Redox, names: &["orp", "redox"], units: &[("mV", 50.0, 700.0), ("V", 0.05, 0.7)] },
    Known { quantity: Quantity::Humidity, names: &["humidity", "hum", "rh"], units: &[("%", 5.0, 100.0)] },
    Known {
        quantity: Quantity::Level,
        names: &["level", "depth", "height", "distance"],
        units: &[("mm", -400.0, 1500.0), ("cm", -40.0, 150.0)],
    },
    Known { quantity: Quantity::Flow, names: &["flow"], units: &[("L/h", 30.0, 20_000.0), ("L/min", 0.0, 30.0)] },
];

/// What devices say of themselves: no use here, and never a reading.
const CHATTER: [&str; 10] =
    ["rssi", "battery", "signal", "version", "firmware", "ip", "mac", "voltage", "current", "counter"];

/// The guess for one scalar; `None`: nothing that the daemon could use.
pub fn guess(place: &Place, field: &Field) -> Option<Guess> {
    let own = if place.pointer.is_empty() { own_words(&place.topic) } else { words(&place.pointer) };
    let all = words(&format!("{}/{}", place.topic, place.pointer));
    if own.iter().any(|word| CHATTER.contains(&word.as_str())) {
        return None;
    }
    two_valued(&own, &all, &own_words(&place.topic), field).or_else(|| number(&own, &all, field))
}

/// The words of the last level, and of those that say what a topic carries: `power/heater`.
fn own_words(topic: &str) -> Vec<String> {
    let last = topic.rsplit('/').next().unwrap_or(topic);
    topic.split('/').filter(|level| *level == last || carries(level)).flat_map(words).collect()
}

fn has(words: &[String], known: &[&str]) -> Option<String> {
    words.iter().find(|word| known.contains(&word.as_str())).cloned()
}

/// Pairs of words that mean yes and no, in whatever case.
pub(super) const PAIRS: [(&str, &str); 12] = [
    ("on", "off"),
    ("1", "0"),
    ("true", "false"),
    ("yes", "no"),
    ("online", "offline"),
    ("alive", "dead"),
    ("up", "down"),
    ("wet", "dry"),
    ("open", "closed"),
    ("high", "low"),
    ("leak", "ok"),
    ("alarm", "normal"),
];

/// The pair that all the texts of a scalar belong to.
pub fn pair(field: &Field) -> Option<(&'static str, &'static str)> {
    let texts = field.words()?;
    PAIRS
        .into_iter()
        .find(|(yes, no)| texts.iter().all(|text| text.eq_ignore_ascii_case(yes) || text.eq_ignore_ascii_case(no)))
}

/// How it spells yes and no; the one that was not heard is spelt in the same case.
pub fn spelling(field: &Field) -> Option<(String, String)> {
    let texts = field.words()?;
    let (yes, no) = pair(field)?;
    let heard = texts.first()?;
    let alike = |word: &str| match () {
        () if heard.chars().all(|c| !c.is_lowercase()) => word.to_uppercase(),
        () if heard.starts_with(char::is_uppercase) => capital(word),
        () => word.to_owned(),
    };
    let spelt =
        |word: &str| texts.iter().find(|text| text.eq_ignore_ascii_case(word)).cloned().unwrap_or_else(|| alike(word));
    Some((spelt(yes), spelt(no)))
}

fn two_valued(own: &[String], all: &[String], carried: &[String], field: &Field) -> Option<Guess> {
    let (yes, no) = pair(field)?;
    let values = format!("it is one of `{yes}` and `{no}`");
    let guess = |role, sure, why: String| Some(Guess { role, sure, because: vec![why, values.clone()] });
    let named = |word: &str| format!("`{word}` is in its name");
    let float = has(all, &["float", "leak", "flood", "wet", "moisture", "sump", "reservoir"]);
    if yes == "online" || yes == "alive" {
        return guess(Role::Alive, Sure::Likely, "devices say so of themselves".to_owned());
    }
    if let Some(word) = has(own, &["alive", "online", "available", "availability", "connected", "reachable"]) {
        return guess(Role::Alive, Sure::Likely, named(&word));
    }
    if let Some(word) = has(all, &["leak", "flood", "moisture"]) {
        return guess(Role::Contact(Contact::Leak), Sure::Likely, named(&word));
    }
    if let Some(word) = has(all, &["float"]).or_else(|| float.filter(|_| yes == "wet" || yes == "1")) {
        let contact = match () {
            () if has(all, &["high", "top", "max", "upper", "full"]).is_some() => Contact::HighFloat,
            () if has(all, &["low", "min", "bottom", "lower", "empty"]).is_some() => Contact::LowFloat,
            () => Contact::Unclear,
        };
        let sure = if contact == Contact::Unclear { Sure::Maybe } else { Sure::Likely };
        return guess(Role::Contact(contact), sure, named(&word));
    }
    if let Some(word) = has(carried, &["set", "command", "cmd"]) {
        return guess(Role::Command, Sure::Likely, named(&word));
    }
    if let Some(word) = has(own, &["relay", "state", "report", "switch", "status", "output", "power", "on"]) {
        let sure = if yes == "on" || word == "relay" { Sure::Likely } else { Sure::Maybe };
        return guess(Role::Report, sure, named(&word));
    }
    match yes {
        "wet" | "leak" | "alarm" => {
            guess(Role::Contact(Contact::Unclear), Sure::Maybe, "only a contact says that".to_owned())
        }
        "on" => guess(Role::Report, Sure::Maybe, "a plug says that".to_owned()),
        _ => None,
    }
}

fn number(own: &[String], all: &[String], field: &Field) -> Option<Guess> {
    if field.numbers == 0 {
        return None;
    }
    let range = if field.least.to_bits() == field.greatest.to_bits() {
        format!("it was {}", field.least)
    } else {
        format!("it was {} to {}", field.least, field.greatest)
    };
    if let Some(word) = has(own, &["uptime", "up", "running", "seconds"]).filter(|_| field.suffix.is_none()) {
        return Some(Guess {
            role: Role::Uptime,
            sure: Sure::Maybe,
            because: vec![format!("`{word}` is in its name"), range],
        });
    }
    if let Some(word) = has(own, &["power", "watt", "watts", "w", "load", "kw"]) {
        let symbol = match field.suffix.as_deref() {
            Some("kW") => "kW",
            _ if word == "kw" => "kW",
            _ => "W",
        };
        return power(symbol, &word, range);
    }
    if let Some(word) = has(own, &["energy", "kwh", "wh", "total"]) {
        let because = vec![format!("`{word}` is in its name"), range];
        return Some(Guess { role: Role::Energy, sure: Sure::Maybe, because });
    }
    if let Some(suffix) = &field.suffix {
        let unit = KNOWN.iter().flat_map(|known| units_of(known.quantity)).find(|unit| unit.is_spelt(suffix))?;
        let because = vec![format!("`{suffix}` stands behind the number"), range];
        return Some(Guess { role: Role::Reading(unit), sure: Sure::Likely, because });
    }
    let named = |words: &[String]| KNOWN.iter().find_map(|known| has(words, known.names).map(|word| (known, word)));
    let (known, word) = named(own).or_else(|| named(all))?;
    let fits = known.units.iter().find(|(_, least, greatest)| field.least >= *least && field.greatest <= *greatest);
    let (symbol, sure) = match fits {
        Some((symbol, ..)) => (*symbol, if named(own).is_some() { Sure::Likely } else { Sure::Maybe }),
        None => (known.units[0].0, Sure::Maybe),
    };
    // A length has no value that gives its unit away, and a small flow may be of either.
    let unclear = matches!(known.quantity, Quantity::Level | Quantity::Flow);
    let unit = units_of(known.quantity).find(|unit| unit.is_spelt(symbol)).unwrap_or(known.quantity.canonical());
    let mut because = vec![format!("`{word}` is in its name"), range];
    if fits.is_none() {
        because.push(format!("no tank has that in {symbol}"));
    }
    Some(Guess { role: Role::Reading(unit), sure: if unclear { Sure::Maybe } else { sure }, because })
}

fn power(symbol: &str, word: &str, range: String) -> Option<Guess> {
    let unit = units_of(Quantity::Power).find(|unit| unit.is_spelt(symbol))?;
    let because = vec![format!("`{word}` is in its name"), range];
    Some(Guess { role: Role::Power(unit), sure: Sure::Likely, because })
}

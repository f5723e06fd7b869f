//! Entries of the log: what happened, when, who says so. Append-only, and the shapes on the disk.

use std::collections::BTreeMap;
use std::fmt;

use crate::time::{Date, Wall};
use crate::units::{Amount, Mass, Quantity, Volume};

/// An entry's number, in the order of noting; never used twice.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, serde::Deserialize, schemars::JsonSchema,
)]
#[serde(transparent)]
pub struct EntryId(pub u64);

impl fmt::Display for EntryId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "#{}", self.0)
    }
}

/// One entry.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Entry {
    /// Its number.
    pub id: EntryId,
    /// Whose.
    pub tank: String,
    /// When it happened.
    pub at: Wall,
    /// When it was noted.
    pub noted: Wall,
    /// Who noted it.
    pub by: String,
    /// The request's own mark: the same request twice is noted once.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub key: Option<String>,
    /// What.
    pub what: What,
}

/// What runs out, and how much of it.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stuff {
    /// A liquid, in litres.
    Litres(f64),
    /// A solid, in grams.
    Grams(f64),
    /// Tests of a reagent.
    Tests(f64),
}

impl Stuff {
    /// The number in the unit of its kind.
    pub fn value(self) -> f64 {
        match self {
            Self::Litres(value) | Self::Grams(value) | Self::Tests(value) => value,
        }
    }

    /// The same kind of stuff, another amount.
    #[must_use]
    pub fn of(self, value: f64) -> Self {
        match self {
            Self::Litres(_) => Self::Litres(value),
            Self::Grams(_) => Self::Grams(value),
            Self::Tests(_) => Self::Tests(value),
        }
    }

    /// Whether both are of one kind.
    pub fn is_like(self, other: Self) -> bool {
        std::mem::discriminant(&self) == std::mem::discriminant(&other)
    }

    /// Reads `9 L`, `12 mL`, `1 gal`, `2 kg`, `12 oz` or `50 tests`.
    pub fn parse(text: &str) -> Result<Self, String> {
        let text = text.trim();
        if let Some(number) = text.strip_suffix("tests").or_else(|| text.strip_suffix("test")) {
            let count: u32 = number.trim().parse().map_err(|_| format!("`{text}` is not a number of tests"))?;
            return Ok(Self::Tests(f64::from(count)));
        }
        if let Ok(amount) = Amount::parse(text, Quantity::Mass) {
            return Mass::from_grams(amount.value()).map(|mass| Self::Grams(mass.grams())).map_err(|e| e.to_string());
        }
        text.parse::<Volume>()
            .map(|volume| Self::Litres(volume.litres()))
            .map_err(|error| format!("{error}, or a mass such as `2 kg`, or `50 tests`"))
    }
}

impl fmt::Display for Stuff {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Litres(value) if value.abs() < 0.9995 => {
                write!(f, "{:.*} mL", usize::from(*value < 0.02), value * 1e3)
            }
            Self::Litres(value) => write!(f, "{value:.2} L"),
            Self::Grams(value) if value.abs() < 1000.0 => write!(f, "{value:.0} g"),
            Self::Grams(value) => write!(f, "{:.2} kg", value / 1e3),
            Self::Tests(value) => write!(f, "{value:.0} tests"),
        }
    }
}

/// A value that was measured.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Measured {
    /// Of what: `alkalinity`, or whatever the keeper calls it.
    pub quantity: String,
    /// In the unit below.
    pub value: f64,
    /// The unit; empty where there is none (pH).
    pub unit: String,
    /// As it was written.
    pub written: String,
    /// The instrument or test.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub with: Option<String>,
    /// The spot.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spot: Option<String>,
    /// What a probe of the same said at that time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub probe: Option<ProbeSaid>,
    /// A remark.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// What a signal said when the keeper measured the same.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct ProbeSaid {
    /// Which signal.
    pub signal: String,
    /// Its value, in the unit of the measurement.
    pub said: f64,
}

/// What happened to an item.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(tag = "change", rename_all = "kebab-case")]
pub enum ItemChange {
    /// It came.
    Added {
        /// What it is, in the keeper's word: coral, fish, heater, probe, reagent, media.
        sort: String,
        /// Where it stands or hangs.
        place: Option<String>,
        /// What stands beside it.
        beside: Option<String>,
        /// The light noted for it, µmol/m²/s, lowest and highest.
        light: Option<(f64, f64)>,
        /// When it is no longer good.
        expires: Option<Date>,
        /// What to do, and on which day.
        reminders: Vec<(String, Date)>,
    },
    /// It moved, from wherever it was to the entry's tank.
    Moved {
        /// Where to.
        place: Option<String>,
        /// Why.
        reason: Option<String>,
        /// What stands beside it there.
        beside: Option<String>,
    },
    /// Something was noted about it.
    Noted {
        /// What.
        text: String,
        /// A reminder that this settles.
        done: Option<String>,
    },
    /// Another light range, expiry or reminder.
    Set {
        /// The light noted for it, µmol/m²/s.
        light: Option<(f64, f64)>,
        /// When it is no longer good.
        expires: Option<Date>,
        /// More to do.
        reminders: Vec<(String, Date)>,
    },
    /// It is gone.
    Retired {
        /// Why.
        reason: Option<String>,
    },
}

/// What an entry says.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum What {
    /// A value was measured.
    Measured(Measured),
    /// Something happened.
    Event {
        /// What.
        text: String,
    },
    /// Water was changed.
    WaterChange {
        /// How much.
        litres: f64,
    },
    /// Something was dosed by hand.
    Dosed {
        /// Of which supply, or of what.
        supply: String,
        /// How much.
        amount: Stuff,
    },
    /// Something was taken out of a supply.
    Used {
        /// Which.
        supply: String,
        /// How much.
        amount: Stuff,
    },
    /// A supply was filled up or replaced.
    Refilled {
        /// Which.
        supply: String,
        /// What went in; `None`: it is full.
        amount: Option<Stuff>,
    },
    /// What is left of a supply was looked at.
    Left {
        /// Which.
        supply: String,
        /// How much.
        amount: Stuff,
    },
    /// What control has counted until then.
    Counted {
        /// Seconds that each output has run in all.
        seconds: BTreeMap<String, f64>,
        /// Litres that each has given in all, where control counts them.
        #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
        litres: BTreeMap<String, f64>,
    },
    /// A chore was done.
    ChoreDone {
        /// Which.
        chore: String,
        /// A remark.
        note: Option<String>,
    },
    /// A chore waits.
    ChorePostponed {
        /// Which.
        chore: String,
        /// Until this day.
        until: Date,
        /// Why.
        reason: String,
    },
    /// The keeper is away.
    Away {
        /// The first day.
        from: Date,
        /// The day of coming back.
        until: Date,
    },
    /// An item.
    Item {
        /// Its name.
        item: String,
        /// What happened to it.
        #[serde(flatten)]
        change: ItemChange,
    },
    /// The light or its schedule was changed.
    LightChanged {
        /// How.
        text: String,
    },
    /// People were told of what is due; so that a restart does not tell it again the same day.
    Told {
        /// Of what.
        subjects: Vec<String>,
    },
    /// An entry was corrected.
    Corrected {
        /// Which.
        of: EntryId,
        /// What it says from now on; `None`: as before.
        to: Option<Box<What>>,
        /// When it happened; `None`: as before.
        at: Option<Wall>,
        /// Why.
        why: Option<String>,
    },
    /// An entry was deleted; it stays in the history.
    Deleted {
        /// Which.
        of: EntryId,
        /// Why.
        why: Option<String>,
    },
}

impl What {
    /// The word of its kind.
    pub fn kind(&self) -> &'static str {
        match self {
            Self::Measured(_) => "measured",
            Self::Event { .. } => "event",
            Self::WaterChange { .. } => "water-change",
            Self::Dosed { .. } => "dosed",
            Self::Used { .. } => "used",
            Self::Refilled { .. } => "refilled",
            Self::Left { .. } => "left",
            Self::Counted { .. } => "counted",
            Self::ChoreDone { .. } => "chore-done",
            Self::ChorePostponed { .. } => "chore-postponed",
            Self::Away { .. } => "away",
            Self::Item { .. } => "item",
            Self::LightChanged { .. } => "light-changed",
            Self::Told { .. } => "told",
            Self::Corrected { .. } => "corrected",
            Self::Deleted { .. } => "deleted",
        }
    }

    /// What the daemon notes for itself, which a keeper need not see in a table.
    pub fn is_bookkeeping(&self) -> bool {
        matches!(self, Self::Counted { .. } | Self::Told { .. } | Self::Corrected { .. } | Self::Deleted { .. })
    }

    /// What it is about: the quantity, supply, chore or item.
    pub fn name(&self) -> &str {
        match self {
            Self::Measured(measured) => &measured.quantity,
            Self::Dosed { supply, .. }
            | Self::Used { supply, .. }
            | Self::Refilled { supply, .. }
            | Self::Left { supply, .. } => supply,
            Self::ChoreDone { chore, .. } | Self::ChorePostponed { chore, .. } => chore,
            Self::Item { item, .. } => item,
            Self::WaterChange { .. } => "water-change",
            _ => "",
        }
    }

    /// One line for people.
    pub fn words(&self) -> String {
        match self {
            Self::Measured(measured) => measured.to_string(),
            Self::Event { text } => text.clone(),
            Self::WaterChange { litres } => format!("water change {litres:.1} L"),
            Self::Dosed { supply, amount } => format!("dosed {amount} of {supply}"),
            Self::Used { supply, amount } => format!("used {amount} of {supply}"),
            Self::Refilled { supply, amount: Some(amount) } => format!("refilled {supply} with {amount}"),
            Self::Refilled { supply, amount: None } => format!("refilled {supply}, full"),
            Self::Left { supply, amount } => format!("{amount} left of {supply}"),
            Self::Counted { seconds, .. } => format!("counts of {} outputs", seconds.len()),
            Self::ChoreDone { chore, note } => format!("chore {chore} done{}", after(note.as_deref())),
            Self::ChorePostponed { chore, until, reason } => format!("chore {chore} postponed to {until}: {reason}"),
            Self::Away { from, until } => format!("away from {from} until {until}"),
            Self::Item { item, change } => change.words(item),
            Self::LightChanged { text } => format!("light changed: {text}"),
            Self::Told { subjects } => format!("told of {}", subjects.join(", ")),
            Self::Corrected { of, to, at, why } => {
                let to = to.as_ref().map(|to| to.words());
                let to = to.or_else(|| at.map(|_| "another time".to_owned())).unwrap_or_default();
                format!("{of} corrected to {to}{}", after(why.as_deref()))
            }
            Self::Deleted { of, why } => format!("{of} deleted{}", after(why.as_deref())),
        }
    }
}

impl fmt::Display for Measured {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.quantity, super::measure::shown(&self.quantity, self.value, &self.unit))?;
        if let Some(spot) = &self.spot {
            write!(f, " at {spot}")?;
        }
        if let Some(with) = &self.with {
            write!(f, " by {with}")?;
        }
        f.write_str(&after(self.note.as_deref()))
    }
}

impl ItemChange {
    fn words(&self, item: &str) -> String {
        let at = |place: &Option<String>| place.as_ref().map_or_else(String::new, |place| format!(" at {place}"));
        let by =
            |beside: &Option<String>| beside.as_ref().map_or_else(String::new, |other| format!(", beside {other}"));
        match self {
            Self::Added { sort, place, beside, .. } => format!("{item} ({sort}) added{}{}", at(place), by(beside)),
            Self::Moved { place, reason, beside } => {
                format!("{item} moved{}{}{}", at(place), by(beside), after(reason.as_deref()))
            }
            Self::Noted { text, done: Some(done) } => format!("{item}: {done} done{}", after(Some(text))),
            Self::Noted { text, done: None } => format!("{item}: {text}"),
            Self::Set { .. } => format!("{item}: what is noted for it was changed"),
            Self::Retired { reason } => format!("{item} retired{}", after(reason.as_deref())),
        }
    }
}

fn after(note: Option<&str>) -> String {
    note.filter(|note| !note.is_empty()).map_or_else(String::new, |note| format!(" ({note})"))
}

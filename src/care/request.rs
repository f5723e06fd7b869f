//! What a keeper may ask, as it comes over the wire: texts with their units, not yet understood.

/// A request with what goes around it.
#[derive(Clone, Debug, PartialEq)]
pub struct Asked {
    /// To which tank.
    pub tank: String,
    /// Who asks.
    pub by: String,
    /// Its own mark.
    pub key: Option<String>,
    /// When it happened, as written; `None`: now.
    pub when: Option<String>,
    /// What is asked.
    pub request: Request,
}

/// What is asked.
#[derive(Clone, Debug, PartialEq, serde::Deserialize, schemars::JsonSchema)]
#[serde(tag = "do", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Request {
    /// Notes a value.
    Measure {
        /// Of what.
        quantity: String,
        /// With its unit.
        value: String,
        /// The instrument or test.
        with: Option<String>,
        /// The spot.
        spot: Option<String>,
        /// The water's temperature, for instruments that depend on it.
        temperature: Option<String>,
        /// A remark.
        note: Option<String>,
    },
    /// Notes that something happened.
    Event {
        /// What.
        text: String,
    },
    /// Notes a water change.
    WaterChange {
        /// How much.
        amount: String,
    },
    /// Notes a dose by hand.
    Dose {
        /// Of which supply, or of what.
        supply: String,
        /// How much.
        amount: String,
    },
    /// Notes that something was taken out of a supply.
    Use {
        /// Which.
        supply: String,
        /// How much.
        amount: String,
    },
    /// Notes what is left of a supply.
    Left {
        /// Which.
        supply: String,
        /// How much.
        amount: String,
    },
    /// Notes that a supply was filled or replaced.
    Refill {
        /// Which.
        supply: String,
        /// What went in; without: it is full.
        amount: Option<String>,
    },
    /// A chore is done.
    Done {
        /// Which.
        chore: String,
        /// A remark.
        note: Option<String>,
    },
    /// A chore waits.
    Postpone {
        /// Which.
        chore: String,
        /// Until this day, or for so long.
        until: String,
        /// Why.
        reason: String,
    },
    /// The keeper is away, `2026-12-20..2027-01-03`.
    Away {
        /// The days.
        days: String,
    },
    /// The light or its schedule was changed.
    LightChanged {
        /// How.
        text: String,
    },
    /// An item came.
    AddItem {
        /// Its name.
        item: String,
        /// What it is.
        sort: String,
        /// Where.
        place: Option<String>,
        /// What stands beside it.
        beside: Option<String>,
        /// The light noted for it: `80..150 µmol/m²/s`.
        light: Option<String>,
        /// No longer good on this day, or after so long.
        expires: Option<String>,
        /// What to do when: `soak 24 h`, `replace after 2 years`.
        #[serde(default)]
        remind: Vec<String>,
    },
    /// An item moved, perhaps to another tank.
    MoveItem {
        /// Its name.
        item: String,
        /// The tank that it moves to; without: it stays in its tank.
        to_tank: Option<String>,
        /// Where to.
        place: Option<String>,
        /// Why.
        reason: Option<String>,
        /// What stands beside it there.
        beside: Option<String>,
    },
    /// Something is noted about an item.
    NoteItem {
        /// Its name.
        item: String,
        /// What.
        text: Option<String>,
        /// A reminder that this settles.
        done: Option<String>,
        /// Another light range.
        light: Option<String>,
        /// Another expiry.
        expires: Option<String>,
        /// More to do.
        #[serde(default)]
        remind: Vec<String>,
    },
    /// An item is gone.
    RetireItem {
        /// Its name.
        item: String,
        /// Why.
        reason: Option<String>,
    },
    /// An entry is corrected.
    Correct {
        /// Its number.
        id: u64,
        /// What it says from now on, as its first value was written.
        value: Option<String>,
        /// Why.
        why: Option<String>,
    },
    /// An entry is deleted; the history keeps it.
    Delete {
        /// Its number.
        id: u64,
        /// Why.
        why: Option<String>,
    },
    /// Entries of a CSV file.
    Import {
        /// Its text.
        csv: String,
    },
}

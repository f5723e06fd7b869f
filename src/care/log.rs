//! The log as people read it: tables, series for plots, the newest value of each quantity.

use crate::time::{Wall, Zone};

use super::entry::{EntryId, What};
use super::measure::shown;
use super::state::Care;

/// One line of the log.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Line {
    /// Its number.
    pub id: EntryId,
    /// When it happened.
    pub at: Wall,
    /// The same in the tank's own time.
    pub local: String,
    /// The word of its kind.
    pub kind: &'static str,
    /// What it is about.
    pub name: String,
    /// What it says.
    pub says: String,
    /// A measured value, or the litres of a water change, in the unit below.
    pub value: Option<f64>,
    /// The unit of the value.
    pub unit: Option<String>,
    /// The spot.
    pub spot: Option<String>,
    /// Who noted it.
    pub by: String,
    /// Whether it was deleted.
    pub deleted: bool,
    /// Its corrections and its deletion, in words, oldest first.
    pub history: Vec<String>,
}

/// Which lines are wanted.
#[derive(Clone, Debug, Default)]
pub struct Wanted {
    /// Only of this name or kind.
    pub name: Option<String>,
    /// Not before.
    pub since: Option<Wall>,
    /// Deleted entries and the daemon's own too.
    pub all: bool,
}

/// The newest value of a quantity.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Newest {
    /// Of what.
    pub quantity: String,
    /// Where.
    pub spot: Option<String>,
    /// In the unit below.
    pub value: f64,
    /// The unit.
    pub unit: String,
    /// When it was measured.
    pub at: Wall,
}

impl Care {
    /// Lines of a tank's log, by the time when they happened.
    pub fn lines(&self, tank: &str, zone: Zone, wanted: &Wanted) -> Vec<Line> {
        let mut lines: Vec<Line> = self
            .all_standing()
            .filter(|standing| standing.tank == tank && wanted.since.is_none_or(|since| standing.at >= since))
            .filter_map(|standing| {
                let first = &self.entry(standing.id)?.what;
                let what = standing.what.as_ref();
                let shown = what.unwrap_or(first);
                let hidden = what.is_none() || shown.is_bookkeeping();
                let fits = |name: &String| shown.name() == name || shown.kind() == name;
                if (hidden && !wanted.all) || !wanted.name.as_ref().is_none_or(fits) {
                    return None;
                }
                let mut history: Vec<String> = Vec::new();
                if !standing.history.is_empty() {
                    history.push(format!("noted first: {}", first.words()));
                }
                history.extend(standing.history.iter().filter_map(|id| {
                    let entry = self.entry(*id)?;
                    Some(format!("{}  {}, by {}", zone.show(entry.noted), entry.what.words(), entry.by))
                }));
                let changed = if let What::WaterChange { litres } = shown { Some(*litres) } else { None };
                let measured = if let What::Measured(measured) = shown { Some(measured) } else { None };
                Some(Line {
                    id: standing.id,
                    at: standing.at,
                    local: zone.show(standing.at)[..16].to_owned(),
                    kind: shown.kind(),
                    name: shown.name().to_owned(),
                    says: shown.words(),
                    value: measured.map(|measured| measured.value).or(changed),
                    unit: measured.map(|measured| measured.unit.clone()).or(changed.map(|_| "L".to_owned())),
                    spot: measured.and_then(|measured| measured.spot.clone()),
                    by: standing.by.clone(),
                    deleted: what.is_none(),
                    history,
                })
            })
            .collect();
        lines.sort_by_key(|line| (line.at, line.id));
        lines
    }

    /// The newest value of each quantity, and of each spot.
    pub fn newest(&self, tank: &str) -> Vec<Newest> {
        let mut newest: Vec<Newest> = Vec::new();
        for (standing, what) in self.in_force(Some(tank)) {
            let What::Measured(measured) = what else { continue };
            newest.retain(|known| known.quantity != measured.quantity || known.spot != measured.spot);
            newest.push(Newest {
                quantity: measured.quantity.clone(),
                spot: measured.spot.clone(),
                value: measured.value,
                unit: measured.unit.clone(),
                at: standing.at,
            });
        }
        newest.sort_by(|a, b| (&a.quantity, &a.spot).cmp(&(&b.quantity, &b.spot)));
        newest
    }
}

impl Newest {
    /// As people read it.
    pub fn text(&self) -> String {
        shown(&self.quantity, self.value, &self.unit)
    }
}

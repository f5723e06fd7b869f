//! Metrics text for the home's monitoring stack, format 0.0.4.
//!
//! Duty: names, labels and values; `tests.rs` holds the whole list. Two kinds of families: those of
//! the tanks are made from [`TankStatus`] at every scrape, in chunks, so that a thousand tanks need
//! no registry of their own and no second copy; those of the daemon are counters and histograms of
//! the prometheus crate ([`Meters`]).
//!
//! Rules: a reading that is bad has no series, neither NaN nor time stamp; why it is bad and when it
//! was last sampled are series of their own. State sets are complete. What is known to exist starts
//! at 0. Moments are Unix seconds.

mod meters;
mod of_care;
mod of_days;
mod of_doses;
mod of_lights;
mod of_notices;
mod of_outputs;
mod of_proofs;
mod of_safety;
mod of_signals;
mod of_top_offs;
mod process;
#[cfg(test)]
mod tests;
mod text;

pub use meters::{Meters, PublishKind, PublishResult};
pub use of_care::{CareFacts, care_families, care_text};
pub use of_days::{SignalRecord, TankRecords};
pub use process::ProcessFacts;
pub use text::Samples;

use crate::control::plan::Switch;
use crate::control::status::TankStatus;
use crate::time::Wall;

/// The content type of the text.
pub const CONTENT_TYPE: &str = "text/plain; version=0.0.4; charset=utf-8";

/// How many tanks one piece of text covers at most.
const CHUNK: usize = 50;

/// One family of the tanks.
pub struct Family {
    /// Its name.
    pub name: &'static str,
    /// What it says, with its unit.
    pub help: &'static str,
    /// Whether it only rises.
    pub kind: Kind,
    /// Its labels, in order.
    pub labels: &'static [&'static str],
    samples: From,
}

/// What the samples are made from.
enum From {
    Status(fn(&TankStatus, &mut Samples)),
    Records(fn(&TankRecords, &mut Samples)),
}

/// What kind of number a family holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Goes up and down.
    Gauge,
    /// Only rises.
    Counter,
    /// Counts by upper edges.
    Histogram,
}

const fn gauge(
    name: &'static str,
    help: &'static str,
    labels: &'static [&'static str],
    samples: fn(&TankStatus, &mut Samples),
) -> Family {
    Family { name, help, kind: Kind::Gauge, labels, samples: From::Status(samples) }
}

const fn counter(
    name: &'static str,
    help: &'static str,
    labels: &'static [&'static str],
    samples: fn(&TankStatus, &mut Samples),
) -> Family {
    Family { name, help, kind: Kind::Counter, labels, samples: From::Status(samples) }
}

const fn histogram(
    name: &'static str,
    help: &'static str,
    labels: &'static [&'static str],
    samples: fn(&TankStatus, &mut Samples),
) -> Family {
    Family { name, help, kind: Kind::Histogram, labels, samples: From::Status(samples) }
}

const fn gauge_of_records(
    name: &'static str,
    help: &'static str,
    labels: &'static [&'static str],
    samples: fn(&TankRecords, &mut Samples),
) -> Family {
    Family { name, help, kind: Kind::Gauge, labels, samples: From::Records(samples) }
}

const fn counter_of_records(
    name: &'static str,
    help: &'static str,
    labels: &'static [&'static str],
    samples: fn(&TankRecords, &mut Samples),
) -> Family {
    Family { name, help, kind: Kind::Counter, labels, samples: From::Records(samples) }
}

fn yes(so: bool) -> f64 {
    if so { 1.0 } else { 0.0 }
}

fn level(switch: Switch) -> f64 {
    yes(switch == Switch::On)
}

fn moment(at: Option<Wall>) -> f64 {
    at.map_or(0.0, Wall::unix_seconds)
}

/// Every family of the tanks, in the order of the text. A new kind of thing (doses, supplies, chores) is a
/// file of its own beside the others, and one more `chain` here.
pub fn families() -> impl Iterator<Item = &'static Family> {
    let core = of_signals::FAMILIES.iter().chain(of_outputs::FAMILIES).chain(of_safety::FAMILIES);
    let core = core.chain(of_proofs::FAMILIES);
    core.chain(of_top_offs::FAMILIES).chain(of_doses::FAMILIES).chain(of_lights::FAMILIES).chain(of_days::FAMILIES)
}

/// The text of all tanks' families, piece by piece: family by family, and a few tanks at a time.
pub struct TankText {
    tanks: Vec<(TankStatus, TankRecords)>,
    families: Vec<&'static Family>,
    family: usize,
    from: usize,
    headed: bool,
}

impl TankText {
    /// The text of these tanks, of which nothing is written down.
    pub fn new(tanks: Vec<TankStatus>) -> Self {
        Self::with_records(tanks.into_iter().map(|status| (status, TankRecords::default())).collect())
    }

    /// The text of these tanks and of what is written down of them.
    pub fn with_records(tanks: Vec<(TankStatus, TankRecords)>) -> Self {
        Self { tanks, families: families().collect(), family: 0, from: 0, headed: false }
    }

    fn piece(&mut self) -> Option<String> {
        let family = *self.families.get(self.family)?;
        let until = self.tanks.len().min(self.from + CHUNK);
        let mut samples = Samples::new(family);
        for (status, records) in &self.tanks[self.from..until] {
            match family.samples {
                From::Status(take) => take(status, &mut samples),
                From::Records(take) => take(records, &mut samples),
            }
        }
        let text = samples.finish(!self.headed);
        self.headed |= !text.is_empty();
        self.from = until;
        if self.from >= self.tanks.len() {
            (self.family, self.from, self.headed) = (self.family + 1, 0, false);
        }
        Some(text)
    }
}

impl Iterator for TankText {
    type Item = String;

    fn next(&mut self) -> Option<String> {
        loop {
            let piece = self.piece()?;
            if !piece.is_empty() {
                return Some(piece);
            }
        }
    }
}

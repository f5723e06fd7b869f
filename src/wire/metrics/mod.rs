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
mod of_doses;
mod of_outputs;
mod of_safety;
mod of_signals;
mod process;
#[cfg(test)]
mod tests;

use prometheus::proto::{Counter, Gauge, LabelPair, Metric, MetricFamily, MetricType};
use prometheus::{Encoder, TextEncoder};

pub use meters::{Meters, PublishKind, PublishResult};
pub use process::ProcessFacts;

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
    samples: fn(&TankStatus, &mut Samples),
}

/// What kind of number a family holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Goes up and down.
    Gauge,
    /// Only rises.
    Counter,
}

/// Takes the samples of one family.
pub struct Samples {
    kind: Kind,
    labels: &'static [&'static str],
    metrics: Vec<Metric>,
}

impl Samples {
    fn put(&mut self, values: &[&str], value: f64) {
        debug_assert_eq!(values.len(), self.labels.len(), "a value for each label of {:?}", self.labels);
        let labels = self.labels.iter().zip(values).map(|(name, value)| {
            let mut pair = LabelPair::default();
            pair.set_name((*name).to_owned());
            pair.set_value((*value).to_owned());
            pair
        });
        let mut metric = Metric::from_label(labels.collect());
        match self.kind {
            Kind::Gauge => {
                let mut gauge = Gauge::default();
                gauge.set_value(value);
                metric.set_gauge(gauge);
            }
            Kind::Counter => {
                let mut counter = Counter::default();
                counter.set_value(value);
                metric.set_counter(counter);
            }
        }
        self.metrics.push(metric);
    }

    /// One of the words is 1, the others are 0.
    fn state_set(&mut self, values: &[&str], words: &[&str], state: Option<&str>) {
        for word in words {
            let mut all = values.to_vec();
            all.push(word);
            self.put(&all, yes(state == Some(word)));
        }
    }
}

const fn gauge(
    name: &'static str,
    help: &'static str,
    labels: &'static [&'static str],
    samples: fn(&TankStatus, &mut Samples),
) -> Family {
    Family { name, help, kind: Kind::Gauge, labels, samples }
}

const fn counter(
    name: &'static str,
    help: &'static str,
    labels: &'static [&'static str],
    samples: fn(&TankStatus, &mut Samples),
) -> Family {
    Family { name, help, kind: Kind::Counter, labels, samples }
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

/// Every family of the tanks, in the order of the text.
pub fn families() -> impl Iterator<Item = &'static Family> {
    of_signals::FAMILIES.iter().chain(of_outputs::FAMILIES).chain(of_safety::FAMILIES).chain(of_doses::FAMILIES)
}

/// The text of all tanks' families, piece by piece: family by family, and a few tanks at a time.
pub struct TankText {
    tanks: Vec<TankStatus>,
    families: Vec<&'static Family>,
    family: usize,
    from: usize,
    headed: bool,
}

impl TankText {
    /// The text of these tanks.
    pub fn new(tanks: Vec<TankStatus>) -> Self {
        Self { tanks, families: families().collect(), family: 0, from: 0, headed: false }
    }

    fn piece(&mut self) -> Option<String> {
        let family = *self.families.get(self.family)?;
        let until = self.tanks.len().min(self.from + CHUNK);
        let mut samples = Samples { kind: family.kind, labels: family.labels, metrics: Vec::new() };
        for tank in &self.tanks[self.from..until] {
            (family.samples)(tank, &mut samples);
        }
        let mut text = String::new();
        if !samples.metrics.is_empty() {
            let whole = encode(family, samples.metrics);
            text = if self.headed { without_head(&whole) } else { whole };
            self.headed = true;
        }
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

fn encode(family: &Family, metrics: Vec<Metric>) -> String {
    let mut whole = MetricFamily::default();
    whole.set_name(family.name.to_owned());
    whole.set_help(family.help.to_owned());
    whole.set_field_type(match family.kind {
        Kind::Gauge => MetricType::GAUGE,
        Kind::Counter => MetricType::COUNTER,
    });
    whole.set_metric(metrics);
    let mut bytes = Vec::new();
    TextEncoder::new().encode(&[whole], &mut bytes).expect("a family with samples and a name goes into memory");
    String::from_utf8(bytes).expect("names, labels and numbers are UTF-8")
}

/// The text without its two comment lines, which a family has once.
fn without_head(text: &str) -> String {
    text.lines().filter(|line| !line.starts_with('#')).fold(String::with_capacity(text.len()), |mut all, line| {
        all.push_str(line);
        all.push('\n');
        all
    })
}

//! Probes, the vote of thermometers, and what level and flow mean for starts.

use crate::units::Quantity;

use super::super::kinds::Measures;
use super::page::{Entry, Page, scalar};
use super::{Tank, or};

/// One probe.
#[derive(Clone, Debug, PartialEq)]
pub struct Probe {
    /// Its name in the file.
    pub name: String,
    /// What it measures.
    pub measures: Measures,
    /// Whether that is a guess, and why.
    pub check: Option<String>,
    /// Not in the tank's water: the air of the room.
    pub of_room: bool,
    /// Its topic.
    pub topic: String,
    /// RFC 6901; `None`: the bare payload.
    pub pointer: Option<String>,
    /// How its payload is read.
    pub form: Form,
    /// Silence after which its last value counts for nothing.
    pub stale_after: Entry,
}

/// How a payload is read.
#[derive(Clone, Debug, PartialEq)]
pub enum Form {
    /// A number in this unit, as YAML.
    Number(Entry),
    /// A contact; both as YAML.
    Contact {
        /// What it says when wet.
        wet: Entry,
        /// What it says when dry.
        dry: Entry,
    },
}

pub(super) fn write(page: &mut Page, tank: &Tank) {
    page.gap();
    if tank.probes.is_empty() {
        page.note(0, "No probe is known. Without a thermometer no heater may run.");
        return;
    }
    page.note(
        0,
        "A probe that is silent for `stale_after` counts for nothing, so it must speak at least three times as often, and \
         also when nothing changes.",
    );
    page.line(0, "probes:");
    for probe in &tank.probes {
        one(page, probe);
    }
    let thermometers: Vec<&str> =
        tank.measuring(Measures::Number(Quantity::Temperature)).map(|probe| &*probe.name).collect();
    if let Some(water) = tank.water().filter(|_| thermometers.len() > 1) {
        page.gap();
        page.note(
            0,
            "Voted into one value. Probes in moving water differ by a tenth of a degree or two; more is a fault.",
        );
        page.line(0, "signals:");
        let guessed = tank.probes.iter().any(|probe| probe.check.is_some() || probe.stale_after.check.is_some());
        let from = format!("[{}]", thermometers.join(", "));
        let check = "only those that hang in this tank's moving water";
        page.line(1, &format!("{water}:"));
        page.entry(2, "from", &if guessed { Entry::guessed(from, check) } else { Entry::sure(from) });
        page.line(2, "disagree: { by: 0.6 °C, lasting: 10 min }");
    }
    level_and_flow(page, tank);
}

fn one(page: &mut Page, probe: &Probe) {
    page.line(1, &format!("{}:", probe.name));
    let word = Measures::WORDS.iter().find(|(of, _)| *of == probe.measures).map_or("contact", |(_, word)| word);
    page.entry(2, "measures", &Entry { text: Some(word.to_owned()), check: probe.check.clone() });
    page.line(2, &format!("topic: {}", scalar(&probe.topic)));
    if let Some(pointer) = probe.pointer.as_ref().filter(|pointer| !pointer.is_empty()) {
        page.line(2, &format!("pointer: {}", scalar(pointer)));
    }
    match &probe.form {
        Form::Number(unit) => page.entry(2, "unit", unit),
        Form::Contact { wet, dry } => {
            page.entry(2, "wet", wet);
            page.entry(2, "dry", dry);
        }
    }
    if probe.of_room && probe.measures == Measures::Number(Quantity::Temperature) {
        page.line(2, "range: [-5 °C, 45 °C]");
    }
    page.entry(2, "stale_after", &or(&probe.stale_after, "60 s"));
}

fn level_and_flow(page: &mut Page, tank: &Tank) {
    if let Some(level) = tank.first(Measures::Number(Quantity::Level)) {
        page.gap();
        page.note(0, "Zero is the level while everything runs. Below these, pump and heater do not start.");
        page.line(0, "level:");
        page.line(1, &format!("signal: {level}"));
        page.entry(1, "return_needs", &or(&tank.return_needs, "-60 mm"));
        page.entry(1, "heater_needs", &or(&tank.heater_needs, "-40 mm"));
    }
    if let Some(flow) = tank.first(Measures::Number(Quantity::Flow)) {
        page.gap();
        page.note(0, "Over this the water moves: about half of what the meter says on a good day.");
        page.line(0, "flow:");
        page.line(1, &format!("signal: {flow}"));
        page.entry(1, "proven_over", &tank.flow_over);
    }
}

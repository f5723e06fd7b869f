//! Config files composed from what a home has: used by `init` for answers, and by `listen` for guesses.
//!
//! Duty: a tank file with interlocks, limits and a hold for exactly what is there, each with a word on why. Limits:
//! nothing is invented about the home: what is not said is left out, or stands as a mark (`# CHECK: ...`) that `check`
//! refuses. What a config needs not say, because it follows from litres and kinds, is not written.
//!
//! Words: an [`Entry`] is a value with its mark; parts are `probes`, `outputs`, `safety` (interlocks, hold, alarms).

mod daemon;
mod outputs;
mod page;
mod probes;
mod safety;
#[cfg(test)]
mod tests;

use crate::control::plan::OutputKind;
use crate::units::{Amount, Quantity};

use super::kinds::Measures;
use page::Page;

pub use daemon::{Daemon, daemon, styles};
pub use outputs::{Output, Plug, PlugParts};
pub use page::{Entry, binding, quoted, scalar};
pub use probes::{Form, Probe};

/// What a tank has.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Tank {
    /// The comment on top: where all this comes from.
    pub head: String,
    /// Its name for people.
    pub title: Entry,
    /// IANA zone.
    pub timezone: Entry,
    /// Water of the display, or of the only basin.
    pub display: Entry,
    /// Water of the sump.
    pub sump: Option<Entry>,
    /// The set point.
    pub target: Entry,
    /// Probes, in the order in which they are written.
    pub probes: Vec<Probe>,
    /// Outputs.
    pub outputs: Vec<Output>,
    /// Water for each millimetre of level.
    pub water_per_mm: Entry,
    /// Under this level the return pump draws air.
    pub return_needs: Entry,
    /// Under this level the heater stands in air.
    pub heater_needs: Entry,
    /// Over this level nobody pumps.
    pub level_high: Entry,
    /// Over this the water moves.
    pub flow_over: Entry,
    /// What a timed run gives, where a low float asks for it.
    pub run: Entry,
    /// When the light is on.
    pub light_hours: Entry,
}

impl Tank {
    fn measuring(&self, measures: Measures) -> impl Iterator<Item = &Probe> {
        self.probes.iter().filter(move |probe| probe.measures == measures && !probe.of_room)
    }

    fn first(&self, measures: Measures) -> Option<&str> {
        self.measuring(measures).next().map(|probe| &*probe.name)
    }

    fn of_kind(&self, kind: OutputKind) -> impl Iterator<Item = &Output> {
        self.outputs.iter().filter(move |output| output.kind == kind)
    }

    fn named(&self, kind: OutputKind) -> Option<&str> {
        self.of_kind(kind).next().map(|output| &*output.name)
    }

    /// The signal of the water's temperature.
    fn water(&self) -> Option<&str> {
        let mut all = self.measuring(Measures::Number(Quantity::Temperature));
        let first = all.next()?;
        Some(if all.next().is_some() { "water-temp" } else { &first.name })
    }

    fn litres(&self) -> Option<f64> {
        let sump = self.sump.as_ref().map_or(Some(0.0), |sump| value(sump, Quantity::Volume))?;
        Some(value(&self.display, Quantity::Volume)? + sump)
    }
}

/// What an entry says, in the canonical unit.
fn value(entry: &Entry, quantity: Quantity) -> Option<f64> {
    Amount::parse(entry.text.as_deref()?, quantity).ok().map(Amount::value)
}

/// An entry that is `none` where nothing is written.
fn or(entry: &Entry, usual: &str) -> Entry {
    if entry.text.is_none() && entry.check.is_none() { Entry::sure(usual) } else { entry.clone() }
}

/// Why a text is no name, and what would be one.
pub fn name_problem(text: &str) -> Result<(), String> {
    super::read::name_problem(text)
}

/// Why a text is no window of the day.
pub fn window_problem(text: &str) -> Result<(), String> {
    text.parse::<super::condition::Window>().map(|_| ())
}

/// A tank file.
pub fn tank(tank: &Tank) -> String {
    let mut page = Page::default();
    page.note(0, &tank.head);
    page.note(0, "");
    page.note(
        0,
        "Mains and salt water: a residual-current device on the whole stand, a drip loop on every cable, plugs above \
         the water line, the heater's own thermostat a little above the set point, and a float switch that cuts the \
         top-off's mains come first. This file replaces none of them.",
    );
    page.gap();
    page.line(0, "tank:");
    page.entry(1, "title", &tank.title);
    page.entry(1, "timezone", &tank.timezone);
    match &tank.sump {
        None => page.entry(1, "volume", &tank.display),
        Some(sump) => {
            page.line(1, "volume:");
            page.entry(2, "display", &tank.display);
            page.entry(2, "sump", sump);
        }
    }
    probes::write(&mut page, tank);
    outputs::write(&mut page, tank);
    safety::write(&mut page, tank);
    page.0
}

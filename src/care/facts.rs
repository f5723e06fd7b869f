//! What control knows and care asks for: counts of outputs, values of signals, what stands.

use std::collections::BTreeMap;

use crate::units::Quantity;

use super::entry::What;

/// What is known of all tanks now.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Facts {
    /// By tank; one that is not there is not known now.
    pub tanks: BTreeMap<String, TankFacts>,
    /// Where alarms leave the house, by name.
    pub channels: Vec<String>,
}

/// What is known of one tank now.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TankFacts {
    /// Each output.
    pub outputs: BTreeMap<String, OutputFact>,
    /// Each signal.
    pub signals: Vec<SignalFact>,
    /// Alarms that stand, in words.
    pub alarms: Vec<String>,
    /// Interlocks that are tripped or latched, in words.
    pub trips: Vec<String>,
    /// When each safeguard last passed its guided test, by what is tested; `None`: never, or not since it failed.
    pub proof_tests: BTreeMap<String, Option<crate::time::Wall>>,
}

/// An output's count.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct OutputFact {
    /// Seconds that it has run in all.
    pub seconds: f64,
    /// Litres that it has given in all, where control counts them: doses by the calibrated rate, top-off runs.
    pub litres: Option<f64>,
    /// Litres that its container holds, where control doses from one.
    pub container: Option<f64>,
}

/// A signal's value.
#[derive(Clone, Debug, PartialEq)]
pub struct SignalFact {
    /// Its name.
    pub name: String,
    /// What it measures.
    pub measures: Quantity,
    /// In the canonical unit; `None` while it is not usable.
    pub value: Option<f64>,
    /// As people read it.
    pub text: String,
}

impl TankFacts {
    /// The signal of the tank's water that measures this: the first usable one, as the config orders them.
    pub fn signal(&self, quantity: Quantity) -> Option<&SignalFact> {
        // A room or a mixing bin has probes too: the tank's own water is named so, or comes first.
        let usable = || self.signals.iter().filter(|signal| signal.measures == quantity && signal.value.is_some());
        let elsewhere = |signal: &&SignalFact| ["room", "bin", "air"].iter().any(|word| signal.name.contains(word));
        usable().find(|signal| !elsewhere(signal)).or_else(|| usable().next())
    }

    /// The counts of these outputs, for the log; `None`: there are none.
    pub fn counts_of<'a>(&self, outputs: impl IntoIterator<Item = &'a str>) -> Option<What> {
        let known: Vec<(&str, &OutputFact)> =
            outputs.into_iter().filter_map(|output| Some((output, self.outputs.get(output)?))).collect();
        let seconds: BTreeMap<String, f64> =
            known.iter().map(|(output, fact)| ((*output).to_owned(), fact.seconds)).collect();
        let litres = known.iter().filter_map(|(output, fact)| Some(((*output).to_owned(), fact.litres?))).collect();
        (!seconds.is_empty()).then_some(What::Counted { seconds, litres })
    }
}

//! Who can fail, and how: the subjects of a world and the sentences that fit each.

use std::fmt::Write;

use crate::control::plan::OutputKind;
use crate::units::{Quantity, Unit};

use super::super::world::Daemon;
use super::{Fault, Sentence, What};

/// What a subject is; it decides which sentences fit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(in crate::sim) enum Class {
    /// An output with its plug.
    Output(OutputKind),
    /// A float or leak probe.
    Contact,
    /// A probe that says numbers.
    Number(Quantity),
    /// A tank.
    Tank,
    /// A tank's drain.
    Drain,
    /// A tank's reservoir.
    Reservoir,
    /// The room.
    Room,
    /// The mains.
    Power,
    /// The broker.
    Broker,
    /// The daemon itself, where it is played too.
    Daemon,
    /// The wall clock of its machine.
    Clock,
    /// A tank's keeper.
    Keeper,
}

/// One that can fail.
#[derive(Clone, Debug)]
pub(super) struct Subject {
    /// The tank's name, for those that belong to one.
    pub tank: Option<String>,
    /// The name without the tank.
    pub name: String,
    pub class: Class,
    /// Its place in the world.
    pub index: usize,
    /// A second word for something that is listed under its own name already.
    pub alias: bool,
    /// What a kind of fault calls it: `heater`, `temperature`, `high-float`.
    pub word: &'static str,
}

impl Subject {
    /// `heater` or `lagoon/heater`.
    pub fn full(&self) -> String {
        self.tank.as_ref().map_or_else(|| self.name.clone(), |tank| format!("{tank}/{}", self.name))
    }
}

/// Who can fail in a world, and how.
#[derive(Clone, Debug)]
pub struct Catalogue {
    pub(super) subjects: Vec<Subject>,
    /// The tank that a bare name means where several tanks have it.
    pub(super) usual: Option<String>,
}

/// The sentences for each class, with what they mean. Words in capitals stand for a value.
pub(super) const POSSIBLE: [(&str, &str, &str); 33] = [
    ("output", "welds", "the relay conducts whatever it is told and whatever it reports"),
    ("output", "stops", "no work and no power: a burnt element, a dead motor"),
    ("output", "jams", "no work, and it still draws power: a blocked rotor"),
    ("output", "plug ignores off", "as it says; also `ignores on` and `ignores commands`"),
    ("output", "plug vanishes", "the network does not reach it; the relay stays, a lease runs on"),
    ("output", "plug reboots", "into its boot state; also `reboots on` and `reboots off`"),
    ("output", "plug is switched off", "somebody presses its button; also `is switched on`"),
    ("output", "plug forgets its lease", "its own countdown is gone"),
    ("output", "meter freezes", "the meter repeats its last number"),
    ("output", "draws POWER", "so much while current flows: `draws 180 W`"),
    ("top-off", "siphons", "the hose runs on while the pump is off"),
    ("top-off", "hose comes off", "the water goes to the floor"),
    ("probe", "freezes", "it repeats its last payload"),
    ("probe", "goes silent", "nothing comes from it"),
    ("probe", "sends garbage", "its payloads mean nothing"),
    ("number", "reads VALUE", "it says so whatever is true: `reads 85`, `reads 26.5 °C`"),
    ("number", "reads DIFFERENCE high", "it is off by so much; also `low`"),
    ("number", "is lifted out", "it hangs in the air"),
    ("contact", "sticks dry", "it says dry for ever; also `sticks wet` and `gets wet`"),
    ("tank", "leaks", "2 L/h to the floor; also `leaks 0.5 L/h`"),
    ("drain", "clogs", "the weir lets nothing through"),
    ("reservoir", "runs empty", "at once"),
    ("reservoir", "is refilled", "at once"),
    ("room", "warms to TEMPERATURE", "within an hour or two; also `cools to` and `goes to`"),
    ("power", "cut", "no mains for plugs and probes; broker and daemon go on, as on a battery"),
    ("broker", "vanishes", "no broker for anybody"),
    ("broker", "delays messages by 3 s", "every message takes so long; their order stays"),
    ("broker", "doubles messages", "every message comes twice, as delivery at least once allows"),
    ("daemon", "is killed", "without a word; with `for` it starts again with its store"),
    ("clock", "jumps ahead 1 h", "the wall clock of the daemon's machine; also `jumps back 1 h`"),
    ("keeper", "feeds", "asks for the hold `feeding`"),
    ("keeper", "changes 9 L", "of water, under the hold `water-change`"),
    ("keeper", "resets", "whatever is latched, as far as it can be"),
];

impl Class {
    /// What a kind of fault calls it, where nothing more is known.
    fn word(self) -> &'static str {
        match self {
            Self::Output(kind) => kind.word(),
            Self::Contact => "contact",
            Self::Number(quantity) => quantity.noun(),
            Self::Tank => "tank",
            Self::Drain => "drain",
            Self::Reservoir => "reservoir",
            Self::Room => "room",
            Self::Power => "power",
            Self::Broker => "broker",
            Self::Daemon => "daemon",
            Self::Clock => "clock",
            Self::Keeper => "keeper",
        }
    }

    /// Whether a row of [`POSSIBLE`] fits.
    pub(super) fn fits(self, row: &str) -> bool {
        match self {
            Self::Output(kind) => row == "output" || (row == "top-off" && kind == OutputKind::TopOff),
            Self::Contact => matches!(row, "probe" | "contact"),
            Self::Number(_) => matches!(row, "probe" | "number"),
            Self::Tank => row == "tank",
            Self::Drain => row == "drain",
            Self::Reservoir => row == "reservoir",
            Self::Room => row == "room",
            Self::Power => row == "power",
            Self::Broker => row == "broker",
            Self::Daemon => row == "daemon",
            Self::Clock => row == "clock",
            Self::Keeper => row == "keeper",
        }
    }
}

impl Catalogue {
    /// The subjects that everybody has.
    pub(in crate::sim) fn new(usual: Option<&str>, daemon: Daemon) -> Self {
        let mut catalogue = Self { subjects: Vec::new(), usual: usual.map(str::to_owned) };
        catalogue.add(None, "room", Class::Room, 0);
        catalogue.add(None, "power", Class::Power, 0);
        catalogue.add(None, "broker", Class::Broker, 0);
        if daemon == Daemon::Played {
            catalogue.add(None, "daemon", Class::Daemon, 0);
            catalogue.add(None, "clock", Class::Clock, 0);
        }
        catalogue
    }

    /// One more.
    pub(in crate::sim) fn add(&mut self, tank: Option<&str>, name: &str, class: Class, index: usize) {
        let tank = tank.map(str::to_owned);
        self.subjects.push(Subject { tank, name: name.to_owned(), class, index, alias: false, word: class.word() });
    }

    /// A more telling word for the one that was added last.
    pub(in crate::sim) fn is_a(&mut self, word: &'static str) {
        self.subjects.last_mut().expect("one was added").word = word;
    }

    /// A second word for an output, such as its kind.
    pub(in crate::sim) fn alias(&mut self, tank: &str, name: &str, class: Class, index: usize) {
        let taken = self.subjects.iter().any(|subject| subject.tank.as_deref() == Some(tank) && subject.name == name);
        if !taken {
            self.add(Some(tank), name, class, index);
            self.subjects.last_mut().expect("just added").alias = true;
        }
    }

    /// The fault as a sentence that [`Self::read`] reads back.
    pub fn sentence(&self, fault: &Fault) -> String {
        let symbols = match fault.what {
            What::Probe(index, _) => self.subjects.iter().find_map(|subject| match subject.class {
                Class::Number(quantity) if subject.index == index => Some(quantity),
                _ => None,
            }),
            _ => None,
        };
        let symbol = |unit: &Unit| unit.symbol.to_owned();
        let symbols = symbols.map_or_else(String::new, |quantity| {
            format!("{} {}", symbol(quantity.canonical()), symbol(quantity.difference().canonical()))
        });
        Sentence { fault, symbols: &symbols }.to_string()
    }

    /// Everything that can be said, for people: the subjects, then the sentences.
    pub fn possible(&self) -> String {
        let mut text = String::from("a fault is `SUBJECT does something [at TIME] [for SPAN]`\n");
        for (heading, row) in [
            ("outputs", "output"),
            ("of them top-off", "top-off"),
            ("probes", "probe"),
            ("of them numbers", "number"),
            ("of them contacts", "contact"),
            ("tanks", "tank"),
            ("drains", "drain"),
            ("reservoirs", "reservoir"),
            ("the room", "room"),
            ("the mains", "power"),
            ("the broker", "broker"),
            ("the daemon", "daemon"),
            ("its clock", "clock"),
            ("keepers", "keeper"),
        ] {
            let mut names: Vec<String> = self
                .subjects
                .iter()
                .filter(|subject| !subject.alias && subject.class.fits(row))
                .map(|subject| self.shortest(subject))
                .collect();
            names.dedup();
            if names.is_empty() {
                continue;
            }
            let _ = writeln!(text, "\n{heading}: {}", names.join(", "));
            for (_, sentence, meaning) in POSSIBLE.iter().filter(|(class, _, _)| *class == row) {
                let _ = writeln!(text, "  ... {sentence:<24} {meaning}");
            }
        }
        text
    }

    /// The shortest way to name a subject.
    pub(super) fn shortest(&self, subject: &Subject) -> String {
        let same = |other: &&Subject| {
            other.name == subject.name && (other.class, other.index) != (subject.class, subject.index)
        };
        let unique = !self.subjects.iter().any(|other| same(&other));
        if unique || subject.tank == self.usual { subject.name.clone() } else { subject.full() }
    }
}

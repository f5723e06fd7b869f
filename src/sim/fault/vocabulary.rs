//! The whole vocabulary as faults that can be drawn, the kind of each, and the pairs of kinds.
//!
//! A **kind** is what a keeper would call the same trouble: `heater welds`, `top-off plug ignores off`, `temperature
//! reads low`, whichever tank's, whichever probe's, however many kelvins. A **pair** is unordered; two of one kind are one
//! too, with two subjects, or twice for what is over at once.
//!
//! What cannot be is left out with its physical reason: single faults by [`is_possible`], pairs by [`excludes`].

use std::collections::{BTreeMap, BTreeSet};

use crate::control::plan::{OutputKind, Switch};
use crate::time::Span;
use crate::units::Quantity;

use super::super::Chance;
use super::catalogue::{Class, Subject};
use super::{Catalogue, Fault, OutputFault, ProbeFault, ReadsAs, TankFault, What};

/// The pairs of a home.
#[derive(Clone, Debug, Default)]
pub struct Pairs {
    /// Kinds that can meet, the lesser word first.
    pub possible: Vec<(String, String)>,
    /// Kinds that cannot meet, with the physical reason.
    pub impossible: Vec<(String, String, &'static str)>,
}

/// One fault that can be drawn.
#[derive(Clone, Copy, Debug)]
struct Draft {
    subject: usize,
    what: What,
}

impl What {
    /// The kind's words without its subject.
    fn kind(self) -> String {
        match self {
            Self::Output(_, OutputFault::Draws(_)) => "draws too much".to_owned(),
            Self::Probe(_, ProbeFault::Reads(_)) => "reads a number".to_owned(),
            Self::Probe(_, ProbeFault::Shifted(by)) => if by < 0.0 { "reads low" } else { "reads high" }.to_owned(),
            Self::Tank(_, TankFault::Leaks(_)) => "leaks".to_owned(),
            // The middle of what a house in Europe has over the year: the words of a list are fixed, not the room's mean.
            Self::Room(celsius) => if celsius < 21.0 { "cools" } else { "warms" }.to_owned(),
            Self::BrokerDelays(_) => "delays messages".to_owned(),
            Self::ClockJumps(by) => if by < 0 { "jumps back" } else { "jumps ahead" }.to_owned(),
            other => other.words(""),
        }
    }
}

impl Catalogue {
    /// The kind of a fault: `heater welds`.
    pub fn kind(&self, what: What) -> String {
        let found = self.subjects.iter().find(|subject| !subject.alias && is_of(subject, what));
        found.map_or_else(|| what.kind(), |subject| format!("{} {}", subject.word, what.kind()))
    }

    /// All kinds that can be drawn here, in order.
    pub fn kinds(&self) -> BTreeSet<String> {
        self.drafts(&mut Chance::new(0, "kinds")).into_keys().collect()
    }

    /// All pairs of kinds.
    pub fn pairs(&self) -> Pairs {
        let drafts = self.drafts(&mut Chance::new(0, "kinds"));
        let mut pairs = Pairs::default();
        for (at, (kind, of)) in drafts.iter().enumerate() {
            for (other, beside) in drafts.iter().skip(at) {
                match Self::meeting(of, beside) {
                    Ok(_) => pairs.possible.push((kind.clone(), other.clone())),
                    Err(why) => pairs.impossible.push((kind.clone(), other.clone(), why)),
                }
            }
        }
        pairs
    }

    /// Two faults of these kinds on subjects that can have both, one tank's as often as there are such; the second
    /// begins while the first is there. Nothing where they cannot meet.
    pub fn draw_pair(&self, kinds: (&str, &str), chance: &mut Chance) -> Option<[Fault; 2]> {
        let drafts = self.drafts(chance);
        let meeting = Self::meeting(drafts.get(kinds.0)?, drafts.get(kinds.1)?).ok()?;
        let of_one: Vec<&(Draft, Draft)> =
            meeting.iter().filter(|pair| self.tank(pair.0) == self.tank(pair.1)).collect();
        let all: Vec<&(Draft, Draft)> = meeting.iter().collect();
        let one_tank = chance.between(0.0, 1.0) < 0.8 && !of_one.is_empty();
        let mut two = **pick(if one_tank { &of_one } else { &all }, chance);
        if chance.between(0.0, 1.0) < 0.5 {
            two = (two.1, two.0);
        }
        let first = chance.span(Span::from_minutes(10), Span::from_minutes(40));
        let second = first.plus(chance.span(Span::from_seconds(1), Span::from_minutes(60)));
        Some([self.timed(two.0, first, chance), self.timed(two.1, second, chance)])
    }

    /// It lasts until somebody mends it, or for two hours; what nobody in the house can mend, for a time.
    fn timed(&self, draft: Draft, at: Span, chance: &mut Chance) -> Fault {
        let stays = chance.between(0.0, 1.0) < 0.5;
        let lasts = match draft.what {
            what if what.is_momentary() => None,
            What::Room(_) => Some(Span::from_hours(12)),
            What::DaemonKilled | What::PowerCut => Some(chance.span(Span::from_seconds(10), Span::from_hours(2))),
            _ if stays => None,
            _ => Some(chance.span(Span::from_minutes(70), Span::from_hours(3))),
        };
        let whole = |span: Span| Span::from_seconds(span.millis() / 1000);
        Fault {
            subject: self.shortest(&self.subjects[draft.subject]),
            what: draft.what,
            at: Some(whole(at)),
            lasts: lasts.map(whole),
        }
    }

    fn tank(&self, draft: Draft) -> Option<&str> {
        self.subjects[draft.subject].tank.as_deref()
    }

    /// Everything that can be drawn, by its kind.
    fn drafts(&self, chance: &mut Chance) -> BTreeMap<String, Vec<Draft>> {
        let mut drafts: BTreeMap<String, Vec<Draft>> = BTreeMap::new();
        let known = |of: &[Draft], draft: &Draft| of.iter().any(|known| known.what == draft.what);
        for (place, subject) in self.subjects.iter().enumerate().filter(|(_, subject)| !subject.alias) {
            for what in all(subject, chance) {
                let (kind, draft) = (format!("{} {}", subject.word, what.kind()), Draft { subject: place, what });
                let of = drafts.entry(kind).or_default();
                // A probe that tanks share is one.
                if !known(of, &draft) {
                    of.push(draft);
                }
            }
        }
        drafts
    }

    fn meeting(of: &[Draft], beside: &[Draft]) -> Result<Vec<(Draft, Draft)>, &'static str> {
        let mut why = "there is one of it here, and it is so already";
        let mut found = Vec::new();
        for one in of {
            for other in beside {
                match excludes(one.what, other.what) {
                    None => found.push((*one, *other)),
                    Some(reason) => why = reason,
                }
            }
        }
        if found.is_empty() { Err(why) } else { Ok(found) }
    }
}

/// Whether a fault is one of this subject's.
fn is_of(subject: &Subject, what: What) -> bool {
    match (subject.class, what) {
        (Class::Output(_), What::Output(index, _))
        | (Class::Contact | Class::Number(_), What::Probe(index, _))
        | (Class::Tank, What::Tank(index, TankFault::Leaks(_)))
        | (Class::Drain, What::Tank(index, TankFault::DrainClogs))
        | (Class::Reservoir, What::Tank(index, TankFault::ReservoirRunsEmpty | TankFault::ReservoirIsRefilled))
        | (Class::Keeper, What::Keeper(index, _)) => subject.index == index,
        (Class::Room, What::Room(_))
        | (Class::Power, What::PowerCut)
        | (Class::Broker, What::BrokerVanishes | What::BrokerDelays(_) | What::BrokerDoubles)
        | (Class::Daemon, What::DaemonKilled)
        | (Class::Clock, What::ClockJumps(_)) => true,
        _ => false,
    }
}

/// Why two faults cannot be there at once; nothing: they can.
fn excludes(one: What, other: What) -> Option<&'static str> {
    use OutputFault::{Draws, Jams, PlugIgnores, Stops};
    let draws_none = |fault| fault == Stops;
    let draws = |fault: OutputFault| matches!(fault, Jams | Draws(_));
    match (one, other) {
        (What::Output(a, Draws(_)), What::Output(b, Draws(_))) if a == b => Some(ALREADY),
        (What::Output(a, x), What::Output(b, y)) if a == b => match (x, y) {
            _ if x == y && !one.is_momentary() => Some(ALREADY),
            (x, y) if (draws_none(x) && draws(y)) || (draws_none(y) && draws(x)) => {
                Some("what draws no current cannot draw some")
            }
            (PlugIgnores(None), PlugIgnores(_)) | (PlugIgnores(_), PlugIgnores(None)) => {
                Some("a plug that ignores every command ignores this one already")
            }
            (PlugIgnores(_), PlugIgnores(_)) => {
                Some("that is a plug that ignores every command, which is a kind of its own")
            }
            _ => None,
        },
        (What::Probe(a, x), What::Probe(b, y)) if a == b => match (x, y) {
            _ if x == y => Some(ALREADY),
            // A probe in the air may say something wrong of the air as well.
            (ProbeFault::Lifted, _) | (_, ProbeFault::Lifted) => None,
            _ => Some("one probe says one thing at a time: the newer fault hides the older"),
        },
        (What::Room(_), What::Room(_)) => Some("there is one room"),
        (What::BrokerDelays(_), What::BrokerDelays(_)) => Some(ALREADY),
        (x, y) if x == y && (!x.is_momentary() || matches!(x, What::Tank(..))) => Some(ALREADY),
        _ => None,
    }
}

const ALREADY: &str = "there is one of it here, and it is so already";

/// Whether an output can have this fault at all.
fn is_possible(kind: OutputKind, fault: OutputFault) -> bool {
    match fault {
        // What has no rotor turns all that it draws into heat or light.
        OutputFault::Jams => !matches!(kind, OutputKind::Heater | OutputKind::Light | OutputKind::Other),
        OutputFault::Siphons | OutputFault::HoseComesOff => kind == OutputKind::TopOff,
        _ => true,
    }
}

/// Every fault that a subject can have, one of each kind.
pub(super) fn all(subject: &Subject, chance: &mut Chance) -> Vec<What> {
    let index = subject.index;
    match subject.class {
        Class::Output(kind) => {
            let all = [
                OutputFault::Welds,
                OutputFault::Stops,
                OutputFault::Jams,
                OutputFault::PlugIgnores(None),
                OutputFault::PlugIgnores(Some(Switch::On)),
                OutputFault::PlugIgnores(Some(Switch::Off)),
                OutputFault::PlugVanishes,
                OutputFault::PlugReboots(None),
                OutputFault::PlugReboots(Some(Switch::On)),
                OutputFault::PlugReboots(Some(Switch::Off)),
                OutputFault::Pressed(Switch::On),
                OutputFault::Pressed(Switch::Off),
                OutputFault::ForgetsLease,
                OutputFault::MeterFreezes,
                OutputFault::Draws(180.0),
                OutputFault::Siphons,
                OutputFault::HoseComesOff,
            ];
            let possible = all.into_iter().filter(|fault| is_possible(kind, *fault));
            possible.map(|fault| What::Output(index, fault)).collect()
        }
        Class::Contact => {
            let all = [
                ProbeFault::Freezes,
                ProbeFault::Silent,
                ProbeFault::Garbage,
                ProbeFault::Sticks(true),
                ProbeFault::Sticks(false),
            ];
            all.into_iter().map(|fault| What::Probe(index, fault)).collect()
        }
        Class::Number(quantity) => {
            let all = [
                ProbeFault::Freezes,
                ProbeFault::Silent,
                ProbeFault::Garbage,
                ProbeFault::Lifted,
                ProbeFault::Shifted(jump(quantity)),
                ProbeFault::Shifted(-jump(quantity)),
                ProbeFault::Reads(ReadsAs::Value(lie(quantity, chance))),
            ];
            all.into_iter().map(|fault| What::Probe(index, fault)).collect()
        }
        Class::Tank => vec![What::Tank(index, TankFault::Leaks(2.0))],
        Class::Drain => vec![What::Tank(index, TankFault::DrainClogs)],
        Class::Reservoir => vec![What::Tank(index, TankFault::ReservoirRunsEmpty)],
        Class::Room => vec![What::Room(30.0), What::Room(14.0)],
        Class::Power => vec![What::PowerCut],
        Class::Broker => vec![What::BrokerVanishes, What::BrokerDoubles, delay(chance)],
        Class::Daemon => vec![What::DaemonKilled],
        Class::Clock => vec![What::ClockJumps(3_600_000), What::ClockJumps(-3_600_000)],
        Class::Keeper => Vec::new(),
    }
}

/// A jump that is worth to be called one, in the canonical unit.
pub(super) fn jump(quantity: Quantity) -> f64 {
    match quantity {
        Quantity::Temperature => 6.0,
        Quantity::Level => 50.0,
        Quantity::Salinity => 5.0,
        _ => 1.0,
    }
}

/// A number that could be true, in the canonical unit, with one decimal.
fn lie(quantity: Quantity, chance: &mut Chance) -> f64 {
    let (least, greatest) = match quantity {
        Quantity::Temperature => (22.0, 28.0),
        Quantity::Level => (-80.0, 80.0),
        Quantity::Salinity => (31.0, 39.0),
        Quantity::Flow => (0.0, 12.0),
        _ => (0.0, 10.0),
    };
    (chance.between(least, greatest) * 10.0).round() / 10.0
}

pub(super) fn delay(chance: &mut Chance) -> What {
    let by = chance.span(Span::from_seconds(1), Span::from_seconds(10));
    What::BrokerDelays(Span::from_seconds(by.millis() / 1000))
}

/// One of several.
pub(super) fn pick<'a, T>(of: &'a [T], chance: &mut Chance) -> &'a T {
    let last = of.len() as u64 - 1;
    // A span is a whole number evenly drawn; here it counts places.
    let place = chance.span(Span::ZERO, Span::from_millis(last)).millis();
    &of[usize::try_from(place).expect("a place in a list")]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sim::fixture::world;

    #[test]
    fn every_kind_of_the_vocabulary_can_be_drawn() {
        let world = world(1);
        let kinds = world.catalogue().kinds();
        for row in super::super::catalogue::POSSIBLE
            .iter()
            .filter(|(class, words, _)| *class != "keeper" && *words != "is refilled")
        {
            let (_, words, _) = row;
            let words = words.replace("draws POWER", "draws too much").replace("reads VALUE", "reads a number");
            let words = words.replace("reads DIFFERENCE high", "reads high");
            let words = words.replace("warms to TEMPERATURE", "warms").replace(" by 3 s", "").replace(" 1 h", "");
            assert!(kinds.iter().any(|kind| kind.ends_with(&words)), "no kind {words} among {kinds:#?}");
        }
    }

    #[test]
    fn every_pair_is_drawn_or_has_its_physical_reason() {
        let world = world(1);
        let catalogue = world.catalogue();
        let (kinds, pairs) = (catalogue.kinds().len(), catalogue.pairs());
        assert_eq!(pairs.possible.len() + pairs.impossible.len(), kinds * (kinds + 1) / 2, "each unordered pair once");
        let mut chance = Chance::new(3, "pairs");
        for (one, other) in &pairs.possible {
            let faults = catalogue.draw_pair((one, other), &mut chance).expect("it is possible");
            let mut drawn = faults.clone().map(|fault| catalogue.kind(fault.what));
            drawn.sort();
            assert_eq!(drawn, [one.clone(), other.clone()]);
            for fault in &faults {
                let sentence = catalogue.sentence(fault);
                assert_eq!(catalogue.read(&sentence).as_ref(), Ok(fault), "{sentence}");
            }
        }
        for (one, other, why) in &pairs.impossible {
            assert!(catalogue.draw_pair((one, other), &mut chance).is_none() && !why.is_empty());
        }
    }

    #[test]
    fn what_excludes_each_other_does_so_on_one_subject_only() {
        let world = world(1);
        let pairs = world.catalogue().pairs();
        let is_possible = |one: &str, other: &str| pairs.possible.contains(&(one.to_owned(), other.to_owned()));
        assert!(is_possible("temperature freezes", "temperature goes silent"), "there are two thermometers");
        assert!(!is_possible("level freezes", "level goes silent"), "there is one level probe");
        assert!(!is_possible("room cools", "room warms") && is_possible("heater welds", "heater welds"));
    }
}

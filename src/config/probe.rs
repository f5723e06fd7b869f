//! Probes and the signals that they are voted into.

use std::collections::BTreeMap;

use crate::control::ids::{Name, ProbeId};
use crate::control::plan::{Calibration, DisagreePlan, ProbePlan, SignalPlan};
use crate::time::Span;
use crate::units::{Quantity, Unit, units_of};
use crate::wire::binding::{ProbeBinding, ProbeForm};

use super::kinds::{Measures, usual_fastest, usual_range, widest_range};
use super::problem::listed;
use super::read::{Fields, Item};
use super::scope::KnownSignal;
use super::topic::{Owners, pointer, topic, words};

const KEYS: [&str; 14] = [
    "measures",
    "topic",
    "pointer",
    "unit",
    "wet",
    "dry",
    "stamped",
    "range",
    "stale_after",
    "fastest",
    "stuck_after",
    "slope",
    "offset",
    "conductivity",
];

/// A probe as read: plan, binding, and what it measures if that could be read.
#[derive(Clone, Debug)]
pub(super) struct Probe {
    pub(super) plan: ProbePlan,
    pub(super) binding: ProbeBinding,
    pub(super) measures: Option<Measures>,
}

/// Reads one probe. What is wrong is reported, and something harmless stands in for it.
pub(super) fn probe(name: &Name, item: &Item, root: &str, owners: &Owners) -> Probe {
    let mut probe = Probe {
        plan: ProbePlan {
            name: name.clone(),
            quantity: Quantity::Contact,
            conductivity: None,
            calibration: Calibration::NONE,
            least: 0.0,
            greatest: 1.0,
            stale_after: Span::from_seconds(60),
            fastest: None,
            stuck_after: None,
        },
        binding: ProbeBinding {
            topic: String::new(),
            pointer: None,
            form: ProbeForm::Contact { wet: vec![], dry: vec![] },
            stamped: None,
        },
        measures: None,
    };
    let Some(fields) = item.fields(&KEYS) else { return probe };
    if let Some(at) = fields.need("topic", "lagoon/sump/temp")
        && let Some(topic) = topic(&at, None, root)
    {
        owners.heard(&at, &topic);
        probe.binding.topic = topic;
    }
    probe.binding.pointer = fields.get("pointer").and_then(|item| pointer(&item));
    probe.binding.stamped = fields.get("stamped").and_then(|item| pointer(&item));
    probe.plan.stale_after =
        fields.span_or("stale_after", Span::from_seconds(2), Span::from_hours(26), probe.plan.stale_after);
    let Some(measures) = fields.need("measures", "temperature").and_then(|item| item.word(&Measures::WORDS)) else {
        return probe;
    };
    probe.measures = Some(measures);
    probe.plan.quantity = measures.quantity();
    if measures.quantity() == Quantity::Contact {
        contact(&fields, &mut probe);
    } else {
        number(&fields, &mut probe);
    }
    probe
}

fn means_nothing(fields: &Fields, keys: &[&str], beside: &str) {
    for item in keys.iter().filter_map(|key| fields.get(key)) {
        item.wrong(format!("`{}` means nothing for a {beside}\nremove it", item.last_key()));
    }
}

fn contact(fields: &Fields, probe: &mut Probe) {
    means_nothing(fields, &["unit", "range", "fastest", "slope", "offset", "stuck_after", "conductivity"], "contact");
    let wet = fields.need("wet", "\"1\"").map(|item| words(&item)).unwrap_or_default();
    let dry = fields.need("dry", "\"0\"").map(|item| words(&item)).unwrap_or_default();
    if let Some(both) = wet.iter().find(|word| dry.contains(word)) {
        fields.item.wrong(format!("`{both}` means both wet and dry"));
    }
    probe.binding.form = ProbeForm::Contact { wet, dry };
}

fn number(fields: &Fields, probe: &mut Probe) {
    let quantity = probe.plan.quantity;
    means_nothing(fields, &["wet", "dry"], quantity.noun());
    let sent = sent_quantity(fields, quantity);
    let unit = match fields.get("unit") {
        Some(item) => unit(&item, sent),
        None if quantity == Quantity::Ph => Some(quantity.canonical()),
        None => {
            fields.need("unit", sent.canonical().symbol);
            None
        }
    };
    probe.binding.form = ProbeForm::Number(unit.unwrap_or(sent.canonical()));
    let (lowest, highest) = widest_range(quantity);
    let (least, greatest) = usual_range(quantity);
    (probe.plan.least, probe.plan.greatest) = (least, greatest);
    if let Some(range) = fields.get("range") {
        let ends: Vec<_> = range.list().iter().map(|item| item.amount(quantity, lowest, highest)).collect();
        match ends[..] {
            [Some(least), Some(greatest)] if least < greatest => {
                (probe.plan.least, probe.plan.greatest) = (least, greatest);
            }
            [None, _] | [_, None] => {}
            _ => {
                let symbol = quantity.canonical().symbol;
                range.wrong(format!(
                    "a range has two values, the smaller one first\nwrite such as `[{least} {symbol}, {greatest} {symbol}]`"
                ));
            }
        }
    }
    let difference = quantity.difference();
    probe.plan.fastest = match fields.get("fastest") {
        // Written as a change in a minute: `0.5 K`.
        Some(item) => item.amount(difference, 1e-6, highest - lowest),
        None => usual_fastest(quantity),
    };
    probe.plan.stuck_after =
        fields.get("stuck_after").and_then(|item| item.span(Span::from_minutes(1), Span::from_hours(24 * 7)));
    let offset = fields.get("offset").and_then(|item| item.amount(difference, lowest - highest, highest - lowest));
    let slope = fields.get("slope").and_then(|item| {
        let text = item.text()?;
        match text.parse::<f64>() {
            Ok(slope) if (0.5..=2.0).contains(&slope) => Some(slope),
            _ => {
                item.wrong(format!(
                    "`{text}` is no slope of a healthy probe\nwrite a number from 0.5 to 2, such as `1.02`"
                ));
                None
            }
        }
    });
    probe.plan.calibration = Calibration { slope: slope.unwrap_or(1.0), offset: offset.unwrap_or(0.0) };
}

/// What the payload is: a salinity that is made of a conductivity is sent as one.
fn sent_quantity(fields: &Fields, quantity: Quantity) -> Quantity {
    let Some(item) = fields.get("conductivity") else { return quantity };
    if quantity != Quantity::Salinity {
        item.wrong(format!(
            "`conductivity` makes a salinity, and this probe measures {}\nremove it, or write `measures: salinity`",
            quantity.noun()
        ));
        return quantity;
    }
    means_nothing(fields, &["slope", "offset"], "conductivity probe; it has `calibration` inside `conductivity`");
    Quantity::Conductivity
}

/// A unit of a quantity.
pub(super) fn unit(item: &Item, quantity: Quantity) -> Option<&'static Unit> {
    let text = item.text()?;
    let found = units_of(quantity).find(|unit| unit.is_spelt(text));
    if found.is_none() {
        let known = listed(units_of(quantity).map(|unit| unit.symbol), "or");
        item.wrong(format!("`{text}` is not a unit of {}\nwrite {known}", quantity.noun()));
    }
    found
}

/// Reads the signals, and gives every probe that stands in none a signal of its own name.
pub(super) fn signals(item: Option<&Item>, probes: &[Probe]) -> (Vec<SignalPlan>, Vec<KnownSignal>) {
    let names: Vec<&str> = probes.iter().map(|probe| &*probe.plan.name).collect();
    let mut plans: Vec<(SignalPlan, Option<Measures>)> = Vec::new();
    let mut taken: BTreeMap<usize, Name> = BTreeMap::new();
    for (name, item) in item.map(Item::named).unwrap_or_default() {
        if names.contains(&&*name) {
            item.wrong(format!("`{name}` is a probe already\ngive the signal another name, such as `{name}-voted`"));
        }
        let Some(fields) = item.fields(&["from", "disagree"]) else { continue };
        let Some(from) = fields.need("from", "[display-temp, sump-temp]") else { continue };
        let mut members: Vec<ProbeId> = Vec::new();
        let mut measures = None;
        for item in from.list() {
            let Some(at) = item.one_of("probe", &names) else { continue };
            if members.contains(&ProbeId::new(at)) {
                item.wrong(format!("`{}` votes twice\nremove one", names[at]));
                continue;
            }
            if let Some(other) = taken.insert(at, name.clone()) {
                item.wrong(format!("`{}` votes in `{other}` already\na probe votes in one signal", names[at]));
            }
            match (measures, probes[at].measures) {
                (Some(first), Some(second)) if first != second => item.wrong(format!(
                    "`{}` does not measure what the others do\nvote probes of one kind only",
                    names[at]
                )),
                (None, found) => measures = found,
                _ => {}
            }
            members.push(ProbeId::new(at));
        }
        if members.len() > 16 {
            from.wrong(format!("{} probes in one vote\nwrite 16 at most", members.len()));
        }
        let quantity = measures.map_or(Quantity::Contact, Measures::quantity);
        let disagree = disagree(&fields, measures.map(Measures::quantity), members.len());
        plans.push((SignalPlan { name, quantity, probes: members, disagree }, measures));
    }
    for (at, probe) in probes.iter().enumerate().filter(|(at, _)| !taken.contains_key(at)) {
        let plan = SignalPlan {
            name: probe.plan.name.clone(),
            quantity: probe.plan.quantity,
            probes: vec![ProbeId::new(at)],
            disagree: None,
        };
        plans.push((plan, probe.measures));
    }
    let known = plans
        .iter()
        .map(|(plan, measures)| {
            let each = || plan.probes.iter().map(|id| &probes[id.index()].plan);
            KnownSignal {
                name: plan.name.clone(),
                measures: *measures,
                probes: plan.probes.len(),
                range: (
                    each().map(|probe| probe.least).fold(f64::INFINITY, f64::min).min(1e9),
                    each().map(|probe| probe.greatest).fold(f64::NEG_INFINITY, f64::max).max(-1e9),
                ),
            }
        })
        .collect();
    (plans.into_iter().map(|(plan, _)| plan).collect(), known)
}

fn disagree(fields: &Fields, quantity: Option<Quantity>, probes: usize) -> Option<DisagreePlan> {
    let lasting = Span::from_minutes(10);
    let Some(item) = fields.get("disagree") else {
        // Two thermometers of one water may differ by 0.6 K [PICK]; other quantities need the keeper's number.
        let usual = quantity == Some(Quantity::Temperature) && probes > 1;
        return usual.then_some(DisagreePlan { by: 0.6, lasting });
    };
    if probes == 1 {
        item.wrong("one probe cannot disagree with itself\nremove `disagree`, or name a second probe in `from`");
    }
    let keys = item.fields(&["by", "lasting"])?;
    let (_, greatest) = widest_range(quantity?);
    let by = keys.need("by", "0.6 °C")?.amount(quantity?.difference(), 1e-6, greatest)?;
    Some(DisagreePlan { by, lasting: keys.span_or("lasting", Span::ZERO, Span::from_hours(24), lasting) })
}

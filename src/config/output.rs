//! Outputs: what hangs on the plugs, with the limits that follow from its kind.

use crate::control::ids::{Name, OutputId};
use crate::control::plan::{Fitted, OutputKind, OutputPlan, PlugPlan, Switch};
use crate::time::Span;
use crate::units::{Power, Quantity, Volume};
use crate::wire::binding::{CommandBinding, PlugBinding};

use super::heat::Lump;
use super::kinds::{least_times, longest_force};
use super::plug::{self, Context};
use super::read::Item;
use super::scope::KnownOutput;
use super::topic::Owners;

const KEYS: [&str; 11] = [
    "kind",
    "rating",
    "rest",
    "least_on",
    "least_off",
    "longest_force",
    "starts",
    "delivers",
    "reservoir",
    "isolator",
    "plug",
];

/// What concerns the whole tank while its outputs are read.
pub(super) struct Around<'c, 'a> {
    pub(super) litres: f64,
    pub(super) root: &'c str,
    pub(super) styles: &'c [(String, Item<'a>)],
    pub(super) owners: &'c Owners,
}

/// An output as read; its starts are read when all names are known.
pub(super) struct Output<'a> {
    pub(super) plan: OutputPlan,
    pub(super) binding: PlugBinding,
    pub(super) item: Item<'a>,
    pub(super) starts: Option<Item<'a>>,
    pub(super) litres_per_minute: Option<f64>,
    /// `delivers` is not written; if it is and cannot be read, that is reported already.
    pub(super) delivers_is_missing: bool,
    pub(super) reservoir: Option<Volume>,
    pub(super) lease_declined: bool,
    /// The output of the plug upstream.
    pub(super) isolator: Option<Item<'a>>,
    kind_is_known: bool,
}

impl Output<'_> {
    pub(super) fn known(&self) -> KnownOutput {
        KnownOutput {
            name: self.plan.name.clone(),
            kind: self.plan.kind,
            report: self.plan.plug.report,
            meter: if self.plan.plug.meter.is_some() { Fitted::Fitted } else { Fitted::NotFitted },
            kind_is_known: self.kind_is_known,
        }
    }
}

/// Reads one output. What is wrong is reported, and something harmless stands in for it.
pub(super) fn output<'a>(name: Name, item: &Item<'a>, around: &Around) -> Output<'a> {
    let mut output = stand_in(name, item);
    let Some(fields) = item.fields(&KEYS) else { return output };
    output.starts = fields.get("starts");
    output.isolator = fields.get("isolator");
    output.plan.rating = fields.get("rating").and_then(|item| item.parsed::<Power>());
    let kind = fields.need("kind", "heater").and_then(|item| item.word(&OutputKind::WORDS));
    output.delivers_is_missing = fields.get("delivers").is_none() && !fields.is_misspelt("delivers");
    if let Some(delivers) = fields.get("delivers") {
        output.litres_per_minute = delivers.amount(Quantity::Flow, 1e-4, 100.0);
        if kind.is_some_and(|kind| !matches!(kind, OutputKind::TopOff | OutputKind::Doser)) {
            delivers.wrong("`delivers` means nothing here: only a top-off pump and a doser add something\nremove it");
        }
    }
    if let Some(reservoir) = fields.get("reservoir") {
        output.reservoir = reservoir.amount(Quantity::Volume, 0.01, 10_000.0).and_then(|l| Volume::from_litres(l).ok());
        if kind.is_some_and(|kind| kind != OutputKind::TopOff) {
            reservoir.wrong("`reservoir` means nothing here: only a top-off pump empties one\nremove it");
        }
    }
    output.kind_is_known = kind.is_some();
    // The plug is read all the same, to report everything at once.
    let kind = kind.unwrap_or(OutputKind::Other);
    output.plan.kind = kind;
    output.plan.rest = kind.rest();
    if let Some(item) = fields.get("rest")
        && let Some(rest) = item.switch()
    {
        match (kind, rest) {
            (OutputKind::Heater | OutputKind::Chiller | OutputKind::TopOff | OutputKind::Doser, Switch::On) => {
                item.wrong(format!("a {} rests off: nothing may run it by default\nremove `rest`", kind.word()));
            }
            (OutputKind::ReturnPump | OutputKind::Powerhead, Switch::Off) => item.wrong(format!(
                "a {} rests on: it is life support\nremove `rest`; give a pump that should pause a schedule or a rule",
                kind.word()
            )),
            _ => output.plan.rest = rest,
        }
    }
    let (least_on, least_off) = least_times(kind);
    let day = Span::from_hours(24);
    // A compressor that starts against pressure dies; its pause can be made longer, not shorter.
    let floor = if kind == OutputKind::Chiller { least_off } else { Span::ZERO };
    output.plan.least_on = fields.span_or("least_on", Span::ZERO, Span::from_minutes(30), least_on);
    output.plan.least_off = fields.span_or("least_off", floor, day, least_off);
    let longest = longest_force(kind);
    output.plan.longest_force = fields.span_or("longest_force", Span::from_seconds(10), longest, longest);
    let context = Context {
        kind,
        rating: output.plan.rating,
        litres_per_minute: output.litres_per_minute,
        lump: Lump { litres: around.litres, pump_watts: 0.0 },
        root: around.root,
        styles: around.styles,
        owners: around.owners,
    };
    if let Some(item) = fields.need("plug", "{ command: { topic: tank/plug/set, on: \"ON\", off: \"OFF\" } }")
        && let Some(read) = plug::plug(&item, &context)
    {
        let harms = kind.can_harm();
        if harms && read.plan.boots == Some(Switch::On) {
            item.wrong(format!(
                "a {} whose plug comes back on after a power cut runs before anybody decides\nset the plug itself to come back off, then write `boots: off`",
                kind.word()
            ));
        }
        (output.plan.plug, output.binding, output.lease_declined) = (read.plan, read.binding, read.lease_declined);
    }
    output
}

fn stand_in<'a>(name: Name, item: &Item<'a>) -> Output<'a> {
    Output {
        plan: OutputPlan {
            name,
            kind: OutputKind::Other,
            rating: None,
            rest: Switch::Off,
            least_on: Span::ZERO,
            least_off: Span::ZERO,
            permissives: Vec::new(),
            longest_force: Span::ZERO,
            plug: PlugPlan {
                report: Fitted::NotFitted,
                meter: None,
                alive: Fitted::NotFitted,
                uptime: Fitted::NotFitted,
                lease: None,
                boots: None,
                prove_within: Span::from_seconds(10),
                dimmer: None,
            },
        },
        binding: PlugBinding {
            command: CommandBinding {
                topic: String::new(),
                on: String::new(),
                off: String::new(),
                qos: 1,
                expiry: Span::from_seconds(10),
            },
            report: None,
            meter: None,
            alive: None,
            uptime: None,
            dimmer: None,
            lease: None,
        },
        item: item.clone(),
        starts: None,
        litres_per_minute: None,
        delivers_is_missing: false,
        reservoir: None,
        lease_declined: false,
        isolator: None,
        kind_is_known: false,
    }
}

/// The outputs that a list names, each once, with its place.
pub(super) fn named_outputs<'a>(item: &Item<'a>, known: &[KnownOutput]) -> Vec<(OutputId, Item<'a>)> {
    let mut found: Vec<(OutputId, Item<'a>)> = Vec::new();
    for item in item.list() {
        let Some(at) = item.one_of("output", known) else { continue };
        let id = OutputId::new(at);
        if found.iter().any(|(other, _)| *other == id) {
            item.wrong(format!("`{}` stands twice\nremove one", known[at].name));
        } else {
            found.push((id, item));
        }
    }
    found
}

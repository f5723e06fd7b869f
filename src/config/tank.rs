//! One tank file to one tank: the plan for the core, the bindings for the wire, and facts for the reader.
//!
//! Order: names first, so that one mistake does not make ten; then what measures, what switches, what holds,
//! and last what speaks of all of these. What is wrong is reported and reading goes on with a stand-in.

use crate::control::ids::{Name, OutputId, ProbeId, SignalId};
use crate::control::plan::{DrainBackPlan, MixingBin, OutputKind, Side, TankPlan};
use crate::time::Zone;
use crate::units::{Flow, Power, Quantity, Volume};
use crate::wire::binding::TankBindings;

use super::alarm::{self, Rest};
use super::dosing;
use super::heat::Lump;
use super::hold;
use super::interlock::{self, Interlock};
use super::kinds::Measures;
use super::output::{self, Around, Output};
use super::power;
use super::probe::{self, Probe};
use super::problem::nearest;
use super::read::{Fields, Item};
use super::rules;
use super::scope::{FlowLimit, LevelLimits, MOST_CONDITIONS, Scope};
use super::setup::{TankFacts, TankSetup};
use super::sound;
use super::starts;
use super::thermostat;
use super::top_off;
use super::topic::Owners;

const KEYS: [&str; 24] = [
    "tank",
    "shared",
    "probes",
    "signals",
    "level",
    "flow",
    "outputs",
    "temperature",
    "top_off",
    "dosing",
    "rules",
    "schedules",
    "lights",
    "interlocks",
    "holds",
    "mixing_bin",
    "proofs",
    "alarms",
    "stability",
    "drift",
    "supplies",
    "chores",
    "spots",
    "keeper",
];

/// What all tanks have in common.
pub(super) struct Common<'a> {
    pub(super) root: String,
    pub(super) owners: Owners,
    pub(super) probes: Vec<Probe>,
    pub(super) styles: Vec<(String, Item<'a>)>,
}

/// Reads a tank file.
pub(super) fn tank(name: Name, file: &Item, common: &Common) -> Option<TankSetup> {
    let fields = file.fields(&KEYS)?;
    let mut facts = TankFacts::default();
    let about = about(&fields, &mut facts);
    let (mut probes, shared) = probes(&fields, common);
    facts.shared = shared;
    let (signals, known) = probe::signals(fields.get("signals").as_ref(), &probes);
    let around =
        Around { litres: about.water.litres(), root: &common.root, styles: &common.styles, owners: &common.owners };
    let outputs: Vec<Output> = fields
        .get("outputs")
        .map(|item| item.named())
        .unwrap_or_default()
        .into_iter()
        .map(|(name, item)| output::output(name, &item, &around))
        .collect();
    let holds = hold::names(fields.get("holds").as_ref());
    let mut scope = Scope::new(known, outputs.iter().map(Output::known).collect(), holds);
    scope.level = fields.get("level").and_then(|item| level(&item, &scope));
    scope.flow = fields.get("flow").and_then(|item| flow(&item, &scope));
    let scope = scope;
    super::conductivity::read(&fields, &mut probes, &scope);
    let interlocks = interlock::interlocks(fields.get("interlocks").as_ref(), &scope);
    let top_offs = top_off::top_offs(fields.get("top_off").as_ref(), &outputs, about.water.litres(), &scope);
    let dosing = dosing::dosing(fields.get("dosing").as_ref(), &outputs, about.water.litres(), &scope);
    let mut plan = TankPlan {
        name: name.clone(),
        title: about.title,
        zone: about.zone,
        water: about.water,
        probes: probes.iter().map(|probe| probe.plan.clone()).collect(),
        signals,
        outputs: outputs.iter().map(|output| output.plan.clone()).collect(),
        conditions: Vec::new(),
        thermostat: fields.get("temperature").and_then(|item| thermostat::thermostat(&item, &scope)),
        drain_back: None,
        top_offs: Vec::new(),
        dosing: Vec::new(),
        rules: rules::rules(fields.get("rules").as_ref(), &scope),
        schedules: rules::schedules(fields.get("schedules").as_ref(), &scope),
        lights: Vec::new(),
        interlocks: interlocks.iter().map(|interlock| interlock.plan.clone()).collect(),
        holds: hold::holds(fields.get("holds").as_ref(), &scope),
        proofs: super::proofs::proofs(fields.get("proofs").as_ref(), &probes, &outputs),
        mixing_bin: fields.get("mixing_bin").map(|item| mixing_bin(&item, about.water, &scope)).unwrap_or_default(),
        alarms: Vec::new(),
        drift: crate::control::plan::drift::DriftPlan::default(),
    };
    for (at, output) in outputs.iter().enumerate() {
        plan.outputs[at].permissives = starts::permissives(OutputId::new(at), output.starts.as_ref(), &scope);
    }
    top_offs.settle(&mut plan, &fields);
    dosing.settle(&mut plan, &fields, &scope);
    super::lights::lights(&fields, &mut plan, &scope);
    plan.drain_back = drain_back(&plan, &scope);
    facts.isolators = power::isolators(&outputs, &plan, &scope);
    power::settle(&mut plan, &facts.isolators, &fields, &scope);
    dosing::link(&mut plan);
    water_cannot_jump(&mut plan);
    plan.drift = super::drift::drift(fields.get("drift").as_ref(), &plan, &scope);
    let rest = if file.report.is_empty_for(&file.file) { Rest::Sound } else { Rest::Wrong };
    plan.alarms = alarm::alarms(fields.get("alarms").as_ref(), &plan, &scope, rest);
    super::drift::settle(&mut plan, &scope);
    note(&mut facts, &plan, &outputs, &interlocks, &scope);
    facts.stability = super::stability::stability(&fields, &plan, &scope);
    sound::check(&sound::Read {
        fields: &fields,
        plan: &plan,
        outputs: &outputs,
        interlocks: &interlocks,
        scope: &scope,
        facts: &facts,
    });
    if scope.is_overfull() {
        file.wrong(format!("more than {MOST_CONDITIONS} conditions in one tank"));
    }
    plan.conditions = scope.take_arena();
    let bindings = TankBindings {
        tank: name,
        probes: probes.into_iter().map(|probe| probe.binding).collect(),
        plugs: outputs.into_iter().map(|output| output.binding).collect(),
    };
    let care = super::care::care(&fields, &plan, &facts);
    Some(TankSetup { plan, bindings, facts, care })
}

struct About {
    title: String,
    zone: Zone,
    water: Volume,
}

fn about(fields: &Fields, facts: &mut TankFacts) -> About {
    let mut about = About { title: String::new(), zone: Zone::UTC, water: one_litre() };
    let Some(tank) = fields.need("tank", "{ title: ..., timezone: Europe/Lisbon, volume: 90 L }") else { return about };
    let Some(keys) = tank.fields(&["title", "timezone", "volume"]) else { return about };
    about.title =
        keys.need("title", "Seagrass lagoon").and_then(|item| item.text().map(str::to_owned)).unwrap_or_default();
    about.zone = keys.need("timezone", "Europe/Lisbon").and_then(|item| item.parsed()).unwrap_or(Zone::UTC);
    let Some(volume) = keys.need("volume", "90 L") else { return about };
    let litres = |item: Item| item.amount(Quantity::Volume, 1.0, 100_000.0).and_then(|l| Volume::from_litres(l).ok());
    if volume.is_map() {
        let Some(parts) = volume.fields(&["display", "sump"]) else { return about };
        facts.display = parts.need("display", "70 L").and_then(litres);
        facts.sump = parts.get("sump").and_then(litres);
        let sum: f64 = facts.display.iter().chain(&facts.sump).map(|part| part.litres()).sum();
        about.water = Volume::from_litres(sum.max(1.0)).unwrap_or(about.water);
    } else {
        about.water = litres(volume).unwrap_or(about.water);
    }
    about
}

fn one_litre() -> Volume {
    Volume::from_litres(1.0).expect("one litre is a volume")
}

/// The tank's own probes and those that it shares, the shared ones first.
fn probes(fields: &Fields, common: &Common) -> (Vec<Probe>, Vec<ProbeId>) {
    let names: Vec<&str> = common.probes.iter().map(|probe| &*probe.plan.name).collect();
    let mut probes: Vec<Probe> = Vec::new();
    for item in fields.get("shared").map(|item| item.list()).unwrap_or_default() {
        let Some(at) = item.one_of("shared probe", &names).or_else(|| meant(&item, &names)) else { continue };
        if probes.iter().any(|probe| probe.plan.name == common.probes[at].plan.name) {
            item.wrong(format!("`{}` stands twice\nremove one", names[at]));
        } else {
            probes.push(common.probes[at].clone());
        }
    }
    let shared = (0..probes.len()).map(ProbeId::new).collect();
    for (name, item) in fields.get("probes").map(|item| item.named()).unwrap_or_default() {
        if probes.iter().any(|probe| probe.plan.name == name) {
            item.wrong(format!("`{name}` is a shared probe already\ngive one of them another name"));
        }
        probes.push(probe::probe(&name, &item, &common.root, &common.owners));
    }
    if probes.is_empty() && fields.get("probes").is_none() && fields.get("shared").is_none() {
        fields.item.wrong("a tank without probes cannot be kept\nwrite `probes:` with at least a thermometer");
    }
    (probes, shared)
}

/// A misspelt shared probe is reported once, and not by everything that speaks of it.
fn meant(item: &Item, names: &[&str]) -> Option<usize> {
    let near = nearest(item.text()?, names.iter().copied())?;
    names.iter().position(|name| *name == near)
}

pub(super) fn signal_measuring(item: &Item, quantity: Quantity, scope: &Scope) -> Option<SignalId> {
    let signal = SignalId::new(item.one_of("signal", &scope.signals)?);
    let known = &scope.signals[signal.index()];
    if known.measures? == Measures::Number(quantity) {
        return Some(signal);
    }
    let found = known.measures?.quantity();
    item.wrong(format!("`{}` is a {}, and a {} is wanted", known.name, found.noun(), quantity.noun()));
    None
}

fn level(item: &Item, scope: &Scope) -> Option<LevelLimits> {
    let fields = item.fields(&["signal", "return_needs", "heater_needs", "drain_back_under"])?;
    let signal = fields.need("signal", "sump-level").and_then(|item| signal_measuring(&item, Quantity::Level, scope));
    let range = signal.map_or((-5000.0, 5000.0), |signal| scope.signals[signal.index()].range);
    let limit = |key: &str| fields.get(key).and_then(|item| item.amount(Quantity::Level, range.0, range.1));
    let (return_needs, heater_needs) = (limit("return_needs"), limit("heater_needs"));
    let drain_back_under = limit("drain_back_under");
    Some(LevelLimits { signal: signal?, return_needs, heater_needs, drain_back_under })
}

/// A nearer tenth of the way to the lowest trip over which the level is too high [PICK].
const DRAIN_BACK_PART: f64 = 0.9;

/// What runs back is measured by the level, where one return pump moves it.
fn drain_back(plan: &TankPlan, scope: &Scope) -> Option<DrainBackPlan> {
    let (level, mut pumps) = (scope.level?, scope.of_kind(OutputKind::ReturnPump));
    let (Some(pump), None) = (pumps.next(), pumps.next()) else { return None };
    let mut trip: Option<f64> = None;
    for interlock in &plan.interlocks {
        scope.walk(interlock.cause, &mut |condition| {
            if let Some((signal, Side::Above, limit)) = super::scope::compared(condition)
                && signal == level.signal
            {
                trip = Some(trip.map_or(limit, |least| least.min(limit)));
            }
        });
    }
    let most = level.drain_back_under.or(trip.map(|trip| trip * DRAIN_BACK_PART));
    Some(DrainBackPlan { pump, level: level.signal, most })
}

fn mixing_bin(item: &Item, water: Volume, scope: &Scope) -> MixingBin {
    let Some(fields) = item.fields(&["temperature", "salinity", "usual"]) else { return MixingBin::default() };
    let signal = |key: &str, quantity| fields.get(key).and_then(|item| signal_measuring(&item, quantity, scope));
    let bin = MixingBin {
        temperature: signal("temperature", Quantity::Temperature),
        salinity: signal("salinity", Quantity::Salinity),
        usual: fields.get("usual").and_then(|item| item.amount(Quantity::Volume, 0.1, water.litres())),
    };
    if fields.get("temperature").is_none() && fields.get("salinity").is_none() {
        item.wrong("a mixing bin that nothing measures\nname its probe: `{ salinity: bin-salinity, temperature: bin-temp, usual: 9 L }`");
    }
    bin
}

fn flow(item: &Item, scope: &Scope) -> Option<FlowLimit> {
    let fields = item.fields(&["signal", "proven_over"])?;
    let signal = fields.need("signal", "return-flow").and_then(|item| signal_measuring(&item, Quantity::Flow, scope));
    let range = signal.map_or((0.0, 10_000.0), |signal| scope.signals[signal.index()].range);
    let proven_over = fields.need("proven_over", "300 L/h")?.amount(Quantity::Flow, range.0, range.1)?;
    Some(FlowLimit { signal: signal?, proven_over })
}

/// A thermometer of the tank's water that moves faster than all watts together could is doubtful. Probes
/// with a rate of their own keep it.
fn water_cannot_jump(plan: &mut TankPlan) {
    let Some(thermostat) = &plan.thermostat else { return };
    let watts: f64 = plan.outputs.iter().filter_map(|output| output.rating).map(Power::watts).sum();
    let rate = Lump { litres: plan.water.litres(), pump_watts: 0.0 }.implausible_rate(watts);
    for probe in &plan.signals[thermostat.signal.index()].probes {
        plan.probes[probe.index()].fastest.get_or_insert(rate);
    }
}

fn note(facts: &mut TankFacts, plan: &TankPlan, outputs: &[Output], interlocks: &[Interlock], scope: &Scope) {
    facts.high_floats = scope.measuring(Measures::HighFloat).collect();
    facts.low_floats = scope.measuring(Measures::LowFloat).collect();
    facts.leaks = scope.measuring(Measures::Leak).collect();
    facts.level = scope.level.map(|level| level.signal);
    facts.flow = scope.flow.map(|flow| flow.signal);
    for (at, output) in outputs.iter().enumerate() {
        let id = OutputId::new(at);
        facts.reservoirs.extend(output.reservoir.map(|reservoir| (id, reservoir)));
        let rate = output.litres_per_minute.and_then(|rate| Flow::from_litres_per_minute(rate).ok());
        facts.delivers.extend(rate.map(|rate| (id, rate)));
        if plan.outputs[at].kind == OutputKind::Heater {
            let all = interlock::cutoffs_of(id, interlocks.iter().map(|read| &read.plan), scope);
            // A limit on the air of the room cuts nothing off: the loop's own water counts.
            let loop_ = plan.thermostat.iter().find(|loop_| loop_.heat.is_some_and(|heat| heat.output == id));
            facts
                .cutoffs
                .extend(all.into_iter().filter(|cutoff| loop_.is_none_or(|loop_| loop_.signal == cutoff.signal)));
        }
    }
}

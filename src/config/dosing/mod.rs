//! Dosing: small doses by a plan, each pump's slots and limits derived from the water and the stock's strength.
//!
//! | number | usual | from |
//! | --- | --- | --- |
//! | `slots` | 24 a day, the pumps' own ones evenly between each other's | CP: small doses, parts apart |
//! | one dose | 0.05 dKH at most, 5 s of running at least | PICK; a radio's half second is a tenth of 5 s |
//! | `most` a day | 1 dKH; has to be written for what is no alkalinity | CP |
//! | an hour | 15 % of it (0.15 dKH) | PICK |
//! | `apart` | 15 min from any dose of the tank to the next | CP |
//! | `ph` | carbonate and limewater wait over 8.45, or while it is not known | CP |
//! | flow, powerhead | proven for 15 min | PICK |
//!
//! A plug must turn itself off: each dose is told once, with a countdown of its own. It brings the starts
//! `powerhead-proven`, `no-hold` and `ph-low-enough` along, and an interlock `<pump>-overruns` that stays until reset.

mod words;

use crate::control::ids::{DoserId, Name, OutputId};
use crate::control::plan::dosing::{Adds, DosingFact, DosingPlan, even_slots};
use crate::control::plan::{
    Advice, AlarmPlan, AlarmSource, Condition, Doubtful, Estimate, Fitted, InterlockPlan, Latch, OnUnknown, OutputFact,
    OutputKind, Permissive, Priority, Side, Switch, TankPlan, TimerUnknown,
};
use crate::time::Span;
use crate::units::{EquivalentStrength, Quantity, Volume};
use crate::water::raise;

use super::alarm;
use super::output::Output;
use super::read::{Fields, Item};
use super::scope::Scope;
use super::tank::signal_measuring;
pub(super) use words::{lines, warnings};

const KEYS: [&str; 10] =
    ["adds", "strength", "plan", "most", "slots", "prefer_night", "container", "with", "ph", "apart"];

/// The most alkalinity in a day, in an hour, in one dose, dKH.
const DAY: f64 = 1.0;
const HOUR_PART: f64 = 0.15;
const DOSE: f64 = 0.05;
/// A shorter run is mostly the radio's delay.
const SHORTEST: f64 = 5.0;
const APART: Span = Span::from_minutes(15);
const MOVED_FOR: Span = Span::from_minutes(15);
const PH: f64 = 8.45;
/// What is given at night of a day's dose where that is wished.
const NIGHT: f64 = 0.6;

/// What the section brings along.
#[derive(Default)]
pub(super) struct Dosing {
    plans: Vec<DosingPlan>,
    needs: Vec<(OutputId, Permissive)>,
}

/// Reads the section.
pub(super) fn dosing(item: Option<&Item>, outputs: &[Output], litres: f64, scope: &Scope) -> Dosing {
    let mut read = Dosing::default();
    let named: Vec<(Name, Item, usize)> = item
        .map(Item::named)
        .unwrap_or_default()
        .into_iter()
        .filter_map(|(name, item)| pump(&name, &item, outputs, scope).map(|at| (name, item, at)))
        .collect();
    let count = u32::try_from(named.len().max(1)).unwrap_or(1);
    let names: Vec<&str> = named.iter().map(|(name, ..)| &**name).collect();
    for (place, (_, item, at)) in (0_u32..).zip(&named) {
        let around = Around { litres, place, count, names: &names };
        read.plans.extend(plan(OutputId::new(*at), item, &outputs[*at], &around, scope, &mut read.needs));
    }
    // One `with` is enough for both.
    if read.plans.len() == named.len() {
        for at in 0..read.plans.len() {
            if let Some(partner) = read.plans[at].partner {
                read.plans[partner.index()].partner.get_or_insert(DoserId::new(at));
            }
        }
    }
    read
}

fn pump(name: &Name, item: &Item, outputs: &[Output], scope: &Scope) -> Option<usize> {
    let Some(at) = outputs.iter().position(|output| output.plan.name == *name) else {
        let pumps = scope.outputs.iter().filter(|known| known.kind == OutputKind::Doser).map(|known| &*known.name);
        item.wrong(format!(
            "there is no output `{name}`\nwrite the name of a dosing pump: {}",
            super::problem::listed(pumps, "or")
        ));
        return None;
    };
    if outputs[at].plan.kind != OutputKind::Doser {
        if scope.outputs[at].kind_is_known {
            item.wrong(format!("`{name}` is a {}, and a doser is wanted", outputs[at].plan.kind.word()));
        }
        return None;
    }
    Some(at)
}

struct Around<'n> {
    litres: f64,
    place: u32,
    count: u32,
    names: &'n [&'n str],
}

fn plan(
    output: OutputId,
    item: &Item,
    pump: &Output,
    around: &Around,
    scope: &Scope,
    needs: &mut Vec<(OutputId, Permissive)>,
) -> Option<DosingPlan> {
    let fields = item.fields(&KEYS)?;
    let name = &pump.plan.name;
    if pump.litres_per_minute.is_none() && pump.delivers_is_missing {
        item.wrong(format!(
            "nothing says what `{name}` delivers, so no dose of it has a measure\nrun it into a cylinder for a minute and write `delivers: 5 mL/min` in the output"
        ));
    }
    let adds = fields.need("adds", "carbonate").and_then(|item| item.word(&Adds::WORDS));
    let per_day = fields.need("plan", "20 mL/d").and_then(|item| item.amount(Quantity::DoseRate, 0.0, 10_000.0));
    let container = fields.need("container", "500 mL").and_then(|item| item.amount(Quantity::Volume, 0.01, 100.0));
    let apart = fields.span_or("apart", APART, Span::from_hours(6), APART);
    let slots = fields.get("slots").map_or(Some(24), |item| item.whole(1, 96))?;
    let slots = u32::try_from(slots).unwrap_or(24);
    let night = fields.get("prefer_night").and_then(|item| item.yes_no()) == Some(true);
    let partner = fields.get("with").and_then(|item| {
        let at = item.one_of("dosing pump", around.names)?;
        if *around.names[at] == **name {
            item.wrong("a pump is no partner of itself\nwrite the name of the other part");
            return None;
        }
        Some(DoserId::new(at))
    });
    let strength = strength(&fields, adds);
    let dkh_per_ml = strength.and_then(|strength| {
        let water = Volume::from_litres(around.litres).ok()?;
        raise::dkh_per_millilitre(strength, water).ok()
    });
    let most_per_day = most(&fields, item, adds, dkh_per_ml);
    if let Some(adds) = adds {
        permissives(&fields, adds, output, scope, needs);
    }
    let (adds, per_day, container) = (adds?, per_day?, container? * 1000.0);
    let (most_per_day, rate) = (most_per_day?, pump.litres_per_minute? * 1000.0);
    let spacing = 86_400 / slots;
    let offset = spacing / around.count * around.place;
    let plan = DosingPlan {
        output,
        adds,
        per_day,
        slots: even_slots(slots, offset, if night { NIGHT } else { 0.5 }),
        delivers: rate,
        most_per_day,
        most_per_hour: HOUR_PART * most_per_day,
        dkh_per_ml,
        container,
        partner,
        apart,
    };
    fits(&fields, &plan, Span::from_seconds(u64::from(spacing / around.count)));
    Some(plan)
}

fn strength(fields: &Fields, adds: Option<Adds>) -> Option<EquivalentStrength> {
    let item = fields.get("strength");
    match (adds.map(Adds::is_alkaline), &item) {
        (Some(true), None) => {
            fields.need("strength", "1 eq/L");
        }
        (Some(false), Some(item)) => {
            item.wrong("`strength` is that of alkalinity\nremove it; `most: 40 mL/d` bounds this pump");
        }
        _ => {}
    }
    item.and_then(|item| item.parsed::<EquivalentStrength>())
}

fn most(fields: &Fields, item: &Item, adds: Option<Adds>, dkh_per_ml: Option<f64>) -> Option<f64> {
    let bears = dkh_per_ml.map(|k| DAY / k);
    let written = fields.get("most").map(|item| (item.amount(Quantity::DoseRate, 0.01, 10_000.0), item.clone()));
    match (written, bears) {
        (Some((Some(most), item)), Some(bears)) if most > bears + 1e-9 => {
            item.wrong(format!(
                "{most:.1} mL in a day are more than 1 dKH, {bears:.1} mL\nwrite `most: {:.1} mL/d` or less",
                (bears * 10.0).floor() / 10.0
            ));
            Some(bears)
        }
        (Some((most, _)), _) => most,
        (None, Some(bears)) => Some(bears),
        (None, None) => {
            if adds.is_some_and(|adds| !adds.is_alkaline()) {
                item.wrong("nothing says how much of it the water bears in a day\nwrite `most: 40 mL/d`, from what its maker allows");
            }
            None
        }
    }
}

/// Doses that are too large, too short, too close, or that would never fit their limits.
fn fits(fields: &Fields, plan: &DosingPlan, between: Span) {
    let at = |key: &str| fields.get(key).unwrap_or_else(|| fields.item.clone());
    let least = plan.slots.iter().map(|slot| slot.share).fold(1.0, f64::min) * plan.per_day;
    let greatest = plan.slots.iter().map(|slot| slot.share).fold(0.0, f64::max) * plan.per_day;
    let count = plan.slots.len();
    if plan.per_day > plan.most_per_day + 1e-9 {
        at("plan").wrong(format!(
            "{:.1} mL/d are past what a day may have, {:.1} mL\nmeasure again; a stock of half the strength doses finer, and never more",
            plan.per_day, plan.most_per_day
        ));
        return;
    }
    if let Some(k) = plan.dkh_per_ml
        && greatest * k > DOSE + 1e-9
    {
        let needed = (plan.per_day * k / DOSE).ceil();
        at("slots").wrong(format!(
            "a dose of {greatest:.2} mL raises the tank by {:.3} dKH, more than {DOSE}\nwrite `slots: {needed:.0}` or more",
            greatest * k
        ));
    }
    let seconds = least / plan.delivers * 60.0;
    if plan.per_day > 0.0 && seconds < SHORTEST {
        at("slots").wrong(format!(
            "a dose of {least:.2} mL is {seconds:.1} s of this pump, and under {SHORTEST:.0} s the radio's delay is a large part of it\nwrite fewer `slots`, or fit a slower pump"
        ));
    }
    let hour = 1.25 * greatest + 3.0 / 60.0 * plan.delivers;
    if hour > plan.most_per_hour {
        at("slots").wrong(format!(
            "a dose may give {hour:.2} mL with what is made up for, and an hour may have {:.2} mL\nwrite more `slots`",
            plan.most_per_hour
        ));
    }
    if between < plan.apart {
        at("slots").wrong(format!(
            "{count} slots a day leave {between} between two doses of the tank, and they keep {} apart\nwrite fewer `slots`",
            plan.apart
        ));
    }
}

fn permissives(fields: &Fields, adds: Adds, output: OutputId, scope: &Scope, needs: &mut Vec<(OutputId, Permissive)>) {
    let mut need = |name: &str, condition| needs.push((output, Permissive { name: Name::new(name), condition }));
    let lasting = |inner, span| scope.add(Condition::Lasting { inner, span, unknown: TimerUnknown::Resets });
    let fitted = scope.of_kind(OutputKind::Powerhead);
    let fitted = fitted.filter(|head| scope.outputs[head.index()].report == Fitted::Fitted);
    let moved: Vec<_> =
        fitted.map(|head| scope.add(Condition::Output { output: head, fact: OutputFact::ProvenOn })).collect();
    if !moved.is_empty() {
        let inner = scope.any(moved);
        need("powerhead-proven", lasting(inner, MOVED_FOR));
    }
    let held = scope.add(Condition::Held(None));
    need("no-hold", scope.not(held));
    let Some(item) = fields.get("ph") else { return };
    if !adds.raises_ph() {
        item.wrong("`ph` means something for carbonate and limewater only, which raise it\nremove it");
        return;
    }
    let Some(keys) = item.fields(&["signal", "under"]) else { return };
    let signal = keys.need("signal", "ph").and_then(|item| signal_measuring(&item, Quantity::Ph, scope));
    let under = keys.get("under").map_or(Some(PH), |item| item.amount(Quantity::Ph, 7.5, 8.6));
    let (Some(signal), Some(limit)) = (signal, under) else { return };
    let low = Condition::Compare {
        signal,
        estimate: Estimate::Voted,
        side: Side::Below,
        limit,
        deadband: 0.0,
        alone_margin: 0.0,
        doubtful: Doubtful::IsUnknown,
    };
    need("ph-low-enough", scope.add(low));
}

impl Dosing {
    /// Puts what the section brings along into the plan, and reports what speaks against it.
    pub(super) fn settle(self, plan: &mut TankPlan, fields: &Fields, scope: &Scope) {
        let at = |section: &str| fields.get(section).unwrap_or_else(|| fields.item.clone());
        for (at_output, output) in plan.outputs.iter().enumerate().filter(|(_, one)| one.kind == OutputKind::Doser) {
            let (id, name) = (OutputId::new(at_output), &output.name);
            let refuse = |section: &str, what: String| {
                at(section).wrong(format!(
                    "{what}, and only `dosing` turns it on: each dose once, within its limits\nremove it"
                ));
            };
            for rule in plan.rules.iter().filter(|rule| rule.wishes.contains(&(id, Switch::On))) {
                refuse("rules", format!("rule `{}` wishes `{name}` on", rule.name));
            }
            if plan.schedules.iter().any(|schedule| schedule.output == id) {
                refuse("schedules", format!("`{name}` has a schedule"));
            }
            for interlock in plan.interlocks.iter().filter(|one| one.effects.contains(&(id, Switch::On))) {
                refuse("interlocks", format!("interlock `{}` turns `{name}` on", interlock.name));
            }
        }
        for (output, need) in self.needs {
            let starts = &mut plan.outputs[output.index()].permissives;
            if !starts.iter().any(|start| start.name == need.name) {
                starts.push(need);
            }
        }
        plan.dosing = self.plans;
        for index in 0..plan.dosing.len() {
            let dosing = &plan.dosing[index];
            let output = &plan.outputs[dosing.output.index()];
            if output.plug.report == Fitted::NotFitted {
                continue;
            }
            let name = Name::new(&format!("{}-overruns", output.name));
            if plan.interlocks.iter().any(|other| other.name == name) {
                at("interlocks").wrong(format!("`{name}` comes with `dosing`\ngive this one another name"));
                continue;
            }
            let fact = |fact| scope.add(Condition::Output { output: dosing.output, fact });
            let inner = scope.all(vec![fact(OutputFact::CommandedOff), fact(OutputFact::ProvenOn)]);
            // Two seconds of the countdown and three more.
            let span = Span::from_seconds(5);
            let cause = scope.add(Condition::Lasting { inner, span, unknown: TimerUnknown::Freezes });
            let interlock = InterlockPlan {
                name,
                cause,
                unknown: OnUnknown::Ignored,
                effects: both(plan, index),
                latch: Latch::Always,
                restarts: None,
                priority: Priority::Urgent,
                bypassable: false,
                advice: Advice::new(
                    "It pumps its container into the tank.",
                    "Pull this plug and lift the hose out of the water. Test the water before you reset it.",
                ),
            };
            plan.interlocks.push(interlock);
        }
    }
}

/// Off for the pump and its partner.
fn both(plan: &TankPlan, index: usize) -> Vec<(OutputId, Switch)> {
    let partner = plan.dosing[index].partner.map(|partner| plan.dosing[partner.index()].output);
    std::iter::once(plan.dosing[index].output).chain(partner).map(|output| (output, Switch::Off)).collect()
}

/// A pump that draws although it is off stops its partner too.
pub(super) fn link(plan: &mut TankPlan) {
    for index in 0..plan.dosing.len() {
        let effects = both(plan, index);
        let stuck = format!("{}-stuck-on", plan.outputs[plan.dosing[index].output.index()].name);
        for interlock in plan.interlocks.iter_mut().filter(|one| *one.name == *stuck) {
            let more: Vec<_> = effects.iter().filter(|effect| !interlock.effects.contains(effect)).copied().collect();
            interlock.effects.extend(more);
        }
    }
}

/// Alarms that come with it.
pub(super) fn alarms(plan: &TankPlan, scope: &Scope, alarms: &mut Vec<AlarmPlan>) {
    use DosingFact::{Behind, LowContainer, OldCalibration, Unbalanced, Unproven};
    for (at, dosing) in plan.dosing.iter().enumerate() {
        let name = &plan.outputs[dosing.output.index()].name;
        let mut raise = |suffix: &str, fact, priority, consequence: &str, action: &str| {
            let cause = scope.add(Condition::Dosing { doser: DoserId::new(at), fact });
            let advice = Advice::new(consequence, action);
            alarms.push(alarm::new(&format!("{name}-{suffix}"), priority, AlarmSource::Condition(cause), advice));
        };
        let behind = "Test the water first. `slackwater explain` says what keeps the doses back; after the test \
                      `slackwater dose resume` begins anew. Do not make up for days by hand at once.";
        raise("behind", Behind, Priority::Medium, "What the animals take is not given back.", behind);
        let low = "Fill its container, look at the hose's end, and say so: `slackwater dose refill`.";
        raise("container", LowContainer, Priority::Medium, "Its doses stop when a twentieth is left.", low);
        let old = "Run it into a cylinder: `slackwater dose calibrate`. A tube that gives a tenth less is worn.";
        raise(
            "calibration",
            OldCalibration,
            Priority::Low,
            "Its doses are not what the plan says, and stop after 120 days.",
            old,
        );
        let unbalanced =
            "It gives more or less than is reckoned with. Look for air, a worn tube, a leak, and calibrate it.";
        raise("balance", Unbalanced, Priority::Medium, "The tank gets more or less than the plan says.", unbalanced);
        if plan.outputs[dosing.output.index()].plug.report == Fitted::Fitted {
            let unproven = "Look at its plug and at the drops at the hose's end.";
            raise("unproven", Unproven, Priority::Medium, "Nothing may be dosed at all.", unproven);
        }
    }
}

//! What a power meter brings along: trips and alarms by what an output draws, and the plug upstream of a heater.
//!
//! | name | kinds | true | then |
//! | --- | --- | --- | --- |
//! | interlock `<output>-stuck-on` | heater, top-off, doser | decided off, and drawing (or reporting on) for 20 s | off, told again every 10 s, latched; the isolator opens |
//! | interlock `<output>-over-power` | all but pumps that animals breathe by | 115 % of the confirmed watts, 130 % of a mere rating, for 10 s; the plug's own limit for 1 s (pumps too) | off, latched |
//! | alarm `<output>-stuck-on` | the others | as above; of pumps: reporting off and drawing | medium |
//! | alarm `<output>-no-load` | heater, fan, skimmer | on, under half of the usual watts for 30 s | high, others medium |
//! | alarm `<output>-unusual-power` | return pump | on, not within 70 to 130 % for 30 s | high; the pump goes on |
//! | alarm `<output>-stopped` | powerhead | on, under half for 60 s | high after 5 min |
//! | alarm `power-lost` | all | a meter says nothing for 5 min | low |
//!
//! Numbers: F22 to F25, F34, F47 of the list of failure modes; the 130 % and the delays up to an alarm are choices.

use crate::control::ids::{ConditionId, Name, OutputId};
use crate::control::plan::{
    Advice, AlarmPlan, AlarmSource, Condition, DrawLimit, Fitted, InterlockPlan, Latch, OnUnknown, OutputFact,
    OutputKind, OutputPlan, Priority, Side, Switch, TankPlan, TimerUnknown,
};
use crate::time::Span;

use super::alarm::{after, new};
use super::output::Output;
use super::read::Fields;
use super::scope::Scope;

const STUCK_FOR: Span = Span::from_seconds(20);
const EXCESS_FOR: Span = Span::from_seconds(10);
const PLUG_LIMIT_FOR: Span = Span::from_seconds(1);
const NO_LOAD_FOR: Span = Span::from_seconds(30);
const STOPPED_FOR: Span = Span::from_seconds(60);
/// Of the usual watts.
pub(super) const LEAST_SHARE: f64 = 0.7;
pub(super) const GREATEST_SHARE: f64 = 1.3;
const HALF: f64 = 0.5;

/// Reads the isolators: each a plug upstream of another one.
pub(super) fn isolators(outputs: &[Output], plan: &TankPlan, scope: &Scope) -> Vec<(OutputId, OutputId)> {
    let mut found = Vec::new();
    for (at, output) in outputs.iter().enumerate() {
        let Some(item) = &output.isolator else { continue };
        let kind = output.plan.kind;
        if !kind.can_harm() {
            if scope.outputs[at].kind_is_known {
                item.wrong(format!(
                    "`isolator` means nothing for a {}\nremove it: heater, top-off and doser have one",
                    kind.word()
                ));
            }
            continue;
        }
        let Some(upstream) = item.one_of("output", &scope.outputs) else { continue };
        let (id, other) = (OutputId::new(upstream), &outputs[upstream].plan);
        if other.plug.report == Fitted::NotFitted
            && output.plan.plug.report == Fitted::NotFitted
            && output.plan.plug.meter.is_none()
        {
            item.wrong("nothing says whether this output is on against its command, so nothing would ever open its isolator\nwrite a `report` or a `meter` in its plug");
        } else if other.kind != OutputKind::Other || upstream == at {
            item.wrong(format!(
                "`{}` cannot be the plug upstream of `{}`\nwrite an output of its own: kind: other, rest: on",
                other.name, output.plan.name
            ));
        } else if other.rest != Switch::On {
            item.wrong(format!(
                "`{}` rests off, so `{}` would never have current\nwrite `rest: on` in `{}`",
                other.name, output.plan.name, other.name
            ));
        } else if other.plug.lease.is_some() {
            item.wrong(format!(
                "a lease on `{}` would open it whenever the daemon is away\nwrite `lease: none` in its plug",
                other.name
            ));
        } else if plan.rules.iter().any(|rule| rule.wishes.iter().any(|(output, _)| *output == id))
            || plan.schedules.iter().any(|schedule| schedule.output == id)
        {
            item.wrong(format!(
                "a rule or a schedule switches `{}`, and an isolator opens for its trip only\nremove that one",
                other.name
            ));
        } else {
            found.push((OutputId::new(at), id));
        }
    }
    found
}

/// Puts the interlocks that come with power meters and isolators into the plan.
pub(super) fn settle(plan: &mut TankPlan, isolators: &[(OutputId, OutputId)], fields: &Fields, scope: &Scope) {
    let mut come = Vec::new();
    for (at, output) in plan.outputs.iter().enumerate() {
        let id = OutputId::new(at);
        let isolator = isolators.iter().find(|(of, _)| *of == id).map(|(_, isolator)| *isolator);
        if output.kind.can_harm() && (output.plug.meter.is_some() || isolator.is_some()) {
            come.push(stuck_interlock(id, output, isolator, scope));
        }
        come.extend(over_power(id, output, scope));
    }
    come.extend(super::flow::interlock(plan, scope));
    for interlock in come {
        if plan.interlocks.iter().any(|other| other.name == interlock.name) {
            let at = fields.get("interlocks").unwrap_or_else(|| fields.item.clone());
            at.wrong(format!("`{}` comes with power meters and flow\ngive this one another name", interlock.name));
        }
        plan.interlocks.push(interlock);
    }
}

fn fact(output: OutputId, fact: OutputFact, scope: &Scope) -> ConditionId {
    scope.add(Condition::Output { output, fact })
}

fn draws(output: OutputId, side: Side, limit: DrawLimit, scope: &Scope) -> ConditionId {
    scope.add(Condition::Draws { output, side, limit })
}

/// True for so long, as a trip counts it.
pub(super) fn lasting(inner: ConditionId, span: Span, scope: &Scope) -> ConditionId {
    scope.add(Condition::Lasting { inner, span, unknown: TimerUnknown::Freezes })
}

/// It runs, as far as can be known of its plug.
pub(super) fn is_on(output: OutputId, scope: &Scope) -> ConditionId {
    let reports = scope.outputs[output.index()].report == Fitted::Fitted;
    fact(output, if reports { OutputFact::ProvenOn } else { OutputFact::CommandedOn }, scope)
}

fn stuck_on(id: OutputId, output: &OutputPlan, scope: &Scope) -> ConditionId {
    let idle = DrawLimit::Watts(output.idle_watts());
    // A pump that is left as it is found is decided off and may run; only its own report says that it should not.
    let off = if output.kind.is_life_support() { OutputFact::ProvenOff } else { OutputFact::CommandedOff };
    let mut signs = Vec::new();
    if output.plug.meter.is_some() {
        signs.push(draws(id, Side::Above, idle, scope));
    }
    if output.plug.report == Fitted::Fitted && output.kind.can_harm() {
        signs.push(fact(id, OutputFact::ProvenOn, scope));
    }
    let off = fact(id, off, scope);
    let signs = scope.any(signs);
    let both = scope.all(vec![off, signs]);
    lasting(both, STUCK_FOR, scope)
}

fn stuck_interlock(id: OutputId, output: &OutputPlan, isolator: Option<OutputId>, scope: &Scope) -> InterlockPlan {
    let stuck = stuck_on(id, output, scope);
    let cause = match isolator {
        // Behind an open isolator no current flows and the plug below is dead: a reset closes it, and looks again.
        Some(isolator) => {
            let closed = fact(isolator, OutputFact::CommandedOn, scope);
            scope.all(vec![stuck, closed])
        }
        None => stuck,
    };
    let mut effects = vec![(id, Switch::Off)];
    effects.extend(isolator.map(|isolator| (isolator, Switch::Off)));
    let advice = match output.kind {
        OutputKind::Heater => Advice::new(
            "Its relay is stuck and no command opens it: the heater cooks the tank.",
            "Pull the plug of the heater, replace the plug, then reset.",
        ),
        _ => Advice::new(
            "No command stops it: it goes on pumping.",
            "Pull this plug and look where the water goes; replace the plug, then reset.",
        ),
    };
    interlock(&format!("{}-stuck-on", output.name), cause, effects, advice)
}

fn over_power(id: OutputId, output: &OutputPlan, scope: &Scope) -> Option<InterlockPlan> {
    let meter = output.plug.meter.as_ref()?;
    let mut causes = Vec::new();
    // A pump that is blocked draws more than usual and still moves some water: that is an alarm, not a stop.
    if !output.kind.is_life_support() {
        let excess = lasting(draws(id, Side::Above, DrawLimit::Excess, scope), EXCESS_FOR, scope);
        causes.push(scope.all(vec![excess, draws(id, Side::Above, DrawLimit::ExcessTwice, scope)]));
    }
    if let Some(limit) = meter.plug_limit {
        let limit = DrawLimit::Watts(limit.watts());
        causes.push(lasting(draws(id, Side::Above, limit, scope), PLUG_LIMIT_FOR, scope));
    }
    if causes.is_empty() {
        return None;
    }
    let cause = scope.any(causes);
    let advice = Advice::new(
        "Too much current heats the plug and the cable: that is how fires begin.",
        "Pull this plug and feel whether it is hot. Look what hangs on it and at its cable, then reset.",
    );
    Some(interlock(&format!("{}-over-power", output.name), cause, vec![(id, Switch::Off)], advice))
}

fn interlock(name: &str, cause: ConditionId, effects: Vec<(OutputId, Switch)>, advice: Advice) -> InterlockPlan {
    InterlockPlan {
        restarts: None,
        name: Name::new(name),
        cause,
        unknown: OnUnknown::Ignored,
        effects,
        latch: Latch::Always,
        priority: Priority::Urgent,
        bypassable: false,
        advice,
    }
}

/// The alarms that come with power meters.
pub(super) fn alarms(plan: &TankPlan, scope: &Scope, alarms: &mut Vec<AlarmPlan>) {
    let mut alarm = |name: String, priority, cause, delay, advice: Advice| {
        alarms.push(after(new(&name, priority, AlarmSource::Condition(cause), advice), delay));
    };
    let seconds = Span::from_seconds;
    for (at, output) in plan.outputs.iter().enumerate().filter(|(_, output)| output.plug.meter.is_some()) {
        let (id, name) = (OutputId::new(at), &output.name);
        let under = |share: f64, span: Span| {
            let on = is_on(id, scope);
            let low = draws(id, Side::Below, DrawLimit::Share(share), scope);
            lasting(scope.all(vec![on, low]), span, scope)
        };
        if !output.kind.can_harm() {
            let advice = Advice::new(
                "It runs on, whatever is commanded.",
                "Look at the plug: its relay is stuck, or something else feeds it.",
            );
            alarm(format!("{name}-stuck-on"), Priority::Medium, stuck_on(id, output, scope), Span::ZERO, advice);
        }
        match output.kind {
            OutputKind::Heater => {
                let advice = Advice::new(
                    "It does not heat, and the tank cools.",
                    "Look for a burnt element, a loose plug, its own thermostat set too low. Warm slowly with another heater.",
                );
                alarm(format!("{name}-no-load"), Priority::High, under(HALF, NO_LOAD_FOR), seconds(15), advice);
            }
            OutputKind::Fan | OutputKind::Skimmer => {
                let advice = Advice::new(
                    "It is on and does not run: what it is for does not happen.",
                    "Look at its motor and at its cable.",
                );
                alarm(format!("{name}-no-load"), Priority::Medium, under(HALF, NO_LOAD_FOR), seconds(30), advice);
            }
            OutputKind::Powerhead => {
                let advice =
                    Advice::new("It does not turn; animals need moving water within the hour.", "Free its rotor.");
                alarm(format!("{name}-stopped"), Priority::High, under(HALF, STOPPED_FOR), seconds(240), advice);
            }
            OutputKind::ReturnPump => {
                let on = is_on(id, scope);
                let low = draws(id, Side::Below, DrawLimit::Share(LEAST_SHARE), scope);
                let high = draws(id, Side::Above, DrawLimit::Share(GREATEST_SHARE), scope);
                let unusual = scope.any(vec![low, high]);
                let cause = lasting(scope.all(vec![on, unusual]), NO_LOAD_FOR, scope);
                let advice = Advice::new(
                    "It moves little water or none, and wears out. Less than usual: dry, unplugged or dead. More: something blocks it.",
                    "Look at the pump, its intake and the water in its chamber.",
                );
                alarm(format!("{name}-unusual-power"), Priority::High, cause, Span::ZERO, advice);
            }
            _ => {}
        }
    }
    if plan.outputs.iter().any(|output| output.plug.meter.is_some()) {
        let advice = Advice::new("Nothing is judged by power there.", "Look at the plug and at its radio.");
        alarms.push(after(new("power-lost", Priority::Low, AlarmSource::PowerLost, advice), Span::from_minutes(5)));
    }
}

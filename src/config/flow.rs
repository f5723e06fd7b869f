//! Whether the water moves through the sump: witnesses that must agree, by what is fitted.
//!
//! | witness | says so | denies |
//! | --- | --- | --- |
//! | flow meter | over its limit | under it |
//! | return pump | on, and drawing 70 to 130 % of its usual watts (without a meter: its report, else its command) | off, or another power |
//! | level | within 20 mm of the running level, which is 0 | higher: the display has drained back |
//!
//! Two that know must agree; one alone that knows is believed; two that contradict know nothing, which starts nothing
//! and stops nothing (C5, F21). A level that is too low says nothing: water is missing, and it may move all the same.
//! What is not fitted falls away.

use crate::control::ids::{ConditionId, HoldId, Name, OutputId};
use crate::control::plan::{
    Advice, AlarmPlan, AlarmSource, Condition, DrawLimit, Fitted, InterlockPlan, Latch, OnUnknown, OutputFact,
    OutputKind, Priority, Side, Switch, TankPlan,
};
use crate::time::Span;

use super::alarm::{after, new};
use super::power::{GREATEST_SHARE, LEAST_SHARE, is_on, lasting};
use super::scope::Scope;
use super::starts::over;

/// mm around the running level.
const LEVEL_WITHIN: f64 = 20.0;
const DENIED_FOR: Span = Span::from_seconds(20);
/// After a start of the return pump the water needs so long to find its level.
const STARTING: Span = Span::from_minutes(2);

/// The flow meter's word.
fn meter(scope: &Scope) -> Option<ConditionId> {
    scope.flow.map(|meter| over(scope, meter.signal, meter.proven_over, 0.0))
}

/// The return pump's word, and the level's.
fn others(scope: &Scope) -> Vec<ConditionId> {
    let pumps: Vec<_> = scope.of_kind(OutputKind::ReturnPump).map(|pump| turns(pump, scope)).collect();
    let mut others = Vec::new();
    if !pumps.is_empty() {
        others.push(scope.any(pumps));
        // Without a return pump nothing drains back, and a level says nothing about flow.
        others.extend(
            scope
                .level
                .map(|level| scope.add(Condition::AtRunningLevel { signal: level.signal, within: LEVEL_WITHIN })),
        );
    }
    others
}

fn turns(pump: OutputId, scope: &Scope) -> ConditionId {
    let on = is_on(pump, scope);
    if scope.outputs[pump.index()].meter == Fitted::NotFitted {
        return on;
    }
    let beyond = |side, share| {
        let beyond = Condition::Draws { output: pump, side, limit: DrawLimit::Share(share) };
        scope.not(scope.add(beyond))
    };
    scope.all(vec![on, beyond(Side::Below, LEAST_SHARE), beyond(Side::Above, GREATEST_SHARE)])
}

fn agreed(mut witnesses: Vec<ConditionId>, scope: &Scope) -> Option<ConditionId> {
    match witnesses.len() {
        0 => None,
        1 => witnesses.pop(),
        _ => Some(scope.add(Condition::Agree(witnesses))),
    }
}

/// Flow is proven, lost, or not known. `None`: nothing is fitted that could say.
pub(super) fn proven(scope: &Scope) -> Option<ConditionId> {
    let witnesses = meter(scope).into_iter().chain(others(scope)).collect();
    agreed(witnesses, scope)
}

/// Flow is lost, two minutes or more after the return pump's start and in no hold that pauses it.
fn lost(plan: &TankPlan, scope: &Scope) -> Option<ConditionId> {
    let lost = scope.not(proven(scope)?);
    let mut all = vec![lasting(lost, DENIED_FOR, scope)];
    for pump in scope.of_kind(OutputKind::ReturnPump) {
        all.push(not_held(pump, plan, scope));
        let on = scope.add(Condition::Output { output: pump, fact: OutputFact::CommandedOn });
        let off = scope.not(on);
        let for_long = lasting(on, STARTING, scope);
        all.push(scope.any(vec![off, for_long]));
    }
    Some(scope.all(all))
}

/// A heater beside still water warms the little that is around it, so it goes off with the flow; so does a compressor.
/// Comes with a return pump whose flow more than its own word can tell.
pub(super) fn interlock(plan: &TankPlan, scope: &Scope) -> Option<InterlockPlan> {
    let fed = [OutputKind::Heater, OutputKind::Chiller].into_iter().flat_map(|kind| scope.of_kind(kind));
    let effects: Vec<_> = fed.map(|output| (output, Switch::Off)).collect();
    if effects.is_empty() || !is_seen(scope) {
        return None;
    }
    let advice = Advice::new(
        "Heat comes back two minutes after the flow; until then the water cools.",
        "Look at the return pump, its intake and the level in its chamber.",
    );
    Some(InterlockPlan {
        name: Name::new(NO_FLOW),
        // Right after a hold the pump is still off for the moment until its turn.
        cause: lasting(lost(plan, scope)?, DENIED_FOR, scope),
        unknown: OnUnknown::Ignored,
        effects,
        latch: Latch::Never,
        restarts: None,
        priority: Priority::Medium,
        bypassable: false,
        advice,
    })
}

/// The interlock that comes with the flow.
pub(super) const NO_FLOW: &str = "no-flow";

/// No hold that pauses it stands.
fn not_held(output: OutputId, plan: &TankPlan, scope: &Scope) -> ConditionId {
    let pausing = plan.holds.iter().enumerate().filter(|(_, hold)| hold.pauses.contains(&output));
    let held = pausing.map(|(at, _)| scope.add(Condition::Held(Some(HoldId::new(at))))).collect();
    scope.not(scope.any(held))
}

/// Whether more than the return pump's own word is fitted.
pub(super) fn is_seen(scope: &Scope) -> bool {
    let metered = |pump: OutputId| scope.outputs[pump.index()].meter == Fitted::Fitted;
    let mut pumps = scope.of_kind(OutputKind::ReturnPump).peekable();
    pumps.peek().is_some() && (scope.flow.is_some() || scope.level.is_some() || pumps.any(metered))
}

/// The alarms about flow.
pub(super) fn alarms(plan: &TankPlan, scope: &Scope, alarms: &mut Vec<AlarmPlan>) {
    let mut alarm = |name: &str, priority, cause, delay, advice: Advice| {
        alarms.push(after(new(name, priority, AlarmSource::Condition(cause), advice), delay));
    };
    let seconds = Span::from_seconds;
    if is_seen(scope)
        && let Some(lost) = lost(plan, scope)
    {
        let advice = Advice::new(
            "Nothing flows through the sump, so nothing heats and the water cools; the powerheads go on.",
            "Look at the return pump, its intake and the level in its chamber.",
        );
        alarm("flow-lost", Priority::High, lost, seconds(20), advice);
    }
    if let (Some(says), Some(rest)) = (meter(scope), agreed(others(scope), scope)) {
        let (not_says, not_rest) = (scope.not(says), scope.not(rest));
        let contradict = vec![scope.all(vec![says, not_rest]), scope.all(vec![not_says, rest])];
        let advice = Advice::new(
            "The flow meter and the other signs of flow contradict each other: heat may be refused although it flows.",
            "Clean the meter's wheel, and look whether water comes back into the display.",
        );
        alarm("flow-meter", Priority::Medium, scope.any(contradict), Span::from_minutes(10), advice);
    }
    let powerheads: Vec<OutputId> = scope.of_kind(OutputKind::Powerhead).collect();
    if let (false, true, Some(lost)) = (powerheads.is_empty(), is_seen(scope), lost(plan, scope)) {
        let mut all = vec![lost];
        for id in powerheads {
            let known = &scope.outputs[id.index()];
            let mut still = Vec::new();
            if known.report == Fitted::Fitted {
                still.push(scope.add(Condition::Output { output: id, fact: OutputFact::ProvenOff }));
            }
            if known.meter == Fitted::Fitted {
                let draws = Condition::Draws { output: id, side: Side::Below, limit: DrawLimit::Share(0.5) };
                still.push(scope.add(draws));
            }
            if still.is_empty() {
                return;
            }
            all.push(scope.any(still));
            all.push(not_held(id, plan, scope));
        }
        let cause = lasting(scope.all(all), seconds(10), scope);
        let advice = Advice::new(
            "Nothing moves the water: animals have an hour, less at night.",
            "Stir by hand, start a battery air pump, then look at the pumps.",
        );
        alarm("water-stands-still", Priority::Urgent, cause, Span::ZERO, advice);
    }
}

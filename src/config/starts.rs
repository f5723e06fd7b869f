//! Permissives: what must be true before something starts. Unknown blocks a start and stops nothing.
//!
//! What a kind of output needs is known without a word in the file, as far as the evidence is fitted; what
//! is not fitted falls away, and `check` prints what is then unprotected. A start of the same name in the
//! file replaces the usual one, and `none` removes it.
//!
//! | needed | by | evidence |
//! | --- | --- | --- |
//! | `enough-water` | return pump at once, heater 1 min | level over its minimum, low float wet; each that is known must agree, and one must be known |
//! | `flow-proven` | heater 2 min, chiller at once, skimmer and top-off 10 min, doser 15 min | two of flow meter, return pump and level, as far as they are fitted (`flow`) |
//! | `level-normal` | skimmer | level within 10 mm of the running level for 5 min |
//! | `level-known` | top-off | the level has a good value |
//! | `high-float-dry` | top-off | every high float, dry and known |
//! | `no-leak` | top-off, doser | no leak probe wet; a lost one is an alarm only |

use crate::control::ids::{ConditionId, Name, OutputId, SignalId};
use crate::control::plan::{Condition, Doubtful, Estimate, OutputKind, Permissive, Side, TimerUnknown};
use crate::time::Span;

use super::condition::{self, Use};
use super::flow;
use super::kinds::Measures;
use super::read::Item;
use super::scope::Scope;

/// The permissives of one output: the usual ones, as the file changes them.
pub(super) fn permissives(output: OutputId, file: Option<&Item>, scope: &Scope) -> Vec<Permissive> {
    let mut needed = usual(output, scope);
    for (name, item) in file.map(Item::named).unwrap_or_default() {
        let at = needed.iter().position(|permissive| permissive.name == name);
        if item.is_word("none") {
            match at {
                Some(at) => drop(needed.remove(at)),
                None => item.wrong(format!("`{name}` is no usual start of this output, so there is nothing to remove")),
            }
            continue;
        }
        let Some(condition) = condition::read(&item, scope, Use::Permit) else { continue };
        match at {
            Some(at) => needed[at].condition = condition,
            None => needed.push(Permissive { name, condition }),
        }
    }
    needed
}

fn usual(output: OutputId, scope: &Scope) -> Vec<Permissive> {
    let kind = scope.outputs[output.index()].kind;
    let mut needed = Vec::new();
    let mut need = |name: &str, condition: Option<ConditionId>| {
        needed.extend(condition.map(|condition| Permissive { name: Name::new(name), condition }));
    };
    let minutes = Span::from_minutes;
    match kind {
        OutputKind::Heater => {
            let water = enough_water(scope, scope.level.and_then(|level| level.heater_needs));
            need("enough-water", water.map(|inner| lasting(scope, inner, minutes(1))));
            need("flow-proven", flow_for(scope, minutes(2)));
        }
        OutputKind::Chiller => need("flow-proven", flow_for(scope, Span::ZERO)),
        OutputKind::ReturnPump => need("enough-water", enough_water(scope, scope.level.and_then(|l| l.return_needs))),
        OutputKind::TopOff => {
            need("high-float-dry", every_high_float_dry(scope));
            need("level-known", scope.level.map(|level| scope.known(level.signal)));
            need("flow-proven", flow_for(scope, minutes(10)));
            need("no-leak", no_leak(scope));
        }
        OutputKind::Skimmer => {
            need("flow-proven", flow_for(scope, minutes(10)));
            need("level-normal", level_normal(scope));
        }
        OutputKind::Doser => {
            need("flow-proven", flow_for(scope, minutes(15)));
            need("no-leak", no_leak(scope));
        }
        OutputKind::Fan | OutputKind::Powerhead | OutputKind::Light | OutputKind::Other => {}
    }
    needed
}

/// What must be true for a release, of the evidence that is fitted.
pub(super) fn release(pauses: &[OutputId], scope: &Scope) -> Vec<Permissive> {
    let mut needed = Vec::new();
    let mut need = |name: &str, condition: Option<ConditionId>| {
        needed.extend(condition.map(|condition| Permissive { name: Name::new(name), condition }));
    };
    let paused = |kind| pauses.iter().any(|output| scope.outputs[output.index()].kind == kind);
    if paused(OutputKind::ReturnPump) || paused(OutputKind::Heater) {
        need("enough-water", enough_water(scope, scope.level.and_then(|level| level.return_needs)));
    }
    need("no-leak", no_leak(scope));
    if paused(OutputKind::TopOff) {
        let floats = scope.measuring(Measures::HighFloat).map(|float| not_wet(scope, float)).collect();
        need("no-high-water", some(floats, |floats| scope.all(floats)));
    }
    needed
}

fn some<T>(of: Vec<T>, then: impl FnOnce(Vec<T>) -> ConditionId) -> Option<ConditionId> {
    (!of.is_empty()).then(|| then(of))
}

/// Level and low float: what is known must agree, and something must be known.
fn enough_water(scope: &Scope, least: Option<f64>) -> Option<ConditionId> {
    let mut evidence: Vec<(SignalId, ConditionId)> = Vec::new();
    if let (Some(level), Some(least)) = (scope.level, least) {
        evidence.push((level.signal, over(scope, level.signal, least, 0.0)));
    }
    for float in scope.measuring(Measures::LowFloat) {
        let doubtful = Doubtful::IsUnknown;
        evidence.push((float, scope.add(Condition::Contact { signal: float, wet: true, doubtful })));
    }
    if let [(_, only)] = evidence[..] {
        return Some(only);
    }
    some(evidence, |evidence| {
        let mut agreed: Vec<_> = evidence
            .iter()
            .map(|(signal, says)| {
                let lost = scope.not(scope.known(*signal));
                scope.any(vec![*says, lost])
            })
            .collect();
        let known = evidence.iter().map(|(signal, _)| scope.known(*signal)).collect();
        agreed.push(scope.any(known));
        scope.all(agreed)
    })
}

pub(super) fn flow_for(scope: &Scope, span: Span) -> Option<ConditionId> {
    let inner = flow::proven(scope)?;
    if span == Span::ZERO {
        return Some(inner);
    }
    Some(lasting(scope, inner, span))
}

fn lasting(scope: &Scope, inner: ConditionId, span: Span) -> ConditionId {
    scope.add(Condition::Lasting { inner, span, unknown: TimerUnknown::Resets })
}

fn level_normal(scope: &Scope) -> Option<ConditionId> {
    let level = scope.level?;
    let high = over(scope, level.signal, 10.0, 2.0);
    let high = scope.not(high);
    let low = over(scope, level.signal, -10.0, 0.0);
    let inner = scope.all(vec![high, low]);
    let span = Span::from_minutes(5);
    Some(scope.add(Condition::Lasting { inner, span, unknown: TimerUnknown::Resets }))
}

fn every_high_float_dry(scope: &Scope) -> Option<ConditionId> {
    let dry = |signal| scope.add(Condition::Contact { signal, wet: false, doubtful: Doubtful::IsUnknown });
    let floats: Vec<_> = scope.measuring(Measures::HighFloat).map(dry).collect();
    some(floats, |floats| scope.all(floats))
}

fn no_leak(scope: &Scope) -> Option<ConditionId> {
    let leaks = scope.measuring(Measures::Leak).map(|leak| not_wet(scope, leak)).collect();
    some(leaks, |leaks| scope.all(leaks))
}

/// Dry, or not known: a lost probe is an alarm and forbids nothing here. Doubt counts as wet does.
fn not_wet(scope: &Scope, signal: SignalId) -> ConditionId {
    let doubtful = Doubtful::Counts;
    let dry = scope.add(Condition::Contact { signal, wet: false, doubtful });
    let known = scope.add(Condition::Known { signal, doubtful });
    let lost = scope.not(known);
    scope.any(vec![dry, lost])
}

pub(super) fn over(scope: &Scope, signal: SignalId, limit: f64, deadband: f64) -> ConditionId {
    scope.add(Condition::Compare {
        signal,
        estimate: Estimate::Voted,
        side: Side::Above,
        limit,
        deadband,
        alone_margin: 0.0,
        doubtful: Doubtful::IsUnknown,
    })
}

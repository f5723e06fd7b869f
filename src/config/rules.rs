//! Rules and schedules: what only wishes.

use crate::control::ids::OutputId;
use crate::control::plan::{Condition, RulePlan, SchedulePlan, Switch};

use super::condition::{self, Use, windows};
use super::output::named_outputs;
use super::read::Item;
use super::scope::Scope;

/// Reads the rules, in the order of the file: the first is the first to be heard.
pub(super) fn rules(item: Option<&Item>, scope: &Scope) -> Vec<RulePlan> {
    let mut rules = Vec::new();
    for (name, item) in item.map(Item::named).unwrap_or_default() {
        let Some(fields) = item.fields(&["when", "wish"]) else { continue };
        let when = fields.need("when", "{ signal: water-temp, over: 26 °C }");
        let cause = when.as_ref().and_then(|item| condition::read(item, scope, Use::Permit));
        let Some(wish) = fields.need("wish", "{ fan: on }") else { continue };
        let mut wishes = Vec::new();
        for (output, item) in wish.named() {
            let known = scope.outputs.iter().position(|known| known.name == output);
            let to = item.switch();
            let Some(at) = known else {
                unknown_output(&wish, &item, &output, scope);
                continue;
            };
            let (id, known) = (OutputId::new(at), &scope.outputs[at]);
            if let (Some(cause), Some(Switch::Off)) = (cause, to)
                && known.kind.is_life_support()
                && asks_whether_known(scope, cause)
            {
                item.wrong(format!(
                    "`{output}` would stop because information is lost: life support never does\nask for a value, not for whether it is known"
                ));
            }
            wishes.extend(to.map(|to| (id, to)));
        }
        if let Some(cause) = cause {
            rules.push(RulePlan { name, cause, wishes });
        }
    }
    rules
}

/// Whether a condition looks at missing information itself, and not at a value.
pub(super) fn asks_whether_known(scope: &Scope, cause: crate::control::ids::ConditionId) -> bool {
    let mut found = false;
    scope.walk(cause, &mut |condition| found |= matches!(condition, Condition::Known { .. }));
    found
}

fn unknown_output(parent: &Item, item: &Item, name: &str, scope: &Scope) {
    let names: Vec<&str> = scope.outputs.iter().map(|known| &*known.name).collect();
    let fix = match super::problem::nearest(name, names.iter().copied()) {
        Some(near) => format!("did you mean `{near}`?"),
        None => format!("known outputs: {}", super::problem::listed(names, "and")),
    };
    Item { key: parent.key.clone(), ..item.clone() }.wrong(format!("there is no output `{name}`\n{fix}"));
}

/// Reads the schedules: output to parts of the day.
pub(super) fn schedules(item: Option<&Item>, scope: &Scope) -> Vec<SchedulePlan> {
    let Some(item) = item else { return Vec::new() };
    let mut schedules = Vec::new();
    for (output, times) in item.named() {
        let Some(at) = scope.outputs.iter().position(|known| known.name == output) else {
            unknown_output(item, &times, &output, scope);
            continue;
        };
        let kind = scope.outputs[at].kind;
        if matches!(kind, crate::control::plan::OutputKind::Heater) {
            times.wrong(
                "a heater on a schedule heats whatever the temperature is\nwrite `temperature: { ..., heater: ... }`",
            );
        }
        let on = windows(&times);
        schedules.push(SchedulePlan { output: OutputId::new(at), on });
    }
    schedules
}

/// The outputs of an effect or a hold, in the order of the file.
pub(super) fn outputs_of(item: &Item, scope: &Scope) -> Vec<OutputId> {
    named_outputs(item, &scope.outputs).into_iter().map(|(id, _)| id).collect()
}

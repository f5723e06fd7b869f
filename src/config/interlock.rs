//! Interlocks: a cause and the safe effects that it forces.
//!
//! Invariants kept here: lost information never stops a pump; a heater has a cut-off that lost information
//! trips; a top-off is stopped by its float, and by the loss of it; no cut-off and no float is bypassed.

use std::str::FromStr;

use crate::control::ids::{ConditionId, InterlockId, Name, OutputId, SignalId};
use crate::control::plan::{Advice, Condition, InterlockPlan, Latch, OnUnknown, OutputKind, Priority, Side, Switch};
use crate::time::Span;
use crate::units::{Quantity, Temperature};

use super::condition::{self, Use};
use super::kinds::Measures;
use super::output::named_outputs;
use super::read::{Fields, Item};
use super::rules::asks_whether_known;
use super::scope::{Scope, compared};
use super::setup::Cutoff;

const KEYS: [&str; 10] = [
    "cause",
    "effect",
    "latch",
    "restarts",
    "proven_within",
    "alone_for",
    "any_cause_over",
    "priority",
    "consequence",
    "action",
];
/// Over the limit of a cut-off by this much it latches whatever the cause, K. [D1: 26.0 and 28.5 °C]
const ANY_CAUSE: f64 = 2.5;
const UNKNOWN: [(OnUnknown, &str); 3] =
    [(OnUnknown::Trips, "trips"), (OnUnknown::Holds, "holds"), (OnUnknown::Ignored, "ignored")];

/// An interlock with its places in the file.
pub(super) struct Interlock<'a> {
    pub(super) plan: InterlockPlan,
    pub(super) cause: Item<'a>,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum LatchWord {
    Never,
    Always,
    WhenProven,
}

/// Reads the interlocks.
pub(super) fn interlocks<'a>(item: Option<&Item<'a>>, scope: &Scope) -> Vec<Interlock<'a>> {
    item.map(Item::named)
        .unwrap_or_default()
        .into_iter()
        .filter_map(|(name, item)| interlock(name, &item, scope))
        .collect()
}

fn interlock<'a>(name: Name, item: &Item<'a>, scope: &Scope) -> Option<Interlock<'a>> {
    let fields = item.fields(&KEYS)?;
    let place = fields.need("cause", "{ any_probe_of: water-temp, over: 26.0 °C, lasting: 10 s, unknown: trips }");
    let cause = place.as_ref().and_then(|item| condition::read_with(item, scope, Use::Trip, &["unknown"]));
    let said =
        place.as_ref().filter(|item| item.is_map()).and_then(|item| Fields::checked(item.clone()).get("unknown"));
    let unknown = said.as_ref().and_then(|item| item.word(&UNKNOWN));
    let effects = effects(&fields, scope);
    let (place, cause) = (place?, cause?);
    let cutoff = is_cutoff(cause, &effects, scope);
    let of_contact = asks_contact(cause, scope);
    if said.is_none() {
        place.wrong(
            "nothing says what lost information means here\nwrite `unknown: trips`, `unknown: holds` or `unknown: ignored` in the cause",
        );
    }
    let unknown = unknown.unwrap_or(OnUnknown::Holds);
    for (output, to) in &effects {
        let known = &scope.outputs[output.index()];
        if *to == Switch::Off && known.kind.is_life_support() {
            let lost = unknown == OnUnknown::Trips || asks_whether_known(scope, cause);
            if lost {
                said.as_ref().unwrap_or(&place).wrong(format!(
                    "`{}` would stop because information is lost: life support never does\nwrite `unknown: holds`, and ask for a value, not for whether it is known",
                    known.name
                ));
            }
        }
    }
    let priority = fields.get("priority").and_then(|item| item.word(&Priority::WORDS));
    let usual = if cutoff.is_some() || of_contact { Priority::Urgent } else { Priority::High };
    let said = |key: &str| fields.get(key).and_then(|item| item.text().map(str::to_owned));
    let usual_advice = usual_advice(cutoff.is_some(), of_contact);
    let advice = Advice {
        consequence: said("consequence").unwrap_or(usual_advice.consequence),
        action: said("action").unwrap_or(usual_advice.action),
    };
    let latch = latch(&fields, &place, cause, cutoff, scope);
    let plan = InterlockPlan {
        restarts: restarts(&fields, &latch, &effects, scope),
        latch,
        cause,
        unknown,
        effects,
        priority: priority.unwrap_or(usual),
        bypassable: cutoff.is_none() && !asks_float(cause, scope),
        advice,
        name,
    };
    Some(Interlock { plan, cause: place })
}

/// `3 per h`.
struct PerHour(u32);

impl FromStr for PerHour {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let number = text.trim().strip_suffix('h').and_then(|rest| rest.trim_end().strip_suffix("per"));
        match number.map(|number| number.trim().parse::<u32>()) {
            Some(Ok(number @ 1..=12)) => Ok(Self(number)),
            _ => Err(format!("`{text}` is no number of starts\nwrite `3 per h`, from 1 to 12")),
        }
    }
}

/// How often an hour may see a trip that ends with its cause: 3 where a return pump stops [C3].
fn restarts(fields: &Fields, latch: &Latch, effects: &[(OutputId, Switch)], scope: &Scope) -> Option<u32> {
    let said = fields.get("restarts");
    if *latch != Latch::Never {
        if let Some(item) = said {
            item.wrong("`restarts` limits trips that end with their cause, and this one stays until reset\nremove it");
        }
        return None;
    }
    if let Some(item) = said {
        return item.parsed::<PerHour>().map(|per_hour| per_hour.0);
    }
    let stops_a_pump = |(output, to): &(OutputId, Switch)| {
        *to == Switch::Off && scope.outputs[output.index()].kind == OutputKind::ReturnPump
    };
    effects.iter().any(stops_a_pump).then_some(3)
}

fn usual_advice(cutoff: bool, contact: bool) -> Advice {
    match (cutoff, contact) {
        (true, _) => Advice::new(
            "If its relay sticks, the heater goes on heating; while it is off, the tank cools.",
            "Feel the water. If it is hot, unplug the heater; look for a relay that stuck.",
        ),
        (_, true) => Advice::new(
            "Water is where it should not be, or missing where it should be.",
            "Look at the water level and at the floor before anything is switched on again.",
        ),
        _ => {
            Advice::new("What it turned off stays off while its cause is there.", "Find the cause before you reset it.")
        }
    }
}

fn effects(fields: &Fields, scope: &Scope) -> Vec<(OutputId, Switch)> {
    let Some(effect) = fields.need("effect", "{ off: [heater] }") else { return Vec::new() };
    let Some(sides) = effect.fields(&["off", "on"]) else { return Vec::new() };
    let mut effects: Vec<(OutputId, Switch)> = Vec::new();
    for (key, to) in [("off", Switch::Off), ("on", Switch::On)] {
        let Some(list) = sides.get(key) else { continue };
        for (output, item) in named_outputs(&list, &scope.outputs) {
            let known = &scope.outputs[output.index()];
            if to == Switch::On && known.kind.may_always_be_off() && known.kind != OutputKind::Light {
                item.wrong(format!("on is no safe state of a {}\nremove it; a rule may wish it", known.kind.word()));
            } else if effects.iter().any(|(other, _)| *other == output) {
                item.wrong(format!("`{}` is forced both off and on\nremove one", known.name));
            } else {
                effects.push((output, to));
            }
        }
    }
    let nothing = |key: &str| sides.get(key).is_none() && !sides.is_misspelt(key);
    if nothing("off") && nothing("on") {
        effect.wrong("an interlock without effect protects nothing\nwrite `off: [heater]`, or make it an alarm");
    }
    effects
}

/// The limit of a heater's cut-off: this cause compares a temperature from above and turns a heater off.
pub(super) fn is_cutoff(cause: ConditionId, effects: &[(OutputId, Switch)], scope: &Scope) -> Option<(SignalId, f64)> {
    let heater = |(output, to): &(OutputId, Switch)| {
        *to == Switch::Off && scope.outputs[output.index()].kind == OutputKind::Heater
    };
    effects.iter().any(heater).then(|| temperature_over(cause, scope)).flatten()
}

/// A temperature from above that makes the cause true by itself: signal, limit, and for how long.
fn over_by_itself(cause: ConditionId, scope: &Scope) -> Option<(SignalId, f64, Span)> {
    let mut found: Option<(SignalId, f64, Span)> = None;
    scope.alone(cause, &mut |condition, lasting| {
        if let Some((signal, Side::Above, limit)) = compared(condition)
            && scope.quantity(signal) == Some(Quantity::Temperature)
            && found.is_none_or(|(_, least, _)| limit < least)
        {
            found = Some((signal, limit, lasting));
        }
    });
    found
}

fn temperature_over(cause: ConditionId, scope: &Scope) -> Option<(SignalId, f64)> {
    over_by_itself(cause, scope).map(|(signal, limit, _)| (signal, limit))
}

fn asks_contact(cause: ConditionId, scope: &Scope) -> bool {
    let mut found = false;
    scope.walk(cause, &mut |condition| found |= matches!(condition, Condition::Contact { .. }));
    found
}

fn asks_float(cause: ConditionId, scope: &Scope) -> bool {
    let mut found = false;
    scope.walk(cause, &mut |condition| {
        if let Condition::Contact { signal, .. } = condition {
            let measures = scope.signals[signal.index()].measures;
            found |= matches!(measures, Some(Measures::HighFloat | Measures::LowFloat));
        }
    });
    found
}

fn latch(fields: &Fields, cause: &Item, id: ConditionId, cutoff: Option<(SignalId, f64)>, scope: &Scope) -> Latch {
    let words = [(LatchWord::Never, "never"), (LatchWord::Always, "always"), (LatchWord::WhenProven, "when-proven")];
    let said = fields.get("latch");
    let usual = if cutoff.is_some() { LatchWord::WhenProven } else { LatchWord::Never };
    let word = said.as_ref().map_or(Some(usual), |item| item.word(&words)).unwrap_or(usual);
    let within = fields.span_or("proven_within", Span::from_minutes(1), Span::from_hours(24), Span::from_minutes(30));
    let alone_for = fields.span_or("alone_for", Span::from_seconds(10), Span::from_hours(2), Span::from_minutes(10));
    if word != LatchWord::WhenProven {
        for item in ["proven_within", "alone_for", "any_cause_over"].iter().filter_map(|key| fields.get(key)) {
            item.wrong(format!("`{}` means something for `latch: when-proven` only\nremove it", item.last_key()));
        }
    }
    match word {
        LatchWord::Never => Latch::Never,
        LatchWord::Always => Latch::Always,
        LatchWord::WhenProven => {
            if let Some((signal, limit)) = temperature_over(id, scope) {
                let any = fields.get("any_cause_over").and_then(|item| {
                    let over = item.amount(Quantity::Temperature, 10.0, 45.0)?;
                    if over <= limit {
                        item.wrong(format!("`{over:.2} °C` is not above {limit:.2} °C, the limit of the trip\nwrite a higher one, or `latch: always`"));
                    }
                    Some(over)
                });
                let any_cause_over = any.unwrap_or(limit + ANY_CAUSE);
                return Latch::WhenProven { signal, limit, within, alone_for, any_cause_over };
            }
            said.as_ref().unwrap_or(cause).wrong(
                "`when-proven` needs a temperature over a limit in the cause\nwrite `latch: always` or `latch: never`",
            );
            Latch::Never
        }
    }
}

/// The cut-offs of a heater.
pub(super) fn cutoffs_of<'p>(
    heater: OutputId,
    interlocks: impl Iterator<Item = &'p InterlockPlan>,
    scope: &Scope,
) -> Vec<Cutoff> {
    let found = interlocks.enumerate().filter(|(_, plan)| plan.effects.contains(&(heater, Switch::Off)));
    found
        .filter_map(|(at, plan)| {
            let (signal, limit, lasting) = over_by_itself(plan.cause, scope)?;
            let limit = Temperature::from_celsius(limit).ok()?;
            Some(Cutoff { heater, interlock: InterlockId::new(at), signal, limit, lasting })
        })
        .collect()
}

/// After how long an interlock stops a top-off when the water is too high, by a high float or by the level;
/// `None`: it does not.
pub(super) fn stops_when_high(cause: ConditionId, scope: &Scope) -> Option<Span> {
    let mut found: Option<Span> = None;
    scope.alone(cause, &mut |condition, lasting| {
        let asks = match condition {
            Condition::Contact { signal, wet: true, .. } => {
                scope.signals[signal.index()].measures == Some(Measures::HighFloat)
            }
            Condition::Compare { signal, side: Side::Above, .. } => scope.quantity(*signal) == Some(Quantity::Level),
            _ => false,
        };
        if asks {
            found = Some(found.map_or(lasting, |least| least.min(lasting)));
        }
    });
    found
}

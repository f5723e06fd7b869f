//! Conditions and windows in words, as `check` prints them.

use crate::control::ids::{ConditionId, OutputId, SignalId, TopOffId};
use crate::control::plan::{
    Condition, DrawLimit, Estimate, Gauge, OutputFact, Side, StillPlan, Switch, TankPlan, TopOffFact,
};
use crate::units::{Amount, Quantity};

/// A value of a signal's quantity, as a keeper writes it.
pub(super) fn amount(quantity: Quantity, value: f64) -> String {
    Amount::new(quantity, value).map_or_else(|| "?".to_owned(), |amount| amount.to_string())
}

/// A condition in words: `water-temp over 26.00 °C for 10 s`.
pub(super) fn condition(plan: &TankPlan, id: ConditionId) -> String {
    let signal = |id: SignalId| &*plan.signals[id.index()].name;
    let output = |id: OutputId| &*plan.outputs[id.index()].name;
    let join = |of: &[ConditionId], word: &str| {
        let parts: Vec<_> = of.iter().map(|inner| nested(plan, *inner)).collect();
        parts.join(word)
    };
    match &plan.conditions[id.index()] {
        Condition::All(of) if of.len() == 3 && draws_as_usual(plan, of).is_some() => {
            draws_as_usual(plan, of).unwrap_or_default()
        }
        Condition::All(of) => join(of, " and "),
        Condition::Any(of) => join(of, " or "),
        Condition::Not(inner) => format!("not ({})", condition(plan, *inner)),
        Condition::Agree(of) => format!("{} of: {}", if of.len() > 1 { "two" } else { "one" }, join(of, "; ")),
        Condition::Compare { signal: of, estimate, side, limit, .. } => {
            let estimate = match estimate {
                Estimate::Voted => "",
                Estimate::Highest => "the highest of ",
                Estimate::Lowest => "the lowest of ",
                Estimate::EachProbe => "any probe of ",
            };
            let side = if *side == Side::Above { "over" } else { "under" };
            format!("{estimate}{} {side} {}", signal(*of), amount(plan.signals[of.index()].quantity, *limit))
        }
        Condition::Moved { signal: of, side, by, within, .. } => {
            let verb = if *side == Side::Below { "fell" } else { "rose" };
            let by = amount(plan.signals[of.index()].quantity.difference(), *by);
            format!("{} {verb} by more than {by} within {within}", signal(*of))
        }
        Condition::Contact { signal: of, wet, .. } => format!("{} {}", signal(*of), if *wet { "wet" } else { "dry" }),
        Condition::Known { signal: of, .. } => format!("{} known", signal(*of)),
        Condition::AtRunningLevel { signal: of, within } => {
            format!("{} within {} of its running level", signal(*of), amount(Quantity::Level, *within))
        }
        Condition::Output { output: of, fact } => {
            let fact = match fact {
                OutputFact::CommandedOn => "commanded on",
                OutputFact::CommandedOff => "commanded off",
                OutputFact::ProvenOn => "proven on",
                OutputFact::ProvenOff => "proven off",
                OutputFact::LevelUnproven => "at another level than it was told",
            };
            format!("{} {fact}", output(*of))
        }
        Condition::Draws { output: of, side, limit } => {
            let side = if *side == Side::Above { "over" } else { "under" };
            format!("{} draws {side} {}", output(*of), draw_limit(*limit))
        }
        Condition::TimeOfDay(window) => format!("{}-{}", window.from, window.until),
        Condition::Held(None) => "any hold".to_owned(),
        Condition::Held(Some(hold)) => format!("hold {}", plan.holds[hold.index()].name),
        Condition::TopOff { top_off, fact } => {
            let name = output(plan.top_offs[top_off.index()].output);
            match fact {
                TopOffFact::NoResponse => format!("two runs of {name} without answer"),
                TopOffFact::Siphon => format!("the water rises by more than {name} gave"),
                TopOffFact::Fast => format!("{name} is wanted more often than it used to be"),
                TopOffFact::Overdue => format!("{name} was not wanted for three times as long as usual"),
                TopOffFact::Quiet => format!("the level of {name} quiet for 3 min"),
                TopOffFact::Leak => {
                    format!(
                        "the level of {name} falls faster than {} by itself",
                        fall(plan, *top_off, |still| still.leak)
                    )
                }
                TopOffFact::Burst => {
                    format!(
                        "the level of {name} falls faster than {} by itself",
                        fall(plan, *top_off, |still| still.burst)
                    )
                }
                TopOffFact::OverBudget => format!("the day's budget of {name} was reached twice in a week"),
            }
        }
        Condition::Dosing { doser, fact } => {
            use crate::control::plan::dosing::DosingFact;
            let name = &plan.outputs[plan.dosing[doser.index()].output.index()].name;
            match fact {
                DosingFact::Behind => format!("{name} is more than a day's dose behind"),
                DosingFact::LowContainer => format!("the container of {name} holds less than a tenth"),
                DosingFact::OldCalibration => {
                    format!("{name} was not calibrated for 90 days, or gives something else than before")
                }
                DosingFact::Unbalanced => {
                    format!("the container of {name} lost something else than was commanded, by more than 15 %")
                }
                DosingFact::Unproven => format!("three doses of {name} on end were not proven"),
            }
        }
        Condition::Lasting { inner, span, .. } => format!("{} for {span}", nested(plan, *inner)),
    }
}

/// `0.38 L/h (10 mm/h)`.
fn fall(plan: &TankPlan, id: TopOffId, of: impl Fn(&StillPlan) -> f64) -> String {
    let top_off = &plan.top_offs[id.index()];
    match (&top_off.still, top_off.gauge) {
        (Some(still), Gauge::Level { litres_per_mm, .. }) => {
            format!("{:.2} L/h ({:.0} mm/h)", of(still) * litres_per_mm, of(still))
        }
        _ => "any".to_owned(),
    }
}

fn nested(plan: &TankPlan, id: ConditionId) -> String {
    let text = condition(plan, id);
    match &plan.conditions[id.index()] {
        Condition::All(_) | Condition::Any(_) | Condition::Agree(_) => format!("({text})"),
        _ => text,
    }
}

/// On, and neither under nor over a share of the usual watts: said in one breath.
fn draws_as_usual(plan: &TankPlan, of: &[ConditionId]) -> Option<String> {
    let share = |id: ConditionId| match &plan.conditions[id.index()] {
        Condition::Not(inner) => match plan.conditions[inner.index()] {
            Condition::Draws { limit: DrawLimit::Share(share), .. } => Some(share * 100.0),
            _ => None,
        },
        _ => None,
    };
    let [on, low, high] = of else { return None };
    let (low, high) = (share(*low)?, share(*high)?);
    Some(format!("{} and drawing {low:.0} to {high:.0} % of its usual watts", condition(plan, *on)))
}

fn draw_limit(limit: DrawLimit) -> String {
    match limit {
        DrawLimit::Watts(watts) => amount(Quantity::Power, watts),
        DrawLimit::Share(share) => format!("{:.0} % of its usual watts", share * 100.0),
        DrawLimit::Excess => "115 % of its confirmed watts (130 % of its rating before)".to_owned(),
        DrawLimit::ExcessTwice => "that in two readings on end".to_owned(),
    }
}

/// `heater off, fan on`.
pub(super) fn switches(plan: &TankPlan, effects: &[(OutputId, Switch)]) -> String {
    let each: Vec<_> =
        effects.iter().map(|(output, to)| format!("{} {}", plan.outputs[output.index()].name, to.word())).collect();
    each.join(", ")
}

/// `a, b and c`.
pub(super) fn listing<T: std::fmt::Display>(words: &[T]) -> String {
    match words {
        [] => "nothing".to_owned(),
        [only] => only.to_string(),
        [head @ .., last] => {
            let head: Vec<_> = head.iter().map(ToString::to_string).collect();
            format!("{} and {last}", head.join(", "))
        }
    }
}

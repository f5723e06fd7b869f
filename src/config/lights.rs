//! Lights: a curve of the local day for each light output, on a dimmer or by plain switching.
//!
//! | key | usual | from |
//! | --- | --- | --- |
//! | `from`, `until` | have to be written | |
//! | `ramp` | 60 min on a dimmer, none on a plug that only switches | PICK |
//! | `level` | 100 % | |
//! | `season` | none; a latitude, whose length of day over 12 h scales the time, about its middle | Forsythe et al. 1995 |
//! | `acclimation` | none; `start` 50 %, `over` 30 d | common practice: 10 % a week |
//! | `dim` | none; each with a condition and the part that is left | |
//! | `spots` | none; the photon flux density at a named place with 100 % | |

use crate::control::ids::{Name, OutputId};
use crate::control::plan::lighting::{Acclimation, DimPlan, LightPlan};
use crate::control::plan::{
    Advice, AlarmPlan, AlarmSource, Condition, Fitted, OutputFact, OutputKind, Priority, TankPlan,
};
use crate::time::{Date, LocalTime, Span};
use crate::units::Quantity;

use super::advice::Warning;
use super::condition::{self, Use};
use super::read::{Fields, Item};
use super::scope::Scope;
use super::setup::TankSetup;

const KEYS: [&str; 8] = ["from", "until", "ramp", "level", "season", "acclimation", "dim", "spots"];
/// Common practice: light rises by a tenth a week at most.
const A_WEEK: f64 = 0.10;

/// Reads the section, once the plan's outputs are known.
pub(super) fn lights(fields: &Fields, plan: &mut TankPlan, scope: &Scope) {
    let known: Vec<String> = fields
        .get("spots")
        .map(|item| item.named())
        .unwrap_or_default()
        .iter()
        .map(|(name, _)| name.to_string())
        .collect();
    for (name, item) in fields.get("lights").map(|item| item.named()).unwrap_or_default() {
        let Some(at) = plan.outputs.iter().position(|output| output.name == name) else {
            let lights =
                plan.outputs.iter().filter(|output| output.kind == OutputKind::Light).map(|output| &*output.name);
            item.wrong(format!(
                "there is no output `{name}`\nwrite the name of a light: {}",
                super::problem::listed(lights, "or")
            ));
            continue;
        };
        if plan.outputs[at].kind != OutputKind::Light {
            if scope.outputs[at].kind_is_known {
                item.wrong(format!("`{name}` is a {}, and a light is wanted", plan.outputs[at].kind.word()));
            }
            continue;
        }
        let output = OutputId::new(at);
        if plan.schedules.iter().any(|schedule| schedule.output == output) {
            item.wrong(format!(
                "`{name}` has a schedule too, and only one of them can say when\nremove it from `schedules`"
            ));
        }
        let dimmed = plan.outputs[at].plug.dimmer.is_some();
        plan.lights.extend(light(output, &item, dimmed, &known, scope));
    }
}

fn light(output: OutputId, item: &Item, dimmed: bool, known: &[String], scope: &Scope) -> Option<LightPlan> {
    let fields = item.fields(&KEYS)?;
    let time = |key: &str, usual: &str| fields.need(key, usual).and_then(|item| item.parsed::<LocalTime>());
    let (from, until) = (time("from", "10:00"), time("until", "20:00"));
    if let (Some(from), Some(until)) = (from, until)
        && from == until
    {
        item.wrong(
            "`from` and `until` are the same, so nobody knows whether it is day or night\nwrite two different times",
        );
        return None;
    }
    let only_switches = |key: &str| {
        if let Some(item) = fields.get(key).filter(|_| !dimmed) {
            item.wrong(format!(
                "`{key}` wants a dimmer, and this plug only switches\nwrite `dimmer:` in the plug, or remove it"
            ));
        }
    };
    ["ramp", "level", "acclimation"].into_iter().for_each(only_switches);
    let usual = if dimmed { Span::from_minutes(60) } else { Span::ZERO };
    let ramp = fields.span_or("ramp", Span::ZERO, Span::from_hours(6), usual);
    let level = fields.get("level").map_or(Some(1.0), |item| item.amount(Quantity::Ratio, 0.01, 1.0));
    let latitude = fields.get("season").map(|item| latitude(&item));
    if let (Some(season), Some(from), Some(until)) = (fields.get("season"), from, until)
        && until < from
    {
        season.wrong("a light over midnight has no season: its middle is in the night\nremove `season`");
    }
    let acclimation = fields.get("acclimation").and_then(|item| {
        let fields = item.fields(&["from", "start", "over"])?;
        let from = fields.need("from", "2026-05-01").and_then(|item| item.parsed::<Date>());
        let start = fields.get("start").map_or(Some(0.5), |item| item.amount(Quantity::Ratio, 0.01, 1.0));
        let over = fields.span_or("over", Span::from_hours(24), Span::from_hours(24 * 366), Span::from_hours(24 * 30));
        let days = u32::try_from(over.millis() / Span::from_hours(24).millis()).unwrap_or(30);
        Some(Acclimation { from: from?, start: start?, days })
    });
    let dims = fields.get("dim").map(|item| item.named()).unwrap_or_default();
    let dims = dims.into_iter().filter_map(|(name, item)| dim(name, &item, dimmed, scope)).collect();
    let spots =
        fields.get("spots").map(|item| item.named()).unwrap_or_default().into_iter().filter_map(|(name, item)| {
            if !known.is_empty() && !known.iter().any(|spot| **spot == *name) {
                item.wrong(format!(
                    "there is no spot `{name}`\nknown under `spots`: {}",
                    super::problem::listed(known.iter().map(String::as_str), "and")
                ));
            }
            Some((name.to_string(), item.amount(Quantity::Ppfd, 0.0, 5000.0)?))
        });
    Some(LightPlan {
        output,
        spots: spots.collect(),
        from: from?,
        until: until?,
        ramp,
        level: level?,
        latitude: latitude.flatten(),
        acclimation,
        dims,
    })
}

fn dim(name: Name, item: &Item, dimmed: bool, scope: &Scope) -> Option<DimPlan> {
    let fields = item.fields(&["when", "to"])?;
    let when = fields.need("when", "{ signal: water-temp, over: 26.5 °C, deadband: 0.3 °C }");
    let condition = when.and_then(|item| condition::read(&item, scope, Use::Permit));
    let to = fields.need("to", "50 %")?;
    let part = to.amount(Quantity::Ratio, 0.0, 1.0)?;
    if !dimmed && part > 0.0 {
        to.wrong(
            "a plug that only switches can be dark, and nothing between\nwrite `to: 0 %`, or a `dimmer:` in the plug",
        );
    }
    Some(DimPlan { name, condition: condition?, to: part })
}

/// `38.7 °N`.
fn latitude(item: &Item) -> Option<f64> {
    let text = item.text()?.trim();
    let read =
        text.strip_suffix('N').map(|rest| (rest, 1.0)).or_else(|| text.strip_suffix('S').map(|rest| (rest, -1.0)));
    let degrees = read.and_then(|(rest, sign)| {
        rest.trim().trim_end_matches('°').trim().parse::<f64>().ok().map(|degrees| degrees * sign)
    });
    let found = degrees.filter(|degrees| degrees.abs() <= 65.0);
    if found.is_none() {
        item.wrong(format!(
            "`{text}` is no latitude for a tank\nwrite degrees up to 65 with N or S, such as `38.7 °N`"
        ));
    }
    found
}

/// What each light is to do: its name and a sentence.
pub(super) fn lines(plan: &TankPlan) -> Vec<(String, String)> {
    let line = |light: &LightPlan| {
        let output = &plan.outputs[light.output.index()];
        let how = match output.plug.dimmer {
            None => "switched".to_owned(),
            Some(dimmer) => {
                let proof =
                    if dimmer.reports == Fitted::Fitted { "proven by its report" } else { "which nothing proves" };
                format!(
                    "up to {:.0} %, {} up and down, told at most once in 10 s, {proof}",
                    light.level * 100.0,
                    light.ramp
                )
            }
        };
        let season = light.latitude.map_or_else(String::new, |degrees| {
            format!(
                "; longer in summer and shorter in winter, as the day is at {:.1} °{}",
                degrees.abs(),
                if degrees < 0.0 { 'S' } else { 'N' }
            )
        });
        let acclimation = light.acclimation.map_or_else(String::new, |by| {
            format!("; from {} on {:.0} %, all of it after {} days", by.from, by.start * 100.0, by.days)
        });
        let dims: Vec<String> =
            light.dims.iter().map(|dim| format!("; {:.0} % of it while {}", dim.to * 100.0, dim.name)).collect();
        format!("{} to {}, {how}{season}{acclimation}{}", light.from, light.until, dims.concat())
    };
    plan.lights.iter().map(|light| (plan.outputs[light.output.index()].name.to_string(), line(light))).collect()
}

/// What to think about.
pub(super) fn warnings(tank: &TankSetup) -> Vec<Warning> {
    let plan = &tank.plan;
    let mut found = Vec::new();
    for light in &plan.lights {
        let name = plan.outputs[light.output.index()].name.to_string();
        if let Some(by) = light.acclimation {
            let weekly = ((1.0 / by.start).ln() / f64::from(by.days.max(1)) * 7.0).exp() - 1.0;
            // A straight line rises most, for what there is, in its first week.
            let first = (1.0 - by.start) / by.start / f64::from(by.days.max(1)) * 7.0;
            if first.max(weekly) > A_WEEK + 1e-9 {
                let needed = ((1.0 - by.start) / by.start * 7.0 / A_WEEK).ceil();
                found.push(Warning {
                    about: name.clone(),
                    text: format!(
                        "its light rises by {:.0} % in the first week, and animals bear about a tenth; write `over: {needed:.0} d`",
                        first * 100.0
                    ),
                });
            }
        }
        if plan.outputs[light.output.index()].plug.dimmer.is_some_and(|dimmer| dimmer.reports == Fitted::NotFitted) {
            found.push(Warning {
                about: name,
                text: "nothing proves the level of its dimmer: it is told, and nobody knows".to_owned(),
            });
        }
    }
    found
}

/// Alarms that come with it.
pub(super) fn alarms(plan: &TankPlan, scope: &Scope, alarms: &mut Vec<AlarmPlan>) {
    for light in &plan.lights {
        let output = &plan.outputs[light.output.index()];
        if output.plug.dimmer.is_some_and(|dimmer| dimmer.reports == Fitted::Fitted) {
            let cause = scope.add(Condition::Output { output: light.output, fact: OutputFact::LevelUnproven });
            let advice = Advice::new(
                "The animals have more or less light than the plan says.",
                "Look at the light, its dimmer and its network.",
            );
            alarms.push(super::alarm::new(
                &format!("{}-level", output.name),
                Priority::Low,
                AlarmSource::Condition(cause),
                advice,
            ));
        }
    }
}

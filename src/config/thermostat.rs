//! The temperature loop: set point, band, and where heating and cooling begin and end.

use crate::control::ids::{OutputId, SignalId};
use crate::control::plan::{LoopSide, OutputKind, ThermostatPlan};
use crate::time::Span;
use crate::units::Quantity;

use super::kinds::Measures;
use super::read::{Fields, Item};
use super::scope::Scope;

const KEYS: [&str; 9] =
    ["signal", "target", "band", "heater", "fan", "chiller", "cool_above", "cool_until", "changeover"];

/// Cooling begins this far above the set point, and ends this far above it [PICK], K.
const COOL_ABOVE: f64 = 1.0;
const COOL_UNTIL: f64 = 0.6;

/// Reads the loop.
pub(super) fn thermostat(item: &Item, scope: &Scope) -> Option<ThermostatPlan> {
    let fields = item.fields(&KEYS)?;
    let signal = fields.need("signal", "water-temp").and_then(|item| {
        let signal = SignalId::new(item.one_of("signal", &scope.signals)?);
        let known = &scope.signals[signal.index()];
        match known.measures? {
            Measures::Number(Quantity::Temperature) => Some(signal),
            other => {
                item.wrong(format!("`{}` is a {}, and a temperature is wanted", known.name, other.quantity().noun()));
                None
            }
        }
    });
    let target = fields.need("target", "25.0 °C").and_then(|item| item.amount(Quantity::Temperature, 10.0, 35.0));
    if let (Some(signal), Some(target), Some(item)) = (signal, target, fields.get("target")) {
        let (least, greatest) = scope.signals[signal.index()].range;
        if target <= least || target >= greatest {
            item.wrong(format!(
                "a set point of `{target:.2} °C` is outside of what its probes can say\nwrite a value from {least} °C to {greatest} °C, or a wider `range` in the probes"
            ));
        }
    }
    let band = fields.get("band").map_or(Some(0.3), |item| item.amount(Quantity::TemperatureDifference, 0.1, 2.0));
    let heater = output(&fields, "heater", OutputKind::Heater, scope);
    let (fan, chiller) =
        (output(&fields, "fan", OutputKind::Fan, scope), output(&fields, "chiller", OutputKind::Chiller, scope));
    if let (Some(_), Some(_)) = (fan, chiller) {
        item.wrong("a fan and a chiller both cool\nkeep one of them here and give the other one a rule");
    }
    let neither = ["heater", "fan", "chiller"].iter().all(|key| fields.get(key).is_none());
    if neither {
        item.wrong("nothing heats or cools\nwrite `heater: heater`, `fan: fan` or `chiller: chiller`");
    }
    let limit = |key: &str, usual: Option<f64>| match fields.get(key) {
        Some(item) => item.amount(Quantity::Temperature, 10.0, 40.0),
        None => usual,
    };
    let cool_above = limit("cool_above", target.map(|target| target + COOL_ABOVE));
    let cool_until = limit("cool_until", target.map(|target| target + COOL_UNTIL));
    let changeover = fields.span_or("changeover", Span::from_minutes(1), Span::from_hours(6), Span::from_minutes(10));
    let (target, band) = (target?, band?);
    let heat = heater.map(|output| LoopSide { output, on_at: target - band / 2.0, off_at: target + band / 2.0 });
    let cool = match (fan.or(chiller), cool_above, cool_until) {
        (Some(output), Some(on_at), Some(off_at)) => Some(LoopSide { output, on_at, off_at }),
        _ => None,
    };
    if let Some(cool) = cool {
        sound(&fields, item, heat, cool);
    }
    Some(ThermostatPlan { signal: signal?, target, heat, cool, changeover })
}

fn sound(fields: &Fields, item: &Item, heat: Option<LoopSide>, cool: LoopSide) {
    let at = |key: &str| fields.get(key).unwrap_or_else(|| item.clone());
    if cool.on_at <= cool.off_at {
        at("cool_above").wrong(format!(
            "cooling begins at {:.2} °C and ends at {:.2} °C\nlet it end below where it begins",
            cool.on_at, cool.off_at
        ));
    }
    if let Some(heat) = heat
        && cool.off_at <= heat.off_at
    {
        at("cool_until").wrong(format!(
            "cooling goes on down to {:.2} °C while heating goes on up to {:.2} °C: they would fight\nwrite `cool_until: {:.2} °C` or more",
            cool.off_at,
            heat.off_at,
            heat.off_at + 0.2
        ));
    }
}

fn output(fields: &Fields, key: &str, kind: OutputKind, scope: &Scope) -> Option<OutputId> {
    let item = fields.get(key)?;
    let output = OutputId::new(item.one_of("output", &scope.outputs)?);
    let known = &scope.outputs[output.index()];
    if !known.kind_is_known {
        return None;
    }
    if known.kind != kind {
        item.wrong(format!("`{}` is a {}, and a {} is wanted", known.name, known.kind.word(), kind.word()));
        return None;
    }
    Some(output)
}

//! `stability`: inside which limits a signal is called steady, and from which month heat is stress.
//!
//! ```yaml
//! stability:
//!   water-temp: { band: [24.5 °C, 25.5 °C], warmest_month: 27 °C }
//!   salinity:   { band: [34.5 psu, 35.5 psu] }
//! ```
//! Limits: nothing is switched and nobody is called by these. Graphs, days and reports use them.

use crate::control::ids::SignalId;
use crate::control::plan::TankPlan;
use crate::units::Quantity;

use super::kinds::{Measures, widest_range};
use super::read::{Fields, Item};
use super::scope::Scope;

/// About the loop's set point, K, where no band is written: twice what a heater's own hysteresis takes. [choice]
const USUAL_HALF_BAND: f64 = 0.5;

/// How steadiness of one signal is judged.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stability {
    /// Of which signal.
    pub signal: SignalId,
    /// The lowest and the highest steady value, in the canonical unit.
    pub band: Option<(f64, f64)>,
    /// The mean of the warmest month where the animals come from, °C.
    pub warmest_month: Option<f64>,
}

/// Reads the section; the loop's signal has a band in any case.
pub(super) fn stability(fields: &Fields, plan: &TankPlan, scope: &Scope) -> Vec<Stability> {
    let items = fields.get("stability").map(|item| item.pairs()).unwrap_or_default();
    let mut all: Vec<Stability> = items.iter().filter_map(|(name, item)| one(name, item, scope)).collect();
    if let Some(loop_) = &plan.thermostat {
        let usual = (loop_.target - USUAL_HALF_BAND, loop_.target + USUAL_HALF_BAND);
        match all.iter_mut().find(|one| one.signal == loop_.signal) {
            Some(one) => one.band = one.band.or(Some(usual)),
            None => all.push(Stability { signal: loop_.signal, band: Some(usual), warmest_month: None }),
        }
    }
    all
}

fn one(name: &str, item: &Item, scope: &Scope) -> Option<Stability> {
    let Some(at) = scope.signals.iter().position(|signal| &*signal.name == name) else {
        let names: Vec<&str> = scope.signals.iter().map(|signal| &*signal.name).collect();
        let near = super::problem::nearest(name, names.iter().copied());
        let fix = near.map_or(format!("known: {}", names.join(", ")), |near| format!("did you mean `{near}`?"));
        item.wrong(format!("there is no signal `{name}`\n{fix}"));
        return None;
    };
    let fields = item.fields(&["band", "warmest_month"])?;
    let Measures::Number(quantity) = scope.signals[at].measures? else {
        item.wrong(format!("`{name}` is wet or dry, and has no band\nleave it out"));
        return None;
    };
    let (least, greatest) = widest_range(quantity);
    let band = fields.get("band").and_then(|item| {
        let [low, high] = &item.list()[..] else {
            item.wrong("two values are wanted\nwrite the lowest and the highest steady value as `[24.5 °C, 25.5 °C]`");
            return None;
        };
        let (low, high) = (low.amount(quantity, least, greatest)?, high.amount(quantity, least, greatest)?);
        if low >= high {
            item.wrong("the first value must be the lower one\nwrite them as `[24.5 °C, 25.5 °C]`");
            return None;
        }
        Some((low, high))
    });
    let warmest_month = fields.get("warmest_month").and_then(|item| {
        if quantity == Quantity::Temperature {
            return item.amount(quantity, 10.0, 35.0);
        }
        item.wrong("only a temperature has a warmest month\nleave it out");
        None
    });
    Some(Stability { signal: SignalId::new(at), band, warmest_month })
}

//! How the level is judged between runs: numbers that follow from the tank's litres and the area of its chamber.

use crate::control::plan::{Gauge, StillPlan};
use crate::units::Quantity;

use super::super::read::Fields;
use super::by::{By, meaningless};

/// The standard deviation of a quiet level, mm [PICK].
const SPREAD: f64 = 2.0;
/// A tank evaporates about 2 % of its water a day [simulated: 1.3 to 1.9 L of 90 L]; five times that is a leak,
/// thirty times a burst [PICK].
const LEAK_PART: f64 = 0.10;
const BURST_PART: f64 = 0.60;

pub(super) fn still(fields: &Fields, by: &By, litres: f64) -> Option<StillPlan> {
    let Gauge::Level { litres_per_mm, .. } = by.gauge else {
        meaningless(fields, &["spread", "leak_over", "burst_over"], "a level");
        return None;
    };
    let length = Quantity::Level.difference();
    let spread = fields.get("spread").and_then(|item| item.amount(length, 0.2, 50.0)).unwrap_or(SPREAD);
    // Flow is read in litres a minute.
    let rate = |key: &str, part: f64| {
        let said = fields.get(key).and_then(|item| item.amount(Quantity::Flow, litres / 1e6, litres / 60.0));
        said.map_or(litres * part / 24.0, |per_minute| per_minute * 60.0)
    };
    let (leak, burst) = (rate("leak_over", LEAK_PART), rate("burst_over", BURST_PART));
    if burst <= leak {
        let at = fields.get("burst_over").or_else(|| fields.get("leak_over"));
        at.unwrap_or_else(|| fields.item.clone()).wrong(format!(
            "a burst of {burst:.2} L/h is no more than a leak of {leak:.2} L/h\nwrite `burst_over: {:.2} L/h` or more",
            leak * 2.0
        ));
    }
    Some(StillPlan { spread, leak: leak / litres_per_mm, burst: burst / litres_per_mm })
}

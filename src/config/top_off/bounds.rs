//! How long a run may last and what a day may have: derived from the water, and refused where the water says no.

use crate::control::plan::{Gauge, TopOffPlan};
use crate::time::Span;
use crate::units::Quantity;

use super::super::output::Output;
use super::super::read::{Fields, Item};
use super::by::By;

/// Fresh water that takes 35 to 34.05, one g/kg with a margin for the rounding of litres, as a part of the water.
const DAY_PART: f64 = 35.0 / 34.05 - 1.0;

/// What the water bears in 24 hours, litres.
pub(super) fn most_in_a_day(litres: f64) -> f64 {
    litres * DAY_PART
}

pub(super) fn day(fields: &Fields, litres: f64, usual: f64) -> f64 {
    let most = most_in_a_day(litres);
    let Some(item) = fields.get("per_day") else { return usual };
    let Some(day) = item.amount(Quantity::Volume, 0.001, 10_000.0) else { return usual };
    if day > most {
        item.wrong(format!(
            "{day:.2} L of fresh water in a day would take more than 1 psu off {litres:.0} L\nwrite `per_day: {:.2} L` or less; cover the tank if it evaporates more",
            (most * 100.0).floor() / 100.0
        ));
    }
    day.min(most)
}

pub(super) fn hour(fields: &Fields, day: f64) -> f64 {
    let usual = day / 4.0;
    let Some(item) = fields.get("per_hour") else { return usual };
    let Some(hour) = item.amount(Quantity::Volume, 0.001, 10_000.0) else { return usual };
    if hour > day {
        item.wrong(format!("{hour:.2} L in an hour are more than a day may have, {day:.2} L\nwrite less"));
    }
    hour.min(day)
}

pub(super) fn longest(fields: &Fields, item: &Item, by: &By, expected: Span) -> Span {
    let minute = Span::from_seconds(60);
    let usual = match by.gauge {
        Gauge::Level { .. } => expected.times(2).min(minute),
        Gauge::LowFloat(_) => expected,
    };
    let longest = fields.span_or("longest", Span::from_seconds(1), Span::from_minutes(5), usual);
    if longest < expected {
        fields.get("longest").unwrap_or(item.clone()).wrong(format!(
            "a usual run takes {expected}, and none may last longer than {longest}\nwrite `longest: {expected}` or more, or a smaller run"
        ));
    } else if longest > minute && fields.get("longest").is_none() {
        item.wrong(format!(
            "a run takes {longest}, longer than the minute that needs no word\nwrite `longest: {longest}`, or a smaller run"
        ));
    }
    longest
}

/// A run fits into an hour, and with a lease that nobody ends into a day, even into half of it.
pub(super) fn fits(fields: &Fields, plan: &TopOffPlan, pump: &Output) {
    let give = |span: Span| span.seconds() / 60.0 * plan.delivers.litres_per_minute();
    let lease = pump.plan.plug.lease.map_or(Span::ZERO, |lease| lease.lasts);
    let (run, all) = (give(plan.longest), give(plan.longest.plus(lease)));
    let at = |key: &str| fields.get(key).unwrap_or_else(|| fields.item.clone());
    if run > plan.per_hour.litres() {
        at("per_hour").wrong(format!(
            "the longest run gives {run:.2} L, and an hour may have {:.2} L: it would never start\nwrite `per_hour: {:.2} L` or more, or a shorter `longest`",
            plan.per_hour.litres(),
            (run * 100.0).ceil() / 100.0
        ));
    }
    let half = if plan.salinity.is_some() { plan.per_day.litres() / 2.0 } else { plan.per_day.litres() };
    if all > half {
        let what = if plan.salinity.is_some() { "half of a day's budget" } else { "a day's budget" };
        at("per_day").wrong(format!(
            "the longest run and the plug's lease give {all:.2} L, and {what} is {half:.2} L: it would never start\nwrite a shorter `longest` or lease, or fit a slower pump"
        ));
    }
}

/// Whole seconds, one at least.
pub(super) fn seconds(seconds: f64) -> Span {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped before")]
    Span::from_seconds(seconds.ceil().clamp(1.0, 1e6) as u64)
}

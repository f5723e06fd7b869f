//! Families of top-offs: what was given, what is left of the budgets, what evaporates.

use crate::control::status::{TankStatus, TopOffStatus};

use super::{Family, Samples, gauge};

const TOP_OFF: &[&str] = &["tank", "output"];
const STATES: [&str; 4] = ["waiting", "running", "settling", "watching"];

pub(super) const FAMILIES: &[Family] = &[
    gauge(
        "slackwater_topoff_state",
        "State set of a top-off (waiting, running, settling, watching).",
        &["tank", "output", "state"],
        |tank, to| {
            for one in &tank.top_offs {
                to.state_set(&[&tank.tank, &one.output], &STATES, Some(one.state));
            }
        },
    ),
    gauge(
        "slackwater_topoff_day_litres",
        "Water given in the last 24 hours, with what a run that goes on has reserved.",
        TOP_OFF,
        |tank, to| each(tank, to, |one| Some(one.litres_in_24_hours)),
    ),
    gauge("slackwater_topoff_day_left_litres", "What is left of the budget of any 24 hours.", TOP_OFF, |tank, to| {
        each(tank, to, |one| Some(one.day_left_litres));
    }),
    gauge("slackwater_topoff_hour_left_litres", "What is left of the budget of any hour.", TOP_OFF, |tank, to| {
        each(tank, to, |one| Some(one.hour_left_litres));
    }),
    gauge("slackwater_topoff_misses", "Runs without answer so far, one after the other.", TOP_OFF, |tank, to| {
        each(tank, to, |one| Some(f64::from(one.misses)));
    }),
    gauge(
        "slackwater_evaporation_litres_per_second",
        "What evaporates, by the refills; absent until it is known.",
        TOP_OFF,
        // mL a day to L a second.
        |tank, to| each(tank, to, |one| one.evaporation_ml_per_day.map(|rate| rate / 86_400_000.0)),
    ),
];

fn each(tank: &TankStatus, to: &mut Samples, value: fn(&TopOffStatus) -> Option<f64>) {
    for one in &tank.top_offs {
        if let Some(value) = value(one).filter(|value| value.is_finite()) {
            to.put(&[&tank.tank, &one.output], value);
        }
    }
}

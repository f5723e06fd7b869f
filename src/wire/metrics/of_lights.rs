//! Families of lights that follow a curve.

use super::{Family, gauge};

const LABELS: &[&str] = &["tank", "output"];

pub(super) const FAMILIES: &[Family] = &[
    gauge("slackwater_light_level_ratio", "Level by the clock and by what dims it, 0 to 1.", LABELS, |tank, to| {
        for light in &tank.lights {
            to.put(&[&tank.tank, &light.output], f64::from(light.level_percent) / 100.0);
        }
    }),
    gauge(
        "slackwater_light_told_ratio",
        "Level that the dimmer was told, 0 to 1; absent without one, and while the light is off.",
        LABELS,
        |tank, to| {
            for light in &tank.lights {
                if let Some(told) = light.told_percent {
                    to.put(&[&tank.tank, &light.output], f64::from(told) / 100.0);
                }
            }
        },
    ),
    gauge(
        "slackwater_light_full_seconds",
        "Seconds at 100 % that the local day has by the plan, without what dims it.",
        LABELS,
        |tank, to| {
            for light in &tank.lights {
                to.put(&[&tank.tank, &light.output], light.full_hours_today * 3600.0);
            }
        },
    ),
    gauge(
        "slackwater_light_integral_moles_per_square_meter",
        "Daily light integral of a spot by the plan of the local day, without what dims it.",
        &["tank", "output", "spot"],
        |tank, to| {
            for light in &tank.lights {
                for spot in &light.spots {
                    to.put(&[&tank.tank, &light.output, &spot.spot], spot.mol_per_m2_today);
                }
            }
        },
    ),
];

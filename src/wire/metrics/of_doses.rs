//! Families of dosing pumps. Amounts are litres, a base unit, as water is.

use super::{Family, counter, gauge, moment};

const LABELS: &[&str] = &["tank", "output"];

pub(super) const FAMILIES: &[Family] = &[
    gauge(
        "slackwater_dose_plan_litres_per_second",
        "The plan in force, without a correction, litres a second of the whole day.",
        LABELS,
        |tank, to| {
            for pump in &tank.dosing {
                to.put(&[&tank.tank, &pump.output], pump.maintenance_ml_per_day / 1000.0 / 86_400.0);
            }
        },
    ),
    gauge(
        "slackwater_dose_correction_litres_per_second",
        "What is given on top of the plan now, litres a second of the whole day; negative for less.",
        LABELS,
        |tank, to| {
            for pump in &tank.dosing {
                to.put(&[&tank.tank, &pump.output], pump.correction_ml_per_day / 1000.0 / 86_400.0);
            }
        },
    ),
    gauge(
        "slackwater_dose_window_litres",
        "Given in the last 24 hours, every doubt counted as given, L.",
        LABELS,
        |tank, to| {
            for pump in &tank.dosing {
                to.put(&[&tank.tank, &pump.output], pump.ml_in_24_hours / 1000.0);
            }
        },
    ),
    counter(
        "slackwater_dose_litres_total",
        "Commanded in doses and cylinders over all time, L.",
        LABELS,
        |tank, to| {
            for pump in &tank.dosing {
                to.put(&[&tank.tank, &pump.output], pump.total_ml / 1000.0);
            }
        },
    ),
    counter("slackwater_doses_total", "Doses over all time.", LABELS, |tank, to| {
        for pump in &tank.dosing {
            to.put(&[&tank.tank, &pump.output], pump.doses as f64);
        }
    }),
    gauge("slackwater_dose_owed_litres", "Missed and to be made up for, L.", LABELS, |tank, to| {
        for pump in &tank.dosing {
            to.put(&[&tank.tank, &pump.output], pump.owed_ml / 1000.0);
        }
    }),
    gauge(
        "slackwater_dose_behind_ratio",
        "Days' doses that were not given and not made up for.",
        LABELS,
        |tank, to| {
            for pump in &tank.dosing {
                to.put(&[&tank.tank, &pump.output], pump.days_behind);
            }
        },
    ),
    gauge("slackwater_dose_container_litres", "Left in the container, by the book, L.", LABELS, |tank, to| {
        for pump in &tank.dosing {
            to.put(&[&tank.tank, &pump.output], pump.container_ml / 1000.0);
        }
    }),
    gauge(
        "slackwater_dose_calibration_timestamp_seconds",
        "Unix time since when the pump's rate is known; 0 if not known.",
        LABELS,
        |tank, to| {
            for pump in &tank.dosing {
                to.put(&[&tank.tank, &pump.output], moment(pump.calibrated_at));
            }
        },
    ),
];

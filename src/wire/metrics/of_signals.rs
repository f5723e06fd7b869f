//! Families of tanks, signals and probes: one quantity a family, in the unit that its name says.

use crate::control::quality::Quality;
use crate::control::status::{SignalStatus, TankStatus};
use crate::units::Quantity;

use super::{Family, Samples, counter, gauge, moment, yes};

const SIGNAL: &[&str] = &["tank", "signal"];

pub(super) const FAMILIES: &[Family] = &[
    gauge("slackwater_tank_info", "A tank under control; always 1.", &["tank", "title"], |tank, to| {
        to.put(&[&tank.tank, &tank.title], 1.0);
    }),
    gauge(
        "slackwater_signal_info",
        "A configured signal, what it measures and the unit of slackwater_signal_value; always 1.",
        &["tank", "signal", "quantity", "unit"],
        |tank, to| {
            for signal in &tank.signals {
                to.put(&[&tank.tank, &signal.signal, signal.measures.noun(), signal.unit], 1.0);
            }
        },
    ),
    gauge("slackwater_temperature_celsius", "Voted temperature; absent while bad.", SIGNAL, |tank, to| {
        values(tank, to, |quantity| (quantity == Quantity::Temperature).then_some(1.0));
    }),
    gauge("slackwater_ph", "Voted pH; absent while bad.", SIGNAL, |tank, to| {
        values(tank, to, |quantity| (quantity == Quantity::Ph).then_some(1.0));
    }),
    gauge("slackwater_redox_volts", "Voted oxidation reduction potential; absent while bad.", SIGNAL, |tank, to| {
        values(tank, to, |quantity| (quantity == Quantity::Redox).then_some(1.0));
    }),
    gauge(
        "slackwater_practical_salinity",
        "Voted practical salinity (PSS-78, without unit); absent while bad.",
        SIGNAL,
        |tank, to| values(tank, to, |quantity| (quantity == Quantity::Salinity).then_some(1.0)),
    ),
    gauge(
        "slackwater_conductivity_siemens_per_meter",
        "Voted conductivity; absent while bad.",
        SIGNAL,
        // 1 mS/cm is 0.1 S/m.
        |tank, to| values(tank, to, |quantity| (quantity == Quantity::Conductivity).then_some(0.1)),
    ),
    gauge(
        "slackwater_water_level_meters",
        "Voted level above the probe's datum; absent while bad.",
        SIGNAL,
        |tank, to| values(tank, to, |quantity| (quantity == Quantity::Level).then_some(1e-3)),
    ),
    gauge("slackwater_flow_litres_per_second", "Voted flow; absent while bad.", SIGNAL, |tank, to| {
        values(tank, to, |quantity| (quantity == Quantity::Flow).then_some(1.0 / 60.0));
    }),
    gauge("slackwater_humidity_ratio", "Voted relative humidity, 0 to 1; absent while bad.", SIGNAL, |tank, to| {
        values(tank, to, |quantity| (quantity == Quantity::Humidity).then_some(1.0));
    }),
    gauge("slackwater_contact_closed", "Float or leak probe: 1 wet, 0 dry; absent while bad.", SIGNAL, |tank, to| {
        values(tank, to, |quantity| (quantity == Quantity::Contact).then_some(1.0));
    }),
    gauge(
        "slackwater_signal_value",
        "Voted value of a quantity without a family of its own, in the unit that slackwater_signal_info names; absent while bad.",
        SIGNAL,
        |tank, to| values(tank, to, |quantity| (!has_family(quantity)).then_some(1.0)),
    ),
    gauge("slackwater_signal_valid", "1 if the signal is good, 0 if it is suspect or bad.", SIGNAL, |tank, to| {
        for signal in &tank.signals {
            to.put(&[&tank.tank, &signal.signal], yes(signal.quality.is_good()));
        }
    }),
    gauge(
        "slackwater_signal_invalid_reason",
        "State set: 1 for the reason that the signal is suspect or bad, 0 for the others.",
        &["tank", "signal", "reason"],
        |tank, to| {
            for signal in &tank.signals {
                to.state_set(&[&tank.tank, &signal.signal], &Quality::REASONS, signal.quality.reason());
            }
        },
    ),
    gauge(
        "slackwater_signal_last_sample_timestamp_seconds",
        "Unix time of the last accepted sample by the daemon's clock; 0 if none since start.",
        SIGNAL,
        |tank, to| {
            for signal in &tank.signals {
                to.put(&[&tank.tank, &signal.signal], moment(signal.sampled_at));
            }
        },
    ),
    gauge(
        "slackwater_probe_valid",
        "1 if the probe is good, 0 if it is suspect or bad.",
        &["tank", "probe"],
        |tank, to| {
            for probe in &tank.probes {
                to.put(&[&tank.tank, &probe.probe], yes(probe.quality.is_good()));
            }
        },
    ),
    counter(
        "slackwater_probe_samples_total",
        "Samples received by result (accepted, range, decode, retained).",
        &["tank", "probe", "result"],
        |tank, to| {
            for probe in &tank.probes {
                let counts = probe.samples;
                for (result, count) in [
                    ("accepted", counts.accepted),
                    ("range", counts.range),
                    ("decode", counts.decode),
                    ("retained", counts.retained),
                ] {
                    to.put(&[&tank.tank, &probe.probe, result], count as f64);
                }
            }
        },
    ),
];

fn has_family(quantity: Quantity) -> bool {
    matches!(
        quantity,
        Quantity::Temperature
            | Quantity::Ph
            | Quantity::Redox
            | Quantity::Salinity
            | Quantity::Conductivity
            | Quantity::Level
            | Quantity::Flow
            | Quantity::Humidity
            | Quantity::Contact
    )
}

/// The values of the signals whose quantity has a factor here, from the canonical unit to the family's.
fn values(tank: &TankStatus, to: &mut Samples, factor: fn(Quantity) -> Option<f64>) {
    for signal in &tank.signals {
        if let (Some(factor), Some(value)) = (factor(signal.measures), usable(signal)) {
            to.put(&[&tank.tank, &signal.signal], value * factor);
        }
    }
}

/// A bad reading's value is not shown, even if somebody left one in the status.
fn usable(signal: &SignalStatus) -> Option<f64> {
    signal.value.filter(|value| signal.quality.is_usable() && value.is_finite())
}

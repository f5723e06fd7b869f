//! Families of steadiness: the last completed local day of each signal, and seconds in and out of its band.

use crate::time::Wall;

use super::{Family, Samples, counter_of_records as counter, gauge_of_records as gauge, moment};

/// What is written down of one tank's signals, beside its status.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TankRecords {
    /// Its name.
    pub tank: String,
    /// Each signal that is a number.
    pub signals: Vec<SignalRecord>,
}

/// One signal's record, in its own unit.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SignalRecord {
    /// Its name.
    pub signal: String,
    /// The lowest and the highest steady value.
    pub band: Option<(f64, f64)>,
    /// Seconds in the band, below it, above it, and not known.
    pub seconds: [f64; 4],
    /// Seconds known, whatever the band.
    pub known_seconds: f64,
    /// When the last completed day began.
    pub day_began: Option<Wall>,
    /// Its mean.
    pub mean: Option<f64>,
    /// Its standard deviation.
    pub sd: Option<f64>,
    /// Its greatest less its least value.
    pub swing: Option<f64>,
    /// The share of it that is known.
    pub coverage: Option<f64>,
    /// The share of the known time in the band.
    pub in_band: Option<f64>,
    /// Degree heating weeks at its end.
    pub heating_weeks: Option<f64>,
}

const SIGNAL: &[&str] = &["tank", "signal"];

pub(super) const FAMILIES: &[Family] = &[
    gauge(
        "slackwater_signal_band_limit",
        "Lowest and highest value that are called steady (side low or high), in the unit that slackwater_signal_info names.",
        &["tank", "signal", "side"],
        |records, to| {
            for one in &records.signals {
                if let Some((low, high)) = one.band {
                    to.put(&[&records.tank, &one.signal, "low"], low);
                    to.put(&[&records.tank, &one.signal, "high"], high);
                }
            }
        },
    ),
    counter(
        "slackwater_signal_band_seconds_total",
        "Seconds in the steady band, below or above it, by the samples; absent without a band.",
        &["tank", "signal", "position"],
        |records, to| {
            for one in records.signals.iter().filter(|one| one.band.is_some()) {
                for (position, seconds) in ["in", "low", "high"].iter().zip(one.seconds) {
                    to.put(&[&records.tank, &one.signal, position], seconds);
                }
            }
        },
    ),
    counter(
        "slackwater_signal_known_seconds_total",
        "Seconds in which the signal was known and in which it was not (known yes or no).",
        &["tank", "signal", "known"],
        |records, to| {
            for one in &records.signals {
                to.put(&[&records.tank, &one.signal, "yes"], one.known_seconds);
                to.put(&[&records.tank, &one.signal, "no"], one.seconds[3]);
            }
        },
    ),
    gauge(
        "slackwater_signal_day_start_timestamp_seconds",
        "Unix time at which the last completed local day began; 0 before there is one.",
        SIGNAL,
        |records, to| each(records, to, |one| Some(moment(one.day_began))),
    ),
    gauge(
        "slackwater_signal_day_mean",
        "Time-weighted mean over the last completed local day, in the unit that slackwater_signal_info names.",
        SIGNAL,
        |records, to| each(records, to, |one| one.mean),
    ),
    gauge(
        "slackwater_signal_day_stddev",
        "Time-weighted standard deviation over the last completed local day, in the unit that slackwater_signal_info names.",
        SIGNAL,
        |records, to| each(records, to, |one| one.sd),
    ),
    gauge(
        "slackwater_signal_day_swing",
        "Greatest less least sample of the last completed local day, in the unit that slackwater_signal_info names.",
        SIGNAL,
        |records, to| each(records, to, |one| one.swing),
    ),
    gauge(
        "slackwater_signal_day_coverage_ratio",
        "Share of the last completed local day that is known.",
        SIGNAL,
        |records, to| each(records, to, |one| one.coverage),
    ),
    gauge(
        "slackwater_signal_day_in_band_ratio",
        "Share of the known time of the last completed local day inside the steady band; absent without a band.",
        SIGNAL,
        |records, to| each(records, to, |one| one.in_band),
    ),
    gauge(
        "slackwater_signal_heat_stress",
        "Degree heating weeks (degrees Celsius times weeks, Skirving 2020) at the end of the last completed local day; absent without a warmest month in the config.",
        SIGNAL,
        |records, to| each(records, to, |one| one.heating_weeks),
    ),
];

fn each(records: &TankRecords, to: &mut Samples, value: fn(&SignalRecord) -> Option<f64>) {
    for one in &records.signals {
        if let Some(value) = value(one).filter(|value| value.is_finite()) {
            to.put(&[&records.tank, &one.signal], value);
        }
    }
}

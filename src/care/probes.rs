//! A keeper's measurement as a check of a probe: how far they are apart, how that changes, when to calibrate.
//!
//! The difference is probe less instrument, so what the calibration takes away. Its trend is the median of the slopes
//! of all pairs since the last `calibrated` event of that probe (Theil and Sen), from three checks on. Limits: the
//! instrument may be the wrong one of the two; two different instruments on one day tell.

use crate::time::{Date, Wall, Zone};
use crate::water::stats::robust::theil_sen;

use super::entry::What;
use super::measure::shown;
use super::state::Care;
use super::supplies::whole;

/// What a probe may be off before it is to be calibrated [choice; what a good hand instrument can tell].
fn tolerance(quantity: &str) -> Option<f64> {
    match quantity {
        "salinity" => Some(0.5),
        "temperature" => Some(0.3),
        "ph" => Some(0.1),
        "conductivity" => Some(0.7),
        _ => None,
    }
}

/// A probe's checks.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct ProbeView {
    /// What was measured.
    pub quantity: String,
    /// The signal that was compared.
    pub signal: String,
    /// The unit of the differences.
    pub unit: String,
    /// Probe less instrument, at each check, oldest first.
    pub differences: Vec<(Wall, f64)>,
    /// How much it drifts in 30 days; absent before three checks on different days.
    pub drift_in_30_days: Option<f64>,
    /// The day on which it will be off by more than it may.
    pub calibrate_by: Option<Date>,
    /// What to make of it.
    pub advice: String,
}

impl Care {
    /// The checks of a tank's probes.
    pub fn probe_checks(&self, tank: &str, zone: Zone, now: Wall) -> Vec<ProbeView> {
        let log = self.in_force(Some(tank));
        let mut views: Vec<ProbeView> = Vec::new();
        for (standing, what) in &log {
            match what {
                What::Measured(measured) => {
                    let Some(probe) = &measured.probe else { continue };
                    let difference = (standing.at, probe.said - measured.value);
                    match views.iter_mut().find(|view| view.signal == probe.signal) {
                        Some(view) => view.differences.push(difference),
                        None => views.push(ProbeView {
                            quantity: measured.quantity.clone(),
                            signal: probe.signal.clone(),
                            unit: measured.unit.clone(),
                            differences: vec![difference],
                            drift_in_30_days: None,
                            calibrate_by: None,
                            advice: String::new(),
                        }),
                    }
                }
                // What was before a calibration says nothing of what comes after it.
                What::Event { text } if text.starts_with("calibrated ") => {
                    let signal = text.trim_start_matches("calibrated ").split_whitespace().next().unwrap_or_default();
                    views.retain(|view| view.signal != signal);
                }
                _ => {}
            }
        }
        for view in &mut views {
            view.judge(zone, now);
        }
        views
    }
}

impl ProbeView {
    fn judge(&mut self, zone: Zone, now: Wall) {
        let Some((_, newest)) = self.differences.last().copied() else { return };
        let recent = &self.differences[self.differences.len().saturating_sub(60)..];
        let points: Vec<(f64, f64)> = recent.iter().map(|(at, off)| (at.unix_seconds() / 86_400.0, *off)).collect();
        let span = points.last().zip(points.first()).map_or(0.0, |((last, _), (first, _))| last - first);
        let slope = if points.len() >= 3 && span >= 2.0 { theil_sen(&points).map(|line| line.slope) } else { None };
        self.drift_in_30_days = slope.map(|slope| slope * 30.0);
        let off = |value: f64| {
            let value = shown(&self.quantity, value, &self.unit);
            if value.starts_with('-') { value } else { format!("+{value}") }
        };
        let Some(limit) = tolerance(&self.quantity) else {
            self.advice = format!("it is off by {}", off(newest));
            return;
        };
        let may = shown(&self.quantity, limit, &self.unit);
        if newest.abs() > limit {
            self.advice = format!(
                "it is off by {}, more than {may}: measure once more with another instrument, then calibrate it (`slackwater hold probe-care {}`) and say `slackwater log event \"calibrated {}\"`",
                off(newest),
                self.signal,
                self.signal
            );
            self.calibrate_by = Some(zone.calendar_day(now));
            return;
        }
        let away = slope.filter(|slope| *slope * newest > 0.0 || newest == 0.0).filter(|slope| slope.abs() > 1e-6);
        let days = away.map(|slope| (limit - newest.abs()) / slope.abs()).filter(|days| *days < 3650.0);
        self.calibrate_by = days.map(|days| zone.calendar_day(now).plus_days(whole(days)));
        self.advice = match self.calibrate_by {
            Some(day) => {
                format!("it is off by {}; at this drift it passes {may} on {day}: calibrate it before", off(newest))
            }
            None if slope.is_none() => {
                format!("it is off by {}; three checks on different days tell its drift", off(newest))
            }
            None => format!("it is off by {}, and does not drift away", off(newest)),
        };
    }
}

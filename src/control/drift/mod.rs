//! Drift: what goes wrong slowly, told hours before a limit.
//!
//! Duty: once a minute, on a grid of time, each watched signal is looked at. [`unexplained`] finds kelvin that nothing
//! known gives, [`time_to_limit`] a limit ahead, [`profile`] what is unusual for the hour, [`probes`] a probe that leaves
//! the others. It only tells; it switches nothing. Limits: statistics of one tank; a power meter is sooner, and a
//! slow change is what is usual after some days.
//!
//! Unknown counts for nothing and clears nothing. In a hold, and ten minutes after it, nothing is summed; for two hours
//! after it nothing is learned, and neither profile nor limit is judged. So it is while a probe is in hand.

mod memory;
mod probes;
mod profile;
pub mod record;
mod time_to_limit;
mod unexplained;
mod words;

#[cfg(test)]
mod tests;

use std::collections::VecDeque;

use crate::time::{Span, Steady};
use crate::units::Power;

use super::deadlines::Deadlines;
use super::effect::DeadlineKind;
use super::ids::{OutputId, SignalId};
use super::long_term::LongTerm;
use super::plan::drift::{DriftSource, ProbesPlan};
use super::plan::{OutputKind, Switch, TankPlan};
use super::tank::Tank;
use super::truth::Truth;

use probes::Offset;
use profile::Profile;
use time_to_limit::{Nears, Told, Ways};
use unexplained::{Seen, Unexplained};

const MINUTE: u64 = 60_000;
/// After a hold nothing is learned for so long, and nothing summed for so long. [D3: 2 h; choice]
const LEARNS_AFTER: Span = Span::from_hours(2);
const SUMS_AFTER: Span = Span::from_minutes(10);
/// What is medium or low is told at most once in so long, and a warm spell once in so long. [D3]
const QUIET: Span = Span::from_hours(12);
const A_DAY: Span = Span::from_hours(24);
/// Less heat than this in 24 hours, min: nothing heats, and the water follows the room. [D3: 5 %]
const FLOATING: u32 = 72;
/// Less heat than this: it does not hold the water in its band, and only what is warmer than cooling allows is
/// unusual. [simulated: else a room of 26 °C was told of 13 times a year; 30 %]
const HEATS_LITTLE: u32 = 432;
/// K/h for each watt in each litre, glass and rock included. [D2]
pub(super) const KELVIN_LITRE_PER_WATT_HOUR: f64 = 0.84;
/// What a fan takes from 87 L by evaporation, W. [simulated]
const FAN_TAKES: f64 = 35.0;

/// A watched signal's memory.
#[derive(Clone, Debug, Default)]
struct Course {
    profile: Profile,
    nears: Nears,
    unusual_told: Told,
    nears_told: Told,
    /// The last value before a hold.
    last: Option<f64>,
}

/// The memory of a tank's drift.
#[derive(Clone, Debug, Default)]
pub(super) struct Drift {
    next: Option<Steady>,
    unexplained: Unexplained,
    courses: Vec<Course>,
    offsets: Vec<Vec<Offset>>,
    /// Minutes of heat in each of the last hours, the newest last.
    heated: VecDeque<u8>,
    /// The hour since the start of the steady clock that is being counted, and its minutes.
    hour: Option<(u64, u8)>,
    /// Outputs that run, as of the last look, and since when.
    running: Option<(u64, Steady)>,
    learns_at: Option<Steady>,
    sums_at: Option<Steady>,
    warm_spell: Told,
    pub long_term: LongTerm,
}

impl Drift {
    /// Whether nothing has heated for a day, so that the water follows the room; not known before a day.
    fn is_floating(&self) -> bool {
        self.heats_less_than(FLOATING)
    }

    fn heats_less_than(&self, minutes_a_day: u32) -> bool {
        let minutes = self.heated.iter().map(|minutes| u32::from(*minutes)).sum::<u32>();
        self.heated.len() >= 24 && minutes < minutes_a_day
    }

    /// The part of the last day in which the heater ran.
    fn duty(&self) -> Option<f64> {
        let minutes: u32 = self.heated.iter().map(|minutes| u32::from(*minutes)).sum();
        (self.heated.len() >= 6).then(|| f64::from(minutes) / (60.0 * self.heated.len() as f64))
    }
}

/// What litres and watts say of a tank's heat.
struct Balance<'a> {
    plan: &'a TankPlan,
}

impl Balance<'_> {
    fn litres(&self) -> f64 {
        self.plan.water.litres().max(0.1)
    }

    /// K/h that a set of outputs gives to the water. The shares are those of D2.
    fn gives(&self, set: u64) -> f64 {
        let running = self.plan.outputs.iter().take(64).enumerate().filter(|(at, _)| set & (1 << at) != 0);
        let watts = running.map(|(_, output)| {
            let watts = output.rating.map_or(0.0, Power::watts);
            match output.kind {
                OutputKind::Heater => watts,
                OutputKind::Chiller => -2.0 * watts,
                OutputKind::Fan => -FAN_TAKES * (self.litres() / 87.0).powf(2.0 / 3.0),
                OutputKind::ReturnPump | OutputKind::Powerhead => 0.9 * watts,
                OutputKind::Light => 0.3 * watts,
                _ => 0.0,
            }
        });
        self.kelvin(watts.sum())
    }

    fn kelvin(&self, watts: f64) -> f64 {
        KELVIN_LITRE_PER_WATT_HOUR * watts / self.litres()
    }

    /// W that make so many K/h.
    fn watts(&self, slope: f64) -> f64 {
        slope * self.litres() / KELVIN_LITRE_PER_WATT_HOUR
    }
}

/// What moves heat, so that a change of it begins something else.
fn moves_heat(kind: OutputKind) -> bool {
    use OutputKind::{Chiller, Fan, Heater, Light, Powerhead, ReturnPump};
    matches!(kind, Heater | Chiller | Fan | Light | Powerhead | ReturnPump)
}

impl Tank {
    /// A look each minute.
    pub(super) fn follow_drift(&mut self, deadlines: &mut Deadlines) {
        if self.plan.drift.is_none() {
            return;
        }
        let now = self.now.steady;
        if self.drift.next.is_none_or(|next| next <= now) {
            self.drift.next = Some(Steady::from_millis((now.millis() / MINUTE + 1) * MINUTE));
            let mut drift = std::mem::take(&mut self.drift);
            drift.courses.resize_with(self.plan.drift.courses.len(), Course::default);
            drift.offsets.resize_with(self.plan.drift.probes.len(), Vec::new);
            self.look_for_drift(&mut drift);
            self.drift = drift;
        }
        self.drift.next.into_iter().for_each(|at| deadlines.ask(at, DeadlineKind::Alarm));
    }

    fn look_for_drift(&mut self, drift: &mut Drift) {
        let now = self.now.steady;
        let held = self.holds.iter().any(|hold| hold.active.is_some());
        if held {
            (drift.learns_at, drift.sums_at) = (Some(now.after(LEARNS_AFTER)), Some(now.after(SUMS_AFTER)));
        }
        let learns = drift.learns_at.is_none_or(|at| at <= now);
        let sums = !held && drift.sums_at.is_none_or(|at| at <= now);
        let running = self.running_set();
        let began = match drift.running {
            Some((same, since)) if same == running => since,
            _ => now,
        };
        let changed = drift.running.is_none_or(|(same, _)| same != running);
        drift.running = Some((running, began));
        self.count_heat(drift);
        self.look_for_unexplained(drift, running, sums, learns);
        let seconds = self.plan.zone.time_of_day(self.now.wall).seconds();
        let bin = usize::try_from(seconds / 1800).unwrap_or_default();
        let floating = drift.is_floating();
        for at in 0..drift.courses.len() {
            self.look_at_course(drift, at, bin, floating, learns, changed);
        }
        self.look_at_warm_spell(drift, floating);
        for at in 0..drift.offsets.len() {
            self.look_at_probes(&self.plan.drift.probes[at], &mut drift.offsets[at]);
        }
        self.follow_long_term(&mut drift.long_term);
        let hour = now.millis() / (60 * MINUTE);
        if drift.hour.is_none_or(|(counted, _)| counted != hour) {
            self.end_hour(drift, hour);
        }
    }

    fn end_hour(&mut self, drift: &mut Drift, hour: u64) {
        if let Some((_, minutes)) = drift.hour.replace((hour, 0)) {
            drift.heated.push_back(minutes);
            if drift.heated.len() > 24 {
                drift.heated.pop_front();
            }
        }
        for (plan, offsets) in self.plan.drift.probes.iter().zip(&mut drift.offsets) {
            for offset in offsets.iter_mut() {
                offset.hour(plan);
            }
        }
        self.unsaved = true;
    }

    /// The outputs that move heat and run as far as is known, a bit each.
    fn running_set(&self) -> u64 {
        let outputs = self.plan.outputs.iter().zip(&self.plugs).take(64).enumerate();
        let on = outputs.filter(|(_, (plan, plug))| moves_heat(plan.kind) && plug.running() == Switch::On);
        on.fold(0, |set, (at, _)| set | 1 << at)
    }

    fn count_heat(&self, drift: &mut Drift) {
        let Some((_, minutes)) = &mut drift.hour else { return };
        let heats = |(plan, plug): (&super::plan::OutputPlan, &super::plug::Plug)| {
            plan.kind == OutputKind::Heater && plug.running() == Switch::On
        };
        if self.plan.outputs.iter().zip(&self.plugs).any(heats) {
            *minutes = minutes.saturating_add(1).min(60);
        }
    }

    /// The good value of a signal none of whose probes is in hand.
    fn watched_value(&self, signal: SignalId) -> Option<f64> {
        let in_hand = |id: &super::ids::ProbeId| self.probes[id.index()].is_in_hand();
        let any_in_hand = self.plan.signals[signal.index()].probes.iter().any(in_hand);
        self.signals[signal.index()].vote.good_value().filter(|_| !any_in_hand)
    }

    fn room(&self) -> Option<f64> {
        self.signals[self.plan.drift.room?.index()].vote.good_value()
    }

    fn look_for_unexplained(&self, drift: &mut Drift, running: u64, sums: bool, learns: bool) {
        let (Some(plan), Some(thermostat)) = (&self.plan.drift.unexplained, &self.plan.thermostat) else { return };
        let seen = Seen {
            now: self.now.steady,
            value: self.watched_value(thermostat.signal).filter(|_| sums),
            running,
            good: self.signals[thermostat.signal.index()].vote.good,
            learns,
        };
        let balance = Balance { plan: &self.plan };
        let gives = |set: u64| balance.gives(set);
        drift.unexplained.look(plan, &seen, &gives);
    }

    /// Which way the loop can do no more about: up while nothing heats and what cools runs, down the other way.
    fn ways(&self, signal: SignalId) -> Ways {
        let Some(plan) = self.plan.thermostat.as_ref().filter(|plan| plan.signal == signal) else {
            return Ways { up: true, down: true };
        };
        let runs = |output: OutputId| self.plugs[output.index()].running() == Switch::On;
        let heats = plan.heat.map(|side| runs(side.output));
        let cools = plan.cool.map(|side| runs(side.output));
        Ways { up: heats != Some(true) && cools != Some(false), down: heats != Some(false) && cools != Some(true) }
    }

    fn look_at_course(&self, drift: &mut Drift, at: usize, bin: usize, floating: bool, calm: bool, changed: bool) {
        let (plan, now) = (&self.plan.drift.courses[at], self.now.steady);
        let heats_little = drift.heats_less_than(HEATS_LITTLE);
        let live = &mut drift.courses[at];
        let value = self.watched_value(plan.signal);
        let of_loop = self.plan.thermostat.as_ref().is_some_and(|loop_| loop_.signal == plan.signal);
        if let Some(unusual) = &plan.unusual {
            live.profile.look(unusual, value.filter(|_| calm), bin, heats_little && of_loop);
            let warm = of_loop && floating && live.profile.high >= live.profile.low;
            live.unusual_told.follow(live.profile.found && !warm, QUIET, now);
        }
        let Some(nears) = &plan.nears else { return };
        if of_loop && changed {
            live.nears.begin_anew();
        }
        let Some(value) = value.filter(|_| calm) else { return };
        // New water is no slope.
        if live.last.replace(value).is_some_and(|last| (value - last).abs() > nears.away) {
            live.nears.begin_anew();
        }
        let target = self.plan.thermostat.as_ref().filter(|_| of_loop).map(|plan| plan.target);
        let usual = live.profile.usual_at(bin).or(target);
        live.nears.look(plan, nears, value, usual, self.ways(plan.signal), now);
        live.nears_told.follow(live.nears.found, QUIET, now);
    }

    fn look_at_warm_spell(&self, drift: &mut Drift, floating: bool) {
        let Some(thermostat) = &self.plan.thermostat else { return };
        let at = self.plan.drift.courses.iter().position(|course| course.signal == thermostat.signal);
        let warm = at.is_some_and(|at| {
            let profile = &drift.courses[at].profile;
            floating && profile.found && profile.high >= profile.low
        });
        drift.warm_spell.follow(warm, A_DAY, self.now.steady);
    }

    fn look_at_probes(&self, watched: &ProbesPlan, offsets: &mut Vec<Offset>) {
        let ids = &self.plan.signals[watched.signal.index()].probes;
        offsets.resize_with(ids.len(), Offset::default);
        let value = |id: &super::ids::ProbeId| {
            let (probe, plan) = (&self.probes[id.index()], &self.plan.probes[id.index()]);
            probe.quality(plan, self.now.steady).is_good().then(|| probe.value(plan, self.now.steady)).flatten()
        };
        let values: Vec<Option<f64>> = ids.iter().map(value).collect();
        for (at, (id, offset)) in ids.iter().zip(offsets).enumerate() {
            let calibration = self.plan.probes[id.index()].calibration;
            if self.probes[id.index()].is_in_hand() || !offset.is_of(calibration) {
                offset.begin_anew(calibration);
                continue;
            }
            let others: Vec<f64> =
                values.iter().enumerate().filter(|(other, _)| *other != at).filter_map(|(_, value)| *value).collect();
            let middle = crate::water::stats::robust::median(&others);
            offset.look(values[at].zip(middle).map(|(value, middle)| value - middle));
        }
    }

    fn follow_long_term(&self, long_term: &mut LongTerm) {
        let Some(thermostat) = &self.plan.thermostat else { return };
        let course = self.plan.drift.courses.iter().find(|course| course.signal == thermostat.signal);
        let limits = course.map_or((None, None), |course| (course.low, course.high));
        let date = self.plan.zone.date(self.now.wall).to_string();
        long_term.look(self.watched_value(thermostat.signal), limits, &date, self.now.wall);
    }

    /// Whether a drift alarm's cause is there.
    pub(super) fn drift_truth(&self, source: DriftSource) -> Truth {
        let drift = &self.drift;
        let course = |at: usize| drift.courses.get(at);
        match source {
            DriftSource::Unexplained => Truth::of(drift.unexplained.found),
            DriftSource::NearsLimit(at) => Truth::of(course(at).is_some_and(|course| course.nears_told.stands)),
            DriftSource::Unusual(at) => Truth::of(course(at).is_some_and(|course| course.unusual_told.stands)),
            DriftSource::WarmSpell => Truth::of(drift.warm_spell.stands),
            DriftSource::ProbesDrift(at) => {
                Truth::of(drift.offsets.get(at).is_some_and(|of| of.iter().any(|offset| offset.found)))
            }
            DriftSource::FarApart(at) => {
                let Some(plan) = self.plan.drift.probes.get(at) else { return Truth::Unknown };
                let vote = &self.signals[plan.signal.index()].vote;
                match plan.apart {
                    Some(apart) if vote.good >= 2 => Truth::of(vote.highest - vote.lowest > apart),
                    _ => Truth::Unknown,
                }
            }
        }
    }
}

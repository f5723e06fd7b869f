//! From a live tank to what survives a kill, and back.

use super::bypass::Bypass;
use super::hold::ActiveHold;
use super::interlock::Stage;
use super::often::Often;
use super::plan::{Latch, OutputKind, Switch};
use super::state::{ActiveHoldRecord, HoldRecord, InterlockRecord, OutputRecord, TankState};
use super::tank::{Force, Remembered, Tank};

impl Tank {
    /// What must survive; saved whenever [`super::Effect::SaveState`] says so.
    pub fn state(&self) -> TankState {
        let interlocks = self.plan.interlocks.iter().zip(&self.interlocks).map(|(plan, live)| {
            let since = || (live.since, live.cause.clone());
            let latched = (live.stage == Stage::Latched).then(since);
            let tripped = (live.stage == Stage::Tripped && live.known).then(since);
            let recent = live.often.ages(super::alarms::DAY, self.now.steady);
            let bypass = live.bypass.as_ref().map(Bypass::record);
            let (trips, last_trip) = (live.trips, live.last_trip);
            (plan.name.clone(), InterlockRecord { latched, tripped, trips, last_trip, recent, bypass })
        });
        let holds = self.plan.holds.iter().zip(&self.holds).map(|(plan, live)| {
            let active = live.active.as_ref().map(|active| ActiveHoldRecord {
                by: active.by.clone(),
                since: active.since,
                deadline: active.deadline_wall,
                overdue: active.overdue,
                also: active.also.iter().map(|output| self.plan.outputs[output.index()].name.clone()).collect(),
                reminders: active.reminders,
                before: active.before,
                new_water: active.new_water,
                bin: active.bin,
                probes: active.probes.iter().map(|probe| self.plan.probes[probe.index()].name.clone()).collect(),
            });
            (plan.name.clone(), HoldRecord { active, started: live.started })
        });
        let outputs = self.plan.outputs.iter().zip(self.plugs.iter().zip(&self.forces)).map(|(plan, (plug, force))| {
            let force = force.as_ref().map(|force| (force.to, self.now.wall_at(force.until), force.by.clone()));
            let record = OutputRecord {
                on_millis: plug.on_millis,
                switches: plug.switches,
                unproven: plug.unproven,
                force,
                restarts: plug.restarts.often.ages(super::alarms::DAY, self.now.steady),
                starts: plug.starts.ages(super::thermostat::HOUR, self.now.steady),
                usual_power: plug.power.usual,
                confirmed_watts: plug.power.confirmed,
                joules: plug.power.joules,
            };
            (plan.name.clone(), record)
        });
        let alarms =
            self.plan.alarms.iter().zip(&self.alarms).map(|(plan, live)| (plan.name.clone(), self.alarm_record(live)));
        let top_offs = self.plan.top_offs.iter().zip(&self.top_offs).map(|(plan, live)| {
            (self.plan.outputs[plan.output.index()].name.clone(), live.record(plan, self.now.steady))
        });
        let dosing =
            self.plan.dosing.iter().zip(&self.dosers).map(|(plan, live)| {
                (self.plan.outputs[plan.output.index()].name.clone(), live.record(self.now.steady))
            });
        TankState {
            interlocks: interlocks.collect(),
            holds: holds.collect(),
            outputs: outputs.collect(),
            top_offs: top_offs.collect(),
            dosing: dosing.collect(),
            drain_back: self.drain_back.record(),
            drift: self.drift.record(&self.plan, self.now.steady),
            changeovers: self.thermostat.changeovers.ages(super::thermostat::HOUR, self.now.steady),
            proofs: self.proofs_record(),
            alarms: alarms.collect(),
            damaged: self.damaged,
            restored_from: self.restored_from,
        }
    }

    pub(super) fn remember(&mut self, remembered: Remembered) {
        match remembered {
            Remembered::Nothing => {}
            Remembered::State(state) => self.restore(&state),
            Remembered::Damaged(reason) => self.assume_the_worst(&format!(
                "the saved state could not be read ({reason}), so it may have been latched"
            )),
            Remembered::Restored(state, taken) => self.restore_from_backup(*state, taken),
        }
    }

    /// Nobody knows what was latched: every latching trip of a heater is taken as latched, every
    /// top-off's budget as spent, pumps stay as found, and a person must look.
    pub(super) fn assume_the_worst(&mut self, cause: &str) {
        self.damaged = true;
        self.unsaved = true;
        for (plan, live) in self.plan.top_offs.iter().zip(&mut self.top_offs) {
            live.assume_spent(plan, self.now.steady);
        }
        for (plan, live) in self.plan.dosing.iter().zip(&mut self.dosers) {
            live.assume_spent(plan, self.now.steady);
        }
        for (plan, live) in self.plan.interlocks.iter().zip(&mut self.interlocks) {
            let heats = plan
                .effects
                .iter()
                .any(|(output, to)| *to == Switch::Off && self.plan.outputs[output.index()].kind == OutputKind::Heater);
            if heats && plan.latch != Latch::Never && live.stage != Stage::Latched {
                live.stage = Stage::Latched;
                live.known = true;
                live.since = self.now.wall;
                cause.clone_into(&mut live.cause);
            }
        }
    }

    pub(super) fn restore(&mut self, state: &TankState) {
        let now = self.now;
        self.damaged = state.damaged;
        self.restored_from = state.restored_from;
        self.thermostat.changeovers = Often::from_ages(&state.changeovers, now.steady);
        self.drain_back = super::drain_back::DrainBack::restored(&state.drain_back);
        self.drift = super::drift::Drift::restored(&state.drift, &self.plan, now.steady);
        for (plan, live) in self.plan.interlocks.iter().zip(&mut self.interlocks) {
            let Some(record) = state.interlocks.get(&plan.name) else { continue };
            live.trips = record.trips;
            live.last_trip = record.last_trip;
            live.often = Often::from_ages(&record.recent, now.steady);
            let bypass = record.bypass.as_ref().filter(|_| plan.bypassable);
            live.bypass = bypass.and_then(|bypass| Bypass::restored(bypass, now));
            // A pump is found as it is: what stopped it must be seen again.
            let tripped = record.tripped.as_ref().filter(|_| {
                plan.effects.iter().all(|(output, _)| !self.plan.outputs[output.index()].kind.is_life_support())
            });
            let stage = if record.latched.is_some() { Stage::Latched } else { Stage::Tripped };
            if let Some((since, cause)) = record.latched.as_ref().or(tripped) {
                live.stage = stage;
                live.known = true;
                live.since = *since;
                live.cause.clone_from(cause);
            }
        }
        for (plan, live) in self.plan.holds.iter().zip(&mut self.holds) {
            let Some(record) = state.holds.get(&plan.name) else { continue };
            live.started = record.started;
            live.active = record.active.as_ref().map(|active| ActiveHold {
                by: active.by.clone(),
                since: active.since,
                // A wall clock that was set back meanwhile must not lengthen the hold.
                deadline: now.steady.after(active.deadline.since(now.wall).min(plan.limit)),
                deadline_wall: active.deadline,
                overdue: active.overdue,
                also: active.also.iter().filter_map(|name| self.plan.output(name)).collect(),
                pumps_at: now.steady,
                reminders: active.reminders,
                before: active.before,
                new_water: active.new_water,
                bin: active.bin,
                probes: active.probes.iter().filter_map(|name| self.plan.probe(name)).collect(),
            });
        }
        for probe in self.holds.iter().filter_map(|hold| hold.active.as_ref()).flat_map(|active| &active.probes) {
            self.probes[probe.index()].take_in_hand(&self.plan.probes[probe.index()], now.steady);
        }
        for (plan, live) in self.plan.top_offs.iter().zip(&mut self.top_offs) {
            let name = &self.plan.outputs[plan.output.index()].name;
            if let Some(record) = state.top_offs.get(name) {
                live.restore(plan, record, now.steady);
            }
        }
        for (plan, live) in self.plan.dosing.iter().zip(&mut self.dosers) {
            let name = &self.plan.outputs[plan.output.index()].name;
            if let Some(record) = state.dosing.get(name) {
                live.restore(plan, record, now.steady);
            }
        }
        for (index, plan) in self.plan.outputs.iter().enumerate() {
            let Some(record) = state.outputs.get(&plan.name) else { continue };
            let plug = &mut self.plugs[index];
            plug.on_millis = record.on_millis;
            plug.switches = record.switches;
            plug.unproven = record.unproven;
            plug.restarts.often = Often::from_ages(&record.restarts, now.steady);
            plug.starts = Often::from_ages(&record.starts, now.steady);
            plug.power.remember(record.usual_power, record.confirmed_watts);
            plug.power.joules = if record.joules.is_finite() { record.joules.max(0.0) } else { 0.0 };
            self.forces[index] = record.force.as_ref().and_then(|(to, until, by)| {
                let left = until.since(now.wall).min(super::requests::LONGEST_FORCE);
                (left > crate::time::Span::ZERO).then(|| Force {
                    to: *to,
                    until: now.steady.after(left),
                    by: by.clone(),
                })
            });
        }
        self.restore_alarms(state);
        self.restore_proofs(&state.proofs);
    }
}

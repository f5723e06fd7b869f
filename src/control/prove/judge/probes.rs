//! What a touched probe has shown, and what answered in its place.

use crate::time::Span;
use crate::units::Quantity;

use super::super::super::ids::{InterlockId, ProbeId};
use super::super::super::plan::{AlarmSource, Condition, OnUnknown, ProbePlan, Switch};
use super::super::super::quality::{Fault, Quality};
use super::super::super::tank::Tank;
use super::super::super::truth::Truth;
use super::super::items::{self, far};
use super::super::{Verdict, Watch};
use super::ANOTHER_FOR;

/// What trips by a contact has to act within this. [choice: two readings of a minute and a bit]
const TRIPS_WITHIN: Span = Span::from_seconds(90);

impl Tank {
    /// Other probes of the same kind that went far meanwhile.
    pub(super) fn others_moved(&self, probe: ProbeId, watch: &Watch, share: f64) -> Vec<String> {
        let quantity = self.plan.probes[probe.index()].quantity;
        let others = (0..self.probes.len()).map(ProbeId::new).filter(|other| *other != probe);
        let far = |other: &ProbeId| {
            let plan = &self.plan.probes[other.index()];
            plan.quantity == quantity && watch.moved[other.index()] >= share * least_move(plan)
        };
        others.filter(far).map(|other| self.plan.probes[other.index()].name.to_string()).collect()
    }

    /// Another one answers in place of the one that is touched.
    pub(super) fn another_answers(&self, probe: ProbeId, watch: &mut Watch) -> Option<Verdict> {
        let others = self.others_moved(probe, watch, 1.0);
        if others.is_empty() || watch.moved[probe.index()] >= 0.3 * least_move(&self.plan.probes[probe.index()]) {
            watch.other_since = None;
            return None;
        }
        let since = *watch.other_since.get_or_insert(self.now.steady);
        let name = &self.plan.probes[probe.index()].name;
        (self.now.steady.since(since) >= ANOTHER_FOR).then(|| {
            let others = others.join(", ");
            Verdict::Failed(format!("{others} answered and {name} did not: their topics are swapped, or it is the other one that was touched"))
        })
    }

    pub(super) fn judge_moves(&self, probe: ProbeId, watch: &mut Watch) -> Verdict {
        let plan = &self.plan.probes[probe.index()];
        let (Some(value), Some(base)) = (self.fresh_value(probe), watch.base[probe.index()]) else {
            return Verdict::Going;
        };
        if watch.phase == 0 {
            if let Some(failed) = self.another_answers(probe, watch) {
                return failed;
            }
            if (value - base).abs() < far(plan) {
                return Verdict::Going;
            }
            watch.seen.push(format!("it went from {} to {}", self.shown(probe, base), self.shown(probe, value)));
            self.phase(watch, 1);
        }
        if (value - base).abs() > far(plan) / 2.0 {
            return Verdict::Going;
        }
        let others = self.others_moved(probe, watch, 0.6);
        if !others.is_empty() {
            let others = others.join(", ");
            return Verdict::Failed(format!("{others} moved with it: one topic for two, or both were touched"));
        }
        Verdict::Passed(format!("{} and back, and no other one did", watch.seen.join("; ")))
    }

    /// Interlocks that one contact trips by itself when it changes from what it is now, and soon.
    pub(in crate::control::prove) fn tripped_alone_by(&self, probe: ProbeId) -> Vec<InterlockId> {
        let Some(value) = self.fresh_value(probe) else { return Vec::new() };
        let other = value <= 0.5;
        let trips = |id: &InterlockId| {
            let plan = &self.plan.interlocks[id.index()];
            let lasting = items::alone(&self.plan, plan.cause, &mut |leaf| match leaf {
                Condition::Contact { signal, wet, .. } => {
                    *wet == other && self.plan.signals[signal.index()].probes == [probe]
                }
                _ => false,
            });
            lasting.is_some_and(|lasting| lasting <= Span::from_minutes(1))
        };
        let bypassed = |id: &InterlockId| self.interlocks[id.index()].bypass.is_some();
        (0..self.interlocks.len()).map(InterlockId::new).filter(trips).filter(|id| !bypassed(id)).collect()
    }

    /// What an interlock forces off and is not proven off, in words.
    pub(super) fn not_off(&self, interlock: InterlockId) -> Vec<String> {
        let effects = self.plan.interlocks[interlock.index()].effects.iter();
        let off = effects.filter(|(_, to)| *to == Switch::Off).map(|(output, _)| *output);
        off.filter(|output| !self.is_off(*output)).map(|output| self.proof_sentence(output)).collect()
    }

    pub(super) fn judge_contact(&self, probe: ProbeId, watch: &mut Watch) -> Verdict {
        let (Some(value), Some(base)) = (self.fresh_value(probe), watch.base[probe.index()]) else {
            return Verdict::Going;
        };
        let changed = (value > 0.5) != (base > 0.5);
        match (watch.phase, changed) {
            (0, false) => self.another_answers(probe, watch).unwrap_or(Verdict::Going),
            (0, true) => {
                watch.seen.push(format!("it was {} and got {}", self.shown(probe, base), self.shown(probe, value)));
                self.phase(watch, 1);
                Verdict::Going
            }
            // Too short for what it trips.
            (1, false) => {
                watch.seen.clear();
                self.phase(watch, 0);
                Verdict::Going
            }
            (1, true) => self.judge_trips(watch),
            (_, true) => Verdict::Going,
            (_, false) => {
                let others = self.others_moved(probe, watch, 1.0);
                if !others.is_empty() {
                    let others = others.join(", ");
                    return Verdict::Failed(format!(
                        "{others} changed with it: one topic for two, or both were touched"
                    ));
                }
                watch.seen.push(format!("and was {} again", self.shown(probe, base)));
                Verdict::Passed(watch.seen.join("; "))
            }
        }
    }

    pub(super) fn judge_trips(&self, watch: &mut Watch) -> Verdict {
        let mut missing: Vec<String> = Vec::new();
        for id in &watch.trips {
            let name = &self.plan.interlocks[id.index()].name;
            if self.interlocks[id.index()].acts() {
                missing.extend(self.not_off(*id));
            } else {
                missing.push(format!("{name} has not tripped"));
            }
        }
        if !missing.is_empty() {
            let over = self.lasted(watch) >= TRIPS_WITHIN;
            return if over { Verdict::Failed(missing.join("; ")) } else { Verdict::Going };
        }
        for id in watch.trips.clone() {
            let plan = &self.plan.interlocks[id.index()];
            let effects = plan.effects.iter().map(|(output, _)| self.proof_sentence(*output));
            let effects: Vec<_> = effects.collect();
            watch.seen.push(format!("{} acted ({})", plan.name, effects.join(", ")));
        }
        self.phase(watch, 2);
        Verdict::Going
    }

    pub(super) fn judge_silence(&self, probe: ProbeId, watch: &mut Watch) -> Verdict {
        let quality = self.probes[probe.index()].quality(&self.plan.probes[probe.index()], self.now.steady);
        let lost = matches!(quality, Quality::Bad(fault) if !matches!(fault, Fault::Settling | Fault::InCare));
        match watch.phase {
            0 if !lost => self.another_falls_silent(probe, watch),
            0 => {
                watch.seen.push(format!("its reading was lost ({})", quality.reason().unwrap_or("").replace('-', " ")));
                self.phase(watch, 1);
                Verdict::Going
            }
            1 if !lost => {
                watch.seen.clear();
                self.phase(watch, 0);
                Verdict::Going
            }
            1 => self.judge_alarm_of(probe, watch),
            _ if quality.is_good() => {
                watch.seen.push("and it is back".to_owned());
                Verdict::Passed(watch.seen.join("; "))
            }
            _ => Verdict::Going,
        }
    }

    pub(super) fn another_falls_silent(&self, probe: ProbeId, watch: &Watch) -> Verdict {
        let others = (0..self.probes.len()).map(ProbeId::new).filter(|other| *other != probe);
        let silent = |other: &ProbeId| {
            let (live, plan) = (&self.probes[other.index()], &self.plan.probes[other.index()]);
            let stale = live.quality(plan, self.now.steady) == Quality::Bad(Fault::Stale);
            let began = live.age(self.now.steady).is_some_and(|age| age <= self.lasted(watch).plus(plan.stale_after));
            stale && began
        };
        let margin = self.plan.probes[probe.index()].stale_after.plus(ANOTHER_FOR);
        let others: Vec<_> =
            others.filter(silent).map(|other| self.plan.probes[other.index()].name.to_string()).collect();
        let speaks = self.probes[probe.index()].age(self.now.steady).is_some_and(|age| age < ANOTHER_FOR);
        if others.is_empty() || !speaks || self.lasted(watch) < margin {
            return Verdict::Going;
        }
        let (name, others) = (&self.plan.probes[probe.index()].name, others.join(", "));
        Verdict::Failed(format!(
            "{others} fell silent and {name} speaks on: they are swapped, or it is the other one that was unplugged"
        ))
    }

    pub(super) fn judge_alarm_of(&self, probe: ProbeId, watch: &mut Watch) -> Verdict {
        let of = |source: &AlarmSource| match source {
            AlarmSource::ProbeLost(lost) => *lost == probe,
            AlarmSource::SignalLost(lost) => self.plan.signals[lost.index()].probes == [probe],
            _ => false,
        };
        let alarms = self.plan.alarms.iter().zip(&self.alarms).filter(|(plan, _)| of(&plan.source));
        let (mut missing, mut came, mut within) = (Vec::new(), Vec::new(), Span::ZERO);
        for (plan, live) in alarms {
            within = within.max(plan.on_delay);
            if live.state.is_active() {
                came.push(format!("alarm {} came", plan.name));
            } else {
                missing.push(format!("alarm {} has not come", plan.name));
            }
        }
        for (plan, live) in self.plan.interlocks.iter().zip(&self.interlocks) {
            let unknown = self.nodes[plan.cause.index()].truth == Truth::Unknown;
            let mut asks = false;
            self.plan.leaves(plan.cause, &mut |leaf| {
                asks |= leaf.signal().is_some_and(|signal| self.plan.signals[signal.index()].probes.contains(&probe));
            });
            if asks && unknown && plan.unknown == OnUnknown::Trips && live.bypass.is_none() {
                let name = &plan.name;
                if live.acts() {
                    came.push(format!("{name} acted"));
                } else {
                    missing.push(format!("{name} has not acted"));
                }
            }
        }
        if came.is_empty() && missing.is_empty() {
            missing.push("no alarm tells of it".to_owned());
        }
        if !missing.is_empty() {
            let over = self.lasted(watch) >= within.plus(Span::from_minutes(1));
            return if over { Verdict::Failed(missing.join("; ")) } else { Verdict::Going };
        }
        watch.seen.extend(came);
        self.phase(watch, 2);
        Verdict::Going
    }
}

/// How far a probe goes before it counts as touched.
fn least_move(plan: &ProbePlan) -> f64 {
    if plan.quantity == Quantity::Contact { 0.5 } else { far(plan) }
}

//! What a step changed besides forces goes back: a probe in hand, and what tripped and latched by the test.
//!
//! A latch is reset in the name of who began the test, when its cause is known to be gone, and only if that cause would
//! never have been true without the tested probe: a float that was lifted, not water that rose. After the step's limit
//! nothing is reset any more: what is still wet then is wet.

use crate::time::{Steady, Wall};

use super::super::deadlines::Deadlines;
use super::super::effect::{DeadlineKind, Durability, Effect, JournalKind};
use super::super::ids::{ConditionId, InterlockId, ProbeId};
use super::super::interlock::Stage as Tripped;
use super::super::plan::{Condition, Side, TankPlan};
use super::super::tank::Tank;
use super::items::far;

/// What has to go back.
#[derive(Clone, Debug)]
pub(super) struct Undo {
    pub probe: Option<ProbeId>,
    pub in_hand: bool,
    /// What the probe said when the step began; not known after a kill.
    pub base: Option<f64>,
    pub interlocks: Vec<InterlockId>,
    pub by: String,
    pub until: Steady,
    pub until_wall: Wall,
    pub step_over: bool,
    /// It came to no result: what was in a hand then may still come, up to the limit.
    pub broken_off: bool,
}

impl Tank {
    /// Interlocks that are at rest now and look at one of these probes: what latches of them may be the test's doing.
    pub(super) fn at_rest_and_looking_at(&self, probes: &[ProbeId]) -> Vec<InterlockId> {
        let looks = |id: &InterlockId| looks_at(&self.plan, self.plan.interlocks[id.index()].cause, probes);
        let rests = |id: &InterlockId| self.interlocks[id.index()].stage == Tripped::Armed;
        (0..self.interlocks.len()).map(InterlockId::new).filter(rests).filter(looks).collect()
    }

    pub(super) fn follow_undo(&mut self, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        let now = self.now.steady;
        let mut all = std::mem::take(&mut self.proving.undo);
        let before = all.len();
        all.retain_mut(|undo| {
            self.reset_what_the_test_did(undo, effects);
            self.give_back_the_probe(undo);
            undo.until > now && (!undo.step_over || undo.in_hand || !undo.interlocks.is_empty())
        });
        for undo in &all {
            deadlines.ask(undo.until, DeadlineKind::Hold);
        }
        self.unsaved |= all.len() != before;
        self.proving.undo = all;
    }

    fn give_back_the_probe(&mut self, undo: &mut Undo) {
        let (Some(id), true) = (undo.probe, undo.in_hand) else { return };
        let (plan, now) = (&self.plan.probes[id.index()], self.now.steady);
        let near = |base: f64| self.fresh_value(id).is_some_and(|value| (value - base).abs() <= far(plan) / 2.0);
        let back = undo.step_over && undo.base.is_some_and(near);
        if back || undo.until <= now {
            self.probes[id.index()].put_back();
            undo.in_hand = false;
            self.unsaved = true;
        }
    }

    fn reset_what_the_test_did(&mut self, undo: &mut Undo, effects: &mut Vec<Effect>) {
        let now = self.now.steady;
        let Some(probe) = undo.probe else {
            if undo.step_over {
                undo.interlocks.clear();
            }
            return;
        };
        let (by, over, broken_off) = (undo.by.clone(), undo.step_over && undo.until > now, undo.broken_off);
        undo.interlocks.retain(|id| {
            let (live, cause) = (&self.interlocks[id.index()], self.plan.interlocks[id.index()].cause);
            if live.truth.is_true() && self.is_true_without(cause, probe) {
                return false;
            }
            match live.stage {
                // A contact that is wet in the hand of whoever broke it off may trip it yet.
                Tripped::Armed => !over || broken_off || live.truth != super::super::Truth::False,
                Tripped::Tripped => true,
                Tripped::Latched if !over || live.reset_refusal().is_some() => true,
                Tripped::Latched => {
                    self.interlocks[id.index()].reset();
                    effects.push(Effect::SaveState(Durability::AfterTheCommands));
                    let name = self.plan.interlocks[id.index()].name.clone();
                    self.journal(JournalKind::Trip, &name, format!("reset after its proof test, by {by}"), effects);
                    false
                }
            }
        });
    }

    /// Whether a condition would be true if nothing came of one probe.
    fn is_true_without(&self, id: ConditionId, probe: ProbeId) -> bool {
        let truth = || self.nodes[id.index()].truth.is_true();
        match &self.plan.conditions[id.index()] {
            Condition::All(of) => of.iter().all(|id| self.is_true_without(*id, probe)),
            Condition::Any(of) => of.iter().any(|id| self.is_true_without(*id, probe)),
            Condition::Lasting { inner, .. } => truth() && self.is_true_without(*inner, probe),
            leaf => match leaf.signal() {
                Some(signal) if self.plan.signals[signal.index()].probes.contains(&probe) => {
                    let others = self.plan.signals[signal.index()].probes.iter().filter(|other| **other != probe);
                    others.copied().any(|other| self.leaf_by(leaf, other))
                }
                _ => truth(),
            },
        }
    }

    /// Whether one probe alone makes a leaf true.
    fn leaf_by(&self, leaf: &Condition, probe: ProbeId) -> bool {
        let Some(value) = self.fresh_value(probe) else { return false };
        match leaf {
            Condition::Compare { side: Side::Above, limit, .. } => value > *limit,
            Condition::Compare { side: Side::Below, limit, .. } => value < *limit,
            Condition::Contact { wet, .. } => (value > 0.5) == *wet,
            _ => true,
        }
    }

    /// What a probe said last, while that is fresh, whether or not it may be believed.
    pub(super) fn fresh_value(&self, id: ProbeId) -> Option<f64> {
        let (live, plan) = (&self.probes[id.index()], &self.plan.probes[id.index()]);
        live.accepted_at().filter(|at| self.now.steady.since(*at) < plan.stale_after).map(|_| live.newest())
    }
}

fn looks_at(plan: &TankPlan, cause: ConditionId, probes: &[ProbeId]) -> bool {
    let mut looks = false;
    plan.leaves(cause, &mut |leaf| {
        let of = leaf.signal().map(|signal| &plan.signals[signal.index()].probes);
        looks |= of.is_some_and(|of| of.iter().any(|probe| probes.contains(probe)));
    });
    looks
}

//! From one plan to the next: a reload must forget nothing that keeps the tank safe.
//!
//! Things are the same if they have the same name; a condition's timers go over if it asks the same
//! of things of the same names. A probe that is understood differently must prove itself again.

use crate::time::Now;

use super::arbiter::Layer;
use super::conditions::Node;
use super::ids::{ConditionId, Name};
use super::plan::{AlarmSource, Condition, TankPlan};
use super::tank::Tank;

impl Tank {
    /// The same tank under a new plan: latches, trips, holds, forces, minimum times, proofs and
    /// readings survive by name. The next step decides anew.
    #[must_use]
    pub fn replan(self, plan: TankPlan, now: Now) -> Self {
        let mut next = Self::blank(plan, now);
        next.restore(&self.state());
        next.connected = self.connected;
        next.began_at = self.began_at;
        next.jumped_at = self.jumped_at;
        next.thermostat = self.thermostat.clone();
        next.futile = self.futile;
        if next.plan.drain_back.map(|plan| plan.pump) == self.plan.drain_back.map(|plan| plan.pump) {
            next.drain_back = self.drain_back.clone();
        }
        next.take_over_probes(&self);
        next.take_over_outputs(&self);
        next.drop_forces_of_steps();
        next.take_over_top_offs(&self);
        next.take_over_dosers(&self);
        next.take_over_interlocks(&self);
        next.take_over_conditions(&self);
        next.take_over_alarms(&self);
        next
    }

    fn take_over_probes(&mut self, old: &Self) {
        for (plan, live) in self.plan.probes.iter().zip(&mut self.probes) {
            if let Some(id) = old.plan.probe(&plan.name)
                && old.plan.probes[id.index()] == *plan
            {
                *live = old.probes[id.index()].clone();
            }
        }
    }

    fn take_over_outputs(&mut self, old: &Self) {
        for (index, plan) in self.plan.outputs.iter().enumerate() {
            let Some(id) = old.plan.output(&plan.name) else { continue };
            self.plugs[index] = old.plugs[id.index()].clone();
            self.forces[index].clone_from(&old.forces[id.index()]);
            // Layers carry indices of the old plan; the next step says why anew.
            if let Some(decision) = &mut self.plugs[index].decision {
                decision.layer = Layer::Rest;
            }
        }
        for (index, plan) in self.plan.holds.iter().enumerate() {
            if let (Some(id), Some(active)) = (old.plan.hold(&plan.name), &mut self.holds[index].active)
                && let Some(was) = &old.holds[id.index()].active
            {
                active.deadline = was.deadline;
            }
        }
    }

    /// What was spent, a run that goes on and its verdict, under the budgets of the new plan.
    fn take_over_top_offs(&mut self, old: &Self) {
        for (index, plan) in self.plan.top_offs.iter().enumerate() {
            let name = &self.plan.outputs[plan.output.index()].name;
            if let Some(id) = old.plan.output(name).and_then(|output| old.top_off_of(output)) {
                self.top_offs[index].take_over(&old.top_offs[id.index()]);
            }
        }
    }

    fn take_over_interlocks(&mut self, old: &Self) {
        for index in 0..self.plan.interlocks.len() {
            let Some(id) = old.plan.interlock(&self.plan.interlocks[index].name) else { continue };
            self.interlocks[index] = old.interlocks[id.index()].clone();
            if !self.plan.interlocks[index].bypassable {
                self.interlocks[index].bypass = None;
            }
            let cause = self.plan.interlocks[index].cause;
            self.take_over(cause, old, old.plan.interlocks[id.index()].cause);
            if self.interlocks[index].acts() {
                // A trip under a changed cause stands while its cause is true, without a new delay.
                self.assume_lasted(cause);
            }
        }
    }

    fn take_over_conditions(&mut self, old: &Self) {
        let rules = self.plan.rules.iter().filter_map(|rule| {
            let id = old.plan.rule(&rule.name)?;
            Some((rule.cause, old.plan.rules[id.index()].cause))
        });
        let starts = self.plan.outputs.iter().filter_map(|output| {
            let id = old.plan.output(&output.name)?;
            Some(output.permissives.iter().zip(&old.plan.outputs[id.index()].permissives))
        });
        let starts = starts.flatten().map(|(new, old)| (new.condition, old.condition));
        let alarms = self.plan.alarms.iter().filter_map(|alarm| {
            let id = old.plan.alarm(&alarm.name)?;
            match (&alarm.source, &old.plan.alarms[id.index()].source) {
                (AlarmSource::Condition(new), AlarmSource::Condition(old)) => Some((*new, *old)),
                _ => None,
            }
        });
        let top_offs = self.plan.top_offs.iter().filter_map(|top_off| {
            let output = old.plan.output(&self.plan.outputs[top_off.output.index()].name)?;
            Some((top_off.wanted, old.plan.top_offs[old.top_off_of(output)?.index()].wanted))
        });
        let pairs: Vec<(ConditionId, ConditionId)> = rules.chain(starts).chain(alarms).chain(top_offs).collect();
        for (new_id, old_id) in pairs {
            self.take_over(new_id, old, old_id);
        }
    }

    fn take_over(&mut self, id: ConditionId, old: &Self, old_id: ConditionId) {
        if same(&self.plan, id, &old.plan, old_id) {
            copy(&self.plan, id, &mut self.nodes, &old.plan, old_id, &old.nodes);
        }
    }

    /// What a trip that stands waited for it need not wait for again. Below a `not` a delay is no part of the cause.
    pub(super) fn assume_lasted(&mut self, id: ConditionId) {
        match &self.plan.conditions[id.index()] {
            Condition::All(of) | Condition::Any(of) | Condition::Agree(of) => {
                for id in of.clone() {
                    self.assume_lasted(id);
                }
            }
            Condition::Lasting { inner, span, .. } => {
                let (inner, span) = (*inner, *span);
                self.nodes[id.index()].assume_lasted(span);
                self.assume_lasted(inner);
            }
            _ => {}
        }
    }
}

fn children(condition: &Condition) -> &[ConditionId] {
    match condition {
        Condition::All(of) | Condition::Any(of) | Condition::Agree(of) => of,
        Condition::Not(inner) | Condition::Lasting { inner, .. } => std::slice::from_ref(inner),
        _ => &[],
    }
}

/// Whether two conditions ask the same of things of the same names.
fn same(plan: &TankPlan, id: ConditionId, old: &TankPlan, old_id: ConditionId) -> bool {
    let (a, b) = (&plan.conditions[id.index()], &old.conditions[old_id.index()]);
    let (of, old_of) = (children(a), children(b));
    of.len() == old_of.len()
        && of.iter().zip(old_of).all(|(id, old_id)| same(plan, *id, old, *old_id))
        && subject(plan, a) == subject(old, b)
        && without_indices(a) == without_indices(b)
}

fn copy(plan: &TankPlan, id: ConditionId, nodes: &mut [Node], old: &TankPlan, old_id: ConditionId, old_nodes: &[Node]) {
    nodes[id.index()] = old_nodes[old_id.index()].clone();
    let of = children(&plan.conditions[id.index()]).iter().zip(children(&old.conditions[old_id.index()]));
    for (id, old_id) in of {
        copy(plan, *id, nodes, old, *old_id, old_nodes);
    }
}

/// The name of what a leaf looks at, and of its probes.
fn subject(plan: &TankPlan, condition: &Condition) -> Vec<Name> {
    match condition {
        Condition::Output { output, .. } | Condition::Draws { output, .. } => {
            vec![plan.outputs[output.index()].name.clone()]
        }
        Condition::Held(Some(hold)) => vec![plan.holds[hold.index()].name.clone()],
        Condition::TopOff { top_off, .. } => {
            vec![plan.outputs[plan.top_offs[top_off.index()].output.index()].name.clone()]
        }
        Condition::Dosing { doser, .. } => {
            vec![plan.outputs[plan.dosing[doser.index()].output.index()].name.clone()]
        }
        leaf => leaf.signal().map_or_else(Vec::new, |signal| {
            let signal = &plan.signals[signal.index()];
            let probes = signal.probes.iter().map(|probe| plan.probes[probe.index()].name.clone());
            probes.chain([signal.name.clone()]).collect()
        }),
    }
}

/// The condition with every index set to the first, so that only what it asks is compared.
fn without_indices(condition: &Condition) -> Condition {
    let mut plain = condition.clone();
    match &mut plain {
        Condition::All(of) | Condition::Any(of) | Condition::Agree(of) => of.clear(),
        Condition::Not(inner) | Condition::Lasting { inner, .. } => *inner = ConditionId::new(0),
        Condition::Compare { signal, .. }
        | Condition::Moved { signal, .. }
        | Condition::Contact { signal, .. }
        | Condition::Known { signal, .. }
        | Condition::AtRunningLevel { signal, .. } => {
            *signal = super::ids::SignalId::new(0);
        }
        Condition::Output { output, .. } | Condition::Draws { output, .. } => *output = super::ids::OutputId::new(0),
        Condition::Held(Some(hold)) => *hold = super::ids::HoldId::new(0),
        Condition::TopOff { top_off, .. } => *top_off = super::ids::TopOffId::new(0),
        Condition::Dosing { doser, .. } => *doser = super::ids::DoserId::new(0),
        Condition::Held(None) | Condition::TimeOfDay(_) => {}
    }
    plain
}

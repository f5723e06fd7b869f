//! What goes out with an alarm: what is measured, what the daemon did and how far that is proven, for whom it speaks.

use super::effect::{Effect, Measured, Notice, NoticeKind};
use super::ids::{AlarmId, OutputId};
use super::plan::Switch;
use super::status::ProofStatus;
use super::tank::Tank;

impl Tank {
    pub(super) fn notify(&self, index: usize, what: NoticeKind, text: String, effects: &mut Vec<Effect>) {
        effects.push(Effect::Notify(self.notice(index, what, text)));
    }

    pub(super) fn notice(&self, index: usize, what: NoticeKind, text: String) -> Notice {
        let (plan, alarm) = (&self.plan.alarms[index], &self.alarms[index]);
        let name = |other: usize| self.plan.alarms[other].name.to_string();
        Notice {
            alarm: AlarmId::new(index),
            name: plan.name.to_string(),
            priority: plan.priority,
            what,
            since: alarm.since.unwrap_or(self.now.wall),
            text,
            value: self.measured(index).map(Box::new),
            did: self.links[index].outputs.iter().filter_map(|output| self.did(*output)).collect(),
            consequence: plan.advice.consequence.clone(),
            action: plan.advice.action.clone(),
            group: self.group_of(index).into_iter().map(name).collect(),
            part_of: alarm.head.map(name),
            only: None,
        }
    }

    fn measured(&self, index: usize) -> Option<Measured> {
        let signal = self.links[index].signal?;
        let status = self.signal_status(signal, self.now);
        let value = status.value.filter(|_| status.measures != crate::units::Quantity::Contact);
        Some(Measured {
            signal: status.signal.to_string(),
            value,
            unit: if value.is_some() { status.unit.to_owned() } else { String::new() },
            text: status.text,
            age: status.age,
        })
    }

    /// What was decided of an output, since when, and how far that is proven; nothing where nothing was decided.
    fn did(&self, output: OutputId) -> Option<String> {
        let (plan, plug) = (&self.plan.outputs[output.index()], &self.plugs[output.index()]);
        let decision = plug.decision.as_ref()?;
        if decision.leaves_alone(plan.kind) {
            return Some(format!("{} is left as it is found", plan.name));
        }
        let at = self.plan.zone.time_of_day(decision.since);
        let contradicted = decision.to == Switch::Off && self.still_draws(output).is_true();
        let proof = match plug.proof {
            _ if !self.connected => "and that cannot be sent: the broker is not connected",
            _ if contradicted => "and it draws power all the same",
            ProofStatus::Proven if plug.told == Some(decision.to) => "and that is proven",
            ProofStatus::NotProven => "and that is NOT proven",
            ProofStatus::CannotBeProven => "and nothing can prove that",
            ProofStatus::Proven | ProofStatus::Waiting | ProofStatus::NothingCommanded => "its proof is awaited",
        };
        Some(format!("{} was turned {} at {at}, {proof}", plan.name, decision.to.word()))
    }
}

//! What of a tank can be proven: from its plan, in the order in which a session goes.
//!
//! Bindings first (each probe is moved, each plug switched and restarted), then safeguards (contacts, silence, cut-offs,
//! the way of an alarm to a person). Names are stable: results are kept by them.

use crate::time::Span;
use crate::units::Quantity;

use super::super::ids::{ConditionId, InterlockId, OutputId, ProbeId, SignalId};
use super::super::plan::{Condition, OnUnknown, OutputKind, ProbePlan, Side, Switch, TankPlan};

/// What is shown of something.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize, schemars::JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Check {
    /// A probe's value follows what is done to it, and no other one's does.
    Moves,
    /// A plug obeys and reports, and what hangs on it is what its name says.
    Switches,
    /// A plug comes back from a power cut as it should.
    Boots,
    /// A float or a leak probe gets wet and dry, and what it guards goes off.
    WetAndDry,
    /// The silence of a probe is told, and what needs it goes off.
    FallsSilent,
    /// Warm water at a probe turns the heater off.
    CutsOff,
    /// A message of the daemon reaches a person.
    Arrives,
}

impl Check {
    /// Its word in names, requests and messages.
    pub fn word(self) -> &'static str {
        match self {
            Self::Moves => "moves",
            Self::Switches => "switches",
            Self::Boots => "boots",
            Self::WetAndDry => "wet-and-dry",
            Self::FallsSilent => "falls-silent",
            Self::CutsOff => "cuts-off",
            Self::Arrives => "arrives",
        }
    }

    /// Whether it grows old as a safeguard does, and not as a binding.
    pub fn is_of_a_safeguard(self) -> bool {
        matches!(self, Self::WetAndDry | Self::FallsSilent | Self::CutsOff | Self::Arrives)
    }
}

/// One thing to prove.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(in crate::control) enum Item {
    Moves(ProbeId),
    Switches(OutputId),
    Boots(OutputId),
    WetAndDry(ProbeId),
    FallsSilent(ProbeId),
    CutsOff(InterlockId),
    Arrives,
}

/// The name of the way of an alarm to a person.
pub(super) const ALARM_PATH: &str = "alarm-path";

impl Item {
    /// Everything of a plan, in order.
    pub fn all(plan: &TankPlan) -> Vec<Self> {
        let probes = || (0..plan.probes.len()).map(ProbeId::new);
        let contact = |probe: &ProbeId| plan.probes[probe.index()].quantity == Quantity::Contact;
        let outputs = || (0..plan.outputs.len()).map(OutputId::new);
        let interlocks = (0..plan.interlocks.len()).map(InterlockId::new);
        let mut all: Vec<Self> = probes().filter(|probe| !contact(probe)).map(Self::Moves).collect();
        all.extend(outputs().map(Self::Switches));
        all.extend(outputs().map(Self::Boots));
        all.extend(probes().filter(contact).map(Self::WetAndDry));
        all.extend(probes().filter(|probe| guards_by_silence(plan, *probe)).map(Self::FallsSilent));
        all.extend(interlocks.filter(|id| cut_off(plan, *id).is_some()).map(Self::CutsOff));
        all.push(Self::Arrives);
        all
    }

    pub fn check(self) -> Check {
        match self {
            Self::Moves(_) => Check::Moves,
            Self::Switches(_) => Check::Switches,
            Self::Boots(_) => Check::Boots,
            Self::WetAndDry(_) => Check::WetAndDry,
            Self::FallsSilent(_) => Check::FallsSilent,
            Self::CutsOff(_) => Check::CutsOff,
            Self::Arrives => Check::Arrives,
        }
    }

    /// What it is of.
    pub fn subject(self, plan: &TankPlan) -> &str {
        match self {
            Self::Moves(probe) | Self::WetAndDry(probe) | Self::FallsSilent(probe) => &plan.probes[probe.index()].name,
            Self::Switches(output) | Self::Boots(output) => &plan.outputs[output.index()].name,
            Self::CutsOff(interlock) => &plan.interlocks[interlock.index()].name,
            Self::Arrives => ALARM_PATH,
        }
    }

    /// `heater boots`: by this its results are kept.
    pub fn key(self, plan: &TankPlan) -> String {
        format!("{} {}", self.subject(plan), self.check().word())
    }

    /// The output that a step switches.
    pub fn output(self, plan: &TankPlan) -> Option<OutputId> {
        match self {
            Self::Switches(output) | Self::Boots(output) => Some(output),
            Self::CutsOff(interlock) => cut_off(plan, interlock).map(|cut_off| cut_off.heater),
            _ => None,
        }
    }

    /// The probe that a step is about.
    pub fn probe(self) -> Option<ProbeId> {
        match self {
            Self::Moves(probe) | Self::WetAndDry(probe) | Self::FallsSilent(probe) => Some(probe),
            _ => None,
        }
    }

    /// How long its result counts.
    pub fn lasts(self, plan: &TankPlan) -> Span {
        if self.check().is_of_a_safeguard() { plan.proofs.safeguards } else { plan.proofs.bindings }
    }

    /// What its result rests on besides the names: another topic is another binding.
    pub fn mark(self, plan: &TankPlan) -> String {
        let of = |marks: &[String], at: usize| marks.get(at).cloned().unwrap_or_default();
        match self {
            Self::Moves(probe) | Self::WetAndDry(probe) | Self::FallsSilent(probe) => {
                of(&plan.proofs.probe_marks, probe.index())
            }
            Self::Switches(output) | Self::Boots(output) => of(&plan.proofs.output_marks, output.index()),
            Self::CutsOff(interlock) => cut_off(plan, interlock).map_or_else(String::new, |cut_off| {
                let probes = &plan.signals[cut_off.signal.index()].probes;
                let probes = probes.iter().map(|probe| of(&plan.proofs.probe_marks, probe.index()));
                probes.chain([of(&plan.proofs.output_marks, cut_off.heater.index())]).collect::<Vec<_>>().join(" ")
            }),
            Self::Arrives => {
                plan.proofs.channels.iter().map(|channel| channel.mark.as_str()).collect::<Vec<_>>().join(" ")
            }
        }
    }
}

/// A heater's cut-off by a temperature.
#[derive(Clone, Copy, Debug)]
pub(super) struct CutOff {
    pub heater: OutputId,
    pub signal: SignalId,
    /// °C.
    pub limit: f64,
    pub lasting: Span,
}

/// Whether an interlock turns a heater off by a temperature over a limit.
pub(super) fn cut_off(plan: &TankPlan, id: InterlockId) -> Option<CutOff> {
    let interlock = &plan.interlocks[id.index()];
    let heater = |(output, to): &(OutputId, Switch)| {
        (*to == Switch::Off && plan.outputs[output.index()].kind == OutputKind::Heater).then_some(*output)
    };
    let heater = interlock.effects.iter().find_map(heater)?;
    let mut found = None;
    let lasting = alone(plan, interlock.cause, &mut |leaf| match leaf {
        Condition::Compare { signal, side: Side::Above, limit, .. }
            if plan.signals[signal.index()].quantity == Quantity::Temperature =>
        {
            found = Some((*signal, *limit));
            true
        }
        _ => false,
    })?;
    let (signal, limit) = found?;
    Some(CutOff { heater, signal, limit, lasting })
}

/// After how long a leaf makes a condition true by itself. `None`: it does not.
pub(super) fn alone(plan: &TankPlan, id: ConditionId, is: &mut dyn FnMut(&Condition) -> bool) -> Option<Span> {
    match &plan.conditions[id.index()] {
        Condition::Any(of) => of.iter().filter_map(|id| alone(plan, *id, is)).min(),
        Condition::All(of) | Condition::Agree(of) => match of.as_slice() {
            [one] => alone(plan, *one, is),
            _ => None,
        },
        Condition::Lasting { inner, span, .. } => alone(plan, *inner, is).map(|inner| inner.plus(*span)),
        Condition::Not(_) => None,
        leaf => is(leaf).then_some(Span::ZERO),
    }
}

/// Whether an interlock trips because nothing is known of this probe, or of it among others.
fn guards_by_silence(plan: &TankPlan, probe: ProbeId) -> bool {
    plan.interlocks.iter().any(|interlock| {
        let mut asks = false;
        plan.leaves(interlock.cause, &mut |leaf| {
            asks |= leaf.signal().is_some_and(|signal| plan.signals[signal.index()].probes.contains(&probe));
        });
        asks && interlock.unknown == OnUnknown::Trips
    })
}

/// How far a probe has to move: far over noise and drift, and what a hand or a cup can do. [choice]
pub(super) fn far(plan: &ProbePlan) -> f64 {
    match plan.quantity {
        Quantity::Temperature => 1.5,
        Quantity::Level => 15.0,
        Quantity::Salinity => 3.0,
        // L/min.
        Quantity::Flow => 2.0,
        _ => 0.03 * (plan.greatest - plan.least),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::plan::{Doubtful, Estimate, TimerUnknown};
    use crate::control::tests::lagoon::{compare, minutes, plan, probe, seconds};

    #[test]
    fn each_kind_of_probe_has_to_go_as_far_as_a_hand_can_move_it() {
        for (quantity, expected) in [
            (Quantity::Temperature, 1.5),
            (Quantity::Level, 15.0),
            (Quantity::Salinity, 3.0),
            (Quantity::Flow, 2.0),
            // Of its range 3 %.
            (Quantity::Power, 3.0),
        ] {
            let found = far(&probe("a-probe", quantity, 20.0, 120.0));
            assert!((found - expected).abs() < 1e-9, "{quantity:?}: {found}");
        }
    }

    #[test]
    fn a_leaf_trips_alone_after_the_delays_over_it_and_not_where_something_else_is_needed() {
        let mut plan = plan();
        let hot = plan.add(compare(0, Estimate::EachProbe, Side::Above, 26.0, Doubtful::Counts));
        let low = plan.add(compare(1, Estimate::Voted, Side::Below, -95.0, Doubtful::Counts));
        let lasting = |plan: &mut TankPlan, inner, span| {
            plan.add(Condition::Lasting { inner, span, unknown: TimerUnknown::Freezes })
        };
        let ten = lasting(&mut plan, hot, seconds(10));
        let nested = lasting(&mut plan, ten, minutes(1));
        let either = plan.add(Condition::Any(vec![low, nested, ten]));
        let both = plan.add(Condition::All(vec![hot, low]));
        let one = plan.add(Condition::All(vec![ten]));
        let not = plan.add(Condition::Not(hot));
        let is_hot = |id| alone(&plan, id, &mut |leaf| matches!(leaf, Condition::Compare { side: Side::Above, .. }));
        for (id, expected) in [
            (hot, Some(Span::ZERO)),
            (low, None),
            (ten, Some(seconds(10))),
            (nested, Some(seconds(70))),
            (either, Some(seconds(10))),
            (both, None),
            (one, Some(seconds(10))),
            (not, None),
        ] {
            assert_eq!(is_hot(id), expected);
        }
    }

    #[test]
    fn a_cut_off_is_what_turns_a_heater_off_by_a_temperature_over_a_limit() {
        let plan = plan();
        let found: Vec<_> = (0..plan.interlocks.len())
            .filter_map(|at| cut_off(&plan, InterlockId::new(at)).map(|found| (at, found.limit, found.lasting)))
            .collect();
        assert_eq!(found, [(0, 26.0, seconds(10))]);
        for check in [Check::WetAndDry, Check::FallsSilent, Check::CutsOff, Check::Arrives] {
            assert!(check.is_of_a_safeguard());
        }
        for check in [Check::Moves, Check::Switches, Check::Boots] {
            assert!(!check.is_of_a_safeguard());
        }
    }
}

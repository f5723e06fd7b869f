//! What a plan says of how its alarms hang together: which explains which, and what explains one by design.
//!
//! Worked out once from the plan, so that a step only looks it up. An alarm is a consequence of another one where
//!
//! 1. both look at the same thing, one as an interlock's trip and one as a plain alarm (`no-flow-trip`, `flow-lost`);
//! 2. it needs an output that the other one turned off (a trip) or says does not run (its power, its proof);
//! 3. it is one probe of a signal, and the signal has no value at all;
//! 4. both are silence: three or more probes and plugs that fell silent within five minutes of each other.
//!
//! A standing hold explains cold water where it pauses the heater, low water where it pauses the pumps, and a late
//! top-off where it pauses that. A lost broker explains silence, and so does a daemon that has just started; an output
//! that has just started explains what needs it. Limits: no clock, no state of an alarm.

use super::dosing::DosingFact;
use super::ids::{ConditionId, HoldId, OutputId, ProbeId, SignalId};
use super::plan::{AlarmSource, Condition, OutputKind, Priority, Side, Switch, TankPlan, TopOffFact};
use crate::units::Quantity;

/// What the plan says of one alarm.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct AlarmLinks {
    /// The alarms that would explain it, directly or by what explains them; never itself.
    pub causes: Vec<usize>,
    /// It says that something is not heard.
    pub is_silence: bool,
    /// What it says is not heard.
    pub silent: Vec<Silent>,
    /// Silence that a lost broker or the daemon's own start explains; never an urgent one, for that one is not told as urgently.
    pub by_broker: bool,
    /// Holds that explain it.
    pub by_holds: Vec<HoldId>,
    /// Probes whose care explains it.
    pub by_probes: Vec<ProbeId>,
    /// Outputs whose start explains it for a while; never an urgent one.
    pub by_starts: Vec<OutputId>,
    /// The signal that it is about.
    pub signal: Option<SignalId>,
    /// The outputs that it is about: what the daemon did is told of them.
    pub outputs: Vec<OutputId>,
    /// Why nobody may silence it; `None`: it may be shelved and taken out of service.
    pub guarded: Option<&'static str>,
}

/// What can fall silent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Silent {
    Probe(ProbeId),
    Plug(OutputId),
}

/// What an alarm looks at and what it needs.
#[derive(Clone, Debug, Default)]
struct About {
    /// Signals and outputs, as the leaves of its condition name them.
    signals: Vec<SignalId>,
    outputs: Vec<OutputId>,
    /// Outputs without which it is no wonder.
    needs: Vec<OutputId>,
    /// Each limit: of which signal, on which side.
    limits: Vec<(SignalId, Side)>,
    /// Outputs that are said to draw too little.
    weak: Vec<OutputId>,
    /// Every leaf that compares a level or a contact asks for too little water.
    low_water: bool,
    cold_water: bool,
    contact: bool,
}

/// Works out what the plan says of each alarm.
pub(super) fn links(plan: &TankPlan) -> Vec<AlarmLinks> {
    let abouts: Vec<About> = plan.alarms.iter().map(|alarm| about(plan, &alarm.source)).collect();
    let direct: Vec<Vec<usize>> = (0..plan.alarms.len()).map(|alarm| direct_causes(plan, &abouts, alarm)).collect();
    (0..plan.alarms.len())
        .map(|alarm| {
            let (source, about) = (&plan.alarms[alarm].source, &abouts[alarm]);
            let is_silence =
                matches!(source, AlarmSource::SignalLost(_) | AlarmSource::ProbeLost(_) | AlarmSource::NotProven(_))
                    || *source == AlarmSource::PowerLost;
            let urgent = plan.alarms[alarm].priority == Priority::Urgent;
            AlarmLinks {
                causes: closure(&direct, alarm),
                is_silence,
                silent: match source {
                    AlarmSource::SignalLost(signal) => {
                        plan.signals[signal.index()].probes.iter().copied().map(Silent::Probe).collect()
                    }
                    AlarmSource::ProbeLost(probe) => vec![Silent::Probe(*probe)],
                    AlarmSource::NotProven(output) => vec![Silent::Plug(*output)],
                    _ => Vec::new(),
                },
                by_broker: is_silence && !urgent,
                by_holds: explaining_holds(plan, alarm, about),
                by_probes: match source {
                    AlarmSource::SignalLost(signal) => plan.signals[signal.index()].probes.clone(),
                    AlarmSource::ProbeLost(probe) => vec![*probe],
                    _ => Vec::new(),
                },
                by_starts: match source {
                    AlarmSource::Condition(_) if !urgent => about.needs.clone(),
                    _ => Vec::new(),
                },
                signal: about.signals.first().copied(),
                outputs: acted_on(plan, source, about),
                guarded: guarded(plan, alarm, about),
            }
        })
        .collect()
}

fn about(plan: &TankPlan, source: &AlarmSource) -> About {
    let mut about = About::default();
    match source {
        AlarmSource::Condition(cause) => look(plan, *cause, &mut about),
        AlarmSource::Trip(interlock) => look(plan, plan.interlocks[interlock.index()].cause, &mut about),
        AlarmSource::SignalLost(signal) | AlarmSource::Disagree(signal) => about.signals.push(*signal),
        AlarmSource::ProbeLost(probe) => {
            let of = |signal: &super::plan::SignalPlan| signal.probes.contains(probe);
            about.signals.extend(plan.signals.iter().position(of).map(SignalId::new));
        }
        AlarmSource::NotProven(output)
        | AlarmSource::ForeignSwitch(output)
        | AlarmSource::StartsOften(output)
        | AlarmSource::Conflict(output)
        | AlarmSource::Restarts(output)
        | AlarmSource::WrongBoot(output)
        | AlarmSource::LeaseOutlived(output) => about.outputs.push(*output),
        AlarmSource::FutileHeat => {
            let heat = plan.thermostat.as_ref().and_then(|thermostat| thermostat.heat);
            about.needs.extend(heat.map(|side| side.output));
            about.signals.extend(plan.thermostat.as_ref().map(|thermostat| thermostat.signal));
            about.cold_water = true;
        }
        AlarmSource::Drift(source) => about.signals.extend(plan.drift_of(*source)),
        AlarmSource::DrainBack => {
            about.signals.extend(plan.drain_back.map(|drain| drain.level));
            about.outputs.extend(plan.drain_back.map(|drain| drain.pump));
        }
        AlarmSource::TripsOften(_)
        | AlarmSource::Changeovers
        | AlarmSource::HoldOverdue(_)
        | AlarmSource::PowerLost
        | AlarmSource::Bypassed
        | AlarmSource::ProofsDue
        | AlarmSource::ProofFailed
        | AlarmSource::ClockJumped
        | AlarmSource::StateDamaged => {}
    }
    about
}

/// The leaves of a condition: what it looks at, and which outputs it needs.
fn look(plan: &TankPlan, cause: ConditionId, about: &mut About) {
    let kind = |output: OutputId| plan.outputs[output.index()].kind;
    let (mut levels, mut low) = (0, 0);
    plan.leaves(cause, &mut |leaf| {
        if let Some(signal) = leaf.signal()
            && !about.signals.contains(&signal)
        {
            about.signals.push(signal);
        }
        match leaf {
            Condition::Compare { signal, side, .. } => {
                about.limits.push((*signal, *side));
                match plan.signals[signal.index()].quantity {
                    Quantity::Level => {
                        levels += 1;
                        low += u32::from(*side == Side::Below);
                    }
                    Quantity::Temperature if *side == Side::Below => {
                        let of = |thermostat: &super::plan::ThermostatPlan| thermostat.signal == *signal;
                        about.cold_water |= plan.thermostat.as_ref().is_some_and(of);
                    }
                    Quantity::Flow => about.needs.extend(of_kind(plan, OutputKind::ReturnPump)),
                    _ => {}
                }
            }
            Condition::Contact { wet, .. } => {
                about.contact = true;
                levels += 1;
                low += u32::from(!wet);
            }
            Condition::AtRunningLevel { .. } => about.needs.extend(of_kind(plan, OutputKind::ReturnPump)),
            Condition::Output { output, .. } | Condition::Draws { output, .. } => {
                if !about.outputs.contains(output) {
                    about.outputs.push(*output);
                }
                if matches!(leaf, Condition::Draws { side: Side::Below, .. }) {
                    about.weak.push(*output);
                }
                if kind(*output) == OutputKind::ReturnPump {
                    about.needs.push(*output);
                }
            }
            Condition::TopOff { top_off, fact: TopOffFact::Overdue } => {
                about.needs.push(plan.top_offs[top_off.index()].output);
            }
            Condition::Dosing { doser, fact } => {
                let output = plan.dosing[doser.index()].output;
                about.outputs.push(output);
                if *fact == DosingFact::Behind {
                    about.needs.push(output);
                }
            }
            _ => {}
        }
    });
    about.low_water = levels > 0 && levels == low;
    if about.cold_water {
        let heat = plan.thermostat.as_ref().and_then(|thermostat| thermostat.heat);
        about.needs.extend(heat.map(|side| side.output));
    }
}

fn of_kind(plan: &TankPlan, kind: OutputKind) -> impl Iterator<Item = OutputId> + '_ {
    let of = move |(_, output): &(usize, &super::plan::OutputPlan)| output.kind == kind;
    plan.outputs.iter().enumerate().filter(of).map(|(at, _)| OutputId::new(at))
}

/// The alarms that explain this one, by rules 1 to 3.
fn direct_causes(plan: &TankPlan, abouts: &[About], alarm: usize) -> Vec<usize> {
    let (source, about) = (&plan.alarms[alarm].source, &abouts[alarm]);
    let explains = |other: usize| {
        if other == alarm {
            return false;
        }
        let cause = &plan.alarms[other].source;
        match cause {
            AlarmSource::Trip(interlock) => {
                let effects = &plan.interlocks[interlock.index()].effects;
                effects.iter().any(|(output, to)| *to == Switch::Off && about.needs.contains(output))
                    || matches!(source, AlarmSource::Condition(_)) && same_thing(about, &abouts[other])
            }
            AlarmSource::Condition(_) => {
                let needed = |output: &OutputId| about.needs.contains(output);
                // What it draws and nothing else: the pump itself, not that nothing flows.
                let stands = abouts[other].signals.is_empty() && abouts[other].outputs.len() == 1;
                let of_itself = about.signals.is_empty() && about.outputs.len() == 1;
                (stands && !of_itself && abouts[other].weak.iter().any(needed))
                    || matches!(source, AlarmSource::Trip(_)) && same_thing(about, &abouts[other])
            }
            AlarmSource::NotProven(output) => about.needs.contains(output),
            AlarmSource::SignalLost(signal) => {
                matches!(source, AlarmSource::ProbeLost(probe) if plan.signals[signal.index()].probes.contains(probe))
            }
            _ => false,
        }
    };
    (0..plan.alarms.len()).filter(|other| explains(*other)).collect()
}

/// Both look at something, and one of them at nothing that the other does not look at.
fn same_thing(one: &About, other: &About) -> bool {
    let within = |a: &About, b: &About| {
        !(a.signals.is_empty() && a.outputs.is_empty())
            && a.signals.iter().all(|signal| b.signals.contains(signal))
            && a.outputs.iter().all(|output| b.outputs.contains(output))
    };
    // A limit above has nothing to do with one below.
    let agrees = |(signal, _): &(SignalId, Side)| {
        let has = |about: &About, side: Side| about.limits.contains(&(*signal, side));
        let sides = [Side::Below, Side::Above];
        !sides.iter().any(|side| has(other, *side)) || sides.iter().any(|side| has(one, *side) && has(other, *side))
    };
    one.limits.iter().all(agrees) && (within(one, other) || within(other, one))
}

fn closure(direct: &[Vec<usize>], alarm: usize) -> Vec<usize> {
    let mut found: Vec<usize> = Vec::new();
    let mut open = direct[alarm].clone();
    while let Some(next) = open.pop() {
        if next != alarm && !found.contains(&next) {
            found.push(next);
            open.extend(&direct[next]);
        }
    }
    found.sort_unstable();
    found
}

fn explaining_holds(plan: &TankPlan, alarm: usize, about: &About) -> Vec<HoldId> {
    let (source, priority) = (&plan.alarms[alarm].source, plan.alarms[alarm].priority);
    let explains = |hold: &super::plan::HoldPlan| {
        let pauses = |output: &OutputId| hold.pauses.contains(output);
        match source {
            // What would be turned off is paused already, and what was taken out is missing.
            AlarmSource::Trip(interlock) => {
                about.low_water && plan.interlocks[interlock.index()].effects.iter().all(|(output, _)| pauses(output))
            }
            _ if priority == Priority::Urgent => false,
            AlarmSource::Condition(_) if about.low_water => {
                let pumps = [OutputKind::ReturnPump, OutputKind::TopOff];
                hold.pauses.iter().any(|output| pumps.contains(&plan.outputs[output.index()].kind))
            }
            // No hold lasts as long as the day of doses by which a dosing pump is behind.
            AlarmSource::Condition(_) | AlarmSource::FutileHeat => {
                let doses = |output: &OutputId| plan.outputs[output.index()].kind == OutputKind::Doser;
                about.needs.iter().any(|output| pauses(output) && !doses(output))
            }
            _ => false,
        }
    };
    (0..plan.holds.len()).filter(|hold| explains(&plan.holds[*hold])).map(HoldId::new).collect()
}

fn acted_on(plan: &TankPlan, source: &AlarmSource, about: &About) -> Vec<OutputId> {
    let mut outputs = match source {
        AlarmSource::Trip(interlock) | AlarmSource::TripsOften(interlock) => {
            plan.interlocks[interlock.index()].effects.iter().map(|(output, _)| *output).collect()
        }
        _ => about.outputs.clone(),
    };
    if let Some(thermostat) = &plan.thermostat
        && about.signals.contains(&thermostat.signal)
    {
        outputs.extend([thermostat.heat, thermostat.cool].into_iter().flatten().map(|side| side.output));
    }
    outputs.sort_unstable();
    outputs.dedup();
    outputs
}

/// What must be told within minutes is never silenced beforehand: acknowledging it is enough to be left in peace.
fn guarded(plan: &TankPlan, alarm: usize, about: &About) -> Option<&'static str> {
    match &plan.alarms[alarm].source {
        _ if plan.alarms[alarm].priority == Priority::Urgent => Some("it is urgent"),
        AlarmSource::Trip(_) if about.contact => Some("it tells of a float or a leak"),
        AlarmSource::Trip(interlock) if !plan.interlocks[interlock.index()].bypassable => {
            let heats = |(output, _): &(OutputId, Switch)| plan.outputs[output.index()].kind == OutputKind::Heater;
            let cutoff = plan.interlocks[interlock.index()].effects.iter().any(heats);
            cutoff.then_some("it tells of a heater's cut-off")
        }
        AlarmSource::HoldOverdue(_) => Some("it tells of a forgotten hold"),
        AlarmSource::StateDamaged => Some("it tells that what safety rests on is lost"),
        _ => None,
    }
}

//! What the raw events of one tank say, kept apart from the core: the monitor's own evidence.
//!
//! It never asks the core whether a reading is good. It is kinder than the core (no rate check, no
//! median), so that what it calls a violation is one: a cut-off counts as confirmed only when a probe
//! said for the delay and [`GRACE`] more that it is over the limit. A single leap before a silence says it once.

use crate::control::TankPlan;
use crate::control::event::{Event, Retained};
use crate::control::ids::{ConditionId, OutputId, SignalId};
use crate::control::plan::{Condition, Estimate, OutputKind, Side, Switch};
use crate::time::{Span, Steady};
use crate::units::Quantity;

/// A probe has to be heard three times before it counts again (30 s at 10 s), and a sample more.
const GRACE: Span = Span::from_seconds(45);

/// A heater's cut-off as the plan says it.
#[derive(Clone, Debug)]
struct Cutoff {
    heater: OutputId,
    name: String,
    signal: SignalId,
    limit: f64,
    lasting: Span,
    /// One probe over the limit is enough.
    any: bool,
}

#[derive(Clone, Copy, Debug, Default)]
struct ProbeShadow {
    /// The last possible value, and when.
    last: Option<(f64, Steady)>,
    /// Over the lowest cut-off that looks at it, without a break, since then.
    over_since: Option<Steady>,
    /// For contacts: wet since then.
    wet_since: Option<Steady>,
}

/// One tank's evidence.
#[derive(Clone, Debug)]
pub(super) struct Shadow {
    plan: TankPlan,
    cutoffs: Vec<Cutoff>,
    probes: Vec<ProbeShadow>,
    /// The lowest cut-off that looks at each probe.
    limits: Vec<Option<f64>>,
    /// What each output was last told.
    pub told: Vec<Option<Switch>>,
    /// What each plug last reported.
    pub reported: Vec<Option<Switch>>,
    /// When each meter last spoke.
    metered: Vec<Option<Steady>>,
}

impl Shadow {
    pub fn new(plan: &TankPlan) -> Self {
        let cutoffs = cutoffs(plan);
        let mut limits: Vec<Option<f64>> = vec![None; plan.probes.len()];
        for cutoff in &cutoffs {
            for probe in &plan.signals[cutoff.signal.index()].probes {
                let limit = &mut limits[probe.index()];
                *limit = Some(limit.map_or(cutoff.limit, |other: f64| other.min(cutoff.limit)));
            }
        }
        Self {
            cutoffs,
            limits,
            probes: vec![ProbeShadow::default(); plan.probes.len()],
            told: vec![None; plan.outputs.len()],
            reported: vec![None; plan.outputs.len()],
            metered: vec![None; plan.outputs.len()],
            plan: plan.clone(),
        }
    }

    pub fn plan(&self) -> &TankPlan {
        &self.plan
    }

    /// A daemon that has just started knows no reading.
    pub fn forget_readings(&mut self) {
        self.probes.fill(ProbeShadow::default());
        self.metered.fill(None);
        self.told.fill(None);
    }

    pub fn hear(&mut self, event: &Event, now: Steady) {
        match event {
            Event::MeterArrived { output, watts: Ok(_), retained: Retained::No } => {
                if let Some(metered) = self.metered.get_mut(output.index()) {
                    *metered = Some(now);
                }
            }
            Event::ReadingArrived { probe, reading: Ok(raw), retained: Retained::No } => {
                let (Some(plan), Some(seen)) =
                    (self.plan.probes.get(probe.index()), self.probes.get_mut(probe.index()))
                else {
                    return;
                };
                // A conductivity becomes a salinity in the core; here it only says that the probe speaks.
                let value = raw.mul_add(plan.calibration.slope, plan.calibration.offset);
                if plan.conductivity.is_none() && !(plan.least..=plan.greatest).contains(&value) {
                    return;
                }
                // What was said before a silence confirms nothing after it.
                if seen.last.is_some_and(|(_, at)| now.since(at) > plan.stale_after) {
                    seen.over_since = None;
                }
                seen.last = Some((value, now));
                let over = self.limits[probe.index()].is_some_and(|limit| value > limit);
                seen.over_since = if over { seen.over_since.or(Some(now)) } else { None };
                let wet = plan.quantity == Quantity::Contact && value > 0.5;
                seen.wet_since = if wet { seen.wet_since.or(Some(now)) } else { None };
            }
            Event::ReportArrived { output, report: Ok(state), retained: Retained::No } => {
                if let Some(reported) = self.reported.get_mut(output.index()) {
                    *reported = Some(*state);
                }
            }
            Event::BrokerLost => self.told.fill(None),
            _ => {}
        }
    }

    /// Whether a probe said something possible within its stale limit.
    pub fn is_fresh(&self, probe: usize, now: Steady) -> bool {
        self.probes[probe].last.is_some_and(|(_, at)| now.since(at) <= self.plan.probes[probe].stale_after)
    }

    /// For how long a contact has been wet.
    pub fn wet_for(&self, probe: usize, now: Steady) -> Option<Span> {
        self.probes[probe].wet_since.map(|since| now.since(since))
    }

    /// Why this heater may not be told on, by the raw evidence.
    pub fn forbids_heat(&self, heater: OutputId, now: Steady) -> Option<String> {
        let watched = self.plan.thermostat.as_ref().filter(|plan| plan.heat.is_some_and(|side| side.output == heater));
        let signals = watched.map(|plan| plan.signal).into_iter();
        for signal in signals.chain(self.cutoffs_of(heater).map(|cutoff| cutoff.signal)) {
            let plan = &self.plan.signals[signal.index()];
            if !plan.probes.iter().any(|probe| self.is_fresh(probe.index(), now)) {
                return Some(format!("no possible temperature of {} within its stale limit", plan.name));
            }
        }
        for cutoff in self.cutoffs_of(heater) {
            let confirmed = |probe: usize| {
                let ProbeShadow { last, over_since, .. } = self.probes[probe];
                let said_for = last.zip(over_since).map(|((_, last), since)| last.since(since));
                self.is_fresh(probe, now) && said_for.is_some_and(|span| span > cutoff.lasting.plus(GRACE))
            };
            let mut probes = self.plan.signals[cutoff.signal.index()].probes.iter().map(|probe| probe.index());
            let over = if cutoff.any { probes.any(confirmed) } else { probes.all(confirmed) };
            if over {
                return Some(format!("its cut-off {} is confirmed over {} °C", cutoff.name, cutoff.limit));
            }
        }
        None
    }

    fn cutoffs_of(&self, heater: OutputId) -> impl Iterator<Item = &Cutoff> {
        self.cutoffs.iter().filter(move |cutoff| cutoff.heater == heater)
    }

    /// Whether some interlock that turns this output off has evidence to look at.
    pub fn has_evidence_against(&self, output: OutputId, now: Steady) -> bool {
        self.plan.interlocks.iter().filter(|interlock| interlock.effects.contains(&(output, Switch::Off))).any(
            |interlock| {
                let mut fresh = false;
                self.plan.leaves(interlock.cause, &mut |leaf| {
                    if let Condition::Draws { output, .. } = leaf {
                        let stale =
                            self.plan.outputs[output.index()].plug.meter.as_ref().map(|meter| meter.stale_after);
                        let at = self.metered[output.index()];
                        fresh |= at.zip(stale).is_some_and(|(at, stale)| now.since(at) <= stale);
                        return;
                    }
                    let signal = leaf.signal().map(|signal| &self.plan.signals[signal.index()]);
                    fresh |=
                        signal.is_none_or(|signal| signal.probes.iter().any(|probe| self.is_fresh(probe.index(), now)));
                });
                fresh
            },
        )
    }

    /// The other side of an exclusion that was told on.
    pub fn opposite_on(&self, output: OutputId) -> Option<&str> {
        let other = match self.plan.outputs[output.index()].kind {
            OutputKind::Heater => OutputKind::Chiller,
            OutputKind::Chiller => OutputKind::Heater,
            _ => return None,
        };
        let outputs = self.plan.outputs.iter().zip(&self.told);
        let mut on = outputs.filter(|(plan, told)| plan.kind == other && **told == Some(Switch::On));
        on.next().map(|(plan, _)| &*plan.name)
    }
}

fn cutoffs(plan: &TankPlan) -> Vec<Cutoff> {
    let mut found = Vec::new();
    for interlock in &plan.interlocks {
        for (output, to) in &interlock.effects {
            if *to == Switch::Off && plan.outputs[output.index()].kind == OutputKind::Heater {
                limits(plan, interlock.cause, Span::ZERO, &mut |signal, estimate, limit, lasting| {
                    found.push(Cutoff {
                        heater: *output,
                        name: interlock.name.to_string(),
                        signal,
                        limit,
                        lasting,
                        any: matches!(estimate, Estimate::EachProbe | Estimate::Highest),
                    });
                });
            }
        }
    }
    found
}

/// Upper temperature limits that alone make a condition true: through `any` and delays, not through `all` or `not`.
fn limits(plan: &TankPlan, id: ConditionId, lasting: Span, found: &mut dyn FnMut(SignalId, Estimate, f64, Span)) {
    match &plan.conditions[id.index()] {
        Condition::Any(of) => of.iter().for_each(|id| limits(plan, *id, lasting, found)),
        Condition::Lasting { inner, span, .. } => limits(plan, *inner, lasting.plus(*span), found),
        Condition::Compare { signal, estimate, side: Side::Above, limit, .. }
            if plan.signals[signal.index()].quantity == Quantity::Temperature =>
        {
            found(*signal, *estimate, *limit, lasting);
        }
        _ => {}
    }
}

//! What a step has seen, and what that says. Each look is made with every event while a step goes on.
//!
//! | check | has to be seen |
//! | --- | --- |
//! | moves | its value goes far, no other one of its kind does, and it comes back |
//! | switches | report, and power where there is a meter, follow to and fro; a person says that it was the right thing |
//! | boots | after a restart its report says what `boots:` says |
//! | wet-and-dry | its state changes, what trips by it alone trips and is proven off, and it comes back |
//! | falls-silent | the reading is lost, its alarm comes, what trips on the unknown trips, and it comes back |
//! | cuts-off | the heater is proven on; one probe over the limit; the trip; the heater proven off; the cause gone |
//!
//! Failure is what contradicts; what merely did not come is no result, and the step can be done again.

mod plugs;
mod probes;

use crate::time::Span;
use crate::units::Quantity;

use super::super::conditions::amount;
use super::super::ids::{OutputId, ProbeId};
use super::super::plan::{Fitted, Switch};
use super::super::tank::Tank;
use super::items::Item;
use super::{Verdict, Watch};

/// Something else answers for so long before the step is failed: a hand touches both, one after the other. [choice]
const ANOTHER_FOR: Span = Span::from_seconds(20);

impl Tank {
    pub(super) fn judge(&mut self, item: Item, watch: &mut Watch) -> Verdict {
        self.follow_values(watch);
        if let Some(probe) = item.probe() {
            self.keep_water_from(probe, watch);
        }
        match item {
            Item::Moves(probe) => self.judge_moves(probe, watch),
            Item::WetAndDry(probe) => self.judge_contact(probe, watch),
            Item::FallsSilent(probe) => self.judge_silence(probe, watch),
            Item::Switches(output) => self.judge_switches(output, watch),
            Item::Boots(output) => self.judge_boots(output, watch),
            Item::CutsOff(interlock) => self.judge_cut_off(interlock, watch),
            Item::Arrives => Verdict::Going,
        }
    }

    /// What a touched probe says is not the water: no top-off answers it.
    fn keep_water_from(&mut self, probe: ProbeId, watch: &Watch) {
        for output in self.topped_off_by(probe) {
            if self.forces[output.index()].is_none() {
                self.force_for_step(output, Switch::Off, watch.until);
            }
        }
    }

    /// The pumps that go by a probe.
    pub(super) fn topped_off_by(&self, probe: ProbeId) -> Vec<OutputId> {
        let goes_by = |plan: &&super::super::plan::TopOffPlan| {
            self.plan.signals[plan.gauge.signal().index()].probes.contains(&probe)
        };
        self.plan.top_offs.iter().filter(goes_by).map(|plan| plan.output).collect()
    }

    fn follow_values(&self, watch: &mut Watch) {
        for at in 0..self.probes.len() {
            let Some(value) = self.fresh_value(ProbeId::new(at)) else { continue };
            let base = *watch.base[at].get_or_insert(value);
            watch.moved[at] = watch.moved[at].max((value - base).abs());
        }
    }

    pub(super) fn phase(&self, watch: &mut Watch, phase: u8) {
        watch.phase = phase;
        watch.phase_at = self.now.steady;
        watch.other_since = None;
        watch.differed = false;
    }

    /// How long the phase has lasted.
    pub(super) fn lasted(&self, watch: &Watch) -> Span {
        self.now.steady.since(watch.phase_at)
    }

    pub(super) fn shown(&self, probe: ProbeId, value: f64) -> String {
        let plan = &self.plan.probes[probe.index()];
        match plan.quantity {
            Quantity::Contact if value > 0.5 => "wet".to_owned(),
            Quantity::Contact => "dry".to_owned(),
            quantity => amount(quantity, value),
        }
    }

    /// Decided off, and its report, if it has one, says so.
    pub(super) fn is_off(&self, output: OutputId) -> bool {
        let (plan, plug) = (&self.plan.outputs[output.index()], &self.plugs[output.index()]);
        let reports = plan.plug.report == Fitted::Fitted;
        plug.told == Some(Switch::Off) && (!reports || plug.evidence() == Some(Switch::Off))
    }

    /// What a step waited for when its time was over.
    pub(super) fn what_was_missing(&self, item: Item, watch: &Watch) -> String {
        let seen = if watch.seen.is_empty() { "nothing" } else { &watch.seen.join("; ") };
        format!("seen of {}: {seen}", item.subject(&self.plan))
    }
}

//! Starts one after the other: after a hold, a power cut or a kill nothing comes back in one burst.
//!
//! Duty: to withhold a start until the one before it has had its seconds, and to keep the order in which
//! a tank wakes up: powerheads, return pump, then what needs their flow. It only withholds, and never
//! stops what runs. Small things (a fan, a doser, a lamp under 50 W) draw no inrush and start as they are
//! decided; a trip's own start does not wait.

use crate::time::{Span, Steady};

use super::arbiter::Layer;
use super::deadlines::Deadlines;
use super::effect::DeadlineKind;
use super::ids::OutputId;
use super::plan::{OutputKind, OutputPlan, Switch};
use super::tank::Tank;

/// Between two starts. [C4: powerheads 5 s apart]
const GAP: Span = Span::from_seconds(5);
/// Between two starts of which one is above [`HEAVY`]. [C4]
const HEAVY_GAP: Span = Span::from_seconds(10);
/// W. [C4: 50 W]
const HEAVY: f64 = 50.0;

/// The last start that the next one keeps its distance from.
#[derive(Clone, Copy, Debug)]
pub(super) struct Start {
    pub output: OutputId,
    at: Steady,
    heavy: bool,
}

impl Tank {
    /// Withholds what would start too soon after another start, or before its turn.
    pub(super) fn space_starts(&mut self, decisions: &mut [(Switch, Layer)], deadlines: &mut Deadlines) {
        let now = self.now.steady;
        let mut starting: Vec<usize> = (0..decisions.len()).filter(|index| self.is_start(*index, decisions)).collect();
        starting.sort_by_key(|index| rank(self.plan.outputs[*index].kind));
        // Who waits for their turn makes all after them wait.
        let mut queue_until: Option<Steady> = None;
        for index in starting {
            let (heavy, pump) = (is_heavy(&self.plan.outputs[index]), self.plan.outputs[index].kind.is_life_support());
            // Life support waits for nobody's inrush longer than it must.
            let gap = |last: &Start| if !pump && (heavy || last.heavy) { HEAVY_GAP } else { GAP };
            let free_at = self.last_start.as_ref().map(|last| last.at.after(gap(last)));
            match free_at.max(queue_until).filter(|at| *at > now) {
                Some(at) => {
                    queue_until = Some(at);
                    deadlines.ask(at, DeadlineKind::Minimum);
                    decisions[index] = (Switch::Off, Layer::Turn);
                }
                None => self.last_start = Some(Start { output: OutputId::new(index), at: now, heavy }),
            }
        }
    }

    fn is_start(&self, index: usize, decisions: &[(Switch, Layer)]) -> bool {
        let plan = &self.plan.outputs[index];
        let (to, layer) = decisions[index];
        let decided = self.plugs[index].decision.as_ref().map(|decision| decision.to);
        to == Switch::On
            && decided != Some(Switch::On)
            && self.opinions[index].running == Switch::Off
            && !matches!(layer, Layer::Trip(_))
            && (takes_turns(plan.kind) || is_heavy(plan))
    }
}

fn is_heavy(plan: &OutputPlan) -> bool {
    plan.rating.is_some_and(|rating| rating.watts() > HEAVY)
}

fn takes_turns(kind: OutputKind) -> bool {
    rank(kind) < rank(OutputKind::Other)
}

/// The order in which a tank wakes up. [C4]
fn rank(kind: OutputKind) -> u8 {
    match kind {
        OutputKind::Powerhead => 0,
        OutputKind::ReturnPump => 1,
        OutputKind::Heater => 2,
        OutputKind::Chiller => 3,
        OutputKind::Skimmer => 4,
        OutputKind::Light | OutputKind::Fan | OutputKind::TopOff | OutputKind::Doser | OutputKind::Other => 5,
    }
}

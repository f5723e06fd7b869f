//! Invariant 3 seen from outside: a dose book made of the raw commands alone.
//!
//! | of each on of a dosing pump | how it is seen |
//! | --- | --- |
//! | once for a slot | the newest slot of the plan by the wall, never the same twice |
//! | by a countdown of its own, and never refreshed | the command carries it |
//! | not into still water | a return pump or powerhead that can report says on |
//! | within the day | the countdowns' last 24 hours under the day's limit of what the water bears, as long as no pump was calibrated |
//!
//! Limits: a cylinder run is told by its length (a minute); what a keeper does with a hose is not seen.

use std::collections::BTreeSet;

use crate::control::TankPlan;
use crate::control::effect::Effect;
use crate::control::ids::OutputId;
use crate::control::plan::{Fitted, Switch};
use crate::time::{Now, Span, Steady};

const CYLINDER: Span = Span::from_seconds(62);
const DAY: Span = Span::from_hours(24);

/// What the pumps of a tank were told.
#[derive(Debug, Default)]
pub(super) struct DoseBook {
    slots: BTreeSet<(usize, i32, u32)>,
    /// Pump, when, for how long at most.
    runs: Vec<(usize, Steady, Span)>,
}

impl DoseBook {
    /// Looks at a command; what it violates.
    pub fn see(
        &mut self,
        plan: &TankPlan,
        reported: &[Option<Switch>],
        effect: &Effect,
        now: Now,
    ) -> Vec<(OutputId, String)> {
        let (output, once) = match effect {
            Effect::SwitchPlug { output, to: Switch::On, once, .. } => (*output, *once),
            Effect::SwitchPlug { output, to: Switch::Off, .. } => {
                // It runs no longer than until here.
                let last = self.runs.iter_mut().rev().find(|(pump, ..)| *pump == output.index());
                if let Some((_, since, span)) = last {
                    *span = (*span).min(now.steady.since(*since));
                }
                return Vec::new();
            }
            Effect::RefreshLease { output } => (*output, None),
            _ => return Vec::new(),
        };
        let Some(dosing) = plan.dosing.iter().find(|dosing| dosing.output == output) else { return Vec::new() };
        let Some(span) = once else { return vec![(output, "told on without an end of its own".to_owned())] };
        let mut found = Vec::new();
        let moves = plan
            .outputs
            .iter()
            .zip(reported)
            .filter(|(one, _)| one.kind.is_life_support() && one.plug.report == Fitted::Fitted);
        let reports: Vec<Option<Switch>> = moves.map(|(_, reported)| *reported).collect();
        if !reports.is_empty() && !reports.contains(&Some(Switch::On)) {
            found.push((output, "dosed into still water".to_owned()));
        }
        if span == CYLINDER {
            return found;
        }
        let (day, seconds) = (plan.zone.day_number(now.wall), plan.zone.time_of_day(now.wall).seconds());
        let at = dosing.slots.iter().rev().find(|slot| slot.at <= seconds).map(|slot| (day, slot.at));
        let (day, at) = at.unwrap_or((day - 1, dosing.slots.last().map_or(0, |slot| slot.at)));
        if !self.slots.insert((output.index(), day, at)) {
            found.push((output, format!("dosed twice for the slot of {}", crate::time::show_local(day, at))));
        }
        self.runs.retain(|(_, since, _)| now.steady.since(*since) < DAY);
        self.runs.push((output.index(), now.steady, span));
        let seconds: f64 =
            self.runs.iter().filter(|(pump, ..)| *pump == output.index()).map(|(.., span)| span.seconds()).sum();
        let ml = seconds / 60.0 * dosing.delivers;
        if ml > dosing.most_per_day + 1e-6 {
            found.push((output, format!("{ml:.1} mL in 24 h, and {:.1} mL is the most", dosing.most_per_day)));
        }
        found
    }
}

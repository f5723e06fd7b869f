//! A thermometer that repeats one value, set against what it should have shown.
//!
//! Duty: to doubt a probe of the tank's water that has not moved for an hour while another good one has, or though
//! the heater was switched an hour ago. Water that rests is no fault, so stillness alone says nothing here (that is
//! `stuck_after`, which takes hours). Coarse probes are asked for less: twice the smallest step that they showed.
//!
//! ```text
//!   trusted ── still for 60 min, and it should have moved ──► doubted
//!      ▲                                                         │
//!      └── it moves, and agrees within 0.3 K for 30 min (alone: it moves) ──┘
//! ```

use crate::time::{Span, Steady};

use super::deadlines::Deadlines;
use super::effect::DeadlineKind;
use super::plan::{Switch, TankPlan};
use super::probe::Probe;

/// Still for so long. [F01]
const STILL_FOR: Span = Span::from_minutes(60);
/// Another probe moved by this much, K. [F01]
const OTHER_MOVED: f64 = 0.2;
/// Only a probe that shows steps this fine must have seen the heater within an hour, K. [choice]
const FINE: f64 = 0.1;
/// Believed again when it moves and agrees this closely, K, for so long. [F01]
const AGREES: f64 = 0.3;
const AGREES_FOR: Span = Span::from_minutes(30);

/// What was seen while a probe stood still.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Stillness {
    /// What it says, and since when it has said just that.
    says: Option<(f64, Steady)>,
    /// The smallest change that it has shown.
    step: Option<f64>,
    /// The lowest and the highest that other good probes said meanwhile.
    others: Option<(f64, f64)>,
    /// The heater was first switched then.
    switched_at: Option<Steady>,
    /// It should have moved.
    pub doubted: bool,
    agrees_since: Option<Steady>,
}

/// Looks at each probe of the loop's signal.
pub(super) fn follow(plan: &TankPlan, probes: &mut [Probe], now: Steady, deadlines: &mut Deadlines) {
    let Some(loop_plan) = &plan.thermostat else { return };
    let ids = &plan.signals[loop_plan.signal.index()].probes;
    for id in ids {
        let others = ids.iter().filter(|other| *other != id);
        let good = others.filter_map(|other| {
            let (probe, plan) = (&probes[other.index()], &plan.probes[other.index()]);
            probe.quality(plan, now).is_good().then(|| probe.newest())
        });
        let range = good.fold(None, |range: Option<(f64, f64)>, value| {
            Some(range.map_or((value, value), |(least, most)| (least.min(value), most.max(value))))
        });
        let probe = &mut probes[id.index()];
        if let Some(value) = probe.value(&plan.probes[id.index()], now) {
            probe.still.look(value, range, now, deadlines);
        }
    }
}

/// The loop switched the heater.
pub(super) fn switched(plan: &TankPlan, probes: &mut [Probe], from: Option<Switch>, to: Option<Switch>, now: Steady) {
    let (Some(loop_plan), Some(from), Some(to)) = (&plan.thermostat, from, to) else { return };
    if from == to {
        return;
    }
    for id in &plan.signals[loop_plan.signal.index()].probes {
        probes[id.index()].still.switched_at.get_or_insert(now);
    }
}

impl Stillness {
    fn look(&mut self, value: f64, others: Option<(f64, f64)>, now: Steady, deadlines: &mut Deadlines) {
        let since = match self.says {
            Some((same, since)) if same.to_bits() == value.to_bits() => since,
            before => {
                if let Some((before, _)) = before {
                    let change = (value - before).abs();
                    self.step = Some(self.step.map_or(change, |step| step.min(change)));
                }
                (self.others, self.switched_at, self.says) = (None, None, Some((value, now)));
                now
            }
        };
        if let Some((least, most)) = others {
            let seen = self.others.get_or_insert((least, most));
            *seen = (seen.0.min(least), seen.1.max(most));
        }
        let mut due = |at: Steady| {
            if at > now {
                deadlines.ask(at, DeadlineKind::Stale);
            }
            at <= now
        };
        let still = due(since.after(STILL_FOR));
        let enough = self.step.map_or(OTHER_MOVED, |step| OTHER_MOVED.max(2.0 * step));
        let other_moved = self.others.is_some_and(|(least, most)| most - least >= enough);
        let fine = self.step.is_some_and(|step| step <= FINE);
        let heated = fine && self.switched_at.is_some_and(|at| due(at.after(STILL_FOR)));
        if still && (other_moved || heated) {
            (self.doubted, self.agrees_since) = (true, None);
        } else if self.doubted && !still {
            let near = others.is_none_or(|(least, most)| (value - least).abs().min((value - most).abs()) <= AGREES);
            self.agrees_since = near.then(|| self.agrees_since.unwrap_or(now));
            let waits = if others.is_some() { AGREES_FOR } else { Span::ZERO };
            if self.agrees_since.is_some_and(|at| due(at.after(waits))) {
                (self.doubted, self.agrees_since) = (false, None);
            }
        }
    }
}

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
#[derive(Clone, Debug, Default)]
pub(super) struct Stillness {
    /// What it says, and since when it has said just that.
    says: Option<(f64, Steady)>,
    /// The smallest change that it has shown.
    step: Option<f64>,
    /// The lowest and the highest that each other probe said meanwhile while it was good: places of one tank differ, and
    /// what counts is that one of them moved.
    others: Vec<Option<(f64, f64)>>,
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
    let good = ids.iter().map(|id| {
        let (probe, plan) = (&probes[id.index()], &plan.probes[id.index()]);
        probe.quality(plan, now).is_good().then(|| probe.newest())
    });
    let mut others: Vec<Option<f64>> = good.collect();
    for (place, id) in ids.iter().enumerate() {
        let own = others[place].take();
        let probe = &mut probes[id.index()];
        if let Some(value) = probe.value(&plan.probes[id.index()], now) {
            probe.still.look(value, &others, now, deadlines);
        }
        others[place] = own;
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
    fn look(&mut self, value: f64, others: &[Option<f64>], now: Steady, deadlines: &mut Deadlines) {
        let since = match self.says {
            Some((same, since)) if same.to_bits() == value.to_bits() => since,
            before => {
                if let Some((before, _)) = before {
                    let change = (value - before).abs();
                    self.step = Some(self.step.map_or(change, |step| step.min(change)));
                }
                self.others.clear();
                (self.switched_at, self.says) = (None, Some((value, now)));
                now
            }
        };
        self.others.resize(others.len(), None);
        for (seen, other) in self.others.iter_mut().zip(others) {
            if let Some(other) = *other {
                let (least, most) = seen.get_or_insert((other, other));
                (*least, *most) = (least.min(other), most.max(other));
            }
        }
        let mut due = |at: Steady| {
            if at > now {
                deadlines.ask(at, DeadlineKind::Stale);
            }
            at <= now
        };
        let still = due(since.after(STILL_FOR));
        let enough = self.step.map_or(OTHER_MOVED, |step| OTHER_MOVED.max(2.0 * step));
        let other_moved = self.others.iter().flatten().any(|(least, most)| most - least >= enough);
        let fine = self.step.is_some_and(|step| step <= FINE);
        let heated = fine && self.switched_at.is_some_and(|at| due(at.after(STILL_FOR)));
        if still && (other_moved || heated) {
            (self.doubted, self.agrees_since) = (true, None);
        } else if self.doubted && !still {
            let alone = others.iter().all(Option::is_none);
            let near = alone || others.iter().flatten().any(|other| (value - other).abs() <= AGREES);
            self.agrees_since = near.then(|| self.agrees_since.unwrap_or(now));
            let waits = if alone { Span::ZERO } else { AGREES_FOR };
            if self.agrees_since.is_some_and(|at| due(at.after(waits))) {
                (self.doubted, self.agrees_since) = (false, None);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A thermometer that said these values, a minute between two of them, alone.
    fn said(values: &[f64]) -> (Stillness, Steady) {
        let (mut still, mut now) = (Stillness::default(), Steady::from_millis(0));
        for value in values {
            now = now.after(Span::from_minutes(1));
            still.look(*value, &[None, None], now, &mut Deadlines::default());
        }
        (still, now)
    }

    /// Goes on with its last value for an hour while another one goes from here to there.
    fn while_another_moves((mut still, mut now): (Stillness, Steady), value: f64, from: f64, to: f64) -> bool {
        for other in [from, to, to] {
            still.look(value, &[None, Some(other)], now, &mut Deadlines::default());
            now = now.after(Span::from_minutes(30));
        }
        still.doubted
    }

    #[test]
    fn the_smallest_step_that_it_ever_showed_says_what_it_can_show() {
        assert!(while_another_moves(said(&[25.0, 25.5, 25.4]), 25.4, 25.0, 25.3));
        assert!(while_another_moves(said(&[25.0, 25.1, 25.6]), 25.6, 25.0, 25.3));
        assert!(!while_another_moves(said(&[25.0, 25.5, 25.0]), 25.0, 25.0, 25.9), "twice half a kelvin");
        assert!(while_another_moves(said(&[25.0, 25.5, 25.0]), 25.0, 24.9, 26.0));
        assert!(while_another_moves(said(&[25.0]), 25.0, 25.1, 24.8), "down is as much as up");
        assert!(!while_another_moves(said(&[25.0]), 25.0, 25.1, 24.95), "less than 0.2 K");
    }

    #[test]
    fn only_a_fine_one_must_have_seen_the_heater() {
        let unmoved = |values: &[f64]| {
            let (mut still, now) = said(values);
            still.switched_at = Some(now);
            let value = values[values.len() - 1];
            still.look(value, &[None], now.after(Span::from_millis(60 * 60_000 - 1)), &mut Deadlines::default());
            assert!(!still.doubted, "not yet an hour");
            still.look(value, &[None], now.after(Span::from_minutes(60)), &mut Deadlines::default());
            still.doubted
        };
        assert!(unmoved(&[25.0, 25.0625]));
        assert!(!unmoved(&[25.0, 25.25]));
        assert!(!unmoved(&[25.0]), "nobody knows how fine it is");
    }

    #[test]
    fn it_is_believed_again_half_an_hour_after_it_moved_next_to_one_of_the_others_or_at_once_where_it_is_alone() {
        let doubted = || {
            let (still, now) = said(&[25.0]);
            (Stillness { doubted: true, ..still }, now)
        };
        let doubts = |still: &mut Stillness, value, others: &[Option<f64>], at| {
            still.look(value, others, at, &mut Deadlines::default());
            still.doubted
        };
        let (mut still, now) = doubted();
        let after = |minutes| now.after(Span::from_minutes(minutes));
        let others = [Some(25.2), Some(28.0), None];
        assert!(doubts(&mut still, 25.1, &others, after(1)));
        assert!(doubts(&mut still, 25.1, &others, after(30)));
        assert!(!doubts(&mut still, 25.1, &others, after(31)), "one of them is near");
        // It strays, and its half hour begins anew.
        let (mut still, _) = doubted();
        doubts(&mut still, 25.1, &others, after(1));
        assert!(doubts(&mut still, 26.0, &others, after(20)));
        assert!(doubts(&mut still, 25.1, &others, after(21)));
        assert!(doubts(&mut still, 25.1, &others, after(50)));
        assert!(!doubts(&mut still, 25.1, &others, after(51)));
        let (mut still, _) = doubted();
        assert!(!doubts(&mut still, 25.1, &[None, None], after(1)), "alone: it moved");
        let (mut still, _) = doubted();
        assert!(doubts(&mut still, 25.0, &[None, None], after(60)), "it did not");
    }
}

//! Slots: the local moments of a dose, by date and time, so that a clock change neither doubles nor loses one.
//!
//! A slot is what stands on the wall: the date and the planned time. In the hour that comes twice the same
//! slots come again, and are done; in the hour that is missing they come at its end, as one. Only a slot that
//! is later than every earlier one is ever given, so a clock that goes back waits.

use crate::time::{LocalTime, Span, Wall, Zone, show_local};

use super::plan::{DosingPlan, SlotPlan};

const DAY: u32 = 86_400;
/// A clock change moves the next slot by an hour at most; so often is looked again.
const LOOK: u32 = 900;

/// A slot's name: its local date and its planned time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
pub struct SlotId {
    /// The number of the local date.
    pub day: i32,
    /// Seconds since midnight by the wall.
    pub at: u32,
}

impl std::fmt::Display for SlotId {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&show_local(self.day, self.at))
    }
}

/// What lies between two slots.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Between {
    pub slots: u32,
    /// Days' doses.
    pub share: f64,
}

/// The newest slot that has come by the wall.
pub(super) fn current(plan: &DosingPlan, zone: Zone, wall: Wall) -> SlotId {
    let (day, seconds) = (zone.day_number(wall), zone.time_of_day(wall).seconds());
    match plan.slots.iter().rev().find(|slot| slot.at <= seconds) {
        Some(slot) => SlotId { day, at: slot.at },
        None => SlotId { day: day - 1, at: plan.slots.last().map_or(0, |slot| slot.at) },
    }
}

/// Until a next slot may come; never long, since a clock change can bring it nearer.
pub(super) fn look_again(plan: &DosingPlan, time: LocalTime) -> Span {
    let ahead = |slot: &SlotPlan| match (slot.at + DAY - time.seconds()) % DAY {
        0 => DAY,
        seconds => seconds,
    };
    let next = plan.slots.iter().map(ahead).min().unwrap_or(DAY);
    Span::from_seconds(u64::from(next.clamp(1, LOOK)))
}

/// The slot before one.
pub(super) fn before(plan: &DosingPlan, slot: SlotId) -> SlotId {
    match plan.slots.iter().rev().find(|one| one.at < slot.at) {
        Some(one) => SlotId { day: slot.day, at: one.at },
        None => SlotId { day: slot.day - 1, at: plan.slots.last().map_or(0, |one| one.at) },
    }
}

/// A slot's part of the day's dose.
pub(super) fn share(plan: &DosingPlan, slot: SlotId) -> f64 {
    plan.slots.iter().find(|one| one.at == slot.at).map_or(0.0, |one| one.share)
}

/// Slots later than `after` and earlier than `until`.
pub(super) fn between(plan: &DosingPlan, after: SlotId, until: SlotId) -> Between {
    let mut found = Between::default();
    let days = until.day.saturating_sub(after.day);
    // Nobody makes up for more than a day; how much more does not matter.
    let first = if days > 40 { until.day - 40 } else { after.day };
    for day in first..=until.day {
        for slot in &plan.slots {
            let id = SlotId { day, at: slot.at };
            if after < id && id < until {
                found.slots += 1;
                found.share += slot.share;
            }
        }
    }
    found
}

/// Even slots over the day, the first at `offset` seconds; `night`: the part of the dose that is given while the
/// time is from 20:00 to 08:00.
pub fn even(count: u32, offset: u32, night: f64) -> Vec<SlotPlan> {
    let count = count.max(1);
    let at = |index: u32| (offset + index * (DAY / count)) % DAY;
    let mut times: Vec<u32> = (0..count).map(at).collect();
    times.sort_unstable();
    let dark = |at: u32| !(8 * 3600..20 * 3600).contains(&at);
    let in_the_dark = times.iter().filter(|at| dark(**at)).count();
    let in_the_light = times.len() - in_the_dark;
    // With slots on one side only there is nothing to weigh.
    let part = |part: f64, slots: usize| {
        if in_the_dark == 0 || in_the_light == 0 { 1.0 / f64::from(count) } else { part / slots.max(1) as f64 }
    };
    let share = |at: u32| if dark(at) { part(night, in_the_dark) } else { part(1.0 - night, in_the_light) };
    times.iter().map(|at| SlotPlan { at: *at, share: share(*at) }).collect()
}

//! The book of one dosing pump: what is due, what was missed, what is in the container, and what the pump gives.
//!
//! | missed | what becomes of it |
//! | --- | --- |
//! | a slot, for whatever reason | its dose is owed, at most a quarter of a day's in all |
//! | later | each slot gives a quarter more than its own dose until nothing is owed |
//! | a day without any dose | nothing is owed any more: the keeper tests first |
//!
//! All of it survives a kill. No wall clock is in it but the calibration's date: what a clock does cannot
//! make two doses of one slot, since only a later slot than the last one is given.

use crate::time::{Span, Wall};

use super::plan::DosingPlan;
use super::proposal::Proposal;
use super::slots::{self, SlotId};

/// A slot gives at most so much more than its plan. [F42: 125 %]
pub(super) const MORE: f64 = 0.25;
/// So much of a day's dose is made up for at most. [F42: 25 %]
const MOST_OWED: f64 = 0.25;
/// A calibration is told of after this, and without a younger one nothing is given. [common practice]
pub(super) const CALIBRATE_AFTER: Span = Span::from_hours(90 * 24);
pub(super) const CALIBRATION_LASTS: Span = Span::from_hours(120 * 24);
/// Three runs that scatter by more than this tell nothing, and a change by more than that is a worn tube.
const MOST_SCATTER: f64 = 0.03;
const WORN: f64 = 0.10;
/// Below this part of it a container counts as empty.
const EMPTY: f64 = 0.05;
/// The container may lose so much more or less than was commanded. [F41: 15 %]
const UNBALANCED: f64 = 0.15;
/// So many doses on end without proof are told.
const UNPROVEN: u8 = 3;

/// What survives of a pump.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct Book {
    /// The newest slot that is given, or given up.
    pub last: Option<SlotId>,
    /// mL that are to be made up.
    pub owed: f64,
    /// Slots on end in which nothing was given.
    pub missed_in_row: u32,
    /// Days' doses that were not given and not made up.
    pub behind: f64,
    /// The plan in force, mL a day; without the correction.
    pub maintenance: f64,
    /// A correction on top, mL a day.
    pub correction: f64,
    /// What is left of it, mL; negative for one that takes away.
    pub correction_left: f64,
    /// The plan as the file said it when it was last looked at.
    pub file_per_day: Option<f64>,
    /// What waits for a keeper's word.
    pub proposed: Option<Proposal>,
    /// What the pump delivers, mL a minute.
    pub rate: f64,
    /// Since when that is known.
    pub rated_at: Option<Wall>,
    /// The rate as the file said it.
    pub file_rate: Option<f64>,
    /// Cylinders of a calibration that goes on, mL.
    pub cylinders: Vec<f64>,
    /// A cylinder was filled and its mL are not told yet.
    pub to_measure: bool,
    /// Why the tube counts as worn.
    pub worn: Option<String>,
    /// What is in the container, mL.
    pub container: Option<f64>,
    /// What it holds, as the file said it.
    pub file_container: Option<f64>,
    /// What was commanded since somebody looked at the container, mL.
    pub since_look: f64,
    /// What the container said against the book.
    pub unbalanced: Option<String>,
    /// Doses on end that were not proven.
    pub unproven: u8,
    /// mL that were commanded, over all time.
    pub total: f64,
    /// Doses over all time.
    pub doses: u64,
    /// The total at the first slot of each local day, the oldest first: what was given between two tests.
    pub marks: Vec<Mark>,
}

/// A total at a moment.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Mark {
    /// The number of the local date.
    pub day: i32,
    /// When.
    pub at: Wall,
    /// mL over all time.
    pub total: f64,
}

/// Marks that are kept: tests further apart say little.
const MARKS: usize = 60;

impl Book {
    /// What the file says becomes the book's where the book says nothing; a changed plan is a proposal.
    pub fn adopt(&mut self, plan: &DosingPlan) {
        match self.file_per_day {
            None => self.maintenance = plan.per_day,
            Some(before) if differs(before, plan.per_day) => {
                self.proposed = differs(self.maintenance, plan.per_day)
                    .then(|| Proposal::of_the_file(self.maintenance, plan.per_day));
            }
            Some(_) => {}
        }
        self.file_per_day = Some(plan.per_day);
        if self.file_rate.is_none_or(|before| differs(before, plan.delivers)) {
            (self.rate, self.rated_at, self.worn) = (plan.delivers, None, None);
            self.file_rate = Some(plan.delivers);
        }
        if self.file_container.is_none_or(|before| differs(before, plan.container)) {
            (self.container, self.since_look, self.unbalanced) = (Some(plan.container), 0.0, None);
            self.file_container = Some(plan.container);
        }
    }

    /// mL a day, the correction included.
    pub fn per_day(&self) -> f64 {
        let correction = if self.correction_left.abs() > 1e-9 { self.correction } else { 0.0 };
        (self.maintenance + correction).max(0.0)
    }

    /// What a slot gives: its own part, and what is owed.
    pub fn slot_ml(&self, share: f64) -> (f64, f64) {
        let own = share * self.per_day();
        (own, self.owed.min(MORE * own).max(0.0))
    }

    /// The slot of this moment has come: those before it that nobody gave are missed. Returns what to say.
    pub fn advance(&mut self, plan: &DosingPlan, slot: SlotId) -> Option<String> {
        let Some(last) = self.last else {
            // A new pump begins with its next slot.
            self.last = Some(slot);
            return None;
        };
        let missed = slots::between(plan, last, slot);
        if missed.slots == 0 {
            return None;
        }
        self.last = Some(slots::before(plan, slot));
        if self.per_day() <= 0.0 {
            return None;
        }
        self.missed_in_row = self.missed_in_row.saturating_add(missed.slots);
        self.behind = (self.behind + missed.share).min(40.0);
        let day = u32::try_from(plan.slots.len()).unwrap_or(u32::MAX);
        if self.missed_in_row >= day {
            self.owed = 0.0;
        } else {
            self.owe(missed.share * self.per_day());
        }
        let word = if missed.slots == 1 { "slot was" } else { "slots were" };
        let then = if self.owed > 0.0 {
            format!("{:.2} mL are made up for, at most a quarter more a slot", self.owed)
        } else {
            "nothing of it is made up for: test the water first".to_owned()
        };
        Some(format!("{} {word} missed; {then}", missed.slots))
    }

    fn owe(&mut self, ml: f64) {
        self.owed = (self.owed + ml.max(0.0)).min(MOST_OWED * self.per_day());
    }

    /// Notes the total once a local day; a clock that was set back drops what it had noted ahead.
    pub fn mark(&mut self, day: i32, at: Wall) {
        self.marks.retain(|mark| mark.at <= at);
        if self.marks.last().is_none_or(|mark| mark.day < day) {
            self.marks.push(Mark { day, at, total: self.total });
        }
        let surplus = self.marks.len().saturating_sub(MARKS);
        self.marks.drain(..surplus);
    }

    /// mL a day that were given, piece by piece: from so many days after a moment on. Before the first mark nobody
    /// counted, and the plan in force is taken.
    pub fn given(&self, since: Wall, now: Wall) -> Vec<(f64, f64)> {
        let days = |at: Wall| (at.unix_seconds() - since.unix_seconds()) / 86_400.0;
        let mut pieces = vec![(f64::MIN, self.per_day())];
        let ends = self.marks.iter().skip(1).map(|mark| (mark.at, mark.total)).chain([(now, self.total)]);
        for (mark, (end, total)) in self.marks.iter().zip(ends) {
            let lasts = days(end) - days(mark.at);
            // Minutes after a mark say nothing of a day.
            if lasts > 0.04 {
                pieces.push((days(mark.at), (total - mark.total).max(0.0) / lasts));
            }
        }
        pieces
    }

    /// A dose of this slot begins.
    pub fn begin(&mut self, slot: SlotId, own: f64, extra: f64) {
        self.last = Some(slot);
        self.owed = (self.owed - extra).max(0.0);
        self.missed_in_row = 0;
        let per_day = self.per_day();
        if per_day > 0.0 {
            self.behind = (self.behind - extra / per_day).max(0.0);
            let of_correction = own * self.correction / per_day;
            let left = self.correction_left - of_correction;
            self.correction_left = if left * self.correction_left > 0.0 { left } else { 0.0 };
        }
        self.doses += 1;
    }

    /// Nobody knows what was given until this slot: all of it may have been, so nothing is made up for. A correction that
    /// takes away stays, for less is the safe side.
    pub fn assume_given(&mut self, plan: &DosingPlan, slot: SlotId) {
        self.last = self.last.max(Some(slot));
        (self.owed, self.behind) = (0.0, 0.0);
        // As after a day without any dose: what is missed before the next one is not owed either.
        self.missed_in_row = u32::try_from(plan.slots.len()).unwrap_or(u32::MAX);
        if self.correction > 0.0 || self.correction_left > 0.0 {
            (self.correction, self.correction_left) = (0.0, 0.0);
        }
    }

    /// A dose was cut short: so many mL were certainly not given.
    pub fn cut_short(&mut self, ml: f64) {
        let per_day = self.per_day();
        if per_day > 0.0 {
            self.behind += ml / per_day;
        }
        self.owe(ml);
    }

    /// So many mL were commanded out of the container.
    pub fn pumped(&mut self, ml: f64) {
        self.total += ml;
        self.since_look += ml;
        self.container = self.container.map(|left| (left - ml).max(0.0));
    }

    /// A dose ended, and its on was proven or not.
    pub fn proven(&mut self, proven: bool) {
        self.unproven = if proven { 0 } else { self.unproven.saturating_add(1) };
    }

    pub(super) fn is_unproven(&self) -> bool {
        self.unproven >= UNPROVEN
    }

    pub(super) fn is_behind(&self) -> bool {
        self.behind > 1.0
    }

    /// Whether the container is nearly empty, or would be after so many mL more.
    pub fn is_empty(&self, plan: &DosingPlan, ml: f64) -> bool {
        self.container.is_some_and(|left| left - ml < EMPTY * plan.container)
    }

    /// A cylinder holds so much after a minute. Returns what to say, or why it is refused.
    pub fn measured(&mut self, ml: f64, now: Wall) -> Result<String, String> {
        if !self.to_measure {
            return Err("no run waits for its measure; begin one with `slackwater dose calibrate`".to_owned());
        }
        if !(ml.is_finite() && ml > 0.0 && ml < 10.0 * self.rate && ml > 0.1 * self.rate) {
            return Err(format!(
                "{ml} mL in a minute cannot be: the pump is known to give {:.2} mL; read the cylinder again",
                self.rate
            ));
        }
        self.to_measure = false;
        self.cylinders.push(ml);
        let [first, second, third] = self.cylinders[..] else {
            let left = 3 - self.cylinders.len();
            return Ok(format!("{ml:.2} mL noted; {left} more, to see how far they scatter"));
        };
        self.cylinders.clear();
        let mean = (first + second + third) / 3.0;
        let squares: f64 = [first, second, third].iter().map(|ml| (ml - mean) * (ml - mean)).sum();
        let scatter = (squares / 2.0).sqrt() / mean;
        if scatter > MOST_SCATTER {
            return Err(format!(
                "{first:.2}, {second:.2} and {third:.2} mL scatter by {:.1} %, and 3 % is the most that tells anything\nlook for air in the hose and drops at its end, then begin anew; the old rate of {:.2} mL/min stands",
                scatter * 100.0,
                self.rate
            ));
        }
        let change = mean / self.rate - 1.0;
        self.worn = (change.abs() > WORN).then(|| {
            format!("the pump gave {:.2} mL a minute, and now {mean:.2} ({:+.0} %)", self.rate, change * 100.0)
        });
        let worn =
            if self.worn.is_some() { "; so large a change is a worn tube: change it, and calibrate again" } else { "" };
        let text = format!(
            "the pump gives {mean:.2} mL a minute (scatter {:.1} %, {:+.1} % from before){worn}",
            scatter * 100.0,
            change * 100.0
        );
        (self.rate, self.rated_at) = (mean, Some(now));
        Ok(text)
    }

    /// Somebody looked: so many mL are in the container. `filled`: it was filled to that.
    pub fn looked(&mut self, plan: &DosingPlan, ml: f64, filled: bool) -> Result<String, String> {
        if !(ml.is_finite() && (0.0..=plan.container).contains(&ml)) {
            return Err(format!("the container holds 0 to {:.0} mL, and {ml} mL were told", plan.container));
        }
        let expected = self.container.unwrap_or(plan.container);
        if filled {
            (self.container, self.since_look, self.unbalanced) = (Some(ml), 0.0, None);
            return Ok(format!("filled to {ml:.0} mL; the book said {expected:.0} mL"));
        }
        let (commanded, used) = (self.since_look, expected + self.since_look - ml);
        (self.container, self.since_look) = (Some(ml), 0.0);
        // Less than a twentieth of a container is not read off it.
        if commanded < EMPTY * plan.container {
            return Ok(format!("{ml:.0} mL noted; too little was given since the last look to compare"));
        }
        let off = used / commanded - 1.0;
        let text =
            format!("{used:.0} mL left the container, and {commanded:.0} mL were commanded ({:+.0} %)", off * 100.0);
        self.unbalanced = (off.abs() > UNBALANCED).then(|| text.clone());
        Ok(text)
    }
}

pub(super) fn differs(a: f64, b: f64) -> bool {
    (a - b).abs() > 1e-9
}

#[cfg(test)]
mod tests;

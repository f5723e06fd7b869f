//! Interlocks: causes and the safe effects that they force, outside every loop and vote.
//!
//! ```text
//!            cause true, or unknown where that trips
//!   armed ─────────────────────────────────────────────► tripped ──► latched (as the plan says)
//!     ▲      cause false: a trip goes, a latch stays        │            │
//!     └─────────────────────────────────────────────────────┘            │ reset, cause known gone
//!     └──────────────────────────────────────────────────────────────────┘
//! ```
//! Unknown never clears anything. Where starts after a trip are limited, one trip too many in an hour latches:
//! the hour is one of living daemons, so neither a kill nor a clock gives a start back.

use crate::time::{Span, Steady, Wall};

use super::bypass::Bypass;
use super::deadlines::Deadlines;
use super::effect::DeadlineKind;
use super::often::Often;
use super::plan::{InterlockPlan, Latch, OnUnknown, TankPlan};
use super::plug::Plug;
use super::probe::Probe;
use super::truth::Truth;

/// How far an interlock has acted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub(super) enum Stage {
    #[default]
    Armed,
    Tripped,
    Latched,
}

/// An interlock's memory.
#[derive(Clone, Debug, Default)]
pub(super) struct Interlock {
    pub stage: Stage,
    /// The cause as it is now.
    pub truth: Truth,
    /// It tripped on a cause that is known, not merely on the unknown.
    pub known: bool,
    pub since: Wall,
    pub since_steady: Steady,
    pub cause: String,
    pub trips: u64,
    pub last_trip: Option<Wall>,
    /// A person has set it aside.
    pub bypass: Option<Bypass>,
    /// Each trip of late on a known cause.
    pub often: Often,
    /// The trip that stands is counted.
    counted: bool,
    over_since: Option<Steady>,
}

/// What became of an interlock in one step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Change {
    None,
    Tripped,
    /// It had tripped on the unknown; now the cause is known.
    Confirmed,
    Latched,
    /// Tripped once more than its starts allow.
    LatchedByCount,
    Cleared,
}

/// Trips count for so long. [C3: 3 starts an hour]
const COUNTED_FOR: Span = Span::from_hours(1);

impl Interlock {
    /// Whether it forces its effects.
    pub fn acts(&self) -> bool {
        self.stage != Stage::Armed && self.bypass.is_none()
    }

    /// Follows its cause. `stops`: something runs that it turns off. The caller fills in words and wall time.
    pub fn follow(&mut self, plan: &InterlockPlan, truth: Truth, proven: bool, stops: bool, now: Steady) -> Change {
        self.truth = truth;
        if self.bypass.is_some() {
            return Change::None;
        }
        let active = match (truth, plan.unknown) {
            (Truth::True, _) | (Truth::Unknown, OnUnknown::Trips) => true,
            (Truth::Unknown, OnUnknown::Holds) => self.stage == Stage::Tripped,
            (Truth::False, _) | (Truth::Unknown, OnUnknown::Ignored) => false,
        };
        let latches = truth.is_true()
            && match plan.latch {
                Latch::Never => false,
                Latch::Always => true,
                Latch::WhenProven { .. } => proven,
            };
        let trips_again = self.stage == Stage::Armed && active && truth.is_true() && stops;
        let too_often = trips_again && self.is_one_too_many(plan, now);
        match self.stage {
            Stage::Armed if too_often => {
                self.stage = Stage::Latched;
                self.known = true;
                self.since_steady = now;
                self.trips += 1;
                Change::LatchedByCount
            }
            Stage::Armed if active => {
                self.stage = if latches { Stage::Latched } else { Stage::Tripped };
                self.known = truth.is_true();
                self.since_steady = now;
                self.trips += 1;
                Change::Tripped
            }
            Stage::Tripped if latches => {
                self.stage = Stage::Latched;
                self.known = true;
                Change::Latched
            }
            Stage::Tripped if active && truth.is_true() && !self.known => {
                self.known = true;
                self.since_steady = now;
                Change::Confirmed
            }
            Stage::Tripped if !active => {
                self.stage = Stage::Armed;
                self.known = false;
                self.counted = false;
                Change::Cleared
            }
            _ => Change::None,
        }
    }

    /// Whether the hour has had its starts already.
    fn is_one_too_many(&self, plan: &InterlockPlan, now: Steady) -> bool {
        plan.restarts.is_some_and(|most| self.often.count(COUNTED_FOR, now) >= most as usize)
    }

    /// Whether the over-temperature is proven to be the outputs' doing (domain: the latch rule).
    pub fn is_proven(
        &mut self,
        plan: &InterlockPlan,
        tank: &TankPlan,
        probes: &[Probe],
        plugs: &[Plug],
        now: Steady,
        deadlines: &mut Deadlines,
    ) -> bool {
        let Latch::WhenProven { signal, limit, within, alone_for, any_cause_over } = plan.latch else { return false };
        let (mut good, mut over, mut far_over) = (0, 0, false);
        for id in &tank.signals[signal.index()].probes {
            let (probe, probe_plan) = (&probes[id.index()], &tank.probes[id.index()]);
            if probe.quality(probe_plan, now).is_good() {
                good += 1;
                over += u32::from(probe.newest() > limit);
                far_over |= probe.newest() > any_cause_over;
            }
        }
        self.over_since = (over > 0).then(|| self.over_since.unwrap_or(now));
        let recently = |at: Option<Steady>| at.is_some_and(|at| now.since(at) <= within);
        let ours = plan.effects.iter().any(|(output, _)| recently(plugs[output.index()].last_on));
        let alone = self.over_since.map(|since| since.after(alone_for));
        if let Some(due) = alone.filter(|due| *due > now) {
            deadlines.ask(due, DeadlineKind::Condition);
        }
        // So hot is harm, whosever doing it is.
        far_over || ours && ((good >= 2 && over == good) || alone.is_some_and(|due| due <= now))
    }

    /// Counts the trip that stands, once.
    pub fn count_trip(&mut self, now: Steady) {
        if !std::mem::replace(&mut self.counted, true) {
            self.often.note(now);
        }
    }

    /// Why it may not be reset now; `None`: it may.
    pub fn reset_refusal(&self) -> Option<&'static str> {
        match self.truth {
            Truth::True => Some("its cause is still there"),
            Truth::Unknown => Some("its cause cannot be seen now, and unknown is not gone"),
            Truth::False => None,
        }
    }

    /// Clears it.
    pub fn reset(&mut self) {
        self.stage = Stage::Armed;
        self.known = false;
        self.counted = false;
        // A person has looked.
        self.often = Often::default();
        self.cause.clear();
    }

    /// A trip on the unknown alone is an alarm only after a while: at a start it is the rule. [F09: 2 min]
    pub fn alarm_truth(&self, now: Steady, deadlines: &mut Deadlines) -> Truth {
        const UNKNOWN_DELAY: Span = Span::from_minutes(2);
        if !self.acts() {
            return Truth::False;
        }
        let due = self.since_steady.after(UNKNOWN_DELAY);
        if self.known || self.stage == Stage::Latched || due <= now {
            return Truth::True;
        }
        deadlines.ask(due, DeadlineKind::Alarm);
        Truth::False
    }
}

//! One tank: the only place where its state changes.

use crate::time::Now;

use super::effect::{Deadline, Effect};
use super::event::Event;
use super::ids::OutputId;
use super::plan::TankPlan;
use super::state::TankState;
use super::status::{Explanation, TankStatus};

/// What the store remembers of a tank at the start.
#[derive(Clone, Debug, PartialEq)]
pub enum Remembered {
    /// There was never a state.
    Nothing,
    /// The saved state.
    State(Box<TankState>),
    /// There was one and it cannot be read: safe values are taken.
    Damaged(String),
}

/// One tank under control.
#[derive(Clone, Debug)]
pub struct Tank {
    plan: TankPlan,
    state: TankState,
}

impl Tank {
    /// A tank at the start of the daemon. Nothing is commanded before [`Self::step`].
    pub fn new(plan: TankPlan, _remembered: Remembered, _now: Now) -> Self {
        Self { plan, state: TankState::default() }
    }

    /// The same tank under a new plan: latches, holds, forces, minimum times and readings survive by name.
    #[must_use]
    pub fn replan(self, plan: TankPlan, _now: Now) -> Self {
        Self { plan, ..self }
    }

    /// Takes an event at a moment and says what is to be done, in order. Never fails, never blocks.
    pub fn step(&mut self, _event: Event, _now: Now) -> Vec<Effect> {
        Vec::new()
    }

    /// When to call [`Self::step`] with [`Event::Woken`] at the latest.
    pub fn next_deadline(&self) -> Option<Deadline> {
        None
    }

    /// What the tank looks like.
    pub fn status(&self, _now: Now) -> TankStatus {
        todo!()
    }

    /// Why an output is as it is.
    pub fn explain(&self, _output: OutputId, _now: Now) -> Explanation {
        todo!()
    }

    /// What must survive; saved whenever [`Effect::SaveState`] says so.
    pub fn state(&self) -> &TankState {
        &self.state
    }

    /// The plan in force.
    pub fn plan(&self) -> &TankPlan {
        &self.plan
    }
}

//! The daemon as a rehearsal plays it: the router and the tanks, killed and started again with its store.
//!
//! The store holds what `Tank::state` gave at each save; at a kill it goes through its bytes (JSON, as
//! in the daemon's own store) and back, so that what cannot be read back is found here.

use crate::control::effect::Effect;
use crate::control::state::TankState;
use crate::control::status::TankStatus;
use crate::control::{Event, Remembered, RequestId, Tank, TankPlan};
use crate::time::{Now, Steady};
use crate::wire::binding::TankBindings;
use crate::wire::encode::{self, Publish};
use crate::wire::{OwnTopics, Router};

/// The daemon in the hands of a rehearsal.
pub(super) struct Played {
    router: Router,
    plans: Vec<TankPlan>,
    /// Nothing while it is dead.
    tanks: Vec<Tank>,
    saved: Vec<Option<TankState>>,
    requests: u64,
}

impl Played {
    pub fn new(plans: Vec<TankPlan>, bindings: Vec<TankBindings>, own: &OwnTopics, now: Now) -> Self {
        let tanks = plans.iter().map(|plan| Tank::new(plan.clone(), Remembered::Nothing, now)).collect();
        let saved = plans.iter().map(|_| None).collect();
        Self { router: Router::new(bindings, own), plans, tanks, saved, requests: 0 }
    }

    pub fn lives(&self) -> bool {
        !self.tanks.is_empty() || self.plans.is_empty()
    }

    pub fn count(&self) -> usize {
        self.plans.len()
    }

    pub fn name(&self, tank: usize) -> &str {
        &self.plans[tank].name
    }

    pub fn plan(&self, tank: usize) -> &TankPlan {
        &self.plans[tank]
    }

    pub fn router(&self) -> &Router {
        &self.router
    }

    /// Dies without a word.
    pub fn kill(&mut self) {
        self.tanks.clear();
    }

    /// Starts with what the store remembers.
    pub fn start(&mut self, now: Now) {
        let remembered = |saved: &Option<TankState>| match saved {
            None => Remembered::Nothing,
            Some(state) => {
                let read = serde_json::to_vec(state).and_then(|bytes| serde_json::from_slice(&bytes));
                read.map_or_else(
                    |error| Remembered::Damaged(error.to_string()),
                    |state| Remembered::State(Box::new(state)),
                )
            }
        };
        let tanks = self.plans.iter().zip(&self.saved);
        self.tanks = tanks.map(|(plan, saved)| Tank::new(plan.clone(), remembered(saved), now)).collect();
    }

    pub fn step(&mut self, tank: usize, event: Event, now: Now) -> Vec<Effect> {
        let Some(live) = self.tanks.get_mut(tank) else { return Vec::new() };
        let effects = live.step(event, now);
        if effects.iter().any(|effect| matches!(effect, Effect::SaveState(_))) {
            self.saved[tank] = Some(live.state());
        }
        effects
    }

    pub fn encode(&self, tank: usize, effect: &Effect) -> Option<Publish> {
        encode::command(&self.router.tanks()[tank], effect)
    }

    pub fn next_deadline(&self) -> Option<Steady> {
        self.tanks.iter().filter_map(|tank| tank.next_deadline().map(|deadline| deadline.at)).min()
    }

    pub fn is_due(&self, tank: usize, at: Steady) -> bool {
        self.tanks.get(tank).and_then(Tank::next_deadline).is_some_and(|deadline| deadline.at <= at)
    }

    pub fn next_request(&mut self) -> RequestId {
        self.requests += 1;
        RequestId(self.requests)
    }

    pub fn status(&self, tank: &str, now: Now) -> Option<TankStatus> {
        let live = self.tanks.iter().find(|live| &*live.plan().name == tank)?;
        Some(live.status(now))
    }

    pub fn status_of(&self, tank: usize, now: Now) -> Option<TankStatus> {
        self.tanks.get(tank).map(|live| live.status(now))
    }
}

//! The daemon as a rehearsal plays it: the router and the tanks, killed and started again with its store.
//!
//! The store holds what `Tank::state` gave at each save; at a kill it goes through its bytes (JSON, as
//! in the daemon's own store) and back, so that what cannot be read back is found here. A save that need not be
//! waited for is on the disk only [`SOON`] later, and a kill before that loses it, as it may in the daemon's own store.

use crate::control::effect::{Durability, Effect};
use crate::control::state::TankState;
use crate::control::status::TankStatus;
use crate::control::{Event, Remembered, RequestId, Tank, TankPlan};
use crate::time::{Now, Span, Steady};
use crate::wire::binding::TankBindings;
use crate::wire::encode::{self, Publish};
use crate::wire::{OwnTopics, Router};

/// After so long a save that nobody waits for is on the disk. [choice: the daemon's own takes milliseconds]
const SOON: Span = Span::from_seconds(1);

/// The daemon in the hands of a rehearsal.
pub(super) struct Played {
    router: Router,
    plans: Vec<TankPlan>,
    /// Nothing while it is dead.
    tanks: Vec<Tank>,
    saved: Vec<Option<TankState>>,
    /// Saves on their way to the disk, and when they are there.
    soon: Vec<Option<(Steady, TankState)>>,
    /// The disk is gone.
    lost: bool,
    requests: u64,
}

impl Played {
    pub fn new(plans: Vec<TankPlan>, bindings: Vec<TankBindings>, own: &OwnTopics, now: Now) -> Self {
        let tanks = plans.iter().map(|plan| Tank::new(plan.clone(), Remembered::Nothing, now)).collect();
        let saved = plans.iter().map(|_| None).collect();
        let soon = plans.iter().map(|_| None).collect();
        Self { router: Router::new(bindings, own), plans, tanks, saved, soon, lost: false, requests: 0 }
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

    /// From the next start on nothing that was ever saved is there.
    pub fn loses_its_store(&mut self) {
        self.lost = true;
    }

    /// Dies without a word; what was not on the disk yet is lost.
    pub fn kill(&mut self, now: Steady) {
        for (saved, soon) in self.saved.iter_mut().zip(&mut self.soon) {
            if let Some((_, state)) = soon.take().filter(|(at, _)| *at <= now) {
                *saved = Some(state);
            }
        }
        if std::mem::take(&mut self.lost) {
            self.saved.fill(None);
        }
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
        live.step(event, now)
    }

    /// Carries out a save.
    pub fn save(&mut self, tank: usize, durability: Durability, now: Steady) {
        let Some(live) = self.tanks.get(tank) else { return };
        let due = self.soon[tank].take();
        if durability == Durability::Soon {
            // The first of several is not put off by the next.
            match due {
                Some((at, state)) if at <= now => {
                    self.saved[tank] = Some(state);
                    self.soon[tank] = Some((now.after(SOON), live.state()));
                }
                Some((at, _)) => self.soon[tank] = Some((at, live.state())),
                None => self.soon[tank] = Some((now.after(SOON), live.state())),
            }
        } else {
            self.saved[tank] = Some(live.state());
        }
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

//! What acts on a tank, and what a keeper who comes to it sets right.
//!
//! A visit ends what is broken there, and what is broken for good in the home; mains, room and clock are nobody's in the
//! house to mend. It wipes the floor, brings water and salt back to what they were, and switches a pump on again
//! that its plug's button or restart left off.

use crate::control::plan::Switch;
use crate::time::Span;

use super::super::fault::What;
use super::super::fitting::{FloatSide, Spot};
use super::super::probe::Probe;
use super::World;

/// What happened in a moment counts as the cause of a harm for so long, unless somebody came. [choice: a day]
const CAUSE: Span = Span::from_hours(24);

impl World {
    /// The faults that act now: those that are on, and what happened in a moment and nobody set right yet.
    pub fn acting(&self) -> impl Iterator<Item = What> {
        let young = self.left.iter().filter(|(at, _)| self.at.since(*at) < CAUSE).map(|(_, id)| id);
        self.active.iter().chain(young).map(|id| self.faults[*id].what)
    }

    /// The tanks that a fault is about; nothing: it is the home's.
    pub fn tanks_of(&self, what: What) -> Option<&[usize]> {
        if let What::Probe(probe, _) = what {
            return Some(&self.probes[probe].tanks);
        }
        self.tank_of(what).map(|tank| std::slice::from_ref(&self.places[tank]))
    }

    /// The place of an output's fault in the plan of its tank.
    pub fn output_of(&self, what: What) -> Option<usize> {
        let What::Output(plug, _) = what else { return None };
        self.tanks.iter().find(|tank| tank.plugs.contains(&plug)).map(|tank| plug - tank.plugs.start)
    }

    /// A keeper comes to a tank; gives what was mended, as sentences.
    pub fn mend(&mut self, tank: usize) -> Vec<String> {
        let is_here = |world: &Self, id: usize| {
            let what = world.faults[id].what;
            let mendable = !matches!(what, What::Room(_) | What::PowerCut | What::ClockJumps(_));
            mendable && world.tanks_of(what).is_none_or(|tanks| tanks.contains(&tank))
        };
        // What is the home's and ends by itself is left to end.
        let own = |id: usize| self.tanks_of(self.faults[id].what).is_some();
        let broken = |id: &usize| is_here(self, *id) && (own(*id) || self.faults[*id].lasts.is_none());
        let mended: Vec<usize> = self.active.iter().copied().filter(broken).collect();
        let set_right: Vec<usize> = self.left.iter().map(|(_, id)| *id).filter(|id| is_here(self, *id)).collect();
        self.active.retain(|id| !mended.contains(id));
        if !mended.is_empty() {
            self.interrupted = true;
            self.apply_faults();
        }
        for id in &set_right {
            if let What::Output(plug, _) = self.faults[*id].what {
                self.switch_pump_on(plug);
            }
        }
        self.left.retain(|(_, id)| !set_right.contains(id));
        self.tanks[tank].physics.set_right();
        // Nobody leaves before the float that calls for water is up.
        let calls = |probe: &Probe| {
            probe.tanks.contains(&tank)
                && probe.fitting.float == Some(FloatSide::Low)
                && probe.fitting.spot != Spot::Reservoir
                && !probe.under
        };
        if self.probes.iter().any(calls) {
            self.top_up(tank);
        }
        mended.iter().map(|id| self.catalogue.sentence(&super::run::untimed(&self.faults[*id]))).collect()
    }

    fn switch_pump_on(&mut self, plug: usize) {
        let owner = self.tanks.iter().find(|tank| tank.plugs.contains(&plug));
        let life = owner.is_some_and(|tank| tank.plan.outputs[plug - tank.plugs.start].kind.is_life_support());
        if life && self.plugs[plug].mains && self.plugs[plug].relay == Switch::Off {
            self.plugs[plug].turn(Switch::On, self.at);
            self.switched(plug);
        }
    }
}

//! What the keeper's side hands to control for a tank's sentence: what runs out soon and what falls due.
//!
//! Duty: control is told when it changes, after each entry and once a minute, so that whoever looks at a tank asks
//! nobody for it. Limits: days that a supply lasts are whole ones here; a control that has its hands full hears it a
//! minute later.

use crate::control::sentence::{Due, Lasts};
use crate::shell::job::{Job, Keeping};

use super::Keeper;

impl Keeper {
    /// Tells control of these tanks, where it is news.
    pub(super) fn tell_control(&mut self, tanks: &[String]) {
        let now = self.now();
        let mut news = Vec::new();
        for tank in tanks {
            let Some(plan) = self.plans.tanks.get(tank) else { continue };
            let supplies = self.care.supplies(tank, &self.plans, &self.facts, now).into_iter();
            let supplies = supplies.filter_map(|view| {
                let days = view.days_left?.0.floor();
                Some(Lasts { supply: view.supply, days })
            });
            let chores = self.care.chores(tank, plan, &self.facts, now).into_iter();
            let chores = chores.map(|view| Due { chore: view.chore, now: view.due, on: view.due_on });
            let keeping = Keeping { tank: tank.clone(), supplies: supplies.collect(), chores: chores.collect() };
            if self.told_control.get(tank) != Some(&keeping) {
                news.push(keeping);
            }
        }
        if !news.is_empty() && self.control.try_send(Job::Keeping(news.clone())).is_ok() {
            self.told_control.extend(news.into_iter().map(|keeping| (keeping.tank.clone(), keeping)));
        }
    }
}

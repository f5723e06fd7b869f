//! Once a minute: the counts of the day, and once a day what is due, outside quiet hours.

use std::collections::BTreeMap;

use crate::care::What;
use crate::care::items::ItemView;
use crate::control::plan::Priority;
use crate::shell::job::Job;
use crate::shell::notify::message::{Notification, What as News};
use crate::time::Wall;

use super::Keeper;

impl Keeper {
    pub(super) fn round(&mut self) {
        let now = self.now();
        let cared: Vec<String> = self.plans.tanks.keys().cloned().collect();
        let counted: BTreeMap<String, Vec<String>> = cared
            .iter()
            .map(|tank| (tank.clone(), self.counted_outputs(tank)))
            .filter(|(_, outputs)| !outputs.is_empty())
            .collect();
        if !counted.is_empty() || cared.iter().any(|tank| self.has_something_due(tank)) {
            self.look_at_all();
        }
        for (tank, outputs) in counted {
            self.count_once_a_day(&tank, &outputs, now);
        }
        self.tell_control(&cared);
        for tank in cared {
            self.tell_once_a_day(&tank, now);
        }
    }

    fn has_something_due(&self, tank: &str) -> bool {
        self.plans.tanks.get(tank).is_some_and(|plan| !plan.chores.is_empty() || !plan.supplies.is_empty())
    }

    /// Outputs of a tank that a supply or a chore is reckoned by.
    fn counted_outputs(&self, tank: &str) -> Vec<String> {
        let Some(plan) = self.plans.tanks.get(tank) else { return Vec::new() };
        let supplies = plan.supplies.iter().chain(&self.plans.shared);
        let mut outputs: Vec<String> = supplies.flat_map(|supply| supply.outputs_of(tank)).map(str::to_owned).collect();
        for chore in &plan.chores {
            outputs.extend(chore.run.iter().map(|(_, output)| output.clone()));
            if let Some((_, crate::care::RunSource::Output(output, _))) = &chore.litres {
                outputs.push(output.clone());
            }
        }
        outputs.sort();
        outputs.dedup();
        outputs
    }

    fn count_once_a_day(&mut self, tank: &str, outputs: &[String], now: Wall) {
        let Some(zone) = self.plans.tanks.get(tank).map(|plan| plan.zone) else { return };
        let last = self.care.in_force(Some(tank)).into_iter().rev().find_map(|(standing, what)| match what {
            // A count at a refill is of that supply alone.
            What::Counted { seconds, .. } if outputs.iter().all(|output| seconds.contains_key(output)) => {
                Some(standing.at)
            }
            _ => None,
        });
        if last.is_some_and(|last| zone.calendar_day(last) >= zone.calendar_day(now)) {
            return;
        }
        let Some(facts) = self.facts.tanks.get(tank) else { return };
        if let Some(counts) = facts.counts_of(outputs.iter().map(String::as_str)) {
            self.note(tank, None, counts);
        }
    }

    /// Chores, items and supplies in two messages at most, the first time in a day that is not quiet.
    fn tell_once_a_day(&mut self, tank: &str, now: Wall) {
        let Some(plan) = self.plans.tanks.get(tank) else { return };
        let zone = plan.zone;
        if plan.quiet.0.is_some_and(|quiet| quiet.contains(zone.time_of_day(now))) {
            return;
        }
        let today = zone.calendar_day(now);
        let told = |what: &What| matches!(what, What::Told { .. });
        if self
            .care
            .in_force(Some(tank))
            .iter()
            .any(|(standing, what)| told(what) && zone.calendar_day(standing.at) >= today)
        {
            return;
        }
        let chores = self.care.chores(tank, plan, &self.facts, now);
        let chores = chores
            .into_iter()
            .filter(|chore| chore.due)
            .map(|chore| format!("{} ({})", chore.chore, chore.why.join("; ")));
        let items = self.care.items(&self.plans, now);
        let due = |item: &ItemView| item.tank == tank && item.retired.is_none() && !item.due.is_empty();
        let items = items.iter().filter(|item| due(item)).map(|item| format!("{}: {}", item.item, item.due.join("; ")));
        let work: Vec<String> = chores.chain(items).collect();
        let supplies = self.care.supplies(tank, &self.plans, &self.facts, now);
        let supplies: Vec<String> = supplies
            .into_iter()
            .filter(|supply| !supply.notices.is_empty())
            .map(|supply| format!("{}: {}", supply.supply, supply.notices.join("; ")))
            .collect();
        if work.is_empty() && supplies.is_empty() {
            return;
        }
        // Written first: a kill in between costs the message of one day, and never sends it twice.
        let subjects =
            work.iter().chain(&supplies).map(|text| text.split([' ', ':']).next().unwrap_or_default().to_owned());
        if !self.note(tank, None, What::Told { subjects: subjects.collect() }) {
            return;
        }
        self.tell(tank, "chores", Priority::Low, &work, "`slackwater chores` shows them; `slackwater chores done NAME` settles one, `slackwater chores postpone NAME 3d WHY` puts it off.", now);
        self.tell(tank, "supplies", Priority::Medium, &supplies, "Fill up, and say `slackwater refill NAME`.", now);
    }

    fn tell(&self, tank: &str, name: &str, priority: Priority, what: &[String], advice: &str, now: Wall) {
        if what.is_empty() {
            return;
        }
        let notification = Notification {
            advice: advice.to_owned(),
            ..Notification::plain(tank, name, News::Due, priority, now, what.join("; "))
        };
        if self.control.try_send(Job::Tell(Box::new(notification))).is_err() {
            tracing::warn!("{tank}: what is due could not be told");
        }
    }
}

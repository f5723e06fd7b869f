//! Doses, refills and looks at what is left; chores done and put off; trips.

use super::ask::{At, Draft, Refusal, no_such, trip, words};
use super::entry::{Stuff, What};
use super::plan::SupplyPlan;
use super::supplies::Look;

impl At<'_> {
    /// A supply by its name: the tank's own, or a shared one.
    pub(super) fn supply(&self, name: &str) -> Result<&SupplyPlan, Refusal> {
        let all = || self.plan.supplies.iter().chain(&self.plans.shared);
        all().find(|supply| supply.name == name.trim()).ok_or_else(|| {
            let known: Vec<&str> = all().map(|supply| supply.name.as_str()).collect();
            Refusal::new(no_such("supply", name, &known, "write it into `supplies:` of the tank file"))
        })
    }

    /// An amount in the kind of the supply, where there is such a supply.
    pub(super) fn amount(&self, supply: &str, text: &str) -> Result<Stuff, Refusal> {
        let amount = Stuff::parse(text)?;
        if amount.value() <= 0.0 {
            return Err(Refusal::new(format!("`{}` is nothing\n  write how much, such as `12 mL`", text.trim())));
        }
        match self.supply(supply) {
            Ok(plan) if !amount.is_like(plan.holds) => Err(Refusal::new(format!(
                "`{}` is another kind of amount than {supply} holds, {}",
                text.trim(),
                plan.holds
            ))),
            _ => Ok(amount),
        }
    }

    pub(super) fn left_after(&self, supply: &str, used: f64) -> Option<String> {
        let plan = self.supply(supply).ok()?;
        let shared = self.plans.shared.iter().any(|known| known.name == plan.name);
        let look = Look::new(self.care, plan, (!shared).then_some(self.tank), self.facts, self.now);
        let left = look.left(self.now).0?;
        Some(format!("{} left of {supply}", plan.holds.of((left - used).max(0.0))))
    }

    /// The counts that a supply is reckoned by, as they are now.
    pub(super) fn counted(&self, plan: &SupplyPlan) -> Draft {
        let mut draft = Draft::default();
        for (tank, facts) in &self.facts.tanks {
            draft.whats.extend(facts.counts_of(plan.outputs_of(tank)).map(|what| (tank.clone(), self.now, what)));
        }
        draft
    }

    pub(super) fn refill(&self, supply: &str, amount: Option<&str>) -> Result<Draft, Refusal> {
        let plan = self.supply(supply)?;
        let amount = amount.map(|text| amount_up_to_full(plan, text)).transpose()?;
        let shared = self.plans.shared.iter().any(|known| known.name == plan.name);
        let look = Look::new(self.care, plan, (!shared).then_some(self.tank), self.facts, self.now);
        let before = look.left(self.moment).0;
        let mut draft = self.counted(plan);
        let what = What::Refilled { supply: plan.name.clone(), amount };
        draft.whats.push((self.tank.to_owned(), self.moment, what));
        let is = amount
            .map_or(plan.holds.value(), |amount| (before.unwrap_or(0.0) + amount.value()).min(plan.holds.value()));
        let was = before.map_or_else(String::new, |before| format!(", {} before", plan.holds.of(before)));
        draft.details.push(format!("{} in it now{was}", plan.holds.of(is)));
        Ok(draft)
    }

    pub(super) fn chore(&self, name: &str) -> Result<&super::plan::ChorePlan, Refusal> {
        self.plan.chores.iter().find(|chore| chore.name == name.trim()).ok_or_else(|| {
            let known: Vec<&str> = self.plan.chores.iter().map(|chore| chore.name.as_str()).collect();
            Refusal::new(no_such("chore", name, &known, "write it into `chores:` of the tank file"))
        })
    }

    pub(super) fn done(&self, name: &str, note: Option<String>) -> Result<Draft, Refusal> {
        let chore = self.chore(name)?;
        let mut draft = self.note(What::ChoreDone { chore: chore.name.clone(), note });
        let run = chore.run.iter().map(|(_, output)| output.as_str());
        let pumped = chore.litres.iter().filter_map(|(_, source)| match source {
            super::plan::RunSource::Output(output, _) => Some(output.as_str()),
            super::plan::RunSource::WaterChanges => None,
        });
        if let Some(facts) = self.facts.tanks.get(self.tank) {
            let counts = facts.counts_of(run.chain(pumped));
            draft.whats.extend(counts.map(|what| (self.tank.to_owned(), self.now, what)));
        }
        if let Some(days) = chore.every_days {
            let day = self.plan.zone.calendar_day(self.moment).plus_days(super::supplies::whole(days));
            draft.details.push(format!("next on {day}"));
        }
        Ok(draft)
    }

    pub(super) fn postpone(&self, name: &str, until: &str, reason: &str) -> Result<Draft, Refusal> {
        let chore = self.chore(name)?;
        let until = self.day(until)?;
        if until <= self.plan.zone.calendar_day(self.now) {
            return Err(Refusal::new(format!("{until} is not after today\n  write a later day, or `3 days`")));
        }
        let reason = words(reason, "no new sock in the house")?;
        Ok(self.note(What::ChorePostponed { chore: chore.name.clone(), until, reason }))
    }

    pub(super) fn away(&self, days: &str) -> Result<Draft, Refusal> {
        let (from, until) = trip(days)?;
        if until < self.plan.zone.calendar_day(self.now) {
            return Err(Refusal::new(format!(
                "{until} is over\n  write the days of the trip, such as `2026-12-20..2027-01-03`"
            )));
        }
        let mut draft = self.note(What::Away { from, until });
        draft.details.push(format!("a week before: `slackwater check --away {from}..{until}`"));
        Ok(draft)
    }
}

/// An amount that the supply can hold.
pub(super) fn amount_up_to_full(plan: &SupplyPlan, text: &str) -> Result<Stuff, Refusal> {
    // Nothing left is an answer too.
    let amount = Stuff::parse(text)?;
    if !amount.is_like(plan.holds) {
        let text = format!("`{}` is another kind of amount than {} holds, {}", text.trim(), plan.name, plan.holds);
        return Err(Refusal::new(text));
    }
    if amount.value() > plan.holds.value() * 1.001 {
        return Err(Refusal::new(format!(
            "{} holds {} at most\n  write what is in it, or `holds:` anew",
            plan.name, plan.holds
        )));
    }
    Ok(amount)
}

//! The temperature loop: it wishes heat or cold, never both, and nothing while it knows nothing.
//!
//! Heating looks at the highest good probe: a probe that reads low can then never cook the tank.
//! Cooling looks at the highest too, and waits while the lowest is under the heater's on point. Between the two
//! lies the changeover, counted from what really ran last, by whosever order. After hours without heat `ramp` bounds
//! the rise.

use crate::time::{Span, Steady};

use super::deadlines::Deadlines;
use super::effect::DeadlineKind;
use super::ids::OutputId;
use super::often::Often;
use super::plan::{LoopSide, Switch, ThermostatPlan};
use super::ramp::Ramp;
use super::vote::Vote;

/// More changes between heating and cooling than this in an hour are a fight. [F49]
const CHANGEOVERS: usize = 2;
pub(super) const HOUR: Span = Span::from_hours(1);

/// What heater and cooler do, by whosever order.
#[derive(Clone, Copy, Debug)]
pub(super) struct Runs {
    /// The heater is decided on. A welded one is not, and must not block cooling.
    pub heating: bool,
    /// The chiller or fan is decided on.
    pub cooling: bool,
    /// The heater last had current, welded or not.
    pub heated_at: Option<Steady>,
}

/// The loop's memory.
#[derive(Clone, Debug, Default)]
pub(super) struct Thermostat {
    /// What it wishes of the heater; `None` while the temperature is not good.
    pub heat: Option<Switch>,
    /// What it wishes of the chiller or fan.
    pub cool: Option<Switch>,
    heated_at: Option<Steady>,
    cooled_at: Option<Steady>,
    pub ramp: Ramp,
    last_started: Option<OutputId>,
    pub changeovers: Often,
}

impl Thermostat {
    /// Wishes anew.
    pub fn wish(&mut self, plan: &ThermostatPlan, vote: &Vote, runs: Runs, now: Steady, deadlines: &mut Deadlines) {
        let was_cooling = self.cool == Some(Switch::On);
        let was_heating = self.heat == Some(Switch::On);
        if was_heating || runs.heating {
            self.heated_at = Some(now);
        }
        if was_cooling || runs.cooling {
            self.cooled_at = Some(now);
        }
        if !vote.quality.is_good() {
            (self.heat, self.cool) = (None, None);
            return;
        }
        let mut ready = |since: Option<Steady>| {
            let due = since.map(|at| at.after(plan.changeover)).filter(|due| *due > now);
            if let Some(due) = due {
                deadlines.ask(due, DeadlineKind::Minimum);
            }
            due.is_none()
        };
        let rested = ready(self.cooled_at);
        let cooled_down = ready(self.heated_at);
        self.heat = plan.heat.map(|side| {
            self.ramp.follow(side, vote.highest, runs.heated_at, now, deadlines);
            let below = if was_heating { vote.highest < side.off_at } else { vote.highest <= side.on_at };
            let wanted = below && self.ramp.allows(vote.highest, was_heating, now, deadlines);
            switch(wanted && !was_cooling && (was_heating || rested))
        });
        let heating = self.heat == Some(Switch::On);
        let too_cold = plan.heat.is_some_and(|heat| vote.lowest <= heat.on_at);
        self.cool = plan.cool.map(|LoopSide { on_at, off_at, .. }| {
            let wanted = if was_cooling { vote.highest > off_at } else { vote.highest >= on_at };
            switch(wanted && !heating && !too_cold && (was_cooling || cooled_down))
        });
        if heating {
            self.heated_at = Some(now);
        }
        if self.cool == Some(Switch::On) {
            self.cooled_at = Some(now);
        }
    }

    /// An output starts, by whosever order.
    pub fn started(&mut self, plan: &ThermostatPlan, output: OutputId, now: Steady) {
        if !plan.heat.iter().chain(&plan.cool).any(|side| side.output == output) {
            return;
        }
        if self.last_started.replace(output).is_some_and(|last| last != output) {
            self.changeovers.note(now);
        }
    }

    /// Whether heating and cooling fight.
    pub fn fights(&self, now: Steady, deadlines: &mut Deadlines) -> bool {
        self.changeovers.exceeds(CHANGEOVERS, HOUR, now, deadlines)
    }

    /// How often it went from one to the other within the last hour.
    pub fn changeovers(&self, now: Steady) -> usize {
        self.changeovers.count(HOUR, now)
    }
}

fn switch(on: bool) -> Switch {
    if on { Switch::On } else { Switch::Off }
}

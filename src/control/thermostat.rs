//! The temperature loop: it wishes heat or cold, never both, and nothing while it knows nothing.
//!
//! Heating looks at the highest good probe: a probe that reads low can then never cook the tank.
//! Cooling looks at the highest too, and waits while the lowest is under the heater's on point.

use crate::time::Steady;

use super::deadlines::Deadlines;
use super::effect::DeadlineKind;
use super::plan::{LoopSide, Switch, ThermostatPlan};
use super::vote::Vote;

/// The loop's memory.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Thermostat {
    /// What it wishes of the heater; `None` while the temperature is not good.
    pub heat: Option<Switch>,
    /// What it wishes of the chiller or fan.
    pub cool: Option<Switch>,
    heated_at: Option<Steady>,
    cooled_at: Option<Steady>,
}

impl Thermostat {
    /// Wishes anew.
    pub fn wish(&mut self, plan: &ThermostatPlan, vote: &Vote, now: Steady, deadlines: &mut Deadlines) {
        let was_cooling = self.cool == Some(Switch::On);
        let was_heating = self.heat == Some(Switch::On);
        if !vote.quality.is_good() {
            self.heated_at = if was_heating { Some(now) } else { self.heated_at };
            self.cooled_at = if was_cooling { Some(now) } else { self.cooled_at };
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
        self.heat = plan.heat.map(|LoopSide { on_at, off_at, .. }| {
            let wanted = if was_heating { vote.highest < off_at } else { vote.highest <= on_at };
            switch(wanted && !was_cooling && (was_heating || ready(self.cooled_at)))
        });
        let heating = self.heat == Some(Switch::On);
        let too_cold = plan.heat.is_some_and(|heat| vote.lowest <= heat.on_at);
        self.cool = plan.cool.map(|LoopSide { on_at, off_at, .. }| {
            let wanted = if was_cooling { vote.highest > off_at } else { vote.highest >= on_at };
            switch(wanted && !heating && !too_cold && (was_cooling || ready(self.heated_at)))
        });
        if heating || was_heating {
            self.heated_at = Some(now);
        }
        if self.cool == Some(Switch::On) || was_cooling {
            self.cooled_at = Some(now);
        }
    }
}

fn switch(on: bool) -> Switch {
    if on { Switch::On } else { Switch::Off }
}

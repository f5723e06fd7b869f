//! Power in one tank: readings taken in, offs insisted on, what was learned confirmed by a person.

use crate::units::{Power as Watts, Quantity};

use super::super::conditions::amount;
use super::super::deadlines::Deadlines;
use super::super::effect::{Answer, DeadlineKind, Effect, JournalKind};
use super::super::event::Alive;
use super::super::ids::{ConditionId, OutputId};
use super::super::plan::{DrawLimit, OutputPlan, Switch};
use super::super::plug::Plug;
use super::super::requests::{done, refused};
use super::super::state::UsualPower;
use super::super::tank::Tank;
use super::{Ask, Condition, Side, TankPlan, Truth};

/// What the conditions of a plan ask of each output's power, each once.
pub(in crate::control) fn asks(plan: &TankPlan) -> Vec<Vec<Ask>> {
    let mut asks: Vec<Vec<Ask>> = vec![Vec::new(); plan.outputs.len()];
    for condition in &plan.conditions {
        if let Condition::Draws { output, side, limit } = condition
            && let Some(of) = asks.get_mut(output.index()).filter(|of| !of.contains(&(*side, *limit)))
        {
            of.push((*side, *limit));
        }
    }
    asks
}

impl Tank {
    pub(in crate::control) fn take_power(&mut self, output: OutputId, watts: f64) -> bool {
        let (Some(plug), Some(plan)) = (self.plugs.get_mut(output.index()), self.plan.outputs.get(output.index()))
        else {
            return false;
        };
        let saved = (plug.power.saved, plug.power.usual.map(|usual| usual.lively));
        let news = plug.metered(plan, &self.asks[output.index()], watts, self.now.steady);
        let lively = plug.power.usual.map(|usual| usual.lively);
        self.unsaved |= plug.power.saved.total_cmp(&saved.0).is_ne() || lively != saved.1;
        news
    }

    pub(in crate::control) fn power_grows_old(&self, deadlines: &mut Deadlines) {
        for (plug, plan) in self.plugs.iter().zip(&self.plan.outputs) {
            if let Some(at) = plug.power.expires(plan, self.now.steady) {
                deadlines.ask(at, DeadlineKind::Stale);
            }
        }
    }

    /// Outputs whose meter says nothing although nobody says that their plug is dead.
    pub(in crate::control) fn power_lost(&self) -> impl Iterator<Item = &OutputPlan> {
        let now = self.now.steady;
        let lost = move |(plan, plug): &(&OutputPlan, &Plug)| {
            plan.plug.meter.is_some() && plug.alive != Some(Alive::No) && plug.power.shown(plan, now).is_none()
        };
        self.plan.outputs.iter().zip(&self.plugs).filter(lost).map(|(plan, _)| plan)
    }

    /// The same in words.
    pub(in crate::control) fn power_lost_words(&self) -> String {
        let names: Vec<_> = self.power_lost().map(|output| output.name.to_string()).collect();
        if names.is_empty() {
            return "every power meter is heard".to_owned();
        }
        let stuck = self.plan.outputs.iter().zip(&self.plugs).filter(|(_, plug)| plug.power.is_stuck());
        let stuck: Vec<_> = stuck.map(|(plan, _)| plan.name.to_string()).collect();
        let stuck = if stuck.is_empty() {
            String::new()
        } else {
            format!(" (the meter of {} repeats one number to the last digit)", stuck.join(", "))
        };
        format!("no fresh power reading of {}{stuck}", names.join(", "))
    }

    /// A plug that reports off while its output draws power is told off again and again. [F23]
    pub(in crate::control) fn insist_on_offs(&mut self) {
        let now = self.now.steady;
        for index in 0..self.plugs.len() {
            let output = OutputId::new(index);
            let drawn = self.interlocks.iter().zip(&self.plan.interlocks).any(|(live, plan)| {
                let acts = live.acts() && plan.effects.contains(&(output, Switch::Off));
                acts && self.plan.asks_what_it_draws(plan.cause, output) && self.still_draws(output).is_true()
            });
            self.plugs[index].insist(drawn, now);
        }
    }

    /// Whether an output draws power although it should not.
    pub(in crate::control) fn still_draws(&self, output: OutputId) -> Truth {
        let plan = &self.plan.outputs[output.index()];
        let idle = DrawLimit::Watts(plan.idle_watts());
        self.plugs[output.index()].power.draws(plan, Side::Above, idle, self.now.steady)
    }

    /// `, draws 99.6 W, usually 98 to 101 W`; nothing where nothing is known.
    pub(in crate::control) fn power_sentence(&self, output: OutputId) -> String {
        let (plan, plug) = (&self.plan.outputs[output.index()], &self.plugs[output.index()]);
        let draws = plug.power.shown(plan, self.now.steady);
        let draws = draws.map(|(watts, _)| format!(", draws {watts:.1} W")).unwrap_or_default();
        let usual = plug.power.usual.map(|usual| format!(", {}", usual_words(usual))).unwrap_or_default();
        let confirmed = match (plug.power.confirmed, plug.power.usual) {
            (Some(watts), _) => format!(", confirmed {watts:.1} W"),
            (None, Some(_)) => ", not confirmed".to_owned(),
            (None, None) => String::new(),
        };
        format!("{draws}{usual}{confirmed}")
    }

    /// A person says that what was learned is what the right appliance draws while it is sound.
    pub(in crate::control) fn ask_confirm(
        &mut self,
        by: &str,
        name: &str,
        effects: &mut Vec<Effect>,
    ) -> Result<Answer, Answer> {
        let output = self.find_output(name)?;
        let plan = &self.plan.outputs[output.index()];
        if plan.plug.meter.is_none() {
            return Err(refused(format!("{name} has no power meter"), Vec::new()));
        }
        let power = &mut self.plugs[output.index()].power;
        let Some(usual) = power.usual else {
            let (have, need) = power.progress();
            let text = format!("{have} of {need} readings so far, each 10 s or more after it was proven on");
            return Err(refused(format!("what {name} usually draws is not learned yet"), vec![text]));
        };
        power.confirm(usual.watts);
        self.unsaved = true;
        let mut details = vec![usual_words(usual)];
        details.extend(far_from_rating(plan, usual.watts));
        let summary = format!("{name} draws {:.1} W: confirmed", usual.watts);
        self.journal(JournalKind::Proof, name, format!("{summary} by {by}, {}", usual_words(usual)), effects);
        Ok(Answer { details, ..done(summary) })
    }

    /// A condition in words; where it looks at power, what it rests on is shorter and says more.
    pub(in crate::control) fn describe_or_show(&self, condition: ConditionId) -> String {
        let mut draws = false;
        self.plan.leaves(condition, &mut |leaf| draws |= matches!(leaf, Condition::Draws { .. }));
        if draws { self.evidence(condition) } else { self.describe(condition) }
    }
}

fn usual_words(usual: UsualPower) -> String {
    let decimals = usize::from(usual.watts < 20.0);
    format!("usually {:.decimals$} to {:.decimals$} W", usual.least, usual.greatest)
}

/// A rating and a confirmed value that differ by so much are not of the same appliance, or one of them is wrong.
fn far_from_rating(plan: &OutputPlan, watts: f64) -> Option<String> {
    let rating = plan.rating.map(Watts::watts)?;
    let far = (watts - rating).abs() > 0.3 * rating;
    far.then(|| format!("its rating says {}: look what hangs on this plug", amount(Quantity::Power, rating)))
}

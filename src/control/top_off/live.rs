//! The tank's side of its top-offs: what they see, what becomes of what they say, and their words.

use crate::control::arbiter::Layer;
use crate::control::deadlines::Deadlines;
use crate::control::effect::{Durability, Effect, JournalKind};
use crate::control::ids::{OutputId, TopOffId};
use crate::control::plan::{Gauge, OutputKind, Switch, TopOffFact};
use crate::control::status::TopOffStatus;
use crate::control::tank::Tank;
use crate::time::Steady;
use crate::units::Quantity;

use super::runs::{Pump, Saved};
use super::{Look, Motion, Phase, TopOff, Window, Withheld};

impl Tank {
    /// What a fresh top-off of each plan is.
    pub(in crate::control) fn blank_top_offs(plan: &crate::control::TankPlan, now: Steady) -> Vec<TopOff> {
        let lease = |output: OutputId| plan.outputs[output.index()].plug.lease.map(|lease| lease.lasts);
        plan.top_offs.iter().map(|top_off| TopOff::new(lease(top_off.output), now)).collect()
    }

    fn top_off_look(&self, index: usize) -> Look {
        let (plan, now) = (&self.plan.top_offs[index], self.now.steady);
        let vote = |signal: crate::control::ids::SignalId| &self.signals[signal.index()].vote;
        let held = self.holds.iter().any(|hold| hold.active.is_some());
        // Its flow meter is slower than the water that runs back.
        let pumps_on = self.plan.outputs.iter().zip(&self.plugs).all(|(output, plug)| {
            output.kind != OutputKind::ReturnPump
                || (plug.decided(output.kind) == Switch::On
                    && plug.report.is_none_or(|(reported, _)| reported == Switch::On))
        });
        let flows = plan.steady.is_none_or(|id| self.nodes[id.index()].truth.is_true());
        let water = match (held, flows && pumps_on) {
            (true, _) => Motion::Held,
            (false, true) => Motion::Steady,
            (false, false) => Motion::Disturbed,
        };
        let gauge = vote(plan.gauge.signal());
        let dry = |signal: &crate::control::ids::SignalId| vote(*signal).quality.is_good() && vote(*signal).value < 0.5;
        Look {
            now,
            wanted: self.nodes[plan.wanted.index()].truth,
            gauge: gauge.good_value(),
            water,
            salinity_good: plan.salinity.is_none_or(|signal| vote(signal).quality.is_good()),
            in_sight: self.connected && plan.high.iter().all(dry),
        }
    }

    /// Before the decisions: wishes, and reasons to wait.
    pub(in crate::control) fn follow_top_offs(&mut self, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        for index in 0..self.top_offs.len() {
            let look = self.top_off_look(index);
            if let Some(text) = self.top_offs[index].follow(&self.plan.top_offs[index], &look, deadlines) {
                // A kill must not forget a run without answer: it would cost one more.
                effects.push(Effect::SaveState(Durability::AfterTheCommands));
                let name = self.plan.outputs[self.plan.top_offs[index].output.index()].name.clone();
                self.journal(JournalKind::TopOff, &name, text, effects);
            }
        }
    }

    /// What the top-offs say of their outputs.
    pub(in crate::control) fn gather_top_offs(&mut self) {
        for (index, plan) in self.plan.top_offs.iter().enumerate() {
            let (id, live) = (TopOffId::new(index), &self.top_offs[index]);
            let opinions = &mut self.opinions[plan.output.index()];
            opinions.control = Some(live.wish);
            opinions.run_over = live.run_over.then_some(Layer::RunOver(id));
            // What somebody else turned on is no run of ours that could go on.
            if opinions.decided == Switch::Off {
                opinions.running = Switch::Off;
            }
            if let Some(why) = live.withheld {
                opinions.start_blocked.get_or_insert(Layer::Withheld(id, why));
            }
        }
    }

    /// After the decisions and their commands: reservations and payments.
    pub(in crate::control) fn pay_top_offs(&mut self, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        for index in 0..self.top_offs.len() {
            let look = self.top_off_look(index);
            let plan = &self.plan.top_offs[index];
            let plug = &self.plugs[plan.output.index()];
            let pump = Pump {
                decided: plug.decided(self.plan.outputs[plan.output.index()].kind),
                told: plug.told,
                reported: plug.report.map(|(state, _)| state),
                proof: plug.proof,
            };
            match self.top_offs[index].decided(plan, &look, pump, deadlines) {
                Saved::Nothing => {}
                Saved::BeforeTheRun => effects.push(Effect::SaveState(Durability::BeforeWhatFollows)),
                Saved::Soon => self.unsaved = true,
            }
        }
    }

    /// The top-off of an output.
    pub(in crate::control) fn top_off_of(&self, output: OutputId) -> Option<TopOffId> {
        self.plan.top_offs.iter().position(|plan| plan.output == output).map(TopOffId::new)
    }

    /// Why a start waits, in words.
    pub(in crate::control) fn withheld_words(&self, id: TopOffId, why: Withheld) -> String {
        let (plan, live) = (&self.plan.top_offs[id.index()], &self.top_offs[id.index()]);
        match why {
            Withheld::JustStarted => format!("nothing is topped off in the first {} of the daemon", super::AFTER_START),
            Withheld::Rests if live.run.is_some() => "its last run is not known to be over".to_owned(),
            Withheld::Rests => format!("from one run to the next it rests {}", plan.rest),
            Withheld::Budget(window) => self.budget_words(id, window),
        }
    }

    fn budget_words(&self, id: TopOffId, window: Window) -> String {
        let (plan, live, now) = (&self.plan.top_offs[id.index()], &self.top_offs[id.index()], self.now.steady);
        let (word, most) = match window {
            Window::Day => ("24 h", live.most(plan, window)),
            Window::Hour => ("hour", live.most(plan, window)),
        };
        let at = live.fits_at(plan, window, now);
        let again = if at == Steady::from_millis(u64::MAX) {
            String::new()
        } else {
            format!("; a run fits again in {}", at.since(now))
        };
        let halved = match (window, live.salinity_good, plan.salinity) {
            (Window::Day, false, Some(signal)) => {
                format!(" (half, for {} is not known)", self.plan.signals[signal.index()].name)
            }
            _ => String::new(),
        };
        let spent = live.spent(plan, window, now);
        format!("its budget: {spent:.2} L of {most:.2} L{halved} are spent in the last {word}{again}")
    }

    /// Why a run ended for whoever wished it, in words.
    pub(in crate::control) fn run_over_words(&self, id: TopOffId) -> String {
        format!("a run lasts {} at most, whoever wishes it", self.plan.top_offs[id.index()].longest)
    }

    /// What it wishes, in words.
    pub(in crate::control) fn top_off_cause(&self, id: TopOffId) -> String {
        let (plan, live) = (&self.plan.top_offs[id.index()], &self.top_offs[id.index()]);
        let reading = self.reading_text(plan.gauge.signal());
        let until = match plan.gauge {
            Gauge::Level { stop_at, .. } => {
                format!("until {}", crate::control::conditions::amount(Quantity::Level, stop_at))
            }
            Gauge::LowFloat(_) => "until the float is wet".to_owned(),
        };
        match live.phase {
            Phase::Running { .. } => format!("tops off {until}, for {} at most; {reading}", live.longest(plan)),
            _ if live.wish == Switch::On => format!("water is wanted: {}", self.describe(plan.wanted)),
            _ => {
                format!("nothing is to be topped off: it begins at {}, and goes on {until}", self.describe(plan.wanted))
            }
        }
    }

    pub(in crate::control) fn top_off_status(&self, index: usize, now: crate::time::Now) -> TopOffStatus {
        let (plan, live, at) = (&self.plan.top_offs[index], &self.top_offs[index], now.steady);
        let left = |window| (live.most(plan, window) - live.spent(plan, window, at)).max(0.0);
        TopOffStatus {
            output: self.plan.outputs[plan.output.index()].name.clone(),
            state: match live.phase {
                Phase::Waiting => "waiting",
                Phase::Running { .. } => "running",
                Phase::Settling { .. } => "settling",
                Phase::Watching { .. } => "watching",
            },
            litres_in_24_hours: live.spent(plan, Window::Day, at),
            total_litres: live.ledger.total,
            day_left_litres: left(Window::Day),
            hour_left_litres: left(Window::Hour),
            evaporation_ml_per_day: live.evaporation.usual(),
            refills: live.evaporation.intervals(),
            spread_mm: live.still.spread(),
            misses: live.misses,
            last_run: live.verdict.clone(),
        }
    }
}

/// What a fact says, with what it rests on.
pub(in crate::control) fn fact_words(fact: TopOffFact, live: &TopOff) -> String {
    match fact {
        TopOffFact::NoResponse | TopOffFact::Siphon => live.verdict.clone(),
        TopOffFact::OverBudget => "the day's budget was reached twice in a week".to_owned(),
        TopOffFact::Fast => {
            let litres = |rate: Option<f64>| rate.map_or("?".to_owned(), |rate| format!("{:.1} L", rate / 1000.0));
            let (newest, usual) = (litres(live.evaporation.newest()), litres(live.evaporation.usual()));
            format!(
                "water is wanted more often than it used to be: the last refill tells of {newest} a day, and {usual} is usual"
            )
        }
        TopOffFact::Overdue => "no refill was due for more than three times as long as usual".to_owned(),
        TopOffFact::Quiet => match live.still.spread() {
            Some(spread) => format!("the level is quiet (a spread of {spread:.1} mm in 3 min)"),
            None => "the level is quiet (not seen for 3 min yet)".to_owned(),
        },
        TopOffFact::Leak => "the level falls faster than water evaporates, with the flow steady".to_owned(),
        TopOffFact::Burst => "the level falls fast, with the flow steady".to_owned(),
    }
}

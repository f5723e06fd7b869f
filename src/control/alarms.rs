//! What raises each alarm of a tank, and what it says of it.

use crate::time::Span;
use crate::units::Quantity;

use super::conditions;
use super::deadlines::Deadlines;
use super::effect::DeadlineKind;
use super::event::Alive;
use super::hold::SHEATH_COOLS;
use super::ids::{ConditionId, HoldId, InterlockId, OutputId};
use super::plan::{AlarmSource, Condition, Estimate, OutputKind, Switch};
use super::quality::{Fault, Quality};
use super::status::ProofStatus;
use super::tank::Tank;
use super::thermostat::HOUR;
use super::truth::Truth;

/// Somebody else's acts are an alarm until so long after the last one. [F33: 10 min]
const FOREIGN_QUIET: Span = Span::from_minutes(10);
/// A cut-off that trips more often than this in a day is told, latched or not. [choice]
const TRIPS_A_DAY: usize = 3;
/// A pump's plug that restarts more often than this in a day needs a look. [F29]
const RESTARTS_A_DAY: usize = 3;
pub(super) const DAY: Span = Span::from_hours(24);

impl Tank {
    pub(super) fn alarm_truth(&self, index: usize, deadlines: &mut Deadlines) -> Truth {
        let now = self.now.steady;
        match &self.plan.alarms[index].source {
            AlarmSource::Condition(condition) => self.nodes[condition.index()].truth,
            // Its keeper knows.
            AlarmSource::SignalLost(signal)
                if self.plan.signals[signal.index()]
                    .probes
                    .iter()
                    .any(|probe| self.probes[probe.index()].is_in_hand()) =>
            {
                Truth::Unknown
            }
            AlarmSource::ProbeLost(probe) if self.probes[probe.index()].is_in_hand() => Truth::Unknown,
            AlarmSource::SignalLost(signal) => lost(self.signals[signal.index()].vote.quality),
            AlarmSource::ProbeLost(probe) => {
                lost(self.probes[probe.index()].quality(&self.plan.probes[probe.index()], now))
            }
            AlarmSource::Disagree(signal) => Truth::of(self.signals[signal.index()].disagreeing),
            AlarmSource::NotProven(output) => {
                let plug = &self.plugs[output.index()];
                let dead = plug.alive == Some(Alive::No);
                match plug.proof {
                    ProofStatus::NotProven => Truth::True,
                    _ if dead => Truth::True,
                    ProofStatus::Waiting => Truth::Unknown,
                    ProofStatus::Proven | ProofStatus::CannotBeProven | ProofStatus::NothingCommanded => Truth::False,
                }
            }
            AlarmSource::ForeignSwitch(output) => {
                recently(self.plugs[output.index()].foreign_at, FOREIGN_QUIET, now, deadlines)
            }
            AlarmSource::StartsOften(output) => {
                let (plug, plan) = (&self.plugs[output.index()], &self.plan.outputs[output.index()]);
                let rests_until = plug.starts_free_at(plan.kind, now);
                if let Some(at) = rests_until {
                    deadlines.ask(at, DeadlineKind::Alarm);
                }
                Truth::of(rests_until.is_some())
            }
            AlarmSource::Changeovers => Truth::of(self.thermostat.fights(now, deadlines)),
            AlarmSource::FutileHeat => Truth::of(self.futile.found),
            AlarmSource::TripsOften(interlock) => {
                Truth::of(self.interlocks[interlock.index()].often.exceeds(TRIPS_A_DAY, DAY, now, deadlines))
            }
            AlarmSource::Conflict(output) => Truth::of(self.plugs[output.index()].conflict.stands(now, deadlines)),
            AlarmSource::Restarts(output) => {
                let often = &self.plugs[output.index()].restarts.often;
                Truth::of(often.exceeds(RESTARTS_A_DAY, DAY, now, deadlines))
            }
            AlarmSource::WrongBoot(output) => Truth::of(self.plugs[output.index()].restarts.wrong_boot),
            AlarmSource::LeaseOutlived(output) => Truth::of(self.plugs[output.index()].outlived_lease),
            AlarmSource::Trip(interlock) => self.interlocks[interlock.index()].alarm_truth(now, deadlines),
            AlarmSource::HoldOverdue(hold) => {
                Truth::of(self.holds[hold.index()].active.as_ref().is_some_and(|active| active.overdue))
            }
            AlarmSource::Bypassed => Truth::of(self.interlocks.iter().any(|live| live.bypass.is_some())),
            AlarmSource::ProofsDue => Truth::of(self.proofs_are_due()),
            AlarmSource::ProofFailed => Truth::of(self.a_proof_failed()),
            AlarmSource::DrainBack => Truth::of(self.drain_back.grown.is_some()),
            AlarmSource::Drift(source) => self.drift_truth(*source),
            AlarmSource::PowerLost => self.power_lost().next().map_or(Truth::False, |_| Truth::of(self.connected)),
            AlarmSource::ClockJumped => recently(self.jumped_at, FOREIGN_QUIET, now, deadlines),
            AlarmSource::StateDamaged => Truth::of(self.damaged),
        }
    }

    fn overdue_words(&self, hold: HoldId) -> String {
        let plan = &self.plan.holds[hold.index()];
        match &self.holds[hold.index()].active {
            Some(active) => format!(
                "hold {} stands since {}, longer than its {}",
                plan.name,
                self.plan.zone.time_of_day(active.since),
                plan.limit
            ),
            None => format!("hold {} is released", plan.name),
        }
    }

    pub(super) fn alarm_text(&self, index: usize) -> String {
        match &self.plan.alarms[index].source {
            AlarmSource::Condition(condition) => {
                format!("{}{}", self.describe_or_show(*condition), self.divided(*condition))
            }
            AlarmSource::SignalLost(signal) | AlarmSource::Disagree(signal) => {
                format!("{}: {}", self.plan.signals[signal.index()].name, self.reading_text(*signal))
            }
            AlarmSource::ProbeLost(probe) => {
                let quality = self.probes[probe.index()].quality(&self.plan.probes[probe.index()], self.now.steady);
                let reason = quality.reason().unwrap_or("good").replace('-', " ");
                format!("probe {} is {reason}", self.plan.probes[probe.index()].name)
            }
            AlarmSource::NotProven(output) => self.proof_sentence(*output),
            AlarmSource::ForeignSwitch(output) => {
                let plug = &self.plugs[output.index()];
                let state = plug.report.map_or("unknown", |(state, _)| state.word());
                let wanted = plug.decision.as_ref().map_or(Switch::Off, |decision| decision.to);
                let kept = if plug.conflict.kept { "; the broker keeps a command for it" } else { "" };
                format!(
                    "somebody else switches or commands {}; it reports {state}, decided is {}{kept}",
                    self.plan.outputs[output.index()].name,
                    wanted.word()
                )
            }
            AlarmSource::StartsOften(output) => {
                let starts = self.plugs[output.index()].starts.count(HOUR, self.now.steady);
                format!("{} was started {starts} times within an hour", self.plan.outputs[output.index()].name)
            }
            AlarmSource::Changeovers => {
                let changes = self.thermostat.changeovers(self.now.steady);
                format!("{changes} changes between heating and cooling within an hour")
            }
            AlarmSource::FutileHeat => {
                let Some(plan) = &self.plan.thermostat else { return String::new() };
                let reads = self.reading_text(plan.signal);
                let heater = plan.heat.map_or("the heater", |side| &*self.plan.outputs[side.output.index()].name);
                if self.futile.found {
                    format!("{heater} has been on for 4 h and the water hardly warms: {reads}")
                } else {
                    format!("{heater} is off, or the water warms: {reads}")
                }
            }
            AlarmSource::TripsOften(interlock) => {
                let trips = self.interlocks[interlock.index()].often.count(DAY, self.now.steady);
                format!("{} tripped {trips} times in 24 h", self.plan.interlocks[interlock.index()].name)
            }
            AlarmSource::Conflict(output) => {
                let undone = self.plugs[output.index()].conflict.corrections(self.now.steady);
                let name = &self.plan.outputs[output.index()].name;
                format!("two controllers switch {name}: undone {undone} times in 2 min")
            }
            AlarmSource::Restarts(output) => {
                let times = self.plugs[output.index()].restarts.often.count(DAY, self.now.steady);
                format!("the plug of {} restarted {times} times in 24 h", self.plan.outputs[output.index()].name)
            }
            AlarmSource::WrongBoot(output) => {
                let plan = &self.plan.outputs[output.index()];
                let written = plan.plug.boots.map_or("nothing", Switch::word);
                if self.plugs[output.index()].restarts.wrong_boot {
                    format!("the plug of {} did not come back {written}, as `boots: {written}` says", plan.name)
                } else {
                    format!("the plug of {} came back {written}", plan.name)
                }
            }
            AlarmSource::LeaseOutlived(output) => {
                let plan = &self.plan.outputs[output.index()];
                let lasts = plan.plug.lease.map_or(Span::ZERO, |lease| lease.lasts);
                if self.plugs[output.index()].outlived_lease {
                    format!("{} is on although nothing refreshed its lease of {lasts}", plan.name)
                } else {
                    format!("{} is off", plan.name)
                }
            }
            AlarmSource::Trip(interlock) => {
                let name = &self.plan.interlocks[interlock.index()].name;
                let state = &self.interlocks[interlock.index()];
                if state.acts() { format!("{name}: {}{}", state.cause, self.hot_words(*interlock)) } else { format!("{name}: the cause is gone") }
            }
            AlarmSource::HoldOverdue(hold) => self.overdue_words(*hold),
            AlarmSource::Bypassed => self.bypasses_words(),
            AlarmSource::ProofsDue => self.due_words(),
            AlarmSource::ProofFailed => self.failed_words(),
            AlarmSource::DrainBack => {
                self.drain_back.grown.clone().unwrap_or_else(|| "what ran back at the last stop is as usual".to_owned())
            }
            AlarmSource::Drift(source) => self.drift_words(*source),
            AlarmSource::PowerLost => self.power_lost_words(),
            AlarmSource::ClockJumped => "the wall clock jumped by more than a minute".to_owned(),
            AlarmSource::StateDamaged if self.damaged && self.restored_from.is_some() => {
                let taken = self.restored_from.map_or_else(String::new, |taken| self.plan.zone.show(taken));
                format!("the state is that of a backup of {taken}; what happened since is not known: heater trips are taken as latched, budgets as spent and dosing slots as given, and a hold begun since is lost")
            }
            AlarmSource::StateDamaged if self.damaged => {
                "the saved state could not be read; heater trips are taken as latched, top-off budgets as spent, and holds are not known"
                    .to_owned()
            }
            AlarmSource::StateDamaged => "the damage of the saved state is acknowledged".to_owned(),
        }
    }
}

/// Words that go with what an alarm says.
impl Tank {
    /// That an alarm by the lowest or the highest of several probes rests on one of them alone.
    fn divided(&self, condition: ConditionId) -> String {
        let mut found = String::new();
        self.plan.leaves(condition, &mut |leaf| {
            let Condition::Compare { signal, estimate: Estimate::Lowest | Estimate::Highest, .. } = leaf else {
                return;
            };
            let (plan, vote) = (&self.plan.signals[signal.index()], &self.signals[signal.index()].vote);
            let apart = vote.highest - vote.lowest;
            if vote.good >= 2 && plan.disagree.is_some_and(|disagree| apart > disagree.by) {
                let apart = conditions::amount(plan.quantity.difference(), apart);
                found = format!("; its probes are {apart} apart, so one of them is wrong: measure with another one");
            }
        });
        found
    }

    /// Until when a heater that lost its water is too hot for more of it.
    fn hot_words(&self, interlock: InterlockId) -> String {
        let plan = &self.plan.interlocks[interlock.index()];
        let heater = |(output, to): &(OutputId, Switch)| {
            *to == Switch::Off && self.plan.outputs[output.index()].kind == OutputKind::Heater
        };
        let dry = matches!(self.first_leaf(plan.cause), Some(Quantity::Level | Quantity::Contact));
        let hot_until = plan.effects.iter().filter(|effect| dry && heater(effect)).find_map(|(output, _)| {
            let cool_at = self.plugs[output.index()].last_on?.after(SHEATH_COOLS);
            (cool_at > self.now.steady).then_some((output, cool_at))
        });
        hot_until.map_or_else(String::new, |(output, cool_at)| {
            let until = self.plan.zone.time_of_day(self.now.wall_at(cool_at));
            let name = &self.plan.outputs[output.index()].name;
            format!("; {name} is hot until {until}: let no cold water touch it before")
        })
    }

    /// What the first part of a condition looks at.
    fn first_leaf(&self, condition: ConditionId) -> Option<Quantity> {
        let mut found = None;
        self.plan.leaves(condition, &mut |leaf| {
            found = found.or(leaf.signal().map(|signal| self.plan.signals[signal.index()].quantity));
        });
        found
    }
}

/// Fresh samples that are not yet enough neither raise nor clear.
fn lost(quality: Quality) -> Truth {
    match quality {
        Quality::Good => Truth::False,
        Quality::Bad(Fault::Settling) => Truth::Unknown,
        Quality::Suspect(_) | Quality::Bad(_) => Truth::True,
    }
}

fn recently(
    at: Option<crate::time::Steady>,
    quiet: Span,
    now: crate::time::Steady,
    deadlines: &mut Deadlines,
) -> Truth {
    let Some(until) = at.map(|at| at.after(quiet)).filter(|until| *until > now) else { return Truth::False };
    deadlines.ask(until, DeadlineKind::Alarm);
    Truth::True
}

//! What raises each alarm of a tank, and the words that go out with it.

use crate::time::Span;

use super::alarm::AlarmChange;
use super::deadlines::Deadlines;
use super::effect::{DeadlineKind, Effect, JournalKind, Notice, NoticeKind};
use super::event::Alive;
use super::ids::AlarmId;
use super::plan::{AlarmSource, Switch};
use super::quality::{Fault, Quality};
use super::status::ProofStatus;
use super::tank::Tank;
use super::truth::Truth;

/// Somebody else's acts are an alarm until so long after the last one. [F33: 10 min]
const FOREIGN_QUIET: Span = Span::from_minutes(10);

impl Tank {
    pub(super) fn follow_alarms(&mut self, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        let now = self.now;
        for index in 0..self.alarms.len() {
            let truth = self.alarm_truth(index, deadlines);
            let change = self.alarms[index].follow(&self.plan.alarms[index], truth, now.steady, deadlines);
            let what = match change {
                AlarmChange::None => continue,
                AlarmChange::Raised => NoticeKind::Raised,
                AlarmChange::Cleared => NoticeKind::Cleared,
            };
            let text = self.alarm_text(index);
            let plan = &self.plan.alarms[index];
            let alarm = &mut self.alarms[index];
            if what == NoticeKind::Raised {
                alarm.since = Some(now.wall);
                alarm.text.clone_from(&text);
            }
            let notice = Notice {
                alarm: AlarmId::new(index),
                name: plan.name.to_string(),
                priority: plan.priority,
                what,
                since: alarm.since.unwrap_or(now.wall),
                text,
                advice: plan.advice.clone(),
            };
            let (word, name) = (if what == NoticeKind::Raised { "raised" } else { "cleared" }, plan.name.clone());
            self.journal(JournalKind::Alarm, &name, format!("{word}: {}", notice.text), effects);
            effects.push(Effect::Notify(notice));
            self.unsaved = true;
        }
    }

    fn alarm_truth(&self, index: usize, deadlines: &mut Deadlines) -> Truth {
        let now = self.now.steady;
        match &self.plan.alarms[index].source {
            AlarmSource::Condition(condition) => self.nodes[condition.index()].truth,
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
            AlarmSource::Trip(interlock) => self.interlocks[interlock.index()].alarm_truth(now, deadlines),
            AlarmSource::HoldOverdue(hold) => {
                Truth::of(self.holds[hold.index()].active.as_ref().is_some_and(|active| active.overdue))
            }
            AlarmSource::PowerLost => self.power_lost().next().map_or(Truth::False, |_| Truth::of(self.connected)),
            AlarmSource::ClockJumped => recently(self.jumped_at, FOREIGN_QUIET, now, deadlines),
            AlarmSource::StateDamaged => Truth::of(self.damaged),
        }
    }

    fn alarm_text(&self, index: usize) -> String {
        match &self.plan.alarms[index].source {
            AlarmSource::Condition(condition) => self.describe_or_show(*condition),
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
                format!(
                    "somebody else switches or commands {}; it reports {state}, decided is {}",
                    self.plan.outputs[output.index()].name,
                    wanted.word()
                )
            }
            AlarmSource::Trip(interlock) => {
                let name = &self.plan.interlocks[interlock.index()].name;
                let state = &self.interlocks[interlock.index()];
                if state.acts() { format!("{name}: {}", state.cause) } else { format!("{name}: the cause is gone") }
            }
            AlarmSource::HoldOverdue(hold) => {
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
            AlarmSource::PowerLost => {
                let names: Vec<_> = self.power_lost().map(|output| output.name.to_string()).collect();
                if names.is_empty() {
                    "every power meter is heard".to_owned()
                } else {
                    format!("no fresh power reading of {}", names.join(", "))
                }
            }
            AlarmSource::ClockJumped => "the wall clock jumped by more than a minute".to_owned(),
            AlarmSource::StateDamaged if self.damaged => {
                "the saved state could not be read; heater trips are taken as latched, top-off budgets as spent, and holds are not known"
                    .to_owned()
            }
            AlarmSource::StateDamaged => "the damage of the saved state is acknowledged".to_owned(),
        }
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

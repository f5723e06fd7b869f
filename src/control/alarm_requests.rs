//! What people may ask of alarms: acknowledge, reset, shelve, take out of service, and back.
//!
//! | priority | shelved for at most | out of service |
//! | --- | --- | --- |
//! | urgent; a float, a leak, a heater's cut-off, a forgotten hold, a damaged record | never | never |
//! | high | 8 h | with a reason, told of every day |
//! | medium, low | 24 h | with a reason, told of every day |
//!
//! All of this is a choice. Silence beforehand is for what is known and can wait. What must be told within minutes is
//! acknowledged when it comes: then it is quiet, stays in sight, and its next time is told.

use crate::time::Span;

use super::alarm::{AlarmInput, AlarmState};
use super::alarm_act::AlarmAct;
use super::effect::{Answer, Effect};
use super::ids::AlarmId;
use super::plan::{AlarmSource, Priority};
use super::requests::{done, refused, unknown};
use super::tank::Tank;

/// The longest shelving of anything. [choice]
pub(super) const LONGEST_SHELVING: Span = Span::from_hours(24);
/// The longest shelving of a high alarm. [choice]
const LONGEST_OF_HIGH: Span = Span::from_hours(8);
/// A shelving without a time. [choice]
const USUAL_SHELVING: Span = Span::from_hours(1);

impl Tank {
    pub(super) fn ask_acknowledge(
        &mut self,
        by: &str,
        name: Option<&str>,
        effects: &mut Vec<Effect>,
    ) -> Result<Answer, Answer> {
        let wanted: Vec<usize> = match name {
            Some(name) => {
                let alarm = self.find_alarm(name)?;
                // Who has seen a head has seen those for whom it spoke.
                let members = (0..self.alarms.len()).filter(|other| self.is_spoken_for(*other, alarm));
                std::iter::once(alarm).chain(members).collect()
            }
            None => (0..self.alarms.len()).collect(),
        };
        let mut names = Vec::new();
        for index in wanted {
            if !self.alarms[index].acknowledge(&self.plan.alarms[index], self.now.steady) {
                continue;
            }
            self.acknowledged_means(index);
            self.unsaved = true;
            self.write_alarm(index, AlarmAct::Acknowledged, &format!("by {by}"), effects);
            names.push(self.plan.alarms[index].name.to_string());
        }
        if names.is_empty() {
            return Ok(done("nothing to acknowledge"));
        }
        Ok(Answer { details: names, ..done("acknowledged") })
    }

    fn is_spoken_for(&self, member: usize, head: usize) -> bool {
        self.alarms[member].head == Some(head) && !self.alarms[member].told
    }

    /// What acknowledging says besides: that a suspect value may be believed, that damage is known.
    fn acknowledged_means(&mut self, alarm: usize) {
        match self.plan.alarms[alarm].source {
            AlarmSource::SignalLost(signal) | AlarmSource::Disagree(signal) => {
                for probe in &self.plan.signals[signal.index()].probes {
                    self.probes[probe.index()].trust();
                }
            }
            AlarmSource::ProbeLost(probe) => self.probes[probe.index()].trust(),
            AlarmSource::StateDamaged => {
                (self.damaged, self.restored_from) = (false, None);
                self.top_offs.iter_mut().for_each(super::top_off::TopOff::forget_assumed);
                self.dosers.iter_mut().for_each(super::dosing::Doser::forget_assumed);
            }
            AlarmSource::ClockJumped => self.jumped_at = None,
            _ => {}
        }
    }

    /// Clears the latch of an alarm: whether it was reset, or why not.
    pub(super) fn reset_alarm(&mut self, index: usize, by: &str, effects: &mut Vec<Effect>) -> Result<String, String> {
        let name = self.plan.alarms[index].name.clone();
        let state = self.alarms[index].state;
        if !matches!(state, AlarmState::LatchedUnacknowledged | AlarmState::LatchedAcknowledged) {
            return match state {
                AlarmState::Unacknowledged | AlarmState::Acknowledged => {
                    Err(format!("{name}: its cause is still there: {}", self.alarm_text(index)))
                }
                _ => Ok(format!("{name} is not latched")),
            };
        }
        self.alarms[index].takes(AlarmInput::Reset, &self.plan.alarms[index]);
        self.unsaved = true;
        self.write_alarm(index, AlarmAct::Reset, &format!("by {by}"), effects);
        let seen = if self.alarms[index].state == AlarmState::Normal { "" } else { ", and still to be acknowledged" };
        Ok(format!("{name} is reset{seen}"))
    }

    /// The alarms that wait for a reset.
    pub(super) fn latched_alarms(&self) -> Vec<usize> {
        let latched = |index: &usize| {
            let state = self.alarms[*index].state;
            matches!(state, AlarmState::LatchedUnacknowledged | AlarmState::LatchedAcknowledged)
        };
        (0..self.alarms.len()).filter(latched).collect()
    }

    pub(super) fn ask_shelve(
        &mut self,
        by: &str,
        name: &str,
        lasting: Option<Span>,
        effects: &mut Vec<Effect>,
    ) -> Result<Answer, Answer> {
        let index = self.find_alarm(name)?;
        self.may_be_silenced(index, "shelved")?;
        let longest = self.longest_shelving(index);
        let span = lasting.unwrap_or(USUAL_SHELVING);
        if span > longest || span == Span::ZERO {
            let priority = self.plan.alarms[index].priority.word();
            let reason = format!("a {priority} alarm may be shelved for at most {longest}, and {span} was asked");
            return Err(refused(format!("{name} cannot be shelved for that long"), vec![reason]));
        }
        match self.alarms[index].state {
            AlarmState::OutOfService => {
                let fix = format!("return it first: return-to-service {name}");
                return Err(refused(format!("{name} is out of service"), vec![fix]));
            }
            // Shelved anew is unshelved and shelved: the table knows no other way.
            AlarmState::Shelved => {
                self.bring_back(index, AlarmInput::Unshelve, &format!("by {by}, to be shelved anew"), effects);
            }
            AlarmState::Suppressed => {
                self.bring_back(index, AlarmInput::Unsuppress, &format!("by {by}, to be shelved"), effects);
            }
            _ => {}
        }
        let until = self.now.steady.after(span);
        let end = self.plan.zone.show(self.now.wall_at(until));
        self.put_aside(index, AlarmInput::Shelve, format!("until {end}, by {by}"), Some(until), effects);
        let details = vec!["it is followed all the same, and told then if it stands".to_owned()];
        Ok(Answer { details, ..done(format!("{name} is shelved until {end}")) })
    }

    pub(super) fn ask_unshelve(&mut self, by: &str, name: &str, effects: &mut Vec<Effect>) -> Result<Answer, Answer> {
        let index = self.find_alarm(name)?;
        if self.alarms[index].state != AlarmState::Shelved {
            return Ok(done(format!("{name} is not shelved")));
        }
        self.come_back(index, AlarmInput::Unshelve, by, effects);
        Ok(done(format!("{name} is no longer shelved")))
    }

    pub(super) fn ask_out_of_service(
        &mut self,
        by: &str,
        name: &str,
        why: &str,
        effects: &mut Vec<Effect>,
    ) -> Result<Answer, Answer> {
        let index = self.find_alarm(name)?;
        self.may_be_silenced(index, "taken out of service")?;
        if why.trim().is_empty() {
            let fix = "say why: it is shown for as long as it is out of service".to_owned();
            return Err(refused(format!("{name} stays in service"), vec![fix]));
        }
        match self.alarms[index].state {
            AlarmState::OutOfService => return Ok(done(format!("{name} is out of service already"))),
            AlarmState::Shelved => {
                self.bring_back(index, AlarmInput::Unshelve, &format!("by {by}, to be taken out of service"), effects);
            }
            AlarmState::Suppressed => {
                let to = format!("by {by}, to be taken out of service");
                self.bring_back(index, AlarmInput::Unsuppress, &to, effects);
            }
            _ => {}
        }
        self.put_aside(index, AlarmInput::Remove, format!("by {by}: {}", why.trim()), None, effects);
        let details = vec![format!("nobody is told of it until you say: return-to-service {name}")];
        Ok(Answer { details, ..done(format!("{name} is out of service; a reminder comes every day")) })
    }

    pub(super) fn ask_return(&mut self, by: &str, name: &str, effects: &mut Vec<Effect>) -> Result<Answer, Answer> {
        let index = self.find_alarm(name)?;
        if self.alarms[index].state != AlarmState::OutOfService {
            return Ok(done(format!("{name} is in service")));
        }
        self.come_back(index, AlarmInput::Return, by, effects);
        Ok(done(format!("{name} is in service again")))
    }

    /// Back by request; what stands is told as new.
    fn come_back(&mut self, index: usize, input: AlarmInput, by: &str, effects: &mut Vec<Effect>) {
        if self.bring_back(index, input, &format!("by {by}"), effects) {
            self.alarms[index].back = true;
        }
    }

    fn longest_shelving(&self, index: usize) -> Span {
        match self.plan.alarms[index].priority {
            Priority::Urgent => Span::ZERO,
            Priority::High => LONGEST_OF_HIGH,
            Priority::Medium | Priority::Low => LONGEST_SHELVING,
        }
    }

    fn may_be_silenced(&self, index: usize, how: &str) -> Result<(), Answer> {
        let Some(reason) = self.links[index].guarded else { return Ok(()) };
        let name = &self.plan.alarms[index].name;
        let details = vec![
            format!("{reason}, and what must be told within minutes is never silenced beforehand"),
            format!("acknowledge it when it comes: it is quiet then, and its next time is told: ack {name}"),
        ];
        Err(refused(format!("{name} cannot be {how}"), details))
    }

    fn find_alarm(&self, name: &str) -> Result<usize, Answer> {
        let found = self.plan.alarm(name).map(AlarmId::index);
        found.ok_or_else(|| unknown("alarm", name, self.plan.alarms.iter().map(|alarm| &alarm.name)))
    }
}

//! What people may ask of a tank, and what it answers.
//!
//! A request is carried out or refused with its reasons; it is never half done. What can be proven
//! is answered when it is proven, or when the time for that is over. The same request twice is one.

use crate::time::Span;

use super::deadlines::Deadlines;
use super::effect::{Answer, DeadlineKind, Effect, JournalKind, Outcome};
use super::event::{Learned, NewWater, Request, RequestId};
use super::hold::{Awaited, NOT_ISOLATION, WaitingAnswer};
use super::ids::{HoldId, Name, OutputId};
use super::interlock::Stage;
use super::plan::{OutputKind, Switch};
use super::status::ProofStatus;
use super::tank::{Force, Tank};

/// A force without a time. [C2: choice]
pub(super) const DEFAULT_FORCE: Span = Span::from_minutes(30);
/// The longest force to off of a pump, outside a hold. [C2: choice]
const LONGEST_PUMP_OFF: Span = Span::from_minutes(10);
/// The longest force of anything. [C2: choice]
pub(super) const LONGEST_FORCE: Span = Span::from_hours(4);
/// What was asked for is proven within this time, or the answer says that it is not. [holds: 10 s]
const PROVE_WITHIN: Span = Span::from_seconds(10);

impl Tank {
    pub(super) fn take_request(&mut self, id: RequestId, by: &str, request: Request, effects: &mut Vec<Effect>) {
        let result = match request {
            Request::Hold { procedure, probe } => self.ask_hold(id, by, &procedure, probe.as_deref(), effects),
            Request::Release { procedure } => self.ask_release(id, by, procedure.as_deref(), effects),
            Request::NewWater { litres, salinity, temperature, confirm } => {
                self.ask_new_water(by, NewWater { litres, salinity, temperature }, confirm, effects).map(Some)
            }
            Request::Force { output, to, lasting } => self.ask_force(id, by, &output, to, lasting, effects),
            Request::EndForce { output } => self.ask_end_force(by, &output, effects).map(Some),
            Request::Reset { interlock } => self.ask_reset(by, interlock.as_deref(), effects).map(Some),
            Request::Confirm { output, what: Learned::Watts } => self.ask_confirm(by, &output, effects).map(Some),
            Request::Dose { pump, what } => self.ask_dose(by, &pump, what, effects).map(Some),
            Request::Bypass { interlock, reason, lasting } => {
                self.ask_bypass(by, &interlock, &reason, lasting, effects).map(Some)
            }
            Request::EndBypass { interlock } => self.ask_end_bypass(by, &interlock, effects).map(Some),
            Request::Prove { act, what, code, signed } => {
                self.ask_prove(by, act, what.as_deref(), code, signed.as_deref(), effects).map(Some)
            }
            Request::Acknowledge { alarm } => self.ask_acknowledge(by, alarm.as_deref(), effects).map(Some),
            Request::Shelve { alarm, lasting } => self.ask_shelve(by, &alarm, lasting, effects).map(Some),
            Request::Unshelve { alarm } => self.ask_unshelve(by, &alarm, effects).map(Some),
            Request::OutOfService { alarm, why } => self.ask_out_of_service(by, &alarm, &why, effects).map(Some),
            Request::ReturnToService { alarm } => self.ask_return(by, &alarm, effects).map(Some),
        };
        match result {
            Ok(None) => {}
            Ok(Some(answer)) | Err(answer) => effects.push(Effect::Answer { to: id, answer }),
        }
    }

    fn ask_hold(
        &mut self,
        id: RequestId,
        by: &str,
        procedure: &str,
        probe: Option<&str>,
        effects: &mut Vec<Effect>,
    ) -> Result<Option<Answer>, Answer> {
        let hold = self
            .plan
            .hold(procedure)
            .ok_or_else(|| unknown("hold", procedure, self.plan.holds.iter().map(|hold| &hold.name)))?;
        let probes = self.probes_to_care_for(hold, probe)?;
        let joined = self.holds[hold.index()].active.as_ref().is_some_and(|active| !active.overdue);
        if !joined {
            self.begin_hold(hold, by, None, effects);
        }
        self.take_probes_in_hand(hold, &probes, effects);
        self.await_answer(id, Awaited::Hold(hold), joined);
        Ok(None)
    }

    fn ask_release(
        &mut self,
        id: RequestId,
        by: &str,
        procedure: Option<&str>,
        effects: &mut Vec<Effect>,
    ) -> Result<Option<Answer>, Answer> {
        let standing: Vec<HoldId> =
            (0..self.holds.len()).filter(|hold| self.holds[*hold].active.is_some()).map(HoldId::new).collect();
        let hold = match (procedure, standing.as_slice()) {
            (Some(name), _) => self
                .plan
                .hold(name)
                .ok_or_else(|| unknown("hold", name, self.plan.holds.iter().map(|hold| &hold.name)))?,
            (None, [only]) => *only,
            (None, []) => return Ok(Some(done("no hold stands; nothing to release"))),
            (None, several) => {
                let names = several.iter().map(|hold| self.plan.holds[hold.index()].name.to_string()).collect();
                return Err(refused("several holds stand; say which", names));
            }
        };
        let name = self.plan.holds[hold.index()].name.clone();
        if self.holds[hold.index()].active.is_none() {
            return Ok(Some(done(format!("hold {name} does not stand; nothing to release"))));
        }
        self.judge_usual_water(hold, by, effects)?;
        let missing = self.missing_for_release(hold);
        if !missing.is_empty() {
            return Err(refused(format!("hold {name} goes on: its release is not permitted yet"), missing));
        }
        self.end_hold(hold, &format!("released by {by}"), effects);
        self.await_answer(id, Awaited::Release(hold), false);
        Ok(None)
    }

    fn ask_force(
        &mut self,
        id: RequestId,
        by: &str,
        name: &str,
        to: Switch,
        lasting: Option<Span>,
        effects: &mut Vec<Effect>,
    ) -> Result<Option<Answer>, Answer> {
        let output = self.find_output(name)?;
        let plan = &self.plan.outputs[output.index()];
        let longest = match (to, plan.kind) {
            (Switch::On, _) => plan.longest_force,
            (Switch::Off, OutputKind::ReturnPump | OutputKind::Powerhead) => LONGEST_PUMP_OFF,
            (Switch::Off, _) => LONGEST_FORCE,
        };
        let span = lasting.unwrap_or_else(|| DEFAULT_FORCE.min(longest));
        if span > longest || span == Span::ZERO {
            let reason = format!("{name} may be forced {} for at most {longest}, and {span} was asked", to.word());
            return Err(refused("the force is too long", vec![reason]));
        }
        if let Some(reason) = self.force_refusal(output, to) {
            return Err(refused(format!("{name} stays {}", opposite(to).word()), vec![reason]));
        }
        if (to, plan.kind) == (Switch::On, OutputKind::Doser) {
            return Err(super::dosing::no_force(name));
        }
        let until = self.now.steady.after(span);
        self.forces[output.index()] = Some(Force { to, until, by: by.to_owned() });
        self.unsaved = true;
        let name = plan.name.clone();
        self.journal(JournalKind::Force, &name, format!("forced {} by {by} for {span}", to.word()), effects);
        self.await_answer(id, Awaited::Force(output), false);
        Ok(None)
    }

    /// What above a force stands against it.
    pub(super) fn force_refusal(&self, output: OutputId, to: Switch) -> Option<String> {
        let opinions = self.opinions.get(output.index())?;
        if let Some((tripped, interlock)) = opinions.trip
            && tripped != to
        {
            let interlock_name = &self.plan.interlocks[interlock.index()].name;
            return Some(format!(
                "interlock {interlock_name} keeps it {}: {}",
                tripped.word(),
                self.interlocks[interlock.index()].cause
            ));
        }
        if to == Switch::Off {
            return None;
        }
        if let Some(hold) = opinions.hold {
            return Some(format!("hold {} pauses it; release the hold first", self.plan.holds[hold.index()].name));
        }
        if opinions.running == Switch::On {
            return None;
        }
        if let Some(layer) = opinions.start_blocked {
            return Some(self.cause(output, layer));
        }
        opinions.compressor_rests.then(|| "its compressor must rest first".to_owned())
    }

    fn ask_end_force(&mut self, by: &str, name: &str, effects: &mut Vec<Effect>) -> Result<Answer, Answer> {
        let output = self.find_output(name)?;
        if self.forces[output.index()].take().is_none() {
            return Ok(done(format!("{name} is not forced")));
        }
        self.unsaved = true;
        self.journal(JournalKind::Force, name, format!("ended by {by}"), effects);
        Ok(done(format!("{name} is no longer forced")))
    }

    fn ask_reset(&mut self, by: &str, name: Option<&str>, effects: &mut Vec<Effect>) -> Result<Answer, Answer> {
        let mut alarms = if name.is_none() { self.latched_alarms() } else { Vec::new() };
        let wanted: Vec<usize> = match name {
            Some(name) => match (self.plan.interlock(name), self.plan.alarm(name)) {
                (Some(interlock), _) => vec![interlock.index()],
                (None, Some(alarm)) => {
                    alarms.push(alarm.index());
                    Vec::new()
                }
                (None, None) => {
                    let latching = self.plan.alarms.iter().filter(|alarm| alarm.latches).map(|alarm| &alarm.name);
                    let known = self.plan.interlocks.iter().map(|interlock| &interlock.name).chain(latching);
                    return Err(unknown("interlock", name, known));
                }
            },
            None => (0..self.interlocks.len()).filter(|i| self.interlocks[*i].stage == Stage::Latched).collect(),
        };
        if wanted.is_empty() && alarms.is_empty() {
            return Ok(done("nothing is latched"));
        }
        let (mut cleared, mut kept) = (Vec::new(), Vec::new());
        for alarm in alarms {
            match self.reset_alarm(alarm, by, effects) {
                Ok(text) => cleared.push(text),
                Err(text) => kept.push(text),
            }
        }
        for index in wanted {
            let name = self.plan.interlocks[index].name.clone();
            match self.interlocks[index].stage {
                Stage::Armed => cleared.push(format!("{name} is not tripped")),
                Stage::Tripped => kept.push(format!("{name} is tripped and not latched; it goes with its cause")),
                Stage::Latched => {
                    if let Some(reason) = self.interlocks[index].reset_refusal() {
                        let cause = self.describe(self.plan.interlocks[index].cause);
                        kept.push(format!("{name}: {reason}: {cause}"));
                        continue;
                    }
                    self.interlocks[index].reset();
                    self.unsaved = true;
                    self.journal(JournalKind::Trip, &name, format!("reset by {by}"), effects);
                    cleared.push(format!("{name} is reset"));
                }
            }
        }
        if kept.is_empty() {
            return Ok(Answer { details: cleared, ..done("reset") });
        }
        kept.extend(cleared);
        Err(refused("not everything could be reset", kept))
    }

    fn await_answer(&mut self, to: RequestId, about: Awaited, joined: bool) {
        let at_latest = self.now.steady.after(PROVE_WITHIN);
        self.waiting.push(WaitingAnswer { to, about, at_latest, joined });
    }

    pub(super) fn answer_waiting(&mut self, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        if self.waiting.is_empty() {
            return;
        }
        let waiting = std::mem::take(&mut self.waiting);
        for answer in waiting {
            let outputs = self.awaited_outputs(answer.about);
            let open = match answer.about {
                Awaited::Release(_) => false,
                Awaited::Hold(hold) => {
                    // A pump that still runs for its last seconds is not paused yet.
                    let later = |output: &OutputId| {
                        self.opinions[output.index()].hold.is_none() && self.holds[hold.index()].active.is_some()
                    };
                    outputs.iter().any(|output| later(output) || self.is_open(*output, Switch::Off))
                }
                Awaited::Force(output) => {
                    self.forces[output.index()].as_ref().is_some_and(|force| self.is_open(output, force.to))
                }
            };
            if open && answer.at_latest > self.now.steady {
                deadlines.ask(answer.at_latest, DeadlineKind::Proof);
                self.waiting.push(answer);
                continue;
            }
            let answered = self.compose(answer, &outputs);
            effects.push(Effect::Answer { to: answer.to, answer: answered });
        }
    }

    fn awaited_outputs(&self, about: Awaited) -> Vec<OutputId> {
        match about {
            Awaited::Force(output) => vec![output],
            Awaited::Hold(hold) | Awaited::Release(hold) => {
                let also = self.holds[hold.index()].active.as_ref().map(|active| active.also.clone());
                let planned = self.plan.holds[hold.index()].pauses.iter().copied();
                planned.chain(also.unwrap_or_default()).collect()
            }
        }
    }

    /// Whether a proof may still come.
    fn is_open(&self, output: OutputId, wanted: Switch) -> bool {
        let plug = &self.plugs[output.index()];
        if plug.decided(self.plan.outputs[output.index()].kind) != wanted {
            return false;
        }
        match plug.proof {
            ProofStatus::Proven | ProofStatus::CannotBeProven => plug.told != Some(wanted),
            ProofStatus::NothingCommanded | ProofStatus::Waiting | ProofStatus::NotProven => true,
        }
    }

    fn compose(&self, answer: WaitingAnswer, outputs: &[OutputId]) -> Answer {
        let details: Vec<String> = outputs.iter().map(|output| self.proof_sentence(*output)).collect();
        let all_proven = outputs.iter().all(|output| {
            let plug = &self.plugs[output.index()];
            let draws = plug.told == Some(Switch::Off) && self.still_draws(*output).is_true();
            let paused = !matches!(answer.about, Awaited::Hold(_)) || plug.told == Some(Switch::Off);
            plug.proof == ProofStatus::Proven
                && !draws
                && paused
                && plug.told == plug.decision.as_ref().map(|decision| decision.to)
        });
        let outcome = if all_proven { Outcome::Done } else { Outcome::NotProven };
        match answer.about {
            Awaited::Release(hold) => {
                let name = &self.plan.holds[hold.index()].name;
                let summary = format!("hold {name} is released; what may run starts as its conditions allow");
                let details = outputs.iter().map(|output| self.start_sentence(*output)).collect();
                Answer { outcome: Outcome::Done, summary, details, caution: None }
            }
            Awaited::Force(output) => {
                let name = &self.plan.outputs[output.index()].name;
                let plug = &self.plugs[output.index()];
                let summary = match &self.forces[output.index()] {
                    Some(force) if plug.decided(self.plan.outputs[output.index()].kind) == force.to => {
                        let left = force.until.since(self.now.steady);
                        format!("{name} is forced {} for {left}", force.to.word())
                    }
                    _ => {
                        return refused(format!("{name} does not follow the force"), details);
                    }
                };
                Answer { outcome, summary, details, caution: None }
            }
            Awaited::Hold(hold) => {
                let name = &self.plan.holds[hold.index()].name;
                let Some(active) = &self.holds[hold.index()].active else {
                    return refused(format!("hold {name} ended before it was proven"), details);
                };
                let until = self.plan.zone.time_of_day(active.deadline_wall);
                let verb = if answer.joined { "stands already" } else { "has begun" };
                let proof = match outputs {
                    [] => "",
                    _ if all_proven => "; every pause is proven",
                    _ => "; NOT every pause is proven",
                };
                let summary = format!("hold {name} {verb}, until {until}{proof}");
                let mut details = details;
                details.extend(self.care_sentences(hold));
                details.extend(self.hot_sentence(hold));
                details.extend(self.bin_sentence(hold));
                Answer { outcome, summary, details, caution: Some(NOT_ISOLATION.to_owned()) }
            }
        }
    }

    pub(super) fn find_output(&self, name: &str) -> Result<OutputId, Answer> {
        self.plan.output(name).ok_or_else(|| unknown("output", name, self.plan.outputs.iter().map(|o| &o.name)))
    }
}

fn opposite(switch: Switch) -> Switch {
    match switch {
        Switch::On => Switch::Off,
        Switch::Off => Switch::On,
    }
}

pub(super) fn done(summary: impl Into<String>) -> Answer {
    Answer { outcome: Outcome::Done, summary: summary.into(), details: Vec::new(), caution: None }
}

pub(super) fn refused(summary: impl Into<String>, details: Vec<String>) -> Answer {
    Answer { outcome: Outcome::Refused, summary: summary.into(), details, caution: None }
}

pub(super) fn unknown<'a>(what: &str, name: &str, known: impl Iterator<Item = &'a Name>) -> Answer {
    let details = vec![format!("known: {}", known.map(ToString::to_string).collect::<Vec<_>>().join(", "))];
    Answer { outcome: Outcome::Unknown, summary: format!("there is no {what} `{name}`"), details, caution: None }
}

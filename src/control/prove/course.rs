//! The course of a session: what goes on is judged, what is over is written down, what nobody goes on with ends.
//!
//! `break_off` is the one way out of every step: whatever it changed goes back. A result is dated and signed.

use crate::time::{Span, Wall};

use super::super::deadlines::Deadlines;
use super::super::effect::{Answer, DeadlineKind, Durability, Effect, JournalKind, Notice, NoticeKind};
use super::super::ids::AlarmId;
use super::super::plan::{AlarmSource, ChannelPlan, Priority};
use super::super::requests::refused;
use super::super::tank::Tank;
use super::{IDLE, ProofOutcome, ProofRecord, Question, Session, Stage, Verdict};

/// So often a code may be typed wrong.
const TRIES: u8 = 3;

impl Tank {
    /// Whatever the step changed goes back; the step is at its beginning again.
    pub(super) fn break_off(&mut self, said: &str) {
        self.drop_forces_of_steps();
        let now = self.now.steady;
        for undo in self.proving.undo.iter_mut().filter(|undo| !undo.step_over) {
            (undo.step_over, undo.broken_off) = (true, true);
        }
        if let Some(session) = &mut self.proving.session {
            session.stage = Stage::Ready;
            session.said = (!said.is_empty()).then(|| said.to_owned());
            session.acted = now;
        }
        self.unsaved = true;
    }

    /// The step at hand is over.
    pub(super) fn next_step(&mut self, outcome: ProofOutcome, text: &str, effects: &mut Vec<Effect>) {
        let Some(item) = self.at_hand() else { return };
        let key = item.key(&self.plan);
        self.journal(JournalKind::Test, &key, format!("{}: {text}", outcome.word()), effects);
        let Some(session) = &mut self.proving.session else { return };
        session.queue.pop_front();
        session.done.push((key, outcome, text.to_owned()));
        session.said = None;
        if session.queue.is_empty() {
            let count = |of: ProofOutcome| session.done.iter().filter(|(_, outcome, _)| *outcome == of).count();
            let (proven, failed) = (count(ProofOutcome::Proven), count(ProofOutcome::Failed));
            self.end_session(&format!("done: {proven} proven, {failed} failed"), effects);
        }
    }

    pub(super) fn end_session(&mut self, how: &str, effects: &mut Vec<Effect>) {
        self.proving.session = None;
        self.unsaved = true;
        self.journal(JournalKind::Test, "proof tests", how, effects);
    }

    /// A result is written down, dated and signed, and the session goes on.
    pub(super) fn record_result(&mut self, outcome: ProofOutcome, text: &str, effects: &mut Vec<Effect>) {
        let Some(item) = self.at_hand() else { return };
        let by = self.proving.session.as_ref().map_or_else(String::new, |session| session.by.clone());
        let before = self.proof_of(item).and_then(|record| record.proven);
        let (proven, failed) = match outcome {
            ProofOutcome::Proven => (Some(self.now.wall), None),
            _ => (before, Some(self.now.wall)),
        };
        let record = ProofRecord { proven, failed, by, text: text.to_owned(), mark: item.mark(&self.plan) };
        self.proving.proofs.insert(item.key(&self.plan), record);
        self.proving.fresh = false;
        // Proven, it is back where it was.
        let over = self.proving.undo.iter_mut().filter(|undo| !undo.step_over && outcome == ProofOutcome::Proven);
        over.for_each(|undo| undo.step_over = true);
        self.break_off("");
        effects.push(Effect::SaveState(Durability::AfterTheCommands));
        self.next_step(outcome, text, effects);
    }

    pub(super) fn answer_yes(&mut self, code: Option<u32>, effects: &mut Vec<Effect>) -> Result<Answer, Answer> {
        let Some(Session { stage: Stage::Asking(question), .. }) = &mut self.proving.session else {
            return Err(nothing_asked());
        };
        let asks_for_code = !question.codes.is_empty();
        let came_by = question.codes.iter().position(|expected| code == Some(*expected));
        if asks_for_code && came_by.is_none() {
            question.tries += 1;
            if question.tries < TRIES {
                let fix = "type the four digits that stand in the message: `prove yes 1234`".to_owned();
                return Err(refused("that is not the code that was sent", vec![fix]));
            }
            self.record_result(ProofOutcome::Failed, "the code was wrong three times", effects);
            return Ok(self.session_answer("FAILED"));
        }
        let (mut seen, watts) = (std::mem::take(&mut question.seen), question.watts);
        seen.push(came_by.map_or_else(|| "a person saw it".to_owned(), |place| self.arrived(place)));
        if let Some((output, watts)) = watts {
            self.plugs[output.index()].power.confirm(watts);
        }
        self.record_result(ProofOutcome::Proven, &seen.join("; "), effects);
        Ok(self.session_answer("proven"))
    }

    pub(super) fn answer_no(&mut self, effects: &mut Vec<Effect>) -> Result<Answer, Answer> {
        let text = match self.proving.session.as_ref().map(|session| &session.stage) {
            Some(Stage::Asking(question)) => format!("a person said no to: {}", question.text),
            Some(Stage::Watching(watch)) => {
                let missing = self.at_hand().map_or_else(String::new, |item| self.what_was_missing(item, watch));
                format!("a person did it, and it was not seen ({missing})")
            }
            _ => return Err(nothing_asked()),
        };
        self.record_result(ProofOutcome::Failed, &text, effects);
        Ok(self.session_answer("FAILED"))
    }

    /// A message that says it is a test, by each channel, each with a code of its own: what is typed says which arrived.
    pub(super) fn send_tests(&mut self, effects: &mut Vec<Effect>) {
        let alarm = self.plan.alarms.iter().position(|alarm| alarm.source == AlarmSource::ProofsDue).unwrap_or(0);
        let name = self.plan.alarms.get(alarm).map_or_else(|| "proofs-due".to_owned(), |alarm| alarm.name.to_string());
        let mut codes = Vec::new();
        for (place, channel) in self.plan.proofs.channels.iter().enumerate() {
            let code = code(self.now.wall, place);
            codes.push(code);
            effects.push(Effect::Notify(Notice {
                alarm: AlarmId::new(alarm),
                name: name.clone(),
                // So that it goes where the most urgent ones go.
                priority: Priority::Urgent,
                what: NoticeKind::Test,
                since: self.now.wall,
                text: format!("TEST, no alarm: type {code} into the proof test that waits for it; by {}", channel.name),
                value: None,
                did: Vec::new(),
                consequence: "Nothing is wrong.".to_owned(),
                action: "Type the code into the proof test: only whoever reads this can.".to_owned(),
                group: Vec::new(),
                part_of: None,
                only: Some((&*channel.name).into()),
            }));
        }
        let ways: Vec<_> =
            self.plan.proofs.channels.iter().map(|channel| format!("{} ({})", channel.name, channel.by)).collect();
        let ways = ways.join(", ");
        if let Some(session) = &mut self.proving.session {
            session.said = None;
            session.stage = Stage::Asking(Question {
                text: format!("type the four digits of a test message, from where alarms reach you; it went by {ways}"),
                codes,
                tries: 0,
                seen: Vec::new(),
                watts: None,
            });
        }
    }

    /// What a code that arrived shows: the channel it came by, and those of which nothing is known.
    fn arrived(&self, place: usize) -> String {
        let channels = &self.plan.proofs.channels;
        let name = |channel: &ChannelPlan| format!("{} ({})", channel.name, channel.by);
        let came = channels.get(place).map_or_else(String::new, name);
        let others = channels.iter().enumerate().filter(|(other, _)| *other != place);
        let others: Vec<_> = others.map(|(_, channel)| channel.name.to_string()).collect();
        let others = if others.is_empty() { String::new() } else { format!("; not shown of {}", others.join(", ")) };
        format!("its code came by {came} and was typed in{others}")
    }

    /// Once a step: judges what goes on, ends what nobody goes on with, and works out what is due.
    pub(in crate::control) fn follow_proofs(&mut self, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        self.follow_session(effects, deadlines);
        self.follow_undo(effects, deadlines);
        self.follow_due(deadlines);
    }

    fn follow_session(&mut self, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        let now = self.now.steady;
        let Some(session) = &mut self.proving.session else { return };
        let (item, idle) = (session.queue.front().copied(), session.acted.after(IDLE));
        let Some(item) = item else { return };
        let mut watch = match std::mem::replace(&mut session.stage, Stage::Ready) {
            Stage::Watching(watch) => watch,
            waits => {
                session.stage = waits;
                if idle > now {
                    return deadlines.ask(idle, DeadlineKind::Hold);
                }
                self.break_off("");
                return self.end_session("ended by itself: nobody went on for an hour", effects);
            }
        };
        if !self.connected {
            return self.break_off("the broker went away: do it again");
        }
        let verdict = self.judge(item, &mut watch);
        if let (Verdict::Going, true) = (&verdict, watch.until <= now) {
            let said = format!("nothing was shown within its time ({})", self.what_was_missing(item, &watch));
            return self.break_off(&said);
        }
        match verdict {
            Verdict::Going => {
                deadlines.ask(watch.until.min(now.after(Span::from_seconds(1))), DeadlineKind::Hold);
                if let Some(session) = &mut self.proving.session {
                    session.stage = Stage::Watching(watch);
                }
            }
            Verdict::Undone(said) => self.break_off(&said),
            Verdict::Passed(text) => self.record_result(ProofOutcome::Proven, &text, effects),
            Verdict::Failed(text) => self.record_result(ProofOutcome::Failed, &text, effects),
            Verdict::Ask(question) => {
                self.break_off("");
                if let Some(session) = &mut self.proving.session {
                    session.stage = Stage::Asking(question);
                }
            }
        }
        deadlines.ask(now.after(super::super::tank::LOOK_AGAIN), DeadlineKind::Hold);
    }
}

/// Four digits that only whoever reads the message knows; not a secret, only no guess. Another place, others.
fn code(now: Wall, place: usize) -> u32 {
    // Fibonacci hashing (Knuth, volume 3, section 6.4): neighbours in time are far apart.
    let mixed = now.unix_millis().unsigned_abs().wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 40;
    // A step without a common divisor with 9000.
    let at = mixed.wrapping_add(2477 * place as u64) % 9000;
    1000 + u32::try_from(at).unwrap_or(0)
}

fn nothing_asked() -> Answer {
    let fix = "say `ready` when you begin with the step; while it goes on, `no` says that you did it and nothing came"
        .to_owned();
    refused("nothing is asked of you", vec![fix])
}

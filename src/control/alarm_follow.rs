//! Every alarm in every step: raised, told or spoken for, set aside and back, told again.
//!
//! Who speaks: of alarms that explain each other (`alarm_links`) the one that was told first, or in the same step the
//! most urgent. The others keep their own state and are named in its notice. An urgent one always speaks for itself,
//! and so does whatever is more urgent than its head. When a head is over and a member still stands, the member speaks.
//! Limits: what is true is `alarms`'s to say, what goes out with it `alarm_notice`'s.

use std::cmp::Reverse;

use crate::time::{Span, Steady};

use super::alarm::{AlarmChange, AlarmInput, AlarmState, Aside};
use super::alarm_act::AlarmAct;
use super::alarm_links::Silent;
use super::deadlines::Deadlines;
use super::effect::{DeadlineKind, Effect, JournalKind, NoticeKind};
use super::interlock::Stage;
use super::plan::{AlarmSource, Priority, Switch};
use super::tank::Tank;

/// Things that fell silent within this time of each other are silent together. [choice]
const TOGETHER: Span = Span::from_minutes(5);
/// So many of them are one fault of what they share. [choice]
const MANY: usize = 3;
/// An alarm waits so long for the one that explains it and is in its delay. [choice]
const PATIENCE: Span = Span::from_minutes(1);
/// After its start the daemon has not heard everything, and a pump has not filled its pipe. [choice; 55 s in the
/// rehearsal's model of a pipe]
const STARTS: Span = Span::from_minutes(1);
/// What is out of service is called to mind so often. [choice]
pub(super) const OUT_OF_SERVICE_REMINDER: Span = Span::from_hours(24);

impl Tank {
    pub(super) fn follow_alarms(&mut self, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        let now = self.now;
        let mut raised = Vec::new();
        let mut members = false;
        for index in 0..self.alarms.len() {
            if self.alarms[index].state.is_aside() {
                self.end_aside(index, &mut raised, effects, deadlines);
            }
            let truth = self.alarm_truth(index, deadlines);
            match self.alarms[index].follow(&self.plan.alarms[index], truth, now.steady, deadlines) {
                AlarmChange::None => {}
                AlarmChange::Raised => raised.push(index),
                AlarmChange::Cleared => self.tell_cleared(index, effects),
            }
            if std::mem::take(&mut self.alarms[index].back) && self.alarms[index].state.is_active() {
                raised.push(index);
            }
            let alarm = &self.alarms[index];
            members |= alarm.state.is_active() && !alarm.told;
            if alarm.state.is_active() {
                // What was told before a start is not taken back by it.
                let new = raised.contains(&index);
                let why = if new { self.explained(index, deadlines) } else { self.explained_by_state(index) };
                if let Some(why) = why {
                    raised.retain(|one| *one != index);
                    self.suppress(index, why, effects);
                } else {
                    self.tell_again(index, effects, deadlines);
                }
            }
        }
        raised.retain(|index| self.alarms[*index].state.is_active());
        for index in &raised {
            self.note_raised(*index);
        }
        raised.sort_by_key(|index| (Reverse(self.plan.alarms[*index].priority), *index));
        for index in raised {
            self.tell_raised(index, AlarmAct::Raised, effects);
        }
        if members {
            self.free_members(effects, deadlines);
        }
    }

    /// What ends a shelving or a suppression, and what calls to mind that something is out of service.
    fn end_aside(
        &mut self,
        index: usize,
        raised: &mut Vec<usize>,
        effects: &mut Vec<Effect>,
        deadlines: &mut Deadlines,
    ) {
        let now = self.now.steady;
        match (self.alarms[index].state, self.links[index].guarded) {
            // A new config says so.
            (state @ (AlarmState::Shelved | AlarmState::OutOfService), Some(why)) => {
                let shelved = state == AlarmState::Shelved;
                let input = if shelved { AlarmInput::Unshelve } else { AlarmInput::Return };
                if self.bring_back(index, input, why, effects) {
                    raised.push(index);
                }
            }
            (AlarmState::Shelved, None) => {
                match self.alarms[index].aside.as_ref().and_then(|aside| aside.until) {
                    Some(until) if until > now => return deadlines.ask(until, DeadlineKind::Alarm),
                    _ => {}
                }
                if self.bring_back(index, AlarmInput::Unshelve, "its time is over", effects) {
                    raised.push(index);
                }
            }
            (AlarmState::Suppressed, _) => {
                let Some(why) = self.explained(index, deadlines) else {
                    self.alarms[index].forget_condition();
                    self.bring_back(index, AlarmInput::Unsuppress, "nothing explains it any more", effects);
                    return;
                };
                if let Some(aside) = self.alarms[index].aside.as_mut().filter(|aside| aside.why != why) {
                    aside.why = why;
                    self.unsaved = true;
                }
            }
            (AlarmState::OutOfService, None) => {
                let Some(aside) = &mut self.alarms[index].aside else { return };
                if aside.remind_at > now {
                    return deadlines.ask(aside.remind_at, DeadlineKind::Alarm);
                }
                aside.remind_at = now.after(OUT_OF_SERVICE_REMINDER);
                deadlines.ask(aside.remind_at, DeadlineKind::Alarm);
                self.unsaved = true;
                let since = self.plan.zone.show(aside.since);
                let text = format!("out of service since {since}, {}", aside.why);
                let name = self.plan.alarms[index].name.clone();
                self.journal(JournalKind::Alarm, &name, format!("reminder: {text}"), effects);
                self.notify(index, NoticeKind::Reminder, text, effects);
            }
            _ => {}
        }
    }

    /// Back into the state in which it is by now. Returns whether that is in alarm.
    pub(super) fn bring_back(&mut self, index: usize, input: AlarmInput, why: &str, effects: &mut Vec<Effect>) -> bool {
        if !self.alarms[index].takes(input, &self.plan.alarms[index]) {
            return false;
        }
        let act = match input {
            AlarmInput::Unshelve => AlarmAct::Unshelved,
            AlarmInput::Return => AlarmAct::Returned,
            _ => AlarmAct::Unsuppressed,
        };
        self.alarms[index].aside = None;
        self.unsaved = true;
        self.write_alarm(index, act, why, effects);
        let active = self.alarms[index].state.is_active();
        if active {
            self.alarms[index].begin();
        }
        active
    }

    /// What explains an alarm by design now, in words; asks to be woken where that ends with time alone.
    fn explained(&self, index: usize, deadlines: &mut Deadlines) -> Option<String> {
        if let Some((why, until)) = self.explained_by_start(index) {
            deadlines.ask(until, DeadlineKind::Alarm);
            return Some(why);
        }
        self.explained_by_state(index)
    }

    /// A start that is still so young that it explains an alarm, in words, and until when.
    fn explained_by_start(&self, index: usize) -> Option<(String, Steady)> {
        let (links, now) = (&self.links[index], self.now.steady);
        let own = self.began_at.after(STARTS);
        if links.by_broker && own > now {
            return Some(("the daemon has just started, and has not heard everything yet".to_owned(), own));
        }
        links.by_starts.iter().find_map(|output| {
            let plug = &self.plugs[output.index()];
            let started = plug.changed_at.filter(|_| plug.told == Some(Switch::On))?;
            let until = started.after(STARTS);
            let why = format!("{} has just started", self.plan.outputs[output.index()].name);
            (until > now).then_some((why, until))
        })
    }

    fn explained_by_state(&self, index: usize) -> Option<String> {
        let links = &self.links[index];
        if links.by_broker && !self.connected {
            return Some("the broker is not connected, so nothing is heard".to_owned());
        }
        // Off for want of news, while the daemon tells that there is none.
        if let AlarmSource::Trip(interlock) = self.plan.alarms[index].source {
            let live = &self.interlocks[interlock.index()];
            if !self.connected && !live.known && live.stage == Stage::Tripped {
                return Some("the broker is not connected, so its cause cannot be seen".to_owned());
            }
        }
        let stands =
            |hold: &&super::ids::HoldId| self.holds[hold.index()].active.as_ref().is_some_and(|active| !active.overdue);
        if let Some(hold) = links.by_holds.iter().find(stands) {
            return Some(format!("hold {} explains it", self.plan.holds[hold.index()].name));
        }
        let in_hand = |probe: &&super::ids::ProbeId| self.probes[probe.index()].is_in_hand();
        let probe = links.by_probes.iter().find(in_hand)?;
        Some(format!("probe {} is in its keeper's hand", self.plan.probes[probe.index()].name))
    }

    fn suppress(&mut self, index: usize, why: String, effects: &mut Vec<Effect>) {
        self.put_aside(index, AlarmInput::Suppress, why, None, effects);
    }

    /// Silences an alarm. Returns whether it was possible.
    pub(super) fn put_aside(
        &mut self,
        index: usize,
        input: AlarmInput,
        why: String,
        until: Option<Steady>,
        effects: &mut Vec<Effect>,
    ) -> bool {
        let now = self.now;
        if !self.alarms[index].takes(input, &self.plan.alarms[index]) {
            return false;
        }
        let act = match input {
            AlarmInput::Shelve => AlarmAct::Shelved,
            AlarmInput::Remove => AlarmAct::Removed,
            _ => AlarmAct::Suppressed,
        };
        self.write_alarm(index, act, &why, effects);
        if self.alarms[index].told {
            let text = format!("{}: {why}", act.word());
            self.notify(index, NoticeKind::Silenced, text, effects);
        }
        let alarm = &mut self.alarms[index];
        alarm.begin();
        let remind_at = now.steady.after(OUT_OF_SERVICE_REMINDER);
        alarm.aside = Some(Aside { why, since: now.wall, until, remind_at });
        self.unsaved = true;
        true
    }

    /// What is acknowledged and still stands is told again every day. [C5: every day; stale]
    fn tell_again(&mut self, index: usize, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        let Some(due) = self.alarms[index].again_at else { return };
        if self.plan.alarms[index].priority == Priority::Low {
            return;
        }
        if due > self.now.steady {
            return deadlines.ask(due, DeadlineKind::Alarm);
        }
        if self.alarms[index].takes(AlarmInput::ReAlarm, &self.plan.alarms[index]) {
            self.alarms[index].again_at = None;
            self.unsaved = true;
            let text = self.alarm_text(index);
            self.write_alarm(index, AlarmAct::Repeated, &format!("it still stands: {text}"), effects);
            if self.alarms[index].told {
                self.notify(index, NoticeKind::Reminder, text, effects);
            }
        }
    }

    fn note_raised(&mut self, index: usize) {
        let now = self.now;
        self.flood.note(now);
        let text = self.alarm_text(index);
        let alarm = &mut self.alarms[index];
        alarm.since = Some(now.wall);
        alarm.text = text;
        alarm.raised += 1;
        self.unsaved = true;
    }

    /// Speaks, or lets another one speak.
    fn tell_raised(&mut self, index: usize, act: AlarmAct, effects: &mut Vec<Effect>) {
        let text = self.alarms[index].text.clone();
        self.alarms[index].head = self.head_of(index);
        let head = self.alarms[index].head;
        let of = head.map(|head| self.plan.alarms[head].name.clone());
        let line = of.as_ref().map_or_else(
            || format!("{}: {text}", act.word()),
            |of| format!("{}, a consequence of {of}: {text}", act.word()),
        );
        let name = self.plan.alarms[index].name.clone();
        self.journal(JournalKind::Alarm, &name, line, effects);
        if head.is_some_and(|head| self.speaks_for(head, index)) {
            return;
        }
        let text = self.together(index).map_or(text.clone(), |together| format!("{together}; {text}"));
        self.alarms[index].told = true;
        self.notify(index, NoticeKind::Raised, text, effects);
    }

    fn tell_cleared(&mut self, index: usize, effects: &mut Vec<Effect>) {
        let text = self.alarm_text(index);
        self.write_alarm(index, AlarmAct::Cleared, &text, effects);
        if self.alarms[index].told {
            self.notify(index, NoticeKind::Cleared, text, effects);
        }
        self.alarms[index].begin();
        self.unsaved = true;
    }

    /// Whether a head may speak for a member: never for an urgent one, and for none more urgent than itself.
    fn speaks_for(&self, head: usize, member: usize) -> bool {
        let (of_head, of_member) = (self.plan.alarms[head].priority, self.plan.alarms[member].priority);
        of_member < Priority::Urgent && of_member <= of_head
    }

    /// The alarm that explains this one: told already, or in its delay and soon to be told.
    fn head_of(&self, index: usize) -> Option<usize> {
        let standing = |other: &usize| {
            let alarm = &self.alarms[*other];
            *other != index && alarm.told && alarm.state.is_active()
        };
        let first = |other: &usize| (Reverse(self.plan.alarms[*other].priority), self.alarms[*other].since, *other);
        let causes = self.links[index].causes.iter().copied();
        let silent = self.silent_with(index);
        let told = causes.clone().chain(silent).filter(standing).min_by_key(first);
        told.or_else(|| causes.filter(|other| self.is_soon_told(*other, index)).min_by_key(first))
    }

    /// Whether a cause is in its delay, will be told within a minute and may then speak for the other.
    fn is_soon_told(&self, cause: usize, member: usize) -> bool {
        let due = self.alarms[cause].due(&self.plan.alarms[cause]);
        due.is_some_and(|due| due <= self.now.steady.after(PATIENCE))
            && self.speaks_for(cause, member)
            && self.explained_by_start(cause).is_none()
            && self.explained_by_state(cause).is_none()
    }

    /// What fell silent together with this one, itself among them, in its delay or after it; nothing, where that are
    /// too few to be one fault.
    fn silent_with(&self, index: usize) -> Vec<usize> {
        let Some(since) = self.alarms[index].true_since.filter(|_| self.links[index].is_silence) else {
            return Vec::new();
        };
        let together = |other: &usize| {
            let alarm = &self.alarms[*other];
            let near = |its: Steady| its.since(since).max(since.since(its)) <= TOGETHER;
            self.links[*other].is_silence && !alarm.state.is_aside() && alarm.true_since.is_some_and(near)
        };
        let alarms: Vec<usize> = (0..self.alarms.len()).filter(together).collect();
        if self.things(&alarms) >= MANY { alarms } else { Vec::new() }
    }

    /// How many probes and plugs these alarms say are not heard.
    fn things(&self, alarms: &[usize]) -> usize {
        let mut things: Vec<Silent> = alarms.iter().flat_map(|alarm| &self.links[*alarm].silent).copied().collect();
        things.sort_unstable();
        things.dedup();
        things.len()
    }

    /// For whom an alarm speaks: what it explains, and what is silent with it.
    pub(super) fn group_of(&self, index: usize) -> Vec<usize> {
        let silent = self.silent_with(index);
        let of = |other: &usize| {
            let alarm = &self.alarms[*other];
            let mine = alarm.head == Some(index) && alarm.state.is_active();
            // In its delay, or raised in this very step and not heard yet.
            let new = alarm.on && alarm.state.is_active() && alarm.head.is_none();
            let coming = (new || alarm.due(&self.plan.alarms[*other]).is_some())
                && (self.links[*other].causes.contains(&index) || silent.contains(other));
            *other != index && !alarm.told && (mine || coming) && self.speaks_for(index, *other)
        };
        (0..self.alarms.len()).filter(of).collect()
    }

    /// That many things fell silent together, in words.
    fn together(&self, index: usize) -> Option<String> {
        let silent = self.silent_with(index);
        let first = silent.iter().filter_map(|other| self.alarms[*other].true_since).min()?;
        let since = self.plan.zone.time_of_day(self.now.wall_at(first));
        Some(format!("{} probes and plugs are silent since {since}: broker, gateway or power?", self.things(&silent)))
    }

    /// A member whose head is over speaks for itself, or finds another head.
    fn free_members(&mut self, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        for index in 0..self.alarms.len() {
            let alarm = &self.alarms[index];
            if alarm.told || !alarm.state.is_active() {
                continue;
            }
            // A head that a reload removed is over too.
            if let Some(head) = alarm.head {
                if self.alarms[head].told && self.alarms[head].state.is_active() {
                    continue;
                }
                if self.is_soon_told(head, index) {
                    if let Some(due) = self.alarms[head].due(&self.plan.alarms[head]) {
                        deadlines.ask(due, DeadlineKind::Alarm);
                    }
                    continue;
                }
            }
            self.alarms[index].text = self.alarm_text(index);
            self.unsaved = true;
            self.tell_raised(index, AlarmAct::Told, effects);
        }
    }

    /// A line of the journal about an alarm, its act first.
    pub(super) fn write_alarm(&self, index: usize, act: AlarmAct, text: &str, effects: &mut Vec<Effect>) {
        let name = self.plan.alarms[index].name.clone();
        self.journal(JournalKind::Alarm, &name, format!("{}: {text}", act.word()), effects);
    }
}

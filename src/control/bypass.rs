//! Bypasses: one interlock's forcing set aside for a time, by a person, for a reason.
//!
//! Duty: what a broken probe would keep off for ever may run while its replacement is on its way. The cause is looked
//! at and shown all the while; what it forces waits. A bypass ends by its expiry, by request, and never by a kill: then
//! its cause, if it stands, trips in the same step, for its delay has run meanwhile. A latch below it stays.
//! None exists for a float, a heater's cut-off or what a daemon adds by itself against fire and flood: a jug carries
//! water, and what cannot be seen must not heat. A bypass touches one interlock, never an output.

use crate::time::{Span, Steady, Wall};

use super::deadlines::Deadlines;
use super::effect::{Answer, DeadlineKind, Durability, Effect, JournalKind, Notice, NoticeKind};
use super::ids::InterlockId;
use super::plan::{AlarmSource, Condition, OutputKind};
use super::requests::{done, refused, unknown};
use super::status::BypassStatus;
use super::tank::Tank;
use crate::units::Quantity;

/// A bypass without a time. [choice]
const USUAL: Span = Span::from_hours(2);
/// The longest. [F74: 24 h]
const LONGEST: Span = Span::from_hours(24);
/// Told again this often. [F74: 4 h]
const REMIND_EVERY: Span = Span::from_hours(4);
/// A reason is a sentence, not a book.
const LONGEST_REASON: usize = 200;

/// An interlock that is set aside.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Bypass {
    pub by: String,
    pub reason: String,
    pub since: Wall,
    pub until: Steady,
    pub until_wall: Wall,
    remind_at: Steady,
}

/// What of a bypass survives a kill.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct BypassRecord {
    /// Who asked.
    pub by: String,
    /// Why.
    pub reason: String,
    /// Since when.
    pub since: Wall,
    /// The original expiry.
    pub until: Wall,
}

impl Bypass {
    pub fn record(&self) -> BypassRecord {
        let Self { by, reason, since, until_wall, .. } = self.clone();
        BypassRecord { by, reason, since, until: until_wall }
    }

    /// With its original expiry; a wall clock that was set back meanwhile does not lengthen it. `None`: it is over.
    pub fn restored(record: &BypassRecord, now: crate::time::Now) -> Option<Self> {
        let whole = record.until.since(record.since).min(LONGEST);
        let left = record.until.since(now.wall).min(whole);
        (left > Span::ZERO).then(|| Self {
            by: record.by.clone(),
            reason: record.reason.clone(),
            since: record.since,
            until: now.steady.after(left),
            until_wall: now.wall.after(left),
            remind_at: now.steady.after(REMIND_EVERY),
        })
    }
}

impl Tank {
    pub(super) fn ask_bypass(
        &mut self,
        by: &str,
        name: &str,
        reason: &str,
        lasting: Option<Span>,
        effects: &mut Vec<Effect>,
    ) -> Result<Answer, Answer> {
        let id = self.find_interlock(name)?;
        if let Some(why) = self.never_bypassed(id) {
            return Err(refused(format!("{name} is never bypassed"), vec![why.to_owned()]));
        }
        let reason = reason.trim();
        let letters = reason.chars().filter(|letter| letter.is_alphanumeric()).count();
        if letters < 3 {
            let fix = "say in words why, such as `the level probe is broken, a new one comes tomorrow`".to_owned();
            return Err(refused(format!("a bypass of {name} needs its reason"), vec![fix]));
        }
        let span = lasting.unwrap_or(USUAL);
        if span > LONGEST || span == Span::ZERO {
            let text = format!("at most {LONGEST}, and {span} was asked; it can be asked again when it ends");
            return Err(refused(format!("a bypass of {name} has to end"), vec![text]));
        }
        let (now, until) = (self.now, self.now.steady.after(span));
        let before = self.interlocks[id.index()].bypass.is_some();
        self.interlocks[id.index()].bypass = Some(Bypass {
            by: by.to_owned(),
            reason: reason.chars().take(LONGEST_REASON).collect(),
            since: now.wall,
            until,
            until_wall: now.wall.after(span),
            remind_at: now.steady.after(REMIND_EVERY),
        });
        effects.push(Effect::SaveState(Durability::AfterTheCommands));
        let verb = if before { "bypassed anew" } else { "bypassed" };
        self.journal(JournalKind::Bypass, name, format!("{verb} by {by} for {span}: {reason}"), effects);
        let ends = self.plan.zone.time_of_day(now.wall.after(span));
        let plan = &self.plan.interlocks[id.index()];
        let forces: Vec<_> = plan
            .effects
            .iter()
            .map(|(output, to)| format!("{} {}", self.plan.outputs[output.index()].name, to.word()))
            .collect();
        let details = vec![
            format!("what it would force meanwhile: {}", forces.join(", ")),
            format!("its cause is looked at all the while: {}", self.describe(plan.cause)),
        ];
        let caution = "Nothing takes its place. Stay near, and end it as soon as the cause is mended.".to_owned();
        let summary = format!("{name} is bypassed until {ends}, then it acts again by itself");
        Ok(Answer { details, caution: Some(caution), ..done(summary) })
    }

    pub(super) fn ask_end_bypass(&mut self, by: &str, name: &str, effects: &mut Vec<Effect>) -> Result<Answer, Answer> {
        let id = self.find_interlock(name)?;
        if self.interlocks[id.index()].bypass.take().is_none() {
            return Ok(done(format!("{name} is not bypassed")));
        }
        effects.push(Effect::SaveState(Durability::AfterTheCommands));
        self.journal(JournalKind::Bypass, name, format!("bypass ended by {by}; it acts again"), effects);
        Ok(done(format!("{name} is no longer bypassed")))
    }

    pub(super) fn find_interlock(&self, name: &str) -> Result<InterlockId, Answer> {
        let known = || unknown("interlock", name, self.plan.interlocks.iter().map(|interlock| &interlock.name));
        self.plan.interlock(name).ok_or_else(known)
    }

    /// Why an interlock has no bypass; `None`: it has.
    pub(super) fn never_bypassed(&self, id: InterlockId) -> Option<&'static str> {
        let plan = &self.plan.interlocks[id.index()];
        if plan.bypassable {
            return None;
        }
        let doses = plan.effects.iter().any(|(output, _)| self.plan.outputs[output.index()].kind == OutputKind::Doser);
        let (mut contact, mut hot, mut draws, mut top_off) = (false, false, false, false);
        self.plan.leaves(plan.cause, &mut |leaf| {
            let quantity = leaf.signal().map(|signal| self.plan.signals[signal.index()].quantity);
            contact |= quantity == Some(Quantity::Contact);
            hot |= quantity == Some(Quantity::Temperature);
            draws |= matches!(leaf, Condition::Draws { .. });
            top_off |= matches!(leaf, Condition::TopOff { .. });
        });
        Some(if contact {
            "a float is the last guard against a flood and a dry heater: mend it, and carry water by jug meanwhile"
        } else if hot {
            "a heater's cut-off is the last guard against cooking: put a good thermometer on it"
        } else if draws {
            "too much power is a hot plug or a stuck relay: pull the plug, and mend it"
        } else if top_off {
            "it is there because water went where it should not: look, carry water by jug, then reset it"
        } else if doses {
            "a dosing pump that runs on overdoses: pull its plug, and mend it"
        } else {
            "it keeps a heater from heating what does not move: mend the evidence"
        })
    }

    /// Ends those whose time is over and reminds of the others. Before the interlocks look at their causes.
    pub(super) fn follow_bypasses(&mut self, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        let now = self.now;
        for index in 0..self.interlocks.len() {
            let Some(bypass) = &mut self.interlocks[index].bypass else { continue };
            let name = self.plan.interlocks[index].name.clone();
            if bypass.until <= now.steady {
                self.interlocks[index].bypass = None;
                effects.push(Effect::SaveState(Durability::AfterTheCommands));
                let text = "bypass ended, its time is over; it acts again";
                self.journal(JournalKind::Bypass, &name, text, effects);
                continue;
            }
            deadlines.ask(bypass.until, DeadlineKind::Hold);
            if bypass.remind_at <= now.steady {
                while bypass.remind_at <= now.steady {
                    bypass.remind_at = bypass.remind_at.after(REMIND_EVERY);
                }
                let (since, next) = (bypass.since, bypass.remind_at);
                deadlines.ask(next, DeadlineKind::Hold);
                self.remind_of_bypass(index, since, effects);
            } else {
                deadlines.ask(bypass.remind_at, DeadlineKind::Hold);
            }
        }
    }

    fn remind_of_bypass(&mut self, index: usize, since: Wall, effects: &mut Vec<Effect>) {
        let name = self.plan.interlocks[index].name.clone();
        let text = self.bypass_words(index);
        self.journal(JournalKind::Bypass, &name, format!("reminder: {text}"), effects);
        let alarm = self.plan.alarms.iter().position(|alarm| alarm.source == AlarmSource::Bypassed);
        if let Some(alarm) = alarm {
            effects.push(Effect::Notify(Notice { since, ..self.notice(alarm, NoticeKind::Reminder, text) }));
        }
    }

    /// `floor-wet is bypassed until 14:05 by Ana: the probe is broken`.
    fn bypass_words(&self, index: usize) -> String {
        let name = &self.plan.interlocks[index].name;
        self.interlocks[index].bypass.as_ref().map_or_else(
            || format!("{name} is not bypassed"),
            |bypass| {
                let until = self.plan.zone.time_of_day(bypass.until_wall);
                format!("{name} is bypassed until {until} by {}: {}", bypass.by, bypass.reason)
            },
        )
    }

    /// Every bypass that stands, in words.
    pub(super) fn bypasses_words(&self) -> String {
        let stand = (0..self.interlocks.len()).filter(|index| self.interlocks[*index].bypass.is_some());
        let words: Vec<_> = stand.map(|index| self.bypass_words(index)).collect();
        if words.is_empty() { "nothing is bypassed".to_owned() } else { words.join("; ") }
    }

    pub(super) fn bypass_status(&self, index: usize) -> Option<BypassStatus> {
        let bypass = self.interlocks[index].bypass.as_ref()?;
        Some(BypassStatus {
            by: bypass.by.clone(),
            reason: bypass.reason.clone(),
            since: bypass.since,
            until: bypass.until_wall,
            cause_stands: self.interlocks[index].truth.is_true(),
        })
    }
}

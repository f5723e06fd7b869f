//! What of proofs survives a kill: results, the queue of a session, and what has to go back.
//!
//! A step that was going on when the daemon died is not gone on with: nothing of it was seen to its end. Its force is
//! dropped at the start, a probe that was in hand stays so until the step's original limit.

use std::collections::{BTreeMap, VecDeque};

use crate::time::{Span, Wall};

use super::super::ids::Name;
use super::super::tank::{Force, Tank};
use super::items::Item;
use super::undo::Undo;
use super::{LONGEST_STEP, ProofOutcome, Proving, SIGNED, Session, Stage};

/// Everything of proofs that survives.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct ProofsRecord {
    /// When this tank was first kept.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub first_seen: Option<Wall>,
    /// By what was proven, as in `heater boots`.
    pub proofs: BTreeMap<String, ProofRecord>,
    /// The session that goes on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub session: Option<SessionRecord>,
    /// What has to go back.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub undo: Vec<UndoRecord>,
}

/// The last results of one proof.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct ProofRecord {
    /// When it was last proven.
    pub proven: Option<Wall>,
    /// When it last failed, if it was not proven since.
    pub failed: Option<Wall>,
    /// Who did the last one.
    pub by: String,
    /// What was seen.
    pub text: String,
    /// What binding it was a proof of.
    #[serde(default)]
    pub mark: String,
}

/// A session's record.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct SessionRecord {
    /// Who does it.
    pub by: String,
    /// Since when.
    pub begun: Wall,
    /// What is still to be done, the first at hand.
    pub queue: Vec<String>,
    /// What was done.
    pub done: Vec<(String, ProofOutcome, String)>,
    /// A step was going on.
    pub broken_off: bool,
}

/// What a step changed and must go back.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct UndoRecord {
    /// The probe that was tested.
    pub probe: Option<Name>,
    /// It is in hand.
    pub in_hand: bool,
    /// Trips that may have latched by the test.
    pub interlocks: Vec<Name>,
    /// Who began it.
    pub by: String,
    /// The original limit.
    pub until: Wall,
}

/// Whether a force belongs to a proof's step.
pub(in crate::control) fn is_of_a_step(force: &Force) -> bool {
    force.by.starts_with(SIGNED)
}

impl Tank {
    pub(in crate::control) fn proofs_record(&self) -> ProofsRecord {
        let session = self.proving.session.as_ref().map(|session| SessionRecord {
            by: session.by.clone(),
            begun: session.begun,
            queue: session.queue.iter().map(|item| item.key(&self.plan)).collect(),
            done: session.done.clone(),
            broken_off: !matches!(session.stage, Stage::Ready),
        });
        let undo = self.proving.undo.iter().map(|undo| UndoRecord {
            probe: undo.probe.map(|probe| self.plan.probes[probe.index()].name.clone()),
            in_hand: undo.in_hand,
            interlocks: undo.interlocks.iter().map(|id| self.plan.interlocks[id.index()].name.clone()).collect(),
            by: undo.by.clone(),
            until: undo.until_wall,
        });
        ProofsRecord {
            first_seen: self.proving.first_seen,
            proofs: self.proving.proofs.clone(),
            session,
            undo: undo.collect(),
        }
    }

    /// After the forces were restored: those of a step are dropped.
    pub(in crate::control) fn restore_proofs(&mut self, record: &ProofsRecord) {
        let now = self.now;
        let all = Item::all(&self.plan);
        let item = |key: &String| all.iter().copied().find(|item| item.key(&self.plan) == *key);
        let session = record.session.as_ref().map(|session| Session {
            by: session.by.clone(),
            begun: session.begun,
            queue: session.queue.iter().filter_map(item).collect::<VecDeque<_>>(),
            done: session.done.clone(),
            stage: Stage::Ready,
            said: session.broken_off.then(|| "the step was broken off by a restart: do it again".to_owned()),
            acted: now.steady,
        });
        let session = session.filter(|session| !session.queue.is_empty());
        let mut undo = Vec::new();
        for one in &record.undo {
            // A wall clock that was set back meanwhile must not lengthen it.
            let left = one.until.since(now.wall).min(LONGEST_STEP);
            let probe = one.probe.as_ref().and_then(|name| self.plan.probe(name));
            if left == Span::ZERO {
                continue;
            }
            if let (Some(probe), true) = (probe, one.in_hand) {
                self.probes[probe.index()].take_in_hand(&self.plan.probes[probe.index()], now.steady);
            }
            undo.push(Undo {
                probe,
                in_hand: one.in_hand && probe.is_some(),
                base: None,
                interlocks: one.interlocks.iter().filter_map(|name| self.plan.interlock(name)).collect(),
                by: one.by.clone(),
                until: now.steady.after(left),
                until_wall: now.wall.after(left),
                step_over: true,
                broken_off: true,
            });
        }
        self.proving = Proving {
            first_seen: record.first_seen,
            proofs: record.proofs.clone(),
            session,
            undo,
            ..Proving::default()
        };
        self.drop_forces_of_steps();
    }

    /// No step goes on in which they would mean something.
    pub(in crate::control) fn drop_forces_of_steps(&mut self) {
        for force in &mut self.forces {
            if force.as_ref().is_some_and(is_of_a_step) {
                *force = None;
            }
        }
    }
}

//! Proof tests: a person does something to a probe or a plug, and the daemon sees what it should, or does not.
//!
//! ```text
//!   (none) ─begin─► ready ─ready─► watching ─seen─► (asking ─yes/no─►) recorded ─► ready for the next ─► (none)
//!                     ▲               │ limit over, skipped, stopped, broker lost, killed, reloaded
//!                     └───────────────┴─► what the step switched or took in hand goes back
//! ```
//! Duty: to judge by events. A person's word counts where nothing can be seen: which appliance moved, whether a message
//! reached a phone. Each result is dated and signed, and grows old; the first one of a binding is its commissioning.
//! Limits: what a step switches is an ordinary force, below trips, permissives and holds, with an end of its own. What a
//! step tripped and latched is reset after it, in the name of who began it, if no other cause was there meanwhile.

mod course;
pub(super) mod items;
mod judge;
mod record;
mod session;
mod show;
mod undo;

use std::collections::{BTreeMap, VecDeque};

use crate::time::{Span, Steady, Wall};

use super::ids::{InterlockId, OutputId};
use super::plan::Switch;
use items::Item;
use undo::Undo;

pub use items::Check;
pub use record::{ProofRecord, ProofsRecord, SessionRecord, UndoRecord};
pub use show::{ProofState, ProofStatus as OneProof, ProofsStatus, SessionStatus};

/// A session in which nobody does anything ends by itself. Nothing is switched while it waits. [choice]
const IDLE: Span = Span::from_minutes(60);
/// The longest step; what it changed goes back by then. [choice]
pub(super) const LONGEST_STEP: Span = Span::from_minutes(20);
/// How a force of a step is signed, and so told from a keeper's own.
const SIGNED: &str = "proof test";

/// Proofs so far, and the session that goes on.
#[derive(Clone, Debug, Default)]
pub(super) struct Proving {
    /// When this tank was first kept: what was never proven is due an interval later.
    first_seen: Option<Wall>,
    proofs: BTreeMap<String, ProofRecord>,
    session: Option<Session>,
    undo: Vec<Undo>,
    /// What is overdue, in words, and when the next one will be; worked out when something changes.
    overdue: Vec<String>,
    failed: Vec<String>,
    next_due: Option<Wall>,
    fresh: bool,
}

impl Proving {
    /// Whether every event matters now.
    pub fn watches(&self) -> bool {
        let watching = |session: &Session| matches!(session.stage, Stage::Watching(_));
        !self.undo.is_empty() || self.session.as_ref().is_some_and(watching)
    }

    /// Whether a person is asked to cut this output's power just now.
    pub fn cuts_power_of(&self, output: OutputId) -> bool {
        self.session.as_ref().is_some_and(|session| {
            let boots = session.queue.front() == Some(&Item::Boots(output));
            boots && !matches!(session.stage, Stage::Ready)
        })
    }
}

/// A run through the proofs that are due, or that were named.
#[derive(Clone, Debug)]
struct Session {
    by: String,
    begun: Wall,
    /// The first one is at hand.
    queue: VecDeque<Item>,
    done: Vec<(String, ProofOutcome, String)>,
    stage: Stage,
    /// What became of the last step, if it has to be done again.
    said: Option<String>,
    acted: Steady,
}

#[derive(Clone, Debug)]
enum Stage {
    /// The step is described, and nothing is changed for it.
    Ready,
    Watching(Box<Watch>),
    Asking(Question),
}

/// What came of a step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ProofOutcome {
    /// It does what it should.
    Proven,
    /// It does not.
    Failed,
    /// It was left out.
    Skipped,
}

impl ProofOutcome {
    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            Self::Proven => "proven",
            Self::Failed => "FAILED",
            Self::Skipped => "skipped",
        }
    }
}

/// What a step has seen so far.
#[derive(Clone, Debug)]
struct Watch {
    until: Steady,
    until_wall: Wall,
    phase: u8,
    phase_at: Steady,
    /// What each probe said when the step began, and how far it went from there.
    base: Vec<Option<f64>>,
    moved: Vec<f64>,
    /// Something else than what is tested answered, since then.
    other_since: Option<Steady>,
    /// The relay's report was not what it was told, since the phase began.
    differed: bool,
    /// The phase whose order was given: each is given once, and what ends it ends the step.
    ordered: Option<u8>,
    /// What it was when the step began, for what is switched to and fro.
    from: Switch,
    watts: Option<f64>,
    /// Trips that came with the step.
    trips: Vec<InterlockId>,
    seen: Vec<String>,
}

/// What only a person can say.
#[derive(Clone, Debug)]
struct Question {
    text: String,
    /// What stands in the messages that were sent, one a channel; typed in, it proves that it arrived.
    codes: Vec<u32>,
    tries: u8,
    seen: Vec<String>,
    watts: Option<(OutputId, f64)>,
}

/// What a look at a step says.
#[derive(Clone, Debug)]
enum Verdict {
    Going,
    Passed(String),
    Failed(String),
    Ask(Question),
    /// Nothing was shown, either way: it can be tried again.
    Undone(String),
}

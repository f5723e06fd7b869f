//! Proofs as facts and words: what is proven, when, by whom; what is due; what the step at hand wants.

use crate::time::Wall;

use super::super::deadlines::Deadlines;
use super::super::effect::{Answer, DeadlineKind};
use super::super::ids::OutputId;
use super::super::plan::{Condition, Switch};
use super::super::requests::done;
use super::super::tank::Tank;
use super::items::{self, Check, Item, far};
use super::{ProofOutcome, Session, Stage, Watch};

/// All proofs of a tank.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct ProofsStatus {
    /// Each, in the order in which a session goes.
    pub proofs: Vec<ProofStatus>,
    /// The session that goes on.
    pub session: Option<SessionStatus>,
    /// How many are overdue.
    pub overdue: usize,
    /// How many were never proven, or are void since their binding changed.
    pub never: usize,
    /// How many failed and were not proven since.
    pub failed: usize,
}

/// Where a proof stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ProofState {
    /// It counts.
    Proven,
    /// It is too old.
    Due,
    /// It was never done.
    Never,
    /// It was done for another binding.
    Void,
    /// It failed, and was not proven since.
    Failed,
}

/// One proof.
#[derive(Clone, Debug, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct ProofStatus {
    /// Of what.
    pub of: String,
    /// What is shown of it.
    pub check: Check,
    /// Where it stands.
    pub state: ProofState,
    /// When it was last proven.
    pub proven: Option<Wall>,
    /// When it failed since.
    pub failed: Option<Wall>,
    /// Who did the last one.
    pub by: Option<String>,
    /// When it is due.
    pub due: Option<Wall>,
    /// What was seen.
    pub text: Option<String>,
}

/// The session that goes on.
#[derive(Clone, Debug, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct SessionStatus {
    /// Who went on with it last.
    pub by: String,
    /// Since when.
    pub begun: Wall,
    /// What the step at hand is of.
    pub of: String,
    /// What it has to show.
    pub check: Check,
    /// `ready` (nothing is changed; say ready), `watching`, `asking` (say yes or no).
    pub stage: &'static str,
    /// What to do now, in words.
    pub instruction: String,
    /// How far it has come: 0 at its beginning.
    pub phase: u8,
    /// What was seen of it so far.
    pub seen: Vec<String>,
    /// What became of it before, if it has to be done again.
    pub said: Option<String>,
    /// Everything it changed is back by then.
    pub until: Option<Wall>,
    /// So many are left, this one among them.
    pub left: usize,
    /// What was done: of what, how it went, what was seen.
    pub done: Vec<(String, ProofOutcome, String)>,
}

impl Tank {
    pub(in crate::control) fn proofs_status(&self) -> ProofsStatus {
        let proofs: Vec<ProofStatus> = Item::all(&self.plan).into_iter().map(|item| self.proof_status(item)).collect();
        let count = |of: &[ProofState]| proofs.iter().filter(|proof| of.contains(&proof.state)).count();
        ProofsStatus {
            session: self.session_status(),
            overdue: self.proving.overdue.len(),
            never: count(&[ProofState::Never, ProofState::Void]),
            failed: count(&[ProofState::Failed]),
            proofs,
        }
    }

    fn proof_status(&self, item: Item) -> ProofStatus {
        let kept = self.proving.proofs.get(&item.key(&self.plan));
        let record = self.proof_of(item);
        let due = self.due_at(item);
        let over = due.is_some_and(|due| due <= self.now.wall);
        let state = match record {
            None if kept.is_some() => ProofState::Void,
            None => ProofState::Never,
            Some(record) if record.failed.is_some() => ProofState::Failed,
            Some(_) if over => ProofState::Due,
            Some(_) => ProofState::Proven,
        };
        ProofStatus {
            of: item.subject(&self.plan).to_owned(),
            check: item.check(),
            state,
            proven: kept.and_then(|record| record.proven),
            failed: kept.and_then(|record| record.failed),
            by: kept.map(|record| record.by.clone()),
            due,
            text: kept.map(|record| record.text.clone()),
        }
    }

    /// When a proof is due: its time after it was last proven, or after this tank was first kept.
    fn due_at(&self, item: Item) -> Option<Wall> {
        let proven = self.proof_of(item).and_then(|record| record.proven);
        proven.or(self.proving.first_seen).map(|from| from.after(item.lasts(&self.plan)))
    }

    /// What is overdue is worked out when a result came, or when the next one falls due.
    pub(super) fn follow_due(&mut self, deadlines: &mut Deadlines) {
        let wall = self.now.wall;
        if self.proving.first_seen.is_none() {
            self.proving.first_seen = Some(wall);
            self.unsaved = true;
        }
        let due = self.proving.next_due.is_some_and(|due| due <= wall);
        if !self.proving.fresh || due {
            let items = Item::all(&self.plan);
            let at = |item: &Item| self.due_at(*item);
            let over = |item: &&Item| at(item).is_some_and(|due| due <= wall);
            let failed = |item: &&Item| self.proof_of(**item).is_some_and(|record| record.failed.is_some());
            let name = |item: &Item| item.key(&self.plan);
            let overdue = items.iter().filter(over).map(name).collect();
            let failed = items.iter().filter(failed).map(name).collect();
            let next = items.iter().filter_map(at).filter(|due| *due > wall).min();
            (self.proving.overdue, self.proving.failed) = (overdue, failed);
            (self.proving.next_due, self.proving.fresh) = (next, true);
        }
        if let Some(next) = self.proving.next_due {
            deadlines.ask(self.now.steady.after(next.since(wall)), DeadlineKind::Hold);
        }
    }

    pub(in crate::control) fn proofs_are_due(&self) -> bool {
        !self.proving.overdue.is_empty()
    }

    pub(in crate::control) fn a_proof_failed(&self) -> bool {
        !self.proving.failed.is_empty()
    }

    pub(in crate::control) fn due_words(&self) -> String {
        listed(&self.proving.overdue, "every proof test is in its time", "proof tests are overdue: ")
    }

    pub(in crate::control) fn failed_words(&self) -> String {
        listed(&self.proving.failed, "no proof test has failed", "proof tests failed: ")
    }

    /// What was never proven of an output that can flood or burn, each in words.
    pub(in crate::control) fn untested(&self, output: OutputId) -> Vec<String> {
        let kind = self.plan.outputs[output.index()].kind;
        if !kind.can_harm() {
            return Vec::new();
        }
        let guards = |item: &Item| {
            match item {
            Item::Switches(of) | Item::Boots(of) => *of == output,
            Item::CutsOff(id) => self.plan.interlocks[id.index()].effects.contains(&(output, Switch::Off)),
            Item::WetAndDry(probe) => self.plan.interlocks.iter().any(|interlock| {
                let mut asks = false;
                self.plan.leaves(interlock.cause, &mut |leaf| {
                    asks |= matches!(leaf, Condition::Contact { signal, .. } if self.plan.signals[signal.index()].probes.contains(probe));
                });
                asks && interlock.effects.contains(&(output, Switch::Off))
            }),
            _ => false,
        }
        };
        let never = |item: &Item| self.proof_of(*item).is_none_or(|record| record.proven.is_none());
        let items = Item::all(&self.plan).into_iter();
        items.filter(guards).filter(never).map(|item| item.key(&self.plan)).collect()
    }

    fn session_status(&self) -> Option<SessionStatus> {
        let session = self.proving.session.as_ref()?;
        let item = session.queue.front().copied()?;
        let (stage, seen, until, phase) = match &session.stage {
            Stage::Ready => ("ready", Vec::new(), None, 0),
            Stage::Watching(watch) => ("watching", watch.seen.clone(), Some(watch.until_wall), watch.phase),
            Stage::Asking(question) => ("asking", question.seen.clone(), None, 0),
        };
        Some(SessionStatus {
            by: session.by.clone(),
            begun: session.begun,
            of: item.subject(&self.plan).to_owned(),
            check: item.check(),
            stage,
            instruction: self.instruction(item, session),
            phase,
            seen,
            said: session.said.clone(),
            until,
            left: session.queue.len(),
            done: session.done.clone(),
        })
    }

    /// An answer with what to do next.
    pub(super) fn session_answer(&self, summary: &str) -> Answer {
        let Some(status) = self.session_status() else {
            return done(format!("{summary}; that was the last one"));
        };
        let last = status.done.last().map(|(key, outcome, text)| format!("{key}: {}: {text}", outcome.word()));
        let now = format!("{} {} ({} left): {}", status.of, status.check.word(), status.left, status.instruction);
        let say = match status.stage {
            "ready" => "say `prove ready` when you begin, `prove skip` or `prove stop`",
            "asking" => "say `prove yes` or `prove no`",
            _ => "the daemon is looking; `prove no` says that you did it and nothing came, `prove skip` leaves it out",
        };
        let details = last.into_iter().chain(status.said).chain([now, say.to_owned()]).collect();
        Answer { details, ..done(summary) }
    }

    /// What a person is to do now.
    fn instruction(&self, item: Item, session: &Session) -> String {
        match &session.stage {
            Stage::Ready => self.first_instruction(item),
            Stage::Watching(watch) => self.next_instruction(item, watch),
            Stage::Asking(question) => question.text.clone(),
        }
    }

    fn first_instruction(&self, item: Item) -> String {
        let name = item.subject(&self.plan);
        match item {
            Item::Moves(probe) => {
                let plan = &self.plan.probes[probe.index()];
                let far = super::super::conditions::amount(plan.quantity.difference(), far(plan));
                let how = match plan.quantity {
                    crate::units::Quantity::Temperature => "warm it in your hand or in a cup of warm water",
                    crate::units::Quantity::Level => "lift it or press it down",
                    crate::units::Quantity::Flow => "pinch its hose",
                    _ => "put it in a cup of something else",
                };
                format!("{how}: only {name}, by more than {far}; then put it back")
            }
            Item::Switches(_) => format!("stand where you see {name}: it is switched to and fro once"),
            Item::Boots(output) => {
                let state = self.before_its_cut(output).word();
                format!("stand at the plug of {name}: it is made {state}, then you cut the power of the plug for 30 s")
            }
            Item::WetAndDry(probe) => match self.fresh_value(probe) {
                Some(value) if value > 0.5 => format!("lift {name} out of the water until told, then put it back"),
                _ => format!("lift the float of {name}, or wet it, until told; then let it be dry again"),
            },
            Item::FallsSilent(_) => format!("unplug {name} until told, then plug it in again"),
            Item::CutsOff(id) => self.cut_off_words(id, "the heater is made to heat first; have ready"),
            Item::Arrives => {
                "have the phone at hand on which alarms arrive: a test message with a code is sent".to_owned()
            }
        }
    }

    fn cut_off_words(&self, id: super::super::ids::InterlockId, begin: &str) -> String {
        let Some(cut_off) = items::cut_off(&self.plan, id) else { return String::new() };
        let probes: Vec<_> = self.plan.signals[cut_off.signal.index()]
            .probes
            .iter()
            .map(|probe| self.plan.probes[probe.index()].name.to_string())
            .collect();
        let limit = super::super::conditions::amount(crate::units::Quantity::Temperature, cut_off.limit + 1.0);
        format!("{begin} a cup of water of about {limit}, and put {} into it", probes.join(" or "))
    }

    fn next_instruction(&self, item: Item, watch: &Watch) -> String {
        let name = item.subject(&self.plan);
        match (item, watch.phase) {
            (Item::Moves(_) | Item::FallsSilent(_) | Item::WetAndDry(_), 0) => self.first_instruction(item),
            (Item::WetAndDry(_) | Item::FallsSilent(_), 1) => "leave it so: what it guards has to act".to_owned(),
            (Item::Moves(_) | Item::WetAndDry(_), _) => format!("seen; put {name} back as it was"),
            (Item::FallsSilent(_), _) => format!("seen; plug {name} in again"),
            (Item::Switches(_), _) => format!("look at {name}"),
            (Item::Boots(_) | Item::CutsOff(_), 0) => "wait".to_owned(),
            (Item::Boots(_), _) => format!("cut the power of the plug of {name} now, wait 30 s, give it back"),
            (Item::CutsOff(id), 1) => self.cut_off_words(id, "now: take"),
            (Item::CutsOff(_), 2) => "leave it in the cup: the heater has to go off".to_owned(),
            (Item::CutsOff(_), _) => "seen; put the probe back into the tank".to_owned(),
            (Item::Arrives, _) => String::new(),
        }
    }
}

/// The first few of a list, and how many more.
fn listed(names: &[String], none: &str, some: &str) -> String {
    const SHOWN: usize = 4;
    if names.is_empty() {
        return none.to_owned();
    }
    let more = if names.len() > SHOWN { format!(" and {} more", names.len() - SHOWN) } else { String::new() };
    format!("{some}{}{more}", names[..names.len().min(SHOWN)].join(", "))
}

//! What a tank's conditions may speak of: its signals, outputs and holds, and the arena they grow in.

use std::cell::RefCell;

use crate::control::ids::{ConditionId, Name, OutputId, SignalId};
use crate::control::plan::{Condition, Doubtful, Fitted, OutputKind, Side};
use crate::time::Span;
use crate::units::Quantity;

use super::kinds::Measures;

/// A signal by what a condition needs to know of it.
#[derive(Clone, Debug)]
pub(super) struct KnownSignal {
    pub(super) name: Name,
    /// `None`: its probes were wrong, and that is reported already.
    pub(super) measures: Option<Measures>,
    pub(super) probes: usize,
    /// What its probes can say.
    pub(super) range: (f64, f64),
}

impl AsRef<str> for KnownSignal {
    fn as_ref(&self) -> &str {
        &self.name
    }
}

/// An output by what a condition needs to know of it.
#[derive(Clone, Debug)]
pub(super) struct KnownOutput {
    pub(super) name: Name,
    pub(super) kind: OutputKind,
    pub(super) report: Fitted,
    pub(super) meter: Fitted,
    /// `false`: its kind could not be read, and that is reported already.
    pub(super) kind_is_known: bool,
}

impl AsRef<str> for KnownOutput {
    fn as_ref(&self) -> &str {
        &self.name
    }
}

/// What the level means.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct LevelLimits {
    pub(super) signal: SignalId,
    pub(super) return_needs: Option<f64>,
    pub(super) heater_needs: Option<f64>,
    pub(super) drain_back_under: Option<f64>,
}

/// What the flow means.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct FlowLimit {
    pub(super) signal: SignalId,
    pub(super) proven_over: f64,
}

/// A tank's names and its arena of conditions.
#[derive(Debug, Default)]
pub(super) struct Scope {
    pub(super) signals: Vec<KnownSignal>,
    pub(super) outputs: Vec<KnownOutput>,
    pub(super) holds: Vec<HoldName>,
    pub(super) level: Option<LevelLimits>,
    pub(super) flow: Option<FlowLimit>,
    arena: RefCell<Vec<Condition>>,
}

/// A hold's name.
#[derive(Clone, Debug)]
pub(super) struct HoldName(pub(super) Name);

impl AsRef<str> for HoldName {
    fn as_ref(&self) -> &str {
        &self.0
    }
}

/// More conditions than this in one tank are refused, well inside what an index can hold.
pub(super) const MOST_CONDITIONS: usize = 60_000;

impl Scope {
    pub(super) fn new(signals: Vec<KnownSignal>, outputs: Vec<KnownOutput>, holds: Vec<HoldName>) -> Self {
        Self { signals, outputs, holds, ..Self::default() }
    }

    /// Appends a condition. Beyond the greatest number nothing is added and the tank is refused later.
    pub(super) fn add(&self, condition: Condition) -> ConditionId {
        let mut arena = self.arena.borrow_mut();
        if arena.len() <= MOST_CONDITIONS {
            arena.push(condition);
        }
        ConditionId::new(arena.len() - 1)
    }

    pub(super) fn is_overfull(&self) -> bool {
        self.arena.borrow().len() > MOST_CONDITIONS
    }

    pub(super) fn take_arena(&self) -> Vec<Condition> {
        let mut arena = self.arena.take();
        arena.shrink_to_fit();
        arena
    }

    /// Runs `visit` on a condition and on everything below it.
    pub(super) fn walk(&self, id: ConditionId, visit: &mut dyn FnMut(&Condition)) {
        walk(&self.arena.borrow(), id, visit);
    }

    /// Runs `visit` on what makes a condition true by itself, with the time for which it must last: through
    /// `any` and `lasting`, but not through `all` and `not`, where something else is asked too.
    pub(super) fn alone(&self, id: ConditionId, visit: &mut dyn FnMut(&Condition, Span)) {
        alone(&self.arena.borrow(), id, Span::ZERO, visit);
    }

    /// Signals of a kind.
    pub(super) fn measuring(&self, measures: Measures) -> impl Iterator<Item = SignalId> + '_ {
        let fits = move |signal: &KnownSignal| signal.measures == Some(measures);
        self.signals.iter().enumerate().filter(move |(_, signal)| fits(signal)).map(|(at, _)| SignalId::new(at))
    }

    /// Outputs of a kind.
    pub(super) fn of_kind(&self, kind: OutputKind) -> impl Iterator<Item = OutputId> + '_ {
        self.outputs.iter().enumerate().filter(move |(_, output)| output.kind == kind).map(|(at, _)| OutputId::new(at))
    }

    pub(super) fn quantity(&self, signal: SignalId) -> Option<Quantity> {
        self.signals[signal.index()].measures.map(Measures::quantity)
    }

    pub(super) fn all(&self, mut of: Vec<ConditionId>) -> ConditionId {
        if of.len() == 1 { of.remove(0) } else { self.add(Condition::All(of)) }
    }

    pub(super) fn any(&self, mut of: Vec<ConditionId>) -> ConditionId {
        if of.len() == 1 { of.remove(0) } else { self.add(Condition::Any(of)) }
    }

    pub(super) fn not(&self, of: ConditionId) -> ConditionId {
        self.add(Condition::Not(of))
    }

    pub(super) fn known(&self, signal: SignalId) -> ConditionId {
        self.add(Condition::Known { signal, doubtful: Doubtful::IsUnknown })
    }
}

/// Runs `visit` on a condition and on everything below it.
pub(super) fn walk(arena: &[Condition], id: ConditionId, visit: &mut dyn FnMut(&Condition)) {
    let Some(condition) = arena.get(id.index()) else { return };
    visit(condition);
    match condition {
        Condition::All(of) | Condition::Any(of) | Condition::Agree(of) => {
            for inner in of {
                walk(arena, *inner, visit);
            }
        }
        Condition::Not(inner) | Condition::Lasting { inner, .. } => walk(arena, *inner, visit),
        _ => {}
    }
}

fn alone(arena: &[Condition], id: ConditionId, lasting: Span, visit: &mut dyn FnMut(&Condition, Span)) {
    match arena.get(id.index()) {
        Some(Condition::Any(of)) => of.iter().for_each(|inner| alone(arena, *inner, lasting, visit)),
        Some(Condition::Lasting { inner, span, .. }) => alone(arena, *inner, lasting.plus(*span), visit),
        Some(condition) => visit(condition, lasting),
        None => {}
    }
}

/// Whether a condition asks for this signal being above (or below) a limit, and where.
pub(super) fn compared(condition: &Condition) -> Option<(SignalId, Side, f64)> {
    match condition {
        Condition::Compare { signal, side, limit, .. } => Some((*signal, *side, *limit)),
        _ => None,
    }
}

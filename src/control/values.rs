//! What a signal says now, cheaply: for those who write readings down. Nothing decides by it.

use crate::time::Steady;

use super::ids::{ProbeId, SignalId};
use super::tank::Tank;

impl Tank {
    /// A signal's voted value, if it may be used, and when its newest sample came.
    pub fn value_of(&self, signal: SignalId) -> Option<(f64, Steady)> {
        let vote = self.signals.get(signal.index())?.vote;
        let usable = vote.quality.is_usable() && vote.value.is_finite();
        vote.sampled_at.filter(|_| usable).map(|at| (vote.value, at))
    }

    /// The signals that a probe votes in.
    pub fn signals_of(&self, probe: ProbeId) -> impl Iterator<Item = SignalId> + '_ {
        let votes = move |(_, plan): &(usize, &super::plan::SignalPlan)| plan.probes.contains(&probe);
        self.plan.signals.iter().enumerate().filter(votes).map(|(index, _)| SignalId::new(index))
    }
}

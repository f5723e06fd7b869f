//! From a tank's setup to what the simulator wants to know of it.

use crate::config::TankSetup;
use crate::control::ids::SignalId;
use crate::sim::{Facts, Model};

/// What a tank file says that the simulator wants to know.
pub fn model(tank: &TankSetup) -> Model<'_> {
    let probes = |signals: &[SignalId]| {
        signals.iter().flat_map(|signal| tank.plan.signals[signal.index()].probes.clone()).collect()
    };
    let facts = Facts {
        sump: tank.facts.sump,
        reservoir: tank.facts.reservoirs.first().map(|(_, volume)| *volume),
        delivers: tank.facts.delivers.clone(),
        high_floats: probes(&tank.facts.high_floats),
        low_floats: probes(&tank.facts.low_floats),
        leaks: probes(&tank.facts.leaks),
        isolators: tank.facts.isolators.clone(),
    };
    Model { plan: &tank.plan, bindings: &tank.bindings, facts }
}

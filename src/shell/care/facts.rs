//! What control knows, as care asks for it.

use crate::care::{OutputFact, SignalFact, TankFacts};
use crate::control::prove::ProofState;
use crate::control::status::TankStatus;
use crate::shell::desk::answer::AT_MOST_STATUSES;
use crate::shell::job::Job;

use super::Keeper;

impl Keeper {
    /// A tank and those that share a supply with it.
    pub(super) fn with_its_neighbours(&self, tank: &str) -> Vec<String> {
        let mut tanks = vec![tank.to_owned()];
        for supply in &self.plans.shared {
            tanks.extend(self.plans.tanks.keys().filter(|of| supply.outputs_of(of).next().is_some()).cloned());
        }
        tanks.sort();
        tanks.dedup();
        tanks
    }

    /// Looks at one tank, and at those that share a supply with it.
    pub(super) fn look_at(&mut self, tank: &str) {
        for tank in self.with_its_neighbours(tank) {
            let status = self.control(|reply| Job::Status { tank: tank.clone(), reply }).flatten();
            match status {
                Some(status) => drop(self.facts.tanks.insert(tank, facts(&status))),
                None => drop(self.facts.tanks.remove(&tank)),
            }
        }
    }

    /// Looks at all tanks, a few at a time.
    pub(super) fn look_at_all(&mut self) {
        let mut from = 0;
        loop {
            let Some(some) = self.control(|reply| Job::Statuses { from, count: AT_MOST_STATUSES, reply }) else {
                return;
            };
            let count = some.len();
            from += count;
            self.facts.tanks.extend(some.iter().map(|(status, _)| (status.tank.to_string(), facts(status))));
            if count < AT_MOST_STATUSES {
                return;
            }
        }
    }
}

fn facts(status: &TankStatus) -> TankFacts {
    let litres = |name: &str| {
        let dosed = status.dosing.iter().find(|pump| &*pump.output == name).map(|pump| pump.total_ml / 1000.0);
        let topped = status.top_offs.iter().find(|pump| &*pump.output == name).map(|pump| pump.total_litres);
        dosed.or(topped)
    };
    let outputs = status.outputs.iter().map(|output| {
        let pump = status.dosing.iter().find(|pump| pump.output == output.output);
        let container = pump.map(|pump| pump.container_size_ml / 1000.0);
        let fact = OutputFact { seconds: output.on_seconds, litres: litres(&output.output), container };
        (output.output.to_string(), fact)
    });
    let signals = status.signals.iter().map(|signal| SignalFact {
        name: signal.signal.to_string(),
        measures: signal.measures,
        value: signal.value.filter(|_| signal.quality.is_usable()),
        text: signal.text.clone(),
    });
    let standing = status.alarms.iter().filter(|alarm| alarm.active);
    let tripped = status.interlocks.iter().filter(|interlock| matches!(interlock.state, "tripped" | "latched"));
    let safeguards = status.proofs.proofs.iter().filter(|proof| proof.check.is_of_a_safeguard());
    let tests = safeguards.map(|proof| {
        let counts = matches!(proof.state, ProofState::Proven | ProofState::Due);
        (format!("{} {}", proof.of, proof.check.word()), proof.proven.filter(|_| counts))
    });
    TankFacts {
        outputs: outputs.collect(),
        signals: signals.collect(),
        alarms: standing.map(|alarm| format!("alarm {}: {}", alarm.alarm, alarm.text)).collect(),
        trips: tripped.map(|interlock| format!("interlock {} is {}", interlock.interlock, interlock.state)).collect(),
        proof_tests: tests.collect(),
    }
}

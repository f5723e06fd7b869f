//! The care of probes: what a person has in hand says nothing of the tank.
//!
//! Duty: to begin such a hold for a probe, or for all probes of a signal; more may join it. Nothing is
//! paused for it: what needs a reading that nobody has left turns off by its own interlock. After the release
//! each probe has to be back where it was (`probe`), or a person acknowledges that it may be believed.

use super::effect::{Answer, Durability, Effect, JournalKind};
use super::ids::{HoldId, ProbeId};
use super::requests::unknown;
use super::tank::Tank;

impl Tank {
    /// The probes that a request for a hold means; none where the hold is not of that kind.
    pub(super) fn probes_to_care_for(&self, hold: HoldId, asked: Option<&str>) -> Result<Vec<ProbeId>, Answer> {
        let plan = &self.plan.holds[hold.index()];
        let stands = self.holds[hold.index()].active.is_some();
        let Some(name) = asked else {
            return if plan.cares_for_probes && !stands { Err(self.no_probe("", &plan.name)) } else { Ok(Vec::new()) };
        };
        if !plan.cares_for_probes {
            let summary = format!("hold {} takes no probe, and `{name}` stands behind it", plan.name);
            return Err(super::requests::refused(summary, vec![format!("ask for it as `hold {}`", plan.name)]));
        }
        let signal = self.plan.signals.iter().find(|signal| &*signal.name == name);
        let of_signal = signal.map(|signal| signal.probes.clone());
        self.plan.probe(name).map(|probe| vec![probe]).or(of_signal).ok_or_else(|| self.no_probe(name, &plan.name))
    }

    fn no_probe(&self, name: &str, hold: &str) -> Answer {
        let probes = self.plan.probes.iter().map(|probe| &probe.name);
        let answer = unknown("probe", name, probes);
        if !name.is_empty() {
            return answer;
        }
        Answer {
            summary: format!("hold {hold} wants the probe that you take in hand, as in `hold {hold} PROBE`"),
            ..answer
        }
    }

    /// Takes probes in hand, in a hold that stands.
    pub(super) fn take_probes_in_hand(&mut self, hold: HoldId, probes: &[ProbeId], effects: &mut Vec<Effect>) {
        let now = self.now.steady;
        let Some(active) = &mut self.holds[hold.index()].active else { return };
        let new: Vec<ProbeId> = probes.iter().copied().filter(|probe| !active.probes.contains(probe)).collect();
        if new.is_empty() {
            return;
        }
        active.probes.extend(&new);
        for probe in &new {
            self.probes[probe.index()].take_in_hand(&self.plan.probes[probe.index()], now);
        }
        let names = self.names_of(&new);
        let name = self.plan.holds[hold.index()].name.clone();
        effects.push(Effect::SaveState(Durability::Soon));
        self.journal(JournalKind::Hold, &name, format!("{names}: in hand, counts for nothing"), effects);
    }

    /// The probes that a hold has in hand, each in words.
    pub(super) fn care_sentences(&self, hold: HoldId) -> Vec<String> {
        let active = self.holds[hold.index()].active.iter();
        let probes = active.flat_map(|active| &active.probes);
        probes
            .map(|probe| {
                format!("{}: in hand, counts for nothing until the release", self.plan.probes[probe.index()].name)
            })
            .collect()
    }

    fn names_of(&self, probes: &[ProbeId]) -> String {
        let names: Vec<&str> = probes.iter().map(|probe| &*self.plan.probes[probe.index()].name).collect();
        names.join(", ")
    }
}

//! Families of proof tests: where each stands, when it last succeeded, when it is due.
//!
//! An age is for the monitoring stack to work out (`time() - ..._last_success_timestamp_seconds`): a number that only
//! time changes is no fact. Labels: `of` is the probe, output or interlock, `check` is what is shown of it.

use crate::control::prove::ProofState;
use crate::control::status::TankStatus;

use super::{Family, Samples, gauge, moment, yes};

const PROOF: &[&str] = &["tank", "of", "check"];

pub(super) const FAMILIES: &[Family] = &[
    gauge("slackwater_proof_test_failed", "1 if the proof test failed and was not proven since.", PROOF, |tank, to| {
        for proof in &tank.proofs.proofs {
            to.put(&[&tank.tank, &proof.of, proof.check.word()], yes(proof.state == ProofState::Failed));
        }
    }),
    gauge(
        "slackwater_proof_test_last_success_timestamp_seconds",
        "Unix time of the last proof of this binding; 0 if there is none, or if the binding is another one now.",
        PROOF,
        |tank, to| {
            for proof in &tank.proofs.proofs {
                let counts = proof.proven.filter(|_| proof.state != ProofState::Void);
                to.put(&[&tank.tank, &proof.of, proof.check.word()], moment(counts));
            }
        },
    ),
    gauge(
        "slackwater_proof_test_due_timestamp_seconds",
        "Unix time when the proof test is due again, or for the first time.",
        PROOF,
        |tank, to| {
            for proof in &tank.proofs.proofs {
                to.put(&[&tank.tank, &proof.of, proof.check.word()], moment(proof.due));
            }
        },
    ),
    gauge(
        "slackwater_output_untested",
        "How many proofs an output that can flood or burn still lacks for its commissioning.",
        &["tank", "output"],
        untested,
    ),
];

fn untested(tank: &TankStatus, to: &mut Samples) {
    for output in tank.outputs.iter().filter(|output| output.kind.can_harm()) {
        to.put(&[&tank.tank, &output.output], output.untested.len() as f64);
    }
}

//! How long proof tests count, and what they are proofs of.
//!
//! ```yaml
//! proofs: { safeguards: 35 d, bindings: 365 d }
//! ```
//! A proof is of a binding: where a probe speaks and how, where a plug is commanded and reports. The core knows no topic,
//! so each binding gets a mark here, and another mark voids what was proven of the old one.

use crate::control::plan::{ChannelPlan, ProofPlan};
use crate::time::Span;
use crate::wire::binding::{Pointer, ProbeForm};

use super::channel::ChannelSettings;
use super::output::Output;
use super::probe::Probe;
use super::read::Item;

/// Shorter is no habit that anybody keeps, longer is none.
const LEAST: Span = Span::from_hours(24);
const GREATEST: Span = Span::from_hours(2 * 365 * 24);

/// Reads the section.
pub(super) fn proofs(item: Option<&Item>, probes: &[Probe], outputs: &[Output]) -> ProofPlan {
    let usual = ProofPlan {
        probe_marks: probes.iter().map(probe_mark).collect(),
        output_marks: outputs.iter().map(output_mark).collect(),
        ..ProofPlan::default()
    };
    let Some(fields) = item.and_then(|item| item.fields(&["safeguards", "bindings"])) else { return usual };
    ProofPlan {
        safeguards: fields.span_or("safeguards", LEAST, GREATEST, usual.safeguards),
        bindings: fields.span_or("bindings", LEAST, GREATEST, usual.bindings),
        ..usual
    }
}

/// FNV-1a, 64 bit: no secret, only the same for the same words, in every version of this program.
/// (G. Fowler, L. C. Noll, K.-P. Vo, D. Eastlake: The FNV Non-Cryptographic Hash Algorithm, Internet-Draft; from memory)
fn mark(words: &[&str]) -> String {
    let bytes = words.iter().flat_map(|word| word.bytes().chain([0]));
    let hash =
        bytes.fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x100_0000_01b3));
    format!("{hash:016x}")
}

/// The ways of alarms, for every tank.
pub(super) fn channels(settings: &[ChannelSettings]) -> Vec<ChannelPlan> {
    let plan = |channel: &ChannelSettings| {
        let by = channel.by.word();
        ChannelPlan { name: channel.name.clone(), by, mark: mark(&[&channel.name, by, &channel.by.place()]) }
    };
    settings.iter().map(plan).collect()
}

fn pointer(pointer: Option<&Pointer>) -> String {
    pointer.map_or_else(String::new, |pointer| format!("/{}", pointer.0.join("/")))
}

fn probe_mark(probe: &Probe) -> String {
    let binding = &probe.binding;
    let form = match &binding.form {
        ProbeForm::Number(unit) => unit.symbol.to_owned(),
        ProbeForm::Contact { wet, dry } => format!("{} {}", wet.join(" "), dry.join(" ")),
    };
    mark(&[&binding.topic, &pointer(binding.pointer.as_ref()), &form])
}

fn output_mark(output: &Output) -> String {
    let binding = &output.binding;
    let report = binding.report.as_ref().map(|report| (report.topic.clone(), pointer(report.pointer.as_ref())));
    let meter = binding.meter.as_ref().map(|meter| (meter.topic.clone(), pointer(meter.pointer.as_ref())));
    let (report, meter) = (report.unwrap_or_default(), meter.unwrap_or_default());
    let command = &binding.command;
    mark(&[&command.topic, &command.on, &command.off, &report.0, &report.1, &meter.0, &meter.1])
}

#[cfg(test)]
mod tests {
    use super::mark;

    #[test]
    fn a_mark_is_of_its_words_and_of_where_they_end() {
        assert_eq!(mark(&["lagoon/sump/temp", "", "°C"]), mark(&["lagoon/sump/temp", "", "°C"]));
        assert_ne!(mark(&["lagoon/sump/temp", "", "°C"]), mark(&["lagoon/sump/tem", "p", "°C"]));
        // The offset basis, by the definition.
        assert_eq!(mark(&[]), "cbf29ce484222325");
    }
}

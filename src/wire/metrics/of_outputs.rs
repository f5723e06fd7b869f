//! Families of outputs: wished, decided, commanded, proven.

use crate::control::Layer;
use crate::control::event::Alive;
use crate::control::status::{OutputStatus, ProofStatus, TankStatus};

use super::{Family, Samples, counter, gauge, histogram, level, moment, yes};

const OUTPUT: &[&str] = &["tank", "output"];

pub(super) const FAMILIES: &[Family] = &[
    gauge(
        "slackwater_output_info",
        "A configured output and its kind; always 1.",
        &["tank", "output", "kind"],
        |tank, to| {
            for output in &tank.outputs {
                to.put(&[&tank.tank, &output.output, output.kind.word()], 1.0);
            }
        },
    ),
    gauge(
        "slackwater_output_wished",
        "Level that loops, rules and schedules wish for (0 off, 1 on).",
        OUTPUT,
        |tank, to| each(tank, to, |output| Some(level(output.wished))),
    ),
    gauge("slackwater_output_decided", "Level that the arbiter decided (0 off, 1 on).", OUTPUT, |tank, to| {
        each(tank, to, |output| Some(level(output.decided)));
    }),
    gauge(
        "slackwater_output_commanded",
        "Level last commanded; absent before the first command.",
        OUTPUT,
        |tank, to| each(tank, to, |output| output.commanded.map(level)),
    ),
    gauge(
        "slackwater_output_proven",
        "Level that the plug reports; absent until the first report and while the plug is not alive.",
        OUTPUT,
        |tank, to| each(tank, to, |output| output.reported.filter(|_| output.alive != Some(Alive::No)).map(level)),
    ),
    gauge(
        "slackwater_output_online",
        "1 if the plug says that it is alive, 0 if it is gone; absent where it does not say.",
        OUTPUT,
        |tank, to| each(tank, to, |output| output.alive.map(|alive| yes(alive == Alive::Yes))),
    ),
    gauge(
        "slackwater_output_mismatch",
        "1 if the last command was not proven in the time allowed, 0 otherwise.",
        OUTPUT,
        |tank, to| each(tank, to, |output| Some(yes(output.proof == ProofStatus::NotProven))),
    ),
    gauge(
        "slackwater_output_provable",
        "1 if the plug reports its state, 0 if nobody can say what it does.",
        OUTPUT,
        |tank, to| each(tank, to, |output| Some(yes(output.proof != ProofStatus::CannotBeProven))),
    ),
    gauge(
        "slackwater_output_last_proven_timestamp_seconds",
        "Unix time of the last state report; 0 if none.",
        OUTPUT,
        |tank, to| each(tank, to, |output| Some(moment(output.reported_at))),
    ),
    gauge(
        "slackwater_output_decided_by",
        "State set of the layer that decides the output.",
        &["tank", "output", "layer"],
        |tank, to| {
            for output in &tank.outputs {
                to.state_set(&[&tank.tank, &output.output], &Layer::WORDS, Some(output.layer));
            }
        },
    ),
    gauge(
        "slackwater_output_force_expiry_timestamp_seconds",
        "Unix time at which a force ends; 0 if the output is not forced.",
        OUTPUT,
        |tank, to| each(tank, to, |output| Some(moment(output.force.as_ref().map(|force| force.until)))),
    ),
    counter(
        "slackwater_output_switches_total",
        "Commanded changes by cause, the layer that decided.",
        &["tank", "output", "cause"],
        |tank, to| {
            for output in &tank.outputs {
                for (cause, count) in Layer::WORDS.iter().zip(output.switches_by) {
                    to.put(&[&tank.tank, &output.output, cause], count as f64);
                }
            }
        },
    ),
    histogram(
        "slackwater_command_proof_duration_seconds",
        "Time from a command to the report that proves it; absent where the plug reports nothing.",
        OUTPUT,
        |tank, to| {
            for output in tank.outputs.iter().filter(|output| output.proof != ProofStatus::CannotBeProven) {
                let times = &output.proof_times;
                to.put_steps(&[&tank.tank, &output.output], times.steps(), times.sums());
            }
        },
    ),
    counter(
        "slackwater_output_on_seconds_total",
        "Seconds that the output was on (reported where the plug reports, else commanded).",
        OUTPUT,
        |tank, to| each(tank, to, |output| Some(output.on_seconds)),
    ),
    counter(
        "slackwater_output_command_failures_total",
        "Commands that were not proven in time.",
        OUTPUT,
        |tank, to| each(tank, to, |output| Some(output.unproven_commands as f64)),
    ),
    gauge(
        "slackwater_output_power_watts",
        "Power that the plug reports; absent if unknown or stale.",
        OUTPUT,
        |tank, to| each(tank, to, |output| output.watts.filter(|watts| watts.is_finite())),
    ),
    gauge(
        "slackwater_output_usual_power_watts",
        "What the output was learned to draw while it runs; absent until it is learned.",
        OUTPUT,
        |tank, to| each(tank, to, |output| output.usual_power.map(|usual| usual.watts)),
    ),
    gauge(
        "slackwater_output_usual_power_low_watts",
        "Fewer than one in twenty of the readings that were learned are lower.",
        OUTPUT,
        |tank, to| each(tank, to, |output| output.usual_power.map(|usual| usual.least)),
    ),
    gauge(
        "slackwater_output_usual_power_high_watts",
        "Fewer than one in twenty of the readings that were learned are higher.",
        OUTPUT,
        |tank, to| each(tank, to, |output| output.usual_power.map(|usual| usual.greatest)),
    ),
    gauge(
        "slackwater_output_confirmed_power_watts",
        "What a person confirmed that the output draws while it runs; absent until then.",
        OUTPUT,
        |tank, to| each(tank, to, |output| output.confirmed_watts),
    ),
    counter(
        "slackwater_output_energy_joules_total",
        "Energy by the readings of the plug's meter; absent without one.",
        OUTPUT,
        |tank, to| each(tank, to, |output| output.energy_joules),
    ),
    gauge(
        "slackwater_rule_state",
        "State set of a rule (idle, active, unknown).",
        &["tank", "rule", "state"],
        |tank, to| {
            for rule in &tank.rules {
                to.state_set(&[&tank.tank, &rule.rule], &["idle", "active", "unknown"], Some(rule.state));
            }
        },
    ),
];

fn each(tank: &TankStatus, to: &mut Samples, value: fn(&OutputStatus) -> Option<f64>) {
    for output in &tank.outputs {
        if let Some(value) = value(output) {
            to.put(&[&tank.tank, &output.output], value);
        }
    }
}

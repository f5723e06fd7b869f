//! The arena of conditions: evaluated in order, once a step, children before parents.
//!
//! Duty: one type of condition for rules, interlocks, permissives and alarms, with three-valued
//! results. A value that may not be used is unknown, never the last value and never false.

use crate::time::{Now, Span, Steady, Zone};

use super::deadlines::Deadlines;
use super::dosing::Doser;
use super::effect::DeadlineKind;
use super::ids::{ConditionId, HoldId, OutputId, SignalId};
use super::past::Past;
use super::plan::{Condition, Doubtful, Estimate, OutputFact, Side, Switch, TankPlan, TimerUnknown};
use super::plug::Plug;
use super::probe::Probe;
use super::quality::Quality;
use super::top_off::{TopOff, fact_words};
use super::truth::Truth;
use super::vote::Signal;

/// One condition's memory.
#[derive(Clone, Debug, Default)]
pub(super) struct Node {
    /// The last result.
    pub truth: Truth,
    /// For how long the inner condition of a `Lasting` has been true.
    accrued: Span,
    /// Whether the count runs, and since when it was last brought up to date.
    counting: Option<Steady>,
    /// Since when the inner condition of a `Lasting` is unknown.
    unknown_since: Option<Steady>,
    /// What the signal of a `Moved` was.
    past: Option<Box<Past>>,
}

/// A trip's count stands still while its condition is unknown, for so long; then it begins anew. [C6: the stale limit]
const FROZEN_FOR: Span = Span::from_seconds(60);

/// What conditions look at.
pub(super) struct Facts<'a> {
    pub probes: &'a [Probe],
    pub signals: &'a [Signal],
    pub outputs: &'a dyn Fn(OutputId) -> (Switch, Option<Switch>),
    pub plugs: &'a [Plug],
    pub held: &'a dyn Fn(HoldId) -> bool,
    pub top_offs: &'a [TopOff],
    pub dosers: &'a [Doser],
}

/// Evaluates every condition of the plan.
pub(super) fn evaluate(nodes: &mut [Node], plan: &TankPlan, facts: &Facts<'_>, now: Now, deadlines: &mut Deadlines) {
    for index in 0..plan.conditions.len() {
        let (done, rest) = nodes.split_at_mut(index);
        let Some(node) = rest.first_mut() else { break };
        let truth_of = |id: &ConditionId| done.get(id.index()).map_or(Truth::Unknown, |node| node.truth);
        node.truth = match &plan.conditions[index] {
            Condition::All(of) => of.iter().map(truth_of).fold(Truth::True, Truth::and),
            Condition::Any(of) => of.iter().map(truth_of).fold(Truth::False, Truth::or),
            Condition::Not(inner) => truth_of(inner).negated(),
            Condition::Agree(of) => Truth::agreed(of.iter().map(truth_of)),
            Condition::Compare { signal, estimate, side, limit, deadband, alone_margin, doubtful } => {
                let was = node.truth.is_true();
                let compare = Compare {
                    signal: *signal,
                    estimate: *estimate,
                    side: *side,
                    limit: *limit,
                    back: if was { *deadband } else { 0.0 },
                    alone_margin: *alone_margin,
                    doubtful: *doubtful,
                };
                compare.evaluate(plan, facts, now.steady)
            }
            Condition::Moved { signal, side, by, within, doubtful } => {
                let vote = &facts.signals[signal.index()].vote;
                let value = counts(vote.quality, *doubtful).then_some(vote.value);
                node.moved(value, *side, *by, *within, now.steady, deadlines)
            }
            Condition::Contact { signal, wet, doubtful } => contact(plan, facts, *signal, *wet, *doubtful, now.steady),
            Condition::Known { signal, doubtful } => {
                Truth::of(counts(facts.signals[signal.index()].vote.quality, *doubtful))
            }
            Condition::AtRunningLevel { signal, within } => {
                let vote = facts.signals[signal.index()].vote;
                match vote.value {
                    _ if !counts(vote.quality, Doubtful::IsUnknown) => Truth::Unknown,
                    level if level > *within => Truth::False,
                    level if level < -*within => Truth::Unknown,
                    _ => Truth::True,
                }
            }
            Condition::Output { output, fact } => output_fact(facts, *output, *fact),
            Condition::Draws { output, side, limit } => {
                let plug = &facts.plugs[output.index()];
                plug.power.draws(&plan.outputs[output.index()], *side, *limit, now.steady)
            }
            Condition::TimeOfDay(window) => in_window(plan.zone, *window, now, deadlines),
            Condition::Held(Some(hold)) => Truth::of((facts.held)(*hold)),
            Condition::Held(None) => Truth::of((0..plan.holds.len()).any(|hold| (facts.held)(HoldId::new(hold)))),
            Condition::TopOff { top_off, fact } => {
                facts.top_offs[top_off.index()].fact(*fact, now.steady, &plan.top_offs[top_off.index()])
            }
            Condition::Dosing { doser, fact } => facts.dosers[doser.index()].fact(*fact, &plan.dosing[doser.index()]),
            Condition::Lasting { inner, span, unknown } => {
                node.lasting(truth_of(inner), *span, *unknown, now.steady, deadlines)
            }
        };
    }
}

impl Node {
    /// A trip that stands needs no new delay, however long its cause was out of sight.
    pub fn assume_lasted(&mut self, span: Span) {
        self.accrued = self.accrued.max(span);
        self.unknown_since = None;
    }

    fn moved(
        &mut self,
        value: Option<f64>,
        side: Side,
        by: f64,
        within: Span,
        now: Steady,
        deadlines: &mut Deadlines,
    ) -> Truth {
        let span = self.past.get_or_insert_default().look(value, within, now);
        let (Some(value), Some((least, greatest))) = (value, span) else { return Truth::Unknown };
        let moved = match side {
            Side::Below => greatest - value,
            Side::Above => value - least,
        };
        if moved > by {
            deadlines.ask(Past::next(within, now), DeadlineKind::Condition);
        }
        Truth::of(moved > by)
    }

    fn lasting(
        &mut self,
        inner: Truth,
        span: Span,
        unknown: TimerUnknown,
        now: Steady,
        deadlines: &mut Deadlines,
    ) -> Truth {
        if let Some(since) = self.counting {
            self.accrued = self.accrued.plus(now.since(since));
        }
        self.counting = inner.is_true().then_some(now);
        if inner == Truth::Unknown {
            self.unknown_since.get_or_insert(now);
        } else if let Some(since) = self.unknown_since.take()
            && now.since(since) > FROZEN_FOR
        {
            // What was true so long ago says nothing of now.
            self.accrued = Span::ZERO;
        }
        match (inner, unknown) {
            (Truth::True, _) if self.accrued >= span => Truth::True,
            (Truth::True, _) => {
                deadlines.ask(now.after(span.minus(self.accrued)), DeadlineKind::Condition);
                Truth::False
            }
            (Truth::Unknown, TimerUnknown::Freezes) => Truth::Unknown,
            (Truth::Unknown, TimerUnknown::Resets) => {
                self.accrued = Span::ZERO;
                Truth::Unknown
            }
            (Truth::False, _) => {
                self.accrued = Span::ZERO;
                Truth::False
            }
        }
    }
}

fn counts(quality: Quality, doubtful: Doubtful) -> bool {
    match doubtful {
        Doubtful::Counts => quality.is_usable(),
        Doubtful::IsUnknown => quality.is_good(),
    }
}

/// A signal against a limit, at this moment.
struct Compare {
    signal: SignalId,
    estimate: Estimate,
    side: Side,
    limit: f64,
    back: f64,
    alone_margin: f64,
    doubtful: Doubtful,
}

/// A tank that lost all but one of its probes trips a little sooner. [C5]
fn margin(plan: &TankPlan, facts: &Facts<'_>, signal: SignalId, alone_margin: f64) -> f64 {
    let several = plan.signals[signal.index()].probes.len() > 1;
    if several && facts.signals[signal.index()].vote.good == 1 { alone_margin } else { 0.0 }
}

impl Compare {
    fn evaluate(&self, plan: &TankPlan, facts: &Facts<'_>, now: Steady) -> Truth {
        let signal = &facts.signals[self.signal.index()];
        let margin = margin(plan, facts, self.signal, self.alone_margin);
        let (limit, beyond): (f64, fn(f64, f64) -> bool) = match self.side {
            Side::Above => (self.limit - margin - self.back, |value, limit| value > limit),
            Side::Below => (self.limit + margin + self.back, |value, limit| value < limit),
        };
        if self.estimate == Estimate::EachProbe {
            return self.each_probe(plan, facts, now, limit, beyond);
        }
        if !counts(signal.vote.quality, self.doubtful) {
            return Truth::Unknown;
        }
        let value = match self.estimate {
            Estimate::Highest => signal.vote.highest,
            Estimate::Lowest => signal.vote.lowest,
            Estimate::Voted | Estimate::EachProbe => signal.vote.value,
        };
        Truth::of(beyond(value, limit))
    }

    /// One of one and one of two are enough; of three good ones, two are asked for. [C5]
    fn each_probe(
        &self,
        plan: &TankPlan,
        facts: &Facts<'_>,
        now: Steady,
        limit: f64,
        beyond: fn(f64, f64) -> bool,
    ) -> Truth {
        let (mut over, mut known, mut good) = (0, 0, 0);
        for id in &plan.signals[self.signal.index()].probes {
            let (probe, probe_plan) = (&facts.probes[id.index()], &plan.probes[id.index()]);
            let quality = probe.quality(probe_plan, now);
            if counts(quality, self.doubtful) {
                known += 1;
                good += u32::from(quality.is_good());
                over += u32::from(beyond(probe.newest(), limit));
            }
        }
        let needed = if good >= 3 { 2 } else { 1 };
        match (over, known) {
            (_, 0) => Truth::Unknown,
            (over, _) => Truth::of(over >= needed),
        }
    }
}

/// Wet is believed at once where doubt counts; dry needs a probe that has settled.
fn contact(plan: &TankPlan, facts: &Facts<'_>, id: SignalId, wet: bool, doubtful: Doubtful, now: Steady) -> Truth {
    let signal = &facts.signals[id.index()];
    if doubtful == Doubtful::Counts {
        let any_wet = plan.signals[id.index()].probes.iter().any(|probe| {
            let (state, probe_plan) = (&facts.probes[probe.index()], &plan.probes[probe.index()]);
            state.is_fresh(probe_plan, now) && state.newest() > 0.5
        });
        if any_wet {
            return Truth::of(wet);
        }
    }
    if !counts(signal.vote.quality, doubtful) {
        return Truth::Unknown;
    }
    Truth::of((signal.vote.value > 0.5) == wet)
}

fn output_fact(facts: &Facts<'_>, output: OutputId, fact: OutputFact) -> Truth {
    let (commanded, reported) = (facts.outputs)(output);
    let reported = |wanted| reported.map_or(Truth::Unknown, |reported| Truth::of(reported == wanted));
    match fact {
        OutputFact::CommandedOn => Truth::of(commanded == Switch::On),
        OutputFact::CommandedOff => Truth::of(commanded == Switch::Off),
        OutputFact::ProvenOn => reported(Switch::On),
        OutputFact::ProvenOff => reported(Switch::Off),
        OutputFact::LevelUnproven => Truth::of(facts.plugs[output.index()].level_unproven),
    }
}

fn in_window(zone: Zone, window: crate::time::DailyWindow, now: Now, deadlines: &mut Deadlines) -> Truth {
    let local = zone.time_of_day(now.wall);
    deadlines.ask(now.steady.after(window.look_again(local)), DeadlineKind::Condition);
    Truth::of(window.contains(local))
}

/// A condition in words, with what it rests on: for causes and explanations.
pub(super) fn describe(plan: &TankPlan, id: ConditionId, facts: &Facts<'_>, now: Steady) -> String {
    let one = |id: &ConditionId| {
        let text = describe(plan, *id, facts, now);
        match &plan.conditions[id.index()] {
            Condition::All(of) | Condition::Any(of) | Condition::Agree(of) if of.len() > 1 => format!("({text})"),
            _ => text,
        }
    };
    let all = |of: &[ConditionId], between: &str| of.iter().map(one).collect::<Vec<_>>().join(between);
    match &plan.conditions[id.index()] {
        Condition::All(of) => all(of, " and "),
        Condition::Any(of) => all(of, " or "),
        Condition::Not(inner) => format!("not ({})", describe(plan, *inner, facts, now)),
        Condition::Agree(of) => all(of, "; "),
        Condition::Compare { signal, side, limit, estimate, alone_margin, .. } => {
            let margin = margin(plan, facts, *signal, *alone_margin);
            let lowered = if margin > 0.0 { ", lowered while only one probe is good" } else { "" };
            let limit = if *side == Side::Above { limit - margin } else { limit + margin };
            let name = &plan.signals[signal.index()].name;
            let quantity = plan.signals[signal.index()].quantity;
            let limit = amount(quantity, limit);
            let side = if *side == Side::Above { "over" } else { "under" };
            let each = if *estimate == Estimate::EachProbe { "a probe of " } else { "" };
            format!("{each}{name} {side} {limit}{lowered} ({})", reading(plan, *signal, facts, now))
        }
        Condition::Moved { signal, side, by, within, .. } => {
            let of = &plan.signals[signal.index()];
            let verb = if *side == Side::Below { "fell" } else { "rose" };
            let by = amount(of.quantity.difference(), *by);
            format!("{} {verb} by more than {by} within {within} ({})", of.name, reading(plan, *signal, facts, now))
        }
        Condition::Contact { signal, wet, .. } => {
            let name = &plan.signals[signal.index()].name;
            let wanted = if *wet { "wet" } else { "dry" };
            format!("{name} {wanted} ({})", reading(plan, *signal, facts, now))
        }
        Condition::Known { signal, .. } => {
            format!("{} known ({})", plan.signals[signal.index()].name, reading(plan, *signal, facts, now))
        }
        Condition::AtRunningLevel { signal, within } => {
            let name = &plan.signals[signal.index()].name;
            let within = amount(crate::units::Quantity::Level, *within);
            format!("{name} within {within} of its running level ({})", reading(plan, *signal, facts, now))
        }
        Condition::Output { output, fact } => {
            let name = &plan.outputs[output.index()].name;
            match fact {
                OutputFact::CommandedOn => format!("{name} commanded on"),
                OutputFact::CommandedOff => format!("{name} commanded off"),
                OutputFact::ProvenOn => format!("{name} proven on"),
                OutputFact::ProvenOff => format!("{name} proven off"),
                OutputFact::LevelUnproven => format!("{name} does not say the level that it was told"),
            }
        }
        Condition::Draws { output, limit, side } => {
            let (plug, output) = (&facts.plugs[output.index()], &plan.outputs[output.index()]);
            let word = if *side == Side::Above { "over" } else { "under" };
            let limit = plug.power.limit_words(output, *side, *limit);
            format!("{}, {word} {limit}", plug.power.words(output, now))
        }
        Condition::TimeOfDay(window) => format!("from {} to {}", window.from, window.until),
        Condition::Held(Some(hold)) => format!("hold {}", plan.holds[hold.index()].name),
        Condition::Held(None) => "a hold".to_owned(),
        Condition::TopOff { top_off, fact } => fact_words(*fact, &facts.top_offs[top_off.index()]),
        Condition::Dosing { doser, fact } => {
            let name = &plan.outputs[plan.dosing[doser.index()].output.index()].name;
            format!("{name}: {}", facts.dosers[doser.index()].fact_words(*fact, &plan.dosing[doser.index()]))
        }
        Condition::Lasting { inner, span, .. } => format!("{} for {span}", describe(plan, *inner, facts, now)),
    }
}

/// What a condition of many parts rests on, each once: for messages that only need what is looked at.
pub(super) fn evidence(plan: &TankPlan, id: ConditionId, facts: &Facts<'_>, now: Steady) -> String {
    let mut parts: Vec<String> = Vec::new();
    let mut leaves = 0;
    plan.leaves(id, &mut |leaf| {
        leaves += 1;
        let part = match leaf {
            Condition::Output { output, fact: OutputFact::CommandedOn | OutputFact::CommandedOff } => {
                format!("{} commanded {}", plan.outputs[output.index()].name, (facts.outputs)(*output).0.word())
            }
            Condition::Draws { output, .. } => {
                facts.plugs[output.index()].power.words(&plan.outputs[output.index()], now)
            }
            Condition::Output { output, .. } => {
                let reported = (facts.outputs)(*output).1.map_or("nothing", Switch::word);
                format!("{} reports {reported}", plan.outputs[output.index()].name)
            }
            other => match other.signal() {
                Some(signal) => {
                    format!("{} {}", plan.signals[signal.index()].name, reading(plan, signal, facts, now))
                }
                // A hold or a time of day is no evidence.
                None => return,
            },
        };
        if !parts.contains(&part) {
            parts.push(part);
        }
    });
    if leaves <= 1 {
        return describe(plan, id, facts, now);
    }
    let lasting = match &plan.conditions[id.index()] {
        Condition::Lasting { span, .. } => format!("for {span}: "),
        _ => String::new(),
    };
    format!("{lasting}{}", parts.join(", "))
}

/// A value with its unit.
pub(super) fn amount(quantity: crate::units::Quantity, value: f64) -> String {
    crate::units::Amount::new(quantity, value).map_or_else(|| "no number".to_owned(), |amount| amount.to_string())
}

/// What a signal reads now, with age, or why it does not; several probes each.
pub(super) fn reading(plan: &TankPlan, id: SignalId, facts: &Facts<'_>, now: Steady) -> String {
    let signal = &plan.signals[id.index()];
    let each = |probe: &super::ids::ProbeId| {
        let (state, probe_plan) = (&facts.probes[probe.index()], &plan.probes[probe.index()]);
        let quality = state.quality(probe_plan, now);
        let shown = match (state.value(probe_plan, now), state.age(now)) {
            (Some(value), Some(age)) => super::effect::aged(amount(probe_plan.quantity, value), age),
            _ => String::new(),
        };
        let doubt = quality.reason().map(|reason| reason.replace('-', " ")).unwrap_or_default();
        let between = if shown.is_empty() || doubt.is_empty() { "" } else { ", " };
        let name = if signal.probes.len() > 1 { format!("{} ", probe_plan.name) } else { String::new() };
        format!("{name}{shown}{between}{doubt}")
    };
    signal.probes.iter().map(each).collect::<Vec<_>>().join("; ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: u64) -> Steady {
        Steady::from_millis(seconds * 1000)
    }

    #[test]
    fn a_trip_s_count_stands_still_while_unknown_but_not_for_ever() {
        let count = |unknown: u64| {
            let mut node = Node::default();
            let mut look = |truth, second| {
                node.lasting(
                    truth,
                    Span::from_seconds(30),
                    TimerUnknown::Freezes,
                    at(second),
                    &mut Deadlines::default(),
                )
            };
            assert_eq!(look(Truth::True, 0), Truth::False);
            assert_eq!(look(Truth::Unknown, 20), Truth::Unknown);
            assert_eq!(look(Truth::True, 20 + unknown), Truth::False);
            look(Truth::True, 20 + unknown + 10)
        };
        assert_eq!(count(60), Truth::True, "20 s before and 10 s after");
        assert_eq!(count(61), Truth::False, "it begins anew");
    }
}

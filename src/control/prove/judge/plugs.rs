//! What a plug has shown: report, power, its state after a restart, and that a cut-off turns it off.

use crate::time::Span;
use crate::units::{Power as Watts, Quantity};

use super::super::super::conditions::amount;
use super::super::super::event::Alive;
use super::super::super::ids::{InterlockId, OutputId, ProbeId, SignalId};
use super::super::super::plan::{Fitted, OutputKind, Switch};
use super::super::super::status::ProofStatus;
use super::super::super::tank::Tank;
use super::super::super::truth::Truth;
use super::super::items;
use super::super::{Question, Verdict, Watch};
use super::ANOTHER_FOR;

/// A start that is not told within this is withheld. [choice: spacing of starts is 10 s each]
const TOLD_WITHIN: Span = Span::from_seconds(60);
/// A meter has to show a switch within this. [choice: three intervals of 20 s]
const SHOWN_WITHIN: Span = Span::from_seconds(60);
/// A report may come so long after the sign of a restart. [C7: 5 s, and a second]
const BOOT_REPORT: Span = Span::from_seconds(6);
/// Watts that differ by more than this part of the rating are another thing's. [choice]
const OF_RATING: f64 = 0.3;

impl Tank {
    /// Orders an output and looks whether it follows. `None`: it has, as far as it can be seen.
    pub(super) fn follows(&mut self, output: OutputId, to: Switch, watch: &mut Watch) -> Option<Verdict> {
        if !self.orders_once(output, to, watch) {
            return Some(Verdict::Undone("its order came to its end before everything was seen".to_owned()));
        }
        let (plan, plug) = (&self.plan.outputs[output.index()], &self.plugs[output.index()]);
        let lasted = self.now.steady.since(watch.phase_at);
        if plug.told != Some(to) || plug.decided(plan.kind) != to {
            let over = lasted >= TOLD_WITHIN.plus(plan.least_off);
            let cause = plug.decision.as_ref().map_or_else(String::new, |decision| self.cause(output, decision.layer));
            return Some(if over {
                Verdict::Undone(format!("it was not told {}: {cause}", to.word()))
            } else {
                Verdict::Going
            });
        }
        match plug.proof {
            ProofStatus::Waiting | ProofStatus::NothingCommanded => Some(Verdict::Going),
            ProofStatus::NotProven => {
                let others = self.others_switched(output, to);
                let others = if others.is_empty() {
                    "its plug ignores it, or its topics are another plug's".to_owned()
                } else {
                    format!("{} answered instead: their topics are swapped", others.join(", "))
                };
                Some(Verdict::Failed(format!("{}; {others}", self.proof_sentence(output))))
            }
            ProofStatus::CannotBeProven => None,
            ProofStatus::Proven => self.power_follows(output, to, watch),
        }
    }

    /// Gives the order of this phase, once. Whether it stands.
    pub(super) fn orders_once(&mut self, output: OutputId, to: Switch, watch: &mut Watch) -> bool {
        if let Some(doser) = self.doser_of(output).filter(|_| to == Switch::On || watch.phase > 0) {
            // No force turns it on: it runs into a cylinder, once, and its plug ends that.
            if watch.ordered.is_none() {
                watch.ordered = Some(watch.phase);
                self.runs_into_a_cylinder(doser);
            }
            return true;
        }
        if watch.ordered != Some(watch.phase) {
            watch.ordered = Some(watch.phase);
            self.force_for_step(output, to, watch.until);
        }
        let force = self.forces[output.index()].as_ref();
        force.is_some_and(|force| {
            force.to == to && super::super::record::is_of_a_step(force) && force.until > self.now.steady
        })
    }

    /// Other plugs whose report turned to that just now, against what they are told.
    pub(super) fn others_switched(&self, output: OutputId, to: Switch) -> Vec<String> {
        let others = self.plan.outputs.iter().zip(&self.plugs).enumerate().filter(|(at, _)| *at != output.index());
        others
            .filter(|(_, (_, plug))| plug.evidence() == Some(to) && plug.told.is_some_and(|told| told != to))
            .map(|(_, (plan, _))| plan.name.to_string())
            .collect()
    }

    /// Its meter shows that current flows, or that none does.
    pub(super) fn power_follows(&self, output: OutputId, to: Switch, watch: &mut Watch) -> Option<Verdict> {
        let (plan, plug) = (&self.plan.outputs[output.index()], &self.plugs[output.index()]);
        plan.plug.meter.as_ref()?;
        let lasted = self.now.steady.since(watch.phase_at);
        let over = lasted >= SHOWN_WITHIN;
        let draws = self.still_draws(output);
        let words = plug.power.words(plan, self.now.steady);
        let wait = |why: String| Some(if over { Verdict::Failed(why) } else { Verdict::Going });
        match (to, draws) {
            (_, Truth::Unknown) => wait(format!("it reports {}, and {words}", to.word())),
            (Switch::Off, Truth::True) => {
                wait(format!("it reports off, and {words}: its relay is stuck, or this meter is another plug's"))
            }
            (Switch::Off, Truth::False) => None,
            (Switch::On, Truth::False) => wait(format!(
                "it reports on, and {words}: nothing hangs there, or it is dead, or the meter is another plug's"
            )),
            (Switch::On, Truth::True) => {
                let watts = plug.power.settled_now(plan, self.now.steady);
                let Some(watts) = watts else { return Some(Verdict::Going) };
                // On a dimmer it draws what its level makes of it: less than the rating is no fault, and nothing to confirm.
                let dimmed = plan.plug.dimmer.is_some();
                watch.watts = (!dimmed).then_some(watts);
                let rating = plan.rating.map(Watts::watts);
                let off_by = |rating: f64| if dimmed { watts - rating } else { (watts - rating).abs() };
                match rating.filter(|rating| off_by(*rating) > OF_RATING * rating.max(5.0)) {
                    Some(rating) => wait(format!(
                        "it draws {}, and its rating says {}: look what hangs on this plug",
                        amount(Quantity::Power, watts),
                        amount(Quantity::Power, rating)
                    )),
                    None => None,
                }
            }
        }
    }

    pub(super) fn judge_switches(&mut self, output: OutputId, watch: &mut Watch) -> Verdict {
        let other = if watch.from == Switch::On { Switch::Off } else { Switch::On };
        let to = if watch.phase == 0 { other } else { watch.from };
        if let Some(verdict) = self.follows(output, to, watch) {
            return verdict;
        }
        let proven = self.plugs[output.index()].proof == ProofStatus::Proven;
        let how = if proven { "proven by its report" } else { "commanded" };
        watch.seen.push(format!("{}, {how}", to.word()));
        if watch.phase == 0 {
            self.phase(watch, 1);
            return Verdict::Going;
        }
        let name = &self.plan.outputs[output.index()].name;
        let measure = self.doser_of(output).map_or_else(String::new, |_| {
            format!(" Then tell its cylinder: `slackwater dose measured {name} \"5.1 mL\"`, or `slackwater dose discard {name}`.")
        });
        let draws = watch.watts.map(|watts| format!(" It draws {}.", amount(Quantity::Power, watts)));
        let draws = draws.unwrap_or_default();
        let turns = format!("go {} and {} again", other.word(), watch.from.word());
        if let Some(watts) = watch.watts {
            watch.seen.push(format!("draws {}", amount(Quantity::Power, watts)));
        }
        Verdict::Ask(Question {
            text: format!("did the {name} itself, and nothing else, {turns}?{draws}{measure}"),
            codes: Vec::new(),
            tries: 0,
            seen: std::mem::take(&mut watch.seen),
            watts: watch.watts.map(|watts| (output, watts)),
        })
    }

    pub(super) fn judge_boots(&mut self, output: OutputId, watch: &mut Watch) -> Verdict {
        let plan = &self.plan.outputs[output.index()];
        let (name, declared, meant) = (plan.name.clone(), plan.plug.boots, plan.kind.rest());
        let speaks = plan.plug.alive == Fitted::Fitted || plan.plug.uptime == Fitted::Fitted;
        let before = self.before_its_cut(output);
        if plan.plug.report == Fitted::NotFitted || !speaks {
            let state = declared.unwrap_or(meant).word();
            return Verdict::Ask(Question {
                text: format!(
                    "cut the power of the plug of {name} by hand, wait 30 s, give it back: was it {state} at once?"
                ),
                codes: Vec::new(),
                tries: 0,
                seen: vec![format!("came back {state} from a power cut")],
                watts: None,
            });
        }
        if watch.phase == 0 {
            if before == Switch::On {
                if let Some(verdict) = self.follows(output, Switch::On, watch) {
                    return verdict;
                }
            } else if !self.is_off(output) {
                return Verdict::Going;
            }
            self.phase(watch, 1);
            return Verdict::Going;
        }
        if before == Switch::On && !self.orders_once(output, Switch::On, watch) {
            return Verdict::Undone("its order came to its end before its power was cut".to_owned());
        }
        let plug = &self.plugs[output.index()];
        let (report, back) = (plug.report, plug.restarts.returned_since(watch.phase_at));
        watch.differed |= report.is_some_and(|(state, at)| state != before && at >= watch.phase_at);
        let Some(back) = back.filter(|_| plug.alive != Some(Alive::No)) else { return Verdict::Going };
        let settled = watch.differed || report.is_some_and(|(state, at)| state == before && at >= back);
        if !settled || self.now.steady < back.after(BOOT_REPORT) {
            return Verdict::Going;
        }
        let other = if before == Switch::On { Switch::Off } else { Switch::On };
        let came = if watch.differed { other } else { before };
        let seen = format!("it was {}, and came back {} from a power cut", before.word(), came.word());
        match declared {
            Some(declared) if declared != came => {
                Verdict::Failed(format!("{seen}, and `boots: {}` is written: set it in the plug", declared.word()))
            }
            Some(_) => Verdict::Passed(format!("{seen}, as written")),
            None if came != meant && plan_is_guarded(self.plan.outputs[output.index()].kind) => {
                Verdict::Failed(format!("{seen}: set in the plug that it comes back {}", meant.word()))
            }
            None => Verdict::Passed(format!("{seen}; write `boots: {}`", came.word())),
        }
    }

    pub(super) fn judge_cut_off(&mut self, interlock: InterlockId, watch: &mut Watch) -> Verdict {
        let Some(cut_off) = items::cut_off(&self.plan, interlock) else {
            return Verdict::Undone("it is no cut-off any more".to_owned());
        };
        let heater = cut_off.heater;
        let acts = self.interlocks[interlock.index()].acts() && self.interlocks[interlock.index()].known;
        match watch.phase {
            0 => {
                if let Some(verdict) = self.follows(heater, Switch::On, watch) {
                    return verdict;
                }
                watch.seen.push(format!("{} was on", self.plan.outputs[heater.index()].name));
                self.phase(watch, 1);
                Verdict::Going
            }
            1 if acts => {
                // It must not come back by the step's own order.
                self.drop_forces_of_steps();
                let touched = self.warmest(cut_off.signal, watch);
                if let (Some(undo), Some(probe)) = (self.proving.undo.last_mut(), touched) {
                    undo.probe = Some(probe);
                }
                let value = touched.and_then(|probe| self.fresh_value(probe).map(|value| self.shown(probe, value)));
                let probe = touched.map_or("a probe", |probe| &*self.plan.probes[probe.index()].name);
                watch.seen.push(format!("{probe} at {} tripped it", value.unwrap_or_default()));
                self.phase(watch, 2);
                Verdict::Going
            }
            1 => {
                if !self.orders_once(heater, Switch::On, watch) {
                    return Verdict::Undone("the heater's order came to its end before a probe was warm".to_owned());
                }
                let over = self
                    .warmest(cut_off.signal, watch)
                    .filter(|probe| self.fresh_value(*probe).is_some_and(|value| value > cut_off.limit));
                let Some(probe) = over else {
                    watch.other_since = None;
                    return Verdict::Going;
                };
                let since = *watch.other_since.get_or_insert(self.now.steady);
                if self.now.steady.since(since) < cut_off.lasting.plus(ANOTHER_FOR) {
                    return Verdict::Going;
                }
                let name = &self.plan.probes[probe.index()].name;
                Verdict::Failed(format!(
                    "{name} is over {} and nothing trips",
                    amount(Quantity::Temperature, cut_off.limit)
                ))
            }
            2 => self.judge_heater_off(heater, watch),
            _ if self.interlocks[interlock.index()].truth == Truth::False => {
                let proven = self.plugs[heater.index()].proof == ProofStatus::Proven;
                watch.seen.push("and the cause was gone again".to_owned());
                if proven {
                    return Verdict::Passed(watch.seen.join("; "));
                }
                let name = &self.plan.outputs[heater.index()].name;
                Verdict::Ask(Question {
                    text: format!(
                        "did the {name} itself go off when the probe was warm (its lamp, or a meter in the socket)?"
                    ),
                    codes: Vec::new(),
                    tries: 0,
                    seen: std::mem::take(&mut watch.seen),
                    watts: None,
                })
            }
            _ => Verdict::Going,
        }
    }

    pub(super) fn judge_heater_off(&mut self, heater: OutputId, watch: &mut Watch) -> Verdict {
        let plan = &self.plan.outputs[heater.index()];
        let over = self.lasted(watch) >= SHOWN_WITHIN;
        let draws = if plan.plug.meter.is_some() { self.still_draws(heater) } else { Truth::False };
        let off = self.is_off(heater) && draws == Truth::False;
        if !off {
            let words = self.proof_sentence(heater);
            return if over { Verdict::Failed(format!("it tripped, and {words}")) } else { Verdict::Going };
        }
        let words = self.proof_sentence(heater) + &self.power_sentence(heater);
        watch.seen.push(words);
        self.phase(watch, 3);
        Verdict::Going
    }

    /// The probe of a signal that moved most.
    pub(super) fn warmest(&self, signal: SignalId, watch: &Watch) -> Option<ProbeId> {
        let probes = self.plan.signals[signal.index()].probes.iter().copied();
        probes.max_by(|a, b| watch.moved[a.index()].total_cmp(&watch.moved[b.index()]))
    }
}

/// What comes back wrongly does harm, whether or not anybody wrote how it should.
fn plan_is_guarded(kind: OutputKind) -> bool {
    kind.can_harm() || kind.is_life_support()
}

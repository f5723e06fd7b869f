//! What a tank looks like, and why: status, explanations and causes, made on demand.

use crate::units::Quantity;

use super::arbiter::Layer;
use super::conditions;
use super::event::Alive;
use super::hold::NOT_ISOLATION;
use super::ids::{HoldId, InterlockId, OutputId, SignalId};
use super::interlock::Stage;
use super::plan::{AlarmSource, Condition, Switch};
use super::sentence::{self, Beside, Mood, Seen, Sentence};
use super::status::{
    AlarmLoad, AlarmStatus, AsideStatus, Explanation, ForceStatus, HoldStatus, InterlockStatus, LayerOpinion, Nuisance,
    OutputStatus, ProbeStatus, ProofStatus, RuleStatus, SignalStatus, TankStatus,
};
use super::tank::Tank;
use super::truth::Truth;

impl Tank {
    /// What the tank looks like as of the last step.
    pub fn status(&self, now: crate::time::Now) -> TankStatus {
        self.status_beside(&Beside::default(), now)
    }

    fn bare_status(&self, now: crate::time::Now) -> TankStatus {
        let held = self.holds.iter().any(|hold| hold.active.is_some());
        TankStatus {
            tank: self.plan.name.clone(),
            title: self.plan.title.clone(),
            timezone: self.plan.zone.to_string(),
            broker: self.connected,
            sentence: String::new(),
            mood: Mood::default(),
            signals: (0..self.signals.len()).map(|index| self.signal_status(SignalId::new(index), now)).collect(),
            probes: (0..self.probes.len()).map(|index| self.probe_status(index, now)).collect(),
            outputs: (0..self.plugs.len()).map(|index| self.output_status(OutputId::new(index), now)).collect(),
            interlocks: (0..self.interlocks.len()).map(|index| self.interlock_status(index)).collect(),
            rules: self.plan.rules.iter().map(|rule| self.rule_status(rule)).collect(),
            top_offs: (0..self.top_offs.len()).map(|index| self.top_off_status(index, now)).collect(),
            dosing: (0..self.dosers.len()).map(|index| self.dosing_status(index, now)).collect(),
            lights: (0..self.lamps.len()).map(|index| self.light_status(index, now)).collect(),
            drain_back: self.plan.drain_back.and_then(|_| self.drain_back.status()),
            long_term: (!self.plan.drift.is_none() && self.plan.thermostat.is_some())
                .then(|| self.drift.long_term.status(self.plan.drift.warmest_month)),
            holds: (0..self.holds.len()).map(|index| self.hold_status(index)).collect(),
            proofs: self.proofs_status(),
            alarms: (0..self.alarms.len()).map(|index| self.alarm_status(index, now)).collect(),
            alarm_load: self.alarm_load(now),
            caution: held.then(|| NOT_ISOLATION.to_owned()),
        }
    }

    /// The same, and its sentence says too what stands beside the tank.
    pub fn status_beside(&self, beside: &Beside, now: crate::time::Now) -> TankStatus {
        let mut status = self.bare_status(now);
        let held_by = self.plan.held_by().map(|name| &**name);
        let seen = Seen { status: &status, zone: self.plan.zone, now: now.wall, held_by, beside };
        let Sentence { mood, text } = sentence::sentence(&seen);
        (status.mood, status.sentence) = (mood, text);
        status
    }

    fn reading_summary(&self, id: SignalId) -> String {
        let (plan, vote) = (&self.plan.signals[id.index()], &self.signals[id.index()].vote);
        match vote.quality.reason() {
            None => conditions::amount(plan.quantity, vote.value),
            Some(reason) if vote.quality.is_usable() => {
                format!("{} ({})", conditions::amount(plan.quantity, vote.value), reason.replace('-', " "))
            }
            Some(reason) => format!("{} is not known ({})", plan.name, reason.replace('-', " ")),
        }
    }

    /// What a signal's probes read now, with age, or why not.
    pub(super) fn reading_text(&self, id: SignalId) -> String {
        self.with_facts(|facts| conditions::reading(&self.plan, id, facts, self.now.steady))
    }

    pub(super) fn signal_status(&self, id: SignalId, now: crate::time::Now) -> SignalStatus {
        let (plan, vote) = (&self.plan.signals[id.index()], self.signals[id.index()].vote);
        let usable = vote.quality.is_usable();
        SignalStatus {
            signal: plan.name.clone(),
            measures: plan.quantity,
            unit: plan.quantity.canonical().symbol,
            value: usable.then_some(vote.value),
            highest: usable.then_some(vote.highest),
            lowest: usable.then_some(vote.lowest),
            quality: vote.quality,
            age: vote.sampled_at.map(|at| now.steady.since(at)),
            sampled_at: vote.sampled_at.map(|at| now.wall_at(at)),
            text: self.reading_summary(id),
        }
    }

    fn probe_status(&self, index: usize, now: crate::time::Now) -> ProbeStatus {
        let (plan, live) = (&self.plan.probes[index], &self.probes[index]);
        ProbeStatus {
            probe: plan.name.clone(),
            measures: plan.quantity,
            unit: plan.quantity.canonical().symbol,
            value: live.value(plan, now.steady),
            retained_value: live.retained,
            quality: live.quality(plan, now.steady),
            age: live.age(now.steady),
            samples: live.counts,
        }
    }

    fn output_status(&self, id: OutputId, now: crate::time::Now) -> OutputStatus {
        let (plan, plug) = (&self.plan.outputs[id.index()], &self.plugs[id.index()]);
        let decision = plug.decision.as_ref();
        OutputStatus {
            output: plan.name.clone(),
            kind: plan.kind,
            wished: plug.wished,
            decided: plug.decided(plan.kind),
            layer: decision.map_or("rest", |decision| decision.layer.word()),
            cause: decision
                .map_or_else(|| "nothing is decided yet".to_owned(), |decision| self.cause(id, decision.layer)),
            since: decision.map_or(self.now.wall, |decision| decision.since),
            commanded: plug.told,
            proof: plug.proof,
            reported: plug.report.map(|(state, _)| state),
            reported_at: plug.report.map(|(_, at)| now.wall_at(at)),
            alive: plug.alive,
            watts: plug.power.shown(plan, now.steady).map(|(watts, _)| watts),
            usual_power: plug.power.usual,
            confirmed_watts: plug.power.confirmed,
            untested: self.untested(id),
            force: self.forces[id.index()].as_ref().map(|force| ForceStatus {
                to: force.to,
                until: now.wall_at(force.until),
                by: force.by.clone(),
            }),
            on_seconds: plug.on_millis as f64 / 1000.0,
            switches: plug.switches,
            switches_by: plug.switches_by,
            proof_times: plug.proof_times,
            energy_joules: plan.plug.meter.as_ref().map(|_| plug.power.joules),
            unproven_commands: plug.unproven,
        }
    }

    fn interlock_status(&self, index: usize) -> InterlockStatus {
        let (plan, live) = (&self.plan.interlocks[index], &self.interlocks[index]);
        let acts = live.acts();
        InterlockStatus {
            interlock: plan.name.clone(),
            state: match live.stage {
                _ if live.bypass.is_some() => "bypassed",
                Stage::Latched => "latched",
                Stage::Tripped => "tripped",
                Stage::Armed if live.truth == Truth::Unknown => "unknown",
                Stage::Armed => "armed",
            },
            cause: acts.then(|| live.cause.clone()),
            since: acts.then_some(live.since),
            effects: plan
                .effects
                .iter()
                .map(|(output, to)| format!("{} {}", self.plan.outputs[output.index()].name, to.word()))
                .collect(),
            bypass: self.bypass_status(index),
            never_bypassed: self.never_bypassed(InterlockId::new(index)),
            trips: live.trips,
            last_trip: live.last_trip,
        }
    }

    fn rule_status(&self, rule: &super::plan::RulePlan) -> RuleStatus {
        let state = match self.nodes[rule.cause.index()].truth {
            Truth::True => "active",
            Truth::False => "idle",
            Truth::Unknown => "unknown",
        };
        RuleStatus { rule: rule.name.clone(), state }
    }

    fn hold_status(&self, index: usize) -> HoldStatus {
        let (plan, live) = (&self.plan.holds[index], &self.holds[index]);
        let active = live.active.as_ref();
        let pauses = active
            .map(|active| plan.pauses.iter().chain(&active.also).map(|output| self.proof_sentence(*output)).collect());
        let mut pauses: Option<Vec<String>> = pauses;
        let drains = self.plan.drain_back.is_some_and(|drain| plan.pauses.contains(&drain.pump));
        if let (Some(pauses), true) = (&mut pauses, drains) {
            pauses.extend(self.drain_back.sentence());
        }
        HoldStatus {
            hold: plan.name.clone(),
            stops: plan.pauses.iter().map(|output| self.plan.outputs[output.index()].name.clone()).collect(),
            limit: plan.limit,
            at_limit: plan.at_limit,
            cares_for_probes: plan.cares_for_probes,
            active: active.is_some(),
            by: active.map(|active| active.by.clone()),
            since: active.map(|active| active.since),
            until: active.map(|active| active.deadline_wall),
            overdue: active.is_some_and(|active| active.overdue),
            pauses: pauses.unwrap_or_default(),
            probes: self.care_sentences(HoldId::new(index)),
            new_water: self.bin_sentence(HoldId::new(index)),
            changes_water: self.changes_water(HoldId::new(index)),
            told_water: self.told_sentence(HoldId::new(index)),
            hot_until: self.hot_until(HoldId::new(index)),
            starting: self.starting(HoldId::new(index)),
            started: live.started,
        }
    }

    fn alarm_status(&self, index: usize, now: crate::time::Now) -> AlarmStatus {
        let (plan, live) = (&self.plan.alarms[index], &self.alarms[index]);
        let quiet = live.state == super::alarm::AlarmState::Normal || live.state.is_aside() && !live.on;
        let name = |other: usize| self.plan.alarms[other].name.clone();
        let since = live.since.filter(|_| !quiet);
        let active = live.state.is_active();
        let stale = active && since.is_some_and(|since| now.wall.since(since) > super::alarm::STALE);
        AlarmStatus {
            alarm: plan.name.clone(),
            priority: plan.priority,
            state: live.state.abbreviation(),
            active,
            on: live.on,
            since,
            text: if quiet { String::new() } else { live.text.clone() },
            consequence: plan.advice.consequence.clone(),
            action: plan.advice.action.clone(),
            raised: live.raised,
            trip_of: match plan.source {
                AlarmSource::Trip(interlock) => Some(self.plan.interlocks[interlock.index()].name.clone()),
                _ => None,
            },
            latches: plan.latches,
            aside: live.aside.as_ref().map(|aside| AsideStatus {
                why: aside.why.clone(),
                since: aside.since,
                until: aside.until.map(|until| now.wall_at(until)),
            }),
            part_of: live.head.filter(|_| active).map(name),
            group: if active && live.told { self.group_of(index).into_iter().map(name).collect() } else { Vec::new() },
            nuisance: [live.chatters(now.steady).then_some(Nuisance::Chattering), stale.then_some(Nuisance::Stale)]
                .into_iter()
                .flatten()
                .collect(),
        }
    }

    fn alarm_load(&self, now: crate::time::Now) -> AlarmLoad {
        AlarmLoad { raised_in_10_minutes: self.flood.recent(now.steady), flood_since: self.flood.since(now.steady) }
    }

    /// How an output stands: decided, and how far that is proven; with what to do where it is not.
    pub(super) fn proof_sentence(&self, id: OutputId) -> String {
        let (plan, plug) = (&self.plan.outputs[id.index()], &self.plugs[id.index()]);
        let (name, to) = (&plan.name, plug.decided(plan.kind));
        let word = to.word();
        let pull = if to == Switch::Off { ": pull its plug" } else { "" };
        if let Some(decision) = plug.decision.as_ref().filter(|decision| decision.leaves_alone(plan.kind)) {
            return format!("{name}: not started, left as it is found ({})", decision.cause);
        }
        if !self.connected {
            return format!("{name}: {word} is decided and cannot be sent, the broker is not connected{pull}");
        }
        let dead = if plug.alive == Some(Alive::No) { ", its plug is not alive" } else { "" };
        match plug.proof {
            ProofStatus::Proven if to == Switch::Off && self.still_draws(id).is_true() => {
                let draws = plug.power.words(plan, self.now.steady);
                format!("{name}: told off and reports off, and {draws}{dead}{pull}")
            }
            ProofStatus::Proven => format!("{name}: {word}, proven by its report{dead}"),
            ProofStatus::Waiting => format!("{name}: told {word}, its report is awaited{dead}"),
            ProofStatus::NothingCommanded => format!("{name}: {word}, nothing was sent yet{dead}"),
            ProofStatus::CannotBeProven => {
                format!("{name}: told {word}, which nobody can prove (its plug has no report){pull}")
            }
            ProofStatus::NotProven if plug.nobody_listens => {
                format!("{name}: told {word}, and no plug listens on its command topic{dead}{pull}")
            }
            ProofStatus::NotProven => {
                let reported = match plug.report {
                    Some((state, _)) => format!("it reports {}", state.word()),
                    None => "it reports nothing".to_owned(),
                };
                format!("{name}: told {word} and NOT proven, {reported}{dead}{pull}")
            }
        }
    }

    /// Why a layer decides as it does, in words.
    pub(super) fn cause(&self, id: OutputId, layer: Layer) -> String {
        let plan = &self.plan.outputs[id.index()];
        match layer {
            Layer::Trip(interlock) => {
                let (name, live) = (&self.plan.interlocks[interlock.index()].name, &self.interlocks[interlock.index()]);
                let verb = if live.stage == Stage::Latched { "is latched" } else { "tripped" };
                format!("interlock {name} {verb}: {}", live.cause)
            }
            Layer::Permissive(index) => {
                let need = &plan.permissives[index];
                format!("its start needs {}: {}", need.name, self.evidence(need.condition))
            }
            Layer::Exclusion(other) => {
                format!("{} is on, and the two are never on together", self.plan.outputs[other.index()].name)
            }
            Layer::Withheld(top_off, why) => self.withheld_words(top_off, why),
            Layer::RunOver(top_off) => self.run_over_words(top_off),
            Layer::Undosed(doser, why) => self.undosed_words(doser, why),
            Layer::DoseOver(doser) => self.dose_over_words(doser),
            Layer::Hold(hold) => {
                let name = &self.plan.holds[hold.index()].name;
                let by = self.holds[hold.index()].active.as_ref().map_or("nobody", |active| active.by.as_str());
                format!("hold {name}, begun by {by}")
            }
            Layer::Force => match &self.forces[id.index()] {
                Some(force) => {
                    let until = self.plan.zone.time_of_day(self.now.wall_at(force.until));
                    format!("forced by {} until {until}", force.by)
                }
                None => "forced".to_owned(),
            },
            Layer::Turn => match self.last_start {
                Some(last) => format!(
                    "starts come one after the other, and {} started just now",
                    self.plan.outputs[last.output.index()].name
                ),
                None => "starts come one after the other".to_owned(),
            },
            Layer::MinimumTime => {
                let on = self.plugs[id.index()].decided(plan.kind) == Switch::On;
                let (least, word) = if on { (plan.least_on, "on") } else { (plan.least_off, "off") };
                let plug = &self.plugs[id.index()];
                match plug.starts_free_at(plan.kind, self.now.steady).filter(|_| !on) {
                    Some(at) => format!(
                        "it was started {} times within an hour, and rests until {}",
                        plug.starts.count(super::thermostat::HOUR, self.now.steady),
                        self.plan.zone.time_of_day(self.now.wall_at(at))
                    ),
                    None => format!("it stays {word} for at least {least}"),
                }
            }
            Layer::Rule(rule) => {
                let rule = &self.plan.rules[rule.index()];
                format!("rule {}: {}", rule.name, self.describe(rule.cause))
            }
            Layer::Loop => self.loop_cause(id),
            Layer::Schedule => match self.light_of(id) {
                Some(light) => self.light_words(light, self.now),
                None => "its schedule says so at this time of day".to_owned(),
            },
            Layer::Rest => "nobody wishes anything else".to_owned(),
        }
    }

    fn loop_cause(&self, id: OutputId) -> String {
        if let Some(top_off) = self.top_off_of(id) {
            return self.top_off_cause(top_off);
        }
        if let Some(doser) = self.doser_of(id) {
            return self.dosing_cause(doser);
        }
        let Some(plan) = &self.plan.thermostat else { return String::new() };
        let side = [plan.heat, plan.cool].into_iter().flatten().find(|side| side.output == id);
        let Some(side) = side else { return String::new() };
        let degrees = |value| conditions::amount(Quantity::Temperature, value);
        let heats = plan.heat.is_some_and(|heat| heat.output == id);
        let slowly = if heats && self.thermostat.ramp.is_on() {
            ", by 1 K an hour at most after a long time without heat"
        } else {
            ""
        };
        format!(
            "the temperature loop holds {}: on at {}, off at {}{slowly}; {}",
            degrees(plan.target),
            degrees(side.on_at),
            degrees(side.off_at),
            self.reading_text(plan.signal)
        )
    }

    /// Why an output is as it is: what every layer says, the first opinion winning.
    pub fn explain(&self, id: OutputId, _now: crate::time::Now) -> Explanation {
        let (plan, plug) = (&self.plan.outputs[id.index()], &self.plugs[id.index()]);
        let decided_by = plug.decision.as_ref().map(|decision| decision.layer);
        let mut layers = Vec::new();
        let mut say = |layer: &'static str, says: Option<Switch>, why: String, decides: bool| {
            layers.push(LayerOpinion { layer, says, why, decides });
        };
        if let Some(opinions) = self.opinions.get(id.index()) {
            let is = |layer: Layer| decided_by == Some(layer);
            let nothing = |layer: &str| format!("no {layer} concerns it now");
            match opinions.trip {
                Some((to, interlock)) => {
                    let layer = Layer::Trip(interlock);
                    say("trip", Some(to), self.cause(id, layer), is(layer));
                }
                None => say("trip", None, nothing("trip"), false),
            }
            match (opinions.start_blocked, decided_by) {
                (_, Some(layer @ (Layer::Exclusion(_) | Layer::RunOver(_) | Layer::DoseOver(_)))) => {
                    say("permissive", Some(Switch::Off), self.cause(id, layer), true);
                }
                (Some(layer), _) if opinions.running == Switch::Off => {
                    say("permissive", Some(Switch::Off), self.cause(id, layer), is(layer));
                }
                (Some(layer), _) => {
                    say("permissive", None, format!("it runs already; {}", self.cause(id, layer)), false);
                }
                (None, _) => say("permissive", None, "every permissive is there".to_owned(), false),
            }
            match opinions.hold {
                Some(hold) => {
                    let layer = Layer::Hold(hold);
                    say("hold", Some(Switch::Off), self.cause(id, layer), is(layer));
                }
                None => say("hold", None, nothing("hold"), false),
            }
            match opinions.force {
                Some(to) => say("force", Some(to), self.cause(id, Layer::Force), is(Layer::Force)),
                None => say("force", None, nothing("force"), false),
            }
            let turn = is(Layer::Turn);
            let waits = is(Layer::MinimumTime) || turn;
            let layer = if turn { Layer::Turn } else { Layer::MinimumTime };
            let minimum = if waits { self.cause(id, layer) } else { "no minimum time is in the way".to_owned() };
            say("minimum-time", waits.then(|| plug.decided(plan.kind)), minimum, waits);
            match opinions.rule {
                Some((to, rule)) => {
                    let layer = Layer::Rule(rule);
                    say("rule", Some(to), self.cause(id, layer), is(layer));
                }
                None => say("rule", None, nothing("rule"), false),
            }
            match opinions.control {
                Some(to) => say("loop", Some(to), self.loop_cause(id), is(Layer::Loop)),
                None => say("loop", None, "no loop wishes anything of it".to_owned(), false),
            }
            match opinions.schedule {
                Some(to) => say("schedule", Some(to), self.cause(id, Layer::Schedule), is(Layer::Schedule)),
                None => say("schedule", None, nothing("schedule"), false),
            }
            say("rest", Some(opinions.rest), "its state where nobody wishes anything".to_owned(), is(Layer::Rest));
        }
        let summary = plug.decision.as_ref().map_or_else(
            || format!("{}: nothing is decided yet", plan.name),
            |decision| {
                let since = self.plan.zone.show(decision.since);
                let cause = self.cause(id, decision.layer);
                format!("{} is {} since {since}: {cause}", plan.name, decision.to.word())
            },
        );
        Explanation {
            output: plan.name.clone(),
            summary,
            layers,
            rests_on: self.rests_on(id),
            proof: self.proof_sentence(id) + &self.power_sentence(id),
            untested: self.untested(id),
        }
    }

    /// Every signal that something about this output looks at, with its reading.
    fn rests_on(&self, id: OutputId) -> Vec<String> {
        let mut signals = std::collections::BTreeSet::new();
        let mut look = |condition| self.plan.leaves(condition, &mut |leaf: &Condition| signals.extend(leaf.signal()));
        for interlock in self.plan.interlocks.iter().filter(|plan| plan.effects.iter().any(|(o, _)| *o == id)) {
            look(interlock.cause);
        }
        for need in &self.plan.outputs[id.index()].permissives {
            look(need.condition);
        }
        for rule in self.plan.rules.iter().filter(|rule| rule.wishes.iter().any(|(o, _)| *o == id)) {
            look(rule.cause);
        }
        for top_off in self.plan.top_offs.iter().filter(|plan| plan.output == id) {
            look(top_off.wanted);
        }
        if let Some(plan) = &self.plan.thermostat
            && [plan.heat, plan.cool].into_iter().flatten().any(|side| side.output == id)
        {
            signals.insert(plan.signal);
        }
        signals
            .into_iter()
            .map(|signal| format!("{}: {}", self.plan.signals[signal.index()].name, self.reading_text(signal)))
            .collect()
    }
}

//! One tank: the only place where its state changes, by [`Tank::step`].
//!
//! A step first takes the event, then settles: votes, conditions, loops, interlocks, decisions,
//! commands, alarms, answers, always in this order. Analyse first, act second. Off goes before on.
//!
//! Most messages say what is known already (a plug's tenth report that it is on). Between two deadlines
//! time alone changes nothing, so a step whose event changed nothing has nothing to settle and ends there.
//! A property test steps a second tank that always settles beside this one, and finds no difference.

use crate::time::{Now, Span, Steady, Wall};
use crate::units::{Conductivity, Temperature};
use crate::water::salinity_probe;

use super::alarm::Alarm;
use super::alarm_links::{self, AlarmLinks};
use super::alarm_load::Flood;
use super::arbiter::{Layer, Opinions};
use super::conditions::{self, Facts, Node};
use super::deadlines::Deadlines;
use super::dosing::Doser;
use super::drain_back::DrainBack;
use super::drift::Drift;
use super::effect::{Deadline, DeadlineKind, Durability, Effect, JournalEntry, JournalKind};
use super::event::{Event, Retained};
use super::futile::{self, Futile};
use super::hold::{HANDS_IN, Hold, WaitingAnswer};
use super::ids::{ConditionId, HoldId, InterlockId, OutputId, ProbeId, RuleId};
use super::interlock::{Change, Interlock, Stage};
use super::lighting::Lamp;
use super::plan::{
    AtLimit, ConductivityPlan, InterlockPlan, LoopSide, OutputKind, OutputPlan, SignalPlan, Switch, TankPlan,
};
use super::plug::{Decision, Noticed, Plug, Telling};
use super::power::{self, Ask};
use super::probe::Probe;
use super::prove::Proving;
use super::quality::Fault;
use super::spacing::Start;
use super::state::TankState;
use super::stillness;
use super::thermostat::{Runs, Thermostat};
use super::top_off::TopOff;
use super::truth::Truth;
use super::vote::Signal;

/// Totals of what runs are saved at least this often; a kill loses no more of them.
const SAVE_TOTALS: Span = Span::from_seconds(60);
/// A wall clock that moves against the steady one by more than this has jumped. [F57]
const CLOCK_JUMP: i64 = 2000;
/// A condition on an output looks again so soon after a decision changed.
pub(super) const LOOK_AGAIN: Span = Span::from_millis(250);

/// What the store remembers of a tank at the start.
#[derive(Clone, Debug, PartialEq)]
pub enum Remembered {
    /// There was never a state.
    Nothing,
    /// The saved state.
    State(Box<TankState>),
    /// There was one and it cannot be read: safe values are taken.
    Damaged(String),
    /// The state of a backup of this moment: what may have been spent, given or latched since is taken as such.
    Restored(Box<TankState>, Wall),
}

/// Whether another settling at once could find something to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Calm {
    /// The last one found nothing.
    Settled,
    /// The last one did something, and conditions may rest on that.
    Moving,
    /// Settles at every step: the twin of the tests, which shows that it makes no difference.
    #[cfg(test)]
    Never,
}

impl Calm {
    fn after(self, effects: &[Effect]) -> Self {
        match self {
            #[cfg(test)]
            Self::Never => Self::Never,
            _ if effects.is_empty() => Self::Settled,
            _ => Self::Moving,
        }
    }
}

/// A keeper's force on one output.
#[derive(Clone, Debug)]
pub(super) struct Force {
    pub to: Switch,
    pub until: Steady,
    pub by: String,
}

/// One tank under control.
#[derive(Clone, Debug)]
pub struct Tank {
    pub(super) plan: TankPlan,
    pub(super) probes: Vec<Probe>,
    pub(super) signals: Vec<Signal>,
    pub(super) nodes: Vec<Node>,
    pub(super) thermostat: Thermostat,
    pub(super) futile: Futile,
    pub(super) top_offs: Vec<TopOff>,
    pub(super) dosers: Vec<Doser>,
    pub(super) lamps: Vec<Lamp>,
    pub(super) drain_back: DrainBack,
    pub(super) drift: Drift,
    pub(super) interlocks: Vec<Interlock>,
    pub(super) plugs: Vec<Plug>,
    pub(super) forces: Vec<Option<Force>>,
    pub(super) holds: Vec<Hold>,
    pub(super) alarms: Vec<Alarm>,
    /// How the plan's alarms hang together.
    pub(super) links: Vec<AlarmLinks>,
    pub(super) flood: Flood,
    pub(super) proving: Proving,
    pub(super) waiting: Vec<WaitingAnswer>,
    /// What each layer said of each output in the last step.
    pub(super) opinions: Vec<Opinions>,
    /// Whether the broker session stands.
    pub(super) connected: bool,
    pub(super) damaged: bool,
    /// The state came from a backup of this moment, and nobody has acknowledged that yet.
    pub(super) restored_from: Option<Wall>,
    pub(super) jumped_at: Option<Steady>,
    pub(super) now: Now,
    /// When this daemon began to look after the tank.
    pub(super) began_at: Steady,
    deadline: Option<Deadline>,
    /// Something that must survive changed in this step.
    pub(super) unsaved: bool,
    saved_at: Steady,
    calm: Calm,
    pub(super) last_start: Option<Start>,
    /// What conditions ask of each output's power.
    pub(super) asks: Vec<Vec<Ask>>,
}

impl Tank {
    /// A tank at the start of the daemon. Nothing is commanded before [`Self::step`].
    pub fn new(plan: TankPlan, remembered: Remembered, now: Now) -> Self {
        let mut tank = Self::blank(plan, now);
        tank.remember(remembered);
        tank
    }

    pub(super) fn blank(plan: TankPlan, now: Now) -> Self {
        let mut plugs = vec![Plug::new(now.steady); plan.outputs.len()];
        for (plug, output) in plugs.iter_mut().zip(&plan.outputs) {
            // A start of the daemon counts as a stop of the compressor, and of the top-off. [C3]
            if matches!(output.kind, OutputKind::Chiller | OutputKind::TopOff) {
                plug.changed_at = Some(now.steady);
            }
        }
        Self {
            probes: vec![Probe::default(); plan.probes.len()],
            signals: plan.signals.iter().map(Signal::new).collect(),
            nodes: vec![Node::default(); plan.conditions.len()],
            thermostat: Thermostat::default(),
            futile: Futile::default(),
            top_offs: Self::blank_top_offs(&plan, now.steady),
            dosers: Self::blank_dosers(&plan, now.steady),
            lamps: vec![Lamp::default(); plan.lights.len()],
            drain_back: DrainBack::default(),
            drift: Drift::default(),
            interlocks: vec![Interlock::default(); plan.interlocks.len()],
            forces: vec![None; plan.outputs.len()],
            holds: vec![Hold::default(); plan.holds.len()],
            alarms: vec![Alarm::default(); plan.alarms.len()],
            links: alarm_links::links(&plan),
            flood: Flood::default(),
            proving: Proving::default(),
            waiting: Vec::new(),
            opinions: Vec::with_capacity(plan.outputs.len()),
            plugs,
            connected: false,
            damaged: false,
            restored_from: None,
            jumped_at: None,
            now,
            began_at: now.steady,
            deadline: Some(Deadline { at: now.steady, why: DeadlineKind::Condition }),
            unsaved: false,
            saved_at: now.steady,
            calm: Calm::Moving,
            last_start: None,
            asks: power::asks(&plan),
            plan,
        }
    }

    /// Takes an event at a moment and says what is to be done, in order. Never fails, never blocks.
    pub fn step(&mut self, event: Event, now: Now) -> Vec<Effect> {
        let mut effects = Vec::new();
        let now = Now { steady: now.steady.max(self.now.steady), wall: now.wall };
        self.notice_clock_jump(now, &mut effects);
        self.now = now;
        for plug in &mut self.plugs {
            plug.count_time(now.steady);
        }
        let watched = self.proving.watches();
        let news = self.take(event, &mut effects) || watched;
        let due = self.deadline.is_some_and(|deadline| deadline.at <= now.steady);
        if !news && !due && self.calm == Calm::Settled && effects.is_empty() {
            return effects;
        }
        self.settle(&mut effects);
        self.calm = self.calm.after(&effects);
        // Commands leave before anybody writes about them; only a record that must be on disk first is before them.
        effects.sort_by_key(Effect::urgency);
        effects
    }

    #[cfg(test)]
    pub(super) fn settle_always(&mut self) {
        self.calm = Calm::Never;
    }

    /// When to call [`Self::step`] with [`Event::Woken`] at the latest, and what for.
    pub fn next_deadline(&self) -> Option<Deadline> {
        self.deadline
    }

    /// The plan in force.
    pub fn plan(&self) -> &TankPlan {
        &self.plan
    }

    /// Whether the wall clock moved against the steady one. Durations are steady and do not care;
    /// times of day follow the new wall; the keeper is told.
    fn notice_clock_jump(&mut self, now: Now, effects: &mut Vec<Effect>) {
        let expected = self.now.wall.after(now.steady.since(self.now.steady));
        let jump = now.wall.unix_millis().saturating_sub(expected.unix_millis());
        if jump.abs() <= CLOCK_JUMP {
            return;
        }
        let text = format!("the wall clock jumped by {} s; no duration changed", jump / 1000);
        effects.push(Effect::Journal(JournalEntry {
            at: now.wall,
            kind: JournalKind::System,
            subject: "clock".to_owned(),
            text,
        }));
        if jump.abs() > 60_000 {
            self.jumped_at = Some(now.steady);
        }
    }

    /// Takes an event in. Returns whether it changed anything that a decision may rest on; `true` where in doubt.
    fn take(&mut self, event: Event, effects: &mut Vec<Effect>) -> bool {
        let now = self.now.steady;
        match event {
            Event::ReadingArrived { probe, reading, retained } => {
                return self.take_reading(probe, reading.map_err(Fault::Undecodable), retained);
            }
            Event::ReportArrived { output, report: Ok(state), retained: Retained::No } => {
                return self.take_report(output, state, effects);
            }
            Event::MeterArrived { output, watts: Ok(watts), retained: Retained::No } => {
                return self.take_power(output, watts);
            }
            Event::AliveArrived { output, alive: Ok(alive) } => {
                return self.take_life(output, |plug, plan| plug.said_alive(plan, alive, now), effects);
            }
            Event::UptimeArrived { output, uptime: Ok(uptime), retained: Retained::No } => {
                return self.take_life(output, |plug, plan| plug.said_uptime(plan, uptime, now), effects);
            }
            Event::LevelArrived { output, percent: Ok(percent), retained: Retained::No } => {
                return self.light_of(output).is_some_and(|light| self.lamps[light].hear(percent, now));
            }
            Event::ForeignCommandSeen { output, command, retained } => {
                self.take_foreign_command(output, command, retained, effects);
            }
            Event::CommandAcknowledged { output, outcome } => {
                if let Some(plug) = self.plugs.get_mut(output.index()) {
                    let before = plug.standing();
                    let noticed = plug.broker_said(&self.plan.outputs[output.index()], outcome, now);
                    let news = plug.standing() != before;
                    self.write_down(output, noticed, effects);
                    return news;
                }
            }
            Event::BrokerConnected => {
                self.connected = true;
                self.journal(JournalKind::System, "broker", "connected; the newest decisions are told again", effects);
            }
            Event::BrokerLost => {
                if self.connected {
                    self.journal(JournalKind::System, "broker", "lost; nothing is queued for it", effects);
                }
                self.connected = false;
                self.plugs.iter_mut().for_each(Plug::forget_broker);
            }
            Event::RequestArrived { id, by, request } => self.take_request(id, &by, request, effects),
            // What cannot be read says nothing; wire counts it.
            Event::ReportArrived { .. }
            | Event::MeterArrived { .. }
            | Event::AliveArrived { .. }
            | Event::UptimeArrived { .. }
            | Event::LevelArrived { .. } => return false,
            Event::Woken => {}
        }
        true
    }

    fn take_reading(&mut self, id: ProbeId, reading: Result<f64, Fault>, retained: Retained) -> bool {
        let now = self.now.steady;
        let (Some(probe), Some(plan)) = (self.probes.get_mut(id.index()), self.plan.probes.get(id.index())) else {
            return false;
        };
        let reading = match &plan.conductivity {
            Some(probe) => reading.and_then(|sent| salinity(probe, sent, &self.signals)),
            None => reading,
        };
        let before = probe.standing(plan, now);
        probe.take(plan, reading, retained, now);
        let news = probe.standing(plan, now) != before;
        if !news && let Some(at) = probe.accepted_at() {
            // The age is shown, and nothing rests on it before its deadline.
            let with = |signal: &SignalPlan| signal.probes.contains(&id);
            let signals = self.signals.iter_mut().zip(&self.plan.signals).filter(|(_, plan)| with(plan));
            let quality = probe.quality(plan, now);
            signals.for_each(|(signal, _)| signal.heard_again(quality, at));
        }
        news
    }

    fn take_report(&mut self, output: OutputId, state: Switch, effects: &mut Vec<Effect>) -> bool {
        let now = self.now.steady;
        self.take_life(output, |plug, plan| plug.reported(plan, state, now), effects)
    }

    /// A plug said something of itself. Returns whether it is news.
    fn take_life(
        &mut self,
        output: OutputId,
        take: impl FnOnce(&mut Plug, &OutputPlan) -> Noticed,
        effects: &mut Vec<Effect>,
    ) -> bool {
        let Some(plug) = self.plugs.get_mut(output.index()) else { return false };
        let before = plug.standing();
        let noticed = take(plug, &self.plan.outputs[output.index()]);
        let news = plug.standing() != before;
        self.write_down(output, noticed, effects);
        news
    }

    fn take_foreign_command(
        &mut self,
        output: OutputId,
        command: Option<Switch>,
        retained: Retained,
        effects: &mut Vec<Effect>,
    ) {
        let now = self.now.steady;
        let Some(plug) = self.plugs.get_mut(output.index()) else { return };
        plug.foreign_at = Some(now);
        plug.conflict.kept = retained == Retained::Yes;
        // Undone in the unsafe direction only; towards off, its report will tell.
        if command == Some(Switch::On) && plug.told == Some(Switch::Off) {
            plug.undo(now);
        }
        if command == Some(Switch::Off) {
            plug.foreign_off_at = Some(now);
        }
        let what = command.map_or("something that is none of our payloads", Switch::word);
        let kept = if retained == Retained::Yes {
            "; it is retained, so the plug gets it again at every subscription: find who retains it and clear it"
        } else {
            ""
        };
        let name = self.plan.outputs[output.index()].name.clone();
        self.journal(JournalKind::Foreign, &name, format!("somebody else commands {what}{kept}"), effects);
    }

    /// Writes down what a plug's report or silence meant.
    fn write_down(&mut self, output: OutputId, noticed: Noticed, effects: &mut Vec<Effect>) {
        let state = self.plugs[output.index()].told.map_or("", Switch::word);
        let (kind, text) = match noticed {
            Noticed::Nothing | Noticed::OffUnexplained => return,
            Noticed::Proven => (JournalKind::Proof, format!("proven {state} by its report")),
            Noticed::NotProven => (JournalKind::Proof, format!("told {state}, and not proven in time")),
            Noticed::Rebooted => {
                let plug = &self.plugs[output.index()];
                let into = plug.report.map_or("another state", |(state, _)| state.word());
                let wrong = if plug.restarts.wrong_boot { ", which is not what `boots:` says" } else { "" };
                let then = plug.told.map_or_else(|| "it rests".to_owned(), |to| format!("told {} again", to.word()));
                (JournalKind::Proof, format!("its plug restarted into {into}{wrong}; {then}"))
            }
            Noticed::Restarted => (JournalKind::Proof, "its plug restarted".to_owned()),
            Noticed::SwitchedOn => (JournalKind::Foreign, "somebody switched it on against us; told off".to_owned()),
        };
        self.unsaved = true;
        let name = self.plan.outputs[output.index()].name.clone();
        self.journal(kind, &name, text, effects);
    }

    fn settle(&mut self, effects: &mut Vec<Effect>) {
        let mut deadlines = Deadlines::default();
        let now = self.now.steady;
        for (probe, plan) in self.probes.iter().zip(&self.plan.probes) {
            probe.deadline(plan, now, &mut deadlines);
        }
        stillness::follow(&self.plan, &mut self.probes, now, &mut deadlines);
        for (signal, plan) in self.signals.iter_mut().zip(&self.plan.signals) {
            signal.vote(plan, &self.plan.probes, &mut self.probes, now, &mut deadlines);
        }
        self.power_grows_old(&mut deadlines);
        self.evaluate_conditions(&mut deadlines);
        self.wish_heat(&mut deadlines);
        self.follow_bypasses(effects, &mut deadlines);
        self.follow_interlocks(effects, &mut deadlines);
        self.insist_on_offs();
        self.follow_holds(effects, &mut deadlines);
        self.follow_proofs(effects, &mut deadlines);
        self.end_forces(effects, &mut deadlines);
        self.explain_offs(effects, &mut deadlines);
        for index in 0..self.plugs.len() {
            let noticed = self.plugs[index].expire(now);
            self.write_down(OutputId::new(index), noticed, effects);
        }
        self.follow_drain_back(effects, &mut deadlines);
        self.follow_top_offs(effects, &mut deadlines);
        self.follow_dosing(effects, &mut deadlines);
        self.follow_heat(&mut deadlines);
        self.gather_opinions(&mut deadlines);
        self.gather_top_offs();
        self.gather_dosing();
        self.gather_lights(&mut deadlines);
        if self.decide(effects, &mut deadlines) {
            deadlines.ask(now.after(LOOK_AGAIN), DeadlineKind::Condition);
        }
        self.tell_lights(effects, &mut deadlines);
        if self.connected {
            self.tell_plugs(effects, &mut deadlines);
        }
        self.pay_top_offs(effects, &mut deadlines);
        self.follow_drift(&mut deadlines);
        self.pay_doses(effects, &mut deadlines);
        self.follow_alarms(effects, &mut deadlines);
        self.answer_waiting(effects, &mut deadlines);
        self.save(effects, &mut deadlines);
        self.deadline = deadlines.earliest();
    }

    fn wish_heat(&mut self, deadlines: &mut Deadlines) {
        let Some(plan) = &self.plan.thermostat else { return };
        let now = self.now.steady;
        let plug = |side: LoopSide| &self.plugs[side.output.index()];
        let runs = |side: Option<LoopSide>| {
            side.is_some_and(|side| plug(side).decision.as_ref().is_some_and(|decision| decision.to == Switch::On))
        };
        let heated_at = plan.heat.and_then(|side| plug(side).last_on);
        let runs = Runs { heating: runs(plan.heat), cooling: runs(plan.cool), heated_at };
        let before = self.thermostat.heat;
        self.thermostat.wish(plan, &self.signals[plan.signal.index()].vote, runs, now, deadlines);
        stillness::switched(&self.plan, &mut self.probes, before, self.thermostat.heat, now);
    }

    /// Whether the heat that is given arrives.
    fn follow_heat(&mut self, deadlines: &mut Deadlines) {
        let Some(plan) = &self.plan.thermostat else { return };
        let Some(heater) = plan.heat.map(|side| side.output.index()) else { return };
        let Some(watts) = self.plan.outputs[heater].rating else { return };
        let vote = &self.signals[plan.signal.index()].vote;
        let water = (vote.quality.is_good() && self.plugs[heater].running() == Switch::On).then_some(vote.value);
        let least = futile::least_rise(watts.watts(), self.plan.water.litres());
        self.futile.follow(water, least, self.now.steady, deadlines);
    }

    fn evaluate_conditions(&mut self, deadlines: &mut Deadlines) {
        let mut nodes = std::mem::take(&mut self.nodes);
        self.with_facts(|facts| conditions::evaluate(&mut nodes, &self.plan, facts, self.now, deadlines));
        self.nodes = nodes;
    }

    /// What conditions look at, lent to `look`.
    pub(super) fn with_facts<T>(&self, look: impl FnOnce(&Facts<'_>) -> T) -> T {
        let outputs = |id: OutputId| {
            let plug = &self.plugs[id.index()];
            (plug.decided(self.plan.outputs[id.index()].kind), plug.evidence())
        };
        let held = |id: HoldId| self.holds[id.index()].active.is_some();
        look(&Facts {
            probes: &self.probes,
            signals: &self.signals,
            outputs: &outputs,
            plugs: &self.plugs,
            held: &held,
            top_offs: &self.top_offs,
            dosers: &self.dosers,
        })
    }

    /// A condition in words, with what it rests on.
    pub(super) fn describe(&self, id: ConditionId) -> String {
        self.with_facts(|facts| conditions::describe(&self.plan, id, facts, self.now.steady))
    }

    /// What a condition of many parts rests on.
    pub(super) fn evidence(&self, id: ConditionId) -> String {
        self.with_facts(|facts| conditions::evidence(&self.plan, id, facts, self.now.steady))
    }

    fn follow_interlocks(&mut self, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        let now = self.now;
        for index in 0..self.interlocks.len() {
            let plan = &self.plan.interlocks[index];
            let truth = self.nodes[plan.cause.index()].truth;
            let runs = |(output, _): &(OutputId, Switch)| {
                let plug = &self.plugs[output.index()];
                let decided = || plug.decided(self.plan.outputs[output.index()].kind);
                plug.evidence().unwrap_or_else(decided) == Switch::On
            };
            let stops = plan.effects.iter().any(runs);
            let interlock = &mut self.interlocks[index];
            let proven = interlock.is_proven(plan, &self.plan, &self.probes, &self.plugs, now.steady, deadlines);
            let change = interlock.follow(plan, truth, proven, stops, now.steady);
            if truth == Truth::Unknown && interlock.known && interlock.stage != Stage::Armed {
                let cause = plan.cause;
                self.assume_lasted(cause);
            }
            if change == Change::None {
                continue;
            }
            let cause = self.describe_or_show(self.plan.interlocks[index].cause);
            let interlock = &mut self.interlocks[index];
            let text = match change {
                Change::Tripped if truth.is_true() => format!("tripped: {cause}"),
                Change::Tripped => format!("tripped, for its cause cannot be seen: {cause}"),
                Change::Confirmed => format!("confirmed: {cause}"),
                Change::Latched => format!("latched: {cause}"),
                Change::LatchedByCount => format!("latched: {}", too_often(&self.plan.interlocks[index], &cause)),
                Change::Cleared | Change::None => "cleared, the cause is gone".to_owned(),
            };
            // Where starts are limited, a trip of what stands already takes none of them: a kill tells it anew.
            let counts = stops || self.plan.interlocks[index].restarts.is_none();
            if interlock.known && counts && change != Change::Cleared {
                interlock.count_trip(now.steady);
            }
            if matches!(change, Change::Tripped | Change::LatchedByCount) {
                interlock.since = now.wall;
                interlock.last_trip = Some(now.wall);
            }
            if matches!(change, Change::Tripped | Change::Confirmed | Change::Latched) {
                interlock.cause = cause;
            } else if change == Change::LatchedByCount {
                interlock.cause = too_often(&self.plan.interlocks[index], &cause);
            }
            let latched = interlock.stage == Stage::Latched;
            self.unsaved = true;
            if latched {
                effects.push(Effect::SaveState(Durability::AfterTheCommands));
            }
            let name = self.plan.interlocks[index].name.clone();
            self.journal(JournalKind::Trip, &name, text, effects);
        }
    }

    /// Forces end by themselves.
    fn end_forces(&mut self, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        let now = self.now.steady;
        for index in 0..self.forces.len() {
            let Some(force) = &self.forces[index] else { continue };
            if force.until > now {
                deadlines.ask(force.until, DeadlineKind::Hold);
                continue;
            }
            self.forces[index] = None;
            self.unsaved = true;
            let name = self.plan.outputs[index].name.clone();
            self.journal(JournalKind::Force, &name, "ended, its time is over", effects);
        }
    }

    /// An off that we did not command: several together are a power cut, one alone is a person.
    fn explain_offs(&mut self, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        let now = self.now.steady;
        for index in 0..self.plugs.len() {
            // A person was asked to cut it.
            if self.plugs[index].unexplained_off.is_some() && self.proving.cuts_power_of(OutputId::new(index)) {
                let rests = self.plan.outputs[index].kind == OutputKind::Chiller;
                self.plugs[index].lost_power(rests.then_some(now));
            }
        }
        let Some(first) = self.plugs.iter().filter_map(|plug| plug.unexplained_off).min() else { return };
        let off: Vec<_> = (0..self.plugs.len()).filter(|index| self.plugs[*index].unexplained_off.is_some()).collect();
        let spans = off.iter().map(|index| Plug::looked_at_for(&self.plan.outputs[*index], off.len()));
        let due = first.after(spans.max().unwrap_or_default());
        if due > now {
            deadlines.ask(due, DeadlineKind::Proof);
            return;
        }
        let names: Vec<_> = off.iter().map(|index| self.plan.outputs[*index].name.to_string()).collect();
        let names = names.join(", ");
        if off.len() > 1 {
            for index in off {
                let rests = self.plan.outputs[index].kind == OutputKind::Chiller;
                self.plugs[index].lost_power(rests.then_some(now));
            }
            let text = "went off together, so their power was away; started again one after the other";
            self.journal(JournalKind::Foreign, &names, text, effects);
            return;
        }
        for index in off {
            self.plugs[index].unexplained_off = None;
            self.plugs[index].foreign_at = Some(now);
            let kind = self.plan.outputs[index].kind;
            if kind.may_always_be_off() && self.plugs[index].told_off_by_another(first) {
                // Off is safe here: it is told of, and not fought.
                let text = "switched off by somebody else's command; left off for now";
                self.journal(JournalKind::Foreign, &names, text, effects);
                let (until, by) = (now.after(super::requests::DEFAULT_FORCE), "somebody else's command".to_owned());
                self.forces[index] = Some(Force { to: Switch::Off, until, by });
                continue;
            }
            let by = format!("a person at the plug of {names}");
            self.journal(JournalKind::Foreign, &names, "switched off by hand; nothing restarts by itself", effects);
            if let Some(hold) = self.plan.hold(HANDS_IN) {
                self.begin_hold(hold, &by, Some(OutputId::new(index)), effects);
            } else {
                let until = now.after(super::requests::DEFAULT_FORCE);
                self.forces[index] = Some(Force { to: Switch::Off, until, by });
            }
        }
    }

    fn gather_opinions(&mut self, deadlines: &mut Deadlines) {
        let now = self.now;
        self.opinions.clear();
        for (index, plan) in self.plan.outputs.iter().enumerate() {
            let plug = &self.plugs[index];
            let decided = plug.decided(plan.kind);
            let least = if decided == Switch::On { plan.least_on } else { plan.least_off };
            let minimum_ends = plug.changed_at.map(|at| at.after(least)).filter(|end| *end > now.steady);
            if let Some(end) = minimum_ends {
                deadlines.ask(end, DeadlineKind::Minimum);
            }
            let missing = plan.permissives.iter().position(|need| !self.nodes[need.condition.index()].truth.is_true());
            // Too many starts within an hour: the next one waits, whoever wishes it.
            let worn = plug.starts_free_at(plan.kind, now.steady);
            if let Some(at) = worn {
                deadlines.ask(at, DeadlineKind::Minimum);
            }
            self.opinions.push(Opinions {
                trip: None,
                start_blocked: missing.map(Layer::Permissive).or(worn.map(|_| Layer::MinimumTime)),
                hold: None,
                pauses_soon: false,
                force: self.forces[index].as_ref().map(|force| force.to),
                rule: None,
                control: None,
                schedule: None,
                rest: plan.rest,
                running: plug.running(),
                decided,
                minimum_runs: minimum_ends.is_some(),
                run_over: None,
                compressor_rests: minimum_ends.is_some() && plan.kind == OutputKind::Chiller && decided == Switch::Off,
            });
        }
        self.gather_trips();
        for (index, hold) in self.holds.iter().enumerate() {
            let Some(active) = &hold.active else { continue };
            // The top-off first, since it misreads what follows; a pump that runs last, when nothing needs its flow.
            for output in self.plan.holds[index].pauses.iter().chain(&active.also) {
                let kind = self.plan.outputs[output.index()].kind;
                // Where only the release of the rest is refused, the last life support need not stand still for it.
                let over = active.overdue && self.plan.holds[index].at_limit == AtLimit::Release;
                if over && kind == OutputKind::Powerhead && !active.also.contains(output) {
                    continue;
                }
                let opinions = &mut self.opinions[output.index()];
                let waits = kind.is_life_support() && opinions.running == Switch::On && active.pumps_at > now.steady;
                if waits && !active.also.contains(output) {
                    opinions.pauses_soon = true;
                    deadlines.ask(active.pumps_at, DeadlineKind::Hold);
                } else {
                    opinions.hold.get_or_insert(HoldId::new(index));
                }
            }
        }
        for (index, rule) in self.plan.rules.iter().enumerate() {
            if self.nodes[rule.cause.index()].truth.is_true() {
                for (output, to) in &rule.wishes {
                    self.opinions[output.index()].rule.get_or_insert((*to, RuleId::new(index)));
                }
            }
        }
        if let Some(plan) = &self.plan.thermostat {
            let sides = [(plan.heat, self.thermostat.heat), (plan.cool, self.thermostat.cool)];
            for (side, wish) in sides {
                if let (Some(side), Some(wish)) = (side, wish) {
                    self.opinions[side.output.index()].control = Some(wish);
                }
            }
        }
        let local = self.plan.zone.time_of_day(now.wall);
        for schedule in &self.plan.schedules {
            let on = schedule.on.iter().any(|window| window.contains(local));
            self.opinions[schedule.output.index()].schedule = Some(if on { Switch::On } else { Switch::Off });
            for window in &schedule.on {
                deadlines.ask(now.steady.after(window.look_again(local)), DeadlineKind::Condition);
            }
        }
    }

    fn gather_trips(&mut self) {
        for (index, interlock) in self.interlocks.iter().enumerate().filter(|(_, interlock)| interlock.acts()) {
            for (output, to) in &self.plan.interlocks[index].effects {
                let kind = self.plan.outputs[output.index()].kind;
                // Lost information never turns off a pump.
                if *to == Switch::Off && kind.is_life_support() && !interlock.known {
                    continue;
                }
                let trip = &mut self.opinions[output.index()].trip;
                // Of two opposing trips the safe state wins.
                if trip.is_none_or(|(other, _)| other != *to && *to == kind.rest()) {
                    *trip = Some((*to, InterlockId::new(index)));
                }
            }
        }
    }

    /// Decides every output. Returns whether any decided state changed.
    fn decide(&mut self, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) -> bool {
        let mut decisions: Vec<(Switch, Layer)> = self.opinions.iter().map(Opinions::decide).collect();
        self.never_both(&mut decisions);
        self.space_starts(&mut decisions, deadlines);
        let mut changed = false;
        for (index, (to, layer)) in decisions.into_iter().enumerate() {
            self.plugs[index].wished = self.opinions[index].wish().0;
            let before = self.plugs[index].decision.as_ref().map(|decision| (decision.to, decision.layer));
            if before == Some((to, layer)) {
                continue;
            }
            let cause = self.cause(OutputId::new(index), layer);
            let decision = Decision { to, layer, cause, since: self.now.wall };
            let plug = &mut self.plugs[index];
            if before.is_some_and(|(before, _)| before != to) {
                plug.changed_at = Some(self.now.steady);
            }
            if before.is_none_or(|(before, _)| before != to) {
                changed = true;
                self.unsaved = true;
                if to == Switch::On && self.opinions[index].running == Switch::Off {
                    self.plugs[index].starts.note(self.now.steady);
                    if let Some(plan) = &self.plan.thermostat {
                        self.thermostat.started(plan, OutputId::new(index), self.now.steady);
                    }
                }
                let plan = &self.plan.outputs[index];
                let word = if decision.leaves_alone(plan.kind) { "left as it is found" } else { to.word() };
                let (name, text) = (plan.name.clone(), format!("{word}: {}", decision.cause));
                self.journal(JournalKind::Command, &name, text, effects);
            }
            self.plugs[index].decision = Some(decision);
        }
        changed
    }

    /// Heater and chiller are never both commanded on: the heater yields, for a cool tank has hours.
    fn never_both(&self, decisions: &mut [(Switch, Layer)]) {
        let is_on = |kind: OutputKind, decisions: &[(Switch, Layer)]| {
            (0..decisions.len()).find(|i| self.plan.outputs[*i].kind == kind && decisions[*i].0 == Switch::On)
        };
        let Some(chiller) = is_on(OutputKind::Chiller, decisions) else { return };
        while let Some(heater) = is_on(OutputKind::Heater, decisions) {
            decisions[heater] = (Switch::Off, Layer::Exclusion(OutputId::new(chiller)));
        }
    }

    fn tell_plugs(&mut self, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        for first in [Switch::Off, Switch::On] {
            for index in 0..self.plugs.len() {
                let output = OutputId::new(index);
                let plan = &self.plan.outputs[index];
                if self.plugs[index].decided(plan.kind) != first {
                    continue;
                }
                // The hold asks for the moment at which it stops; until then the on that it was told stands.
                let stands = self.opinions[index].pauses_soon && self.plugs[index].told == Some(Switch::On);
                if first == Switch::On && stands {
                    continue;
                }
                let once = self.dose_of(output);
                match self.plugs[index].tell(plan, once, self.now.steady, deadlines) {
                    Some(Telling::Switch(to, attempt)) => {
                        let cause = self.plugs[index].decision.as_ref().map_or_else(String::new, |d| d.cause.clone());
                        let once = once.filter(|_| to == Switch::On);
                        effects.push(Effect::SwitchPlug { output, to, attempt, once, cause });
                    }
                    Some(Telling::Refresh) => effects.push(Effect::RefreshLease { output }),
                    None => {}
                }
            }
        }
    }

    fn save(&mut self, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        let now = self.now.steady;
        let runs = self.plugs.iter().any(|plug| plug.running() == Switch::On);
        let due = self.saved_at.after(SAVE_TOTALS);
        if self.unsaved || (runs && due <= now) {
            self.unsaved = false;
            self.saved_at = now;
            effects.push(Effect::SaveState(Durability::Soon));
        }
        if runs {
            deadlines.ask(self.saved_at.after(SAVE_TOTALS), DeadlineKind::Save);
        }
    }

    pub(super) fn journal(&self, kind: JournalKind, subject: &str, text: impl Into<String>, effects: &mut Vec<Effect>) {
        let entry = JournalEntry { at: self.now.wall, kind, subject: subject.to_owned(), text: text.into() };
        effects.push(Effect::Journal(entry));
    }
}

/// Why a trip stays though its cause may go, in words.
fn too_often(plan: &InterlockPlan, cause: &str) -> String {
    let most = plan.restarts.unwrap_or(0);
    format!("{cause}; more than {most} trips within an hour, so nothing starts again before a reset")
}

/// The salinity of what a conductivity probe sent, by the temperature as it was last voted.
fn salinity(probe: &ConductivityPlan, sent: f64, signals: &[Signal]) -> Result<f64, Fault> {
    let vote = signals[probe.temperature.index()].vote;
    if !vote.quality.is_good() {
        return Err(Fault::NoTemperature);
    }
    let reading = Conductivity::from_millisiemens_per_cm(sent).map_err(|_| Fault::OutOfRange)?;
    let temperature = Temperature::from_celsius(vote.value).map_err(|_| Fault::NoTemperature)?;
    // In air a probe conducts nothing: PSS-78 gives a salinity near 0, which the range then refuses.
    salinity_probe::salinity_of(reading, temperature, probe.compensation, probe.calibration)
        .map(crate::units::PracticalSalinity::psu)
        .map_err(|_| Fault::OutOfRange)
}

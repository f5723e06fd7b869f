//! A session: begun, gone through step by step, broken off and gone on with.
//!
//! The command line, the `ask` topic and a page all ask the same: [`ProveAct`]. Whatever a step changes it changes
//! here and in `judge`; `course` ends every step.

use crate::time::Span;

use super::super::effect::{Answer, Durability, Effect, JournalKind};
use super::super::event::ProveAct;
use super::super::ids::{OutputId, ProbeId};
use super::super::plan::Switch;
use super::super::quality::Quality;
use super::super::requests::{done, refused};
use super::super::tank::{Force, Tank};
use super::items::{self, Check, Item};
use super::undo::Undo;
use super::{LONGEST_STEP, ProofOutcome, ProofRecord, SIGNED, Session, Stage, Watch};

impl Tank {
    pub(in crate::control) fn ask_prove(
        &mut self,
        by: &str,
        act: ProveAct,
        what: Option<&str>,
        code: Option<u32>,
        signed: Option<&str>,
        effects: &mut Vec<Effect>,
    ) -> Result<Answer, Answer> {
        let name = signed.map(str::trim).filter(|name| !name.is_empty());
        let way = by;
        let by =
            name.map_or_else(|| by.to_owned(), |name| format!("{} ({by})", name.chars().take(60).collect::<String>()));
        if act == ProveAct::Begin {
            return self.begin_session(&by, what, effects);
        }
        let Some(session) = &mut self.proving.session else {
            let fix = "begin one: `prove begin`, or `prove begin NAME` for one thing".to_owned();
            return Err(refused("no proof test goes on", vec![fix]));
        };
        session.acted = self.now.steady;
        // Who gives a name signs; whoever goes on by the same way without one goes on in that name.
        let same_way = name.is_none() && session.by.ends_with(&format!("({way})"));
        if !same_way {
            session.by.clone_from(&by);
        }
        if act != ProveAct::Show {
            effects.push(Effect::SaveState(Durability::AfterTheCommands));
        }
        match act {
            ProveAct::Begin | ProveAct::Show => Ok(self.session_answer("the proof tests go on")),
            ProveAct::Ready => self.begin_step(effects),
            ProveAct::Yes => self.answer_yes(code, effects),
            ProveAct::No => self.answer_no(effects),
            ProveAct::Skip => {
                self.break_off("");
                self.next_step(ProofOutcome::Skipped, "left out", effects);
                Ok(self.session_answer("skipped"))
            }
            ProveAct::Leave => {
                if self.is_watching() {
                    self.break_off("it was left: do it again");
                }
                Ok(done("the step is left and what it changed goes back; `prove begin` goes on with it"))
            }
            ProveAct::Stop => {
                self.break_off("");
                self.end_session(&format!("stopped by {by}"), effects);
                Ok(done("the proof tests are stopped; what was proven stays proven"))
            }
        }
    }

    fn begin_session(&mut self, by: &str, what: Option<&str>, effects: &mut Vec<Effect>) -> Result<Answer, Answer> {
        if let Some(session) = &mut self.proving.session {
            session.acted = self.now.steady;
            return match what {
                None => Ok(self.session_answer("the proof tests go on where they were")),
                Some(_) => Err(refused(
                    format!("proof tests go on already, begun by {}", session.by),
                    vec!["go on with `prove begin`, or end them by `prove stop`".to_owned()],
                )),
            };
        }
        let all = Item::all(&self.plan);
        let wanted: Vec<Item> = match what {
            None => all.iter().copied().filter(|item| self.is_wanted(*item)).collect(),
            Some("all") => all.clone(),
            Some(name) => {
                let fits = |item: &&Item| {
                    item.subject(&self.plan) == name || item.check().word() == name || item.key(&self.plan) == name
                };
                all.iter().filter(fits).copied().collect()
            }
        };
        if wanted.is_empty() {
            return match what {
                None => Ok(done("everything is proven and nothing is due; name one thing to prove it again, or `all`")),
                Some(name) => {
                    let mut known: Vec<&str> = all.iter().map(|item| item.subject(&self.plan)).collect();
                    known.dedup();
                    known.sort_unstable();
                    known.dedup();
                    let details = vec![format!("known: all, {}", known.join(", "))];
                    Err(Answer {
                        outcome: super::super::Outcome::Unknown,
                        ..refused(format!("there is nothing `{name}` to prove"), details)
                    })
                }
            };
        }
        self.proving.session = Some(Session {
            by: by.to_owned(),
            begun: self.now.wall,
            queue: wanted.into(),
            done: Vec::new(),
            stage: Stage::Ready,
            said: None,
            acted: self.now.steady,
        });
        effects.push(Effect::SaveState(Durability::AfterTheCommands));
        self.journal(JournalKind::Test, "proof tests", format!("begun by {by}"), effects);
        Ok(self.session_answer("proof tests begin"))
    }

    /// Never proven, void, failed or overdue soon: within a quarter of its time.
    fn is_wanted(&self, item: Item) -> bool {
        let lasts = item.lasts(&self.plan);
        let early = Span::from_millis(lasts.millis() / 4);
        let Some(record) = self.proof_of(item) else { return true };
        record.failed.is_some() || record.proven.is_none_or(|at| at.after(lasts.minus(early)) <= self.now.wall)
    }

    /// The results of this very binding.
    pub(super) fn proof_of(&self, item: Item) -> Option<&ProofRecord> {
        let record = self.proving.proofs.get(&item.key(&self.plan))?;
        (record.mark == item.mark(&self.plan)).then_some(record)
    }

    pub(super) fn at_hand(&self) -> Option<Item> {
        self.proving.session.as_ref()?.queue.front().copied()
    }

    /// Begins the step at hand: takes down what is, changes what it must, and looks on.
    fn begin_step(&mut self, effects: &mut Vec<Effect>) -> Result<Answer, Answer> {
        let Some(item) = self.at_hand() else { return Err(refused("nothing is left to prove", Vec::new())) };
        if !self.proving.session.as_ref().is_some_and(|session| matches!(session.stage, Stage::Ready)) {
            return Err(refused(
                "this step goes on already",
                vec!["`prove skip` or `prove stop` breaks it off".to_owned()],
            ));
        }
        if let Some(reason) = self.step_refusal(item) {
            let fix = "do what is missing and say ready again, or skip it".to_owned();
            return Err(refused(format!("{} cannot be proven now", item.key(&self.plan)), vec![reason, fix]));
        }
        if item == Item::Arrives {
            self.send_tests(effects);
            return Ok(self.session_answer("a test message is on its way"));
        }
        let now = self.now;
        let lasts = self.step_lasts(item);
        let from = item.output(&self.plan).map_or(Switch::Off, |output| self.plugs[output.index()].running());
        let probes = self.probes_of(item);
        if !probes.is_empty() {
            let in_hand = item.probe().filter(|probe| item.check() == Check::Moves && !self.is_thermometer(*probe));
            if let Some(probe) = in_hand {
                self.probes[probe.index()].take_in_hand(&self.plan.probes[probe.index()], now.steady);
            }
            let by = self.proving.session.as_ref().map_or_else(String::new, |session| session.by.clone());
            self.proving.undo.push(Undo {
                probe: item.probe(),
                in_hand: in_hand.is_some(),
                base: item.probe().and_then(|probe| self.fresh_value(probe)),
                interlocks: self.at_rest_and_looking_at(&probes),
                by,
                until: now.steady.after(lasts),
                until_wall: now.wall.after(lasts),
                step_over: false,
                broken_off: false,
            });
            effects.push(Effect::SaveState(Durability::BeforeWhatFollows));
        }
        let trips = match item {
            Item::WetAndDry(probe) => self.tripped_alone_by(probe),
            _ => Vec::new(),
        };
        let watch = Watch {
            until: now.steady.after(lasts),
            until_wall: now.wall.after(lasts),
            phase: 0,
            phase_at: now.steady,
            base: (0..self.probes.len()).map(|at| self.fresh_value(ProbeId::new(at))).collect(),
            moved: vec![0.0; self.probes.len()],
            other_since: None,
            differed: false,
            ordered: None,
            from,
            watts: None,
            trips,
            seen: Vec::new(),
        };
        if let Some(session) = &mut self.proving.session {
            session.stage = Stage::Watching(Box::new(watch));
            session.said = None;
        }
        let key = item.key(&self.plan);
        self.journal(JournalKind::Test, &key, "looked at", effects);
        Ok(self.session_answer("watching"))
    }

    fn is_watching(&self) -> bool {
        self.proving.session.as_ref().is_some_and(|session| matches!(session.stage, Stage::Watching(_)))
    }

    fn is_thermometer(&self, probe: ProbeId) -> bool {
        self.plan.probes[probe.index()].quantity == crate::units::Quantity::Temperature
    }

    /// The probes whose readings a step disturbs.
    fn probes_of(&self, item: Item) -> Vec<ProbeId> {
        match item {
            Item::CutsOff(id) => {
                let signal = items::cut_off(&self.plan, id).map(|cut_off| cut_off.signal);
                signal.map_or_else(Vec::new, |signal| self.plan.signals[signal.index()].probes.clone())
            }
            _ => item.probe().into_iter().collect(),
        }
    }

    fn step_lasts(&self, item: Item) -> Span {
        let usual = Span::from_minutes(10);
        match item {
            Item::FallsSilent(probe) => {
                let stale = self.plan.probes[probe.index()].stale_after;
                usual.plus(stale).min(LONGEST_STEP)
            }
            Item::Switches(output) => {
                let rests = self.plan.outputs[output.index()].least_off;
                Span::from_minutes(5).plus(rests).min(LONGEST_STEP)
            }
            _ => usual,
        }
    }

    /// Why a step cannot begin now.
    fn step_refusal(&self, item: Item) -> Option<String> {
        if !self.connected {
            return Some("the broker is not connected: nothing would be seen".to_owned());
        }
        for probe in self.probes_of(item) {
            let (live, plan) = (&self.probes[probe.index()], &self.plan.probes[probe.index()]);
            let quality = live.quality(plan, self.now.steady);
            let name = &plan.name;
            if live.is_in_hand() || self.proving.undo.iter().any(|undo| undo.probe == Some(probe) && undo.in_hand) {
                return Some(format!("{name} is in hand, or not yet back from another test"));
            }
            if !matches!(quality, Quality::Good) {
                let why = quality.reason().unwrap_or("good").replace('-', " ");
                return Some(format!("{name} has no good reading now: {why}"));
            }
        }
        if item == Item::Arrives && self.plan.proofs.channels.is_empty() {
            return Some(
                "no channel is written under `notify:` in daemon.yaml: nobody would be called; a way by the monitoring \
                 stack is tested there"
                    .to_owned(),
            );
        }
        let pumps = item.probe().map(|probe| self.topped_off_by(probe)).unwrap_or_default();
        if let Some(runs) = pumps.iter().find(|output| self.plugs[output.index()].running() == Switch::On) {
            return Some(format!("{} runs just now: wait for its end", self.plan.outputs[runs.index()].name));
        }
        let output = item.output(&self.plan)?;
        let moves_water = self.plan.outputs[output.index()].kind.is_life_support();
        if moves_water && self.top_offs.iter().any(super::super::top_off::TopOff::looks_at_a_run) {
            return Some("the answer to the last run of the top-off is still looked at: wait up to 6 min".to_owned());
        }
        let plug = &self.plugs[output.index()];
        let name = &self.plan.outputs[output.index()].name;
        if self.forces[output.index()].is_some() {
            return Some(format!("{name} is forced; end the force first"));
        }
        let wanted = match item {
            Item::CutsOff(_) => Switch::On,
            Item::Boots(_) => self.before_its_cut(output),
            _ if plug.running() == Switch::On => Switch::Off,
            _ => Switch::On,
        };
        match (item, self.doser_of(output)) {
            (Item::Switches(_), Some(doser)) => self.cylinder_refusal(doser),
            _ => self.force_refusal(output, wanted),
        }
    }

    /// What an output should be before its power is cut: what a careless plug would come back to wrongly. Pumped
    /// water waits for nobody, so those are left off.
    pub(super) fn before_its_cut(&self, output: OutputId) -> Switch {
        use super::super::plan::OutputKind::{Doser, TopOff};
        if matches!(self.plan.outputs[output.index()].kind, TopOff | Doser) { Switch::Off } else { Switch::On }
    }

    /// Orders an output for the rest of a step: below trips, permissives and holds.
    pub(super) fn force_for_step(&mut self, output: OutputId, to: Switch, until: crate::time::Steady) {
        let plan = &self.plan.outputs[output.index()];
        let longest = if to == Switch::On { plan.longest_force } else { Span::from_minutes(10) };
        let until = until.min(self.now.steady.after(longest));
        let by = self.proving.session.as_ref().map_or("", |session| session.by.as_str());
        self.forces[output.index()] = Some(Force { to, until, by: format!("{SIGNED} by {by}") });
        self.unsaved = true;
    }
}

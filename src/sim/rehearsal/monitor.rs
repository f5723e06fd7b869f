//! The monitor: what must always hold, watched from outside the core, and what the water really saw.
//!
//! | rule | watched on | how |
//! | --- | --- | --- |
//! | 1 | each on and each lease refresh of a heater | the raw readings forbid heat ([`Shadow`]) |
//! | 2 | each on of a top-off | a high float has been wet for 2 s, a hold pauses it, or its [`Book`] is past a budget |
//! | 3 | each on of a dosing pump | the dose book ([`DoseBook`]) |
//! | 4 | each on of heater and chiller | the other was told on last |
//! | 5 | each on of what a hold pauses; each start of the daemon | the hold stands, if a command or an answer made it known; its deadline is the old one |
//! | 6 | each start of the daemon | what was latched is latched |
//! | 7 | each off of a pump | a hold, a force or evidence of an interlock |
//! | 9 | each proof and each answer to a hold | the plug's last report says so |
//! | water | the truth, once a minute | the harms of [`Judge`], with what acted on the tank at their beginning |
//!
//! Rule 8 is the fingerprint's, rule 10 is that the run ends. A rule is told once a subject, then counted.

use std::collections::BTreeMap;

use crate::control::effect::{Effect, JournalKind, Outcome};
use crate::control::ids::{HoldId, OutputId};
use crate::control::plan::{AtLimit, Fitted, OutputKind, Switch};
use crate::control::{Event, Request, RequestId, TankPlan};
use crate::time::{Now, Span, Steady, Wall};

use super::super::{Model, Truth, World};
use super::book::{Book, Window};
use super::daemon::Played;
use super::dose_book::DoseBook;
use super::harm::{Acting, Harm, Harmed, Judge};
use super::shadow::Shadow;

/// A high float must be wet so long before a top-off's start counts against rule 2 (the rehearsal model).
const WET: Span = Span::from_seconds(2);

/// What was violated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rule {
    /// An invariant of the design, by its number.
    Invariant(u8),
    /// The water left what animals bear.
    Water,
}

impl std::fmt::Display for Rule {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Invariant(number) => write!(f, "invariant {number}"),
            Self::Water => f.write_str("water"),
        }
    }
}

/// One violation.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Violation {
    /// Since the start.
    pub at: Span,
    /// The tank.
    pub tank: String,
    /// What was violated.
    pub rule: Rule,
    /// What it is about: an output, a hold, `temperature`...
    pub subject: String,
    /// What was seen the first time.
    pub text: String,
    /// How often it was seen.
    pub times: u64,
}

/// What a tank's water saw since the start.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Saw {
    pub celsius: (f64, f64),
    pub salinity: (f64, f64),
    pub alkalinity: (f64, f64),
    pub calcium: (f64, f64),
    pub level: (f64, f64),
    pub floor_litres: f64,
    /// The longest time without any pump at work.
    pub still: Span,
}

struct StandingHold {
    hold: HoldId,
    /// As it is shown, and as it must survive a kill.
    deadline: Wall,
    /// As it ends, whatever the wall clock does.
    ends: Steady,
    /// A release that was asked and not answered yet: it acts before its answer.
    releasing: Option<RequestId>,
    /// A command or an answer made it known: from then on it must survive a kill.
    known: bool,
}

struct Watched {
    doses: DoseBook,
    shadow: Shadow,
    high_floats: Vec<usize>,
    holds: Vec<StandingHold>,
    asked: BTreeMap<RequestId, (Request, Wall)>,
    latched: Vec<String>,
    saw: Option<Saw>,
    /// What each budgeted pump was told, by its output.
    books: BTreeMap<OutputId, Book>,
    judge: Judge,
}

/// Watches all tanks of a rehearsal.
pub struct Monitor {
    start: Steady,
    tanks: Vec<Watched>,
    violations: Vec<Violation>,
    harms: Vec<Harmed>,
    /// Harms before this place know what acted.
    told: usize,
}

impl Monitor {
    pub(super) fn new(models: &[Model<'_>], world: &World) -> Self {
        let tanks = models.iter().map(|model| Watched {
            doses: DoseBook::default(),
            shadow: Shadow::new(model.plan),
            high_floats: model.facts.high_floats.iter().map(|probe| probe.index()).collect(),
            holds: Vec::new(),
            asked: BTreeMap::new(),
            latched: Vec::new(),
            saw: None,
            books: books(model.plan),
            judge: Judge::new(model.plan),
        });
        Self { start: world.time(), tanks: tanks.collect(), violations: Vec::new(), harms: Vec::new(), told: 0 }
    }

    /// What was violated, in the order in which it was first seen.
    pub fn violations(&self) -> &[Violation] {
        &self.violations
    }

    /// What harmed the water, in the order in which it began.
    pub fn harms(&self) -> &[Harmed] {
        &self.harms
    }

    pub(super) fn saw(&self, tank: usize) -> Option<Saw> {
        self.tanks[tank].saw
    }

    fn violated(&mut self, tank: usize, rule: Rule, subject: &str, text: String, at: Steady) {
        let name = self.tanks[tank].shadow.plan().name.to_string();
        let known =
            self.violations.iter_mut().find(|one| one.rule == rule && one.subject == subject && one.tank == name);
        match known {
            Some(known) => known.times += 1,
            None => self.violations.push(Violation {
                at: at.since(self.start),
                tank: name,
                rule,
                subject: subject.to_owned(),
                text,
                times: 1,
            }),
        }
    }

    pub(super) fn heard(&mut self, tank: usize, event: &Event, now: Now) {
        self.tanks[tank].shadow.hear(event, now.steady);
    }

    pub(super) fn asked(&mut self, tank: usize, id: RequestId, request: &Request, now: Now) {
        let watched = &mut self.tanks[tank];
        // It pauses at once, before its answer.
        if let Request::Hold { procedure, .. } = request
            && let Some(hold) = watched.shadow.plan().hold(procedure)
            && !watched.holds.iter().any(|standing| standing.hold == hold && standing.ends > now.steady)
        {
            // One whose time is over begins it anew.
            watched.holds.retain(|standing| standing.hold != hold);
            let limit = watched.shadow.plan().holds[hold.index()].limit;
            let (deadline, ends) = (now.wall.after(limit), now.steady.after(limit));
            watched.holds.push(StandingHold { hold, deadline, ends, releasing: None, known: false });
        }
        if let Request::Release { procedure } = request {
            watched.holds.iter_mut().for_each(|standing| standing.known = true);
            let named = procedure.as_ref().and_then(|name| watched.shadow.plan().hold(name));
            let asked = watched.holds.iter_mut().filter(|standing| procedure.is_none() || Some(standing.hold) == named);
            asked.for_each(|standing| standing.releasing = Some(id));
        }
        watched.asked.insert(id, (request.clone(), now.wall));
    }

    pub(super) fn see(&mut self, tank: usize, effect: &Effect, daemon: &Played, now: Now) {
        let Watched { doses, shadow, .. } = &mut self.tanks[tank];
        for (output, text) in doses.see(shadow.plan(), &shadow.reported, effect, now) {
            let name = self.tanks[tank].shadow.plan().outputs[output.index()].name.to_string();
            self.violated(tank, Rule::Invariant(3), &name, text, now.steady);
        }
        match effect {
            Effect::SwitchPlug { output, to: Switch::On, .. } | Effect::RefreshLease { output } => {
                self.see_on(tank, *output, effect, now);
            }
            Effect::SwitchPlug { output, to: Switch::Off, .. } => {
                self.see_off(tank, *output, daemon, now);
                let watched = &mut self.tanks[tank];
                let plan = watched.shadow.plan();
                let pausing = |standing: &&mut StandingHold| plan.holds[standing.hold.index()].pauses.contains(output);
                watched.holds.iter_mut().filter(pausing).for_each(|standing| standing.known = true);
                watched.books.entry(*output).and_modify(|book| book.told_off(now.steady));
                self.tanks[tank].shadow.told[output.index()] = Some(Switch::Off);
            }
            Effect::Journal(line) if line.kind == JournalKind::Proof => {
                let claims = match line.text.as_str() {
                    text if text.starts_with("proven on") => Switch::On,
                    text if text.starts_with("proven off") => Switch::Off,
                    _ => return,
                };
                let shadow = &self.tanks[tank].shadow;
                let Some(output) = shadow.plan().output(&line.subject) else { return };
                let reported = shadow.reported[output.index()];
                if reported != Some(claims) {
                    let text = format!("called proven {}, and its last report says {}", claims.word(), word(reported));
                    self.violated(tank, Rule::Invariant(9), &line.subject, text, now.steady);
                }
            }
            Effect::Journal(line) if line.kind == JournalKind::Trip => self.see_trip(tank, daemon, now),
            Effect::Answer { to, answer } => self.see_answer(tank, *to, answer.outcome, now),
            _ => {}
        }
    }

    fn see_on(&mut self, tank: usize, output: OutputId, effect: &Effect, now: Now) {
        let at = now.steady;
        let watched = &mut self.tanks[tank];
        let plan = watched.shadow.plan();
        let (name, kind) = (plan.outputs[output.index()].name.to_string(), plan.outputs[output.index()].kind);
        let what = if matches!(effect, Effect::RefreshLease { .. }) { "its lease was refreshed" } else { "told on" };
        let mut found = Vec::new();
        if kind == OutputKind::Heater
            && let Some(why) = watched.shadow.forbids_heat(output, at)
        {
            found.push((Rule::Invariant(1), format!("{what}, though {why}")));
        }
        if kind == OutputKind::TopOff
            && let Some(probe) = watched
                .high_floats
                .iter()
                .find(|probe| watched.shadow.wet_for(**probe, at).is_some_and(|for_| for_ > WET))
        {
            found.push((Rule::Invariant(2), format!("{what}, though {} is wet", plan.probes[*probe].name)));
        }
        if let Some(other) = watched.shadow.opposite_on(output) {
            found.push((Rule::Invariant(4), format!("{what}, while {other} is told on")));
        }
        let forced_on = plan.interlocks.iter().any(|interlock| interlock.effects.contains(&(output, Switch::On)));
        let paused = watched.holds.iter().find(|standing| stands(plan, standing, now, output));
        if let Some(standing) = paused.filter(|_| !forced_on) {
            let rule = if kind == OutputKind::TopOff { 2 } else { 5 };
            let hold = &plan.holds[standing.hold.index()].name;
            found.push((Rule::Invariant(rule), format!("{what}, while hold {hold} pauses it")));
        }
        if let Some(book) = watched.books.get_mut(&output) {
            book.told_on(at);
            if let Some((window, litres)) = book.past(at) {
                let text = format!(
                    "{what}, after {litres:.3} L within {}, and {:.3} L is the most",
                    window.within, window.litres
                );
                found.push((Rule::Invariant(2), text));
            }
        }
        watched.shadow.told[output.index()] = Some(Switch::On);
        for (rule, text) in found {
            self.violated(tank, rule, &name, text, at);
        }
    }

    fn see_off(&mut self, tank: usize, output: OutputId, daemon: &Played, now: Now) {
        let watched = &self.tanks[tank];
        let plan = watched.shadow.plan();
        if !plan.outputs[output.index()].kind.is_life_support()
            || watched.shadow.has_evidence_against(output, now.steady)
        {
            return;
        }
        let name = plan.outputs[output.index()].name.to_string();
        // The keeper's own word is looked up in what the daemon shows; that it stands there is not the question.
        let Some(status) = daemon.status_of(tank, now) else { return };
        let held = status.holds.iter().any(|hold| hold.active);
        let forced = status.outputs[output.index()].force.is_some();
        if !held && !forced {
            let text = "told off without a hold, a force or evidence of an interlock".to_owned();
            self.violated(tank, Rule::Invariant(7), &name, text, now.steady);
        }
    }

    fn see_answer(&mut self, tank: usize, id: RequestId, outcome: Outcome, now: Now) {
        let Some((request, _)) = self.tanks[tank].asked.remove(&id) else { return };
        let took = matches!(outcome, Outcome::Done | Outcome::NotProven);
        match request {
            Request::Hold { procedure, .. } => {
                let Some(hold) = self.tanks[tank].shadow.plan().hold(&procedure) else { return };
                if !took {
                    self.tanks[tank].holds.retain(|standing| standing.hold != hold);
                }
                let standing = self.tanks[tank].holds.iter_mut().filter(|standing| standing.hold == hold);
                standing.for_each(|standing| standing.known = true);
                if outcome == Outcome::Done {
                    self.check_done(tank, hold, now);
                }
            }
            Request::Release { .. } if took => {
                self.tanks[tank].holds.retain(|standing| standing.releasing != Some(id));
            }
            Request::Release { .. } => {
                let asked = self.tanks[tank].holds.iter_mut().filter(|standing| standing.releasing == Some(id));
                asked.for_each(|standing| standing.releasing = None);
            }
            Request::Reset { .. } => self.tanks[tank].latched.clear(),
            _ => {}
        }
    }

    /// `done` of a hold says that every pause that can report has reported off.
    fn check_done(&mut self, tank: usize, hold: HoldId, now: Now) {
        let shadow = &self.tanks[tank].shadow;
        let plan = shadow.plan();
        let liar = plan.holds[hold.index()].pauses.iter().find(|output| {
            plan.outputs[output.index()].plug.report == Fitted::Fitted
                && shadow.reported[output.index()] != Some(Switch::Off)
        });
        if let Some(output) = liar {
            let name = plan.outputs[output.index()].name.to_string();
            let text =
                format!("the hold was called done, and its last report says {}", word(shadow.reported[output.index()]));
            self.violated(tank, Rule::Invariant(9), &name, text, now.steady);
        }
    }

    /// What is latched, to be compared after the next start.
    fn see_trip(&mut self, tank: usize, daemon: &Played, now: Now) {
        if let Some(status) = daemon.status_of(tank, now) {
            let latched = status.interlocks.iter().filter(|interlock| interlock.state == "latched");
            self.tanks[tank].latched = latched.map(|interlock| interlock.interlock.to_string()).collect();
        }
    }

    /// The daemon died: what was asked and not answered may have been done or not.
    pub(super) fn daemon_killed(&mut self, now: Steady) {
        for watched in &mut self.tanks {
            watched.books.values_mut().for_each(|book| book.daemon_died(now));
            let unanswered = |standing: &StandingHold| standing.releasing.is_none();
            watched.asked.clear();
            // One that ended by itself stands no longer, wherever a wall clock that jumped puts its deadline.
            let plan = watched.shadow.plan();
            let releases = |hold: HoldId| plan.holds[hold.index()].at_limit == AtLimit::Release;
            watched.holds.retain(|standing| standing.ends > now || !releases(standing.hold));
            watched.holds.iter_mut().for_each(|standing| standing.known &= unanswered(standing));
        }
    }

    /// The daemon came back: latched trips and holds are what they were.
    pub(super) fn daemon_started(&mut self, daemon: &Played, now: Now) {
        for tank in 0..self.tanks.len() {
            self.tanks[tank].shadow.forget_readings();
            let Some(status) = daemon.status_of(tank, now) else { continue };
            let latched = |name: &str| {
                status.interlocks.iter().any(|interlock| &*interlock.interlock == name && interlock.state == "latched")
            };
            let lost: Vec<String> = self.tanks[tank].latched.iter().filter(|name| !latched(name)).cloned().collect();
            for name in lost {
                let text = "was latched before the kill and is not after it".to_owned();
                self.violated(tank, Rule::Invariant(6), &name, text, now.steady);
            }
            let watched = &mut self.tanks[tank];
            let plan = watched.shadow.plan();
            // A deadline is kept by the wall while nobody lives, and never lies beyond the limit.
            for standing in &mut watched.holds {
                let limit = plan.holds[standing.hold.index()].limit;
                standing.ends = now.steady.after(standing.deadline.since(now.wall).min(limit));
                standing.releasing = None;
            }
            // A hold that nobody heard of, and one whose release was asked and not answered, may be gone.
            watched.holds.retain(|standing| standing.known || status.holds[standing.hold.index()].active);
            watched.holds.iter_mut().for_each(|standing| standing.known = true);
            let mut wrong = Vec::new();
            for standing in &watched.holds {
                let hold = &plan.holds[standing.hold.index()];
                let releases = hold.at_limit == AtLimit::Release && standing.deadline <= now.wall;
                let shown = &status.holds[standing.hold.index()];
                if !releases && (!shown.active || shown.until != Some(standing.deadline)) {
                    wrong.push((hold.name.to_string(), "did not survive the kill with its deadline".to_owned()));
                }
            }
            for (name, text) in wrong {
                self.violated(tank, Rule::Invariant(5), &name, text, now.steady);
            }
        }
    }

    /// The truth, once a minute. Gives how many harms begin, which want to be told what acts on the tank.
    pub(super) fn look(&mut self, tank: usize, truth: &Truth, at: Steady) -> usize {
        let known = self.harms.len();
        let watched = &mut self.tanks[tank];
        let found = watched.judge.look(watched.shadow.plan(), truth, at);
        let saw = watched.saw.get_or_insert(Saw {
            celsius: (truth.display_celsius, truth.display_celsius),
            salinity: (truth.salinity, truth.salinity),
            alkalinity: (truth.alkalinity, truth.alkalinity),
            calcium: (truth.calcium, truth.calcium),
            level: (truth.level, truth.level),
            floor_litres: 0.0,
            still: Span::ZERO,
        });
        let widen = |range: &mut (f64, f64), value: f64| *range = (range.0.min(value), range.1.max(value));
        widen(&mut saw.celsius, truth.display_celsius);
        widen(&mut saw.salinity, truth.salinity);
        widen(&mut saw.alkalinity, truth.alkalinity);
        widen(&mut saw.calcium, truth.calcium);
        widen(&mut saw.level, truth.level);
        saw.floor_litres = truth.floor_litres;
        saw.still = saw.still.max(watched.judge.still(at));
        let name = watched.shadow.plan().name.to_string();
        let from = at.since(self.start);
        for (harm, text) in &found {
            let standing = &mut watched.judge.standing[*harm as usize];
            if standing.is_none() {
                *standing = Some(self.harms.len());
                let (tank, text) = (name.clone(), text.clone());
                self.harms.push(Harmed { tank, harm: *harm, from, until: None, text, acting: Vec::new() });
            }
        }
        for (harm, ..) in Harm::ALL {
            if !found.iter().any(|(found, _)| *found == harm)
                && let Some(over) = watched.judge.standing[harm as usize].take()
            {
                self.harms[over].until = Some(from);
            }
        }
        for (harm, text) in found {
            self.violated(tank, Rule::Water, harm.subject(), text, at);
        }
        self.told = known;
        self.harms.len() - known
    }

    /// What acts on the tank whose harms just began.
    pub(super) fn acted(&mut self, acting: &[Acting]) {
        self.harms[self.told..].iter_mut().for_each(|harmed| harmed.acting = acting.to_vec());
    }
}

/// The budgets of a plan, each a book. A pump with a lease may have one more of it in an hour: the one that a daemon that
/// dies in a run leaves running.
fn books(plan: &TankPlan) -> BTreeMap<OutputId, Book> {
    let book = |top_off: &crate::control::plan::TopOffPlan| {
        let lease = plan.outputs[top_off.output.index()].plug.lease.map(|lease| lease.lasts);
        let litres_per_second = top_off.delivers.litres_per_minute() / 60.0;
        let more = lease.map_or(0.0, |lease| lease.seconds() * litres_per_second);
        let windows = vec![
            Window { within: Span::from_hours(24), litres: top_off.per_day.litres() },
            Window { within: Span::from_hours(1), litres: top_off.per_hour.litres() + more },
        ];
        (top_off.output, Book::new(lease, litres_per_second, windows))
    };
    plan.top_offs.iter().map(book).collect()
}

/// Whether a hold stands and pauses this output.
fn stands(plan: &TankPlan, standing: &StandingHold, now: Now, output: OutputId) -> bool {
    let hold = &plan.holds[standing.hold.index()];
    let over = hold.at_limit == AtLimit::Release && standing.ends <= now.steady;
    !over && standing.releasing.is_none() && hold.pauses.contains(&output)
}

fn word(state: Option<Switch>) -> &'static str {
    state.map_or("nothing", Switch::word)
}

//! One output's plug: command, proof, retry, lease, and what others do to it.
//!
//! ```text
//!            command                report agrees
//!   (none) ──────────► waiting ───────────────────► proven ──┐ report differs:
//!                        │ ▲  time over                 ▲    │   after a reboot: told again
//!                        ▼ │ told again, later and      │    │   on against us: undone
//!                     not proven  later ────────────────┘    │   off against us: a person
//!                                                            ▼
//! ```
//! A plug without report ends as `cannot be proven`: commanded, and nobody can say. Nothing is ever
//! reported as done that was not proven. Nothing queues: without a broker nothing is told, and after
//! an outage only the newest decision is.

use crate::time::{Span, Steady, Wall};

use super::arbiter::Layer;
use super::conflict::Conflict;
use super::deadlines::Deadlines;
use super::effect::DeadlineKind;
use super::event::{Alive, BrokerSaid};
use super::often::Often;
use super::plan::{Fitted, OutputKind, OutputPlan, Switch};
use super::power::{Ask, Power};
use super::proof_times::ProofTimes;
use super::restart::{ANNOUNCE_WINDOW, Restarts, Sign};
use super::status::ProofStatus;

/// Told again after so long; off goes on at the last of these for ever. [C3: choice]
const BACK_OFF: [Span; 5] = [
    Span::from_seconds(5),
    Span::from_seconds(10),
    Span::from_seconds(20),
    Span::from_seconds(40),
    Span::from_seconds(60),
];
/// After so many tellings an on that nobody proves is told only rarely. [F31: choice]
const ON_ATTEMPTS: u32 = 4;
const ON_RARELY: Span = Span::from_minutes(10);
/// A plug without report is told off again this often, in case it missed it. [choice]
const REPEAT_UNPROVABLE_OFF: Span = Span::from_minutes(5);
/// The plug without report of a heater or of life support is told on again this often while that is wanted: one that
/// restarted or did not hear is off, and nobody would ever know. No sooner, for a hand may have switched it off.
/// [F32: 30 min]
const REPEAT_UNPROVABLE_ON: Span = Span::from_minutes(30);
/// An off whose report agrees and whose power does not is told again this often. [F23: 10 s]
const INSIST_EVERY: Span = Span::from_seconds(10);
/// So long an unexplained off is looked at: do others change with it? [C7: choice]
const TOGETHER: Span = Span::from_seconds(2);
/// A lease that runs out is reported within this time. [choice]
const LEASE_MARGIN: Span = Span::from_seconds(10);

/// What was decided of an output, and why.
#[derive(Clone, Debug)]
pub(super) struct Decision {
    pub to: Switch,
    pub layer: Layer,
    pub cause: String,
    pub since: Wall,
}

impl Decision {
    /// Whether it is a start that is only withheld: a pump is then left as it is found, running or not,
    /// and gets neither on nor off.
    pub fn leaves_alone(&self, kind: OutputKind) -> bool {
        self.to == Switch::Off && kind.is_life_support() && self.layer.only_withholds()
    }
}

/// An output's plug.
#[derive(Clone, Debug)]
pub(super) struct Plug {
    pub decision: Option<Decision>,
    pub wished: Switch,
    /// When the decided state last changed, for the minimum times; `None`: long ago.
    pub changed_at: Option<Steady>,
    /// What was last told; `None` before the first telling of this session with the broker.
    pub told: Option<Switch>,
    attempts: u32,
    next_try: Option<Steady>,
    pub proof: ProofStatus,
    pub report: Option<(Switch, Steady)>,
    pub alive: Option<Alive>,
    /// What it said of its own life.
    pub restarts: Restarts,
    pub power: Power,
    /// Although its report says off it draws: told off again then.
    insists_at: Option<Steady>,
    insisted: u32,
    refreshed_at: Steady,
    /// When it was last told on.
    told_on_at: Option<Steady>,
    /// When the lease of the last on runs out; `None` after a proven off.
    lease_ends: Option<Steady>,
    /// It was on although its lease had run out.
    pub outlived_lease: bool,
    /// Last known to be on, by command, report or power.
    pub last_on: Option<Steady>,
    /// An off against our decision, seen then and not yet explained.
    pub unexplained_off: Option<Steady>,
    /// Somebody else acted on it.
    pub foreign_at: Option<Steady>,
    /// Somebody else told it to be off.
    pub foreign_off_at: Option<Steady>,
    /// Its dimmer does not say the level that it was told.
    pub level_unproven: bool,
    pub conflict: Conflict,
    /// Each start that was decided of late.
    pub starts: Often,
    pub on_millis: u64,
    counted_at: Steady,
    pub switches: u64,
    /// The same since the start, by the layer that decided, in the order of `Layer::WORDS`.
    pub switches_by: [u64; Layer::WORDS.len()],
    /// When the command that waits for its proof was told.
    told_at: Option<Steady>,
    pub proof_times: ProofTimes,
    pub unproven: u64,
    /// Told just now what no plug hears.
    pub nobody_listens: bool,
}

/// The most starts in an hour that are good for it; `None`: any. [C3: common practice for a compressor]
pub(super) fn starts_an_hour(kind: OutputKind) -> Option<usize> {
    match kind {
        OutputKind::Heater => Some(12),
        OutputKind::Chiller => Some(6),
        _ => None,
    }
}

/// What a plug has to be told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Telling {
    /// Switch it, for the n-th time.
    Switch(Switch, u32),
    /// Refresh its lease.
    Refresh,
}

/// What a report or a time-out meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Noticed {
    /// Nothing new.
    Nothing,
    /// The command is proven.
    Proven,
    /// The plug did not do it in time.
    NotProven,
    /// It restarted into another state; it is told again.
    Rebooted,
    /// It restarted, and nothing needs to be told.
    Restarted,
    /// Somebody switched it on against us; it is undone.
    SwitchedOn,
    /// It is off against us and nobody knows why as yet.
    OffUnexplained,
}

impl Plug {
    pub fn new(now: Steady) -> Self {
        Self {
            decision: None,
            wished: Switch::Off,
            changed_at: None,
            told: None,
            attempts: 0,
            next_try: None,
            proof: ProofStatus::NothingCommanded,
            report: None,
            alive: None,
            restarts: Restarts::default(),
            power: Power::new(now),
            insists_at: None,
            insisted: 0,
            refreshed_at: now,
            told_on_at: None,
            lease_ends: None,
            outlived_lease: false,
            last_on: None,
            unexplained_off: None,
            foreign_at: None,
            foreign_off_at: None,
            level_unproven: false,
            conflict: Conflict::default(),
            starts: Often::default(),
            on_millis: 0,
            counted_at: now,
            switches: 0,
            switches_by: [0; Layer::WORDS.len()],
            told_at: None,
            proof_times: ProofTimes::default(),
            unproven: 0,
            nobody_listens: false,
        }
    }

    /// The state decided, or the kind's rest state before the first decision.
    pub fn decided(&self, kind: OutputKind) -> Switch {
        self.decision.as_ref().map_or(kind.rest(), |decision| decision.to)
    }

    /// When the next start would not be one too many within an hour; `None`: now already.
    pub fn starts_free_at(&self, kind: OutputKind, now: Steady) -> Option<Steady> {
        self.starts.free_at(starts_an_hour(kind)?, Span::from_hours(1), now)
    }

    /// Whether current flows as far as we know. Unknown counts as off: going on from there is a start.
    pub fn running(&self) -> Switch {
        match (self.proof, self.told, self.report) {
            (ProofStatus::Waiting, Some(told), _) => told,
            (_, _, Some((reported, _))) => reported,
            // An on that nobody proved is told again only as a start, with its permissives.
            (ProofStatus::NotProven, Some(_), None) | (_, None, None) => Switch::Off,
            (_, Some(told), None) => told,
        }
    }

    /// What it reports, for conditions that look at it. What a plug said before it died is no evidence: after a
    /// power cut a return pump's old `on` would let the heater start before the water moves.
    pub fn evidence(&self) -> Option<Switch> {
        self.report.filter(|_| self.alive != Some(Alive::No)).map(|(state, _)| state)
    }

    /// Counts the time on up to now.
    pub fn count_time(&mut self, now: Steady) {
        if self.running() == Switch::On {
            self.on_millis += now.since(self.counted_at).millis();
            self.last_on = Some(now);
        }
        self.counted_at = now;
    }

    /// The broker is gone: what was told counts no more, reports grow old.
    pub fn forget_broker(&mut self) {
        self.told = None;
        self.told_at = None;
        self.next_try = None;
        self.attempts = 0;
        self.report = None;
        self.power.forget();
        self.unexplained_off = None;
        self.nobody_listens = false;
        self.proof = ProofStatus::NothingCommanded;
        self.restarts.forget_broker();
    }

    /// What decisions, tellings and alarms rest on, to be compared before and after an event.
    pub fn standing(&self) -> impl PartialEq + use<> {
        let report = self.report.map(|(state, _)| state);
        let proof = (self.proof, self.told, self.attempts, self.next_try, self.unproven);
        let foreign = (self.foreign_at, self.foreign_off_at, self.conflict.standing());
        let life = (self.alive, self.restarts.standing(), self.outlived_lease);
        (report, proof, life, self.unexplained_off, foreign, self.nobody_listens)
    }

    /// Its power came. `asks`: what conditions ask of it. Returns whether that is news.
    pub fn metered(&mut self, plan: &OutputPlan, asks: &[Ask], watts: f64, now: Steady) -> bool {
        let on = Some(Switch::On);
        let proven_on = self.proof == ProofStatus::Proven && self.told == on && self.evidence() == on;
        let news = self.power.metered(plan, asks, watts, proven_on, now);
        // More than a plug's own electronics draw. [D1: 5 W]
        if watts <= 5.0 || self.last_on == Some(now) {
            return news;
        }
        self.last_on = Some(now);
        true
    }

    /// Whether it is to be told off again and again, although its report says that it is off.
    pub fn insist(&mut self, insists: bool, now: Steady) {
        let first = self.insists_at.unwrap_or_else(|| now.after(INSIST_EVERY));
        self.insists_at = insists.then_some(first);
        self.insisted = if insists { self.insisted } else { 0 };
    }

    /// The plug's report came.
    pub fn reported(&mut self, plan: &OutputPlan, state: Switch, now: Steady) -> Noticed {
        if self.report.is_none_or(|(before, _)| before != state) {
            self.power.switched(now);
        }
        self.report = Some((state, now));
        self.judge_lease(state, now);
        let Some(told) = self.told else { return Noticed::Nothing };
        if state == told {
            self.unexplained_off = None;
            self.nobody_listens = false;
            let news = self.proof != ProofStatus::Proven;
            if let Some(at) = self.told_at.take() {
                self.proof_times.count(now.since(at));
            }
            self.proof = ProofStatus::Proven;
            self.attempts = 0;
            self.next_try = None;
            return if news { Noticed::Proven } else { Noticed::Nothing };
        }
        if self.proof != ProofStatus::Proven {
            return Noticed::Nothing;
        }
        if self.restarts.explain(now) || self.alive == Some(Alive::No) {
            return self.restarted_into(plan, state, now);
        }
        if state == Switch::On {
            if self.told_on_at.is_some_and(|at| now.since(at) < plan.plug.prove_within) {
                // Our own on, reported late: what proved the off was said before it. The off has to be proven anew.
                self.attempts = 1;
                self.expect_proof(plan, told, now);
                return Noticed::Nothing;
            }
            self.undo(now);
            return Noticed::SwitchedOn;
        }
        if plan.plug.report == Fitted::Fitted && self.unexplained_off.is_none() {
            self.unexplained_off = Some(now);
            self.proof = ProofStatus::NotProven;
            return Noticed::OffUnexplained;
        }
        Noticed::Nothing
    }

    /// It restarted into another state than it was told.
    fn restarted_into(&mut self, plan: &OutputPlan, state: Switch, now: Steady) -> Noticed {
        self.restarts.count(now);
        self.restarts.wrong_boot = plan.plug.boots.is_some_and(|boots| boots != state);
        if plan.kind == OutputKind::Chiller && state == Switch::Off {
            // Its compressor stopped, whoever did it, and rests.
            self.lost_power(Some(now));
        } else {
            self.tell_again(now);
        }
        Noticed::Rebooted
    }

    /// Its own countdown should have ended an on that nobody refreshes.
    fn judge_lease(&mut self, state: Switch, now: Steady) {
        if state == Switch::Off {
            (self.lease_ends, self.outlived_lease) = (None, false);
            return;
        }
        let over = self.lease_ends.is_some_and(|ends| ends.after(LEASE_MARGIN) <= now);
        let renewed = self.foreign_at.is_some_and(|at| at >= self.refreshed_at);
        self.outlived_lease |= over && self.told != Some(Switch::On) && !renewed;
    }

    /// Somebody else's act is undone, at a bounded pace.
    pub fn undo(&mut self, now: Steady) {
        self.foreign_at = Some(now);
        self.tell_again(now);
        self.next_try = Some(self.conflict.correct(now));
    }

    /// Whether the plug is alive came.
    pub fn said_alive(&mut self, plan: &OutputPlan, alive: Alive, now: Steady) -> Noticed {
        let sign = self.restarts.said_alive(alive, self.alive, now);
        self.alive = Some(alive);
        match sign {
            Sign::Usual => Noticed::Nothing,
            _ if self.unexplained_off.is_some() => self.restarted_into(plan, Switch::Off, now),
            Sign::Returned if self.told.is_some() && self.proof != ProofStatus::Proven => {
                self.tell_again(now);
                Noticed::Nothing
            }
            Sign::Returned | Sign::Anew => Noticed::Nothing,
        }
    }

    /// How long it has been up came.
    pub fn said_uptime(&mut self, plan: &OutputPlan, uptime: f64, now: Steady) -> Noticed {
        match self.restarts.said_uptime(uptime, now) {
            true if self.unexplained_off.is_some() => self.restarted_into(plan, Switch::Off, now),
            true => Noticed::Restarted,
            false => Noticed::Nothing,
        }
    }

    /// How long an off that nobody ordered is looked at before it is a person.
    pub fn looked_at_for(plan: &OutputPlan, together: usize) -> Span {
        let speaks = plan.plug.alive == Fitted::Fitted || plan.plug.uptime == Fitted::Fitted;
        if together == 1 && speaks { ANNOUNCE_WINDOW } else { TOGETHER }
    }

    /// Whether an off that it reported then was somebody else's command and no hand.
    pub fn told_off_by_another(&self, off_at: Steady) -> bool {
        self.foreign_off_at
            .is_some_and(|told| off_at.since(told) <= ANNOUNCE_WINDOW && told.since(off_at) <= ANNOUNCE_WINDOW)
    }

    /// The plug is not as it was told: tell it again. Nothing of the old proof counts.
    pub fn tell_again(&mut self, now: Steady) {
        self.unexplained_off = None;
        self.proof = ProofStatus::NotProven;
        self.attempts = 0;
        self.next_try = Some(now);
    }

    /// Its power was away: whatever runs after that is a start of its own. `stopped`: counts as a stop of its compressor.
    pub fn lost_power(&mut self, stopped: Option<Steady>) {
        self.decision = None;
        self.told = None;
        self.unexplained_off = None;
        self.attempts = 0;
        self.next_try = None;
        self.proof = ProofStatus::NothingCommanded;
        self.changed_at = stopped.or(self.changed_at);
    }

    /// The time for a proof may be over: said before anything is decided, since what is not proven
    /// to run is started only if its permissives are there.
    pub fn expire(&mut self, now: Steady) -> Noticed {
        if self.proof == ProofStatus::Waiting && self.next_try.is_some_and(|due| due <= now) {
            self.proof = ProofStatus::NotProven;
            self.unproven += 1;
            return Noticed::NotProven;
        }
        Noticed::Nothing
    }

    /// A plug without report, whose command the broker did not deliver to anybody.
    fn repeats_unheard(&self, plan: &OutputPlan) -> bool {
        plan.plug.report == Fitted::NotFitted && self.proof == ProofStatus::NotProven && self.attempts > 0
    }

    /// The broker said what became of a command. That it took it proves nothing of the plug, but a
    /// plug without report can have no better evidence.
    pub fn broker_said(&mut self, plan: &OutputPlan, said: BrokerSaid, now: Steady) -> Noticed {
        self.nobody_listens = said == BrokerSaid::NobodyListens;
        let Some(told) = self.told else { return Noticed::Nothing };
        if said == BrokerSaid::Accepted {
            if self.repeats_unheard(plan) {
                self.expect_proof(plan, told, now);
            }
            return Noticed::Nothing;
        }
        let due = now.after(BACK_OFF[0]);
        self.next_try = Some(self.next_try.map_or(due, |already| already.min(due)));
        if self.proof == ProofStatus::NotProven {
            return Noticed::Nothing;
        }
        self.proof = ProofStatus::NotProven;
        self.unproven += 1;
        Noticed::NotProven
    }

    /// What must be told now, given the decision. Call only while the broker is there. `once`: an on is a dose of so
    /// long, which is told a single time and never refreshed, for each telling would be another dose.
    pub fn tell(
        &mut self,
        plan: &OutputPlan,
        once: Option<Span>,
        now: Steady,
        deadlines: &mut Deadlines,
    ) -> Option<Telling> {
        let to =
            self.decision.as_ref().filter(|decision| !decision.leaves_alone(plan.kind)).map(|decision| decision.to);
        let telling = to.and_then(|to| self.due_telling(plan, once, to, now));
        // Also of a pump that is left alone now: it may have been told something that waits for its proof.
        if let Some(at) = self.next_try.filter(|at| *at > now) {
            deadlines.ask(at, DeadlineKind::Proof);
        }
        let telling = telling.or_else(|| {
            let due = self.insists_at.is_some_and(|at| at <= now) && self.told == Some(Switch::Off);
            due.then(|| {
                self.insists_at = Some(now.after(INSIST_EVERY));
                self.insisted += 1;
                Telling::Switch(Switch::Off, 1 + self.insisted)
            })
        });
        if let Some(at) = self.insists_at.filter(|at| *at > now) {
            deadlines.ask(at, DeadlineKind::Proof);
        }
        if let (Some(lease), Some(Switch::On), None) = (plan.plug.lease, to, once) {
            deadlines.ask(self.refreshed_at.after(lease.refresh), DeadlineKind::Lease);
        }
        telling
    }

    fn due_telling(&mut self, plan: &OutputPlan, once: Option<Span>, to: Switch, now: Steady) -> Option<Telling> {
        if self.told != Some(to) {
            let first = self.told.is_none();
            self.told = Some(to);
            self.power.switched(now);
            self.refresh(plan, to, now);
            if let (Some(span), Switch::On) = (once, to) {
                self.lease_ends = Some(now.after(span));
            }
            self.conflict.told(now);
            self.attempts = 1;
            self.unexplained_off = None;
            self.nobody_listens = false;
            if !first {
                self.switches += 1;
                let layer = self.decision.as_ref().map_or("rest", |decision| decision.layer.word());
                if let Some(place) = Layer::WORDS.iter().position(|word| *word == layer) {
                    self.switches_by[place] += 1;
                }
            }
            self.expect_proof(plan, to, now);
            return Some(Telling::Switch(to, 1));
        }
        if once.is_some() && to == Switch::On {
            self.next_try = self.next_try.filter(|due| *due > now);
            return None;
        }
        if let Some(due) = self.next_try
            && due <= now
            && self.unexplained_off.is_none()
        {
            if let Some(later) = self.conflict.full_until(now) {
                self.next_try = Some(later);
                return None;
            }
            self.attempts += 1;
            self.refresh(plan, to, now);
            self.conflict.told(now);
            if self.attempts == 1 || self.proof == ProofStatus::CannotBeProven {
                self.expect_proof(plan, to, now);
            } else {
                self.next_try = Some(now.after(self.pause(to)));
            }
            return Some(Telling::Switch(to, self.attempts));
        }
        if let (Some(lease), Switch::On) = (plan.plug.lease, to)
            && self.refreshed_at.after(lease.refresh) <= now
        {
            self.refresh(plan, to, now);
            return Some(Telling::Refresh);
        }
        None
    }

    fn refresh(&mut self, plan: &OutputPlan, to: Switch, now: Steady) {
        self.refreshed_at = now;
        if to == Switch::On {
            self.told_on_at = Some(now);
        }
        if let (Some(lease), Switch::On) = (plan.plug.lease, to) {
            self.lease_ends = Some(now.after(lease.lasts));
        }
    }

    fn expect_proof(&mut self, plan: &OutputPlan, to: Switch, now: Steady) {
        match plan.plug.report {
            Fitted::Fitted => {
                self.told_at = Some(now);
                self.proof = ProofStatus::Waiting;
                self.next_try = Some(now.after(plan.plug.prove_within));
            }
            Fitted::NotFitted => {
                self.proof = ProofStatus::CannotBeProven;
                let every = match (to, plan.kind) {
                    (Switch::Off, kind) if kind.may_always_be_off() => Some(REPEAT_UNPROVABLE_OFF),
                    (Switch::On, kind) if kind == OutputKind::Heater || kind.is_life_support() => {
                        Some(REPEAT_UNPROVABLE_ON)
                    }
                    _ => None,
                };
                self.next_try = every.map(|every| now.after(every));
            }
        }
    }

    fn pause(&self, to: Switch) -> Span {
        if to == Switch::On && self.attempts >= ON_ATTEMPTS {
            return ON_RARELY;
        }
        let step = usize::try_from(self.attempts.saturating_sub(1)).unwrap_or(usize::MAX);
        BACK_OFF[step.min(BACK_OFF.len() - 1)]
    }
}

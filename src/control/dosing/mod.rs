//! Dosing: what a tank uses up is given back in small doses, each at its slot, never twice and never into still water.
//!
//! ```text
//!            slot due, recorded on disk            its time is over, or it was stopped
//!   idle ─────────────────────────────────► running ──────────────────────────────────► idle
//!     ▲ the plug's own countdown runs beside: the dose and two seconds, told once ────────┘
//! ```
//! Duty: whose dose is due and how much it is (`book.rs`), why it waits, and what it cost. Only this wishes a dosing
//! pump on: no force, rule, schedule or trip does. A dose that began is never told again, whatever its plug reports:
//! each telling would be another dose. What may have been given counts as given: a kill, a lost report and a lost
//! broker cost a dose and never give one more.
//! Limits: whether the water may be dosed at all (flow, powerhead, hold, pH, leak) is asked by the output's permissives.

mod ask;
mod book;
mod live;
mod plan;
mod proposal;
mod slots;
mod status;

use crate::time::{Now, Span, Steady, Wall, Zone};

use super::deadlines::Deadlines;
use super::effect::DeadlineKind;
use super::plan::Switch;
use super::state::SpentRecord;
use super::status::ProofStatus;
use super::top_off::Window;
use super::top_off::ledger::Ledger;
use super::truth::Truth;

pub(super) use ask::no_force;
pub use ask::{DoseAsk, GivenChange, GivenDose, GivenTest};
pub use book::Book;
pub use plan::{Adds, DosingFact, DosingPlan, SlotPlan};
pub use proposal::Proposal;
pub use slots::{SlotId, even as even_slots};
pub use status::DosingStatus;

/// The plug's own countdown is so much longer than the dose. [C1: dose time + 2 s]
pub const MARGIN: Span = Span::from_seconds(2);
/// No more than this part of the plan in any 24 hours, corrections included.
const DAY_PART: f64 = 1.2;
/// A run into a cylinder.
pub(super) const CYLINDER: Span = Span::from_seconds(60);
/// After a jump of the clock nothing is dosed for so long: it may jump again. [choice]
const CLOCK_SETTLES: Span = Span::from_minutes(10);
/// No clock is earlier than this program: 2026-01-01.
pub(super) const EARLIEST: Wall = Wall::from_unix_millis(1_767_225_600_000);

/// Why a dose waits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Undosed {
    /// The broker is not there: nothing could stop it.
    NoBroker,
    /// The wall clock is not to be believed.
    Clock,
    /// Doses were given up to a later slot than the clock's.
    ClockWentBack,
    /// Its calibration is too old.
    Calibration,
    /// A cylinder waits for its measure.
    Unmeasured,
    /// Its container is nearly empty.
    Container,
    /// Its partner is more than a day behind.
    Partner,
    /// Another dose goes on, or was just given.
    Apart,
    /// It would be past what a window may have.
    Budget(Window),
}

/// What is to be given next.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Offer {
    /// `None`: into a cylinder.
    slot: Option<SlotId>,
    own: f64,
    extra: f64,
    span: Span,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Phase {
    Idle,
    Running { since: Steady, span: Span, slot: Option<SlotId>, proven: bool },
}

/// The pump runs, or may.
#[derive(Clone, Copy, Debug)]
struct Run {
    began: Steady,
    /// mL that it may give at most.
    reserved: f64,
    /// The plug's own countdown ends it, if nothing else did; `None`: somebody else's run.
    over_at: Option<Steady>,
    /// Into a cylinder.
    cylinder: bool,
}

/// What is seen in one step.
#[derive(Clone, Copy, Debug)]
pub(super) struct Look {
    pub now: Now,
    /// The newest slot that has come.
    pub slot: SlotId,
    /// Until the next one may.
    pub next: Span,
    pub connected: bool,
    pub jumped_at: Option<Steady>,
    /// By how many days' doses the partner is further behind.
    pub partner_behind: f64,
    pub told: Option<Switch>,
    pub proven: bool,
    /// Another dose of the tank goes on or ended so lately that this one waits until then.
    pub others_until: Option<Steady>,
}

/// What the plug is known to do after the decisions of a step.
#[derive(Clone, Copy, Debug)]
pub(super) struct Pump {
    pub decided: Switch,
    pub told: Option<Switch>,
    pub reported: Option<Switch>,
    pub proof: ProofStatus,
    pub can_be_proven: bool,
}

/// What must be saved because of a step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Saved {
    Nothing,
    BeforeTheDose,
    Soon,
}

/// One dosing pump's memory.
#[derive(Clone, Debug)]
pub(super) struct Doser {
    pub book: Book,
    phase: Phase,
    run: Option<Run>,
    ledger: Ledger,
    /// Other doses of the tank wait until then.
    rested_at: Option<Steady>,
    /// The maintenance was changed then.
    stepped_at: Option<Steady>,
    cylinder_asked: bool,
    offer: Option<Offer>,
    /// Whether the calibration is older than it should be; looked at by conditions.
    old: bool,
    pub wish: Switch,
    pub withheld: Option<Undosed>,
    pub over: bool,
    /// What was said last.
    pub verdict: String,
}

/// A pump's record.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct DosingRecord {
    /// The book.
    pub book: Book,
    /// What was given in the last 24 hours, in litres.
    pub spent: Vec<SpentRecord>,
    /// mL that the run that was going on had reserved, and whether into a cylinder.
    pub reserved: Option<(f64, bool)>,
    /// How long ago the maintenance was changed.
    pub stepped: Option<Span>,
}

impl Doser {
    pub fn new(plan: &DosingPlan) -> Self {
        let mut book = Book::default();
        book.adopt(plan);
        Self {
            book,
            phase: Phase::Idle,
            run: None,
            ledger: Ledger::default(),
            rested_at: None,
            stepped_at: None,
            cylinder_asked: false,
            offer: None,
            old: false,
            wish: Switch::Off,
            withheld: None,
            over: false,
            verdict: String::new(),
        }
    }

    /// Before the decisions: what is due, and why it waits. Returns what is worth a line in the journal.
    pub fn follow(&mut self, plan: &DosingPlan, look: &Look, deadlines: &mut Deadlines) -> Option<String> {
        let now = look.now.steady;
        let mut said = None;
        let mut ask = |at: Steady| {
            if at > now {
                deadlines.ask(at, DeadlineKind::Dosing);
            }
        };
        ask(now.after(look.next));
        let trusted = Self::trusts_clock(look, &mut ask);
        if trusted {
            said = self.book.advance(plan, look.slot);
            self.book.rated_at.get_or_insert(look.now.wall);
            self.book.mark(look.slot.day, look.now.wall);
        }
        self.look_at_age(look.now, &mut ask);
        self.over = false;
        if let Phase::Running { since, span, proven, .. } = &mut self.phase {
            *proven |= look.proven;
            let end = since.after(*span);
            // What is not told any more (a lost broker, a plug without power) is never told again.
            self.over = end <= now || look.told != Some(Switch::On);
            ask(end);
            (self.wish, self.withheld) = (if self.over { Switch::Off } else { Switch::On }, None);
            return said;
        }
        self.offer = self.offer_of(plan, look);
        self.wish = if self.offer.is_some() { Switch::On } else { Switch::Off };
        self.withheld = self.offer.and_then(|offer| self.withhold(plan, look, offer, trusted, &mut ask));
        said
    }

    fn trusts_clock(look: &Look, ask: &mut impl FnMut(Steady)) -> bool {
        let settled = look.jumped_at.map(|at| at.after(CLOCK_SETTLES)).filter(|at| *at > look.now.steady);
        settled.into_iter().for_each(ask);
        look.now.wall >= EARLIEST && settled.is_none()
    }

    fn look_at_age(&mut self, now: Now, ask: &mut impl FnMut(Steady)) {
        self.old = false;
        let Some(rated) = self.book.rated_at else { return };
        let age = now.wall.since(rated);
        for limit in [book::CALIBRATE_AFTER, book::CALIBRATION_LASTS] {
            if age < limit {
                ask(now.steady.after(limit.minus(age)));
            }
        }
        self.old = age >= book::CALIBRATE_AFTER;
    }

    fn offer_of(&self, plan: &DosingPlan, look: &Look) -> Option<Offer> {
        if self.cylinder_asked {
            return Some(Offer { slot: None, own: self.book.rate, extra: 0.0, span: CYLINDER });
        }
        let last = self.book.last?;
        // A clock that went back further than one slot is told of.
        let open = last < look.slot || last.day > look.slot.day + 1;
        if !open {
            return None;
        }
        let (own, extra) = self.book.slot_ml(slots::share(plan, look.slot));
        let millis = (own + extra) / self.book.rate * 60_000.0;
        if !(millis.is_finite() && millis >= 1.0) {
            return None;
        }
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "checked above, and bounded")]
        let span = Span::from_millis(millis.min(600_000.0) as u64);
        Some(Offer { slot: Some(look.slot), own, extra, span })
    }

    fn withhold(
        &self,
        plan: &DosingPlan,
        look: &Look,
        offer: Offer,
        trusted: bool,
        ask: &mut impl FnMut(Steady),
    ) -> Option<Undosed> {
        let now = look.now.steady;
        let cylinder = offer.slot.is_none();
        let aged = self.book.rated_at.is_none_or(|at| look.now.wall.since(at) >= book::CALIBRATION_LASTS);
        if !look.connected {
            return Some(Undosed::NoBroker);
        }
        if !cylinder {
            if !trusted {
                return Some(Undosed::Clock);
            }
            if offer.slot <= self.book.last {
                return Some(Undosed::ClockWentBack);
            }
            if aged {
                return Some(Undosed::Calibration);
            }
            if self.book.to_measure {
                return Some(Undosed::Unmeasured);
            }
        }
        if self.book.is_empty(plan, offer.own + offer.extra) {
            return Some(Undosed::Container);
        }
        if !cylinder && look.partner_behind > 1.0 {
            return Some(Undosed::Partner);
        }
        let own = self.rested_at.filter(|_| !cylinder);
        if let Some(until) = look.others_until.max(own).filter(|at| *at > now) {
            ask(until);
            return Some(Undosed::Apart);
        }
        if self.run.is_some() {
            return Some(Undosed::Apart);
        }
        let ml = self.reservation(offer);
        let windows = [(Window::Day, self.most_per_day(plan, cylinder)), (Window::Hour, plan.most_per_hour)];
        for (window, most) in windows.into_iter().filter(|(window, _)| !cylinder || *window == Window::Day) {
            let fits = self.ledger.fits_at(window, most / 1000.0, ml / 1000.0, now);
            if fits > now {
                ask(fits);
                return Some(Undosed::Budget(window));
            }
        }
        None
    }

    /// The most in any 24 hours; what goes into a cylinder is bounded by what the water bears alone.
    pub(super) fn most_per_day(&self, plan: &DosingPlan, cylinder: bool) -> f64 {
        if cylinder { plan.most_per_day } else { plan.most_per_day.min(DAY_PART * self.book.per_day()) }
    }

    /// What it gives in so long, mL.
    pub(super) fn ml(&self, span: Span) -> f64 {
        span.seconds() / 60.0 * self.book.rate
    }

    /// What a dose may give at most, were nobody to stop it.
    fn reservation(&self, offer: Offer) -> f64 {
        self.ml(countdown(offer.span))
    }

    /// What the plug is to be told, if it is told on now.
    pub(super) fn countdown(&self) -> Span {
        match (self.phase, self.offer) {
            (Phase::Running { span, .. }, _) => countdown(span),
            (Phase::Idle, Some(offer)) => countdown(offer.span),
            (Phase::Idle, None) => MARGIN,
        }
    }

    pub(super) fn is_running(&self) -> bool {
        self.phase != Phase::Idle
    }

    /// Until when other doses wait, which keep apart from it: while it may run, and for so long after it.
    pub(super) fn others_wait_until(&self, apart: Span, now: Steady) -> Option<Steady> {
        if self.run.is_some() { Some(now.after(apart)) } else { self.rested_at.filter(|at| *at > now) }
    }

    /// After the decisions of a step: records a dose that begins, and pays for one that ended.
    pub fn decided(&mut self, plan: &DosingPlan, now: Steady, pump: Pump, deadlines: &mut Deadlines) -> Saved {
        let mut saved = Saved::Nothing;
        match (self.phase, pump.decided) {
            (Phase::Idle, Switch::On) => {
                if let Some(offer) = self.offer.take() {
                    self.begin(offer, now);
                    deadlines.ask(now.after(offer.span), DeadlineKind::Dosing);
                    saved = Saved::BeforeTheDose;
                }
            }
            (Phase::Running { since, span, slot, proven }, Switch::Off) => {
                self.end(now.since(since), span, slot.is_some(), proven || !pump.can_be_proven);
                saved = Saved::Soon;
            }
            _ => {}
        }
        let is_on = pump.decided == Switch::On || pump.reported == Some(Switch::On);
        let known_off = pump.told == Some(Switch::Off)
            && matches!(pump.proof, ProofStatus::Proven | ProofStatus::CannotBeProven)
            && pump.reported != Some(Switch::On);
        match self.run {
            None if is_on => self.run = Some(Run { began: now, reserved: 0.0, over_at: None, cylinder: false }),
            Some(run) if !is_on => {
                let end = run.over_at.filter(|at| *at <= now).or(known_off.then_some(now));
                if let Some(end) = end {
                    self.pay(run, end, now);
                    self.rested_at = Some(end.after(plan.apart));
                    saved = if saved == Saved::Nothing { Saved::Soon } else { saved };
                } else if let Some(at) = run.over_at {
                    deadlines.ask(at, DeadlineKind::Dosing);
                }
            }
            _ => {}
        }
        self.rested_at.filter(|at| *at > now).into_iter().for_each(|at| deadlines.ask(at, DeadlineKind::Dosing));
        saved
    }

    /// mL in a window, with what a run that goes on may give.
    pub(super) fn spent(&self, window: Window, now: Steady) -> f64 {
        let goes_on = self.run.map_or(0.0, |run| self.may_have_given(run, now));
        self.ledger.litres(window, now) * 1000.0 + goes_on
    }

    fn may_have_given(&self, run: Run, now: Steady) -> f64 {
        run.reserved.max(self.ml(now.since(run.began)))
    }

    fn begin(&mut self, offer: Offer, now: Steady) {
        let reserved = self.reservation(offer);
        let cylinder = offer.slot.is_none();
        self.phase = Phase::Running { since: now, span: offer.span, slot: offer.slot, proven: false };
        let over_at = Some(now.after(countdown(offer.span)));
        self.run = Some(Run { began: now, reserved, over_at, cylinder });
        if let Some(slot) = offer.slot {
            self.book.begin(slot, offer.own, offer.extra);
        } else {
            (self.cylinder_asked, self.book.to_measure) = (false, true);
        }
    }

    fn end(&mut self, ran: Span, span: Span, dose: bool, proven: bool) {
        self.phase = Phase::Idle;
        let (given, short) = (self.ml(ran.min(span)), self.ml(span.minus(ran)));
        // A step late is no cut.
        let cut = short > 0.02 * (given + short);
        self.book.pumped(given);
        self.verdict = if dose { format!("gave {given:.2} mL") } else { format!("ran {ran} into a cylinder") };
        if dose {
            self.book.proven(proven);
            if cut {
                self.book.cut_short(short);
                self.verdict = format!("was stopped after {given:.2} mL of {:.2} mL", given + short);
            }
        }
        if dose && !proven {
            self.verdict.push_str(", and its plug did not prove that it ran");
        }
    }

    fn pay(&mut self, run: Run, end: Steady, now: Steady) {
        let litres = self.ml(end.since(run.began)) / 1000.0;
        self.run = None;
        if run.cylinder {
            // Its own entry, so that a measure can give it back.
            self.ledger.assume(litres, now);
            return;
        }
        self.ledger.spend(litres, end, now);
        if run.over_at.is_none() {
            // Somebody at the plug: it came out of the container all the same.
            self.book.pumped(litres * 1000.0);
        }
    }

    /// What conditions ask.
    pub fn fact(&self, fact: DosingFact, plan: &DosingPlan) -> Truth {
        Truth::of(match fact {
            DosingFact::Behind => self.book.is_behind(),
            DosingFact::LowContainer => self.book.is_empty(plan, 0.05 * plan.container),
            DosingFact::OldCalibration => self.old || self.book.worn.is_some(),
            DosingFact::Unbalanced => self.book.unbalanced.is_some(),
            DosingFact::Unproven => self.book.is_unproven(),
        })
    }

    fn facts(&self, plan: &DosingPlan) -> [Truth; 5] {
        use DosingFact::{Behind, LowContainer, OldCalibration, Unbalanced, Unproven};
        [Behind, LowContainer, OldCalibration, Unbalanced, Unproven].map(|fact| self.fact(fact, plan))
    }

    /// A person has acknowledged that the record was lost.
    pub fn forget_assumed(&mut self) {
        // A cylinder that nobody measured stays counted: only its measure gives it back.
        if !self.book.to_measure {
            self.ledger.forget_assumed();
        }
    }

    /// The record was lost: the day's budget is taken as spent.
    pub fn assume_spent(&mut self, plan: &DosingPlan, now: Steady) {
        self.ledger.assume(plan.most_per_day / 1000.0, now);
    }

    /// The book is a backup's: whatever was due until now may have been given.
    pub fn assume_given(&mut self, plan: &DosingPlan, zone: Zone, now: Now) {
        self.book.assume_given(plan, slots::current(plan, zone, now.wall));
        self.rested_at = Some(now.steady.after(plan.apart));
    }

    /// The same pump under a new plan.
    pub fn take_over(&mut self, old: &Self, plan: &DosingPlan) {
        *self = Self { offer: None, ..old.clone() };
        self.book.adopt(plan);
    }

    /// What must survive.
    pub fn record(&self, now: Steady) -> DosingRecord {
        DosingRecord {
            book: self.book.clone(),
            spent: self.ledger.record(now),
            reserved: self.run.map(|run| (self.may_have_given(run, now), run.cylinder)),
            stepped: self.stepped_at.map(|at| now.since(at)),
        }
    }

    /// From what survived. A dose that a kill cut short is given in full, and its slot is done.
    pub fn restore(&mut self, plan: &DosingPlan, record: &DosingRecord, now: Steady) {
        self.book = record.book.clone();
        self.book.adopt(plan);
        self.ledger = Ledger::restored(&record.spent, 0.0, now);
        self.stepped_at = record.stepped.map(|age| now.before(age));
        let newest = self.ledger.newest(now);
        match record.reserved {
            Some((ml, cylinder)) => {
                if cylinder {
                    self.ledger.assume(ml / 1000.0, now);
                } else {
                    self.ledger.spend(ml / 1000.0, now, now);
                    self.book.pumped(ml);
                }
                // The plug's own countdown may still run.
                self.rested_at = Some(now.after(plan.apart));
            }
            None => self.rested_at = newest.map(|age| now.after(plan.apart.minus(age))),
        }
    }
}

/// The plug's own countdown for a dose: whole seconds, as it is told.
fn countdown(span: Span) -> Span {
    Span::from_seconds(span.plus(MARGIN).millis().div_ceil(1000))
}

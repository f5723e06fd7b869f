//! The tank's side of its dosing: what each pump sees, who goes first, what becomes of what they say, and their words.

use crate::control::arbiter::Layer;
use crate::control::deadlines::Deadlines;
use crate::control::effect::{DeadlineKind, Durability, Effect, JournalKind};
use crate::control::ids::{DoserId, OutputId};
use crate::control::plan::{Fitted, Switch};
use crate::control::status::ProofStatus;
use crate::control::tank::{LOOK_AGAIN, Tank};
use crate::control::top_off::Window;
use crate::time::{Span, Steady};

use super::{Doser, DosingPlan, Look, Phase, Pump, Saved, Undosed, book, slots};

impl Tank {
    /// What a fresh pump of each plan is.
    pub(in crate::control) fn blank_dosers(plan: &crate::control::TankPlan, _now: Steady) -> Vec<Doser> {
        plan.dosing.iter().map(Doser::new).collect()
    }

    fn dosing_look(&self, index: usize) -> Look {
        let (plan, now) = (&self.plan.dosing[index], self.now);
        let behind = |of: usize| self.dosers[of].book.behind;
        let plug = &self.plugs[plan.output.index()];
        Look {
            now,
            slot: slots::current(plan, self.plan.zone, now.wall),
            // A local time is whole seconds; the slot comes with the first of its own.
            next: slots::look_again(plan, self.plan.zone.time_of_day(now.wall))
                .minus(Span::from_millis(now.wall.unix_millis().rem_euclid(1000).unsigned_abs())),
            connected: self.connected,
            jumped_at: self.jumped_at,
            partner_behind: plan.partner.map_or(0.0, |partner| behind(partner.index()) - behind(index)),
            told: plug.told,
            proven: plug.told == Some(Switch::On) && plug.proof == ProofStatus::Proven,
            others_until: self.others_until(index),
        }
    }

    /// Until when the doses of the others keep this pump waiting.
    pub(super) fn others_until(&self, index: usize) -> Option<Steady> {
        let others = (0..self.dosers.len()).filter(|other| *other != index);
        let (apart, now) = (self.plan.dosing[index].apart, self.now.steady);
        others.filter_map(|other| self.dosers[other].others_wait_until(apart, now)).max()
    }

    /// Before the decisions: what is due, and why it waits.
    pub(in crate::control) fn follow_dosing(&mut self, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        for index in 0..self.dosers.len() {
            let look = self.dosing_look(index);
            let (plan, live) = (&self.plan.dosing[index], &mut self.dosers[index]);
            let before = (live.facts(plan), live.book.last, live.book.rated_at);
            let said = live.follow(plan, &look, deadlines);
            let facts_changed = before.0 != live.facts(plan);
            if before != (live.facts(plan), live.book.last, live.book.rated_at) {
                self.unsaved = true;
            }
            if facts_changed {
                deadlines.ask(self.now.steady.after(LOOK_AGAIN), DeadlineKind::Dosing);
            }
            if let Some(text) = said {
                let name = self.plan.outputs[self.plan.dosing[index].output.index()].name.clone();
                self.journal(JournalKind::Dosing, &name, text, effects);
            }
        }
    }

    /// What dosing says of its pumps. Nobody else turns one on.
    pub(in crate::control) fn gather_dosing(&mut self) {
        let mut taken = self.dosers.iter().any(Doser::is_running);
        for (index, plan) in self.plan.dosing.iter().enumerate() {
            let (id, live) = (DoserId::new(index), &self.dosers[index]);
            let opinions = &mut self.opinions[plan.output.index()];
            opinions.trip = opinions.trip.filter(|(to, _)| *to == Switch::Off);
            opinions.force = opinions.force.filter(|to| *to == Switch::Off);
            (opinions.rule, opinions.schedule) = (None, None);
            opinions.control = Some(live.wish);
            opinions.run_over =
                (live.over || !(live.is_running() || live.offer.is_some())).then_some(Layer::DoseOver(id));
            if opinions.decided == Switch::Off {
                opinions.running = Switch::Off;
            }
            if let Some(why) = live.withheld {
                opinions.start_blocked.get_or_insert(Layer::Undosed(id, why));
            }
            if taken && !live.is_running() {
                opinions.start_blocked.get_or_insert(Layer::Undosed(id, Undosed::Apart));
            }
            taken |= opinions.decide().0 == Switch::On;
        }
    }

    /// After the decisions and their commands: records and payments.
    pub(in crate::control) fn pay_doses(&mut self, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        for index in 0..self.dosers.len() {
            let plan = &self.plan.dosing[index];
            let plug = &self.plugs[plan.output.index()];
            let output = &self.plan.outputs[plan.output.index()];
            let pump = Pump {
                decided: plug.decided(output.kind),
                told: plug.told,
                reported: plug.report.map(|(state, _)| state),
                proof: plug.proof,
                can_be_proven: output.plug.report == Fitted::Fitted,
            };
            let before = self.dosers[index].facts(plan);
            let ran = self.dosers[index].is_running();
            let saved = self.dosers[index].decided(plan, self.now.steady, pump, deadlines);
            match saved {
                Saved::Nothing => {}
                Saved::BeforeTheDose => effects.push(Effect::SaveState(Durability::BeforeWhatFollows)),
                Saved::Soon => self.unsaved = true,
            }
            if before != self.dosers[index].facts(plan) || saved != Saved::Nothing {
                self.unsaved = true;
                deadlines.ask(self.now.steady.after(LOOK_AGAIN), DeadlineKind::Dosing);
            }
            if ran && !self.dosers[index].is_running() {
                let (name, text) = (output.name.clone(), self.dosers[index].verdict.clone());
                self.journal(JournalKind::Dosing, &name, text, effects);
            }
        }
    }

    /// The dosing of an output.
    pub(in crate::control) fn doser_of(&self, output: OutputId) -> Option<DoserId> {
        self.plan.dosing.iter().position(|plan| plan.output == output).map(DoserId::new)
    }

    /// The countdown that an on of this output carries, told once; `None`: it is no dosing pump with a plan.
    pub(in crate::control) fn dose_of(&self, output: OutputId) -> Option<Span> {
        self.doser_of(output).map(|id| self.dosers[id.index()].countdown())
    }

    pub(in crate::control) fn take_over_dosers(&mut self, old: &Self) {
        for (index, plan) in self.plan.dosing.iter().enumerate() {
            let name = &self.plan.outputs[plan.output.index()].name;
            if let Some(id) = old.plan.output(name).and_then(|output| old.doser_of(output)) {
                self.dosers[index].take_over(&old.dosers[id.index()], plan);
            }
        }
    }

    /// Why a dose waits, in words.
    pub(in crate::control) fn undosed_words(&self, id: DoserId, why: Undosed) -> String {
        let (plan, live) = (&self.plan.dosing[id.index()], &self.dosers[id.index()]);
        let name = &self.plan.outputs[plan.output.index()].name;
        let book = &live.book;
        match why {
            Undosed::NoBroker => "the broker is not there, and nothing could stop a dose".to_owned(),
            Undosed::Clock => format!(
                "the clock says {} and is not to be believed yet: it jumped, or is earlier than this program",
                self.plan.zone.show(self.now.wall)
            ),
            Undosed::ClockWentBack => format!(
                "doses were given up to {}, and the clock says {}; if the clock is right now, `slackwater dose resume {name}`",
                book.last.map(|slot| slot.to_string()).unwrap_or_default(),
                self.plan.zone.show(self.now.wall)
            ),
            Undosed::Calibration => format!(
                "what it gives was last measured more than {} days ago; `slackwater dose calibrate {name}`",
                book::CALIBRATION_LASTS.hours() / 24.0
            ),
            Undosed::Unmeasured => {
                format!("a cylinder waits for its measure; `slackwater dose measured {name} \"5.1 mL\"`")
            }
            Undosed::Container => format!(
                "its container is nearly empty ({:.0} of {:.0} mL); fill it, then `slackwater dose refill {name}`",
                book.container.unwrap_or(0.0),
                plan.container
            ),
            Undosed::Partner => {
                let partner = plan.partner.map_or("", |partner| self.doser_name(partner));
                format!("{partner} is more than a day's dose behind it, and the two go together")
            }
            Undosed::Apart => format!("doses keep {} from each other", plan.apart),
            Undosed::Budget(window) => {
                let (word, most) = match window {
                    Window::Day => ("24 h", live.most_per_day(plan, false)),
                    Window::Hour => ("hour", plan.most_per_hour),
                };
                let spent = live.spent(window, self.now.steady);
                format!("its limit: {spent:.2} mL of {most:.2} mL are given in the last {word}")
            }
        }
    }

    fn doser_name(&self, id: DoserId) -> &str {
        &self.plan.outputs[self.plan.dosing[id.index()].output.index()].name
    }

    /// Why a dose ends for whoever wishes it, in words.
    pub(in crate::control) fn dose_over_words(&self, id: DoserId) -> String {
        match self.dosers[id.index()].verdict.as_str() {
            "" => "only its own dosing turns it on".to_owned(),
            verdict => format!("its last dose {verdict}; only its own dosing turns it on"),
        }
    }

    /// What it wishes, in words.
    pub(in crate::control) fn dosing_cause(&self, id: DoserId) -> String {
        let (plan, live) = (&self.plan.dosing[id.index()], &self.dosers[id.index()]);
        let per_day = live.book.per_day();
        match (live.phase, live.offer) {
            (Phase::Running { span, slot: Some(slot), .. }, _) => {
                format!("gives the dose of {slot}: {:.2} mL, {span}, of {per_day:.1} mL a day", live.ml(span))
            }
            (Phase::Running { span, slot: None, .. }, _) => format!("runs {span} into a cylinder"),
            (Phase::Idle, Some(offer)) => match offer.slot {
                Some(slot) => format!("the dose of {slot} is due: {:.2} mL", offer.own + offer.extra),
                None => "a run into a cylinder was asked for".to_owned(),
            },
            (Phase::Idle, None) => {
                let next = self.next_slot(plan);
                format!("no dose is due: {per_day:.1} mL a day in {} slots, the next at {next}", plan.slots.len())
            }
        }
    }

    fn next_slot(&self, plan: &DosingPlan) -> String {
        let seconds = self.plan.zone.time_of_day(self.now.wall).seconds();
        let next = plan.slots.iter().find(|slot| slot.at > seconds).or(plan.slots.first());
        next.map(|slot| format!("{:02}:{:02}", slot.at / 3600, slot.at / 60 % 60)).unwrap_or_default()
    }

    pub(in crate::control) fn dosing_status(&self, index: usize, now: crate::time::Now) -> super::DosingStatus {
        let (plan, live) = (&self.plan.dosing[index], &self.dosers[index]);
        let (book, output) = (&live.book, &self.plan.outputs[plan.output.index()]);
        let most = live.most_per_day(plan, false);
        let spent = live.spent(Window::Day, now.steady);
        super::DosingStatus {
            output: output.name.clone(),
            adds: plan.adds.word(),
            state: match (live.phase, live.offer) {
                (Phase::Running { slot: Some(_), .. }, _) => "dosing",
                (Phase::Running { slot: None, .. }, _) => "calibrating",
                (Phase::Idle, Some(_)) => "due",
                (Phase::Idle, None) => "waiting",
            },
            maintenance_ml_per_day: book.maintenance,
            correction_ml_per_day: book.per_day() - book.maintenance,
            correction_left_ml: book.correction_left,
            next_slot: self.next_slot(plan),
            ml_in_24_hours: spent,
            day_left_ml: (most - spent).max(0.0),
            owed_ml: book.owed,
            days_behind: book.behind,
            container_ml: book.container.unwrap_or(0.0),
            container_size_ml: plan.container,
            rate_ml_per_minute: book.rate,
            calibrated_at: book.rated_at,
            worn: book.worn.clone(),
            unbalanced: book.unbalanced.clone(),
            proposal: book.proposed.as_ref().map(|proposal| proposal.lines.clone()),
            doses: book.doses,
            total_ml: book.total,
            last_dose: live.verdict.clone(),
        }
    }
}

impl Doser {
    /// What a fact says, with what it rests on.
    pub(in crate::control) fn fact_words(&self, fact: super::DosingFact, plan: &DosingPlan) -> String {
        use super::DosingFact;
        let book = &self.book;
        match fact {
            DosingFact::Behind if book.missed_in_row as usize >= plan.slots.len() => format!(
                "doses of {:.1} days were not given and are not made up for; test the water before anything else",
                book.behind
            ),
            DosingFact::Behind => format!("doses of {:.1} days were not given", book.behind),
            DosingFact::LowContainer => {
                format!("{:.0} mL of {:.0} mL are left in its container", book.container.unwrap_or(0.0), plan.container)
            }
            DosingFact::OldCalibration => match &book.worn {
                Some(worn) => worn.clone(),
                None => "what it gives was not measured for a long time".to_owned(),
            },
            DosingFact::Unbalanced => {
                book.unbalanced.clone().unwrap_or_else(|| "the container agrees with what was commanded".to_owned())
            }
            DosingFact::Unproven => format!("its plug did not prove the last {} doses", book.unproven),
        }
    }
}

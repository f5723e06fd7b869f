//! The course of a hold: its begin, its reminders, its deadline, its end, and what follows an end.
//!
//! ```text
//!   begin ─► reminders at 50 % and 75 % ─► deadline: alarm ─► told again each 15 min, urgent
//!     ▲                                        └► or released, where the plan says so and all that it needs is true
//!     └── a trip stops a pump within 10 min ◄── release ──► 15 min later the record is closed
//! ```
//! Starts after a release are nobody's order: each output waits for its own permissives (flow proven for its
//! minutes, water enough) and for its turn (`spacing`). Nothing restarts because time is over.

use super::conditions;
use super::deadlines::Deadlines;
use super::effect::{DeadlineKind, Durability, Effect, JournalKind, Notice, NoticeKind};
use super::hold::{ActiveHold, FALL_BACK_WITHIN, MIXED_AFTER, PUMPS_LAST, REMIND_EVERY, Released, SHEATH_COOLS};
use super::ids::{HoldId, OutputId, SignalId};
use super::plan::{AlarmSource, AtLimit, OutputKind, Priority, Switch};
use super::state::Water;
use super::tank::Tank;
use crate::time::{Span, Steady, Wall};
use crate::units::Quantity;

impl Tank {
    /// Begins a hold. Its record is on disk before the first pause is commanded. One whose time is over begins its time
    /// anew, and its pauses with it; what the water was before stays what it was.
    pub(super) fn begin_hold(&mut self, hold: HoldId, by: &str, also: Option<OutputId>, effects: &mut Vec<Effect>) {
        let (before, bin) = (self.water_now(), self.water_in_bin());
        let plan = &self.plan.holds[hold.index()];
        let state = &mut self.holds[hold.index()];
        let name = plan.name.clone();
        let mut how = "begun";
        if let Some(active) = &mut state.active {
            active.also.extend(also);
            if active.overdue {
                how = "begun anew";
                active.overdue = false;
                active.deadline = self.now.steady.after(plan.limit);
                active.deadline_wall = self.now.wall.after(plan.limit);
                active.reminders = 0;
            }
        } else {
            state.started += 1;
            state.released = None;
            state.active = Some(ActiveHold {
                by: by.to_owned(),
                since: self.now.wall,
                deadline: self.now.steady.after(plan.limit),
                deadline_wall: self.now.wall.after(plan.limit),
                overdue: false,
                also: also.into_iter().collect(),
                pumps_at: self.now.steady.after(PUMPS_LAST),
                reminders: 0,
                before,
                new_water: None,
                bin,
                probes: Vec::new(),
            });
        }
        let limit = plan.limit;
        effects.push(Effect::SaveState(Durability::BeforeWhatFollows));
        self.journal(JournalKind::Hold, &name, format!("{how} by {by}, for at most {limit}"), effects);
    }

    /// Ends a hold that stands, with its record in the journal.
    pub(super) fn end_hold(&mut self, hold: HoldId, how: &str, effects: &mut Vec<Effect>) {
        let Some(active) = self.holds[hold.index()].active.take() else { return };
        active.probes.iter().for_each(|probe| self.probes[probe.index()].put_back());
        self.unsaved = true;
        let name = self.plan.holds[hold.index()].name.clone();
        // By the steady clock: what it was meant to last, less what is left of it, or with what is over it.
        let (meant, now) = (active.deadline_wall.since(active.since), self.now.steady);
        let took = meant.minus(active.deadline.since(now)).plus(now.since(active.deadline));
        let took = Span::from_seconds(took.millis() / 1000);
        let litres = active.new_water.map_or_else(String::new, |new| format!(", {:.1} L changed", new.litres));
        let text = format!("{how} after {took}{litres}{}", change(active.before, self.water_now()));
        self.journal(JournalKind::Hold, &name, text, effects);
        if let Some(new) = active.new_water {
            effects.push(Effect::WaterChanged { litres: new.litres, since: active.since });
        }
        self.holds[hold.index()].released =
            Some(Released { at: self.now.steady, before: active.before, since: active.since });
    }

    pub(super) fn follow_holds(&mut self, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        for index in 0..self.holds.len() {
            let hold = HoldId::new(index);
            self.follow_release(hold, effects, deadlines);
            self.meet_hold_deadline(hold, effects, deadlines);
            self.remind(hold, effects, deadlines);
        }
    }

    /// After a release: back into the hold where its start went wrong, else the last line of its record.
    fn follow_release(&mut self, hold: HoldId, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        let now = self.now.steady;
        let Some(released) = self.holds[hold.index()].released.clone() else { return };
        if let Some(interlock) = self.trip_of_a_pump(hold, released.at)
            && now.since(released.at) <= FALL_BACK_WITHIN
        {
            let by = format!("interlock {interlock}, which tripped right after the release");
            self.begin_hold(hold, &by, None, effects);
            // One and the same water change goes on.
            if let Some(active) = &mut self.holds[hold.index()].active {
                active.before = released.before;
            }
            return;
        }
        let due = released.at.after(MIXED_AFTER);
        if due > now {
            return deadlines.ask(due, DeadlineKind::Hold);
        }
        self.holds[hold.index()].released = None;
        let change = change(released.before, self.water_now());
        if !change.is_empty() {
            let name = self.plan.holds[hold.index()].name.clone();
            let since = self.plan.zone.time_of_day(released.since);
            let text = format!("{MIXED_AFTER} after the hold that began at {since}{change}");
            self.journal(JournalKind::Hold, &name, text, effects);
        }
    }

    /// A known cause that has stopped a pump of this hold since then.
    fn trip_of_a_pump(&self, hold: HoldId, since: Steady) -> Option<String> {
        let pauses = &self.plan.holds[hold.index()].pauses;
        let stops = |output: &OutputId| {
            pauses.contains(output) && self.plan.outputs[output.index()].kind == OutputKind::ReturnPump
        };
        let mut acting = self.interlocks.iter().zip(&self.plan.interlocks);
        let found = acting.find(|(live, plan)| {
            live.acts()
                && live.known
                && live.since_steady >= since
                && plan.effects.iter().any(|(output, to)| *to == Switch::Off && stops(output))
        });
        found.map(|(_, plan)| plan.name.to_string())
    }

    fn meet_hold_deadline(&mut self, hold: HoldId, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        let Some(active) = &mut self.holds[hold.index()].active else { return };
        if active.deadline > self.now.steady {
            return deadlines.ask(active.deadline, DeadlineKind::Hold);
        }
        if active.overdue {
            return;
        }
        active.overdue = true;
        self.unsaved = true;
        let plan = &self.plan.holds[hold.index()];
        let (name, limit) = (plan.name.clone(), plan.limit);
        if plan.at_limit == AtLimit::Release && self.missing_for_release(hold).is_empty() {
            self.end_hold(hold, "ended by itself", effects);
        } else {
            let text = format!("its {limit} are over; nothing restarts by itself");
            self.journal(JournalKind::Hold, &name, text, effects);
        }
    }

    /// A forgotten hold is told of: before its deadline to whoever looks, after it with more and more weight.
    fn remind(&mut self, hold: HoldId, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        let plan = &self.plan.holds[hold.index()];
        let Some(active) = &self.holds[hold.index()].active else { return };
        if plan.at_limit == AtLimit::Release && !active.overdue {
            return;
        }
        let due = reminder(active, plan.limit);
        if due > self.now.steady {
            return deadlines.ask(due, DeadlineKind::Hold);
        }
        let (until, name) = (self.plan.zone.time_of_day(active.deadline_wall), plan.name.clone());
        let (text, priority) = if active.overdue {
            (format!("hold {name} should have ended at {until} and still stands"), Priority::Urgent)
        } else {
            (format!("hold {name} stands until {until}"), Priority::Medium)
        };
        let since = active.since;
        let limit = plan.limit;
        if let Some(active) = &mut self.holds[hold.index()].active {
            active.reminders += 1;
            // After a night without the daemon one reminder is enough.
            while reminder(active, limit) <= self.now.steady {
                active.reminders += 1;
            }
            deadlines.ask(reminder(active, limit), DeadlineKind::Hold);
        }
        self.unsaved = true;
        self.journal(JournalKind::Hold, &name, format!("reminder: {text}"), effects);
        let source = AlarmSource::HoldOverdue(hold);
        if let Some(alarm) = self.plan.alarms.iter().position(|alarm| alarm.source == source) {
            let notice = self.notice(alarm, NoticeKind::Reminder, text);
            effects.push(Effect::Notify(Notice { priority, since, ..notice }));
        }
    }

    /// Each condition of a release that is not known to be true, in words.
    pub(super) fn missing_for_release(&self, hold: HoldId) -> Vec<String> {
        let active = self.holds[hold.index()].active.as_ref();
        let new_water = active.and_then(|active| active.new_water?.objection());
        self.plan.holds[hold.index()]
            .release_needs
            .iter()
            .filter(|need| !self.nodes[need.condition.index()].truth.is_true())
            .map(|need| format!("{}: {}", need.name, self.evidence(need.condition)))
            .chain(new_water)
            .collect()
    }

    /// Wished on, and something withholds it.
    fn waits_to_start(&self, id: OutputId) -> bool {
        let (plan, plug) = (&self.plan.outputs[id.index()], &self.plugs[id.index()]);
        plug.wished == Switch::On && plug.decided(plan.kind) == Switch::Off
    }

    /// What an output that was paused waits for now; its proof where it waits for nothing.
    pub(super) fn start_sentence(&self, id: OutputId) -> String {
        let (plan, plug) = (&self.plan.outputs[id.index()], &self.plugs[id.index()]);
        match plug.decision.as_ref().filter(|_| self.waits_to_start(id)) {
            Some(decision) => format!("{} waits: {}", plan.name, self.cause(id, decision.layer)),
            None if plug.decided(plan.kind) == Switch::Off => format!("{}: off, nobody wishes it on now", plan.name),
            None => self.proof_sentence(id),
        }
    }

    /// What still waits after a release; nothing once everything started or the record is closed.
    pub(super) fn starting(&self, hold: HoldId) -> Vec<String> {
        if self.holds[hold.index()].released.is_none() {
            return Vec::new();
        }
        let pauses = self.plan.holds[hold.index()].pauses.iter().copied();
        pauses.filter(|output| self.waits_to_start(*output)).map(|output| self.start_sentence(output)).collect()
    }

    /// Until when a paused heater is too hot to stand in air.
    pub(super) fn hot_until(&self, hold: HoldId) -> Option<Wall> {
        self.holds[hold.index()].active.as_ref()?;
        let heaters = self.plan.holds[hold.index()]
            .pauses
            .iter()
            .filter(|output| self.plan.outputs[output.index()].kind == OutputKind::Heater);
        let last_on = heaters.filter_map(|output| self.plugs[output.index()].last_on).max()?;
        let cool_at = last_on.after(SHEATH_COOLS);
        (cool_at > self.now.steady).then(|| self.now.wall_at(cool_at))
    }

    pub(super) fn hot_sentence(&self, hold: HoldId) -> Option<String> {
        let until = self.plan.zone.time_of_day(self.hot_until(hold)?);
        Some(format!("wait until {until} before the water falls below the heater: it is hot, and cracks in air"))
    }

    /// What the water is, as far as good readings say.
    pub(super) fn water_now(&self) -> Water {
        let value = |index: usize| self.signals[index].vote.good_value();
        let bin = [self.plan.mixing_bin.temperature, self.plan.mixing_bin.salinity];
        let is_bin = |index: usize| bin.contains(&Some(SignalId::new(index)));
        let signals = self.plan.signals.iter().enumerate();
        let first = |quantity| {
            signals
                .clone()
                .find(|(index, signal)| signal.quantity == quantity && !is_bin(*index))
                .map(|(index, _)| index)
        };
        let temperature = self.plan.thermostat.as_ref().map(|plan| plan.signal.index());
        Water {
            temperature: temperature.or_else(|| first(Quantity::Temperature)).and_then(value),
            salinity: first(Quantity::Salinity).and_then(value),
            level: first(Quantity::Level).and_then(value),
        }
    }

    /// What the mixing bin's probes say of the new water.
    pub(super) fn water_in_bin(&self) -> Water {
        let good = |signal: Option<SignalId>| self.signals[signal?.index()].vote.good_value();
        let bin = self.plan.mixing_bin;
        Water { temperature: good(bin.temperature), salinity: good(bin.salinity), level: None }
    }
}

/// When the next reminder is due: at half and at three quarters of the time, then each quarter of an hour after it.
fn reminder(active: &ActiveHold, limit: Span) -> Steady {
    let before = |part: u64| active.deadline.before(Span::from_millis(limit.millis() / 4 * part));
    match active.reminders {
        0 => before(2),
        1 => before(1),
        told => active.deadline.after(Span::from_millis(REMIND_EVERY.millis() * u64::from(told - 1))),
    }
}

/// `: temperature 25.0 °C to 24.6 °C, salinity 35.0 to 34.9`, as far as both are known.
fn change(before: Water, after: Water) -> String {
    let pairs = [
        (Quantity::Temperature, "temperature", before.temperature, after.temperature),
        (Quantity::Salinity, "salinity", before.salinity, after.salinity),
        (Quantity::Level, "level", before.level, after.level),
    ];
    let words = pairs.into_iter().filter_map(|(quantity, name, before, after)| {
        let amount = |value| conditions::amount(quantity, value);
        Some(format!("{name} {} to {}", amount(before?), amount(after?)))
    });
    let words: Vec<String> = words.collect();
    if words.is_empty() { String::new() } else { format!(": {}", words.join(", ")) }
}

//! A new config takes the place of the old one while the tanks go on; a refused one changes nothing.

use std::collections::BTreeMap;

use crate::config::Setup;
use crate::control::effect::Durability;
use crate::control::{Remembered, Tank};
use crate::wire::{OwnTopics, Router, TankIndex};

use super::super::daemon_alarms::DaemonAlarm;
use super::outbox::Outbox;
use super::records::Records;
use super::{Desk, Seat};

impl Desk {
    /// Takes a sound config. Tanks of the same name go on under the new plan; others come and go.
    /// The caller makes a new connection afterwards: topics, and perhaps the broker, are others.
    pub fn reload(&mut self, setup: Setup) {
        let now = self.clock.now();
        self.care.replan(&setup);
        self.answer_all_that_wait();
        for index in 0..self.seats.len() {
            self.save(index, Durability::Soon);
            self.keep_running_days(index);
            if setup.tanks.iter().all(|tank| tank.plan.name != self.seats[index].tank.plan().name) {
                self.clear_topics(TankIndex(index));
            }
        }
        // A tank that is gone is remembered: a latched trip must not be cleared by taking it out and in.
        let mut kept: Vec<_> = Vec::new();
        let mut old: Vec<Tank> = Vec::new();
        let mut beside = BTreeMap::new();
        for seat in self.seats.drain(..) {
            beside.insert(seat.tank.plan().name.clone(), seat.kept);
            kept.extend(seat.records.json().map(|json| (seat.tank.plan().name.to_string(), json)));
            old.push(seat.tank);
        }
        let running = |name: &str| kept.iter().find(|(tank, _)| tank == name).map(|(_, json)| json.as_str());
        let records: Vec<Records> =
            setup.tanks.iter().map(|s| Records::new(&s.plan, &s.facts, running(&s.plan.name))).collect();
        let (plans, bindings): (Vec<_>, Vec<_>) = setup.tanks.into_iter().map(|s| (s.plan, s.bindings)).unzip();
        for (plan, records) in plans.into_iter().zip(records) {
            let same = old.iter().position(|tank| tank.plan().name == plan.name);
            let tank = if let Some(place) = same {
                old.swap_remove(place).replan(plan, now)
            } else {
                let known = self.shelf.remove(&*plan.name).unwrap_or(Remembered::Nothing);
                Tank::new(plan, known, now)
            };
            // Until the keeper's side has looked by its new plan.
            let kept = beside.remove(&tank.plan().name).unwrap_or_default();
            self.seats.push(Seat { kept, ..Seat::new(tank, records) });
        }
        for tank in old {
            self.shelf.insert(tank.plan().name.to_string(), Remembered::State(Box::new(tank.state())));
        }
        self.own = OwnTopics::new(&setup.daemon.root);
        self.router = Router::new(bindings, &self.own);
        self.outbox = Outbox::new(self.seats.len());
        self.deadlines.clear();
        for index in 0..self.seats.len() {
            self.arm(index);
            self.seats[index].unsaved = true;
            self.outbox.changed(index);
        }
        if setup.daemon.http.listen != self.settings.http.listen || setup.daemon.data_dir != self.settings.data_dir {
            tracing::warn!("the HTTP address and the data directory stay as they are until a restart");
        }
        self.settings = setup.daemon;
        self.notifier.replace(&self.settings.notify, &self.settings.broker, self.notify_zone());
        self.tell_what_stands();
        self.reload_refused = None;
        self.meters.reload_ok.set(1);
        self.meters.reload_at.set(now.wall.unix_seconds());
        self.clear(DaemonAlarm::ReloadRefused);
        tracing::info!("the new config is at work");
    }

    /// The new config was refused; the old one goes on and says why.
    pub fn reload_failed(&mut self, why: &str) {
        self.meters.reload_ok.set(0);
        self.reload_refused = Some(why.to_owned());
        let first = why.lines().next().unwrap_or("it is not sound");
        self.raise(DaemonAlarm::ReloadRefused, format!("the new config was refused and the old one goes on: {first}"));
        tracing::error!("the new config was refused:\n{why}");
    }
}

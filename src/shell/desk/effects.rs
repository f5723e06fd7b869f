//! Carrying out what a step wants done, in its order.

use crate::control::effect::{Durability, Effect};
use crate::control::event::{BrokerSaid, Event};
use crate::control::ids::OutputId;
use crate::wire::metrics::{PublishKind, PublishResult};
use crate::wire::{TankIndex, encode};

use super::super::mqtt::Tag;
use super::super::notify::message::Notification;
use super::Desk;

impl Desk {
    pub(super) fn carry_out(&mut self, index: TankIndex, effects: Vec<Effect>) {
        let mut recorded = true;
        for effect in effects {
            match effect {
                // Without its record a restart would give the same dose again; the core counts it as given, so it is
                // missed once and never given twice.
                Effect::SwitchPlug { output, once: Some(_), .. } if !recorded => {
                    let name = &self.seats[index.0].tank.plan().outputs[output.index()].name;
                    tracing::error!("a dose of {name} is not given: its record is not on the disk");
                }
                Effect::SwitchPlug { output, .. }
                | Effect::RefreshLease { output }
                | Effect::SetLevel { output, .. } => {
                    self.command(index, output, &effect);
                }
                Effect::SaveState(Durability::Soon) => self.seats[index.0].unsaved = true,
                // On the disk before anything else is done; where it stands in the order is the core's to say.
                Effect::SaveState(Durability::BeforeWhatFollows | Durability::AfterTheCommands) => {
                    recorded &= self.save(index.0, Durability::BeforeWhatFollows);
                }
                Effect::Journal(entry) => {
                    let tank = self.seats[index.0].tank.plan().name.to_string();
                    self.journal.push(tank, entry);
                }
                Effect::Notify(notice) => {
                    let (tank, now) = (&self.seats[index.0].tank.plan().name, self.clock.now().wall);
                    self.notifier.tell(Notification::of_tank(tank, notice, now));
                    self.outbox.show_now(index.0);
                }
                Effect::WaterChanged { litres, since } => {
                    let tank = self.seats[index.0].tank.plan().name.to_string();
                    self.care.water_changed(tank, litres, since);
                }
                Effect::Answer { to, answer } => self.answer(index, to, answer),
            }
        }
    }

    fn command(&mut self, index: TankIndex, output: OutputId, effect: &Effect) {
        let Some(publish) = self.router.tanks().get(index.0).and_then(|bindings| encode::command(bindings, effect))
        else {
            return;
        };
        let sent = match &mut self.link {
            Some(link) if self.established => link.publish(publish, Tag::Command(index, output), None),
            // The core hears of the lost broker, and tells the newest decision when it is back.
            _ => return self.meters.published(PublishKind::Command, PublishResult::Dropped),
        };
        if sent {
            self.meters.published(PublishKind::Command, PublishResult::Sent);
        } else {
            self.meters.published(PublishKind::Command, PublishResult::Dropped);
            // Told to the core, which tries again: a plug without report would else never hear it.
            self.aftermath.push_back((index, Event::CommandAcknowledged { output, outcome: BrokerSaid::Refused }));
        }
    }

    /// Returns whether it is on the disk, or need not be yet.
    pub(super) fn save(&mut self, index: usize, durability: Durability) -> bool {
        let seat = &mut self.seats[index];
        seat.unsaved = false;
        match serde_json::to_string(&seat.tank.state()) {
            Ok(json) => self.store.save(&seat.tank.plan().name, json, durability),
            Err(error) => {
                // Not possible for maps with names as keys; counted all the same.
                self.meters.store_failures.inc();
                tracing::error!("the state of {} is not JSON: {error}", seat.tank.plan().name);
                false
            }
        }
    }
}

//! Carrying out what a step wants done, in its order.

use crate::control::effect::{Durability, Effect};
use crate::control::event::{BrokerSaid, Event};
use crate::control::ids::OutputId;
use crate::wire::metrics::{PublishKind, PublishResult};
use crate::wire::{TankIndex, encode};

use super::super::mqtt::Tag;
use super::super::notify::Notification;
use super::Desk;

impl Desk {
    pub(super) fn carry_out(&mut self, index: TankIndex, effects: Vec<Effect>) {
        for effect in effects {
            match effect {
                Effect::SwitchPlug { output, .. } | Effect::RefreshLease { output } => {
                    self.command(index, output, &effect);
                }
                Effect::SaveState(Durability::Soon) => self.seats[index.0].unsaved = true,
                Effect::SaveState(Durability::BeforeWhatFollows) => self.save(index.0, Durability::BeforeWhatFollows),
                // Written when the commands are on their way: a log line costs more than a step.
                Effect::Journal(entry) => {
                    self.unwritten.push_back((self.seats[index.0].tank.plan().name.clone(), entry));
                }
                Effect::Notify(notice) => {
                    self.notifier.tell(&Notification {
                        tank: self.seats[index.0].tank.plan().name.to_string(),
                        alarm: notice.name,
                        priority: notice.priority,
                        what: notice.what,
                        since: notice.since,
                        text: notice.text,
                        advice: notice.advice,
                    });
                    self.outbox.show_now(index.0);
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

    /// Writes lines of the journal, and the log.
    pub(super) fn write_down(&mut self, at_most: usize) {
        for _ in 0..at_most {
            let Some((tank, entry)) = self.unwritten.pop_front() else {
                return;
            };
            tracing::info!("{tank}: {} {}: {}", entry.kind.word(), entry.subject, entry.text);
            self.store.journal(&tank, entry);
        }
    }

    pub(super) fn save(&mut self, index: usize, durability: Durability) {
        let seat = &mut self.seats[index];
        seat.unsaved = false;
        match serde_json::to_string(&seat.tank.state()) {
            Ok(json) => self.store.save(&seat.tank.plan().name, json, durability),
            Err(error) => {
                // Not possible for maps with names as keys; counted all the same.
                self.meters.store_failures.inc();
                tracing::error!("the state of {} is not JSON: {error}", seat.tank.plan().name);
            }
        }
    }
}

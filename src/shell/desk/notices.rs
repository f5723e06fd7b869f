//! Between control and the way out of the house: what the office wants to know, once a second.

use crate::control::effect::{JournalEntry, JournalKind};
use crate::control::status::{AlarmStatus, SignalStatus};
use crate::time::{Now, Zone};
use crate::units::Quantity;

use super::super::daemon_alarms::DaemonAlarm;
use super::super::job::NotFound;
use super::super::notify::letter::{Letter, TestResult};
use super::super::notify::message::{Notification, What};
use super::super::notify::standing::Still;
use super::super::notify::{self, daily::DailyTank};
use super::{Desk, Seat};

type TestReply = tokio::sync::oneshot::Sender<Result<Vec<TestResult>, NotFound>>;

/// Tanks in a daily word, at most; of more, those with alarms.
const MOST_TANKS: usize = 20;

impl Desk {
    /// Whose local time counts for notifications: what daemon.yaml says, else the usual tank's, else the first one's.
    pub(super) fn notify_zone(&self) -> Zone {
        notify::zone(&self.settings, self.seats.iter().map(|seat| seat.tank.plan()))
    }

    /// Tells the office what stands: what a kill swallowed is told now.
    pub(super) fn tell_what_stands(&self) {
        let now = self.clock.now();
        let mut active = Vec::new();
        for seat in &self.seats {
            let status = seat.status(now);
            active.extend(status.alarms.iter().filter(|alarm| alarm.active).map(|alarm| {
                let since = alarm.since.unwrap_or(now.wall);
                let (tank, text) = (status.tank.to_string(), alarm.text.clone());
                let mut one = Notification::plain(&tank, &alarm.alarm, What::Raised, alarm.priority, since, text);
                one.consequence.clone_from(&alarm.consequence);
                one.advice.clone_from(&alarm.action);
                (one, alarm.state != "UNACK")
            }));
        }
        self.notifier.send(Letter::Stands(active));
    }

    /// Answers what the office wants to know, and takes what it noticed.
    pub(super) fn serve_the_office(&mut self) {
        let (checks, daily, lines) = self.notifier.wanted();
        let now = self.clock.now();
        for key in checks {
            let still = self.still(&key.0, &key.1);
            self.notifier.send(Letter::Checked(key, still));
        }
        for text in lines {
            self.note("notify", text);
        }
        if daily {
            let mut tanks: Vec<DailyTank> = self.seats.iter().map(|seat| daily_tank(seat, now)).collect();
            if tanks.len() > MOST_TANKS {
                tanks.sort_by_key(|tank| std::cmp::Reverse(tank.standing));
                tanks.truncate(MOST_TANKS);
            }
            self.notifier.send(Letter::Daily(tanks, self.alarms.standing().len()));
        }
        let troubles = [
            (DaemonAlarm::ChannelFailing, self.notifier.trouble()),
            (DaemonAlarm::HeartbeatFailing, self.notifier.heartbeat_trouble()),
        ];
        for (alarm, trouble) in troubles {
            self.notice(alarm, trouble);
        }
    }

    /// Somebody tries a channel, or all.
    pub(super) fn test_channels(&mut self, channel: Option<String>, by: &str, reply: TestReply) {
        let what = channel.as_ref().map_or("all channels".to_owned(), |name| format!("channel {name}"));
        self.note("notify", format!("a test of {what} was asked for by {by}"));
        self.notifier.test(channel, reply);
    }

    /// A line of the journal of the daemon itself.
    pub(super) fn note(&mut self, subject: &str, text: String) {
        let (at, subject) = (self.clock.now().wall, subject.to_owned());
        self.journal.push("daemon".to_owned(), JournalEntry { at, kind: JournalKind::System, subject, text });
    }

    fn still(&self, tank: &str, alarm: &str) -> Still {
        if tank == "daemon" {
            let standing = self.alarms.standing();
            return standing
                .into_iter()
                .find(|standing| standing.alarm == alarm)
                .map_or(Still::Gone, |standing| Still::Stands(standing.text));
        }
        let status = self.place(tank).map(|place| self.seats[place].status(self.clock.now()));
        let alarms = status.map(|status| status.alarms).unwrap_or_default();
        match alarms.into_iter().find(|known| *known.alarm == *alarm) {
            Some(AlarmStatus { active: true, state: "UNACK", text, .. }) => Still::Stands(text),
            Some(AlarmStatus { active: true, .. }) => Still::Acknowledged,
            _ => Still::Gone,
        }
    }
}

fn daily_tank(seat: &Seat, now: Now) -> DailyTank {
    let (status, mut said) = (seat.status(now), seat.records.watched());
    said.extend(seat.tank.plan().held_by().map(ToString::to_string));
    let told = |signal: &&SignalStatus| {
        matches!(signal.measures, Quantity::Temperature | Quantity::Salinity)
            && !said.iter().any(|said| *said == *signal.signal)
    };
    let readings = status.signals.iter().filter(told).map(|signal| match signal.value {
        Some(value) if signal.quality.is_usable() => format!("{} {value:.1} {}", signal.signal, signal.unit),
        _ => format!("{} is not known", signal.signal),
    });
    DailyTank {
        tank: status.tank.to_string(),
        sentence: status.sentence.clone(),
        readings: readings.collect(),
        standing: status.alarms.iter().filter(|alarm| alarm.active).count(),
    }
}

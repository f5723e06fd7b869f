//! What survives of alarms: a kill by the record, a reload by taking over; the end of a shelving stays what it was.

use crate::time::{Span, Wall};

use super::alarm::{Alarm, Aside, STALE};
use super::alarm_follow::OUT_OF_SERVICE_REMINDER;
use super::alarm_requests::LONGEST_SHELVING;
use super::ids::AlarmId;
use super::state::{AlarmRecord, AsideRecord, TankState};
use super::tank::Tank;

impl Tank {
    pub(super) fn alarm_record(&self, live: &Alarm) -> AlarmRecord {
        let wall = |at| self.now.wall_at(at);
        AlarmRecord {
            state: live.state,
            since: live.since,
            text: live.text.clone(),
            raised: live.raised,
            on: live.on,
            aside: live.aside.as_ref().map(|aside| AsideRecord {
                why: aside.why.clone(),
                since: aside.since,
                until: aside.until.map(wall),
                remind: Some(wall(aside.remind_at)),
            }),
            again_at: live.again_at.map(wall),
            told: live.told,
            head: live.head.map(|head| self.plan.alarms[head].name.clone()),
        }
    }

    pub(super) fn restore_alarms(&mut self, state: &TankState) {
        let now = self.now;
        for index in 0..self.alarms.len() {
            let Some(record) = state.alarms.get(&self.plan.alarms[index].name) else { continue };
            // A wall clock that was set back meanwhile must lengthen nothing.
            let due = |at: Wall, longest: Span| now.steady.after(at.since(now.wall).min(longest));
            let aside = record.aside.as_ref().map(|aside| Aside {
                why: aside.why.clone(),
                since: aside.since,
                until: aside.until.map(|until| due(until, LONGEST_SHELVING)),
                remind_at: due(aside.remind.unwrap_or(now.wall), OUT_OF_SERVICE_REMINDER),
            });
            self.alarms[index] = Alarm {
                state: record.state,
                since: record.since,
                text: record.text.clone(),
                raised: record.raised,
                // A record of before says it by its state alone.
                on: record.on || record.state.is_active(),
                aside,
                again_at: record.again_at.map(|at| due(at, STALE)),
                // Before there were groups, whatever stood had been told.
                told: record.told || (record.state.is_active() && record.head.is_none()),
                head: record.head.as_ref().and_then(|head| self.plan.alarm(head)).map(AlarmId::index),
                ..Alarm::default()
            };
        }
    }

    /// A reload: the same alarm by name, its delays begun anew.
    pub(super) fn take_over_alarms(&mut self, old: &Self) {
        for index in 0..self.alarms.len() {
            let Some(id) = old.plan.alarm(&self.plan.alarms[index].name) else { continue };
            let (was, head) = (&old.alarms[id.index()], self.alarms[index].head);
            self.alarms[index] = Alarm { head, ..was.clone() };
            self.alarms[index].restart_delays();
        }
        self.flood = old.flood.clone();
    }
}

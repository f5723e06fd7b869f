//! Families of interlocks, holds and alarms.

use crate::control::AlarmState;

use super::{Family, counter, gauge, moment, yes};

pub(super) const FAMILIES: &[Family] = &[
    gauge(
        "slackwater_interlock_state",
        "State set of an interlock (armed, tripped, latched, unknown, bypassed).",
        &["tank", "interlock", "state"],
        |tank, to| {
            for interlock in &tank.interlocks {
                let states = ["armed", "tripped", "latched", "unknown", "bypassed"];
                to.state_set(&[&tank.tank, &interlock.interlock], &states, Some(interlock.state));
            }
        },
    ),
    counter("slackwater_interlock_trips_total", "Trips.", &["tank", "interlock"], |tank, to| {
        for interlock in &tank.interlocks {
            to.put(&[&tank.tank, &interlock.interlock], interlock.trips as f64);
        }
    }),
    gauge(
        "slackwater_interlock_last_trip_timestamp_seconds",
        "Unix time of the last trip; 0 if none is known.",
        &["tank", "interlock"],
        |tank, to| {
            for interlock in &tank.interlocks {
                to.put(&[&tank.tank, &interlock.interlock], moment(interlock.last_trip));
            }
        },
    ),
    gauge(
        "slackwater_interlock_bypassed",
        "1 while a person has set the interlock aside.",
        &["tank", "interlock"],
        |tank, to| {
            for interlock in &tank.interlocks {
                to.put(&[&tank.tank, &interlock.interlock], yes(interlock.bypass.is_some()));
            }
        },
    ),
    gauge(
        "slackwater_interlock_bypass_expiry_timestamp_seconds",
        "Unix time when the bypass ends by itself; 0 while none stands.",
        &["tank", "interlock"],
        |tank, to| {
            for interlock in &tank.interlocks {
                let until = interlock.bypass.as_ref().map(|bypass| bypass.until);
                to.put(&[&tank.tank, &interlock.interlock], moment(until));
            }
        },
    ),
    gauge("slackwater_hold_active", "1 while the hold stands.", &["tank", "hold"], |tank, to| {
        for hold in &tank.holds {
            to.put(&[&tank.tank, &hold.hold], yes(hold.active));
        }
    }),
    gauge("slackwater_hold_overdue", "1 while the hold stands past its deadline.", &["tank", "hold"], |tank, to| {
        for hold in &tank.holds {
            to.put(&[&tank.tank, &hold.hold], yes(hold.overdue));
        }
    }),
    gauge(
        "slackwater_hold_expiry_timestamp_seconds",
        "Unix time of the hold's deadline; 0 while it does not stand.",
        &["tank", "hold"],
        |tank, to| {
            for hold in &tank.holds {
                to.put(&[&tank.tank, &hold.hold], moment(hold.until.filter(|_| hold.active)));
            }
        },
    ),
    counter("slackwater_hold_started_total", "Holds begun.", &["tank", "hold"], |tank, to| {
        for hold in &tank.holds {
            to.put(&[&tank.tank, &hold.hold], hold.started as f64);
        }
    }),
    gauge(
        "slackwater_alarm_active",
        "1 while the alarm's condition holds.",
        &["tank", "alarm", "priority"],
        |tank, to| {
            for alarm in &tank.alarms {
                to.put(&[&tank.tank, &alarm.alarm, alarm.priority.word()], yes(alarm.active));
            }
        },
    ),
    gauge(
        "slackwater_alarm_state",
        "State set of an alarm, by the state names of ANSI/ISA-18.2.",
        &["tank", "alarm", "state"],
        |tank, to| {
            for alarm in &tank.alarms {
                to.state_set(
                    &[&tank.tank, &alarm.alarm],
                    &AlarmState::ALL.map(AlarmState::abbreviation),
                    Some(alarm.state),
                );
            }
        },
    ),
    gauge(
        "slackwater_alarm_acknowledged",
        "1 while an active alarm is acknowledged.",
        &["tank", "alarm"],
        |tank, to| {
            for alarm in &tank.alarms {
                to.put(&[&tank.tank, &alarm.alarm], yes(alarm.state == "ACKED"));
            }
        },
    ),
    gauge(
        "slackwater_alarm_since_timestamp_seconds",
        "Unix time when the alarm became active; 0 while it is not.",
        &["tank", "alarm"],
        |tank, to| {
            for alarm in &tank.alarms {
                to.put(&[&tank.tank, &alarm.alarm], moment(alarm.since.filter(|_| alarm.active)));
            }
        },
    ),
    counter("slackwater_alarm_raised_total", "Times the alarm was raised.", &["tank", "alarm"], |tank, to| {
        for alarm in &tank.alarms {
            to.put(&[&tank.tank, &alarm.alarm], alarm.raised as f64);
        }
    }),
];

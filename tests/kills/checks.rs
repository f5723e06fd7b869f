//! What must be so after a kill: at each moment, after each start, and at the end of a story.
//!
//! Limits: it compares what the daemon shows and what the simulated relays and the reservoir are; it does not ask the
//! core why. Slack: a relay follows its command within two seconds, and a pump gives up to a second's water more or less.

use slackwater::control::plan::{AtLimit, OutputKind, Switch};
use slackwater::sim::rehearsal::Rule;
use slackwater::time::Span;

use super::lab::{Glance, Lab};

/// Nothing is topped off so soon after a start.
const AFTER_START: Span = Span::from_minutes(2);
/// The longest lease of a top-off, and a second for its relay.
const LEASE: Span = Span::from_seconds(31);
const DAY: Span = Span::from_hours(24);
const HOUR: Span = Span::from_hours(1);

/// A fresh daemon starts no top-off, and does not let one run on that it found running.
pub fn always(lab: &mut Lab) {
    let (Some(output), Some(started)) = (lab.top_off(), lab.started) else { return };
    let age = lab.run.passed().minus(started);
    let may_run = if lab.found_running { age <= LEASE } else { age <= Span::from_seconds(2) };
    if !may_run && age < AFTER_START && lab.is_on(output) {
        lab.find(&format!("the top-off runs {age} after a start"));
        lab.started = None;
    }
}

/// After a start the tank is what it was at the last glance before the kill.
pub fn after_a_start(lab: &mut Lab, before: &Glance, moment: &str) {
    let Some(after) = lab.glance() else { return };
    let plan = lab.setup.tanks[lab.tank].plan.clone();
    for (hold, plan) in before.status.holds.iter().zip(&plan.holds) {
        let Some(now) = after.status.holds.iter().find(|now| now.hold == hold.hold) else { continue };
        let left =
            hold.until.map_or(Span::ZERO, |until| until.since(slackwater::time::Wall::from_unix_millis(wall(lab))));
        let may_end = lab.released || (plan.at_limit == AtLimit::Release && left < Span::from_seconds(2));
        if hold.active && !may_end && (!now.active || now.until != hold.until || now.since != hold.since) {
            lab.find(&format!("{moment}: {hold:?} came back as {now:?}"));
        }
    }
    for (interlock, now) in before.status.interlocks.iter().zip(&after.status.interlocks) {
        if interlock.state == "latched" && now.state != "latched" {
            lab.find(&format!("{moment}: {} was latched and is {}", interlock.interlock, now.state));
        }
    }
    for (top_off, now) in before.status.top_offs.iter().zip(&after.status.top_offs) {
        // A run that went on had reserved its most, and what it took is paid: at least what was given in truth.
        if now.litres_in_24_hours + 0.02 < paid_at_least(lab) {
            let given = paid_at_least(lab);
            lab.find(&format!("{moment}: {given:.3} L were given, and {:.3} L count", now.litres_in_24_hours));
        }
        let ran = top_off.state == "running";
        if ran && now.litres_in_24_hours + 1e-6 < top_off.litres_in_24_hours {
            let (was, is) = (top_off.litres_in_24_hours, now.litres_in_24_hours);
            lab.find(&format!("{moment}: {was:.3} L counted in the run, and {is:.3} L after it"));
        }
        if now.misses < top_off.misses {
            lab.find(&format!("{moment}: {} misses became {}", top_off.misses, now.misses));
        }
    }
    lab.pass(Span::from_seconds(4));
    pumps(lab, before, moment);
    paused(lab, moment);
}

/// Pumps that ran go on, unless a hold or a dry pump says otherwise.
fn pumps(lab: &mut Lab, before: &Glance, moment: &str) {
    let Some(now) = lab.glance() else { return };
    let held = |glance: &Glance| glance.status.holds.iter().any(|hold| hold.active);
    let dry = now.status.interlocks.iter().any(|one| &*one.interlock == "return-pump-dry" && one.state != "armed");
    if held(before) || held(&now) || dry {
        return;
    }
    for (index, was) in before.truth.relays.iter().enumerate() {
        let life = matches!(lab.kind(index), OutputKind::ReturnPump | OutputKind::Powerhead);
        if life && *was == Switch::On && now.truth.relays[index] == Switch::Off {
            let name = &now.status.outputs[index].output;
            lab.find(&format!("{moment}: {name} ran before the kill and stands after the start"));
        }
    }
}

/// What a standing hold pauses is off.
fn paused(lab: &mut Lab, moment: &str) {
    let Some(now) = lab.glance() else { return };
    let plan = lab.setup.tanks[lab.tank].plan.clone();
    for (hold, live) in plan.holds.iter().zip(&now.status.holds) {
        for output in hold.pauses.iter().filter(|_| live.active && !live.overdue) {
            if now.truth.relays[output.index()] == Switch::On {
                let name = &plan.outputs[output.index()].name;
                lab.find(&format!("{moment}: {name} works in hold {}", live.hold));
            }
        }
    }
}

/// The budget, by what left the reservoir; and what the monitor saw.
pub fn at_the_end(lab: &mut Lab) {
    let plan = lab.setup.tanks[lab.tank].plan.clone();
    if let Some(top_off) = plan.top_offs.first() {
        let lease = plan.outputs[top_off.output.index()].plug.lease.map_or(Span::ZERO, |lease| lease.lasts);
        let a_lease = lease.seconds() * top_off.delivers.litres_per_minute() / 60.0;
        // A plug without a lease runs on while nobody lives; the daemon counts a whole day for it afterwards.
        let unseen = if lease == Span::ZERO { lab.ran_unseen } else { 0.0 };
        for (window, most) in [(DAY, top_off.per_day.litres()), (HOUR, top_off.per_hour.litres() + a_lease)] {
            let given = most_within(&lab.given, window);
            if given > most + unseen + 0.02 {
                lab.find(&format!("{given:.3} L were given within {window}, and {most:.3} L is the most"));
            }
        }
    }
    let name = lab.name();
    let broken: Vec<String> = lab
        .run
        .violations()
        .iter()
        .filter(|one| one.rule != Rule::Water && one.tank == name)
        .map(|one| format!("{}: {}: {}", one.rule, one.subject, one.text))
        .collect();
    for one in broken {
        lab.find(&one);
    }
}

/// The most that was given in any window.
fn most_within(given: &[(Span, f64)], window: Span) -> f64 {
    let (mut from, mut most) = (0, 0.0_f64);
    for (at, litres) in given {
        while at.minus(given[from].0) > window {
            from += 1;
        }
        let before = if from == 0 { 0.0 } else { given[from - 1].1 };
        most = most.max(litres - before);
    }
    most
}

/// Everything that was given in the last 24 hours must count; of a plug without a lease, what ran unseen counts as a day's.
fn paid_at_least(lab: &Lab) -> f64 {
    let now = lab.run.passed();
    let old = lab.given.iter().rev().find(|(at, _)| now.minus(*at) >= DAY).map_or(0.0, |(_, litres)| *litres);
    let all = lab.litres_given() - old;
    let plan = &lab.setup.tanks[lab.tank].plan;
    plan.top_offs.first().map_or(all, |top_off| all.min(top_off.per_day.litres()))
}

fn wall(lab: &Lab) -> i64 {
    1_780_293_600_000 + i64::try_from(lab.run.passed().millis()).unwrap_or(i64::MAX)
}

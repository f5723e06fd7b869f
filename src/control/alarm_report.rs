//! What a month of alarms says of the alarms themselves: how many, which, for how long, and what to mend.
//!
//! Pure: lines of the journal in, facts out. Nothing here is fed back. The limits beside the numbers are those of
//! [`super::alarm_load`]. Times are wall times of the journal, so a clock that jumped bends what spans the jump.

use std::collections::BTreeMap;

use crate::time::{Span, Wall};

use super::alarm::STALE;
use super::alarm_act::AlarmAct;
use super::alarm_load::{CHATTER, FLOOD, FLOOD_OVER, FLOOD_WITHIN};
use super::plan::{AlarmSource, Priority, TankPlan};

/// From so many times in a month on, a frequent alarm is worth mending. [choice]
const WORTH_MENDING: usize = 5;
const DAY_MILLIS: f64 = 86_400_000.0;

/// One line of the journal about an alarm.
#[derive(Clone, Debug, PartialEq)]
pub struct AlarmLine {
    /// When.
    pub at: Wall,
    /// Its name.
    pub alarm: String,
    /// What became of it.
    pub act: AlarmAct,
}

/// A month of one tank's alarms.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct AlarmReport {
    /// Days that were looked at.
    pub days: f64,
    /// Raised in that time.
    pub raised: usize,
    /// The same by day.
    pub a_day: f64,
    /// Raised on the busiest 24 hours.
    pub busiest_day: usize,
    /// The most frequent ones, the first being the most.
    pub top_ten: Vec<Frequent>,
    /// What they are of all, from 0 to 1.
    pub top_ten_share: f64,
    /// By priority, the most urgent first.
    pub by_priority: Vec<OfPriority>,
    /// Those that came three times within a minute, and how often they did.
    pub chattering: Vec<(String, usize)>,
    /// Those that stood for more than a day, and for how many hours at the longest.
    pub stale: Vec<(String, f64)>,
    /// Times of more than ten alarms in ten minutes.
    pub floods: Vec<FloodPeriod>,
    /// Hours of them all.
    pub flood_hours: f64,
    /// From being raised to being acknowledged.
    pub acknowledged: TimeToAcknowledge,
    /// Which were shelved, and how often.
    pub shelved: Vec<(String, usize)>,
    /// Which were taken out of service, and how often.
    pub out_of_service: Vec<(String, usize)>,
    /// Which to mend, and how.
    pub mend: Vec<String>,
}

/// An alarm that came often.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Frequent {
    /// Its name.
    pub alarm: String,
    /// So often.
    pub raised: usize,
    /// Of all, from 0 to 1.
    pub share: f64,
}

/// How many came of one priority.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct OfPriority {
    /// The priority.
    pub priority: Priority,
    /// So many.
    pub raised: usize,
    /// Of all, from 0 to 1.
    pub share: f64,
}

/// More alarms than a person takes in.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct FloodPeriod {
    /// When the eleventh within ten minutes came.
    pub from: Wall,
    /// When fewer than five came in ten minutes.
    pub until: Wall,
    /// Raised in that time.
    pub raised: usize,
}

/// How long alarms waited for a person.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize)]
pub struct TimeToAcknowledge {
    /// Acknowledged.
    pub count: usize,
    /// Half of them sooner, minutes.
    pub median_minutes: Option<f64>,
    /// The longest, minutes.
    pub longest_minutes: Option<f64>,
    /// Never acknowledged.
    pub never: usize,
}

/// Reads a month. `lines` are those from `from` to `until`, the oldest first.
pub fn of_month(plan: &TankPlan, lines: &[AlarmLine], from: Wall, until: Wall) -> AlarmReport {
    let raises: Vec<&AlarmLine> = lines.iter().filter(|line| line.act == AlarmAct::Raised).collect();
    let times: Vec<Wall> = raises.iter().map(|line| line.at).collect();
    let share = |n: usize| if raises.is_empty() { 0.0 } else { n as f64 / raises.len() as f64 };
    let top_ten: Vec<Frequent> = counted(lines, AlarmAct::Raised)
        .into_iter()
        .take(10)
        .map(|(alarm, raised)| Frequent { share: share(raised), alarm, raised })
        .collect();
    let priority = |name: &str| plan.alarm(name).map_or(Priority::Low, |id| plan.alarms[id.index()].priority);
    let by_priority = Priority::WORDS.iter().rev().map(|(of, _)| {
        let raised = raises.iter().filter(|line| priority(&line.alarm) == *of).count();
        OfPriority { priority: *of, raised, share: share(raised) }
    });
    let by_alarm = by_alarm(lines);
    let chattering: Vec<_> = by_alarm.iter().filter_map(|(name, of)| Some((name.clone(), chatter(of)?))).collect();
    let stale: Vec<_> = by_alarm.iter().filter_map(|(name, of)| Some((name.clone(), stale(of, until)?))).collect();
    let floods = floods(&times);
    let days = until.since(from).millis() as f64 / DAY_MILLIS;
    let flood_hours = floods.iter().map(|flood| flood.until.since(flood.from).hours()).fold(0.0, |all, one| all + one);
    let mend = mend(plan, &top_ten, &chattering, &stale);
    AlarmReport {
        days,
        raised: raises.len(),
        a_day: if days > 0.0 { raises.len() as f64 / days } else { 0.0 },
        busiest_day: most_within(&times, STALE),
        top_ten_share: share(top_ten.iter().map(|one| one.raised).sum()),
        top_ten,
        by_priority: by_priority.collect(),
        chattering,
        stale,
        floods,
        flood_hours,
        acknowledged: acknowledged(&by_alarm),
        shelved: counted(lines, AlarmAct::Shelved),
        out_of_service: counted(lines, AlarmAct::Removed),
        mend,
    }
}

/// How often each alarm did this, the most frequent first.
fn counted(lines: &[AlarmLine], act: AlarmAct) -> Vec<(String, usize)> {
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    for line in lines.iter().filter(|line| line.act == act) {
        *counts.entry(&line.alarm).or_default() += 1;
    }
    let mut counts: Vec<_> = counts.into_iter().map(|(name, count)| (name.to_owned(), count)).collect();
    counts.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
    counts
}

fn by_alarm(lines: &[AlarmLine]) -> BTreeMap<String, Vec<&AlarmLine>> {
    let mut by: BTreeMap<String, Vec<&AlarmLine>> = BTreeMap::new();
    for line in lines {
        by.entry(line.alarm.clone()).or_default().push(line);
    }
    by
}

/// The most of them within any window.
fn most_within(times: &[Wall], window: Span) -> usize {
    let mut first = 0;
    let mut most = 0;
    for (at, time) in times.iter().enumerate() {
        while times[first].after(window) <= *time {
            first += 1;
        }
        most = most.max(at + 1 - first);
    }
    most
}

/// How often an alarm came three times within a minute; `None`: never.
fn chatter(lines: &[&AlarmLine]) -> Option<usize> {
    let times: Vec<Wall> = lines.iter().filter(|line| line.act == AlarmAct::Raised).map(|line| line.at).collect();
    let bursts = times.windows(CHATTER).filter(|of| of[CHATTER - 1].since(of[0]) < Span::from_minutes(1)).count();
    (bursts > 0).then_some(bursts)
}

/// For how many hours an alarm stood at the longest, if that was more than a day.
fn stale(lines: &[&AlarmLine], until: Wall) -> Option<f64> {
    let mut since = None;
    let mut longest = Span::ZERO;
    for line in lines {
        match line.act {
            AlarmAct::Raised => since = since.or(Some(line.at)),
            AlarmAct::Cleared | AlarmAct::Shelved | AlarmAct::Suppressed | AlarmAct::Removed => {
                longest = longest.max(since.take().map_or(Span::ZERO, |since| line.at.since(since)));
            }
            _ => {}
        }
    }
    longest = longest.max(since.map_or(Span::ZERO, |since| until.since(since)));
    (longest > STALE).then(|| longest.hours())
}

fn floods(times: &[Wall]) -> Vec<FloodPeriod> {
    let mut floods: Vec<FloodPeriod> = Vec::new();
    let within = |at: usize| times[..=at].iter().rev().take_while(|time| time.after(FLOOD_WITHIN) > times[at]).count();
    let mut open = false;
    for (at, time) in times.iter().enumerate() {
        // It was over before this one, if that leaves fewer than five.
        open = open && within(at) > FLOOD_OVER;
        if !open && within(at) > FLOOD {
            open = true;
            floods.push(FloodPeriod { from: *time, until: *time, raised: within(at) });
        } else if open && let Some(flood) = floods.last_mut() {
            flood.raised += 1;
        }
        if open && let Some(flood) = floods.last_mut() {
            flood.until = time.after(FLOOD_WITHIN);
        }
    }
    floods
}

fn acknowledged(by_alarm: &BTreeMap<String, Vec<&AlarmLine>>) -> TimeToAcknowledge {
    let mut minutes = Vec::new();
    let mut never = 0;
    for lines in by_alarm.values() {
        let mut waits: Option<Wall> = None;
        for line in lines {
            match line.act {
                AlarmAct::Raised => waits = waits.or(Some(line.at)),
                AlarmAct::Acknowledged => {
                    minutes.extend(waits.take().map(|since| line.at.since(since).millis() as f64 / 60_000.0));
                }
                AlarmAct::Shelved | AlarmAct::Suppressed | AlarmAct::Removed => waits = None,
                _ => {}
            }
        }
        never += usize::from(waits.is_some());
    }
    minutes.sort_by(f64::total_cmp);
    TimeToAcknowledge {
        count: minutes.len(),
        median_minutes: minutes.get(minutes.len() / 2).copied(),
        longest_minutes: minutes.last().copied(),
        never,
    }
}

/// Which to mend, and how.
fn mend(plan: &TankPlan, top_ten: &[Frequent], chattering: &[(String, usize)], stale: &[(String, f64)]) -> Vec<String> {
    let mut mend = Vec::new();
    for one in top_ten.iter().filter(|one| one.raised >= WORTH_MENDING) {
        mend.push(format!("`{}` raised {} times: {}", one.alarm, one.raised, remedy(plan, &one.alarm)));
    }
    for (name, times) in chattering {
        mend.push(format!(
            "`{name}` chattered {times} times: lengthen its `on_delay` or `off_delay`, or give its limit a wider `deadband`"
        ));
    }
    for (name, hours) in stale {
        mend.push(format!(
            "`{name}` stood for {hours:.0} h: mend what it tells of, or take it out of service with the reason; an alarm \
             that always stands hides the next one"
        ));
    }
    mend
}

fn remedy(plan: &TankPlan, name: &str) -> &'static str {
    let Some(id) = plan.alarm(name) else { return "it is no longer in the config" };
    match &plan.alarms[id.index()].source {
        AlarmSource::SignalLost(_) | AlarmSource::ProbeLost(_) => {
            "look at its battery, its cable and its radio, or lengthen its `on_delay`"
        }
        AlarmSource::NotProven(_) | AlarmSource::PowerLost | AlarmSource::Restarts(_) | AlarmSource::WrongBoot(_) => {
            "look at the plug and at the radio where it hangs"
        }
        AlarmSource::Disagree(_) => "calibrate the probes against one instrument, or give `disagree` a wider `by`",
        AlarmSource::ForeignSwitch(_) | AlarmSource::Conflict(_) => "find what else switches it, and turn that off",
        AlarmSource::StartsOften(_) | AlarmSource::Changeovers => "give `temperature` a wider `band`",
        AlarmSource::Trip(_) | AlarmSource::TripsOften(_) => {
            "mend what trips it: each trip is something that was stopped"
        }
        AlarmSource::HoldOverdue(_) => "give the hold a longer `limit`, or release it in time",
        AlarmSource::ClockJumped => "give the machine a time source",
        AlarmSource::Drift(_) => "give `drift:` a wider limit, or mend what it sees",
        AlarmSource::ProofsDue | AlarmSource::ProofFailed => "do the proof tests: `slackwater prove`",
        AlarmSource::Bypassed => "mend what was bypassed",
        AlarmSource::Condition(_)
        | AlarmSource::FutileHeat
        | AlarmSource::LeaseOutlived(_)
        | AlarmSource::DrainBack
        | AlarmSource::StateDamaged => "mend what it tells of, or move its limit to where somebody has to act",
    }
}

//! What became of a rehearsal, as facts: for words, for JSON, for the eye.
//!
//! For each fault: when the daemon first wrote something that is not everyday, which alarms came, what
//! interlocks, holds and people then did, and what the water saw. The daemon gives no fault as a cause
//! (it does not know it); what stands here is what came **after**, in the same tank, and with several
//! faults at once it may belong to another one.

use crate::time::Span;

use super::super::fault::What;
use super::harm::{FLOOR, Harmed, SALINITY_BAND, TEMPERATURE};
use super::monitor::Violation;
use super::record::{Entry, Source};
use super::{Planned, Rehearsal, is_fault};

/// What follows a fault within this time after its end is told with it.
const AFTERMATH: Span = Span::from_hours(2);
/// Lines of what the daemon did, a fault.
const DEEDS: usize = 8;

/// A rehearsal's outcome.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Report {
    /// The seed.
    pub seed: u64,
    /// Simulated time.
    pub passed: Span,
    /// Messages that went through the codecs into the core.
    pub messages: u64,
    /// Messages to plugs.
    pub commands: u64,
    /// FNV-1a over everything that was published to plugs: the same run has the same one.
    pub fingerprint: String,
    /// Each fault and what came after.
    pub faults: Vec<FaultStory>,
    /// Each tank.
    pub tanks: Vec<TankStory>,
    /// What was violated.
    pub violations: Vec<Violation>,
    /// What harmed the water, from its beginning to its end.
    pub harms: Vec<Harmed>,
    /// What the water is judged by.
    pub limits: Limits,
}

/// What the water is judged by.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Limits {
    /// °C.
    pub temperature: (f64, f64),
    /// From the start, g/kg.
    pub salinity_band: f64,
    /// L.
    pub floor: f64,
}

/// One fault and what came after.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct FaultStory {
    /// The sentence.
    pub fault: String,
    /// When it began.
    pub at: Span,
    /// When it was over.
    pub over: Option<Span>,
    /// The daemon's first line about something unusual.
    pub noticed: Option<Entry>,
    /// The first alarm, and its time.
    pub alarm: Option<(String, Span)>,
    /// What interlocks, holds and people did.
    pub did: Vec<Entry>,
    /// What the water saw from its beginning to two hours after its end.
    pub water: Vec<Water>,
}

/// What a tank's water saw over a time.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Water {
    /// The tank.
    pub tank: String,
    /// °C of the display.
    pub celsius: (f64, f64),
    /// g/kg.
    pub salinity: (f64, f64),
    /// mm.
    pub level: (f64, f64),
    /// L on the floor at the end.
    pub floor_litres: f64,
}

/// One tank over the whole time.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct TankStory {
    /// Its water.
    pub water: Water,
    /// Its alkalinity, dKH.
    pub alkalinity: (f64, f64),
    /// Its calcium, mg/L.
    pub calcium: (f64, f64),
    /// The longest time in which no pump moved it.
    pub longest_still: Span,
    /// L.
    pub evaporated: f64,
    /// L.
    pub topped_off: f64,
    /// Each output's share of the time at work.
    pub works: Vec<(String, f64)>,
    /// Each alarm, how often it was raised, and whether it stands.
    pub alarms: Vec<(String, usize, bool)>,
}

pub(super) fn of(run: &Rehearsal) -> Report {
    let count = run.daemon.count();
    Report {
        seed: run.seed,
        passed: run.passed(),
        messages: run.messages,
        commands: run.record.commands(),
        fingerprint: format!("{:016x}", run.record.seal()),
        faults: run
            .faults
            .iter()
            .filter(|planned| is_fault(planned.fault.what))
            .filter_map(|one| story(run, one))
            .collect(),
        tanks: (0..count).filter_map(|tank| tank_story(run, tank)).collect(),
        violations: run.monitor.violations().to_vec(),
        harms: run.monitor.harms().to_vec(),
        limits: Limits { temperature: TEMPERATURE, salinity_band: SALINITY_BAND, floor: FLOOR },
    }
}

fn story(run: &Rehearsal, planned: &Planned) -> Option<FaultStory> {
    let (begins, over) = run.time_of(&planned.fault);
    let at = begins.since(run.start.steady);
    let over = over.map(|over| over.since(run.start.steady));
    if at > run.passed() {
        return None;
    }
    let until = over.map_or(run.passed(), |over| over.plus(AFTERMATH)).min(run.passed());
    // A start trips what it does not see yet; that is news only of what made it start.
    let counts = |entry: &Entry| !entry.starting || planned.fault.what == What::DaemonKilled;
    let ours = |tank: Option<usize>| planned.tank.is_none() || tank.is_none() || tank == planned.tank;
    let lines = run.record.entries().iter().filter(|entry| {
        entry.source == Source::Daemon && ours(entry.tank) && entry.at >= at && entry.at <= until && counts(entry)
    });
    let lines: Vec<&Entry> = lines.collect();
    let noticed = lines.iter().find(|entry| is_unusual(entry)).map(|entry| (*entry).clone());
    let did = lines.iter().filter(|entry| entry.kind == "command" || entry.kind == "trip" || entry.kind == "hold");
    let tanks = || (0..run.daemon.count()).filter(|tank| planned.tank.is_none() || planned.tank == Some(*tank));
    let alarms =
        tanks().flat_map(|tank| run.record.alarms(tank)).filter(|spell| spell.from >= at && spell.from <= until);
    let first = alarms.min_by_key(|spell| spell.from);
    Some(FaultStory {
        fault: planned.sentence.clone(),
        at,
        over,
        noticed,
        alarm: first.map(|spell| (spell.alarm.clone(), spell.from)),
        did: did.take(DEEDS).map(|entry| (*entry).clone()).collect(),
        water: tanks().filter_map(|tank| water(run, tank, at, until)).collect(),
    })
}

/// Whether a line is not what every day brings.
fn is_unusual(entry: &Entry) -> bool {
    match entry.kind {
        "trip" | "alarm" | "foreign" | "reading" => true,
        "system" => !entry.text.starts_with("connected"),
        "proof" => !entry.text.starts_with("proven"),
        _ => false,
    }
}

fn water(run: &Rehearsal, tank: usize, from: Span, until: Span) -> Option<Water> {
    let points = run.record.points(tank);
    // A point covers the minutes up to the next one; the one that stands at the beginning counts.
    let first = points.partition_point(|point| point.at <= from).saturating_sub(1);
    let points: Vec<_> = points[first..].iter().take_while(|point| point.at <= until).collect();
    let last = points.last()?;
    let range = |of: fn(&super::Point) -> (f64, f64)| {
        points
            .iter()
            .map(|point| of(point))
            .fold((f64::INFINITY, f64::NEG_INFINITY), |range, point| (range.0.min(point.0), range.1.max(point.1)))
    };
    Some(Water {
        tank: run.daemon.name(tank).to_owned(),
        celsius: range(|point| point.celsius),
        salinity: range(|point| point.salinity),
        level: range(|point| point.level),
        floor_litres: last.floor_litres,
    })
}

fn tank_story(run: &Rehearsal, tank: usize) -> Option<TankStory> {
    let saw = run.monitor.saw(tank)?;
    let name = run.daemon.name(tank).to_owned();
    let ledger = run.world.physics(&name)?.ledger();
    let points = run.record.points(tank);
    let share =
        |output: usize| points.iter().map(|point| point.works[output]).sum::<f64>() / points.len().max(1) as f64;
    let outputs = run.daemon.plan(tank).outputs.iter().enumerate();
    let mut alarms: Vec<(String, usize, bool)> = Vec::new();
    for spell in run.record.alarms(tank) {
        let stands = spell.until.is_none();
        match alarms.iter_mut().find(|(alarm, ..)| *alarm == spell.alarm) {
            Some((_, times, still)) => (*times, *still) = (*times + 1, stands),
            None => alarms.push((spell.alarm.clone(), 1, stands)),
        }
    }
    Some(TankStory {
        water: Water {
            tank: name,
            celsius: saw.celsius,
            salinity: saw.salinity,
            level: saw.level,
            floor_litres: saw.floor_litres,
        },
        alkalinity: saw.alkalinity,
        calcium: saw.calcium,
        longest_still: saw.still,
        evaporated: ledger.evaporated,
        topped_off: ledger.topped_off,
        works: outputs.map(|(index, output)| (output.name.to_string(), share(index))).collect(),
        alarms,
    })
}

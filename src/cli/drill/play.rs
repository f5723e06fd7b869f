//! Plays one drill and finds what did not follow.
//!
//! `is` of an output is what it was last told; of interlocks, alarms and holds what the daemon shows.
//! What was told is exact to the millisecond; what is shown is looked at each [`LOOK`]. An expectation
//! holds when the state is there at any moment from `after` to its deadline, a `never` when it is there at none.
//! What the monitor calls a violated invariant fails a drill too; the simulated water does not: a drill
//! may lie to the daemon as much as it wants.

use crate::cli::model::model;
use crate::config::drill::{About, Expectation, Script, State, What};
use crate::config::{Place, Problem, Problems, Setup};
use crate::control::plan::Switch;
use crate::control::status::TankStatus;
use crate::sim::physics::Room;
use crate::sim::rehearsal::{Detail, Entry, Rehearsal, Routine, Rule, Staging};
use crate::sim::{Daemon, Model, Surroundings};
use crate::time::{Now, Span, Steady, Wall};

/// How often the daemon's status is looked at.
const LOOK: Span = Span::from_millis(250);
/// 2026-06-01 06:00 UTC: 07:00 in Lisbon, summer time.
const START: Now = Now { steady: Steady::from_millis(0), wall: Wall::from_unix_millis(1_780_293_600_000) };
/// How much of the timeline stands around a miss.
const AROUND: Span = Span::from_seconds(30);
/// Lines of it.
const LINES: usize = 30;

/// What became of a drill.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Outcome {
    /// Its file.
    pub file: String,
    /// What it is about.
    pub title: String,
    /// How long it took, simulated.
    pub lasted: Span,
    /// Expectations, `never` included.
    pub expectations: usize,
    /// What did not follow.
    pub misses: Vec<Miss>,
}

impl Outcome {
    /// Whether everything followed.
    pub fn passed(&self) -> bool {
        self.misses.is_empty()
    }
}

/// What did not follow.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Miss {
    /// Where the expectation stands.
    #[serde(flatten)]
    pub place: Place,
    /// What was expected, and what came.
    pub text: String,
    /// What happened around it.
    pub timeline: Vec<Entry>,
}

/// A state that was seen, from a moment on.
struct Seen {
    about: About,
    name: String,
    states: Vec<(Span, Vec<State>)>,
}

/// Plays it. A drill whose names or sentences do not fit the config is a problem at its place.
pub fn play(setup: &Setup, script: &Script, seed: u64) -> Result<Outcome, Problems> {
    let tank = tank_of(setup, script)?;
    let mut run = stage(setup, script, seed, tank);
    check_names(setup, script, tank)?;
    inject(&mut run, script)?;
    let mut seen = watched(script);
    let name = setup.tanks[tank].plan.name.to_string();
    let mut acts: Vec<_> = script.acts.iter().filter(|act| !matches!(act.what, What::Fault(_))).collect();
    acts.sort_by_key(|act| act.at);
    let mut acts = acts.into_iter().peekable();
    loop {
        while let Some(act) = acts.next_if(|act| act.at <= run.passed()) {
            match &act.what {
                What::Ask(text) => run.ask(tank, text),
                What::Publish { topic, payload, retained } => run.publish(topic, payload.as_bytes(), *retained),
                What::Fault(_) => {}
            }
        }
        if let Some(status) = run.status(&name) {
            look(&mut seen, &status, run.passed());
        }
        if run.passed() >= script.lasts {
            break;
        }
        let next = acts.peek().map_or(script.lasts, |act| act.at).min(script.lasts);
        run.pass(next.minus(run.passed()).min(LOOK).max(Span::from_millis(1)));
    }
    told(&mut seen, &run, tank);
    Ok(Outcome {
        file: script.file.clone(),
        title: script.title.clone(),
        lasted: run.passed(),
        expectations: script.expected.len() + script.never.len(),
        misses: misses(script, &seen, &run, tank),
    })
}

fn problem(script: &Script, place: Place, text: &str) -> Problem {
    let (what, fix) = text.split_once('\n').map_or((text, None), |(what, fix)| (what, Some(fix.to_owned())));
    Problem { file: script.file.as_str().into(), place, key: String::new(), what: what.to_owned(), fix }
}

fn tank_of(setup: &Setup, script: &Script) -> Result<usize, Problems> {
    let names = || setup.tanks.iter().map(|tank| format!("`{}`", tank.plan.name)).collect::<Vec<_>>().join(", ");
    let (wanted, place) = match (&script.tank, &setup.daemon.usual_tank) {
        (Some((name, place)), _) => (name, *place),
        (None, Some(usual)) => (usual, Place::default()),
        (None, None) if setup.tanks.len() == 1 => return Ok(0),
        (None, None) => {
            let text = format!("it does not say which tank is meant\nwrite `tank:` with one of {}", names());
            return Err(Problems(vec![problem(script, Place::default(), &text)]));
        }
    };
    setup.tanks.iter().position(|tank| tank.plan.name == *wanted).ok_or_else(|| {
        Problems(vec![problem(script, place, &format!("there is no tank `{wanted}`\nknown here: {}", names()))])
    })
}

fn stage(setup: &Setup, script: &Script, seed: u64, tank: usize) -> Rehearsal {
    let models: Vec<Model<'_>> = setup.tanks.iter().map(model).collect();
    let surroundings = Surroundings {
        room: Room::new(script.room.map_or(21.0, crate::units::Temperature::celsius)),
        usual_tank: Some(setup.tanks[tank].plan.name.to_string()),
        daemon: Daemon::Played,
        ..Surroundings::default()
    };
    let staging = Staging {
        seed,
        start: START,
        lasts: script.lasts,
        surroundings,
        root: setup.daemon.root.clone(),
        routine: Routine::Away,
        detail: Detail::Everything,
    };
    Rehearsal::new(&models, staging)
}

fn check_names(setup: &Setup, script: &Script, tank: usize) -> Result<(), Problems> {
    let plan = &setup.tanks[tank].plan;
    let mut problems = Vec::new();
    for one in script.expected.iter().chain(&script.never) {
        let known: Vec<&str> = match one.about {
            About::Output => plan.outputs.iter().map(|output| &*output.name).collect(),
            About::Interlock => plan.interlocks.iter().map(|interlock| &*interlock.name).collect(),
            About::Alarm => plan.alarms.iter().map(|alarm| &*alarm.name).collect(),
            About::Hold => plan.holds.iter().map(|hold| &*hold.name).collect(),
        };
        if !known.contains(&&*one.name) {
            let known = known.iter().map(|name| format!("`{name}`")).collect::<Vec<_>>().join(", ");
            let text = format!("{} has no {} `{}`\nknown here: {known}", plan.name, one.about.word(), one.name);
            problems.push(problem(script, one.place, &text));
        }
    }
    if problems.is_empty() { Ok(()) } else { Err(Problems(problems)) }
}

fn inject(run: &mut Rehearsal, script: &Script) -> Result<(), Problems> {
    let (mut faults, mut problems) = (Vec::new(), Vec::new());
    for act in &script.acts {
        let What::Fault(sentence) = &act.what else { continue };
        match run.catalogue().read(sentence) {
            Ok(fault) if fault.at.is_some() => {
                let text = format!("`{sentence}`: its time stands in `at:` here\nleave `at` out of the sentence");
                problems.push(problem(script, act.place, &text));
            }
            Ok(mut fault) => {
                fault.at = Some(act.at);
                faults.push(fault);
            }
            Err(error) => problems.push(problem(script, act.place, &error.to_string())),
        }
    }
    if !problems.is_empty() {
        return Err(Problems(problems));
    }
    for fault in faults {
        run.inject(fault);
    }
    Ok(())
}

/// Everything that something is expected of, once.
fn watched(script: &Script) -> Vec<Seen> {
    let mut seen: Vec<Seen> = Vec::new();
    for one in script.expected.iter().chain(&script.never) {
        if !seen.iter().any(|seen| (seen.about, &*seen.name) == (one.about, &*one.name)) {
            seen.push(Seen { about: one.about, name: one.name.to_string(), states: Vec::new() });
        }
    }
    seen
}

/// What the daemon shows now.
fn look(seen: &mut [Seen], status: &TankStatus, at: Span) {
    for one in seen {
        let states = match one.about {
            About::Output => continue,
            About::Interlock => {
                let Some(shown) = status.interlocks.iter().find(|shown| *shown.interlock == *one.name) else {
                    continue;
                };
                match shown.state {
                    "latched" => vec![State::Tripped, State::Latched],
                    "tripped" => vec![State::Tripped],
                    _ => vec![State::Armed],
                }
            }
            About::Alarm => {
                let Some(shown) = status.alarms.iter().find(|shown| *shown.alarm == *one.name) else { continue };
                vec![if shown.active { State::Raised } else { State::Cleared }]
            }
            About::Hold => {
                let Some(shown) = status.holds.iter().find(|shown| *shown.hold == *one.name) else { continue };
                vec![if shown.active { State::Begun } else { State::Ended }]
            }
        };
        if one.states.last().is_none_or(|(_, last)| *last != states) {
            one.states.push((at, states));
        }
    }
}

/// What outputs were told, from what was sent.
fn told(seen: &mut [Seen], run: &Rehearsal, tank: usize) {
    for one in seen.iter_mut().filter(|one| one.about == About::Output) {
        for entry in run.record().entries() {
            if entry.kind == "sent" && entry.tank == Some(tank) && entry.subject == one.name {
                let on = entry.text == Switch::On.word();
                one.states.push((entry.at, vec![if on { State::On } else { State::Off }]));
            }
        }
    }
}

fn misses(script: &Script, seen: &[Seen], run: &Rehearsal, tank: usize) -> Vec<Miss> {
    let mut misses = Vec::new();
    let of = |one: &Expectation| {
        seen.iter().find(|seen| (seen.about, &*seen.name) == (one.about, &*one.name)).expect("all are watched")
    };
    for one in &script.expected {
        let until = one.until.unwrap_or(script.lasts);
        if first(of(one), one.is, one.after, until).is_none() {
            let late = first(of(one), one.is, until, script.lasts);
            let came = match late {
                Some(at) => format!("it was so at {at}, {} too late", at.minus(until)),
                None => "it never was".to_owned(),
            };
            let text = format!(
                "{} {} should be {} from {} to {until}, and was {}; {came}",
                one.about.word(),
                one.name,
                one.is.word(),
                one.after,
                then(of(one), one.after)
            );
            misses.push(Miss { place: one.place, text, timeline: timeline(run, tank, one.after, until) });
        }
    }
    for one in &script.never {
        let until = one.until.unwrap_or(script.lasts);
        if let Some(at) = first(of(one), one.is, one.after, until) {
            let text = format!("{} {} must not be {}, and was at {at}", one.about.word(), one.name, one.is.word());
            misses.push(Miss { place: one.place, text, timeline: timeline(run, tank, at, at) });
        }
    }
    for one in run.violations().iter().filter(|one| one.rule != Rule::Water) {
        let text = format!("{} is violated at {}: {} {}", one.rule, one.at, one.subject, one.text);
        misses.push(Miss { place: Place::default(), text, timeline: timeline(run, tank, one.at, one.at) });
    }
    misses
}

/// The first moment in a time at which something was in a state.
fn first(seen: &Seen, state: State, after: Span, until: Span) -> Option<Span> {
    let ends = |index: usize| seen.states.get(index + 1).map_or(Span::from_hours(1_000_000), |(at, _)| *at);
    let spells = seen.states.iter().enumerate().filter(|(_, (_, states))| states.contains(&state));
    spells
        .map(|(index, (from, _))| (*from, ends(index)))
        .find(|(from, end)| *from <= until && *end > after)
        .map(|(from, _)| from.max(after))
}

/// What it was at a moment, in a word.
fn then(seen: &Seen, at: Span) -> &'static str {
    let last = seen.states.iter().rev().find(|(from, _)| *from <= at);
    match last.and_then(|(_, states)| states.last()) {
        Some(state) => state.word(),
        None if seen.about == About::Output => "told nothing",
        None => "unknown",
    }
}

/// What happened around both ends of a time, to this tank and to all.
fn timeline(run: &Rehearsal, tank: usize, from: Span, until: Span) -> Vec<Entry> {
    let near = |at: Span, end: Span| at.plus(AROUND) >= end && at <= end.plus(AROUND);
    let ours = |entry: &&Entry| entry.tank.is_none_or(|other| other == tank);
    let around =
        run.record().entries().iter().filter(ours).filter(|entry| near(entry.at, from) || near(entry.at, until));
    let mut lines: Vec<Entry> = around.cloned().collect();
    if lines.len() > LINES {
        // The middle is the least interesting.
        lines.drain(LINES / 2..lines.len() - LINES / 2);
    }
    lines
}

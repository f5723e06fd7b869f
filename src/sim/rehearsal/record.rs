//! What a rehearsal writes down: the story line by line, and the truth minute by minute.
//!
//! Duty: keep what report and plot need, within bounds: at most [`POINTS`] points a tank, each with
//! the extremes of its minutes, and at most [`ENTRIES`] lines. The fingerprint covers everything that
//! was published to plugs, with its time; same bytes, same fingerprint.

use crate::control::TankPlan;
use crate::control::alarm_act::AlarmAct;
use crate::control::effect::{Effect, JournalKind, NoticeKind};
use crate::time::{Now, Span, Steady};

use super::super::Truth;

/// Probes are heard three times before they count.
const START_UP: Span = Span::from_minutes(1);
/// Points a tank.
const POINTS: u64 = 4000;
/// Lines; what is beyond is counted.
const ENTRIES: usize = 200_000;

/// How much is written down.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Detail {
    /// What is not everyday: enough for months.
    Story,
    /// Every line of the journal and every command that was sent: for drills.
    Everything,
}

/// Whose line it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Source {
    /// A fault began or ended.
    World,
    /// The daemon wrote it.
    Daemon,
    /// The keeper did it.
    Keeper,
}

/// One line.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Entry {
    /// Since the start.
    pub at: Span,
    /// The tank's place; none for what concerns all.
    pub tank: Option<usize>,
    /// Whose line.
    pub source: Source,
    /// The journal's word, or `fault`, `daemon`, `keeper`, `answer`, `alarm`.
    pub kind: &'static str,
    /// What it is about.
    pub subject: String,
    /// What.
    pub text: String,
    /// Within a minute of a start of the daemon, when what is not yet seen trips what rests on it.
    pub starting: bool,
}

/// The truth over some minutes.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Point {
    /// Since the start.
    pub at: Span,
    /// °C of the display: lowest and highest.
    pub celsius: (f64, f64),
    /// °C of the room.
    pub room: f64,
    /// mm over the running level: lowest and highest.
    pub level: (f64, f64),
    /// g/kg: lowest and highest.
    pub salinity: (f64, f64),
    /// L.
    pub floor_litres: f64,
    /// L.
    pub reservoir_litres: f64,
    /// The share of the looks at which each output worked.
    pub works: Vec<f64>,
}

/// An alarm from its raising to its clearing.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Spell {
    /// The alarm.
    pub alarm: String,
    /// Raised.
    pub from: Span,
    /// Cleared; none while it stands.
    pub until: Option<Span>,
}

/// Everything that was written down.
pub struct Record {
    start: Steady,
    /// The daemon's last start.
    started: Steady,
    every: Span,
    detail: Detail,
    entries: Vec<Entry>,
    left_out: usize,
    points: Vec<Vec<Point>>,
    alarms: Vec<Vec<Spell>>,
    looks: Vec<u32>,
    commands: u64,
    fingerprint: u64,
}

impl Record {
    pub(super) fn new(plans: &[TankPlan], start: Now, lasts: Span, detail: Detail) -> Self {
        Self {
            start: start.steady,
            started: start.steady,
            every: lasts.part(POINTS).max(Span::from_minutes(1)),
            detail,
            entries: Vec::new(),
            left_out: 0,
            points: vec![Vec::new(); plans.len()],
            alarms: vec![Vec::new(); plans.len()],
            looks: vec![0; plans.len()],
            commands: 0,
            fingerprint: 0xcbf2_9ce4_8422_2325,
        }
    }

    /// All lines.
    pub fn entries(&self) -> &[Entry] {
        &self.entries
    }

    /// Lines that found no place.
    pub fn left_out(&self) -> usize {
        self.left_out
    }

    /// A tank's points.
    pub fn points(&self, tank: usize) -> &[Point] {
        &self.points[tank]
    }

    /// A tank's alarms.
    pub fn alarms(&self, tank: usize) -> &[Spell] {
        &self.alarms[tank]
    }

    /// Messages that were published to plugs.
    pub fn commands(&self) -> u64 {
        self.commands
    }

    /// FNV-1a (64 bit) over time, topic and payload of everything that was published to plugs.
    pub fn seal(&self) -> u64 {
        self.fingerprint
    }

    pub(super) fn fingerprint(&mut self, at: Steady, topic: &str, payload: &[u8]) {
        self.commands += 1;
        let bytes = at.millis().to_le_bytes();
        for byte in bytes.iter().chain(topic.as_bytes()).chain(payload) {
            self.fingerprint = (self.fingerprint ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3);
        }
    }

    /// What an output was told, where everything is written down.
    pub(super) fn sent(&mut self, tank: usize, effect: &Effect, plan: &TankPlan, now: Steady) {
        let Effect::SwitchPlug { output, to, .. } = effect else { return };
        if self.detail == Detail::Everything {
            self.push(Entry {
                at: now.since(self.start),
                tank: Some(tank),
                source: Source::Daemon,
                kind: "sent",
                subject: plan.outputs[output.index()].name.to_string(),
                text: to.word().to_owned(),
                starting: false,
            });
        }
    }

    pub(super) fn write(&mut self, at: Steady, tank: Option<usize>, source: Source, kind: &'static str, text: &str) {
        self.push(Entry {
            at: at.since(self.start),
            tank,
            source,
            kind,
            subject: String::new(),
            text: text.to_owned(),
            starting: false,
        });
    }

    pub(super) fn daemon_started(&mut self, at: Steady) {
        self.started = at;
    }

    fn push(&mut self, entry: Entry) {
        if self.entries.len() < ENTRIES { self.entries.push(entry) } else { self.left_out += 1 }
    }

    /// What became of an alarm, whether it was told or another one spoke for it.
    fn alarm(&mut self, tank: usize, name: &str, line: &str, at: Span) {
        let spells = &mut self.alarms[tank];
        match AlarmAct::of_line(line) {
            Some(AlarmAct::Raised) => spells.push(Spell { alarm: name.to_owned(), from: at, until: None }),
            Some(AlarmAct::Cleared | AlarmAct::Shelved | AlarmAct::Suppressed | AlarmAct::Removed) => {
                let open = spells.iter_mut().rev().find(|spell| spell.alarm == name && spell.until.is_none());
                if let Some(open) = open {
                    open.until = Some(at);
                }
            }
            _ => {}
        }
    }

    pub(super) fn effect(&mut self, tank: usize, effect: &Effect, now: Steady) {
        let at = now.since(self.start);
        if let Effect::Journal(line) = effect
            && line.kind == JournalKind::Alarm
        {
            self.alarm(tank, &line.subject, &line.text, at);
        }
        match effect {
            // What loops do all day is seen in the plot; the story keeps what interlocks, holds and people do.
            Effect::Journal(line)
                if self.detail == Detail::Story && line.kind == JournalKind::Command && is_everyday(&line.text) => {}
            Effect::Journal(line) => self.push(Entry {
                at,
                tank: Some(tank),
                source: Source::Daemon,
                kind: line.kind.word(),
                subject: line.subject.clone(),
                text: line.text.clone(),
                starting: now.since(self.started) < START_UP,
            }),
            // The journal's line tells of what came and went.
            Effect::Notify(notice) if notice.what == NoticeKind::Test => {
                self.write(now, Some(tank), Source::Daemon, "message", &notice.text);
            }
            Effect::Answer { answer, .. } => self.write(now, Some(tank), Source::Daemon, "answer", &answer.summary),
            _ => {}
        }
    }

    pub(super) fn look(&mut self, tank: usize, truth: &Truth, now: Steady) {
        let at = now.since(self.start);
        let points = &mut self.points[tank];
        let opens = points.last().is_none_or(|point| at.minus(point.at) >= self.every);
        let works = |works: bool| f64::from(u8::from(works));
        if opens {
            self.looks[tank] = 1;
            points.push(Point {
                at,
                celsius: (truth.display_celsius, truth.display_celsius),
                room: truth.room_celsius,
                level: (truth.level, truth.level),
                salinity: (truth.salinity, truth.salinity),
                floor_litres: truth.floor_litres,
                reservoir_litres: truth.reservoir_litres,
                works: truth.works.iter().map(|on| works(*on)).collect(),
            });
            return;
        }
        self.looks[tank] += 1;
        let n = f64::from(self.looks[tank]);
        let point = points.last_mut().expect("there is one, or a new one was opened");
        let widen = |range: &mut (f64, f64), value: f64| *range = (range.0.min(value), range.1.max(value));
        widen(&mut point.celsius, truth.display_celsius);
        widen(&mut point.level, truth.level);
        widen(&mut point.salinity, truth.salinity);
        point.floor_litres = truth.floor_litres;
        point.reservoir_litres = truth.reservoir_litres;
        for (share, on) in point.works.iter_mut().zip(&truth.works) {
            *share += (works(*on) - *share) / n;
        }
    }
}

/// A command that a loop, a rule, a schedule or a start gave, and nobody needs to hear of.
fn is_everyday(text: &str) -> bool {
    !(text.contains(": interlock ") || text.contains(": hold ") || text.contains(": forced"))
}

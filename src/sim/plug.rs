//! A simulated plug: takes command payloads, switches its relay, counts its lease, reports.
//!
//! ```text
//!   command ──(50 to 500 ms)──► relay ──► report
//!   lease runs out ────────────► off ───► report       mains back, reboot ──(5 s)──► boot state, alive, report
//! ```
//! A relay that is welded conducts whatever it reports. An output that stopped does no work; one
//! that jammed does no work and still draws power.

use std::sync::Arc;

use crate::control::plan::Switch;
use crate::time::{Span, Steady};
use crate::units::Unit;
use crate::wire::binding::PlugBinding;

use super::Chance;
use super::fault::OutputFault;
use super::payload::{Form, Message, Scalar, seconds_in};

/// What a payload tells a plug.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Told {
    pub to: Switch,
    /// Off again by itself after this.
    pub lasts: Option<Span>,
}

/// One topic on which a plug tells of itself, with all that the binding finds there.
#[derive(Clone, Debug)]
struct Voice {
    topic: Arc<str>,
    form: Form,
    /// The words of its relay, off and on, if they stand there.
    relay: Option<[Arc<str>; 2]>,
    /// The unit of its watts, if they stand there.
    meter: Option<&'static Unit>,
    uptime: bool,
}

impl Voice {
    /// The voices of a binding, its report's first.
    fn all(binding: &PlugBinding) -> Vec<Self> {
        let report = binding.report.as_ref();
        let meter = binding.meter.as_ref();
        let uptime = binding.uptime.as_ref();
        let topics = [report.map(|r| &*r.topic), meter.map(|m| &*m.topic), uptime.map(|u| &*u.topic)];
        let mut own: Vec<&str> = Vec::new();
        for topic in topics.into_iter().flatten() {
            if !own.contains(&topic) {
                own.push(topic);
            }
        }
        let voice = |topic: &str| {
            let report = report.filter(|report| report.topic == topic);
            let meter = meter.filter(|meter| meter.topic == topic);
            let word = |words: &[String]| Arc::from(words.first().map_or("", String::as_str));
            let uptime = uptime.filter(|uptime| uptime.topic == topic);
            let pointers = [
                report.map(|r| r.pointer.as_ref()),
                meter.map(|m| m.pointer.as_ref()),
                uptime.map(|u| u.pointer.as_ref()),
            ];
            Self {
                topic: topic.into(),
                form: Form::of(pointers.into_iter().flatten()),
                relay: report.map(|report| [word(&report.off), word(&report.on)]),
                meter: meter.map(|meter| meter.unit),
                uptime: uptime.is_some(),
            }
        };
        own.into_iter().map(voice).collect()
    }
}

/// One plug and what hangs on it.
#[derive(Clone, Debug)]
pub(super) struct Plug {
    pub binding: PlugBinding,
    voices: Arc<[Voice]>,
    /// W while it runs.
    pub watts: f64,
    pub boots: Switch,
    pub relay: Switch,
    /// Mains at the socket.
    pub mains: bool,
    /// Its firmware is not up yet.
    booting: bool,
    pub lease_ends: Option<Steady>,
    /// Its firmware is up since then.
    up_since: Steady,
    /// What is wrong with it; the number is the fault's.
    pub faults: Vec<(usize, OutputFault)>,
    pub chance: Chance,
    /// What its meter said last, W.
    said_watts: Option<f64>,
    counted: Steady,
    worked: Span,
    /// The last command is carried out then; the next one not sooner.
    busy_until: Steady,
    /// What its dimmer lets through, 0 to 1.
    pub level: f64,
}

impl Plug {
    pub fn new(binding: PlugBinding, watts: f64, boots: Switch, start: Steady, chance: Chance) -> Self {
        Self {
            voices: Voice::all(&binding).into(),
            binding,
            watts,
            boots,
            relay: boots,
            mains: true,
            booting: false,
            lease_ends: None,
            up_since: start,
            faults: Vec::new(),
            chance,
            said_watts: None,
            counted: start,
            worked: Span::ZERO,
            busy_until: start,
            level: 1.0,
        }
    }

    pub fn has(&self, fault: OutputFault) -> bool {
        self.faults.iter().any(|(_, own)| *own == fault)
    }

    /// Whether current can flow to what hangs on it.
    pub fn conducts(&self) -> bool {
        self.mains && (self.relay == Switch::On || self.has(OutputFault::Welds))
    }

    /// Whether what hangs on it works.
    pub fn works(&self) -> bool {
        self.conducts() && !self.has(OutputFault::Stops) && !self.has(OutputFault::Jams)
    }

    /// Counts work up to a moment; before every change of [`Self::works`].
    pub fn count(&mut self, at: Steady) {
        if self.works() {
            self.worked = self.worked.plus(at.since(self.counted));
        }
        self.counted = at;
    }

    /// The share of the time since the last call that it worked, 0 to 1.
    pub fn duty(&mut self, at: Steady, over: Span) -> f64 {
        self.count(at);
        let share = self.worked.seconds() / over.seconds();
        self.worked = Span::ZERO;
        share.min(1.0) * self.level
    }

    /// Reads a command; `None` for what it does not understand.
    pub fn understand(&self, topic: &str, payload: &[u8]) -> Option<Told> {
        let text = std::str::from_utf8(payload).ok()?;
        let lease = self.binding.lease.as_ref();
        if let Some(lease) =
            lease.filter(|lease| lease.topic.as_deref().unwrap_or(&self.binding.command.topic) == topic)
            && let Some(seconds) = seconds_in(&lease.payload, text)
        {
            return Some(Told { to: Switch::On, lasts: Some(Span::from_seconds(seconds)) });
        }
        if topic != self.binding.command.topic {
            return None;
        }
        match text {
            _ if text == self.binding.command.on => Some(Told { to: Switch::On, lasts: None }),
            _ if text == self.binding.command.off => Some(Told { to: Switch::Off, lasts: None }),
            _ => None,
        }
    }

    /// The level that a payload on its dimmer's topic tells, 0 to 1.
    pub fn level_told(&self, topic: &str, payload: &[u8]) -> Option<f64> {
        let dimmer = self.binding.dimmer.as_ref().filter(|dimmer| dimmer.topic == topic)?;
        (1..=100)
            .find(|percent| dimmer.filled(*percent).as_bytes() == payload)
            .map(|percent| f64::from(percent) / 100.0)
    }

    /// What its dimmer says of its level.
    pub fn level_report(&self) -> Option<Message> {
        let report = self.binding.dimmer.as_ref()?.report.as_ref()?;
        let said = Scalar::Number(report.unit.from_canonical(self.level), 2);
        let payload = Form::of([report.pointer.as_ref()]).fill(&[said])?;
        Some(Message { topic: report.topic.as_str().into(), payload, retained: false })
    }

    pub fn ignores(&self, to: Switch) -> bool {
        self.has(OutputFault::PlugIgnores(None)) || self.has(OutputFault::PlugIgnores(Some(to)))
    }

    /// Its firmware runs and the network reaches it.
    pub fn is_online(&self) -> bool {
        self.mains && !self.booting && !self.has(OutputFault::PlugVanishes)
    }

    /// When a command that came now is carried out: in the order in which they came.
    pub fn queue_command(&mut self, at: Steady) -> Steady {
        let acts = at.after(self.chance.span(Span::from_millis(50), Span::from_millis(500)));
        self.busy_until = acts.max(self.busy_until.after(Span::from_millis(1)));
        self.busy_until
    }

    /// The faults are others now.
    pub fn change_faults(&mut self, faults: Vec<(usize, OutputFault)>, at: Steady) {
        self.count(at);
        self.faults = faults;
    }

    /// The firmware stops, and no current flows while it does.
    pub fn go_down(&mut self, at: Steady) {
        self.turn(Switch::Off, at);
        self.booting = true;
    }

    /// The firmware is up again.
    pub fn boot(&mut self, into: Switch, at: Steady) {
        if self.mains {
            self.turn(into, at);
            self.booting = false;
            self.up_since = at;
        }
    }

    /// By its button, its boot state or the end of a lease.
    pub fn turn(&mut self, to: Switch, at: Steady) {
        self.count(at);
        self.relay = to;
        self.lease_ends = None;
    }

    /// Does as told.
    pub fn obey(&mut self, told: Told, at: Steady) {
        self.count(at);
        self.relay = told.to;
        let lasts = told.lasts.filter(|_| !self.has(OutputFault::ForgetsLease));
        self.lease_ends = if told.to == Switch::On { lasts.map(|span| at.after(span)) } else { None };
    }

    /// What it draws, W.
    pub fn true_watts(&self) -> f64 {
        let draws = self.faults.iter().rev().find_map(|(_, fault)| match fault {
            OutputFault::Draws(watts) => Some(*watts),
            _ => None,
        });
        if self.conducts() && !self.has(OutputFault::Stops) { draws.unwrap_or(self.watts * self.level) } else { 0.0 }
    }

    fn shown_watts(&mut self) -> f64 {
        let watts = self.true_watts();
        // The model: a meter is right to a watt, and shows 0 when no current flows.
        let noise = if watts > 0.0 { self.chance.noise(0.4).clamp(-1.0, 1.0) } else { 0.0 };
        let shown = (watts + noise).max(0.0);
        if self.has(OutputFault::MeterFreezes) {
            return *self.said_watts.get_or_insert(shown);
        }
        self.said_watts = Some(shown);
        shown
    }

    /// On how many topics it tells of itself.
    pub fn voices(&self) -> usize {
        self.voices.len()
    }

    /// Its relay's report alone.
    pub fn report(&mut self, at: Steady) -> Option<Message> {
        self.binding.report.as_ref()?;
        self.say(0, at)
    }

    /// That it is alive, or (by its will) that it is not.
    pub fn alive(&mut self, yes: bool) -> Option<Message> {
        let alive = self.binding.alive.as_ref()?;
        let words = if yes { &alive.on } else { &alive.off };
        let scalar = Scalar::Word(words.first()?.as_str().into());
        let payload = Form::of([alive.pointer.as_ref()]).fill(&[scalar])?;
        Some(Message { topic: alive.topic.as_str().into(), payload, retained: true })
    }

    /// One message with all that the binding finds on one of its topics.
    pub fn say(&mut self, voice: usize, at: Steady) -> Option<Message> {
        let voices = Arc::clone(&self.voices);
        let voice = voices.get(voice)?;
        let mut said = Vec::with_capacity(3);
        said.extend(
            voice.relay.as_ref().map(|words| Scalar::Word(Arc::clone(&words[usize::from(self.relay == Switch::On)]))),
        );
        if let Some(unit) = voice.meter {
            said.push(Scalar::Number(unit.from_canonical(self.shown_watts()), 4));
        }
        if voice.uptime {
            said.push(Scalar::Number(at.since(self.up_since).seconds().floor(), 0));
        }
        let payload = voice.form.fill(&said)?;
        Some(Message { topic: Arc::clone(&voice.topic), payload, retained: false })
    }
}

//! What a drift alarm says: facts that a keeper can go and look at.

use crate::control::conditions::amount;
use crate::control::plan::drift::DriftSource;
use crate::control::plan::{OutputKind, Switch};
use crate::control::tank::Tank;
use crate::time::{Span, Steady};
use crate::units::{Power, Quantity};

use super::{Balance, Drift, moves_heat};

/// What a heater gives is recognised from this part of its rating to that one. [choice]
const LIKE_THE_HEATER: std::ops::Range<f64> = 0.5..1.5;

impl Tank {
    pub(in crate::control) fn drift_words(&self, source: DriftSource) -> String {
        let drift = &self.drift;
        match source {
            DriftSource::Unexplained => self.unexplained_words(drift),
            DriftSource::NearsLimit(at) => self.nears_words(drift, at),
            DriftSource::Unusual(at) => self.unusual_words(drift, at),
            DriftSource::WarmSpell => {
                let at = self.plan.drift.courses.iter().position(|course| {
                    self.plan.thermostat.as_ref().is_some_and(|thermostat| thermostat.signal == course.signal)
                });
                let words = at.map_or_else(String::new, |at| self.unusual_words(drift, at));
                format!("{words}; nothing has heated for a day, so it is the room that warms it")
            }
            DriftSource::ProbesDrift(at) => self.probe_words(drift, at),
            DriftSource::FarApart(at) => {
                let Some(plan) = self.plan.drift.probes.get(at) else { return String::new() };
                let (signal, vote) = (&self.plan.signals[plan.signal.index()], &self.signals[plan.signal.index()].vote);
                let apart = amount(signal.quantity.difference(), vote.highest - vote.lowest);
                format!("the probes of {} are {apart} apart", signal.name)
            }
        }
    }

    /// `heater off for 3 h (59 % of the last day); the room is at 21.3 °C`
    fn circumstances(&self, drift: &Drift) -> String {
        let mut parts = Vec::new();
        for (plan, plug) in self.plan.outputs.iter().zip(&self.plugs) {
            let tells = matches!(plan.kind, OutputKind::Heater | OutputKind::Chiller | OutputKind::Fan);
            let on = plug.running() == Switch::On;
            if !moves_heat(plan.kind) || !(tells || (plan.kind.is_life_support() && !on)) {
                continue;
            }
            let duty = drift.duty().filter(|_| plan.kind == OutputKind::Heater);
            let duty = duty.map_or_else(String::new, |duty| format!(" ({:.0} % of the last day)", duty * 100.0));
            let word = plug.running().word();
            let since = plug.changed_at.map_or_else(String::new, |at| self.for_so_long(at));
            parts.push(format!("{} has been {word}{since}{duty}", plan.name));
        }
        if let Some(room) = self.room() {
            parts.push(format!("the room is at {}", amount(Quantity::Temperature, room)));
        }
        parts.join(", ")
    }

    fn for_so_long(&self, at: Steady) -> String {
        format!(" for {}", minutes(self.now.steady.since(at).hours()))
    }

    fn unexplained_words(&self, drift: &Drift) -> String {
        let live = &drift.unexplained;
        let Some(thermostat) = &self.plan.thermostat else { return String::new() };
        let name = &self.plan.signals[thermostat.signal.index()].name;
        if !live.found {
            return format!("{name} does what is usual for what runs");
        }
        let Some((slope, expected)) = live.rate else {
            return format!("{name} does not do what is usual for what runs");
        };
        let balance = Balance { plan: &self.plan };
        let watts = balance.watts(slope - expected);
        let (way, gives) = if live.is_warmer() { ("warmer", "more") } else { ("colder", "less") };
        let mut text = format!(
            "{name} gets {way} than what runs explains: {slope:+.2} K/h where {expected:+.2} K/h is usual, as if it got \
             {:.0} W {gives}",
            watts.abs()
        );
        if let Some(value) = self.signals[thermostat.signal.index()].vote.good_value()
            && let Some(ahead) = self.ahead_in_words(value, slope)
        {
            text = format!("{ahead}; {text}");
        }
        let heater = thermostat.heat.map(|side| side.output.index());
        let like = heater.is_some_and(|at| {
            let rating = self.plan.outputs[at].rating.map_or(0.0, Power::watts);
            rating > 0.0 && LIKE_THE_HEATER.contains(&(watts.abs() / rating))
        });
        let runs = heater.map(|at| self.plugs[at].running());
        let metered = heater.and_then(|at| {
            let output = &self.plan.outputs[at];
            let (watts, _) = self.plugs[at].power.shown(output, self.now.steady)?;
            Some((watts, watts > output.idle_watts()))
        });
        let look = match (live.is_warmer(), runs, metered) {
            (true, Some(Switch::Off), Some((_, false))) => {
                "its meter shows that the heater draws nothing, so look at the room, the sun, the fan and the pumps"
                    .to_owned()
            }
            (true, Some(Switch::Off), Some((watts, true))) => {
                format!("the heater draws {watts:.0} W although it is off: pull its plug")
            }
            (true, Some(Switch::Off), None) if like => {
                "that is about what the heater gives: feel whether it is warm although it is off; if not, look at the room, the sun, the fan and the pumps".to_owned()
            }
            (true, ..) => "so look at the room, the sun, the fan and the pumps".to_owned(),
            (false, Some(Switch::On), Some((_, true))) => {
                "the heater draws power, so look at windows, lid and room".to_owned()
            }
            (false, Some(Switch::On), _) if like => {
                "that is about what the heater should give: feel whether it is warm, then look at windows and lid"
                    .to_owned()
            }
            (false, ..) => "so look at windows, lid, room and pumps".to_owned(),
        };
        let around = self.circumstances(drift);
        if around.is_empty() { format!("{text}; {look}") } else { format!("{text}; {around}; {look}") }
    }

    /// `26.5 °C in 2 h 40 min at this rate`
    fn ahead_in_words(&self, value: f64, slope: f64) -> Option<String> {
        let thermostat = self.plan.thermostat.as_ref()?;
        let course = self.plan.drift.courses.iter().find(|course| course.signal == thermostat.signal)?;
        let limit = if slope > 0.0 { course.high } else { course.low }?;
        let hours = (limit - value) / slope;
        (hours.is_finite() && (0.0..48.0).contains(&hours))
            .then(|| format!("{} in {} at this rate", amount(Quantity::Temperature, limit), minutes(hours)))
    }

    fn nears_words(&self, drift: &Drift, at: usize) -> String {
        let (Some(plan), Some(live)) = (self.plan.drift.courses.get(at), drift.courses.get(at)) else {
            return String::new();
        };
        let signal = &self.plan.signals[plan.signal.index()];
        let Some(ahead) = live.nears.ahead.filter(|_| live.nears_told.stands) else {
            return format!("{} is not on its way to a limit", signal.name);
        };
        let now = self.signals[plan.signal.index()].vote.good_value();
        let now = now.map_or_else(String::new, |value| format!(", now {}", amount(signal.quantity, value)));
        let limit = amount(signal.quantity, ahead.limit);
        let text = format!("{} {limit} in {} at this rate{now}", signal.name, minutes(ahead.hours));
        let of_loop = self.plan.thermostat.as_ref().is_some_and(|loop_| loop_.signal == plan.signal);
        if !of_loop {
            return text;
        }
        let look =
            if ahead.slope > 0.0 { "so look at the room and the pumps" } else { "so look at windows, lid and heater" };
        format!("{text}; {}; {look}", self.circumstances(drift))
    }

    fn unusual_words(&self, drift: &Drift, at: usize) -> String {
        let (Some(plan), Some(live)) = (self.plan.drift.courses.get(at), drift.courses.get(at)) else {
            return String::new();
        };
        let signal = &self.plan.signals[plan.signal.index()];
        let seconds = self.plan.zone.time_of_day(self.now.wall).seconds();
        let usual = live.profile.usual_at(usize::try_from(seconds / 1800).unwrap_or_default());
        let (Some(now), Some(usual)) = (live.profile.last, usual) else {
            return format!("{} is not compared with what is usual yet", signal.name);
        };
        let (now, usual) = (amount(signal.quantity, now), amount(signal.quantity, usual));
        let of_loop = self.plan.thermostat.as_ref().is_some_and(|loop_| loop_.signal == plan.signal);
        let around = if of_loop { format!("; {}", self.circumstances(drift)) } else { String::new() };
        format!("{} is {now} where {usual} is usual at this hour{around}", signal.name)
    }

    fn probe_words(&self, drift: &Drift, at: usize) -> String {
        let (Some(plan), Some(live)) = (self.plan.drift.probes.get(at), drift.offsets.get(at)) else {
            return String::new();
        };
        let signal = &self.plan.signals[plan.signal.index()];
        let moved = signal.probes.iter().zip(live).filter_map(|(id, offset)| Some((id, offset.moved()?)));
        let Some((id, moved)) = moved.max_by(|a, b| a.1.abs().total_cmp(&b.1.abs())) else {
            return format!("the probes of {} keep their differences", signal.name);
        };
        let way = if moved > 0.0 { "higher" } else { "lower" };
        let by = amount(signal.quantity.difference(), moved.abs());
        let which = if signal.probes.len() == 2 { "; of two nobody can say which one moved" } else { "" };
        format!(
            "{} reads {by} {way} against the other probes of {} than when it was commissioned{which}",
            self.plan.probes[id.index()].name,
            signal.name
        )
    }
}

/// Hours as people read them, to the minute.
fn minutes(hours: f64) -> String {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to a year before")]
    let minutes = (hours * 60.0).round().clamp(0.0, 525_600.0) as u64;
    Span::from_minutes(minutes).to_string()
}

//! What was understood of a sound config, in the words of a keeper: for `check`, as text or JSON.
//!
//! Duty: say of each output its safe state, who may turn it off, its lease and its proof; of each interlock
//! cause and effect; of holds and alarms what they do. Limits: no judgement, that is `advice`'s.

use std::fmt::Write as _;

use serde::Serialize;

use crate::control::ids::OutputId;
use crate::control::plan::{
    AlarmSource, AtLimit, Fitted, Gauge, Latch, OnUnknown, OutputKind, OutputPlan, Switch, TankPlan, TopOffPlan,
};
use crate::time::Span;
use crate::units::Quantity;

use super::advice::{self, Warning};
use super::notify_advice;
use super::setup::{Role, Setup, TankSetup};
use super::words::{condition, listing, switches};

/// A config as understood.
#[derive(Clone, Debug, Serialize)]
pub struct Understood {
    /// What concerns the daemon.
    pub daemon: Daemon,
    /// The tanks, in the order of their files.
    pub tanks: Vec<Tank>,
    /// What software never replaces.
    pub cautions: Vec<&'static str>,
}

/// What concerns the daemon.
#[derive(Clone, Debug, Serialize)]
pub struct Daemon {
    /// Host, port and whether the way is encrypted.
    pub broker: String,
    /// Where the HTTP service listens and what guards it.
    pub http: String,
    /// Where alarms go.
    pub alarms_go_to: Vec<String>,
    /// What to think about.
    pub warnings: Vec<Warning>,
}

/// A name and what it does.
#[derive(Clone, Debug, Serialize)]
pub struct Line {
    /// Its name.
    pub name: String,
    /// What it does.
    pub does: String,
}

/// An output as understood.
#[derive(Clone, Debug, Serialize)]
pub struct Output {
    /// Its name.
    pub name: String,
    /// Its kind and rating.
    pub is: String,
    /// Where it goes by itself: at rest, and when everything else is dead.
    pub safe_state: String,
    /// Who may turn it off.
    pub off_by: String,
    /// What must be true before it starts.
    pub starts_need: Vec<String>,
    /// The plug's own countdown.
    pub lease: String,
    /// What proves a command.
    pub proof: String,
}

/// A tank as understood.
#[derive(Clone, Debug, Serialize)]
pub struct Tank {
    /// Its name.
    pub name: String,
    /// What people call it.
    pub title: String,
    /// Litres and zone.
    pub about: String,
    /// What is measured.
    pub signals: Vec<Line>,
    /// What is switched.
    pub outputs: Vec<Output>,
    /// The temperature loop.
    pub temperature: Option<String>,
    /// Top-off, rules and schedules, which only wish.
    pub wishes: Vec<Line>,
    /// Cause and effect.
    pub interlocks: Vec<Line>,
    /// What pauses what, and for how long.
    pub holds: Vec<Line>,
    /// What somebody is called for.
    pub alarms: Vec<Line>,
    /// What runs out, and how its use is known.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub supplies: Vec<Line>,
    /// What falls due, and when.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub chores: Vec<Line>,
    /// What to think about.
    pub warnings: Vec<Warning>,
}

/// Puts a setup into words.
pub fn understood(setup: &Setup) -> Understood {
    let broker = &setup.daemon.broker;
    let tls = if broker.tls.is_some() { "TLS" } else { "not encrypted" };
    let user = broker.user.as_ref().map_or("no user".to_owned(), |user| format!("user {user}"));
    let tokens = &setup.daemon.http.tokens;
    let looks = tokens.iter().filter(|token| token.role == Role::Look).count();
    let guard = match (tokens.len() - looks, looks) {
        (0, 0) => "this machine only".to_owned(),
        (1, 0) => "with a token".to_owned(),
        (keepers, looks) => format!("with tokens: {keepers} of keepers, {looks} to look"),
    };
    let mut alarms_go_to = vec![format!("topic {}/<tank>/alarm/<alarm>", setup.daemon.root)];
    alarms_go_to.extend(
        setup
            .daemon
            .notify
            .channels
            .iter()
            .map(notify_advice::explained)
            .chain(notify_advice::proofs(&setup.daemon.notify)),
    );
    Understood {
        daemon: Daemon {
            broker: format!("{}:{}, {tls}, {user}, client id {}", broker.host, broker.port, broker.client_id),
            http: format!("{}, {guard}", setup.daemon.http.listen),
            alarms_go_to,
            warnings: advice::of_daemon(setup),
        },
        tanks: setup.tanks.iter().map(tank).collect(),
        cautions: advice::CAUTIONS.to_vec(),
    }
}

fn line(name: &str, does: String) -> Line {
    Line { name: name.to_owned(), does }
}

fn tank(tank: &TankSetup) -> Tank {
    let plan = &tank.plan;
    let parts = match (tank.facts.display, tank.facts.sump) {
        (Some(display), Some(sump)) => format!(" (display {:.0} L, sump {:.0} L)", display.litres(), sump.litres()),
        _ => String::new(),
    };
    let interlocks = plan.interlocks.iter().map(|interlock| line(&interlock.name, interlock_text(plan, interlock)));
    Tank {
        name: plan.name.to_string(),
        title: plan.title.clone(),
        about: format!("{:.0} L{parts}, {}", plan.water.litres(), plan.zone),
        signals: signals(tank),
        outputs: plan
            .outputs
            .iter()
            .enumerate()
            .map(|(at, output)| output_text(plan, OutputId::new(at), output))
            .collect(),
        temperature: temperature(plan),
        wishes: wishes(plan),
        interlocks: interlocks.collect(),
        holds: plan
            .holds
            .iter()
            .filter(|hold| !hold.pauses.is_empty())
            .map(|hold| line(&hold.name, hold_text(plan, hold)))
            .collect(),
        alarms: plan.alarms.iter().map(|alarm| line(&alarm.name, alarm_text(plan, alarm))).collect(),
        supplies: super::care::supply_words(tank).into_iter().map(|(name, text)| line(&name, text)).collect(),
        chores: super::care::chore_words(tank).into_iter().map(|(name, text)| line(&name, text)).collect(),
        warnings: advice::of_tank(tank)
            .into_iter()
            .chain(super::dosing::warnings(tank))
            .chain(super::lights::warnings(tank))
            .collect(),
    }
}

fn signals(tank: &TankSetup) -> Vec<Line> {
    let plan = &tank.plan;
    let each = plan.signals.iter().map(|signal| {
        let shared = signal.probes.iter().any(|probe| tank.facts.shared.contains(probe));
        let names: Vec<_> = signal.probes.iter().map(|probe| plan.probes[probe.index()].name.clone()).collect();
        let stale =
            signal.probes.iter().map(|probe| plan.probes[probe.index()].stale_after).max().unwrap_or(Span::ZERO);
        let vote = if names.len() > 1 { format!(", voted from {}", listing(&names)) } else { String::new() };
        let shared = if shared { ", shared" } else { "" };
        let steady = steady(tank, &signal.name);
        line(&signal.name, format!("{}{vote}{shared}, stale after {stale}{steady}", signal.quantity.noun()))
    });
    each.collect()
}

/// Inside which limits a signal is called steady.
fn steady(tank: &TankSetup, signal: &str) -> String {
    let of = |one: &&super::Stability| &*tank.plan.signals[one.signal.index()].name == signal;
    let Some(one) = tank.facts.stability.iter().find(of) else { return String::new() };
    let unit = tank.plan.signals[one.signal.index()].quantity.canonical().symbol;
    let band = one.band.map(|(low, high)| format!(", steady from {low:.2} to {high:.2} {unit}"));
    let warm = one.warmest_month.map(|warm| format!(", heat is stress over the warmest month's {warm:.1} °C"));
    band.unwrap_or_default() + &warm.unwrap_or_default()
}

fn temperature(plan: &TankPlan) -> Option<String> {
    let thermostat = plan.thermostat.as_ref()?;
    let mut text = format!("{} at {:.2} °C", plan.signals[thermostat.signal.index()].name, thermostat.target);
    for (side, below, above) in [(thermostat.heat, "on below", "off above"), (thermostat.cool, "on above", "off below")]
    {
        if let Some(side) = side {
            let name = &plan.outputs[side.output.index()].name;
            let _ = write!(text, "; {name} {below} {:.2} °C, {above} {:.2} °C", side.on_at, side.off_at);
        }
    }
    Some(text)
}

fn wishes(plan: &TankPlan) -> Vec<Line> {
    let rules = plan.rules.iter().map(|rule| {
        line(&rule.name, format!("while {}: {}", condition(plan, rule.cause), switches(plan, &rule.wishes)))
    });
    let schedules = plan.schedules.iter().map(|schedule| {
        let windows: Vec<_> = schedule.on.iter().map(|window| format!("{}-{}", window.from, window.until)).collect();
        line(&plan.outputs[schedule.output.index()].name, format!("on {}", listing(&windows)))
    });
    let top_offs =
        plan.top_offs.iter().map(|plan_| line(&plan.outputs[plan_.output.index()].name, top_off_text(plan, plan_)));
    let dosing = super::dosing::lines(plan).into_iter().map(|(name, does)| Line { name, does });
    let lights = super::lights::lines(plan).into_iter().map(|(name, does)| Line { name, does });
    top_offs.chain(dosing).chain(rules).chain(schedules).chain(lights).collect()
}

fn top_off_text(plan: &TankPlan, top_off: &TopOffPlan) -> String {
    let give = |span: Span| span.seconds() / 60.0 * top_off.delivers.litres_per_minute();
    let until = match top_off.gauge {
        Gauge::Level { stop_at, .. } => format!("until {}", super::words::amount(Quantity::Level, stop_at)),
        Gauge::LowFloat(_) => "until the float is wet".to_owned(),
    };
    let halved = match top_off.salinity {
        Some(signal) => format!(", half of it while {} is not known", plan.signals[signal.index()].name),
        None => String::new(),
    };
    let still = match (&top_off.still, top_off.gauge) {
        (Some(still), Gauge::Level { litres_per_mm, .. }) => format!(
            "; between runs a level that swings by less than {:.1} mm is quiet, one that falls by more than {:.2} L/h leaks, by more than {:.2} L/h bursts",
            still.spread,
            still.leak * litres_per_mm,
            still.burst * litres_per_mm
        ),
        _ => String::new(),
    };
    format!(
        "while {}: one run {until}, about {} ({:.2} L), {} ({:.2} L) at most, judged after {}, then a rest of {}; \
         no answer: one retry, then it stays off until reset{still}; at most {:.2} L in an hour and {:.2} L in 24 h{halved}",
        condition(plan, top_off.wanted),
        top_off.expected,
        give(top_off.expected),
        top_off.longest,
        give(top_off.longest),
        top_off.settle,
        top_off.rest,
        top_off.per_hour.litres(),
        top_off.per_day.litres()
    )
}

fn interlock_text(plan: &TankPlan, interlock: &crate::control::plan::InterlockPlan) -> String {
    let unknown = match interlock.unknown {
        OnUnknown::Trips => "unknown trips",
        OnUnknown::Holds => "unknown holds",
        OnUnknown::Ignored => "unknown is ignored",
    };
    let latch = match &interlock.latch {
        Latch::Never if interlock.restarts.is_some() => format!(
            "ends with its cause; more than {} trips within an hour stay until reset",
            interlock.restarts.unwrap_or(0)
        ),
        Latch::Never => "ends with its cause".to_owned(),
        Latch::Always => "stays until reset".to_owned(),
        Latch::WhenProven { within, alone_for, any_cause_over, .. } => format!(
            "stays until reset where proven (on within {within} before, and all good probes over or one for {alone_for}) \
             or over {any_cause_over:.2} °C"
        ),
    };
    let bypass = if interlock.bypassable { "" } else { ", never bypassed" };
    format!("{} → {}; {unknown}, {latch}{bypass}", condition(plan, interlock.cause), switches(plan, &interlock.effects))
}

fn hold_text(plan: &TankPlan, hold: &crate::control::plan::HoldPlan) -> String {
    let names: Vec<_> = hold.pauses.iter().map(|output| plan.outputs[output.index()].name.clone()).collect();
    let then = match hold.at_limit {
        AtLimit::Alarm => "then an alarm, and nothing restarts by itself",
        AtLimit::Release => "then a release, if it is permitted",
    };
    let needs: Vec<_> = hold.release_needs.iter().map(|need| need.name.clone()).collect();
    let needs = if needs.is_empty() { String::new() } else { format!("; a release needs {}", listing(&needs)) };
    format!("pauses {}; {} at most, {then}{needs}", listing(&names), hold.limit)
}

fn alarm_text(plan: &TankPlan, alarm: &crate::control::plan::AlarmPlan) -> String {
    let signal = |id: crate::control::ids::SignalId| plan.signals[id.index()].name.clone();
    let source = match &alarm.source {
        AlarmSource::Condition(cause) => condition(plan, *cause),
        AlarmSource::SignalLost(id) => format!("{} has no value", signal(*id)),
        AlarmSource::ProbeLost(id) => format!("{} is bad while others go on", plan.probes[id.index()].name),
        AlarmSource::Disagree(id) => format!("the probes of {} disagree", signal(*id)),
        AlarmSource::NotProven(id) => format!("{} does not follow", plan.outputs[id.index()].name),
        AlarmSource::ForeignSwitch(id) => format!("something else switches {}", plan.outputs[id.index()].name),
        AlarmSource::StartsOften(id) => {
            format!("{} has had all its starts for an hour", plan.outputs[id.index()].name)
        }
        AlarmSource::Changeovers => "more than 2 changes between heating and cooling in an hour".to_owned(),
        AlarmSource::FutileHeat => "the heater is on for 4 h and the water hardly warms".to_owned(),
        AlarmSource::TripsOften(id) => {
            format!("interlock {} trips more than 3 times in 24 h", plan.interlocks[id.index()].name)
        }
        AlarmSource::Conflict(id) => format!("something else fights over {}", plan.outputs[id.index()].name),
        AlarmSource::Restarts(id) => {
            format!("the plug of {} restarts more than 3 times in 24 h", plan.outputs[id.index()].name)
        }
        AlarmSource::WrongBoot(id) => {
            format!("the plug of {} comes back in another state than written", plan.outputs[id.index()].name)
        }
        AlarmSource::LeaseOutlived(id) => {
            format!("{} stays on after its lease has run out", plan.outputs[id.index()].name)
        }
        AlarmSource::Trip(id) => format!("interlock {} trips", plan.interlocks[id.index()].name),
        AlarmSource::HoldOverdue(id) => format!("hold {} is past its deadline", plan.holds[id.index()].name),
        AlarmSource::DrainBack => {
            let most = plan.drain_back.and_then(|drain| drain.most);
            let most = most.map_or_else(String::new, |most| format!(", or up to more than {most:.0} mm"));
            format!("more runs back into the sump than usual{most}")
        }
        AlarmSource::Drift(source) => super::drift::words(plan, *source),
        AlarmSource::PowerLost => "a power meter says nothing".to_owned(),
        AlarmSource::ClockJumped => "the clock jumped by more than a minute".to_owned(),
        AlarmSource::StateDamaged => "the saved state could not be read".to_owned(),
        AlarmSource::ProofsDue => "a proof test is overdue".to_owned(),
        AlarmSource::ProofFailed => "a proof test failed, and was not proven since".to_owned(),
        AlarmSource::Bypassed => "a person has set an interlock aside".to_owned(),
    };
    let lasts = match &alarm.source {
        AlarmSource::Condition(cause) => {
            matches!(plan.conditions[cause.index()], crate::control::plan::Condition::Lasting { .. })
        }
        _ => false,
    };
    let delay = match alarm.on_delay {
        Span::ZERO => String::new(),
        delay if lasts => format!("; told {delay} later"),
        delay => format!(" for {delay}"),
    };
    let latch = if alarm.latches { "; stays until reset" } else { "" };
    format!("{}: {source}{delay}{latch}", alarm.priority.word())
}

fn output_text(plan: &TankPlan, id: OutputId, output: &OutputPlan) -> Output {
    let rating = output.rating.map(|rating| format!(", {:.0} W", rating.watts())).unwrap_or_default();
    let needs = output.permissives.iter().map(|need| format!("{}: {}", need.name, condition(plan, need.condition)));
    Output {
        name: output.name.to_string(),
        is: format!("{}{rating}", output.kind.word()),
        safe_state: safe_state(output),
        off_by: off_by(plan, id, output),
        starts_need: needs.collect(),
        lease: output
            .plug
            .lease
            .map_or("none".to_owned(), |lease| format!("{}, refreshed every {}", lease.lasts, lease.refresh)),
        proof: proof(output),
    }
}

fn safe_state(output: &OutputPlan) -> String {
    let rest = output.rest.word();
    let dead = match (output.kind, output.plug.lease) {
        (_, Some(lease)) => format!("off {} after daemon or broker are dead", lease.lasts),
        (kind, None) if kind.is_life_support() => "goes on when daemon or broker are dead".to_owned(),
        (_, None) => "stays as it is when daemon or broker are dead".to_owned(),
    };
    let boots = match output.plug.boots {
        Some(Switch::On) => "comes back on after a power cut",
        Some(Switch::Off) => "comes back off after a power cut",
        None => "after a power cut: not known",
    };
    format!("rests {rest}; {dead}; {boots}")
}

fn off_by(plan: &TankPlan, id: OutputId, output: &OutputPlan) -> String {
    let mut who = Vec::new();
    let trips = plan.interlocks.iter().filter(|interlock| interlock.effects.contains(&(id, Switch::Off)));
    who.extend(trips.map(|interlock| format!("interlock {}", interlock.name)));
    let holds = plan.holds.iter().filter(|hold| hold.pauses.contains(&id));
    who.extend(holds.map(|hold| format!("hold {}", hold.name)));
    let heats = plan
        .thermostat
        .as_ref()
        .is_some_and(|loop_| loop_.heat.iter().chain(&loop_.cool).any(|side| side.output == id));
    if heats {
        who.push("the temperature loop".to_owned());
    }
    if plan.top_offs.iter().any(|top_off| top_off.output == id) {
        who.push("its own end of a run".to_owned());
    }
    who.extend(
        plan.rules
            .iter()
            .filter(|rule| rule.wishes.contains(&(id, Switch::Off)))
            .map(|rule| format!("rule {}", rule.name)),
    );
    if plan.schedules.iter().any(|schedule| schedule.output == id) {
        who.push("its schedule".to_owned());
    }
    if plan.lights.iter().any(|light| light.output == id) {
        who.push("its curve of the day".to_owned());
    }
    if plan.dosing.iter().any(|dosing| dosing.output == id) {
        who.push("the end of its dose".to_owned());
    }
    match output.kind {
        kind if kind.may_always_be_off() => who.push("anybody, at any time".to_owned()),
        OutputKind::ReturnPump | OutputKind::Powerhead => {
            who.push("a force of a keeper; never lost information".to_owned());
        }
        _ => who.push("a force of a keeper".to_owned()),
    }
    who.join("; ")
}

fn proof(output: &OutputPlan) -> String {
    let plug = &output.plug;
    let mut proofs = Vec::new();
    if plug.report == Fitted::Fitted {
        proofs.push(format!("its report within {}", plug.prove_within));
    }
    if plug.meter.is_some() {
        proofs.push("its watts".to_owned());
    }
    if plug.alive == Fitted::Fitted {
        proofs.push("its sign of life".to_owned());
    }
    if plug.uptime == Fitted::Fitted {
        proofs.push("its uptime".to_owned());
    }
    if proofs.is_empty() { "none: commanded, never proven".to_owned() } else { listing(&proofs) }
}

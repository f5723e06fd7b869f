//! A well fitted lagoon as a plan, and a world around it: probes that speak every ten seconds, plugs
//! that obey unless a fault says otherwise. Invented data.

use std::collections::BTreeMap;

use crate::control::effect::{Effect, JournalEntry, Notice};
use crate::control::ids::{Name, OutputId, ProbeId, SignalId, TopOffId};
use crate::control::plan::*;
use crate::control::{Answer, Event, Remembered, Request, RequestId, Tank};
use crate::time::{Now, Span, Steady, Wall, Zone};
use crate::units::{Flow, Power, Quantity, Volume};

pub const DISPLAY: usize = 0;
pub const SUMP: usize = 1;
pub const LEVEL: usize = 2;
pub const FLOAT: usize = 3;
pub const LEAK: usize = 4;

pub const HEATER: usize = 0;
pub const CHILLER: usize = 1;
pub const RETURN: usize = 2;
pub const POWERHEAD: usize = 3;
pub const TOP_OFF: usize = 4;
pub const FAN: usize = 5;

/// The pump gives 0.5 L a minute into 37.5 mL a millimetre: a run of 18 s is 150 mL, or 4 mm.
pub const LITRES_PER_SECOND: f64 = 0.5 / 60.0;
pub const PER_DAY: f64 = 1.5;
pub const PER_HOUR: f64 = 0.7;

pub fn probe(name: &str, quantity: Quantity, least: f64, greatest: f64) -> ProbePlan {
    ProbePlan {
        name: Name::new(name),
        quantity,
        conductivity: None,
        calibration: Calibration::NONE,
        least,
        greatest,
        stale_after: Span::from_seconds(60),
        fastest: (quantity == Quantity::Temperature).then_some(0.3),
        stuck_after: None,
    }
}

pub fn signal(name: &str, quantity: Quantity, probes: &[usize]) -> SignalPlan {
    let disagree = DisagreePlan { by: 0.6, lasting: Span::from_minutes(10) };
    SignalPlan {
        name: Name::new(name),
        quantity,
        probes: probes.iter().map(|index| ProbeId::new(*index)).collect(),
        disagree: (probes.len() > 1).then_some(disagree),
    }
}

fn output(name: &str, kind: OutputKind, lease: Option<u64>) -> OutputPlan {
    let (least_on, least_off) = match kind {
        OutputKind::Heater => (30, 60),
        OutputKind::Chiller => (180, 300),
        OutputKind::TopOff => (0, 600),
        _ => (0, 0),
    };
    OutputPlan {
        name: Name::new(name),
        kind,
        rating: Power::from_watts(100.0).ok(),
        rest: kind.rest(),
        least_on: Span::from_seconds(least_on),
        least_off: Span::from_seconds(least_off),
        permissives: Vec::new(),
        longest_force: Span::from_minutes(10),
        plug: PlugPlan {
            report: Fitted::Fitted,
            meter: Some(MeterPlan { stale_after: Span::from_seconds(60), running: None, plug_limit: None }),
            alive: Fitted::Fitted,
            uptime: Fitted::Fitted,
            lease: lease.map(|seconds| LeasePlan {
                lasts: Span::from_seconds(seconds),
                refresh: Span::from_seconds(seconds / 4),
            }),
            boots: None,
            prove_within: Span::from_seconds(5),
            dimmer: None,
        },
    }
}

pub fn alarm(name: &str, priority: Priority, source: AlarmSource, on_delay: u64) -> AlarmPlan {
    AlarmPlan {
        name: Name::new(name),
        priority,
        source,
        on_delay: Span::from_seconds(on_delay),
        off_delay: Span::from_seconds(5),
        latches: false,
        advice: Advice::new("it gets worse", "look at the tank"),
    }
}

/// A high alarm without delay.
pub fn at_once(name: &str, source: AlarmSource) -> AlarmPlan {
    alarm(name, Priority::High, source, 0)
}

pub const fn seconds(seconds: u64) -> Span {
    Span::from_seconds(seconds)
}

pub const fn minutes(minutes: u64) -> Span {
    Span::from_minutes(minutes)
}

/// The plan.
pub fn plan() -> TankPlan {
    let mut plan = TankPlan {
        name: Name::new("lagoon"),
        title: "Seagrass lagoon".to_owned(),
        zone: "Europe/Lisbon".parse::<Zone>().unwrap(),
        water: Volume::from_litres(87.0).unwrap(),
        probes: vec![
            probe("display-temp", Quantity::Temperature, 10.0, 40.0),
            probe("sump-temp", Quantity::Temperature, 10.0, 40.0),
            probe("sump-level", Quantity::Level, -250.0, 250.0),
            probe("float-high", Quantity::Contact, 0.0, 1.0),
            probe("floor-leak", Quantity::Contact, 0.0, 1.0),
        ],
        signals: vec![
            signal("water-temp", Quantity::Temperature, &[DISPLAY, SUMP]),
            signal("sump-level", Quantity::Level, &[LEVEL]),
            signal("float-high", Quantity::Contact, &[FLOAT]),
            signal("floor-leak", Quantity::Contact, &[LEAK]),
        ],
        outputs: vec![
            output("heater", OutputKind::Heater, Some(180)),
            output("chiller", OutputKind::Chiller, Some(900)),
            output("return-pump", OutputKind::ReturnPump, None),
            output("powerhead", OutputKind::Powerhead, None),
            output("top-off", OutputKind::TopOff, Some(30)),
            output("fan", OutputKind::Fan, None),
        ],
        conditions: Vec::new(),
        thermostat: Some(ThermostatPlan {
            signal: SignalId::new(0),
            target: 25.0,
            heat: Some(LoopSide { output: OutputId::new(HEATER), on_at: 24.85, off_at: 25.15 }),
            cool: Some(LoopSide { output: OutputId::new(CHILLER), on_at: 26.0, off_at: 25.6 }),
            changeover: Span::from_minutes(10),
        }),
        drain_back: None,
        top_offs: Vec::new(),
        dosing: Vec::new(),
        rules: Vec::new(),
        schedules: Vec::new(),
        lights: Vec::new(),
        interlocks: Vec::new(),
        holds: Vec::new(),
        mixing_bin: MixingBin::default(),
        proofs: ProofPlan { channels: ["phone", "mail", "siren"].map(channel).to_vec(), ..ProofPlan::default() },
        alarms: Vec::new(),
        drift: crate::control::plan::drift::DriftPlan::default(),
    };
    add_conditions(&mut plan);
    plan
}

pub fn compare(signal: usize, estimate: Estimate, side: Side, limit: f64, doubtful: Doubtful) -> Condition {
    let alone_margin = if estimate == Estimate::EachProbe { 0.5 } else { 0.0 };
    Condition::Compare { signal: SignalId::new(signal), estimate, side, limit, deadband: 0.2, alone_margin, doubtful }
}

fn lasting(
    plan: &mut TankPlan,
    inner: Condition,
    seconds: u64,
    unknown: TimerUnknown,
) -> crate::control::ids::ConditionId {
    let inner = plan.add(inner);
    plan.add(Condition::Lasting { inner, span: Span::from_seconds(seconds), unknown })
}

fn add_conditions(plan: &mut TankPlan) {
    let hot = compare(0, Estimate::EachProbe, Side::Above, 26.0, Doubtful::Counts);
    let cutoff = lasting(plan, hot, 10, TimerUnknown::Freezes);
    let float = Condition::Contact { signal: SignalId::new(2), wet: true, doubtful: Doubtful::Counts };
    let float = plan.add(float);
    let dry = compare(1, Estimate::Voted, Side::Below, -95.0, Doubtful::Counts);
    let dry = lasting(plan, dry, 10, TimerUnknown::Freezes);
    let leak = Condition::Contact { signal: SignalId::new(3), wet: true, doubtful: Doubtful::Counts };
    let leak = lasting(plan, leak, 1, TimerUnknown::Freezes);
    let interlock = |name: &str, cause, unknown, off: usize, latch, bypassable| InterlockPlan {
        name: Name::new(name),
        cause,
        unknown,
        effects: vec![(OutputId::new(off), Switch::Off)],
        latch,
        restarts: (off == RETURN).then_some(3),
        priority: Priority::Urgent,
        bypassable,
        advice: Advice::new("it gets worse", "look"),
    };
    let latch = Latch::WhenProven {
        signal: SignalId::new(0),
        limit: 26.0,
        within: Span::from_minutes(30),
        alone_for: Span::from_minutes(10),
        any_cause_over: 28.5,
    };
    let mut found = |fact| plan.add(Condition::TopOff { top_off: TopOffId::new(0), fact });
    let (no_response, siphon) = (found(TopOffFact::NoResponse), found(TopOffFact::Siphon));
    plan.interlocks = vec![
        interlock("heater-cutoff", cutoff, OnUnknown::Trips, HEATER, latch, false),
        interlock("top-off-high", float, OnUnknown::Trips, TOP_OFF, Latch::Always, false),
        interlock("return-pump-dry", dry, OnUnknown::Holds, RETURN, Latch::Never, true),
        interlock("floor-wet", leak, OnUnknown::Ignored, TOP_OFF, Latch::Always, true),
        interlock("top-off-no-response", no_response, OnUnknown::Ignored, TOP_OFF, Latch::Always, true),
        interlock("top-off-siphon", siphon, OnUnknown::Ignored, TOP_OFF, Latch::Always, true),
    ];
    let enough = plan.add(compare(1, Estimate::Voted, Side::Above, -60.0, Doubtful::IsUnknown));
    let enough = || Permissive { name: Name::new("water-over-intake"), condition: enough };
    plan.outputs[RETURN].permissives = vec![enough()];
    plan.outputs[POWERHEAD].permissives = vec![enough()];
    add_top_off(plan);
    let warm = plan.add(compare(0, Estimate::Voted, Side::Above, 25.8, Doubtful::IsUnknown));
    plan.rules =
        vec![RulePlan { name: Name::new("warm"), cause: warm, wishes: vec![(OutputId::new(FAN), Switch::On)] }];
    let pauses = |outputs: &[usize]| outputs.iter().map(|output| OutputId::new(*output)).collect();
    plan.holds = vec![
        HoldPlan {
            name: Name::new("water-change"),
            pauses: pauses(&[TOP_OFF, HEATER, RETURN]),
            limit: Span::from_minutes(60),
            at_limit: AtLimit::Alarm,
            release_needs: vec![enough()],
            cares_for_probes: false,
        },
        HoldPlan {
            name: Name::new("hands-in"),
            pauses: pauses(&[POWERHEAD, HEATER]),
            limit: Span::from_minutes(30),
            at_limit: AtLimit::Alarm,
            release_needs: Vec::new(),
            cares_for_probes: false,
        },
        HoldPlan {
            name: Name::new("feeding"),
            pauses: pauses(&[RETURN]),
            limit: Span::from_minutes(15),
            at_limit: AtLimit::Release,
            release_needs: vec![enough()],
            cares_for_probes: false,
        },
    ];
    let high = plan.add(compare(0, Estimate::Highest, Side::Above, 26.5, Doubtful::Counts));
    let interlock_id = crate::control::ids::InterlockId::new;
    plan.alarms = vec![
        alarm("water-temp-high", Priority::High, AlarmSource::Condition(high), 60),
        alarm("water-temp-lost", Priority::High, AlarmSource::SignalLost(SignalId::new(0)), 60),
        alarm("sump-temp-lost", Priority::Medium, AlarmSource::ProbeLost(ProbeId::new(SUMP)), 120),
        alarm("display-temp-lost", Priority::Medium, AlarmSource::ProbeLost(ProbeId::new(DISPLAY)), 120),
        alarm("water-temp-disagree", Priority::Medium, AlarmSource::Disagree(SignalId::new(0)), 0),
        alarm("heater-not-proven", Priority::Urgent, AlarmSource::NotProven(OutputId::new(HEATER)), 15),
        alarm("top-off-foreign", Priority::High, AlarmSource::ForeignSwitch(OutputId::new(TOP_OFF)), 0),
        alarm("heater-cutoff-trip", Priority::Urgent, AlarmSource::Trip(interlock_id(0)), 0),
        alarm("top-off-high-trip", Priority::Urgent, AlarmSource::Trip(interlock_id(1)), 0),
        alarm("water-change-overdue", Priority::High, AlarmSource::HoldOverdue(crate::control::ids::HoldId::new(0)), 0),
        alarm("proofs-due", Priority::Low, AlarmSource::ProofsDue, 0),
        alarm("proof-failed", Priority::Medium, AlarmSource::ProofFailed, 0),
        alarm("bypassed", Priority::Medium, AlarmSource::Bypassed, 0),
        alarm("clock-jumped", Priority::Medium, AlarmSource::ClockJumped, 0),
        alarm("state-damaged", Priority::High, AlarmSource::StateDamaged, 0),
    ];
}

/// The water is topped off from -4 mm to 0, with the return pump's report as the evidence of flow.
fn add_top_off(plan: &mut TankPlan) {
    let low = compare(1, Estimate::Voted, Side::Below, -4.0, Doubtful::IsUnknown);
    let wanted = lasting(plan, low, 60, TimerUnknown::Resets);
    let flow = Condition::Output { output: OutputId::new(RETURN), fact: OutputFact::ProvenOn };
    let flow = lasting(plan, flow, 600, TimerUnknown::Resets);
    let signal = SignalId::new(1);
    let known = plan.add(Condition::Known { signal, doubtful: Doubtful::IsUnknown });
    let dry = Condition::Contact { signal: SignalId::new(2), wet: false, doubtful: Doubtful::IsUnknown };
    let dry = plan.add(dry);
    let need = |name: &str, condition| Permissive { name: Name::new(name), condition };
    plan.outputs[TOP_OFF].permissives =
        vec![need("high-float-dry", dry), need("level-known", known), need("flow-proven", flow)];
    plan.top_offs = vec![TopOffPlan {
        output: OutputId::new(TOP_OFF),
        wanted,
        gauge: Gauge::Level { signal, stop_at: 0.0, litres_per_mm: 0.0375 },
        high: vec![SignalId::new(2)],
        steady: Some(flow),
        delivers: Flow::from_litres_per_minute(60.0 * LITRES_PER_SECOND).unwrap(),
        expected: Span::from_seconds(18),
        longest: Span::from_seconds(36),
        settle: Span::from_seconds(60),
        rest: Span::from_minutes(10),
        per_day: Volume::from_litres(PER_DAY).unwrap(),
        per_hour: Volume::from_litres(PER_HOUR).unwrap(),
        salinity: None,
        still: Some(StillPlan { spread: 2.0, leak: 10.0, burst: 60.0 }),
    }];
}

/// What a plug does besides obeying.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum PlugFault {
    #[default]
    None,
    /// It reports what it is and takes no command.
    Ignores,
    /// It obeys and says nothing.
    Mute,
}

fn channel(name: &str) -> ChannelPlan {
    let by = match name {
        "phone" => "webhook",
        "mail" => "mail",
        _ => "topic",
    };
    ChannelPlan { name: Name::new(name), by, mark: format!("{name} {by}") }
}

/// What a plug's meter says every ten seconds.
#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub enum Meter {
    /// Nothing.
    #[default]
    Silent,
    /// So many watts while its relay is on, none while it is off.
    Follows(f64),
    /// So many watts, whatever the relay does.
    Says(f64),
    /// About so many watts while its relay is on, another tenth each time.
    Lively(f64),
    /// The same of a relay that conducts for ever.
    Welded(f64),
}

/// A tank and what surrounds it.
pub struct World {
    pub tank: Tank,
    /// The same tank, settling at every step: it must never do anything else than `tank`.
    twin: Tank,
    pub now: Now,
    /// What each probe says every ten seconds; `None`: nothing.
    pub reads: Vec<Option<f64>>,
    pub faults: Vec<PlugFault>,
    pub plugs: Vec<Switch>,
    pub meters: Vec<Meter>,
    reports_due: BTreeMap<(Steady, usize), Switch>,
    speaks_at: Steady,
    /// What is fitted says something so often.
    pub speaks_every: Span,
    pub commands: Vec<(Steady, usize, Switch)>,
    pub refreshes: Vec<(Steady, usize)>,
    /// Levels that dimmers were told.
    pub levels: Vec<(Steady, usize, u8)>,
    pub answers: BTreeMap<u64, Answer>,
    pub notices: Vec<Notice>,
    pub journal: Vec<JournalEntry>,
    pub effects: Vec<Effect>,
    pub broker: bool,
    next_request: u64,
    steps: u64,
}

fn twin(tank: &Tank) -> Tank {
    let mut twin = tank.clone();
    twin.settle_always();
    twin
}

impl World {
    /// A sound lagoon at 25.0 °C, the daemon just started and connected.
    pub fn new() -> Self {
        Self::with(plan(), Remembered::Nothing)
    }

    pub fn with(plan: TankPlan, remembered: Remembered) -> Self {
        // 2026-06-01 10:00 UTC.
        let now = Now { steady: Steady::from_millis(1_000_000), wall: Wall::from_unix_millis(1_780_308_000_000) };
        let outputs = plan.outputs.len();
        let tank = Tank::new(plan, remembered, now);
        let mut world = Self {
            twin: twin(&tank),
            tank,
            now,
            reads: vec![Some(25.0), Some(25.1), Some(0.0), Some(0.0), Some(0.0)],
            faults: vec![PlugFault::None; outputs],
            plugs: vec![Switch::Off; outputs],
            meters: vec![Meter::Silent; outputs],
            reports_due: BTreeMap::new(),
            speaks_at: now.steady,
            speaks_every: Span::from_seconds(10),
            commands: Vec::new(),
            refreshes: Vec::new(),
            levels: Vec::new(),
            answers: BTreeMap::new(),
            notices: Vec::new(),
            journal: Vec::new(),
            effects: Vec::new(),
            broker: true,
            next_request: 0,
            steps: 0,
        };
        // The pumps boot on.
        world.plugs[RETURN] = Switch::On;
        world.plugs[POWERHEAD] = Switch::On;
        world.step(Event::BrokerConnected);
        world
    }

    /// Goes on with another tank.
    pub fn take(&mut self, tank: Tank) {
        self.twin = twin(&tank);
        self.tank = tank;
    }

    /// The lagoon after a few minutes of sound running.
    pub fn settled() -> Self {
        let mut world = Self::new();
        world.advance(Span::from_minutes(5));
        world
    }

    pub fn step(&mut self, event: Event) {
        let what = format!("{event:?}");
        let thorough = self.twin.step(event.clone(), self.now);
        let effects = self.tank.step(event, self.now);
        assert_eq!(effects, thorough, "a step that settles does something else at {what}");
        self.steps += 1;
        if self.steps.is_multiple_of(4) {
            assert_eq!(self.tank.status(self.now), self.twin.status(self.now), "{what}");
        }
        let at = |tank: &Tank| tank.next_deadline().map_or(u64::MAX, |deadline| deadline.at.millis());
        assert!(
            at(&self.tank) <= at(&self.twin),
            "a deadline is missed after {what}: {:?} for {:?} at {:?}",
            self.tank.next_deadline(),
            self.twin.next_deadline(),
            self.now.steady
        );
        for effect in effects {
            self.effects.push(effect.clone());
            match effect {
                Effect::SwitchPlug { output, to, .. } => {
                    let index = output.index();
                    self.commands.push((self.now.steady, index, to));
                    if self.faults[index] != PlugFault::Ignores {
                        self.plugs[index] = to;
                    }
                    if self.faults[index] != PlugFault::Mute && self.broker {
                        let due = self.now.steady.after(Span::from_millis(200));
                        self.reports_due.insert((due, index), self.plugs[index]);
                    }
                }
                Effect::RefreshLease { output } => self.refreshes.push((self.now.steady, output.index())),
                Effect::Answer { to, answer } => {
                    self.answers.insert(to.0, answer);
                }
                Effect::Notify(notice) => self.notices.push(notice),
                Effect::Journal(entry) => self.journal.push(entry),
                Effect::SetLevel { output, percent, .. } => {
                    self.levels.push((self.now.steady, output.index(), percent));
                }
                Effect::SaveState(_) | Effect::WaterChanged { .. } => {}
            }
        }
    }

    pub fn read(&mut self, probe: usize, value: f64) {
        self.reads[probe] = Some(value);
        self.step(Event::ReadingArrived {
            probe: ProbeId::new(probe),
            reading: Ok(value),
            retained: crate::control::event::Retained::No,
        });
    }

    pub fn report(&mut self, output: usize, state: Switch) {
        self.plugs[output] = state;
        self.step(Event::ReportArrived {
            output: OutputId::new(output),
            report: Ok(state),
            retained: crate::control::event::Retained::No,
        });
    }

    pub fn ask(&mut self, request: Request) -> u64 {
        let id = self.next_request;
        self.next_request += 1;
        self.step(Event::RequestArrived { id: RequestId(id), by: "the keeper".to_owned(), request });
        id
    }

    pub fn hold(&mut self, name: &str) -> u64 {
        self.ask(Request::hold(name))
    }

    pub fn force(&mut self, name: &str, to: Switch, minutes: u64) -> u64 {
        let lasting = Some(Span::from_minutes(minutes));
        self.ask(Request::Force { output: name.to_owned(), to, lasting })
    }

    /// Lets time go by, from one thing that happens to the next.
    pub fn advance(&mut self, span: Span) {
        let end = self.now.steady.after(span);
        while self.now.steady < end {
            for event in self.next_events(end) {
                self.step(event);
            }
        }
    }

    /// Lets time go by until an output is told on.
    pub fn advance_until_on(&mut self, output: usize) {
        let told = self.commands.len();
        for _ in 0..3600 {
            self.advance(Span::from_seconds(1));
            if self.commands[told..].iter().any(|(_, index, to)| *index == output && *to == Switch::On) {
                return;
            }
        }
        panic!("not on within an hour: {:#?}", self.tank.explain(OutputId::new(output), self.now));
    }

    /// Lets time go by while the top-off raises the level as it should, times `gain`.
    pub fn top_off_for(&mut self, span: Span, gain: f64) {
        let end = self.now.steady.after(span);
        while self.now.steady < end {
            self.advance(Span::from_seconds(1));
            if let (Switch::On, Some(level)) = (self.plugs[TOP_OFF], &mut self.reads[LEVEL]) {
                *level += gain * LITRES_PER_SECOND / 0.0375;
            }
        }
    }

    /// Moves the clock to the next thing that happens, at most to `end`, and says what does.
    pub fn next_events(&mut self, end: Steady) -> Vec<Event> {
        let mut next = end.min(self.speaks_at);
        if let Some((due, _)) = self.reports_due.keys().next() {
            next = next.min(*due);
        }
        if let Some(deadline) = self.tank.next_deadline() {
            next = next.min(deadline.at);
        }
        // The world, like a real one, never comes back earlier than a millisecond later.
        let next = next.max(self.now.steady.after(Span::from_millis(1)));
        self.now = self.now.after(next.since(self.now.steady));
        let retained = crate::control::event::Retained::No;
        let mut events = Vec::new();
        while let Some((&(due, index), &state)) = self.reports_due.iter().next() {
            if due > self.now.steady {
                break;
            }
            self.reports_due.remove(&(due, index));
            if self.broker {
                events.push(Event::ReportArrived { output: OutputId::new(index), report: Ok(state), retained });
            }
        }
        if self.speaks_at <= self.now.steady {
            self.speaks_at = self.now.steady.after(self.speaks_every);
            for (index, meter) in self.meters.iter().enumerate() {
                let tenths = (self.now.steady.millis() / 1000 % 7) as f64 / 10.0;
                let watts = match (meter, self.plugs[index]) {
                    (Meter::Silent, _) => continue,
                    (Meter::Follows(_) | Meter::Lively(_), Switch::Off) => 0.0,
                    (Meter::Lively(watts), Switch::On) | (Meter::Welded(watts), _) => watts + tenths,
                    (Meter::Follows(watts), Switch::On) | (Meter::Says(watts), _) => *watts,
                };
                if self.broker {
                    events.push(Event::MeterArrived { output: OutputId::new(index), watts: Ok(watts), retained });
                }
            }
            for (probe, value) in self.reads.iter().enumerate() {
                if let (Some(value), true) = (value, self.broker) {
                    events.push(Event::ReadingArrived { probe: ProbeId::new(probe), reading: Ok(*value), retained });
                }
            }
        }
        if self.tank.next_deadline().is_some_and(|deadline| deadline.at <= self.now.steady) {
            events.push(Event::Woken);
        }
        events
    }

    /// The daemon is killed now and starts again with what its store holds.
    pub fn kill_and_restart(&mut self) {
        self.restart_with(|state| Remembered::State(Box::new(state)));
    }

    /// The daemon is killed now, and starts again with what `remembered` makes of its store.
    pub fn restart_with(&mut self, remembered: impl FnOnce(crate::control::state::TankState) -> Remembered) {
        let saved = serde_json::to_string(&self.tank.state()).unwrap();
        let state = serde_json::from_str(&saved).unwrap();
        // A steady clock means nothing in the next run.
        self.now.steady = Steady::from_millis(77);
        self.speaks_at = self.now.steady;
        self.reports_due.clear();
        self.take(Tank::new(self.tank.plan().clone(), remembered(state), self.now));
        self.step(Event::BrokerConnected);
    }

    /// The keeper changes the config while the daemon runs.
    pub fn reload(&mut self, plan: TankPlan) {
        self.take(self.tank.clone().replan(plan, self.now));
    }

    /// Somebody turns a plug on by hand, and for so long it takes no command.
    pub fn somebody_lets_run(&mut self, output: usize, span: Span) {
        self.faults[output] = PlugFault::Ignores;
        self.report(output, Switch::On);
        self.advance(span);
        self.faults[output] = PlugFault::None;
    }

    /// The state of an interlock of that name.
    pub fn interlock(&self, name: &str) -> &'static str {
        let all = self.tank.status(self.now).interlocks;
        all.iter().find(|one| &*one.interlock == name).expect("an interlock of that name").state
    }

    pub fn last_command(&self, output: usize) -> Option<Switch> {
        self.commands.iter().rev().find(|(_, index, _)| *index == output).map(|(_, _, to)| *to)
    }

    pub fn commands_since(&self, from: Steady, output: usize) -> Vec<Switch> {
        self.commands.iter().filter(|(at, index, _)| *at >= from && *index == output).map(|(_, _, to)| *to).collect()
    }

    pub fn raised(&self, alarm: &str) -> bool {
        let raised = crate::control::effect::NoticeKind::Raised;
        self.notices.iter().any(|notice| notice.name == alarm && notice.what == raised)
    }
}

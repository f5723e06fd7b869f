//! Which alarm explains which, and what explains one by design: each rule of `alarm_links` by a pair that hangs together
//! and one that is close to it and does not.

use super::dosing;
use super::lagoon::*;
use crate::control::alarm_links::{AlarmLinks, Silent, links};
use crate::control::dosing::DosingFact;
use crate::control::ids::{ConditionId, HoldId, InterlockId, OutputId, ProbeId, SignalId, TopOffId};
use crate::control::plan::drift::DriftSource;
use crate::control::plan::*;
use crate::units::Quantity;

/// A plan without alarms, to which a test adds what it asks about.
struct Asked {
    plan: TankPlan,
}

impl Asked {
    fn new(mut plan: TankPlan) -> Self {
        plan.alarms.clear();
        Self { plan }
    }

    fn with(mut self, name: &str, source: AlarmSource) -> Self {
        self.plan.alarms.push(at_once(name, source));
        self
    }

    fn when(mut self, name: &str, condition: Condition) -> Self {
        let cause = self.plan.add(condition);
        self.with(name, AlarmSource::Condition(cause))
    }

    fn when_any(mut self, name: &str, conditions: Vec<Condition>) -> Self {
        let any: Vec<ConditionId> = conditions.into_iter().map(|condition| self.plan.add(condition)).collect();
        self.when(name, Condition::Any(any))
    }

    /// An interlock that turns outputs off, and the alarm of its trip.
    fn trip(mut self, name: &str, cause: Condition, off: &[usize]) -> Self {
        let cause = self.plan.add(cause);
        let effects = off.iter().map(|output| (OutputId::new(*output), Switch::Off)).collect();
        let like = self.plan.interlocks[2].clone();
        self.plan.interlocks.push(InterlockPlan { cause, effects, ..like });
        let id = InterlockId::new(self.plan.interlocks.len() - 1);
        self.with(name, AlarmSource::Trip(id))
    }

    fn urgent(mut self, name: &str) -> Self {
        let alarm = self.plan.alarms.iter_mut().find(|alarm| &*alarm.name == name).expect("an alarm of that name");
        alarm.priority = Priority::Urgent;
        self
    }

    fn of(&self, name: &str) -> AlarmLinks {
        let at = self.plan.alarms.iter().position(|alarm| &*alarm.name == name).expect("an alarm of that name");
        links(&self.plan).swap_remove(at)
    }

    /// Which alarms explain this one.
    fn causes(&self, name: &str) -> Vec<&str> {
        self.of(name).causes.iter().map(|cause| &*self.plan.alarms[*cause].name).collect()
    }

    /// Which holds explain it.
    fn holds(&self, name: &str) -> Vec<&str> {
        self.of(name).by_holds.iter().map(|hold| &*self.plan.holds[hold.index()].name).collect()
    }
}

const NONE: [&str; 0] = [];
const TEMPERATURE: usize = 0;
const SUMP_LEVEL: usize = 1;
const FLOAT_HIGH: usize = 2;

fn below(signal: usize, limit: f64) -> Condition {
    compare(signal, Estimate::Voted, Side::Below, limit, Doubtful::Counts)
}

fn above(signal: usize, limit: f64) -> Condition {
    compare(signal, Estimate::Voted, Side::Above, limit, Doubtful::Counts)
}

fn contact(signal: usize, wet: bool) -> Condition {
    Condition::Contact { signal: SignalId::new(signal), wet, doubtful: Doubtful::Counts }
}

fn is(output: usize, fact: OutputFact) -> Condition {
    Condition::Output { output: OutputId::new(output), fact }
}

fn draws(output: usize, side: Side, watts: f64) -> Condition {
    Condition::Draws { output: OutputId::new(output), side, limit: DrawLimit::Watts(watts) }
}

fn not_proven(output: usize) -> AlarmSource {
    AlarmSource::NotProven(OutputId::new(output))
}

/// The lagoon with one more signal, of a probe of its own.
fn with_signal(name: &str, quantity: Quantity) -> (TankPlan, usize) {
    let mut plan = plan();
    plan.probes.push(probe(name, quantity, 0.0, 50.0));
    plan.signals.push(signal(name, quantity, &[plan.probes.len() - 1]));
    let at = plan.signals.len() - 1;
    (plan, at)
}

#[test]
fn a_trip_and_an_alarm_on_the_same_thing_and_the_same_side_explain_each_other() {
    let asked = Asked::new(plan())
        .trip("dry", below(SUMP_LEVEL, -95.0), &[FAN])
        .when("low", below(SUMP_LEVEL, -80.0))
        .when("high", above(SUMP_LEVEL, 80.0))
        .when("odd", above(TEMPERATURE, 30.0))
        .when("seen", Condition::Known { signal: SignalId::new(SUMP_LEVEL), doubtful: Doubtful::Counts })
        .when_any("off-its-mark", vec![below(SUMP_LEVEL, -80.0), above(SUMP_LEVEL, 80.0)])
        .with("level-lost", AlarmSource::SignalLost(SignalId::new(SUMP_LEVEL)));
    // One that asks for no side has none that contradicts; one that asks for both has the same among them.
    assert_eq!(asked.causes("dry"), ["low", "seen", "off-its-mark"]);
    for name in ["low", "seen", "off-its-mark"] {
        assert!(asked.causes(name).contains(&"dry"), "{name}: {:?}", asked.causes(name));
    }
    for name in ["high", "odd", "level-lost"] {
        assert_eq!(asked.causes(name), NONE, "{name}");
    }
}

#[test]
fn two_plain_alarms_and_two_trips_on_the_same_thing_do_not_explain_each_other() {
    let asked = Asked::new(plan()).when("low", below(SUMP_LEVEL, -80.0)).when("lower", below(SUMP_LEVEL, -90.0)).trip(
        "hot",
        above(TEMPERATURE, 27.0),
        &[FAN],
    );
    let asked = asked.trip("hotter", above(TEMPERATURE, 28.0), &[FAN]);
    for name in ["low", "lower", "hot", "hotter"] {
        assert_eq!(asked.causes(name), NONE, "{name}");
    }
}

#[test]
fn the_same_thing_is_all_that_one_of_them_looks_at() {
    let both = |one: Condition, other: Condition| vec![one, other];
    let asked = Asked::new(plan())
        .when_any("level-or-warm", both(below(SUMP_LEVEL, -80.0), above(TEMPERATURE, 27.0)))
        .when_any("level-or-float", both(below(SUMP_LEVEL, -80.0), contact(FLOAT_HIGH, true)))
        .when_any("level-or-pump", both(below(SUMP_LEVEL, -80.0), is(FAN, OutputFact::CommandedOff)))
        .when_any("level-or-other", both(below(SUMP_LEVEL, -80.0), is(POWERHEAD, OutputFact::CommandedOff)))
        .when("never", Condition::Held(None));
    let mut asked = asked;
    let parts: Vec<ConditionId> =
        both(below(SUMP_LEVEL, -95.0), above(TEMPERATURE, 28.0)).into_iter().map(|part| asked.plan.add(part)).collect();
    let asked = asked.trip("dry-or-hot", Condition::Any(parts), &[CHILLER]);
    // All of one is among the other's, or they share only a part.
    assert_eq!(asked.causes("level-or-warm"), ["dry-or-hot"]);
    assert_eq!(asked.causes("level-or-float"), NONE);
    assert_eq!(asked.causes("level-or-pump"), NONE);
    assert_eq!(asked.causes("never"), NONE, "what looks at nothing is not the same as anything");
    let mut asked = asked;
    let parts: Vec<ConditionId> = both(below(SUMP_LEVEL, -95.0), is(FAN, OutputFact::CommandedOff))
        .into_iter()
        .map(|part| asked.plan.add(part))
        .collect();
    let asked = asked.trip("dry-and-still", Condition::All(parts), &[CHILLER]);
    assert_eq!(asked.causes("level-or-pump"), ["dry-and-still"]);
    assert_eq!(asked.causes("level-or-other"), NONE, "another pump");
}

#[test]
fn what_needs_an_output_is_explained_by_what_took_it_off_or_lost_it() {
    let (plan, flow) = with_signal("return-flow", Quantity::Flow);
    let asked = Asked::new(plan)
        .when("little-flow", below(flow, 3.0))
        .when("cold", below(TEMPERATURE, 24.0))
        .when("warm", above(TEMPERATURE, 27.0))
        .with("futile", AlarmSource::FutileHeat)
        .when("late-top-off", Condition::TopOff { top_off: TopOffId::new(0), fact: TopOffFact::Overdue })
        .when("fast-top-off", Condition::TopOff { top_off: TopOffId::new(0), fact: TopOffFact::Fast })
        .when("drained-back", Condition::AtRunningLevel { signal: SignalId::new(SUMP_LEVEL), within: 10.0 })
        .when("pump-off", is(RETURN, OutputFact::ProvenOff))
        .when("fan-off", is(FAN, OutputFact::ProvenOff))
        .with("heater-silent", not_proven(HEATER))
        .with("pump-silent", not_proven(RETURN))
        .with("top-off-silent", not_proven(TOP_OFF))
        .trip("wet-floor", contact(3, true), &[RETURN, HEATER]);
    assert_eq!(asked.causes("little-flow"), ["pump-silent", "wet-floor"]);
    assert_eq!(asked.causes("cold"), ["heater-silent", "wet-floor"]);
    assert_eq!(asked.causes("futile"), ["heater-silent", "wet-floor"]);
    assert_eq!(asked.causes("late-top-off"), ["top-off-silent"]);
    assert_eq!(asked.causes("drained-back"), ["pump-silent", "wet-floor"]);
    assert_eq!(asked.causes("pump-off"), ["pump-silent", "wet-floor"]);
    for name in ["warm", "fast-top-off", "fan-off", "heater-silent", "pump-silent", "wet-floor"] {
        assert_eq!(asked.causes(name), NONE, "{name}");
    }
}

#[test]
fn a_trip_that_turns_something_on_explains_nothing_that_needs_it() {
    let mut asked = Asked::new(plan()).when("cold", below(TEMPERATURE, 24.0)).trip("wet", contact(3, true), &[HEATER]);
    let wet = asked.plan.interlocks.len() - 1;
    assert_eq!(asked.causes("cold"), ["wet"]);
    asked.plan.interlocks[wet].effects = vec![(OutputId::new(HEATER), Switch::On)];
    assert_eq!(asked.causes("cold"), NONE);
}

#[test]
fn only_the_water_that_is_held_is_cold_for_want_of_heat() {
    let (plan, room) = with_signal("room", Quantity::Temperature);
    let asked = Asked::new(plan)
        .when("cold-room", below(room, 14.0))
        .when_any("cold-anywhere", vec![below(TEMPERATURE, 24.0), below(room, 14.0)])
        .with("heater-silent", not_proven(HEATER));
    assert_eq!(asked.causes("cold-room"), NONE);
    assert_eq!(asked.causes("cold-anywhere"), ["heater-silent"], "in whichever order they are asked");
}

#[test]
fn what_a_pump_draws_explains_that_nothing_flows_and_is_explained_by_nothing_of_the_kind() {
    let (plan, flow) = with_signal("return-flow", Quantity::Flow);
    let asked = Asked::new(plan)
        .when("little-flow", below(flow, 3.0))
        .when("pump-dead", draws(RETURN, Side::Below, 5.0))
        .when("pump-weak", draws(RETURN, Side::Below, 20.0))
        .when("pump-blocked", draws(RETURN, Side::Above, 90.0))
        .when("fan-dead", draws(FAN, Side::Below, 2.0))
        .when_any("pumps-dead", vec![draws(RETURN, Side::Below, 5.0), draws(FAN, Side::Below, 2.0)])
        .when_any("dead-or-still", vec![draws(RETURN, Side::Below, 5.0), below(flow, 1.0)]);
    assert_eq!(asked.causes("little-flow"), ["pump-dead", "pump-weak"]);
    for name in ["pump-dead", "pump-weak", "pump-blocked", "fan-dead"] {
        assert_eq!(asked.causes(name), NONE, "{name}");
    }
}

#[test]
fn a_probe_of_a_lost_signal_is_part_of_it() {
    let probe = |probe: usize| AlarmSource::ProbeLost(ProbeId::new(probe));
    let signal = |signal: usize| AlarmSource::SignalLost(SignalId::new(signal));
    let asked = Asked::new(plan())
        .with("water-lost", signal(TEMPERATURE))
        .with("level-lost", signal(SUMP_LEVEL))
        .with("display-lost", probe(DISPLAY))
        .with("sump-lost", probe(SUMP));
    for name in ["display-lost", "sump-lost"] {
        assert_eq!(asked.causes(name), ["water-lost"]);
        assert_eq!(asked.of(name).signal, Some(SignalId::new(TEMPERATURE)));
    }
    assert_eq!(asked.causes("water-lost"), NONE);
    let probes = |probes: &[usize]| probes.iter().map(|probe| Silent::Probe(ProbeId::new(*probe))).collect::<Vec<_>>();
    assert_eq!(asked.of("water-lost").silent, probes(&[DISPLAY, SUMP]));
    assert_eq!(asked.of("sump-lost").silent, probes(&[SUMP]));
    assert_eq!(asked.of("water-lost").by_probes, [ProbeId::new(DISPLAY), ProbeId::new(SUMP)]);
    assert_eq!(asked.of("sump-lost").by_probes, [ProbeId::new(SUMP)]);
}

#[test]
fn causes_are_followed_to_their_own_and_nothing_is_its_own_cause() {
    let (plan, flow) = with_signal("return-flow", Quantity::Flow);
    let asked = Asked::new(plan)
        .when("little-flow", below(flow, 3.0))
        .trip("no-flow", below(flow, 1.0), &[HEATER])
        .when("cold", below(TEMPERATURE, 24.0))
        .when("pump-dead", draws(RETURN, Side::Below, 5.0));
    // The dead pump explains the flow, the flow the trip, the trip that it grows cold.
    assert_eq!(asked.causes("cold"), ["little-flow", "no-flow", "pump-dead"]);
    assert_eq!(asked.causes("no-flow"), ["little-flow", "pump-dead"]);
    assert_eq!(asked.causes("little-flow"), ["no-flow", "pump-dead"]);
}

#[test]
fn silence_is_what_is_not_heard_and_a_broker_explains_it_unless_it_is_urgent() {
    let asked = Asked::new(plan())
        .with("level-lost", AlarmSource::SignalLost(SignalId::new(SUMP_LEVEL)))
        .with("probe-lost", AlarmSource::ProbeLost(ProbeId::new(DISPLAY)))
        .with("heater-silent", not_proven(HEATER))
        .with("pump-silent", not_proven(RETURN))
        .urgent("heater-silent")
        .with("power-lost", AlarmSource::PowerLost)
        .with("disagree", AlarmSource::Disagree(SignalId::new(TEMPERATURE)))
        .when("cold", below(TEMPERATURE, 24.0));
    let silence = |name: &str| (asked.of(name).is_silence, asked.of(name).by_broker);
    for name in ["level-lost", "probe-lost", "pump-silent", "power-lost"] {
        assert_eq!(silence(name), (true, true), "{name}");
    }
    assert_eq!(silence("heater-silent"), (true, false), "a heater that may be on is never explained away");
    assert_eq!(silence("disagree"), (false, false));
    assert_eq!(silence("cold"), (false, false));
    assert_eq!(asked.of("pump-silent").silent, [Silent::Plug(OutputId::new(RETURN))]);
    assert_eq!(asked.of("power-lost").silent, []);
    assert_eq!(asked.of("disagree").signal, Some(SignalId::new(TEMPERATURE)));
}

#[test]
fn a_start_explains_for_a_while_what_needs_the_output_and_nothing_urgent() {
    let (plan, flow) = with_signal("return-flow", Quantity::Flow);
    let asked = Asked::new(plan)
        .when("little-flow", below(flow, 3.0))
        .when("no-flow", below(flow, 1.0))
        .urgent("no-flow")
        .trip("no-flow-trip", below(flow, 1.0), &[HEATER]);
    assert_eq!(asked.of("little-flow").by_starts, [OutputId::new(RETURN)]);
    assert_eq!(asked.of("no-flow").by_starts, []);
    assert_eq!(asked.of("no-flow-trip").by_starts, []);
}

#[test]
fn a_hold_explains_what_it_takes_away_and_nothing_urgent() {
    let asked = Asked::new(plan())
        .when("cold", below(TEMPERATURE, 24.0))
        .when("warm", above(TEMPERATURE, 27.0))
        .with("futile", AlarmSource::FutileHeat)
        .when("low", below(SUMP_LEVEL, -80.0))
        .when("high", above(SUMP_LEVEL, 80.0))
        .when_any("off-its-mark", vec![below(SUMP_LEVEL, -80.0), above(SUMP_LEVEL, 80.0)])
        .when("float-dry", contact(FLOAT_HIGH, false))
        .when("float-wet", contact(FLOAT_HIGH, true))
        .when("late-top-off", Condition::TopOff { top_off: TopOffId::new(0), fact: TopOffFact::Overdue })
        .when("very-low", below(SUMP_LEVEL, -100.0))
        .urgent("very-low")
        .with("level-lost", AlarmSource::SignalLost(SignalId::new(SUMP_LEVEL)));
    // A water change pauses top-off, heater and return pump; hands in the water powerhead and heater; feeding the pump.
    for name in ["cold", "futile"] {
        assert_eq!(asked.holds(name), ["water-change", "hands-in"], "{name}");
    }
    for name in ["low", "float-dry"] {
        assert_eq!(asked.holds(name), ["water-change", "feeding"], "{name}");
    }
    assert_eq!(asked.holds("late-top-off"), ["water-change"]);
    for name in ["warm", "high", "off-its-mark", "float-wet", "very-low", "level-lost"] {
        assert_eq!(asked.holds(name), NONE, "{name}");
    }
}

#[test]
fn a_hold_explains_a_trip_for_want_of_water_only_where_it_pauses_all_that_the_trip_turns_off() {
    let asked = Asked::new(plan())
        .trip("dry", below(SUMP_LEVEL, -95.0), &[RETURN])
        .trip("dry-heater", below(SUMP_LEVEL, -95.0), &[RETURN, HEATER])
        .trip("dry-fan", below(SUMP_LEVEL, -95.0), &[RETURN, FAN])
        .urgent("dry-heater")
        .trip("brim", above(SUMP_LEVEL, 95.0), &[RETURN]);
    assert_eq!(asked.holds("dry"), ["water-change", "feeding"]);
    assert_eq!(asked.holds("dry-heater"), ["water-change"], "what would be turned off is off, however urgent");
    assert_eq!(asked.holds("dry-fan"), NONE);
    assert_eq!(asked.holds("brim"), NONE);
}

#[test]
fn no_hold_explains_doses_that_are_behind_and_a_dead_pump_does() {
    let fact = |fact| Condition::Dosing { doser: crate::control::ids::DoserId::new(0), fact };
    let pump = dosing::PUMPS[0];
    let asked = Asked::new(dosing::lagoon())
        .when("behind", fact(DosingFact::Behind))
        .when("container", fact(DosingFact::LowContainer))
        .with("pump-silent", not_proven(pump));
    assert_eq!(asked.causes("behind"), ["pump-silent"]);
    assert_eq!(asked.causes("container"), NONE);
    assert_eq!(asked.holds("behind"), NONE);
    for name in ["behind", "container", "pump-silent"] {
        assert_eq!(asked.of(name).outputs, [OutputId::new(pump)], "{name}");
    }
}

#[test]
fn an_alarm_tells_what_was_done_with_what_it_is_about() {
    let drain = DrainBackPlan { pump: OutputId::new(RETURN), level: SignalId::new(SUMP_LEVEL), most: None };
    let mut plan = plan();
    plan.drain_back = Some(drain);
    let dry = InterlockId::new(2);
    let of = |outputs: &[usize]| outputs.iter().map(|output| OutputId::new(*output)).collect::<Vec<_>>();
    let asked = Asked::new(plan)
        .when("cold", below(TEMPERATURE, 24.0))
        .when("pump-off", is(RETURN, OutputFact::ProvenOff))
        .when_any("pump-idle", vec![is(RETURN, OutputFact::ProvenOff), draws(RETURN, Side::Below, 5.0)])
        .with("trip", AlarmSource::Trip(dry))
        .with("trips-often", AlarmSource::TripsOften(dry))
        .with("drained-back", AlarmSource::DrainBack)
        .with("unexplained", AlarmSource::Drift(DriftSource::Unexplained))
        .with("foreign", AlarmSource::ForeignSwitch(OutputId::new(FAN)))
        .with("bypassed", AlarmSource::Bypassed);
    for (name, outputs, about) in [
        ("cold", of(&[HEATER, CHILLER]), Some(TEMPERATURE)),
        ("unexplained", of(&[HEATER, CHILLER]), Some(TEMPERATURE)),
        ("pump-off", of(&[RETURN]), None),
        ("pump-idle", of(&[RETURN]), None),
        ("trip", of(&[RETURN]), Some(SUMP_LEVEL)),
        ("trips-often", of(&[RETURN]), None),
        ("drained-back", of(&[RETURN]), Some(SUMP_LEVEL)),
        ("foreign", of(&[FAN]), None),
        ("bypassed", of(&[]), None),
    ] {
        assert_eq!(asked.of(name).outputs, outputs, "{name}");
        assert_eq!(asked.of(name).signal, about.map(SignalId::new), "{name}");
    }
}

#[test]
fn nobody_silences_what_is_urgent_a_float_a_leak_a_cut_off_a_forgotten_hold_or_lost_memory() {
    let mut asked = Asked::new(plan())
        .with("cutoff", AlarmSource::Trip(InterlockId::new(0)))
        .with("float", AlarmSource::Trip(InterlockId::new(1)))
        .with("dry", AlarmSource::Trip(InterlockId::new(2)))
        .with("leak", AlarmSource::Trip(InterlockId::new(3)))
        .with("overdue", AlarmSource::HoldOverdue(HoldId::new(0)))
        .with("damaged", AlarmSource::StateDamaged)
        .when("cold", below(TEMPERATURE, 24.0))
        .when("float-wet", contact(FLOAT_HIGH, true))
        .when("very-cold", below(TEMPERATURE, 22.0))
        .urgent("very-cold");
    for (name, why) in [
        ("cutoff", Some("it tells of a heater's cut-off")),
        ("float", Some("it tells of a float or a leak")),
        ("dry", None),
        ("leak", Some("it tells of a float or a leak")),
        ("overdue", Some("it tells of a forgotten hold")),
        ("damaged", Some("it tells that what safety rests on is lost")),
        ("cold", None),
        ("float-wet", None),
        ("very-cold", Some("it is urgent")),
    ] {
        assert_eq!(asked.of(name).guarded, why, "{name}");
    }
    // What a keeper may bypass is no cut-off, nor is one that leaves the heater alone.
    asked.plan.interlocks[2].bypassable = false;
    assert_eq!(asked.of("dry").guarded, None);
    asked.plan.interlocks[0].bypassable = true;
    assert_eq!(asked.of("cutoff").guarded, None);
}

//! What is watched for drift: read from `drift:`, the rest from litres, watts and the limits of the tank's alarms.
//!
//! | name | priority | raised | source of the number |
//! | --- | --- | --- | --- |
//! | `<water temperature>-unexplained` | high | 0.3 K beyond what runs explains, 0.2 K/h forgiven in 90 L | D3, simulated |
//! | `<signal>-nears-limit` | medium | a limit nearer than 4 h (salinity 4 d, level 12 h, pH 6 h), once in 12 h | D3, PICK |
//! | `<signal>-unusual` | low | beyond what is usual at this hour, once in 12 h | D3, PICK |
//! | `<water temperature>-warm-spell` | low | that, too warm, while the heater ran less than 5 % of 24 h, once a day | D3 |
//! | `<signal>-probes-drift` | medium | a difference of probes moved by 0.3 K since it was commissioned | D4 |
//! | `<water temperature>-far-apart` | high | probes 1 K apart for 2 min | D4 |
//!
//! Watched are the water of the temperature loop, salinity, pH, and a level that no pump tops off: one that is topped
//! off goes up and down all day, and has detectors of its own. Salinity has no hours of a day, so its profile is
//! flat; pH swings each day, so a limit counts as near only away from the profile. What only heat explains is
//! temperature, so nothing of the kind is reckoned for salinity, level and pH.

use crate::control::ids::SignalId;
use crate::control::plan::drift::{
    CoursePlan, DriftPlan, DriftSource, NearsPlan, ProbesPlan, UnexplainedPlan, UnusualPlan,
};
use crate::control::plan::{Advice, AlarmPlan, AlarmSource, Priority, Side, TankPlan, ThermostatPlan};
use crate::time::Span;
use crate::units::Quantity;

use super::alarm::{after, new};
use super::read::{Fields, Item};
use super::scope::{self, Scope};
use super::tank::signal_measuring;
use super::words::amount;

const KEYS: [&str; 5] = ["unexplained", "nears_limit", "unusual", "probes", "room"];

/// Forgiven in 90 L, K/h: a room that swings by 2 K moves the slope by 0.15 K/h; smaller tanks follow it faster. [D3]
const FORGIVES_AT_90_LITRES: f64 = 0.20;
/// K. [D3]
const UNEXPLAINED_OVER: f64 = 0.30;
/// Of what the heater makes, K/h, and of [`UNEXPLAINED_OVER`]. [simulated]
const FAST_PART: f64 = 0.4;
const FAST_OVER: f64 = 0.6;
/// K/h for each watt in each litre, glass and rock included. [D2]
const KELVIN_LITRE_PER_WATT_HOUR: f64 = 0.84;
/// The water may be so far outside of the band that the loop holds, K. [D3: 24.70, 25.45 and 26.1]
const BELOW_THE_BAND: f64 = 0.15;
const ABOVE_THE_BAND: f64 = 0.30;
const ABOVE_COOLING: f64 = 0.10;
/// Without cooling, so far above the set point. [D3]
const FLOATING_ABOVE: f64 = 1.1;

/// Reads `drift:`; the limits come when all alarms are known ([`settle`]).
pub(super) fn drift(item: Option<&Item>, plan: &TankPlan, scope: &Scope) -> DriftPlan {
    if item.is_some_and(|item| item.is_word("none")) {
        return DriftPlan::default();
    }
    let fields = item.and_then(|item| item.fields(&KEYS));
    let part = |key: &str| fields.as_ref().and_then(|fields| fields.get(key));
    let is_off = |key: &str| part(key).is_some_and(|item| item.is_word("none"));
    let of = |key: &str, keys: &[&'static str]| part(key).filter(|_| !is_off(key)).and_then(|item| item.fields(keys));
    let kelvin = |fields: &Option<Fields>, key: &str, least: f64, most: f64| {
        fields.as_ref()?.get(key)?.amount(Quantity::TemperatureDifference, least, most)
    };
    let unexplained = of("unexplained", &["over", "forgives_an_hour"]);
    let over = kelvin(&unexplained, "over", 0.1, 2.0).unwrap_or(UNEXPLAINED_OVER);
    let forgives = kelvin(&unexplained, "forgives_an_hour", 0.05, 2.0).unwrap_or_else(|| forgives(plan.water.litres()));
    let unexplained = UnexplainedPlan { over, forgives, fast: fast(plan, over, forgives) };
    let nears = of("nears_limit", &["within"]);
    let within = nears.and_then(|fields| fields.get("within")?.span(Span::from_minutes(30), Span::from_hours(24)));
    if let Some(item) = part("unusual").filter(|_| !is_off("unusual")) {
        item.wrong("this is learned, and has no numbers\nwrite `unusual: none`, or leave it out");
    }
    let probes = of("probes", &["by", "apart"]);
    let by = kelvin(&probes, "by", 0.1, 5.0).unwrap_or(0.3);
    let apart = kelvin(&probes, "apart", 0.3, 10.0).unwrap_or(1.0);
    let room = part("room").and_then(|item| signal_measuring(&item, Quantity::Temperature, scope));
    let topped_off = |id: SignalId| plan.top_offs.iter().any(|top_off| top_off.gauge.signal() == id);
    let courses = plan.signals.iter().enumerate().filter_map(|(at, signal)| {
        let id = SignalId::new(at);
        let loop_ = plan.thermostat.as_ref().filter(|loop_| loop_.signal == id);
        let mut course = course(id, signal.quantity, loop_, topped_off(id))?;
        if let (Some(nears), Some(within), Some(_)) = (&mut course.nears, within, loop_) {
            nears.within = within;
        }
        course.nears = course.nears.filter(|_| !is_off("nears_limit"));
        course.unusual = course.unusual.filter(|_| !is_off("unusual"));
        (course.nears.is_some() || course.unusual.is_some()).then_some(course)
    });
    let watched = plan.signals.iter().enumerate().filter(|(_, signal)| signal.probes.len() > 1);
    let sets = watched.filter_map(|(at, signal)| {
        let signal_id = SignalId::new(at);
        let is_loop = plan.thermostat.as_ref().is_some_and(|loop_| loop_.signal == signal_id);
        let by = match signal.quantity {
            Quantity::Temperature => by,
            // [choice]
            Quantity::Salinity => 0.5,
            Quantity::Ph => 0.1,
            Quantity::Level => 3.0,
            _ => return None,
        };
        Some(ProbesPlan { signal: signal_id, by, apart: is_loop.then_some(apart) })
    });
    DriftPlan {
        unexplained: (plan.thermostat.is_some() && !is_off("unexplained")).then_some(unexplained),
        courses: courses.collect(),
        probes: if is_off("probes") { Vec::new() } else { sets.collect() },
        room: room.or_else(|| the_room(plan)),
        // `stability:` says it, once for days and years.
        warmest_month: None,
    }
}

/// What is forgiven, K/h: the smaller the tank, the faster it follows the room.
fn forgives(litres: f64) -> f64 {
    FORGIVES_AT_90_LITRES * (90.0 / litres.max(1.0)).cbrt()
}

/// For faults as large as the heater: a cumulative sum is quickest for a change of twice what it forgives.
fn fast(plan: &TankPlan, over: f64, forgives: f64) -> Option<(f64, f64)> {
    let heater = plan.thermostat.as_ref()?.heat?.output;
    let watts = plan.outputs[heater.index()].rating?.watts();
    let forgiven = FAST_PART * KELVIN_LITRE_PER_WATT_HOUR * watts / plan.water.litres().max(0.1);
    (forgiven > 1.25 * forgives).then_some((forgiven, FAST_OVER * over))
}

/// A thermometer called after the room.
fn the_room(plan: &TankPlan) -> Option<SignalId> {
    let at = plan.signals.iter().position(|signal| {
        signal.quantity == Quantity::Temperature && signal.name.split('-').any(|word| word == "room")
    });
    at.map(SignalId::new)
}

fn course(
    signal: SignalId,
    quantity: Quantity,
    loop_: Option<&ThermostatPlan>,
    topped_off: bool,
) -> Option<CoursePlan> {
    let nears = |within: u64, spacing: u64, slowest: f64, away: f64| {
        let (within, spacing) = (Span::from_hours(within), Span::from_minutes(spacing));
        Some(NearsPlan { within, spacing, slowest, away })
    };
    let flat = |least_spread: f64| Some(UnusualPlan { least_spread, between: None, floating_above: None });
    // Windows are twelve spacings; numbers but those of temperature are choices.
    let (nears, unusual) = match quantity {
        Quantity::Temperature => {
            let loop_ = loop_?;
            let low = loop_.heat.map_or(loop_.target, |heat| heat.on_at) - BELOW_THE_BAND;
            let high = loop_.heat.map_or(loop_.target, |heat| heat.off_at) + ABOVE_THE_BAND;
            let floating = loop_.cool.map_or(loop_.target + FLOATING_ABOVE, |cool| cool.on_at + ABOVE_COOLING);
            let unusual =
                UnusualPlan { least_spread: 0.08, between: Some((low, high)), floating_above: Some(floating) };
            (nears(4, 5, 0.15, 0.3), Some(unusual))
        }
        Quantity::Salinity => (nears(96, 120, 0.01, 0.3), flat(0.1)),
        Quantity::Ph => (nears(6, 20, 0.02, 0.1), flat(0.03)),
        Quantity::Level if !topped_off => (nears(12, 30, 0.2, 2.0), None),
        _ => return None,
    };
    Some(CoursePlan { signal, low: None, high: None, nears, unusual })
}

/// The alarms that come with what is watched.
pub(super) fn alarms(plan: &TankPlan, alarms: &mut Vec<AlarmPlan>) {
    let drift = &plan.drift;
    let mut raise = |name: &str, suffix: &str, priority, source, [consequence, action]: [&str; 2]| {
        let advice = Advice::new(consequence, action);
        let alarm = new(&format!("{name}-{suffix}"), priority, AlarmSource::Drift(source), advice);
        let apart = matches!(source, DriftSource::FarApart(_));
        alarms.push(if apart { after(alarm, Span::from_minutes(2)) } else { alarm });
    };
    let name = |signal: SignalId| &*plan.signals[signal.index()].name;
    if let (Some(_), Some(thermostat)) = (drift.unexplained, &plan.thermostat) {
        let advice = [
            "The water goes on to a limit, and animals are hurt beyond it.",
            "A heater that does not heat or does not stop, a window, a lid, a pump: look before a limit is reached.",
        ];
        raise(name(thermostat.signal), "unexplained", Priority::High, DriftSource::Unexplained, advice);
    }
    for (at, course) in drift.courses.iter().enumerate() {
        let (signal, is_loop) =
            (name(course.signal), plan.thermostat.as_ref().is_some_and(|l| l.signal == course.signal));
        if course.nears.is_some() {
            let action = match plan.signals[course.signal.index()].quantity {
                Quantity::Temperature => "Help the loop before the limit is reached: it can do no more by itself.",
                Quantity::Level => "Nothing tops this water off: fill up with fresh water, or look for a leak.",
                _ => "Measure with a second instrument, then look at top-off, leaks and doses.",
            };
            let advice = ["At this rate the limit is reached in the time that is told.", action];
            raise(signal, "nears-limit", Priority::Medium, DriftSource::NearsLimit(at), advice);
        }
        if course.unusual.is_some() {
            let advice = [
                "Nothing is wrong yet; what changed may go on.",
                "Find what changed since last week: room, lid, lamp, pump or probe.",
            ];
            raise(signal, "unusual", Priority::Low, DriftSource::Unusual(at), advice);
            if is_loop {
                let advice = [
                    "The water follows the room, and warm water holds less oxygen.",
                    "Open the lid, shade the window, let a fan blow over the water, and look at the top-off reservoir.",
                ];
                raise(signal, "warm-spell", Priority::Low, DriftSource::WarmSpell, advice);
            }
        }
    }
    for (at, probes) in drift.probes.iter().enumerate() {
        let advice = [
            "The tank is kept at what a wrong probe says.",
            "Measure with an independent instrument, then calibrate or change the one that is wrong.",
        ];
        raise(name(probes.signal), "probes-drift", Priority::Medium, DriftSource::ProbesDrift(at), advice);
        if probes.apart.is_some() {
            let advice = [
                "One of them is wrong, or the water is not mixed; the safer of the two counts meanwhile.",
                "Look at the pumps, and measure with another thermometer.",
            ];
            raise(name(probes.signal), "far-apart", Priority::High, DriftSource::FarApart(at), advice);
        }
    }
}

/// Takes the limits from alarms and interlocks, now that all are known; what has none is not near any.
pub(super) fn settle(plan: &mut TankPlan, scope: &Scope) {
    let mut drift = std::mem::take(&mut plan.drift);
    for course in &mut drift.courses {
        let is_loop = plan.thermostat.as_ref().is_some_and(|thermostat| thermostat.signal == course.signal);
        let (mut low, mut high): (Option<f64>, Option<f64>) = (None, None);
        let mut take = |condition: &crate::control::plan::Condition| match scope::compared(condition) {
            Some((signal, Side::Above, limit)) if signal == course.signal => {
                high = Some(high.map_or(limit, |high| high.min(limit)));
            }
            Some((signal, Side::Below, limit)) if signal == course.signal => {
                low = Some(low.map_or(limit, |low| low.max(limit)));
            }
            _ => {}
        };
        for alarm in &plan.alarms {
            if let AlarmSource::Condition(cause) = alarm.source {
                scope.walk(cause, &mut take);
            }
        }
        // A heater's cut-off is no limit of the water: the loop lives close to it in summer.
        if !is_loop {
            plan.interlocks.iter().for_each(|interlock| scope.walk(interlock.cause, &mut take));
        }
        (course.low, course.high) = (low, high);
    }
    plan.alarms.retain(|alarm| match alarm.source {
        AlarmSource::Drift(DriftSource::NearsLimit(at)) => {
            drift.courses[at].low.is_some() || drift.courses[at].high.is_some()
        }
        _ => true,
    });
    plan.drift = drift;
}

/// What raises a drift alarm, for `check`.
pub(super) fn words(plan: &TankPlan, source: DriftSource) -> String {
    let drift = &plan.drift;
    let kelvin = |value: f64| amount(Quantity::TemperatureDifference, value);
    let name = |signal: SignalId| &*plan.signals[signal.index()].name;
    match source {
        DriftSource::Unexplained => drift.unexplained.map_or_else(String::new, |unexplained| {
            format!(
                "the water is {} warmer or colder than what runs explains; {} in an hour are forgiven",
                kelvin(unexplained.over),
                kelvin(unexplained.forgives)
            )
        }),
        DriftSource::NearsLimit(at) => {
            let Some(course) = drift.courses.get(at) else { return String::new() };
            let quantity = plan.signals[course.signal.index()].quantity;
            let limits = course.low.iter().chain(&course.high).map(|limit| amount(quantity, *limit));
            let limits = limits.collect::<Vec<_>>().join(" or ");
            let within = course.nears.map_or(Span::ZERO, |nears| nears.within);
            format!("{} is on its way to {limits} within {within}; at most once in 12 h", name(course.signal))
        }
        DriftSource::Unusual(at) => drift.courses.get(at).map_or_else(String::new, |course| {
            format!("{} is not what it usually is at this hour; at most once in 12 h", name(course.signal))
        }),
        DriftSource::WarmSpell => {
            "the water is warmer than usual and nothing has heated for a day; at most once a day".to_owned()
        }
        DriftSource::ProbesDrift(at) => drift.probes.get(at).map_or_else(String::new, |probes| {
            let by = amount(plan.signals[probes.signal.index()].quantity.difference(), probes.by);
            format!("a probe of {} moved by more than {by} against the others", name(probes.signal))
        }),
        DriftSource::FarApart(at) => drift.probes.get(at).map_or_else(String::new, |probes| {
            format!("the probes of {} are more than {} apart", name(probes.signal), kelvin(probes.apart.unwrap_or(0.0)))
        }),
    }
}

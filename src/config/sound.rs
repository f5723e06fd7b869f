//! Contradictions: each line is well formed, and together they would hurt the animals.
//!
//! Only what no keeper can want is refused here; what is merely unwise is a warning of `check`.

use crate::control::ids::OutputId;
use crate::control::plan::{AlarmSource, Condition, OnUnknown, OutputKind, Side, Switch, TankPlan};
use crate::time::Span;

use super::heat::{Lump, TOO_HOT};
use super::interlock::{Interlock, stops_when_high};
use super::output::Output;
use super::read::{Fields, Item};
use super::scope::{Scope, compared};
use super::setup::{Cutoff, TankFacts};
use super::words::amount;

/// Waves need a second or two; more is pumped into a full tank [PICK].
const LATEST_STOP: Span = Span::from_seconds(30);

/// What was read of one tank.
pub(super) struct Read<'r, 'a> {
    pub(super) fields: &'r Fields<'a>,
    pub(super) plan: &'r TankPlan,
    pub(super) outputs: &'r [Output<'a>],
    pub(super) interlocks: &'r [Interlock<'a>],
    pub(super) scope: &'r Scope,
    pub(super) facts: &'r TankFacts,
}

/// Reports every contradiction.
pub(super) fn check(read: &Read) {
    for (at, output) in read.outputs.iter().enumerate() {
        let id = OutputId::new(at);
        match output.plan.kind {
            OutputKind::Heater => heater(read, id, output),
            OutputKind::TopOff => top_off(read, id, output),
            OutputKind::Doser if output.plan.plug.lease.is_none() => output.item.wrong(
                "a doser on a plug that cannot turn itself off is refused: a dose cannot be taken back\nwrite a `lease` in its plug, or use a plug with a countdown",
            ),
            _ => {}
        }
    }
    alarms(read);
    trips_and_alarms(read);
}

fn heater(read: &Read, id: OutputId, output: &Output) {
    let name = &output.plan.name;
    let written = read.fields.get("interlocks").map_or(0, |item| item.entry_names().len());
    let all: Vec<Cutoff> = read.facts.cutoffs.iter().filter(|cutoff| cutoff.heater == id).copied().collect();
    let trips = |cutoff: &&Cutoff| {
        read.interlocks.get(cutoff.interlock.index()).is_some_and(|found| found.plan.unknown == OnUnknown::Trips)
    };
    let signal =
        read.plan.thermostat.as_ref().map_or("water-temp", |loop_| &*read.plan.signals[loop_.signal.index()].name);
    let cause = format!("{{ any_probe_of: {signal}, over: 26.0 °C, lasting: 10 s, unknown: trips }}");
    if all.is_empty() {
        // An interlock that could not be read may be the one that is missing.
        if written == read.interlocks.len() {
            output.item.wrong(format!(
                "`{name}` has no cut-off: nothing stops it when its relay or the thermostat fails\nwrite under `interlocks`:\n{name}-cutoff: {{ cause: {cause}, effect: {{ off: [{name}] }} }}"
            ));
        }
        return;
    }
    let Some(cutoff) = all.iter().filter(trips).min_by(|a, b| a.limit.celsius().total_cmp(&b.limit.celsius())) else {
        let found = &read.interlocks[all[0].interlock.index()];
        found.cause.wrong(format!(
            "the cut-off of `{name}` does not act when the temperature is lost\nwrite `unknown: trips` in its cause"
        ));
        return;
    };
    let found = &read.interlocks[cutoff.interlock.index()];
    let limit = cutoff.limit.celsius();
    let heat = read.plan.thermostat.as_ref().and_then(|thermostat| thermostat.heat);
    if let Some(heat) = heat.filter(|heat| heat.output == id && limit <= heat.off_at) {
        found.cause.wrong(format!(
            "the cut-off at `{limit:.2} °C` is not above {:.2} °C, where heating ends: it would trip every day\nwrite a limit from {:.2} °C to {:.2} °C",
            heat.off_at,
            heat.off_at + 0.3,
            TOO_HOT - 0.5
        ));
    }
    let lump = Lump { litres: read.plan.water.litres(), pump_watts: 0.0 };
    let watts = output.plan.rating.map_or(0.0, crate::units::Power::watts);
    let stale = read.plan.signals[cutoff.signal.index()].probes.iter();
    let stale = stale.map(|probe| read.plan.probes[probe.index()].stale_after).max().unwrap_or(Span::ZERO);
    let lease = output.plan.plug.lease.map_or(Span::ZERO, |lease| lease.lasts);
    let late = cutoff.lasting.plus(stale).plus(lease);
    let reached = limit + lump.fastest_rise(watts) * late.hours();
    if limit > TOO_HOT - 0.5 {
        found.cause.wrong(format!(
            "the cut-off at `{limit:.2} °C` leaves no margin to {TOO_HOT} °C, where harm begins\nwrite a limit of {:.2} °C or less",
            TOO_HOT - 0.5
        ));
    } else if reached > TOO_HOT {
        found.cause.wrong(format!(
            "`{name}` could take the tank to {reached:.1} °C before the cut-off acts: {watts} W in {:.0} L rise by {:.1} K/h, and it acts after {late} at the latest\nwrite a shorter `lasting`, `stale_after` or lease, or fit a smaller heater",
            read.plan.water.litres(),
            lump.fastest_rise(watts)
        ));
    }
}

/// A top-off is stopped by high water and by losing sight of it; without a lease its reservoir is small.
///
/// A plug that cannot turn itself off would go on if the daemon or the broker died during a run. It is
/// allowed where the file says so (`lease: none`) and where the whole reservoir at once does no harm: a
/// tenth of the water takes 35 psu to 31.8.
fn top_off(read: &Read, id: OutputId, output: &Output) {
    let name = &output.plan.name;
    let written = read.fields.get("interlocks").map_or(0, |item| item.entry_names().len());
    let stoppers: Vec<(&Interlock, Span)> = read
        .interlocks
        .iter()
        .filter(|found| found.plan.effects.contains(&(id, Switch::Off)))
        .filter_map(|found| Some((found, stops_when_high(found.plan.cause, read.scope)?)))
        .collect();
    if let Some((first, _)) = stoppers.first() {
        let quickest =
            stoppers.iter().filter(|(found, _)| found.plan.unknown == OnUnknown::Trips).min_by_key(|(_, after)| *after);
        match quickest {
            None => first.cause.wrong(format!(
                "`{name}` would go on when the float or the level is lost\nwrite `unknown: trips` in this cause"
            )),
            Some((found, after)) if *after > LATEST_STOP => found.cause.wrong(format!(
                "`{name}` would pump on for `{after}` into water that is too high\nwrite `lasting: {LATEST_STOP}` or less"
            )),
            Some(_) => {}
        }
    } else if written == read.interlocks.len() {
        output.item.wrong(format!(
            "`{name}` has no stop at high water: it could empty its reservoir into the tank\nwrite under `interlocks`:\n{name}-high: {{ cause: {{ signal: high-float, is: wet, lasting: 1 s, unknown: trips }}, effect: {{ off: [{name}] }}, latch: always }}"
        ));
    }
    let most = read.plan.water.litres() / 10.0;
    if output.plan.plug.lease.is_some() || output.binding.command.topic.is_empty() {
        return;
    }
    match output.reservoir {
        _ if !output.lease_declined => output.item.wrong(format!(
            "`{name}` is on a plug without lease: it would run on if the daemon or the broker died\nwrite a `lease` in its plug; where the plug cannot: `lease: none` and `reservoir:` of {most:.1} L or less"
        )),
        None => output.item.wrong(format!(
            "`{name}` is on a plug without lease, and nothing says how much it can empty into the tank\nwrite `reservoir:` of {most:.1} L or less, a tenth of the water"
        )),
        Some(reservoir) if reservoir.litres() > most => output.item.wrong(format!(
            "`{name}` is on a plug without lease and could empty {reservoir} into {:.0} L\nuse a reservoir of {most:.1} L or less, a tenth of the water, or a plug with a lease",
            read.plan.water.litres()
        )),
        Some(_) => {}
    }
}

/// The set point lies between the alarms of its own signal, and the cut-off comes before the last of them.
fn alarms(read: &Read) {
    let Some(thermostat) = &read.plan.thermostat else { return };
    let place = |name: &str| alarm_place(read, name).or_else(|| read.fields.get("temperature"));
    for alarm in &read.plan.alarms {
        let AlarmSource::Condition(condition) = alarm.source else { continue };
        let Some((signal, side, limit)) = alone(read.scope, condition) else { continue };
        if signal != thermostat.signal {
            continue;
        }
        let wrong = match side {
            Side::Above => limit <= thermostat.target,
            Side::Below => limit >= thermostat.target,
        };
        if wrong && let Some(place) = place(&alarm.name) {
            let (word, than) = if side == Side::Above { ("over", "above") } else { ("under", "below") };
            place.wrong(format!(
                "`{}` would be raised at the set point itself: {word} {limit:.2} °C, set point {:.2} °C\nwrite a limit {than} {:.2} °C",
                alarm.name, thermostat.target, thermostat.target
            ));
        }
        // The alarms that come with the set point move with it; what the keeper wrote must fit.
        let written = alarm_place(read, &alarm.name).is_some();
        let urgent = side == Side::Above && alarm.priority == crate::control::plan::Priority::Urgent;
        for cutoff in &read.facts.cutoffs {
            let late = (limit..=TOO_HOT - 0.5).contains(&cutoff.limit.celsius()) && cutoff.signal == signal;
            let late = late && cutoff.limit.celsius() > limit;
            if side == Side::Above
                && late
                && (urgent || written)
                && let Some(found) = read.interlocks.get(cutoff.interlock.index())
            {
                found.cause.wrong(format!(
                    "the cut-off at `{:.2} °C` comes after the alarm `{}` at {limit:.2} °C: the heater must be off before anybody is called\nwrite a lower limit here, or a higher one there",
                    cutoff.limit.celsius(),
                    alarm.name
                ));
            }
        }
    }
}

fn alarm_place<'a>(read: &Read<'_, 'a>, name: &str) -> Option<Item<'a>> {
    let alarms = read.fields.get("alarms").filter(Item::is_map)?;
    Fields::checked(alarms).get(name)
}

fn alone(scope: &Scope, id: crate::control::ids::ConditionId) -> Option<(crate::control::ids::SignalId, Side, f64)> {
    let mut found = None;
    scope.alone(id, &mut |condition: &Condition, _| found = found.or(compared(condition)));
    found
}

/// A warning on the same signal and side must come before the trip, except a heater's cut-off, which is
/// itself the first alarm.
fn trips_and_alarms(read: &Read) {
    for (at, interlock) in read.interlocks.iter().enumerate() {
        if read.facts.cutoffs.iter().any(|cutoff| cutoff.interlock.index() == at) {
            continue;
        }
        let Some((signal, side, trip)) = alone(read.scope, interlock.plan.cause) else { continue };
        let shown = |value| amount(read.plan.signals[signal.index()].quantity, value);
        for alarm in &read.plan.alarms {
            let AlarmSource::Condition(condition) = alarm.source else { continue };
            let Some((of, on, limit)) = alone(read.scope, condition) else { continue };
            let after = match side {
                Side::Above => limit > trip,
                Side::Below => limit < trip,
            };
            if of == signal
                && on == side
                && after
                && let Some(place) = alarm_place(read, &alarm.name)
            {
                place.wrong(format!(
                    "`{}` at `{}` comes after `{}` trips at `{}`: a warning that never comes first\nmove the alarm before the trip, or remove it: a trip raises its own alarm",
                    alarm.name,
                    shown(limit),
                    interlock.plan.name,
                    shown(trip)
                ));
            }
        }
    }
}

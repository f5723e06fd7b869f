//! Alarms: those that come with every signal, output, interlock and hold, and those of the keeper.
//!
//! | name | priority | raised | source of the number |
//! | --- | --- | --- | --- |
//! | `<water temperature>-high`, `-low` | high | 1.5 K over, 1 K under the set point for 10 min | PICK |
//! | `<water temperature>-very-high`, `-very-low` | urgent | 3 K over, 2.5 K under for 1 min | PICK |
//! | `<signal>-lost` | high (water temperature, floats), else medium | no usable value for 1 min | PICK |
//! | `<probe>-lost` | medium | one of several probes bad for 2 min | PICK |
//! | `<signal>-disagree` | medium | at once: the vote has waited already | PICK |
//! | `<output>-not-proven` | by kind | 10 s after the time for the proof (pumps 50 s) | PICK |
//! | `<output>-foreign-switch` | high | at once | PICK |
//! | `<heater>-no-rise` | high | on for 4 h with a quarter of the rise that its watts give | D1 |
//! | `<heater>-starts-often`, chiller | medium | 12 starts in an hour, 6 of a chiller: the next one waits | C3 |
//! | `changeovers` | medium | more than 2 between heating and cooling in an hour | F49 |
//! | `<cut-off>-often` | high | tripped more than 3 times in 24 h | PICK |
//! | `<output>-conflict` | high | more than 3 corrections in 2 min, until 10 min quiet | F33 |
//! | `<pump>-restarts` | high | its plug restarted more than 3 times in 24 h | F29 |
//! | `<output>-boots-wrong` | medium | its plug came back in another state than `boots:` | F28 |
//! | `<output>-lease-outlived` | high | on, its lease over, nothing refreshed it | PICK |
//! | `<interlock>-trip` | the interlock's | at once | |
//! | `<hold>-overdue` | high | at the deadline | PICK |
//! | `<top-off>-budget` | medium | the day's budget was reached twice in a week | PICK |
//! | `<top-off>-too-often` | medium | refills come faster: cumulative sum, or two under 35 % of the usual time | simulated |
//! | `<top-off>-overdue` | medium | none for 3 times as long as usual, for 6 h more | PICK |
//! | `<top-off>-leak`, `-burst` | high, urgent | the level falls by itself faster than `leak_over`, `burst_over` | PICK |
//! | `<top-off>-restless` | medium | the level is not quiet for 30 min, so nothing is topped off | PICK |
//! | `<return pump>-drain-back` | medium | a fifth and 3 mm more than usual ran back, or over `drain_back_under` | PICK |
//! | `proofs-due`, `proof-failed` | low, medium | a proof test is overdue; one failed and was not proven since | F16 |
//! | `bypassed` | medium | while a person has set an interlock aside; told again each 4 h | F74 |
//! | by power and flow, and by drift | | see `power`, `flow` and `drift` | |
//! | by dosing, and by lights | | see `dosing` and `lights` | |
//! | `clock-jumped`, `state-damaged` | medium, high | at once | PICK |
//!
//! Each says what happens if nobody acts (`consequence:`) and what to do (`action:`); `latch: yes` keeps it until reset.
//! An entry of the same name in the file changes what it says and leaves the rest; `none` removes it, but
//! not where it tells of a trip.

use crate::control::ids::{HoldId, InterlockId, Name, OutputId, ProbeId, SignalId, TopOffId};
use crate::control::plan::{
    Advice, AlarmPlan, AlarmSource, Condition, Doubtful, Estimate, Fitted, Latch, OutputKind, OutputPlan, Priority,
    Side, TankPlan, TopOffFact,
};
use crate::time::Span;
use crate::units::Quantity;

use super::condition::{self, Use};
use super::kinds::{Measures, not_proven_priority, usual_deadband};
use super::read::Item;
use super::scope::Scope;
use super::{flow, power};

const KEYS: [&str; 7] = ["when", "priority", "on_delay", "off_delay", "latch", "consequence", "action"];

/// Above and below the set point, K.
const HIGH: f64 = 1.5;
const VERY_HIGH: f64 = 3.0;
const LOW: f64 = 1.0;
const VERY_LOW: f64 = 2.5;

/// Whether the rest of the file was read without a problem, so that all alarms that come with it are known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Rest {
    /// Every name that is not known now is a mistake.
    Sound,
    /// A name that is not known may belong to what could not be read.
    Wrong,
}

/// All alarms of a tank whose other parts are read.
pub(super) fn alarms(file: Option<&Item>, plan: &TankPlan, scope: &Scope, rest: Rest) -> Vec<AlarmPlan> {
    let mut alarms = usual(plan, scope);
    for (name, item) in file.map(Item::named).unwrap_or_default() {
        let at = alarms.iter().position(|alarm| alarm.name == name);
        let may_belong = at.is_none() && rest == Rest::Wrong;
        if item.is_word("none") && may_belong {
            continue;
        }
        if item.is_word("none") {
            remove(&mut alarms, at, &name, &item);
            continue;
        }
        let Some(fields) = item.fields(&KEYS) else { continue };
        let when = fields.get("when").map(|item| condition::read(&item, scope, Use::Alarm));
        let priority = fields.get("priority").map(|item| item.word(&Priority::WORDS));
        let on_delay = fields.get("on_delay").and_then(|item| item.span(Span::ZERO, Span::from_hours(48)));
        let off_delay = fields.get("off_delay").and_then(|item| item.span(Span::ZERO, Span::from_hours(48)));
        let consequence = fields.get("consequence").and_then(|item| item.text().map(str::to_owned));
        let action = fields.get("action").and_then(|item| item.text().map(str::to_owned));
        let latches = fields.get("latch").and_then(|item| item.word(&[(true, "yes"), (false, "no")]));
        // An adjustment of an alarm that comes with a signal, if what could not be read brings it along.
        let adjusts = scope.signals.iter().any(|signal| name.starts_with(&format!("{}-", signal.name)));
        let is_whole = when.is_some() && priority.is_some() && consequence.is_some() && action.is_some();
        if may_belong && (when.is_none() || (adjusts && !is_whole)) {
            continue;
        }
        let alarm = if let Some(at) = at {
            &mut alarms[at]
        } else {
            let whole = [
                fields.need("when", "{ signal: salinity, over: 36 psu }"),
                fields.need("priority", "medium"),
                fields.need("consequence", "What happens if nobody acts."),
                fields.need("action", "What to do."),
            ];
            let (Some(Some(condition)), [Some(_), Some(_), Some(_), Some(_)]) = (when, whole) else { continue };
            alarms.push(new(&name, Priority::Medium, AlarmSource::Condition(condition), Advice::default()));
            alarms.last_mut().expect("an alarm was pushed just now")
        };
        if let Some(Some(condition)) = when {
            if matches!(alarm.source, AlarmSource::Condition(_)) {
                alarm.source = AlarmSource::Condition(condition);
            } else {
                item.wrong(format!("`{name}` is raised by the daemon itself\nremove `when`, or choose another name"));
            }
        }
        alarm.priority = priority.flatten().unwrap_or(alarm.priority);
        alarm.on_delay = on_delay.unwrap_or(alarm.on_delay);
        alarm.off_delay = off_delay.unwrap_or(alarm.off_delay);
        alarm.latches = latches.unwrap_or(alarm.latches);
        if let Some(consequence) = consequence {
            alarm.advice.consequence = consequence;
        }
        if let Some(action) = action {
            alarm.advice.action = action;
        }
    }
    alarms
}

fn remove(alarms: &mut Vec<AlarmPlan>, at: Option<usize>, name: &Name, item: &Item) {
    match at {
        None => item.wrong(format!("there is no alarm `{name}` to remove")),
        Some(at) if matches!(alarms[at].source, AlarmSource::Trip(_)) => {
            item.wrong("a trip is never silent\nremove this line; `priority: low` makes it quieter");
        }
        Some(at) => drop(alarms.remove(at)),
    }
}

pub(super) fn new(name: &str, priority: Priority, source: AlarmSource, advice: Advice) -> AlarmPlan {
    AlarmPlan {
        name: Name::new(name),
        priority,
        source,
        on_delay: Span::ZERO,
        off_delay: Span::from_minutes(1),
        latches: false,
        advice,
    }
}

pub(super) fn after(mut alarm: AlarmPlan, on_delay: Span) -> AlarmPlan {
    alarm.on_delay = on_delay;
    alarm
}

fn usual(plan: &TankPlan, scope: &Scope) -> Vec<AlarmPlan> {
    let mut alarms = Vec::new();
    of_thermostat(plan, scope, &mut alarms);
    of_signals(plan, scope, &mut alarms);
    of_outputs(plan, &mut alarms);
    of_top_offs(plan, scope, &mut alarms);
    super::dosing::alarms(plan, scope, &mut alarms);
    super::lights::alarms(plan, scope, &mut alarms);
    if let Some(drain_back) = plan.drain_back {
        let advice = Advice::new(
            "At the next power cut the sump may overflow.",
            "Look at the siphon break above the water line: algae close its hole. Look at the overflow, and how high the sump would stand in a power cut.",
        );
        let name = format!("{}-drain-back", plan.outputs[drain_back.pump.index()].name);
        alarms.push(new(&name, Priority::Medium, AlarmSource::DrainBack, advice));
    }
    power::alarms(plan, scope, &mut alarms);
    flow::alarms(plan, scope, &mut alarms);
    super::drift::alarms(plan, &mut alarms);
    for (at, interlock) in plan.interlocks.iter().enumerate() {
        let source = AlarmSource::Trip(InterlockId::new(at));
        alarms.push(new(&format!("{}-trip", interlock.name), interlock.priority, source, interlock.advice.clone()));
        if matches!(interlock.latch, Latch::WhenProven { .. }) {
            let source = AlarmSource::TripsOften(InterlockId::new(at));
            let advice = Advice::new(
                "It trips and comes back, and its relay wears out until it sticks.",
                "Compare the thermometers, and look at the heater's relay and the room.",
            );
            alarms.push(new(&format!("{}-often", interlock.name), Priority::High, source, advice));
        }
    }
    for (at, hold) in plan.holds.iter().enumerate() {
        let source = AlarmSource::HoldOverdue(HoldId::new(at));
        let advice = Advice::new(
            "Outputs stay paused: nothing that it paused comes back by itself.",
            "Finish and release it, or begin it again.",
        );
        alarms.push(new(&format!("{}-overdue", hold.name), Priority::High, source, advice));
    }
    if plan.interlocks.iter().any(|interlock| interlock.bypassable) {
        let advice = Advice::new(
            "An interlock is set aside, and does not protect until the bypass ends.",
            "Mend its cause, and end the bypass by `slackwater bypass NAME --end`.",
        );
        alarms.push(new("bypassed", Priority::Medium, AlarmSource::Bypassed, advice));
    }
    let advice =
        Advice::new("Nobody knows whether an untested safeguard works.", "Do the proof tests by `slackwater prove`.");
    alarms.push(new("proofs-due", Priority::Low, AlarmSource::ProofsDue, advice));
    let advice = Advice::new(
        "A safeguard or a binding is not what it should be.",
        "Mend it, then prove it again by `slackwater prove`.",
    );
    alarms.push(new("proof-failed", Priority::Medium, AlarmSource::ProofFailed, advice));
    alarms.push(new(
        "clock-jumped",
        Priority::Medium,
        AlarmSource::ClockJumped,
        Advice::new(
            "Schedules follow the new time: lights and whatever else goes by the day come at the wrong hour.",
            "Look whether the machine has a time source, then acknowledge.",
        ),
    ));
    alarms.push(new(
        "state-damaged",
        Priority::High,
        AlarmSource::StateDamaged,
        Advice::new("Latches are taken as set, budgets as spent, and pumps are left as found: no heat and no top-off until somebody looked.", "Look at the tank, then acknowledge and reset."),
    ));
    alarms
}

fn of_thermostat(plan: &TankPlan, scope: &Scope, alarms: &mut Vec<AlarmPlan>) {
    let Some(thermostat) = &plan.thermostat else { return };
    let signal = thermostat.signal;
    let name = &plan.signals[signal.index()].name;
    // One probe that tells the truth is enough to be warned: hot by the highest, cold by the lowest.
    let mut limit = |suffix: &str, side, limit: f64, priority, delay, advice: Advice| {
        let estimate = if side == Side::Above { Estimate::Highest } else { Estimate::Lowest };
        let deadband = 2.0 * usual_deadband(Quantity::Temperature);
        let doubtful = Doubtful::Counts;
        let condition =
            scope.add(Condition::Compare { signal, estimate, side, limit, deadband, alone_margin: 0.0, doubtful });
        alarms
            .push(after(new(&format!("{name}-{suffix}"), priority, AlarmSource::Condition(condition), advice), delay));
    };
    let (minute, ten) = (Span::from_minutes(1), Span::from_minutes(10));
    let target = thermostat.target;
    let hot = Advice::new(
        "Warm water holds less oxygen, and the animals need more of it.",
        "Unplug the heater, open the lid, let a fan blow over the water; no ice, and no more than 1 K an hour.",
    );
    let cold = Advice::new(
        "The water goes on cooling, and the animals stop eating.",
        "Look whether the heater draws power and whether its own thermostat is set high enough; warm slowly.",
    );
    limit("high", Side::Above, target + HIGH, Priority::High, ten, hot.clone());
    limit("very-high", Side::Above, target + VERY_HIGH, Priority::Urgent, minute, hot);
    limit("low", Side::Below, target - LOW, Priority::High, ten, cold.clone());
    limit("very-low", Side::Below, target - VERY_LOW, Priority::Urgent, minute, cold);
    if let Some(heater) = thermostat.heat.map(|side| &plan.outputs[side.output.index()])
        && heater.rating.is_some()
    {
        let advice = Advice::new(
            "The water cools, or stays colder than it should be.",
            "Feel the water: the heater's element is dead, its own thermostat set too low, or the room too cold for it.",
        );
        alarms.push(new(&format!("{}-no-rise", heater.name), Priority::High, AlarmSource::FutileHeat, advice));
    }
    if thermostat.heat.is_some() && thermostat.cool.is_some() {
        let advice = Advice::new(
            "Heating and cooling fight: the water swings, and both wear out.",
            "Set `cool_above` higher, and look for sun or a draught.",
        );
        alarms.push(new("changeovers", Priority::Medium, AlarmSource::Changeovers, advice));
    }
}

fn of_signals(plan: &TankPlan, scope: &Scope, alarms: &mut Vec<AlarmPlan>) {
    for (at, signal) in plan.signals.iter().enumerate() {
        let id = SignalId::new(at);
        let loop_of = plan.thermostat.as_ref().filter(|thermostat| thermostat.signal == id);
        let controls = loop_of.is_some();
        let float = matches!(scope.signals[at].measures, Some(Measures::HighFloat | Measures::LowFloat));
        // The only thermometer of a heater: from now on the tank cools, and small ones do so within hours.
        let priority = if loop_of.is_some_and(|thermostat| thermostat.heat.is_some()) && signal.probes.len() == 1 {
            Priority::Urgent
        } else if controls || float {
            Priority::High
        } else {
            Priority::Medium
        };
        let advice = match scope.signals[at].measures {
            _ if controls => Advice::new(
                "Without a temperature the heater stays off and the tank cools.",
                "Look at the probe and its cable.",
            ),
            Some(Measures::HighFloat | Measures::LowFloat) => {
                Advice::new("What needs this float stays off.", "Look at the float and its cable.")
            }
            Some(Measures::Leak) => Advice::new("A leak would not be noticed.", "Look at the probe and its battery."),
            _ => Advice::new("What needs this value waits.", "Look at the probe and its cable."),
        };
        let lost = new(&format!("{}-lost", signal.name), priority, AlarmSource::SignalLost(id), advice);
        alarms.push(after(lost, Span::from_minutes(1)));
        if signal.probes.len() < 2 {
            continue;
        }
        for probe in &signal.probes {
            let name = format!("{}-lost", plan.probes[probe.index()].name);
            let advice = Advice::new(
                "The other probes carry on with less margin, and nothing notices when they are wrong.",
                "Look at the probe and its cable.",
            );
            let lost = new(&name, Priority::Medium, AlarmSource::ProbeLost(ProbeId::new(probe.index())), advice);
            alarms.push(after(lost, Span::from_minutes(2)));
        }
        if signal.disagree.is_some() {
            let advice = Advice::new(
                "One of the probes is wrong, and the tank may be kept by it.",
                "Measure with an independent instrument, then mend or calibrate.",
            );
            alarms.push(new(&format!("{}-disagree", signal.name), Priority::Medium, AlarmSource::Disagree(id), advice));
        }
    }
}

fn of_top_offs(plan: &TankPlan, scope: &Scope, alarms: &mut Vec<AlarmPlan>) {
    use TopOffFact::{Burst, Fast, Leak, OverBudget, Overdue, Quiet};
    let (minutes, hours) = (Span::from_minutes, Span::from_hours);
    for (at, top_off) in plan.top_offs.iter().enumerate() {
        let name = &plan.outputs[top_off.output.index()].name;
        let mut raise = |suffix: &str, fact, priority, delay, advice: Advice| {
            let cause = scope.add(Condition::TopOff { top_off: TopOffId::new(at), fact });
            // It is quiet that is asked for, and unrest that is told.
            let cause = if fact == Quiet { scope.not(cause) } else { cause };
            let alarm = new(&format!("{name}-{suffix}"), priority, AlarmSource::Condition(cause), advice);
            alarms.push(after(alarm, delay));
        };
        let budget = Advice::new(
            "Nothing more is topped off: the water falls and becomes saltier.",
            "Look for a leak, and measure the salinity. Fill up by hand what evaporated; a lid saves more than a larger budget, which only you can write.",
        );
        raise("budget", OverBudget, Priority::Medium, Span::ZERO, budget);
        let fast = Advice::new(
            "If salt water leaves, fresh water replaces it and the salinity falls.",
            "Look for a leak: floor, stand, skimmer, hoses. A fan, an open lid and dry air do the same, and are the usual after some days. Measure the salinity: it falls where salt water leaves.",
        );
        raise("too-often", Fast, Priority::Medium, Span::ZERO, fast);
        let overdue = Advice::new(
            "If the probe sticks, the water falls unseen until a pump runs dry.",
            "Look at the water line and at the probe: does the level move when you lift it? Water may also come from the hose, or the air is humid.",
        );
        raise("overdue", Overdue, Priority::Medium, hours(6), overdue);
        if top_off.still.is_none() {
            continue;
        }
        let leak = Advice::new(
            "The sump runs empty onto the floor, then the pump runs dry.",
            "Look for water on the floor, at hoses, at the skimmer cup. If you took water out, begin a hold next time.",
        );
        raise("leak", Leak, Priority::High, Span::ZERO, leak.clone());
        raise("burst", Burst, Priority::Urgent, Span::ZERO, leak);
        let restless = Advice::new(
            "Nothing is topped off while the level swings: the water falls and becomes saltier.",
            "Look for waves, bubbles at the probe, a loose bracket.",
        );
        raise("restless", Quiet, Priority::Medium, minutes(30), restless);
    }
}

fn of_outputs(plan: &TankPlan, alarms: &mut Vec<AlarmPlan>) {
    for (at, output) in plan.outputs.iter().enumerate() {
        let id = OutputId::new(at);
        // Without report and without a sign of life there is nothing that could fail to prove.
        if output.plug.report == Fitted::Fitted || output.plug.alive == Fitted::Fitted {
            let advice = match output.kind {
                OutputKind::Heater => Advice::new(
                    "If it is stuck on, it cooks the tank; if it is stuck off, the tank cools.",
                    "Unplug the heater if the water is warm; look at the plug and at its radio.",
                ),
                OutputKind::TopOff | OutputKind::Doser => Advice::new(
                    "If it is on, it goes on pumping: no command stops it.",
                    "Pull this plug until it answers again.",
                ),
                OutputKind::ReturnPump | OutputKind::Powerhead => Advice::new(
                    "If it stands, the animals run out of oxygen within hours.",
                    "Look whether the water moves; animals need it within the hour.",
                ),
                _ => Advice::new("It stays as it is, whatever is commanded.", "Look at the plug and at its radio."),
            };
            let name = format!("{}-not-proven", output.name);
            let alarm = new(&name, not_proven_priority(output.kind), AlarmSource::NotProven(id), advice);
            let delay = if output.kind.is_life_support() { 50 } else { 10 };
            alarms.push(after(alarm, Span::from_seconds(delay)));
        }
        let advice = Advice::new(
            "Somebody or something else switches this plug, and two hands on one plug undo each other.",
            "Find out who or what it is.",
        );
        let name = format!("{}-foreign-switch", output.name);
        alarms.push(new(&name, Priority::High, AlarmSource::ForeignSwitch(id), advice));
        of_plug(id, output, alarms);
    }
}

/// What a plug does that no decision made.
fn of_plug(id: OutputId, output: &OutputPlan, alarms: &mut Vec<AlarmPlan>) {
    let mut add = |suffix: &str, priority, source, advice: Advice| {
        alarms.push(new(&format!("{}-{suffix}", output.name), priority, source, advice));
    };
    let (plug, kind) = (&output.plug, output.kind);
    if matches!(kind, OutputKind::Heater | OutputKind::Chiller) {
        let advice =
            Advice::new("It wears out, and the next start waits.", "Make `band` wider, and look at the thermometers.");
        add("starts-often", Priority::Medium, AlarmSource::StartsOften(id), advice);
    }
    let advice =
        Advice::new("Two controllers undo each other: this plug is not under control.", "Turn one of the two off.");
    add("conflict", Priority::High, AlarmSource::Conflict(id), advice);
    let speaks = plug.alive == Fitted::Fitted || plug.uptime == Fitted::Fitted;
    if speaks && plug.report == Fitted::Fitted {
        if kind.is_life_support() {
            let advice = Advice::new(
                "Its plug or its socket fails, and one day the pump stays off.",
                "Change the plug, and look at the socket.",
            );
            add("restarts", Priority::High, AlarmSource::Restarts(id), advice);
        }
        if plug.boots.is_some() {
            let advice = Advice::new(
                "After a power cut it comes back as nobody wants it, and stays so while this daemon is not there.",
                "Set in the plug itself what it does when its power returns, then cut the power once and look.",
            );
            add("boots-wrong", Priority::Medium, AlarmSource::WrongBoot(id), advice);
        }
    }
    if plug.lease.is_some() && plug.report == Fitted::Fitted {
        let advice = Advice::new(
            "Its own countdown does not work: a dead daemon would leave it on.",
            "Pull this plug, then mend or change it.",
        );
        add("lease-outlived", Priority::High, AlarmSource::LeaseOutlived(id), advice);
    }
}

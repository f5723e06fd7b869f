//! The top-off: bounded runs of a pump, with numbers that follow from the tank's own litres and pump.
//!
//! | number | usual | from |
//! | --- | --- | --- |
//! | `start_below` | a 600th of the water below 0, 3 mm at least | PICK: 35 psu changes by 0.06 a run |
//! | `stop_at` | 0 mm, the running level | PICK |
//! | `run` (low float) | has to be written: the float's travel | |
//! | `longest` | twice a usual run, 60 s at most; by a low float the run itself | PICK |
//! | `settle`, `rest` | 60 s, 10 min | PICK |
//! | `per_day` | what takes 35 psu to 34.05; more is refused | CALC: one g/kg |
//! | `per_hour` | a quarter of it | PICK |
//! | `spread` (level) | 2 mm: a level that swings more is not topped off | PICK |
//! | `leak_over` (level) | a tenth of the water in a day, five times a usual evaporation | PICK |
//! | `burst_over` (level) | six tenths of the water in a day | PICK |
//!
//! It brings interlocks along that stay until reset, `<pump>-no-response` and, by a level, `<pump>-siphon`, and the
//! starts `reservoir` and `salinity` where they are written, and `level-quiet` by a level.

mod bounds;
mod by;
mod still;

use crate::control::ids::{Name, OutputId, SignalId, TopOffId};
use crate::control::plan::{
    Advice, Condition, Gauge, InterlockPlan, Latch, OnUnknown, OutputKind, Permissive, Priority, Switch, TankPlan,
    TopOffFact, TopOffPlan,
};
use crate::time::Span;
use crate::units::{Flow, Volume};

use super::condition::{self, Use};
use super::kinds::Measures;
use super::output::Output;
use super::read::{Fields, Item};
use super::scope::Scope;
use super::starts;
use bounds::{day, fits, hour, longest, most_in_a_day, seconds};
use by::{by, salinity};

const KEYS: [&str; 15] = [
    "signal",
    "water_per_mm",
    "start_below",
    "stop_at",
    "run",
    "longest",
    "settle",
    "rest",
    "per_day",
    "per_hour",
    "salinity",
    "reservoir",
    "spread",
    "leak_over",
    "burst_over",
];

/// Flow must have been proven for so long [C4].
const FLOW_FOR: Span = Span::from_minutes(10);

/// What the section brings along.
#[derive(Default)]
pub(super) struct TopOffs {
    pub(super) plans: Vec<TopOffPlan>,
    pub(super) interlocks: Vec<InterlockPlan>,
    needs: Vec<(OutputId, Permissive)>,
}

/// Reads the section.
pub(super) fn top_offs(item: Option<&Item>, outputs: &[Output], litres: f64, scope: &Scope) -> TopOffs {
    let mut read = TopOffs::default();
    let named = item.map(Item::named).unwrap_or_default();
    // All pumps of a tank together have the one day that its water bears.
    let most = most_in_a_day(litres);
    let share = most / f64::from(u16::try_from(named.len().max(1)).unwrap_or(u16::MAX));
    for (name, item) in named {
        let Some(at) = outputs.iter().position(|output| output.plan.name == name) else {
            let pumps: Vec<&str> = scope
                .outputs
                .iter()
                .filter(|known| known.kind == OutputKind::TopOff)
                .map(|known| &*known.name)
                .collect();
            item.wrong(format!(
                "there is no output `{name}`\nwrite the name of a top-off pump: {}",
                super::problem::listed(pumps, "or")
            ));
            continue;
        };
        if outputs[at].plan.kind != OutputKind::TopOff {
            if scope.outputs[at].kind_is_known {
                let kind = outputs[at].plan.kind.word();
                item.wrong(format!("`{name}` is a {kind}, and a top-off is wanted"));
            }
            continue;
        }
        if let Some(plan) = top_off(OutputId::new(at), &item, &outputs[at], (litres, share), scope, &mut read.needs) {
            let id = TopOffId::new(read.plans.len());
            let [no_response, siphon] = interlocks(id, &name, plan.output, scope);
            read.interlocks.push(no_response);
            // A float shows neither rise nor unrest.
            if plan.still.is_some() {
                let condition = scope.add(Condition::TopOff { top_off: id, fact: TopOffFact::Quiet });
                read.needs.push((plan.output, Permissive { name: Name::new("level-quiet"), condition }));
            }
            read.interlocks.extend(matches!(plan.gauge, Gauge::Level { .. }).then_some(siphon));
            read.plans.push(plan);
        }
    }
    let sum: f64 = read.plans.iter().map(|plan| plan.per_day.litres()).sum();
    if let (true, Some(item)) = (sum > most + 1e-9, item) {
        item.wrong(format!(
            "the pumps together may give {sum:.2} L in a day, and more than {most:.2} L would take more than 1 psu off\nwrite smaller `per_day`"
        ));
    }
    read
}

fn top_off(
    output: OutputId,
    item: &Item,
    pump: &Output,
    (litres, share): (f64, f64),
    scope: &Scope,
    needs: &mut Vec<(OutputId, Permissive)>,
) -> Option<TopOffPlan> {
    let fields = item.fields(&KEYS)?;
    let name = &pump.plan.name;
    let delivers = pump.litres_per_minute.and_then(|rate| Flow::from_litres_per_minute(rate).ok());
    if delivers.is_none() && pump.delivers_is_missing {
        item.wrong(format!(
            "nothing says what `{name}` delivers, so no run of it has a measure\nmeasure it with a cylinder and write `delivers: 500 mL/min` in the output"
        ));
    }
    if pump.plan.least_on > Span::ZERO {
        item.wrong(format!("`least_on` would pump on into a full tank\nremove it from `{name}`"));
    }
    let by = by(&fields, litres, scope);
    let (salinity, salt_enough) = salinity(&fields, scope);
    let reservoir = fields.get("reservoir").and_then(|item| condition::read(&item, scope, Use::Permit));
    for (name, condition) in [("reservoir", reservoir), ("salinity", salt_enough)] {
        needs.extend(condition.map(|condition| (output, Permissive { name: Name::new(name), condition })));
    }
    let still = by.as_ref().and_then(|by| still::still(&fields, by, litres));
    let settle = fields.span_or("settle", Span::from_seconds(10), Span::from_minutes(5), Span::from_seconds(60));
    let rest = fields.span_or("rest", Span::from_minutes(6), Span::from_hours(24), Span::from_minutes(10));
    let day = day(&fields, litres, share);
    let hour = hour(&fields, day);
    let high: Vec<SignalId> = scope.measuring(Measures::HighFloat).collect();
    let (by, delivers) = (by?, delivers?);
    if let (Gauge::LowFloat(_), true) = (by.gauge, high.is_empty()) {
        item.wrong("a timed run without a high float floods the tank when the low float sticks dry\nfit a high float, or a level probe");
    }
    let expected = seconds(by.litres / delivers.litres_per_minute() * 60.0);
    let longest = longest(&fields, item, &by, expected);
    let plan = TopOffPlan {
        output,
        wanted: by.wanted,
        gauge: by.gauge,
        high,
        steady: starts::flow_for(scope, FLOW_FOR),
        delivers,
        expected,
        longest,
        settle,
        rest,
        per_day: Volume::from_litres(day).ok()?,
        per_hour: Volume::from_litres(hour).ok()?,
        salinity,
        still,
    };
    fits(&fields, &plan, pump);
    Some(plan)
}

fn interlocks(id: TopOffId, name: &Name, output: OutputId, scope: &Scope) -> [InterlockPlan; 2] {
    let interlock = |suffix: &str, fact, priority, advice: Advice| InterlockPlan {
        name: Name::new(&format!("{name}-{suffix}")),
        cause: scope.add(Condition::TopOff { top_off: id, fact }),
        unknown: OnUnknown::Ignored,
        effects: vec![(output, Switch::Off)],
        latch: Latch::Always,
        restarts: None,
        priority,
        bypassable: false,
        advice,
    };
    [
        interlock(
            "no-response",
            TopOffFact::NoResponse,
            Priority::High,
            Advice::new(
                "Nothing is topped off before a reset: the water falls and becomes saltier. If the hose lies on the floor, the reservoir is there by now.",
                "Look for an empty reservoir, a hose on the floor, air in the pump, a probe that sticks. Then reset it.",
            ),
        ),
        interlock(
            "siphon",
            TopOffFact::Siphon,
            Priority::Urgent,
            Advice::new(
                "The reservoir empties itself into the tank: nothing electrical stops a siphon.",
                "Lift the hose out of the water. Fit an air break, then reset it.",
            ),
        ),
    ]
}

impl TopOffs {
    /// Puts what the section brings along into the plan, and reports what speaks against it.
    pub(super) fn settle(self, plan: &mut TankPlan, fields: &Fields) {
        let at = |section: &str| fields.get(section).unwrap_or_else(|| fields.item.clone());
        for interlock in self.interlocks {
            if plan.interlocks.iter().any(|other| other.name == interlock.name) {
                let text = format!("`{}` comes with `top_off`\ngive this one another name", interlock.name);
                at("interlocks").wrong(text);
            }
            plan.interlocks.push(interlock);
        }
        for (output, need) in self.needs {
            plan.outputs[output.index()].permissives.push(need);
        }
        for top_off in self.plans {
            let (id, name) = (top_off.output, plan.outputs[top_off.output.index()].name.clone());
            for rule in plan.rules.iter().filter(|rule| rule.wishes.contains(&(id, Switch::On))) {
                let text = format!("rule `{}` wishes `{name}` on, and `top_off` looks after it\nremove one", rule.name);
                at("rules").wrong(text);
            }
            if plan.schedules.iter().any(|schedule| schedule.output == id) {
                at("schedules").wrong(format!("`{name}` has a schedule, and `top_off` looks after it\nremove one"));
            }
            let output = &mut plan.outputs[id.index()];
            output.longest_force = output.longest_force.min(top_off.longest);
            plan.top_offs.push(top_off);
        }
    }
}

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
//!
//! It brings interlocks along that stay until reset, `<pump>-no-response` and, by a level, `<pump>-siphon`, and the
//! starts `reservoir` and `salinity` where they are written.

use crate::control::ids::{ConditionId, Name, OutputId, SignalId, TopOffId};
use crate::control::plan::{
    Condition, Doubtful, Estimate, Gauge, InterlockPlan, Latch, OnUnknown, OutputKind, Permissive, Priority, Side,
    Switch, TankPlan, TimerUnknown, TopOffFact, TopOffPlan,
};
use crate::time::Span;
use crate::units::{Flow, Quantity, Volume};

use super::condition::{self, Use};
use super::kinds::Measures;
use super::output::Output;
use super::read::{Fields, Item};
use super::scope::Scope;
use super::starts;

const KEYS: [&str; 12] = [
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
];

/// So much of the water is a usual run [PICK].
const RUN_PART: f64 = 1.0 / 600.0;
/// Less is in a level probe's noise, mm [PICK].
const LEAST_RISE: f64 = 3.0;
/// Fresh water that takes 35 to 34.05, one g/kg with a margin for the rounding of litres, as a part of the water.
const DAY_PART: f64 = 35.0 / 34.05 - 1.0;
/// The level or the float must say so for so long [PICK].
const WANTED_FOR: Span = Span::from_seconds(60);
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
    for (name, item) in item.map(Item::named).unwrap_or_default() {
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
        if let Some(plan) = top_off(OutputId::new(at), &item, &outputs[at], litres, scope, &mut read.needs) {
            let id = TopOffId::new(read.plans.len());
            let [no_response, siphon] = interlocks(id, &name, plan.output, scope);
            read.interlocks.push(no_response);
            // A float shows no rise.
            read.interlocks.extend(matches!(plan.gauge, Gauge::Level { .. }).then_some(siphon));
            read.plans.push(plan);
        }
    }
    read
}

fn top_off(
    output: OutputId,
    item: &Item,
    pump: &Output,
    litres: f64,
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
    let settle = fields.span_or("settle", Span::from_seconds(10), Span::from_minutes(5), Span::from_seconds(60));
    let rest = fields.span_or("rest", Span::from_minutes(6), Span::from_hours(24), Span::from_minutes(10));
    let day = day(&fields, litres);
    let hour = fields.get("per_hour").map_or(Some(day / 4.0), |item| item.amount(Quantity::Volume, 0.001, day));
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
        per_hour: Volume::from_litres(hour?).ok()?,
        salinity,
    };
    fits(&fields, &plan, pump);
    Some(plan)
}

/// What a top-off goes by, and how much a usual run gives.
struct By {
    gauge: Gauge,
    wanted: ConditionId,
    litres: f64,
}

fn by(fields: &Fields, litres: f64, scope: &Scope) -> Option<By> {
    let item = fields.need("signal", "sump-level")?;
    let signal = SignalId::new(item.one_of("signal", &scope.signals)?);
    let known = &scope.signals[signal.index()];
    let (wanted, gauge, run) = match known.measures? {
        Measures::Number(Quantity::Level) => {
            meaningless(fields, &["run"], "a low float");
            let per_mm = fields.need("water_per_mm", "37.5 mL").map(|item| item.amount(Quantity::Volume, 1e-4, 1000.0));
            let (least, greatest) = known.range;
            let limit = |key: &str| fields.get(key).map(|item| item.amount(Quantity::Level, least, greatest));
            let (start, stop) = (limit("start_below"), limit("stop_at"));
            let litres_per_mm = per_mm??;
            let stop_at = stop.unwrap_or(Some(0.0))?;
            let usual = stop_at - (litres * RUN_PART / litres_per_mm).clamp(LEAST_RISE, 15.0);
            let start_below = start.unwrap_or(Some(usual))?;
            if stop_at - start_below < 2.0 {
                fields.get("start_below").unwrap_or(item).wrong(format!(
                    "a run from {start_below:.1} mm to {stop_at:.1} mm is within a probe's noise\nwrite `start_below: {:.1} mm` or less",
                    stop_at - LEAST_RISE
                ));
            }
            let low = Condition::Compare {
                signal,
                estimate: Estimate::Voted,
                side: Side::Below,
                limit: start_below,
                deadband: 0.0,
                alone_margin: 0.0,
                doubtful: Doubtful::IsUnknown,
            };
            (low, Gauge::Level { signal, stop_at, litres_per_mm }, (stop_at - start_below) * litres_per_mm)
        }
        Measures::LowFloat => {
            meaningless(fields, &["water_per_mm", "start_below", "stop_at"], "a level");
            let run = fields.need("run", "0.4 L").map(|item| item.amount(Quantity::Volume, 0.001, litres / 20.0));
            let dry = Condition::Contact { signal, wet: false, doubtful: Doubtful::IsUnknown };
            (dry, Gauge::LowFloat(signal), run??)
        }
        other => {
            item.wrong(format!(
                "`{}` is a {}, and a top-off goes by a level or a low float",
                known.name,
                other.quantity().noun()
            ));
            return None;
        }
    };
    let inner = scope.add(wanted);
    let wanted = scope.add(Condition::Lasting { inner, span: WANTED_FOR, unknown: TimerUnknown::Resets });
    Some(By { gauge, wanted, litres: run })
}

fn meaningless(fields: &Fields, keys: &[&str], where_it_counts: &str) {
    for item in keys.iter().filter_map(|key| fields.get(key)) {
        item.wrong(format!("`{}` means something for {where_it_counts} only\nremove it", item.last_key()));
    }
}

fn salinity(fields: &Fields, scope: &Scope) -> (Option<SignalId>, Option<ConditionId>) {
    let Some(item) = fields.get("salinity") else { return (None, None) };
    let Some(keys) = item.fields(&["signal", "over"]) else { return (None, None) };
    let signal = keys.need("signal", "salinity").and_then(|item| {
        let signal = SignalId::new(item.one_of("signal", &scope.signals)?);
        let known = &scope.signals[signal.index()];
        if known.measures? != Measures::Number(Quantity::Salinity) {
            let noun = known.measures?.quantity().noun();
            item.wrong(format!("`{}` is a {noun}, and a salinity is wanted", known.name));
            return None;
        }
        Some(signal)
    });
    let over = keys.need("over", "34 psu").and_then(|item| item.amount(Quantity::Salinity, 1.0, 45.0));
    let enough = signal.zip(over).map(|(signal, over)| {
        // Not known is no no: it leaves half of the budget.
        let enough = starts::over(scope, signal, over, 0.0);
        let lost = scope.not(scope.known(signal));
        scope.any(vec![enough, lost])
    });
    (signal, enough)
}

fn day(fields: &Fields, litres: f64) -> f64 {
    let most = litres * DAY_PART;
    let Some(item) = fields.get("per_day") else { return most };
    let Some(day) = item.amount(Quantity::Volume, 0.001, 10_000.0) else { return most };
    if day > most {
        item.wrong(format!(
            "{day:.2} L of fresh water in a day would take more than 1 psu off {litres:.0} L\nwrite `per_day: {:.2} L` or less; cover the tank if it evaporates more",
            (most * 100.0).floor() / 100.0
        ));
    }
    day.min(most)
}

fn longest(fields: &Fields, item: &Item, by: &By, expected: Span) -> Span {
    let minute = Span::from_seconds(60);
    let usual = match by.gauge {
        Gauge::Level { .. } => expected.times(2).min(minute),
        Gauge::LowFloat(_) => expected,
    };
    let longest = fields.span_or("longest", Span::from_seconds(1), Span::from_minutes(5), usual);
    if longest < expected {
        fields.get("longest").unwrap_or(item.clone()).wrong(format!(
            "a usual run takes {expected}, and none may last longer than {longest}\nwrite `longest: {expected}` or more, or a smaller run"
        ));
    } else if longest > minute && fields.get("longest").is_none() {
        item.wrong(format!(
            "a run takes {longest}, longer than the minute that needs no word\nwrite `longest: {longest}`, or a smaller run"
        ));
    }
    longest
}

/// A run fits into an hour, and with a lease that nobody ends into a day, even into half of it.
fn fits(fields: &Fields, plan: &TopOffPlan, pump: &Output) {
    let give = |span: Span| span.seconds() / 60.0 * plan.delivers.litres_per_minute();
    let lease = pump.plan.plug.lease.map_or(Span::ZERO, |lease| lease.lasts);
    let (run, all) = (give(plan.longest), give(plan.longest.plus(lease)));
    let at = |key: &str| fields.get(key).unwrap_or_else(|| fields.item.clone());
    if run > plan.per_hour.litres() {
        at("per_hour").wrong(format!(
            "the longest run gives {run:.2} L, and an hour may have {:.2} L: it would never start\nwrite `per_hour: {:.2} L` or more, or a shorter `longest`",
            plan.per_hour.litres(),
            (run * 100.0).ceil() / 100.0
        ));
    }
    let half = if plan.salinity.is_some() { plan.per_day.litres() / 2.0 } else { plan.per_day.litres() };
    if all > half {
        let what = if plan.salinity.is_some() { "half of a day's budget" } else { "a day's budget" };
        at("per_day").wrong(format!(
            "the longest run and the plug's lease give {all:.2} L, and {what} is {half:.2} L: it would never start\nwrite a shorter `longest` or lease, or fit a slower pump"
        ));
    }
}

fn interlocks(id: TopOffId, name: &Name, output: OutputId, scope: &Scope) -> [InterlockPlan; 2] {
    let interlock = |suffix: &str, fact, priority, advice: &str| InterlockPlan {
        name: Name::new(&format!("{name}-{suffix}")),
        cause: scope.add(Condition::TopOff { top_off: id, fact }),
        unknown: OnUnknown::Ignored,
        effects: vec![(output, Switch::Off)],
        latch: Latch::Always,
        priority,
        bypassable: false,
        advice: advice.to_owned(),
    };
    [
        interlock(
            "no-response",
            TopOffFact::NoResponse,
            Priority::High,
            "Look for an empty reservoir, a hose on the floor, air in the pump, a probe that sticks. Then reset it.",
        ),
        interlock(
            "siphon",
            TopOffFact::Siphon,
            Priority::Urgent,
            "Lift the hose out of the water: nothing electrical stops a siphon. Fit an air break, then reset it.",
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

/// Whole seconds, one at least.
fn seconds(seconds: f64) -> Span {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped before")]
    Span::from_seconds(seconds.ceil().clamp(1.0, 1e6) as u64)
}

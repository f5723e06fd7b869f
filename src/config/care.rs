//! What a tank file says of the keeper's side: supplies, chores, spots, and who stands in.
//!
//! Limits: nothing here commands anything, so a wrong word never costs an animal; it is refused all the same.

use crate::care::{
    ChorePlan, Limit, Price, QuietTime, RunSource, SitterPlan, Stuff, SupplyPlan, SupplySource, TankCare,
};
use crate::control::plan::{OutputKind, TankPlan};
use crate::time::{DailyWindow, Span};
use crate::units::{Concentration, Quantity};

use super::condition::windows;
use super::problem::{listed, nearest};
use super::read::{Fields, Item};
use super::setup::{TankFacts, TankSetup};

const SUPPLY_KEYS: [&str; 10] =
    ["holds", "metered_by", "new_water", "tests", "usual", "mean_over", "notice", "price", "lasts", "reserve"];
const LONGEST: Span = Span::from_hours(24 * 365 * 10);
const DAY: Span = Span::from_hours(24);

/// Reads the care of a tank whose plan is read already.
pub(super) fn care(fields: &Fields, plan: &TankPlan, facts: &TankFacts) -> TankCare {
    let mut care = TankCare::empty(&plan.title, plan.zone, plan.water.litres());
    let outputs = Outputs::of(plan, facts);
    for (name, item) in fields.get("supplies").map(|item| item.named()).unwrap_or_default() {
        care.supplies.extend(supply(&name, &item, |item| metered(item, &plan.name, &outputs)));
    }
    for (name, item) in fields.get("chores").map(|item| item.named()).unwrap_or_default() {
        care.chores.extend(chore(&name, &item, &outputs));
    }
    for (name, item) in fields.get("spots").map(|item| item.named()).unwrap_or_default() {
        care.spots.extend(item.text().map(|is| (name.to_string(), is.to_owned())));
    }
    if let Some(keeper) = fields.get("keeper").and_then(|item| item.fields(&["quiet", "sitter", "observes"])) {
        care.quiet = QuietTime(keeper.get("quiet").and_then(|item| windows(&item).first().copied()));
        care.sitter = keeper.get("sitter").map(|item| sitter(&item)).unwrap_or_default();
        care.observation_days =
            keeper.get("observes").and_then(|item| item.span(DAY, Span::from_hours(24 * 365))).map(days_of);
    }
    care.light_seconds = light_seconds(plan);
    care.target = plan.thermostat.as_ref().map(|thermostat| thermostat.target);
    care
}

/// The outputs of a tank, and what each delivers in litres a second.
struct Outputs {
    all: Vec<(String, OutputKind, Option<f64>)>,
}

impl Outputs {
    fn of(plan: &TankPlan, facts: &TankFacts) -> Self {
        let rate = |at: usize| {
            let found = facts.delivers.iter().find(|(output, _)| output.index() == at);
            found.map(|(_, flow)| flow.litres_per_minute() / 60.0)
        };
        let all = plan.outputs.iter().enumerate();
        Self { all: all.map(|(at, output)| (output.name.to_string(), output.kind, rate(at))).collect() }
    }

    fn names(&self) -> Vec<&str> {
        self.all.iter().map(|(name, ..)| name.as_str()).collect()
    }

    /// An output that delivers so much, with its rate.
    fn pump(&self, item: &Item) -> Option<(String, OutputKind, f64)> {
        let (name, kind, rate) = &self.all[item.one_of("output", &self.names())?];
        if rate.is_none() {
            item.wrong(format!("`{name}` does not say what it delivers\nwrite `delivers: 500 mL/min` at the output, measured with a cylinder"));
        }
        Some((name.clone(), *kind, (*rate)?))
    }
}

fn metered(item: &Item, tank: &str, outputs: &Outputs) -> Vec<(String, String, f64, OutputKind)> {
    let read = item.list();
    let pumps = read.iter().filter_map(|item| outputs.pump(item));
    pumps.map(|(name, kind, rate)| (tank.to_owned(), name, rate, kind)).collect()
}

/// The supplies of `shared.yaml`, once the tanks are read.
pub(super) fn shared_supplies(file: Option<&Item>, tanks: &[TankSetup]) -> Vec<SupplyPlan> {
    let item = file.and_then(|file| file.child_of_map("supplies"));
    let mut supplies = Vec::new();
    for (name, item) in item.map(|item| item.named()).unwrap_or_default() {
        if let Some(tank) = tanks.iter().find(|tank| tank.care.supplies.iter().any(|own| *own.name == *name)) {
            item.wrong(format!(
                "tank {} has a supply `{name}` of its own\ngive one of them another name",
                tank.plan.name
            ));
        }
        supplies.extend(supply(&name, &item, |item| {
            let names: Vec<&str> = tanks.iter().map(|tank| &*tank.plan.name).collect();
            let mut metered_by = Vec::new();
            for (tank, item) in item.pairs() {
                if let Some(known) = tanks.iter().find(|known| *known.plan.name == *tank) {
                    metered_by.extend(metered(&item, &tank, &Outputs::of(&known.plan, &known.facts)));
                    continue;
                }
                let fix = nearest(&tank, names.iter().copied()).map_or_else(
                    || format!("known tanks: {}", listed(names.iter().copied(), "and")),
                    |near| format!("did you mean `{near}`?"),
                );
                item.wrong(format!("there is no tank `{tank}`\n{fix}"));
            }
            metered_by
        }));
    }
    supplies
}

type Metered = Vec<(String, String, f64, OutputKind)>;

fn supply(name: &str, item: &Item, metered: impl Fn(&Item) -> Metered) -> Option<SupplyPlan> {
    let fields = item.fields(&SUPPLY_KEYS)?;
    let holds = fields.need("holds", "9 L").and_then(|item| stuff(&item)).filter(|holds| holds.value() > 0.0)?;
    let given = ["metered_by", "new_water", "tests"].into_iter().filter(|key| fields.get(key).is_some()).count();
    if given > 1 {
        item.wrong("its use is known in more than one way\nkeep one of `metered_by`, `new_water` and `tests`");
    }
    let mut top_off = false;
    let source = if let Some(by) = fields.get("metered_by") {
        let outputs = metered(&by);
        top_off = outputs.iter().any(|(.., kind)| *kind == OutputKind::TopOff);
        if !matches!(holds, Stuff::Litres(_)) {
            by.wrong("a pump is counted in litres\nwrite `holds:` as a volume, such as `9 L`");
        }
        SupplySource::Outputs(outputs.into_iter().map(|(tank, output, rate, _)| (tank, output, rate)).collect())
    } else if let Some(item) = fields.get("new_water") {
        let each: Option<Concentration> = item.parsed();
        if !matches!(holds, Stuff::Grams(_)) {
            item.wrong("salt is counted by mass\nwrite `holds:` as a mass, such as `10 kg`");
        }
        SupplySource::WaterChanges(each.map_or(0.0, |each| each.milligrams_per_litre() / 1000.0))
    } else if let Some(item) = fields.get("tests") {
        let read = item.list();
        let names = read.iter().filter_map(|item| {
            let text = item.text()?;
            crate::care::measure::name(text).map_err(|error| item.wrong(error)).ok()
        });
        if !matches!(holds, Stuff::Tests(_)) {
            item.wrong("a reagent is counted in tests\nwrite `holds:` such as `50 tests`");
        }
        SupplySource::Tests(names.collect())
    } else {
        SupplySource::Log
    };
    let usual = fields.get("usual").and_then(|item| a_day(&item, holds));
    let span = |key: &str| fields.get(key).and_then(|item| item.span(DAY, LONGEST));
    Some(SupplyPlan {
        name: name.to_owned(),
        holds,
        // 5 % cannot be pumped out of a container. [dosing: common practice]
        reserve: fields.get("reserve").and_then(|item| item.amount(Quantity::Ratio, 0.0, 0.9)).unwrap_or(0.05),
        source,
        usual_a_day: usual,
        mean_days: span("mean_over").map_or(if top_off { 14 } else { 7 }, days_of),
        notice_days: fields
            .get("notice")
            .and_then(|item| item.span(Span::ZERO, Span::from_hours(24 * 365)))
            .map_or(if top_off { 2.0 } else { 7.0 }, |span| span.hours() / 24.0),
        price: fields.get("price").and_then(|item| price(&item)),
        lasts_days: span("lasts").map(|span| span.hours() / 24.0),
    })
}

fn days_of(span: Span) -> u32 {
    u32::try_from(span.millis() / DAY.millis()).unwrap_or(u32::MAX)
}

fn stuff(item: &Item) -> Option<Stuff> {
    Stuff::parse(item.text()?).map_err(|error| item.wrong(error)).ok()
}

/// `20 mL/d`, `300 g/d`, `2 tests/d`.
fn a_day(item: &Item, holds: Stuff) -> Option<f64> {
    let text = item.text()?;
    let bad = |why: &str| {
        item.wrong(format!("`{text}` is no use of a day{why}\nwrite an amount and `/d`, such as `20 mL/d`"));
    };
    let Some(amount) = text.strip_suffix("/day").or_else(|| text.strip_suffix("/d")) else {
        bad("");
        return None;
    };
    match Stuff::parse(amount) {
        Ok(stuff) if stuff.is_like(holds) && stuff.value() > 0.0 => Some(stuff.value()),
        Ok(_) => {
            bad(" of what it holds");
            None
        }
        Err(_) => {
            bad("");
            None
        }
    }
}

fn price(item: &Item) -> Option<Price> {
    let text = item.text()?;
    let read = text.split_once(' ').and_then(|(amount, currency)| {
        let amount: f64 = amount.parse().ok()?;
        let good = currency.len() == 3 && currency.chars().all(|c| c.is_ascii_uppercase());
        ((0.0..1e6).contains(&amount) && good).then(|| Price { amount, currency: currency.to_owned() })
    });
    if read.is_none() {
        item.wrong(format!("`{text}` is no price\nwrite what a full one costs, such as `24 EUR` or `18.50 USD`"));
    }
    read
}

fn chore(name: &str, item: &Item, outputs: &Outputs) -> Option<ChorePlan> {
    let fields = item.fields(&["does", "every", "after", "of", "when"])?;
    let mut plan = ChorePlan { name: name.to_owned(), ..ChorePlan::default() };
    plan.does = fields.get("does").and_then(|item| item.text().map(str::to_owned));
    plan.every_days = fields.get("every").and_then(|item| item.span(DAY, LONGEST)).map(|span| span.hours() / 24.0);
    if let Some(after) = fields.get("after") {
        let of = fields.need("of", "return-pump")?;
        let text = after.text()?;
        match (text.parse::<Span>(), Stuff::parse(text)) {
            (Ok(span), _) => {
                let known = outputs.names();
                let output = known[of.one_of("output", &known)?].to_owned();
                plan.run = Some((span, output));
            }
            (_, Ok(Stuff::Litres(litres))) if of.is_word("water-changes") => {
                plan.litres = Some((litres, RunSource::WaterChanges));
            }
            (_, Ok(Stuff::Litres(litres))) => {
                let (output, _, rate) = outputs.pump(&of)?;
                plan.litres = Some((litres, RunSource::Output(output, rate)));
            }
            _ => after
                .wrong(format!("`{text}` is neither a time of running nor a volume\nwrite such as `2000 h` or `60 L`")),
        }
    } else if let Some(of) = fields.get("of") {
        of.wrong("`of` says of what, and `after` is missing\nwrite `after: 2000 h` beside it");
    }
    if let Some(when) = fields.get("when") {
        plan.when = Limit::parse(when.text()?).map_err(|error| when.wrong(error)).ok();
    }
    let any = ["every", "after", "when"].into_iter().any(|key| fields.get(key).is_some() || fields.is_misspelt(key));
    if !any {
        item.wrong("nothing says when it is due\nwrite `every: 7 d`, `after: 2000 h` with `of: return-pump`, or `when: nitrate over 10 mg/L`");
    }
    Some(plan)
}

fn sitter(item: &Item) -> SitterPlan {
    let Some(fields) = item.fields(&["call", "look", "may"]) else { return SitterPlan::default() };
    let texts = |key: &str| -> Vec<String> {
        let read = fields.get(key).map(|item| item.list()).unwrap_or_default();
        read.iter().filter_map(|item| item.text().map(str::to_owned)).collect()
    };
    let may = texts("may");
    if may.len() > 3
        && let Some(item) = fields.get("may")
    {
        item.wrong(format!("{} things are more than a person who stands in keeps apart\nkeep three", may.len()));
    }
    SitterPlan { call: texts("call"), look: texts("look"), may }
}

/// Seconds of full light in a day, by the light that is on the longest.
fn light_seconds(plan: &TankPlan) -> Option<f64> {
    let lights =
        plan.schedules.iter().filter(|schedule| plan.outputs[schedule.output.index()].kind == OutputKind::Light);
    let lit = |window: &DailyWindow| {
        let (from, until) = (f64::from(window.from.seconds()), f64::from(window.until.seconds()));
        if until > from { until - from } else { until + 86_400.0 - from }
    };
    // The same sum as a window of full light: a ramp counts half of its time.
    let curves = plan.lights.iter().map(|light| {
        let whole = lit(&DailyWindow { from: light.from, until: light.until });
        (whole - light.ramp.seconds().min(whole / 2.0)) * light.level
    });
    let seconds = lights.map(|schedule| schedule.on.iter().map(lit).sum::<f64>()).chain(curves);
    seconds.fold(None, |most: Option<f64>, seconds| Some(most.map_or(seconds, |most| most.max(seconds))))
}

/// Each supply in words: what it holds, how its use is known, when it is told.
pub(super) fn supply_words(tank: &TankSetup) -> Vec<(String, String)> {
    let words = |supply: &SupplyPlan| {
        let known = match &supply.source {
            SupplySource::Outputs(outputs) => {
                let names: Vec<&str> = outputs.iter().map(|(_, output, _)| output.as_str()).collect();
                format!("metered by {}", names.join(", "))
            }
            SupplySource::Log => format!("by `slackwater log dose {0}` and `log use {0}`", supply.name),
            SupplySource::WaterChanges(grams) => format!("{grams} g for each litre of new water"),
            SupplySource::Tests(names) => format!("one for each test of {}", names.join(", ")),
        };
        let usual = supply.usual_a_day.map(|usual| format!(", usually {} a day", supply.holds.of(usual)));
        let lasts = supply.lasts_days.map(|days| format!(", replaced after {days:.0} d"));
        let price =
            supply.price.as_ref().map(|price| format!(", {:.2} {} for a full one", price.amount, price.currency));
        let rest: String = [usual, lasts, price].into_iter().flatten().collect();
        format!("{}, {known}{rest}; told {:.0} d before it is empty", supply.holds, supply.notice_days)
    };
    tank.care.supplies.iter().map(|supply| (supply.name.clone(), words(supply))).collect()
}

/// Each chore in words: when it is due.
pub(super) fn chore_words(tank: &TankSetup) -> Vec<(String, String)> {
    let words = |chore: &ChorePlan| {
        let every = chore.every_days.map(|days| format!("every {days:.0} d"));
        let run = chore.run.as_ref().map(|(span, output)| format!("after {output} ran {:.0} h", span.hours()));
        let litres = chore.litres.as_ref().map(|(litres, source)| match source {
            RunSource::Output(output, _) => format!("after {litres:.1} L of {output}"),
            RunSource::WaterChanges => format!("after {litres:.1} L of water changes"),
        });
        let when = chore.when.as_ref().map(|limit| format!("when a test says {}", limit.words()));
        let all: Vec<String> = [every, run, litres, when].into_iter().flatten().collect();
        let does = chore.does.as_ref().map_or_else(String::new, |does| format!(": {does}"));
        format!("{}{does}", all.join(", or "))
    };
    tank.care.chores.iter().map(|chore| (chore.name.clone(), words(chore))).collect()
}

/// What to think about.
pub(super) fn advice(tank: &TankSetup) -> Vec<(String, String)> {
    let care = &tank.care;
    let mut list = Vec::new();
    for (output, volume) in &tank.facts.reservoirs {
        let name = &tank.plan.outputs[output.index()].name;
        let mut metered =
            care.supplies.iter().filter(|supply| supply.outputs_of(&tank.plan.name).any(|of| *of == **name));
        if let Some(supply) = metered.next()
            && (supply.holds.value() - volume.litres()).abs() > 0.01 * volume.litres()
        {
            let text = format!(
                "it holds {}, and `reservoir:` of {name} says {:.1} L: one of the two is wrong",
                supply.holds,
                volume.litres()
            );
            list.push((supply.name.clone(), text));
        }
    }
    let measured = care.chores.iter().filter(|chore| chore.when.is_some() && chore.every_days.is_none());
    for chore in measured {
        list.push((chore.name.clone(), "it falls due by a test alone: without a test it never does".to_owned()));
    }
    if !care.chores.is_empty() && care.sitter.call.is_empty() {
        list.push((
            "keeper".to_owned(),
            "nobody to call is written for the sheet of whoever stands in: `keeper: { sitter: { call: [...] } }`"
                .to_owned(),
        ));
    }
    list
}

//! What runs out: how much is left, for how long, what to do before it is empty, and what a month costs.
//!
//! Left is what stood in it when it was last filled or looked at, less what was used since. Days left are what is left
//! above the reserve by the mean use, and by 20 % more than that; the mean is over 7 days, 14 for a top-off. Limits: a
//! count knows what a pump ran, not what it gave: what a hose spills, or a worn tube does not give, only a look at the
//! container finds, and `log left` says how far the two are apart.

use crate::time::{Date, Span, Wall, Zone};

use super::entry::{Stuff, What};
use super::facts::Facts;
use super::plan::{Plans, SupplyPlan, SupplySource};
use super::state::{Care, Standing};
use super::usage::Counts;

/// The case beside the mean: a warm week. [choice]
const MORE: f64 = 1.2;
/// A count and a look that differ by more than this are told. [choice; a pump's tube wears by so much]
const APART: f64 = 0.15;
/// Days before a trip on which its supplies are told.
const BEFORE_A_TRIP: u32 = 7;
/// Days of a mean month.
const MONTH: f64 = 365.25 / 12.0;

/// One supply, as it stands.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct SupplyView {
    /// Its name.
    pub supply: String,
    /// Whether several tanks share it.
    pub shared: bool,
    /// What it holds when it is full, in words.
    pub holds: String,
    /// Left, in words; absent before it was first filled or looked at.
    pub left: Option<String>,
    /// Left, as a part of what it holds.
    pub left_ratio: Option<f64>,
    /// Left, in L; for liquids.
    pub left_litres: Option<f64>,
    /// When it was last filled.
    pub filled: Option<Wall>,
    /// Used in a day, in words.
    pub use_a_day: Option<String>,
    /// What that rests on.
    pub rests_on: String,
    /// Days left at 20 % more use, and at the mean.
    pub days_left: Option<(f64, f64)>,
    /// The day on which it is empty at 20 % more use.
    pub empty_on: Option<Date>,
    /// The day on which it is empty at the mean use, or is to be replaced.
    pub due_on: Option<Date>,
    /// What a month costs, in words.
    pub cost_a_month: Option<String>,
    /// What to mind, in words.
    pub notices: Vec<String>,
    /// What to do about it.
    pub advice: Option<String>,
}

/// A supply with what is needed to look at it.
pub(super) struct Look<'a> {
    plan: &'a SupplyPlan,
    /// The tank whose entries count; `None`: of all tanks.
    tank: Option<&'a str>,
    /// In litres.
    counts: Vec<Counts>,
    log: Vec<(&'a Standing, &'a What)>,
    /// What entries say was used, each with its time.
    logged: Vec<(Wall, f64)>,
}

impl<'a> Look<'a> {
    pub(super) fn new(care: &'a Care, plan: &'a SupplyPlan, tank: Option<&'a str>, facts: &Facts, now: Wall) -> Self {
        let counts = match &plan.source {
            SupplySource::Outputs(outputs) => outputs
                .iter()
                .map(|(tank, output, rate)| Counts::litres_of(care, facts, tank, output, *rate, now))
                .collect(),
            _ => Vec::new(),
        };
        let log = care.in_force(tank);
        let logged = logged(plan, &log);
        Self { plan, tank, counts, log, logged }
    }

    /// Used between two moments.
    fn used(&self, from: Wall, until: Wall) -> f64 {
        let counted: f64 = self.counts.iter().map(|counts| counts.run_between(from, until)).sum();
        let logged: f64 = self.logged.iter().filter(|(at, _)| *at > from && *at <= until).map(|(_, used)| used).sum();
        let planned = if self.goes_by_plan(until) {
            self.plan.usual_a_day.unwrap_or(0.0) * until.since(from).hours() / 24.0
        } else {
            0.0
        };
        counted + logged + planned
    }

    /// A keeper who doses by hand and does not write each dose down: the usual use is taken.
    fn goes_by_plan(&self, now: Wall) -> bool {
        let lately = now.before(Span::from_hours(24 * 14));
        self.plan.source == SupplySource::Log
            && self.plan.usual_a_day.is_some()
            && !self.logged.iter().any(|(at, _)| *at >= lately && *at <= now)
    }

    /// Left now, when it was last filled, and what a look found against the count.
    pub(super) fn left(&self, now: Wall) -> (Option<f64>, Option<Wall>, Option<String>) {
        let (mut left, mut filled, mut apart): (Option<(f64, Wall)>, Option<Wall>, Option<String>) = (None, None, None);
        let full = self.plan.holds.value();
        let since =
            |left: Option<(f64, Wall)>, at: Wall| left.map(|(left, from)| (left - self.used(from, at)).max(0.0));
        for (standing, what) in &self.log {
            match what {
                What::Refilled { supply, amount } if *supply == self.plan.name => {
                    let before = since(left, standing.at).unwrap_or(0.0);
                    let now_in = amount.map_or(full, |amount| (before + amount.value()).min(full));
                    (left, filled) = (Some((now_in, standing.at)), Some(standing.at));
                }
                What::Left { supply, amount } if *supply == self.plan.name => {
                    apart = left.and_then(|(before, from)| {
                        let (counted, gone) = (self.used(from, standing.at), before - amount.value());
                        let differs = counted.max(gone) > 0.05 * full && (gone - counted).abs() > APART * counted.max(1e-9);
                        let of = |value: f64| self.plan.holds.of(value);
                        differs.then(|| format!("by the count {} were used, and {} are gone: look for a leak, a worn tube or a dose that was not noted", of(counted), of(gone)))
                    });
                    left = Some((amount.value(), standing.at));
                }
                _ => {}
            }
        }
        // After a clock was set back, what was counted and noted ahead of it is gone all the same.
        let counted = self.counts.iter().filter_map(Counts::last);
        let noted = self.logged.last().map(|(at, _)| *at);
        let latest = counted.chain(noted).chain(left.map(|(_, at)| at)).max().unwrap_or(now);
        (since(left, now.max(latest)), filled, apart)
    }

    /// Used in a day, and what that rests on.
    fn a_day(&self, now: Wall) -> (Option<f64>, String) {
        let days = match self.plan.source {
            SupplySource::WaterChanges(_) | SupplySource::Tests(_) => self.plan.mean_days.max(28),
            _ => self.plan.mean_days,
        };
        let since = now.before(Span::from_hours(24 * u64::from(days)));
        let usual = || (self.plan.usual_a_day, "the usual use of the config; there is no history yet".to_owned());
        if self.goes_by_plan(now) {
            return (self.plan.usual_a_day, "the usual use of the config; no dose was noted in 14 days".to_owned());
        }
        let first = self.log.iter().find(|(_, what)| what.name() == self.plan.name);
        let first = [first.map(|(standing, _)| standing.at), self.logged.first().map(|(at, _)| *at)]
            .into_iter()
            .flatten()
            .min();
        let from = first.map_or(now, |first| first.max(since));
        let span = now.since(from).hours() / 24.0;
        let logged: f64 = self.logged.iter().filter(|(at, _)| *at > from && *at <= now).map(|(_, used)| used).sum();
        let by_log = (span >= 1.0).then(|| logged / span);
        if self.counts.is_empty() {
            return match by_log {
                Some(mean) => (Some(mean), format!("the mean of {span:.0} days of the log")),
                None => usual(),
            };
        }
        let rates: Vec<_> = self.counts.iter().filter_map(|counts| counts.a_day(since)).collect();
        let longest = rates.iter().map(|(_, days)| *days).fold(0.0, f64::max);
        if rates.is_empty() {
            return usual();
        }
        let mean = rates.iter().map(|(use_, _)| use_).sum::<f64>() + by_log.unwrap_or(0.0);
        (Some(mean), format!("the mean of {longest:.0} days of counts"))
    }

    fn view(&self, zone: Zone, away: Option<(Date, Date)>, now: Wall) -> SupplyView {
        let plan = self.plan;
        let (left, filled, apart) = self.left(now);
        let (mean, rests_on) = self.a_day(now);
        let today = zone.calendar_day(now);
        let usable = left.map(|left| (left - plan.reserve * plan.holds.value()).max(0.0));
        let mean = mean.filter(|mean| *mean > 0.0);
        let days_left = usable.zip(mean).map(|(usable, mean)| (usable / mean / MORE, usable / mean));
        let replace =
            plan.lasts_days.zip(filled).map(|(days, filled)| zone.calendar_day(filled).plus_days(whole(days)));
        let empty_on = days_left.map(|(short, _)| today.plus_days(whole(short)));
        let by_use = days_left.map(|(_, mean)| today.plus_days(whole(mean)));
        let due_on = [by_use, replace].into_iter().flatten().min();
        let mut notices = Vec::new();
        match (usable, filled) {
            (Some(usable), _) if usable <= 0.0 => notices.push("it is empty down to its reserve".to_owned()),
            (None, _) if plan.lasts_days.is_none() || filled.is_none() => {
                notices.push(format!("nobody said when it was filled: `slackwater refill {}`", plan.name));
            }
            _ => {}
        }
        if let (Some((short, mean)), Some(day)) = (days_left, empty_on)
            && usable.is_some_and(|usable| usable > 0.0)
        {
            if short <= plan.notice_days {
                notices.push(format!(
                    "empty on {day} ({short:.1} days) at 20 % more use, after {mean:.1} days at the mean"
                ));
            }
            let trip = away.filter(|(from, until)| day <= *until && today >= from.minus_days(BEFORE_A_TRIP));
            if let Some((_, until)) = trip {
                notices.push(format!("empty on {day}; you are away until {until}"));
            }
        }
        if let Some(day) = replace.filter(|day| *day <= today.plus_days(whole(plan.notice_days))) {
            notices.push(format!("to be replaced on {day}"));
        }
        notices.extend(apart);
        let a_month = plan.price.as_ref().and_then(|price| {
            let by_use = mean.map(|mean| mean * MONTH / plan.holds.value());
            let by_age = plan.lasts_days.map(|days| MONTH / days);
            let fills = by_use.unwrap_or(0.0).max(by_age.unwrap_or(0.0));
            (by_use.is_some() || by_age.is_some()).then(|| format!("{:.2} {}", fills * price.amount, price.currency))
        });
        let advice = (!notices.is_empty()).then(|| format!("fill it and say `slackwater refill {}`", plan.name));
        let litres = matches!(plan.holds, Stuff::Litres(_));
        SupplyView {
            supply: plan.name.clone(),
            shared: self.tank.is_none(),
            holds: plan.holds.to_string(),
            left: left.map(|left| plan.holds.of(left).to_string()),
            left_ratio: left.map(|left| left / plan.holds.value()),
            left_litres: left.filter(|_| litres),
            filled,
            use_a_day: mean.map(|mean| plan.holds.of(mean).to_string()),
            rests_on: if mean.is_some() { rests_on } else { "its use is not known yet".to_owned() },
            days_left,
            empty_on,
            due_on,
            cost_a_month: a_month,
            notices,
            advice,
        }
    }
}

/// What entries say was used, each with its time.
fn logged(plan: &SupplyPlan, log: &[(&Standing, &What)]) -> Vec<(Wall, f64)> {
    let used = log.iter().filter_map(|(standing, what)| {
        let used = match (what, &plan.source) {
            (What::Dosed { supply, amount } | What::Used { supply, amount }, _) if *supply == plan.name => {
                amount.is_like(plan.holds).then_some(amount.value())?
            }
            (What::WaterChange { litres }, SupplySource::WaterChanges(grams)) => litres * grams,
            (What::Measured(measured), SupplySource::Tests(quantities)) => {
                quantities.contains(&measured.quantity).then_some(1.0)?
            }
            _ => return None,
        };
        Some((standing.at, used))
    });
    used.collect()
}

/// Whole days below; a number beyond the calendar is far away.
pub(super) fn whole(days: f64) -> u32 {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped")]
    {
        days.clamp(0.0, 40_000.0).floor() as u32
    }
}

impl Care {
    /// The supplies of a tank, its own first.
    pub fn supplies(&self, tank: &str, plans: &Plans, facts: &Facts, now: Wall) -> Vec<SupplyView> {
        let Some(plan) = plans.tanks.get(tank) else { return Vec::new() };
        self.supplies_for_trip(tank, plans, facts, self.away(tank, plan.zone, now), now)
    }

    /// The supplies of a tank, judged for a trip.
    pub(super) fn supplies_for_trip(
        &self,
        tank: &str,
        plans: &Plans,
        facts: &Facts,
        away: Option<(Date, Date)>,
        now: Wall,
    ) -> Vec<SupplyView> {
        let Some(plan) = plans.tanks.get(tank) else { return Vec::new() };
        let own = plan.supplies.iter().map(|supply| Look::new(self, supply, Some(tank), facts, now));
        let shared = plans.shared.iter().map(|supply| Look::new(self, supply, None, facts, now));
        own.chain(shared).map(|look| look.view(plan.zone, away, now)).collect()
    }
}

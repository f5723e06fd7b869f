//! What falls due: by days, by the run of an output, by litres, or by a test result; whichever comes first.
//!
//! Everything is counted from the last time it was done. A chore that was never done is due at once, for nobody knows
//! when it was. Limits: a chore reminds; nothing stops because of one.

use crate::time::{Date, Span, Wall};

use super::entry::What;
use super::facts::Facts;
use super::plan::{ChorePlan, RunSource, TankCare};
use super::state::Care;
use super::supplies::whole;
use super::usage::Counts;

/// One chore, as it stands.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct ChoreView {
    /// Its name.
    pub chore: String,
    /// What to do.
    pub does: Option<String>,
    /// Whether it is due, and not postponed.
    pub due: bool,
    /// Why, or how far it is, in words.
    pub why: Vec<String>,
    /// When it was last done.
    pub last: Option<Wall>,
    /// Who did it.
    pub by: Option<String>,
    /// The day on which it falls due, as far as that can be told.
    pub due_on: Option<Date>,
    /// Until when it waits, and why.
    pub postponed: Option<(Date, String)>,
}

impl Care {
    /// The chores of a tank.
    pub fn chores(&self, tank: &str, plan: &TankCare, facts: &Facts, now: Wall) -> Vec<ChoreView> {
        plan.chores.iter().map(|chore| self.chore(tank, plan, chore, facts, now)).collect()
    }

    fn chore(&self, tank: &str, plan: &TankCare, chore: &ChorePlan, facts: &Facts, now: Wall) -> ChoreView {
        let log = self.in_force(Some(tank));
        let mine = |what: &What| what.name() == chore.name;
        let done = log.iter().rev().find(|(_, what)| matches!(what, What::ChoreDone { .. }) && mine(what));
        let last = done.map(|(standing, _)| standing.at);
        let postponed = log.iter().rev().find_map(|(standing, what)| match what {
            What::ChorePostponed { until, reason, .. } if mine(what) && last.is_none_or(|last| standing.at >= last) => {
                Some((*until, reason.clone()))
            }
            _ => None,
        });
        let today = plan.zone.calendar_day(now);
        let postponed = postponed.filter(|(until, _)| *until > today);
        let (mut due, mut why, mut due_on) = (false, Vec::new(), None::<Date>);
        let mut by = |is_due: bool, text: String, day: Option<Date>| {
            due |= is_due;
            why.push(text);
            due_on = [due_on, day].into_iter().flatten().min();
        };
        let by_test_alone = chore.every_days.is_none() && chore.run.is_none() && chore.litres.is_none();
        let since = last.unwrap_or(Wall::from_unix_millis(0));
        if last.is_none() && !by_test_alone {
            by(true, "nobody noted that it was ever done".to_owned(), Some(today));
        }
        if let (Some(days), Some(last)) = (chore.every_days, last) {
            let day = plan.zone.calendar_day(last).plus_days(whole(days));
            let late = today.days_since(day);
            let text = match late {
                0 => "due today".to_owned(),
                1.. => format!("due since {day}, {late} days ago"),
                _ => format!("due on {day}, in {} days", -late),
            };
            by(late >= 0, text, Some(day));
        }
        let far = |is: f64, of: f64, a_day: Option<f64>| {
            let days = a_day.filter(|a_day| *a_day > 0.0).map(|a_day| (of - is).max(0.0) / a_day);
            days.map(|days| today.plus_days(whole(days)))
        };
        let window = now.before(Span::from_hours(24 * 14));
        if let (Some((run, output)), Some(last)) = (&chore.run, last) {
            let counts = Counts::of(self, facts, tank, output, now);
            let hours = counts.run_between(last, now) / 3600.0;
            let day = far(hours, run.hours(), counts.a_day(window).map(|(seconds, _)| seconds / 3600.0));
            by(hours >= run.hours(), format!("{output} ran {hours:.0} of {:.0} h", run.hours()), day);
        }
        if let (Some((litres, source)), Some(last)) = (&chore.litres, last) {
            let (is, a_day) = match source {
                RunSource::Output(output, rate) => {
                    let counts = Counts::litres_of(self, facts, tank, output, *rate, now);
                    (counts.run_between(last, now), counts.a_day(window).map(|(litres, _)| litres))
                }
                RunSource::WaterChanges => {
                    let changed = |from: Wall| -> f64 {
                        let after = log.iter().filter(|(standing, _)| standing.at > from);
                        after
                            .filter_map(
                                |(_, what)| if let What::WaterChange { litres } = what { Some(litres) } else { None },
                            )
                            .sum()
                    };
                    (changed(last), None)
                }
            };
            by(is >= *litres, format!("{is:.1} of {litres:.1} L"), far(is, *litres, a_day));
        }
        if let Some(limit) = &chore.when {
            let measured = log.iter().rev().find_map(|(standing, what)| match what {
                What::Measured(measured) if measured.quantity == limit.quantity => Some((standing.at, measured)),
                _ => None,
            });
            match measured.filter(|(at, _)| *at > since) {
                Some((_, measured)) => {
                    let met = limit.is_met_by(measured.value, &measured.unit);
                    let is = super::measure::shown(&measured.quantity, measured.value, &measured.unit);
                    let text = if met { "it is due" } else { "it is not due" };
                    by(met, format!("{}: the last test says {is}, {text}", limit.words()), met.then_some(today));
                }
                None => by(false, format!("{}: no test since", limit.words()), None),
            }
        }
        ChoreView {
            chore: chore.name.clone(),
            does: chore.does.clone(),
            due: due && postponed.is_none(),
            why,
            last,
            by: done.map(|(standing, _)| standing.by.clone()),
            due_on: if let Some((until, _)) = &postponed { Some(*until) } else { due_on },
            postponed,
        }
    }
}

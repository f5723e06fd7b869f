//! A change of the plan: proposed from tests or from the file, and in force only after a keeper's word.
//!
//! Duty: the numbers of `water::consumption` and `water::dosing` in words, with their uncertainty, and the first step of
//! them as what an approval puts in force. After that step the keeper tests again and asks anew: nothing goes on by
//! itself. Steps: a quarter of the plan or 0.25 dKH a day in 48 h; a correction of 0.3 dKH a day at most; a day of
//! 1 dKH at most, both together [common practice].

use crate::time::Span;
use crate::water::consumption::{self, Input, Test};
use crate::water::dosing::{self, Advice, Limits, Phase, Wanted};
use crate::water::raise;

use super::ask::{GivenChange, GivenDose, GivenTest};
use super::plan::{Adds, DosingPlan};

/// Between two steps of the maintenance.
pub(super) const STEP_EVERY: Span = Span::from_hours(48);
/// dKH of one equivalent in a litre (2.80385 dKH a meq/L; arithmetic from `CaO`, 56.077 g/mol).
const DKH_PER_EQ_PER_LITRE: f64 = 2803.85;
/// kg in a litre of sea water at 25 °C and 35 g/kg (Millero and Poisson 1981: 1.02334).
const KILOGRAMS_PER_LITRE: f64 = 1.0233;

/// What waits for a keeper's word.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Proposal {
    /// The maintenance, mL a day.
    pub maintenance: f64,
    /// The correction on top of it, mL a day.
    pub correction: f64,
    /// All of the correction, mL.
    pub correction_ml: f64,
    /// What it rests on and what it means, for the keeper.
    pub lines: Vec<String>,
    /// A changed line of the file, or the other part's change, taken in steps.
    pub from_file: bool,
}

impl Proposal {
    pub(super) fn of_the_file(now: f64, wanted: f64) -> Self {
        let lines = vec![format!("the tank file says {wanted:.1} mL/d, and {now:.1} mL/d are in force")];
        Self { maintenance: wanted, correction: 0.0, correction_ml: 0.0, lines, from_file: true }
    }

    pub(super) fn of_the_partner(now: f64, wanted: f64) -> Self {
        let lines =
            vec![format!("its other part was changed to {wanted:.1} mL/d, and {now:.1} mL/d are in force here")];
        Self { maintenance: wanted, correction: 0.0, correction_ml: 0.0, lines, from_file: true }
    }
}

/// What a proposal rests on besides the tests.
#[derive(Clone, Debug)]
pub(super) struct Asked<'a> {
    /// The maintenance in force, mL a day.
    pub in_force: f64,
    /// mL a day that were really given, each from a day on; `None`: nobody counted, and the plan in force is taken.
    pub given: Option<Vec<(f64, f64)>>,
    /// Water changes between the tests.
    pub changes: &'a [GivenChange],
    /// Doses by hand between the tests.
    pub by_hand: &'a [GivenDose],
    /// Net water.
    pub litres: f64,
    /// Standard deviation of one test, dKH.
    pub test_sd: f64,
    /// dKH.
    pub target: Option<f64>,
}

impl Asked<'_> {
    /// What came in by the time of day `first`, for `water::consumption`; and in words.
    fn inputs(&self, k: f64, first: f64, last: f64) -> (Vec<Input>, String) {
        let pieces = self.given.clone().unwrap_or_else(|| vec![(f64::MIN, self.in_force)]);
        // The piece before the first count began before everything else.
        let counted = pieces.iter().map(|(day, _)| *day).filter(|day| *day > f64::MIN);
        let earliest = counted.fold(first, f64::min) - 1.0;
        let from = |day: f64| if day > f64::MIN { day } else { earliest };
        let mut inputs: Vec<Input> =
            pieces.iter().map(|(day, ml)| Input::Rate { day: from(*day), per_day: ml * k }).collect();
        inputs.extend(self.changes.iter().map(|change| Input::Change {
            day: change.day,
            fraction: change.litres / self.litres,
            new: change.dkh,
        }));
        inputs.extend(self.by_hand.iter().map(|dose| Input::Dose { day: dose.day, rise: dose.ml * k }));
        let ends = pieces.iter().skip(1).map(|(day, _)| *day).chain([f64::INFINITY]);
        let ml: f64 =
            pieces.iter().zip(ends).map(|((day, ml), end)| (end.min(last) - from(*day).max(first)).max(0.0) * ml).sum();
        let how = if self.given.is_some() { " as counted" } else { "" };
        let hand = match self.by_hand {
            [] => String::new(),
            doses => format!(" and {:.1} mL by hand", doses.iter().map(|dose| dose.ml).sum::<f64>()),
        };
        let changes = match self.changes.len() {
            0 => String::new(),
            1 => " and a water change".to_owned(),
            many => format!(" and {many} water changes"),
        };
        (inputs, format!("{:.1} mL/d{how}{hand}{changes}", ml / (last - first)))
    }
}

/// The maintenance after one step towards what is wanted, mL a day.
pub(super) fn step(plan: &DosingPlan, now: f64, wanted: f64) -> f64 {
    let by_part = if now > 0.0 { Limits::USUAL.step_part * now } else { f64::INFINITY };
    let most = match plan.dkh_per_ml {
        Some(k) => by_part.min(Limits::USUAL.step / k),
        // From nothing, a quarter of what the water bears.
        None => by_part.min(Limits::USUAL.step * plan.most_per_day),
    };
    now + (wanted - now).clamp(-most, most)
}

/// What tests say of the plan in force. `Err`: why nothing is proposed, in lines.
pub(super) fn propose(plan: &DosingPlan, tests: &[GivenTest], asked: &Asked<'_>) -> Result<Proposal, Vec<String>> {
    let Some(k) = plan.dkh_per_ml else {
        return Err(vec![
            "only alkalinity is reckoned here: give its partner the same mL by its line in the tank file, and approve it"
                .to_owned(),
        ]);
    };
    let tests: Vec<Test> = tests.iter().map(|test| Test { day: test.day, value: test.dkh }).collect();
    let (in_force, target) = (asked.in_force, asked.target);
    let first = tests.iter().map(|test| test.day).fold(f64::INFINITY, f64::min);
    let last = tests.iter().map(|test| test.day).fold(f64::NEG_INFINITY, f64::max);
    if !tests.iter().all(|test| test.day.is_finite() && test.value.is_finite()) {
        return Err(vec!["a test result is no number".to_owned()]);
    }
    let changed = |change: &GivenChange| change.day.is_finite() && change.dkh.is_finite() && change.litres > 0.0;
    if !asked.changes.iter().all(|change| changed(change) && change.litres < asked.litres) {
        return Err(vec!["a water change is no number of litres, or more than the tank holds".to_owned()]);
    }
    if !asked.by_hand.iter().all(|dose| dose.day.is_finite() && dose.ml.is_finite() && dose.ml >= 0.0) {
        return Err(vec!["a dose by hand is no number of mL".to_owned()]);
    }
    let (dosed, how) = asked.inputs(k, first, last);
    let words =
        |error: crate::water::WaterError| -> Vec<String> { error.to_string().lines().map(str::to_owned).collect() };
    let found = consumption::consumption(&tests, &dosed, asked.test_sd).map_err(words)?;
    if found.per_day < 0.0 {
        return Err(vec![
            "more came in than these tests and doses tell: a dose by hand or a water change is missing".to_owned(),
        ]);
    }
    let limits = Limits { day: (plan.most_per_day * k).min(Limits::USUAL.day), ..Limits::USUAL };
    let (wanted, sd) = dosing::maintenance(&found, k);
    let mut lines = vec![
        format!(
            "uses {:.3} ± {:.3} dKH/d, by {} tests in {:.1} days and {how}",
            found.per_day, found.sd, found.tests, found.days
        ),
        format!("maintenance wanted {wanted:.1} ± {sd:.1} mL/d, and {in_force:.1} mL/d are in force"),
    ];
    let wish = Wanted { dose: in_force, dkh_per_ml: k, level: target };
    let phases = match dosing::advise(&found, &wish, &limits).map_err(words)? {
        Advice::TestAgain { enough_after_days } => {
            let again = enough_after_days.map_or(String::new(), |days| {
                format!("; if it goes on like this, tests {days:.0} days apart tell enough")
            });
            lines.push(format!("the change is within the noise of the tests{again}: test again, nothing is proposed"));
            return Err(lines);
        }
        Advice::Dose(plan) => plan,
    };
    lines.push(format!("the change is {:.1} standard deviations", (wanted - in_force).abs() / sd));
    lines.extend(phases.phases.first().and_then(|phase| cut(phase, &limits, k)));
    if let Some(short) = phases.phases.first().map(|phase| found.per_day - phase.maintenance * k).filter(|s| *s > 5e-4)
    {
        lines.push(format!("the first step is {short:.3} dKH/d short of what is used"));
    }
    for phase in &phases.phases {
        let until = phase.until_day.map_or("from then on".to_owned(), |day| format!("to day {day:.1}"));
        lines.push(format!(
            "day {:.1} {until}: {:.1} mL/d maintenance and {:.1} mL/d ({:.3} dKH/d) correction; the level changes by {:+.3} dKH/d",
            phase.from_day,
            phase.maintenance,
            phase.correction,
            phase.correction * k,
            phase.net
        ));
    }
    match (target, phases.level_reached_after) {
        (Some(target), Some(days)) => lines.push(format!("{target:.1} dKH are reached after {days:.1} days")),
        (Some(target), None) => lines.push(format!("{target:.1} dKH are never reached within the limits")),
        (None, _) => {}
    }
    if plan.adds != Adds::Limewater {
        let equivalents = wanted * k * asked.litres / DKH_PER_EQ_PER_LITRE;
        let salt = raise::salt_left(equivalents, equivalents);
        let month = salt * 30.0 / (asked.litres * KILOGRAMS_PER_LITRE);
        lines.push(format!(
            "the two parts leave {salt:.1} g of salt a day behind, +{month:.1} g/kg in 30 days; water changes take it out"
        ));
    }
    let Some(phase) = phases.phases.first() else { return Err(lines) };
    lines.push("an approval puts the first line in force; test again in two days, before the next one".to_owned());
    let lasts = phase.until_day.unwrap_or(limits.step_every).min(limits.step_every) - phase.from_day;
    Ok(Proposal {
        maintenance: phase.maintenance,
        correction: phase.correction,
        correction_ml: phase.correction * lasts,
        lines,
        from_file: false,
    })
}

/// What the limits leave of a correction, if they cut it.
fn cut(phase: &Phase, limits: &Limits, k: f64) -> Option<String> {
    let total = phase.maintenance * k + limits.correction;
    (phase.correction > 0.0 && total > limits.day + 1e-9).then(|| {
        format!(
            "a correction of {:.1} dKH/d would be {:.1} mL/d more, {:.1} mL/d or {total:.2} dKH/d in all; a day bears {:.1} dKH, so it is cut",
            limits.correction,
            limits.correction / k,
            total / k,
            limits.day
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::dosing::even_slots;
    use crate::control::ids::OutputId;

    fn plan() -> DosingPlan {
        DosingPlan {
            output: OutputId::new(0),
            adds: Adds::Carbonate,
            per_day: 20.0,
            slots: even_slots(24, 0, 0.5),
            delivers: 5.0,
            most_per_day: 90.0 / 2.803_85,
            most_per_hour: 4.8,
            dkh_per_ml: Some(2.803_85 / 90.0),
            container: 500.0,
            partner: None,
            apart: Span::from_minutes(15),
        }
    }

    fn test(day: f64, dkh: f64) -> GivenTest {
        GivenTest { day, dkh }
    }

    #[test]
    fn the_worked_example_is_proposed_digit_by_digit() {
        // 8.2 to 7.6 dKH in 3 days of 20 mL/d of 1 eq/L in 90 L: computed by hand for this project.
        let tests = [test(0.0, 8.2), test(3.0, 7.6)];
        let found = propose(&plan(), &tests, &asked(20.0, Some(8.2))).unwrap();
        insta::assert_snapshot!(found.lines.join("\n"), @"
        uses 0.823 ± 0.094 dKH/d, by 2 tests in 3.0 days and 20.0 mL/d
        maintenance wanted 26.4 ± 3.0 mL/d, and 20.0 mL/d are in force
        the change is 2.1 standard deviations
        a correction of 0.3 dKH/d would be 9.6 mL/d more, 34.6 mL/d or 1.08 dKH/d in all; a day bears 1.0 dKH, so it is cut
        the first step is 0.044 dKH/d short of what is used
        day 0.0 to day 2.0: 25.0 mL/d maintenance and 7.1 mL/d (0.221 dKH/d) correction; the level changes by +0.177 dKH/d
        day 2.0 to day 3.4: 26.4 mL/d maintenance and 5.7 mL/d (0.177 dKH/d) correction; the level changes by +0.177 dKH/d
        day 3.4 from then on: 26.4 mL/d maintenance and 0.0 mL/d (0.000 dKH/d) correction; the level changes by +0.000 dKH/d
        8.2 dKH are reached after 3.4 days
        the two parts leave 1.5 g of salt a day behind, +0.5 g/kg in 30 days; water changes take it out
        an approval puts the first line in force; test again in two days, before the next one
        ");
        assert!((found.maintenance - 25.0).abs() < 1e-9);
        assert!((found.correction * 2.803_85 / 90.0 - 0.221).abs() < 5e-4, "{found:?}");
    }

    fn asked(in_force: f64, target: Option<f64>) -> Asked<'static> {
        Asked { in_force, given: None, changes: &[], by_hand: &[], litres: 90.0, test_sd: 0.2, target }
    }

    #[test]
    fn what_was_really_given_and_changed_counts() {
        let tests = [test(0.0, 8.0), test(4.0, 8.0)];
        // Half of the plan for two days, all of it for two: 15 mL/d and a level that stays is 0.467 dKH/d.
        let given = Some(vec![(f64::MIN, 20.0), (-1.0, 10.0), (2.0, 20.0)]);
        let counted = Asked { given, ..asked(40.0, None) };
        let found = propose(&plan(), &tests, &counted).unwrap();
        assert_eq!(found.lines[0], "uses 0.467 ± 0.071 dKH/d, by 2 tests in 4.0 days and 15.0 mL/d as counted");
        // A tenth of new water with 9 dKH on day 2, when 8.0 + 2 · (0.312 - u) are there: 4 u = 1.869 + 0.1 · (9 - that), by hand.
        let changes = [GivenChange { day: 2.0, litres: 9.0, dkh: 9.0 }];
        let found = propose(&plan(), &tests, &Asked { changes: &changes, ..counted }).unwrap();
        assert!(found.lines[0].starts_with("uses 0.502"), "{:?}", found.lines);
        let changes = [GivenChange { day: 2.0, litres: 900.0, dkh: 9.0 }];
        assert!(propose(&plan(), &tests, &Asked { changes: &changes, ..asked(40.0, None) }).is_err());
    }

    #[test]
    fn what_is_within_the_noise_is_not_proposed() {
        let refused = propose(&plan(), &[test(0.0, 8.0), test(3.0, 7.9)], &asked(25.0, None)).unwrap_err();
        assert!(refused.iter().any(|line| line.contains("within the noise")), "{refused:?}");
        assert!(propose(&plan(), &[test(0.0, f64::NAN), test(3.0, 7.9)], &asked(25.0, None)).is_err());
        assert!(propose(&plan(), &[test(0.0, 8.0)], &asked(25.0, None)).is_err());
    }

    #[test]
    fn a_step_is_a_quarter_or_a_quarter_of_a_degree() {
        assert!((step(&plan(), 20.0, 40.0) - 25.0).abs() < 1e-9);
        assert!((step(&plan(), 40.0, 10.0) - (40.0 - 0.25 * 90.0 / 2.803_85)).abs() < 1e-9);
        assert!((step(&plan(), 20.0, 21.0) - 21.0).abs() < 1e-12);
        assert!((step(&plan(), 0.0, 20.0) - 0.25 * 90.0 / 2.803_85).abs() < 1e-9);
    }
}

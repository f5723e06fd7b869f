//! A change of the plan: proposed from tests or from the file, and in force only after a keeper's word.
//!
//! Duty: the numbers of `water::consumption` and `water::dosing` in words, with their uncertainty, and the first step of
//! them as what an approval puts in force. After that step the keeper tests again and asks anew: nothing goes on by
//! itself. Steps: a quarter of the plan or 0.25 dKH a day in 48 h; a correction of 0.3 dKH a day at most; a day of
//! 1 dKH at most, both together [common practice].

use crate::time::Span;
use crate::water::consumption::{self, Input, Test};
use crate::water::dosing::{self, Advice, Limits, Wanted};

use super::ask::GivenTest;
use super::plan::DosingPlan;

/// Between two steps of the maintenance.
pub(super) const STEP_EVERY: Span = Span::from_hours(48);

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
    /// A changed line of the file, taken in steps.
    pub from_file: bool,
}

impl Proposal {
    pub(super) fn of_the_file(now: f64, wanted: f64) -> Self {
        let lines = vec![format!("the tank file says {wanted:.1} mL/d, and {now:.1} mL/d are in force")];
        Self { maintenance: wanted, correction: 0.0, correction_ml: 0.0, lines, from_file: true }
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
pub(super) fn propose(
    plan: &DosingPlan,
    in_force: f64,
    tests: &[GivenTest],
    test_sd: f64,
    target: Option<f64>,
) -> Result<Proposal, Vec<String>> {
    let Some(k) = plan.dkh_per_ml else {
        return Err(vec![
            "only alkalinity is reckoned here: give its partner the same mL by its line in the tank file, and approve it"
                .to_owned(),
        ]);
    };
    let tests: Vec<Test> = tests.iter().map(|test| Test { day: test.day, value: test.dkh }).collect();
    let first = tests.iter().map(|test| test.day).fold(f64::INFINITY, f64::min);
    if !tests.iter().all(|test| test.day.is_finite() && test.value.is_finite()) {
        return Err(vec!["a test result is no number".to_owned()]);
    }
    let dosed = [Input::Rate { day: first.min(0.0), per_day: in_force * k }];
    let words =
        |error: crate::water::WaterError| -> Vec<String> { error.to_string().lines().map(str::to_owned).collect() };
    let found = consumption::consumption(&tests, &dosed, test_sd).map_err(words)?;
    if found.per_day < 0.0 {
        return Err(vec![
            "more came in than these tests and doses tell: a dose by hand or a water change is missing".to_owned(),
        ]);
    }
    let limits = Limits { day: (plan.most_per_day * k).min(Limits::USUAL.day), ..Limits::USUAL };
    let (wanted, sd) = dosing::maintenance(&found, k);
    let mut lines = vec![
        format!(
            "uses {:.3} ± {:.3} dKH/d, by {} tests in {:.1} days and {in_force:.1} mL/d",
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::dosing::{Adds, even_slots};
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
        let found = propose(&plan(), 20.0, &tests, 0.2, Some(8.2)).unwrap();
        insta::assert_snapshot!(found.lines.join("\n"), @"
        uses 0.823 ± 0.094 dKH/d, by 2 tests in 3.0 days and 20.0 mL/d
        maintenance wanted 26.4 ± 3.0 mL/d, and 20.0 mL/d are in force
        the change is 2.1 standard deviations
        day 0.0 to day 2.0: 25.0 mL/d maintenance and 7.1 mL/d (0.221 dKH/d) correction; the level changes by +0.177 dKH/d
        day 2.0 to day 3.4: 26.4 mL/d maintenance and 5.7 mL/d (0.177 dKH/d) correction; the level changes by +0.177 dKH/d
        day 3.4 from then on: 26.4 mL/d maintenance and 0.0 mL/d (0.000 dKH/d) correction; the level changes by +0.000 dKH/d
        8.2 dKH are reached after 3.4 days
        an approval puts the first line in force; test again in two days, before the next one
        ");
        assert!((found.maintenance - 25.0).abs() < 1e-9);
        assert!((found.correction * 2.803_85 / 90.0 - 0.221).abs() < 5e-4, "{found:?}");
    }

    #[test]
    fn what_is_within_the_noise_is_not_proposed() {
        let refused = propose(&plan(), 25.0, &[test(0.0, 8.0), test(3.0, 7.9)], 0.2, None).unwrap_err();
        assert!(refused.iter().any(|line| line.contains("within the noise")), "{refused:?}");
        assert!(propose(&plan(), 25.0, &[test(0.0, f64::NAN), test(3.0, 7.9)], 0.2, None).is_err());
        assert!(propose(&plan(), 25.0, &[test(0.0, 8.0)], 0.2, None).is_err());
    }

    #[test]
    fn a_step_is_a_quarter_or_a_quarter_of_a_degree() {
        assert!((step(&plan(), 20.0, 40.0) - 25.0).abs() < 1e-9);
        assert!((step(&plan(), 40.0, 10.0) - (40.0 - 0.25 * 90.0 / 2.803_85)).abs() < 1e-9);
        assert!((step(&plan(), 20.0, 21.0) - 21.0).abs() < 1e-12);
        assert!((step(&plan(), 0.0, 20.0) - 0.25 * 90.0 / 2.803_85).abs() < 1e-9);
    }
}

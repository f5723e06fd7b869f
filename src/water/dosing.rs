//! From a consumption to a dose: whether the evidence is enough, and in which steps.
//!
//! Rule: act where the wanted change is at least twice its standard uncertainty, otherwise test
//! again. The maintenance dose moves by limited steps; a correction of the level rides on top, and
//! both together stay under the day's limit. Limits are common practice, the keeper's to change.
//!
//! Limits: a plan, not a permission. Interlocks, slots and the daemon's own day limit decide what is
//! really dosed.

use super::consumption::Consumption;
use super::validity::WaterError;

/// What a keeper allows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limits {
    /// Greatest step of the maintenance dose, as a part of it.
    pub step_part: f64,
    /// Greatest step of the maintenance dose, in dKH a day.
    pub step: f64,
    /// Days between two steps.
    pub step_every: f64,
    /// Greatest correction, in dKH a day.
    pub correction: f64,
    /// Greatest total of maintenance and correction, in dKH a day.
    pub day: f64,
    /// How many standard uncertainties the wanted change must have.
    pub least_evidence: f64,
}

impl Limits {
    /// Common practice: a quarter or 0.25 dKH/d every 2 days, 0.3 dKH/d of correction, 1 dKH/d in all, 2 sd.
    pub const USUAL: Self =
        Self { step_part: 0.25, step: 0.25, step_every: 2.0, correction: 0.3, day: 1.0, least_evidence: 2.0 };
}

/// What to do.
#[derive(Clone, Debug, PartialEq)]
pub enum Advice {
    /// The wanted change is within the noise of the tests.
    TestAgain {
        /// Days from the first test at which two tests would be enough, if it goes on like this.
        enough_after_days: Option<f64>,
    },
    /// Dose by this plan.
    Dose(Plan),
}

/// Steps of a dose.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// The phases, in order; the last one has no end.
    pub phases: Vec<Phase>,
    /// Days until the level is where it is wanted; `None` if the limits never let it get there.
    pub level_reached_after: Option<f64>,
}

/// A time of even dosing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Phase {
    /// From when, in days.
    pub from_day: f64,
    /// Until when; `None` for the last one.
    pub until_day: Option<f64>,
    /// The maintenance dose, in mL/d.
    pub maintenance: f64,
    /// The correction on top, in mL/d; negative where the level is too high.
    pub correction: f64,
    /// What the level then does, in dKH/d.
    pub net: f64,
}

/// A dose, and what is wanted of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wanted {
    /// The present dose, in mL/d.
    pub dose: f64,
    /// dKH that one mL raises the tank by.
    pub dkh_per_ml: f64,
    /// The wanted level, in dKH; `None` to keep what is there.
    pub level: Option<f64>,
}

/// The wanted maintenance dose and its standard uncertainty, in mL/d.
pub fn maintenance(found: &Consumption, dkh_per_ml: f64) -> (f64, f64) {
    (found.per_day.max(0.0) / dkh_per_ml, found.sd / dkh_per_ml)
}

/// What to do about a dose after a consumption was found.
pub fn advise(found: &Consumption, wanted: &Wanted, limits: &Limits) -> Result<Advice, WaterError> {
    if !(wanted.dkh_per_ml > 0.0 && wanted.dkh_per_ml.is_finite()) {
        return Err(WaterError::no_answer("the stock raises nothing", "give its strength and the net volume"));
    }
    let (target, sd) = maintenance(found, wanted.dkh_per_ml);
    let change = (target - wanted.dose).abs();
    if change < limits.least_evidence * sd {
        // With two tests the uncertainty falls as the time between them grows.
        let enough = (change > 0.05 * wanted.dose.max(1.0)).then(|| found.days * limits.least_evidence * sd / change);
        return Ok(Advice::TestAgain { enough_after_days: enough });
    }
    if found.per_day > limits.day {
        return Err(WaterError::no_answer(
            format!("the tank uses `{:.2} dKH/d`, more than the limit of `{:.2} dKH/d`", found.per_day, limits.day),
            "check the tests and the stock's strength; a higher day limit is the keeper's decision",
        ));
    }
    Ok(Advice::Dose(plan(found, wanted, limits, target)))
}

fn plan(found: &Consumption, wanted: &Wanted, limits: &Limits, target: f64) -> Plan {
    let k = wanted.dkh_per_ml;
    let mut gap = wanted.level.map_or(0.0, |level| level - found.last);
    let (mut day, mut dose, mut phases, mut reached) = (0.0, wanted.dose, Vec::new(), None);
    let mut next_step = 0.0;
    // A level within a hundredth of a degree is there; no test sees less.
    let there = |gap: f64| gap.abs() < 0.005;
    // A hundred phases are months; a plan that is not done by then never is.
    for _ in 0..100 {
        if day >= next_step {
            dose = stepped(dose, target, limits, k);
            next_step = day + limits.step_every;
        }
        let correction = if there(gap) { 0.0 } else { correction(gap, dose * k, limits) };
        let net = dose * k + correction - found.per_day;
        let closed = (!there(gap) && net * gap > 0.0).then(|| day + gap / net);
        let stepping = (dose - target).abs() >= 1e-9;
        let until = match closed {
            Some(closed) if !stepping || closed < next_step => Some(closed),
            _ => stepping.then_some(next_step),
        };
        phases.push(Phase { from_day: day, until_day: until, maintenance: dose, correction: correction / k, net });
        let Some(end) = until else { break };
        gap -= net * (end - day);
        day = end;
        if there(gap) && reached.is_none() {
            reached = Some(day);
            gap = 0.0;
        }
    }
    Plan {
        phases,
        level_reached_after: if wanted.level.is_some() { reached.or(there(gap).then_some(0.0)) } else { None },
    }
}

/// The maintenance dose after one step towards the target, in mL/d.
fn stepped(dose: f64, target: f64, limits: &Limits, k: f64) -> f64 {
    // From nothing a quarter of nothing would never start: then only the absolute step counts.
    let by_part = if dose > 0.0 { limits.step_part * dose } else { f64::INFINITY };
    let most = by_part.min(limits.step / k);
    dose + (target - dose).clamp(-most, most)
}

/// The correction in dKH/d that the limits leave room for.
fn correction(gap: f64, maintenance: f64, limits: &Limits) -> f64 {
    if gap > 0.0 {
        limits.correction.min(limits.day - maintenance).max(0.0)
    } else {
        -limits.correction.min(maintenance)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// 1 mL of 1 eq/L in 90 L, in dKH.
    const K: f64 = 2.80385 / 90.0;

    fn found(per_day: f64, sd: f64, last: f64) -> Consumption {
        Consumption { per_day, sd, days: 3.0, tests: 2, test_sd: 0.2, scatter: None, last }
    }

    #[test]
    fn the_worked_example_is_met_step_by_step() {
        // 0.823 dKH/d, sd 0.094: 26.4 mL/d wanted from 20, 2.1 sd, act; 25.0 first, then 26.4; of the
        // correction of 0.6 dKH first 0.221 fits under the day's limit, 0.177 net; it takes 3.4 days.
        let wanted = Wanted { dose: 20.0, dkh_per_ml: K, level: Some(8.2) };
        let advice = advise(&found(0.8231, 0.09428, 7.6), &wanted, &Limits::USUAL).unwrap();
        let Advice::Dose(plan) = advice else { panic!("{advice:?}") };
        let [first, second, last] = plan.phases[..] else { panic!("{plan:?}") };
        assert!((first.maintenance - 25.0).abs() < 1e-9 && first.until_day == Some(2.0));
        assert!((first.correction * K - 0.221).abs() < 1e-3 && (first.net - 0.177).abs() < 1e-3, "{first:?}");
        assert!((second.maintenance - 26.4).abs() < 0.05 && (second.net - 0.177).abs() < 1e-3, "{second:?}");
        assert!(last.correction == 0.0 && last.until_day.is_none() && last.net.abs() < 1e-9, "{last:?}");
        assert!((plan.level_reached_after.unwrap() - 3.4).abs() < 0.05);
    }

    #[test]
    fn a_change_within_the_noise_is_not_made() {
        let wanted = Wanted { dose: 24.0, dkh_per_ml: K, level: None };
        let advice = advise(&found(0.823, 0.094, 7.6), &wanted, &Limits::USUAL).unwrap();
        let Advice::TestAgain { enough_after_days: Some(days) } = advice else { panic!("{advice:?}") };
        // Wanted change 2.42 mL/d, sd 3.02: 2 sd is reached when the sd is 1.21, after 7.5 days.
        assert!((days - 7.5).abs() < 0.1, "{days}");
    }

    #[test]
    fn a_tank_that_uses_more_than_a_day_s_limit_is_for_the_keeper() {
        let wanted = Wanted { dose: 20.0, dkh_per_ml: K, level: None };
        assert!(advise(&found(1.4, 0.05, 8.0), &wanted, &Limits::USUAL).is_err());
    }

    #[test]
    fn a_level_that_is_too_high_comes_down_by_dosing_less() {
        let wanted = Wanted { dose: 30.0, dkh_per_ml: K, level: Some(8.0) };
        let advice = advise(&found(0.5, 0.05, 8.6), &wanted, &Limits::USUAL).unwrap();
        let Advice::Dose(plan) = advice else { panic!("{advice:?}") };
        assert!(plan.phases[0].correction < 0.0 && plan.phases[0].net < 0.0, "{plan:?}");
        assert!(plan.level_reached_after.is_some());
    }

    proptest! {
        #[test]
        fn no_day_of_a_plan_is_over_its_limits(
            used in 0.05..1.0f64, dose in 0.0..40.0f64, last in 6.0..10.0f64, level in 6.0..10.0f64
        ) {
            let wanted = Wanted { dose, dkh_per_ml: K, level: Some(level) };
            let limits = Limits::USUAL;
            if let Ok(Advice::Dose(plan)) = advise(&found(used, 0.001, last), &wanted, &limits) {
                let (mut before, mut stepped_at) = (dose, f64::NEG_INFINITY);
                for phase in &plan.phases {
                    prop_assert!(phase.correction.abs() * K <= limits.correction + 1e-9);
                    prop_assert!(phase.maintenance + phase.correction >= -1e-9);
                    let total = (phase.maintenance + phase.correction) * K;
                    // Only a dose that is over the limit already may still be over it while it is stepped down.
                    prop_assert!(total <= limits.day.max(dose * K) + 1e-9, "{:?}", phase);
                    let step = (phase.maintenance - before).abs();
                    prop_assert!(step * K <= limits.step + 1e-9);
                    prop_assert!(before == 0.0 || step <= before * limits.step_part + 1e-9);
                    if step > 1e-9 {
                        prop_assert!(phase.from_day - stepped_at >= limits.step_every - 1e-9, "{:?}", plan);
                        stepped_at = phase.from_day;
                    }
                    before = phase.maintenance;
                }
            }
        }
    }
}

//! What water changes do to something dissolved, and how many are needed.
//!
//! Exact for instant mixing and a constant volume: n changes of a fraction f leave `(1-f)^n` of the
//! difference to the new water; a continuous change of V out of V0 leaves `exp(-V/V0)`. Limits: what
//! the tank itself adds or takes up meanwhile is not in it.

use super::validity::WaterError;

/// The value after `n` changes of a fraction, from `start`, with new water at `new`.
pub fn after_changes(start: f64, new: f64, fraction: f64, n: u32) -> Result<f64, WaterError> {
    let left = 1.0 - check(fraction)?;
    Ok(new + (start - new) * left.powi(i32::try_from(n).unwrap_or(i32::MAX)))
}

/// The value after a continuous change of `volumes` tank volumes (in as fast as out, always mixed).
pub fn after_continuous(start: f64, new: f64, volumes: f64) -> f64 {
    new + (start - new) * (-volumes.max(0.0)).exp()
}

/// How many changes of a fraction bring `start` to `target` or beyond.
pub fn changes_needed(start: f64, new: f64, target: f64, fraction: f64) -> Result<u32, WaterError> {
    let fraction = check(fraction)?;
    let left = part_left(start, new, target)?;
    if fraction >= 1.0 {
        return Ok(1);
    }
    // A part that n changes leave exactly counts as reached, in spite of rounding.
    let n = (left.ln() / (1.0 - fraction).ln() - 1e-9).ceil();
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "positive, and bounded by the check")]
    if n <= 10_000.0 {
        Ok(n as u32)
    } else {
        Err(WaterError::no_answer(
            format!("it would take `{n:.0}` changes"),
            "change more at a time, or use new water further from the target",
        ))
    }
}

/// How many tank volumes a continuous change needs to bring `start` to `target`.
pub fn volumes_needed(start: f64, new: f64, target: f64) -> Result<f64, WaterError> {
    Ok(-part_left(start, new, target)?.ln())
}

fn check(fraction: f64) -> Result<f64, WaterError> {
    if fraction > 0.0 && fraction <= 1.0 {
        Ok(fraction)
    } else {
        Err(WaterError::no_answer(
            format!("a change of `{:.1} %` of the tank is no water change", fraction * 100.0),
            "give a change above 0 and up to the tank's volume",
        ))
    }
}

/// The part of the difference to the new water that may be left, up to 1: all of it.
fn part_left(start: f64, new: f64, target: f64) -> Result<f64, WaterError> {
    let difference = start - new;
    let left = if difference == 0.0 { f64::NAN } else { (target - new) / difference };
    if left > 0.0 && left <= 1.0 {
        Ok(left)
    } else {
        Err(WaterError::no_answer(
            format!("new water at `{new}` does not bring `{start}` to `{target}`"),
            "the target must lie between the tank's value and the new water's",
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_table_of_dilutions_is_met() {
        // checks.csv, dil: (1-f)^n and exp(-V/V0), exact.
        for (n, fraction, expected) in
            [(1, 0.1, 0.9), (5, 0.1, 0.59049), (10, 0.1, 0.3486784401), (4, 0.25, 0.31640625), (3, 0.2, 0.512)]
        {
            assert!((after_changes(1.0, 0.0, fraction, n).unwrap() - expected).abs() < 1e-12);
        }
        for (volumes, expected) in [(0.1, 0.904837418), (0.5, 0.6065306597), (1.0, 0.3678794412)] {
            assert!((after_continuous(1.0, 0.0, volumes) - expected).abs() < 1e-9);
        }
    }

    #[test]
    fn the_number_of_changes_is_the_least_that_reaches_the_target() {
        // 40 to 10 mg/L by changes of a fifth: 0.8^6 = 0.262 is not enough, 0.8^7 = 0.210 is.
        assert_eq!(changes_needed(40.0, 0.0, 10.0, 0.2), Ok(7));
        assert_eq!(changes_needed(40.0, 0.0, 20.48, 0.2), Ok(3));
        assert_eq!(changes_needed(10.0, 0.0, 10.0, 0.2), Ok(0));
        assert_eq!(changes_needed(7.0, 9.0, 8.0, 0.5), Ok(1));
        assert!((volumes_needed(40.0, 0.0, 10.0).unwrap() - 4.0_f64.ln()).abs() < 1e-12);
    }

    #[test]
    fn what_new_water_cannot_do_is_refused() {
        assert!(changes_needed(40.0, 10.0, 5.0, 0.2).is_err());
        assert!(changes_needed(40.0, 40.0, 5.0, 0.2).is_err());
        assert!(changes_needed(40.0, 10.0, 10.0, 0.2).is_err(), "reached only at the end of time");
        assert!(changes_needed(8.0, 7.0, 9.0, 0.2).is_err(), "it goes the other way");
        assert!(after_changes(40.0, 0.0, 1.2, 1).is_err());
    }

    proptest! {
        #[test]
        fn the_number_found_reaches_it_and_one_less_does_not(
            start in 1.0..100.0f64, part in 0.01..0.99f64, fraction in 0.02..0.9f64
        ) {
            let n = changes_needed(start, 0.0, start * part, fraction).unwrap();
            prop_assert!(after_changes(start, 0.0, fraction, n).unwrap() <= start * part * (1.0 + 1e-6));
            prop_assert!(n == 0 || after_changes(start, 0.0, fraction, n - 1).unwrap() > start * part * (1.0 - 1e-6));
        }
    }
}

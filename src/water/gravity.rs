//! Specific gravity at any pair of reference temperatures, both ways.
//!
//! Definition: the density of the water at the first temperature over the density of pure water at
//! the second, both by EOS-80 at one atmosphere. One salinity is another specific gravity for each
//! pair: 35 is 1.026373 at 25/25, 1.026604 at 20/20 and 1.024350 at 77/60 °F.

use crate::units::{PracticalSalinity, ReferencePair, SpecificGravity};

use super::validity::WaterError;
use super::{density, solve};

/// Specific gravity of water of this salinity.
pub fn specific_gravity(salinity: PracticalSalinity, pair: ReferencePair) -> Result<SpecificGravity, WaterError> {
    let water = density::density(salinity, pair.water())?;
    let pure = density::of_pure_water(pair.reference())?;
    let ratio = water.kilograms_per_cubic_metre() / pure.kilograms_per_cubic_metre();
    Ok(SpecificGravity::new(ratio, pair).expect("a ratio of densities of water is near 1"))
}

/// Salinity of water of this specific gravity; refused where no salinity from 0 to 42 has it.
pub fn salinity(gravity: SpecificGravity) -> Result<PracticalSalinity, WaterError> {
    let pair = gravity.pair();
    let pure = density::of_pure_water(pair.reference())?.kilograms_per_cubic_metre();
    let t = pair.water().celsius();
    let range = density::SALINITIES;
    let (least, greatest) = (density::at(range.least, t) / pure, density::at(range.greatest, t) / pure);
    if !(least - 1e-12..=greatest + 1e-12).contains(&gravity.value()) {
        return Err(WaterError::OutOfRange {
            formula: "EOS-80",
            what: format!("specific gravity {pair}"),
            value: gravity.value(),
            unit: "",
            least,
            greatest,
        });
    }
    let salinity = solve::increasing(|s| density::at(s, t), range.least, range.greatest, gravity.value() * pure);
    Ok(PracticalSalinity::from_psu(salinity).expect("between 0 and 42"))
}

/// The pairs that stand on instruments of the trade.
pub fn common_pairs() -> [ReferencePair; 5] {
    let pair = |made: Result<ReferencePair, _>| made.expect("a pair from 0 to 40 °C");
    [
        pair(ReferencePair::celsius(25.0, 25.0)),
        pair(ReferencePair::celsius(20.0, 20.0)),
        pair(ReferencePair::fahrenheit(60.0, 60.0)),
        pair(ReferencePair::fahrenheit(77.0, 60.0)),
        pair(ReferencePair::celsius(25.0, 4.0)),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::water::testing::{psu, rows};
    use proptest::prelude::*;

    #[test]
    fn the_table_of_specific_gravities_is_met() {
        // Six decimals, computed from EOS-80 and from TEOS-10 with independent libraries.
        let mut seen = 0;
        for row in rows(include_str!("../../tests/data/specific_gravity.csv")) {
            for (column, pair) in [
                ("SG_25C/25C", "25/25"),
                ("SG_20C/20C", "20/20"),
                ("SG_60F/60F", "60/60 °F"),
                ("SG_77F/60F", "77/60 °F"),
                ("SG_25C/20C", "25/20"),
                ("SG_25C/4C", "25/4"),
                ("SG_20C/4C", "20/4"),
                ("SG_15C/15C", "15/15"),
                ("SG_26C/26C", "26/26"),
                ("SG_24C/24C", "24/24"),
            ] {
                let found = specific_gravity(psu(row.number("SP")), pair.parse().unwrap()).unwrap().value();
                let expected = row.number(&format!("{column}_EOS80"));
                assert!((found - expected).abs() < 6e-7, "S {} {pair}: {found}, not {expected}", row.number("SP"));
                let other = row.number(&format!("{column}_TEOS10"));
                assert!((found - other).abs() < 7e-6, "S {} {pair}: {found}, TEOS-10 {other}", row.number("SP"));
                seen += 1;
            }
        }
        assert_eq!(seen, 100);
    }

    #[test]
    fn one_reading_is_another_salinity_for_each_pair() {
        // checks.csv, S_from_SG: computed with an independent root finder.
        for (value, pair, expected) in [
            (1.023, "25/25", 30.545),
            (1.023, "20/20", 30.2778),
            (1.025, "60/60 °F", 32.5865),
            (1.0264, "25/25", 35.036),
            (1.0264, "20/20", 34.7328),
            (1.0264, "60/60 °F", 34.4039),
            (1.0264, "25/4", 39.0085),
        ] {
            let found = salinity(SpecificGravity::new(value, pair.parse().unwrap()).unwrap()).unwrap().psu();
            assert!((found - expected).abs() < 1e-4, "{value} {pair}: {found}, not {expected}");
        }
    }

    #[test]
    fn a_gravity_that_no_salinity_has_is_refused_with_the_range() {
        let heavy = salinity("1.040 sg 25/25".parse().unwrap()).unwrap_err().to_string();
        assert!(heavy.contains("specific gravity 25/25 `1.04` is outside the range of EOS-80"), "{heavy}");
        assert!(salinity("0.990 sg 25/25".parse().unwrap()).is_err());
    }

    proptest! {
        #[test]
        fn there_and_back_is_where_it_began(s in 0.0..42.0f64, t in 0.0..40.0f64, t0 in 0.0..40.0f64) {
            let pair = ReferencePair::celsius(t, t0).unwrap();
            let back = salinity(specific_gravity(psu(s), pair).unwrap()).unwrap();
            prop_assert!((back.psu() - s).abs() < 1e-9);
        }
    }
}

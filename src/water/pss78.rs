//! Practical salinity from conductivity and temperature, and back: PSS-78.
//!
//! Sources: Practical Salinity Scale 1978 (Fofonoff & Millard 1983, UNESCO Technical Papers in
//! Marine Science 44), with the low-salinity extension of Hill, Dauphinee & Woods (1986), scaled to
//! meet PSS-78 without a step at a salinity of 2, as the TEOS-10 library does it (IOC et al. 2010).
//!
//! Temperature scale: PSS-78 is defined on IPTS-68; temperatures come in on ITS-90 and are
//! converted here, `t68 = 1.00024 * t90`. Taking one for the other shifts salinity by 0.005 at 25 °C.
//!
//! Valid for temperatures from -2 to 35 °C and salinities from 0 to 42; refused outside. A tank is
//! at atmospheric pressure: the pressure term is kept for the published check values only.

use crate::units::{Conductivity, PracticalSalinity, Temperature};

use super::solve;
use super::validity::{Range, WaterError};

/// Conductivity at a salinity of 35, 15 °C (IPTS-68) and sea pressure 0, in mS/cm (Culkin & Smith 1980).
pub const C_35_15_0: f64 = 42.914;

/// ITS-90 temperature times this is the IPTS-68 temperature (Saunders 1990).
pub const T68_PER_T90: f64 = 1.00024;

const FORMULA: &str = "PSS-78 (below 2 by Hill et al. 1986)";

/// Temperatures of the scale.
pub const TEMPERATURES: Range =
    Range { formula: FORMULA, what: "temperature", unit: "°C", least: -2.0, greatest: 35.0 };

/// Salinities of the scale.
pub const SALINITIES: Range =
    Range { formula: FORMULA, what: "practical salinity", unit: "", least: 0.0, greatest: 42.0 };

const A: [f64; 6] = [0.0080, -0.1692, 25.3851, 14.0941, -7.0261, 2.7081];
const B: [f64; 6] = [0.0005, -0.0056, -0.0066, -0.0375, 0.0636, -0.0144];
const C: [f64; 5] = [0.6766097, 2.00564e-2, 1.104259e-4, -6.9698e-7, 1.0031e-9];
const K: f64 = 0.0162;

/// Practical salinity of water of this conductivity at this temperature.
pub fn salinity(conductivity: Conductivity, temperature: Temperature) -> Result<PracticalSalinity, WaterError> {
    let t68 = TEMPERATURES.check(temperature.celsius())? * T68_PER_T90;
    let salinity = SALINITIES.check(salinity_of_ratio(conductivity.millisiemens_per_cm() / C_35_15_0, t68))?;
    Ok(PracticalSalinity::from_psu(salinity.clamp(0.0, SALINITIES.greatest)).expect("checked to be on the scale"))
}

/// Conductivity of water of this practical salinity at this temperature.
pub fn conductivity(salinity: PracticalSalinity, temperature: Temperature) -> Result<Conductivity, WaterError> {
    let t68 = TEMPERATURES.check(temperature.celsius())? * T68_PER_T90;
    let target = SALINITIES.check(salinity.psu())?;
    // The root of the ratio is what the scale is a polynomial of; 1.2 is beyond a salinity of 42 everywhere.
    let scale = Scale::at(t68);
    let root = solve::increasing(|root| scale.salinity(root), 0.0, 1.2, target);
    let value = root * root * ratio_at_35(t68) * C_35_15_0;
    Ok(Conductivity::from_millisiemens_per_cm(value).expect("the scale ends below 90 mS/cm"))
}

/// Salinity of a conductivity ratio `C/C(35,15,0)`, sea pressure 0; not checked.
fn salinity_of_ratio(ratio: f64, t68: f64) -> f64 {
    Scale::at(t68).salinity((ratio / ratio_at_35(t68)).sqrt())
}

/// `C(35,t,0) / C(35,15,0)`: UNESCO 44, equation 3.
fn ratio_at_35(t68: f64) -> f64 {
    horner(&C, t68)
}

/// The scale at one temperature.
struct Scale {
    /// `(t68 - 15) / (1 + k (t68 - 15))`
    shift: f64,
    /// What both polynomials together are at this temperature.
    coefficients: [f64; 6],
}

impl Scale {
    fn at(t68: f64) -> Self {
        let shift = (t68 - 15.0) / (1.0 + K * (t68 - 15.0));
        Self { shift, coefficients: std::array::from_fn(|i| A[i] + shift * B[i]) }
    }

    /// UNESCO 44, equations 1 and 2; below 2 with the extension.
    fn salinity(&self, root: f64) -> f64 {
        let plain = horner(&self.coefficients, root);
        if plain >= 2.0 { plain } else { self.extended(root, plain) }
    }

    fn extended(&self, root: f64, plain: f64) -> f64 {
        // Newton's rule, quadratic from this close a start (the root at 2 lies between 0.24 and 0.25).
        let mut at_two = 0.2405;
        for _ in 0..4 {
            at_two -= (horner(&self.coefficients, at_two) - 2.0) / self.slope(at_two);
        }
        let scale = 2.0 / self.hill(at_two, 2.0);
        (self.hill(root, plain) * scale).max(0.0)
    }

    /// Hill et al. 1986: the terms that bring the scale to 0 where the conductivity is 0.
    fn hill(&self, root: f64, plain: f64) -> f64 {
        let x = 400.0 * root * root;
        let y = 10.0 * root;
        plain - A[0] / (1.0 + x * (1.5 + x)) - B[0] * self.shift / (1.0 + y * (1.0 + y * (1.0 + y)))
    }

    fn slope(&self, root: f64) -> f64 {
        let c = &self.coefficients;
        c[1] + root * (2.0 * c[2] + root * (3.0 * c[3] + root * (4.0 * c[4] + root * 5.0 * c[5])))
    }
}

/// A polynomial, the constant first.
pub(super) fn horner(coefficients: &[f64], x: f64) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, coefficient| sum.mul_add(x, *coefficient))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::water::testing::{celsius, psu, rows, siemens};
    use proptest::prelude::*;

    /// UNESCO 44, equation 4: `R = Rp * rt * Rt`; only the check values need it.
    fn without_pressure(ratio: f64, t68: f64, dbar: f64) -> f64 {
        let raise = dbar * (2.070e-5 + dbar * (-6.370e-10 + dbar * 3.989e-15));
        let by = 1.0 + 3.426e-2 * t68 + 4.464e-4 * t68 * t68 + (4.215e-1 - 3.107e-3 * t68) * ratio;
        ratio / (1.0 + raise / by)
    }

    #[test]
    fn the_published_check_values_of_unesco_44_are_met() {
        // Fofonoff & Millard 1983, UNESCO 44: published values from memory, confirmed by two libraries.
        for (ratio, t68, dbar, expected) in [
            (1.0, 15.0, 0.0, 35.0),
            (1.2, 20.0, 2000.0, 37.245628),
            (0.65, 5.0, 1500.0, 27.995347),
            (1.888091, 40.0, 10000.0, 40.0),
        ] {
            let salinity = salinity_of_ratio(without_pressure(ratio, t68, dbar), t68);
            assert!((salinity - expected).abs() < 5e-6, "R {ratio} t68 {t68}: {salinity}, not {expected}");
        }
    }

    #[test]
    fn the_published_table_of_conductivities_is_met_both_ways() {
        // tests/data/pss78_points.csv: computed with the TEOS-10 library and with an independent one.
        let mut seen = 0;
        for row in rows(include_str!("../../tests/data/pss78_points.csv")) {
            let (s, t, c) = (row.number("SP"), row.number("t90_C"), row.number("C_mS_cm"));
            let back = salinity(siemens(c), celsius(t)).unwrap().psu();
            assert!((back - s).abs() < 1e-7, "C {c} at {t}: {back}, not {s}");
            let there = conductivity(psu(s), celsius(t)).unwrap().millisiemens_per_cm();
            assert!((there - c).abs() < 1e-7, "S {s} at {t}: {there}, not {c}");
            seen += 1;
        }
        assert_eq!(seen, 56);
        // checks.csv, SP_from_C: TEOS-10 library.
        for (c, t, s) in [
            (50.0, 25.0, 32.73316711),
            (53.0, 25.0, 34.94729927),
            (48.0, 20.0, 35.0671887),
            (58.0, 30.0, 34.75871355),
            (30.0, 25.0, 18.56994526),
            (60.0, 25.0, 40.20198809),
            (35.0, 22.0, 23.54293645),
        ] {
            let found = salinity(siemens(c), celsius(t)).unwrap().psu();
            assert!((found - s).abs() < 1e-7, "C {c} at {t}: {found}, not {s}");
        }
    }

    #[test]
    fn outside_the_scale_it_refuses() {
        assert!(salinity(siemens(53.0), celsius(35.5)).is_err());
        assert!(salinity(siemens(53.0), celsius(-2.5)).is_err());
        let message = salinity(siemens(70.0), celsius(25.0)).unwrap_err().to_string();
        assert!(message.starts_with("practical salinity `47.9"), "{message}");
        assert!(salinity(siemens(200.0), celsius(-2.0)).is_err());
        assert!(conductivity(psu(43.0), celsius(25.0)).is_err());
        assert!(salinity(siemens(0.0), celsius(25.0)).unwrap().psu() < 1e-12);
    }

    proptest! {
        #[test]
        fn it_agrees_with_the_teos_10_library_over_the_whole_scale(s in 0.0..42.0f64, t in -2.0..35.0f64) {
            let oracle = gsw::practical_salinity::c_from_sp(s, t, 0.0).unwrap();
            let ours = conductivity(psu(s), celsius(t)).unwrap().millisiemens_per_cm();
            prop_assert!((ours - oracle).abs() < 2e-7, "{} and {}", ours, oracle);
            let back = gsw::practical_salinity::sp_from_c(ours, t, 0.0).unwrap();
            prop_assert!((salinity(siemens(ours), celsius(t)).unwrap().psu() - back).abs() < 1e-7);
        }

        #[test]
        fn there_and_back_is_where_it_began(s in 0.0..42.0f64, t in -2.0..35.0f64) {
            let c = conductivity(psu(s), celsius(t)).unwrap();
            prop_assert!((salinity(c, celsius(t)).unwrap().psu() - s).abs() < 1e-9);
        }

        #[test]
        fn more_conductivity_is_more_salt(c in 0.001..60.0f64, more in 0.0001..5.0f64, t in -2.0..35.0f64) {
            // Past the end of the scale it must go on refusing, whatever the polynomial does there.
            let first = salinity(siemens(c), celsius(t));
            let second = salinity(siemens(c + more), celsius(t));
            match (first, second) {
                (Ok(first), Ok(second)) => prop_assert!(second > first),
                (Err(_), Ok(_)) => prop_assert!(false, "back on the scale at {} mS/cm", c + more),
                (_, Err(_)) => {}
            }
        }

        #[test]
        fn warmer_water_conducts_better(s in 0.1..42.0f64, t in -2.0..34.0f64) {
            prop_assert!(conductivity(psu(s), celsius(t + 1.0)).unwrap() > conductivity(psu(s), celsius(t)).unwrap());
        }
    }
}

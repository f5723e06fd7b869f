//! Density of pure water and of seawater at atmospheric pressure: EOS-80.
//!
//! Sources: Millero & Poisson 1981 (one-atmosphere international equation of state), pure water by
//! Bigg 1967 as in UNESCO 44, equations 13 and 14; on IPTS-68, converted here.
//!
//! Why EOS-80 and not TEOS-10: it takes practical salinity as probes give it, is what hydrometer
//! tables and published check values use, and needs no assumption about composition. The two differ
//! by less than 0.006 kg/m³ from 15 to 30 °C, that is 0.000006 in specific gravity (a test holds this).
//!
//! Valid for salinities from 0 to 42 and temperatures from -2 to 40 °C; refused outside.

use crate::units::{Density, PracticalSalinity, Temperature};

use super::pss78::{T68_PER_T90, horner};
use super::validity::{Range, WaterError};

const FORMULA: &str = "EOS-80";

/// Temperatures of the equation of state.
pub const TEMPERATURES: Range =
    Range { formula: FORMULA, what: "temperature", unit: "°C", least: -2.0, greatest: 40.0 };

/// Salinities of the equation of state.
pub const SALINITIES: Range =
    Range { formula: FORMULA, what: "practical salinity", unit: "", least: 0.0, greatest: 42.0 };

/// Density of pure water, in kg/m³ (Bigg 1967; UNESCO 44, equation 14).
const PURE: [f64; 6] = [999.842594, 6.793952e-2, -9.095290e-3, 1.001685e-4, -1.120083e-6, 6.536332e-9];
const S1: [f64; 5] = [8.24493e-1, -4.0899e-3, 7.6438e-5, -8.2467e-7, 5.3875e-9];
const S32: [f64; 3] = [-5.72466e-3, 1.0227e-4, -1.6546e-6];
const S2: f64 = 4.8314e-4;

/// Density of seawater at one atmosphere.
pub fn density(salinity: PracticalSalinity, temperature: Temperature) -> Result<Density, WaterError> {
    let t90 = TEMPERATURES.check(temperature.celsius())?;
    let s = SALINITIES.check(salinity.psu())?;
    Ok(Density::from_kilograms_per_cubic_metre(at(s, t90)).expect("seawater is near 1000 kg/m³"))
}

/// Density of pure water at one atmosphere.
pub fn of_pure_water(temperature: Temperature) -> Result<Density, WaterError> {
    density(PracticalSalinity::from_psu(0.0).expect("zero is a salinity"), temperature)
}

/// Density in kg/m³, not checked.
pub(super) fn at(s: f64, t90: f64) -> f64 {
    let t68 = t90 * T68_PER_T90;
    horner(&PURE, t68) + s * (horner(&S1, t68) + s.sqrt() * horner(&S32, t68) + s * S2)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::water::testing::rows;
    use proptest::prelude::*;

    fn of(s: f64, t: f64) -> f64 {
        density(PracticalSalinity::from_psu(s).unwrap(), Temperature::from_celsius(t).unwrap())
            .unwrap()
            .kilograms_per_cubic_metre()
    }

    /// TEOS-10 with the reference composition: the library's 75-term polynomial.
    fn teos10(s: f64, t: f64) -> f64 {
        let sa = gsw::conversions::sr_from_sp(s);
        gsw::volume::rho(sa, gsw::conversions::ct_from_pt(sa, t).unwrap(), 0.0).unwrap()
    }

    #[test]
    fn the_published_check_values_are_met() {
        // Millero & Poisson 1981; UNESCO 38 and 44. Temperatures on IPTS-68.
        for (s, t68, expected) in
            [(0.0, 5.0, 999.96675), (0.0, 25.0, 997.04796), (35.0, 5.0, 1027.67547), (35.0, 25.0, 1023.34306)]
        {
            let found = of(s, t68 / T68_PER_T90);
            assert!((found - expected).abs() < 5e-6, "S {s} t68 {t68}: {found}, not {expected}");
        }
        // Bigg 1967 in EOS-80, on ITS-90.
        for (t, expected) in [(4.0, 999.974958), (15.0, 999.101032), (20.0, 998.205329), (30.0, 995.64896)] {
            assert!((of(0.0, t) - expected).abs() < 1e-6, "{t}: {}", of(0.0, t));
        }
    }

    #[test]
    fn the_table_of_densities_is_met_and_teos_10_is_near() {
        let mut seen = 0;
        for row in rows(include_str!("../../tests/data/density_points.csv")) {
            let (s, t) = (row.number("SP"), row.number("t90_C"));
            let found = of(s, t);
            assert!((found - row.number("rho_EOS80_kg_m3")).abs() < 1.1e-6, "S {s} t {t}: {found}");
            let other = row.number("rho_TEOS10_exact_SR");
            assert!((found - other).abs() < 0.006, "S {s} t {t}: {found}, TEOS-10 {other}");
            seen += 1;
        }
        assert_eq!(seen, 81);
    }

    #[test]
    fn outside_its_range_it_refuses() {
        let hot = density(PracticalSalinity::from_psu(35.0).unwrap(), Temperature::from_celsius(41.0).unwrap());
        assert!(hot.unwrap_err().to_string().contains("EOS-80"));
        let brine = density(PracticalSalinity::from_psu(43.0).unwrap(), Temperature::from_celsius(25.0).unwrap());
        assert!(brine.is_err());
    }

    proptest! {
        #[test]
        fn it_is_near_teos_10_over_its_whole_range(s in 0.0..42.0f64, t in -2.0..40.0f64) {
            prop_assert!((of(s, t) - teos10(s, t)).abs() < 0.02, "{} and {}", of(s, t), teos10(s, t));
        }

        #[test]
        fn salt_makes_water_heavier(s in 0.0..41.0f64, t in -2.0..40.0f64) {
            prop_assert!(of(s + 0.5, t) > of(s, t));
        }
    }
}

//! Specific heat capacity of seawater at atmospheric pressure.
//!
//! Source: Millero, Perron & Desnoyers 1973, as UNESCO 44, equation 26; on IPTS-68, converted here.
//! Fitted for salinities from 0 to 40 and temperatures from 0 to 35 °C with a standard deviation of
//! 0.5 J/kg/K. To a salinity of 42 and from -2 to 40 °C the value is a marked extrapolation: it stays
//! within 0.15 % of TEOS-10 there (a test holds this). Refused beyond.

use crate::units::{PracticalSalinity, Temperature};

use super::pss78::{T68_PER_T90, horner};
use super::validity::{Marked, Range, WaterError};

const FORMULA: &str = "Millero et al. 1973";

/// Temperatures of the fit.
pub const TEMPERATURES: Range =
    Range { formula: FORMULA, what: "temperature", unit: "°C", least: 0.0, greatest: 35.0 };

/// Salinities of the fit.
pub const SALINITIES: Range =
    Range { formula: FORMULA, what: "practical salinity", unit: "", least: 0.0, greatest: 40.0 };

const PURE: [f64; 5] = [4217.4, -3.720283, 0.1412855, -2.654387e-3, 2.093236e-5];
const S1: [f64; 3] = [-7.64357, 0.1072763, -1.38385e-3];
const S32: [f64; 3] = [0.1770383, -4.07718e-3, 5.148e-5];

/// Specific heat capacity, in J/kg/K.
pub fn heat_capacity(salinity: PracticalSalinity, temperature: Temperature) -> Result<Marked<f64>, WaterError> {
    let (s, t) = (salinity.psu(), temperature.celsius());
    let mark = |range: Range, value: f64, extrapolated: std::ops::RangeInclusive<f64>| match value {
        value if range.holds(value) => Ok(None),
        value if extrapolated.contains(&value) => Ok(Some(range)),
        value => Err(range.refusal(value)),
    };
    let beyond = mark(TEMPERATURES, t, -2.0..=40.0)?.or(mark(SALINITIES, s, 0.0..=42.0)?);
    let t68 = t * T68_PER_T90;
    Ok(Marked { value: horner(&PURE, t68) + s * (horner(&S1, t68) + s.sqrt() * horner(&S32, t68)), beyond })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::water::testing::rows;

    fn at(s: f64, t: f64) -> Result<Marked<f64>, WaterError> {
        heat_capacity(PracticalSalinity::from_psu(s).unwrap(), Temperature::from_celsius(t).unwrap())
    }

    #[test]
    fn the_table_of_heat_capacities_is_met_and_teos_10_is_near() {
        let mut seen = 0;
        for row in rows(include_str!("../../tests/data/cp_points.csv")) {
            let (s, t) = (row.number("SP"), row.number("t90_C"));
            let found = at(s, t).unwrap().value;
            assert!((found - row.number("cp_Millero1973_UNESCO_J_kgK")).abs() < 1e-3, "S {s} t {t}: {found}");
            let other = row.number("cp_TEOS10_J_kgK");
            assert!((found / other - 1.0).abs() < 0.0015, "S {s} t {t}: {found}, TEOS-10 {other}");
            seen += 1;
        }
        assert_eq!(seen, 77);
    }

    #[test]
    fn outside_the_fit_it_is_marked_and_further_out_refused() {
        assert_eq!(at(35.0, 25.0).unwrap().beyond, None);
        assert_eq!(at(41.0, 25.0).unwrap().beyond, Some(SALINITIES));
        assert_eq!(at(35.0, 38.0).unwrap().beyond, Some(TEMPERATURES));
        assert!(at(35.0, 41.0).is_err() && at(43.0, 25.0).is_err());
    }
}

//! Refractive index of seawater for the sodium D line, 589.3 nm, relative to air, both ways.
//!
//! Source: Quan & Fry 1995, Applied Optics 34:3477, equation 3, a fit to the measurements that
//! Austin & Halikas 1976 collected; the coefficients were read in several public codes.
//! Fitted for salinities from 0 to 35 and temperatures from 0 to 30 °C. From 35 to 42 the value is a
//! marked extrapolation: the fit is linear in salinity, and comparisons with later measurements of
//! brines found it to hold well beyond. Temperatures outside are refused.
//!
//! Precision: 0.0001 in the index is about 0.5 in salinity, and 1 °C is about as much again: a
//! refractometer without temperature compensation needs the temperature of the sample.

use crate::units::{PracticalSalinity, RefractiveIndex, Temperature};

use super::validity::{Marked, Range, WaterError};

const FORMULA: &str = "Quan & Fry 1995";

/// The sodium D line, in nm.
const D_LINE: f64 = 589.3;

/// Temperatures of the fit.
pub const TEMPERATURES: Range =
    Range { formula: FORMULA, what: "temperature", unit: "°C", least: 0.0, greatest: 30.0 };

/// Salinities of the fit.
pub const SALINITIES: Range =
    Range { formula: FORMULA, what: "practical salinity", unit: "", least: 0.0, greatest: 35.0 };

/// The salinity to which an extrapolation is given.
const EXTRAPOLATED_TO: f64 = 42.0;

const N: [f64; 10] = [1.31405, 1.779e-4, -1.05e-6, 1.6e-8, -2.02e-6, 15.868, 0.01155, -0.00423, -4382.0, 1.1455e6];

/// Refractive index of water of this salinity at this temperature.
pub fn refractive_index(
    salinity: PracticalSalinity,
    temperature: Temperature,
) -> Result<Marked<RefractiveIndex>, WaterError> {
    let (pure, slope) = line(TEMPERATURES.check(temperature.celsius())?);
    let beyond = check_salinity(salinity.psu())?;
    let value = RefractiveIndex::from_n_d(pure + slope * salinity.psu()).expect("water is near 1.34");
    Ok(Marked { value, beyond })
}

/// Salinity of water of this refractive index at this temperature.
pub fn salinity(index: RefractiveIndex, temperature: Temperature) -> Result<Marked<PracticalSalinity>, WaterError> {
    let (pure, slope) = line(TEMPERATURES.check(temperature.celsius())?);
    let salinity = (index.n_d() - pure) / slope;
    // Distilled water on a scale of five decimals may read a little below the fit.
    let salinity = if (-0.05..0.0).contains(&salinity) { 0.0 } else { salinity };
    let beyond = check_salinity(salinity).map_err(|_| WaterError::OutOfRange {
        formula: FORMULA,
        what: format!("refractive index at {temperature}"),
        value: index.n_d(),
        unit: "",
        least: pure,
        greatest: pure + slope * EXTRAPOLATED_TO,
    })?;
    Ok(Marked { value: PracticalSalinity::from_psu(salinity).expect("between 0 and 42"), beyond })
}

fn check_salinity(s: f64) -> Result<Option<Range>, WaterError> {
    match s {
        s if SALINITIES.holds(s) => Ok(None),
        s if (0.0..=EXTRAPOLATED_TO + 1e-9).contains(&s) => Ok(Some(SALINITIES)),
        s => Err(SALINITIES.refusal(s)),
    }
}

/// The index of pure water, and its increase with salinity, at the D line.
fn line(t: f64) -> (f64, f64) {
    let pure =
        N[0] + N[4] * t * t + (N[5] + N[7] * t) / D_LINE + N[8] / (D_LINE * D_LINE) + N[9] / (D_LINE * D_LINE * D_LINE);
    (pure, N[1] + N[2] * t + N[3] * t * t + N[6] / D_LINE)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(s: f64, t: f64) -> Result<Marked<RefractiveIndex>, WaterError> {
        refractive_index(PracticalSalinity::from_psu(s).unwrap(), Temperature::from_celsius(t).unwrap())
    }

    #[test]
    fn the_table_of_indices_is_met() {
        // checks.csv, nD: Quan & Fry 1995, equation 3, evaluated elsewhere; the paper itself was not read.
        for (s, t, expected) in [
            (0.0, 15.0, 1.333394),
            (0.0, 20.0, 1.333004),
            (0.0, 25.0, 1.332514),
            (30.0, 15.0, 1.338954),
            (30.0, 20.0, 1.338491),
            (30.0, 25.0, 1.337952),
            (35.0, 15.0, 1.339881),
            (35.0, 20.0, 1.339406),
            (35.0, 25.0, 1.338858),
        ] {
            let found = at(s, t).unwrap();
            assert!((found.value.n_d() - expected).abs() < 1e-6, "S {s} t {t}: {}", found.value.n_d());
            assert_eq!(found.beyond, None);
        }
    }

    #[test]
    fn above_35_it_is_marked_and_outside_0_to_30_degrees_refused() {
        assert_eq!(at(38.0, 25.0).unwrap().beyond, Some(SALINITIES));
        assert!(at(43.0, 25.0).is_err());
        assert!(at(35.0, 30.5).is_err());
        let index = RefractiveIndex::from_n_d(1.36).unwrap();
        assert!(salinity(index, Temperature::from_celsius(20.0).unwrap()).is_err());
    }

    proptest! {
        #[test]
        fn there_and_back_is_where_it_began(s in 0.0..42.0f64, t in 0.0..30.0f64) {
            let back = salinity(at(s, t).unwrap().value, Temperature::from_celsius(t).unwrap()).unwrap();
            prop_assert!((back.value.psu() - s).abs() < 1e-9);
        }
    }
}

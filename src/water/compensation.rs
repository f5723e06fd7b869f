//! Conductivity brought to 25 °C, and back, and what a probe's linear compensation does wrong.
//!
//! The right way goes through PSS-78: salinity at the temperature of the sample, then conductivity
//! of that salinity at 25 °C. A linear compensation divides by `1 + coefficient * (t - 25)` instead;
//! seawater does not do that. With 2 %/°C a probe at 18 °C makes S 0.22 too high out of 35, with
//! 1.91 %/°C 0.07 too low. Where coefficient and temperature are known it can be undone exactly.

use crate::units::{Conductivity, PracticalSalinity, Temperature, TemperatureCoefficient};

use super::pss78;
use super::validity::WaterError;

/// The temperature that conductivities are brought to, in °C.
const REFERENCE: f64 = 25.0;

fn reference() -> Temperature {
    Temperature::from_celsius(REFERENCE).expect("25 °C is a temperature")
}

/// What the water of this conductivity and temperature would conduct at 25 °C.
pub fn to_25(conductivity: Conductivity, temperature: Temperature) -> Result<Conductivity, WaterError> {
    pss78::conductivity(pss78::salinity(conductivity, temperature)?, reference())
}

/// What water of this conductivity at 25 °C conducts at another temperature.
pub fn from_25(at_25: Conductivity, temperature: Temperature) -> Result<Conductivity, WaterError> {
    pss78::conductivity(pss78::salinity(at_25, reference())?, temperature)
}

/// What a linearly compensating probe shows.
pub fn linear(
    conductivity: Conductivity,
    temperature: Temperature,
    coefficient: TemperatureCoefficient,
) -> Result<Conductivity, WaterError> {
    made(conductivity.millisiemens_per_cm() / factor(temperature, coefficient)?)
}

/// The conductivity that a linearly compensating probe has really measured.
pub fn undo_linear(
    shown: Conductivity,
    temperature: Temperature,
    coefficient: TemperatureCoefficient,
) -> Result<Conductivity, WaterError> {
    made(shown.millisiemens_per_cm() * factor(temperature, coefficient)?)
}

/// How much too high a salinity is that takes what a linearly compensating probe shows for the
/// conductivity at 25 °C; negative where it is too low.
pub fn linear_error(
    conductivity: Conductivity,
    temperature: Temperature,
    coefficient: TemperatureCoefficient,
) -> Result<f64, WaterError> {
    let taken: PracticalSalinity = pss78::salinity(linear(conductivity, temperature, coefficient)?, reference())?;
    Ok(taken.psu() - pss78::salinity(conductivity, temperature)?.psu())
}

fn factor(temperature: Temperature, coefficient: TemperatureCoefficient) -> Result<f64, WaterError> {
    let t = pss78::TEMPERATURES.check(temperature.celsius())?;
    let factor = 1.0 + coefficient.percent_per_kelvin() / 100.0 * (t - REFERENCE);
    if factor > 0.1 {
        Ok(factor)
    } else {
        Err(WaterError::no_answer(
            format!("a linear compensation of `{coefficient}` leaves no conductivity at `{temperature}`"),
            "look the coefficient up in the probe's manual; near 2 %/°C is usual",
        ))
    }
}

fn made(value: f64) -> Result<Conductivity, WaterError> {
    Conductivity::from_millisiemens_per_cm(value).map_err(|_| {
        WaterError::no_answer(
            format!("`{value:.1} mS/cm` is no conductivity of seawater"),
            "check the reading, its unit and the coefficient",
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::water::testing::{celsius, rows, siemens};
    use proptest::prelude::*;

    fn percent(value: f64) -> TemperatureCoefficient {
        TemperatureCoefficient::from_percent_per_kelvin(value).unwrap()
    }

    #[test]
    fn the_table_of_compensated_conductivities_and_their_errors_is_met() {
        // tests/data/specific_conductance.csv: computed with the TEOS-10 library.
        let mut seen = 0;
        for row in rows(include_str!("../../tests/data/specific_conductance.csv")) {
            let (s, c, t) = (row.number("SP"), row.number("C_mS_cm"), row.number("t_C"));
            let context = format!("S {s} t {t}");
            let at_25 = to_25(siemens(c), celsius(t)).unwrap().millisiemens_per_cm();
            assert!((at_25 - row.number("C25_true")).abs() < 2e-5, "{context}: {at_25}");
            for (column, coefficient) in [("SC_linear_1.91", 1.91), ("SC_linear_2.0", 2.0), ("SC_linear_2.1", 2.1)] {
                let shown = linear(siemens(c), celsius(t), percent(coefficient)).unwrap().millisiemens_per_cm();
                assert!((shown - row.number(column)).abs() < 2e-5, "{context}: {shown}");
            }
            for (column, coefficient) in [("S_error_2.0", 2.0), ("S_error_1.91", 1.91)] {
                let error = linear_error(siemens(c), celsius(t), percent(coefficient)).unwrap();
                assert!((error - row.number(column)).abs() < 2e-5, "{context}: {error}");
            }
            seen += 1;
        }
        assert_eq!(seen, 36);
    }

    #[test]
    fn without_any_compensation_salinity_moves_by_about_three_quarters_a_degree() {
        // README of the references: 0.775 per °C. 53.071 mS/cm is S 35 at 25 °C.
        let at = |t| pss78::salinity(siemens(53.071032), celsius(t)).unwrap().psu();
        assert!(((at(24.5) - at(25.5)) - 0.775).abs() < 0.01, "{}", at(24.5) - at(25.5));
    }

    proptest! {
        #[test]
        fn there_and_back_is_where_it_began(c in 5.0..55.0f64, t in 15.0..34.0f64, k in 1.5..2.5f64) {
            prop_assume!(to_25(siemens(c), celsius(t)).is_ok());
            let back = from_25(to_25(siemens(c), celsius(t)).unwrap(), celsius(t)).unwrap();
            prop_assert!((back.millisiemens_per_cm() - c).abs() < 1e-8);
            let shown = linear(siemens(c), celsius(t), percent(k)).unwrap();
            let undone = undo_linear(shown, celsius(t), percent(k)).unwrap();
            prop_assert!((undone.millisiemens_per_cm() - c).abs() < 1e-9);
        }
    }
}

//! Evaporation from an open surface, and what it takes: vapour pressure and latent heat.
//!
//! Sources: saturation pressure IAPWS-IF97, equation 30 (from 0 to 100 °C here); latent heat
//! `2500.8 - 2.36 t + 0.0016 t² - 0.00006 t³` kJ/kg (Rogers & Yau 1989, from memory), from 0 to 40 °C,
//! within 0.12 % of TEOS-10 and of IAPWS-95; evaporation by Carrier 1918, as the ASHRAE handbook has it
//! for pools, `(0.089 + 0.0782 v)(pw - pa)/Y`, good to about 30 %.
//! Seawater of S 35 has a vapour pressure of 0.9813 of pure water's (TEOS-10); taken in proportion.

use crate::units::{Area, Humidity, PracticalSalinity, Speed, Temperature};

use super::validity::{Range, WaterError};

/// Temperatures of the saturation pressure.
pub const TEMPERATURES: Range =
    Range { formula: "IAPWS-IF97", what: "temperature", unit: "°C", least: 0.0, greatest: 100.0 };

/// Temperatures of the latent heat.
pub const LATENT: Range =
    Range { formula: "the latent heat of Rogers & Yau", what: "temperature", unit: "°C", least: 0.0, greatest: 40.0 };

/// Air speeds of Carrier's formula as pools are reckoned with it.
pub const SPEEDS: Range = Range { formula: "Carrier 1918", what: "air speed", unit: "m/s", least: 0.0, greatest: 1.5 };

/// The part by which Carrier's formula may be wrong either way.
pub const UNCERTAINTY: f64 = 0.3;

const N: [f64; 10] = [
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
];

/// Saturation vapour pressure over pure water, in Pa.
pub fn saturation_pressure(temperature: Temperature) -> Result<f64, WaterError> {
    let kelvin = TEMPERATURES.check(temperature.celsius())? + 273.15;
    let theta = kelvin + N[8] / (kelvin - N[9]);
    let a = theta * theta + N[0] * theta + N[1];
    let b = N[2] * theta * theta + N[3] * theta + N[4];
    let c = N[5] * theta * theta + N[6] * theta + N[7];
    Ok(1e6 * (2.0 * c / (-b + (b * b - 4.0 * a * c).sqrt())).powi(4))
}

/// Heat that a kilogram of water takes away as vapour, in J/kg.
pub fn latent_heat(temperature: Temperature) -> Result<f64, WaterError> {
    let t = LATENT.check(temperature.celsius())?;
    Ok(1e3 * (2500.8 + t * (-2.36 + t * (0.0016 - t * 0.00006))))
}

/// Part of pure water's vapour pressure that water of this salinity has.
fn water_activity(salinity: PracticalSalinity) -> f64 {
    1.0 - (1.0 - 0.981305) * salinity.psu() / 35.0
}

/// Carrier's formula: kg/s/m² from pressures in kPa, air speed in m/s and latent heat in kJ/kg.
fn carrier(water_kpa: f64, air_kpa: f64, speed: f64, latent: f64) -> f64 {
    (0.089 + 0.0782 * speed) * (water_kpa - air_kpa) / latent
}

/// What evaporates, and what it costs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Evaporation {
    /// Kilograms, that is litres of fresh water, in a day; negative where the air condenses on the water.
    pub kilograms_per_day: f64,
    /// Heat that goes with it, in W.
    pub watts: f64,
}

/// The surroundings of a water surface.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Surface {
    /// The open area; what a lid covers does not count.
    pub area: Area,
    /// Of the water.
    pub salinity: PracticalSalinity,
    /// Of the water.
    pub water: Temperature,
    /// Of the air over it.
    pub air: Temperature,
    /// Of the air over it.
    pub humidity: Humidity,
    /// Of the air over it: 0 still, 0.5 and more with a fan.
    pub speed: Speed,
}

/// What evaporates from a surface, good to about 30 %.
pub fn evaporation(surface: &Surface) -> Result<Evaporation, WaterError> {
    let speed = SPEEDS.check(surface.speed.metres_per_second())?;
    let water = saturation_pressure(surface.water)? * water_activity(surface.salinity) / 1000.0;
    let air = saturation_pressure(surface.air)? * surface.humidity.ratio() / 1000.0;
    let latent = latent_heat(surface.water)?;
    let flux = carrier(water, air, speed, latent / 1000.0) * surface.area.square_metres();
    Ok(Evaporation { kilograms_per_day: flux * 86_400.0, watts: flux * latent })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::water::testing::{celsius, rows};

    #[test]
    fn the_saturation_pressure_meets_the_standard_and_the_table() {
        // IAPWS-IF97, table 35: 3536.58941 Pa at 300 K.
        let found = saturation_pressure(celsius(26.85)).unwrap();
        assert!((found - 3536.58941).abs() < 1e-4, "{found}");
        let mut seen = 0;
        for row in rows(include_str!("../../tests/data/svp_points.csv")) {
            let t = row.number("t90_C");
            let found = saturation_pressure(celsius(t)).unwrap();
            assert!((found - row.number("es_IAPWS97_Pa")).abs() < 1e-3, "{t}: {found}");
            // The other formulas of the trade differ by up to 0.4 %.
            assert!((found / row.number("es_Magnus_WMO_17.62_243.12_Pa") - 1.0).abs() < 0.004, "{t}: {found}");
            seen += 1;
        }
        assert_eq!(seen, 14);
        assert!(saturation_pressure(celsius(-1.0)).is_err());
    }

    #[test]
    fn the_latent_heat_is_near_both_standards() {
        // checks.csv, L: TEOS-10 and IAPWS-95, which themselves differ by 0.11 %.
        for (t, teos, iapws) in [
            (20.0, 2_451_069.0, 2_453_519.0),
            (25.0, 2_439_033.0, 2_441_676.0),
            (26.0, 2_436_621.0, 2_439_305.0),
            (30.0, 2_426_952.0, 2_429_811.0),
        ] {
            let found = latent_heat(celsius(t)).unwrap();
            assert!((found / teos - 1.0).abs() < 0.0013 && (found / iapws - 1.0).abs() < 0.0013, "{t}: {found}");
        }
    }

    #[test]
    fn carrier_s_formula_meets_the_table() {
        // checks.csv, carrier: water 26 °C, air 24 °C at 50 %.
        let found = carrier(3.363132, 1.492564, 0.0, 2436.6209);
        assert!((found - 6.832439e-5).abs() < 1e-10, "{found}");
        let moved = carrier(3.363132, 1.492564, 0.1, 2436.6209) * 86_400.0;
        // The row's 6.421915 kg/d/m² is (0.089 + 0.0782·0.1)(pw - pa)/Y a day.
        assert!((moved - 6.421915).abs() < 1e-5, "{moved}");
    }

    #[test]
    fn a_tank_evaporates_what_tanks_do() {
        // Simulated and usual for 0.28 m² open at 25 °C in a room of 20 °C: 1.3 to 1.9 L a day.
        let surface = Surface {
            area: Area::from_square_metres(0.28).unwrap(),
            salinity: PracticalSalinity::from_psu(35.0).unwrap(),
            water: celsius(25.0),
            air: celsius(20.0),
            humidity: Humidity::from_ratio(0.5).unwrap(),
            speed: Speed::from_metres_per_second(0.05).unwrap(),
        };
        let found = evaporation(&surface).unwrap();
        assert!((1.3..2.2).contains(&found.kilograms_per_day), "{found:?}");
        assert!((found.watts - found.kilograms_per_day * 2.4417e6 / 86_400.0).abs() < 0.1);
        let drier = Surface { humidity: Humidity::from_ratio(0.3).unwrap(), ..surface };
        assert!(evaporation(&drier).unwrap().watts > found.watts);
    }
}

//! A conductivity probe made into a salinity: what the daemon does with each of its readings.
//!
//! Duty: calibration against one or two reference solutions, undoing of what the probe compensates,
//! PSS-78. Limits: no time and no state; how old a calibration is, and whether a reading is
//! plausible, is the core's to judge. A reading in air is near 0 mS/cm and gives a salinity near 0:
//! this part cannot know that the probe hangs dry.
//!
//! Direction of failure: an error, never a wrong number; the core makes the signal bad by it.

use crate::units::{Conductivity, PracticalSalinity, Temperature, TemperatureCoefficient};

use super::validity::WaterError;
use super::{compensation, pss78};

/// What the probe has already done about temperature before it gives its reading.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Compensation {
    /// Nothing: the reading is the conductivity at the temperature of the water.
    Uncompensated,
    /// Brought to 25 °C with a fixed coefficient.
    Linear(TemperatureCoefficient),
    /// Brought to 25 °C by a seawater law.
    Seawater,
}

/// What a reference solution really is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Reference {
    /// Seawater of this salinity, or a standard sold by its salinity.
    Salinity(PracticalSalinity),
    /// Seawater that conducts this at 25 °C, at whatever temperature it now is. Not for potassium
    /// chloride standards: they change differently with temperature.
    SeawaterAt25(Conductivity),
    /// Any solution that conducts this at the temperature it now is, as its label's table says.
    AsIs(Conductivity),
}

/// A probe's reading in a reference solution.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ReferenceReading {
    /// What the probe gave.
    pub reading: Conductivity,
    /// The temperature of the solution.
    pub temperature: Temperature,
    /// What the solution is.
    pub reference: Reference,
}

/// A probe's correction: `true = slope * measured + offset`, in mS/cm, before any compensation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Calibration {
    slope: f64,
    offset: f64,
}

/// A probe whose cell constant is off by more has the wrong solution, a bubble or a worn cell [common practice].
const SLOPES: std::ops::RangeInclusive<f64> = 0.7..=1.4;

/// A greater offset, in mS/cm, is a fault of the electronics [common practice].
const GREATEST_OFFSET: f64 = 3.0;

/// Two reference points nearer together than this part of the higher one leave the slope to noise.
const LEAST_SEPARATION: f64 = 0.2;

impl Calibration {
    /// The probe is taken at its word.
    pub const NONE: Self = Self { slope: 1.0, offset: 0.0 };

    /// A correction kept from before; refused if no probe can need it.
    pub fn new(slope: f64, offset: f64) -> Result<Self, WaterError> {
        if SLOPES.contains(&slope) && offset.abs() <= GREATEST_OFFSET {
            Ok(Self { slope, offset })
        } else {
            Err(WaterError::no_answer(
                format!(
                    "a slope of `{slope:.3}` and an offset of `{offset:.2} mS/cm` are no correction of a sound probe"
                ),
                format!(
                    "check the solution, its temperature, bubbles and the probe's state; a slope from {} to {} and an \
                     offset up to {GREATEST_OFFSET} mS/cm can be corrected",
                    SLOPES.start(),
                    SLOPES.end()
                ),
            ))
        }
    }

    /// One reference solution near the tank's salinity: corrects the cell constant (slope).
    pub fn one_point(point: &ReferenceReading, compensation: Compensation) -> Result<Self, WaterError> {
        let (measured, known) = point.measured_and_known(compensation)?;
        if measured <= 0.0 {
            return Err(dry());
        }
        Self::new(known / measured, 0.0)
    }

    /// Two reference solutions: corrects slope and offset.
    pub fn two_point(
        first: &ReferenceReading,
        second: &ReferenceReading,
        compensation: Compensation,
    ) -> Result<Self, WaterError> {
        let (a, true_a) = first.measured_and_known(compensation)?;
        let (b, true_b) = second.measured_and_known(compensation)?;
        if (true_a - true_b).abs() < LEAST_SEPARATION * true_a.max(true_b) {
            return Err(WaterError::no_answer(
                format!("the two solutions, `{true_a:.2} mS/cm` and `{true_b:.2} mS/cm`, are too near each other"),
                "use one point, or a second solution at least a fifth apart",
            ));
        }
        if (a - b).abs() < f64::EPSILON {
            return Err(dry());
        }
        let slope = (true_a - true_b) / (a - b);
        Self::new(slope, true_a - slope * a)
    }

    /// True mS/cm in one of the probe's.
    pub fn slope(self) -> f64 {
        self.slope
    }

    /// True mS/cm where the probe measures zero.
    pub fn offset(self) -> f64 {
        self.offset
    }

    fn correct(self, measured: f64) -> Result<Conductivity, WaterError> {
        let value = self.slope.mul_add(measured, self.offset);
        Conductivity::from_millisiemens_per_cm(value).map_err(|_| {
            WaterError::no_answer(
                format!("the reading corrected by the calibration is `{value:.2} mS/cm`, which is no conductivity"),
                "see whether the probe is in the water, then calibrate it again",
            )
        })
    }
}

fn dry() -> WaterError {
    WaterError::no_answer(
        "the probe does not tell the reference solution from nothing",
        "see that its cell is under the solution and free of bubbles",
    )
}

impl ReferenceReading {
    fn measured_and_known(&self, compensation: Compensation) -> Result<(f64, f64), WaterError> {
        let known = match self.reference {
            Reference::Salinity(salinity) => pss78::conductivity(salinity, self.temperature)?,
            Reference::SeawaterAt25(at_25) => compensation::from_25(at_25, self.temperature)?,
            Reference::AsIs(conductivity) => conductivity,
        };
        let measured = uncompensated(self.reading, self.temperature, compensation)?;
        Ok((measured.millisiemens_per_cm(), known.millisiemens_per_cm()))
    }
}

/// The salinity of the water that a probe reads.
pub fn salinity_of(
    reading: Conductivity,
    temperature: Temperature,
    compensation: Compensation,
    calibration: Calibration,
) -> Result<PracticalSalinity, WaterError> {
    let measured = uncompensated(reading, temperature, compensation)?;
    pss78::salinity(calibration.correct(measured.millisiemens_per_cm())?, temperature)
}

fn uncompensated(
    reading: Conductivity,
    temperature: Temperature,
    compensation: Compensation,
) -> Result<Conductivity, WaterError> {
    match compensation {
        Compensation::Uncompensated => Ok(reading),
        Compensation::Linear(coefficient) => compensation::undo_linear(reading, temperature, coefficient),
        Compensation::Seawater => compensation::from_25(reading, temperature),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::water::testing::{celsius, psu, siemens};
    use proptest::prelude::*;

    fn two_percent() -> Compensation {
        Compensation::Linear(TemperatureCoefficient::from_percent_per_kelvin(2.0).unwrap())
    }

    /// What a probe with a wrong slope and offset gives in this water.
    fn gives(s: f64, t: f64, slope: f64, offset: f64, compensation: Compensation) -> Conductivity {
        let real = pss78::conductivity(psu(s), celsius(t)).unwrap().millisiemens_per_cm();
        let measured = siemens((real - offset) / slope);
        match compensation {
            Compensation::Uncompensated => measured,
            Compensation::Linear(coefficient) => compensation::linear(measured, celsius(t), coefficient).unwrap(),
            Compensation::Seawater => compensation::to_25(measured, celsius(t)).unwrap(),
        }
    }

    #[test]
    fn the_three_ways_of_compensation_give_the_same_salinity() {
        for compensation in [Compensation::Uncompensated, two_percent(), Compensation::Seawater] {
            let reading = gives(35.0, 18.0, 1.0, 0.0, compensation);
            let found = salinity_of(reading, celsius(18.0), compensation, Calibration::NONE).unwrap();
            assert!((found.psu() - 35.0).abs() < 1e-9, "{compensation:?}: {found}");
        }
    }

    #[test]
    fn one_point_repairs_a_cell_constant_whatever_the_temperature_of_the_solution() {
        let point = ReferenceReading {
            reading: gives(35.0, 21.0, 1.05, 0.0, two_percent()),
            temperature: celsius(21.0),
            // 53.071 mS/cm at 25 °C is S 35.
            reference: Reference::SeawaterAt25(siemens(53.071032)),
        };
        let calibration = Calibration::one_point(&point, two_percent()).unwrap();
        assert!((calibration.slope() - 1.05).abs() < 1e-7);
        let found = salinity_of(gives(33.0, 26.0, 1.05, 0.0, two_percent()), celsius(26.0), two_percent(), calibration)
            .unwrap();
        assert!((found.psu() - 33.0).abs() < 1e-6);
    }

    #[test]
    fn a_wrong_solution_a_dry_probe_and_two_near_points_are_refused() {
        let reads = |reading, s| ReferenceReading {
            reading: siemens(reading),
            temperature: celsius(25.0),
            reference: Reference::Salinity(psu(s)),
        };
        let one = |point| Calibration::one_point(&point, Compensation::Uncompensated);
        assert!(one(reads(12.88, 35.0)).is_err(), "a potassium chloride standard taken for seawater");
        assert!(one(reads(0.0, 35.0)).is_err());
        let two = |a, b| Calibration::two_point(&a, &b, Compensation::Uncompensated);
        assert!(two(reads(53.0, 35.0), reads(52.0, 34.0)).is_err());
        assert!(two(reads(53.0, 35.0), reads(53.0, 10.0)).is_err());
        assert!(two(reads(53.0, 35.0), reads(18.0, 10.0)).is_ok());
    }

    proptest! {
        #[test]
        fn two_points_repair_slope_and_offset(
            slope in 0.8..1.25f64, offset in -1.5..1.5f64, s in 25.0..40.0f64, t in 15.0..32.0f64
        ) {
            let point = |s: f64, t: f64| ReferenceReading {
                reading: gives(s, t, slope, offset, Compensation::Uncompensated),
                temperature: celsius(t),
                reference: Reference::Salinity(psu(s)),
            };
            let found = Calibration::two_point(&point(35.0, 22.0), &point(10.0, 24.0), Compensation::Uncompensated).unwrap();
            prop_assert!((found.slope() - slope).abs() < 1e-6 && (found.offset() - offset).abs() < 1e-5);
            let reading = gives(s, t, slope, offset, Compensation::Uncompensated);
            let salinity = salinity_of(reading, celsius(t), Compensation::Uncompensated, found).unwrap();
            prop_assert!((salinity.psu() - s).abs() < 1e-5);
        }
    }
}

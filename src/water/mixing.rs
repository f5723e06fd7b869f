//! Bodies of water put together: water changes, top-off, evaporation, spills, and matching a batch.
//!
//! Mass of water and mass of salt are conserved, and heat; litres are not (they are nearly). Mass by
//! EOS-80, salt by the reference composition (Millero et al. 2008: 35.16504 g/kg at S 35), heat with
//! the capacity of Millero et al. 1973. On the basis of litres instead of mass a mixture of 180 L at
//! 33 and 20 L at 40 would come out 0.003 too low.
//!
//! Limits: instant, complete mixing; no chemistry. Dry salt is taken to have the reference
//! composition; commercial mixes hold water and differ, so measure after mixing.

use crate::units::{HeatLoss, Mass, Power, PracticalSalinity, Ratio, Temperature, Volume};

use super::validity::WaterError;
use super::{density, heat_capacity};

/// Grams of salt in a kilogram of water for each unit of practical salinity.
pub const G_PER_KG_PER_PSU: f64 = 35.16504 / 35.0;

/// A differing salinity below this is no difference: far below any instrument.
const EQUAL: f64 = 0.005;

/// One body of water, well mixed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Water {
    /// Its volume.
    pub volume: Volume,
    /// Its practical salinity.
    pub salinity: PracticalSalinity,
    /// Its temperature.
    pub temperature: Temperature,
}

impl Water {
    /// Its mass, in kg.
    pub fn kilograms(&self) -> Result<f64, WaterError> {
        let density = density::density(self.salinity, self.temperature)?;
        Ok(self.volume.litres() * density.kilograms_per_cubic_metre() / 1000.0)
    }

    /// Its salt.
    pub fn salt(&self) -> Result<Mass, WaterError> {
        grams(self.kilograms()? * self.salinity.psu() * G_PER_KG_PER_PSU)
    }

    /// Heat for one kelvin, in J/K.
    pub fn joules_per_kelvin(&self) -> Result<f64, WaterError> {
        Ok(self.kilograms()? * heat_capacity::heat_capacity(self.salinity, self.temperature)?.value)
    }

    /// The same water, another volume of it.
    #[must_use]
    pub fn part(self, volume: Volume) -> Self {
        Self { volume, ..self }
    }

    fn of_mass(kilograms: f64, salinity: f64, temperature: Temperature) -> Result<Self, WaterError> {
        let salinity = density::SALINITIES.check(salinity)?;
        let salinity = PracticalSalinity::from_psu(salinity).expect("on the scale");
        let density = density::density(salinity, temperature)?.kilograms_per_cubic_metre();
        Ok(Self { volume: litres(kilograms / density * 1000.0)?, salinity, temperature })
    }
}

fn grams(value: f64) -> Result<Mass, WaterError> {
    Mass::from_grams(value).map_err(|_| {
        WaterError::no_answer(format!("`{value:.1} g` is no possible mass of salt"), "check the volumes and salinities")
    })
}

fn litres(value: f64) -> Result<Volume, WaterError> {
    Volume::from_litres(value).map_err(|_| {
        WaterError::no_answer(format!("`{value:.1} L` is no possible volume"), "check the volumes that go in and out")
    })
}

/// Two bodies of water put together.
pub fn mix(first: &Water, second: &Water) -> Result<Water, WaterError> {
    let (m1, m2) = (first.kilograms()?, second.kilograms()?);
    let (h1, h2) = (first.joules_per_kelvin()?, second.joules_per_kelvin()?);
    if m1 + m2 <= 0.0 {
        return Err(WaterError::no_answer("there is no water to mix", "give volumes above 0 L"));
    }
    let salinity = (m1 * first.salinity.psu() + m2 * second.salinity.psu()) / (m1 + m2);
    let celsius = (h1 * first.temperature.celsius() + h2 * second.temperature.celsius()) / (h1 + h2);
    let temperature = Temperature::from_celsius(celsius).expect("between two temperatures");
    Water::of_mass(m1 + m2, salinity, temperature)
}

/// The tank after `out` of its water was taken and the batch put in.
pub fn water_change(tank: &Water, out: Volume, batch: &Water) -> Result<Water, WaterError> {
    mix(&left(tank, out)?, batch)
}

/// The tank after salt water was spilled or drained from it: less of the same water.
pub fn left(tank: &Water, out: Volume) -> Result<Water, WaterError> {
    let rest = tank.volume.litres() - out.litres();
    if rest < 0.0 {
        return Err(WaterError::no_answer(
            format!("`{out}` cannot leave a tank of `{}`", tank.volume),
            "give a volume up to the tank's own",
        ));
    }
    Ok(tank.part(litres(rest)?))
}

/// The tank after fresh water evaporated from it; the salt stays.
pub fn evaporated(tank: &Water, lost: Volume) -> Result<Water, WaterError> {
    let fresh = fresh(lost, tank.temperature).kilograms()?;
    let mass = tank.kilograms()?;
    if fresh >= mass {
        return Err(WaterError::no_answer(
            format!("`{lost}` cannot evaporate from a tank of `{}`", tank.volume),
            "give a volume below the tank's own",
        ));
    }
    Water::of_mass(mass - fresh, tank.salinity.psu() * mass / (mass - fresh), tank.temperature)
}

/// The tank after fresh water of its own temperature was added.
pub fn topped_off(tank: &Water, added: Volume) -> Result<Water, WaterError> {
    mix(tank, &fresh(added, tank.temperature))
}

/// Fresh water that brings a tank back to a salinity after evaporation; nothing if it is not saltier.
pub fn top_off_needed(tank: &Water, target: PracticalSalinity) -> Result<Volume, WaterError> {
    match adjustment(tank, target, Ratio::from_ratio(0.0).expect("zero is a ratio"))? {
        Adjustment::FreshWater(volume) => Ok(volume),
        _ => litres(0.0),
    }
}

fn fresh(volume: Volume, temperature: Temperature) -> Water {
    Water { volume, salinity: PracticalSalinity::from_psu(0.0).expect("zero is a salinity"), temperature }
}

/// What brings a batch to a salinity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Adjustment {
    /// It is there.
    Nothing,
    /// So much of the salt mix, with the water that it holds.
    DrySalt(Mass),
    /// So much fresh water of the batch's temperature.
    FreshWater(Volume),
}

/// What to add to a batch so that it has the target salinity. `moisture` is the part of the salt
/// mix, by mass, that is water: 0 for fully dry salt.
pub fn adjustment(batch: &Water, target: PracticalSalinity, moisture: Ratio) -> Result<Adjustment, WaterError> {
    if moisture.ratio() > 0.5 {
        return Err(WaterError::no_answer(
            format!("a salt mix of `{:.0} %` water is a brine", moisture.ratio() * 100.0),
            "give the water content of the mix as a part of its mass, such as `8 %`",
        ));
    }
    density::SALINITIES.check(target.psu())?;
    let mass = batch.kilograms()?;
    let missing = target.psu() - batch.salinity.psu();
    if missing.abs() < EQUAL {
        return Ok(Adjustment::Nothing);
    }
    if missing > 0.0 {
        let wanted = target.psu() * G_PER_KG_PER_PSU;
        let mix = mass * missing * G_PER_KG_PER_PSU / (1000.0 * (1.0 - moisture.ratio()) - wanted);
        return Ok(Adjustment::DrySalt(grams(mix * 1000.0)?));
    }
    if target.psu() <= 0.0 {
        return Err(WaterError::no_answer(
            "no amount of fresh water takes all salt out",
            "give a target salinity above 0 psu",
        ));
    }
    let fresh_kg = mass * -missing / target.psu();
    let density = density::of_pure_water(batch.temperature)?.kilograms_per_cubic_metre();
    Ok(Adjustment::FreshWater(litres(fresh_kg / density * 1000.0)?))
}

/// The salinity that a batch must have so that the tank comes to `target` after the change.
pub fn batch_salinity_for(
    tank: &Water,
    out: Volume,
    batch: &Water,
    target: PracticalSalinity,
) -> Result<PracticalSalinity, WaterError> {
    let rest = left(tank, out)?.kilograms()?;
    let kilograms = batch.kilograms()?;
    if kilograms <= 0.0 {
        return Err(WaterError::no_answer("the batch has no water", "give a batch volume above 0 L"));
    }
    let needed = target.psu() + (target.psu() - tank.salinity.psu()) * rest / kilograms;
    let needed = density::SALINITIES.check(needed).map_err(|_| {
        WaterError::no_answer(
            format!("one change of `{}` cannot bring `{}` to `{target}`", batch.volume, tank.salinity),
            "change more, or several times",
        )
    })?;
    Ok(PracticalSalinity::from_psu(needed).expect("on the scale"))
}

/// Seconds that a heater needs to warm a batch, with what its container loses to the room.
pub fn warming_seconds(
    batch: &Water,
    to: Temperature,
    heater: Power,
    loss: HeatLoss,
    room: Temperature,
) -> Result<f64, WaterError> {
    let body = super::heat::Body {
        joules_per_kelvin: batch.joules_per_kelvin()?,
        watts_per_kelvin: loss.watts_per_kelvin(),
        room: room.celsius(),
        watts: heater.watts(),
    };
    body.seconds_until(batch.temperature.celsius(), to.celsius()).ok_or_else(|| {
        WaterError::no_answer(
            format!("a heater of `{heater}` does not bring the batch to `{to}`"),
            format!("it ends at {:.1} °C; use a stronger heater, or cover the container", body.end()),
        )
    })
}

/// Two waters measured with one instrument, compared by the difference.
///
/// What is wrong with the instrument is wrong with both readings: an offset cancels, and a wrong
/// scale acts on the difference only. With two instruments, or with a label against a reading, both
/// errors count in full.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Comparison {
    /// Batch less tank.
    pub difference: f64,
    /// Standard uncertainty of the difference, one instrument for both.
    pub with_one_instrument: f64,
    /// Standard uncertainty of the difference, had each been read with its own instrument.
    pub with_two_instruments: f64,
}

/// Compares two readings of salinity by one instrument of this accuracy and repeatability (standard
/// uncertainties in salinity; the accuracy is taken as an error of scale at the tank's salinity).
pub fn compare(tank: PracticalSalinity, batch: PracticalSalinity, accuracy: f64, repeatability: f64) -> Comparison {
    let difference = batch.psu() - tank.psu();
    let of_scale = if tank.psu() > 0.0 { accuracy / tank.psu() * difference } else { accuracy };
    Comparison {
        difference,
        with_one_instrument: (2.0 * repeatability * repeatability + of_scale * of_scale).sqrt(),
        with_two_instruments: (2.0 * (repeatability * repeatability + accuracy * accuracy)).sqrt(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn water(l: f64, s: f64, t: f64) -> Water {
        Water { volume: volume(l), salinity: psu(s), temperature: Temperature::from_celsius(t).unwrap() }
    }
    fn volume(l: f64) -> Volume {
        Volume::from_litres(l).unwrap()
    }
    fn psu(s: f64) -> PracticalSalinity {
        PracticalSalinity::from_psu(s).unwrap()
    }
    fn moisture(part: f64) -> Ratio {
        Ratio::from_ratio(part).unwrap()
    }

    #[test]
    fn mixing_evaporation_and_top_off_meet_the_table() {
        // checks.csv: mix, evap4, top4; mass conservation with EOS-80, computed elsewhere.
        let mixed = mix(&water(180.0, 33.0, 25.0), &water(20.0, 40.0, 25.0)).unwrap();
        assert!((mixed.salinity.psu() - 33.703263).abs() < 1e-6, "{mixed:?}");
        let tank = water(200.0, 35.0, 25.0);
        let dry = evaporated(&tank, volume(4.0)).unwrap();
        assert!((dry.salinity.psu() - 35.695567).abs() < 1e-6, "{dry:?}");
        let wet = topped_off(&tank, volume(4.0)).unwrap();
        assert!((wet.salinity.psu() - 34.331022).abs() < 1e-6, "{wet:?}");
    }

    #[test]
    fn a_litre_evaporated_from_ninety_is_0_39_as_the_trade_reckons() {
        // domain knowledge [CALC]: 1 L from 90 L is +0.39 g/kg; 10 L of 33 into 90 L at 35 gives 34.78.
        let tank = water(90.0, 35.0, 25.0);
        assert!((evaporated(&tank, volume(1.0)).unwrap().salinity.psu() - 35.39).abs() < 0.01);
        let after = water_change(&tank, volume(10.0), &water(10.0, 33.0, 25.0)).unwrap();
        assert!((after.salinity.psu() - 34.78).abs() < 0.005);
    }

    #[test]
    fn dry_salt_meets_the_table_and_a_moist_mix_needs_more() {
        // checks.csv, raise: 200 L from 33 to 35 at 25 °C, 0.425626 kg of salt of the reference composition.
        let batch = water(200.0, 33.0, 25.0);
        let Adjustment::DrySalt(dry) = adjustment(&batch, psu(35.0), moisture(0.0)).unwrap() else { panic!() };
        assert!((dry.grams() - 425.626).abs() < 1e-3, "{dry:?}");
        let Adjustment::DrySalt(moist) = adjustment(&batch, psu(35.0), moisture(0.1)).unwrap() else { panic!() };
        // By balance of salt: the tank's mass grows by the mix, the salt by nine tenths of it.
        let (m, x) = (batch.kilograms().unwrap(), moist.grams() / 1000.0);
        let salt = m * 33.0 * G_PER_KG_PER_PSU + 900.0 * x;
        assert!((salt / (m + x) / G_PER_KG_PER_PSU - 35.0).abs() < 1e-9);
    }

    #[test]
    fn one_instrument_tells_a_difference_better_than_two() {
        let found = compare(psu(35.0), psu(34.0), 1.0, 0.2);
        assert!((found.difference + 1.0).abs() < 1e-12);
        // By propagation: sqrt(2 * 0.2² + (1/35)²) and sqrt(2 * (0.2² + 1²)).
        assert!((found.with_one_instrument - 0.284282).abs() < 1e-6, "{found:?}");
        assert!((found.with_two_instruments - 1.442221).abs() < 1e-6, "{found:?}");
    }

    #[test]
    fn what_cannot_be_is_refused() {
        assert!(left(&water(90.0, 35.0, 25.0), volume(91.0)).is_err());
        assert!(evaporated(&water(90.0, 35.0, 25.0), volume(20.0)).is_err(), "43.9 is off the scale");
        assert!(adjustment(&water(20.0, 35.0, 25.0), psu(0.0), moisture(0.0)).is_err());
        assert!(
            batch_salinity_for(&water(90.0, 35.0, 25.0), volume(10.0), &water(10.0, 35.0, 25.0), psu(33.0)).is_ok()
        );
        assert!(
            batch_salinity_for(&water(90.0, 35.0, 25.0), volume(10.0), &water(10.0, 35.0, 25.0), psu(30.0)).is_err()
        );
    }

    proptest! {
        #[test]
        fn salt_and_mass_are_conserved(
            l1 in 1.0..500.0f64, s1 in 0.0..42.0f64, t1 in 10.0..32.0f64,
            l2 in 1.0..500.0f64, s2 in 0.0..42.0f64, t2 in 10.0..32.0f64,
        ) {
            let (a, b) = (water(l1, s1, t1), water(l2, s2, t2));
            let both = mix(&a, &b).unwrap();
            let mass = a.kilograms().unwrap() + b.kilograms().unwrap();
            prop_assert!((both.kilograms().unwrap() / mass - 1.0).abs() < 1e-9);
            let salt = a.salt().unwrap().grams() + b.salt().unwrap().grams();
            prop_assert!((both.salt().unwrap().grams() - salt).abs() < 1e-6 * salt.max(1.0));
        }

        #[test]
        fn an_adjusted_batch_has_the_target(
            l in 5.0..200.0f64, s in 0.0..41.0f64, target in 1.0..41.0f64, w in 0.0..0.3f64
        ) {
            let batch = water(l, s, 25.0);
            match adjustment(&batch, psu(target), moisture(w)).unwrap() {
                Adjustment::Nothing => prop_assert!((s - target).abs() < 0.005),
                Adjustment::FreshWater(fresh) => {
                    prop_assert!((topped_off(&batch, fresh).unwrap().salinity.psu() - target).abs() < 1e-6);
                }
                Adjustment::DrySalt(mix) => {
                    let (m, x) = (batch.kilograms().unwrap(), mix.grams() / 1000.0);
                    let salt = batch.salt().unwrap().grams() + 1000.0 * x * (1.0 - w);
                    prop_assert!((salt / (m + x) / G_PER_KG_PER_PSU - target).abs() < 1e-6);
                }
            }
        }

        #[test]
        fn the_batch_that_was_asked_for_brings_the_tank_to_its_target(
            s in 30.0..38.0f64, by in -0.5..0.5f64, l in 5.0..40.0f64
        ) {
            let (tank, batch) = (water(90.0, s, 25.0), water(l, 34.0, 25.0));
            prop_assume!(batch_salinity_for(&tank, volume(l), &batch, psu(s + by)).is_ok());
            let needed = batch_salinity_for(&tank, volume(l), &batch, psu(s + by)).unwrap();
            let after = water_change(&tank, volume(l), &Water { salinity: needed, ..batch }).unwrap();
            // The batch's mass changes a little with its salinity.
            prop_assert!((after.salinity.psu() - (s + by)).abs() < 0.01);
        }
    }
}

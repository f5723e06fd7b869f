//! A body of well mixed water: litres, salt, alkalinity, calcium and heat, which only move together.
//!
//! Invariant: what one body gives, another takes or the ledger books; salt and enthalpy go with the
//! litres, so that the balances close by construction and a test can hold them to a millilitre.

use super::parameters::{DENSITY, HEAT_PER_LITRE, LATENT_HEAT, SEA_WATER_ALKALINITY, SEA_WATER_CALCIUM};
use crate::water::chemistry::calcium_per_dkh;

/// Water on its way.
#[derive(Clone, Copy, Debug)]
pub(super) struct Parcel {
    pub litres: f64,
    /// g
    pub salt: f64,
    /// dKH L
    pub alkalinity: f64,
    /// mg
    pub calcium: f64,
    pub celsius: f64,
}

impl Parcel {
    /// Fresh water of a temperature.
    pub fn fresh(litres: f64, celsius: f64) -> Self {
        Self { litres, salt: 0.0, alkalinity: 0.0, calcium: 0.0, celsius }
    }
}

/// Well mixed water with the glass and rock that share its temperature.
#[derive(Clone, Debug)]
pub(super) struct Body {
    pub litres: f64,
    /// g
    pub salt: f64,
    /// dKH L
    pub alkalinity: f64,
    /// mg
    pub calcium: f64,
    pub celsius: f64,
    /// J/K of glass and rock.
    pub structure: f64,
}

impl Body {
    pub fn new(litres: f64, salinity: f64, celsius: f64, structure: f64) -> Self {
        Self {
            litres,
            salt: salinity * DENSITY * litres,
            alkalinity: SEA_WATER_ALKALINITY * litres,
            calcium: SEA_WATER_CALCIUM * litres,
            celsius,
            structure,
        }
    }

    /// J/K
    pub fn heat_capacity(&self) -> f64 {
        self.litres.mul_add(HEAT_PER_LITRE, self.structure)
    }

    /// Grams in a kilogram; nothing where there is no water.
    pub fn salinity(&self) -> f64 {
        if self.litres > 1e-9 { self.salt / (self.litres * DENSITY) } else { 0.0 }
    }

    /// Gives water as it is mixed; never more than there is.
    pub fn take(&mut self, litres: f64) -> Parcel {
        let litres = litres.clamp(0.0, self.litres.max(0.0));
        let share = if self.litres > 1e-9 { litres / self.litres } else { 0.0 };
        let (salt, alkalinity, calcium) = (self.salt * share, self.alkalinity * share, self.calcium * share);
        self.litres -= litres;
        self.salt -= salt;
        self.alkalinity -= alkalinity;
        self.calcium -= calcium;
        Parcel { litres, salt, alkalinity, calcium, celsius: self.celsius }
    }

    pub fn add(&mut self, parcel: Parcel) {
        let (here, there) = (self.heat_capacity(), parcel.litres * HEAT_PER_LITRE);
        if here + there > 0.0 {
            self.celsius += (parcel.celsius - self.celsius) * there / (here + there);
        }
        self.litres += parcel.litres;
        self.salt += parcel.salt;
        self.alkalinity += parcel.alkalinity;
        self.calcium += parcel.calcium;
    }

    /// What lives here takes so much alkalinity, dKH L, and the calcium that goes with it; never more than there is.
    pub fn calcify(&mut self, taken: f64) -> f64 {
        let taken = taken.clamp(0.0, self.alkalinity.min(self.calcium / calcium_per_dkh()).max(0.0));
        self.alkalinity -= taken;
        self.calcium -= taken * calcium_per_dkh();
        taken
    }

    /// So many joules in.
    pub fn warm(&mut self, joules: f64) {
        let capacity = self.heat_capacity();
        if capacity > 0.0 {
            self.celsius += joules / capacity;
        }
    }

    /// Loses fresh water to the air, and the heat that it takes along. Salt stays. Gives the litres.
    pub fn evaporate(&mut self, kilograms: f64) -> f64 {
        // Fresh water: one kilogram is one litre (0.997 at 25 °C; the model's accuracy is far below that).
        let litres = kilograms.min(self.litres.max(0.0));
        self.litres -= litres;
        self.warm(-litres * LATENT_HEAT);
        litres
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mixing_keeps_litres_salt_and_heat() {
        let mut tank = Body::new(80.0, 35.0, 25.0, 21_000.0);
        let mut bin = Body::new(10.0, 30.0, 20.0, 0.0);
        let heat = |body: &Body| body.heat_capacity() * body.celsius;
        let before = (tank.litres + bin.litres, tank.salt + bin.salt, heat(&tank) + heat(&bin));
        let parcel = bin.take(10.0);
        tank.add(parcel);
        assert!((tank.litres - before.0).abs() < 1e-9);
        assert!((tank.salt - before.1).abs() < 1e-9);
        // What is left in the bin is nothing, and so is its heat.
        assert!((heat(&tank) / before.2 - 1.0).abs() < 1e-12);
        // By hand: (80*35 + 10*30)/90 = 34.44 g/kg.
        assert!((tank.salinity() - 34.444).abs() < 0.001);
    }

    #[test]
    fn nobody_takes_more_than_there_is() {
        let mut bin = Body::new(1.0, 35.0, 20.0, 0.0);
        assert!((bin.take(5.0).litres - 1.0).abs() < 1e-12);
        assert!(bin.take(5.0).litres.abs() < 1e-12);
        assert!(bin.salinity().abs() < 1e-12);
    }
}

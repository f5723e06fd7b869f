//! Stock solutions: mass, volume and strength, any two of which give the third; topping one up.
//!
//! Strength is grams of the salt, as weighed, in a litre of finished solution. Equivalents a litre
//! follow from the compound. Solubility is for 20 °C and good to about 5 %: a warning, not a promise.

use crate::units::{Concentration, EquivalentStrength, Mass, Volume};

use super::chemistry::Compound;
use super::validity::WaterError;

/// A solution of so many grams, as weighed, in so many litres of finished solution.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stock {
    /// What was weighed.
    pub mass: Mass,
    /// What it was filled up to.
    pub volume: Volume,
}

impl Stock {
    /// Grams in a litre.
    pub fn grams_per_litre(&self) -> f64 {
        self.mass.grams() / self.volume.litres()
    }

    /// Equivalents in a litre, if it is of this compound.
    pub fn equivalents_per_litre(&self, compound: Compound) -> f64 {
        self.grams_per_litre() * compound.equivalents_per_gram()
    }

    /// The salt in a part of it.
    pub fn grams_in(&self, part: Volume) -> f64 {
        self.grams_per_litre() * part.litres()
    }
}

/// The strength in mass of a strength in equivalents.
pub fn by_mass(compound: Compound, strength: EquivalentStrength) -> Result<Concentration, WaterError> {
    concentration(strength.equivalents_per_litre() / compound.equivalents_per_gram())
}

fn concentration(grams_per_litre: f64) -> Result<Concentration, WaterError> {
    Concentration::from_milligrams_per_litre(grams_per_litre * 1000.0).map_err(|_| {
        WaterError::no_answer(
            format!("a solution of `{grams_per_litre:.0} g/L` cannot be made"),
            "check the mass, the volume and their units",
        )
    })
}

/// Solves for whichever of mass, volume and strength is not given.
pub fn solve(mass: Option<Mass>, volume: Option<Volume>, strength: Option<Concentration>) -> Result<Stock, WaterError> {
    let per_litre = |strength: Concentration| strength.milligrams_per_litre() / 1000.0;
    let stock = match (mass, volume, strength) {
        (Some(mass), Some(volume), None) => Stock { mass, volume },
        (None, Some(volume), Some(strength)) => Stock { mass: grams(per_litre(strength) * volume.litres())?, volume },
        (Some(mass), None, Some(strength)) if per_litre(strength) > 0.0 => {
            Stock { mass, volume: litres(mass.grams() / per_litre(strength))? }
        }
        (Some(_), Some(_), Some(_)) => {
            return Err(WaterError::no_answer(
                "mass, volume and strength are all given",
                "give two of them; the third is worked out",
            ));
        }
        _ => {
            return Err(WaterError::no_answer(
                "two of mass, volume and strength are needed",
                "give two of them, above 0; the third is worked out",
            ));
        }
    };
    if stock.volume.litres() <= 0.0 || stock.mass.grams() <= 0.0 {
        return Err(WaterError::no_answer("a stock solution needs salt and water", "give values above 0"));
    }
    concentration(stock.grams_per_litre())?;
    Ok(stock)
}

fn grams(value: f64) -> Result<Mass, WaterError> {
    Mass::from_grams(value)
        .map_err(|_| WaterError::no_answer(format!("`{value:.0} g` is no possible mass"), "check the units"))
}

fn litres(value: f64) -> Result<Volume, WaterError> {
    Volume::from_litres(value)
        .map_err(|_| WaterError::no_answer(format!("`{value:.1} L` is no possible volume"), "check the units"))
}

/// What is in a container after salt and water were added to what was left in it.
pub fn topped_up(left: &Stock, added: Mass, to: Volume) -> Result<Stock, WaterError> {
    room(left, to)?;
    Ok(Stock { mass: grams(left.mass.grams() + added.grams())?, volume: to })
}

/// The salt that keeps or brings a container to a strength when it is filled up to a volume.
pub fn salt_to_add(left: &Stock, to: Volume, wanted: Concentration) -> Result<Mass, WaterError> {
    room(left, to)?;
    let missing = wanted.milligrams_per_litre() / 1000.0 * to.litres() - left.mass.grams();
    if missing < 0.0 {
        let needed = left.mass.grams() * 1000.0 / wanted.milligrams_per_litre();
        return Err(WaterError::no_answer(
            format!("what is left is too strong: `{:.1} g` are in it already", left.mass.grams()),
            format!("fill up to {needed:.2} L without salt to reach that strength"),
        ));
    }
    grams(missing)
}

fn room(left: &Stock, to: Volume) -> Result<(), WaterError> {
    if to >= left.volume && to.litres() > 0.0 {
        Ok(())
    } else {
        Err(WaterError::no_answer(
            format!("`{}` are left, more than `{to}`", left.volume),
            "give the volume that the container is filled up to",
        ))
    }
}

/// How near a strength is to the end of what dissolves at 20 °C: 1 is saturated.
pub fn saturation(compound: Compound, grams_per_litre: f64) -> f64 {
    grams_per_litre / compound.soluble_grams_per_litre()
}

/// From this part of saturation on a keeper is warned: a colder room makes crystals.
pub const NEARLY_SATURATED: f64 = 0.8;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn mass(g: f64) -> Mass {
        Mass::from_grams(g).unwrap()
    }
    fn volume(l: f64) -> Volume {
        Volume::from_litres(l).unwrap()
    }

    #[test]
    fn the_trade_s_recipe_is_met() {
        // Common practice: 440 g of powder in one US gallon; 350 mL of it takes 40.7 g.
        let stock = solve(Some(mass(440.0)), Some("1 gal".parse().unwrap()), None).unwrap();
        assert!((stock.grams_in(volume(0.350)) - 40.7).abs() < 0.05, "{}", stock.grams_in(volume(0.350)));
    }

    #[test]
    fn one_equivalent_a_litre_takes_the_mass_that_chemistry_says() {
        // 84.0 g/L NaHCO3, 53.0 g/L Na2CO3, 73.5 g/L CaCl2·2H2O, by their molar masses.
        for (compound, grams) in [
            (Compound::SODIUM_BICARBONATE, 84.005769),
            (Compound::SODIUM_CARBONATE, 52.9937695),
            (Compound::CALCIUM_CHLORIDE_DIHYDRATE, 73.504),
        ] {
            let strength = by_mass(compound, EquivalentStrength::from_equivalents_per_litre(1.0).unwrap()).unwrap();
            assert!((strength.milligrams_per_litre() / 1000.0 - grams).abs() < 1e-6, "{compound}");
        }
        assert!((0.85..1.0).contains(&saturation(Compound::SODIUM_BICARBONATE, 84.0)), "near saturation");
    }

    #[test]
    fn topping_up_gives_the_strength_that_results() {
        let left = Stock { mass: mass(42.0), volume: volume(0.5) };
        let after = topped_up(&left, mass(100.0), volume(2.0)).unwrap();
        assert!((after.grams_per_litre() - 71.0).abs() < 1e-12);
        let wanted = Concentration::from_milligrams_per_litre(84_000.0).unwrap();
        assert!((salt_to_add(&left, volume(2.0), wanted).unwrap().grams() - 126.0).abs() < 1e-9);
        let weak = Concentration::from_milligrams_per_litre(20_000.0).unwrap();
        assert!(salt_to_add(&left, volume(2.0), weak).unwrap_err().to_string().contains("fill up to 2.10 L"));
        assert!(topped_up(&left, mass(1.0), volume(0.4)).is_err());
    }

    #[test]
    fn two_of_three_are_needed() {
        assert!(solve(Some(mass(1.0)), None, None).is_err());
        let strength = Concentration::from_milligrams_per_litre(1000.0).unwrap();
        assert!(solve(Some(mass(1.0)), Some(volume(1.0)), Some(strength)).is_err());
        assert!(solve(Some(mass(1.0)), Some(volume(0.0)), None).is_err());
    }

    proptest! {
        #[test]
        fn whichever_is_missing_comes_back(g in 0.1..2000.0f64, l in 0.05..50.0f64) {
            prop_assume!(g / l < 2000.0);
            let strength = Concentration::from_milligrams_per_litre(g / l * 1000.0).unwrap();
            let by_volume = solve(None, Some(volume(l)), Some(strength)).unwrap();
            let by_mass = solve(Some(mass(g)), None, Some(strength)).unwrap();
            prop_assert!((by_volume.mass.grams() / g - 1.0).abs() < 1e-9);
            prop_assert!((by_mass.volume.litres() / l - 1.0).abs() < 1e-9);
        }
    }
}

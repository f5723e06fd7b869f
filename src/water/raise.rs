//! What raises a tank by so much: grams of a salt or millilitres of a stock, and what is left behind.
//!
//! Alkalinity goes by equivalents, everything else by mass of the supplied ion. The water is the net
//! water, not the glass. Day limits are common practice, not science.

use crate::units::{Alkalinity, Concentration, EquivalentStrength, Mass, Volume};

use super::chemistry::{Compound, Supplies};
use super::validity::WaterError;

/// One dKH in meq/L: 10 mg/L of `CaO`.
pub const MEQ_PER_DKH: f64 = 1.0 / 2.80385;

/// Grams of sodium chloride in a mole.
const SODIUM_CHLORIDE: f64 = 58.43976928;

/// A wanted change.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Rise {
    /// Of alkalinity.
    Alkalinity(Alkalinity),
    /// Of the ion that the compound supplies.
    Ion(Concentration),
}

/// Grams of a pure compound that make the rise in so much water.
pub fn mass(compound: Compound, rise: Rise, water: Volume) -> Result<Mass, WaterError> {
    let grams = match (rise, compound.supplies()) {
        (Rise::Alkalinity(by), Supplies::Alkalinity) => {
            by.dkh() * MEQ_PER_DKH / 1000.0 * water.litres() / compound.equivalents_per_gram()
        }
        // Limewater brings both; its other half is alkalinity.
        (Rise::Alkalinity(by), Supplies::Calcium) if compound.formula() == "Ca(OH)2" => {
            by.dkh() * MEQ_PER_DKH / 1000.0 * water.litres() / compound.equivalents_per_gram()
        }
        (Rise::Ion(by), supplies) if supplies != Supplies::Alkalinity => {
            by.milligrams_per_litre() * water.litres() / compound.milligrams_of_ion_per_gram()
        }
        (Rise::Alkalinity(_), supplies) => return Err(wrong(compound, "alkalinity", supplies)),
        (Rise::Ion(_), supplies) => return Err(wrong(compound, "an ion", supplies)),
    };
    Mass::from_grams(grams).map_err(|_| WaterError::no_answer("that is more salt than can be", "check the units"))
}

fn wrong(compound: Compound, asked: &str, supplies: Supplies) -> WaterError {
    WaterError::no_answer(
        format!("`{}` raises {}, and not {asked}", compound.formula(), supplies.noun()),
        format!("give the rise of {}, or another compound", supplies.noun()),
    )
}

/// Millilitres of a stock of so many grams a litre that hold so much salt.
pub fn millilitres(salt: Mass, stock_grams_per_litre: f64) -> Result<f64, WaterError> {
    if stock_grams_per_litre > 0.0 {
        Ok(salt.grams() / stock_grams_per_litre * 1000.0)
    } else {
        Err(WaterError::no_answer("the stock holds nothing", "give the strength of the stock solution"))
    }
}

/// dKH that one millilitre of a stock raises so much water by.
pub fn dkh_per_millilitre(stock: EquivalentStrength, water: Volume) -> Result<f64, WaterError> {
    if water.litres() > 0.0 {
        Ok(stock.equivalents_per_litre() / water.litres() / MEQ_PER_DKH)
    } else {
        Err(WaterError::no_answer("the tank has no water", "give its net volume"))
    }
}

/// Days over which to spread a rise so that no day has more than is usual; `None` without a custom.
pub fn days(supplies: Supplies, rise: f64) -> Option<f64> {
    supplies.most_a_day().map(|most| (rise / most - 1e-9).ceil().max(1.0))
}

/// Grams of sodium chloride that two parts leave behind: the sodium of the one with the chloride of
/// the other, as far as both go.
pub fn salt_left(alkalinity_equivalents: f64, calcium_equivalents: f64) -> f64 {
    alkalinity_equivalents.min(calcium_equivalents) * SODIUM_CHLORIDE
}

#[cfg(test)]
mod tests {
    use super::*;

    fn water(l: f64) -> Volume {
        Volume::from_litres(l).unwrap()
    }
    fn dkh(value: f64) -> Rise {
        Rise::Alkalinity(Alkalinity::from_dkh(value).unwrap())
    }
    fn ion(value: f64) -> Rise {
        Rise::Ion(Concentration::from_milligrams_per_litre(value).unwrap())
    }

    #[test]
    fn the_table_of_masses_is_met() {
        // checks.csv, g_..._100L: stoichiometry with IUPAC 2021 abridged weights.
        for (formula, rise, expected) in [
            ("NaHCO3", dkh(1.0), 2.996086),
            ("Na2CO3", dkh(1.0), 1.890036),
            ("CaCl2.2H2O", ion(20.0), 7.336095),
            ("MgCl2.6H2O", ion(50.0), 41.821642),
            ("MgSO4.7H2O", ion(50.0), 50.702736),
        ] {
            let found = mass(formula.parse().unwrap(), rise, water(100.0)).unwrap().grams();
            assert!((found - expected).abs() < 1e-5, "{formula}: {found}, not {expected}");
        }
    }

    #[test]
    fn the_worked_example_of_ninety_litres_is_met() {
        // Constants of the trade, checked by arithmetic: 2.70 g NaHCO3 for 1 dKH, 1 mL of 1 eq/L is 0.0312 dKH.
        assert!((mass(Compound::SODIUM_BICARBONATE, dkh(1.0), water(90.0)).unwrap().grams() - 2.70).abs() < 0.005);
        let strength = EquivalentStrength::from_equivalents_per_litre(1.0).unwrap();
        assert!((dkh_per_millilitre(strength, water(90.0)).unwrap() - 0.0312).abs() < 5e-5);
        // 26 mL a day of each 1 eq/L leaves 1.5 g of salt.
        assert!((salt_left(0.026, 0.026) - 1.5).abs() < 0.03);
    }

    #[test]
    fn a_compound_is_not_asked_for_what_it_does_not_hold() {
        let error = mass(Compound::SODIUM_CARBONATE, ion(20.0), water(90.0)).unwrap_err().to_string();
        assert_eq!(
            error,
            "`Na2CO3` raises alkalinity, and not an ion\n  give the rise of alkalinity, or another compound"
        );
        assert!(mass("CaCl2".parse().unwrap(), dkh(1.0), water(90.0)).is_err());
    }

    #[test]
    fn a_large_rise_is_spread_over_days() {
        assert_eq!(days(Supplies::Alkalinity, 2.5), Some(3.0));
        assert_eq!(days(Supplies::Calcium, 20.0), Some(1.0));
    }
}

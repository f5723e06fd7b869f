//! Spellings that keepers use for two different things: nothing here guesses, it only asks.
//!
//! Duty: for a number and such a spelling, each way to write it plainly and what that would be.
//! Limits: only what a factor of the table of units decides; what needs a density (a bare specific
//! gravity) is asked by whoever has the formula.

use super::table::{Quantity, units_of};

/// What `number spelling` can mean as a `wanted`; `None` if the spelling is not ambiguous.
pub(super) fn meanings(number: f64, spelling: &str, wanted: Quantity) -> Option<Vec<(String, String)>> {
    match (wanted, spelling) {
        (Quantity::Salinity, "ppt" | "‰" | "o/oo") => {
            let unit = units_of(Quantity::Salinity).find(|unit| unit.symbol == "g/kg");
            let by_mass = unit.expect("the table has g/kg").to_canonical(number);
            Some(vec![
                (
                    format!("{number} psu"),
                    format!("practical salinity, as most meters and refractometers mean it: {number} psu"),
                ),
                (format!("{number} g/kg"), format!("grams of salt in a kilogram of water: {by_mass:.2} psu")),
            ])
        }
        (Quantity::Concentration, "ppm") => Some(by_volume_or_mass(number, "mg/L", "")),
        (Quantity::Alkalinity, "ppm" | "ppm CaCO3") => {
            let per_dkh = units_of(Quantity::Alkalinity).find(|unit| unit.symbol == "mg/L CaCO3");
            let value = per_dkh.expect("the table has mg/L CaCO3").to_canonical(number);
            Some(vec![
                (
                    format!("{number} mg/L CaCO3"),
                    format!("milligrams in a litre, as reagent tests mean it: {value:.2} dKH"),
                ),
                (
                    format!("{:.1} mg/L CaCO3", number * SEAWATER_KG_PER_L),
                    format!("milligrams in a kilogram of seawater: {:.2} dKH", value * SEAWATER_KG_PER_L),
                ),
            ])
        }
        _ => None,
    }
}

/// Seawater of salinity 35 at 25 °C (EOS-80), only to show how far the two meanings are apart.
const SEAWATER_KG_PER_L: f64 = 1.0233;

fn by_volume_or_mass(number: f64, unit: &str, species: &str) -> Vec<(String, String)> {
    let by_mass = number * SEAWATER_KG_PER_L;
    vec![
        (
            format!("{number} {unit}{species}"),
            format!("milligrams in a litre, as reagent tests mean it: {number} mg/L"),
        ),
        (format!("{by_mass:.2} {unit}{species}"), format!("milligrams in a kilogram of seawater: {by_mass:.2} mg/L")),
    ]
}

#[cfg(test)]
mod tests {
    use crate::units::{Concentration, PracticalSalinity};

    #[test]
    fn parts_per_thousand_are_asked_about_with_both_values() {
        let question = "35 ppt".parse::<PracticalSalinity>().unwrap_err().to_string();
        assert_eq!(
            question,
            "`35 ppt` can mean more than one thing: which?\n  \
             write `35 psu` for practical salinity, as most meters and refractometers mean it: 35 psu\n  \
             write `35 g/kg` for grams of salt in a kilogram of water: 34.84 psu"
        );
    }

    #[test]
    fn parts_per_million_are_asked_about() {
        let question = "420 ppm".parse::<Concentration>().unwrap_err().to_string();
        assert!(question.contains("write `420 mg/L`") && question.contains("write `429.79 mg/L`"), "{question}");
    }
}

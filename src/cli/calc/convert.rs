//! `slackwater calc convert`: a value in every other unit that it can be told in.

use clap::Args;

use crate::units::{Amount, Quantity, units_of, units_spelt};
use crate::water::chemistry::{Form, calcium_per_dkh};

use super::ask::{self, Reading};
use super::report::{Failure, Report};

const EXAMPLE: &str = "\
Example: an alkalinity in all its units.
  $ slackwater calc convert --value \"8.1 dKH\"
  milliequivalents           2.889 meq/L

Nitrate told by its nitrogen:
  $ slackwater calc convert --value \"2.3 mg/L NO3-N\"
  NO3      10.1813 mg/L";

/// Converts alkalinity, nitrate and phosphate by ion or element, and every unit that is known.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLE)]
pub(super) struct Convert {
    /// The value, such as `8.1 dKH`, `10 mg/L NO3`, `0.03 mg/L PO4-P`, `78 °F`, `1 gal`.
    #[arg(long, allow_hyphen_values = true)]
    value: String,
    /// What is measured, where the unit alone does not say, such as `temperature-difference`.
    #[arg(long)]
    quantity: Option<String>,
}

impl Convert {
    pub(super) fn run(&self) -> Result<Report, Failure> {
        let text = self.value.trim();
        if text.parse::<f64>().is_ok() {
            // A bare number: where it can be a reading of salinity, the question gives the values.
            return Err(Failure::Misuse(ask::reading(text).err().unwrap_or_default()));
        }
        if text.contains("sg") || text.contains("SG") {
            return Err(match ask::reading(text) {
                Ok(Reading::Gravity(_)) => Failure::misuse(
                    format!("`{text}` is a reading of salinity"),
                    "see `slackwater calc gravity` or `salinity`",
                ),
                Ok(_) => Failure::misuse(format!("`{text}` is not one value"), "write one value with its unit"),
                Err(question) => Failure::Misuse(question),
            });
        }
        if let Some(quantity) = &self.quantity {
            return every_unit(text, named(quantity)?);
        }
        let nutrient = text.rsplit_once(' ').is_some_and(|(_, last)| {
            Form::spelt(last).is_some() || matches!(last, "nitrate" | "nitrite" | "phosphate" | "ammonia")
        });
        let asks = ["ppt", "‰", "ppm", "ppm CaCO3"].iter().any(|ending| text.ends_with(ending));
        if nutrient || asks {
            let level = ask::level(text).map_err(Failure::Misuse)?;
            return match level.form {
                Some(form) => Ok(forms(level.amount, form)),
                None => every_unit(text, level.amount.quantity()),
            };
        }
        let number_ends =
            text.find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | '-' | '+'))).unwrap_or(text.len());
        let spelling = text[number_ends..].trim();
        let quantity = units_spelt(spelling).map(|unit| unit.quantity).next().ok_or_else(|| {
            Failure::misuse(
                format!("`{text}`: `{spelling}` is not a unit that is known here"),
                "write a value such as `8.1 dKH`, `10 mg/L NO3` or `78 °F`",
            )
        })?;
        every_unit(text, quantity)
    }
}

fn named(name: &str) -> Result<Quantity, Failure> {
    serde_json::from_value(serde_json::Value::String(name.to_owned())).map_err(|_| {
        Failure::misuse(format!("`{name}` is not a quantity"), "write a name such as `temperature-difference`")
    })
}

fn every_unit(text: &str, quantity: Quantity) -> Result<Report, Failure> {
    let amount = Amount::parse(text, quantity).map_err(|error| Failure::Misuse(error.to_string()))?;
    let mut report = Report::new(format!("{text} ({})", quantity.noun()));
    if quantity == Quantity::Alkalinity {
        let dkh = amount.value();
        let meq = dkh / 2.80385;
        report.fact("alkalinity_dkh", "German degrees", dkh, 3, "dKH");
        report.fact("alkalinity_meq_per_l", "milliequivalents", meq, 3, "meq/L");
        report.fact("alkalinity_mg_per_l_caco3", "as calcium carbonate", meq * 50.043, 2, "mg/L CaCO3");
        report.fact("calcium_partner_mg_per_l", "calcium that goes with it", dkh * calcium_per_dkh(), 2, "mg/L");
        report.formula("alkalinity", "1 dKH is 10 mg/L of CaO; IUPAC 2021 abridged atomic weights");
        return Ok(report);
    }
    for unit in units_of(quantity) {
        let value = unit.from_canonical(amount.value());
        // Five significant digits, whatever the size.
        let decimals = (1..=8).find(|decimals| value.abs() * 10_f64.powi(*decimals) >= 1e4).unwrap_or(8);
        let key = format!("{}_{}", quantity.noun().replace(' ', "_").to_lowercase(), key_of(unit.symbol));
        report.fact(&key, unit.symbol, value, usize::try_from(decimals).unwrap_or(4), "");
    }
    report.formula("units", "exact by definition; US gallons and ounces");
    Ok(report)
}

/// A unit as a part of a plain key.
fn key_of(symbol: &str) -> String {
    let spelt = symbol.replace('/', "_per_").replace('°', "degree_").replace('µ', "u").replace('%', "percent");
    spelt.replace('²', "2").replace('³', "3").replace(' ', "_").to_lowercase()
}

fn forms(amount: Amount, form: &Form) -> Report {
    let mut report = Report::new(format!("{:.4} mg/L of {}, told {}", amount.value(), form.nutrient, form.meaning));
    for other in Form::of(form.nutrient) {
        let value = form.convert(amount.value(), *other);
        let key = format!("{}_mg_per_l", other.spelling.to_lowercase().replace('-', "_"));
        report.fact(&key, other.spelling, value, 4, "mg/L");
    }
    let micromoles = amount.value() / form.molar_mass() * 1000.0;
    report.fact(&format!("{}_umol_per_l", form.nutrient), form.nutrient, micromoles, 3, "µmol/L");
    report.formula("forms", "by molar mass, IUPAC 2021 abridged atomic weights");
    report
}

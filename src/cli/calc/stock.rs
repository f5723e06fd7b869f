//! `slackwater calc stock`: a stock solution from any two of mass, volume and strength.

use clap::Args;

use crate::units::{Concentration, Mass, Volume};
use crate::water::WaterError;
use crate::water::chemistry::Compound;
use crate::water::stock::{self, NEARLY_SATURATED, Stock};

use super::ask::{self, Strength};
use super::report::{Failure, Report};

const EXAMPLE: &str = "\
Example: sodium bicarbonate for 2 L of 1 eq/L.
  $ slackwater calc stock --compound NaHCO3 --strength \"1 eq/L\" --volume \"2 L\"
  mass to weigh               168.0 g

How much powder 350 mL hold of a recipe of 440 g in a US gallon:
  $ slackwater calc stock --mass \"440 g\" --volume \"1 gal\" --take \"350 mL\"
  in 350 mL      40.7 g";

/// Stock solutions: mass, volume and strength, and topping up a part-full container.
#[derive(Debug, Args)]
#[command(name = "stock", after_help = EXAMPLE)]
pub(super) struct StockSolution {
    /// What is dissolved, by formula or name, such as `NaHCO3`; needed for equivalents and solubility.
    #[arg(long)]
    compound: Option<Compound>,
    /// Mass that is weighed, such as `168 g` or `6 oz`.
    #[arg(long)]
    mass: Option<Mass>,
    /// Volume that it is filled up to, such as `2 L`.
    #[arg(long)]
    volume: Option<Volume>,
    /// Strength, such as `1 eq/L` or `84 g/L`.
    #[arg(long, value_parser = ask::strength)]
    strength: Option<Strength>,
    /// A part that is taken out, to know what it holds.
    #[arg(long)]
    take: Option<Volume>,
    /// What is left in the container before it is topped up to --volume.
    #[arg(long, requires_all = ["left_strength", "volume"])]
    left: Option<Volume>,
    /// Strength of what is left.
    #[arg(long, requires = "left", value_parser = ask::strength)]
    left_strength: Option<Strength>,
}

impl StockSolution {
    pub(super) fn run(&self) -> Result<Report, Failure> {
        let title =
            self.compound.map_or("A stock solution".to_owned(), |compound| format!("A stock solution of {compound}"));
        let mut report = Report::new(title);
        let strength = self.strength.map(|strength| by_mass(strength, self.compound)).transpose()?;
        let result = if let (Some(left), Some(left_strength)) = (self.left, self.left_strength) {
            self.top_up(&mut report, left, by_mass(left_strength, self.compound)?, strength)?
        } else {
            let stock = stock::solve(self.mass, self.volume, strength).map_err(as_misuse)?;
            report.fact("mass_grams", "mass to weigh", stock.mass.grams(), 1, "g");
            report.fact("volume_litres", "fill up to", stock.volume.litres(), 3, "L");
            stock
        };
        report.fact("strength_g_per_l", "strength", result.grams_per_litre(), 2, "g/L");
        if let Some(compound) = self.compound {
            report.fact("strength_eq_per_l", "strength", result.equivalents_per_litre(compound), 4, "eq/L");
            solubility(&mut report, compound, result.grams_per_litre());
            report.formula("equivalents", "by molar mass, IUPAC 2021 abridged atomic weights");
        }
        if let Some(part) = self.take {
            let label = format!("in {:.0} mL", part.litres() * 1000.0);
            report.fact("mass_in_part_grams", &label, result.grams_in(part), 1, "g");
        }
        report.formula(
            "strength",
            "mass as weighed in a volume of finished solution: dissolve in less water, then fill up",
        );
        report.note("gloves and glasses; add the salt to the water, slowly: some salts heat it; label what it is");
        Ok(report)
    }

    fn top_up(
        &self,
        report: &mut Report,
        left: Volume,
        left_strength: Concentration,
        wanted: Option<Concentration>,
    ) -> Result<Stock, Failure> {
        let to = self.volume.ok_or_else(|| Failure::misuse("the full volume is not known", "give --volume"))?;
        let before = if left.litres() > 0.0 {
            stock::solve(None, Some(left), Some(left_strength))?
        } else {
            Stock { mass: Mass::from_grams(0.0).expect("zero is a mass"), volume: left }
        };
        let added = match (self.mass, wanted) {
            (Some(mass), None) => mass,
            (None, Some(wanted)) => stock::salt_to_add(&before, to, wanted)?,
            _ => return Err(Failure::misuse("salt or strength is needed", "give one of --mass and --strength")),
        };
        report.fact("mass_in_rest_grams", "in what is left", before.mass.grams(), 1, "g");
        report.fact("mass_grams", "mass to add", added.grams(), 1, "g");
        report.fact("volume_litres", "fill up to", to.litres(), 3, "L");
        Ok(stock::topped_up(&before, added, to)?)
    }
}

fn as_misuse(error: WaterError) -> Failure {
    match error {
        WaterError::NoAnswer { problem, fix } if fix.starts_with("give two") => Failure::misuse(problem, fix),
        other => other.into(),
    }
}

/// A strength by mass; equivalents need the compound.
pub(super) fn by_mass(strength: Strength, compound: Option<Compound>) -> Result<Concentration, Failure> {
    match (strength, compound) {
        (Strength::Mass(strength), _) => Ok(strength),
        (Strength::Equivalents(strength), Some(compound)) => Ok(stock::by_mass(compound, strength)?),
        (Strength::Equivalents(_), None) => {
            Err(Failure::misuse("equivalents are those of a compound", "give --compound, such as `NaHCO3`"))
        }
    }
}

/// Warns near and past saturation.
pub(super) fn solubility(report: &mut Report, compound: Compound, grams_per_litre: f64) {
    let part = stock::saturation(compound, grams_per_litre);
    report.fact("saturation_percent_20_celsius", "of what dissolves at 20 °C", part * 100.0, 0, "%");
    if part > 1.0 {
        report.warn(format!(
            "this does not dissolve: at 20 °C about {:.0} g/L of {} do; make it weaker",
            compound.soluble_grams_per_litre(),
            compound.formula()
        ));
        report.found_wanting();
    } else if part > NEARLY_SATURATED {
        report.warn("near saturation: a colder room makes crystals, and then the strength is not known");
    }
    report.formula("solubility", "handbook values at 20 °C from memory, good to about 5 %; less when colder");
}

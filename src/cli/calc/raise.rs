//! `slackwater calc raise`: what raises a tank by so much.

use clap::Args;

use crate::units::{Alkalinity, Concentration, Quantity, Volume};
use crate::water::chemistry::{Compound, Supplies, calcium_per_dkh};
use crate::water::raise::{self, Rise};

use super::ask::{self, Level, Strength};
use super::report::{Failure, Report};
use super::stock;

const EXAMPLE: &str = "\
Example: one dKH more in 90 L, with sodium bicarbonate and as a stock of 1 eq/L.
  $ slackwater calc raise --volume \"90 L\" --by \"1 dKH\" --compound NaHCO3 --stock \"1 eq/L\"
  mass                         2.696 g
  stock                        32.10 mL

20 mg/L of calcium more:
  $ slackwater calc raise --volume \"90 L\" --from \"400 mg/L\" --to \"420 mg/L\" \\
      --compound CaCl2.2H2O
  mass                         6.602 g";

/// Raises a tank by so much: grams of a compound, millilitres of a stock, and over how many days.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLE)]
pub(super) struct Raise {
    /// Net water of the tank.
    #[arg(long, value_parser = ask::volume)]
    volume: Volume,
    /// What is dosed, by formula or name.
    #[arg(long)]
    compound: Compound,
    /// By how much, such as `1 dKH` or `20 mg/L`.
    #[arg(long, value_parser = ask::level, conflicts_with_all = ["from", "to"], required_unless_present = "from")]
    by: Option<Level>,
    /// From this value.
    #[arg(long, value_parser = ask::level, requires = "to")]
    from: Option<Level>,
    /// To this value.
    #[arg(long, value_parser = ask::level, requires = "from")]
    to: Option<Level>,
    /// Strength of a stock of it, such as `1 eq/L` or `84 g/L`.
    #[arg(long, value_parser = ask::strength)]
    stock: Option<Strength>,
}

impl Raise {
    pub(super) fn run(&self) -> Result<Report, Failure> {
        let (quantity, by) = self.rise()?;
        if by < 0.0 {
            return Err(Failure::Refused(
                "no dose takes anything out of a tank\n  a water change does: see `slackwater calc dilute`".to_owned(),
            ));
        }
        let rise = match quantity {
            Quantity::Alkalinity => Alkalinity::from_dkh(by).map(Rise::Alkalinity),
            _ => Concentration::from_milligrams_per_litre(by).map(Rise::Ion),
        }
        .map_err(|error| Failure::Misuse(error.to_string()))?;
        let mass = raise::mass(self.compound, rise, self.volume)?;
        let unit = if quantity == Quantity::Alkalinity { "dKH" } else { "mg/L" };
        let supplies = if quantity == Quantity::Alkalinity { Supplies::Alkalinity } else { self.compound.supplies() };
        let mut report =
            Report::new(format!("{} by {by:.2} {unit} in {}, with {}", supplies.noun(), self.volume, self.compound));
        let key = if quantity == Quantity::Alkalinity { "rise_dkh" } else { "rise_mg_per_l" };
        report.fact(key, "rise", by, 2, unit);
        report.fact("mass_grams", "mass", mass.grams(), 3, "g");
        if let Some(strength) = self.stock {
            let strength = stock::by_mass(strength, Some(self.compound))?.milligrams_per_litre() / 1000.0;
            report.fact("stock_millilitres", "stock", raise::millilitres(mass, strength)?, 2, "mL");
            stock::solubility(&mut report, self.compound, strength);
        }
        if let Some(days) = raise::days(supplies, by) {
            report.fact("days", "spread over at least", days, 0, "d");
            let most = supplies.most_a_day().unwrap_or_default();
            report.note(format!("not more than {most} {unit} a day [common practice]; test in between"));
        }
        self.partner(&mut report, supplies, by, mass.grams())?;
        report.formula("rise", "stoichiometry, IUPAC 2021 abridged atomic weights; of the pure compound and net water");
        cautions(&mut report, self.compound);
        Ok(report)
    }

    fn rise(&self) -> Result<(Quantity, f64), Failure> {
        let (quantity, by, form) = match (self.by, self.from, self.to) {
            (Some(by), ..) => (by.amount.quantity(), by.amount.value(), by.form),
            (None, Some(from), Some(to)) if from.amount.quantity() == to.amount.quantity() && from.form == to.form => {
                (to.amount.quantity(), to.amount.value() - from.amount.value(), to.form)
            }
            _ => return Err(Failure::misuse("the rise is not clear", "give --by, or --from and --to in one unit")),
        };
        if quantity == Quantity::Salinity {
            return Err(Failure::misuse("salinity is not dosed", "see `slackwater calc match` for salt in a batch"));
        }
        // The compounds are reckoned by their ion.
        let ion = |form: &crate::water::chemistry::Form| {
            crate::water::chemistry::Form::of(form.nutrient).next().map_or(by, |ion| form.convert(by, *ion))
        };
        match form {
            Some(form) if form.nutrient == self.compound.supplies().noun() => Ok((quantity, ion(form))),
            Some(form) => Err(Failure::misuse(
                format!("`{}` holds no {}", self.compound.formula(), form.nutrient),
                "give another --compound",
            )),
            None if matches!(self.compound.supplies(), Supplies::Nitrate | Supplies::Phosphate) => {
                let nutrient = self.compound.supplies().noun();
                Err(Failure::Misuse(ask::level(&format!("{by} mg/L {nutrient}")).err().unwrap_or_default()))
            }
            None => Ok((quantity, by)),
        }
    }

    fn partner(&self, report: &mut Report, supplies: Supplies, by: f64, grams: f64) -> Result<(), Failure> {
        let equivalents = grams * self.compound.equivalents_per_gram();
        match supplies {
            Supplies::Alkalinity if self.compound.supplies() == Supplies::Alkalinity => {
                let calcium = by * calcium_per_dkh();
                report.fact("calcium_partner_mg_per_l", "calcium that goes with it", calcium, 2, "mg/L");
                let partner = Compound::CALCIUM_CHLORIDE_DIHYDRATE;
                let rise =
                    Concentration::from_milligrams_per_litre(calcium).map_err(|e| Failure::Misuse(e.to_string()))?;
                let mass = raise::mass(partner, Rise::Ion(rise), self.volume)?;
                report.fact("calcium_partner_grams", &format!("as {}", partner.formula()), mass.grams(), 3, "g");
                left(report, equivalents, "if the calcium partner is dosed too");
            }
            Supplies::Calcium if self.compound.formula() != "Ca(OH)2" => {
                left(report, equivalents, "if the alkalinity partner is dosed too");
            }
            _ => {}
        }
        Ok(())
    }
}

fn left(report: &mut Report, equivalents: f64, when: &str) {
    report.fact("salt_left_grams", "sodium chloride left behind", raise::salt_left(equivalents, equivalents), 2, "g");
    report.note(format!("the sodium chloride is left {when}; water changes take it out"));
}

fn cautions(report: &mut Report, compound: Compound) {
    report.note(match compound.formula() {
        "Ca(OH)2" => "limewater is caustic: gloves and glasses, slowly, and watch the pH",
        "Na2CO3" => "sodium carbonate raises the pH: slowly, into strong flow; gloves and glasses",
        "CaCl2" | "CaCl2.2H2O" => "calcium chloride heats the water that it dissolves in: salt into water, slowly",
        _ => "dissolve first, dose into strong flow, and away from its partner by time",
    });
}

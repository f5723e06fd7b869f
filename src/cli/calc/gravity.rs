//! `slackwater calc gravity`: one salinity, every pair of reference temperatures.

use clap::Args;

use crate::units::{PracticalSalinity, ReferencePair, SpecificGravity, Temperature};
use crate::water::{density, gravity};

use super::ask;
use super::report::{Cell, Failure, Report, column};

const EXAMPLE: &str = "\
Example: what a hydrometer marked 20/20 must read where one marked 25/25 reads 1.0264.
  $ slackwater calc gravity --specific-gravity \"1.0264 sg 25/25\" --pair 20/20
  practical salinity  35.036 psu
  20/20               1.02663

A hydrometer of 60/60 °F that reads 1.0245 while it floats in water of 77 °F:
  $ slackwater calc gravity --specific-gravity \"1.0245 sg 60/60 °F\" \\
      --water-temperature \"77 °F\"
  practical salinity  35.199 psu";

/// Specific gravity at any pair of reference temperatures, both ways.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLE)]
#[expect(clippy::struct_field_names, reason = "the fields are the names of the arguments")]
pub(super) struct Gravity {
    /// Specific gravity with its reference temperatures, such as `1.0264 sg 25/25`.
    #[arg(long, conflicts_with = "salinity", required_unless_present = "salinity", value_parser = ask::specific_gravity)]
    specific_gravity: Option<SpecificGravity>,
    /// Practical salinity, such as `35 psu`.
    #[arg(long)]
    salinity: Option<PracticalSalinity>,
    /// A further pair to give, such as `20/4` or `60/60 °F`; may be repeated.
    #[arg(long)]
    pair: Vec<ReferencePair>,
    /// The hydrometer floats in water of this temperature, and not of its mark.
    #[arg(long, requires = "specific_gravity")]
    water_temperature: Option<Temperature>,
}

impl Gravity {
    pub(super) fn run(&self) -> Result<Report, Failure> {
        let title = match (self.specific_gravity, self.salinity) {
            (Some(reading), _) => format!("Water of {reading}"),
            (None, Some(salinity)) => format!("Water of {salinity}"),
            (None, None) => String::new(),
        };
        let mut report = Report::new(title);
        let salinity = match (self.specific_gravity, self.salinity) {
            (Some(reading), _) => salinity_of(reading, self.water_temperature, &mut report)?,
            (None, Some(salinity)) => salinity,
            (None, None) => {
                return Err(Failure::misuse("nothing is known of the water", "give --specific-gravity or --salinity"));
            }
        };
        density::SALINITIES.check(salinity.psu())?;
        report.fact("practical_salinity", "practical salinity", salinity.psu(), 3, "psu");
        let mut pairs = self.pair.clone();
        pairs.extend(gravity::common_pairs());
        pairs.extend(self.specific_gravity.map(SpecificGravity::pair));
        let mut rows: Vec<(ReferencePair, f64)> = Vec::new();
        for pair in pairs {
            if !rows.iter().any(|(seen, _)| *seen == pair) {
                rows.push((pair, gravity::specific_gravity(salinity, pair)?.value()));
            }
        }
        for (pair, value) in &rows {
            report.fact(&format!("specific_gravity_{}", pair.key()), &pair.to_string(), *value, 5, "");
        }
        let densities = rows
            .iter()
            .map(|(pair, _)| {
                let water = density::density(salinity, pair.water())?.kilograms_per_cubic_metre();
                let pure = density::of_pure_water(pair.reference())?.kilograms_per_cubic_metre();
                Ok(vec![Cell::Text(pair.to_string()), Cell::Number(water), Cell::Number(pure)])
            })
            .collect::<Result<Vec<_>, Failure>>()?;
        report.heading("Densities behind them");
        report.table(
            "densities",
            vec![
                column("pair", "pair", 0),
                column("water_kg_per_m3", "water, kg/m³", 3),
                column("pure_water_kg_per_m3", "pure water, kg/m³", 3),
            ],
            densities,
        );
        report.ranges(&[density::TEMPERATURES, density::SALINITIES]);
        report.formula("specific gravity t/t0", "density of the water at t over density of pure water at t0");
        Ok(report)
    }
}

fn salinity_of(
    reading: SpecificGravity,
    water: Option<Temperature>,
    report: &mut Report,
) -> Result<PracticalSalinity, Failure> {
    let Some(water) = water else { return Ok(gravity::salinity(reading)?) };
    let really = ReferencePair::celsius(water.celsius(), reading.pair().reference().celsius())
        .map_err(|error| Failure::Misuse(error.to_string()))?;
    report.note(format!(
        "the hydrometer compares water of {water} with pure water of {}; the glass's own expansion is left out, \
         0.00003 for each degree at most",
        reading.pair().reference()
    ));
    let moved = SpecificGravity::new(reading.value(), really).map_err(|error| Failure::Misuse(error.to_string()))?;
    Ok(gravity::salinity(moved)?)
}

//! `slackwater calc dilute`: what water changes, top-off, evaporation and spills do.

use clap::Args;

use crate::units::{Amount, Quantity, Temperature, Volume};
use crate::water::mixing::{self, Water};
use crate::water::{Marked, density, dilution};

use super::ask::{self, Level, Reading, Share};
use super::report::{Cell, Failure, Report, column};
use super::salinity::{reference, too_salty};

const EXAMPLE: &str = "\
Example: how many changes of 18 L in 90 L bring nitrate from 40 to 10 mg/L.
  $ slackwater calc dilute --volume \"90 L\" --change \"18 L\" --start \"40 mg/L NO3\" \\
      --target \"10 mg/L NO3\"
  changes needed            7

What 4 L of evaporation do to a tank of 200 L, and what 4 L of top-off then do:
  $ slackwater calc dilute --volume \"200 L\" --salinity \"35 psu\" --evaporated \"4 L\" \\
      --topped-off \"4 L\"
  salinity after evaporation  35.696 psu";

/// Dilution by water changes; what evaporation, top-off and spilled salt water do to salinity.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLE)]
pub(super) struct Dilute {
    /// Net water of the tank.
    #[arg(long, value_parser = ask::volume)]
    volume: Volume,
    /// The value in the tank, such as `40 mg/L NO3`, `9 dKH` or `36 psu`.
    #[arg(long, value_parser = ask::level, required_unless_present = "salinity")]
    start: Option<Level>,
    /// The value in the new water; nothing if not given.
    #[arg(long, value_parser = ask::level, requires = "start")]
    new: Option<Level>,
    /// Water of one change, such as `18 L`, or `20 %` of the tank.
    #[arg(long, requires = "start", value_parser = ask::share)]
    change: Option<Share>,
    /// How many changes.
    #[arg(long, requires = "change", value_parser = clap::value_parser!(u32).range(1..=1000))]
    changes: Option<u32>,
    /// Water of a continuous change, in as fast as out.
    #[arg(long, requires = "start")]
    continuous: Option<Volume>,
    /// The value to reach.
    #[arg(long, value_parser = ask::level, requires = "start")]
    target: Option<Level>,
    /// The tank's salinity, as a value or a reading, for evaporation, spills and top-off.
    #[arg(long, value_parser = ask::reading)]
    salinity: Option<Reading>,
    /// The tank's temperature.
    #[arg(long)]
    temperature: Option<Temperature>,
    /// Fresh water that evaporated.
    #[arg(long, requires = "salinity")]
    evaporated: Option<Volume>,
    /// Salt water that was spilled or skimmed, after the evaporation.
    #[arg(long, requires = "salinity")]
    spilled: Option<Volume>,
    /// Fresh water that was topped off, last.
    #[arg(long, requires = "salinity")]
    topped_off: Option<Volume>,
}

impl Dilute {
    pub(super) fn run(&self) -> Result<Report, Failure> {
        let mut report = Report::new(format!("A tank of {}", self.volume));
        if let Some(start) = self.start {
            self.dilute(&mut report, start)?;
        }
        if let Some(reading) = self.salinity {
            self.salt(&mut report, reading)?;
        }
        Ok(report)
    }

    fn dilute(&self, report: &mut Report, start: Level) -> Result<(), Failure> {
        let new = alike(start, self.new)?.unwrap_or(0.0);
        let target = alike(start, self.target)?;
        if self.change.is_none() && self.continuous.is_none() && target.is_none() {
            return Err(Failure::misuse("there is no change", "give --change, --continuous or --target"));
        }
        let show = Shown::of(start);
        let value = start.amount.value();
        report.fact(&show.key("start"), "in the tank", value, show.decimals, show.unit);
        report.fact(&show.key("new_water"), "in the new water", new, show.decimals, show.unit);
        if let Some(change) = self.change {
            let fraction = match change {
                Share::Volume(change) => change.litres() / self.volume.litres(),
                Share::Part(part) => part.ratio(),
            };
            report.fact("change_fraction", "part of one change", fraction * 100.0, 1, "%");
            let needed = target.map(|target| dilution::changes_needed(value, new, target, fraction)).transpose()?;
            if let Some(needed) = needed {
                report.fact("changes_needed", "changes needed", f64::from(needed), 0, "");
            }
            let n = self.changes.or(needed).unwrap_or(1).max(1);
            let rows = (1..=n.min(30))
                .map(|i| {
                    let after = dilution::after_changes(value, new, fraction, i)?;
                    let litres = f64::from(i) * fraction * self.volume.litres();
                    Ok(vec![Cell::Number(f64::from(i)), Cell::Number(after), Cell::Number(litres)])
                })
                .collect::<Result<Vec<_>, Failure>>()?;
            let after = dilution::after_changes(value, new, fraction, n)?;
            report.fact(&show.key("after_changes"), &format!("after {n} changes"), after, show.decimals, show.unit);
            let columns = vec![
                column("change", "change", 0),
                column("value", show.unit, show.decimals),
                column("litres", "L so far", 1),
            ];
            report.table("changes", columns, rows);
            report
                .formula("dilution by changes", "(1 - f)^n of the difference is left; volume constant, mixed at once");
        }
        if let Some(target) = target {
            let volumes = dilution::volumes_needed(value, new, target)?;
            report.fact("continuous_litres_needed", "continuous change needed", volumes * self.volume.litres(), 1, "L");
        }
        if let Some(continuous) = self.continuous {
            let after = dilution::after_continuous(value, new, continuous.litres() / self.volume.litres());
            report.fact(
                &show.key("after_continuous"),
                &format!("after {continuous} in and out"),
                after,
                show.decimals,
                show.unit,
            );
        }
        if target.is_some() || self.continuous.is_some() {
            report.formula(
                "continuous dilution",
                "exp(-V/V0) of the difference is left; in as fast as out, always mixed",
            );
        }
        report.note("what the tank itself makes or uses up meanwhile is not in it");
        Ok(())
    }

    fn salt(&self, report: &mut Report, reading: Reading) -> Result<(), Failure> {
        let temperature = self.temperature.unwrap_or_else(reference);
        let Marked { value: salinity, beyond } = reading.salinity(temperature).map_err(too_salty)?;
        if let Some(range) = beyond {
            report.extrapolated(range);
        }
        let first = Water { volume: self.volume, salinity, temperature };
        let mut tank = first;
        report.fact("salinity_start", "salinity", tank.salinity.psu(), 3, "psu");
        let step = |report: &mut Report, key: &str, label: &str, after: Water| {
            report.fact(
                &format!("salinity_after_{key}"),
                &format!("salinity after {label}"),
                after.salinity.psu(),
                3,
                "psu",
            );
            report.fact(&format!("litres_after_{key}"), &format!("water after {label}"), after.volume.litres(), 2, "L");
            after
        };
        if let Some(lost) = self.evaporated {
            tank = step(report, "evaporation", "evaporation", mixing::evaporated(&tank, lost)?);
        }
        if let Some(out) = self.spilled {
            tank = step(report, "spill", "the spill", mixing::left(&tank, out)?);
        }
        if let Some(added) = self.topped_off {
            tank = step(report, "top_off", "top-off", mixing::topped_off(&tank, added)?);
        }
        let needed = mixing::top_off_needed(&tank, first.salinity)?;
        if needed.litres() > 0.005 {
            report.fact("fresh_water_to_restore_litres", "fresh water to the old salinity", needed.litres(), 2, "L");
        }
        let lost = first.salt()?.grams() - tank.salt()?.grams();
        if lost.abs() > 0.05 {
            report.fact("salt_lost_grams", "salt lost", lost, 1, "g");
            report.note("what a spill took is salt: topping the level up with fresh water makes the tank less salty");
        }
        report.formula("salt balance", "evaporation takes no salt, a spill takes its share; mass conserved");
        report.ranges(&[density::TEMPERATURES, density::SALINITIES]);
        Ok(())
    }
}

/// The value of a level of the same quantity and form.
fn alike(start: Level, other: Option<Level>) -> Result<Option<f64>, Failure> {
    let Some(other) = other else { return Ok(None) };
    let same_form = start.form.map(|form| form.spelling) == other.form.map(|form| form.spelling);
    // Nothing of anything is nothing.
    if other.amount.value() == 0.0 {
        return Ok(Some(0.0));
    }
    if other.amount.quantity() != start.amount.quantity() {
        return Err(Failure::misuse(
            format!("`{}` and `{}` are not the same quantity", start.amount, other.amount),
            "give all values in units of one quantity",
        ));
    }
    match (start.form, other.form) {
        _ if same_form => Ok(Some(other.amount.value())),
        (Some(a), Some(b)) if a.nutrient == b.nutrient => Ok(Some(b.convert(other.amount.value(), *a))),
        _ => Err(Failure::misuse(
            format!("`{}` and `{}` are not told in the same form", start.amount, other.amount),
            "write the form of both, such as `mg/L NO3`",
        )),
    }
}

/// How values of a level are shown.
struct Shown {
    suffix: &'static str,
    unit: &'static str,
    decimals: usize,
}

impl Shown {
    fn of(level: Level) -> Self {
        let amount: Amount = level.amount;
        let suffix = match amount.quantity() {
            Quantity::Alkalinity => "dkh",
            Quantity::Salinity => "psu",
            _ => "mg_per_l",
        };
        Self { suffix, unit: amount.quantity().canonical().symbol, decimals: amount.quantity().decimals() }
    }

    fn key(&self, what: &str) -> String {
        format!("{what}_{}", self.suffix)
    }
}

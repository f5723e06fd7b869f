//! `slackwater calc consumption`: what the tank uses up, and whether and how to change the dose.

use clap::Args;

use crate::units::{Alkalinity, AlkalinityRate, DoseRate, EquivalentStrength, PracticalSalinity, Volume};
use crate::water::chemistry::calcium_per_dkh;
use crate::water::consumption::{self, Consumption, Input, Test};
use crate::water::dosing::{self, Advice, Limits, Plan, Wanted};
use crate::water::mixing::{self, Water};
use crate::water::raise;

use super::ask;
use super::moment::{Moment, valued};
use super::report::{Cell, Failure, Report, column};
use super::salinity::reference;

const EXAMPLE: &str = "\
Example: 8.2 to 7.6 dKH in 3 days while dosing 20 mL/d of 1 eq/L into 90 L.
  $ slackwater calc consumption --volume \"90 L\" --stock \"1 eq/L\" --test \"8.2 dKH @ 0 d\" \\
      --test \"7.6 dKH @ 3 d\" --dose \"20 mL/d @ 0 d\" --target \"8.2 dKH\"
  consumption                    0.823 ± 0.094 dKH/d
  maintenance dose wanted        26.4 ± 3.0 mL/d

Moments are times since a start of your own, or dates such as `@ 2026-03-01 18:00`; an entry
at the moment of a test came after it.";

/// Consumption from test results with doses and water changes between them, and the dose that follows.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLE)]
pub(super) struct Used {
    /// Net water of the tank.
    #[arg(long, value_parser = ask::volume)]
    volume: Volume,
    /// Strength of the alkalinity stock, such as `1 eq/L`.
    #[arg(long)]
    stock: EquivalentStrength,
    /// A test result and when, such as `8.2 dKH @ 0 d`; two or more.
    #[arg(long, required = true, value_parser = test)]
    test: Vec<(Alkalinity, Moment)>,
    /// A daily dose and from when, such as `20 mL/d @ 0 d`; the last one is the present dose.
    #[arg(long, value_parser = dose)]
    dose: Vec<(DoseRate, Moment)>,
    /// A dose at once and when, such as `30 mL @ 1 d`.
    #[arg(long, value_parser = added)]
    added: Vec<(Volume, Moment)>,
    /// A water change, the new water's alkalinity, and when, such as `10 L of 7.5 dKH @ 1 d`.
    #[arg(long, value_parser = change)]
    change: Vec<(Volume, Alkalinity, Moment)>,
    /// Standard deviation of one test.
    #[arg(long, default_value = "0.2 dKH")]
    test_sd: Alkalinity,
    /// The wanted alkalinity; what is there is kept if not given.
    #[arg(long)]
    target: Option<Alkalinity>,
    /// Greatest step of the dose [common practice], besides a quarter of it, each two days.
    #[arg(long, default_value = "0.25 dKH/d")]
    step_limit: AlkalinityRate,
    /// Greatest correction [common practice].
    #[arg(long, default_value = "0.3 dKH/d")]
    correction_limit: AlkalinityRate,
    /// Greatest total of a day [common practice].
    #[arg(long, default_value = "1 dKH/d")]
    day_limit: AlkalinityRate,
    /// Strength of the calcium partner; that of the alkalinity stock if not given.
    #[arg(long)]
    calcium_stock: Option<EquivalentStrength>,
    /// Salinity, for what the salt left behind does to it.
    #[arg(long, default_value = "35 psu")]
    salinity: PracticalSalinity,
}

fn moments<T>(text: &str) -> Result<(T, Moment), String>
where
    T: std::str::FromStr,
    T::Err: std::fmt::Display,
{
    let (value, at) = valued(text)?;
    Ok((value.parse().map_err(|error: T::Err| error.to_string())?, at))
}

fn test(text: &str) -> Result<(Alkalinity, Moment), String> {
    moments(text)
}

fn dose(text: &str) -> Result<(DoseRate, Moment), String> {
    moments(text)
}

fn added(text: &str) -> Result<(Volume, Moment), String> {
    moments(text)
}

fn change(text: &str) -> Result<(Volume, Alkalinity, Moment), String> {
    let (value, at) = valued(text)?;
    let (volume, alkalinity) = value.split_once(" of ").ok_or_else(|| {
        format!("`{value}` is not a water change\n  write volume and alkalinity such as `10 L of 7.5 dKH @ 1 d`")
    })?;
    Ok((
        volume.parse().map_err(|error: crate::units::UnitError| error.to_string())?,
        alkalinity.parse().map_err(|error: crate::units::UnitError| error.to_string())?,
        at,
    ))
}

impl Used {
    pub(super) fn run(&self) -> Result<Report, Failure> {
        let k = raise::dkh_per_millilitre(self.stock, self.volume)?;
        let (tests, inputs) = self.events(k)?;
        let found = consumption::consumption(&tests, &inputs, self.test_sd.dkh())?;
        let present = self.present_dose();
        let mut report = Report::new(format!("Alkalinity of a tank of {}, stock of {}", self.volume, self.stock));
        self.evidence(&mut report, &found, k);
        if found.per_day < 0.0 {
            report
                .warn("more came in than these entries tell: a dose or a water change is missing, or a test is wrong");
            report.found_wanting();
            return Ok(report);
        }
        let limits = Limits {
            step: self.step_limit.dkh_per_day(),
            correction: self.correction_limit.dkh_per_day(),
            day: self.day_limit.dkh_per_day(),
            ..Limits::USUAL
        };
        let wanted = Wanted { dose: present, dkh_per_ml: k, level: self.target.map(Alkalinity::dkh) };
        let advice = dosing::advise(&found, &wanted, &limits)?;
        report.heading("What to do");
        report.fact("present_dose_ml_per_day", "present dose", present, 1, "mL/d");
        match advice {
            Advice::TestAgain { enough_after_days } => thin(&mut report, enough_after_days),
            Advice::Dose(plan) => dose_plan(&mut report, &plan, k),
        }
        self.partner(&mut report, &found, k)?;
        report.formula("consumption", "least squares through the tests, doses and water changes between them counted");
        report.formula(
            "dose",
            format!(
                "acts from 2 standard uncertainties on; steps of a quarter or {} each 2 days, correction up to {}, day up \
                 to {} [common practice]",
                self.step_limit, self.correction_limit, self.day_limit
            ),
        );
        report.note(
            "a plan, not a permission: the daemon's own limits and interlocks stand; test again before each step",
        );
        Ok(report)
    }

    fn events(&self, k: f64) -> Result<(Vec<Test>, Vec<Input>), Failure> {
        let all = self
            .test
            .iter()
            .map(|(_, at)| *at)
            .chain(self.dose.iter().map(|(_, at)| *at))
            .chain(self.added.iter().map(|(_, at)| *at))
            .chain(self.change.iter().map(|(_, _, at)| *at));
        let (dated, spans): (Vec<_>, Vec<_>) = all.partition(|at| at.dated);
        if !dated.is_empty() && !spans.is_empty() {
            return Err(Failure::misuse("some moments are dates and some are not", "write all of them in one way"));
        }
        let tests = self.test.iter().map(|(value, at)| Test { day: at.days, value: value.dkh() }).collect();
        let mut inputs: Vec<Input> = Vec::new();
        for (rate, at) in &self.dose {
            inputs.push(Input::Rate { day: at.days, per_day: rate.millilitres_per_day() * k });
        }
        for (volume, at) in &self.added {
            inputs.push(Input::Dose { day: at.days, rise: volume.litres() * 1000.0 * k });
        }
        for (volume, alkalinity, at) in &self.change {
            let fraction = volume.litres() / self.volume.litres();
            inputs.push(Input::Change { day: at.days, fraction, new: alkalinity.dkh() });
        }
        Ok((tests, inputs))
    }

    fn present_dose(&self) -> f64 {
        let last = self.dose.iter().max_by(|(_, a), (_, b)| a.days.total_cmp(&b.days));
        last.map_or(0.0, |(rate, _)| rate.millilitres_per_day())
    }

    fn evidence(&self, report: &mut Report, found: &Consumption, k: f64) {
        let (wanted, sd) = dosing::maintenance(found, k);
        report.fact("tests", "tests", found.tests as f64, 0, "");
        report.fact("days", "over", found.days, 2, "d");
        report.uncertain("consumption_dkh_per_day", "consumption", found.per_day, found.sd, 3, "dKH/d");
        report.uncertain("maintenance_wanted_ml_per_day", "maintenance dose wanted", wanted, sd, 1, "mL/d");
        report.fact("dkh_per_ml", "one mL of the stock raises by", k, 4, "dKH");
        report.fact("alkalinity_now_dkh", "alkalinity at the last test", found.last, 2, "dKH");
        if let Some(scatter) = found.scatter {
            report.fact("scatter_dkh", "scatter of the tests", scatter, 2, "dKH");
            if scatter > 1.5 * self.test_sd.dkh() {
                report.note("the tests scatter more than the kit claims; the scatter is used for the uncertainty");
            }
        }
    }

    fn partner(&self, report: &mut Report, found: &Consumption, k: f64) -> Result<(), Failure> {
        let (alkalinity, _) = dosing::maintenance(found, k);
        let strength = self.stock.equivalents_per_litre();
        let partner = self.calcium_stock.unwrap_or(self.stock).equivalents_per_litre();
        report.heading("Its partner, at the wanted maintenance dose");
        report.fact("calcium_mg_per_l_per_day", "calcium used with it", found.per_day * calcium_per_dkh(), 2, "mg/L/d");
        if partner > 0.0 {
            report.fact("calcium_ml_per_day", "calcium stock", alkalinity * strength / partner, 1, "mL/d");
        }
        let equivalents = alkalinity / 1000.0 * strength;
        let salt = raise::salt_left(equivalents, equivalents);
        report.fact("salt_left_grams_per_day", "sodium chloride left behind", salt, 2, "g/d");
        let tank = Water { volume: self.volume, salinity: self.salinity, temperature: reference() };
        let month = salt * 30.0 / tank.kilograms()?;
        report.fact("salt_left_g_per_kg_per_30_days", "that is, in 30 days", month, 2, "g/kg");
        report.fact("salinity_rise_per_30_days", "or in salinity", month / mixing::G_PER_KG_PER_PSU, 2, "psu");
        report.note("the salt left behind raises salinity unless top-off and water changes are matched to it");
        Ok(())
    }
}

/// Too little to act on, or nothing to do.
fn thin(report: &mut Report, enough_after_days: Option<f64>) {
    report.verdict("enough_evidence", "enough evidence to act", false);
    let Some(days) = enough_after_days else {
        report.note("the dose is right as far as these tests can tell: keep it");
        return;
    };
    report.fact("test_again_days_after_first", "test again, after the first test", days.ceil(), 0, "d");
    report.warn("too thin to act: the wanted change is less than twice its uncertainty; keep the dose and test again");
    report.found_wanting();
}

fn dose_plan(report: &mut Report, plan: &Plan, k: f64) {
    report.verdict("enough_evidence", "enough evidence to act", true);
    let rows = plan
        .phases
        .iter()
        .map(|phase| {
            vec![
                Cell::Number(phase.from_day),
                phase.until_day.map_or(Cell::Nothing, Cell::Number),
                Cell::Number(phase.maintenance),
                Cell::Number(phase.correction),
                Cell::Number(phase.maintenance + phase.correction),
                Cell::Number((phase.maintenance + phase.correction) * k),
                Cell::Number(phase.net),
            ]
        })
        .collect();
    report.table(
        "phases",
        vec![
            column("from_day", "from day", 1),
            column("until_day", "until", 1),
            column("maintenance_ml_per_day", "maintenance mL/d", 1),
            column("correction_ml_per_day", "correction mL/d", 1),
            column("total_ml_per_day", "total mL/d", 1),
            column("total_dkh_per_day", "total dKH/d", 3),
            column("net_dkh_per_day", "net dKH/d", 3),
        ],
        rows,
    );
    if let Some(days) = plan.level_reached_after {
        report.fact("target_reached_after_days", "target reached after", days, 1, "d");
    }
}

//! `slackwater calc conductivity`: to 25 °C and back, and what a linear compensation does wrong.

use clap::{ArgGroup, Args};

use crate::units::{Conductivity, PracticalSalinity, Temperature, TemperatureCoefficient};
use crate::water::{compensation, pss78};

use super::report::{Cell, Failure, Report, column};
use super::salinity::too_salty;

const EXAMPLE: &str = "\
Example: what 45.9 mS/cm at 18 °C are at 25 °C, and what a probe with 2 %/°C makes of it.
  $ slackwater calc conductivity --conductivity \"45.9 mS/cm\" --temperature \"18 °C\"
  conductivity at 25 °C     53.073 mS/cm
  2.00  53.372     0.222

What a probe that shows 53.37 mS/cm by 2 %/°C at 18 °C has really measured:
  $ slackwater calc conductivity --shown \"53.37 mS/cm\" --coefficient \"2 %/°C\" \\
      --temperature \"18 °C\"
  practical salinity        35.000 psu";

/// Conductivity brought to 25 °C and back, by the seawater law and by linear compensation.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLE)]
#[command(group(ArgGroup::new("known").required(true).args(["conductivity", "at_25", "shown", "salinity"])))]
#[group(skip)]
pub(super) struct ConductivityAt {
    /// Conductivity at the temperature of the water, such as `53 mS/cm`.
    #[arg(long)]
    conductivity: Option<Conductivity>,
    /// Conductivity that the water has at 25 °C.
    #[arg(long)]
    at_25: Option<Conductivity>,
    /// What a probe shows that compensates with --coefficient.
    #[arg(long, requires = "coefficient")]
    shown: Option<Conductivity>,
    /// Practical salinity of the water, such as `35 psu`.
    #[arg(long)]
    salinity: Option<PracticalSalinity>,
    /// Temperature of the water, such as `25 °C` or `77 °F`.
    #[arg(long, allow_hyphen_values = true)]
    temperature: Temperature,
    /// The probe's coefficient, such as `2 %/°C`; 2 and 1.91 are shown if none is given.
    #[arg(long)]
    coefficient: Option<TemperatureCoefficient>,
}

impl ConductivityAt {
    pub(super) fn run(&self) -> Result<Report, Failure> {
        let t = self.temperature;
        let (title, conductivity) = match (self.conductivity, self.at_25, self.shown, self.salinity) {
            (Some(c), ..) => (format!("Water of {c} at {t}"), c),
            (_, Some(c), ..) => {
                (format!("Water of {c} at 25 °C, now at {t}"), compensation::from_25(c, t).map_err(too_salty)?)
            }
            (_, _, Some(shown), _) => {
                let coefficient = self.coefficient.ok_or_else(|| {
                    Failure::misuse("the probe's coefficient is not known", "give --coefficient, such as `2 %/°C`")
                })?;
                let title = format!("Water at {t} for which a probe of {coefficient} shows {shown}");
                (title, compensation::undo_linear(shown, t, coefficient)?)
            }
            (.., Some(s)) => (format!("Water of {s} at {t}"), pss78::conductivity(s, t).map_err(too_salty)?),
            _ => {
                return Err(Failure::misuse(
                    "nothing is known of the water",
                    "give --conductivity, --at-25, --shown or --salinity",
                ));
            }
        };
        let salinity = pss78::salinity(conductivity, t).map_err(too_salty)?;
        let at_25 = compensation::to_25(conductivity, t).map_err(too_salty)?;
        let mut report = Report::new(title);
        report.fact(
            "conductivity_ms_per_cm",
            &format!("conductivity at {t}"),
            conductivity.millisiemens_per_cm(),
            3,
            "mS/cm",
        );
        report.fact("conductivity_25_ms_per_cm", "conductivity at 25 °C", at_25.millisiemens_per_cm(), 3, "mS/cm");
        report.fact("practical_salinity", "practical salinity", salinity.psu(), 3, "psu");
        let mut coefficients: Vec<_> = self.coefficient.into_iter().collect();
        if coefficients.is_empty() {
            coefficients =
                [2.0, 1.91].map(|c| TemperatureCoefficient::from_percent_per_kelvin(c).expect("in range")).to_vec();
        }
        let rows = coefficients
            .into_iter()
            .map(|coefficient| {
                let shown = compensation::linear(conductivity, t, coefficient)?;
                let error =
                    compensation::linear_error(conductivity, t, coefficient).map_or(Cell::Nothing, Cell::Number);
                Ok(vec![
                    Cell::Number(coefficient.percent_per_kelvin()),
                    Cell::Number(shown.millisiemens_per_cm()),
                    error,
                ])
            })
            .collect::<Result<Vec<_>, Failure>>()?;
        report.heading("What a linearly compensating probe shows, and how much too high its salinity is");
        report.table(
            "linear_compensation",
            vec![
                column("coefficient_percent_per_celsius", "%/°C", 2),
                column("shown_ms_per_cm", "mS/cm", 3),
                column("salinity_error", "salinity", 3),
            ],
            rows,
        );
        report.ranges(&[pss78::TEMPERATURES, pss78::SALINITIES]);
        report.formula("linear compensation", "divides by 1 + coefficient * (t - 25 °C); right at 25 °C only");
        report.note(
            "seawater's conductivity is no straight line of temperature, and its slope changes with temperature and \
             salinity: no one coefficient is right. Where coefficient and temperature are known, --shown undoes it",
        );
        Ok(report)
    }
}

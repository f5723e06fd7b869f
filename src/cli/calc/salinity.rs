//! `slackwater calc salinity`: from any one reading of salinity to all the others.

use clap::{ArgGroup, Args};

use crate::units::{
    Conductivity, PracticalSalinity, RefractiveIndex, SpecificGravity, Temperature, TemperatureCoefficient,
};
use crate::water::salinity_probe::{Calibration, Compensation, salinity_of};
use crate::water::{Marked, WaterError, density, gravity, mixing, pss78, refraction};

use super::ask;
use super::report::{Failure, Report};

const EXAMPLE: &str = "\
Example: what a probe's 53 mS/cm at 25 °C are.
  $ slackwater calc salinity --conductivity \"53 mS/cm\" --temperature \"25 °C\"
  practical salinity            34.947 psu
  specific gravity 25/25        1.02633

A specific gravity always needs its two temperatures, as they stand on the instrument:
  $ slackwater calc salinity --specific-gravity \"1.0264 sg 25/25\"
  practical salinity            35.036 psu";

/// Salinity from conductivity, specific gravity or refractive index, and all the others from it.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLE)]
#[command(group(ArgGroup::new("known").required(true).args(["conductivity", "specific_gravity", "refractive_index", "salinity"])))]
#[group(skip)]
#[expect(clippy::struct_field_names, reason = "the fields are the names of the arguments")]
pub(super) struct Salinity {
    /// Conductivity of the water, such as `53 mS/cm`.
    #[arg(long, requires = "temperature")]
    conductivity: Option<Conductivity>,
    /// Specific gravity with its reference temperatures, such as `1.0264 sg 25/25`.
    #[arg(long, value_parser = ask::specific_gravity)]
    specific_gravity: Option<SpecificGravity>,
    /// Refractive index (sodium D line), such as `1.3394`.
    #[arg(long, requires = "temperature")]
    refractive_index: Option<RefractiveIndex>,
    /// Practical salinity itself, such as `35 psu`, or `35 g/kg`.
    #[arg(long)]
    salinity: Option<PracticalSalinity>,
    /// Temperature of the water, such as `25 °C`; 25 °C if it is not needed for the reading.
    #[arg(long, allow_hyphen_values = true)]
    temperature: Option<Temperature>,
    /// The conductivity was brought to 25 °C by the probe with this coefficient, such as `2 %/°C`.
    #[arg(long, requires = "conductivity")]
    compensated: Option<TemperatureCoefficient>,
    /// The conductivity was brought to 25 °C by a seawater law.
    #[arg(long, requires = "conductivity", conflicts_with = "compensated")]
    at_25: bool,
}

impl Salinity {
    pub(super) fn run(&self) -> Result<Report, Failure> {
        let t = self.temperature.unwrap_or_else(reference);
        let (mut report, salinity) = self.read(t)?;
        others(&mut report, salinity, t, self.specific_gravity);
        report.note("temperatures are ITS-90; PSS-78 and EOS-80 were fitted on IPTS-68, which is converted to");
        Ok(report)
    }

    fn read(&self, t: Temperature) -> Result<(Report, PracticalSalinity), Failure> {
        if let Some(reading) = self.conductivity {
            let compensation = match (self.compensated, self.at_25) {
                (Some(coefficient), _) => Compensation::Linear(coefficient),
                (None, true) => Compensation::Seawater,
                (None, false) => Compensation::Uncompensated,
            };
            let salinity = salinity_of(reading, t, compensation, Calibration::NONE).map_err(too_salty)?;
            let mut report = Report::new(format!("Salinity of water of {reading} at {t}"));
            match self.compensated {
                Some(coefficient) => report.note(format!("the probe's compensation of {coefficient} is undone first")),
                None if self.at_25 => report.note("the reading is taken as the conductivity at 25 °C"),
                None => report.note("the reading is taken as uncompensated; say so with --compensated or --at-25 if the probe compensates"),
            }
            return Ok((report, salinity));
        }
        if let Some(reading) = self.specific_gravity {
            return Ok((Report::new(format!("Salinity of water of {reading}")), gravity::salinity(reading)?));
        }
        if let Some(reading) = self.refractive_index {
            let Marked { value, beyond } = refraction::salinity(reading, t)?;
            let mut report = Report::new(format!("Salinity of water of {reading} at {t}"));
            if let Some(range) = beyond {
                report.extrapolated(range);
            }
            return Ok((report, value));
        }
        let salinity = self.salinity.ok_or_else(|| {
            Failure::misuse(
                "nothing is known of the water",
                "give one of --conductivity, --specific-gravity, --refractive-index, --salinity",
            )
        })?;
        pss78::SALINITIES.check(salinity.psu()).map_err(too_salty)?;
        Ok((Report::new(format!("Water of {salinity}")), salinity))
    }
}

/// 25 °C, at which the trade compares.
pub(super) fn reference() -> Temperature {
    Temperature::from_celsius(25.0).expect("25 °C is a temperature")
}

/// A refusal above the scale, with what to do about it.
pub(super) fn too_salty(error: WaterError) -> Failure {
    match &error {
        WaterError::OutOfRange { what, value, greatest, .. } if what == "practical salinity" && value > greatest => {
            Failure::Refused(format!("{error}\n  dilute a sample with as much fresh water, and double what that gives"))
        }
        _ => error.into(),
    }
}

fn others(report: &mut Report, s: PracticalSalinity, t: Temperature, given: Option<SpecificGravity>) {
    let inside = |value: f64| Marked::inside(value);
    report.fact("practical_salinity", "practical salinity", s.psu(), 3, "psu");
    report.fact("salinity_g_per_kg", "salt in water, by mass", s.psu() * mixing::G_PER_KG_PER_PSU, 3, "g/kg");
    report.fact("temperature_celsius", "temperature", t.celsius(), 2, "°C");
    let rho = density::density(s, t).map(|density| inside(density.kilograms_per_cubic_metre()));
    report.marked("density_kg_per_m3", "density", rho, 3, "kg/m³");
    let mut pairs = gravity::common_pairs().to_vec();
    if let Some(given) = given.filter(|given| !pairs.contains(&given.pair())) {
        pairs.insert(0, given.pair());
    }
    for pair in pairs {
        let value = gravity::specific_gravity(s, pair).map(|gravity| inside(gravity.value()));
        report.marked(&format!("specific_gravity_{}", pair.key()), &format!("specific gravity {pair}"), value, 5, "");
    }
    let siemens = |c: Conductivity| inside(c.millisiemens_per_cm());
    let conductivity = pss78::conductivity(s, t);
    let at_25 = pss78::conductivity(s, reference());
    report.marked("conductivity_ms_per_cm", &format!("conductivity at {t}"), conductivity.map(siemens), 3, "mS/cm");
    report.marked("conductivity_25_ms_per_cm", "conductivity at 25 °C", at_25.map(siemens), 3, "mS/cm");
    let index = |t| refraction::refractive_index(s, t).map(|n| Marked { value: n.value.n_d(), beyond: n.beyond });
    report.marked("refractive_index", &format!("refractive index at {t}"), index(t), 5, "nD");
    let twenty = Temperature::from_celsius(20.0).expect("20 °C is a temperature");
    report.marked("refractive_index_20", "refractive index at 20 °C", index(twenty), 5, "nD");
    report.ranges(&[pss78::TEMPERATURES, pss78::SALINITIES]);
    report.ranges(&[density::TEMPERATURES, density::SALINITIES]);
    report.ranges(&[refraction::TEMPERATURES, refraction::SALINITIES]);
    report.formula("reference composition, Millero et al. 2008", "35.16504 g/kg at a practical salinity of 35");
}

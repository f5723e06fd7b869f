//! `slackwater calc light`: the light of a day, spot by spot, before and after a change.

use clap::Args;

use crate::time::{LocalTime, Span};
use crate::units::{Illuminance, Ppfd, Quantity, Ratio, units_spelt};
use crate::water::light::{self, Change, Schedule};
use crate::water::lux::Spectrum;

use super::report::{Cell, Column, Failure, Report, column};

const EXAMPLE: &str = "\
Example: 130 µmol/m²/s at the sand and 300 on top, ten hours with two ramps of an hour.
  $ slackwater calc light --spot \"sand=130 µmol/m²/s\" --spot \"top=300 µmol/m²/s\" \\
      --on 10:00 --off 20:00 --ramp \"1 h\"
  sand      130.0      4.21
  top       300.0      9.72

Two hours longer, and how to get there by 10 % a week:
  $ slackwater calc light --spot \"sand=130 µmol/m²/s\" --on 10:00 --off 20:00 --ramp \"1 h\" \\
      --new-off 22:00 --weekly-limit \"10 %\"
  sand      130.0      4.21           130.0           5.15      22.2";

/// Daily light integral of named spots, the effect of a change, and an acclimation plan.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLE)]
pub(super) struct Light {
    /// A spot and what was measured there, such as `sand=130 µmol/m²/s`; may be repeated.
    #[arg(long, required = true, value_parser = spot)]
    spot: Vec<Spot>,
    /// The same spot after the change; spots that are not named keep their reading.
    #[arg(long, value_parser = spot)]
    new_spot: Vec<Spot>,
    /// The lamp's level while the spots were measured.
    #[arg(long, default_value = "100 %")]
    measured_at: Ratio,
    /// What shines, for readings in lux: `daylight` and others, or `400:0.1, 450:1, 600:0.3, 700:0`.
    #[arg(long)]
    spectrum: Option<Spectrum>,
    /// First light.
    #[arg(long, requires = "off", required_unless_present = "schedule")]
    on: Option<LocalTime>,
    /// Last light.
    #[arg(long, requires = "on")]
    off: Option<LocalTime>,
    /// Each ramp, inside the lit time.
    #[arg(long, default_value = "0 min")]
    ramp: Span,
    /// The level between the ramps.
    #[arg(long, default_value = "100 %")]
    level: Ratio,
    /// The light goes as half a sine from on to off.
    #[arg(long, conflicts_with_all = ["schedule", "ramp"])]
    half_sine: bool,
    /// Levels at times, joined by straight lines: `10:00 0 %, 11:00 100 %, 19:00 100 %, 20:00 0 %`.
    #[arg(long, conflicts_with_all = ["on", "off"], value_parser = points)]
    schedule: Option<Points>,
    /// First light after the change.
    #[arg(long)]
    new_on: Option<LocalTime>,
    /// Last light after the change.
    #[arg(long)]
    new_off: Option<LocalTime>,
    /// Each ramp after the change.
    #[arg(long)]
    new_ramp: Option<Span>,
    /// The level after the change.
    #[arg(long)]
    new_level: Option<Ratio>,
    /// Levels at times after the change.
    #[arg(long, conflicts_with_all = ["new_on", "new_off", "new_ramp", "new_level"], value_parser = points)]
    new_schedule: Option<Points>,
    /// Greatest change of a spot in a week; gives an acclimation plan.
    #[arg(long)]
    weekly_limit: Option<Ratio>,
}

/// A spot and its reading.
#[derive(Clone, Debug)]
pub(super) struct Spot {
    name: String,
    reading: Meter,
}

#[derive(Clone, Copy, Debug)]
enum Meter {
    Flux(Ppfd),
    Lux(Illuminance),
}

fn spot(text: &str) -> Result<Spot, String> {
    let (name, reading) = text
        .split_once('=')
        .filter(|(name, _)| !name.trim().is_empty())
        .ok_or_else(|| format!("`{text}` is not a spot\n  write a name and a reading such as `sand=130 µmol/m²/s`"))?;
    let unit = reading.trim().trim_start_matches(|c: char| c.is_ascii_digit() || c == '.').trim();
    let is_lux = units_spelt(unit).any(|unit| unit.quantity == Quantity::Illuminance);
    let reading = if is_lux { reading.parse().map(Meter::Lux) } else { reading.parse().map(Meter::Flux) };
    Ok(Spot { name: name.trim().to_owned(), reading: reading.map_err(|error| error.to_string())? })
}

/// Levels at times; a newtype, so that it is one value of one argument.
#[derive(Clone, Debug)]
pub(super) struct Points(Vec<(LocalTime, f64)>);

fn points(text: &str) -> Result<Points, String> {
    text.split(',')
        .map(|part| {
            let (time, level) = part.trim().split_once(' ').ok_or_else(|| {
                format!("`{part}` is not a point of a schedule\n  write time and level such as `10:00 0 %`")
            })?;
            let level: Ratio = level.parse().map_err(|error: crate::units::UnitError| error.to_string())?;
            Ok((time.parse()?, level.ratio()))
        })
        .collect::<Result<Vec<_>, String>>()
        .map(Points)
}

impl Light {
    pub(super) fn run(&self) -> Result<Report, Failure> {
        let before = self.before()?;
        let after = self.after(&before)?;
        let changed = after.is_some() || !self.new_spot.is_empty();
        let after = after.unwrap_or_else(|| before.clone());
        let mut report = Report::new(format!("Light of a day, spots: {}", self.spot.len()));
        report.fact("full_hours_before", "the day is worth, at full level", before.full_seconds()? / 3600.0, 2, "h");
        if changed {
            report.fact("full_hours_after", "after the change", after.full_seconds()? / 3600.0, 2, "h");
        }
        if let Some(stray) = self.new_spot.iter().find(|new| !self.spot.iter().any(|old| old.name == new.name)) {
            return Err(Failure::misuse(
                format!("`{}` has no reading before the change", stray.name),
                "give it as a --spot too, by the same name",
            ));
        }
        let mut changes = Vec::new();
        let mut rows = Vec::new();
        for spot in &self.spot {
            let new = self.new_spot.iter().find(|new| new.name == spot.name).unwrap_or(spot);
            let (old_flux, new_flux) = (self.flux(spot, &mut report)?, self.flux(new, &mut report)?);
            let change = Change { before: before.integral(old_flux)?, after: after.integral(new_flux)? };
            let mut row = vec![
                Cell::Text(spot.name.clone()),
                Cell::Number(old_flux.micromoles_per_square_metre_second()),
                Cell::Number(change.before.moles_per_square_metre_day()),
            ];
            if changed {
                row.push(Cell::Number(new_flux.micromoles_per_square_metre_second()));
                row.push(Cell::Number(change.after.moles_per_square_metre_day()));
                row.push(change.percent().map_or(Cell::Nothing, Cell::Number));
            }
            changes.push(change);
            rows.push(row);
        }
        report.table("spots", columns(changed), rows);
        self.acclimate(&mut report, &changes, changed)?;
        report.formula("daily light integral", "photon flux over the day, exact for straight ramps and a half sine");
        report.note(
            "flux is at full level, and taken to be in proportion to the level; dimming keeps that to a few per cent",
        );
        Ok(report)
    }

    fn acclimate(&self, report: &mut Report, changes: &[Change], changed: bool) -> Result<(), Failure> {
        let Some(limit) = self.weekly_limit else { return Ok(()) };
        if !changed {
            return Err(Failure::misuse(
                "there is no change to get used to",
                "give --new-off, --new-spot or another --new-...",
            ));
        }
        let plan = light::acclimation(changes, limit.ratio())?;
        report.heading("Getting used to it: intensity in percent of the new setting, and each spot's mol/m²/d");
        report.fact("weeks", "weeks", plan.weeks.len() as f64, 0, "");
        let mut columns = vec![column("week", "week", 0), column("intensity_percent", "intensity %", 1)];
        for spot in &self.spot {
            let plain: String =
                spot.name.to_lowercase().chars().map(|c| if c.is_alphanumeric() { c } else { '_' }).collect();
            columns.push(column(&format!("dli_{plain}_mol_per_m2_per_day"), &spot.name, 2));
        }
        let rows = plan.weeks.iter().map(|week| {
            let fixed = [Cell::Number(f64::from(week.number)), Cell::Number(week.intensity)];
            fixed.into_iter().chain(week.integrals.iter().map(|integral| Cell::Number(*integral))).collect()
        });
        report.table("plan", columns, rows.collect());
        report.fact("greatest_step_percent", "greatest change of a spot in a week", plan.greatest_step * 100.0, 1, "%");
        if plan.greatest_step > limit.ratio() + 1e-9 {
            report.warn(
                "one intensity cannot keep every spot within the limit: the spots change too differently; move the lamp \
                 in steps too",
            );
            report.found_wanting();
        }
        if plan.weeks.iter().any(|week| week.intensity > 100.05) {
            report
                .warn("above 100 % of the new setting: where the lamp has no more, shorten the hours in steps instead");
        }
        report.note("10 % a week is common practice");
        Ok(())
    }

    fn flux(&self, spot: &Spot, report: &mut Report) -> Result<Ppfd, Failure> {
        let reading = match spot.reading {
            Meter::Flux(reading) => reading,
            Meter::Lux(reading) => {
                let spectrum = self.spectrum.as_ref().ok_or_else(|| {
                    Failure::misuse(
                        format!("`{reading}` says nothing of photons without the light's spectrum"),
                        "give --spectrum: `daylight`, or wavelengths with relative power such as `400:0.1, 450:1, 600:0.3, 700:0`",
                    )
                })?;
                let factor = spectrum.lux_per_flux()?;
                report.formula(
                    "lux to photons",
                    format!("{factor:.1} lx for each µmol/m²/s with this spectrum, good to about 10 %"),
                );
                spectrum.flux(reading)?
            }
        };
        Ok(light::at_full_level(reading, self.measured_at.ratio())?)
    }

    fn before(&self) -> Result<Schedule, Failure> {
        match (&self.schedule, self.on, self.off) {
            (Some(points), ..) => Ok(Schedule::Points(points.0.clone())),
            (None, Some(on), Some(off)) => Ok(self.shaped(on, off, self.ramp, self.level)),
            _ => Err(Failure::misuse("the schedule is not known", "give --on and --off, or --schedule")),
        }
    }

    fn shaped(&self, on: LocalTime, off: LocalTime, ramp: Span, level: Ratio) -> Schedule {
        let level = level.ratio();
        if self.half_sine {
            Schedule::HalfSine { on, off, level }
        } else {
            Schedule::Ramped { on, off, ramp: ramp.seconds(), level }
        }
    }

    fn after(&self, before: &Schedule) -> Result<Option<Schedule>, Failure> {
        if let Some(points) = &self.new_schedule {
            return Ok(Some(Schedule::Points(points.0.clone())));
        }
        if self.new_on.is_none() && self.new_off.is_none() && self.new_ramp.is_none() && self.new_level.is_none() {
            return Ok(None);
        }
        let (on, off) = match before {
            Schedule::Ramped { on, off, .. } | Schedule::HalfSine { on, off, .. } => (*on, *off),
            Schedule::Points(_) => {
                return Err(Failure::misuse("a schedule of points is changed as a whole", "give --new-schedule"));
            }
        };
        let level = self.new_level.unwrap_or(self.level);
        let ramp = self.new_ramp.unwrap_or(self.ramp);
        Ok(Some(self.shaped(self.new_on.unwrap_or(on), self.new_off.unwrap_or(off), ramp, level)))
    }
}

fn columns(changed: bool) -> Vec<Column> {
    let mut columns = vec![
        column("spot", "spot", 0),
        column("ppfd_before_umol_per_m2_per_s", "µmol/m²/s", 1),
        column("dli_before_mol_per_m2_per_day", "mol/m²/d", 2),
    ];
    if changed {
        columns.push(column("ppfd_after_umol_per_m2_per_s", "then µmol/m²/s", 1));
        columns.push(column("dli_after_mol_per_m2_per_day", "then mol/m²/d", 2));
        columns.push(column("change_percent", "change %", 1));
    }
    columns
}

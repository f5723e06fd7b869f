//! `slackwater calc match`: new water against the tank, before it goes in.

use clap::Args;

use crate::units::{HeatLoss, Power, PracticalSalinity, Ratio, Temperature, TemperatureDifference, Volume};
use crate::water::mixing::{self, Adjustment, Water};
use crate::water::{Marked, WaterError, density, heat_capacity};

use super::ask::{self, Reading};
use super::report::{Failure, Report};
use super::salinity::too_salty;

const EXAMPLE: &str = "\
Example: 10 L of new water at 33 and 20 °C for a tank of 90 L at 35 and 25 °C.
  $ slackwater calc match --tank-volume \"90 L\" --tank-salinity \"35 psu\" \\
      --tank-temperature \"25 °C\" --batch-volume \"10 L\" --batch-salinity \"33 psu\" \\
      --batch-temperature \"20 °C\" --heater \"100 W\"
  salinity after the change      34.778 psu
  add dry salt mix to the batch  21.3 g

Salinities may be readings: \"53 mS/cm\", \"1.0264 sg 25/25\", \"1.3394 nD\". With --same-instrument
the two are compared by their difference, in which the instrument's own error cancels.";

/// A water change before it is made: the result, the keeper's limits, and what to add to the batch.
#[derive(Debug, Args)]
#[command(name = "match", after_help = EXAMPLE)]
pub(super) struct Match {
    /// Net water of the tank, such as `90 L` or `24 gal`.
    #[arg(long, value_parser = ask::volume)]
    tank_volume: Volume,
    /// The tank's salinity, as a value or a reading.
    #[arg(long, value_parser = ask::reading)]
    tank_salinity: Reading,
    /// The tank's temperature.
    #[arg(long)]
    tank_temperature: Temperature,
    /// The new water's volume.
    #[arg(long, value_parser = ask::volume)]
    batch_volume: Volume,
    /// The new water's salinity, as a value or a reading.
    #[arg(long, value_parser = ask::reading)]
    batch_salinity: Reading,
    /// The new water's temperature.
    #[arg(long)]
    batch_temperature: Temperature,
    /// Water taken from the tank first; as much as the batch if not given.
    #[arg(long)]
    out: Option<Volume>,
    /// The salinity that the tank is to have afterwards; its own if not given.
    #[arg(long)]
    target_salinity: Option<PracticalSalinity>,
    /// Water in the salt mix, as a part of its mass, such as `8 %`.
    #[arg(long, default_value = "0 %")]
    moisture: Ratio,
    /// A heater in the batch, to see how long it takes.
    #[arg(long)]
    heater: Option<Power>,
    /// What the batch's container loses to the room.
    #[arg(long, requires = "room")]
    loss: Option<HeatLoss>,
    /// The room that it stands in.
    #[arg(long)]
    room: Option<Temperature>,
    /// Greatest step of salinity that the keeper allows [common practice].
    #[arg(long, default_value = "0.5 psu")]
    salinity_step: PracticalSalinity,
    /// Greatest step of temperature that the keeper allows [common practice].
    #[arg(long, default_value = "1 °C")]
    temperature_step: TemperatureDifference,
    /// Limits of the tank's salinity, such as `34 psu..36 psu`.
    #[arg(long, value_parser = ask::between::<PracticalSalinity>)]
    salinity_limits: Option<(PracticalSalinity, PracticalSalinity)>,
    /// Limits of the tank's temperature, such as `24 °C..26.5 °C`.
    #[arg(long, value_parser = ask::between::<Temperature>)]
    temperature_limits: Option<(Temperature, Temperature)>,
    /// Both waters were read with one instrument.
    #[arg(long)]
    same_instrument: bool,
    /// The instrument's accuracy, as a standard uncertainty in salinity; 1 psu if not given.
    #[arg(long)]
    accuracy: Option<PracticalSalinity>,
    /// How well the instrument repeats itself, as a standard uncertainty in salinity; 0.2 psu if not given.
    #[arg(long)]
    repeatability: Option<PracticalSalinity>,
}

impl Match {
    pub(super) fn run(&self) -> Result<Report, Failure> {
        let mut marks = Vec::new();
        let mut water = |volume, reading: Reading, temperature| -> Result<Water, Failure> {
            let Marked { value, beyond } = reading.salinity(temperature).map_err(too_salty)?;
            marks.extend(beyond);
            marks.extend(heat_capacity::heat_capacity(value, temperature)?.beyond);
            Ok(Water { volume, salinity: value, temperature })
        };
        let tank = water(self.tank_volume, self.tank_salinity, self.tank_temperature)?;
        let batch = water(self.batch_volume, self.batch_salinity, self.batch_temperature)?;
        let out = self.out.unwrap_or(batch.volume);
        let after = mixing::water_change(&tank, out, &batch)?;
        let mut report = Report::new(format!(
            "{} of {} at {} into a tank of {} of {} at {}",
            batch.volume, batch.salinity, batch.temperature, tank.volume, tank.salinity, tank.temperature
        ));
        for range in marks {
            report.extrapolated(range);
        }
        self.compare(&mut report, &tank, &batch);
        report.heading("As it is");
        self.judge(&mut report, &tank, &after);
        report.heading("To match");
        self.adjust(&mut report, &tank, &batch, out)?;
        self.warm(&mut report, &tank, &batch)?;
        report.formula("mixing", "mass of water, mass of salt and heat are conserved, mixed at once");
        report.ranges(&[density::TEMPERATURES, density::SALINITIES]);
        report.ranges(&[heat_capacity::TEMPERATURES, heat_capacity::SALINITIES]);
        report.note("the steps and limits are the keeper's; the defaults are common practice");
        Ok(report)
    }

    fn compare(&self, report: &mut Report, tank: &Water, batch: &Water) {
        let accuracy = self.accuracy.map_or(1.0, PracticalSalinity::psu);
        let repeatability = self.repeatability.map_or(0.2, PracticalSalinity::psu);
        let found = mixing::compare(tank.salinity, batch.salinity, accuracy, repeatability);
        let (one, two) = (found.with_one_instrument, found.with_two_instruments);
        let (key, label) = ("salinity_difference", "batch less tank");
        report.heading("How they differ");
        match (self.same_instrument, self.accuracy.or(self.repeatability)) {
            (true, _) => {
                report.uncertain(key, label, found.difference, one, 3, "psu");
                report.note(format!(
                    "one instrument on both: its error is in both readings and cancels; two instruments of an accuracy \
                     of {accuracy} psu and a repeatability of {repeatability} psu would leave ± {two:.2} psu"
                ));
            }
            (false, Some(_)) => {
                report.uncertain(key, label, found.difference, two, 3, "psu");
                report.note(format!("two absolute readings; one instrument on both waters would leave ± {one:.2} psu"));
            }
            (false, None) => {
                report.fact(key, label, found.difference, 3, "psu");
                report.note(
                    "salinities taken as true; read both waters with one instrument (--same-instrument) and its own error \
                     cancels",
                );
            }
        }
        let difference = batch.temperature.minus(tank.temperature).kelvin();
        report.fact("temperature_difference_kelvin", "batch less tank", difference, 2, "°C");
        let open = if self.same_instrument { one } else { two };
        let told = self.same_instrument || self.accuracy.is_some() || self.repeatability.is_some();
        if told && found.difference.abs() < 2.0 * open && found.difference.abs() > 0.005 {
            report.warn("the difference is within what the readings leave open: read again before adding anything");
        }
    }

    fn judge(&self, report: &mut Report, tank: &Water, after: &Water) {
        let salinity_step = after.salinity.psu() - tank.salinity.psu();
        let temperature_step = after.temperature.minus(tank.temperature).kelvin();
        report.fact("salinity_after", "salinity after the change", after.salinity.psu(), 3, "psu");
        report.fact("salinity_step", "step of salinity", salinity_step, 3, "psu");
        report.fact("temperature_after_celsius", "temperature after the change", after.temperature.celsius(), 2, "°C");
        report.fact("temperature_step_kelvin", "step of temperature", temperature_step, 2, "°C");
        report.fact("volume_after_litres", "water after the change", after.volume.litres(), 2, "L");
        let inside =
            |limits: Option<(f64, f64)>, value: f64| limits.is_none_or(|(low, high)| (low..=high).contains(&value));
        let salinity = self.salinity_limits.map(|(low, high)| (low.psu(), high.psu()));
        let temperature = self.temperature_limits.map(|(low, high)| (low.celsius(), high.celsius()));
        let fine = salinity_step.abs() <= self.salinity_step.psu()
            && temperature_step.abs() <= self.temperature_step.kelvin().abs()
            && inside(salinity, after.salinity.psu())
            && inside(temperature, after.temperature.celsius());
        report.verdict("inside_limits", "inside the keeper's limits", fine);
        if !fine {
            report.warn("outside the keeper's limits: match the batch first, or change less at a time");
            report.found_wanting();
        }
    }

    fn adjust(&self, report: &mut Report, tank: &Water, batch: &Water, out: Volume) -> Result<(), Failure> {
        let target = self.target_salinity.unwrap_or(tank.salinity);
        let needed = mixing::batch_salinity_for(tank, out, batch, target)?;
        report.fact("batch_salinity_wanted", "salinity that the batch needs", needed.psu(), 3, "psu");
        match mixing::adjustment(batch, needed, self.moisture)? {
            Adjustment::Nothing => report.text("batch_needs", "the batch needs", "nothing: its salinity is right"),
            Adjustment::DrySalt(salt) => {
                report.fact("add_salt_mix_grams", "add dry salt mix to the batch", salt.grams(), 1, "g");
                report.note(format!(
                    "of a mix with {:.0} % of water, and salt of the reference composition; mixes differ, so measure \
                     when it has dissolved",
                    self.moisture.ratio() * 100.0
                ));
            }
            Adjustment::FreshWater(fresh) => {
                report.fact("add_fresh_water_litres", "add fresh water to the batch", fresh.litres(), 2, "L");
                report.note("with fresh water the batch grows: change only as much as was taken out");
            }
        }
        Ok(())
    }

    fn warm(&self, report: &mut Report, tank: &Water, batch: &Water) -> Result<(), Failure> {
        let missing = tank.temperature.minus(batch.temperature).kelvin();
        if missing <= 0.05 {
            if missing < -0.05 {
                report.note(format!("the batch is {:.1} °C warmer than the tank: let it cool", -missing));
            }
            return Ok(());
        }
        let joules = batch.joules_per_kelvin()? * missing;
        report.fact("warming_energy_wh", "heat to warm the batch", joules / 3600.0, 1, "Wh");
        let Some(heater) = self.heater else { return Ok(()) };
        let loss = self.loss.unwrap_or(HeatLoss::from_watts_per_kelvin(0.0).expect("zero is a loss"));
        let room = self.room.unwrap_or(batch.temperature);
        match mixing::warming_seconds(batch, tank.temperature, heater, loss, room) {
            Ok(seconds) => {
                report.fact("warming_time_hours", &format!("warming time with {heater}"), seconds / 3600.0, 2, "h");
            }
            Err(WaterError::NoAnswer { problem, fix }) => {
                report.warn(format!("{problem}: {fix}"));
                report.found_wanting();
            }
            Err(error) => return Err(error.into()),
        }
        if self.loss.is_none() {
            report.note("without --loss the container is taken as insulated: the real time is longer");
        }
        report.note("stir the batch while it warms; a heater must be under water, on a residual-current device");
        Ok(())
    }
}

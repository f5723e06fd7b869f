//! `slackwater calc heat`: heater sizing, the time that a fault leaves, evaporation, a power cut.

use clap::Args;

use crate::time::Span;
use crate::units::{Area, HeatLoss, Humidity, Power, PracticalSalinity, Ratio, Speed, Temperature, Volume};
use crate::water::density;
use crate::water::evaporation::{self, Surface};
use crate::water::heat::{self, Body};
use crate::water::heat_capacity::{self, heat_capacity};
use crate::water::mixing::Water;

use super::ask;
use super::report::{Cell, Failure, Report, column};

const EXAMPLE: &str = "\
Example: 400 L at 26 °C in a room of 20 °C, losing 12 W for each °C, with a heater of 300 W.
  $ slackwater calc heat --volume \"400 L\" --temperature \"26 °C\" --room \"20 °C\" \\
      --loss \"12 W/K\" --heater \"300 W\" --low \"24 °C\" --high \"28 °C\"
  heat for one °C                1636.2 kJ
  cold, heater dead, 24 °C       15.36 h

Instead of --loss, a cooling that was watched:
  --cooled-from \"26 °C\" --cooled-to \"25.1 °C\" --cooled-in \"6 h\"";

/// Heat capacity, heater sizing and the time a fault leaves, evaporation, cooling after a power cut.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLE)]
#[expect(clippy::struct_field_names, reason = "the fields are the names of the arguments")]
pub(super) struct Heat {
    /// Net water of the tank.
    #[arg(long, value_parser = ask::volume)]
    volume: Volume,
    /// Its salinity.
    #[arg(long, default_value = "35 psu")]
    salinity: PracticalSalinity,
    /// Its temperature.
    #[arg(long)]
    temperature: Temperature,
    /// The room; for sizing, the coldest that it gets.
    #[arg(long, allow_hyphen_values = true)]
    room: Temperature,
    /// Heat lost for each degree above the room, evaporation included, such as `12 W/K`.
    #[arg(long)]
    loss: Option<HeatLoss>,
    /// A watched cooling without heat: from this temperature.
    #[arg(long, requires_all = ["cooled_to", "cooled_in"], conflicts_with = "loss")]
    cooled_from: Option<Temperature>,
    /// To this temperature.
    #[arg(long, requires = "cooled_from")]
    cooled_to: Option<Temperature>,
    /// In this time.
    #[arg(long, requires = "cooled_from")]
    cooled_in: Option<Span>,
    /// The heater.
    #[arg(long)]
    heater: Option<Power>,
    /// Heat that pumps and lights put into the water.
    #[arg(long, default_value = "0 W")]
    other_heat: Power,
    /// Margin of the sizing.
    #[arg(long, default_value = "25 %")]
    margin: Ratio,
    /// Too cold from here on.
    #[arg(long)]
    low: Option<Temperature>,
    /// Too warm from here on.
    #[arg(long)]
    high: Option<Temperature>,
    /// Open water surface, for evaporation, such as `0.28 m²` or `3 ft²`.
    #[arg(long, requires = "humidity")]
    surface: Option<Area>,
    /// Relative humidity of the room.
    #[arg(long)]
    humidity: Option<Humidity>,
    /// Air speed over the water: `0.05 m/s` is still air, `0.8 m/s` a fan.
    #[arg(long, default_value = "0.05 m/s")]
    air_speed: Speed,
}

/// Hours after a power cut that are told.
const HOURS: [f64; 7] = [1.0, 2.0, 4.0, 6.0, 8.0, 12.0, 24.0];

impl Heat {
    pub(super) fn run(&self) -> Result<Report, Failure> {
        let tank = Water { volume: self.volume, salinity: self.salinity, temperature: self.temperature };
        let capacity = tank.joules_per_kelvin()?;
        let specific = heat_capacity(self.salinity, self.temperature)?;
        let mut report =
            Report::new(format!("Heat of {} at {} in a room of {}", self.volume, self.temperature, self.room));
        report.fact("mass_kg", "mass of water", tank.kilograms()?, 1, "kg");
        report.fact("specific_heat_j_per_kg_k", "specific heat", specific.value, 1, "J/kg/K");
        report.fact("heat_capacity_kj_per_k", "heat for one °C", capacity / 1000.0, 1, "kJ");
        report.fact("kelvin_per_hour_per_100_w", "100 W unopposed warm by", 100.0 * 3600.0 / capacity, 3, "°C/h");
        if let Some(range) = specific.beyond {
            report.extrapolated(range);
        }
        let loss = self.loss(&mut report, capacity)?;
        self.size(&mut report, loss);
        self.faults(&mut report, capacity, loss);
        self.power_cut(&mut report, capacity, loss);
        self.evaporate(&mut report)?;
        report.ranges(&[heat_capacity::TEMPERATURES, heat_capacity::SALINITIES]);
        report.ranges(&[density::TEMPERATURES, density::SALINITIES]);
        report.formula(
            "cooling and warming",
            "one mixed body, loss in proportion to the difference; good to about 20 % with a measured loss",
        );
        report.note(
            "no time from here replaces the heater's own thermostat, a cut-off or a residual-current device; glass and \
             rock add a few per cent of heat capacity",
        );
        Ok(report)
    }

    fn loss(&self, report: &mut Report, capacity: f64) -> Result<HeatLoss, Failure> {
        let (loss, how) = match (self.loss, self.cooled_from, self.cooled_to, self.cooled_in) {
            (Some(loss), ..) => (loss, "as given"),
            (None, Some(from), Some(to), Some(time)) => {
                let room = self.room.celsius();
                let loss = heat::loss_from_cooling(capacity, from.celsius(), to.celsius(), room, time.seconds())?;
                (loss, "from the watched cooling")
            }
            _ => {
                report.warn("the loss is a guess from the volume, from half to twice the real one: give --loss or a watched cooling");
                (heat::loss_guessed(self.volume), "a guess")
            }
        };
        if loss.watts_per_kelvin() < 0.01 {
            return Err(Failure::Refused(format!(
                "a tank that loses only `{loss}` is no tank\n  give the loss of the tank and its surface, or a watched cooling"
            )));
        }
        report.fact("heat_loss_w_per_k", &format!("loss, {how}"), loss.watts_per_kelvin(), 2, "W/K");
        Ok(loss)
    }

    fn size(&self, report: &mut Report, loss: HeatLoss) {
        let above = self.temperature.minus(self.room).kelvin();
        let other = self.other_heat.watts();
        let hold = heat::heater_watts(loss, above, other, 0.0);
        report.heading("Heater");
        report.fact("power_to_hold_w", "power to hold the temperature", hold, 0, "W");
        let margin = self.margin.ratio();
        let sized = heat::heater_watts(loss, above, other, margin);
        report.fact("heater_sized_w", &format!("with a margin of {:.0} %", margin * 100.0), sized, 0, "W");
        let Some(heater) = self.heater else { return };
        if heater.watts() > 0.0 {
            report.fact("heater_duty_percent", "duty of the heater", hold / heater.watts() * 100.0, 0, "%");
        }
        if hold > heater.watts() {
            report.warn("the heater does not hold this temperature in this room");
            report.found_wanting();
        }
        let end = self.room.celsius() + (heater.watts() + other) / loss.watts_per_kelvin();
        report.fact("end_if_stuck_on_celsius", "where it ends if stuck on", end, 1, "°C");
        if let Some(high) = self.high.filter(|high| end > high.celsius()) {
            report.warn(format!(
                "stuck on, this heater passes {high}: a second, smaller heater or an own cut-off limits the harm"
            ));
        }
    }

    fn faults(&self, report: &mut Report, capacity: f64, loss: HeatLoss) {
        let body = |watts: f64| Body {
            joules_per_kelvin: capacity,
            watts_per_kelvin: loss.watts_per_kelvin(),
            room: self.room.celsius(),
            watts,
        };
        let other = self.other_heat.watts();
        let start = self.temperature.celsius();
        if self.low.is_none() && self.high.is_none() {
            report.note("give --low and --high for the time that a dead heater and one stuck on leave");
            return;
        }
        report.heading("Time that a fault leaves");
        let told = |report: &mut Report, key: &str, label: &str, body: Body, limit: f64, passed: bool| match body
            .seconds_until(start, limit)
        {
            _ if passed => report.text(key, label, "already"),
            Some(seconds) => report.fact(key, label, seconds / 3600.0, 2, "h"),
            None => report.text(key, label, format!("never: it ends at {:.1} °C", body.end())),
        };
        if let Some(low) = self.low {
            let label = format!("cold, heater dead, {} °C", low.celsius());
            let passed = start <= low.celsius();
            told(report, "hours_to_low_heater_dead", &label, body(other), low.celsius(), passed);
        }
        match (self.high, self.heater) {
            (Some(high), Some(heater)) => {
                let label = format!("hot, heater stuck on, {} °C", high.celsius());
                let (stuck, passed) = (body(heater.watts() + other), start >= high.celsius());
                told(report, "hours_to_high_heater_stuck", &label, stuck, high.celsius(), passed);
            }
            (Some(_), None) => report.note("give --heater for the time to too warm"),
            _ => {}
        }
    }

    fn power_cut(&self, report: &mut Report, capacity: f64, loss: HeatLoss) {
        let body = Body {
            joules_per_kelvin: capacity,
            watts_per_kelvin: loss.watts_per_kelvin(),
            room: self.room.celsius(),
            watts: 0.0,
        };
        report.heading("After a power cut: no heater, pumps or light");
        report.fact("time_constant_hours", "time constant", body.time_constant() / 3600.0, 1, "h");
        let rows = HOURS
            .iter()
            .map(|hours| {
                vec![Cell::Number(*hours), Cell::Number(body.after(self.temperature.celsius(), hours * 3600.0))]
            })
            .collect();
        report.table("power_cut", vec![column("hours", "after h", 0), column("celsius", "°C", 2)], rows);
        report.note("in a power cut oxygen runs out before warmth: keep the water moving first");
    }

    fn evaporate(&self, report: &mut Report) -> Result<(), Failure> {
        let (Some(area), Some(humidity)) = (self.surface, self.humidity) else { return Ok(()) };
        let found = evaporation::evaporation(&Surface {
            area,
            salinity: self.salinity,
            water: self.temperature,
            air: self.room,
            humidity,
            speed: self.air_speed,
        })?;
        report.heading("Evaporation, good to about 30 %");
        let part = evaporation::UNCERTAINTY;
        let litres = found.kilograms_per_day;
        report.uncertain("evaporation_kg_per_day", "evaporation", litres, litres.abs() * part, 2, "kg/d");
        report.uncertain("evaporation_w", "heat that it takes", found.watts, found.watts.abs() * part, 0, "W");
        report.ranges(&[evaporation::TEMPERATURES]);
        report.ranges(&[evaporation::LATENT]);
        report.ranges(&[evaporation::SPEEDS]);
        if litres < 0.0 {
            report.note("negative: the air's moisture condenses on water so cold");
        }
        report.note("Carrier's is a formula for pools; what a lid covers does not count");
        report.note("the heat of evaporation is part of the loss, where that was measured");
        Ok(())
    }
}

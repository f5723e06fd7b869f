//! Heat of a tank: capacity, what a heater can hold, what a fault leaves, cooling after a power cut.
//!
//! Model: one well-mixed body, `C dT/dt = watts - loss * (T - room)`, solved exactly. Loss is linear,
//! evaporation being in it; real tanks lose more when it is drier or windier. Good to perhaps 20 %
//! where the loss was measured on the tank itself, and a guess where it was not.
//!
//! Limits: a time from here never stands in for a heater's own thermostat or a cut-off.

use crate::units::{HeatLoss, Volume};

use super::validity::WaterError;

/// A body of water in a room, with a constant source of heat.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Body {
    /// Heat for one kelvin, in J/K.
    pub joules_per_kelvin: f64,
    /// Heat lost for each kelvin above the room, in W/K.
    pub watts_per_kelvin: f64,
    /// The room, in °C.
    pub room: f64,
    /// Heat put in, in W.
    pub watts: f64,
}

/// Below this loss, in W/K, the body is taken as insulated; 1e-6 W/K is nothing.
const INSULATED: f64 = 1e-6;

impl Body {
    /// The temperature that it ends at, in °C; infinite if nothing is lost and heat goes in.
    pub fn end(&self) -> f64 {
        if self.watts_per_kelvin < INSULATED {
            return if self.watts > 0.0 { f64::INFINITY } else { f64::NAN };
        }
        self.room + self.watts / self.watts_per_kelvin
    }

    /// The time in which a difference falls to 37 %, in seconds.
    pub fn time_constant(&self) -> f64 {
        self.joules_per_kelvin / self.watts_per_kelvin
    }

    /// The temperature after so many seconds, from a start in °C.
    pub fn after(&self, start: f64, seconds: f64) -> f64 {
        if self.watts_per_kelvin < INSULATED {
            return start + self.watts * seconds / self.joules_per_kelvin;
        }
        self.end() + (start - self.end()) * (-seconds / self.time_constant()).exp()
    }

    /// Seconds until it has a temperature, from a start; `None` if it never has.
    pub fn seconds_until(&self, start: f64, limit: f64) -> Option<f64> {
        // A millionth of a degree is there.
        if (start - limit).abs() < 1e-6 {
            return Some(0.0);
        }
        if self.watts_per_kelvin < INSULATED {
            let rate = self.watts / self.joules_per_kelvin;
            return (rate * (limit - start) > 0.0).then(|| (limit - start) / rate);
        }
        let part = (limit - self.end()) / (start - self.end());
        (part > 0.0 && part < 1.0).then(|| -self.time_constant() * part.ln())
    }
}

/// The heater that holds a temperature in a cold room: the loss less what pumps and lights give,
/// with a margin on top (a part, 0.25 for a quarter).
pub fn heater_watts(loss: HeatLoss, kelvin_above_room: f64, other_watts: f64, margin: f64) -> f64 {
    ((loss.watts_per_kelvin() * kelvin_above_room - other_watts) * (1.0 + margin)).max(0.0)
}

/// The loss of a tank from a cooling that was watched: from one temperature to another in so many
/// seconds, in a room of constant temperature and without heat.
pub fn loss_from_cooling(
    joules_per_kelvin: f64,
    from: f64,
    to: f64,
    room: f64,
    seconds: f64,
) -> Result<HeatLoss, WaterError> {
    let part = (to - room) / (from - room);
    if !(part > 0.0 && part < 1.0 && seconds > 0.0) {
        return Err(WaterError::no_answer(
            format!("no tank in a room of `{room:.1} °C` cools from `{from:.1} °C` to `{to:.1} °C`"),
            "give a start above the end, and both above the room",
        ));
    }
    HeatLoss::from_watts_per_kelvin(joules_per_kelvin * -part.ln() / seconds)
        .map_err(|_| WaterError::no_answer("the tank cooled faster than any can", "check the time and its unit"))
}

/// A guess of the loss from the volume alone: 12 W/K for an open tank of 90 L, with the surface.
/// From a simulated tank, evaporation included; real ones are from half to twice of it.
pub fn loss_guessed(volume: Volume) -> HeatLoss {
    let watts = 12.0 * (volume.litres() / 90.0).powf(2.0 / 3.0);
    HeatLoss::from_watts_per_kelvin(watts).expect("a volume has a surface")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{PracticalSalinity, Temperature};
    use crate::water::mixing::Water;
    use proptest::prelude::*;

    fn four_hundred_litres() -> f64 {
        Water {
            volume: Volume::from_litres(400.0).unwrap(),
            salinity: PracticalSalinity::from_psu(35.0).unwrap(),
            temperature: Temperature::from_celsius(25.0).unwrap(),
        }
        .joules_per_kelvin()
        .unwrap()
    }

    #[test]
    fn the_energy_balance_of_the_table_is_met() {
        // checks.csv, heater: 400 L, S 35, 25 °C, 300 W, 12 W/K, room 20 °C; lumped capacity.
        let capacity = four_hundred_litres();
        assert!((capacity - 1_636_399.1).abs() < 0.1, "{capacity}");
        assert!((capacity / 300.0 - 5454.664).abs() < 1e-3);
        let heated = Body { joules_per_kelvin: capacity, watts_per_kelvin: 12.0, room: 20.0, watts: 300.0 };
        let hours = heated.seconds_until(24.0, 26.0).unwrap() / 3600.0;
        assert!((hours - 3.791122).abs() < 1e-4, "{hours}");
        let off = Body { watts: 0.0, ..heated };
        assert!((off.after(26.0, 6.0 * 3600.0) - 25.121067).abs() < 1e-4, "{}", off.after(26.0, 21600.0));
        assert!((off.time_constant() / 3600.0 - 37.879609).abs() < 1e-4);
    }

    #[test]
    fn what_never_comes_has_no_time() {
        let body = Body { joules_per_kelvin: 376e3, watts_per_kelvin: 12.0, room: 20.0, watts: 100.0 };
        assert_eq!(body.seconds_until(25.0, 30.0), None, "it ends at 28.3 °C");
        assert_eq!(body.seconds_until(25.0, 24.0), None);
        assert_eq!(body.seconds_until(25.0, 25.0), Some(0.0));
        let dewar = Body { watts_per_kelvin: 0.0, ..body };
        assert!((dewar.seconds_until(25.0, 26.0).unwrap() - 3760.0).abs() < 1e-9);
    }

    #[test]
    fn the_loss_of_a_watched_cooling_is_found() {
        let body = Body { joules_per_kelvin: 376e3, watts_per_kelvin: 11.0, room: 19.0, watts: 0.0 };
        let found = loss_from_cooling(376e3, 25.0, body.after(25.0, 7200.0), 19.0, 7200.0).unwrap();
        assert!((found.watts_per_kelvin() - 11.0).abs() < 1e-9);
        assert!(loss_from_cooling(376e3, 25.0, 26.0, 19.0, 7200.0).is_err());
        assert!(loss_from_cooling(376e3, 25.0, 18.0, 19.0, 7200.0).is_err());
    }

    proptest! {
        #[test]
        fn the_time_to_a_temperature_ends_at_it(
            loss in 1.0..50.0f64, room in 15.0..30.0f64, watts in 0.0..500.0f64, start in 20.0..28.0f64, limit in 16.0..34.0f64
        ) {
            let body = Body { joules_per_kelvin: 376e3, watts_per_kelvin: loss, room, watts };
            if let Some(seconds) = body.seconds_until(start, limit) {
                prop_assert!((body.after(start, seconds) - limit).abs() < 1e-6);
            }
        }
    }
}

//! The room around all tanks: its temperature over the day, its weather, its air's moisture.
//!
//! Model (the project's rehearsal model): a mean, 0.75 K up and down over the day with the warmest
//! hour at 15:00, and weather as a first-order process of 0.7 K with a 12 h memory.

use std::f64::consts::TAU;

use super::super::Chance;

/// The room.
#[derive(Clone, Debug)]
pub struct Room {
    /// Its mean, °C.
    pub mean: f64,
    /// Half of the difference between day and night, K.
    pub swing: f64,
    /// Standard deviation of the weather, K.
    pub weather_deviation: f64,
    /// Relative humidity, 0 to 1.
    pub humidity: f64,
    weather: f64,
    pulled_to: f64,
    pulled: f64,
    pull: Pull,
    natural: f64,
}

/// A season, as a room indoors has it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Season {
    /// Heated to 20 °C.
    Winter,
    /// 23 °C: the tank hardly needs its heater.
    Mild,
    /// 26 °C: the tank must be cooled on most days.
    Summer,
}

impl Season {
    /// The room's mean, °C. (The project's rehearsal model.)
    pub fn mean(self) -> f64 {
        match self {
            Self::Winter => 20.0,
            Self::Mild => 23.0,
            Self::Summer => 26.0,
        }
    }
}

/// Whether something pulls the room away from its course.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Pull {
    /// Nothing does; the room finds back.
    None,
    /// A heat wave, an open window: towards this, °C.
    Towards(f64),
}

/// The time constant with which a pull takes hold and lets go, s.
const PULL_TIME: f64 = 1800.0;
/// The memory of the weather, s.
const WEATHER_TIME: f64 = 43_200.0;

impl Room {
    /// A room of this mean, with the model's day and weather.
    pub fn new(mean: f64) -> Self {
        Self {
            mean,
            swing: 0.75,
            weather_deviation: 0.7,
            humidity: 0.5,
            weather: 0.0,
            pulled_to: mean,
            pulled: 0.0,
            pull: Pull::None,
            natural: mean,
        }
    }

    /// The room of a season.
    pub fn in_season(season: Season) -> Self {
        Self::new(season.mean())
    }

    /// The same room without day and weather, for tests against worked figures.
    #[must_use]
    pub fn steady(mean: f64) -> Self {
        Self { swing: 0.0, weather_deviation: 0.0, ..Self::new(mean) }
    }

    /// Something pulls, or lets go.
    pub fn set_pull(&mut self, pull: Pull) {
        if let Pull::Towards(celsius) = pull {
            self.pulled_to = celsius;
        }
        self.pull = pull;
    }

    /// `dt` seconds pass; `hour` is the local hour of the day with its fraction.
    pub fn step(&mut self, dt: f64, hour: f64, chance: &mut Chance) {
        let kept = (-dt / WEATHER_TIME).exp();
        self.weather = self.weather * kept + chance.noise(self.weather_deviation * (1.0 - kept * kept).sqrt());
        self.natural = self.mean + self.swing * (TAU * (hour - 9.0) / 24.0).sin() + self.weather;
        let goal = if self.pull == Pull::None { 0.0 } else { 1.0 };
        self.pulled += (goal - self.pulled) * (1.0 - (-dt / PULL_TIME).exp());
    }

    /// °C
    pub fn celsius(&self) -> f64 {
        self.natural + (self.pulled_to - self.natural) * self.pulled
    }

    /// The air for this temperature.
    pub fn air(&self) -> Air {
        Air::new(self.celsius(), self.humidity)
    }
}

/// What the water feels of the room.
#[derive(Clone, Copy, Debug)]
pub struct Air {
    /// °C
    pub celsius: f64,
    /// kg of vapour in a kg of dry air.
    pub moisture: f64,
}

impl Air {
    /// Air of a temperature (°C) and a relative humidity (0 to 1).
    pub fn new(celsius: f64, humidity: f64) -> Self {
        Self { celsius, moisture: mixing_ratio(humidity * saturation_pressure(celsius)) }
    }
}

/// Pa over pure water by Magnus, with the coefficients of the WMO guide (CIMO, annex 4.B).
pub fn saturation_pressure(celsius: f64) -> f64 {
    611.2 * (17.62 * celsius / (243.12 + celsius)).exp()
}

/// kg of vapour in a kg of dry air at this vapour pressure (Pa) and at 101,325 Pa.
pub fn mixing_ratio(pressure: f64) -> f64 {
    0.622 * pressure / (101_325.0 - pressure)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_saturation_pressure_is_that_of_the_steam_tables() {
        // IAPWS saturation pressure of water: 0 °C 611.2 Pa, 20 °C 2339 Pa, 25 °C 3170 Pa, 30 °C 4247 Pa.
        for (celsius, pascal) in [(0.0, 611.2), (20.0, 2339.0), (25.0, 3170.0), (30.0, 4247.0)] {
            let ours = saturation_pressure(celsius);
            assert!((ours / pascal - 1.0).abs() < 0.004, "{celsius} °C: {ours} Pa");
        }
    }

    #[test]
    fn a_season_has_the_mean_the_day_and_the_weather_of_the_model() {
        // 0.75 K up and down over the day and 0.7 K of weather together: sqrt(0.75² / 2 + 0.7²) = 0.88 K.
        for season in [Season::Winter, Season::Mild, Season::Summer] {
            let (mut chance, mut room) = (Chance::new(7, "room"), Room::in_season(season));
            let minutes = 120 * 1440;
            let values: Vec<f64> = (0..minutes)
                .map(|minute| {
                    room.step(60.0, f64::from(minute % 1440) / 60.0, &mut chance);
                    room.celsius()
                })
                .collect();
            let mean = values.iter().sum::<f64>() / f64::from(minutes);
            let spread = (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / f64::from(minutes)).sqrt();
            assert!((mean - season.mean()).abs() < 0.2, "{season:?}: {mean}");
            assert!((spread - 0.88).abs() < 0.1, "{season:?}: {spread}");
        }
    }

    #[test]
    fn a_pulled_room_goes_there_and_finds_back() {
        let mut chance = Chance::new(1, "room");
        let mut room = Room::steady(21.0);
        room.set_pull(Pull::Towards(30.0));
        (0..180).for_each(|_| room.step(60.0, 12.0, &mut chance));
        assert!((room.celsius() - 30.0).abs() < 0.1, "{}", room.celsius());
        room.set_pull(Pull::None);
        (0..180).for_each(|_| room.step(60.0, 12.0, &mut chance));
        assert!((room.celsius() - 21.0).abs() < 0.1, "{}", room.celsius());
    }
}

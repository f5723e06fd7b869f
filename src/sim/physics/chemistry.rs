//! Alkalinity and calcium by day and night, and the pH that follows, as far as a rehearsal needs them.
//!
//! Duty: what the animals take in the light and in the dark, the books of what came and went, and a pH
//! for a simulated probe. Limits: this pH is a day's wave and the mark of a fresh dose, no carbonate
//! system; nobody may read anything about real water from it. Figures of the project's rehearsal model.

use super::body::Parcel;
use super::parameters::LIGHT_TO_DARK;
use crate::water::chemistry::calcium_per_dkh;

/// A dose shows in the pH for about this long, s.
const DOSE_TIME: f64 = 3600.0;
/// The share of a day that the lights of the model are on.
const LIT: f64 = 0.5;

/// The books since the start, dKH L.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Chemistry {
    /// By dosing pumps.
    pub dosed: f64,
    /// With new sea water.
    pub given: f64,
    /// By what lives in it.
    pub taken: f64,
    /// With water that left.
    pub lost: f64,
    /// The same of calcium.
    pub calcium: Calcium,
    /// What was dosed in the last hour or so, dKH of the whole water.
    fresh: f64,
}

/// The books of calcium since the start, mg.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Calcium {
    /// By dosing pumps.
    pub dosed: f64,
    /// With new sea water.
    pub given: f64,
    /// By what lives in it.
    pub taken: f64,
    /// With water that left.
    pub lost: f64,
}

impl Chemistry {
    pub(super) fn lose(&mut self, parcel: &Parcel) {
        self.lost += parcel.alkalinity;
        self.calcium.lost += parcel.calcium;
    }

    pub(super) fn dosed(&mut self, alkalinity: f64, litres: f64) {
        self.dosed += alkalinity;
        self.fresh += alkalinity / litres.max(1e-9);
    }

    pub(super) fn pass(&mut self, dt: f64, taken: f64) {
        self.taken += taken;
        self.calcium.taken += taken * calcium_per_dkh();
        if self.fresh > 0.0 {
            self.fresh *= (-dt / DOSE_TIME).exp();
        }
    }

    /// At a part of the local day, 0 to 1: highest at 18:00, higher after a dose.
    pub fn ph(&self, of_day: f64) -> f64 {
        0.08_f64.mul_add(self.fresh, 0.12_f64.mul_add((std::f64::consts::TAU * (of_day - 0.5)).sin(), 8.15))
    }
}

/// dKH L a second that a tank takes under so much light, 0 to 1, where it takes so many dKH in a day.
pub(super) fn wanted(daily: f64, litres: f64, light: f64) -> f64 {
    let mean = LIGHT_TO_DARK.mul_add(LIT, 1.0 - LIT);
    daily * litres / 86_400.0 * (LIGHT_TO_DARK - 1.0).mul_add(light, 1.0) / mean
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn half_a_day_of_light_takes_what_the_model_says() {
        let day = (wanted(0.80, 87.0, 1.0) + wanted(0.80, 87.0, 0.0)) * 43_200.0 / 87.0;
        assert!((day - 0.80).abs() < 1e-12, "{day}");
        assert!((wanted(0.80, 87.0, 1.0) / wanted(0.80, 87.0, 0.0) - 1.6).abs() < 1e-12);
    }

    #[test]
    fn the_wave_is_that_of_the_model_and_a_dose_fades() {
        let mut books = Chemistry::default();
        assert!((books.ph(0.75) - 8.27).abs() < 1e-12);
        assert!((books.ph(0.25) - 8.03).abs() < 1e-12);
        books.dosed(87.0, 87.0);
        assert!((books.ph(0.5) - 8.23).abs() < 1e-12, "1 dKH is 0.08");
        books.pass(3600.0, 0.0);
        assert!((books.ph(0.5) - 8.15 - 0.08 / std::f64::consts::E).abs() < 1e-12);
    }
}

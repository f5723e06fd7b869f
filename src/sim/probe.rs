//! A simulated probe: what it makes of the truth before it speaks.
//!
//! Character by what it measures (the project's rehearsal model): a temperature probe lags 30 s, has
//! 0.03 K of noise and steps of 0.0625 K; a level probe 0.7 mm of noise and 1 mm of ripple; salinity
//! 0.1; flow 3 %. The offset of each is drawn by its stream: small, as of a calibrated probe.
//! A float has 5 mm of hysteresis (3 mm in an only basin) and bounces for 200 ms.
//!
//! They drift (the same model): a thermometer 0.05 K a year, a level probe 1 mm a month, each to the side of
//! its offset; salinity and conductivity foul by 0.3 g/kg a month and flow by 1 % a month until somebody
//! cleans them.
//!
//! The raw number is what the plan's calibration makes right: raw = (true - offset) / slope.

use crate::control::plan::Calibration;
use crate::time::Steady;
use crate::units::Quantity;
use crate::wire::binding::{Pointer, ProbeForm};

use super::Chance;
use super::fault::{ProbeFault, ReadsAs};
use super::fitting::Fitting;
use super::payload::Scalar;

/// One probe; shared by tanks, it is still one.
#[derive(Clone, Debug)]
pub(super) struct Probe {
    /// The tanks that listen to it, the first being the one whose water it sits in.
    pub tanks: Vec<usize>,
    pub fitting: Fitting,
    pub quantity: Quantity,
    pub form: ProbeForm,
    pub pointer: Option<Pointer>,
    pub stamped: Option<Pointer>,
    pub calibration: Calibration,
    /// What is wrong with it, the newest fault winning; the number is the fault's.
    pub faults: Vec<(usize, ProbeFault)>,
    /// For contacts: whether it is under water, after hysteresis.
    pub under: bool,
    pub chance: Chance,
    offset: f64,
    gain: f64,
    /// New, or cleaned, then.
    clean_since: Option<Steady>,
    lagged: Option<(f64, Steady)>,
    last: Option<Scalar>,
}

/// How a probe of a quantity behaves, in canonical units.
struct Character {
    /// s
    lag: f64,
    /// standard deviation
    noise: f64,
    /// smallest step
    step: f64,
    /// greatest offset of a calibrated one, either way
    offset: f64,
    /// greatest error of its slope, either way
    gain: f64,
}

fn character(quantity: Quantity) -> Character {
    let (lag, noise, step, offset, gain) = match quantity {
        Quantity::Temperature => (30.0, 0.03, 0.0625, 0.05, 0.0),
        Quantity::Level => (3.0, 0.7, 0.1, 0.5, 0.0),
        Quantity::Salinity => (30.0, 0.1, 0.01, 0.1, 0.0),
        Quantity::Conductivity => (30.0, 0.14, 0.01, 0.1, 0.0),
        Quantity::Flow => (2.0, 0.05, 0.01, 0.0, 0.03),
        Quantity::Volume => (0.0, 0.02, 0.01, 0.0, 0.01),
        Quantity::Mass => (0.0, 5.0, 1.0, 0.0, 0.0),
        Quantity::Power => (0.0, 0.5, 0.1, 0.0, 0.0),
        Quantity::Ph => (60.0, 0.005, 0.01, 0.02, 0.0),
        Quantity::Redox => (60.0, 0.001, 0.001, 0.005, 0.0),
        Quantity::Humidity => (30.0, 0.003, 0.001, 0.01, 0.0),
        Quantity::TemperatureDifference => (30.0, 0.03, 0.01, 0.0, 0.0),
        // What the model does not know is never asked for a value; a contact has words.
        _ => (0.0, 0.0, 0.001, 0.0, 0.0),
    };
    Character { lag, noise, step, offset, gain }
}

/// What the water (or the air) around a probe is, in its canonical unit.
#[derive(Clone, Copy, Debug)]
pub(super) struct Around {
    /// The true value.
    pub value: f64,
    /// The room, for a probe that was lifted out, °C.
    pub room: f64,
}

impl Probe {
    #[expect(clippy::too_many_arguments, reason = "the parts of one binding and one plan")]
    pub fn new(
        tank: usize,
        fitting: Fitting,
        quantity: Quantity,
        form: ProbeForm,
        pointer: Option<Pointer>,
        stamped: Option<Pointer>,
        calibration: Calibration,
        mut chance: Chance,
    ) -> Self {
        let character = character(quantity);
        let offset = chance.between(-character.offset, character.offset);
        let gain = 1.0 + chance.between(-character.gain, character.gain);
        Self {
            tanks: vec![tank],
            fitting,
            quantity,
            form,
            pointer,
            stamped,
            calibration,
            faults: Vec::new(),
            under: false,
            chance,
            offset,
            gain,
            clean_since: None,
            lagged: None,
            last: None,
        }
    }

    /// What it says now; `None` while it is silent.
    pub fn sample(&mut self, around: Around, at: Steady) -> Option<Scalar> {
        let felt = self.feel(around, at);
        let honest = match &self.form {
            ProbeForm::Number(unit) => {
                let raw = unit.from_canonical((felt - self.calibration.offset) / self.calibration.slope);
                Scalar::Number(raw, decimals(character(self.quantity).step / unit.scale))
            }
            ProbeForm::Contact { wet, dry } => word(if self.under { wet } else { dry }),
        };
        let said = match self.faults.last().map(|(_, fault)| fault) {
            None | Some(ProbeFault::Lifted | ProbeFault::Shifted(_)) => honest,
            Some(ProbeFault::Silent) => return None,
            Some(ProbeFault::Freezes) => self.last.clone().unwrap_or(honest),
            Some(ProbeFault::Garbage) => Scalar::Word("#?-".into()),
            Some(ProbeFault::Reads(ReadsAs::Payload(number))) => Scalar::Word(number.to_string().into()),
            Some(ProbeFault::Reads(ReadsAs::Value(canonical))) => match &self.form {
                ProbeForm::Number(unit) => Scalar::Number(unit.from_canonical(*canonical), 4),
                ProbeForm::Contact { .. } => honest,
            },
            Some(ProbeFault::Sticks(wet)) => match &self.form {
                ProbeForm::Contact { wet: yes, dry: no } => word(if *wet { yes } else { no }),
                ProbeForm::Number(_) => honest,
            },
        };
        self.last = Some(said.clone());
        Some(said)
    }

    /// Somebody cleans it: what fouling did is gone, what ages is not.
    pub fn clean(&mut self, at: Steady) {
        if fouls(self.quantity) {
            self.clean_since = Some(at);
        }
    }

    /// What age and fouling add to a value, in canonical units.
    fn drift(&mut self, value: f64, at: Steady) -> f64 {
        let days = at.since(*self.clean_since.get_or_insert(at)).hours() / 24.0;
        match self.quantity {
            Quantity::Temperature => (0.05 / 365.0 * days).copysign(self.offset),
            Quantity::Level => (days / 30.0).copysign(self.offset),
            Quantity::Salinity => -0.3 / 30.0 * days,
            // 0.3 g/kg at 35 g/kg and 25 °C is 0.41 mS/cm by PSS-78.
            Quantity::Conductivity => -0.41 / 30.0 * days,
            Quantity::Flow => -0.01 / 30.0 * days * value,
            _ => 0.0,
        }
    }

    /// Lag, slope, offset, noise, steps: the value that it believes, in canonical units.
    fn feel(&mut self, around: Around, at: Steady) -> f64 {
        let is = character(self.quantity);
        let lifted = self.faults.iter().any(|(_, fault)| *fault == ProbeFault::Lifted);
        let (goal, lag) = match self.quantity {
            // A wet probe in air settles a kelvin under the room, slowly; a conductivity cell sees almost nothing.
            Quantity::Temperature if lifted => (around.room - 1.0, 150.0),
            Quantity::Salinity | Quantity::Conductivity if lifted => (0.8, 5.0),
            _ => (around.value, is.lag),
        };
        let lagged = match self.lagged {
            Some((before, then)) if lag > 0.0 => {
                before + (goal - before) * (1.0 - (-at.since(then).seconds() / lag).exp())
            }
            _ => goal,
        };
        self.lagged = Some((lagged, at));
        let ripple = if self.quantity == Quantity::Level { self.chance.between(-1.0, 1.0) } else { 0.0 };
        let shift: f64 =
            self.faults.iter().map(|(_, fault)| if let ProbeFault::Shifted(by) = fault { *by } else { 0.0 }).sum();
        let felt = lagged.mul_add(self.gain, self.offset)
            + self.drift(lagged, at)
            + self.chance.noise(is.noise)
            + ripple
            + shift;
        let felt = if matches!(self.quantity, Quantity::Flow | Quantity::Volume | Quantity::Power) {
            felt.max(0.0)
        } else {
            felt
        };
        (felt / is.step).round() * is.step
    }
}

/// Whether dirt does it, and cleaning helps.
fn fouls(quantity: Quantity) -> bool {
    matches!(quantity, Quantity::Salinity | Quantity::Conductivity | Quantity::Flow)
}

fn word(words: &[String]) -> Scalar {
    Scalar::Word(words.first().map_or("", String::as_str).into())
}

/// Decimals that show steps of this size: 4 for 0.0625.
fn decimals(step: f64) -> usize {
    (0..=6)
        .find(|decimals| (step * 10_f64.powi(*decimals)).fract().abs() < 1e-6)
        .map_or(3, |decimals| decimals.unsigned_abs() as usize)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sim::fitting::Spot;

    fn thermometer(unit: &str) -> Probe {
        let unit = crate::units::units_of(Quantity::Temperature).find(|row| row.symbol == unit).unwrap();
        let fitting = Fitting { spot: Spot::Display, float: None, from_floor: false };
        let calibration = Calibration { slope: 1.0, offset: 0.5 };
        Probe::new(
            0,
            fitting,
            Quantity::Temperature,
            ProbeForm::Number(unit),
            None,
            None,
            calibration,
            Chance::new(1, "t"),
        )
    }

    fn number(scalar: Option<Scalar>) -> f64 {
        match scalar {
            Some(Scalar::Number(value, _)) => value,
            other => panic!("{other:?} is no number"),
        }
    }

    #[test]
    fn a_thermometer_says_what_its_calibration_makes_right() {
        let around = Around { value: 25.0, room: 20.0 };
        // Raw is half a kelvin low, and in °F: (24.5 °C) = 76.1 °F; offset, noise and steps stay within 0.3 °F.
        for second in 0..100 {
            let raw = number(thermometer("°F").sample(around, Steady::from_millis(second * 10_000)));
            assert!((raw - 76.1).abs() < 0.3, "{raw}");
        }
    }

    #[test]
    fn it_lags_half_a_minute_and_two_and_a_half_in_air() {
        let mut probe = thermometer("°C");
        let warm = Around { value: 25.0, room: 15.0 };
        probe.sample(warm, Steady::from_millis(0));
        let cold = Around { value: 15.0, room: 15.0 };
        // 30 s after a step of 10 K: 63 % of it (1 - 1/e), and the calibration's half kelvin.
        let after = number(probe.sample(cold, Steady::from_millis(30_000))) + 0.5;
        assert!((after - (15.0 + 10.0 / std::f64::consts::E)).abs() < 0.2, "{after}");
        let mut lifted = thermometer("°C");
        lifted.sample(warm, Steady::from_millis(0));
        lifted.faults.push((0, ProbeFault::Lifted));
        let after = number(lifted.sample(warm, Steady::from_millis(150_000))) + 0.5;
        assert!((after - (14.0 + 11.0 / std::f64::consts::E)).abs() < 0.2, "{after}");
    }

    #[test]
    fn it_drifts_as_the_model_says_and_cleaning_undoes_fouling_only() {
        let mean = |probe: &mut Probe, value: f64, day: u64| {
            let at = |n: u64| Steady::from_millis(day * 86_400_000 + n * 600_000);
            let around = Around { value, room: 20.0 };
            (0..400).map(|n| number(probe.sample(around, at(n)))).sum::<f64>() / 400.0
        };
        let mut warm = thermometer("°C");
        let first = mean(&mut warm, 25.0, 0);
        warm.clean(Steady::from_millis(86_400_000));
        let drift = mean(&mut warm, 25.0, 3650) - first;
        assert!((drift.abs() - 0.5).abs() < 0.02, "ten years at 0.05 K: {drift}");

        let unit = Quantity::Salinity.canonical();
        let fitting = Fitting { spot: Spot::Display, float: None, from_floor: false };
        let form = ProbeForm::Number(unit);
        let chance = Chance::new(1, "s");
        let mut salty = Probe::new(0, fitting, Quantity::Salinity, form, None, None, Calibration::NONE, chance);
        let first = mean(&mut salty, 35.0, 0);
        let fouled = mean(&mut salty, 35.0, 60);
        assert!((first - fouled - 0.6).abs() < 0.03, "two months at 0.3: {first} to {fouled}");
        salty.clean(Steady::from_millis(70 * 86_400_000));
        assert!((mean(&mut salty, 35.0, 70) - first).abs() < 0.03);
    }

    #[test]
    fn steps_set_the_decimals() {
        assert_eq!([0.0625, 0.1, 0.01, 1.0].map(decimals), [4, 1, 2, 0]);
    }
}

//! The seeded random source. Every device has its own stream, so that one more probe does not
//! change what the others do.

use std::f64::consts::TAU;

use oorandom::Rand64;

use crate::time::Span;

/// One stream of chance.
#[derive(Clone, Debug)]
pub struct Chance(Rand64);

impl Chance {
    /// The stream of that name under a seed; the name is hashed by FNV-1a (64 bit), which is
    /// written down and so the same on every machine and in every version.
    pub fn new(seed: u64, stream: &str) -> Self {
        let hash = stream
            .bytes()
            .fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3));
        Self(Rand64::new_inc(u128::from(seed), u128::from(hash)))
    }

    /// Evenly from `least` up to `greatest`.
    pub fn between(&mut self, least: f64, greatest: f64) -> f64 {
        self.0.rand_float().mul_add(greatest - least, least)
    }

    /// Normal with mean 0 and this standard deviation (Box and Muller, one of the pair).
    pub fn noise(&mut self, deviation: f64) -> f64 {
        let (u, v) = (1.0 - self.0.rand_float(), self.0.rand_float());
        deviation * (-2.0 * u.ln()).sqrt() * (TAU * v).cos()
    }

    /// Evenly between two spans, in milliseconds.
    pub fn span(&mut self, least: Span, greatest: Span) -> Span {
        Span::from_millis(self.0.rand_range(least.millis()..greatest.millis().max(least.millis()) + 1))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn streams_are_repeatable_and_differ_by_name_and_seed() {
        let draw = |seed, name| Chance::new(seed, name).between(0.0, 1.0).to_bits();
        assert_eq!(draw(1, "heater"), draw(1, "heater"));
        assert_ne!(draw(1, "heater"), draw(1, "fan"));
        assert_ne!(draw(1, "heater"), draw(2, "heater"));
    }

    #[test]
    fn noise_has_its_mean_and_deviation() {
        let mut chance = Chance::new(7, "noise");
        let draws: Vec<f64> = (0..20_000).map(|_| chance.noise(0.03)).collect();
        let mean = draws.iter().sum::<f64>() / 20_000.0;
        let deviation = (draws.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / 20_000.0).sqrt();
        // Four standard errors of each estimate for n = 20,000.
        assert!(mean.abs() < 4.0 * 0.03 / 141.4, "mean {mean}");
        assert!((deviation - 0.03).abs() < 4.0 * 0.03 / 200.0, "deviation {deviation}");
    }
}

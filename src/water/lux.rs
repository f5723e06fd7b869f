//! Photon flux from a lux meter, which takes a spectrum: lux weigh light as an eye does.
//!
//! Definition: `lux = 683 ∫ E V`, photon flux `∫ E λ/(N h c)` from 400 to 700 nm, so their ratio
//! depends on the shape of the spectrum only. V is CIE 1924 at 10 nm, from memory (its integral is
//! checked). Ratios of named sources are those of Thimijan & Heins 1983 (`HortScience` 18:818), from
//! memory, good to about 10 %. A white light-emitting diode is no named source: no two are alike.

use std::str::FromStr;

use crate::units::{Illuminance, Ppfd};

use super::validity::WaterError;

/// CIE 1924 photopic efficiency from 380 to 780 nm in steps of 10 nm.
const V: [f64; 41] = [
    0.000039, 0.00012, 0.000396, 0.00121, 0.0040, 0.0116, 0.023, 0.038, 0.060, 0.09098, 0.13902, 0.20802, 0.323, 0.503,
    0.710, 0.862, 0.954, 0.99495, 0.995, 0.952, 0.870, 0.757, 0.631, 0.503, 0.381, 0.265, 0.175, 0.107, 0.061, 0.032,
    0.017, 0.00821, 0.004102, 0.002091, 0.001047, 0.00052, 0.000249, 0.00012, 0.00006, 0.00003, 0.000015,
];

/// Lumens in a watt at 555 nm, by the definition of the candela.
const LUMENS: f64 = 683.0;

/// Joules of a mole of photons times their wavelength in nm: Avogadro's, Planck's and light's constants.
const MOLAR_PHOTON: f64 = 6.02214076e23 * 6.62607015e-34 * 299_792_458.0 * 1e9;

/// The shape of a light.
#[derive(Clone, Debug, PartialEq)]
pub enum Spectrum {
    /// A source with a published ratio.
    Named {
        /// What it is called.
        name: &'static str,
        /// Lux for each µmol/m²/s.
        lux_per_flux: f64,
    },
    /// Wavelengths in nm and relative power, joined by straight lines; nothing outside of them.
    Points(Vec<(f64, f64)>),
}

/// Names, and lux for each µmol/m²/s (Thimijan & Heins 1983, from memory).
const NAMED: [(&str, f64); 6] = [
    ("daylight", 54.0),
    ("metal halide", 71.0),
    ("cool white fluorescent", 74.0),
    ("warm white fluorescent", 76.0),
    ("high-pressure sodium", 82.0),
    ("incandescent", 50.0),
];

impl Spectrum {
    /// Lux for each µmol/m²/s.
    pub fn lux_per_flux(&self) -> Result<f64, WaterError> {
        match self {
            Self::Named { lux_per_flux, .. } => Ok(*lux_per_flux),
            Self::Points(points) => ratio(points),
        }
    }

    /// The photon flux of a reading in lux.
    pub fn flux(&self, reading: Illuminance) -> Result<Ppfd, WaterError> {
        let flux = reading.lux() / self.lux_per_flux()?;
        Ppfd::from_micromoles_per_square_metre_second(flux).map_err(|_| {
            WaterError::no_answer(
                format!("`{flux:.0} µmol/m²/s` is more than the sun gives"),
                "check the reading and the spectrum",
            )
        })
    }
}

impl FromStr for Spectrum {
    type Err = String;

    /// Reads `daylight` or points such as `400:0.1, 450:1, 500:0.4, 600:0.3, 700:0.1`.
    fn from_str(text: &str) -> Result<Self, String> {
        let text = text.trim();
        if let Some((name, lux_per_flux)) = NAMED.iter().find(|(name, _)| *name == text) {
            return Ok(Self::Named { name, lux_per_flux: *lux_per_flux });
        }
        let point = |part: &str| -> Option<(f64, f64)> {
            let (nm, power) = part.split_once(':')?;
            let (nm, power) = (nm.trim().trim_end_matches("nm").trim().parse().ok()?, power.trim().parse().ok()?);
            (f64::is_finite(nm) && f64::is_finite(power)).then_some((nm, power))
        };
        text.split(',').map(point).collect::<Option<Vec<_>>>().map(Self::Points).ok_or_else(|| {
            let names: Vec<_> = NAMED.iter().map(|(name, _)| format!("`{name}`")).collect();
            format!(
                "`{text}` is not a spectrum\n  write one of {}, or wavelengths in nm with relative power such as \
                 `400:0.1, 450:1, 500:0.4, 600:0.3, 700:0.1`",
                names.join(", ")
            )
        })
    }
}

fn ratio(points: &[(f64, f64)]) -> Result<f64, WaterError> {
    let ordered = points.windows(2).all(|pair| pair[0].0 < pair[1].0);
    if points.len() < 2 || !ordered || points.iter().any(|(nm, power)| !(300.0..=1100.0).contains(nm) || *power < 0.0) {
        return Err(WaterError::no_answer(
            "the points are no spectrum",
            "give two or more wavelengths from 300 nm to 1100 nm, rising, with powers from 0 up",
        ));
    }
    let power = |nm: f64| -> f64 {
        let after = points.partition_point(|(at, _)| *at <= nm);
        match (after.checked_sub(1).and_then(|before| points.get(before)), points.get(after)) {
            (Some((a, pa)), Some((b, pb))) => pa + (pb - pa) * (nm - a) / (b - a),
            _ => 0.0,
        }
    };
    // A step of 1 nm, the middle of each: finer than any spectrum that a keeper has.
    let (mut lux, mut flux) = (0.0, 0.0);
    for step in 300..1100_u16 {
        let nm = f64::from(step) + 0.5;
        lux += LUMENS * power(nm) * efficiency(nm);
        if (400.0..700.0).contains(&nm) {
            flux += power(nm) * nm / MOLAR_PHOTON * 1e6;
        }
    }
    if lux > 0.0 && flux > 0.0 {
        Ok(lux / flux)
    } else {
        Err(WaterError::no_answer(
            "this light is dark to an eye or to a plant",
            "give a spectrum with power between 400 nm and 700 nm",
        ))
    }
}

/// What an eye makes of a wavelength, from 0 to 1.
fn efficiency(nm: f64) -> f64 {
    let at = (nm - 380.0) / 10.0;
    if !(0.0..40.0).contains(&at) {
        return 0.0;
    }
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "from 0 to 39")]
    let index = at as usize;
    V[index] + (V[index + 1] - V[index]) * (at - index as f64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_efficiency_of_the_eye_has_its_published_integral() {
        // CIE 1924: 106.857 nm.
        let integral: f64 = (300..1100).map(|nm| efficiency(f64::from(nm) + 0.5)).sum();
        assert!((integral - 106.857).abs() < 0.02, "{integral}");
    }

    #[test]
    fn green_light_of_555_nm_is_worth_what_the_candela_says() {
        // 1 µmol/s of 555 nm is 0.21555 W, so 683 lm/W give 147.2 lx for each µmol/m²/s.
        let narrow = Spectrum::Points(vec![(550.0, 1.0), (560.0, 1.0)]);
        let found = narrow.lux_per_flux().unwrap();
        assert!((found - 147.2 * 0.9965).abs() < 0.6, "{found}");
    }

    #[test]
    fn a_black_body_like_the_sun_is_near_the_published_daylight() {
        // Planck's law at 5500 K against 54 lx for each µmol/m²/s (Thimijan & Heins 1983, from memory).
        let planck = |nm: f64| 1e15 / nm.powi(5) / (1.438_776_877e7 / (nm * 5500.0)).exp_m1();
        let sun = Spectrum::Points((300..=1100).step_by(10).map(|nm| (f64::from(nm), planck(f64::from(nm)))).collect());
        let found = sun.lux_per_flux().unwrap();
        assert!((found - 54.0).abs() < 3.0, "{found}");
    }

    #[test]
    fn blue_light_is_worth_few_lux_so_that_no_factor_serves_for_all() {
        let royal = Spectrum::Points(vec![(430.0, 0.0), (450.0, 1.0), (470.0, 0.0)]);
        assert!(royal.lux_per_flux().unwrap() < 10.0);
        assert!("bright".parse::<Spectrum>().unwrap_err().contains("`daylight`"));
        assert!(Spectrum::Points(vec![(450.0, 1.0)]).lux_per_flux().is_err());
        assert!(Spectrum::Points(vec![(800.0, 1.0), (900.0, 1.0)]).lux_per_flux().is_err());
        let flux = "daylight".parse::<Spectrum>().unwrap().flux(Illuminance::from_lux(5400.0).unwrap()).unwrap();
        assert!((flux.micromoles_per_square_metre_second() - 100.0).abs() < 1e-9);
    }
}

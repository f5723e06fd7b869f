//! Where a probe sits: a plan says what a probe measures and what it is called, not where it hangs.
//!
//! The words of the probe's name are looked at first, then those of its topic; the first row that
//! fits wins, and only where no row fits the last ones hold:
//!
//! | measures | words | place |
//! | --- | --- | --- |
//! | contact | `leak`, `floor`, `cabinet`, `spill` | the floor |
//! | not contact | `room`, `air`, `ambient` | the room |
//! | any | `mix`, `mixing`, `bin` | the mixing bin |
//! | any | `reservoir` | the reservoir |
//! | contact | `cup` | the skimmer's cup, always dry |
//! | any | `display` | the display, or the only basin |
//! | any | `sump`, `chamber`, `return` | the sump (its return chamber), or the only basin |
//! | level, contact | | as `sump` |
//! | volume, mass | | the reservoir |
//! | humidity | | the room |
//! | other | | the display |
//!
//! Which contacts are floats, which way they work and which lie on the floor is taken from the
//! keeper's file where it says so ([`Facts`]); else a contact in water is a low float (wet is good) where `low`, `min` or `empty` stands in name or
//! topic, else a high float (dry is good).
//! Floats hang where the example config says: 100 mm over and 60 mm under the running level of a
//! sump, 12 mm over and 3 mm under that of an only basin; a float of the display 25 mm over its lip.
//! A level probe whose range does not go below zero measures from the chamber's floor, else from
//! the running level.

use crate::control::ids::ProbeId;
use crate::control::plan::ProbePlan;
use crate::units::Quantity;

use super::physics::Facts;

/// A place of a probe.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Spot {
    /// The water of the display, or of the only basin.
    Display,
    /// The sump; its return chamber for levels.
    Sump,
    /// The room's air.
    Room,
    /// The top-off reservoir.
    Reservoir,
    /// The bin in which new sea water is mixed.
    MixingBin,
    /// The floor below the tank.
    Floor,
    /// The skimmer's cup.
    Cup,
}

/// Which way a float works.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FloatSide {
    /// Wet is the trouble.
    High,
    /// Dry is the trouble.
    Low,
}

/// A probe in its place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fitting {
    /// Where.
    pub spot: Spot,
    /// For a contact that is a float: which way it works.
    pub float: Option<FloatSide>,
    /// For a level: measured from the floor of its chamber and not from the running level.
    pub from_floor: bool,
}

impl Fitting {
    /// The place of a probe: by what its keeper said, else by the rules above.
    pub fn of(id: ProbeId, plan: &ProbePlan, topic: &str, facts: &Facts) -> Self {
        let by_name = Self::by_name(plan, topic);
        let side = match id {
            _ if facts.leaks.contains(&id) => return Self { spot: Spot::Floor, float: None, ..by_name },
            _ if facts.high_floats.contains(&id) => FloatSide::High,
            _ if facts.low_floats.contains(&id) => FloatSide::Low,
            _ => return by_name,
        };
        let spot = if by_name.spot == Spot::Floor { Spot::Sump } else { by_name.spot };
        Self { spot, float: Some(side), ..by_name }
    }

    fn by_name(plan: &ProbePlan, topic: &str) -> Self {
        let (name, place) = (words(&plan.name), words(topic));
        let spot =
            hinted(plan.quantity, &name).or_else(|| hinted(plan.quantity, &place)).unwrap_or(match plan.quantity {
                Quantity::Level | Quantity::Contact => Spot::Sump,
                Quantity::Volume | Quantity::Mass => Spot::Reservoir,
                Quantity::Humidity => Spot::Room,
                _ => Spot::Display,
            });
        let low = [&name, &place].iter().any(|words| has(words, &["low", "min", "empty"]));
        let float = (plan.quantity == Quantity::Contact).then_some(if low { FloatSide::Low } else { FloatSide::High });
        let float = float.filter(|_| !matches!(spot, Spot::Floor | Spot::Cup));
        Self { spot, float, from_floor: plan.quantity == Quantity::Level && plan.least >= 0.0 }
    }
}

fn words(text: &str) -> Vec<String> {
    let parts = text.split(|c: char| !c.is_ascii_alphanumeric()).filter(|word| !word.is_empty());
    parts.map(str::to_ascii_lowercase).collect()
}

fn has(words: &[String], any: &[&str]) -> bool {
    words.iter().any(|word| any.contains(&word.as_str()))
}

fn hinted(quantity: Quantity, words: &[String]) -> Option<Spot> {
    let contact = quantity == Quantity::Contact;
    let rules: [(&[&str], Spot, bool); 7] = [
        (&["leak", "floor", "cabinet", "spill"], Spot::Floor, contact),
        (&["room", "air", "ambient"], Spot::Room, !contact),
        (&["mix", "mixing", "bin"], Spot::MixingBin, true),
        (&["reservoir"], Spot::Reservoir, true),
        (&["cup"], Spot::Cup, contact),
        (&["display"], Spot::Display, true),
        (&["sump", "chamber", "return"], Spot::Sump, true),
    ];
    rules.iter().find(|(hints, _, applies)| *applies && has(words, hints)).map(|(_, spot, _)| *spot)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::plan::Calibration;
    use crate::time::Span;

    fn spot(name: &str, quantity: Quantity, topic: &str) -> (Spot, Option<FloatSide>) {
        let plan = ProbePlan {
            name: name.into(),
            quantity,
            conductivity: None,
            calibration: Calibration::NONE,
            least: -250.0,
            greatest: 250.0,
            stale_after: Span::from_seconds(60),
            fastest: None,
            stuck_after: None,
        };
        let fitting = Fitting::by_name(&plan, topic);
        (fitting.spot, fitting.float)
    }

    #[test]
    fn the_probes_of_the_example_sit_where_their_names_say() {
        use {FloatSide::*, Quantity::*, Spot::*};
        for (name, quantity, topic, expected) in [
            ("display-temp", Temperature, "lagoon/display/climate", (Display, None)),
            ("sump-temp", Temperature, "lagoon/sump/temp", (Sump, None)),
            ("water-temp", Temperature, "quarantine/temp", (Display, None)),
            ("room-temp", Temperature, "room/climate", (Room, None)),
            ("sump-level", Level, "lagoon/sump/level", (Sump, None)),
            ("high-float", Contact, "lagoon/sump/float-high", (Sump, Some(High))),
            ("low-float", Contact, "quarantine/float-low", (Sump, Some(Low))),
            ("floor-leak", Contact, "room/floor-leak", (Floor, None)),
            ("salinity", Salinity, "lagoon/display/salinity", (Display, None)),
            ("return-flow", Flow, "lagoon/return/flow", (Sump, None)),
            ("bin-temp", Temperature, "room/bin/temp", (MixingBin, None)),
            ("bin-temp", Temperature, "mixing/temp", (MixingBin, None)),
        ] {
            assert_eq!(spot(name, quantity, topic), expected, "{name} on {topic}");
        }
    }
}

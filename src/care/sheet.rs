//! The printed sheet for whoever looks after the tank: what to look at, three things to do, whom to call. Markdown.

use std::fmt::Write as _;

use crate::time::Wall;

use super::facts::Facts;
use super::plan::Plans;
use super::state::Care;

/// What a person who stands in may do, where the config does not say [common practice, from memory].
const MAY: [&str; 3] = [
    "Feed what stands ready in portions, and nothing more.",
    "Fill the top-off reservoir with the water that stands ready for it, never with salt water.",
    "Wipe up splashed water, and call if there is more than a splash.",
];

/// What to look at, where the config does not say.
const LOOK: [&str; 4] = [
    "The animals: all there, breathing calmly, none at the surface gasping.",
    "The water moves at the surface, and the pumps hum as usual.",
    "The floor and the stand are dry.",
    "There is water in the top-off reservoir.",
];

impl Care {
    /// The sheet of a tank.
    pub fn sheet(&self, tank: &str, plans: &Plans, facts: &Facts, now: Wall) -> String {
        let Some(plan) = plans.tanks.get(tank) else { return String::new() };
        let mut out = String::new();
        let day = plan.zone.calendar_day(now);
        let _ = writeln!(out, "# {}\n", plan.title);
        if let Some((from, until)) = self.away(tank, plan.zone, now) {
            let _ = writeln!(out, "The keeper is away from {from} until {until}.");
        }
        let _ = writeln!(out, "As of {day}.\n");
        let _ = writeln!(
            out,
            "**Mains and salt water.** Never reach into the water or touch a wet plug. If something smells burnt, sparks, or stands in water: leave it, switch the circuit off at the fuse box if that is dry and safe, and call.\n"
        );
        let _ = writeln!(out, "## Look, once a day\n");
        let look: Vec<&str> = if plan.sitter.look.is_empty() {
            LOOK.to_vec()
        } else {
            plan.sitter.look.iter().map(String::as_str).collect()
        };
        for line in look {
            let _ = writeln!(out, "- [ ] {line}");
        }
        if let Some(target) = plan.target {
            let _ = writeln!(
                out,
                "- [ ] The thermometer: {target:.1} °C ({:.1} °F); call below {:.1} °C or above {:.1} °C.",
                target * 1.8 + 32.0,
                target - 1.5,
                target + 1.5
            );
        }
        let _ = writeln!(out, "\n## You may do these three things\n");
        let may: Vec<&str> = if plan.sitter.may.is_empty() {
            MAY.to_vec()
        } else {
            plan.sitter.may.iter().map(String::as_str).collect()
        };
        for (number, line) in may.iter().enumerate() {
            let _ = writeln!(out, "{}. {line}", number + 1);
        }
        let _ = writeln!(
            out,
            "\nNothing else, however well meant: no plug, no dose, no water, no net. Most things can wait for a call.\n"
        );
        let _ = writeln!(out, "## Call\n");
        if plan.sitter.call.is_empty() {
            let _ = writeln!(out, "- ______________________ (write a name and a number here)");
        }
        for line in &plan.sitter.call {
            let _ = writeln!(out, "- {line}");
        }
        let supplies = self.supplies(tank, plans, facts, now);
        if !supplies.is_empty() {
            let _ = writeln!(out, "\n## What runs out\n\n| what | left | empty on |\n| --- | --- | --- |");
            for supply in supplies {
                let left = supply.left.unwrap_or_else(|| "not known".to_owned());
                let empty =
                    supply.empty_on.or(supply.due_on).map_or_else(|| "not known".to_owned(), |day| day.to_string());
                let _ = writeln!(out, "| {} | {left} | {empty} |", supply.supply);
            }
        }
        out
    }
}

//! Interlocks, the water change, and the alarms that do not come by themselves: for exactly what is there.
//!
//! The limits are those of the example: a cut-off one degree over the set point (never over 27.5 °C), 34 psu, the
//! levels that the keeper said. Each interlock says what happens if nobody acts, and what to do.

use crate::control::plan::OutputKind;
use crate::units::Quantity;

use super::super::kinds::Measures;
use super::outputs::{celsius, too_long};
use super::page::Page;
use super::{Tank, or, value};

/// How far over the set point heating ends for good, K. [the example's]
const CUTOFF_ABOVE: f64 = 1.0;
/// The highest cut-off that leaves a margin to harm, °C.
const HIGHEST_CUTOFF: f64 = 27.5;
/// So much of the water gone in two minutes is no wave and no start. [the example's 1.1 L of 92 L]
const GONE: f64 = 1.0 / 80.0;

struct Interlock {
    name: String,
    why: &'static str,
    cause: String,
    off: Vec<String>,
    /// A line such as `latch: always`.
    latch: Option<&'static str>,
    priority: &'static str,
    consequence: &'static str,
    action: &'static str,
}

pub(super) fn write(page: &mut Page, tank: &Tank) {
    let all: Vec<Interlock> =
        heat(tank).into_iter().chain(low_water(tank)).chain(falls(tank)).chain(top_off(tank)).collect();
    if !all.is_empty() {
        page.gap();
        page.note(0, "A cause, and the safe state that it forces. `unknown` says what lost evidence means.");
        page.line(0, "interlocks:");
    }
    for interlock in &all {
        page.line(1, &format!("{}:", interlock.name));
        page.note(2, interlock.why);
        page.line(2, &format!("cause: {}", interlock.cause));
        page.line(2, &format!("effect: {{ off: [{}] }}", interlock.off.join(", ")));
        if let Some(latch) = interlock.latch {
            page.line(2, latch);
        }
        page.line(2, &format!("priority: {}", interlock.priority));
        page.line(2, &format!("consequence: \"{}\"", interlock.consequence));
        page.line(2, &format!("action: \"{}\"", interlock.action));
    }
    hold(page, tank);
    alarms(page, tank);
    supplies(page, tank);
}

fn names(tank: &Tank, kinds: &[OutputKind]) -> Vec<String> {
    kinds.iter().flat_map(|kind| tank.of_kind(*kind)).map(|output| output.name.clone()).collect()
}

fn heat(tank: &Tank) -> Option<Interlock> {
    let heaters = names(tank, &[OutputKind::Heater]);
    let water = tank.water().filter(|_| !heaters.is_empty())?;
    let limit = value(&tank.target, Quantity::Temperature)
        .map_or(HIGHEST_CUTOFF, |target| (target + CUTOFF_ABOVE).min(HIGHEST_CUTOFF));
    Some(Interlock {
        name: "heater-cutoff".to_owned(),
        why: "Each thermometer by itself, no vote. Stays until reset only where the heater did it.",
        cause: format!("{{ any_probe_of: {water}, over: {}, lasting: 10 s, unknown: trips }}", celsius(limit)),
        off: heaters,
        latch: Some("latch: when-proven"),
        priority: "urgent",
        consequence: "If its relay sticks, the heater cooks the tank within hours; while it is off, the tank cools.",
        action: "Feel the water. If it is hot, unplug the heater; look for a relay that stuck.",
    })
}

fn low_water(tank: &Tank) -> Option<Interlock> {
    let heaters = names(tank, &[OutputKind::Heater]);
    if heaters.is_empty() {
        return None;
    }
    let level = tank.first(Measures::Number(Quantity::Level));
    let float = tank.first(Measures::LowFloat);
    let low = or(&tank.heater_needs, "-40 mm").text.unwrap_or_default();
    let by_level = level.map(|level| format!("{{ signal: {level}, under: {low}, deadband: 10 mm, lasting: 5 s }}"));
    // Where the float itself asks for water, dry is its daily life.
    let asks = level.is_none() && tank.named(OutputKind::TopOff).is_some();
    let (dry_for, why) = if asks {
        ("30 min", "The float asks for water, which must be there half an hour later. Hang it well above the heater.")
    } else {
        ("2 s", "A heater in air cracks.")
    };
    let cause = match (by_level, float) {
        (Some(level), Some(float)) => {
            format!("{{ any: [{level}, {{ signal: {float}, is: dry, lasting: {dry_for} }}], unknown: holds }}")
        }
        (Some(level), None) => format!("{}, unknown: holds }}", level.trim_end_matches(" }")),
        (None, Some(float)) => format!("{{ signal: {float}, is: dry, lasting: {dry_for}, unknown: holds }}"),
        (None, None) => return None,
    };
    Some(Interlock {
        name: "low-water".to_owned(),
        why,
        cause,
        off: heaters,
        latch: None,
        priority: "urgent",
        consequence: "A heater in air cracks, and its glass falls into the water.",
        action: "Find where the water went before you add any. Leave a hot heater 15 min before water touches it.",
    })
}

/// Water that leaves the tank, as the level of a return chamber shows it.
fn falls(tank: &Tank) -> Vec<Interlock> {
    let level = tank.first(Measures::Number(Quantity::Level));
    let pump = tank.of_kind(OutputKind::ReturnPump).next();
    let (Some(level), Some(pump)) = (level, pump) else { return Vec::new() };
    let runs = if pump.reports { "proven: on" } else { "is: on" };
    let gone = match (tank.litres(), value(&tank.water_per_mm, Quantity::Volume)) {
        (Some(litres), Some(per_mm)) => (litres * GONE / per_mm).clamp(15.0, 100.0).round(),
        _ => 30.0,
    };
    let needs = value(&or(&tank.return_needs, "-60 mm"), Quantity::Level).unwrap_or(-60.0);
    let name = &pump.name;
    vec![
        Interlock {
            name: "sump-falls".to_owned(),
            why: "Much water gone within two minutes of running: over the display's rim, or out of the tank. A start takes \
                  some too, but ends at the running level.",
            cause: format!(
                "{{ all: [{{ signal: {level}, under: -20 mm }}, {{ signal: {level}, fell: {gone:.0} mm, within: 2 min }}, {{ output: {name}, {runs}, lasting: 3 min }}], lasting: 10 s, unknown: holds }}"
            ),
            off: vec![name.clone()],
            latch: Some("latch: always"),
            priority: "urgent",
            consequence: "More water goes over the rim with every minute of pumping.",
            action: "Look at the weir and at the floor before you reset it.",
        },
        Interlock {
            name: "return-pump-dry".to_owned(),
            why: "Slower than that: a small leak, or nobody replaced what evaporated.",
            cause: format!(
                "{{ signal: {level}, under: {:.0} mm, deadband: 35 mm, lasting: 10 s, unknown: holds }}",
                needs - 35.0
            ),
            off: vec![name.clone()],
            latch: None,
            priority: "urgent",
            consequence: "A pump that runs dry wears out, and nothing heats.",
            action: "Look for a leak or a blocked weir.",
        },
    ]
}

fn top_off(tank: &Tank) -> Vec<Interlock> {
    let pumps = names(tank, &[OutputKind::TopOff]);
    let Some(pump) = tank.of_kind(OutputKind::TopOff).next() else { return Vec::new() };
    let float = tank.first(Measures::HighFloat).map(|float| format!("{{ signal: {float}, is: wet, lasting: 1 s }}"));
    let high = or(&tank.level_high, "110 mm").text.unwrap_or_default();
    let level = tank
        .first(Measures::Number(Quantity::Level))
        .map(|level| format!("{{ signal: {level}, over: {high}, lasting: 1 s }}"));
    let stops: Vec<String> = float.into_iter().chain(level).collect();
    let mut all = Vec::new();
    let mut add = |name: &str, why, cause, latch, priority, [consequence, action]: [&'static str; 2]| {
        let (name, off) = (name.to_owned(), pumps.clone());
        all.push(Interlock { name, why, cause, off, latch, priority, consequence, action });
    };
    let always = Some("latch: always");
    if !stops.is_empty() {
        let cause = match &stops[..] {
            [only] => format!("{}, unknown: trips }}", only.trim_end_matches(" }")),
            _ => format!("{{ any: [{}], unknown: trips }}", stops.join(", ")),
        };
        let words = [
            "Fresh water floods the tank and then the floor, and the salinity falls.",
            "Lift the hose out of the water and look whether the top-off pump still runs.",
        ];
        let why = if tank.named(OutputKind::ReturnPump).is_some() {
            "Higher than what runs back when the return pump stops, lower than the rim."
        } else {
            "Too much water, or nobody can see whether there is."
        };
        add("top-off-high", why, cause, always, "urgent", words);
    }
    let runs = if pump.reports { "proven: on" } else { "is: on" };
    add(
        "top-off-too-long",
        "No run is told for so long, so either the plug does not obey or the daemon itself is wrong.",
        format!("{{ output: {}, {runs}, lasting: {:.0} s, unknown: ignored }}", pump.name, too_long(tank, pump)),
        always,
        "urgent",
        [
            "The reservoir is pumped into the tank until it is empty.",
            "Pull the plug of the top-off pump, and look at the floor and at the water.",
        ],
    );
    if let Some(salinity) = tank.first(Measures::Number(Quantity::Salinity)) {
        add(
            "too-fresh",
            "Fresh water is the last thing that it needs then.",
            format!("{{ signal: {salinity}, under: 34 psu, deadband: 0.3 psu, lasting: 1 min, unknown: ignored }}"),
            None,
            "high",
            [
                "Water that is too fresh harms every animal in it; the top-off waits.",
                "Measure with a second instrument before you correct anything.",
            ],
        );
    }
    if let Some(leak) = tank.first(Measures::Leak) {
        add(
            "floor-wet",
            "Not the return pump: stopping it drains more water down.",
            format!("{{ signal: {leak}, is: wet, lasting: 1 s, unknown: ignored }}"),
            always,
            "urgent",
            [
                "Water and mains meet on the floor, and the tank runs empty.",
                "Pull the plugs of the stand before you step into the water, then find the leak.",
            ],
        );
    }
    all
}

fn hold(page: &mut Page, tank: &Tank) {
    use OutputKind::{Chiller, Doser, Fan, Heater, ReturnPump, Skimmer, TopOff};
    let paused = names(tank, &[TopOff, Doser, Heater, Chiller, Fan, Skimmer, ReturnPump]);
    page.gap();
    page.note(
        0,
        "Procedures that pause outputs. A hold is not isolation: pull the plug before hands go near mains parts. \
         feeding, hands-in, top-view and probe-care come with the daemon, as far as there is something to pause.",
    );
    if paused.is_empty() {
        return;
    }
    page.line(0, "holds:");
    let line = format!("water-change: {{ pause: [{}], limit: 60 min, at_limit: alarm }}", paused.join(", "));
    page.line(1, &line);
}

fn alarms(page: &mut Page, tank: &Tank) {
    let salinity = tank.first(Measures::Number(Quantity::Salinity));
    let ph = tank.first(Measures::Number(Quantity::Ph));
    // A leak probe that stops nothing must at least call.
    let leak = tank.first(Measures::Leak).filter(|_| tank.named(OutputKind::TopOff).is_none());
    page.gap();
    page.note(
        0,
        "Every signal, output, interlock and hold brings its alarms along (`slackwater check` lists them). Others are added \
         here, each with what happens if nobody acts, and what to do.",
    );
    if salinity.is_none() && ph.is_none() && leak.is_none() {
        return;
    }
    page.line(0, "alarms:");
    let mut alarm = |name: &str, when: &str, priority: &str, delay: &str, [consequence, action]: [&str; 2]| {
        page.line(1, &format!("{name}:"));
        page.line(2, &format!("when: {when}"));
        page.line(2, &format!("priority: {priority}"));
        page.line(2, &format!("on_delay: {delay}"));
        page.line(2, &format!("consequence: \"{consequence}\""));
        page.line(2, &format!("action: \"{action}\""));
    };
    if let Some(salinity) = salinity {
        let when = format!("{{ signal: {salinity}, over: 36 psu, deadband: 0.3 psu }}");
        let words = ["The water becomes saltier from day to day.", "Look at the top-off reservoir and at its hose."];
        alarm("salinity-high", &when, "medium", "30 min", words);
        if tank.named(OutputKind::TopOff).is_none() {
            let when = format!("{{ signal: {salinity}, under: 34 psu, deadband: 0.3 psu }}");
            let words =
                ["Water that is too fresh harms every animal in it.", "Measure with a second instrument first."];
            alarm("salinity-low", &when, "high", "30 min", words);
        }
    }
    if let Some(ph) = ph {
        let words =
            ["Animals and plants suffer from a pH outside of its daily swing.", "Air the room; check the probe."];
        // Common practice for a marine tank: about 7.8 at dawn to 8.5 at dusk.
        alarm("ph-low", &format!("{{ signal: {ph}, under: 7.7 }}"), "medium", "1 h", words);
        alarm("ph-high", &format!("{{ signal: {ph}, over: 8.6 }}"), "medium", "1 h", words);
    }
    if let Some(leak) = leak {
        let words =
            ["Water and mains meet on the floor.", "Pull the plugs of the stand before you step into the water."];
        alarm("floor-wet", &format!("{{ signal: {leak}, is: wet }}"), "urgent", "1 s", words);
    }
}

fn supplies(page: &mut Page, tank: &Tank) {
    let Some(pump) = tank.of_kind(OutputKind::TopOff).next() else { return };
    let Some(reservoir) = pump.reservoir.as_ref().and_then(|entry| entry.text.as_ref()) else { return };
    page.gap();
    page.note(
        0,
        "What runs out. `slackwater refill reservoir` each time you fill it; days left are told from then on.",
    );
    page.line(0, "supplies:");
    page.line(1, &format!("reservoir: {{ holds: {reservoir}, metered_by: {} }}", pump.name));
}

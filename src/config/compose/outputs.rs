//! Outputs with their plugs, the temperature loop, the top-off, the light's hours.

use crate::control::plan::OutputKind;
use crate::units::{Amount, Quantity};

use super::super::kinds::Measures;
use super::page::{Entry, Page};
use super::{Tank, or, value};

/// One output.
#[derive(Clone, Debug, PartialEq)]
pub struct Output {
    /// Its name in the file.
    pub name: String,
    /// What it is.
    pub kind: OutputKind,
    /// Whether that is a guess, and why.
    pub check: Option<String>,
    /// Watts on its label.
    pub rating: Option<Entry>,
    /// What a pump adds in a time.
    pub delivers: Option<Entry>,
    /// What a top-off pump can empty.
    pub reservoir: Option<Entry>,
    /// Its plug.
    pub plug: Plug,
    /// What the plug does after a power cut: `on` or `off`.
    pub boots: Option<Entry>,
    /// Whether the plug ends by itself what is not refreshed.
    pub leased: bool,
    /// Whether the plug says what it did.
    pub reports: bool,
}

/// How a plug is written.
#[derive(Clone, Debug, PartialEq)]
pub enum Plug {
    /// As a style of `shared.yaml`, here.
    Like {
        /// The style.
        style: String,
        /// The common beginning of its topics.
        at: String,
    },
    /// Written out.
    Own(Box<PlugParts>),
}

/// The parts of a plug, each as YAML; what is `None` is not there.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PlugParts {
    /// How it is switched.
    pub command: Entry,
    /// What it says of itself.
    pub report: Option<Entry>,
    /// What it draws.
    pub meter: Option<Entry>,
    /// Whether it is there.
    pub alive: Option<Entry>,
    /// How long it has been up.
    pub uptime: Option<Entry>,
    /// How it lets go by itself.
    pub lease: Option<Entry>,
}

impl PlugParts {
    pub(super) fn write(&self, page: &mut Page, depth: usize) {
        page.entry(depth, "command", &self.command);
        for (key, part) in [
            ("report", &self.report),
            ("meter", &self.meter),
            ("alive", &self.alive),
            ("uptime", &self.uptime),
            ("lease", &self.lease),
        ] {
            if let Some(part) = part {
                page.entry(depth, key, part);
            }
        }
    }
}

pub(super) fn write(page: &mut Page, tank: &Tank) {
    if tank.outputs.is_empty() {
        page.gap();
        page.note(0, "No output is known: this tank is watched, and nothing is switched.");
        return;
    }
    page.gap();
    page.line(0, "outputs:");
    for output in &tank.outputs {
        one(page, tank, output);
    }
    temperature(page, tank);
    top_off(page, tank);
    rules(page, tank);
    if let Some(light) = tank.named(OutputKind::Light) {
        page.gap();
        page.line(0, "schedules:");
        page.entry(1, light, &or(&tank.light_hours, "[10:00-20:00]"));
    }
}

fn one(page: &mut Page, tank: &Tank, output: &Output) {
    page.line(1, &format!("{}:", output.name));
    page.entry(2, "kind", &Entry { text: Some(output.kind.word().to_owned()), check: output.check.clone() });
    for (key, part) in [("rating", &output.rating), ("delivers", &output.delivers), ("reservoir", &output.reservoir)] {
        if let Some(part) = part {
            page.entry(2, key, part);
        }
    }
    if output.kind == OutputKind::Skimmer {
        page.line(2, "rest: on");
    }
    page.line(2, "plug:");
    match &output.plug {
        Plug::Like { style, at } => {
            page.line(3, &format!("like: {style}"));
            page.line(3, &format!("at: {}", super::scalar(at)));
        }
        Plug::Own(parts) => parts.write(page, 3),
    }
    if output.kind == OutputKind::TopOff && !output.leased && matches!(output.plug, Plug::Like { .. }) {
        page.note(3, "This plug cannot turn itself off: if all else fails, the whole reservoir goes in.");
        page.line(3, "lease: none");
    }
    if let Some(seconds) = short_lease(tank, output) {
        page.note(3, "Shorter than usual, so that the longest run and what a dead daemon leaves running fit into a day's budget.");
        page.line(3, &format!("lease: {{ lasts: {seconds:.0} s }}"));
    }
    if let Some(boots) = &output.boots {
        page.entry(3, "boots", boots);
    }
}

/// What a day's budget leaves for the lease of a top-off pump, s, where that is less than usual.
fn short_lease(tank: &Tank, output: &Output) -> Option<f64> {
    if output.kind != OutputKind::TopOff || !output.leased || matches!(output.plug, Plug::Own(_)) {
        return None;
    }
    let per_second = per_second(output)?;
    let run = longest_run(tank, output)? * per_second;
    let day = tank.litres()? * DAY_PART;
    let budget = if tank.first(Measures::Number(Quantity::Salinity)).is_some() { day / 2.0 } else { day };
    let seconds = ((budget - run) / per_second).floor() - 1.0;
    (LEAST_LEASE..USUAL_LEASE).contains(&seconds).then_some(seconds)
}

/// What a pump delivers, L/s.
fn per_second(pump: &Output) -> Option<f64> {
    Some(value(pump.delivers.as_ref()?, Quantity::Flow)? / 60.0)
}

/// How long the longest run of a top-off lasts, s, as the config reckons it.
fn longest_run(tank: &Tank, pump: &Output) -> Option<f64> {
    let per_second = per_second(pump)?;
    if tank.first(Measures::Number(Quantity::Level)).is_none() {
        return Some((value(&tank.run, Quantity::Volume)? / per_second).ceil() + 1.0);
    }
    let per_mm = value(&tank.water_per_mm, Quantity::Volume)?;
    let expected = (start_mm(tank.litres()?, per_mm, per_second) * per_mm / per_second).ceil();
    Some(if expected > LONGEST_BY_LEVEL { expected } else { (2.0 * expected).min(LONGEST_BY_LEVEL) })
}

/// The config's own start of a run, mm below the running level.
fn usual_mm(litres: f64, per_mm: f64) -> f64 {
    (litres / 600.0 / per_mm).clamp(LEAST_MM, 15.0)
}

/// Where a run begins, mm below the running level: a slow pump gets a smaller run.
fn start_mm(litres: f64, per_mm: f64, per_second: f64) -> f64 {
    let usual = usual_mm(litres, per_mm);
    if usual * per_mm / per_second <= LONGEST_BY_LEVEL {
        return usual;
    }
    ((RUN * per_second / per_mm * 10.0).floor() / 10.0).max(LEAST_MM)
}

fn temperature(page: &mut Page, tank: &Tank) {
    let one = |kind: OutputKind| tank.named(kind).map(|name| format!("  {}: {name}", kind.word()));
    let heats = one(OutputKind::Heater);
    // One thing cools: the stronger one.
    let cools = one(OutputKind::Chiller).or_else(|| one(OutputKind::Fan));
    let (Some(water), true) = (tank.water(), heats.is_some() || cools.is_some()) else { return };
    page.gap();
    page.note(0, "The heater works below the set point, fan or chiller from one degree above it. Never both.");
    page.line(0, "temperature:");
    page.line(1, &format!("signal: {water}"));
    page.entry(1, "target", &tank.target);
    page.line(1, "band: 0.3 °C");
    for line in heats.into_iter().chain(cools) {
        page.line(0, &line);
    }
}

/// What a top-off's plug stays on by itself if nobody says otherwise, s.
const USUAL_LEASE: f64 = 30.0;
/// Shorter ones are lost to a second of radio, s.
const LEAST_LEASE: f64 = 6.0;
/// Fresh water of a day as a part of the water: 35 psu to 34.05.
const DAY_PART: f64 = 35.0 / 34.05 - 1.0;
/// A minute needs no word in the config.
const LONGEST_BY_LEVEL: f64 = 60.0;
/// A run in less is in a level probe's noise, mm.
const LEAST_MM: f64 = 3.0;
/// A run that is made shorter on purpose, s.
const RUN: f64 = 50.0;

fn top_off(page: &mut Page, tank: &Tank) {
    let Some(pump) = tank.of_kind(OutputKind::TopOff).next() else { return };
    let level = tank.first(Measures::Number(Quantity::Level));
    let Some(signal) = level.or_else(|| tank.first(Measures::LowFloat)) else {
        page.gap();
        page.note(
            0,
            "The top-off pump has neither a level probe nor a low float: nothing tells when water is missing.",
        );
        return;
    };
    page.gap();
    page.note(
        0,
        "Evaporated water comes back in short runs, each judged by what it should do. No answer twice, and the pump stays \
         off until somebody looks. In a day it gives what takes 35 psu to 34 at most.",
    );
    page.line(0, "top_off:");
    page.line(1, &format!("{}:", pump.name));
    page.line(2, &format!("signal: {signal}"));
    let longest = longest_run(tank, pump);
    if level.is_some() {
        page.entry(2, "water_per_mm", &tank.water_per_mm);
        start_below(page, tank, pump);
    } else {
        page.entry(2, "run", &tank.run);
    }
    if let Some(longest) = longest.filter(|longest| level.is_none() || *longest > LONGEST_BY_LEVEL) {
        page.line(2, &format!("longest: {longest:.0} s   # at what the pump delivers"));
    }
    let run = longest.zip(per_second(pump)).map(|(longest, per_second)| longest * per_second);
    let hour = tank.litres().map(|litres| litres * DAY_PART / 4.0);
    if let (Some(run), Some(hour)) = (run, hour)
        && run > hour
    {
        page.line(2, &format!("per_hour: {:.2} L   # the longest run", (run * 100.0).ceil() / 100.0 + 0.01));
    }
    if let Some(salinity) = tank.first(Measures::Number(Quantity::Salinity)) {
        page.line(2, &format!("salinity: {{ signal: {salinity}, over: 34 psu }}"));
    }
}

/// Written where a pump is so slow that its usual run would take more than a minute.
fn start_below(page: &mut Page, tank: &Tank, pump: &Output) {
    let (Some(litres), Some(per_mm), Some(per_second)) =
        (tank.litres(), value(&tank.water_per_mm, Quantity::Volume), per_second(pump))
    else {
        return;
    };
    let mm = start_mm(litres, per_mm, per_second);
    if mm < usual_mm(litres, per_mm) {
        page.line(2, &format!("start_below: -{mm:.1} mm   # a slow pump: small runs"));
    }
}

/// How long no run of the top-off lasts, s; beyond it the plug does not obey. [PICK: the longest run and half a minute,
/// or a minute and a half where a plug may take longer to be told]
pub(super) fn too_long(tank: &Tank, pump: &Output) -> f64 {
    let longest = longest_run(tank, pump).unwrap_or(300.0);
    if tank.first(Measures::Number(Quantity::Level)).is_some() {
        return longest.max(LONGEST_BY_LEVEL) + 30.0;
    }
    longest + 90.0
}

fn rules(page: &mut Page, tank: &Tank) {
    let room =
        tank.probes.iter().find(|probe| probe.of_room && probe.measures == Measures::Number(Quantity::Temperature));
    let (Some(room), Some(fan), Some(water)) = (room, tank.named(OutputKind::Fan), tank.water()) else { return };
    let Some(target) = value(&tank.target, Quantity::Temperature) else { return };
    page.gap();
    page.note(
        0,
        "A rule only wishes: interlocks, starts and holds have the last word. Cools early when the room is hot.",
    );
    page.line(0, "rules:");
    page.line(1, "hot-day:");
    page.line(2, "when:");
    page.line(3, "all:");
    let room_limit = celsius(target + 2.0);
    page.line(4, &format!("- {{ signal: {}, over: {room_limit}, deadband: 1 °C, lasting: 10 min }}", room.name));
    page.line(4, &format!("- {{ signal: {water}, over: {}, deadband: 0.3 °C }}", celsius(target + 0.5)));
    page.line(4, "- not: { hold: any }");
    page.line(2, &format!("wish: {{ {fan}: on }}"));
}

/// A temperature as it is written.
pub(super) fn celsius(value: f64) -> String {
    Amount::new(Quantity::Temperature, value).map_or_else(|| format!("{value:.2} °C"), |amount| amount.to_string())
}

//! What harms the water, judged on the simulated truth and never on readings: the one place of its limits.
//!
//! | harm | when | source |
//! | --- | --- | --- |
//! | `too-cold`, `too-warm` | the display outside 22 to 28 °C | the project's rehearsal model for seagrass and seahorses (22.5 to 28 outside double faults) |
//! | `too-fresh`, `too-salty` | more than 2 g/kg from the start | [choice] twice what the top-off may do in a day |
//! | `floor` | more than 10 mL on the floor | the rehearsal model: none; 10 mL are what the arithmetic leaves |
//! | `still` | no pump moves the water for longer than the longest hold | the rehearsal model |
//! | `heater-dry` | a heater works for two looks with the water below it | the low float of the example hangs over the heater: its mark in a sump, 30 mm below it in an only basin |
//! | `top-off-budget` | more out of the reservoir in a day or an hour than the plan's budget and one lease | invariant 2, on the water that really came |
//!
//! A harm has a beginning and an end; what acted on that tank at its beginning stands with it. The limits are those of
//! the model's animals, not of a keeper's: nobody is told by this page what a fish bears.

use std::collections::VecDeque;

use crate::control::TankPlan;
use crate::control::plan::{Fitted, OutputKind};
use crate::time::{Span, Steady};
use crate::units::Quantity;

use super::super::Truth;

/// Lowest and highest temperature of the display, °C.
pub(super) const TEMPERATURE: (f64, f64) = (22.0, 28.0);
/// How far the salinity may be from where it began, g/kg.
pub(super) const SALINITY_BAND: f64 = 2.0;
/// Litres on the floor that are none.
pub(super) const FLOOR: f64 = 0.01;
/// A pump without a lease may run on for so long after its off: the time a command takes at most.
const NO_LEASE: Span = Span::from_seconds(30);
/// The simulator's slack: one physics step of a pump, and the arithmetic, L.
const SLACK: f64 = 0.03;
const DAY: Span = Span::from_hours(24);
const HOUR: Span = Span::from_hours(1);

/// A kind of harm.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Harm {
    /// The display is too cold.
    TooCold,
    /// The display is too warm.
    TooWarm,
    /// The salinity is too low.
    TooFresh,
    /// The salinity is too high.
    TooSalty,
    /// Water on the floor.
    Floor,
    /// No pump moves the water.
    Still,
    /// A heater works in air.
    HeaterDry,
    /// More fresh water than the budget.
    TopOffBudget,
}

impl Harm {
    /// Every harm, with its word and what a violation of it is about.
    pub const ALL: [(Self, &'static str, &'static str); 8] = [
        (Self::TooCold, "too-cold", "temperature"),
        (Self::TooWarm, "too-warm", "temperature"),
        (Self::TooFresh, "too-fresh", "salinity"),
        (Self::TooSalty, "too-salty", "salinity"),
        (Self::Floor, "floor", "floor"),
        (Self::Still, "still", "flow"),
        (Self::HeaterDry, "heater-dry", "heater"),
        (Self::TopOffBudget, "top-off-budget", "top-off"),
    ];

    /// The harm of a word.
    pub fn of_word(word: &str) -> Option<Self> {
        Self::ALL.iter().find(|(_, own, _)| *own == word).map(|(harm, ..)| *harm)
    }

    fn row(self) -> (&'static str, &'static str) {
        Self::ALL.iter().find(|(harm, ..)| *harm == self).map_or(("", ""), |(_, word, about)| (*word, *about))
    }

    /// Its word.
    pub fn word(self) -> &'static str {
        self.row().0
    }

    /// What a violation of it is about.
    pub(super) fn subject(self) -> &'static str {
        self.row().1
    }
}

/// One fault that acts on a tank.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Acting {
    /// Its kind: `heater welds`.
    pub kind: String,
    /// What its output lacks, or the tank where it is no output's: `no isolator`, `no lease`...
    pub lacks: Vec<&'static str>,
}

/// A harm from its beginning to its end.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Harmed {
    /// The tank.
    pub tank: String,
    /// What.
    pub harm: Harm,
    /// Since the start.
    pub from: Span,
    /// Over then; nothing while it goes on.
    pub until: Option<Span>,
    /// What was seen at its beginning.
    pub text: String,
    /// What acted on the tank then.
    pub acting: Vec<Acting>,
}

/// One tank's judge.
#[derive(Debug)]
pub(super) struct Judge {
    first_salinity: Option<f64>,
    still_since: Option<Steady>,
    longest_hold: Span,
    dry_looks: u32,
    dry_below: f64,
    /// Litres out of the reservoir since the start, by time; as old as a day.
    given: VecDeque<(Steady, f64)>,
    budgets: Vec<(Span, f64)>,
    /// What stands now, by the place in the list of harms.
    pub standing: [Option<usize>; Harm::ALL.len()],
}

impl Judge {
    pub fn new(plan: &TankPlan) -> Self {
        let sump = plan.outputs.iter().any(|output| output.kind == OutputKind::ReturnPump);
        let budgets = plan.top_offs.iter().flat_map(|top_off| {
            let lease = plan.outputs[top_off.output.index()].plug.lease.map_or(NO_LEASE, |lease| lease.lasts);
            let more = lease.seconds() * top_off.delivers.litres_per_minute() / 60.0 + SLACK;
            [(DAY, top_off.per_day.litres() + more), (HOUR, top_off.per_hour.litres() + more)]
        });
        Self {
            first_salinity: None,
            still_since: None,
            longest_hold: plan.holds.iter().map(|hold| hold.limit).max().unwrap_or(HOUR),
            dry_looks: 0,
            // mm over the running level; the floats of the simulator hang at -60 and at -3.
            dry_below: if sump { -60.0 } else { -33.0 },
            given: VecDeque::new(),
            budgets: budgets.collect(),
            standing: [None; Harm::ALL.len()],
        }
    }

    /// For how long no pump has moved the water.
    pub fn still(&self, at: Steady) -> Span {
        self.still_since.map_or(Span::ZERO, |since| at.since(since))
    }

    /// What is harmful now, each with what is seen.
    pub fn look(&mut self, plan: &TankPlan, truth: &Truth, at: Steady) -> Vec<(Harm, String)> {
        let mut found = Vec::new();
        let (celsius, salinity, floor) = (truth.display_celsius, truth.salinity, truth.floor_litres);
        let (least, greatest) = TEMPERATURE;
        if !(least..=greatest).contains(&celsius) {
            let harm = if celsius < least { Harm::TooCold } else { Harm::TooWarm };
            found.push((harm, format!("the display was {celsius:.2} °C, outside {least} to {greatest} °C")));
        }
        let first = *self.first_salinity.get_or_insert(salinity);
        if (salinity - first).abs() > SALINITY_BAND {
            let harm = if salinity < first { Harm::TooFresh } else { Harm::TooSalty };
            let text =
                format!("the salinity was {salinity:.2}, more than {SALINITY_BAND} from {first:.2} at the start");
            found.push((harm, text));
        }
        if floor > FLOOR {
            found.push((Harm::Floor, format!("{floor:.2} L were on the floor")));
        }
        let works = |kind: fn(OutputKind) -> bool| {
            plan.outputs.iter().zip(&truth.works).any(|(output, works)| kind(output.kind) && *works)
        };
        let fitted = plan.outputs.iter().any(|output| output.kind.is_life_support());
        let moves = works(OutputKind::is_life_support) || !fitted;
        self.still_since = if moves { None } else { self.still_since.or(Some(at)) };
        if self.still(at) > self.longest_hold {
            let longest = self.longest_hold;
            found.push((Harm::Still, format!("no pump moved the water for more than the longest hold ({longest})")));
        }
        let dry = truth.level < self.dry_below && works(|kind| kind == OutputKind::Heater);
        self.dry_looks = if dry { self.dry_looks + 1 } else { 0 };
        if self.dry_looks >= 2 {
            found.push((Harm::HeaterDry, format!("a heater worked with the water at {:.0} mm, below it", truth.level)));
        }
        found.extend(self.over_budget(truth, at).map(|text| (Harm::TopOffBudget, text)));
        found
    }

    fn over_budget(&mut self, truth: &Truth, at: Steady) -> Option<String> {
        self.given.push_back((at, truth.pumped_litres));
        // One that is older than the longest window stays as its beginning.
        while self.given.get(1).is_some_and(|(then, _)| at.since(*then) >= DAY) {
            self.given.pop_front();
        }
        self.budgets.iter().find_map(|(window, most)| {
            let from = self.given.partition_point(|(then, _)| at.since(*then) > *window);
            let given = truth.pumped_litres - self.given.get(from).map_or(0.0, |(_, litres)| *litres);
            (given > *most).then(|| format!("{given:.2} L came within {window}, and {most:.2} L is the most"))
        })
    }
}

/// What a tank, or one of its outputs, lacks by its config.
pub(super) fn lacks(plan: &TankPlan, output: Option<usize>) -> Vec<&'static str> {
    let outputs = |kind: OutputKind| plan.outputs.iter().filter(move |output| output.kind == kind);
    // Where no output is named, the one that can do the harm counts: the top-off, which alone runs by a lease of seconds.
    let named: Vec<_> = match output {
        Some(place) => vec![&plan.outputs[place]],
        None => outputs(OutputKind::TopOff).collect(),
    };
    let isolated = |name: &str| {
        let stuck = format!("{name}-stuck-on");
        let trip = plan.interlocks.iter().find(|interlock| *interlock.name == *stuck);
        trip.is_some_and(|trip| trip.effects.iter().any(|(output, _)| &*plan.outputs[output.index()].name != name))
    };
    let temperature = plan.thermostat.as_ref().map(|plan| plan.signal);
    let thermometers = temperature.map_or(0, |signal| plan.signals[signal.index()].probes.len());
    let pumps = plan.outputs.iter().filter(|output| output.kind.is_life_support()).count();
    [
        ("alone", true),
        ("no isolator", !named.iter().any(|output| isolated(&output.name))),
        ("no lease", named.iter().any(|output| output.plug.lease.is_none())),
        ("no report", named.iter().any(|output| output.plug.report == Fitted::NotFitted)),
        ("no chiller", outputs(OutputKind::Chiller).next().is_none()),
        ("no other pump", pumps < 2),
        ("only probe", thermometers == 1),
        ("no level probe", !plan.signals.iter().any(|signal| signal.quantity == Quantity::Level)),
    ]
    .into_iter()
    .filter_map(|(word, lacks)| lacks.then_some(word))
    .collect()
}

/// Every word for what a tank, or one of its outputs, can lack.
pub const LACKS: [&str; 8] =
    ["alone", "no isolator", "no lease", "no report", "no chiller", "no other pump", "only probe", "no level probe"];

//! What a simulated tank is made of: sizes, losses and powers, out of the tank's plan where it says so.
//!
//! Sources: the shapes are those of the project's rehearsal model, a 90 L display with a sump of
//! two chambers (65.7 L + 21.3 L net). Everything is scaled from there by the water of the plan:
//! volumes by the ratio, surfaces and losses by its power of two thirds. Watts that the plan does not
//! give are common sizes for such a tank, marked [guess].

use crate::control::TankPlan;
use crate::control::dosing::Adds;
use crate::control::ids::{OutputId, ProbeId};
use crate::control::plan::{OutputKind, OutputPlan};
use crate::units::{Flow, Volume};
use crate::water::chemistry::calcium_per_dkh;

/// kg/L of sea water at 25 °C and 35 g/kg (Millero and Poisson 1981 gives 1.02334).
pub const DENSITY: f64 = 1.0233;
/// J/(kg K) of sea water at 25 °C and 35 g/kg (Millero, Perron and Desnoyers 1973 gives 3993).
pub const HEAT_CAPACITY: f64 = 3993.0;
/// J/(L K): what one litre of sea water takes to warm by one kelvin.
pub const HEAT_PER_LITRE: f64 = DENSITY * HEAT_CAPACITY;
/// J to evaporate one kilogram at 25 °C (steam tables: 2.442e6).
pub const LATENT_HEAT: f64 = 2.44e6;

/// dKH of the water that a tank starts with and that a keeper gives [choice: a usual mix].
pub const SEA_WATER_ALKALINITY: f64 = 8.0;
/// mg/L of calcium in that water [choice: near sea water of 35 g/kg, 0.010282 mol/kg in Millero et al. 2008].
pub const SEA_WATER_CALCIUM: f64 = 420.0;
/// What the animals of the model tank take, dKH a day of its light and dark together (the rehearsal model).
const DAILY_ALKALINITY: f64 = 0.80;
/// The same where nothing gives it back: sea grass, rock and a fish in quarantine [choice].
const UNDOSED_ALKALINITY: f64 = 0.05;
/// How much faster they take it in the light than in the dark (the rehearsal model).
pub const LIGHT_TO_DARK: f64 = 1.6;
/// dKH L in a litre of dosed stock: the rehearsal model's 0.0312 dKH a millilitre in 87 L.
const STOCK_ALKALINITY: f64 = 0.0312 * MODEL_LITRES * 1000.0;

/// mg of calcium in a litre of the calcium part where nothing says its strength: as much as the same volume of the
/// alkaline stock wants [choice: balanced parts].
fn stock_calcium() -> f64 {
    STOCK_ALKALINITY * calcium_per_dkh()
}

/// The water of the model tank that everything is scaled from, L.
const MODEL_LITRES: f64 = 87.0;
const MODEL_DISPLAY: f64 = 65.7;
const MODEL_SUMP: f64 = 21.3;

/// What a keeper says of a tank besides its plan; where nothing is said the model's sizes hold.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Facts {
    /// Net water in the sump.
    pub sump: Option<Volume>,
    /// What the top-off can empty into the tank.
    pub reservoir: Option<Volume>,
    /// What each top-off or doser delivers while it runs.
    pub delivers: Vec<(OutputId, Flow)>,
    /// Contacts that are wet when there is too much water.
    pub high_floats: Vec<ProbeId>,
    /// Contacts that are dry when there is too little water.
    pub low_floats: Vec<ProbeId>,
    /// Contacts on the floor.
    pub leaks: Vec<ProbeId>,
    /// Outputs with the plug upstream of theirs.
    pub isolators: Vec<(OutputId, OutputId)>,
}

/// A simulated tank's make.
#[derive(Clone, Debug)]
pub struct Parameters {
    /// Net water in the display (or the only basin), L.
    pub display_litres: f64,
    /// Its surface, m².
    pub display_area: f64,
    /// Its loss to the room, W/K.
    pub display_loss: f64,
    /// The edge above the lip (or above the usual level of an only basin) over which it floods, m.
    pub display_freeboard: f64,
    /// The sump, where there is a return pump.
    pub sump: Option<Sump>,
    /// Heat in glass and rock of the whole tank, J/K; shared by litres.
    pub structure_heat: f64,
    /// The covered part of all surfaces, 0 to 1; 0.3 gives the model's 1.7 L a day.
    pub cover: f64,
    /// Grams of salt in a kilogram of water at the start, and practical salinity as probes show it.
    pub salinity: f64,
    /// At the start, °C, both bodies.
    pub celsius: f64,
    /// Each output, in the order of the plan.
    pub outputs: Vec<Machine>,
    /// What the animals take, dKH a day.
    pub takes: f64,
    /// What leaves with the skimmer's foam, L/s while it runs and the return pump runs.
    pub skimmate_flow: f64,
    /// The reservoir for the top-off, full at the start, L.
    pub reservoir_litres: f64,
}

/// The sump: a skimmer chamber that spills over a baffle into the return chamber.
#[derive(Clone, Debug)]
pub struct Sump {
    /// Net water in both chambers while the pump runs, L.
    pub litres: f64,
    /// Loss to the room, W/K.
    pub loss: f64,
    /// The skimmer chamber, m².
    pub first_area: f64,
    /// The return chamber, m².
    pub return_area: f64,
    /// Baffle and rim above the floor of the sump, m.
    pub baffle: f64,
    /// The rim above the floor of the sump, m.
    pub rim: f64,
    /// Length of the display's weir and of the baffle, m.
    pub weir: f64,
    /// What the return pump lifts, L/s; 600 L/h.
    pub pump_flow: f64,
    /// Water standing in the return pipe while the pump runs, L.
    pub pipe_litres: f64,
    /// How far below the lip the pipe's outlet draws the display down when the pump stops, m.
    pub siphon_depth: f64,
    /// The pump draws air below this level of the return chamber, m.
    pub intake: f64,
}

/// One output as a machine.
#[derive(Clone, Debug)]
pub struct Machine {
    /// Heater, pump, light...
    pub kind: OutputKind,
    /// Electrical power while running, W.
    pub watts: f64,
    /// What a top-off or dosing pump delivers while running, L/s.
    pub delivers: f64,
    /// dKH L in a litre of it: as its dosing plan says; a doser without one whose name speaks of alkalinity (`alkalinity`,
    /// `alk-part`) gives the model's stock.
    pub alkalinity: f64,
    /// mg of calcium in a litre of it: as much as its partner's alkalinity wants, the model's without a partner.
    pub calcium: f64,
}

impl Parameters {
    /// The make of the tank that a plan describes, with what its keeper says besides.
    ///
    /// A tank with a return pump has a sump (24 % of the water if nobody says); one without is one basin.
    pub fn of(plan: &TankPlan, facts: &Facts) -> Self {
        let has_sump = plan.outputs.iter().any(|output| output.kind == OutputKind::ReturnPump);
        let litres = plan.water.litres().max(1.0);
        let machine = |(index, output): (usize, &OutputPlan)| {
            let said = facts.delivers.iter().find(|(of, _)| of.index() == index);
            // What flows through a plug upstream is drawn by what hangs below.
            let is_upstream = facts.isolators.iter().any(|(_, upstream)| upstream.index() == index);
            Machine {
                kind: output.kind,
                watts: match output.rating {
                    _ if is_upstream => 0.0,
                    Some(rating) => rating.watts(),
                    None => usual_watts(output.kind),
                },
                delivers: said
                    .map_or_else(|| usual_flow(output.kind, litres), |(_, flow)| flow.litres_per_minute() / 60.0),
                alkalinity: alkalinity_of(plan, index),
                calcium: calcium_of(plan, index),
            }
        };
        let outputs = plan.outputs.iter().enumerate().map(machine).collect();
        let sump = facts.sump.map_or(litres * MODEL_SUMP / MODEL_LITRES, crate::units::Volume::litres);
        let sump = if has_sump { sump.min(0.9 * litres) } else { 0.0 };
        let mut make = Self::sized(litres - sump, sump, outputs);
        make.takes = taken(plan);
        make.reservoir_litres = facts.reservoir.map_or(make.reservoir_litres, crate::units::Volume::litres);
        make
    }

    /// The make of a tank with so much net water in display and sump; no sump at 0.
    pub fn sized(display_litres: f64, sump_litres: f64, outputs: Vec<Machine>) -> Self {
        let litres = display_litres + sump_litres;
        let ratio = litres / MODEL_LITRES;
        let surface = (display_litres / MODEL_DISPLAY).powf(2.0 / 3.0);
        Self {
            display_litres,
            display_area: 0.20 * surface,
            display_loss: 6.0 * surface,
            display_freeboard: 0.040,
            sump: (sump_litres > 0.0).then(|| Sump::sized(sump_litres, ratio)),
            structure_heat: 21_000.0 * ratio,
            cover: 0.3,
            salinity: 35.0,
            celsius: 25.0,
            outputs,
            takes: DAILY_ALKALINITY,
            skimmate_flow: 0.05 / 86_400.0 * ratio,
            reservoir_litres: (0.1 * litres).max(2.0),
        }
    }
}

/// dKH that the animals take in a day: a keeper's plan is taken to fit them. Without a plan a pump that gives alkalinity
/// says that the model's animals live here.
fn taken(plan: &TankPlan) -> f64 {
    let planned = plan.dosing.iter().filter_map(|dosing| Some(dosing.per_day * dosing.dkh_per_ml?));
    let planned: f64 = planned.sum();
    let unplanned = |index| plan.dosing.iter().all(|dosing| dosing.output.index() != index);
    if planned > 0.0 {
        planned
    } else if (0..plan.outputs.len()).any(|index| unplanned(index) && alkalinity_of(plan, index) > 0.0) {
        DAILY_ALKALINITY
    } else {
        UNDOSED_ALKALINITY
    }
}

/// dKH L in a litre of what an output doses.
fn alkalinity_of(plan: &TankPlan, index: usize) -> f64 {
    let output = &plan.outputs[index];
    let dosing = plan.dosing.iter().find(|dosing| dosing.output.index() == index);
    match dosing {
        _ if output.kind != OutputKind::Doser => 0.0,
        Some(dosing) => dosing.dkh_per_ml.map_or(0.0, |k| k * 1000.0 * plan.water.litres()),
        None if output.name.contains("alk") => STOCK_ALKALINITY,
        None => 0.0,
    }
}

/// mg of calcium in a litre of what an output doses.
fn calcium_of(plan: &TankPlan, index: usize) -> f64 {
    let dosing = plan.dosing.iter().find(|dosing| dosing.output.index() == index);
    let Some(dosing) = dosing.filter(|dosing| dosing.adds == Adds::Calcium) else { return 0.0 };
    let partner = dosing.partner.map(|partner| alkalinity_of(plan, plan.dosing[partner.index()].output.index()));
    partner.filter(|stock| *stock > 0.0).map_or_else(stock_calcium, |stock| stock * calcium_per_dkh())
}

impl Sump {
    /// A sump of so many litres, below a tank that is `ratio` times the model tank.
    fn sized(litres: f64, ratio: f64) -> Self {
        let surface = (litres / MODEL_SUMP).powf(2.0 / 3.0);
        let length = (litres / MODEL_SUMP).cbrt();
        Self {
            litres,
            loss: 2.0 * surface,
            first_area: 0.0750 * surface,
            return_area: 0.0375 * surface,
            baffle: 0.200 * length,
            rim: 0.350 * length,
            weir: 0.12 * ratio.cbrt(),
            pump_flow: 600.0 / 3600.0 * ratio,
            pipe_litres: 0.5 * ratio,
            siphon_depth: 0.015 * ratio.cbrt(),
            intake: 0.060 * length,
        }
    }
}

/// L/s where nobody says: slow top-off pumps are the rule (0.5 L/min for the model tank), a doser gives 1 mL/s.
fn usual_flow(kind: OutputKind, litres: f64) -> f64 {
    match kind {
        OutputKind::TopOff => 0.5 / 60.0 * (litres / MODEL_LITRES).clamp(0.2, 2.0),
        OutputKind::Doser => 0.001,
        _ => 0.0,
    }
}

/// Watts where the plan names none [guess]: together the pumps give the model's 21 W to the water.
fn usual_watts(kind: OutputKind) -> f64 {
    match kind {
        OutputKind::Heater | OutputKind::Chiller => 100.0,
        OutputKind::Light => 60.0,
        OutputKind::ReturnPump => 10.0,
        OutputKind::Powerhead => 8.0,
        OutputKind::Skimmer => 6.0,
        OutputKind::TopOff | OutputKind::Other => 5.0,
        OutputKind::Fan | OutputKind::Doser => 3.0,
    }
}

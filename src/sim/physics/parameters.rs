//! What a simulated tank is made of: sizes, losses and powers, out of the tank's plan where it says so.
//!
//! Sources: the shapes are those of the project's rehearsal model, a 90 L display with a sump of
//! two chambers (65.7 L + 21.3 L net). Everything is scaled from there by the water of the plan:
//! volumes by the ratio, surfaces and losses by its power of two thirds. Watts that the plan does not
//! give are common sizes for such a tank, marked [guess].

use crate::control::TankPlan;
use crate::control::plan::OutputKind;

/// kg/L of sea water at 25 °C and 35 g/kg (Millero and Poisson 1981 gives 1.02334).
pub const DENSITY: f64 = 1.0233;
/// J/(kg K) of sea water at 25 °C and 35 g/kg (Millero, Perron and Desnoyers 1973 gives 3993).
pub const HEAT_CAPACITY: f64 = 3993.0;
/// J/(L K): what one litre of sea water takes to warm by one kelvin.
pub const HEAT_PER_LITRE: f64 = DENSITY * HEAT_CAPACITY;
/// J to evaporate one kilogram at 25 °C (steam tables: 2.442e6).
pub const LATENT_HEAT: f64 = 2.44e6;

/// The water of the model tank that everything is scaled from, L.
const MODEL_LITRES: f64 = 87.0;
const MODEL_DISPLAY: f64 = 65.7;
const MODEL_SUMP: f64 = 21.3;

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
    /// What the top-off pump lifts, L/s; slow pumps are the rule (0.5 L/min).
    pub topoff_flow: f64,
    /// What leaves with the skimmer's foam, L/s while it runs and the return pump runs.
    pub skimmate_flow: f64,
    /// What a doser gives, L/s.
    pub dose_flow: f64,
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
}

impl Parameters {
    /// The make of the tank that a plan describes.
    ///
    /// A tank with a return pump has a sump (76 % and 24 % of the water); one without is one basin.
    pub fn of(plan: &TankPlan) -> Self {
        let has_sump = plan.outputs.iter().any(|output| output.kind == OutputKind::ReturnPump);
        let outputs = plan
            .outputs
            .iter()
            .map(|output| Machine {
                kind: output.kind,
                watts: output.rating.map_or_else(|| usual_watts(output.kind), crate::units::Power::watts),
            })
            .collect();
        Self::sized(plan.water.litres().max(1.0), has_sump, outputs)
    }

    /// The make of a tank with so much net water.
    pub fn sized(litres: f64, has_sump: bool, outputs: Vec<Machine>) -> Self {
        let ratio = litres / MODEL_LITRES;
        let display_litres = if has_sump { MODEL_DISPLAY * ratio } else { litres };
        let surface = (display_litres / MODEL_DISPLAY).powf(2.0 / 3.0);
        Self {
            display_litres,
            display_area: 0.20 * surface,
            display_loss: 6.0 * surface,
            display_freeboard: 0.040,
            sump: has_sump.then(|| Sump::sized(ratio)),
            structure_heat: 21_000.0 * ratio,
            cover: 0.3,
            salinity: 35.0,
            celsius: 25.0,
            outputs,
            topoff_flow: 0.5 / 60.0 * ratio.clamp(0.2, 2.0),
            skimmate_flow: 0.05 / 86_400.0 * ratio,
            dose_flow: 0.001,
            reservoir_litres: (0.1 * litres).max(2.0),
        }
    }
}

impl Sump {
    fn sized(ratio: f64) -> Self {
        let surface = ratio.powf(2.0 / 3.0);
        let length = ratio.cbrt();
        Self {
            litres: MODEL_SUMP * ratio,
            loss: 2.0 * surface,
            first_area: 0.0750 * surface,
            return_area: 0.0375 * surface,
            baffle: 0.200 * length,
            rim: 0.350 * length,
            weir: 0.12 * length,
            pump_flow: 600.0 / 3600.0 * ratio,
            pipe_litres: 0.5 * ratio,
            siphon_depth: 0.015 * length,
            intake: 0.060 * length,
        }
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

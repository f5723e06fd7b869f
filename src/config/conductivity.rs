//! A probe that sends a conductivity and measures salinity: which temperature, which compensation, and
//! the calibration by one or two reference solutions.
//!
//! ```yaml
//! salinity:
//!   measures: salinity
//!   topic: lagoon/display/conductivity
//!   unit: mS/cm
//!   conductivity:
//!     temperature: water-temp
//!     compensated: none            # or `seawater`, or a coefficient such as `2 %/°C`
//!     calibration: [{ reads: 51.9 mS/cm, at: 24.8 °C, in: 35 psu }]
//! ```

use crate::control::ids::SignalId;
use crate::control::plan::ConductivityPlan;
use crate::units::{Conductivity, PracticalSalinity, Quantity, Temperature, TemperatureCoefficient};
use crate::water::salinity_probe::{Calibration, Compensation, Reference, ReferenceReading};

use super::kinds::Measures;
use super::probe::Probe;
use super::read::{Fields, Item};
use super::scope::Scope;

/// Reads every `conductivity` of the tank's own probes into their plans.
pub(super) fn read(fields: &Fields, probes: &mut [Probe], scope: &Scope) {
    for (name, item) in fields.get("probes").map(|item| item.pairs()).unwrap_or_default() {
        let Some(probe) = probes.iter_mut().find(|probe| *probe.plan.name == *name) else { continue };
        if probe.measures == Some(Measures::Number(Quantity::Salinity))
            && let Some(item) = item.child_of_map("conductivity")
        {
            probe.plan.conductivity = plan(&item, scope);
        }
    }
}

fn plan(item: &Item, scope: &Scope) -> Option<ConductivityPlan> {
    let fields = item.fields(&["temperature", "compensated", "calibration"])?;
    let temperature = fields.need("temperature", "water-temp").and_then(|item| temperature(&item, scope));
    let compensation = fields.need("compensated", "none").and_then(|item| compensation(&item));
    let points = fields.get("calibration").map(|item| item.list()).unwrap_or_default();
    let calibration = calibration(item, &points, compensation?);
    Some(ConductivityPlan { temperature: temperature?, compensation: compensation?, calibration: calibration? })
}

fn temperature(item: &Item, scope: &Scope) -> Option<SignalId> {
    let at = item.one_of("signal", &scope.signals)?;
    if scope.signals[at].measures != Some(Measures::Number(Quantity::Temperature)) {
        item.wrong(format!(
            "`{}` is not a temperature\nname the thermometer of the same water",
            scope.signals[at].name
        ));
        return None;
    }
    Some(SignalId::new(at))
}

fn compensation(item: &Item) -> Option<Compensation> {
    let text = item.text()?;
    match text {
        "none" => Some(Compensation::Uncompensated),
        "seawater" => Some(Compensation::Seawater),
        coefficient => match coefficient.parse::<TemperatureCoefficient>() {
            Ok(coefficient) => Some(Compensation::Linear(coefficient)),
            Err(error) => {
                let error = error.to_string();
                let what = error.lines().next().unwrap_or_default();
                item.wrong(format!(
                    "{what}\nwrite `none` if the probe sends the plain conductivity, `seawater` if it sends it at 25 °C, or \
                     the probe's coefficient such as `2 %/°C`"
                ));
                None
            }
        },
    }
}

fn calibration(item: &Item, points: &[Item], compensation: Compensation) -> Option<Calibration> {
    let readings: Vec<Option<ReferenceReading>> = points.iter().map(point).collect();
    let readings: Vec<ReferenceReading> = readings.into_iter().collect::<Option<_>>()?;
    let made = match readings.as_slice() {
        [] => return Some(Calibration::NONE),
        [one] => Calibration::one_point(one, compensation),
        [first, second] => Calibration::two_point(first, second, compensation),
        more => {
            points[2].wrong(format!("{} reference solutions\nwrite one or two", more.len()));
            return None;
        }
    };
    made.map_err(|error| points.first().unwrap_or(item).wrong(error.to_string())).ok()
}

fn point(item: &Item) -> Option<ReferenceReading> {
    let fields = item.fields(&["reads", "at", "in"])?;
    let reads = fields.need("reads", "51.9 mS/cm").and_then(|item| item.parsed::<Conductivity>());
    let at = fields.need("at", "24.8 °C").and_then(|item| item.parsed::<Temperature>());
    let reference = fields.need("in", "35 psu").and_then(|item| reference(&item));
    Some(ReferenceReading { reading: reads?, temperature: at?, reference: reference? })
}

/// What the solution is: seawater by its salinity, or anything by what it conducts at that temperature.
fn reference(item: &Item) -> Option<Reference> {
    let text = item.text()?;
    if let Ok(conducts) = text.parse::<Conductivity>() {
        return Some(Reference::AsIs(conducts));
    }
    item.parsed::<PracticalSalinity>().map(Reference::Salinity)
}

//! A dosing plan in words, for `check`: the plan with its limits, and what to think about.

use crate::control::plan::dosing::DosingPlan;
use crate::control::plan::{Fitted, OutputKind, TankPlan};

use super::super::advice::Warning;
use super::super::setup::TankSetup;

/// What each pump is to do: its name and a sentence.
pub(in crate::config) fn lines(plan: &TankPlan) -> Vec<(String, String)> {
    plan.dosing
        .iter()
        .map(|dosing| (plan.outputs[dosing.output.index()].name.to_string(), line(plan, dosing)))
        .collect()
}

fn line(plan: &TankPlan, dosing: &DosingPlan) -> String {
    let raises = |ml: f64| dosing.dkh_per_ml.map_or(String::new(), |k| format!(" ({:.3} dKH)", ml * k));
    let share = |least: f64, pick: fn(f64, f64) -> f64| dosing.slots.iter().map(|slot| slot.share).fold(least, pick);
    let (least, greatest) = (share(1.0, f64::min) * dosing.per_day, share(0.0, f64::max) * dosing.per_day);
    let dose = if greatest - least > 0.005 { format!("{least:.2} to {greatest:.2}") } else { format!("{greatest:.2}") };
    let clock = |seconds: u32| format!("{:02}:{:02}", seconds / 3600, seconds / 60 % 60);
    let first: Vec<String> = dosing.slots.iter().take(2).map(|slot| clock(slot.at)).collect();
    let partner = dosing.partner.map_or(String::new(), |partner| {
        let name = &plan.outputs[plan.dosing[partner.index()].output.index()].name;
        format!("; with {name}, which it never leaves more than a day behind")
    });
    format!(
        "{}, {:.1} mL/d{} in {} slots a day ({}, ...): {dose} mL a dose{}, {:.0} s, told once with a countdown of its own; \
         at most 125 % a slot, {:.1} mL in an hour, {:.1} mL and 120 % of the plan in 24 h{}; {} from any other dose; \
         missed doses are made up for to a quarter of a day's; container {:.0} mL{partner}",
        dosing.adds.word(),
        dosing.per_day,
        raises(dosing.per_day),
        dosing.slots.len(),
        first.join(", "),
        raises(greatest),
        greatest / dosing.delivers * 60.0,
        dosing.most_per_hour,
        dosing.most_per_day,
        raises(dosing.most_per_day),
        dosing.apart,
        dosing.container,
    )
}

/// What to think about.
pub(in crate::config) fn warnings(tank: &TankSetup) -> Vec<Warning> {
    let plan = &tank.plan;
    let mut found = Vec::new();
    for dosing in &plan.dosing {
        let output = &plan.outputs[dosing.output.index()];
        let mut warn = |text: String| found.push(Warning { about: output.name.to_string(), text });
        if !output.permissives.iter().any(|need| &*need.name == "flow-proven") {
            warn("nothing proves that the water flows, so a dose may go into still water; fit a flow meter or a plug with report or meter for the return pump".to_owned());
        }
        if dosing.adds.raises_ph() && !output.permissives.iter().any(|need| &*need.name == "ph-low-enough") {
            warn(format!(
                "no pH probe is asked before {} raises the pH; write `ph: {{ signal: ph }}` if there is one",
                dosing.adds.word()
            ));
        }
        if output.plug.report == Fitted::NotFitted {
            warn("its plug cannot prove a dose: each one counts as given, and only its own countdown stops a pump that no longer listens".to_owned());
        }
        if let Some(k) = dosing.dkh_per_ml
            && dosing.container * k > 1.0
        {
            warn(format!(
                "if its container siphons empty the tank rises by {:.1} dKH; keep the hose's end above the water",
                dosing.container * k
            ));
        }
        let metered = |supply: &&crate::care::SupplyPlan| {
            let mut outputs = supply.outputs_of(&plan.name);
            outputs.next() == Some(&*output.name) && outputs.next().is_none()
        };
        if let Some(supply) = tank.care.supplies.iter().find(metered)
            && (supply.holds.value() * 1000.0 - dosing.container).abs() > 0.01 * dosing.container
        {
            warn(format!(
                "supply `{}` holds {}, and the container here {:.0} mL; they are the same thing, so write the same volume",
                supply.name, supply.holds, dosing.container
            ));
        }
        if let Some(partner) = dosing.partner {
            let other = &plan.dosing[partner.index()];
            if (other.per_day - dosing.per_day).abs() > 0.2 * dosing.per_day.max(other.per_day) {
                warn(
                    "its plan and its partner's differ by more than a fifth: balanced parts take the same mL"
                        .to_owned(),
                );
            }
        }
    }
    for output in plan.outputs.iter().filter(|output| output.kind == OutputKind::Doser) {
        if !plan.dosing.iter().any(|dosing| plan.outputs[dosing.output.index()].name == output.name) {
            found.push(Warning {
                about: output.name.to_string(),
                text: "nothing doses it: it has no plan under `dosing`".to_owned(),
            });
        }
    }
    found
}

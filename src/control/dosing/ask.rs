//! What a keeper asks of a dosing pump: calibrate it, tell its container, propose and approve a change of its plan.

use crate::control::effect::{Answer, Durability, Effect, JournalKind};
use crate::control::ids::DoserId;
use crate::control::plan::Switch;
use crate::control::requests::{done, refused, unknown};
use crate::control::tank::Tank;
use crate::time::Wall;

use super::{Doser, book, proposal, slots};

/// A test result with its day.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GivenTest {
    /// Days since any start.
    pub day: f64,
    /// dKH.
    pub dkh: f64,
}

/// A water change between tests.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GivenChange {
    /// Days since the same start.
    pub day: f64,
    /// Litres changed.
    pub litres: f64,
    /// dKH of the new water.
    pub dkh: f64,
}

/// A dose by hand between tests, of the stock that the pump doses.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GivenDose {
    /// Days since the same start.
    pub day: f64,
    /// mL.
    pub ml: f64,
}

/// What can be asked about a dosing pump.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DoseAsk {
    /// Run it for a minute into a cylinder.
    Calibrate,
    /// The cylinder holds so many mL.
    Measured(f64),
    /// Forget the cylinders of a calibration; what ran counts as dosed.
    Discard,
    /// Its container was filled, to so many mL or to the brim.
    Refill(Option<f64>),
    /// Its container holds so many mL, by eye.
    Left(f64),
    /// Reckon a change of the plan from tests.
    Propose {
        /// Test results; two or more.
        tests: Vec<GivenTest>,
        /// Standard deviation of one test, dKH.
        test_sd: f64,
        /// The wanted alkalinity, dKH; what is there is kept if not given.
        #[serde(default)]
        target: Option<f64>,
        /// The moment of day 0: then what was really given counts, and not the plan in force.
        #[serde(default)]
        since: Option<Wall>,
        /// Water changes between the tests.
        #[serde(default)]
        changes: Vec<GivenChange>,
        /// Doses by hand between the tests.
        #[serde(default)]
        by_hand: Vec<GivenDose>,
    },
    /// Put the proposed change in force.
    Approve,
    /// Drop the proposed change.
    Decline,
    /// The clock is right, or the water was tested: begin anew with the next slot, nothing owed.
    Resume,
}

/// Why no force turns it on.
pub(in crate::control) fn no_force(name: &str) -> Answer {
    refused(
        format!("{name} stays off"),
        vec![format!(
            "only its dosing turns it on, each dose once and by the plug's own countdown; `slackwater dose calibrate {name}` runs it for a minute"
        )],
    )
}

impl Tank {
    pub(in crate::control) fn ask_dose(
        &mut self,
        by: &str,
        name: &str,
        what: DoseAsk,
        effects: &mut Vec<Effect>,
    ) -> Result<Answer, Answer> {
        let Some(id) = self.plan.output(name).and_then(|output| self.doser_of(output)) else {
            let pumps = self.plan.dosing.iter().map(|plan| &self.plan.outputs[plan.output.index()].name);
            return Err(unknown("dosing pump", name, pumps));
        };
        let index = id.index();
        if what == DoseAsk::Calibrate {
            self.ask_calibrate(index, name)?;
        }
        let (plan, now, damaged) = (&self.plan.dosing[index], self.now, self.damaged);
        let slot = slots::current(plan, self.plan.zone, now.wall);
        let live = &mut self.dosers[index];
        let text = match what {
            DoseAsk::Calibrate => {
                live.cylinder_asked = true;
                format!(
                    "{name} runs for a minute now: its hose belongs into a cylinder, about {:.1} mL; then `slackwater dose measured {name} \"5.1 mL\"`",
                    live.book.rate
                )
            }
            DoseAsk::Measured(ml) => {
                let said = live.book.measured(ml, now.wall);
                if !live.book.to_measure && !damaged {
                    // It went into the cylinder, so the tank did not get it.
                    live.ledger.forget_assumed();
                }
                self.unsaved = true;
                said.map_err(|why| refused("the calibration is not done", lines(&why)))?
            }
            DoseAsk::Discard => {
                live.book.cylinders.clear();
                live.book.to_measure = false;
                format!("the calibration of {name} is dropped; what ran counts as dosed for a day")
            }
            DoseAsk::Refill(ml) => looked(live, plan, ml.unwrap_or(plan.container), true)?,
            DoseAsk::Left(ml) => looked(live, plan, ml, false)?,
            DoseAsk::Propose { tests, test_sd, target, since, changes, by_hand } => {
                let asked = proposal::Asked {
                    in_force: live.book.maintenance,
                    given: since.map(|since| live.book.given(since, now.wall)),
                    changes: &changes,
                    by_hand: &by_hand,
                    litres: self.plan.water.litres(),
                    test_sd,
                    target,
                };
                let proposed =
                    proposal::propose(plan, &tests, &asked).map_err(|lines| refused("nothing is proposed", lines))?;
                let details = proposed.lines.clone();
                live.book.proposed = Some(proposed);
                self.unsaved = true;
                let summary = format!("proposed for {name}; `slackwater dose approve {name}` puts it in force");
                return Ok(Answer { details, ..done(summary) });
            }
            DoseAsk::Approve => {
                let before = live.book.maintenance;
                let said = approve(live, plan, name, now.steady)?;
                let after = live.book.maintenance;
                format!("{said}{}", self.ask_the_partner(index, before, after))
            }
            DoseAsk::Decline => {
                live.book.proposed = None;
                format!("the proposal for {name} is dropped; {:.1} mL/d go on", live.book.maintenance)
            }
            DoseAsk::Resume => {
                live.book.last = Some(slot);
                (live.book.owed, live.book.behind, live.book.missed_in_row) = (0.0, 0.0, 0);
                format!("{name} begins anew with the slot after {slot}; nothing is owed")
            }
        };
        self.unsaved = true;
        // What a keeper said of budgets and plans must not be lost by a kill.
        effects.push(Effect::SaveState(Durability::AfterTheCommands));
        let name = name.to_owned();
        self.journal(JournalKind::Dosing, &name, format!("{text} (by {by})"), effects);
        Ok(done(text))
    }

    /// The two parts take the same mL: a change of one is proposed for the other, if they were alike. Returns what to say.
    fn ask_the_partner(&mut self, index: usize, before: f64, after: f64) -> String {
        let Some(partner) = self.plan.dosing[index].partner else { return String::new() };
        let name = self.plan.outputs[self.plan.dosing[partner.index()].output.index()].name.to_string();
        let book = &mut self.dosers[partner.index()].book;
        if !book::differs(book.maintenance, after) || (book.maintenance - before).abs() > 0.02 * before.max(1.0) {
            return String::new();
        }
        book.proposed = Some(proposal::Proposal::of_the_partner(book.maintenance, after));
        format!("; {name} belongs to it: `slackwater dose approve {name}` gives it {after:.1} mL/d too")
    }

    /// A run into a cylinder is begun as soon as it may.
    pub(in crate::control) fn runs_into_a_cylinder(&mut self, id: DoserId) {
        self.dosers[id.index()].cylinder_asked = true;
    }

    /// A run into a cylinder that has not begun does not begin any more: nobody holds the hose.
    pub(in crate::control) fn no_cylinders(&mut self) {
        self.dosers.iter_mut().for_each(|doser| doser.cylinder_asked = false);
    }

    /// Why a run into a cylinder would not begin, in words.
    pub(in crate::control) fn cylinder_refusal(&self, id: DoserId) -> Option<String> {
        let name = &self.plan.outputs[self.plan.dosing[id.index()].output.index()].name;
        self.ask_calibrate(id.index(), name).err().map(|refusal| refusal.details.join("; "))
    }

    /// What stands against a run into a cylinder.
    fn ask_calibrate(&self, index: usize, name: &str) -> Result<(), Answer> {
        let (plan, live) = (&self.plan.dosing[index], &self.dosers[index]);
        let output = plan.output.index();
        let mut reasons = Vec::new();
        if live.book.to_measure {
            reasons.push(format!(
                "a cylinder waits for its measure: `slackwater dose measured {name} \"5.1 mL\"`, or `slackwater dose discard {name}`"
            ));
        }
        if self.dosers.iter().any(Doser::is_running) || live.cylinder_asked {
            reasons.push("a dosing pump runs now; ask again in a minute".to_owned());
        }
        if let Some(until) = self.others_until(index) {
            // Nobody holds a hose for so long.
            reasons.push(format!(
                "doses keep {} from each other: ask again in {}",
                plan.apart,
                until.since(self.now.steady)
            ));
        }
        if !self.connected {
            reasons.push("the broker is not connected".to_owned());
        }
        if let Some(opinions) = self.opinions.get(output) {
            if let Some((Switch::Off, interlock)) = opinions.trip {
                reasons.push(format!("interlock {} keeps it off", self.plan.interlocks[interlock.index()].name));
            }
            if let Some(hold) = opinions.hold {
                reasons.push(format!("hold {} pauses it", self.plan.holds[hold.index()].name));
            }
        }
        for need in &self.plan.outputs[output].permissives {
            if !self.nodes[need.condition.index()].truth.is_true() {
                // Should the hose lie in the tank after all, the water must bear it.
                reasons.push(format!("its start needs {}: {}", need.name, self.evidence(need.condition)));
            }
        }
        let spent = live.spent(crate::control::top_off::Window::Day, self.now.steady);
        if spent + 1.1 * live.book.rate > plan.most_per_day {
            reasons.push(format!(
                "{spent:.1} mL are given in the last 24 h, and a minute more would be past the day's limit"
            ));
        }
        if live.book.is_empty(plan, live.book.rate) {
            reasons.push("its container is nearly empty".to_owned());
        }
        if reasons.is_empty() { Ok(()) } else { Err(refused(format!("{name} is not calibrated now"), reasons)) }
    }
}

fn lines(text: &str) -> Vec<String> {
    text.lines().map(str::to_owned).collect()
}

fn looked(live: &mut Doser, plan: &super::DosingPlan, ml: f64, filled: bool) -> Result<String, Answer> {
    live.book.looked(plan, ml, filled).map_err(|why| refused("nothing is noted", lines(&why)))
}

/// Puts a proposal in force, or the first step of it.
fn approve(live: &mut Doser, plan: &super::DosingPlan, name: &str, now: crate::time::Steady) -> Result<String, Answer> {
    let Some(proposed) = live.book.proposed.clone() else {
        return Err(refused(
            "nothing is proposed",
            vec![format!("`slackwater dose propose {name} ...` reckons a change")],
        ));
    };
    let before = live.book.maintenance;
    let maintenance = proposal::step(plan, before, proposed.maintenance);
    let changes = book::differs(before, maintenance);
    if let (true, Some(at)) = (changes, live.stepped_at)
        && now.since(at) < proposal::STEP_EVERY
    {
        let wait = proposal::STEP_EVERY.minus(now.since(at));
        return Err(refused(
            format!("{name} stays at {before:.1} mL/d"),
            vec![format!("its plan was changed less than 48 h ago; the next step is free in {wait}, after a test")],
        ));
    }
    let total = maintenance + proposed.correction;
    if total > plan.most_per_day + 1e-6 {
        let most = plan.most_per_day;
        return Err(refused(
            format!("{name} stays at {before:.1} mL/d"),
            vec![format!("{total:.1} mL/d are past what a day may have, {most:.1} mL")],
        ));
    }
    let reached = !book::differs(maintenance, proposed.maintenance);
    let book = &mut live.book;
    book.maintenance = maintenance;
    (book.correction, book.correction_left) = (proposed.correction, proposed.correction_ml);
    // A changed line of the file waits for its next step.
    book.proposed = (proposed.from_file && !reached).then_some(proposed);
    if changes {
        live.stepped_at = Some(now);
    }
    let rest = if reached { "" } else { ", which is one step; approve the next one in two days, after a test" };
    let correction = if live.book.correction_left.abs() > 0.0 {
        format!(
            " and {:.1} mL/d of correction until {:.1} mL of it are given",
            live.book.correction, live.book.correction_left
        )
    } else {
        String::new()
    };
    Ok(format!("{name} gives {maintenance:.1} mL/d from now on{correction}{rest}"))
}

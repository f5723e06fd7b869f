//! The tank's side of its lights: what the schedule wishes, what dimmers are told and say, and their words.

use crate::control::deadlines::Deadlines;
use crate::control::dosing::EARLIEST;
use crate::control::effect::{DeadlineKind, Effect};
use crate::control::ids::{Name, OutputId};
use crate::control::plan::{Fitted, Switch};
use crate::control::tank::{LOOK_AGAIN, Tank};
use crate::time::{Now, Span, Steady, Wall, Zone};

use super::plan::LightPlan;
use super::{PROVE_WITHIN, ROUNDED, STEP, UNPROVEN, curve};

/// A clock change can move an edge; so often is looked again at the least.
const LOOK: Span = Span::from_minutes(15);

/// What is known of one light.
#[derive(Clone, Debug, Default)]
pub(in crate::control) struct Lamp {
    /// Percent that it should have.
    wanted: u8,
    /// What its dimmer was told last; `None`: it has to be told.
    told: Option<(u8, Steady)>,
    /// The level of the newest tellings, and since when it is that one: a dimmer need not say it again.
    aimed: Option<(u8, Steady)>,
    /// What its dimmer said last, percent.
    heard: Option<(f64, Steady)>,
    /// Tellings on end that were not proven.
    tries: u8,
    /// The clock is not to be believed.
    lost: bool,
    /// Which condition dims it.
    dimmed_by: Option<usize>,
}

/// A light, as it stands.
#[derive(Clone, Debug, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct LightStatus {
    /// Its output.
    pub output: Name,
    /// Percent by the clock and what dims it.
    pub level_percent: u8,
    /// Percent that its dimmer was told; absent on a plug that only switches, and while it is off.
    pub told_percent: Option<u8>,
    /// Percent that its dimmer said.
    pub reported_percent: Option<f64>,
    /// What dims it now.
    pub dimmed_by: Option<Name>,
    /// The part of its level that acclimation gives today, percent.
    pub acclimation_percent: f64,
    /// Hours at 100 % that today has by the plan, without what dims it.
    pub full_hours_today: f64,
    /// Each spot.
    pub spots: Vec<SpotLight>,
    /// What it does now, in words.
    pub says: String,
}

/// The light of a spot.
#[derive(Clone, Debug, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct SpotLight {
    /// Its name.
    pub spot: String,
    /// mol/m² that today has by the plan, without what dims it.
    pub mol_per_m2_today: f64,
}

impl Lamp {
    /// Takes what the dimmer says. Returns whether it is news.
    pub(in crate::control) fn hear(&mut self, percent: f64, now: Steady) -> bool {
        let before = self.heard.map(|(heard, _)| heard.to_bits());
        self.heard = Some((percent, now));
        before != Some(percent.to_bits()) || self.tries > 0
    }

    fn agrees(&self) -> bool {
        matches!((self.aimed, self.heard), (Some((aimed, since)), Some((heard, when)))
            if when >= since && (heard - f64::from(aimed)).abs() <= ROUNDED)
    }
}

/// The last point of the grid.
fn on_the_grid(wall: Wall) -> Wall {
    let step = i64::try_from(STEP.millis()).unwrap_or(1);
    Wall::from_unix_millis(wall.unix_millis().div_euclid(step) * step)
}

impl Tank {
    fn light_look(&self, plan: &LightPlan) -> (f64, Option<usize>) {
        let level = curve::level_at(plan, self.plan.zone, on_the_grid(self.now.wall));
        let holds = |dim: &super::DimPlan| self.nodes[dim.condition.index()].truth.is_true();
        let least =
            plan.dims.iter().enumerate().filter(|(_, dim)| holds(dim)).min_by(|(_, a), (_, b)| a.to.total_cmp(&b.to));
        (level * least.map_or(1.0, |(_, dim)| dim.to), least.map(|(at, _)| at))
    }

    fn has_dimmer(&self, output: OutputId) -> bool {
        self.plan.outputs[output.index()].plug.dimmer.is_some()
    }

    /// What the lights wish: an opinion of the schedule's rank.
    pub(in crate::control) fn gather_lights(&mut self, deadlines: &mut Deadlines) {
        for index in 0..self.plan.lights.len() {
            let plan = &self.plan.lights[index];
            let now = self.now;
            let lost = now.wall < EARLIEST;
            let (level, dimmed_by) = self.light_look(plan);
            let here = on_the_grid(now.wall);
            let next = if self.has_dimmer(plan.output) && curve::is_moving(plan, self.plan.zone, here) {
                here.after(STEP)
            } else {
                // The first point of the grid that is not before the edge.
                let edge = curve::next_edge(plan, self.plan.zone, here)
                    .map_or(here.after(LOOK), |at| at.min(here.after(LOOK)));
                let point = on_the_grid(edge);
                if point < edge { point.after(STEP) } else { point }
            };
            deadlines.ask(now.steady.after(next.since(now.wall).max(Span::from_millis(1))), DeadlineKind::Light);
            let output = plan.output;
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 100")]
            let percent = (level * 100.0).round().clamp(0.0, 100.0) as u8;
            let wanted = if level > 0.0 { percent.max(1) } else { 0 };
            let lamp = &mut self.lamps[index];
            (lamp.wanted, lamp.lost, lamp.dimmed_by) = (wanted, lost, dimmed_by);
            if !lost {
                self.opinions[output.index()].schedule = Some(if wanted > 0 { Switch::On } else { Switch::Off });
            }
        }
    }

    /// Tells dimmers their level, before their plugs are switched.
    pub(in crate::control) fn tell_lights(&mut self, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        let now = self.now.steady;
        for index in 0..self.plan.lights.len() {
            let output = self.plan.lights[index].output;
            let Some(dimmer) = self.plan.outputs[output.index()].plug.dimmer else { continue };
            let decided = self.plugs[output.index()].decided(self.plan.outputs[output.index()].kind);
            let lamp = &mut self.lamps[index];
            if !self.connected || decided == Switch::Off {
                // What could not be proven stays so until it is told again: nothing is proven by the dark.
                lamp.told = None;
                continue;
            }
            // Forced on in the night: the whole level, for somebody wants to see.
            let wanted = if lamp.wanted == 0 { 100 } else { lamp.wanted };
            let mut again = false;
            if let (Fitted::Fitted, Some((_, at))) = (dimmer.reports, lamp.told) {
                // Twice as long each time: what does not answer is not told a thousand times a day.
                let due = at.after(Span::from_millis(PROVE_WITHIN.millis() << lamp.tries.min(5)));
                if lamp.agrees() {
                    lamp.tries = 0;
                } else if due <= now {
                    lamp.tries = lamp.tries.saturating_add(1);
                    again = true;
                } else {
                    deadlines.ask(due, DeadlineKind::Light);
                }
            }
            let free = lamp.told.map(|(_, at)| at.after(STEP)).filter(|at| *at > now);
            let differs = lamp.told.is_none_or(|(told, _)| told != wanted);
            match free {
                Some(at) if differs => deadlines.ask(at, DeadlineKind::Light),
                None if differs || again => {
                    lamp.told = Some((wanted, now));
                    if lamp.aimed.is_none_or(|(aimed, _)| aimed != wanted) {
                        lamp.aimed = Some((wanted, now));
                    }
                    if dimmer.reports == Fitted::Fitted {
                        deadlines.ask(now.after(PROVE_WITHIN), DeadlineKind::Light);
                    }
                    let cause = self.light_words(index, self.now);
                    effects.push(Effect::SetLevel { output, percent: wanted, cause });
                }
                _ => {}
            }
            let unproven = self.lamps[index].tries >= UNPROVEN;
            if self.plugs[output.index()].level_unproven != unproven {
                self.plugs[output.index()].level_unproven = unproven;
                deadlines.ask(now.after(LOOK_AGAIN), DeadlineKind::Light);
            }
        }
    }

    /// The light of an output.
    pub(in crate::control) fn light_of(&self, output: OutputId) -> Option<usize> {
        self.plan.lights.iter().position(|light| light.output == output)
    }

    /// What it does now, in words.
    pub(in crate::control) fn light_words(&self, index: usize, now: Now) -> String {
        let (plan, lamp) = (&self.plan.lights[index], &self.lamps[index]);
        if lamp.lost {
            return format!(
                "the clock says {}, and is not to be believed: the light rests",
                self.plan.zone.show(now.wall)
            );
        }
        let edge =
            curve::next_edge(plan, self.plan.zone, now.wall).map_or_else(String::new, |at| clock(self.plan.zone, at));
        let dims = lamp.dimmed_by.map_or_else(String::new, |at| {
            let dim = &plan.dims[at];
            format!(", {:.0} % of it while {}: {}", dim.to * 100.0, dim.name, self.describe(dim.condition))
        });
        let moves = self.has_dimmer(plan.output) && curve::is_moving(plan, self.plan.zone, now.wall);
        match (lamp.wanted, moves) {
            (0, _) => format!("dark until {edge}{dims}"),
            (level, true) => format!("{level} %, on its way until {edge}{dims}"),
            (level, false) => format!("{level} % until {edge}{dims}"),
        }
    }

    /// What is shown of it.
    pub(in crate::control) fn light_status(&self, index: usize, now: Now) -> LightStatus {
        let (plan, lamp, zone) = (&self.plan.lights[index], &self.lamps[index], self.plan.zone);
        let today = zone.calendar_day(now.wall);
        let seconds = curve::full_seconds(plan, zone, today);
        LightStatus {
            output: self.plan.outputs[plan.output.index()].name.clone(),
            level_percent: lamp.wanted,
            told_percent: lamp.told.map(|(told, _)| told),
            reported_percent: lamp.heard.map(|(heard, _)| heard),
            dimmed_by: lamp.dimmed_by.map(|at| plan.dims[at].name.clone()),
            acclimation_percent: curve::acclimated(plan, today) * 100.0,
            full_hours_today: seconds / 3600.0,
            spots: plan
                .spots
                .iter()
                .map(|(spot, ppfd)| SpotLight { spot: spot.clone(), mol_per_m2_today: ppfd * seconds / 1e6 })
                .collect(),
            says: self.light_words(index, now),
        }
    }
}

fn clock(zone: Zone, at: Wall) -> String {
    zone.time_of_day(at).to_string()
}

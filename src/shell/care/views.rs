//! Facts of the keeper's side as JSON, and as metrics.

use serde_json::{Value, json};

use crate::care::log::Wanted;
use crate::shell::job::NotFound;
use crate::time::{Date, Span};
use crate::wire::metrics::{CareFacts, care_text};

use super::Keeper;

/// Days from and until.
#[derive(Clone, Copy, Debug)]
pub struct Range {
    /// The first day.
    pub from: Date,
    /// The last day.
    pub until: Date,
}

/// What is wanted of a tank.
#[derive(Clone, Debug)]
pub struct View {
    /// Its name.
    pub tank: String,
    /// Which facts.
    pub part: Part,
}

/// Which facts.
#[derive(Clone, Debug)]
pub enum Part {
    /// Lines of the log.
    Log {
        /// Only of this name or kind.
        name: Option<String>,
        /// Not older than so many days.
        days: Option<u32>,
        /// Deleted entries and the daemon's own too.
        all: bool,
    },
    /// The log as CSV.
    Export,
    /// What runs out.
    Supplies,
    /// What falls due.
    Chores,
    /// The sheet for whoever stands in.
    Sheet,
    /// Items of all tanks.
    Items,
    /// The light map.
    Spots,
    /// The look at the tank before a trip.
    Audit(Range),
}

impl Keeper {
    pub(super) fn view(&mut self, view: &View) -> Result<Value, NotFound> {
        self.no_tank(&view.tank)?;
        self.look_at(&view.tank);
        let now = self.now();
        let (care, plans, facts, tank) = (&self.care, &self.plans, &self.facts, view.tank.as_str());
        let plan = &plans.tanks[tank];
        let zone = plan.zone;
        Ok(match &view.part {
            Part::Log { name, days, all } => {
                let since = days.map(|days| now.before(Span::from_hours(24 * u64::from(days))));
                let wanted = Wanted { name: name.clone(), since, all: *all };
                json!({
                    "tank": tank, "zone": zone.to_string(), "entries": care.lines(tank, zone, &wanted),
                    "newest": care.newest(tank), "probes": care.probe_checks(tank, zone, now),
                })
            }
            Part::Export => json!({ "csv": care.export(tank, zone) }),
            Part::Supplies => json!({
                "tank": tank, "supplies": care.supplies(tank, plans, facts, now), "away": care.away(tank, zone, now),
            }),
            Part::Chores => {
                json!({ "tank": tank, "zone": zone.to_string(), "chores": care.chores(tank, plan, facts, now) })
            }
            Part::Sheet => json!({ "markdown": care.sheet(tank, plans, facts, now) }),
            Part::Items => json!({ "tank": tank, "zone": zone.to_string(), "items": care.items(plans, now) }),
            Part::Spots => json!({ "tank": tank, "zone": zone.to_string(), "map": care.spots(tank, plans, now) }),
            Part::Audit(range) => {
                json!({ "tank": tank, "audit": care.audit(tank, plans, facts, (range.from, range.until), now) })
            }
        })
    }

    pub(super) fn metrics(&mut self) -> String {
        let now = self.now();
        let facts = self.plans.tanks.iter().map(|(tank, plan)| CareFacts {
            tank: tank.clone(),
            zone: plan.zone,
            newest: self.care.newest(tank),
            supplies: self.care.supplies(tank, &self.plans, &self.facts, now),
            chores: self.care.chores(tank, plan, &self.facts, now),
        });
        care_text(&facts.collect::<Vec<_>>())
    }
}

//! The keeper's side in virtual time: what is noted stays, nothing counts twice, forecasts are those of the paper.

use std::collections::BTreeMap;

use crate::time::{Date, Span, Wall, Zone};
use crate::units::Quantity;

use super::*;

mod chores_and_items;
mod csv_and_trips;
mod logbook;
mod supplies_run_out;

/// A tank with supplies and chores, control's counts, a clock, and a disk that survives.
pub(super) struct Home {
    pub plans: Plans,
    pub facts: Facts,
    pub now: Wall,
    pub disk: Vec<Entry>,
    pub care: Care,
    asked: u32,
    /// What the store remembers of a signal at another time.
    pub then: Option<f64>,
}

pub(super) fn lagoon() -> TankCare {
    TankCare { observation_days: None, ..TankCare::empty("Seagrass lagoon", "Europe/Lisbon".parse().unwrap(), 92.0) }
}

pub(super) fn supply(name: &str, holds: Stuff, source: SupplySource) -> SupplyPlan {
    SupplyPlan {
        name: name.to_owned(),
        holds,
        reserve: 0.05,
        source,
        usual_a_day: None,
        mean_days: 7,
        notice_days: 7.0,
        price: None,
        lasts_days: None,
    }
}

pub(super) fn days(n: u64) -> Span {
    Span::from_hours(24 * n)
}

impl Home {
    pub fn new(tank: TankCare) -> Self {
        let mut facts = Facts::default();
        facts.tanks.insert("lagoon".to_owned(), TankFacts::default());
        Self {
            plans: Plans { tanks: BTreeMap::from([("lagoon".to_owned(), tank)]), shared: Vec::new() },
            facts,
            now: Wall::from_rfc3339("2026-07-01T10:00:00+01:00").unwrap(),
            disk: Vec::new(),
            care: Care::default(),
            asked: 0,
            then: None,
        }
    }

    pub fn decide(&self, request: Request, when: Option<&str>, key: &str, tank: &str) -> Result<Decided, Refusal> {
        let asked = Asked {
            tank: tank.to_owned(),
            by: "test".to_owned(),
            key: Some(key.to_owned()),
            when: when.map(str::to_owned),
            request,
        };
        self.care.ask(&asked, &self.plans, &self.facts, self.now, &|_, _| self.then)
    }

    /// Asks, writes and folds, as the daemon does.
    pub fn ask_at(&mut self, request: Request, when: Option<&str>) -> Result<Decided, Refusal> {
        self.asked += 1;
        let decided = self.decide(request, when, &format!("key-{}", self.asked), "lagoon")?;
        self.write(&decided);
        Ok(decided)
    }

    pub fn ask(&mut self, request: Request) -> Result<Decided, Refusal> {
        self.ask_at(request, None)
    }

    pub fn write(&mut self, decided: &Decided) {
        self.disk.extend(decided.entries.iter().cloned());
        decided.entries.iter().for_each(|entry| self.care.fold(entry.clone()));
    }

    /// A kill: what is on the disk is all there is.
    pub fn restart(&mut self) {
        self.care = Care::replay(self.disk.clone());
    }

    pub fn pass(&mut self, span: Span) {
        self.now = self.now.after(span);
    }

    pub fn run(&mut self, output: &str, seconds: f64) {
        let tank = self.facts.tanks.get_mut("lagoon").unwrap();
        tank.outputs.entry(output.to_owned()).or_default().seconds += seconds;
    }

    /// Control counts litres too, by a rate of its own.
    pub fn give(&mut self, output: &str, litres: f64) {
        let tank = self.facts.tanks.get_mut("lagoon").unwrap();
        *tank.outputs.entry(output.to_owned()).or_default().litres.get_or_insert(0.0) += litres;
    }

    /// What the daemon notes each day by itself.
    pub fn count(&mut self) {
        let tank = &self.facts.tanks["lagoon"];
        let what = tank.counts_of(tank.outputs.keys().map(String::as_str)).unwrap();
        let entry = Entry {
            id: self.care.next_id(),
            tank: "lagoon".to_owned(),
            at: self.now,
            noted: self.now,
            by: "daemon".to_owned(),
            key: None,
            what,
        };
        self.disk.push(entry.clone());
        self.care.fold(entry);
    }

    pub fn signal(&mut self, name: &str, measures: Quantity, value: f64) {
        let tank = self.facts.tanks.get_mut("lagoon").unwrap();
        tank.signals.retain(|signal| signal.name != name);
        tank.signals.push(SignalFact { name: name.to_owned(), measures, value: Some(value), text: value.to_string() });
    }

    pub fn supply(&self, name: &str) -> supplies::SupplyView {
        let all = self.care.supplies("lagoon", &self.plans, &self.facts, self.now);
        all.into_iter().find(|view| view.supply == name).unwrap()
    }

    pub fn chore(&self, name: &str) -> chores::ChoreView {
        let all = self.care.chores("lagoon", &self.plans.tanks["lagoon"], &self.facts, self.now);
        all.into_iter().find(|view| view.chore == name).unwrap()
    }
}

pub(super) fn measure(quantity: &str, value: &str) -> Request {
    let (quantity, value) = (quantity.to_owned(), value.to_owned());
    Request::Measure { quantity, value, with: None, spot: None, temperature: None, note: None }
}

pub(super) fn at_spot(value: &str, spot: &str) -> Request {
    let (quantity, value, spot) = ("ppfd".to_owned(), value.to_owned(), Some(spot.to_owned()));
    Request::Measure { quantity, value, with: None, spot, temperature: None, note: None }
}

pub(super) fn dose(supply: &str, amount: &str) -> Request {
    Request::Dose { supply: supply.to_owned(), amount: amount.to_owned() }
}

pub(super) fn refill(supply: &str, amount: Option<&str>) -> Request {
    Request::Refill { supply: supply.to_owned(), amount: amount.map(str::to_owned) }
}

pub(super) fn day(text: &str) -> Date {
    text.parse().unwrap()
}

pub(super) fn lisbon() -> Zone {
    "Europe/Lisbon".parse().unwrap()
}

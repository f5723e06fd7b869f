//! Families of the keeper's side: newest value of each quantity, supplies, chores.

use crate::care::chores::ChoreView;
use crate::care::log::Newest;
use crate::care::supplies::SupplyView;
use crate::time::Zone;

use super::{Family, Samples, gauge, yes};

/// What is told of one tank.
#[derive(Clone, Debug)]
pub struct CareFacts {
    /// Its name.
    pub tank: String,
    /// Its days.
    pub zone: Zone,
    /// The newest value of each quantity and spot.
    pub newest: Vec<Newest>,
    /// What runs out.
    pub supplies: Vec<SupplyView>,
    /// What falls due.
    pub chores: Vec<ChoreView>,
}

const MEASURED: &[&str] = &["tank", "quantity", "spot", "unit"];
const SUPPLY: &[&str] = &["tank", "supply"];
const CHORE: &[&str] = &["tank", "chore"];

type Put = fn(&CareFacts, &mut Samples);

static FAMILIES: [(Family, Put); 8] = [
    (
        gauge(
            "slackwater_log_value",
            "The newest value that the keeper noted, in the unit of the label.",
            MEASURED,
            |_, _| (),
        ),
        |of, to| {
            of.newest.iter().for_each(|newest| to.put(&measured(of, newest), newest.value));
        },
    ),
    (
        gauge(
            "slackwater_log_timestamp_seconds",
            "Unix time of the newest value that the keeper noted.",
            MEASURED,
            |_, _| (),
        ),
        |of, to| {
            of.newest.iter().for_each(|newest| to.put(&measured(of, newest), newest.at.unix_seconds()));
        },
    ),
    (
        gauge(
            "slackwater_supply_remaining_ratio",
            "Estimated share of a supply that is left, 0 to 1; absent before it was filled.",
            SUPPLY,
            |_, _| (),
        ),
        |of, to| {
            supplies(of, to, |supply| supply.left_ratio);
        },
    ),
    (
        gauge(
            "slackwater_supply_remaining_litres",
            "Estimated volume of a liquid that is left; absent before it was filled.",
            SUPPLY,
            |_, _| (),
        ),
        |of, to| {
            supplies(of, to, |supply| supply.left_litres);
        },
    ),
    (
        gauge(
            "slackwater_supply_replaced_timestamp_seconds",
            "Unix time of the last refill or replacement.",
            SUPPLY,
            |_, _| (),
        ),
        |of, to| {
            supplies(of, to, |supply| supply.filled.map(crate::time::Wall::unix_seconds));
        },
    ),
    (
        gauge(
            "slackwater_supply_due_timestamp_seconds",
            "Unix time at which a refill or replacement is expected, at the mean use.",
            SUPPLY,
            |_, _| (),
        ),
        |of, to| {
            supplies(of, to, |supply| supply.due_on.map(|day| of.zone.start_of(day).unix_seconds()));
        },
    ),
    (gauge("slackwater_chore_due", "1 if a chore is due and not postponed.", CHORE, |_, _| ()), |of, to| {
        of.chores.iter().for_each(|chore| to.put(&[&of.tank, &chore.chore], yes(chore.due)));
    }),
    (
        gauge(
            "slackwater_chore_done_timestamp_seconds",
            "Unix time at which a chore was last done; absent if never.",
            CHORE,
            |_, _| (),
        ),
        |of, to| {
            for chore in &of.chores {
                if let Some(last) = chore.last {
                    to.put(&[&of.tank, &chore.chore], last.unix_seconds());
                }
            }
        },
    ),
];

fn measured<'a>(of: &'a CareFacts, newest: &'a Newest) -> [&'a str; 4] {
    [&of.tank, &newest.quantity, newest.spot.as_deref().unwrap_or_default(), &newest.unit]
}

fn supplies(of: &CareFacts, to: &mut Samples, value: impl Fn(&SupplyView) -> Option<f64>) {
    for supply in &of.supplies {
        if let Some(value) = value(supply) {
            to.put(&[&of.tank, &supply.supply], value);
        }
    }
}

/// The text of all tanks' families.
pub fn care_text(tanks: &[CareFacts]) -> String {
    let mut text = String::new();
    for (family, put) in &FAMILIES {
        let mut samples = Samples::new(family);
        for of in tanks {
            put(of, &mut samples);
        }
        text += &samples.finish(true);
    }
    text
}

/// The names of the families, for whoever holds the pages to them.
pub fn care_families() -> impl Iterator<Item = &'static str> {
    FAMILIES.iter().map(|(family, _)| family.name)
}

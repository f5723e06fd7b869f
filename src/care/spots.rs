//! The light map: what was measured at each spot, before and after the light changed, and who stands there.
//!
//! A reading is for the light as it stood then; the integral of a day takes it as the reading at full light and the
//! schedule of the tank's lights, switched without ramps. A limit of 10 % a week for changes is common practice.

use crate::time::Wall;
use crate::units::Ppfd;
use crate::water::light::Schedule;

use super::entry::What;
use super::plan::{Plans, TankCare};
use super::state::Care;

/// More change than this at once is told, in percent. [common practice: 10 % a week]
const GENTLE: f64 = 10.0;

/// One spot.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct SpotView {
    /// Its name.
    pub spot: String,
    /// What it is.
    pub is: Option<String>,
    /// The newest reading, µmol/m²/s.
    pub ppfd: Option<f64>,
    /// When it was taken.
    pub at: Option<Wall>,
    /// Whether the light was changed since.
    pub outdated: bool,
    /// The reading before the last change of the light, or else the one before, µmol/m²/s.
    pub before: Option<f64>,
    /// From that one to the newest, in percent.
    pub change_percent: Option<f64>,
    /// The integral of a day at the newest reading, mol/m²/d.
    pub daily_integral: Option<f64>,
    /// Who stands there with which range, and how it compares, in words.
    pub items: Vec<String>,
    /// What to mind, in words.
    pub notices: Vec<String>,
    /// All readings, oldest first.
    pub readings: Vec<(Wall, f64)>,
}

/// The light map of a tank.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct LightMap {
    /// When the light was last changed, and how.
    pub changed: Option<(Wall, String)>,
    /// Hours of full light that a day is worth, where the config has a schedule of lights.
    pub full_hours: Option<f64>,
    /// Each spot.
    pub spots: Vec<SpotView>,
}

impl Care {
    /// The light map of a tank.
    pub fn spots(&self, tank: &str, plans: &Plans, now: Wall) -> LightMap {
        let log = self.in_force(Some(tank));
        let Some(plan) = plans.tanks.get(tank) else {
            return LightMap { changed: None, full_hours: None, spots: Vec::new() };
        };
        let changed = log.iter().rev().find_map(|(standing, what)| match what {
            What::LightChanged { text } => Some((standing.at, text.clone())),
            _ => None,
        });
        let mut names: Vec<String> = plan.spots.iter().map(|(name, _)| name.clone()).collect();
        let items: Vec<_> =
            self.items(plans, now).into_iter().filter(|item| item.tank == tank && item.retired.is_none()).collect();
        let read = log.iter().filter_map(|(standing, what)| match what {
            What::Measured(measured) if measured.quantity == "ppfd" => {
                Some((measured.spot.clone()?, standing.at, measured.value))
            }
            _ => None,
        });
        let read: Vec<_> = read.collect();
        let with_light = items.iter().filter(|item| item.light.is_some()).filter_map(|item| item.place.clone());
        for name in read.iter().map(|(spot, ..)| spot.clone()).chain(with_light) {
            if !names.contains(&name) {
                names.push(name);
            }
        }
        let spots = names
            .into_iter()
            .map(|spot| {
                let readings: Vec<(Wall, f64)> =
                    read.iter().filter(|(of, ..)| *of == spot).map(|(_, at, value)| (*at, *value)).collect();
                let is = plan.spots.iter().find(|(name, _)| *name == spot).map(|(_, is)| is.clone());
                let there: Vec<_> = items.iter().filter(|item| item.place.as_deref() == Some(spot.as_str())).collect();
                spot_view(spot, is, readings, changed.as_ref().map(|(at, _)| *at), plan, &there)
            })
            .collect();
        LightMap { changed, full_hours: plan.light_seconds.map(|seconds| seconds / 3600.0), spots }
    }
}

fn spot_view(
    spot: String,
    is: Option<String>,
    readings: Vec<(Wall, f64)>,
    changed: Option<Wall>,
    plan: &TankCare,
    items: &[&super::items::ItemView],
) -> SpotView {
    let newest = readings.last().copied();
    let outdated = newest.zip(changed).is_some_and(|((at, _), changed)| at < changed);
    let before = match changed.filter(|_| !outdated) {
        Some(changed) if newest.is_some_and(|(at, _)| at >= changed) => {
            readings.iter().rev().find(|(at, _)| *at < changed)
        }
        _ => readings.iter().rev().nth(1),
    };
    let before = before.map(|(_, value)| *value);
    let change_percent =
        newest.zip(before).filter(|(_, before)| *before > 0.0).map(|((_, now), before)| (now / before - 1.0) * 100.0);
    let mut notices = Vec::new();
    if outdated {
        notices.push("the light was changed since: measure again".to_owned());
    }
    if let Some(change) = change_percent.filter(|change| change.abs() > GENTLE) {
        notices.push(format!("{change:+.0} %: more than {GENTLE:.0} % a week is a lot for what grows there"));
    }
    let compared = items.iter().map(|item| match (item.light, newest) {
        (Some((low, high)), Some((_, is))) if is < low => {
            format!("{}: {low:.0} to {high:.0}, {:.0} % too little", item.item, (1.0 - is / low) * 100.0)
        }
        (Some((low, high)), Some((_, is))) if is > high => {
            format!("{}: {low:.0} to {high:.0}, {:.0} % too much", item.item, (is / high - 1.0) * 100.0)
        }
        (Some((low, high)), Some(_)) => format!("{}: {low:.0} to {high:.0}, inside", item.item),
        (Some((low, high)), None) => format!("{}: {low:.0} to {high:.0}, not measured", item.item),
        (None, _) => format!("{}: no range noted", item.item),
    });
    SpotView {
        is,
        ppfd: newest.map(|(_, value)| value),
        at: newest.map(|(at, _)| at),
        outdated,
        before,
        change_percent,
        daily_integral: newest.zip(plan.light_seconds).and_then(|((_, value), seconds)| integral(value, seconds)),
        items: compared.collect(),
        notices,
        spot,
        readings,
    }
}

/// mol/m²/d at this flux for so many seconds a day.
fn integral(ppfd: f64, seconds: f64) -> Option<f64> {
    let full = Ppfd::from_micromoles_per_square_metre_second(ppfd).ok()?;
    // A schedule of the same worth: its length is what counts.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a part of a day")]
    let off = (seconds.clamp(0.0, 86_400.0)) as u32;
    if off == 0 {
        return Some(0.0);
    }
    let off = format!("{:02}:{:02}", off / 3600, off / 60 % 60).parse().ok()?;
    let schedule = Schedule::Ramped { on: crate::time::LocalTime::MIDNIGHT, off, ramp: 0.0, level: 1.0 };
    schedule.integral(full).ok().map(crate::units::DailyLightIntegral::moles_per_square_metre_day)
}

//! The new water of a water change: what it will make of the tank, judged before anything starts again.
//!
//! Duty: predict salinity and temperature after the change, from the mixing bin's own probes or from typed
//! numbers, and hold the release back where animals would bear it badly, until a person confirms. Mixing as in `water::mixing` (mass of water,
//! salt and heat). Limits: as much goes in as came out; complete mixing; what is not known is not judged,
//! and the answer says so.

use crate::units::{PracticalSalinity, Temperature, Volume};
use crate::water::mixing::{self, Water};

use super::effect::{Answer, Effect, JournalKind};
use super::event::NewWater;
use super::ids::HoldId;
use super::requests::{done, refused};
use super::tank::Tank;

/// The hold in which water is changed.
const WATER_CHANGE: &str = "water-change";

/// psu and K that need no word, and that need no confirmation. [F70: 0.5 g/kg and 1.0 K, 1.0 g/kg and 2.0 K; choice]
const FINE: (f64, f64) = (0.5, 1.0);
const BEARABLE: (f64, f64) = (1.0, 2.0);

/// A change that was told, and whether its water may meet the animals.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct NewWaterRecord {
    /// L.
    pub litres: f64,
    /// By how much the salinity will change, psu.
    pub salinity_change: Option<f64>,
    /// By how much the temperature will change, K.
    pub temperature_change: Option<f64>,
    /// A person said yes to a change that is not bearable.
    pub confirmed: bool,
}

impl NewWaterRecord {
    fn within(&self, (psu, kelvin): (f64, f64)) -> bool {
        let small = |change: Option<f64>, limit: f64| change.is_none_or(|change| change.abs() <= limit);
        small(self.salinity_change, psu) && small(self.temperature_change, kelvin)
    }

    /// Why the release waits for a confirmation; `None`: it does not.
    pub(super) fn objection(&self) -> Option<String> {
        let refuses = !self.confirmed && !self.within(BEARABLE);
        refuses.then(|| {
            format!(
                "new-water: {} is more than {} psu or {} K; bring the new water nearer, or confirm it",
                self.words(),
                BEARABLE.0,
                BEARABLE.1
            )
        })
    }

    /// What a keeper should make of it.
    fn verdict(&self) -> &'static str {
        let known = self.salinity_change.is_some() && self.temperature_change.is_some();
        match () {
            () if self.within(FINE) && known => "animals will hardly notice",
            () if self.within(FINE) => "what is known of it is fine; measure the rest",
            () if self.within(BEARABLE) => "bearable; add it slowly",
            () if self.confirmed => "too much at once for most animals, and confirmed",
            () => "too much at once for most animals: the release waits until you confirm it",
        }
    }

    fn words(&self) -> String {
        let salinity = self.salinity_change.map(|change| format!("salinity {change:+.2} psu"));
        let temperature = self.temperature_change.map(|change| format!("temperature {change:+.1} K"));
        let words: Vec<String> = salinity.into_iter().chain(temperature).collect();
        if words.is_empty() { "what it changes cannot be told".to_owned() } else { words.join(", ") }
    }
}

impl Tank {
    pub(super) fn ask_new_water(
        &mut self,
        by: &str,
        told: NewWater,
        confirm: bool,
        effects: &mut Vec<Effect>,
    ) -> Result<Answer, Answer> {
        let standing = (0..self.holds.len()).find(|index| self.holds[*index].active.is_some()).map(HoldId::new);
        let Some(hold) = standing else {
            let details = vec!["begin one first: `hold water-change`".to_owned()];
            return Err(refused("no hold stands, so no water is being changed", details));
        };
        let litres = self.plan.water.litres();
        let Some(changed) = told.litres.or(self.plan.mixing_bin.usual) else {
            return Err(refused("nobody said how much", vec!["tell the litres, such as `9 L`".to_owned()]));
        };
        if !(changed > 0.0 && changed <= litres) {
            let text = format!("{changed:.1} L cannot be changed in a tank of {litres:.1} L");
            return Err(refused(text, Vec::new()));
        }
        let record = self.predict(hold, changed, told, confirm);
        if let Some(active) = &mut self.holds[hold.index()].active {
            active.new_water = Some(record);
        }
        self.unsaved = true;
        let name = self.plan.holds[hold.index()].name.clone();
        let words = record.words();
        let text = format!("{changed:.1} L of new water by {by}: {words}");
        self.journal(JournalKind::Hold, &name, text, effects);
        let verdict = record.verdict();
        let summary = format!("{changed:.1} L of new water: {words}; {verdict}");
        if record.objection().is_some() { Err(refused(summary, Vec::new())) } else { Ok(done(summary)) }
    }

    /// A release without a word of the new water, where its bin is measured: what is usual is judged.
    pub(super) fn judge_usual_water(
        &mut self,
        hold: HoldId,
        by: &str,
        effects: &mut Vec<Effect>,
    ) -> Result<(), Answer> {
        let Some(active) = &self.holds[hold.index()].active else { return Ok(()) };
        let measured = active.bin.salinity.is_some() || active.bin.temperature.is_some();
        if active.new_water.is_some() || !measured || !self.changes_water(hold) || self.plan.mixing_bin.usual.is_none()
        {
            return Ok(());
        }
        let unsaid = NewWater { litres: None, salinity: None, temperature: None };
        self.ask_new_water(by, unsaid, false, effects).map(|_| ())
    }

    /// Whether water is changed in a hold.
    pub(super) fn changes_water(&self, hold: HoldId) -> bool {
        &*self.plan.holds[hold.index()].name == WATER_CHANGE
    }

    /// What was told of the new water, in words.
    pub(super) fn told_sentence(&self, hold: HoldId) -> Option<String> {
        let told = self.holds[hold.index()].active.as_ref()?.new_water?;
        Some(format!("{:.1} L: {}; {}", told.litres, told.words(), told.verdict()))
    }

    /// What the bin's water would make of the tank, as far as its probes said.
    pub(super) fn bin_sentence(&self, hold: HoldId) -> Option<String> {
        let bin = self.holds[hold.index()].active.as_ref()?.bin;
        let salinity = bin.salinity.map(|psu| format!("{psu:.1} psu"));
        let temperature = bin.temperature.map(|celsius| format!("{celsius:.1} °C"));
        let read: Vec<String> = salinity.into_iter().chain(temperature).collect();
        if read.is_empty() {
            return None;
        }
        // A tenth of the water is what most people change. [common practice]
        let litres = self.plan.mixing_bin.usual.unwrap_or(self.plan.water.litres() / 10.0);
        let unsaid = NewWater { litres: None, salinity: None, temperature: None };
        let record = self.predict(hold, litres, unsaid, false);
        let (read, words, verdict) = (read.join(", "), record.words(), record.verdict());
        Some(format!("the new water in its bin: {read}; {litres:.1} L of it: {words}; {verdict}"))
    }

    fn predict(&self, hold: HoldId, litres: f64, told: NewWater, confirmed: bool) -> NewWaterRecord {
        let active = self.holds[hold.index()].active.as_ref();
        let before = active.map(|active| active.before).unwrap_or_default();
        let now = self.water_now();
        let (salinity, temperature) = (before.salinity.or(now.salinity), before.temperature.or(now.temperature));
        // The bin's probes hang in the air when it is empty: what they said at the beginning counts.
        let (bin, bin_now) = (active.map(|active| active.bin).unwrap_or_default(), self.water_in_bin());
        let told = NewWater {
            litres: Some(litres),
            salinity: told.salinity.or(bin.salinity).or(bin_now.salinity),
            temperature: told.temperature.or(bin.temperature).or(bin_now.temperature),
        };
        // Where one of two is not known the other one is predicted all the same: it hardly depends on it.
        let water = |volume: f64, salinity: Option<f64>, temperature: Option<f64>| {
            Some(Water {
                volume: Volume::from_litres(volume).ok()?,
                salinity: PracticalSalinity::from_psu(salinity.unwrap_or(35.0)).ok()?,
                temperature: Temperature::from_celsius(temperature.unwrap_or(25.0)).ok()?,
            })
        };
        let mixed = water(self.plan.water.litres(), salinity, temperature)
            .zip(water(litres, told.salinity, told.temperature))
            .and_then(|(tank, new)| mixing::water_change(&tank, new.volume, &new).ok());
        let change = |old: Option<f64>, new: Option<f64>, after: Option<f64>| {
            old.zip(new).zip(after).map(|((old, _), after)| after - old)
        };
        NewWaterRecord {
            litres,
            salinity_change: change(salinity, told.salinity, mixed.map(|mixed| mixed.salinity.psu())),
            temperature_change: change(temperature, told.temperature, mixed.map(|mixed| mixed.temperature.celsius())),
            confirmed,
        }
    }
}

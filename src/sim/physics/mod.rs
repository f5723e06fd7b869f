//! The physics of one tank: heat, water and salt of display and sump, stepped by the second.
//!
//! Duty: from how long each output worked in a step, the room's air and the defects, say what the
//! water does. Limits: two well mixed bodies; of the chemistry only alkalinity, taken by day and night and
//! given by doses and new water, and the pH that a rehearsal shows for it; a heater in a dry chamber still heats
//! the water; the salinity is grams of salt in a kilogram of water, shown by probes as practical
//! salinity (the two differ by 0.5 % in life).
//!
//! Each body: C dT = heater (through its sheath, 60 s) + 0.9 pumps + 0.8 skimmer + 0.3 light
//! - UA (T - room) - evaporation · 2.44 MJ/kg, and water that comes in brings its heat.
//!
//! The shares and the evaporation formula are rules of thumb of the project's rehearsal model.

mod body;
mod chemistry;
mod hydraulics;
mod parameters;
mod room;
#[cfg(test)]
mod tests;

use crate::control::plan::OutputKind;

use body::{Body, Parcel};
use hydraulics::{Above, Hydraulics, Way};

pub use chemistry::Chemistry;
pub use parameters::{
    DENSITY, Facts, HEAT_PER_LITRE, Machine, Parameters, SEA_WATER_ALKALINITY, SEA_WATER_CALCIUM, Sump,
};
pub use room::{Air, Pull, Room, Season, mixing_ratio, saturation_pressure};

/// The sheath of a heater passes its heat on with this time constant, s.
const SHEATH_TIME: f64 = 60.0;
/// Cold that a chiller makes of a watt of electricity [guess; small compressors reach 1.5 to 3].
const CHILLER_YIELD: f64 = 2.0;
/// Air over the water without a fan, m/s.
const STILL_AIR: f64 = 0.05;
/// Air over the water under a fan, m/s.
const FAN_AIR: f64 = 0.8;

/// What is broken about the water's ways.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Defects {
    /// L/s from the display (or the only basin) to the floor.
    pub leak: f64,
    /// How open the drain is, 0 to 1.
    pub drain_open: f64,
    /// The top-off hose siphons: it runs on while the pump is off.
    pub siphon: bool,
    /// The top-off hose lies beside the tank.
    pub hose_off: bool,
}

impl Default for Defects {
    fn default() -> Self {
        Self { leak: 0.0, drain_open: 1.0, siphon: false, hose_off: false }
    }
}

/// Where all water went since the start, L; the balance of the tests.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Ledger {
    /// Into the air.
    pub evaporated: f64,
    /// Out of the reservoir into the tank.
    pub topped_off: f64,
    /// Out of the reservoir and past the tank.
    pub beside: f64,
    /// By dosing pumps.
    pub dosed: f64,
    /// With the skimmer's foam.
    pub skimmed: f64,
    /// From the tank to the floor.
    pub spilled: f64,
    /// Grams of salt that left with foam and spills.
    pub salt_lost: f64,
    /// By the keeper, out.
    pub removed: f64,
    /// Grams of salt in it.
    pub salt_removed: f64,
    /// By the keeper, in.
    pub given: f64,
    /// Grams of salt in it.
    pub salt_given: f64,
}

/// A container of fresh water for the top-off, perhaps shared by tanks.
#[derive(Clone, Debug)]
pub struct Reservoir {
    /// L in it.
    pub litres: f64,
    /// L when full.
    pub capacity: f64,
}

/// One tank's water.
#[derive(Clone, Debug)]
pub struct Physics {
    make: Parameters,
    display: Body,
    sump: Option<(Body, Hydraulics)>,
    /// Litres in the display at the lip; in an only basin, at the usual level.
    lip: f64,
    /// The return chamber's level at the start, m above the sump's floor: the datum of level probes.
    usual_level: f64,
    /// W that each heater's sheath gives to the water.
    sheaths: Vec<f64>,
    /// W that the machines draw, over the last step.
    drawn: f64,
    /// Wh that they drew since the start.
    energy: f64,
    ledger: Ledger,
    chemistry: Chemistry,
    /// L on the floor below this tank, the reservoir's included.
    floor: f64,
    /// What is broken.
    pub defects: Defects,
}

impl Physics {
    /// A tank as it stands when all is well.
    pub fn new(make: Parameters) -> Self {
        let sheaths = vec![0.0; make.outputs.len()];
        let whole = make.display_litres + make.sump.as_ref().map_or(0.0, |sump| sump.litres);
        let structure = |litres: f64| make.structure_heat * litres / whole;
        let (salinity, celsius) = (make.salinity, make.celsius);
        let pipe = make.sump.as_ref().map_or(0.0, |sump| sump.pipe_litres);
        // The pipe's water is counted with the sump and taken off the display: the plan's water is all water.
        let display = Body::new(make.display_litres - pipe, salinity, celsius, structure(make.display_litres));
        let sump = make.sump.as_ref().map(|sump| {
            let body = Body::new(sump.litres + pipe, salinity, celsius, structure(sump.litres));
            (body, Hydraulics::running(sump))
        });
        let head = make.sump.as_ref().map_or(0.0, |sump| hydraulics::head(sump.pump_flow, sump.weir));
        let lip = display.litres - 1000.0 * make.display_area * head;
        let usual_level = match (&make.sump, &sump) {
            (Some(shape), Some((_, water))) => water.level(shape),
            _ => 0.0,
        };
        Self {
            display,
            sump,
            lip,
            usual_level,
            sheaths,
            drawn: 0.0,
            energy: 0.0,
            ledger: Ledger::default(),
            chemistry: Chemistry::default(),
            floor: 0.0,
            defects: Defects::default(),
            make,
        }
    }

    /// `dt` seconds (2 at most, or the weir swings) in which each output worked for its share of the time.
    ///
    /// `duty` is in the order of the plan, 0 to 1: what worked, not what a relay says.
    pub fn step(&mut self, dt: f64, duty: &[f64], air: Air, reservoir: &mut Reservoir) {
        self.run_water(dt, duty);
        self.move_fresh_water(dt, duty, air, reservoir);
        self.lose_water(dt, duty);
        self.live(dt, duty);
        self.heat(dt, duty, air);
    }

    fn duty_of(&self, kind: OutputKind, duty: &[f64]) -> f64 {
        let working = self.make.outputs.iter().zip(duty).filter(|(machine, _)| machine.kind == kind);
        working.map(|(_, share)| *share).sum()
    }

    fn run_water(&mut self, dt: f64, duty: &[f64]) {
        let way = Way { pump: self.duty_of(OutputKind::ReturnPump, duty).min(1.0), drain: self.defects.drain_open };
        if let (Some(shape), Some((body, water))) = (&self.make.sump, &mut self.sump) {
            let mut display = Above { body: &mut self.display, lip: self.lip, area: self.make.display_area };
            water.step(dt, shape, &mut display, body, way);
        }
    }

    /// What comes in: top-off and doses.
    fn move_fresh_water(&mut self, dt: f64, duty: &[f64], air: Air, reservoir: &mut Reservoir) {
        let siphon = self.defects.siphon;
        let pumped = |kind: OutputKind| -> f64 {
            let pumps = self.make.outputs.iter().zip(duty).filter(|(machine, _)| machine.kind == kind);
            pumps
                .map(|(pump, share)| pump.delivers * if siphon && kind == OutputKind::TopOff { 1.0 } else { *share })
                .sum()
        };
        let dosed = pumped(OutputKind::Doser) * dt;
        let stock = self.make.outputs.iter().zip(duty).filter(|(pump, _)| pump.alkalinity > 0.0);
        let alkalinity: f64 = stock.map(|(pump, share)| pump.alkalinity * pump.delivers * share * dt).sum();
        let litres = self.litres();
        self.chemistry.dosed(alkalinity, litres);
        let lifted = (pumped(OutputKind::TopOff) * dt).min(reservoir.litres.max(0.0));
        reservoir.litres -= lifted;
        if self.defects.hose_off {
            self.floor += lifted;
            self.ledger.beside += lifted;
        } else {
            self.ledger.topped_off += lifted;
            self.pour(Parcel::fresh(lifted, air.celsius));
        }
        self.ledger.dosed += dosed;
        let parts = self.make.outputs.iter().zip(duty);
        let calcium: f64 = parts.map(|(pump, share)| pump.calcium * pump.delivers * share * dt).sum();
        self.chemistry.calcium.dosed += calcium;
        self.pour(Parcel { alkalinity, calcium, ..Parcel::fresh(dosed, air.celsius) });
    }

    /// A keeper takes water out of the display, or the only basin, as it is mixed.
    pub fn take_out(&mut self, litres: f64) {
        let parcel = self.display.take(litres);
        self.ledger.removed += parcel.litres;
        self.ledger.salt_removed += parcel.salt;
        self.chemistry.lose(&parcel);
    }

    /// A keeper gives water of this salinity (g/kg) and temperature into the display, or the only basin.
    pub fn give(&mut self, litres: f64, salinity: f64, celsius: f64) {
        let salted = if salinity > 0.0 { litres } else { 0.0 };
        let (alkalinity, calcium) = (SEA_WATER_ALKALINITY * salted, SEA_WATER_CALCIUM * salted);
        let parcel = Parcel { litres, salt: salinity * DENSITY * litres, alkalinity, calcium, celsius };
        self.chemistry.given += alkalinity;
        self.chemistry.calcium.given += calcium;
        self.ledger.given += parcel.litres;
        self.ledger.salt_given += parcel.salt;
        self.display.add(parcel);
    }

    /// A keeper wipes the floor; where more than 1 % of the water or a gram of salt in a kilogram is wrong, they take and
    /// give until both are what they were.
    pub fn set_right(&mut self) {
        self.floor = 0.0;
        let wrong_water = (self.litres() / self.usual_litres() - 1.0).abs() > 0.01;
        if !wrong_water && (self.salinity() - self.make.salinity).abs() <= 1.0 {
            return;
        }
        let surplus = self.litres() - self.usual_litres();
        if surplus > 0.0 {
            self.take_out(surplus);
        } else {
            self.give(-surplus, self.make.salinity, self.display_celsius());
        }
        // In each body by itself: where no pump mixes them, all of it in one would be a brine for minutes.
        let before = self.salt();
        let per_litre = self.make.salinity * DENSITY;
        self.display.salt = per_litre * self.display.litres;
        if let Some((body, _)) = &mut self.sump {
            body.salt = per_litre * body.litres;
        }
        self.ledger.salt_given += self.salt() - before;
    }

    /// Into the return chamber, or the only basin.
    fn pour(&mut self, parcel: Parcel) {
        if parcel.litres <= 0.0 {
            return;
        }
        match &mut self.sump {
            Some((body, water)) => {
                water.last += parcel.litres;
                body.add(parcel);
            }
            None => self.display.add(parcel),
        }
    }

    /// What goes out: foam, leaks, floods.
    fn lose_water(&mut self, dt: f64, duty: &[f64]) {
        let running = self.flow() > 0.0 || self.make.sump.is_none();
        let foam = if running { self.make.skimmate_flow * self.duty_of(OutputKind::Skimmer, duty) * dt } else { 0.0 };
        let skimmed = match &mut self.sump {
            Some((body, water)) => {
                let foam = foam.min(water.first);
                water.first -= foam;
                body.take(foam)
            }
            None => self.display.take(foam),
        };
        self.ledger.skimmed += skimmed.litres;
        self.ledger.salt_lost += skimmed.salt;
        self.chemistry.lose(&skimmed);
        let brim = 1000.0 * self.make.display_area * self.make.display_freeboard;
        let over = (self.display.litres - self.lip - brim).max(0.0);
        let spilled = self.display.take(self.defects.leak.mul_add(dt, over));
        self.book_spill(spilled);
        if let (Some(shape), Some((body, water))) = (&self.make.sump, &mut self.sump) {
            let brim = 1000.0 * shape.rim * (shape.first_area + shape.return_area);
            let over = (water.first + water.last - brim).max(0.0);
            let share = shape.first_area / (shape.first_area + shape.return_area);
            water.first -= over * share;
            water.last -= over * (1.0 - share);
            let spilled = body.take(over);
            self.book_spill(spilled);
        }
    }

    fn book_spill(&mut self, parcel: Parcel) {
        self.floor += parcel.litres;
        self.ledger.spilled += parcel.litres;
        self.chemistry.lose(&parcel);
        self.ledger.salt_lost += parcel.salt;
    }

    /// The animals live in the display, in its light.
    fn live(&mut self, dt: f64, duty: &[f64]) {
        let light = self.duty_of(OutputKind::Light, duty).min(1.0);
        let wanted = chemistry::wanted(self.make.takes, self.litres(), light) * dt;
        let taken = self.display.calcify(wanted);
        self.chemistry.pass(dt, taken);
    }

    fn heat(&mut self, dt: f64, duty: &[f64], air: Air) {
        let (mut display, mut sump, mut drawn) = (0.0, 0.0, 0.0);
        let passed = 1.0 - (-dt / SHEATH_TIME).exp();
        for ((machine, share), sheath) in self.make.outputs.iter().zip(duty).zip(&mut self.sheaths) {
            let watts = machine.watts * share;
            drawn += watts;
            match machine.kind {
                OutputKind::Heater => {
                    *sheath += (watts - *sheath) * passed;
                    sump += *sheath;
                }
                OutputKind::ReturnPump => sump += 0.9 * watts,
                OutputKind::Skimmer => sump += 0.8 * watts,
                OutputKind::Chiller => sump -= CHILLER_YIELD * watts,
                OutputKind::Powerhead => display += 0.9 * watts,
                OutputKind::Light => display += 0.3 * watts,
                OutputKind::Fan | OutputKind::TopOff | OutputKind::Doser | OutputKind::Other => {}
            }
        }
        self.drawn = drawn;
        self.energy += drawn * dt / 3600.0;
        let fan = self.duty_of(OutputKind::Fan, duty).min(1.0);
        let breeze = fan.mul_add(FAN_AIR - STILL_AIR, STILL_AIR);
        if let (Some(shape), Some((body, water))) = (&self.make.sump, &mut self.sump) {
            body.warm((sump - shape.loss * (body.celsius - air.celsius)) * dt);
            sump = 0.0;
            let area = shape.first_area + shape.return_area;
            let gone = body.evaporate(evaporation(body.celsius, area * (1.0 - self.make.cover), STILL_AIR, air) * dt);
            water.first -= gone * shape.first_area / area;
            water.last -= gone * shape.return_area / area;
            // Chambers and pipe are the body: no drift between the two bookings.
            body.litres = water.first + water.last + water.pipe;
            self.ledger.evaporated += gone;
        }
        let body = &mut self.display;
        body.warm((display + sump - self.make.display_loss * (body.celsius - air.celsius)) * dt);
        let open = self.make.display_area * (1.0 - self.make.cover);
        self.ledger.evaporated += body.evaporate(evaporation(body.celsius, open, breeze, air) * dt);
    }

    /// The whole tank so much warmer, K; for a start that is not exactly at the set point.
    pub fn settle(&mut self, by: f64) {
        self.display.celsius += by;
        if let Some((body, _)) = &mut self.sump {
            body.celsius += by;
        }
    }

    // What is true.

    /// °C of the display.
    pub fn display_celsius(&self) -> f64 {
        self.display.celsius
    }

    /// °C of the sump, or of the only basin.
    pub fn sump_celsius(&self) -> f64 {
        self.sump.as_ref().map_or(self.display.celsius, |(body, _)| body.celsius)
    }

    /// Grams of salt in a kilogram of the display's water.
    pub fn salinity(&self) -> f64 {
        self.display.salinity()
    }

    /// Grams of salt in a kilogram of all the water.
    pub fn mean_salinity(&self) -> f64 {
        self.salt() / (self.litres().max(1e-9) * DENSITY)
    }

    /// dKH of the whole water.
    pub fn alkalinity(&self) -> f64 {
        self.all_alkalinity() / self.litres().max(1e-9)
    }

    /// All alkalinity in the water, dKH L.
    pub fn all_alkalinity(&self) -> f64 {
        self.display.alkalinity + self.sump.as_ref().map_or(0.0, |(body, _)| body.alkalinity)
    }

    /// mg/L of calcium in the whole water.
    pub fn calcium(&self) -> f64 {
        self.all_calcium() / self.litres().max(1e-9)
    }

    /// All calcium in the water, mg.
    pub fn all_calcium(&self) -> f64 {
        self.display.calcium + self.sump.as_ref().map_or(0.0, |(body, _)| body.calcium)
    }

    /// What was dosed, given, taken and lost since the start, and the pH at a part of the local day.
    pub fn chemistry(&self) -> &Chemistry {
        &self.chemistry
    }

    /// The level that top-off looks after, mm over its usual one: return chamber, or only basin.
    pub fn level(&self) -> f64 {
        match (&self.make.sump, &self.sump) {
            (Some(shape), Some((_, water))) => 1000.0 * (water.level(shape) - self.usual_level),
            _ => (self.display.litres - self.lip) / self.make.display_area,
        }
    }

    /// mm from the floor of the return chamber (or of a basin 300 mm deep) to its usual level.
    pub fn usual_depth(&self) -> f64 {
        if self.sump.is_some() { 1000.0 * self.usual_level } else { 300.0 }
    }

    /// The display's level, mm over the lip (over the usual one of an only basin).
    pub fn display_level(&self) -> f64 {
        (self.display.litres - self.lip) / self.make.display_area
    }

    /// Up the return pipe, L/s.
    pub fn flow(&self) -> f64 {
        self.sump.as_ref().map_or(0.0, |(_, water)| water.lifted)
    }

    /// What the return pump lifts when all is well, L/s.
    pub fn usual_flow(&self) -> f64 {
        self.make.sump.as_ref().map_or(0.0, |shape| shape.pump_flow)
    }

    /// W that all machines drew in the last step.
    pub fn drawn(&self) -> f64 {
        self.drawn
    }

    /// Wh that all machines drew since the start.
    pub fn energy(&self) -> f64 {
        self.energy
    }

    /// L on the floor.
    pub fn floor_litres(&self) -> f64 {
        self.floor
    }

    /// All water in the tank, pipe included, L.
    pub fn litres(&self) -> f64 {
        self.display.litres + self.sump.as_ref().map_or(0.0, |(body, _)| body.litres)
    }

    /// All water in the tank when all is well, L.
    pub fn usual_litres(&self) -> f64 {
        self.make.display_litres + self.make.sump.as_ref().map_or(0.0, |sump| sump.litres)
    }

    /// All salt in the tank, g.
    pub fn salt(&self) -> f64 {
        self.display.salt + self.sump.as_ref().map_or(0.0, |(body, _)| body.salt)
    }

    /// Where the water went.
    pub fn ledger(&self) -> Ledger {
        self.ledger
    }

    /// What it is made of.
    pub fn make(&self) -> &Parameters {
        &self.make
    }
}

/// kg/s from `area` m² of open water under air of `breeze` m/s (engineering formula, from memory;
/// 0.98 for the salt's effect on the vapour pressure). Condensation is left out.
fn evaporation(celsius: f64, area: f64, breeze: f64, air: Air) -> f64 {
    let saturated = mixing_ratio(0.98 * saturation_pressure(celsius));
    let per_hour = area * 19.0_f64.mul_add(breeze, 25.0) * (saturated - air.moisture);
    per_hour.max(0.0) / 3600.0
}

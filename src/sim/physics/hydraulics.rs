//! How the water runs between display and sump: pump, weir, drain, baffle, and the drain-back when it stops.
//!
//! ```text
//!   display ──weir──► drain (lags 6 s) ──► skimmer chamber ──baffle──► return chamber
//!      ▲                                                                   │
//!      └───────────────── pipe (full while it runs) ◄── pump ◄─────────────┘
//! ```
//! When the pump stops, the weir empties its head, the pipe siphons the display down to its outlet
//! and then empties itself. Sharp-crested weir: Q = 1.84 b h^1.5 in SI units (Francis).
//! Invariant: litres only move between the two bodies; `Body` carries their salt and heat.

use super::body::Body;
use super::parameters::Sump;

/// Seconds after which the drain follows the weir.
const DRAIN_LAG: f64 = 6.0;

/// Where the sump's water stands and runs.
#[derive(Clone, Debug)]
pub(super) struct Hydraulics {
    /// L in the skimmer chamber.
    pub first: f64,
    /// L in the return chamber.
    pub last: f64,
    /// L in the return pipe.
    pub pipe: f64,
    /// L/s down the drain.
    pub drain: f64,
    /// L/s up the pipe, for the flow meter.
    pub lifted: f64,
}

/// What the pump and the drain may do in a step.
#[derive(Clone, Copy, Debug)]
pub(super) struct Way {
    /// The part of the step that the pump turns, 0 to 1.
    pub pump: f64,
    /// How open the drain is, 0 to 1.
    pub drain: f64,
}

/// The display as the pipes see it.
pub(super) struct Above<'a> {
    pub body: &'a mut Body,
    /// Litres in it when it stands at the lip of the weir.
    pub lip: f64,
    /// Its surface, m².
    pub area: f64,
}

impl Above<'_> {
    /// L over the lip; negative below it.
    fn over_lip(&self) -> f64 {
        self.body.litres - self.lip
    }
}

/// The head over a weir of this length (m) at a flow (L/s), in m.
pub(super) fn head(flow: f64, weir: f64) -> f64 {
    (flow / 1000.0 / (1.84 * weir)).powf(2.0 / 3.0)
}

/// The flow over a weir (L/s) at a head (m).
fn over_weir(head: f64, weir: f64) -> f64 {
    if head <= 0.0 { 0.0 } else { 1840.0 * weir * head * head.sqrt() }
}

impl Hydraulics {
    /// Everything as it stands while the pump runs.
    pub fn running(sump: &Sump) -> Self {
        let first = 1000.0 * sump.first_area * (sump.baffle + head(sump.pump_flow, sump.weir));
        Self {
            first,
            last: (sump.litres - first).max(0.0),
            pipe: sump.pipe_litres,
            drain: sump.pump_flow,
            lifted: sump.pump_flow,
        }
    }

    /// The level of the return chamber above the sump's floor, m.
    pub fn level(&self, sump: &Sump) -> f64 {
        self.last / (1000.0 * sump.return_area)
    }

    /// Moves water for `dt` seconds.
    pub fn step(&mut self, dt: f64, sump: &Sump, display: &mut Above<'_>, body: &mut Body, way: Way) {
        self.spill(dt, sump);
        // Baffle and weir see the level at the start of the step, before this step's inflow: no splitting error when steady.
        let weir = over_weir(display.over_lip() / (1000.0 * display.area), sump.weir) * way.drain;
        self.pump(dt, sump, display, body, way.pump);
        self.drain += (weir - self.drain) * (1.0 - (-dt / DRAIN_LAG).exp());
        let down = (self.drain * dt).min(display.over_lip().max(0.0));
        self.drain = down / dt;
        body.add(display.body.take(down));
        self.first += down;
    }

    fn pump(&mut self, dt: f64, sump: &Sump, display: &mut Above<'_>, body: &mut Body, duty: f64) {
        if duty > 0.0 {
            // Air at the intake takes the flow away over the lowest third above the dry level.
            let wet = ((self.level(sump) / sump.intake - 0.66) / 0.34).clamp(0.0, 1.0);
            let lifted = (sump.pump_flow * duty * wet * dt).min(self.last);
            self.lifted = lifted / dt;
            self.last -= lifted;
            let filling = lifted.min((sump.pipe_litres - self.pipe).max(0.0));
            self.pipe += filling;
            let up = body.take(lifted - filling);
            display.body.add(up);
            return;
        }
        self.lifted = 0.0;
        let over_outlet = 1000.0_f64.mul_add(display.area * sump.siphon_depth, display.over_lip());
        // The pipe runs back at about the pace that the pump lifted.
        let back = sump.pump_flow * 0.6 * dt;
        let primed = self.pipe > 0.99 * sump.pipe_litres;
        if primed && over_outlet > 1e-6 {
            let drawn = back.min(over_outlet);
            body.add(display.body.take(drawn));
            self.last += drawn;
        } else {
            let drawn = back.min(self.pipe);
            self.pipe -= drawn;
            self.last += drawn;
        }
    }

    /// Over the baffle: a free fall while the return chamber is lower, one level where both stand above it.
    fn spill(&mut self, dt: f64, sump: &Sump) {
        let (first_full, last_full) = (1000.0 * sump.first_area * sump.baffle, 1000.0 * sump.return_area * sump.baffle);
        let (above_first, above_last) = (self.first - first_full, self.last - last_full);
        let together = above_first + above_last;
        if above_last > 0.0 && together > 0.0 {
            let share = sump.first_area / (sump.first_area + sump.return_area);
            self.first = first_full + together * share;
            self.last = last_full + together * (1.0 - share);
        } else if above_last > 0.0 {
            self.first += above_last;
            self.last -= above_last;
        } else if above_first > 0.0 {
            let fallen = (over_weir(above_first / (1000.0 * sump.first_area), sump.weir) * dt).min(above_first);
            self.first -= fallen;
            self.last += fallen;
        }
    }
}

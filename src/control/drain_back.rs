//! What runs back into the sump when the return pump stops: learned, and compared at every stop.
//!
//! ```text
//!   pump runs (its level is kept) ──proven off──► settling, 2 min ──► measured: rise over the running level
//! ```
//! A siphon break that algae close lets more run back each time, until the sump floods at the next power cut. So
//! each stop, in a hold or not, is measured; the median of the last ones is what is usual, the first one is
//! commissioning. Limits: it tells and stops nothing. What a keeper pours in or takes out within the two minutes is
//! measured too. A rise that creeps by a few percent a month is told only by how close it comes to the trip.

use crate::time::{Span, Steady};
use crate::water::stats::robust::median;

use super::deadlines::Deadlines;
use super::effect::{DeadlineKind, Effect, JournalKind};
use super::plan::{OutputKind, Switch};
use super::state::DrainBackRecord;
use super::status::DrainBackStatus;
use super::tank::Tank;

const GRID: Span = Span::from_seconds(15);
/// One minute of the grid, and one look more, which the stop itself may have moved.
const LOOKS: usize = 5;
/// The pump must have run for so long, so that its level is a running level. [F35: 10 min]
const RAN: Span = Span::from_minutes(10);
/// The water has run back after this. [simulated: 55 s]
const SETTLES: Span = Span::from_minutes(2);
/// So many rises are remembered.
const MEMORY: usize = 8;
/// A rise by more than this part over the usual one has grown, if it is more than the noise. [F73: 120 %]
const GROWN: f64 = 1.2;
const NOISE: f64 = 3.0;

#[derive(Clone, Copy, Debug, Default, PartialEq)]
enum Stage {
    /// Nothing is known of the pump yet, or it has not run for long enough.
    #[default]
    Unknown,
    Runs(Steady),
    /// Off; from this level, measured then.
    Settling(f64, Steady),
    /// Off, and measured.
    Measured,
}

/// The memory of a tank's drain-back.
#[derive(Clone, Debug, Default)]
pub(super) struct DrainBack {
    stage: Stage,
    looks: Vec<f64>,
    next: Option<Steady>,
    /// Rises, the oldest first, mm.
    rises: Vec<f64>,
    /// The newest one is too much: why.
    pub grown: Option<String>,
}

/// What is seen in one step.
struct Seen {
    now: Steady,
    runs: bool,
    level: Option<f64>,
    most: Option<f64>,
}

impl DrainBack {
    fn follow(&mut self, seen: &Seen, deadlines: &mut Deadlines) -> Option<String> {
        match self.stage {
            Stage::Runs(_) if seen.runs => self.look(seen, deadlines),
            Stage::Runs(since) => {
                let level = self.running_level().filter(|_| seen.now.since(since) >= RAN);
                let measured_at = seen.now.after(SETTLES);
                self.stage = level.map_or(Stage::Unknown, |from| Stage::Settling(from, measured_at));
                deadlines.ask(measured_at, DeadlineKind::Hold);
            }
            _ if seen.runs => {
                self.looks.clear();
                self.next = None;
                self.stage = Stage::Runs(seen.now);
                self.look(seen, deadlines);
            }
            Stage::Settling(_, at) if at > seen.now => deadlines.ask(at, DeadlineKind::Hold),
            Stage::Settling(from, _) => {
                self.stage = Stage::Measured;
                return seen.level.map(|level| self.measure(from, level, seen.most));
            }
            Stage::Unknown | Stage::Measured => {}
        }
        None
    }

    fn look(&mut self, seen: &Seen, deadlines: &mut Deadlines) {
        if self.next.is_none_or(|next| next <= seen.now) {
            self.next = Some(seen.now.after(GRID));
            match seen.level {
                Some(level) => self.looks.push(level),
                None => self.looks.clear(),
            }
            if self.looks.len() > LOOKS {
                self.looks.remove(0);
            }
        }
        self.next.into_iter().for_each(|at| deadlines.ask(at, DeadlineKind::Hold));
    }

    fn running_level(&self) -> Option<f64> {
        let looks = self.looks.get(..LOOKS - 1).filter(|_| self.looks.len() >= LOOKS)?;
        Some(looks.iter().sum::<f64>() / looks.len() as f64)
    }

    fn measure(&mut self, from: f64, level: f64, most: Option<f64>) -> String {
        let rise = level - from;
        let usual = self.usual();
        let grew = usual.filter(|usual| rise > GROWN * usual && rise - usual > NOISE);
        let high = most.filter(|most| level > *most);
        self.grown = match (grew, high) {
            (Some(usual), _) => Some(format!("{rise:.0} mm ran back, and {usual:.0} mm are usual")),
            (None, Some(most)) => Some(format!(
                "{rise:.0} mm ran back, up to {level:.0} mm, and over {most:.0} mm it is too close to what must stay dry"
            )),
            (None, None) => None,
        };
        if self.rises.len() >= MEMORY {
            self.rises.remove(0);
        }
        self.rises.push(rise);
        match usual {
            Some(usual) => format!("drain-back {rise:.0} mm, and {usual:.0} mm are usual"),
            None => format!("drain-back {rise:.0} mm: the first one, with which the next are compared"),
        }
    }

    fn usual(&self) -> Option<f64> {
        median(&self.rises)
    }

    /// `drain-back 85 mm`, while the pump of this stop is still off.
    pub fn sentence(&self) -> Option<String> {
        match self.stage {
            Stage::Measured => self.rises.last().map(|rise| format!("drain-back {rise:.0} mm")),
            Stage::Settling(..) => Some("drain-back: the water still runs back".to_owned()),
            Stage::Unknown | Stage::Runs(_) => None,
        }
    }

    pub fn status(&self) -> Option<DrainBackStatus> {
        let (newest_mm, usual_mm) = (*self.rises.last()?, self.usual()?);
        Some(DrainBackStatus { newest_mm, usual_mm, stops: self.rises.len(), grown: self.grown.clone() })
    }

    /// For the store. A stop that is not measured yet is not kept.
    pub fn record(&self) -> DrainBackRecord {
        DrainBackRecord { rises_mm: self.rises.clone(), grown: self.grown.clone() }
    }

    /// From the store.
    pub fn restored(record: &DrainBackRecord) -> Self {
        let rises = record.rises_mm.iter().copied().filter(|rise| rise.is_finite()).take(MEMORY).collect();
        Self { rises, grown: record.grown.clone(), ..Self::default() }
    }
}

impl Tank {
    pub(super) fn follow_drain_back(&mut self, effects: &mut Vec<Effect>, deadlines: &mut Deadlines) {
        let Some(plan) = &self.plan.drain_back else { return };
        let plug = &self.plugs[plan.pump.index()];
        let vote = &self.signals[plan.level.index()].vote;
        let on = plug.decided(OutputKind::ReturnPump) == Switch::On;
        let seen = Seen {
            now: self.now.steady,
            // Off is what was told and is not denied; what reports off, whoever did it, is off too.
            runs: plug.report.map_or(on, |(reported, _)| reported == Switch::On),
            level: vote.good_value(),
            most: plan.most,
        };
        let Some(text) = self.drain_back.follow(&seen, deadlines) else { return };
        self.unsaved = true;
        let held = self
            .holds
            .iter()
            .zip(&self.plan.holds)
            .find(|(live, hold)| live.active.is_some() && hold.pauses.contains(&plan.pump));
        let (kind, name) = match held {
            Some((_, hold)) => (JournalKind::Hold, hold.name.clone()),
            None => (JournalKind::System, self.plan.outputs[plan.pump.index()].name.clone()),
        };
        self.journal(kind, &name, text, effects);
    }
}

//! What was used of something: from control's counts, and from the log.
//!
//! A count is what an output has run in all, in seconds, and in litres where control counts those; litres come first, and
//! seconds stand in for them at the output's rate. It only rises, save where a kill lost its last moments, which are then
//! counted as nothing. Between two counts the run is taken as even. A rate leaves out times without counts: a daemon
//! that did not live for days says nothing of the use.

use crate::time::{Span, Wall};

use super::entry::What;
use super::facts::{Facts, OutputFact};
use super::state::Care;

/// Counts further apart than this enclose a time in which no daemon lived. They are made daily.
const LONGEST_STEP: Span = Span::from_hours(36);

/// The counts of one output, as a rising line over time.
#[derive(Clone, Debug, Default)]
pub(super) struct Counts {
    /// Moment, and seconds run, or litres given, since the first one.
    points: Vec<(Wall, f64)>,
}

impl Counts {
    /// Seconds of one output, up to now where control says what it has counted.
    pub(super) fn of(care: &Care, facts: &Facts, tank: &str, output: &str, now: Wall) -> Self {
        Self::rising(care, facts, tank, output, now, |before, count| count.seconds - before.seconds)
    }

    /// Litres of one output that delivers so many a second while it runs.
    pub(super) fn litres_of(care: &Care, facts: &Facts, tank: &str, output: &str, rate: f64, now: Wall) -> Self {
        Self::rising(care, facts, tank, output, now, |before, count| match (before.litres, count.litres) {
            (Some(before), Some(litres)) => litres - before,
            _ => (count.seconds - before.seconds) * rate,
        })
    }

    fn rising(
        care: &Care,
        facts: &Facts,
        tank: &str,
        output: &str,
        now: Wall,
        rise: impl Fn(&OutputFact, &OutputFact) -> f64,
    ) -> Self {
        let noted = care.all_standing().filter(|standing| standing.tank == tank).filter_map(|standing| match standing
            .what
            .as_ref()?
        {
            What::Counted { seconds, litres } => {
                let litres = litres.get(output).copied();
                let fact = OutputFact { seconds: *seconds.get(output)?, litres, ..OutputFact::default() };
                Some((standing.at, fact))
            }
            _ => None,
        });
        let live = facts.tanks.get(tank).and_then(|tank| tank.outputs.get(output)).map(|fact| (now, *fact));
        let mut counts = Self::default();
        let mut last: Option<OutputFact> = None;
        for (at, count) in noted.chain(live) {
            let run = counts.points.last().map_or(0.0, |(_, run)| *run);
            let more = last.map_or(0.0, |last| rise(&last, &count).max(0.0));
            // A wall clock that was set back does not make time run backwards.
            let at = counts.points.last().map_or(at, |(before, _)| at.max(*before));
            counts.points.push((at, run + more));
            last = Some(count);
        }
        counts
    }

    /// The moment of the last count.
    pub(super) fn last(&self) -> Option<Wall> {
        self.points.last().map(|(at, _)| *at)
    }

    fn run_until(&self, at: Wall) -> f64 {
        let after = self.points.partition_point(|(point, _)| *point <= at);
        match (after.checked_sub(1).and_then(|before| self.points.get(before)), self.points.get(after)) {
            (Some((t0, a)), Some((t1, b))) => {
                let part = at.since(*t0).seconds() / t1.since(*t0).seconds().max(1e-3);
                a + (b - a) * part.clamp(0.0, 1.0)
            }
            (Some((_, run)), None) => *run,
            (None, _) => 0.0,
        }
    }

    /// Seconds that it ran, or litres, between two moments.
    pub(super) fn run_between(&self, from: Wall, until: Wall) -> f64 {
        (self.run_until(until) - self.run_until(from)).max(0.0)
    }

    /// Seconds that it runs, or litres, in a day, over the last days for which there are counts; and over how many that is.
    pub(super) fn a_day(&self, since: Wall) -> Option<(f64, f64)> {
        let (mut run, mut days) = (0.0, 0.0);
        for pair in self.points.windows(2) {
            let [(t0, a), (t1, b)] = pair else { continue };
            let step = t1.since(*t0);
            if *t1 <= since || step > LONGEST_STEP || step == Span::ZERO {
                continue;
            }
            let inside = t1.since((*t0).max(since)).seconds() / step.seconds();
            run += (b - a) * inside;
            days += step.hours() / 24.0 * inside;
        }
        (days >= 1.0).then(|| (run / days, days))
    }
}

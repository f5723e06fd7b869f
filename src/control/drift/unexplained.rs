//! Kelvin that nothing explains: the water's slope against what is usual for what runs.
//!
//! Duty: for each set of outputs that run (heater, fan, light, pumps) the usual slope is learned; what the water does
//! beyond it, less what is forgiven, is summed up both ways, and a sum above the limit is told. A set that was never
//! seen is judged by the watts that it differs by from those that were, with more forgiven. Limits: nothing is judged
//! before one set is known, about half a day; it looks at
//! temperature alone, so it takes the better part of an hour, and a meter is sooner; a change that comes slower than
//! what is forgiven is never seen here.
//!
//! ```text
//!   a set begins ──5 min──► means of 3 min ──► slope - usual - forgiven ──► sum, from 0 up ──over──► told
//! ```

use std::collections::{BTreeMap, VecDeque};

use crate::control::plan::drift::UnexplainedPlan;
use crate::time::{Span, Steady};
use crate::water::stats::robust::median;

/// Sheath and probes have settled so long after a change; what has not is learned with the rest. [D3 has 20 min; simulated]
const SETTLES: Span = Span::from_minutes(5);
/// Looks, one a minute, in a mean.
const LOOKS: u8 = 3;
/// A longer gap between looks breaks the count.
const GAP: Span = Span::from_minutes(3);
/// A learned slope is that of so much time, h; so many are kept: about a week. [D3: 7 days; choice]
const PIECE_HOURS: f64 = 2.0;
const PIECES: usize = 40;
/// So many pieces are enough to go by. [choice]
const ENOUGH: usize = 3;
/// More is forgiven while a set's slope is only reckoned, and not learned. [choice]
const RECKONED: f64 = 2.25;
/// What stands for so long is what is usual now. [choice]
const BECOMES_USUAL: Span = Span::from_hours(24);
/// Sets that are kept.
const SETS: usize = 16;
/// Means that the rate in an alarm's words rests on.
const RATE_MEANS: usize = 11;

/// What is seen in a look.
#[derive(Clone, Copy, Debug)]
pub(super) struct Seen {
    pub now: Steady,
    /// °C; `None` while it is not good, or a hold stands.
    pub value: Option<f64>,
    /// The outputs that run, a bit each.
    pub running: u64,
    /// Probes that vote.
    pub good: u8,
    /// Whether what is seen now is usual.
    pub learns: bool,
}

/// K/h that a set of outputs gives, by its watts.
pub(super) type Gives<'a> = &'a dyn Fn(u64) -> f64;

/// A time in which one set runs.
#[derive(Clone, Debug)]
struct Spell {
    running: u64,
    good: u8,
    settled_at: Steady,
    seen_at: Steady,
    sum: f64,
    count: u8,
    means: VecDeque<(Steady, f64)>,
}

/// What was learned of a set.
#[derive(Clone, Debug, Default)]
struct Slopes {
    pieces: VecDeque<f64>,
    kelvin: f64,
    hours: f64,
    usual: Option<f64>,
}

/// The sums and what they rest on.
#[derive(Clone, Debug, Default)]
pub(super) struct Unexplained {
    pub high: f64,
    pub low: f64,
    /// Sums that forgive more and wait for less: for what is as large as the heater. Upwards, downwards.
    fast: (f64, f64),
    pub found: bool,
    doubtful_since: Option<Steady>,
    spell: Option<Spell>,
    slopes: BTreeMap<u64, Slopes>,
    /// The last slope, and the one that was expected, K/h.
    pub rate: Option<(f64, f64)>,
}

impl Unexplained {
    pub fn look(&mut self, plan: &UnexplainedPlan, seen: &Seen, gives: Gives<'_>) {
        let Some(value) = seen.value else {
            self.spell = None;
            return;
        };
        let goes_on = |spell: &&mut Spell| {
            spell.running == seen.running && spell.good == seen.good && seen.now.since(spell.seen_at) <= GAP
        };
        let Some(spell) = self.spell.as_mut().filter(goes_on) else {
            self.spell = Some(Spell {
                running: seen.running,
                good: seen.good,
                settled_at: seen.now.after(SETTLES),
                seen_at: seen.now,
                sum: 0.0,
                count: 0,
                means: VecDeque::new(),
            });
            return;
        };
        spell.seen_at = seen.now;
        if seen.now < spell.settled_at {
            return;
        }
        spell.sum += value;
        spell.count += 1;
        if spell.count < LOOKS {
            return;
        }
        let mean = spell.sum / f64::from(LOOKS);
        (spell.sum, spell.count) = (0.0, 0);
        let before = spell.means.back().copied();
        spell.means.push_back((seen.now, mean));
        if spell.means.len() > RATE_MEANS {
            spell.means.pop_front();
        }
        let first = spell.means.front().copied();
        if let (Some((at, before)), Some((began, first))) = (before, first) {
            let (hours, moved) = (seen.now.since(at).hours(), mean - before);
            let slope = (mean - first) / seen.now.since(began).hours().max(1e-3);
            self.judge(plan, seen, hours, moved, gives);
            self.rate = self.expected(seen.running, gives).map(|(expected, _)| (slope, expected));
        }
    }

    fn judge(&mut self, plan: &UnexplainedPlan, seen: &Seen, hours: f64, moved: f64, gives: Gives<'_>) {
        let Some((expected, learned)) = self.expected(seen.running, gives) else {
            if seen.learns {
                self.learn(seen.running, hours, moved);
            }
            return;
        };
        let forgiven = plan.forgives * hours * if learned { 1.0 } else { RECKONED };
        let excess = moved - expected * hours;
        let most = 2.0 * plan.over;
        self.high = (self.high + excess - forgiven).clamp(0.0, most);
        self.low = (self.low - excess - forgiven).clamp(0.0, most);
        if let Some((forgives, over)) = plan.fast {
            let forgiven = forgives * hours * if learned { 1.0 } else { RECKONED };
            self.fast.0 = (self.fast.0 + excess - forgiven).clamp(0.0, 2.0 * over);
            self.fast.1 = (self.fast.1 - excess - forgiven).clamp(0.0, 2.0 * over);
            // What the fast sum has found the slow one need not find again.
            if self.fast.0 > over {
                self.high = most;
            } else if self.fast.1 > over {
                self.low = most;
            }
        }
        let greater = self.high.max(self.low);
        self.found = if self.found { greater > plan.over / 3.0 } else { greater > plan.over };
        if greater > plan.over / 3.0 {
            self.doubtful_since.get_or_insert(seen.now);
        } else {
            self.doubtful_since = None;
        }
        let stands = self.doubtful_since.map(|since| seen.now.since(since));
        if seen.learns && stands.is_none_or(|lasted| lasted >= BECOMES_USUAL) {
            self.learn(seen.running, hours, moved);
        }
    }

    fn learn(&mut self, running: u64, hours: f64, moved: f64) {
        if self.slopes.len() >= SETS && !self.slopes.contains_key(&running) {
            // The set that is known least makes room.
            let least = self.slopes.iter().min_by_key(|(_, slopes)| slopes.pieces.len()).map(|(set, _)| *set);
            least.map(|set| self.slopes.remove(&set));
        }
        let slopes = self.slopes.entry(running).or_default();
        slopes.kelvin += moved;
        slopes.hours += hours;
        if slopes.hours >= PIECE_HOURS {
            slopes.add(slopes.kelvin / slopes.hours);
            (slopes.kelvin, slopes.hours) = (0.0, 0.0);
        }
    }

    /// The slope to expect, K/h, and whether it was learned. `None`: nothing was learned yet, and a loss that nobody
    /// has seen is a guess.
    fn expected(&self, running: u64, gives: Gives<'_>) -> Option<(f64, bool)> {
        if let Some(usual) = self.slopes.get(&running).and_then(|slopes| slopes.usual) {
            return Some((usual, true));
        }
        let losses = self.slopes.iter().filter_map(|(set, slopes)| Some(slopes.usual? - gives(*set)));
        let loses = median(&losses.collect::<Vec<_>>())?;
        Some((gives(running) + loses, false))
    }

    /// Which way: above what is explained.
    pub fn is_warmer(&self) -> bool {
        self.high >= self.low
    }

    /// What was learned, the oldest first.
    pub fn learned(&self) -> impl Iterator<Item = (u64, Vec<f64>)> + '_ {
        self.slopes
            .iter()
            .map(|(set, slopes)| (*set, slopes.pieces.iter().copied().map(super::record::short).collect()))
    }

    /// What was learned in an earlier run.
    pub fn remember(&mut self, running: u64, pieces: &[f64]) {
        if self.slopes.len() < SETS {
            let slopes = self.slopes.entry(running).or_default();
            pieces.iter().filter(|slope| slope.is_finite()).for_each(|slope| slopes.add(*slope));
        }
    }
}

impl Slopes {
    fn add(&mut self, slope: f64) {
        self.pieces.push_back(slope);
        if self.pieces.len() > PIECES {
            self.pieces.pop_front();
        }
        let pieces: Vec<f64> = self.pieces.iter().copied().collect();
        self.usual = if pieces.len() >= ENOUGH { median(&pieces) } else { None };
    }
}

//! What is usual at this hour of the day, and how far the water is from it.
//!
//! Duty: the usual value of each half hour of the local day, learned slowly, and how far values usually are from it;
//! what is further than two and a half times that is summed up over the hours, and a sum is told. Limits: a value that
//! moves away more slowly than the profile learns is never unusual; nothing is told before three days are known.

use std::collections::VecDeque;

use crate::control::plan::drift::UnusualPlan;
use crate::water::stats::robust::scaled_mad;

/// Half hours in a day.
pub(super) const BINS: usize = 48;
/// A new day moves the profile by this part of its difference, and by so many spreads at most. [D3: 0.15; choice]
const LAMBDA: f64 = 0.15;
const MOST_SPREADS: f64 = 4.0;
/// Days before a half hour is known. [choice]
const DAYS: u16 = 3;
/// Hours of differences that the spread rests on, and how many are enough: 7 days, 2 days. [choice]
const RESIDUALS: usize = 168;
const ENOUGH: usize = 48;
/// Looks, one a minute, that make half an hour known.
const LOOKS: u16 = 20;
/// Further than so many spreads is unusual. [D3 has 2, which told too often in summer; simulated]
const SPREADS: f64 = 2.5;
/// So many spreads times hours are told. [D3 has 1.5; simulated]
const OVER: f64 = 2.0;

/// The profile of one signal.
#[derive(Clone, Debug, Default)]
pub(super) struct Profile {
    pub usual: Vec<(f64, u16)>,
    pub residuals: VecDeque<f64>,
    spread: f64,
    pub high: f64,
    pub low: f64,
    /// The half hour of now, the sum of its looks and their number.
    half: Option<(usize, f64, u16)>,
    /// The sums are too great, and the value is where it is told.
    pub found: bool,
    /// The mean of the last half hour.
    pub last: Option<f64>,
}

impl Profile {
    /// The value of a minute in its half hour of the local day; `None`: not good, or nothing usual now.
    pub fn look(&mut self, plan: &UnusualPlan, value: Option<f64>, bin: usize, floating: bool) {
        let bin = bin % BINS;
        if let Some((old, sum, count)) = self.half
            && old != bin
        {
            self.half = None;
            if count >= LOOKS {
                self.judge(plan, old, sum / f64::from(count), floating);
            }
        }
        let Some(value) = value else { return };
        let half = self.half.get_or_insert((bin, 0.0, 0));
        half.1 += value;
        half.2 += 1;
    }

    fn judge(&mut self, plan: &UnusualPlan, bin: usize, mean: f64, floating: bool) {
        self.usual.resize(BINS, (0.0, 0));
        self.last = Some(mean);
        let (usual, days) = self.usual[bin];
        if days == 0 {
            self.usual[bin] = (mean, 1);
            return;
        }
        let off = mean - usual;
        let spread = self.spread(plan);
        if days >= DAYS && self.residuals.len() >= ENOUGH {
            let most = 2.0 * OVER * spread;
            self.high = (self.high + (off - SPREADS * spread) * 0.5).clamp(0.0, most);
            self.low = (self.low + (-off - SPREADS * spread) * 0.5).clamp(0.0, most);
            let over = OVER * spread;
            let told = |limit: f64| {
                let outside = plan.between.is_none_or(|(least, most)| mean < least || mean > most);
                let counts = match plan.floating_above {
                    Some(above) if floating => mean > above,
                    _ => outside,
                };
                counts && self.high.max(self.low) > limit
            };
            self.found = if self.found { told(over / 2.0) } else { told(over) };
        }
        // The first days count fully, later ones slowly.
        let part = LAMBDA.max(1.0 / (f64::from(days) + 1.0));
        let most = MOST_SPREADS * spread * LAMBDA;
        let step = if days < DAYS { off * part } else { (off * part).clamp(-most, most) };
        self.usual[bin] = (usual + step, days.saturating_add(1).min(1000));
        if bin.is_multiple_of(2) {
            self.residuals.push_back(off);
            if self.residuals.len() > RESIDUALS {
                self.residuals.pop_front();
            }
            self.spread = self.measured().unwrap_or(0.0);
        }
    }

    fn measured(&self) -> Option<f64> {
        scaled_mad(&self.residuals.iter().copied().collect::<Vec<_>>())
    }

    /// How far values usually are from what is usual, in units of the signal.
    pub fn spread(&self, plan: &UnusualPlan) -> f64 {
        self.spread.max(plan.least_spread)
    }

    /// What is usual in a half hour, once that is known.
    pub fn usual_at(&self, bin: usize) -> Option<f64> {
        self.usual.get(bin % BINS).filter(|(_, days)| *days >= DAYS).map(|(usual, _)| *usual)
    }

    /// From an earlier run.
    pub fn restored(usual: &[(f64, u16)], residuals: &[f64], sums: (f64, f64), found: bool) -> Self {
        let sound = usual.len() == BINS && usual.iter().all(|(value, _)| value.is_finite());
        let mut this = Self {
            usual: if sound { usual.to_vec() } else { Vec::new() },
            residuals: residuals.iter().rev().take(RESIDUALS).rev().copied().filter(|off| off.is_finite()).collect(),
            high: sums.0.clamp(0.0, 1e6),
            low: sums.1.clamp(0.0, 1e6),
            found,
            ..Self::default()
        };
        this.spread = this.measured().unwrap_or(0.0);
        this
    }
}

//! How long plugs take to prove commands: counted into fixed steps, for graphs. No decision rests on it.

use crate::time::Span;

/// Proofs by how long they took.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct ProofTimes {
    counts: [u64; Self::STEPS.len()],
    all: u64,
    millis: u64,
}

impl ProofTimes {
    /// Upper edges of the steps, in milliseconds.
    pub const STEPS: [u64; 9] = [50, 100, 250, 500, 1000, 2500, 5000, 10_000, 30_000];

    /// A proof took so long.
    pub(super) fn count(&mut self, took: Span) {
        self.all += 1;
        self.millis = self.millis.saturating_add(took.millis());
        if let Some(step) = Self::STEPS.iter().position(|edge| took.millis() <= *edge) {
            self.counts[step] += 1;
        }
    }

    /// Each step's upper edge in seconds, with the proofs that took no longer.
    pub fn steps(&self) -> impl Iterator<Item = (f64, u64)> + '_ {
        let mut sum = 0;
        Self::STEPS.iter().zip(self.counts).map(move |(edge, count)| {
            sum += count;
            (*edge as f64 / 1000.0, sum)
        })
    }

    /// All proofs, and the seconds of all of them together.
    pub fn sums(&self) -> (u64, f64) {
        (self.all, self.millis as f64 / 1000.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_hold_what_took_no_longer() {
        let mut times = ProofTimes::default();
        for millis in [50, 51, 900, 60_000] {
            times.count(Span::from_millis(millis));
        }
        let steps: Vec<_> = times.steps().map(|(_, count)| count).collect();
        assert_eq!(steps, [1, 2, 2, 2, 3, 3, 3, 3, 3]);
        assert_eq!(times.sums(), (4, 61.001));
    }
}

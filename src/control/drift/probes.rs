//! Probes of one water that should keep their differences.
//!
//! Duty: the hourly mean of how far each probe is from the others, followed slowly, against the difference when it was
//! commissioned or last calibrated (the median of its first day). One that moved is told. Limits: one probe alone
//! cannot see its own drift; of two nobody can say which one is wrong; a probe in hand begins anew.

use crate::control::plan::Calibration;
use crate::control::plan::drift::ProbesPlan;
use crate::water::stats::charts::Ewma;
use crate::water::stats::robust::median;

use super::record::{OffsetRecord, short};

/// Looks, one a minute, that make an hour known.
const LOOKS: u32 = 30;
/// Hours from which the first difference is taken. [choice]
const FIRST: usize = 24;
/// The part by which an hour moves the slow mean. [D4: 0.1]
const LAMBDA: f64 = 0.1;
/// Told until it is back by this part. [choice]
const BACK: f64 = 0.7;

/// One probe against the others.
#[derive(Clone, Debug, Default)]
pub(super) struct Offset {
    sum: f64,
    count: u32,
    pub record: OffsetRecord,
    pub found: bool,
}

impl Offset {
    pub fn restored(record: &OffsetRecord) -> Self {
        let sound = |value: &Option<f64>| value.is_none_or(f64::is_finite);
        let sound = sound(&record.commissioned) && sound(&record.now);
        Self { record: if sound { record.clone() } else { OffsetRecord::default() }, ..Self::default() }
    }

    /// Under another calibration, or after its care, it is another probe.
    pub fn begin_anew(&mut self, calibration: Calibration) {
        let record = OffsetRecord { calibration: (calibration.slope, calibration.offset), ..OffsetRecord::default() };
        *self = Self { record, ..Self::default() };
    }

    pub fn is_of(&self, calibration: Calibration) -> bool {
        let (slope, offset) = self.record.calibration;
        slope.to_bits() == calibration.slope.to_bits() && offset.to_bits() == calibration.offset.to_bits()
    }

    /// A minute: how far it is from the others; `None`: not known.
    pub fn look(&mut self, difference: Option<f64>) {
        if let Some(difference) = difference {
            self.sum += difference;
            self.count += 1;
        }
    }

    /// An hour is over.
    pub fn hour(&mut self, plan: &ProbesPlan) {
        let (sum, count) = (std::mem::take(&mut self.sum), std::mem::take(&mut self.count));
        if count < LOOKS {
            return;
        }
        let mean = sum / f64::from(count);
        let Some(commissioned) = self.record.commissioned else {
            self.record.first.push(short(mean));
            if self.record.first.len() >= FIRST {
                self.record.commissioned = median(&self.record.first);
                self.record.first.clear();
            }
            return;
        };
        let before = self.record.now.unwrap_or(commissioned);
        let Some(mut slow) = Ewma::new(LAMBDA, before) else { return };
        let now = slow.add(mean);
        self.record.now = Some(now);
        let moved = (now - commissioned).abs();
        self.found = moved > plan.by * if self.found { BACK } else { 1.0 };
    }

    /// By how much it moved since it was commissioned.
    pub fn moved(&self) -> Option<f64> {
        Some(self.record.now? - self.record.commissioned?)
    }
}

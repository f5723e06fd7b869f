//! What a top-off goes by: a level or a low float, how much a usual run gives, and the salinity beside it.

use crate::control::ids::{ConditionId, SignalId};
use crate::control::plan::{Condition, Doubtful, Estimate, Gauge, Side, TimerUnknown};
use crate::time::Span;
use crate::units::Quantity;

use super::super::kinds::Measures;
use super::super::read::Fields;
use super::super::scope::Scope;
use super::super::starts;
use super::super::tank::signal_measuring;

/// So much of the water is a usual run [PICK].
const RUN_PART: f64 = 1.0 / 600.0;
/// Less is in a level probe's noise, mm [PICK].
const LEAST_RISE: f64 = 3.0;
/// The level or the float must say so for so long [PICK].
const WANTED_FOR: Span = Span::from_seconds(60);

/// What a top-off goes by, and how much a usual run gives.
pub(super) struct By {
    pub(super) gauge: Gauge,
    pub(super) wanted: ConditionId,
    pub(super) litres: f64,
}

pub(super) fn by(fields: &Fields, litres: f64, scope: &Scope) -> Option<By> {
    let item = fields.need("signal", "sump-level")?;
    let signal = SignalId::new(item.one_of("signal", &scope.signals)?);
    let known = &scope.signals[signal.index()];
    let (wanted, gauge, run) = match known.measures? {
        Measures::Number(Quantity::Level) => {
            meaningless(fields, &["run"], "a low float");
            let per_mm = fields.need("water_per_mm", "37.5 mL").map(|item| item.amount(Quantity::Volume, 1e-4, 1000.0));
            let (least, greatest) = known.range;
            let limit = |key: &str| fields.get(key).map(|item| item.amount(Quantity::Level, least, greatest));
            let (start, stop) = (limit("start_below"), limit("stop_at"));
            let litres_per_mm = per_mm??;
            let stop_at = stop.unwrap_or(Some(0.0))?;
            let usual = stop_at - (litres * RUN_PART / litres_per_mm).clamp(LEAST_RISE, 15.0);
            let start_below = start.unwrap_or(Some(usual))?;
            if stop_at - start_below < 2.0 {
                fields.get("start_below").unwrap_or(item).wrong(format!(
                    "a run from {start_below:.1} mm to {stop_at:.1} mm is within a probe's noise\nwrite `start_below: {:.1} mm` or less",
                    stop_at - LEAST_RISE
                ));
            }
            let low = Condition::Compare {
                signal,
                estimate: Estimate::Voted,
                side: Side::Below,
                limit: start_below,
                deadband: 0.0,
                alone_margin: 0.0,
                doubtful: Doubtful::IsUnknown,
            };
            (low, Gauge::Level { signal, stop_at, litres_per_mm }, (stop_at - start_below) * litres_per_mm)
        }
        Measures::LowFloat => {
            meaningless(fields, &["water_per_mm", "start_below", "stop_at"], "a level");
            let run = fields.need("run", "0.4 L").map(|item| item.amount(Quantity::Volume, 0.001, litres / 20.0));
            let dry = Condition::Contact { signal, wet: false, doubtful: Doubtful::IsUnknown };
            (dry, Gauge::LowFloat(signal), run??)
        }
        other => {
            item.wrong(format!(
                "`{}` is a {}, and a top-off goes by a level or a low float",
                known.name,
                other.quantity().noun()
            ));
            return None;
        }
    };
    let inner = scope.add(wanted);
    let wanted = scope.add(Condition::Lasting { inner, span: WANTED_FOR, unknown: TimerUnknown::Resets });
    Some(By { gauge, wanted, litres: run })
}

pub(super) fn meaningless(fields: &Fields, keys: &[&str], where_it_counts: &str) {
    for item in keys.iter().filter_map(|key| fields.get(key)) {
        item.wrong(format!("`{}` means something for {where_it_counts} only\nremove it", item.last_key()));
    }
}

pub(super) fn salinity(fields: &Fields, scope: &Scope) -> (Option<SignalId>, Option<ConditionId>) {
    let Some(item) = fields.get("salinity") else { return (None, None) };
    let Some(keys) = item.fields(&["signal", "over"]) else { return (None, None) };
    let signal = keys.need("signal", "salinity").and_then(|item| signal_measuring(&item, Quantity::Salinity, scope));
    let over = keys.need("over", "34 psu").and_then(|item| item.amount(Quantity::Salinity, 1.0, 45.0));
    let enough = signal.zip(over).map(|(signal, over)| {
        // Not known is no no: it leaves half of the budget.
        let enough = starts::over(scope, signal, over, 0.0);
        let lost = scope.not(scope.known(signal));
        scope.any(vec![enough, lost])
    });
    (signal, enough)
}

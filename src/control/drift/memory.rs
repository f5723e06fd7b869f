//! From live drift detection to what survives a kill, and back: by names, so that a changed plan can read it.

use super::probes::Offset;
use super::profile::Profile;
use super::record::{CourseRecord, DriftRecord, ProbesRecord, UnexplainedRecord, short};
use super::time_to_limit::Told;
use super::{Course, Drift, LEARNS_AFTER, SUMS_AFTER};
use crate::control::ids::ProbeId;
use crate::control::long_term::LongTerm;
use crate::control::plan::TankPlan;
use crate::time::{Span, Steady};

impl Drift {
    /// What survives.
    pub fn record(&self, plan: &TankPlan, now: Steady) -> DriftRecord {
        if plan.drift.is_none() {
            return DriftRecord { long_term: self.long_term.record(), ..DriftRecord::default() };
        }
        let names = |set: u64| {
            let on = plan.outputs.iter().take(64).enumerate().filter(|(at, _)| set & (1 << at) != 0);
            on.map(|(_, output)| &*output.name).collect::<Vec<_>>().join("+")
        };
        let slopes = self.unexplained.learned().map(|(set, pieces)| (names(set), pieces));
        let courses = plan.drift.courses.iter().zip(&self.courses).map(|(course, live)| {
            let profile = &live.profile;
            let record = CourseRecord {
                usual: profile.usual.iter().map(|(value, days)| (short(*value), *days)).collect(),
                residuals: profile.residuals.iter().copied().map(short).collect(),
                sums: (short(profile.high), short(profile.low)),
                unusual: live.unusual_told.ago(now),
                nears: live.nears_told.ago(now),
            };
            (plan.signals[course.signal.index()].name.clone(), record)
        });
        let probes = plan.drift.probes.iter().zip(&self.offsets).map(|(watched, live)| {
            let signal = &plan.signals[watched.signal.index()];
            let names = signal.probes.iter().map(|id| plan.probes[id.index()].name.clone());
            let of = names.zip(live.iter().map(|offset| offset.record.clone())).collect();
            (signal.name.clone(), ProbesRecord { of })
        });
        DriftRecord {
            unexplained: UnexplainedRecord {
                high: short(self.unexplained.high),
                low: short(self.unexplained.low),
                found: self.unexplained.found,
                slopes: slopes.collect(),
            },
            courses: courses.collect(),
            probes: probes.collect(),
            heated_minutes: self.heated.iter().copied().collect(),
            calm_in: self.learns_at.map_or(Span::ZERO, |at| at.since(now)),
            warm_spell: self.warm_spell.at.map(|at| now.since(at)),
            long_term: self.long_term.record(),
        }
    }

    /// From an earlier run, by names.
    pub fn restored(record: &DriftRecord, plan: &TankPlan, now: Steady) -> Self {
        let mut this = Self { long_term: LongTerm::restored(&record.long_term), ..Self::default() };
        let sound = |sum: f64| if sum.is_finite() { sum.clamp(0.0, 10.0) } else { 0.0 };
        this.unexplained.high = sound(record.unexplained.high);
        this.unexplained.low = sound(record.unexplained.low);
        this.unexplained.found = record.unexplained.found;
        for (names, pieces) in &record.unexplained.slopes {
            let bits = names.split('+').filter(|name| !name.is_empty());
            let set = bits.map(|name| plan.output(name).filter(|id| id.index() < 64).map(|id| 1_u64 << id.index()));
            if let Some(set) = set.collect::<Option<Vec<_>>>() {
                this.unexplained.remember(set.into_iter().fold(0, |all, bit| all | bit), pieces);
            }
        }
        for course in &plan.drift.courses {
            let kept = record.courses.get(&plan.signals[course.signal.index()].name).cloned().unwrap_or_default();
            let mut live = Course {
                profile: Profile::restored(&kept.usual, &kept.residuals, kept.sums, kept.unusual.1),
                unusual_told: Told::restored(kept.unusual, now),
                nears_told: Told::restored(kept.nears, now),
                ..Course::default()
            };
            live.nears.found = kept.nears.1;
            this.courses.push(live);
        }
        for watched in &plan.drift.probes {
            let signal = &plan.signals[watched.signal.index()];
            let kept = record.probes.get(&signal.name).cloned().unwrap_or_default();
            let of = |id: &ProbeId| {
                kept.of.get(&plan.probes[id.index()].name).map_or_else(Offset::default, Offset::restored)
            };
            this.offsets.push(signal.probes.iter().map(of).collect());
        }
        this.heated = record.heated_minutes.iter().copied().take(24).collect();
        this.learns_at = (record.calm_in > Span::ZERO).then(|| now.after(record.calm_in.min(LEARNS_AFTER)));
        this.sums_at = this.learns_at.map(|at| at.before(LEARNS_AFTER.minus(SUMS_AFTER)));
        this.warm_spell.at = record.warm_spell.map(|ago| now.before(ago));
        this
    }
}

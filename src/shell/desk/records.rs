//! What is written down of each signal: buckets for the long graphs, and how steady each local day was.
//!
//! Duty: to look at a tank's voted values as its readings come, at the resolution of the samples, and to
//! hand buckets and completed days to the store. The running days are written with them, so that a kill
//! costs the samples of `sample_every` and no more. Limits: nothing here decides, and nothing waits.

use std::collections::BTreeMap;

use crate::config::setup::TankFacts;
use crate::control::Tank;
use crate::control::ids::{ProbeId, SignalId};
use crate::control::plan::TankPlan;
use crate::time::{Now, Span, Steady, Wall};
use crate::units::Quantity;
use crate::water::stats::days::{Day, Known, Rules, Steadiness};
use crate::water::stats::weighted::Between;
use crate::wire::metrics::{SignalRecord, TankRecords};

use super::super::store::{DayOf, Sample};
use super::Desk;

/// One tank's records.
#[derive(Debug, Default)]
pub(super) struct Records {
    signals: Vec<Record>,
}

#[derive(Debug)]
struct Record {
    name: String,
    unit: &'static str,
    rules: Rules,
    /// Floats and leak probes have no mean day.
    has_days: bool,
    steady: Steadiness,
    /// The newest sample that was taken in.
    taken: Option<Steady>,
    bucket: Option<Gathering>,
}

/// The bucket that is being filled.
#[derive(Clone, Copy, Debug)]
struct Gathering {
    least: f64,
    sum: f64,
    greatest: f64,
    count: u32,
}

/// What is to be written.
#[derive(Debug, Default)]
struct Due {
    samples: Vec<Sample>,
    days: Vec<DayOf>,
}

impl Records {
    /// For the signals of a plan; `kept` is what the store has of the running days, as JSON.
    pub(super) fn new(plan: &TankPlan, facts: &TankFacts, kept: Option<&str>) -> Self {
        let mut kept: BTreeMap<String, Steadiness> =
            kept.and_then(|json| serde_json::from_str(json).ok()).unwrap_or_default();
        let signals = plan.signals.iter().enumerate().map(|(index, signal)| {
            let of = |one: &&crate::config::Stability| one.signal == SignalId::new(index);
            let stability = facts.stability.iter().find(of);
            let stale = signal.probes.iter().map(|probe| plan.probes[probe.index()].stale_after).max();
            let has_days = signal.quantity != Quantity::Contact;
            Record {
                name: signal.name.to_string(),
                unit: signal.quantity.canonical().symbol,
                rules: Rules {
                    zone: plan.zone,
                    longest_gap: stale.unwrap_or(Span::ZERO),
                    between: if has_days { Between::Linear } else { Between::Step },
                    band: stability.and_then(|one| one.band),
                    warmest_month: stability.and_then(|one| one.warmest_month),
                },
                has_days,
                steady: kept.remove(&*signal.name).unwrap_or_default(),
                taken: None,
                bucket: None,
            }
        });
        Self { signals: signals.collect() }
    }

    /// A probe was heard: takes in the new voted values. Returns days that are over.
    fn heard(&mut self, tank: &Tank, probe: ProbeId, now: Now) -> Vec<DayOf> {
        let mut over = Vec::new();
        for signal in tank.signals_of(probe) {
            let Some(record) = self.signals.get_mut(signal.index()) else { continue };
            if let Some((value, at)) = tank.value_of(signal)
                && record.taken != Some(at)
            {
                record.taken = Some(at);
                record.gather(value);
                let days = if record.has_days { record.steady.heard(&record.rules, now.wall, value) } else { vec![] };
                over.extend(days.into_iter().map(|day| record.of(tank, day)));
            }
        }
        over
    }

    /// The time of a bucket is over.
    fn close_buckets(&mut self, tank: &Tank, now: Now) -> Due {
        let mut due = Due::default();
        for (index, record) in self.signals.iter_mut().enumerate() {
            let value = tank.value_of(SignalId::new(index));
            if record.has_days {
                let known = if value.is_some() { Known::Yes } else { Known::No };
                let days = record.steady.passed(&record.rules, now.wall, known);
                due.days.extend(days.into_iter().map(|day| record.of(tank, day)));
            }
            // What is said less often than a bucket lasts still stands, as long as it is not stale.
            let standing = value.map(|(value, _)| Gathering { least: value, sum: value, greatest: value, count: 1 });
            let bucket = record.bucket.take().or(standing).filter(|_| value.is_some());
            due.samples.extend(bucket.map(|bucket| Sample {
                at: now.wall.unix_millis(),
                tank: tank.plan().name.to_string(),
                signal: record.name.clone(),
                unit: record.unit,
                zone: tank.plan().zone.to_string(),
                least: bucket.least,
                // A sum rounds: seven times 24.2 must not be less than 24.2 in the mean.
                mean: (bucket.sum / f64::from(bucket.count)).max(bucket.least).min(bucket.greatest),
                greatest: bucket.greatest,
                count: bucket.count,
            }));
        }
        due
    }

    /// The running days, for the store.
    pub(super) fn json(&self) -> Option<String> {
        let days: BTreeMap<&str, &Steadiness> = self
            .signals
            .iter()
            .filter(|record| record.has_days)
            .map(|record| (&*record.name, &record.steady))
            .collect();
        serde_json::to_string(&days).ok()
    }

    /// The signals that have a band.
    pub(super) fn watched(&self) -> Vec<String> {
        self.banded().map(|record| record.name.clone()).collect()
    }

    /// The days in a row, up to the last completed one, on which all of those were in their bands.
    pub(super) fn steady_days(&self, now: Wall) -> Option<u32> {
        self.banded().map(|record| record.steady.in_a_row(now)).min()
    }

    fn banded(&self) -> impl Iterator<Item = &Record> {
        self.signals.iter().filter(|record| record.has_days && record.rules.band.is_some())
    }

    /// What the metrics show of it.
    pub(super) fn shown(&self, tank: &TankPlan) -> TankRecords {
        let signals = self.signals.iter().filter(|record| record.has_days).map(|record| {
            let (day, seconds) = (record.steady.completed(), record.steady.seconds());
            SignalRecord {
                signal: record.name.clone(),
                band: record.rules.band,
                seconds: [seconds.inside, seconds.below, seconds.above, seconds.unknown],
                known_seconds: seconds.known,
                day_began: day.map(|day| day.from),
                mean: day.and_then(|day| day.mean),
                sd: day.and_then(|day| day.sd),
                swing: day.and_then(Day::swing),
                coverage: day.map(Day::coverage),
                in_band: day
                    .and_then(|day| day.band.filter(|_| day.covered > 0.0).map(|band| band.inside / day.covered)),
                heating_weeks: day.and_then(|day| day.heating_weeks),
            }
        });
        TankRecords { tank: tank.name.to_string(), signals: signals.collect() }
    }
}

impl Record {
    fn gather(&mut self, value: f64) {
        let bucket = self.bucket.get_or_insert(Gathering { least: value, sum: 0.0, greatest: value, count: 0 });
        bucket.least = bucket.least.min(value);
        bucket.greatest = bucket.greatest.max(value);
        bucket.sum += value;
        bucket.count = bucket.count.saturating_add(1);
    }

    fn of(&self, tank: &Tank, day: Day) -> DayOf {
        let plan = tank.plan();
        DayOf {
            tank: plan.name.to_string(),
            signal: self.name.clone(),
            unit: self.unit,
            zone: plan.zone.to_string(),
            day,
        }
    }
}

impl Desk {
    /// After a step that a reading began.
    pub(super) fn write_down(&mut self, index: usize, probe: ProbeId, now: Now) {
        let seat = &mut self.seats[index];
        let days = seat.records.heard(&seat.tank, probe, now);
        self.store.days(days);
    }

    /// Hands a tank's buckets, days that are over and running days to the store.
    pub(super) fn sample(&mut self, index: usize) {
        let now = self.clock.now();
        let seat = &mut self.seats[index];
        let due = seat.records.close_buckets(&seat.tank, now);
        self.store.samples(due.samples);
        self.store.days(due.days);
        self.keep_running_days(index);
    }

    /// Hands the running days to the store.
    pub(super) fn keep_running_days(&self, index: usize) {
        let seat = &self.seats[index];
        if let Some(json) = seat.records.json() {
            self.store.steadiness(&seat.tank.plan().name, json);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config;
    use crate::control::Remembered;
    use crate::control::event::{Event, Retained};
    use std::path::Path;

    fn lagoon() -> (Tank, TankFacts) {
        let setup = config::load(&Path::new(env!("CARGO_MANIFEST_DIR")).join("config")).unwrap();
        let tank = setup.tanks.into_iter().find(|tank| &*tank.plan.name == "lagoon").unwrap();
        let now = Now { steady: Steady::from_millis(0), wall: Wall::from_unix_millis(1_780_308_000_000) };
        (Tank::new(tank.plan, Remembered::Nothing, now), tank.facts)
    }

    fn hear(tank: &mut Tank, records: &mut Records, now: Now, value: f64) -> Vec<DayOf> {
        let mut over = Vec::new();
        for name in ["display-temp", "sump-temp"] {
            let probe = tank.plan().probe(name).unwrap();
            tank.step(Event::ReadingArrived { probe, reading: Ok(value), retained: Retained::No }, now);
            over.extend(records.heard(tank, probe, now));
        }
        over
    }

    #[test]
    fn a_short_peak_between_two_samples_is_in_the_bucket() {
        let (mut tank, facts) = lagoon();
        let mut records = Records::new(tank.plan(), &facts, None);
        let mut now = Now { steady: Steady::from_millis(0), wall: Wall::from_unix_millis(1_780_308_000_000) };
        // The median of three takes a single reading out; two are a peak.
        for (n, value) in [25.0, 25.0, 25.0, 25.1, 25.1, 25.1, 25.0, 25.0, 25.0].into_iter().enumerate() {
            now = now.after(Span::from_seconds(if n == 0 { 1 } else { 5 }));
            hear(&mut tank, &mut records, now, value);
        }
        let due = records.close_buckets(&tank, now);
        let water = due.samples.iter().find(|sample| sample.signal == "water-temp").unwrap();
        assert!((water.greatest - 25.1).abs() < 1e-9 && (water.least - 25.0).abs() < 1e-9, "{water:?}");
        let steady = due.samples.iter().all(|one| one.least <= one.mean && one.mean <= one.greatest);
        assert!(steady && water.mean > 25.0 && water.mean < 25.1 && water.count > 3, "{water:?}");
        assert!(due.samples.iter().all(|sample| sample.signal != "salinity"), "never heard, never written");
        // Nobody speaks any more: no bucket repeats what is stale.
        tank.step(Event::Woken, now.after(Span::from_minutes(10)));
        let later = records.close_buckets(&tank, now.after(Span::from_minutes(10)));
        assert!(later.samples.is_empty(), "{later:?}");
    }

    #[test]
    fn a_day_goes_on_after_a_restart_and_is_shown_when_it_is_over() {
        let (mut tank, facts) = lagoon();
        let day = tank.plan().zone.day_named("2026-06-02").unwrap();
        let mut records = Records::new(tank.plan(), &facts, None);
        let mut now = Now { steady: Steady::from_millis(1_000_000), wall: day.from };
        let mut over = Vec::new();
        while now.wall <= day.until {
            let hour = now.wall.since(day.from).millis() / 3_600_000;
            over.extend(hear(&mut tank, &mut records, now, if hour < 12 { 25.0 } else { 25.2 }));
            if now.wall == day.from.after(Span::from_hours(6)) {
                records = Records::new(tank.plan(), &facts, records.json().as_deref());
            }
            now = now.after(Span::from_seconds(30));
        }
        let water = over.iter().find(|of| of.signal == "water-temp").unwrap();
        assert!((water.day.mean.unwrap() - 25.1).abs() < 1e-3, "{water:?}");
        assert!(water.day.coverage() > 0.998, "three readings make a probe good, and no more is lost: {water:?}");
        assert_eq!(water.day.band.map(|band| (band.low, band.high)), Some((24.5, 25.5)));
        let shown = records.shown(tank.plan());
        let shown = shown.signals.iter().find(|one| one.signal == "water-temp").unwrap();
        assert_eq!((shown.day_began, shown.heating_weeks), (Some(day.from), Some(0.0)));
        assert!((shown.in_band.unwrap() - 1.0).abs() < 1e-9);
    }
}

//! One probe's readings: from samples to a value with quality and reason.
//!
//! Duty: decide whether the newest value may be believed. A sample that is refused never replaces a
//! value and never refreshes its age, so that every way of losing a probe ends as a bad reading.
//!
//! ```text
//!                 3 fresh samples            too fast / does not move
//!   bad ─────────► (settling) ─────► good ◄───────────────────────► suspect
//!    ▲                                │ back at the trusted value for 30 s, moved, acknowledged
//!    └── silent for too long, or three samples in a row refused ──┘
//! ```

use crate::time::{Span, Steady};
use crate::units::Quantity;

use super::deadlines::Deadlines;
use super::effect::DeadlineKind;
use super::event::Retained;
use super::plan::ProbePlan;
use super::quality::{Doubt, Fault, Quality};
use super::status::SampleCounts;
use super::stillness::Stillness;

/// Fresh samples before a probe that was bad is believed. [F04, F09: choice]
const SETTLING_SAMPLES: u8 = 3;
/// Samples in a row that are refused before the value is given up, though it is not yet stale.
const REFUSED_IN_A_ROW: u8 = 3;
/// The rate is judged against the value about so long ago. [D2: choice]
const RATE_BASE: Span = Span::from_seconds(60);
/// Delivery at least once means perhaps twice: the same value so soon again is the same sample. [choice]
const SAME_SAMPLE: Span = Span::from_millis(50);
/// A suspect rate clears after so long near the last trusted value. [F10: choice]
const RETURNED_FOR: Span = Span::from_seconds(30);

/// After its care a probe counts when it has been back for so long. [holds: 2 min]
const BACK_FROM_CARE: Span = Span::from_minutes(2);
/// K around the last trusted temperature. [holds: 2 K]
const NEAR_AFTER_CARE: f64 = 2.0;

/// A probe's readings so far.
#[derive(Clone, Debug)]
pub(super) struct Probe {
    /// The last three accepted samples, calibrated; the newest last.
    window: [f64; 3],
    filled: u8,
    /// The median of the window (the newest for a contact).
    value: f64,
    accepted_at: Option<Steady>,
    /// When a sample last counted towards settling: a burst counts once.
    counted_at: Option<Steady>,
    settled: u8,
    refused: u8,
    fault: Fault,
    /// A kept message's value: shown, never used.
    pub retained: Option<f64>,
    /// Values about one and two rate bases ago.
    anchors: [Option<(f64, Steady)>; 2],
    rate: Option<RateDoubt>,
    moved_at: Option<(f64, Steady)>,
    care: Option<Care>,
    /// Whether it should have moved and did not.
    pub still: Stillness,
    /// Set by the vote of three.
    pub outvoted: bool,
    /// Samples by result since the start.
    pub counts: SampleCounts,
}

/// A probe that moved faster than its tank can.
#[derive(Clone, Copy, Debug)]
struct RateDoubt {
    trusted: f64,
    returned_at: Option<Steady>,
}

/// A probe that a person has in hand, or had.
#[derive(Clone, Copy, Debug)]
struct Care {
    /// What it said before.
    trusted: Option<f64>,
    over: bool,
    returned_at: Option<Steady>,
}

impl Default for Probe {
    fn default() -> Self {
        Self {
            window: [0.0; 3],
            filled: 0,
            value: 0.0,
            accepted_at: None,
            counted_at: None,
            settled: 0,
            refused: 0,
            fault: Fault::NeverHeard,
            retained: None,
            anchors: [None; 2],
            rate: None,
            moved_at: None,
            care: None,
            still: Stillness::default(),
            outvoted: false,
            counts: SampleCounts::default(),
        }
    }
}

impl Probe {
    /// Takes a sample, or what came instead of one.
    pub fn take(&mut self, plan: &ProbePlan, reading: Result<f64, Fault>, retained: Retained, now: Steady) {
        let value = reading.map(|raw| raw.mul_add(plan.calibration.slope, plan.calibration.offset));
        if retained == Retained::Yes {
            self.counts.retained += 1;
            self.retained = value.ok().filter(|value| value.is_finite());
            if self.fault == Fault::NeverHeard && self.retained.is_some() {
                self.fault = Fault::RetainedOnly;
            }
            return;
        }
        match value {
            Err(fault) => {
                self.counts.decode += 1;
                self.refuse(fault);
            }
            Ok(value) if !value.is_finite() || value < plan.least || value > plan.greatest => {
                self.counts.range += 1;
                self.refuse(out_of_range(plan, value));
            }
            Ok(value) => self.accept(plan, value, now),
        }
    }

    fn refuse(&mut self, fault: Fault) {
        self.refused = self.refused.saturating_add(1);
        if self.refused >= REFUSED_IN_A_ROW || self.accepted_at.is_none() {
            self.fault = fault;
            self.settled = 0;
            self.filled = 0;
        }
    }

    fn accept(&mut self, plan: &ProbePlan, value: f64, now: Steady) {
        self.counts.accepted += 1;
        self.refused = 0;
        self.retained = None;
        if self.accepted_at.is_some_and(|at| now.since(at) >= plan.stale_after) {
            *self = Self { counts: self.counts, rate: self.rate, care: self.care, ..Self::default() };
        }
        let again = self.accepted_at.is_some_and(|at| now.since(at) < SAME_SAMPLE)
            && self.filled > 0
            && self.window[2].to_bits() == value.to_bits();
        if again {
            // It weakens no median and settles nothing.
            self.accepted_at = Some(now);
            return;
        }
        let contact = plan.quantity == Quantity::Contact;
        self.window = [self.window[1], self.window[2], value];
        self.filled = (self.filled + 1).min(3);
        self.value = if contact || self.filled < 3 { value } else { median_of_three(self.window) };
        self.accepted_at = Some(now);
        // A late burst of queued samples counts as one: the gap is a twelfth of the stale limit. [F12: choice]
        let gap = Span::from_millis((plan.stale_after.millis() / 12).clamp(50, 5000));
        if self.settled < SETTLING_SAMPLES && self.counted_at.is_none_or(|at| now.since(at) >= gap) {
            self.settled += 1;
            self.counted_at = Some(now);
            if self.settled < SETTLING_SAMPLES {
                self.fault = Fault::Settling;
            }
        }
        if self.moved_at.is_none_or(|(from, _)| from.to_bits() != value.to_bits()) {
            self.moved_at = Some((value, now));
        }
        if self.care.is_some() {
            self.judge_return(plan, now);
        } else if let Some(fastest) = plan.fastest {
            self.judge_rate(fastest, now);
        }
    }

    /// A person takes it in hand: until its care is over and it is back it says nothing of the tank.
    pub fn take_in_hand(&mut self, plan: &ProbePlan, now: Steady) {
        let trusted = self.quality(plan, now).is_good().then_some(self.value);
        let trusted = trusted.or(self.care.and_then(|care| care.trusted));
        self.care = Some(Care { trusted, over: false, returned_at: None });
        self.trust();
    }

    /// The person has put it back.
    pub fn put_back(&mut self) {
        if let Some(care) = &mut self.care {
            care.over = true;
        }
    }

    /// Whether a person has it in hand.
    pub fn is_in_hand(&self) -> bool {
        self.care.is_some_and(|care| !care.over)
    }

    /// After its care a probe counts again when it has been where it was for two minutes. A thermometer
    /// has to be near the water's last trusted temperature; what a calibration moved is only in its range.
    fn judge_return(&mut self, plan: &ProbePlan, now: Steady) {
        let Some(care) = &mut self.care else { return };
        if !care.over || self.settled < SETTLING_SAMPLES {
            care.returned_at = None;
            return;
        }
        let compared = care.trusted.filter(|_| plan.quantity == Quantity::Temperature);
        let near = compared.is_none_or(|trusted| (self.value - trusted).abs() <= NEAR_AFTER_CARE);
        care.returned_at = near.then(|| care.returned_at.unwrap_or(now));
        if care.returned_at.is_some_and(|at| now.since(at) >= BACK_FROM_CARE) {
            self.care = None;
            self.trust();
        }
    }

    fn judge_rate(&mut self, fastest: f64, now: Steady) {
        if self.settled < SETTLING_SAMPLES || self.filled < 3 {
            return;
        }
        if let Some(doubt) = &mut self.rate {
            // Near: within what three minutes of the fastest plausible change could explain (1 K for 0.3 K/min).
            let near = (self.value - doubt.trusted).abs() <= fastest * (10.0 / 3.0);
            doubt.returned_at = near.then(|| doubt.returned_at.unwrap_or(now));
            if doubt.returned_at.is_some_and(|at| now.since(at) >= RETURNED_FOR) {
                self.trust();
                self.anchors = [Some((self.value, now)), None];
            }
            return;
        }
        let [newer, older] = self.anchors;
        if let Some((from, at)) = older.or(newer) {
            let minutes = (now.since(at).seconds() / 60.0).max(1.0);
            if (self.value - from).abs() > fastest * minutes {
                self.rate = Some(RateDoubt { trusted: from, returned_at: None });
                return;
            }
        }
        if newer.is_none_or(|(_, at)| now.since(at) >= RATE_BASE) {
            self.anchors = [Some((self.value, now)), newer];
        }
    }

    /// A person says that the present value may be believed, or it came back by itself.
    pub fn trust(&mut self) {
        self.care = self.care.filter(|care| !care.over);
        self.rate = None;
        self.anchors = [None; 2];
    }

    /// The filtered value, whatever its quality; for the trips of contacts while settling.
    pub fn newest(&self) -> f64 {
        self.value
    }

    /// The value, if there is one that may be used.
    pub fn value(&self, plan: &ProbePlan, now: Steady) -> Option<f64> {
        self.quality(plan, now).is_usable().then_some(self.value)
    }

    /// The age of the newest accepted sample.
    pub fn age(&self, now: Steady) -> Option<Span> {
        self.accepted_at.map(|at| now.since(at))
    }

    /// When the newest accepted sample came.
    pub fn accepted_at(&self) -> Option<Steady> {
        self.accepted_at
    }

    /// Whether the newest accepted sample is fresh, settled or not.
    pub fn is_fresh(&self, plan: &ProbePlan, now: Steady) -> bool {
        !self.is_in_hand() && self.accepted_at.is_some_and(|at| now.since(at) < plan.stale_after)
    }

    /// Whether and why it may be believed.
    pub fn quality(&self, plan: &ProbePlan, now: Steady) -> Quality {
        if self.is_in_hand() {
            return Quality::Bad(Fault::InCare);
        }
        let Some(accepted_at) = self.accepted_at else {
            return Quality::Bad(self.fault);
        };
        if self.refused >= REFUSED_IN_A_ROW {
            return Quality::Bad(self.fault);
        }
        if now.since(accepted_at) >= plan.stale_after {
            return Quality::Bad(Fault::Stale);
        }
        if self.settled < SETTLING_SAMPLES {
            return Quality::Bad(Fault::Settling);
        }
        if self.care.is_some() {
            return Quality::Suspect(Doubt::BackFromCare);
        }
        if self.rate.is_some() {
            return Quality::Suspect(Doubt::ImplausibleRate);
        }
        if self.outvoted {
            return Quality::Suspect(Doubt::Disagrees);
        }
        if self.still.doubted {
            return Quality::Suspect(Doubt::Stuck);
        }
        if let (Some(limit), Some((_, at))) = (plan.stuck_after, self.moved_at)
            && now.since(at) >= limit
        {
            return Quality::Suspect(Doubt::Stuck);
        }
        Quality::Good
    }

    /// What votes and conditions rest on, to be compared before and after a sample.
    pub fn standing(&self, plan: &ProbePlan, now: Steady) -> impl PartialEq + use<> {
        (self.quality(plan, now), self.value.to_bits(), self.is_fresh(plan, now))
    }

    /// When its quality changes by time alone.
    pub fn deadline(&self, plan: &ProbePlan, now: Steady, deadlines: &mut Deadlines) {
        if let Some(at) = self.accepted_at {
            let stale_at = at.after(plan.stale_after);
            if stale_at > now {
                deadlines.ask(stale_at, DeadlineKind::Stale);
            }
        }
        if let (Some(limit), Some((_, at))) = (plan.stuck_after, self.moved_at) {
            let stuck_at = at.after(limit);
            if stuck_at > now {
                deadlines.ask(stuck_at, DeadlineKind::Stale);
            }
        }
    }
}

fn out_of_range(plan: &ProbePlan, value: f64) -> Fault {
    let possible = |value: f64| value >= plan.least && value <= plan.greatest;
    // 85.0 °C exactly is what a common kind of digital thermometer says at power-up. [F05: from memory]
    let power_up = (value - 85.0).abs() < 1e-9;
    let other_scale = possible((value - 32.0) / 1.8) || possible(value.mul_add(1.8, 32.0));
    if plan.quantity == Quantity::Temperature && other_scale && !power_up {
        Fault::WrongUnit
    } else {
        Fault::OutOfRange
    }
}

fn median_of_three([a, b, c]: [f64; 3]) -> f64 {
    a.max(b).min(a.min(b).max(c))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::event::Unreadable;
    use crate::control::ids::Name;
    use crate::control::plan::Calibration;

    fn plan() -> ProbePlan {
        ProbePlan {
            name: Name::new("display-temp"),
            quantity: Quantity::Temperature,
            conductivity: None,
            calibration: Calibration { slope: 1.0, offset: 0.1 },
            least: 10.0,
            greatest: 40.0,
            stale_after: Span::from_seconds(60),
            fastest: Some(0.3),
            stuck_after: Some(Span::from_hours(3)),
        }
    }

    fn at(seconds: u64) -> Steady {
        Steady::from_millis(seconds * 1000)
    }

    /// Samples every ten seconds up to and including `until`.
    fn feed(probe: &mut Probe, from: u64, until: u64, value: impl Fn(u64) -> f64) {
        for seconds in (from..=until).step_by(10) {
            probe.take(&plan(), Ok(value(seconds)), Retained::No, at(seconds));
        }
    }

    #[test]
    fn three_fresh_samples_make_it_good_and_silence_makes_it_stale() {
        let mut probe = Probe::default();
        assert_eq!(probe.quality(&plan(), at(0)), Quality::Bad(Fault::NeverHeard));
        feed(&mut probe, 0, 10, |_| 25.0);
        assert_eq!(probe.quality(&plan(), at(10)), Quality::Bad(Fault::Settling));
        feed(&mut probe, 20, 20, |_| 25.0);
        assert_eq!(probe.quality(&plan(), at(20)), Quality::Good);
        assert!((probe.value(&plan(), at(20)).unwrap() - 25.1).abs() < 1e-9, "calibrated by its offset");
        assert_eq!(probe.quality(&plan(), at(79)), Quality::Good);
        assert_eq!(probe.quality(&plan(), at(80)), Quality::Bad(Fault::Stale));
        feed(&mut probe, 200, 200, |_| 25.0);
        assert_eq!(probe.quality(&plan(), at(200)), Quality::Bad(Fault::Settling));
    }

    #[test]
    fn a_late_burst_counts_as_one_sample() {
        let mut probe = Probe::default();
        for millis in (0..1000).step_by(50) {
            probe.take(&plan(), Ok(25.0), Retained::No, Steady::from_millis(millis));
        }
        assert_eq!(probe.quality(&plan(), at(1)), Quality::Bad(Fault::Settling));
    }

    #[test]
    fn a_retained_reading_is_shown_and_not_used() {
        let mut probe = Probe::default();
        probe.take(&plan(), Ok(25.0), Retained::Yes, at(0));
        assert_eq!(probe.quality(&plan(), at(0)), Quality::Bad(Fault::RetainedOnly));
        assert_eq!(probe.retained, Some(25.1));
    }

    #[test]
    fn a_sample_that_is_delivered_twice_is_one() {
        let mut probe = Probe::default();
        feed(&mut probe, 0, 50, |_| 25.0);
        for millis in [60_000, 60_005] {
            probe.take(&plan(), Ok(31.0), Retained::No, Steady::from_millis(millis));
        }
        assert!((probe.value(&plan(), at(61)).unwrap() - 25.1).abs() < 1e-9, "one spike, though it came twice");
        probe.take(&plan(), Ok(31.0), Retained::No, at(70));
        assert!(probe.value(&plan(), at(70)).unwrap() > 31.0);
        assert_eq!(probe.counts.accepted, 9, "each delivery is counted");
    }

    #[test]
    fn one_spike_changes_nothing_and_two_in_a_row_do() {
        let mut probe = Probe::default();
        feed(&mut probe, 0, 50, |_| 25.0);
        probe.take(&plan(), Ok(31.0), Retained::No, at(60));
        assert!((probe.value(&plan(), at(60)).unwrap() - 25.1).abs() < 1e-9);
        probe.take(&plan(), Ok(31.0), Retained::No, at(70));
        assert!(probe.value(&plan(), at(70)).unwrap() > 31.0);
    }

    #[test]
    fn the_median_is_the_one_in_the_middle_in_whatever_order() {
        for three in
            [[1.0, 2.0, 3.0], [1.0, 3.0, 2.0], [2.0, 1.0, 3.0], [2.0, 3.0, 1.0], [3.0, 1.0, 2.0], [3.0, 2.0, 1.0]]
        {
            assert_eq!(median_of_three(three).to_bits(), 2.0_f64.to_bits(), "{three:?}");
        }
    }

    #[test]
    fn what_is_in_hand_is_not_fresh_and_neither_is_what_is_old() {
        let mut probe = Probe::default();
        assert!(!probe.is_fresh(&plan(), at(0)));
        feed(&mut probe, 0, 20, |_| 25.0);
        assert!(probe.is_fresh(&plan(), at(79)) && !probe.is_fresh(&plan(), at(80)));
        probe.take_in_hand(&plan(), at(30));
        assert!(!probe.is_fresh(&plan(), at(30)));
    }

    #[test]
    fn fahrenheit_by_mistake_is_named_and_the_power_up_code_is_not_taken_for_it() {
        for (raw, fault) in
            [(77.0, Fault::WrongUnit), (-3.9, Fault::WrongUnit), (84.9, Fault::OutOfRange), (-127.0, Fault::OutOfRange)]
        {
            let mut probe = Probe::default();
            probe.take(&plan(), Ok(raw), Retained::No, at(0));
            assert_eq!(probe.quality(&plan(), at(0)), Quality::Bad(fault), "{raw}");
        }
    }

    #[test]
    fn refused_samples_never_refresh_the_age() {
        let mut probe = Probe::default();
        feed(&mut probe, 0, 20, |_| 25.0);
        probe.take(&plan(), Err(Fault::Undecodable(Unreadable::NotANumber)), Retained::No, at(50));
        assert_eq!(probe.quality(&plan(), at(50)), Quality::Good);
        probe.take(&plan(), Err(Fault::Undecodable(Unreadable::NotANumber)), Retained::No, at(60));
        assert_eq!(probe.quality(&plan(), at(80)), Quality::Bad(Fault::Stale));
        probe.take(&plan(), Err(Fault::Undecodable(Unreadable::NotFinite)), Retained::No, at(81));
        assert_eq!(probe.quality(&plan(), at(81)), Quality::Bad(Fault::Undecodable(Unreadable::NotFinite)));
    }

    #[test]
    fn a_probe_lifted_into_air_is_suspect_until_it_is_back() {
        let mut probe = Probe::default();
        feed(&mut probe, 0, 300, |_| 25.0);
        // A wet probe in 21 °C air falls 1.7 K in the first minute. [F10: simulated figure]
        feed(&mut probe, 310, 360, |s| 25.0 - 1.7 * (s as f64 - 300.0) / 60.0);
        assert_eq!(probe.quality(&plan(), at(360)), Quality::Suspect(Doubt::ImplausibleRate));
        feed(&mut probe, 370, 3600, |_| 22.0);
        assert_eq!(probe.quality(&plan(), at(3600)), Quality::Suspect(Doubt::ImplausibleRate), "sticky");
        feed(&mut probe, 3610, 3660, |_| 24.8);
        assert_eq!(probe.quality(&plan(), at(3660)), Quality::Good);
    }

    #[test]
    fn a_probe_that_never_moves_is_stuck() {
        let mut probe = Probe::default();
        feed(&mut probe, 0, 3 * 3600, |_| 24.7);
        assert_eq!(probe.quality(&plan(), at(3 * 3600)), Quality::Suspect(Doubt::Stuck));
        feed(&mut probe, 3 * 3600 + 10, 3 * 3600 + 10, |_| 24.76);
        assert_eq!(probe.quality(&plan(), at(3 * 3600 + 10)), Quality::Good);
    }
}

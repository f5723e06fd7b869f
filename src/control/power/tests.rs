//! When a reading is evidence, and what is learned from it.

use super::*;
use crate::control::tests::lagoon;

const OVER_5: Ask = (Side::Above, DrawLimit::Watts(5.0));

fn heater() -> OutputPlan {
    lagoon::plan().outputs[lagoon::HEATER].clone()
}

fn at(seconds: u64) -> Steady {
    Steady::from_millis(seconds * 1000)
}

/// A meter that speaks every ten seconds from 10 s on, of a plug that was switched at 0.
fn heard(plan: &OutputPlan, watts: &[f64]) -> (Power, Steady) {
    let mut power = Power::new(at(0));
    let mut now = at(0);
    for watts in watts {
        now = now.after(Span::from_seconds(10));
        power.metered(plan, &[OVER_5], *watts, true, now);
    }
    (power, now)
}

#[test]
fn a_reading_is_evidence_for_three_of_its_intervals_and_never_past_the_stale_limit() {
    let plan = heater();
    let (power, now) = heard(&plan, &[100.0; 4]);
    let draws = |millis| power.draws(&plan, OVER_5.0, OVER_5.1, now.after(Span::from_millis(millis)));
    assert_eq!(draws(29_999), Truth::True);
    assert_eq!(draws(30_000), Truth::Unknown, "three of ten seconds");
    // One reading alone has no interval yet.
    let (once, first) = heard(&plan, &[100.0]);
    let draws = |seconds| once.draws(&plan, OVER_5.0, OVER_5.1, first.after(Span::from_seconds(seconds)));
    assert_eq!((draws(59), draws(60)), (Truth::True, Truth::Unknown), "the stale limit of 60 s");
}

#[test]
fn doubled_messages_do_not_make_a_meter_stale() {
    let plan = heater();
    let mut power = Power::new(at(0));
    for second in (10..200).step_by(10) {
        for millis in [0, 3] {
            let now = Steady::from_millis(second * 1000 + millis);
            power.metered(&plan, &[OVER_5], 100.0, true, now);
        }
    }
    assert_eq!(power.draws(&plan, OVER_5.0, OVER_5.1, at(219)), Truth::True);
}

#[test]
fn a_reading_from_before_a_switch_or_right_after_it_is_no_evidence() {
    let plan = heater();
    let (mut power, now) = heard(&plan, &[100.0; 4]);
    power.switched(now.after(Span::from_seconds(1)));
    let draws = |power: &Power, seconds| power.draws(&plan, OVER_5.0, OVER_5.1, now.after(Span::from_seconds(seconds)));
    assert_eq!(draws(&power, 2), Truth::Unknown);
    // In flight while the relay moved.
    power.metered(&plan, &[OVER_5], 100.0, false, now.after(Span::from_seconds(3)));
    assert_eq!(draws(&power, 4), Truth::Unknown);
    power.metered(&plan, &[OVER_5], 0.0, false, now.after(Span::from_seconds(10)));
    assert_eq!(draws(&power, 10), Truth::False);
}

#[test]
fn twenty_settled_readings_while_proven_on_are_learned_by_their_median() {
    let plan = heater();
    let (mut power, mut now) = heard(&plan, &[100.0; 19]);
    assert_eq!(power.usual, None);
    let mut say = |power: &mut Power, watts, proven_on| {
        now = now.after(Span::from_seconds(10));
        power.metered(&plan, &[OVER_5], watts, proven_on, now)
    };
    say(&mut power, 180.0, false);
    say(&mut power, 0.2, true);
    assert_eq!(power.usual, None, "what is not proven on, or nothing, is not learned");
    assert!(say(&mut power, 140.0, true), "worth saving");
    let usual = power.usual.expect("learned");
    assert!((usual.watts - 100.0).abs() < 1e-9, "one reading moves no median: {usual:?}");
    assert!((usual.greatest - 100.0).abs() < 1e-9, "{usual:?}");
}

#[test]
fn what_nobody_confirmed_moves_no_trip() {
    let plan = heater();
    let excess = |power: &Power, now| power.draws(&plan, Side::Above, DrawLimit::ExcessTwice, now);
    // 60 W are learned; the rating says 100 W.
    let (mut power, now) = heard(&plan, &[60.0; 20]);
    let (first, second) = (now.after(Span::from_seconds(10)), now.after(Span::from_seconds(20)));
    power.metered(&plan, &[OVER_5], 75.0, true, first);
    power.metered(&plan, &[OVER_5], 75.0, true, second);
    assert_eq!(excess(&power, second), Truth::False, "the rating is what counts");
    power.confirmed = power.usual.map(|usual| usual.watts);
    assert_eq!(excess(&power, second), Truth::True, "over 69 W");
}

#[test]
fn one_spike_is_no_excess_and_two_in_a_row_are() {
    let plan = heater();
    let (mut power, mut now) = heard(&plan, &[100.0; 3]);
    let excess = |power: &Power, now| power.draws(&plan, Side::Above, DrawLimit::ExcessTwice, now);
    let mut say = |power: &mut Power, watts| {
        now = now.after(Span::from_seconds(10));
        power.metered(&plan, &[OVER_5], watts, true, now);
        excess(power, now)
    };
    assert_eq!(say(&mut power, 125.0), Truth::False, "a high mains voltage is no fault");
    assert_eq!(say(&mut power, 180.0), Truth::False, "one reading");
    assert_eq!(say(&mut power, 100.0), Truth::False);
    assert_eq!(say(&mut power, 180.0), Truth::False);
    assert_eq!(say(&mut power, 180.0), Truth::True);
}

#[test]
fn a_damaged_record_is_not_believed() {
    let mut power = Power::new(at(0));
    let broken = UsualPower { watts: f64::NAN, least: 0.0, greatest: 0.0, lively: false };
    power.remember(Some(broken), Some(-3.0));
    assert_eq!((power.usual, power.confirmed), (None, None));
}

#[test]
fn the_idle_limit_follows_the_rating() {
    let mut plan = heater();
    assert!((plan.idle_watts() - 5.0).abs() < 1e-9);
    plan.rating = Watts::from_watts(5.0).ok();
    assert!((plan.idle_watts() - 1.0).abs() < 1e-9);
}
